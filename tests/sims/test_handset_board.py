"""The handset's hardware around a program: calls and their order, clocks, contacts, hang, radio, crashes."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Sequence
from typing import Any, ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray

from lostlink_sims import Channel, Move, Profile, Scenario, simulate
from lostlink_sims.air.loss import Bernoulli
from lostlink_sims.codes import adc_reading
from lostlink_sims.controls import Controls
from lostlink_sims.fates import Air
from lostlink_sims.handset import TILE, Handset
from lostlink_sims.handset_board import MOST_SPINS, HandsetBoard
from lostlink_sims.handset_program import Cause, HandsetFactory, ReferenceHandset, Sent
from lostlink_sims.handset_radio import REFUSAL_US
from lostlink_sims.profile import BatterySettings, air_time_us
from lostlink_sims.scenario import (
    AnyFault,
    BatteryFalls,
    ForeignHandset,
    HandsetHung,
    HandsetLoopHung,
    HandsetOff,
    HandsetRadioBusy,
    HandsetRadioDead,
    HandsetRadioForgets,
    HandsetReset,
    LinkCut,
    ReceiverReset,
    StickWireBroken,
    SwitchBounces,
)
from lostlink_sims.sticks import reading_at, wiper
from lostlink_sims.streams import Streams

Ints = NDArray[np.int64]
Call = tuple[str, int, Any]
MASK = 0xFFFF_FFFF
WRAP = 2**32


def profile(channels: tuple[Channel, ...] | None = None, **fields: Any) -> Profile:
    plain = Profile()
    handset = dataclasses.replace(plain.handset, **{"boot_us": 0, "turn_us": 400, **fields})
    return dataclasses.replace(plain, handset=handset, channels=channels or plain.channels)


def scenario(*faults: AnyFault, **fields: Any) -> Scenario:
    return Scenario(**{"packet_phase_us": 0, "duration_us": 100_000, "faults": faults, **fields})


def packets(link: Profile, run: Scenario, program: HandsetFactory) -> tuple[list[int], list[bytes]]:
    """Return when packets leave and their payloads."""
    board = HandsetBoard(link, run, Streams(run.seed, run.trial), program)
    left: list[int] = []
    payloads: list[bytes] = []
    for tile in board.slots():
        assert tile.first == len(left)
        assert tile.lengths is not None
        left += tile.left_us.tolist()
        payloads += [row[:n].tobytes() for row, n in zip(tile.payload, tile.lengths, strict=True)]
    assert board.crash is None, board.crash
    assert left == sorted(set(left))
    return left, payloads


def crash_of(link: Profile, run: Scenario, program: HandsetFactory) -> str:
    board = HandsetBoard(link, run, Streams(1), program)
    for _ in board.slots():
        pass
    assert board.crash is not None
    return board.crash.text


class Log:
    """Writes down what it is called for; sends `row` every `every` us, if any."""

    every = 5_000
    row: bytes | None = b"\x01"

    def __init__(self, link: Profile, calls: list[Call]) -> None:
        self.calls = calls

    def power_on(self, clock: int, cause: int) -> None:
        self.calls.append(("power_on", clock, cause))

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.calls.append(("turn", clock, (tuple(readings), tuple(switches))))
        return (clock + self.every) & MASK

    def packet(self, clock: int) -> bytes | None:
        self.calls.append(("packet", clock, None))
        return self.row


class WithTimer(Log):
    row: bytes | None = None

    def interrupt(self, clock: int) -> bytes | None:
        self.calls.append(("interrupt", clock, None))
        return b"\x02"


class WithAnswer(Log):
    def sent(self, clock: int, result: int) -> None:
        self.calls.append(("sent", clock, result))


class Reporting(WithAnswer):
    """Offers one payload a turn, and says when the radio has answered."""

    def __init__(self, link: Profile, calls: list[Call]) -> None:
        super().__init__(link, calls)
        self.offer: bytes | None = None

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        self.offer = b"\x05"
        return super().turn(clock, readings, switches)

    def packet(self, clock: int) -> bytes | None:
        offer, self.offer = self.offer, None
        return offer


def called(kind: type[Log], link: Profile, run: Scenario) -> tuple[list[Call], list[int]]:
    """Return the calls of a program and when its packets left."""
    calls: list[Call] = []
    left, _ = packets(link, run, lambda link: kind(link, calls))
    return calls, left


def of(calls: list[Call], name: str) -> list[int]:
    return [clock for call, clock, _ in calls if call == name]


# --- the program against the handset as data -------------------------------------------------------------------------


def as_data(link: Profile, run: Scenario) -> tuple[list[int], list[bytes]]:
    tiles = list(Handset(link, run, Streams(run.seed, run.trial)).slots())
    left_us = np.concatenate([tile.left_us for tile in tiles])
    return left_us.tolist(), [row.tobytes() for tile in tiles for row in tile.payload]


MOVES = (
    Move(at_us=0, channel="switch 2", position=1.0),
    Move(at_us=13_333, channel="roll", position=0.9, ramp_us=120_000),
    Move(at_us=50_000, channel="pitch", position=0.123),
    Move(at_us=70_001, channel="throttle", position=0.777, ramp_us=333_333),
    Move(at_us=99_999, channel="roll", position=0.2),
)


@pytest.mark.parametrize(
    ("fields", "faults"),
    [
        ({}, ()),
        ({"mapping": "a * 255 // 1023", "link_id": 9, "packet_counter": True, "check_byte": True}, ()),
        ({"clock_error_ppm": 5_000, "boot_us": 20_000, "packet_counter": True}, ()),
        ({"clock_error_ppm": -37_123, "packet_interval_us": 1_777}, ()),
        ({"adc_noise_counts": 3, "mapping": "round(a * 255 / 1023)"}, ()),
        ({"packet_counter": True, "boot_us": 20_000}, (HandsetOff(at_us=200_000, for_us=100_000),)),
        ({"packet_counter": True, "boot_us": 30_000, "after_reset": "resumes"}, (HandsetReset(at_us=300_000),)),
        ({}, (StickWireBroken(at_us=150_000, for_us=100_000, channel="pitch", rail="high"),)),
        ({}, (StickWireBroken(at_us=150_000, for_us=100_000, channel="pitch", rail="floats"),
              StickWireBroken(at_us=200_000, for_us=100_000, channel="throttle", rail="floats"),
              StickWireBroken(at_us=300_000, channel="roll", rail="floats"))),
        ({}, (HandsetRadioBusy(at_us=200_001, for_us=33_000),)),
        ({}, (HandsetRadioDead(at_us=200_001, for_us=33_000),)),
        ({"address": "01:02:03:04:05"}, (HandsetRadioDead(at_us=200_001, for_us=33_000),)),
        ({"address": "01:02:03:04:05"}, (HandsetRadioForgets(at_us=300_000),)),
    ],
)  # fmt: skip
def test_the_reference_program_sends_what_the_handset_as_data_sends(
    fields: dict[str, Any], faults: tuple[AnyFault, ...]
) -> None:
    """The same instants and bytes, calculated in two ways: a tile at once, and call by call, in turns without time."""
    link = profile(turn_us=0, at_power_on="sends at once", **fields)
    run = scenario(*faults, moves=MOVES, duration_us=900_000, packet_phase_us=1_234, seed=3)
    left_us, payloads = as_data(link, run)
    program_us, sent = packets(link, run, ReferenceHandset)
    assert len(left_us) > 100
    most_us = int(link.handset.clock_error_ppm != 0)  # rounding of a clock's error
    assert np.abs(np.array(program_us) - left_us).max() <= most_us
    other = [left_us[n] for n, pair in enumerate(zip(sent, payloads, strict=True)) if pair[0] != pair[1]]
    assert len(other) <= 2 * most_us, "a code that changes in that microsecond"


def test_a_trace_has_the_packets_of_the_program() -> None:
    """As the board hands them to the air; more than a tile of them."""
    link = profile(turn_us=0, packet_counter=True)
    run = scenario(duration_us=(TILE + 50) * 5_000, packet_phase_us=77)
    left_us, payloads = packets(link, run, ReferenceHandset)
    trace = simulate(link, run, handset=ReferenceHandset)
    assert trace.packets.left_us.tolist() == left_us
    assert trace.payload_lengths is not None
    sent = [row[:n].tobytes() for row, n in zip(trace.packets.payload, trace.payload_lengths, strict=True)]
    assert sent == payloads
    assert len(left_us) == TILE + 50


def test_sweeps_at_rest_are_those_of_any_other_time() -> None:
    """A sweep that is kept while nothing moves is the one that would be read; every 100 us against a fresh reading."""
    link = profile()
    faults = (
        StickWireBroken(at_us=30_050, for_us=20_100, channel="yaw", rail="low"),
        SwitchBounces(at_us=0, channel="switch 1", bounce_us=7_000),
    )
    moves = (
        *MOVES, Move(at_us=40_000, channel="switch 1", position=1.0),
        Move(at_us=42_000, channel="switch 1", position=0.0),
        Move(at_us=80_000, channel="yaw", position=0.3, ramp_us=1),
    )  # fmt: skip
    run = scenario(*faults, moves=moves, duration_us=200_000)
    kept = Controls(link, run, Streams(1))
    for now_us in range(0, 150_000, 100):
        assert kept.sweep(now_us) == Controls(link, run, Streams(1)).sweep(now_us), now_us


# --- order -----------------------------------------------------------------------------------------------------------


def test_a_life_begins_with_power_on_a_turn_and_its_packet() -> None:
    """The packet is asked for when the turn has taken its time; the next turn comes when it was wanted."""
    calls, left = called(Log, profile(), scenario(duration_us=11_000, handset_clock_us=1_000))
    assert [(name, clock) for name, clock, _ in calls] == [
        ("power_on", 1_000), ("turn", 1_000), ("packet", 1_400), ("turn", 6_000), ("packet", 6_400), ("turn", 11_000),
        ("packet", 11_400),
    ]  # fmt: skip
    assert left == [400, 5_400, 10_400]
    assert calls[0][2] == Cause.POWER_ON


def test_at_one_instant_result_then_timer_then_end_of_the_turn_then_the_next() -> None:
    """All fall on 5000 us: a result that comes then, the interrupt, the packet of a turn, and a turn."""
    radio = Profile().radio
    out_us = radio.settle_us + air_time_us(radio, 1)

    class All(WithAnswer):
        every = 5_000 - out_us  # the packet of this first turn is out at 5000
        row: bytes | None = None

        def interrupt(self, clock: int) -> bytes | None:
            self.calls.append(("interrupt", clock, None))
            return None

        def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
            super().turn(clock, readings, switches)
            self.row = None if clock else b"\x01"
            return 5_000

    calls, _ = called(All, profile(turn_us=5_000 - out_us, sends_from="timer"), scenario(duration_us=5_001))
    assert [name for name, clock, _ in calls if clock == 5_000] == ["sent", "packet", "interrupt", "turn"]
    calls, _ = called(All, profile(turn_us=5_000, sends_from="timer"), scenario(duration_us=5_001))
    assert [name for name, clock, _ in calls if clock == 5_000] == ["interrupt", "packet", "turn"]


@pytest.mark.parametrize("fault", [HandsetReset(at_us=5_000), HandsetOff(at_us=5_000, for_us=1)])
def test_a_fault_comes_before_a_turn_of_the_same_instant(fault: AnyFault) -> None:
    calls, left = called(Log, profile(boot_us=300), scenario(fault, packet_phase_us=4_700, duration_us=8_000))
    assert of(calls, "turn") == [0], "the turn of the second life"
    assert left == [(5_300 if isinstance(fault, HandsetReset) else 5_301) + 400]


def test_a_packet_of_a_turn_that_a_reset_ends_does_not_leave() -> None:
    calls, left = called(Log, profile(boot_us=0), scenario(HandsetReset(at_us=5_200), duration_us=7_000))
    assert left == [400, 5_600]
    assert of(calls, "packet") == [400, 400]


def test_a_timer_interrupts_a_turn() -> None:
    """Its packet leaves before the one of the turn, which began before."""

    class Both(WithTimer):
        row = b"\x01"
        every = 4_900

    calls, left = called(Both, profile(sends_from="timer"), scenario(duration_us=6_500))
    assert [(name, clock) for name, clock, _ in calls if 4_900 <= clock < 5_400] == [
        ("turn", 4_900), ("interrupt", 5_000), ("packet", 5_300),
    ]  # fmt: skip
    assert left == [400, 5_000, 5_300]


# --- the program's clock ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ppm", [0, 50_000, -50_000, 5_000, -35])
def test_a_turn_comes_at_the_first_microsecond_at_which_the_clock_shows_it(ppm: int) -> None:
    """A clock that is fast by e shows floor(t * (1 + e)) after t; a microsecond before, not yet the wanted value."""
    link = profile(clock_error_ppm=ppm, turn_us=0)
    calls, left = called(Log, link, scenario(duration_us=2_000_000))
    assert of(calls, "turn") == [5_000 * number for number in range(len(left))] or ppm > 0
    shown = [at_us * (1_000_000 + ppm) // 1_000_000 for at_us in left]
    before = [(at_us - 1) * (1_000_000 + ppm) // 1_000_000 for at_us in left]
    assert of(calls, "turn") == shown
    wanted = [0, *(clock + 5_000 for clock in shown[:-1])]
    assert all(early < clock <= now for early, clock, now in zip(before[1:], wanted[1:], shown[1:], strict=True))


def test_the_clock_wraps_and_begins_at_zero_after_a_reset() -> None:
    run = scenario(HandsetReset(at_us=60_000), handset_clock_us=WRAP - 12_000)
    calls, left = called(Log, profile(), run)
    turns = of(calls, "turn")
    assert turns[:5] == [WRAP - 12_000, WRAP - 7_000, WRAP - 2_000, 3_000, 8_000]
    assert [call for call in calls if call[0] == "power_on"] == [
        ("power_on", WRAP - 12_000, Cause.POWER_ON), ("power_on", 0, Cause.RESET),
    ]  # fmt: skip
    assert np.diff(left).tolist() == [5_000] * (len(left) - 1)


@pytest.mark.parametrize("wanted", [-1, 0, 2**31 + 1_000_000])
def test_a_clock_in_the_past_is_at_once(wanted: int) -> None:
    """What is more than half of the counter's range ahead has passed."""

    class Late(Log):
        def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
            super().turn(clock, readings, switches)
            return (clock + wanted) & MASK

    calls, _ = called(Late, profile(), scenario(duration_us=2_000))
    assert of(calls, "turn") == [0, 400, 800, 1_200, 1_600]


