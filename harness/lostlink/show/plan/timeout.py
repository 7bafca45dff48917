"""The screen of ``lostlink plan timeout``."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.markup import escape

from lostlink.planning.timeout import Advice, RunRates, TimeoutRow
from lostlink.planning.wording import ASSUMPTIONS, advice_text, rate_text, time_text
from lostlink.profiles.quantities import text_of
from lostlink.show.chart import chart
from lostlink.show.console import console
from lostlink.show.plan.common import paragraph, table
from lostlink_sims import Profile


def show_timeouts(
    link: Profile,
    rows: Sequence[TimeoutRow],
    rates: RunRates,
    advice: Advice,
    *,
    speed_m_s: float,
    flight_us: int,
    max_per_hour: float,
) -> None:
    """Show timeouts side by side, and which of them keep both limits."""
    out = console()
    limit_us = link.requirements.cut_within_us
    out.print(
        f"link [bold]{escape(link.name)}[/bold]: a packet every {time_text(link.handset.packet_interval_us)}, "
        f"{rates.loss:.2%} lost in ordinary use; rates {rates.how}",
        soft_wrap=True,
    )
    made = table("timeout", "packets", "false failsafes", "per flight", "independent", "mean cut", "worst cut",
                 "travel", "fall", "")  # fmt: skip
    for row in rows:
        remarks = [] if row.worst_us <= limit_us else ["late"]
        remarks += [] if row.upper_per_hour <= max_per_hour else ["frequent"]
        remarks += ["current"] if row.timeout_us == link.receiver.timeout_us else []
        rate = rate_text(row.per_hour)
        if not rates.is_exact:
            rate = f"{row.per_hour:.2g} (< {row.upper_per_hour:.2g}) per hour"
        made.add_row(
            time_text(row.timeout_us), str(row.packets), rate, f"{row.in_flight:.2g}",
            rate_text(row.independent_per_hour), time_text(row.mean_us), time_text(row.worst_us),
            f"{row.blind_m(speed_m_s):.3g} m", f"{row.fall_m:.2g} m", ", ".join(remarks),
        )  # fmt: skip
    out.print(made)
    paragraph(
        "packets: consecutive losses that trigger the failsafe. "
        f"per flight: probability of a false failsafe in {text_of(flight_us, 'duration')}. "
        "independent: the rate if the same share of packets were lost independently. "
        f"travel: at {speed_m_s:g} m/s until the worst cut. fall: without drag in that time. "
        f"late: the cut may be later than {time_text(limit_us)}. "
        f"frequent: more than {max_per_hour:g} false failsafes per hour."
    )
    out.print()
    out.print(
        escape(
            chart(
                [row.timeout_us for row in rows],
                {
                    "this link": [row.per_hour for row in rows],
                    "if losses were independent": [row.independent_per_hour for row in rows],
                },
                x_label="timeout", y_label="false failsafes per hour", log_x=True, log_y=True,
                marks={"this profile": link.receiver.timeout_us}, x_text=time_text, y_text=lambda value: f"{value:.0e}",
            )
        )
    )  # fmt: skip
    out.print()
    _show_burst_effect(rows, link)
    paragraph(advice_text(link, rows, advice, max_per_hour))
    paragraph(f"Assumptions: {ASSUMPTIONS}")


def _show_burst_effect(rows: Sequence[TimeoutRow], link: Profile) -> None:
    """Show what bursts change, at the profile's own timeout or the one next to it."""
    row = min(rows, key=lambda candidate: abs(candidate.timeout_us - link.receiver.timeout_us))
    if row.independent_per_hour > 0 and row.per_hour > 2 * row.independent_per_hour:
        factor = row.per_hour / row.independent_per_hour
        shown = f"{factor:.2g}" if factor < 1e6 else f"10^{math.floor(math.log10(factor))}"
        paragraph(
            f"Bursts matter: at {time_text(row.timeout_us)} they cause {shown} times as many false failsafes as "
            "independent losses of the same share. A loss percentage alone is not enough."
        )
