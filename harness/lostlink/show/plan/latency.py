"""The screen of ``lostlink plan latency``."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from rich.markup import escape

from lostlink.planning import latency
from lostlink.planning.wording import time_text
from lostlink.show.console import console
from lostlink.show.plan.common import paragraph, table
from lostlink_sims import Profile


def show_latencies(link: Profile, clean_us: NDArray[np.int64], lossy_us: NDArray[np.int64], seed: int) -> None:
    """Show the budget, the simulated distributions, and how well they agree.

    Parameters
    ----------
    clean_us, lossy_us : (n,) ndarray of int64
        Simulated latencies without and with packet loss.
    """
    out = console()
    planned, lossy = latency.budget(link, with_losses=False), latency.budget(link, with_losses=True)
    assert planned is not None
    out.print(
        f"link [bold]{escape(link.name)}[/bold]: from a throttle step to the end of the first pulse that shows it",
        soft_wrap=True,
    )
    made = table("stage", "min", "max", "mean", "sd")
    for stage in planned.stages:
        max_us = stage.fixed_us + stage.spread_us
        made.add_row(
            stage.what, time_text(stage.fixed_us), time_text(max_us), time_text(stage.mean_us), time_text(stage.sd_us)
        )
    out.print(made)
    out.print()
    columns = table("", "mean", "sd", "p50", "p95", "p99", "max")
    for name, budget in (("calculated, no loss", planned), ("calculated, with loss", lossy)):
        if budget is not None and (budget is planned or budget.loss):
            quantiles = [time_text(budget.quantile_us(share)) for share in (0.5, 0.95, 0.99)]
            longest = "unbounded" if budget.most_us is None else time_text(budget.most_us)
            columns.add_row(name, time_text(budget.mean_us), time_text(budget.sd_us), *quantiles, longest)
    for name, values in (("simulated, no loss", clean_us), ("simulated, with loss", lossy_us)):
        quantiles = [time_text(float(np.quantile(values, share, method="inverted_cdf"))) for share in (0.5, 0.95, 0.99)]
        columns.add_row(
            f"{name} ({len(values)} steps)", time_text(float(values.mean())), time_text(float(values.std())),
            *quantiles, time_text(float(values.max())),
        )  # fmt: skip
    out.print(columns)
    out.print()
    out.print(escape(_histogram(clean_us, planned)))
    paragraph(
        f"Largest distance between calculated and simulated distribution: {latency.distance(clean_us, planned):.3f}. "
        f"Chance alone exceeds {1.63 / math.sqrt(len(clean_us)):.3f} in 1 % of cases (Kolmogorov-Smirnov, "
        f"{len(clean_us)} steps, seed {seed})."
    )
    limit_us = link.requirements.latency_p99_us
    p99_us = (lossy or planned).quantile_us(0.99)
    paragraph(
        f"99 % of steps show within {time_text(p99_us)}. Limit of the profile: {time_text(limit_us)}"
        f"{'' if p99_us <= limit_us else ': too late'}."
    )
    paragraph(
        "If packet and frame period have a common divisor and the clocks do not drift, the phase is constant during a "
        "flight and only a few latencies occur. The figures above are for many flights."
    )


def _histogram(values_us: NDArray[np.int64], planned: latency.LatencyBudget) -> str:
    """Return simulated and calculated shares, a bar for each bin."""
    edges = np.linspace(float(values_us.min()), float(values_us.max()) + 1, 13)
    counts, _ = np.histogram(values_us, edges)
    shares = counts / len(values_us)
    calculated = np.diff([planned.cdf(float(edge)) for edge in edges])
    largest = max(shares.max(), calculated.max(), 1e-9)
    lines = ["share of steps, no loss: # simulated, | calculated"]
    for low_us, share, expected in zip(edges, shares, calculated, strict=False):
        bar = list(("#" * round(40 * share / largest)).ljust(42))
        bar[min(41, round(40 * expected / largest))] = "|"
        lines.append(f"{time_text(float(low_us)):>10} {''.join(bar).rstrip()}")
    return "\n".join(lines)
