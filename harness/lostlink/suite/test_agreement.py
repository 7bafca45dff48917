"""The receiver under test compared with the simulated one, on the same packets."""

from __future__ import annotations

from lostlink.invariants.windows import times
from lostlink.measure import agreement, failsafe, frames
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.flying import failsafe_for_certain_us, flew, ordinary_loss
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile, simulate
from lostlink_sims.scenario import InterferenceBurst, LinkCut


@requires("DF-AGREE")
def test_agrees_with_simulation(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A flight with lost packets, a link loss and a return: both receivers give the same output.

    The instants of cut and return are free within the limits of the owner, the receivers need not agree on them.
    """
    limits, specified = profile.requirements, times(profile)
    away_us = failsafe_for_certain_us(profile, scenario)
    slack_us = 2 * scenario.frame_us + 2 * scenario.packet_us + 2 * scenario.retries_us
    slack_us = max(slack_us, limits.latency_p99_us)
    for flight in scenario.flights(6):
        lossy_us = 20 * scenario.frame_us
        cut_us = flight.at_us + lossy_us
        loss = InterferenceBurst(at_us=flight.at_us, for_us=lossy_us, loss=ordinary_loss(profile))
        low = Move(at_us=cut_us, channel=profile.flight_controller.throttle, position=0.0)
        back_us = cut_us + away_us
        watch_us = back_us - flight.at_us + limits.recovery_within_us + 10 * scenario.frame_us + 2 * slack_us
        run = flight.into(loss, LinkCut(at_us=cut_us, for_us=away_us), moves=[low], watch_us=watch_us)
        trace = rig.run(run)
        if flew(trace, flight, judge):
            seen = frames.frames_seen(trace, flight.at_us, run.duration_us)
            judge(trace, seen, at_least=watch_us // scenario.frame_us // 2, guard=True)
            reference = simulate(profile, run)
            heard_us = failsafe.last_good_packet_us(trace, back_us)
            lost_us = cut_us if heard_us is None else heard_us
            first_us = lost_us + specified.safe_us + profile.receiver.hold_us
            free = ((first_us, lost_us + specified.preset_us), (back_us, back_us + limits.recovery_within_us))
            apart = agreement.disagreement(trace, reference, scenario.ready_us, slack_us + trace.uncertainty_us, free)
            judge(trace, apart, at_most=limits.value_tolerance_us)
