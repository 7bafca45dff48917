"""Invariants on a receiver: what every run must meet, each tied to a requirement of the catalogue.

An invariant checks the time windows of `windows`, without knowledge of the scenario's purpose. `attribution` names the
requirement by the active faults: a throttle that stays up is FS-FOREIGN while a foreign handset sends, FS-CUT in plain
silence. Judging ends where a fault begins that the link cannot detect (a hung handset without packet counter). Waived
requirements are not judged.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import Final

import numpy as np

from lostlink.invariants import attribution
from lostlink.invariants.attribution import Broken, silence_ids, starting, unprotected
from lostlink.invariants.handset_rules import handset_strain, judge_handset
from lostlink.invariants.handset_windows import HandsetFacts
from lostlink.invariants.tracking import always_too_wide_us, no_pulses, sticks_are_followed
from lostlink.invariants.windows import Facts, active
from lostlink.verdicts import Side, quantity
from lostlink_sims import Trace
from lostlink_sims.scenario import MainLoopHung, OutputStops

RISE_US: Final = 25
"""A smaller excess of the throttle pulse is inaccuracy, not a rise."""


def judge_trace(trace: Trace, sides: Collection[Side] = (Side.RECEIVER,)) -> list[Broken]:
    """Return the invariants that a run breaks, the most severe first, each once.

    A pure function of the trace of any rig; deviations within the trace's uncertainty are accepted.

    Parameters
    ----------
    trace : Trace
    sides : collection of Side
        What is under test.

    Returns
    -------
    list of Broken
        Ordered by severity, then by time.
    """
    return _broken(trace, _facts(trace, sides))


def judge_run(trace: Trace, sides: Collection[Side]) -> tuple[list[Broken], float]:
    """Return the invariants that a run breaks, as `judge_trace`, and how near it came to breaking one, 0 .. 1.

    The nearness is the receiver's where one is under test.
    """
    facts = _facts(trace, sides)
    near = 0.0
    if facts:
        near = strain(facts[-1]) if isinstance(facts[-1], Facts) else handset_strain(facts[-1])
    return _broken(trace, facts), near


def _facts(trace: Trace, sides: Collection[Side]) -> list[HandsetFacts | Facts]:
    """Return the facts of each side that is judged, the handset's first; none for a run in doubt."""
    facts: list[HandsetFacts | Facts] = []
    if Side.HANDSET in sides and not trace.doubt:
        facts.append(HandsetFacts(trace))
    if Side.RECEIVER in sides and not trace.doubt and not trace.handset_crashed:
        facts.append(Facts(trace))
    return facts


def _broken(trace: Trace, facts: Collection[HandsetFacts | Facts]) -> list[Broken]:
    found = [
        broken for one in facts for broken in (_of_receiver(one) if isinstance(one, Facts) else judge_handset(one))
    ]
    return _ordered(found, trace.profile.requirements.waived)


def _of_receiver(facts: Facts) -> list[Broken]:
    """Return the invariants on the receiver that a run breaks, until a fault that no receiver can detect."""
    trace = facts.trace
    horizon_us = min(
        (fault.at_us for fault in trace.scenario.faults if unprotected(trace.profile, fault)),
        default=trace.scenario.duration_us,
    )
    found = [broken for invariant in INVARIANTS for broken in invariant(facts)]
    if trace.crash is not None:
        found.append(attribution.crash(facts))
    return [broken for broken in found if broken.at_us < horizon_us]


def _ordered(found: Collection[Broken], waived: Collection[str]) -> list[Broken]:
    """Return broken invariants by severity and time, each once and without those of waived requirements."""
    first: dict[tuple[str, str], Broken] = {}
    for broken in sorted(found, key=lambda broken: (broken.rank, broken.at_us)):
        if not {broken.requirement_id, *broken.causes}.intersection(waived):
            first.setdefault((broken.requirement_id, broken.group), broken)
    return list(first.values())


# --- the link is lost -------------------------------------------------------------------------------------------


def throttle_is_idle(facts: Facts) -> Iterator[Broken]:
    """After the cut limit, throttle pulses are idle until enough good packets have been received."""
    start_us, end_us, width_us = facts.pulses
    for span in facts.cuts:
        inside = (start_us >= span.from_us) if span.restart else (end_us > span.from_us)
        inside &= end_us < span.until_us - facts.trace.uncertainty_us
        above = np.flatnonzero(inside & (width_us > facts.idle_limit_us))
        if len(above):
            yield attribution.throttle_not_idle(facts, span, int(above[0]))


def motors_are_stopped(facts: Facts) -> Iterator[Broken]:
    """Motors are stopped in a silence, and after it until the throttle stick has been low."""
    motor, u = facts.trace.motor, facts.trace.uncertainty_us
    for span in facts.locks:
        from_us = span.from_us + u
        running = (motor.at_us > from_us) & (motor.at_us < span.until_us - u) & (motor.value > 0)
        starts_us = motor.at_us[running].tolist()
        if from_us < span.until_us and motor.at(from_us) > 0:
            starts_us = [from_us]
        if starts_us:
            yield attribution.motors_running(facts, span, int(starts_us[0]))