# --- contacts ---------------------------------------------------------------------------------------------------------


class Samples(Log):
    every = 100


def contacts(bounce_us: int, every_us: int, seed: int = 1) -> dict[int, int]:
    """Return the first switch over time, as a program with some loop sees it; it is moved at 20 and at 60 ms."""
    run = scenario(
        SwitchBounces(at_us=0, channel="switch 1", bounce_us=bounce_us), seed=seed,
        moves=(
            Move(at_us=20_000, channel="switch 1", position=1.0), Move(at_us=60_000, channel="switch 1", position=0.0),
        ),
    )  # fmt: skip
    kind = type("Every", (Samples,), {"every": every_us})
    calls, _ = called(kind, profile(turn_us=0), run)
    return {clock: seen[1][0] for name, clock, seen in calls if name == "turn"}


def test_contacts_bounce_after_each_move_and_rest_then() -> None:
    seen = contacts(10_000, 100)
    for from_us, until_us, at in ((0, 20_000, 0), (30_000, 60_000, 1), (70_000, 100_000, 0)):
        assert {at_us: now for at_us, now in seen.items() if from_us <= at_us < until_us and now != at} == {}
    for moved_us in (20_000, 60_000):
        inside = [now for at_us, now in seen.items() if moved_us <= at_us < moved_us + 10_000]
        changes = int(np.abs(np.diff(inside)).sum())
        assert 10 < changes < 40, "50 states of 200 us, each equally likely: 24.5 changes on the average"


