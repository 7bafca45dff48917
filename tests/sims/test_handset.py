"""The handset: where sticks stand, when packets leave, and what is in them."""

from __future__ import annotations

import dataclasses
import itertools
import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from lostlink_sims import Channel, Move, Profile, Scenario
from lostlink_sims.codes import crc8
from lostlink_sims.handset import TILE, Handset, on_times
from lostlink_sims.scenario import AnyFault, HandsetHung, HandsetOff, HandsetReset, StickWireBroken
from lostlink_sims.sticks import Programme, codes, falls, layout, stick_codes
from lostlink_sims.streams import Streams

Ints = NDArray[np.int64]
STICKS = (Channel(name="roll"), Channel(name="throttle"), Channel(name="arm", kind="two-position switch"))


def profile(*, channels: tuple[Channel, ...] | None = None, **fields: Any) -> Profile:
    plain = Profile()
    handset = dataclasses.replace(plain.handset, **{"boot_us": 0, **fields})
    return dataclasses.replace(plain, handset=handset, channels=plain.channels if channels is None else channels)


def packets(profile: Profile, scenario: Scenario) -> tuple[Ints, NDArray[np.uint8]]:
    """Return when packets leave and what they hold."""
    tiles = list(Handset(profile, scenario, Streams(scenario.seed, scenario.trial)).slots())
    for before, after in itertools.pairwise(tiles):
        assert after.first == before.first + len(before.left_us)
    return np.concatenate([tile.left_us for tile in tiles]), np.concatenate([tile.payload for tile in tiles])


def scenario(**fields: Any) -> Scenario:
    return Scenario(**{"packet_phase_us": 0, "duration_us": 1_000_000, **fields})


# --- the programme -------------------------------------------------------------------------------------------------


def stands(moves: tuple[Move, ...], at_us: list[int], channel: int = 0) -> list[int]:
    programme = Programme(STICKS, "throttle", moves)
    return [int(row[channel]) for row in programme.positions(np.array(at_us, np.int64))]


def test_where_sticks_stand_at_the_start() -> None:
    """Sticks centred, throttle and switches low (common practice, no source)."""
    assert Programme(STICKS, "throttle", ()).positions(np.array([0, 10**9])).tolist() == [[500_000, 0, 0]] * 2


def test_a_sudden_move() -> None:
    """The stick is there at the instant of the move, and was not a microsecond before."""
    moves = (Move(at_us=1000, channel="roll", position=1.0),)
    assert stands(moves, [0, 999, 1000, 1001, 10**9]) == [500_000, 500_000, 1_000_000, 1_000_000, 1_000_000]


def test_a_ramp() -> None:
    """Evenly over its time, whole millionths rounded down."""
    moves = (Move(at_us=1000, channel="roll", position=1.0, ramp_us=400),)
    assert stands(moves, [1000, 1001, 1100, 1399, 1400, 9999]) == [
        500_000,
        501_250,
        625_000,
        998_750,
        1_000_000,
        1_000_000,
    ]


def test_a_move_ends_one_that_is_under_way() -> None:
    """The second begins where the first has come to."""
    moves = (
        Move(at_us=1000, channel="roll", position=1.0, ramp_us=400),
        Move(at_us=1200, channel="roll", position=0.0, ramp_us=100),
    )
    assert stands(moves, [1100, 1200, 1250, 1300, 5000]) == [625_000, 750_000, 375_000, 0, 0]


def test_the_order_of_moves_in_a_scenario_does_not_matter() -> None:
    moves = (
        Move(at_us=3000, channel="roll", position=0.2),
        Move(at_us=1000, channel="roll", position=0.9),
        Move(at_us=2000, channel="throttle", position=0.7),
    )
    at_us = [0, 1000, 2000, 3000]
    assert stands(moves, at_us) == stands(moves[::-1], at_us) == [500_000, 900_000, 900_000, 200_000]
    assert stands(moves, at_us, 1) == [0, 0, 700_000, 700_000]


