"""A handset under test: power-on, reset, hang, a broken wire."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from lostlink.measure import limits, packets
from lostlink.measure.limits import ABOVE_IDLE_CODES, LOW_US, THROTTLE_RISE_US, settle_us
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.suite.handset_flying import (
    away,
    in_flight,
    judge_stray,
    lasting,
    moved_to,
    sent_true,
    sticks,
    sticks_moved,
    switches,
    trial,
    with_throttle,
)
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile, Trace
from lostlink_sims.codes import FULL_TRAVEL
from lostlink_sims.handset_program import LEAST_MARGIN, idle_codes, idle_rail, tells_break
from lostlink_sims.scenario import AnyFault, HandsetLoopHung, HandsetOff, HandsetReset, StickWireBroken
from lostlink_sims.sticks import codes

WAITS_US = 70_000_000
"""A program may not give up waiting for a low throttle."""
OFFS_US = (20_000, 300_000, 3_000_000)
ON_US = 1_000_000
BREAK_US = 100_000
BROKEN_US = 6_000_000
"""A program may not get used to a broken wire."""
BROKEN_OTHER_US = 3_000_000
HANG_US = 200_000
HANG_INTERVALS = 300
"""A counter of eight bits by which an interrupt notices the hang has wrapped by then."""
LOW_THROTTLE = 0.15


# --- power-on ---------------------------------------------------------------------------------------------------


@requires("HS-START")
def test_start(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Switched on with the throttle up, also in flight; all controls move, then it is low for the first time."""
    if profile.handset.at_power_on == "sends at once":
        pytest.skip("the profile declares that it sends its throttle at once (handset.at_power_on)")
    sent_us, wait_us = profile.handset.boot_us + 2 * settle_us(profile), 2 * settle_us(profile)
    ups = (away(scenario), 1.0, _just_above_idle(profile))
    for row, order in enumerate((ups, ups[::-1])):
        moves: tuple[Move, ...] = ()
        for number, (up, at_us) in enumerate(zip(order, (0, sent_us, sent_us + wait_us), strict=True)):
            moves += _throttle(profile, up, at_us)
            others = [one.name for one in profile.channels if one.name != profile.flight_controller.throttle]
            moves += moved_to({name: float((number + row + index) % 2) for index, name in enumerate(others)}, at_us)
        low_us = sent_us + 2 * wait_us + row * WAITS_US
        _judge_start(judge, *_until_followed(rig, scenario, moves, low_us), low_us)
    for off_us, flight in zip(OFFS_US, in_flight(scenario, len(OFFS_US)), strict=False):
        low_us = flight.at_us + off_us + sent_us
        off = HandsetOff(at_us=flight.at_us, for_us=off_us)
        trace, end_us = _until_followed(rig, scenario, flight.scenario.moves, low_us, off)
        if sent_true(trace, flight.at_us, judge):
            _judge_start(judge, trace, end_us, low_us, since_us=flight.at_us + off_us)
    rail = idle_rail(profile.channels[profile.throttle_index])
    if tells_break(profile.channels[profile.throttle_index], rail):
        name, low_us = profile.flight_controller.throttle, sent_us + wait_us + BREAK_US
        broken = StickWireBroken(at_us=sent_us, for_us=BREAK_US, channel=name, rail=rail)
        moves = _throttle(profile, away(scenario), 0)
        _judge_start(judge, *_until_followed(rig, scenario, moves, low_us, broken), low_us)


def _throttle(profile: Profile, position: float, at_us: int) -> tuple[Move, ...]:
    return moved_to({profile.flight_controller.throttle: position}, at_us)


