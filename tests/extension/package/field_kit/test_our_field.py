"""A requirement of our own."""

from lostlink.measure import failsafe
from lostlink.requirements import requirement
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.judge import Judge
from lostlink_sims.scenario import LinkCut


@requirement("FIELD-CUT", "critical", "Over our field the throttle is cut within 535 ms.")
def test_our_field(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    for flight in scenario.flights(20):
        trace = rig.run(flight.into(LinkCut(at_us=flight.at_us)))
        judge(trace, failsafe.time_to_cut(trace, flight.at_us), at_most=535_000)