def test_what_contacts_do_does_not_depend_on_who_looks() -> None:
    """A loop of 0.1 ms and one of 0.7 ms see the same at the same instants; another seed, something else."""
    often, seldom = contacts(10_000, 100), contacts(10_000, 700)
    common = sorted(set(often) & set(seldom))
    assert len(common) > 100
    assert [often[at_us] for at_us in common] == [seldom[at_us] for at_us in common]
    assert contacts(10_000, 100, seed=2) != often


# --- hang and watchdog ------------------------------------------------------------------------------------------------


def test_of_a_hanging_loop_only_the_timer_goes_on() -> None:
    calls, left = called(WithTimer, profile(sends_from="timer"), scenario(HandsetLoopHung(at_us=20_000, for_us=30_000)))
    assert [clock for clock in of(calls, "turn") if 20_000 <= clock < 50_000] == []
    assert of(calls, "turn")[4] == 50_000
    assert of(calls, "interrupt") == left == list(range(5_000, 100_000, 5_000))


def test_a_turn_under_way_is_ended_by_the_end_of_the_hang() -> None:
    """The packet of the turn of 5 ms is asked for at 40 ms; then the next turn comes."""
    calls, left = called(Log, profile(), scenario(HandsetLoopHung(at_us=5_100, for_us=34_900), duration_us=41_000))
    assert left == [400, 40_000, 40_400]
    assert of(calls, "turn") == [0, 5_000, 40_000]