def _just_above_idle(profile: Profile) -> float:
    """Return a throttle position some codes above idle."""
    places = np.arange(0, FULL_TRAVEL, FULL_TRAVEL // 1000)
    sent = codes(profile, np.repeat(places[:, None], len(profile.channels), axis=1))[:, profile.throttle_index]
    above = places[sent >= max(idle_codes(profile)) + ABOVE_IDLE_CODES]
    return float(above[0]) / FULL_TRAVEL


def _until_followed(
    rig: Rig, scenario: ScenarioBuilder, moves: tuple[Move, ...], low_us: int, *faults: AnyFault
) -> tuple[Trace, int]:
    """Run the handset until after its throttle was lowered and raised again; return the end too."""
    profile = scenario.profile
    moves += _throttle(profile, 0.0, low_us) + _throttle(profile, 0.8, low_us + LOW_US)
    end_us = low_us + LOW_US + 2 * settle_us(profile)
    return trial(rig, scenario, moves, end_us, *faults), end_us


def _judge_start(judge: Judge, trace: Trace, end_us: int, low_us: int, *, since_us: int = 0) -> None:
    """Judge that no throttle was sent until the stick was low, and that it was sent afterwards."""
    highest = packets.highest_throttle(trace, since_us, low_us)
    judge(trace, highest, at_most=trace.profile.requirements.idle_below_us)
    profile = trace.profile
    others = tuple(index for index in range(len(profile.channels)) if index != profile.throttle_index)
    judge_stray(judge, trace, end_us - settle_us(profile), end_us, without=others)


@requires("HS-FIRST")
def test_first(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Switched on, off and on, and reset, with sticks away from their centres and stops, and switches off or on."""
    lasts_us = profile.handset.boot_us + limits.interval_us(profile) + settle_us(profile) + ON_US
    off, reset = HandsetOff(at_us=lasts_us, for_us=ON_US), HandsetReset(at_us=2 * lasts_us + ON_US)
    starts_us, end_us = (0, off.at_us + ON_US, reset.at_us), reset.at_us + lasts_us
    for on in (0.0, 1.0):
        moves: tuple[Move, ...] = moved_to({one.name: on for _, one in switches(profile)}, 0)
        for at_us in (0, off.at_us + ON_US // 2, reset.at_us):  # other positions for each start
            positions = {one.name: away(scenario) for one in sticks(profile)}
            positions.pop(profile.flight_controller.throttle, None)
            moves += moved_to(positions, at_us)
        trace = trial(rig, scenario, moves, end_us, off, reset)
        resting = tuple(index for index, _ in switches(profile)) if on else ()  # one that is on may have to rest first
        rules = (profile.handset.at_power_on, profile.handset.at_power_on, profile.handset.after_reset)
        for at_us, until_us, rule in zip(starts_us, (*starts_us[1:], end_us), rules, strict=True):
            if not ((trace.packets.left_us >= at_us) & (trace.packets.left_us < until_us)).any():
                judge.doubt(trace, "no packet came")
                continue
            waiting = (profile.throttle_index,) if rule == "waits for low throttle" else ()  # lower than the stick
            judge_stray(judge, trace, at_us, until_us, without=resting + waiting, guard=False)
            highest = packets.highest_throttle(trace, at_us, until_us)
            judge(trace, highest, at_most=profile.requirements.idle_below_us, guard=True)


# --- reset and hang ---------------------------------------------------------------------------------------------


@requires("HS-RESET")
def test_reset(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """A reset in flight with the throttle up, in half of the flights two, by the watchdog too where there is one."""
    handset, timeout_us = profile.handset, profile.receiver.timeout_us
    most_us = limits.back_us(profile)
    if limits.reset_us(profile) > most_us:
        boots, cuts = f"{handset.boot_us / 1e3:g} ms", f"{timeout_us / 1e3:g} ms"
        pytest.skip(f"the handset boots for {boots} (handset.boot); the receiver cuts the throttle after {cuts}")
    for number, flight in enumerate(in_flight(scenario, 4)):
        until_us = flight.at_us + timeout_us + handset.boot_us + settle_us(profile)
        resets = [HandsetReset(at_us=flight.at_us)]
        if number % 2:  # and again
            resets.append(HandsetReset(at_us=until_us))
            until_us += until_us - flight.at_us
        trace = rig.run(lasting(flight.scenario, *resets, until_us=until_us))
        if sent_true(trace, flight.at_us, judge):
            last_us = int(trace.packets.left_us[trace.packets.left_us < flight.at_us][-1])
            judge(trace, packets.longest_gap(trace, last_us, until_us), at_most=most_us)
            _judge_back(judge, trace, flight, flight.at_us, until_us)
    for flight in in_flight(scenario, 2 if handset.watchdog_us else 0):
        back_us = flight.at_us + handset.watchdog_us
        until_us = back_us + timeout_us + handset.boot_us + settle_us(profile)
        trace = rig.run(lasting(flight.scenario, HandsetLoopHung(at_us=flight.at_us), until_us=until_us))
        if sent_true(trace, flight.at_us, judge):
            judge(trace, packets.longest_gap(trace, back_us, until_us), at_most=most_us)
            _judge_back(judge, trace, flight, back_us, until_us)


def _judge_back(judge: Judge, trace: Trace, flight: Flight, reset_us: int, until_us: int) -> None:
    """Judge that each packet after a reset holds the controls, and no more throttle than before."""
    profile = trace.profile
    waits = profile.handset.after_reset == "waits for low throttle"
    before = packets.highest_throttle(trace, flight.at_us - settle_us(profile), flight.at_us)
    most_us = profile.requirements.idle_below_us if waits else before.value + THROTTLE_RISE_US
    judge(trace, packets.highest_throttle(trace, reset_us, until_us), at_most=most_us)
    judge_stray(judge, trace, reset_us, until_us, without=(profile.throttle_index,) if waits else ())


@requires("HS-HANG")
def test_hang(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The main loop hangs, also a second time and with a low throttle; then the sticks move. A timer goes on."""
    handset, timeout_us = profile.handset, profile.receiver.timeout_us
    watch_us = handset.watchdog_us or max(2 * timeout_us, HANG_INTERVALS * limits.interval_us(profile))
    hang_us = min(HANG_US, handset.watchdog_us - 1) if handset.watchdog_us else HANG_US
    for flight, throttle, is_again in zip(
        in_flight(scenario, 4), (None, None, 0.0, LOW_THROTTLE), (0, 1, 0, 1), strict=False
    ):
        hung_us = flight.at_us + is_again * (hang_us + 2 * settle_us(profile))
        until_us = hung_us + watch_us
        hangs = [HandsetLoopHung(at_us=hung_us)]
        if is_again:  # it hung before, and went on
            hangs.insert(0, HandsetLoopHung(at_us=flight.at_us, for_us=hang_us))
        flown = flight if throttle is None else with_throttle(scenario, flight, throttle)
        moves = sticks_moved(scenario, hung_us + min(100_000, timeout_us // 4))
        trace = rig.run(lasting(flown.scenario, *hangs, until_us=until_us, moves=moves))
        if sent_true(trace, hung_us, judge):
            stands = packets.time_to_stand(trace, hung_us, until_us)
            judge(trace, stands, at_most=limits.stand_us(profile))
    for flight in in_flight(scenario, 2):
        ends_us = flight.at_us + hang_us
        moves = sticks_moved(scenario, flight.at_us + hang_us // 2)
        until_us = ends_us + 2 * settle_us(profile)
        hang = HandsetLoopHung(at_us=flight.at_us, for_us=hang_us)
        trace = rig.run(lasting(flight.scenario, hang, until_us=until_us, moves=moves))
        if sent_true(trace, flight.at_us, judge):
            judge_stray(judge, trace, ends_us + limits.age_us(profile) + 1, until_us)


# --- a broken wire ----------------------------------------------------------------------------------------------


@requires("HS-WIRE")
def test_wire(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The throttle's wire breaks with the throttle low, in the middle and high, to each rail that can be told."""
    throttle = profile.channels[profile.throttle_index]
    told = [rail for rail in ("low", "high") if tells_break(throttle, rail)]
    rails = sorted({*told, idle_rail(throttle)})  # beyond the low stop nothing need be told
    for position, flight in zip(_throttles(scenario), in_flight(scenario, 3), strict=False):
        flown = with_throttle(scenario, flight, position)
        for rail in rails:
            until_us = flight.at_us + BROKEN_US
            broken = StickWireBroken(at_us=flight.at_us, channel=throttle.name, rail=rail)
            reset = HandsetReset(at_us=until_us - ON_US)  # with the wire broken
            trace = rig.run(lasting(flown.scenario, broken, reset, until_us=until_us))
            if sent_true(trace, flight.at_us, judge):
                before = packets.highest_throttle(trace, flight.at_us - settle_us(profile), flight.at_us)
                after = dataclasses.replace(
                    packets.highest_throttle(trace, flight.at_us, until_us), name="throttle asked for after the break"
                )
                most_us = max(before.value + THROTTLE_RISE_US, profile.requirements.idle_below_us)
                judge(trace, after, at_most=most_us)
    if not set(told) - {idle_rail(throttle)}:
        pytest.skip(
            f"the throttle's travel leaves less than {LEAST_MARGIN:.0%} of the track beyond its high stop "
            "(travel_high), so a wire that breaks to this rail cannot be told from a stop"
        )


@requires("HS-FLOAT")
def test_other_wires(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The wires of the other sticks break one after the other, to a rail or to float; the others move meanwhile."""
    throttle = profile.throttle_index
    for rail, flight in zip(("low", "high", "floats"), in_flight(scenario, 3), strict=True):
        broken = [index for index, one in enumerate(profile.channels) if one.kind == "stick" and index != throttle]
        if rail == "floats":  # of the throttle nobody can tell; the others must not move
            broken.append(throttle)
        at_us, faults, moves = flight.at_us, list[StickWireBroken](), tuple[Move, ...]()
        for index in broken:
            name = profile.channels[index].name
            faults.append(StickWireBroken(at_us=at_us, for_us=BROKEN_OTHER_US, channel=name, rail=rail))
            at_us += BROKEN_OTHER_US
            moves += sticks_moved(scenario, at_us - BROKEN_OTHER_US // 2)
            moves += moved_to({one.name: round(scenario.share()) for _, one in switches(profile)}, at_us - ON_US)
            at_us += 2 * settle_us(profile)
        trace = rig.run(lasting(flight.scenario, *faults, until_us=at_us, moves=moves))
        if sent_true(trace, flight.at_us, judge):
            for index, fault in zip(broken, faults, strict=True):
                whole_us = fault.at_us + BROKEN_OTHER_US
                judge_stray(judge, trace, fault.at_us, whole_us, without=(index,))
                if index != throttle:
                    judge_stray(judge, trace, whole_us + settle_us(profile), whole_us + 2 * settle_us(profile))
                    gap = packets.longest_gap(trace, fault.at_us, whole_us + 2 * settle_us(profile))
                    judge(trace, gap, at_most=limits.pause_us(profile))


def _throttles(scenario: ScenarioBuilder) -> tuple[float, ...]:
    return 0.0, 0.1 + 0.3 * scenario.share(), 0.7 + 0.2 * scenario.share()
