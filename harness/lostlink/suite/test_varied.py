"""Flights that vary everything that a flight has, looked at by all invariants."""

from __future__ import annotations

import pytest

from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.flying import run_where_able
from lostlink.suite.judge import Judge
from lostlink.varied import varied_flights
from lostlink.verdicts import Measurement


@requires("FS-VARIED")
def test_varied_flights(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A covering array: each pair of values of any two dimensions of a flight occurs."""
    flown = 0
    for flight in varied_flights(scenario, rig.varied_stride):
        trace = run_where_able(rig, flight)
        if trace is None:
            continue
        flown += 1
        broken = judge.invariants(trace)
        count = Measurement(
            name="broken requirements", value=len({one.requirement_id for one in broken}), unit="",
            how_seen=trace.how_seen, at_us=broken[0].at_us if broken else None,
        )  # fmt: skip
        judge(trace, count, at_most=0)
    if not flown:
        pytest.skip("the rig can run none of the flights")
