"""Flights that vary everything that a flight has, looked at by all invariants."""

from __future__ import annotations

import pytest

from lostlink.errors import CannotError
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.judge import Judge
from lostlink.varied import varied_flights
from lostlink.verdicts import Measurement


@requires("FS-VARIED")
def test_varied_flights(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A covering array: see `lostlink.varied.dimensions`."""
    judge.flown.strength = rig.varied_strength
    flights = varied_flights(scenario, rig.varied_stride, rig.varied_strength)
    judge.expects([flight.scenario for flight in flights])
    for flight in flights:
        try:
            trace = rig.run(flight.scenario)
        except CannotError as error:
            judge.flown.leave_out(str(error))
            continue
        judge.flown.rows.append(flight.row)
        broken = judge.invariants(trace)
        count = Measurement(
            name="broken requirements", value=len({one.requirement_id for one in broken}), unit="",
            how_seen=trace.how_seen, at_us=broken[0].at_us if broken else None,
        )  # fmt: skip
        judge(trace, count, at_most=0)
    if not judge.flown.rows:
        pytest.skip("the rig can run none of the flights")
