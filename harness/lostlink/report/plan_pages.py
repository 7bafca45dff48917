"""Plans as pages: the same numbers as on the screen, as curves that zoom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from lostlink.planning import latency, link_range
from lostlink.planning.link_range import Point
from lostlink.planning.timeout import Advice, Rates, Row
from lostlink.report.plans import Curves, Plan
from lostlink.show.plan import GIVEN, advice_text, often, time
from lostlink_sims import Profile
from lostlink_sims.air.loss import LinkBudget


def timeouts(link: Profile, rows: Sequence[Row], rates: Rates, advice: Advice, *, max_per_hour: float) -> Plan:
    """Return the page of `plan timeout`."""
    x = [row.timeout_us / 1000 for row in rows]
    own = {"this profile": link.receiver.timeout_us / 1000}
    return Plan(
        title=f"timeouts of {link.name}",
        sentence=advice_text(link, rows, advice, max_per_hour),
        about=[
            ("link", link.name), ("packet every", time(link.handset.packet_interval_us)),
            ("lost in ordinary use", f"{rates.loss:.2%}"), ("rates", rates.how),
        ],
        curves=[
            Curves(
                title="False failsafes", x_label="timeout, ms", y_label="false failsafes an hour", x=x, log_y=True,
                series={
                    "as it is": [row.per_hour for row in rows],
                    "the same share lost one by one": [max(row.independent_per_hour, 1e-12) for row in rows],
                },
                marks=own, limit=("what you would max_per_hour", max_per_hour),
            ),
            Curves(
                title="Time to cut", x_label="timeout, ms", y_label="from link loss to throttle cut, ms", x=x,
                series={"mean": [row.mean_us / 1000 for row in rows], "worst": [row.worst_us / 1000 for row in rows]},
                marks=own, limit=("your limit", link.requirements.cut_within_us / 1000),
            ),
        ],
        tables=[(
            "Timeouts", ("timeout", "packets lost", "false failsafes", "cut: mean", "worst"),
            [(time(row.timeout_us), str(row.packets), often(row.per_hour), time(row.mean_us), time(row.worst_us))
             for row in rows],
        )],
        notes=[f"Taken as given: {GIVEN}"],
    )  # fmt: skip


def ranges(
    link: Profile, budget: LinkBudget, points: Mapping[str, Sequence[Point]], *, keep_db: float, most_m: float
) -> Plan:
    """Return the page of `plan range`."""
    x = [point.distance_m for point in points["free space"]]
    first, last = link_range.reach_m(link, budget, 0.01, most_m)
    reach = f"nowhere up to {most_m:g} m" if first is None else f"first at {first:.0f} m"
    if last is not None and last != first:
        reach += f", for good from {last:.0f} m on"
    return Plan(
        title=f"range of {link.name}",
        sentence=f"One packet of a hundred is lost {reach} ({budget.path}); range is relative, not a prediction.",
        about=[
            ("link", link.name), ("into the antenna", f"{budget.transmit_power_dbm:g} dBm"), ("fading", budget.fading),
            ("sensitivity", f"{link_range.sensitivity_dbm(link, budget):.1f} dBm"),
        ],
        curves=[
            Curves(
                title="Margin", x_label="distance, m", y_label="margin over the sensitivity, dB", x=x,
                series={name: [point.margin_db for point in some] for name, some in points.items()},
                marks={}, limit=(f"{keep_db:g} dB in hand", keep_db),
            ),
            Curves(
                title="Packets lost", x_label="distance, m", y_label="share of packets lost", x=x, log_y=True,
                series={name: [max(point.loss, 1e-12) for point in some] for name, some in points.items()}, marks={},
            ),
        ],
        tables=[(
            name.capitalize(), ("distance", "received", "margin", "lost"),
            [(f"{point.distance_m:g} m", f"{point.received_dbm:.1f} dBm", f"{point.margin_db:.1f} dB",
              f"{point.loss:.3%}") for point in some],
        ) for name, some in points.items()],
        notes=[
            "Bit errors are those of ideal FSK, set right by the implementation loss; small-index GFSK, bodies, trees "
            "and other users of the band take decibels.",
            "Power and time on the air are for the rules where you are to decide; nothing here claims compliance.",
        ],
    )  # fmt: skip


def latencies(link: Profile, clean_us: NDArray[np.int64], found_us: NDArray[np.int64]) -> Plan:
    """Return the page of `plan latency`."""
    planned = latency.budget(link, with_losses=False)
    assert planned is not None
    lossy = latency.budget(link, with_losses=True) or planned
    p99_us = lossy.quantile_us(0.99)
    grid = np.linspace(0, float(max(found_us.max(), clean_us.max())), 160)
    shares = {
        name: [float(np.searchsorted(np.sort(values), at, side="right")) / len(values) for at in grid]
        for name, values in (("simulated, nothing lost", clean_us), ("simulated, with losses", found_us))
    }
    limit_us = link.requirements.latency_p99_us
    return Plan(
        title=f"latency of {link.name}",
        sentence=f"99 % of stick moves show within {time(p99_us)}; your limit is {time(limit_us)}.",
        about=[("link", link.name), ("simulated moves", str(len(found_us)))],
        curves=[
            Curves(
                title="From stick to pulse", x_label="time, ms", y_label="share of moves that show",
                x=(grid / 1000).tolist(),
                series={"reckoned, nothing lost": [planned.cdf(float(at)) for at in grid], **shares},
                marks={"your limit for 99 %": limit_us / 1000} if limit_us <= 2 * grid[-1] else {},
                limit=("99 %", 0.99),
            )
        ],
        tables=[(
            "Stages", ("stage", "least", "most", "mean"),
            [(stage.what, time(stage.fixed_us), time(stage.fixed_us + stage.spread_us), time(stage.mean_us))
             for stage in planned.stages],
        )],
        notes=["Phases of packets and frames are taken as equally likely; locked clocks keep one phase for a flight."],
    )  # fmt: skip