def test_a_result_of_the_radio_waits_for_the_end_of_the_hang() -> None:
    calls, _ = called(Reporting, profile(), scenario(HandsetLoopHung(at_us=450, for_us=20_000), duration_us=21_000))
    assert of(calls, "sent")[0] == 20_450


def test_the_watchdog_resets_a_hanging_loop() -> None:
    hang = HandsetLoopHung(at_us=20_000)
    calls, left = called(Log, profile(watchdog_us=30_000, boot_us=7_000), scenario(hang, handset_clock_us=500))
    assert [call for call in calls if call[0] == "power_on"] == [
        ("power_on", 500, Cause.POWER_ON), ("power_on", 0, Cause.RESET),
    ]  # fmt: skip
    assert left[:5] == [7_400, 12_400, 17_400, 57_400, 62_400]


def test_a_frozen_program_repeats_its_last_packet_and_is_not_called() -> None:
    """`HandsetHung`: nothing runs, and a timer does not make up for its interrupts afterwards."""
    frozen = HandsetHung(at_us=20_100, for_us=30_000)
    calls, left = called(WithTimer, profile(sends_from="timer"), scenario(frozen))
    inside = [clock for name, clock, _ in calls if name in ("turn", "interrupt") and 20_100 <= clock < 50_100]
    assert inside == []
    assert of(calls, "interrupt") == [5_000, 10_000, 15_000, 20_000, 50_100, *range(55_000, 100_000, 5_000)]
    assert left == list(range(5_000, 100_000, 5_000)), "the one of 50.1 ms finds the radio busy with a repeat"


def test_a_frozen_program_repeats_nothing_before_it_froze() -> None:
    """Its own interval is longer than the declared one, in which the radio repeats."""

    class Slow(Log):
        every = 7_000

    _, left = called(Slow, profile(), scenario(HandsetHung(at_us=20_000, for_us=12_000), duration_us=35_000))
    assert left == [400, 7_400, 14_400, 20_000, 25_000, 30_000, 32_400]


