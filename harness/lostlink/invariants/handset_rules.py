"""Invariants on the packets of a handset under test, each tied to a requirement on a handset.

A rule looks at the packets of `handset_windows` without knowledge of the scenario's purpose. Which requirement a wrong
packet belongs to follows from what happened before it: a reset, a hang, a busy radio, a wrap of the counter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import numpy as np

from lostlink.invariants.attribution import Broken, passes
from lostlink.invariants.handset_windows import HandsetFacts, Ints, Life, Mask, Span
from lostlink.measure import limits, packets
from lostlink.scenarios import HANDSET_WRAPS
from lostlink.verdicts import quantity
from lostlink_sims.codes import pulse_table
from lostlink_sims.sticks import codes

SOON_US: Final = 1_000_000
"""What happened so shortly before a wrong packet is its cause."""
LONG_US: Final = 60_000_000
RATE_US: Final = 1_000_000
"""Shorter spans show no rate."""


def judge_handset(facts: HandsetFacts) -> list[Broken]:
    """Return the invariants that the packets of a run break, in no order."""
    found = [broken for invariant in INVARIANTS for broken in invariant(facts)]
    if facts.trace.handset_crashed:
        message = f"a program under test crashed: {facts.trace.crash}"
        found.append(Broken(cause(facts, facts.end_us, "HS-GAP"), "handset crash", facts.end_us, message))
    return found


# --- the requirement that a wrong packet belongs to ---------------------------------------------------------------


def cause(facts: HandsetFacts, at_us: int, otherwise: str) -> str:
    """Return the requirement about what happened before an instant; `otherwise` if nothing did."""
    life = facts.life_at(min(at_us, facts.end_us - 1))
    begun_us = 0 if life is None else life.start_us
    if _wrapped(facts, at_us):
        return "HS-WRAP"
    if any(from_us <= at_us for from_us, _ in facts.dead):
        return "HS-RADIO"
    if any(from_us <= at_us and until_us > begun_us for from_us, until_us in facts.busy):
        return "HS-BUSY"
    if life is not None and life.is_reset and at_us < life.awake_us + SOON_US:
        return "HS-RESET"
    if any(from_us <= at_us and until_us > begun_us for from_us, until_us in facts.hung):
        return "HS-HANG"
    if life is not None and at_us < life.awake_us + facts.limits.settle_us and otherwise != "HS-GAP":
        return "HS-FIRST"
    if any(from_us <= at_us < until_us for from_us, until_us in facts.others_broken):
        return "HS-FLOAT"
    if at_us >= facts.deaf_us:
        return "HS-DEAF"
    return "HS-LONG" if life is not None and at_us > life.start_us + LONG_US else otherwise


def _wrapped(facts: HandsetFacts, at_us: int) -> bool:
    """Return whether the handset's counter passed a critical value shortly before; a reset restarts it at 0."""
    scenario, handset, life = facts.trace.scenario, facts.profile.handset, facts.life_at(at_us)
    if life is None or at_us < life.awake_us:
        return False
    is_first = life is facts.lives[0]
    begun_us = life.start_us + handset.boot_us + is_first * (scenario.packet_phase_us or 0)
    first, last = (
        is_first * scenario.handset_clock_us + since_us + since_us * handset.clock_error_ppm // 1_000_000
        for since_us in (max(0, at_us - SOON_US - begun_us), max(0, at_us - begun_us))
    )
    return passes(HANDSET_WRAPS, first, last)


def passes_a_wrap(facts: HandsetFacts) -> bool:
    """Return whether the handset's counter passes a critical value in the run."""
    return any(_wrapped(facts, at_us) for at_us in range(0, facts.end_us, SOON_US))


# --- rules ----------------------------------------------------------------------------------------------------------


def packets_have_their_marks(facts: HandsetFacts) -> Iterator[Broken]:
    """Every packet has its length, link id and check byte."""
    if facts.wrong.any():
        at_us = int(facts.left_us[np.argmax(facts.wrong)])
        message = f"a packet with a wrong length, link id or check byte: {packets.what_is_wrong(facts.trace)}"
        yield Broken("HS-MARK", "marks", at_us, message)


def packets_go_to_the_receiver(facts: HandsetFacts) -> Iterator[Broken]:
    """No packet goes to another address."""
    elsewhere = packets.is_elsewhere(facts.trace)
    if elsewhere.any():
        at_us = int(facts.left_us[np.argmax(elsewhere)])
        yield Broken("HS-ADDRESS", "address", at_us, "a packet to another address than the receiver's")


