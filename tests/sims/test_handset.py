"""The handset: where sticks stand, when packets leave, what is in them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from lostlink_sims import Channel, Move, Profile, Scenario, simulate
from lostlink_sims.codes import crc8
from lostlink_sims.draws import Draws
from lostlink_sims.handset import TILE, Handset, Programme
from lostlink_sims.scenario import HandsetHung, HandsetOff, StickWireBroken

ROLL = (Channel(name="roll"),)


def programme(*moves: Move) -> Programme:
    return Programme(ROLL, "throttle", moves)


def at(line: Programme, *instants: int) -> list[int]:
    return line.positions(np.array(instants))[:, 0].tolist()


def test_sticks_begin_centred_and_throttle_and_switches_low() -> None:
    """Where everything stands before the first move."""
    profile = Profile()
    places = Programme(profile.channels, "throttle", ()).positions(np.array([0]))[0]
    assert places.tolist() == [500_000, 500_000, 0, 500_000, 0, 0]


def test_moves_and_ramps() -> None:
    """A sudden move holds from its instant on; a ramp is straight; a new move ends one that is under way."""
    line = programme(
        Move(at_us=100, channel="roll", position=1.0),
        Move(at_us=200, channel="roll", position=0.0, ramp_us=100),
        Move(at_us=250, channel="roll", position=1.0, ramp_us=50),
        Move(at_us=250, channel="yaw", position=0.3),
    )
    assert at(line, 0, 99, 100, 200, 225, 250, 275, 300, 10**9) == [
        500_000, 500_000, 1_000_000, 1_000_000, 750_000, 500_000, 750_000, 1_000_000, 1_000_000,
    ]  # fmt: skip


def slots(profile: Profile, scenario: Scenario) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    tiles = list(Handset(profile, scenario, Draws(scenario.seed, scenario.trial)).slots())
    return np.concatenate([tile.left_us for tile in tiles]), np.concatenate([tile.payload for tile in tiles])


def handset(**fields: object) -> Profile:
    plain = Profile()
    return dataclasses.replace(plain, handset=dataclasses.replace(plain.handset, boot_us=0, **fields))  # type: ignore[arg-type]


@pytest.mark.parametrize("error_ppm", [0, 100, -100, 5000])
def test_drift(error_ppm: int) -> None:
    """A clock that runs fast by n ppm sends its packets that much sooner: 50 ppm are 3 ms in a minute (arithmetic)."""
    left, _ = slots(handset(clock_error_ppm=error_ppm), Scenario(duration_us=60_000_000, packet_phase_us=0))
    own_us = 5_000 * (len(left) - 1)
    assert left[-1] == pytest.approx(own_us / (1 + error_ppm * 1e-6), abs=1)
    assert set(np.diff(left).tolist()) <= set(range(4_974, 5_027))


def test_jitter_is_bounded_and_even() -> None:
    """A packet leaves up to the jitter late, never early, whatever the tile."""
    left, _ = slots(handset(jitter_us=400), Scenario(duration_us=20_000_000, packet_phase_us=0))
    late = left - np.arange(len(left)) * 5_000
    assert (late.min(), late.max()) == (0, 400)
    assert late.mean() == pytest.approx(200, abs=10)
    assert len(left) > 2 * TILE


def test_phase_is_drawn_over_the_whole_interval() -> None:
    """Trials meet every phase."""
    phases = [int(slots(handset(), Scenario(duration_us=10_000, trial=trial))[0][0]) for trial in range(300)]
    assert min(phases) < 100
    assert max(phases) > 4_900
    assert np.mean(phases) == pytest.approx(2_500, abs=4 * 1443 / 300**0.5)


def test_payload_layout() -> None:
    """A byte a channel, link id, counter, and a check byte that makes the CRC of the whole 0."""
    _, payload = slots(handset(packet_counter=True, link_id=42, check_byte=True), Scenario(duration_us=2_000_000))
    assert payload.shape[1] == 9
    assert payload[0, :7].tolist() == [128, 128, 0, 128, 0, 0, 42]
    assert payload[:, 7].tolist() == [number % 256 for number in range(len(payload))]
    assert {crc8(row.tobytes()) for row in payload} == {0}


def test_switched_off_and_on_again() -> None:
    """No packet while it is off; after it boots again, the counter starts anew."""
    profile = handset(packet_counter=True)
    off = HandsetOff(at_us=100_000, for_us=200_000)
    left, payload = slots(profile, Scenario(duration_us=400_000, packet_phase_us=0, faults=(off,)))
    assert not ((left >= 100_000) & (left < 300_000)).any()
    assert left[left >= 300_000][0] == 300_000
    assert payload[left >= 300_000][0, 6] == 0


def test_hung_handset_repeats_itself() -> None:
    """The payload freezes, counter and all, also over the border of a tile."""
    hung = HandsetHung(at_us=1_000_000, for_us=6_000_000)
    moves = (Move(at_us=2_000_000, channel="roll", position=1.0),)
    left, payload = slots(
        handset(packet_counter=True), Scenario(duration_us=8_000_000, packet_phase_us=0, faults=(hung,), moves=moves)
    )
    frozen = payload[(left >= 1_000_000) & (left < 7_000_000)]
    assert len(frozen) > TILE
    assert len(np.unique(frozen, axis=0)) == 1
    assert (frozen[0] == payload[left < 1_000_000][-1]).all()
    assert payload[left >= 7_000_000][0, 0] == 255


@pytest.mark.parametrize(("rail", "code"), [("low", 0), ("high", 255)])
def test_broken_wire(rail: str, code: int) -> None:
    """The reading goes to the rail while the wire is broken."""
    fault = StickWireBroken(at_us=100_000, for_us=100_000, channel="pitch", rail=rail)
    left, payload = slots(handset(), Scenario(duration_us=300_000, faults=(fault,)))
    inside = (left >= 100_000) & (left < 200_000)
    assert set(payload[inside, 1].tolist()) == {code}
    assert set(payload[~inside, 1].tolist()) == {128}


def test_potentiometer() -> None:
    """Centre error and travel bend the track; a reversed control is turned round; noise stays within its counts."""
    channels = (
        Channel(name="throttle", travel_low=0.1, travel_high=0.9),
        Channel(name="roll", centre_error=0.05),
        Channel(name="pitch", reversed=True),
    )
    plain = handset(adc_noise_counts=4)
    profile = dataclasses.replace(
        plain, channels=channels, flight_controller=dataclasses.replace(plain.flight_controller, arm_channel=None)
    )
    moves = (Move(at_us=0, channel="pitch", position=0.25),)
    _, payload = slots(profile, Scenario(duration_us=5_000_000, moves=moves))
    assert np.ptp(payload, axis=0).max() <= 3
    assert payload.mean(0) == pytest.approx([0.1 * 256, 0.55 * 256, 255 - 64], abs=1.0)


def test_calm_scenario_has_no_noise() -> None:
    """A scenario may take ordinary losses and noise away."""
    trace = simulate(handset(adc_noise_counts=4), Scenario(duration_us=1_000_000, ambient=False))
    assert len(np.unique(trace.packets.payload, axis=0)) == 1