# --- the radio --------------------------------------------------------------------------------------------------------


def test_the_radio_says_when_a_packet_is_out_and_when_it_took_none() -> None:
    """Out: settle time and the bits of the packet, by hand: 130 us, and 8 * (1 + 5 + 1 + 2) + 9 = 81 at 1 Mbit/s."""
    busy = HandsetRadioBusy(at_us=5_000, for_us=5_000)
    calls, left = called(Reporting, profile(), scenario(busy, duration_us=12_000))
    assert left == [400, 10_400]
    assert [call for call in calls if call[0] == "sent"] == [
        ("sent", 400 + 130 + 81, Sent.OUT), ("sent", 5_400 + REFUSAL_US, Sent.BUSY), ("sent", 10_400 + 211, Sent.OUT),
    ]  # fmt: skip


def test_a_refusal_does_not_hide_that_the_packet_before_is_out() -> None:
    class Two(Reporting):
        every = 100

    calls, left = called(Two, profile(turn_us=100), scenario(duration_us=500))
    assert left == [100, 400]
    sent = [(clock, result) for name, clock, result in calls if name == "sent"]
    assert sent == [(300, Sent.BUSY), (400, Sent.OUT), (400, Sent.BUSY)], "each at the end of a turn"


def test_a_program_may_offer_a_refused_packet_again_and_again() -> None:
    """It comes through when the radio is free: time goes on between two offers."""
    calls, left = called(WithAnswer, profile(), scenario(HandsetRadioBusy(at_us=0, for_us=4_000), duration_us=4_200))
    assert left[0] == 4_000 + (left[0] - 4_000) % REFUSAL_US
    assert left[0] < 4_000 + REFUSAL_US
    assert len(of(calls, "sent")) == pytest.approx(3_600 / REFUSAL_US, abs=2)


def acknowledged(**fields: Any) -> Profile:
    """Two repeats 750 us apart; a packet of one byte is delivered 130 + 81 + 200 us after it left, by hand."""
    link = profile(**fields)
    return dataclasses.replace(link, radio=dataclasses.replace(link.radio, acknowledge=True))


def test_the_radio_says_whether_a_packet_was_answered_and_is_busy_until_then() -> None:
    """The receiver is switched off, then on; what the radio sends again ends after 2 * 750 + the flight."""
    link, calls = acknowledged(turn_us=0), list[Call]()
    flight_us = Air(link, scenario(), Streams(1)).flight_us
    assert flight_us == 130 + 8 * (1 + 5 + link.payload_bytes + 2) + 9 + 200
    run = scenario(duration_us=400_000, receiver_on_us=100_000)
    trace = simulate(link, run, handset=lambda link: Reporting(link, calls))
    told = [(clock, result) for name, clock, result in calls if name == "sent"]
    left_us, up = trace.packets.left_us, trace.packets.left_us + flight_us >= 100_000 + link.receiver.boot_us
    wanted = np.where(up, left_us + flight_us, left_us + 1_500 + flight_us)
    near = np.abs(left_us - 150_000) > 5_000  # the receiver begins to answer between two attempts
    assert np.array_equal(
        np.array([clock for clock, _ in told])[near[: len(told)]], wanted[: len(told)][near[: len(told)]]
    )
    results = np.array([result for _, result in told])
    assert (results[up[: len(told)]] == Sent.ANSWERED).all()
    assert set(results[~up[: len(told)]].tolist()) <= {Sent.GIVEN_UP, Sent.ANSWERED}
    assert (results[:20] == Sent.GIVEN_UP).all()


def test_what_is_told_changes_nothing_for_a_program_that_does_not_listen() -> None:
    """The handset as data and the reference program, with losses, retries and a receiver that is reset: one trace."""
    link = acknowledged(turn_us=0, at_power_on="sends at once", packet_counter=True, link_id=7)
    losses = (Bernoulli(probability=0.4),)
    link = dataclasses.replace(link, radio=dataclasses.replace(link.radio, losses=losses, latency_jitter_us=150))
    faults = (LinkCut(at_us=300_000, for_us=100_000), ReceiverReset(at_us=500_000), ForeignHandset(at_us=600_000))
    run = scenario(*faults, moves=MOVES, duration_us=900_000, packet_phase_us=1_234, seed=3)
    data, program = simulate(link, run), simulate(link, run, handset=ReferenceHandset)
    assert np.array_equal(data.packets.payload, program.packets.payload[:, : link.payload_bytes])
    for name in ("left_us", "arrived_us", "fate", "attempts"):
        assert np.array_equal(getattr(data.packets, name), getattr(program.packets, name)), name
    assert np.array_equal(data.frames.start_us, program.frames.start_us)
    assert np.array_equal(data.frames.widths_us, program.frames.widths_us)
    assert np.array_equal(data.foreign_us, program.foreign_us)
    assert len(set(data.packets.attempts.tolist())) == 3