def counter_goes_on(facts: HandsetFacts) -> Iterator[Broken]:
    """Each packet has the next count, but where the radio or a hang came between."""
    at = facts.profile.counter_byte
    if at is None:
        return
    counts = facts.trace.packets.payload[:, at].astype(np.int64)
    steps = (counts[1:] - counts[:-1]) & 0xFF
    settle_us = facts.limits.settle_us
    # A loop that makes up for a hang counts packets that the radio does not take.
    spans = [(from_us, 2 * until_us - from_us + settle_us) for from_us, until_us in (*facts.hung, *facts.frozen)]
    spans += [(from_us, until_us + settle_us) for from_us, until_us in facts.busy]
    spans += [(life.start_us, life.awake_us + settle_us) for life in facts.lives]
    spans += [(life.end_us - 1, life.end_us) for life in facts.lives]
    apart = facts.packets_in(spans) | facts.wrong
    judged = ~(apart[1:] | apart[:-1])
    for from_us, until_us in spans:  # those that no packet left in
        following = int(np.searchsorted(facts.left_us, from_us))
        if 0 < following < len(facts.left_us) and facts.left_us[following] >= until_us:
            judged[following - 1] = False
    bad = np.flatnonzero(judged & (steps != 1))
    if len(bad):
        index = int(bad[0]) + 1
        at_us = int(facts.left_us[index])
        before, after = counts[index - 1 : index + 1].tolist()
        message = f"the packet counter goes from {before} to {after}; {(before + 1) & 0xFF} expected"
        yield Broken("HS-COUNT", "counter", at_us, message)


def packets_do_not_pause(facts: HandsetFacts) -> Iterator[Broken]:
    """No pause is longer than the limit, but where the handset hangs, its radio is busy, or it may wait."""
    for ends_us in _sending(facts):
        gaps_us = np.diff(ends_us)
        if int(gaps_us.max()) > facts.limits.pause_us:
            index = int(np.argmax(gaps_us > facts.limits.pause_us))
            at_us = int(ends_us[index]) + facts.limits.pause_us
            message = (
                f"no packet for {quantity(int(gaps_us[index]), 'µs')}; "
                f"at most {quantity(facts.limits.pause_us, 'µs')} allowed"
            )
            yield Broken(cause(facts, at_us, "HS-GAP"), "pause", at_us, message)
            return


def longest_pause_us(facts: HandsetFacts) -> int:
    """Return the longest time without a packet while the handset must send; 0 if it never must."""
    return max((int(np.diff(ends_us).max()) for ends_us in _sending(facts)), default=0)


def _sending(facts: HandsetFacts) -> Iterator[Ints]:
    """Yield the spans in which the handset must send: begin, instants of its packets, end."""
    excused = facts.extended([*facts.hung, *facts.frozen], facts.limits.settle_us)
    excused += [(from_us, until_us + facts.limits.fresh_us) for from_us, until_us in facts.busy]
    excused += [span for span in facts.reluctant if span[0] in {from_us for from_us, _, _ in facts.throttle_breaks}]
    for life in facts.lives:
        for from_us, until_us in _without(_sends(facts, life), excused):
            inside = facts.left_us[slice(*np.searchsorted(facts.left_us, (from_us, until_us)))]
            yield np.concatenate([[from_us], inside, [until_us]])


def _sends(facts: HandsetFacts, life: Life) -> Span:
    """Return the span in which a life sends: a handset that waits for a low throttle may do so silently."""
    if not life.waits:
        return life.awake_us + facts.limits.interval_us + facts.limits.settle_us, life.end_us
    begins_us = facts.surely_low_us(min(life.awake_us, life.end_us), life.end_us) if life.awake_us < life.end_us else 0
    first = int(np.searchsorted(facts.left_us, life.start_us))
    if first < len(facts.left_us):
        begins_us = min(begins_us or life.end_us, max(int(facts.left_us[first]), life.awake_us))
    return begins_us or life.end_us, life.end_us


def _without(span: Span, others: list[Span]) -> Iterator[Span]:
    """Yield the parts of a span that are in none of some others."""
    from_us, end_us = span
    for start_us, until_us in sorted(others):
        if start_us >= end_us:
            break
        if start_us > from_us:
            yield from_us, start_us
        from_us = max(from_us, until_us)
    if from_us < end_us:
        yield from_us, end_us


