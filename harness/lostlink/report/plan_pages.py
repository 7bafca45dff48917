"""The pages of ``lostlink plan``: the results as curves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from lostlink.planning import latency, link_range
from lostlink.planning.link_range import RangeCurve, RangePoint
from lostlink.planning.timeout import Advice, RateCurve, RunRates, TimeoutRow
from lostlink.planning.wording import ASSUMPTIONS, COUNTED, advice_text, loss_text, row_rate_text, time_text
from lostlink.report.plans import Curves, PlanPage
from lostlink_sims import Profile
from lostlink_sims.air.loss import LinkBudget


def timeout_page(
    link: Profile,
    rows: Sequence[TimeoutRow],
    rates: RunRates,
    curve: RateCurve,
    advice: Advice,
    *,
    max_per_hour: float,
) -> PlanPage:
    """Return the page of `plan timeout`."""
    x = [row.timeout_us / 1000 for row in rows]
    own = {"this profile": link.receiver.timeout_us / 1000}
    return PlanPage(
        title=f"timeouts of {link.name}",
        sentence=advice_text(link, rows, advice, max_per_hour),
        about=[
            ("link", link.name), ("packet every", time_text(link.handset.packet_interval_us)),
            ("lost in ordinary use", f"{rates.loss:.2%}"), ("rates", rates.how),
        ],
        curves=[
            Curves(
                title="False failsafes", x_label="timeout, ms", y_label="false failsafes per hour", log_y=True,
                x=[timeout_us / 1000 for timeout_us in curve.timeouts_us],
                series=curve.per_hour,
                marks=own, limit=("acceptable rate", max_per_hour),
            ),
            Curves(
                title="Time to cut", x_label="timeout, ms", y_label="from link loss to throttle cut, ms", x=x,
                series={"mean": [row.mean_us / 1000 for row in rows], "worst": [row.worst_us / 1000 for row in rows]},
                marks=own, limit=("limit of the profile", link.requirements.cut_within_us / 1000),
            ),
        ],
        tables=[(
            "Timeouts", ("timeout", "packets lost", "false failsafes per hour", "mean cut", "worst cut"),
            [(time_text(row.timeout_us), str(row.packets), row_rate_text(row, is_exact=rates.is_exact),
              time_text(row.mean_us), time_text(row.worst_us)) for row in rows],
        )],
        notes=[f"Assumptions: {ASSUMPTIONS}", *([] if rates.is_exact else [COUNTED.capitalize().strip()])],
    )  # fmt: skip


def range_page(
    link: Profile,
    budget: LinkBudget,
    points: Mapping[str, Sequence[RangePoint]],
    curves: Mapping[str, RangeCurve],
    *,
    keep_db: float,
    most_m: float,
) -> PlanPage:
    """Return the page of `plan range`."""
    x = curves["free space"].distances_m
    first, last = link_range.reach_m(link, budget, 0.01, most_m)
    reach = f"nowhere up to {most_m:g} m" if first is None else f"first at {first:.0f} m"
    if last is not None and last != first:
        reach += f", always from {last:.0f} m"
    return PlanPage(
        title=f"range of {link.name}",
        sentence=f"1 % of packets are lost {reach} ({budget.path}). Range is relative, not a prediction.",
        about=[
            ("link", link.name), ("into the antenna", f"{budget.transmit_power_dbm:g} dBm"), ("fading", budget.fading),
            ("sensitivity", f"{link_range.sensitivity_dbm(link, budget):.1f} dBm"),
        ],
        curves=[
            Curves(
                title="Margin", x_label="distance, m", y_label="margin above the sensitivity, dB", x=x,
                series={path: curve.margin_db for path, curve in curves.items()},
                marks={}, limit=(f"margin to keep: {keep_db:g} dB", keep_db),
            ),
            Curves(
                title="Packets lost", x_label="distance, m", y_label="share of packets lost", x=x, log_y=True,
                series={path: curve.loss for path, curve in curves.items()}, marks={},
            ),
        ],
        tables=[(
            path.capitalize(), ("distance", "received", "margin", "lost"),
            [(f"{point.distance_m:g} m", f"{point.received_dbm:.1f} dBm", f"{point.margin_db:.1f} dB",
              loss_text(point.loss)) for point in row],
        ) for path, row in points.items()],
        notes=[
            "The bit error rate is that of ideal FSK with an implementation loss. Small-index GFSK, bodies, trees and "
            "interference cost further decibels.",
            "The regulations of your country limit power and air time. This page does not show compliance.",
        ],
    )  # fmt: skip


def latency_page(link: Profile, clean_us: NDArray[np.int64], lossy_us: NDArray[np.int64]) -> PlanPage:
    """Return the page of `plan latency`."""
    planned = latency.budget(link, with_losses=False)
    assert planned is not None
    lossy = latency.budget(link, with_losses=True) or planned
    p99_us = lossy.quantile_us(0.99)
    grid = np.linspace(0, float(max(lossy_us.max(), clean_us.max())), 160)
    shares = {
        name: [float(np.searchsorted(np.sort(values), at, side="right")) / len(values) for at in grid]
        for name, values in (("simulated, no loss", clean_us), ("simulated, with loss", lossy_us))
    }
    limit_us = link.requirements.latency_p99_us
    return PlanPage(
        title=f"latency of {link.name}",
        sentence=f"99 % of stick steps are output within {time_text(p99_us)}. "
        f"Limit of the profile: {time_text(limit_us)}.",
        about=[("link", link.name), ("simulated steps", str(len(lossy_us)))],
        curves=[
            Curves(
                title="From stick to pulse", x_label="time, ms", y_label="share of steps that are output",
                x=(grid / 1000).tolist(),
                series={"calculated, no loss": [planned.cdf(float(at)) for at in grid], **shares},
                marks={"limit for 99 %": limit_us / 1000} if limit_us <= 2 * grid[-1] else {},
                limit=("99 %", 0.99),
            )
        ],
        tables=[(
            "Stages", ("stage", "min", "max", "mean"),
            [(stage.what, time_text(stage.fixed_us), time_text(stage.fixed_us + stage.spread_us),
              time_text(stage.mean_us)) for stage in planned.stages],
        )],
        notes=["All phases are assumed equally likely. With locked clocks the phase is constant during a flight."],
    )  # fmt: skip