def test_the_battery_is_the_last_reading_and_falls() -> None:
    """Full 4.2 V of 6.6 V: 4200 * 1024 / 6600 = 651.6; half way to 3.3 V 3750: 581.8; 3300: 512. Sticks as before."""
    link = dataclasses.replace(profile(), battery=BatterySettings(input_range_mv=6_600))
    run = scenario(BatteryFalls(at_us=10_000, to_mv=3_300, ramp_us=20_000))
    controls = Controls(link, run, Streams(1))
    assert [controls.sweep(at_us)[0] for at_us in (0, 9_999, 20_000, 30_000, 90_000)] == [
        (512, 512, 0, 512, reading) for reading in (651, 651, 581, 512, 512)
    ]


def test_with_a_fixed_reference_all_readings_fall_with_the_battery() -> None:
    """512 * 3750 / 4200 = 457.1; a wire that breaks to the supply reads 1023 * 3750 / 4200 = 913.4."""
    link = dataclasses.replace(profile(), battery=BatterySettings(input_range_mv=6_600, reference="fixed"))
    falls = BatteryFalls(at_us=0, to_mv=3_750, ramp_us=0)
    broken = [StickWireBroken(at_us=0, channel=name, rail=rail) for name, rail in (("roll", "high"), ("yaw", "low"))]
    assert Controls(link, scenario(falls, *broken), Streams(1)).sweep(1)[0] == (913, 457, 0, 0, 581)


def test_warnings_are_noted_as_they_change() -> None:
    class Warns(Log):
        def alarm(self, clock: int) -> int:
            return int(10_000 <= clock < 20_000)

    link = dataclasses.replace(profile(), battery=BatterySettings(input_range_mv=6_600))
    calls: list[Call] = []
    trace = simulate(link, scenario(), handset=lambda link: Warns(link, calls))
    assert trace.alarm is not None
    assert (trace.alarm.at_us.tolist(), trace.alarm.value.tolist()) == ([0, 10_000, 20_000], [0, 1, 0])
    assert "a program with alarm(clock_us)" in crash_of(link, scenario(), lambda link: Log(link, calls))
    assert simulate(profile(), scenario(), handset=lambda link: Warns(link, calls)).alarm is None


OWN, OTHER = b"\x01\x02\x03\x04\x05", b"\x01\x02\x03\x04\x06"


class SetsUp(Reporting):
    """Sets its radio up when `addresses` says so, by the number of times that it is asked."""

    addresses: ClassVar[dict[int, object]] = {0: OWN}

    def radio(self, clock: int) -> object:
        number = len(of(self.calls, "radio"))
        self.calls.append(("radio", clock, None))
        return self.addresses.get(number)


def addressed() -> Profile:
    return profile(address="01:02:03:04:05")


def test_a_program_is_asked_for_the_set_up_of_its_radio_after_each_of_its_calls() -> None:
    """Power-on; a turn, at its end; what the radio says. Without an address in the profile never."""
    calls, left = called(SetsUp, addressed(), scenario(duration_us=1_000))
    assert [(name, clock) for name, clock, _ in calls] == [
        ("power_on", 0), ("radio", 0), ("turn", 0), ("radio", 400),
        ("sent", 611), ("radio", 611),
    ]  # fmt: skip
    assert left == [400]
    calls, _ = called(SetsUp, profile(), scenario(duration_us=1_000))
    assert of(calls, "radio") == []


@pytest.mark.parametrize(
    ("fault", "left", "dead"),
    [
        (HandsetRadioForgets(at_us=10_400), [400, 5_400], 3),
        (HandsetRadioForgets(at_us=10_401), [400, 5_400, 10_400], 2),
        (HandsetRadioDead(at_us=6_000, for_us=1), [400, 5_400], 3),
        (HandsetReset(at_us=6_000), [400, 5_400, 6_400, 11_400, 16_400, 21_400], 0),
        (HandsetOff(at_us=6_000, for_us=2_000), [400, 5_400], 4),
    ],
)  # fmt: skip
def test_a_radio_that_has_lost_its_set_up_sends_nothing(fault: AnyFault, left: list[int], dead: int) -> None:
    """It keeps it over a reset of the program, but not without a supply; the program sets it up once only."""

    class Once(SetsUp):
        times: ClassVar[list[int]] = []

        def radio(self, clock: int) -> object:
            self.times.append(clock)
            return OWN if len(self.times) == 1 else None

    calls, instants = called(Once, addressed(), scenario(fault, duration_us=24_000))
    assert instants == left
    assert [result for name, _, result in calls if name == "sent"].count(Sent.DEAD) == dead