def packets_keep_their_rate(facts: HandsetFacts) -> Iterator[Broken]:
    """Intervals are as declared, in each second and more in which nothing comes between and the handset sends."""
    profile, settle_us = facts.profile, facts.limits.settle_us
    # A loop makes up for a hang as slowly as its turns let it, so the rest of such a life is not judged.
    excused = facts.extended([*facts.hung, *facts.frozen], facts.end_us)
    excused += [(from_us, until_us + settle_us) for from_us, until_us in facts.busy]
    excused += facts.reluctant
    for life in facts.lives:
        begins_us = max(life.awake_us + settle_us, _sends(facts, life)[0])
        for from_us, until_us in _without((begins_us, life.end_us), excused):
            if until_us - from_us < RATE_US:
                continue
            for measured, most_us in (
                (packets.interval_error(facts.trace, from_us, until_us), limits.interval_error_us(profile)),
                (packets.mean_interval_error(facts.trace, from_us, until_us), limits.mean_error_us(profile)),
            ):
                if measured.value > most_us:
                    at_us = measured.at_us or from_us
                    message = f"{measured.name}: {measured}; at most {quantity(most_us, 'µs')} allowed"
                    yield Broken("HS-WRAP" if _wrapped(facts, at_us) else "HS-RATE", "rate", at_us, message)
                    return


def resets_are_short(facts: HandsetFacts) -> Iterator[Broken]:
    """After a reset packets come again before the throttle is cut, if a sound handset can do that."""
    profile, most_us = facts.profile, limits.back_us(facts.profile)
    if limits.reset_us(profile) > most_us:
        return
    excused = facts.extended([*facts.hung, *facts.frozen], 0)
    excused += [*facts.busy, *((from_us, until_us) for from_us, until_us, _ in facts.throttle_breaks)]
    for life in facts.lives:
        index = int(np.searchsorted(facts.left_us, life.start_us))
        if not life.is_reset or not index:
            continue
        since_us = max(int(facts.left_us[index - 1]), life.start_us - facts.limits.interval_us)
        back_us = int(facts.left_us[index]) if index < len(facts.left_us) else facts.end_us
        back_us = min(back_us, life.end_us)
        if any(from_us < back_us and until_us > life.start_us for from_us, until_us in excused):
            continue
        if back_us - since_us > most_us:
            message = (
                f"no packet for {quantity(back_us - since_us, 'µs')} at a reset; "
                f"at most {quantity(most_us, 'µs')} allowed"
            )
            yield Broken("HS-RESET", "silent after reset", since_us + most_us, message)
            return


def packets_hold_the_controls(facts: HandsetFacts) -> Iterator[Broken]:
    """Each packet holds what its sticks showed within an interval and a turn, and switches as soon as they rest."""
    if not len(facts.left_us):
        return
    least, most = (table.copy() for table in facts.shown)
    judged = _judged(facts)
    _bound_throttle(facts, least, most)
    for index, channel in enumerate(facts.profile.channels):
        slack = limits.MOST_CODE_ERROR if channel.kind == "stick" else 0
        sent = facts.sent[:, index]
        bad = judged[:, index] & ((sent < least[:, index] - slack) | (sent > most[:, index] + slack))
        if bad.any():
            row = int(np.argmax(bad))
            yield _wrong_code(facts, index, row, int(least[row, index]), int(most[row, index]))


def _judged(facts: HandsetFacts) -> Mask:
    """Return which codes of which packets are judged."""
    judged = np.repeat(~(facts.wrong | _after_a_pause(facts))[:, None], len(facts.profile.channels), axis=1)
    stops = [*facts.hung, *facts.frozen]
    kept = facts.packets_in(facts.extended(stops, facts.limits.age_us + 1))
    rests = facts.packets_in(facts.extended(stops, facts.limits.settle_us))
    new = [
        (life.start_us, life.awake_us + facts.limits.interval_us + facts.limits.settle_us)
        for life in facts.lives if not life.is_reset
    ]  # fmt: skip
    off = codes(facts.profile, np.zeros((1, len(facts.profile.channels)), np.int64))[0]
    at_power_on = facts.packets_in(new)
    least, most = facts.shown
    for index, channel in enumerate(facts.profile.channels):
        if channel.kind == "stick":
            judged[kept, index] = False
            spans = [(fault.at_us, fault.until_us(facts.end_us)) for fault in facts.broken(channel.name)]
            if index != facts.throttle:
                judged[facts.packets_in([(a, b + facts.limits.settle_us) for a, b in spans]), index] = False
        else:  # one that is on at power-on may have to rest first
            is_off = (least[:, index] == off[index]) & (most[:, index] == off[index])
            judged[rests | (at_power_on & ~is_off), index] = False
    return judged


