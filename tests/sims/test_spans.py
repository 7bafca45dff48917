"""A run in spans, without a queue, gives what the same run gives as events of SimPy, byte for byte."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from faulty.links import LINKS
from faulty.zoo import Sound
from sims import event_board

from lostlink_sims import Move, Profile, ReferenceReceiver, Scenario, Trace, simulate
from lostlink_sims.receiver import MASK
from lostlink_sims.scenario import FAULTS, MainLoopHung, ReceiverReset
from lostlink_sims.trace import NoteKind


class Loops(Sound):
    """Runs its main loop each 500 µs, at whole multiples of its clock: at the instants of packets and frames too."""

    def poll(self, clock_us: int) -> int:
        super().poll(clock_us)
        return (clock_us // 500 * 500 + 500) & MASK


class Late(Sound):
    """Wants its next iteration in the past, then far ahead."""

    def poll(self, clock_us: int) -> int:
        super().poll(clock_us)
        return (clock_us + (-20 if clock_us & 1 else 1_501)) & MASK


class Live(Loops):
    """Reads its table channel by channel during a frame."""

    live_output = True


class Crashes(Loops):
    """Raises an exception in one of its methods, sooner or later."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.left = sum(map(ord, profile.name)) % 300

    def poll(self, clock_us: int) -> int:
        self.left -= 1
        return super().poll(clock_us // self.left * self.left if self.left < 2 else clock_us)


class Ceases(Sound):
    """Has no pulses in failsafe, and widths that no timer can output before."""

    def pulses(self, clock_us: int) -> Any:
        widths = list(super().pulses(clock_us) or ())
        return None if self.failsafe else [70_000, *widths[1:]]


RECEIVERS = (ReferenceReceiver, Sound, Loops, Late, Live, Ceases, Crashes)


def columns(trace: Trace) -> list[bytes]:
    """Return all that a trace holds."""
    packets, frames, seen = trace.packets, trace.frames, trace.seen
    arrays = (
        packets.left_us, packets.arrived_us, packets.fate, packets.attempts, packets.payload, trace.foreign_us,
        frames.start_us, frames.count, frames.widths_us, frames.until_us, seen.start_us, seen.done_us, seen.count,
        seen.widths_us, trace.failsafe.at_us, trace.failsafe.value, trace.motor.at_us, trace.motor.value,
        trace.arming.value,
    )  # fmt: skip
    notes = [note for note in sorted(trace.notes, key=lambda note: note.at_us) if note.kind is not NoteKind.CRASH]
    return [*(np.ascontiguousarray(one).tobytes() for one in arrays), repr((notes, trace.crash is not None)).encode()]


def links() -> Iterator[tuple[str, Profile]]:
    for name, link in LINKS.items():
        yield name, link
        for part, changed in (
            ("receiver", {"watchdog_us": 150_000}), ("receiver", {"clock_error_ppm": -4_321}),
            ("handset", {"jitter_us": 300}), ("radio", {"latency_jitter_us": 100}), ("output", {"latch": "live"}),
        ):  # fmt: skip
            other = dataclasses.replace(getattr(link, part), **changed)
            yield f"{name}, {changed}", dataclasses.replace(link, **{part: other})


def fault(numbers: random.Random, link: Profile, end_us: int) -> Any:
    kind = numbers.choice(sorted(FAULTS))
    names = {field.name for field in dataclasses.fields(FAULTS[kind])}
    values: dict[str, Any] = {"at_us": numbers.randint(0, end_us)}
    if "for_us" in names:
        values["for_us"] = numbers.choice([None, numbers.randint(1, 600_000), numbers.randint(1, 30_000)])
    if "channel" in names:
        values["channel"] = link.channels[link.throttle_index].name
    if "on_acknowledgement" in names:
        values["on_acknowledgement"] = numbers.random() < 0.5
    if kind == "foreign handset":
        values["payload_bytes"] = numbers.choice([None, 4, 31])
    return FAULTS[kind](**values)


def scenario(numbers: random.Random, link: Profile) -> Scenario:
    end_us = numbers.randint(1, 1_500_000)
    throttle = link.channels[link.throttle_index].name
    return Scenario(
        seed=numbers.randint(0, 2**63 - 1), trial=numbers.randint(0, 9_999), duration_us=end_us,
        handset_on_us=numbers.choice([0, numbers.randint(0, 200_000)]),
        receiver_on_us=numbers.choice([0, numbers.randint(0, 200_000)]),
        receiver_clock_us=numbers.choice([0, MASK - numbers.randint(0, 1_000_000)]),
        moves=(Move(at_us=300_000, channel=throttle, position=0.8, ramp_us=numbers.randint(0, 100_000)),),
        faults=tuple(fault(numbers, link, end_us) for _ in range(numbers.randint(0, 6))),
    )  # fmt: skip


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(2, 41))])
def test_spans_and_events_give_the_same(seed: int) -> None:
    """Any faults, links and receivers together."""
    for name, link in links():
        numbers = random.Random(f"{name} {seed}")
        flown, receiver = scenario(numbers, link), numbers.choice(RECEIVERS)
        by_events = event_board.simulate_by_events(link, flown, receiver)
        in_spans = simulate(link, flown, receiver)
        assert columns(in_spans) == columns(by_events), (name, seed, receiver, flown)
        assert in_spans.crash or in_spans.summary == by_events.summary, (name, seed, receiver, flown)


