"""Replays a saved timeline inside a test on any rig; the invariants of the hunt judge it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lostlink.invariants.rules import judge_trace
from lostlink.measure.limits import MOST_CODE_ERROR, age_us, settle_us
from lostlink.measure.packets import codes_shown, sent_codes
from lostlink.profiles import read_scenario
from lostlink.verdicts import Measurement, Side

if TYPE_CHECKING:
    from lostlink.rigs import Rig
    from lostlink.suite.judge import Judge
    from lostlink_sims import Trace


def replayed(rig: Rig, judge: Judge, path: Path | str, *, side: str = "receiver") -> None:
    """Run the scenario in a file and check the invariants on what is under test.

    Skips the test if the scenario sets the receiver's counter and the rig cannot, or if what it was found on is not
    under test. A run without motor power before the first fault is inconclusive, for a handset one without the sticks
    in its packets.

    Parameters
    ----------
    rig, judge : Rig, Judge
        The plugin's fixtures.
    path : Path or str
        A ``.scenario.toml``.
    side : {"receiver", "handset"}
        What the finding is about.

    Raises
    ------
    lostlink.suite.judge.NotMetError
        If an invariant is broken.
    """
    import pytest

    scenario = read_scenario(str(path), rig.profile)
    if Side(side) not in rig.sides:
        pytest.skip(f"it was found on a {side}, and no {side} is under test; name one with --{side}")
    if scenario.receiver_clock_us and not rig.sets_clock:
        pytest.skip("the scenario sets the receiver's counter, which this rig cannot do")
    trace = rig.run(scenario)
    broken = judge_trace(trace, rig.sides)
    name = f"broken invariants ({broken[0].requirement_id}: {broken[0].message})" if broken else "broken invariants"
    at_us = broken[0].at_us if broken else None
    measured = Measurement(name=name, value=len(broken), unit="", how_seen=trace.how_seen, at_us=at_us)
    judge(trace, measured, at_most=0)
    if Side(side) is Side.HANDSET:
        if not _sent(trace):
            judge.doubt(trace, "the packets did not hold the sticks before the first fault (see HS-VALUE)")
    elif not _flew(trace):
        judge.doubt(trace, "the motors never ran before the first fault, so the run proves nothing (see LK-CONTROL)")


def _sent(trace: Trace) -> bool:
    """Return whether packets held the sticks before the first fault, or the run begins at power-on."""
    first_us = min((fault.at_us for fault in trace.scenario.faults), default=trace.scenario.duration_us)
    if first_us == 0 or all(move.at_us == 0 for move in trace.scenario.moves[:1]):
        return bool(len(trace.packets.left_us))
    left_us = trace.packets.left_us[trace.packets.left_us < first_us]
    least, most = codes_shown(trace, left_us, age_us(trace.profile), settle_us(trace.profile))
    sent = sent_codes(trace)[: len(left_us)]
    return bool(((sent >= least - MOST_CODE_ERROR) & (sent <= most + MOST_CODE_ERROR)).all(axis=1).any())


def _flew(trace: Trace) -> bool:
    """Return whether the motors ran before the first fault, or the run begins at power-on."""
    scenario = trace.scenario
    first_us = min((fault.at_us for fault in scenario.faults), default=scenario.duration_us)
    at_power_on = all(move.at_us == 0 for move in scenario.moves[:1])
    return at_power_on or bool(((trace.motor.value > 0) & (trace.motor.at_us < first_us)).any())