def _after_a_pause(facts: HandsetFacts) -> Mask:
    """Return which packets follow a pause that is a finding itself: of the program, not of a hang or a busy radio."""
    long = np.flatnonzero(np.diff(facts.left_us) > facts.limits.pause_us)
    pauses = [(int(facts.left_us[index]), int(facts.left_us[index + 1])) for index in long]
    other = [*facts.hung, *facts.frozen, *facts.busy, *((life.start_us, life.start_us + 1) for life in facts.lives)]
    return facts.packets_in([
        (until_us, until_us + facts.limits.settle_us) for from_us, until_us in pauses
        if not any(a < until_us and b > from_us for a, b in other)
    ])  # fmt: skip


def _bound_throttle(facts: HandsetFacts, least: Ints, most: Ints) -> None:
    """Change the bounds of the throttle's code where it may be lower, or must not be higher, than its stick."""
    column, settle_us = facts.throttle, facts.limits.settle_us
    least[facts.packets_in(facts.reluctant), column] = 0
    for from_us, until_us, told in facts.throttle_breaks:
        first, begin, end, last = np.searchsorted(
            facts.left_us, (from_us - settle_us, from_us, until_us, until_us + settle_us)
        )
        if not told:
            most[begin:last, column] = 255
            continue
        before = max(facts.idle_code, int(facts.sent[first:begin, column].max(initial=0)))
        if begin < len(most):
            before = max(before, int(facts.shown[1][begin, column]))
        most[begin:end, column] = before
        most[end:last, column] = np.maximum(most[end:last, column], before)


def _wrong_code(facts: HandsetFacts, index: int, row: int, least: int, most: int) -> Broken:
    """Attribute a code that the control did not show in time."""
    channel, code, at_us = facts.profile.channels[index], int(facts.sent[row, index]), int(facts.left_us[row])
    is_stick = channel.kind == "stick"
    window_us = facts.limits.age_us if is_stick else facts.limits.settle_us
    allowed = f"{least}" if least == most else f"{least} to {most}"
    message = f"{channel.name} is sent as {code}; it showed {allowed} in the {quantity(window_us, 'µs')} before"
    if index == facts.throttle and any(a <= at_us < b for a, b, _ in facts.throttle_breaks) and code > most:
        message = f"throttle sent as {code} while its wire is broken; it was {most} at most before"
        return Broken("HS-WIRE", "throttle of a broken wire", at_us, message)
    is_wrong = _stays_wrong(facts, index, row)
    if not is_stick:
        earlier = packets.codes_shown(facts.trace, np.array([at_us]), 2 * SOON_US, 2 * SOON_US)
        is_wrong = not int(earlier[0][0, index]) <= code <= int(earlier[1][0, index])
    default = "HS-VALUE" if is_wrong else "HS-FRESH" if is_stick else "HS-SWITCH"
    name = default if is_stick and is_wrong and not _was_right(facts, index, row) else cause(facts, at_us, default)
    return Broken(name, f"{'stick' if is_stick else 'switch'} {'wrong' if is_wrong else 'old'}", at_us, message)


def _right(facts: HandsetFacts, index: int) -> Mask:
    """Return which packets hold a control."""
    (least, most), sent = facts.shown, facts.sent[:, index]
    right: Mask = (sent >= least[:, index] - 1) & (sent <= most[:, index] + 1)
    return right


def _stays_wrong(facts: HandsetFacts, index: int, row: int) -> bool:
    """Return whether no packet before the next move holds a control: its code is then wrong, and not old."""
    at_us = int(facts.left_us[row])
    moves_us = [move.at_us for move in facts.trace.scenario.moves if move.at_us > at_us]
    life = facts.life_at(at_us)
    until_us = min([*moves_us, facts.end_us if life is None else life.end_us])
    return not _right(facts, index)[row : int(np.searchsorted(facts.left_us, until_us))].any()


def _was_right(facts: HandsetFacts, index: int, row: int) -> bool:
    """Return whether an earlier packet held the same position: something that happened since then is the cause."""
    least, most = (table[:, index] for table in facts.shown)
    same = (np.abs(least[:row] - least[row]) <= 1) & (np.abs(most[:row] - most[row]) <= 1)
    return bool((same & _right(facts, index)[:row]).any())