@given(
    st.lists(
        st.tuples(st.integers(0, 5000), st.floats(0, 1), st.integers(0, 2000)), max_size=6, unique_by=lambda m: m[0]
    )
)
@settings(max_examples=100, deadline=None, derandomize=True)
def test_programme_against_a_walk(drawn: list[tuple[int, float, int]]) -> None:
    """Every microsecond against the pilot's moves walked one after the other; at most one millionth apart a move."""
    moves = sorted((Move(at_us=at, channel="roll", position=to, ramp_us=ramp) for at, to, ramp in drawn),
                   key=lambda move: move.at_us)  # fmt: skip
    at_us = np.arange(0, 8000, 37)
    found = Programme(STICKS, "throttle", moves).positions(at_us)[:, 0]

    def place(number: int, instant_us: int) -> float:
        if number < 0:
            return 500_000.0
        move = moves[number]
        since_us = instant_us - move.at_us
        if since_us >= move.ramp_us:
            return 1e6 * move.position
        start = place(number - 1, move.at_us)
        return start + (1e6 * move.position - start) * since_us / move.ramp_us

    for instant_us, position in zip(at_us.tolist(), found.tolist(), strict=True):
        number = sum(move.at_us <= instant_us for move in moves) - 1
        assert abs(place(number, instant_us) - position) <= 1.5 + len(moves), instant_us
        assert 0 <= position <= 1_000_000


# --- the packet clock ------------------------------------------------------------------------------------------------


def test_packets_leave_in_step() -> None:
    """Boot time, phase, then an interval each; none at the end of the scenario itself."""
    left_us, _ = packets(profile(boot_us=20_000), scenario(packet_phase_us=123, duration_us=35_123))
    assert left_us.tolist() == [20_123, 25_123, 30_123]


def test_tiles_join_without_a_seam() -> None:
    left_us, payload = packets(profile(packet_counter=True), scenario(duration_us=(2 * TILE + 7) * 5_000))
    assert left_us.tolist() == list(range(0, (2 * TILE + 7) * 5_000, 5_000))
    assert (payload[:, -1] == np.arange(len(payload)) % 256).all()


def test_drawn_phases_fill_the_interval_evenly() -> None:
    """Uniform over the interval: mean within four standard deviations, both ends come near (seed 1, 400 trials)."""
    phases = [int(packets(profile(), scenario(packet_phase_us=None, trial=trial, duration_us=6_000))[0][0])
              for trial in range(400)]  # fmt: skip
    assert 0 <= min(phases) < 50
    assert 4_950 < max(phases) < 5_000
    assert np.mean(phases) == pytest.approx(2499.5, abs=4 * 5000 / np.sqrt(12 * 400))


@pytest.mark.parametrize("error_ppm", [-50_000, -5_000, -50, 50, 5_000, 50_000])
def test_clock_error(error_ppm: int) -> None:
    """A clock that is fast by e counts t own microseconds in t / (1 + e); whole microseconds, never adding up."""
    left_us, _ = packets(profile(clock_error_ppm=error_ppm), scenario(duration_us=60_000_000))
    ideal = np.arange(len(left_us)) * 5_000 / (1 + error_ppm / 1e6)
    assert np.abs(left_us - ideal).max() <= 1
    assert len(left_us) == pytest.approx(12_000 * (1 + error_ppm / 1e6), abs=1)


def test_jitter() -> None:
    """A packet leaves 0 to 700 µs late, every value as likely, and lateness does not add up."""
    left_us, _ = packets(profile(jitter_us=700), scenario(duration_us=50_000_000))
    late_us = left_us - np.arange(len(left_us)) * 5_000
    assert (late_us.min(), late_us.max()) == (0, 700)
    assert late_us.mean() == pytest.approx(350, abs=4 * 700 / np.sqrt(12 * len(late_us)))
    assert abs(np.corrcoef(late_us[:-1], late_us[1:])[0, 1]) < 4 / np.sqrt(len(late_us))


def test_switching_off_and_on() -> None:
    """Off at once; on again it boots, keeps its own time from then on, and counts packets from 0."""
    off = HandsetOff(at_us=52_000, for_us=100_000)
    left_us, payload = packets(profile(boot_us=20_000, packet_counter=True),
                               scenario(packet_phase_us=1_000, duration_us=190_000, faults=(off,)))  # fmt: skip
    assert left_us.tolist() == [*range(21_000, 52_000, 5_000), *range(172_000, 190_000, 5_000)]
    assert payload[:, -1].tolist() == [*range(7), *range(4)]


