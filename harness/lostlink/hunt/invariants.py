"""Invariants: rules that every run must meet, each tied to a requirement of the catalogue.

An invariant checks the time windows of `windows`, without knowledge of the scenario's intent. `attribution` names the
requirement by the active faults: a throttle that stays up is FS-FOREIGN while a foreign handset sends, FS-CUT in plain
silence. Judging ends where a fault begins that the link cannot detect (a hung handset without packet counter). Waived
requirements are not judged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from lostlink.hunt.attribution import IMPOSTORS, Broken, causes, just_back, silence_ids, starting, unprotected
from lostlink.hunt.tracking import always_too_wide_us, frames_that_stray
from lostlink.hunt.windows import Facts, active
from lostlink.verdicts import quantity
from lostlink_sims import Trace
from lostlink_sims.scenario import DamagedPayload, ForeignHandset, MainLoopHung, OutputStops

RISE_US: Final = 25
"""A smaller excess of the throttle pulse is inaccuracy, not a rise."""


def judge_trace(trace: Trace) -> list[Broken]:
    """Return the invariants that a run breaks, the most severe first, each once.

    A pure function of the trace of any rig; deviations within the trace's uncertainty are accepted.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    list of Broken
        Ordered by severity, then by time.
    """
    return [] if trace.doubt else judge_facts(Facts(trace))


def judge_facts(facts: Facts) -> list[Broken]:
    """Return the invariants that a run breaks, from existing facts; see `judge_trace`."""
    trace = facts.trace
    horizon_us = min(
        (fault.at_us for fault in trace.scenario.faults if unprotected(trace.profile, fault)),
        default=trace.scenario.duration_us,
    )
    waived = set(trace.profile.requirements.waived)
    found = [broken for rule in RULES for broken in rule(facts)]
    if trace.crash is not None:
        found.append(_crash(facts))
    judged = [
        broken
        for broken in sorted(found, key=lambda broken: (broken.rank, broken.at_us))
        if broken.at_us < horizon_us and waived.isdisjoint((broken.requirement_id, *broken.causes))
    ]
    first: dict[tuple[str, str], Broken] = {}
    for broken in judged:
        first.setdefault((broken.requirement_id, broken.group), broken)
    return list(first.values())


def _crash(facts: Facts) -> Broken:
    crash_us = facts.trace.crash_us
    at_us = facts.end_us if crash_us is None else crash_us
    ids = [*causes(facts, at_us - 1_000_000, at_us), "PW-IDLE" if at_us <= facts.restarts[0][1] else "FS-CUT"]
    return Broken(ids[0], "crash", at_us, f"the receiver's program died: {facts.trace.crash}", tuple(ids[1:-1]))


def _ms(duration_us: int) -> str:
    return quantity(duration_us, "µs")


# --- the link is lost -------------------------------------------------------------------------------------------


def throttle_rests(facts: Facts) -> Iterator[Broken]:
    """After the cut limit, throttle pulses are idle until enough good packets have been received."""
    start_us, end_us, width_us = facts.pulses
    idle_us = facts.profile.requirements.idle_below_us
    limit_us = idle_us + facts.trace.span_uncertainty_us
    for span in facts.cuts:
        inside = (start_us >= span.from_us) if span.restart else (end_us > span.from_us)
        up = np.flatnonzero(inside & (end_us < span.until_us - facts.trace.uncertainty_us) & (width_us > limit_us))
        if not len(up):
            continue
        at_us, width = int(end_us[up[0]]), int(width_us[up[0]])
        said = f"throttle pulse of {width} µs {_ms(at_us - span.heard_us)} after "
        if span.restart:
            first = span.heard_us == facts.restarts[0][1]
            said += (
                f"{'power-on' if first else 'the restart'}, before the first good packet; at most {idle_us} µs allowed"
            )
            yield Broken("PW-IDLE" if first else "PW-RESET", "start-up", at_us, said)
            continue
        said += f"the last good packet; at most {idle_us} µs allowed after {_ms(span.from_us - span.heard_us)}"
        if at_us > span.stray_us:
            ids, group = ["RC-STRAY"], "stray"
            said = (
                f"throttle pulse of {width} µs after fewer than {facts.profile.receiver.recovery_packets} good packets "
                f"in a row; at most {idle_us} µs allowed"
            )
        else:
            before = (end_us > span.heard_us) & (end_us <= at_us)
            was_idle = bool((width_us[before] <= limit_us).any())
            commanded = facts.commanded_us[np.searchsorted(facts.arrived_us, span.heard_us), facts.throttle]
            held = abs(width - int(commanded)) <= facts.tolerance_us
            ids, group = silence_ids(facts, span, at_us, "FS-CUT"), "throttle in silence"
            if was_idle:
                impostors = [name for name in causes(facts, span.heard_us, at_us) if name in IMPOSTORS]
                ids, group = [*impostors, "FS-STAY"], "throttle comes back"
            elif not held and ids[0] == "FS-CUT":
                ids[0] = "FS-VALUE" if bool((width_us[inside][-2:] == width).all()) else "FS-CUT"
        yield Broken(ids[0], group, at_us, said, tuple(ids[1:]))


def motors_rest(facts: Facts) -> Iterator[Broken]:
    """Motors are at rest in a silence, and after it until the throttle stick has been low."""
    motor = facts.trace.motor
    for span in facts.locks:
        from_us = span.from_us + facts.trace.uncertainty_us
        inside = (motor.at_us > from_us) & (motor.at_us < span.until_us - facts.trace.uncertainty_us)
        running = inside & (motor.value > 0)
        starts = motor.at_us[running].tolist()
        if from_us < span.until_us and motor.at(from_us) > 0:
            starts = [from_us, *starts]
        if not starts:
            continue
        at_us = int(starts[0])
        power = motor.at(at_us) / 10
        if span.restart:
            first = span.heard_us == 0
            ids = ["PW-STICK" if first else "PW-BROWNOUT"]
            what = "power-on" if first else "the restart"
        elif at_us >= span.stray_us:
            ids, what = ["RC-LIVE"], "the link came back"
        else:
            ids, what = silence_ids(facts, span, at_us, "FS-MOTOR"), "the last good packet"
            if motor.at(span.from_us) == 0:
                ids[-1] = "FS-STAY"
        since_us = span.stray_us if ids[0] == "RC-LIVE" else span.heard_us
        said = f"motors at {power:g} % {_ms(at_us - since_us)} after {what}; "
        if span.restart or ids[0] == "RC-LIVE":
            said += "they must rest until the stick has been low"
        else:
            said += f"they must rest after {_ms(span.from_us - span.heard_us)}"
        yield Broken(ids[0], f"motors {ids[-1]}", at_us, said, tuple(ids[1:]))


def throttle_never_rises(facts: Facts) -> Iterator[Broken]:
    """No throttle pulse is wider than the last good packets demand."""
    start_us, end_us, width_us = facts.pulses
    if not len(end_us):
        return
    u, idle_us = facts.trace.uncertainty_us, facts.profile.requirements.idle_below_us
    first = np.searchsorted(facts.arrived_us, start_us - facts.times.lag_us - u, side="right") - 1
    last = np.searchsorted(facts.arrived_us, end_us + u, side="right")
    commanded_us = facts.commanded_us[:, facts.throttle]
    # A pulse that is always too wide is a channel fault, not a rise.
    slack_us = facts.tolerance_us + RISE_US + always_too_wide_us(facts)
    rising = np.diff(width_us, prepend=idle_us) > slack_us
    for index in np.flatnonzero(rising & (width_us > idle_us + slack_us)).tolist():
        allowed_us = max(idle_us, int(commanded_us[max(0, first[index]) : last[index]].max(initial=0)))
        at_us = int(end_us[index])
        if width_us[index] <= allowed_us + slack_us or starting(facts, at_us) == "before":
            continue
        near_us = int(start_us[index]) - 1_000_000
        ids = ["FS-RISE"]
        if starting(facts, at_us):
            ids = ["PW-IDLE" if at_us < facts.restarts[0][1] + 1_000_000 else "PW-RESET"]
        elif active(facts.trace, ForeignHandset, near_us, at_us):
            ids = ["FS-INTRUDER"]
        elif active(facts.trace, DamagedPayload, near_us, at_us):
            ids = ["FS-DAMAGED"]
        elif allowed_us == idle_us and just_back(facts, at_us):
            ids = ["RC-GLITCH"]
        said = f"throttle pulse of {int(width_us[index])} µs; good packets demanded at most {allowed_us} µs"
        yield Broken(ids[0], "rise", at_us, said)
        return


def presets_stand(facts: Facts) -> Iterator[Broken]:
    """In a silence every channel goes to its failsafe value."""
    seen, profile = facts.trace.seen, facts.profile
    wanted_us = np.array([channel.failsafe_us for channel in profile.channels], np.int64)
    for span in facts.cuts:
        if span.restart or active(facts.trace, MainLoopHung, span.heard_us, span.until_us):
            continue
        from_us = span.heard_us + facts.times.preset_us
        inside = (
            facts.frames
            & (seen.start_us >= from_us)
            & (seen.done_us < min(span.stray_us, span.until_us) - facts.trace.uncertainty_us)
        )
        rows = seen.table(len(wanted_us))[inside]
        wrong = (np.abs(rows - wanted_us) > facts.tolerance_us) & (rows >= 0)
        if not wrong.any():
            continue
        row, column = (int(index) for index in np.argwhere(wrong)[0])
        at_us = int(seen.done_us[inside][row])
        ids = silence_ids(facts, span, at_us, "FS-PRESET")
        said = (
            f"{profile.channels[column].name} at {int(rows[row, column])} µs {_ms(at_us - span.heard_us)} after the "
            f"last good packet; its failsafe value is {int(wanted_us[column])} µs"
        )
        yield Broken("FS-PRESET", "preset", at_us, said, tuple(ids[:-1]))
        return


def flag_is_true(facts: Facts) -> Iterator[Broken]:
    """In a silence the failsafe flag is set, while the link is good it is cleared."""
    flag, u = facts.trace.failsafe, facts.trace.uncertainty_us
    if not len(flag.at_us):
        return
    frame_us = facts.profile.output.frame_period_us
    for spans, wanted, said in ((facts.cuts, 1, "down in a silence"), (facts.links, 0, "up while the link is good")):
        for span in spans:
            until_us = min(span.stray_us, span.until_us) if wanted else span.until_us
            if span.restart or active(facts.trace, MainLoopHung, span.heard_us - frame_us, until_us):
                continue
            from_us, until_us = span.from_us + u + frame_us, until_us - u
            inside = (flag.at_us > from_us) & (flag.at_us < until_us) & (flag.value != wanted)
            wrong = [from_us] if from_us < until_us and flag.at(from_us, before=1) != wanted else []
            wrong += flag.at_us[inside].tolist()
            if wrong:
                concerned = tuple(silence_ids(facts, span, wrong[0], "FS-CUT")[:-1]) if wanted else ()
                yield Broken("FS-SAYS", "flag", int(wrong[0]), f"the receiver's failsafe flag is {said}", concerned)
                return


# --- the link is good -------------------------------------------------------------------------------------------


def sticks_are_followed(facts: Facts) -> Iterator[Broken]:
    """While the link is good, every channel follows the last good packets, and no frame mixes two packets."""
    yield from frames_that_stray(facts)


def frames_are_whole(facts: Facts) -> Iterator[Broken]:
    """Every frame has the right number of channels, and frames are output while the link is good."""
    seen, output = facts.trace.seen, facts.profile.output
    if output.latch == "live":
        return
    wrong = np.flatnonzero(facts.frames & (seen.count != output.channels))
    if len(wrong):
        at_us = int(seen.done_us[wrong[0]])
        said = f"a frame of {int(seen.count[wrong[0]])} channels; {output.channels} wanted"
        yield Broken("FR-COUNT", "frame count", at_us, said)
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
            said = f"no frame for {_ms(int(gap_us[longest]))} while the link is good"
            yield Broken("FR-PERIOD", "frames cease", at_us + longest_us, said)
            return


def no_chatter(facts: Facts) -> Iterator[Broken]:
    """Cut and return do not alternate more often than the limit."""
    span_us = 2_000_000
    _, end_us, width_us = facts.pulses
    commanded = facts.commanded_us[:, facts.throttle]
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
            said = f"{most + 1} changes between failsafe and sticks in {_ms(int(last - first))}; at most {most} allowed"
            yield Broken("RC-CHATTER", "chatter", int(last), said)
            return


RULES: Final[tuple[Callable[[Facts], Iterator[Broken]], ...]] = (
    throttle_rests,
    motors_rest,
    throttle_never_rises,
    presets_stand,
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
        if not span.restart and (index := int(np.searchsorted(idle_us, span.heard_us))) < len(idle_us):
            longest = max(longest, int(idle_us[index] - span.heard_us) / facts.times.cut_us)
    return min(longest, 1.0)