def throttle_waits(facts: HandsetFacts) -> Iterator[Broken]:
    """Where the handset must wait for a low throttle it sends none until its stick was low."""
    profile = facts.profile
    table = np.array(pulse_table(profile.receiver.mapping, profile.receiver.low_us, profile.receiver.high_us))
    asked_us = table[np.maximum(facts.sent[:, facts.throttle], 0)]
    for life, low_us in facts.waits:
        inside = facts.packets_in([(life.start_us, low_us)]) & ~facts.wrong
        bad = np.flatnonzero(inside & (asked_us > profile.requirements.idle_below_us))
        if len(bad):
            at_us, what = int(facts.left_us[bad[0]]), "reset" if life.is_reset else "power-on"
            message = (
                f"throttle of {int(asked_us[bad[0]])} µs sent {quantity(at_us - life.start_us, 'µs')} after {what}, "
                f"before the stick was low; at most {profile.requirements.idle_below_us} µs allowed"
            )
            yield Broken("HS-RESET" if life.is_reset else "HS-START", "throttle before low", at_us, message)


def packets_stand_in_a_hang(facts: HandsetFacts) -> Iterator[Broken]:
    """While the main loop hangs no packet looks new for longer than the limit."""
    for hung_us, ends_us in facts.hung:
        life = facts.life_at(hung_us)
        until_us = ends_us if life is None else min(ends_us, life.end_us)
        for at_us, frozen_until_us in facts.frozen:  # its radio repeats a packet then, whatever the program does
            if at_us < until_us and frozen_until_us > hung_us:
                until_us = min(until_us, max(at_us, hung_us))
        stands = packets.time_to_stand(facts.trace, hung_us, until_us)
        if stands.value > facts.limits.stand_us:
            message = (
                f"packets still look new {quantity(int(stands.value), 'µs')} after the main loop hung; "
                f"at most {quantity(facts.limits.stand_us, 'µs')} allowed"
            )
            yield Broken("HS-HANG", "new in a hang", hung_us + facts.limits.stand_us, message)
            return


def switches_change_once(facts: HandsetFacts) -> Iterator[Broken]:
    """Each move of a switch is sent as one change, also where its contacts bounce."""
    apart = [*facts.hung, *facts.frozen, *((life.end_us, life.end_us) for life in facts.lives)]
    apart += [(life.start_us, life.awake_us + facts.limits.interval_us) for life in facts.lives]
    for index, channel in enumerate(facts.profile.channels):
        if channel.kind == "stick":
            continue
        for first_us, last_us, moves in _clusters(facts, channel.name):
            from_us, until_us = first_us - facts.profile.handset.packet_interval_us, last_us + facts.limits.settle_us
            if any(a < until_us + 1 and b >= from_us for a, b in apart):
                continue
            inside = facts.packets_in([(from_us, until_us)]) & ~facts.wrong
            changed_us = facts.left_us[inside][1:][np.diff(facts.sent[inside, index]) != 0]
            if len(changed_us) > moves:
                at_us, what = int(changed_us[moves]), "once" if moves == 1 else f"{moves} times"
                message = f"{channel.name} was moved {what} and is sent as {len(changed_us)} changes"
                yield Broken(cause(facts, at_us, "HS-SWITCH"), "switch bounces", at_us, message)
                return


def _clusters(facts: HandsetFacts, channel: str) -> Iterator[tuple[int, int, int]]:
    """Yield the first, the last and the number of moves of a switch that follow each other before it has settled."""
    instants_us = sorted(move.at_us for move in facts.trace.scenario.moves if move.channel == channel)
    cluster: list[int] = []
    for at_us in instants_us:
        if cluster and at_us - cluster[-1] > 2 * facts.limits.settle_us:
            yield cluster[0], cluster[-1], len(cluster)
            cluster = []
        cluster.append(at_us)
    if cluster:
        yield cluster[0], cluster[-1], len(cluster)


INVARIANTS: Final[tuple[Callable[[HandsetFacts], Iterator[Broken]], ...]] = (
    packets_have_their_marks,
    packets_go_to_the_receiver,
    counter_goes_on,
    packets_do_not_pause,
    packets_keep_their_rate,
    resets_are_short,
    packets_hold_the_controls,
    throttle_waits,
    packets_stand_in_a_hang,
    switches_change_once,
)


def handset_strain(facts: HandsetFacts) -> float:
    """Return the longest time between two packets of a life as a share of the longest pause, at most 1."""
    longest = 0.0
    for life in facts.lives:
        inside = facts.left_us[slice(*np.searchsorted(facts.left_us, (life.start_us, life.end_us)))]
        if len(inside) > 1:
            longest = max(longest, int(np.diff(inside).max()) / facts.limits.pause_us)
    return min(longest, 1.0)
