"""The screen of ``lostlink plan latency``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from rich.markup import escape

from lostlink.planning import latency
from lostlink.planning.wording import time_text
from lostlink.show.console import console, paragraph, show_table, table
from lostlink_sims import Profile

_SHARES = (0.5, 0.95, 0.99)


def show_latencies(link: Profile, clean_us: NDArray[np.int64], lossy_us: NDArray[np.int64], seed: int) -> None:
    """Show the latency budget, the simulated distributions, and how well they agree.

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
    stages = table("stage", "min", "max", "mean", "sd")
    for stage in planned.stages:
        times_us = (stage.fixed_us, stage.fixed_us + stage.spread_us, stage.mean_us, stage.sd_us)
        stages.add_row(stage.what, *map(time_text, times_us))
    show_table(stages)
    out.print()
    columns = table("", "mean", "sd", *(f"p{100 * share:g}" for share in _SHARES), "max")
    for name, budget in (("calculated, no loss", planned), ("calculated, with loss", lossy)):
        if budget is not None and (budget is planned or budget.loss):
            quantiles = map(budget.quantile_us, _SHARES)
            longest = "unbounded" if budget.most_us is None else time_text(budget.most_us)
            columns.add_row(name, *map(time_text, (budget.mean_us, budget.sd_us, *quantiles)), longest)
    for name, values in (("simulated, no loss", clean_us), ("simulated, with loss", lossy_us)):
        quantiles = np.quantile(values, _SHARES, method="inverted_cdf").tolist()
        times_us = (float(values.mean()), float(values.std()), *quantiles, float(values.max()))
        columns.add_row(f"{name} ({len(values)} steps)", *map(time_text, times_us))
    show_table(columns)
    paragraph(f"\n{_histogram(clean_us, planned)}")
    paragraph(
        f"Largest distance between calculated and simulated distribution: {latency.distance(clean_us, planned):.3f}. "
        f"Chance alone exceeds {latency.chance_distance(len(clean_us)):.3f} in 1 % of cases (Kolmogorov-Smirnov, "
        f"{len(clean_us)} steps, seed {seed})."
    )
    limit_us = link.requirements.latency_p99_us
    p99_us = (lossy or planned).quantile_us(0.99)
    paragraph(
        f"99 % of steps are output within {time_text(p99_us)}. Limit of the profile: {time_text(limit_us)}"
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
