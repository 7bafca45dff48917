"""A handset under test: what it sends for each position of its sticks and switches."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from lostlink.measure import limits, packets
from lostlink.measure.limits import BEYOND_COUNTS, MOST_CODE_ERROR, sends_us, settle_us, steady_us
from lostlink.measure.results import Ints
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.handset_flying import (
    BOUNCE_US,
    anywhere,
    bouncing,
    moved_alone,
    moved_to,
    places,
    sticks,
    switches,
    trial,
)
from lostlink.suite.judge import Judge
from lostlink_sims import Move, Profile
from lostlink_sims.codes import ADC_COUNTS, CALIBRATED, FULL_TRAVEL, TOP_CODE, adc_reading
from lostlink_sims.profile import Channel
from lostlink_sims.sticks import beyond, codes, falls, stick_codes, wiper

STAIRS = ((np.arange(ADC_COUNTS) + 0.5) / ADC_COUNTS).tolist()
"""A position for each reading of the ADC, where the travel is the whole track."""
MIDDLE_CODE = 127
CENTRE_CODES = 2
SWEEP_US = 3_000_000
SWEEP_PACKETS = 600
STILL_US = 2_000_000
STILL_AT = (0.25, 0.5, 0.75)
SWITCHINGS = 48
BOUNCES_US = (BOUNCE_US // 2, BOUNCE_US)


def _declared(profile: Profile, position: float) -> Ints:
    """Return the codes of the profile's mapping with all controls at a position."""
    table = codes(profile, np.full((1, len(profile.channels)), round(position * FULL_TRAVEL)))
    row: Ints = table[0]
    return row