@pytest.mark.parametrize(
    ("faults", "spans"),
    [
        ((), [(10, 1000)]),
        ((HandsetOff(at_us=500, for_us=100),), [(10, 500), (600, 1000)]),
        ((HandsetOff(at_us=500, for_us=None),), [(10, 500)]),
        ((HandsetOff(at_us=500, for_us=500),), [(10, 500)]),
        ((HandsetOff(at_us=0, for_us=100),), [(100, 1000)]),
        ((HandsetOff(at_us=500, for_us=300), HandsetOff(at_us=600, for_us=50)), [(10, 500), (800, 1000)]),
        ((HandsetOff(at_us=600, for_us=50), HandsetOff(at_us=100, for_us=50)), [(10, 100), (150, 600), (650, 1000)]),
        ((HandsetReset(at_us=500),), [(10, 500), (500, 1000)]),
        ((HandsetReset(at_us=5),), [(10, 1000)]),
        ((HandsetOff(at_us=500, for_us=100), HandsetReset(at_us=550)), [(10, 500), (600, 1000)]),
    ],
)
def test_times_on(faults: tuple[AnyFault, ...], spans: list[tuple[int, int]]) -> None:
    assert on_times(scenario(duration_us=1000, handset_on_us=10, faults=faults)) == spans


# --- payloads --------------------------------------------------------------------------------------------------------


def test_layout() -> None:
    """A byte a channel, then link id, packet counter, check byte; CRC-8/SMBUS over a whole row is 0."""
    everything = profile(link_id=0x5A, packet_counter=True, check_byte=True)
    code = np.array([[1, 2, 3, 4, 5, 255], [0] * 6])
    rows = layout(everything, code, np.array([255, 256]))
    assert rows[:, :-1].tolist() == [[1, 2, 3, 4, 5, 255, 0x5A, 255], [0, 0, 0, 0, 0, 0, 0x5A, 0]]
    assert [crc8(row.tobytes()) for row in rows] == [0, 0]
    assert rows.shape[1] == everything.payload_bytes
    assert layout(everything, code, np.array([0, 1]), link_id=7)[:, 6].tolist() == [7, 7]
    assert layout(profile(), code, np.array([0, 1])).tolist() == code.tolist()


def test_codes_of_the_places_that_matter() -> None:
    """Low stop, centre and high stop; switches by their halves and thirds; a reversed control turned round."""
    channels = (
        Channel(name="stick"),
        Channel(name="reversed", reversed=True),
        Channel(name="two", kind="two-position switch"),
        Channel(name="three", kind="three-position switch"),
    )
    position = np.repeat(np.array([0, 333_333, 333_334, 499_999, 500_000, 666_666, 666_667, 1_000_000])[:, None], 4, 1)
    table = codes(profile(channels=channels), position)
    assert table[[0, 4, -1], 0].tolist() == [0, 128, 255]
    assert (table[:, 1] == 255 - table[:, 0]).all()
    assert table[:, 2].tolist() == [0, 0, 0, 0, 255, 255, 255, 255]
    assert table[:, 3].tolist() == [0, 0, 127, 127, 127, 127, 255, 255]


def test_a_potentiometer_off_its_centre_and_short_of_its_ends() -> None:
    """Low stop at 10 %, centre at 55 %, high stop at 80 % of the track: readings 102, 563, 819."""
    channel = Channel(name="stick", centre_error=0.05, travel_low=0.1, travel_high=0.8)
    positions = np.array([[0], [500_000], [1_000_000]])
    assert codes(profile(channels=(channel,)), positions)[:, 0].tolist() == [102 >> 2, 563 >> 2, 819 >> 2]


@pytest.mark.parametrize(
    ("travel", "readings"),
    [((0.1, 0.05, 0.8), (102, 563, 819)), ((0.9, -0.1, 0.04), (921, 409, 40)), ((0.0, 0.0, 1.0), (0, 512, 1023))],
)
def test_a_calibrated_stick(travel: tuple[float, float, float], readings: tuple[int, int, int]) -> None:
    """Two linear segments meet in code 127 at the reading of the centre. Common practice, no source; exact fractions.

    A potentiometer that is wired the other way round has its low stop at the higher reading.
    """
    low, centre, high = readings
    channel = Channel(name="stick", travel_low=travel[0], centre_error=travel[1], travel_high=travel[2])
    link = profile(channels=(channel,), mapping="calibrated")
    expected = []
    for reading in range(1024):
        above = Fraction(reading - centre, high - centre)
        exact = 127 + 128 * above if above >= 0 else 127 * Fraction(reading - low, centre - low)
        expected.append(min(max(math.floor(exact), 0), 255))
    assert stick_codes(link, channel, np.arange(1024)).tolist() == expected
    assert [expected[reading] for reading in readings] == [0, 127, 255]
    at_stops = codes(link, np.array([[0], [500_000], [1_000_000]]))
    assert at_stops[:, 0].tolist() == [0, 127, 255]
    mirrored = dataclasses.replace(channel, reversed=True)
    assert stick_codes(link, mirrored, np.arange(1024)).tolist() == [255 - code for code in expected]


