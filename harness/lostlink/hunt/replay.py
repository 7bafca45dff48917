"""Replays a saved timeline inside a test on any rig; the invariants of the hunt judge it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lostlink.invariants.rules import judge_trace
from lostlink.profiles import read_scenario
from lostlink.verdicts import Measurement

if TYPE_CHECKING:
    from lostlink.rigs import Rig
    from lostlink.suite.judge import Judge
    from lostlink_sims import Trace


def replayed(rig: Rig, judge: Judge, path: Path | str) -> None:
    """Run the scenario in a file and check the invariants.

    Skips the test if the scenario sets the receiver's counter and the rig cannot. A run without motor power before
    the first fault is inconclusive.

    Parameters
    ----------
    rig, judge : Rig, Judge
        The plugin's fixtures.
    path : Path or str
        A ``.scenario.toml``.

    Raises
    ------
    lostlink.suite.judge.NotMetError
        If an invariant is broken.
    """
    scenario = read_scenario(str(path), rig.profile)
    if scenario.receiver_clock_us and not rig.sets_clock:
        import pytest

        pytest.skip("the scenario sets the receiver's counter, which this rig cannot do")
    trace = rig.run(scenario)
    broken = judge_trace(trace)
    name = f"broken invariants ({broken[0].requirement_id}: {broken[0].message})" if broken else "broken invariants"
    at_us = broken[0].at_us if broken else None
    measured = Measurement(name=name, value=len(broken), unit="", how_seen=trace.how_seen, at_us=at_us)
    judge(trace, measured, at_most=0)
    if not _flew(trace):
        judge.doubt(trace, "the motors never ran before the first fault, so the run proves nothing (see LK-CONTROL)")


def _flew(trace: Trace) -> bool:
    """Return whether the motors ran before the first fault, or the run begins at power-on."""
    scenario = trace.scenario
    first_us = min((fault.at_us for fault in scenario.faults), default=scenario.duration_us)
    at_power_on = all(move.at_us == 0 for move in scenario.moves[:1])
    return at_power_on or bool(((trace.motor.value > 0) & (trace.motor.at_us < first_us)).any())