@requires("HS-VALUE")
def test_value(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Every stick goes from stop to stop and back in the steps of its ADC, every switch through its positions."""
    step_us, begin_us = steady_us(profile), sends_us(profile)
    ways = [0.0, *STAIRS, 1.0], [1.0, *STAIRS[::-1], 0.0]
    count = len(ways[0])
    moves, number = [], 0
    for channel in sticks(profile):
        rising_first, number = number % 2 == 0, number + 1  # neighbours move against each other
        path = [*ways[not rising_first], *ways[rising_first]]
        moves += [Move(at_us=begin_us, channel=channel.name, position=path[0])]
        moves += [
            Move(at_us=begin_us + step * step_us, channel=channel.name, position=position)
            for step, position in enumerate(path, 1)
        ]
    end_us = begin_us + (2 * count + 1) * step_us
    stays = _stays(profile, begin_us, end_us)
    moves += [Move(at_us=at_us, channel=name, position=place) for name, rows in stays.items() for at_us, place in rows]
    trace = trial(rig, scenario, tuple(moves), end_us)
    first_us = begin_us + step_us * np.arange(2, count + 2) - 1
    second_us = begin_us + end_us + 2 * step_us - 2 - first_us  # at the same positions, on the way back
    most_bias = MOST_CODE_ERROR if profile.handset.mapping == CALIBRATED else 0  # which leaves the rounding open
    for index, channel in enumerate(profile.channels):
        if channel.kind == "stick":
            both_us = np.concatenate([first_us, second_us])
            judge(trace, packets.code_error(trace, index, both_us), at_most=MOST_CODE_ERROR)
            judge(trace, packets.bias(trace, index, first_us, second_us), at_most=most_bias, guard=True)
        else:
            at_us = [at_us - 1 for at_us, _ in stays[channel.name][1:]]
            error = packets.code_error(trace, index, np.array([*at_us, end_us - 1]))
            judge(trace, error, at_most=0, guard=True)


def _stays(profile: Profile, begin_us: int, end_us: int) -> dict[str, list[tuple[int, float]]]:
    """Return when each switch is moved, and where to: up and down through its positions, twice, not all together."""
    stays = {}
    for number, (_, channel) in enumerate(switches(profile)):
        up = places(channel)
        path = [*up, *up[-2::-1]] * 2
        path = path[number % len(path) :] + path[: number % len(path)]
        step_us = (end_us - begin_us) // (len(path) + 1)
        stays[channel.name] = [(begin_us + step * step_us, place) for step, place in enumerate(path)]
    return stays


@requires("HS-CENTRE")
def test_centre(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All sticks centred, the throttle too, having come from either stop."""
    declared, begin_us, step_us = _declared(profile, 0.5), sends_us(profile), settle_us(profile)
    can = {
        index: channel.name
        for index, channel in enumerate(profile.channels)
        if channel.kind == "stick" and abs(declared[index] - MIDDLE_CODE) < CENTRE_CODES
    }
    for stop in (0.0, 1.0):
        names = [channel.name for channel in sticks(profile)]
        moves = moved_to(dict.fromkeys(names, stop), begin_us)
        moves += moved_to(dict.fromkeys(names, 0.5), begin_us + step_us)
        end_us = begin_us + 2 * step_us
        trace = trial(rig, scenario, moves, end_us)
        for index in can:
            offset = packets.offset_from(trace, index, MIDDLE_CODE, end_us - 1)
            judge(trace, offset, at_most=CENTRE_CODES)
    if len(can) < len(sticks(profile)):
        others = [one.name for one in sticks(profile) if one.name not in can.values()]
        pytest.skip(
            f"the profile's centre of {', '.join(others)} is not the middle code (channels.centre_error, travel)"
        )


@requires("HS-ENDS")
def test_ends(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All sticks at their low stops, then at their high stops, then somewhat beyond either."""
    begin_us, most = sends_us(profile), limits.ends_codes(profile)
    short = []
    for position in (0.0, 1.0):
        end_us, declared = begin_us + settle_us(profile), _declared(profile, position)
        trace = trial(
            rig, scenario, moved_to(dict.fromkeys((one.name for one in sticks(profile)), position), begin_us), end_us
        )
        for index, channel in enumerate(profile.channels):
            if channel.kind != "stick":
                continue
            wanted = TOP_CODE * ((position == 1.0) is not falls(profile, channel))
            if abs(declared[index] - wanted) > most:
                short.append(channel.name)
            else:
                judge(trace, packets.offset_from(trace, index, wanted, end_us - 1), at_most=most)
    for high in (False, True):
        end_us = begin_us + settle_us(profile)
        places = {one.name: beyond(one, BEYOND_COUNTS)[high] for one in sticks(profile)}
        trace = trial(rig, scenario, moved_to(places, begin_us), end_us)
        for index, channel in enumerate(profile.channels):
            if channel.kind == "stick":
                error = packets.code_error(trace, index, np.array([end_us - 1]))
                name = f"error of {channel.name} beyond its {'high' if high else 'low'} stop"
                judge(trace, dataclasses.replace(error, name=name), at_most=MOST_CODE_ERROR)
    if short:
        pytest.skip(
            f"by the profile's travel and mapping {', '.join(dict.fromkeys(short))} does not reach the last code at "
            "both stops (channels.travel_low, travel_high)"
        )


def _half_travel(profile: Profile, index: int) -> int:
    """Return half of the codes between the stops of a control."""
    return abs(int(_declared(profile, 1.0)[index] - _declared(profile, 0.0)[index])) // 2


@requires("HS-ORDER")
def test_order(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """One control at a time moves from stop to stop and back: its own byte follows, the others stay where they are."""
    for index in range(len(profile.channels)):
        moves, (low_us, high_us, end_us) = moved_alone(scenario, index)
        trace = trial(rig, scenario, moves, end_us)
        judge(trace, packets.crosstalk(trace, index, low_us, end_us), at_most=MOST_CODE_ERROR)
        for begin_us, until_us in ((low_us, high_us), (high_us, end_us)):
            rise = packets.travel(trace, index, begin_us - 1, until_us - 1)
            judge(trace, dataclasses.replace(rise, value=abs(rise.value)), at_least=_half_travel(profile, index))


@requires("HS-SENSE")
def test_sense(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """At its high stop a control gives a higher code, or a lower one if the profile has the channel reversed."""
    for index, channel in enumerate(profile.channels):
        moves, (low_us, high_us, _) = moved_alone(scenario, index)
        trace = trial(rig, scenario, moves, high_us)
        rise = packets.travel(trace, index, low_us - 1, high_us - 1, falls=falls(profile, channel))
        judge(trace, rise, at_least=_half_travel(profile, index))


@requires("HS-STEPS")
def test_steps(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All sticks go slowly from stop to stop and back, without noise; neighbours against each other."""
    sweep_us = max(SWEEP_US, SWEEP_PACKETS * profile.handset.packet_interval_us)
    begin_us, wait_us = sends_us(profile), settle_us(profile)
    first_us, second_us = begin_us + wait_us, begin_us + 2 * wait_us + sweep_us
    end_us = second_us + sweep_us + wait_us
    moves, rising = [], {}
    for number, channel in enumerate(sticks(profile)):
        rising[channel.name] = number % 2 == 0
        start, end = (0.0, 1.0) if rising[channel.name] else (1.0, 0.0)
        moves += [Move(at_us=begin_us, channel=channel.name, position=start)]
        moves += [Move(at_us=first_us, channel=channel.name, position=end, ramp_us=sweep_us)]
        moves += [Move(at_us=second_us, channel=channel.name, position=start, ramp_us=sweep_us)]
    trace = trial(rig, scenario, tuple(moves), end_us)
    for index, channel in enumerate(profile.channels):
        if channel.kind != "stick":
            continue
        is_falling = falls(profile, channel) is rising[channel.name]
        for since_us, until_us, down in ((first_us, second_us, is_falling), (second_us, end_us, not is_falling)):
            judge(trace, packets.step_errors(trace, index, since_us, until_us, falls=down), at_most=0)
            went = packets.travel(trace, index, since_us - 1, until_us - 1, falls=down)
            judge(trace, went, at_least=_half_travel(profile, index), guard=True)


@requires("HS-STILL")
def test_still(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Sticks stand on the borders of two codes with the noise of the profile's ADC; without noise, anywhere."""
    noise = profile.handset.adc_noise_counts
    begin_us = sends_us(profile)
    still_us = begin_us + settle_us(profile)
    for near in STILL_AT:
        stands = {channel.name: _on_border(profile, channel, near) for channel in sticks(profile)}
        moves = moved_to({name: position for name, (position, _) in stands.items()}, begin_us)
        if not noise:
            moves = moved_to({name: near + scenario.share() / 8 for name in stands}, begin_us)
        trace = trial(rig, scenario, moves, still_us + STILL_US, ambient=True)
        for index, channel in enumerate(profile.channels):
            if channel.kind != "stick":
                continue
            reading = stands[channel.name][1]
            around = np.clip(np.arange(reading - noise, reading + noise + 1), 0, ADC_COUNTS - 1)
            near_codes = stick_codes(profile, channel, around)
            most = max(2, len(np.unique(near_codes)))
            judge(trace, packets.distinct(trace, index, still_us, still_us + STILL_US), at_most=most, at_least=1)
            if not noise:
                judge(trace, packets.changes(trace, index, still_us, still_us + STILL_US), at_most=1)


def _on_border(profile: Profile, channel: Channel, near: float) -> tuple[float, int]:
    """Return the position of a stick next to `near` at which its code changes, and the reading there."""
    ppm = np.arange(0, FULL_TRAVEL + 1, 100)
    readings = adc_reading(wiper(channel, ppm))
    changes = np.flatnonzero(np.diff(stick_codes(profile, channel, readings))) + 1
    at = int(changes[np.argmin(np.abs(ppm[changes] - round(near * FULL_TRAVEL)))])
    return int(ppm[at]) / FULL_TRAVEL, int(readings[at])


@requires("HS-SWITCH")
def test_switch(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Each switch is moved again and again, some together with another, and contacts bounce: one change each."""
    if not switches(profile):
        pytest.skip("the link has no switch")
    wait_us, begin_us = settle_us(profile) + 2 * BOUNCE_US, sends_us(profile)
    for bounce_us in BOUNCES_US:
        moves = moved_to(anywhere(scenario), begin_us)
        at = {move.channel: move.position for move in moves}
        number = SWITCHINGS // len(BOUNCES_US) * len(switches(profile))
        instants = [begin_us + step * wait_us + int(scenario.share() * BOUNCE_US) for step in range(1, number + 1)]
        moved: list[set[str]] = []
        for step, at_us in enumerate(instants):
            names = {switches(profile)[(step + also) % len(switches(profile))][1].name for also in range(1 + step % 2)}
            moved.append(names)
            for name in sorted(names):
                where = places(profile.channels[profile.channel_index(name)])
                at[name] = [place for place in where if place != at[name]][int(scenario.share() * (len(where) - 1))]
                moves += (Move(at_us=at_us, channel=name, position=at[name]),)
        end_us = instants[-1] + wait_us
        trace = trial(rig, scenario, moves, end_us, *bouncing(profile, bounce_us))
        for step, (at_us, until_us) in enumerate(zip(instants, [*instants[1:], end_us], strict=True)):
            for index, channel in switches(profile):
                changes = packets.changes(trace, index, at_us - profile.handset.packet_interval_us, until_us)
                wanted = int(channel.name in moved[step])
                judge(trace, changes, at_most=wanted, at_least=wanted)
