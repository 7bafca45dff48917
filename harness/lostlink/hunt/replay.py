"""Replays a saved timeline inside a test, on any rig, and judges it by the same rules as the hunt."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lostlink.hunt.invariants import judge_trace
from lostlink.profiles import read_scenario
from lostlink.verdicts import Measurement

if TYPE_CHECKING:
    from lostlink.rigs import Rig
    from lostlink.suite.judge import Judge
    from lostlink_sims import Trace


def replayed(rig: Rig, judge: Judge, path: Path | str) -> None:
    """Run the scenario in a file and judge it by all rules that must hold whatever happens.

    Skips where the rig cannot set the receiver's counter and the scenario needs it. A run in which the model never
    flew is in doubt, because nothing can be lost then.

    Parameters
    ----------
    rig, judge : Rig, Judge
        The plugin's fixtures.
    path : Path or str
        A ``.scenario.toml``.

    Raises
    ------
    lostlink.suite.judge.NotMetError
        If a rule is broken.
    """
    scenario = read_scenario(str(path), rig.profile)
    if scenario.receiver_clock_us and not rig.sets_clock:
        import pytest

        pytest.skip("the board has no means to set its clock, and the scenario needs its counter to wrap")
    trace = rig.run(scenario)
    broken = judge_trace(trace)
    name = f"broken rules ({broken[0].requirement_id}: {broken[0].said})" if broken else "broken rules"
    at_us = broken[0].at_us if broken else None
    measured = Measurement(name=name, value=len(broken), unit="", how_seen=trace.how_seen, at_us=at_us)
    judge(trace, measured, at_most=0)
    if not _flew(trace):
        judge.doubt(trace, "the model did not fly before the trouble began, so nothing is proven (see LK-CONTROL)")


def _flew(trace: Trace) -> bool:
    """Return whether motors turned before anything went wrong, where the run begins as a flight."""
    scenario = trace.scenario
    first_us = min((fault.at_us for fault in scenario.faults), default=scenario.duration_us)
    at_power_on = all(move.at_us == 0 for move in scenario.moves[:1])
    return at_power_on or bool(((trace.motor.value > 0) & (trace.motor.at_us < first_us)).any())