@pytest.mark.parametrize(("until_us", "left"), [(10_449, [400, 5_400, 15_400]), (10_451, [400, 5_400])])
def test_a_dead_radio_takes_no_set_up(until_us: int, left: list[int]) -> None:
    """At 10.4 ms it took no packet; 50 us later the program, told so, sets it up once more."""

    class Again(SetsUp):
        sets_up = True

        def sent(self, clock: int, result: int) -> None:
            super().sent(clock, result)
            self.sets_up = result == Sent.DEAD and clock < 11_000

        def radio(self, clock: int) -> object:
            sets_up, self.sets_up = self.sets_up, False
            return OWN if sets_up else None

    run = scenario(HandsetRadioDead(at_us=6_000, for_us=until_us - 6_000), duration_us=18_000)
    calls, instants = called(Again, addressed(), run)
    assert ("sent", 10_400 + REFUSAL_US, Sent.DEAD) in calls
    assert instants == left


def test_a_packet_to_another_address_leaves_and_does_not_arrive() -> None:
    class Elsewhere(SetsUp):
        addresses: ClassVar[dict[int, object]] = {0: OTHER, 2: OWN}

    calls: list[Call] = []
    trace = simulate(addressed(), scenario(duration_us=60_000), handset=lambda link: Elsewhere(link, calls))
    assert trace.packets.left_us[:3].tolist() == [400, 5_400, 10_400]
    fates = [trace.fates[fate] for fate in trace.packets.fate]
    assert fates[0] == "to another address"
    assert set(fates[1:]) <= {"receiver off", "received"}
    assert fates[-1] == "received"


@pytest.mark.parametrize(
    ("address", "text"),
    [
        ("01:02", "TypeError in the handset's radio() at 0.000000 s: an address is str; allowed: bytes, or None"),
        (b"\x01", "ValueError in the handset's radio() at 0.000000 s: an address of 1 bytes; allowed: 5 "
         "(radio.address_bytes)"),
    ],
)  # fmt: skip
def test_no_address_is_a_crash_in_words(address: object, text: str) -> None:
    class Wrong(SetsUp):
        addresses: ClassVar[dict[int, object]] = {0: address}

    calls: list[Call] = []
    assert crash_of(addressed(), scenario(), lambda link: Wrong(link, calls)) == text


def test_without_a_wanted_clock_the_next_turn_comes_when_the_radio_has_answered() -> None:
    class Driven(WithAnswer):
        def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
            super().turn(clock, readings, switches)
            self.row = b"\x01"
            return None

        def packet(self, clock: int) -> bytes | None:
            row, self.row = self.row, None
            return row

    calls, left = called(Driven, profile(), scenario(duration_us=1_300))
    assert of(calls, "turn") == [0, 611, 1_222]
    assert left == [400, 1_011]

    class Silent(Driven):
        sent = None  # type: ignore[assignment]

    calls, left = called(Silent, profile(), scenario())
    assert (of(calls, "turn"), left) == ([0], [400])


def test_payloads_of_any_length_reach_the_trace() -> None:
    class Longer(Log):
        length = 0

        def packet(self, clock: int) -> Any:
            self.length = self.length % 32 + 1
            return bytes(range(self.length)) if self.length % 2 else bytearray(range(self.length))

    _, payloads = packets(profile(), scenario(duration_us=500_000), lambda link: Longer(link, []))
    assert payloads[:40] == [bytes(range(number % 32 + 1)) for number in range(40)]
    trace = simulate(profile(), scenario(duration_us=500_000), handset=lambda link: Longer(link, []))
    assert trace.payload_lengths is not None
    assert trace.payload_lengths[:33].tolist() == [*range(1, 33), 1]


# --- crashes ----------------------------------------------------------------------------------------------------------


def wrong(name: str, value: object) -> HandsetFactory:
    """Return a program whose function `name` gives a value, or raises it."""

    def answer(self: object, *arguments: object) -> object:
        if isinstance(value, BaseException):
            raise value
        return value

    made = type("Wrong", (WithAnswer,), {name: answer, "interrupt": answer if name == "interrupt" else lambda *_: None})
    return lambda link: made(link, [])


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("power_on", ValueError("no"), "ValueError in the handset's power_on() at 0.000000 s: no"),
        ("turn", KeyError(3), "KeyError in the handset's turn() at 0.000000 s: 3"),
        ("turn", 1.5, "TypeError in the handset's turn(), which returns a clock or None at 0.000000 s: "),
        ("turn", "now", "TypeError in the handset's turn(), which returns a clock or None at 0.000000 s: "),
        ("packet", OSError("x"), "OSError in the handset's packet() at 0.000400 s: x"),
        ("packet", b"", "ValueError in the handset's packet() at 0.000400 s: a payload of 0 bytes; allowed: 1 to 32"),
        ("packet", bytes(33), "ValueError in the handset's packet() at 0.000400 s: a payload of 33 bytes"),
        ("packet", [1, 2], "TypeError in the handset's packet() at 0.000400 s: a payload is list; allowed: bytes"),
        ("packet", "ab", "TypeError in the handset's packet() at 0.000400 s: a payload is str"),
        ("interrupt", SystemExit(2), "SystemExit in the handset's interrupt() at 0.005000 s: 2"),
        ("sent", IndexError("y"), "IndexError in the handset's sent() at 0.000611 s: y"),
    ],
)  # fmt: skip
def test_a_crash_names_function_and_instant(name: str, value: object, text: str) -> None:
    assert crash_of(profile(sends_from="timer"), scenario(), wrong(name, value)).startswith(text)