def throttle_never_rises(facts: Facts) -> Iterator[Broken]:
    """No throttle pulse is wider than the last good packets commanded."""
    start_us, end_us, width_us = facts.pulses
    if not len(end_us):
        return
    u, idle_us = facts.trace.uncertainty_us, facts.profile.requirements.idle_below_us
    first = np.searchsorted(facts.arrived_us, start_us - facts.times.lag_us - u, side="right") - 1
    last = np.searchsorted(facts.arrived_us, end_us + u, side="right")
    for span in facts.cuts:  # from then on no packet from before the loss counts
        if not span.restart:
            late = start_us >= span.from_us
            first[late] = np.maximum(first[late], np.searchsorted(facts.arrived_us, span.since_us, side="right"))
    commanded_us = facts.commanded_us[:, facts.throttle]
    # A pulse that is always too wide is a channel fault, not a rise.
    slack_us = facts.tolerance_us + RISE_US + always_too_wide_us(facts)
    before_us = np.concatenate([[idle_us], width_us[:-1]])
    before_us[1:][np.diff(end_us) > facts.profile.flight_controller.signal_timeout_us] = idle_us
    rising = width_us - before_us > slack_us
    for index in np.flatnonzero(rising & (width_us > idle_us + slack_us)).tolist():
        allowed_us = max(idle_us, int(commanded_us[max(0, first[index]) : last[index]].max(initial=0)))
        if width_us[index] > allowed_us + slack_us and starting(facts, int(end_us[index])) != "before":
            yield attribution.throttle_rise(facts, index, allowed_us)
            return


def failsafe_lasts(facts: Facts) -> Iterator[Broken]:
    """Failsafe that began in a silence lasts its minimum time, however soon good packets come again."""
    profile, u = facts.profile, facts.trace.uncertainty_us
    _, end_us, width_us = facts.pulses
    above = width_us > facts.idle_limit_us
    # It begins after the cut delay at the earliest, by the receiver's own clock.
    slow_ppm = 1_000_000 - abs(profile.receiver.clock_error_ppm)
    least_us = (profile.cut_delay_us + profile.receiver.recovery_us) * slow_ppm // 1_000_000 - 1_000 - 2 * u
    arrived_us, commanded_us = facts.arrived_us, facts.commanded_us[:, facts.throttle]
    for index in np.flatnonzero(np.diff(arrived_us) > facts.times.safe_us).tolist():
        since_us, back_us = int(arrived_us[index]), int(arrived_us[index + 1])
        until_us = since_us + least_us
        is_up = commanded_us[index] > facts.idle_limit_us + facts.tolerance_us
        if not is_up or any(down_us < until_us and since_us - 1_000 < up_us for down_us, up_us in facts.restarts):
            continue
        first, back, last = np.searchsorted(end_us, (since_us, back_us, until_us)).tolist()
        # Only a silence in which the throttle was up and was then cut began a failsafe.
        if first < back < last and above[first] and not above[back - 1] and above[back:last].any():
            wrong = back + int(np.argmax(above[back:last]))
            at_us = int(end_us[wrong])
            message = (
                f"throttle pulse of {int(width_us[wrong])} µs {quantity(at_us - since_us, 'µs')} after the last good "
                f"packet before the failsafe, which lasts at least {quantity(profile.receiver.recovery_us, 'µs')}"
            )
            yield Broken("RC-CHATTER", "too short", at_us, message)
            return


def presets_are_output(facts: Facts) -> Iterator[Broken]:
    """In a silence every channel outputs its failsafe value, also those that no packet has, or pulses have ceased.

    From power-on or a restart to the first good packet either is accepted on every link, from the first frame on.
    """
    seen = facts.trace.seen
    wanted_us = np.array(facts.presets_us, np.int64)
    for span in facts.cuts:
        if active(facts.trace, MainLoopHung, span.since_us, span.until_us):
            continue
        from_us = span.since_us if span.restart else span.since_us + facts.times.preset_us
        until_us = min(span.next_good_us, span.until_us) - facts.trace.uncertainty_us
        inside = facts.frames & (seen.start_us >= from_us) & (seen.done_us < until_us)
        if facts.profile.receiver.pulses_cease and not span.restart:
            if inside.any():
                yield attribution.pulses_in_failsafe(facts, span, int(seen.start_us[np.argmax(inside)]))
                return
            continue
        rows = seen.table(len(wanted_us))[inside]
        wrong = np.argwhere((np.abs(rows - wanted_us) > facts.tolerance_us) & (rows >= 0))
        if len(wrong):
            row, channel = wrong[0].tolist()
            at_us = int(seen.done_us[inside][row])
            yield attribution.wrong_preset(facts, span, at_us, channel, int(rows[row, channel]))
            return