@pytest.mark.parametrize(
    ("mapping", "is_wired_down", "is_reversed", "expected"),
    [
        ("a >> 2", False, False, False), ("a >> 2", True, False, True), ("a >> 2", True, True, False),
        ("calibrated", True, False, False), ("calibrated", True, True, True), ("calibrated", False, True, True),
    ],
)  # fmt: skip
def test_the_way_a_code_goes(mapping: str, is_wired_down: bool, is_reversed: bool, expected: bool) -> None:
    ends = {"travel_low": 0.95, "travel_high": 0.05} if is_wired_down else {}
    channel = Channel(name="stick", reversed=is_reversed, **ends)  # type: ignore[arg-type]
    link = profile(channels=(channel,), mapping=mapping)
    first, last = codes(link, np.array([[0], [1_000_000]]))[:, 0].tolist()
    assert falls(link, channel) is (first > last) is expected


@pytest.mark.parametrize(("rail", "code"), [("low", 0), ("high", 255)])
def test_a_broken_wire_reads_a_rail(rail: str, code: int) -> None:
    """Its own channel only, and while it lasts only."""
    fault = StickWireBroken(at_us=20_000, for_us=20_000, channel="pitch", rail=rail)
    left_us, payload = packets(profile(), scenario(duration_us=60_000, faults=(fault,)))
    inside = (left_us >= 20_000) & (left_us < 40_000)
    assert inside.sum() == 4
    assert payload[:, 1].tolist() == np.where(inside, code, 128).tolist()
    assert (payload[:, 0] == 128).all()


def test_a_rail_beats_the_noise() -> None:
    """ADC noise spreads a reading by at most its counts, and a broken wire has none."""
    fault = StickWireBroken(at_us=500_000, channel="roll", rail="high")
    noisy = profile(adc_noise_counts=32, mapping="a >> 2")
    _, payload = packets(noisy, scenario(faults=(fault,)))
    roll = payload[:, 0].astype(int)
    assert set(roll[100:].tolist()) == {255}
    assert roll[:100].min() in range(120, 124), "512 - 32 is code 120"
    assert roll[:100].max() in range(132, 137), "512 + 32 is code 136"
    _, quiet = packets(noisy, scenario(ambient=False))
    assert set(quiet[:, 0].tolist()) == {128}


def test_a_hung_handset_repeats_its_last_payload() -> None:
    """Counter and sticks stand still while packets go on leaving in step; afterwards both go on."""
    moves = (Move(at_us=0, channel="roll", position=1.0, ramp_us=1_000_000),)
    hung = HandsetHung(at_us=100_000, for_us=200_000)
    settings = profile(packet_counter=True)
    left_us, payload = packets(settings, scenario(moves=moves, faults=(hung,)))
    plain_us, plain = packets(settings, scenario(moves=moves))
    assert left_us.tolist() == plain_us.tolist()
    inside = (left_us >= 100_000) & (left_us < 300_000)
    last = plain[int(np.argmax(inside)) - 1]
    assert (payload[inside] == last).all()
    assert (payload[~inside] == plain[~inside]).all()


def test_a_hung_handset_over_the_seam_of_tiles() -> None:
    """The repeated payload is the last of the tile before, for as long as it hangs."""
    seam_us = TILE * 5_000
    moves = (Move(at_us=0, channel="roll", position=1.0, ramp_us=3 * seam_us),)
    for at_us in (seam_us, seam_us - 5_000):
        hung = HandsetHung(at_us=at_us, for_us=seam_us + 50_000)
        left_us, payload = packets(
            profile(packet_counter=True), scenario(moves=moves, faults=(hung,), duration_us=3 * seam_us)
        )
        inside = (left_us >= at_us) & (left_us < at_us + seam_us + 50_000)
        before = int(np.argmax(inside)) - 1
        assert (payload[inside] == payload[before]).all(), at_us
        assert (payload[inside][:, -1] == before % 256).all(), at_us