def test_a_constructor_that_fails_is_a_crash_at_boot() -> None:
    assert crash_of(profile(boot_us=20_000), scenario(), lambda link: 1 // 0) == (  # type: ignore[arg-type, return-value]
        "ZeroDivisionError in the handset's constructor at 0.020000 s: integer division or modulo by zero"
    )


def test_a_crash_ends_the_packets_and_is_in_the_trace() -> None:
    class Third(Log):
        turns = 0

        def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
            self.turns += 1
            return super().turn(clock // (3 - self.turns), readings, switches)

    trace = simulate(profile(), scenario(), handset=lambda link: Third(link, []))
    assert trace.crash is not None
    assert trace.crash.startswith("ZeroDivisionError in the handset's turn() at 0.0")
    assert len(trace.packets.left_us) == 2
    assert trace.crash_us is not None


def test_turns_without_time_and_packet_end_as_a_crash() -> None:
    """A loop of a microsecond that sends nothing would take the run's whole time; one of 0.4 ms is an ordinary one."""

    class Spins(Log):
        every, row = 0, None

    link, run = profile(turn_us=0), scenario(duration_us=(MOST_SPINS + 10))
    assert "the next turn was wanted at once" in crash_of(link, run, lambda link: Spins(link, []))
    _, left = called(Spins, profile(turn_us=400), scenario(duration_us=60_000_000))
    assert left == []


def test_a_loop_without_pause_beside_a_timer_that_sends_is_no_crash() -> None:
    class Spins(WithTimer):
        every = 0

    _, left = called(Spins, profile(turn_us=1, sends_from="timer"), scenario(duration_us=MOST_SPINS * 2))
    assert len(left) == MOST_SPINS * 2 // 5_000 - 1


class Irregular(Log):
    """One payload a turn, of some length or none; wants its turns at irregular times, some of them in the past."""

    def __init__(self, link: Profile, calls: list[Call], seed: int) -> None:
        super().__init__(link, calls)
        self.random, self.offer = random.Random(seed), b""

    def turn(self, clock: int, readings: Sequence[int], switches: Sequence[int]) -> int:
        super().turn(clock, readings, switches)
        self.offer = bytes(self.random.randrange(1, 9)) if self.random.random() < 0.9 else b""
        return (clock + self.random.choice([-7, 0, 1, 399, 400, 401, 1900, 5000, 20_000])) & MASK

    def packet(self, clock: int) -> bytes | None:
        offer, self.offer = self.offer, b""
        return offer or None


class IrregularWithAnswer(Irregular):
    def sent(self, clock: int, result: int) -> None:
        pass


@pytest.mark.parametrize("seed", range(12))
def test_turns_in_a_row_are_the_same_as_one_by_one(seed: int) -> None:
    """A program that does not hear of the radio is called in a loop of its own; with faults at any instant."""
    draw = random.Random(seed)
    kinds = (HandsetHung, HandsetLoopHung, HandsetRadioBusy, HandsetOff)
    faults: list[AnyFault] = [
        draw.choice(kinds)(at_us=draw.randrange(150_000), for_us=draw.choice([1, 400, 3000, 9000])) for _ in range(6)
    ]
    faults.append(HandsetReset(at_us=draw.randrange(150_000)))
    turn_us = draw.choice([0, 50, 400, 3000])
    faults.append(HandsetLoopHung(at_us=700 + turn_us, for_us=400))  # as the first packet is asked for
    link = profile(turn_us=turn_us, clock_error_ppm=draw.choice([-5000, 0, 3000]), boot_us=700)
    run = scenario(*faults, duration_us=150_000, handset_clock_us=2**32 - 60_000)
    found = []
    for kind in (Irregular, IrregularWithAnswer):
        calls: list[Call] = []
        found.append((packets(link, run, lambda p, kind=kind, calls=calls: kind(p, calls, seed)), calls))  # type: ignore[misc]
    assert found[0] == found[1]
    assert len(found[0][0][0]) > 10


@pytest.mark.parametrize(
    "stick",
    [
        Channel(name="a"),
        Channel(name="b", centre_error=0.03, travel_low=0.05, travel_high=0.9),
        Channel(name="c", centre_error=-0.02, travel_low=0.95, travel_high=0.04),
    ],
)
def test_one_reading_is_that_of_many(stick: Channel) -> None:
    position = np.unique(np.concatenate([np.arange(0, 1_000_001, 97), [499_999, 500_000, 500_001, 1_000_000]]))
    assert [reading_at(stick, one) for one in position.tolist()] == adc_reading(wiper(stick, position)).tolist()