def flag_is_true(facts: Facts) -> Iterator[Broken]:
    """In a silence the failsafe flag is set, while the link is good it is cleared."""
    flag, u = facts.trace.failsafe, facts.trace.uncertainty_us
    if not len(flag.at_us):
        return
    frame_us = facts.profile.output.frame_period_us
    for spans, wanted, state in (
        (facts.cuts, 1, "cleared while the link is lost"), (facts.links, 0, "set while the link is good"),
    ):  # fmt: skip
        for span in spans:
            until_us = min(span.next_good_us, span.until_us) if wanted else span.until_us
            if span.restart or active(facts.trace, MainLoopHung, span.since_us - frame_us, until_us):
                continue
            from_us, until_us = span.from_us + u + frame_us, until_us - u
            inside = (flag.at_us > from_us) & (flag.at_us < until_us) & (flag.value != wanted)
            wrong = [from_us] if from_us < until_us and flag.at(from_us, before=1) != wanted else []
            wrong += flag.at_us[inside].tolist()
            if wrong:
                concerned = tuple(silence_ids(facts, span, wrong[0], "FS-CUT")[:-1]) if wanted else ()
                yield Broken("FS-SAYS", "flag", int(wrong[0]), f"the receiver's failsafe flag is {state}", concerned)
                return


# --- the link is good -------------------------------------------------------------------------------------------


def frames_are_whole(facts: Facts) -> Iterator[Broken]:
    """Every frame has the right number of channels, and frames are output while the link is good."""
    seen, output = facts.trace.seen, facts.profile.output
    if output.latch == "live":
        return
    judged = facts.frames.copy()
    if facts.profile.receiver.pulses_cease:  # the last frame before a failsafe may be cut off
        in_links = [any(span.from_us <= at_us < span.until_us for span in facts.links) for at_us in seen.done_us]
        judged &= np.array(in_links, np.bool_)
    wrong = np.flatnonzero(judged & (seen.count != output.channels))
    if len(wrong):
        at_us = int(seen.done_us[wrong[0]])
        message = f"a frame of {int(seen.count[wrong[0]])} channels; {output.channels} expected"
        yield Broken("FR-COUNT", "frame count", at_us, message)
    longest_us = 3 * max(output.frame_period_us, output.channels * 2_200 + output.frame_gap_us)
    for span in facts.links:
        inside = (seen.start_us >= span.from_us) & (seen.start_us < span.until_us)
        starts_us = np.concatenate([[span.from_us], seen.start_us[inside], [span.until_us]])
        gap_us = np.diff(starts_us)
        if span.until_us - span.from_us > longest_us and int(gap_us.max()) > longest_us:
            longest = int(np.argmax(gap_us))
            at_us = int(starts_us[longest])
            if active(facts.trace, OutputStops, at_us, facts.end_us):
                continue
            message = f"no frame for {quantity(int(gap_us[longest]), 'µs')} while the link is good"
            if facts.profile.receiver.pulses_cease:
                yield no_pulses(facts, span, at_us, message)
                return
            yield Broken("FR-PERIOD", "frames cease", at_us + longest_us, message)
            return


def no_chatter(facts: Facts) -> Iterator[Broken]:
    """Failsafe and control do not alternate more often than the limit."""
    span_us = 2_000_000
    _, end_us, width_us = facts.pulses
    commanded = facts.commanded_us[:, facts.throttle]
    gone = np.flatnonzero(np.diff(end_us) > facts.profile.flight_controller.signal_timeout_us) + 1
    end_us, width_us = np.insert(end_us, gone, end_us[gone - 1] + 1), np.insert(width_us, gone, 0)
    most = int(2 * facts.profile.requirements.recoveries_per_second * span_us / 1_000_000) + 1
    idle = width_us <= facts.profile.requirements.idle_below_us
    changes_us = end_us[np.flatnonzero(idle[1:] != idle[:-1]) + 1]
    if len(changes_us) <= most:
        return
    for first, last in zip(changes_us, changes_us[most:], strict=False):
        if last - first >= span_us:
            continue
        low = np.searchsorted(facts.arrived_us, (first - span_us, last))
        if (commanded[low[0] : low[1]] > facts.profile.requirements.idle_below_us).all():
            within = quantity(int(last - first), "µs")
            message = f"{most + 1} changes between failsafe and sticks in {within}; at most {most} allowed"
            yield Broken("RC-CHATTER", "chatter", int(last), message)
            return


INVARIANTS: Final[tuple[Callable[[Facts], Iterator[Broken]], ...]] = (
    throttle_is_idle,
    motors_are_stopped,
    throttle_never_rises,
    failsafe_lasts,
    presets_are_output,
    flag_is_true,
    sticks_are_followed,
    frames_are_whole,
    no_chatter,
)


def strain(facts: Facts) -> float:
    """Return the longest time to idle as a share of the cut limit, at most 1."""
    _, end_us, width_us = facts.pulses
    idle_us = end_us[width_us <= facts.profile.requirements.idle_below_us]
    longest = 0.0
    for span in facts.cuts:
        if not span.restart and (index := int(np.searchsorted(idle_us, span.since_us))) < len(idle_us):
            longest = max(longest, int(idle_us[index] - span.since_us) / facts.times.cut_us)
    return min(longest, 1.0)
