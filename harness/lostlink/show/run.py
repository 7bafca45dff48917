"""One run in the terminal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from rich.markup import escape

from lostlink.evidence.timeline import timeline
from lostlink.measure import loss
from lostlink.show.console import console, paragraph
from lostlink.verdicts import counted, quantity
from lostlink_sims import Trace


def _span(values_us: NDArray[np.int64]) -> str:
    """Return the median and the largest of `values_us`."""
    if not len(values_us):
        return "none"
    return f"{quantity(float(np.median(values_us)), 'µs')} (largest {quantity(int(values_us.max()), 'µs')})"


def run(trace: Trace) -> None:
    """Show one run: its timeline and its summary."""
    console().print(
        f"scenario [bold]{escape(trace.scenario.name)}[/bold], seed {trace.scenario.seed}, trial {trace.scenario.trial}"
    )
    paragraph(timeline(trace, 0, trace.scenario.duration_us, most_lines=60))
    total = trace.summary
    lost, delay_us = trace.packets.lost, trace.packets.arrived_us - trace.packets.left_us
    _, runs = loss.loss_runs(lost)
    paragraph(
        f"  loss {loss.loss_rate(lost):.2%} in {counted(len(runs), 'burst')}, "
        f"the longest {counted(max(runs, default=0), 'packet')}; "
        f"packet delay {_span(delay_us[~lost])}, its variation {_span(loss.delay_variation_us(delay_us[~lost]))}"
    )
    fates = ", ".join(f"{times} {name}" for name, times in total.by_fate.items())
    paragraph(f"  {total.packets} packets: {fates}; {total.frames} frames; motors started {total.motor_starts}x; "
              f"failsafe entered {total.failsafe_entries}x, active {total.failsafe_us / 1e6:.3f} s")  # fmt: skip
