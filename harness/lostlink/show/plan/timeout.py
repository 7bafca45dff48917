"""The screen of ``lostlink plan timeout``."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.markup import escape

from lostlink.planning.timeout import Advice, RateCurve, RunRates, TimeoutRow
from lostlink.planning.wording import (
    ASSUMPTIONS,
    COUNTED,
    HOURS_PER_YEAR,
    advice_text,
    rate_text,
    row_rate_text,
    short_text,
    time_text,
)
from lostlink.profiles.quantities import text_of
from lostlink.show.chart import chart
from lostlink.show.console import console, paragraph, show_table, table
from lostlink_sims import Profile


def show_timeouts(
    link: Profile,
    rows: Sequence[TimeoutRow],
    rates: RunRates,
    curve: RateCurve,
    advice: Advice,
    *,
    speed_m_s: float,
    flight_us: int,
    max_per_hour: float,
) -> None:
    """Show the timeouts as table and chart, and which of them keep both limits."""
    out = console()
    out.print(
        f"link [bold]{escape(link.name)}[/bold]: a packet every {time_text(link.handset.packet_interval_us)}, "
        f"{rates.loss:.2%} lost in ordinary use; rates {rates.how}",
        soft_wrap=True,
    )
    made = table(
        "timeout\nms", "packets\nlost", "false\nfailsafes\nper hour", "per\nflight", "without\nbursts\nper hour",
        "mean\ncut\nms", "worst\ncut\nms", "travel\nm", "fall\nm", "", left=0,
    )  # fmt: skip
    for row in rows:
        made.add_row(*_cells(link, row, is_exact=rates.is_exact, speed_m_s=speed_m_s, max_per_hour=max_per_hour))
    show_table(made)
    paragraph(
        "packets lost: consecutive losses that trigger the failsafe. "
        f"{'' if rates.is_exact else COUNTED}"
        f"per flight: probability of a false failsafe in {text_of(flight_us, 'duration')} (<: upper bound). "
        "without bursts: the rate if the same share of packets were lost independently. "
        f"travel: at {speed_m_s:g} m/s until the worst cut. fall: without drag in that time. "
        f"late: the cut may be later than {time_text(link.requirements.cut_within_us)}. "
        f"frequent: more than {max_per_hour:g} false failsafes per hour. "
        f"1e-6 per hour is one in {1e6 / HOURS_PER_YEAR:.0f} years.\n"
    )
    lines = chart(
        curve.timeouts_us, curve.per_hour, x_label="timeout", y_label="false failsafes per hour", log_y=True,
        marks={"this profile": link.receiver.timeout_us}, x_text=time_text, y_text="{:.2g}".format,
    )  # fmt: skip
    paragraph(f"{lines}\n")
    if rates.is_exact:
        _show_burst_effect(rows, link)
    paragraph(advice_text(link, rows, advice, max_per_hour))
    paragraph(f"Assumptions: {ASSUMPTIONS}")


def _cells(link: Profile, row: TimeoutRow, *, is_exact: bool, speed_m_s: float, max_per_hour: float) -> tuple[str, ...]:
    remarks = {
        "late": row.worst_us > link.requirements.cut_within_us,
        "current": row.timeout_us == link.receiver.timeout_us,
        "frequent": row.upper_per_hour > max_per_hour,
    }
    chance = f"<{short_text(row.in_flight_upper, 2)}" if row.in_flight is None else short_text(row.in_flight, 2)
    return (
        _ms(row.timeout_us), str(row.packets), row_rate_text(row, is_exact=is_exact), chance,
        rate_text(row.independent_per_hour), _ms(row.mean_us), _ms(row.worst_us),
        short_text(row.blind_m(speed_m_s), 3), short_text(row.fall_m, 2), ", ".join(filter(remarks.get, remarks)),
    )  # fmt: skip


def _ms(value_us: int) -> str:
    return short_text(value_us / 1000, 4)


def _show_burst_effect(rows: Sequence[TimeoutRow], link: Profile) -> None:
    """Show the effect of bursts at the timeout in the table that is nearest to the profile's."""
    row = min(rows, key=lambda candidate: abs(candidate.timeout_us - link.receiver.timeout_us))
    if row.independent_per_hour > 0 and row.per_hour > 2 * row.independent_per_hour:
        factor = row.per_hour / row.independent_per_hour
        shown = f"{factor:.2g}" if factor < 1e6 else f"10^{math.floor(math.log10(factor))}"
        paragraph(
            f"Bursts matter: at {time_text(row.timeout_us)} they cause {shown} times as many false failsafes as "
            "independent losses of the same share. A loss percentage alone is not enough."
        )