# --- does the comparison see an error of a microsecond, and another order at one instant? ---------------------------


def tied() -> tuple[Profile, list[Scenario]]:
    """Return a link, and flights in which packets arrive, loops turn, frames start and faults strike at one instant."""
    link = LINKS["heron"]
    plain = dataclasses.replace(
        link,
        handset=dataclasses.replace(link.handset, clock_error_ppm=0, jitter_us=0, packet_interval_us=5_000),
        radio=dataclasses.replace(link.radio, losses=(), latency_jitter_us=0),
        receiver=dataclasses.replace(link.receiver, clock_error_ppm=0, timeout_us=500_000),
        output=dataclasses.replace(link.output, frame_period_us=20_000),
    )
    throttle = plain.channels[plain.throttle_index].name
    usual = Scenario(duration_us=900_000, packet_phase_us=0, frame_phase_us=5_000)
    arrives_us = int(simulate(plain, usual).packets.arrived_us[-1])
    on_us = arrives_us % 5_000 + 10_000 - plain.receiver.boot_us % 5_000
    moves = (Move(at_us=200_000, channel=throttle, position=0.8, ramp_us=300_000),)
    faults = (MainLoopHung(at_us=arrives_us % 5_000 + 600_000, for_us=50_000), ReceiverReset(at_us=on_us + 750_000))
    tied = dataclasses.replace(usual, receiver_on_us=on_us, moves=moves)
    return plain, [tied, dataclasses.replace(tied, faults=faults), dataclasses.replace(tied, packet_phase_us=1_250)]


def test_ties_are_flown() -> None:
    link, flights = tied()
    trace = simulate(link, flights[0], Loops)
    assert len(np.intersect1d(trace.packets.arrived_us, trace.frames.start_us)) > 20


@pytest.mark.parametrize("receiver", RECEIVERS)
def test_ties_in_spans_and_events(receiver: Any) -> None:
    link, flights = tied()
    for flown in flights:
        assert columns(simulate(link, flown, receiver)) == columns(
            event_board.simulate_by_events(link, flown, receiver)
        )


@pytest.mark.parametrize(
    ("table", "values"),
    [
        ("LATE_US", {"loop": 1, "frame": 0}), ("LATE_US", {"loop": 0, "frame": 1}),
        ("ORDER", {"loop": 1.5, "frame": 4}), ("ORDER", {"loop": 3, "frame": 1.5}), ("ORDER", {"loop": 4, "frame": 3}),
    ],
)  # fmt: skip
def test_the_comparison_sees_errors(table: str, values: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A microsecond late, a loop before the packet, a frame before the packet, a frame before the loop."""
    monkeypatch.setattr(event_board, table, values)
    link, flights = tied()

    class Orderly(Loops):
        """Outputs in its pulses how many calls came before, so that their order shows."""

        calls = 0

        def packet(self, clock_us: int, payload: bytes) -> None:
            self.calls += 3
            super().packet(clock_us, payload)

        def poll(self, clock_us: int) -> int:
            self.calls = self.calls * 5 % 997
            return super().poll(clock_us)

        def pulses(self, clock_us: int) -> list[int]:
            return [1000 + self.calls, *list(super().pulses(clock_us) or ())[1:]]

    different = [
        columns(simulate(link, flown, Orderly)) != columns(event_board.simulate_by_events(link, flown, Orderly))
        for flown in flights
    ]
    assert any(different)
