"""Uses of a handset that vary everything that a use has, looked at by all invariants."""

from __future__ import annotations

from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.judge import Judge
from lostlink.varied import PAIRS, TRIPLES, USUAL, varied_handset_flights
from lostlink.verdicts import Measurement


@requires("HS-VARIED")
def test_varied_uses(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A covering array: see `lostlink.varied.handset_dimensions`."""
    judge.flown.name = "HS-VARIED"
    judge.flown.strength = strength = USUAL if rig.varied_strength == TRIPLES else PAIRS
    flights = varied_handset_flights(scenario, rig.varied_stride, strength)
    judge.expects([flight.scenario for flight in flights])
    for flight in flights:
        trace = rig.run(flight.scenario)
        judge.flown.rows.append(flight.row)
        broken = judge.invariants(trace)
        count = Measurement(
            name="broken requirements", value=len({one.requirement_id for one in broken}), unit="",
            how_seen=trace.how_seen, at_us=broken[0].at_us if broken else None,
        )  # fmt: skip
        judge(trace, count, at_most=0)
