"""The whole world: exact repetition, every fault in every company, the hardware of the receiver."""

from __future__ import annotations

import dataclasses
import hashlib
import math
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lostlink.profiles import read_profile
from lostlink_sims import Move, Profile, ReferenceReceiver, Scenario, Trace, simulate, summarise
from lostlink_sims.crashes import ReceiverCrashError
from lostlink_sims.receiver import TRANSITIONS, Event, State
from lostlink_sims.scenario import (
    FAULTS,
    BrownOut,
    DamagedPayload,
    FadeRamp,
    FlappingLink,
    ForeignHandset,
    HandsetOff,
    InterferenceBurst,
    LinkCut,
    MainLoopHung,
    OutputStops,
    PeriodicInterference,
    ReceiverReset,
    StickWireBroken,
)
from lostlink_sims.trace import NOT_YET

PROFILES = {
    path.stem: read_profile(path)
    for path in sorted((Path(__file__).parents[2] / "fixtures" / "profiles").glob("*.toml"))
}


def digest(trace: Trace) -> str:
    """Return a digest of every column of a trace, byte for byte."""
    total = hashlib.sha256()
    packets, frames = trace.packets, trace.frames
    columns = (
        packets.left_us, packets.arrived_us, packets.fate, packets.attempts, packets.payload, trace.foreign_us,
        frames.start_us, frames.count, frames.widths_us, frames.until_us, *trace.edges, trace.seen.done_us,
        trace.seen.widths_us, trace.failsafe.at_us, trace.failsafe.value, trace.motor.at_us, trace.motor.value,
    )  # fmt: skip
    for column in columns:
        total.update(np.ascontiguousarray(column).astype(column.dtype.newbyteorder("<")).tobytes())
    total.update(repr((trace.fates, [(note.at_us, note.text) for note in trace.notes])).encode())
    return total.hexdigest()


def eventful(profile: Profile) -> Scenario:
    """Return a scenario with something of everything."""
    names = [channel.name for channel in profile.channels]
    return Scenario(
        seed=20261125, trial=3, duration_us=9_000_000, receiver_clock_us=2**32 - 3_000_000,
        moves=tuple(
            Move(at_us=300_000 * (n + 1), channel=name, position=0.9, ramp_us=50_000 * n)
            for n, name in enumerate(names)
        ),
        faults=(
            InterferenceBurst(at_us=500_000, for_us=700_000, loss=0.4),
            PeriodicInterference(at_us=1_000_000, for_us=2_000_000, loss=0.7),
            FadeRamp(at_us=2_000_000, for_us=1_500_000, depth_db=70),
            DamagedPayload(at_us=3_600_000, for_us=300_000, share=0.5),
            ForeignHandset(at_us=4_000_000, for_us=800_000),
            FlappingLink(at_us=5_000_000, for_us=1_000_000, down_us=80_000, up_us=90_000),
            StickWireBroken(at_us=5_500_000, for_us=400_000, channel=names[0]),
            BrownOut(at_us=6_200_000, for_us=60_000, on_acknowledgement=False),
            MainLoopHung(at_us=6_800_000, for_us=500_000),
            OutputStops(at_us=7_500_000, for_us=90_000),
            HandsetOff(at_us=8_000_000, for_us=300_000),
            ReceiverReset(at_us=8_700_000),
        ),
    )  # fmt: skip


@pytest.mark.parametrize("error_ppm", [-5_000, -35, -1, 35, 20_000])
def test_the_frame_period_keeps_its_mean(error_ppm: int) -> None:
    """Exact arithmetic: frame n begins n periods after the first, at the microsecond before."""
    plain = Profile()
    profile = dataclasses.replace(plain, receiver=dataclasses.replace(plain.receiver, clock_error_ppm=error_ppm))
    start_us = simulate(profile, Scenario(duration_us=60_000_000)).frames.start_us
    period_us = Fraction(plain.output.frame_period_us * 1_000_000, 1_000_000 + error_ppm)
    assert len(start_us) > 2_000
    assert [int(at - start_us[0]) for at in start_us] == [math.floor(n * period_us) for n in range(len(start_us))]


DIGESTS = {
    "bittern": "5a225e0b4a4901e7",
    "dunlin": "7cd2e3cabed966e3",
    "heron": "15b036ec27202f06",
    "lapwing": "5e33a229bdea260e",
    "plover": "d1f47ae6e9e0a158",
    "wren": "083246d1a7d8b694",
}


@pytest.mark.parametrize("name", PROFILES)
def test_same_seed_same_trace(name: str) -> None:
    """Byte for byte, again and on any machine; a change here changes every saved scenario's meaning."""
    profile = PROFILES[name]
    once = digest(simulate(profile, eventful(profile)))
    assert digest(simulate(profile, eventful(profile))) == once
    assert once[:16] == DIGESTS[name]
    other = dataclasses.replace(eventful(profile), seed=1)
    assert digest(simulate(profile, other)) != once


# --- every fault in every company ----------------------------------------------------------------------------------


def some_fault(draw: Any) -> Any:
    kind = draw(st.sampled_from(sorted(FAULTS)))
    fields: dict[str, Any] = {"at_us": draw(st.integers(0, 1_200_000))}
    names = {field.name for field in dataclasses.fields(FAULTS[kind])}
    if "for_us" in names:
        fields["for_us"] = draw(st.none() | st.integers(1, 600_000))
    if "channel" in names:
        fields["channel"] = "throttle"
    if kind == "receiver brown-out":
        fields["on_acknowledgement"] = draw(st.booleans())
    return FAULTS[kind](**fields)


@st.composite
def scenarios(draw: Any) -> Scenario:
    return Scenario(
        seed=draw(st.integers(0, 2**63 - 1)),
        trial=draw(st.integers(0, 10_000)),
        duration_us=draw(st.integers(1, 1_500_000)),
        handset_on_us=draw(st.integers(0, 300_000)),
        receiver_on_us=draw(st.integers(0, 300_000)),
        receiver_clock_us=draw(st.integers(0, 2**32 - 1)),
        moves=(Move(at_us=400_000, channel="throttle", position=0.8, ramp_us=draw(st.integers(0, 100_000))),),
        faults=tuple(some_fault(draw) for _ in range(draw(st.integers(0, 6)))),
    )


@given(st.sampled_from(sorted(PROFILES)), scenarios())
@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
def test_any_company_of_faults(name: str, scenario: Scenario) -> None:
    """Whatever goes wrong together: the books balance, time does not run backwards, counting and keeping agree."""
    profile = PROFILES[name]
    trace = simulate(profile, scenario)
    assert trace.crash is None
    assert summarise(profile, scenario) == trace.summary
    packets = trace.packets
    assert sum(trace.summary.by_fate.values()) == len(packets.left_us) == trace.summary.packets
    assert (np.diff(packets.left_us) > 0).all()
    arrived = packets.arrived_us != NOT_YET
    assert (packets.arrived_us[arrived] > packets.left_us[arrived]).all()
    assert (packets.fate[arrived] == 0).all()
    at_us, level = trace.edges
    assert (np.diff(at_us) >= 0).all()
    assert (np.diff(level.astype(int)) != 0).all()
    assert not len(at_us) or at_us[-1] <= scenario.duration_us
    whole = trace.frames.table(profile.output.channels)
    seen = trace.widths_us[trace.seen.count > 0]  # a reset right after a frame's first edge leaves a pulse alone
    assert len(seen) <= len(whole)
    assert all(((row == whole) | (row < 0)).all(1).any() for row in seen)  # -1: behind the end of the output
    assert (np.diff(trace.motor.at_us) >= 0).all()


# --- receiver and hardware -----------------------------------------------------------------------------------------

FLYING = (Move(at_us=250_000, channel="switch 1", position=1.0), Move(at_us=350_000, channel="throttle", position=0.8))


def run(*faults: Any, receiver: Any = ReferenceReceiver, profile: Profile | None = None, **fields: Any) -> Trace:
    scenario = Scenario(**{"duration_us": 2_000_000, "moves": FLYING, "faults": faults, **fields})
    return simulate(profile or Profile(), scenario, receiver)


def test_transition_table_of_the_reference_receiver() -> None:
    """Every state can be reached and left, every event moves something."""
    for state in State:
        assert any(before is state for before, _ in TRANSITIONS)
        if state is not State.WAITING:
            assert state in TRANSITIONS.values()
    assert {event for _, event in TRANSITIONS} == set(Event)


def test_failsafe_exactly_at_the_timeout() -> None:
    """The flag rises 500 ms after the last good packet, to the microsecond, also with a clock that is off."""
    for error_ppm in (0, 37, -5000, 20_000):
        plain = Profile()
        receiver = dataclasses.replace(plain.receiver, clock_error_ppm=error_ppm)
        trace = run(LinkCut(at_us=1_000_000), profile=dataclasses.replace(plain, receiver=receiver))
        heard_us = int(trace.packets.arrived_us.max())
        rises = trace.failsafe.at_us[trace.failsafe.value == 1]
        real_us = 500_000 / (1 + error_ppm * 1e-6)
        assert rises[-1] - heard_us == pytest.approx(real_us, abs=2), error_ppm


def test_hold_time_comes_after_the_timeout() -> None:
    """With a hold time the last values stay for that much longer."""
    plain = Profile()
    profile = dataclasses.replace(
        plain, receiver=dataclasses.replace(plain.receiver, timeout_us=200_000, hold_us=123_000)
    )
    trace = run(LinkCut(at_us=1_000_000), profile=profile)
    rises = trace.failsafe.at_us[trace.failsafe.value == 1]
    assert rises[-1] - trace.packets.arrived_us.max() == 323_000


def test_reset_stops_pulses_for_the_boot_time() -> None:
    """The frame is cut short, the line rests while booting, and failsafe values come first."""
    trace = run(ReceiverReset(at_us=1_000_000))
    leads = trace.edges[0][::2]
    quiet = leads[leads > 1_000_000]
    assert quiet[0] - 1_000_000 >= Profile().receiver.boot_us
    first = int(np.searchsorted(trace.frames.start_us, 1_000_000))
    assert trace.frames.table(8)[first].tolist() == [1500, 1500, 1000, 1500, 1000, 1000, 1000, 1000]
    assert "receiver boots" in [text for _, _, text in trace.notes]


def test_hung_loop_takes_no_packets_and_a_watchdog_ends_it() -> None:
    """Packets meet a busy receiver; with a watchdog it resets and comes back."""
    trace = run(MainLoopHung(at_us=1_000_000))
    assert trace.summary.by_fate["receiver busy"] > 150
    plain = Profile()
    guarded = dataclasses.replace(plain, receiver=dataclasses.replace(plain.receiver, watchdog_us=200_000))
    trace = run(MainLoopHung(at_us=1_000_000), profile=guarded)
    assert "watchdog reset" in [text for _, _, text in trace.notes]
    assert trace.failsafe.at(2_000_000 - 1) == 0


def test_hung_loop_wakes() -> None:
    """After a short hang everything goes on."""
    trace = run(MainLoopHung(at_us=1_000_000, for_us=100_000))
    assert trace.summary.failsafe_entries == 0
    assert trace.motor.at(1_999_999) > 0


def _down(from_us: int, for_us: int) -> BrownOut:
    return BrownOut(at_us=from_us, for_us=for_us, on_acknowledgement=False)


def _hung(from_us: int, for_us: int) -> MainLoopHung:
    return MainLoopHung(at_us=from_us, for_us=for_us)


@pytest.mark.parametrize(
    ("faults", "back_us"),
    [
        ((_down(1_000_000, 300_000), ReceiverReset(at_us=1_100_000)), 1_300_000),
        ((_down(1_000_000, 300_000), _down(1_100_000, 500_000)), 1_600_000),
        ((_down(1_000_000, 500_000), _down(1_100_000, 100_000)), 1_500_000),
        ((_down(1_000_000, 500_000), _hung(1_100_000, 800_000)), 1_500_000),
        ((_hung(1_000_000, 300_000), _down(1_100_000, 100_000)), 1_200_000),
    ],
)
def test_a_receiver_begins_when_no_breakdown_lasts_any_more(faults: tuple[Any, ...], back_us: int) -> None:
    """A reset without a supply begins nothing; the longest of overlapping breakdowns counts."""
    trace = run(*faults, duration_us=2_500_000)
    boots_us = back_us + Profile().receiver.boot_us
    starts_us = trace.frames.start_us
    assert not ((starts_us > 1_100_000) & (starts_us < boots_us)).any()
    assert boots_us <= starts_us[starts_us > 1_100_000][0] <= boots_us + Profile().output.frame_period_us


@pytest.mark.parametrize("name", ["lapwing", "heron"])
def test_frames_keep_their_time_while_the_wire_is_broken(name: str) -> None:
    """With a fixed gap as well, where each frame is as long as its widths."""
    profile = PROFILES[name]
    whole, broken = run(profile=profile), run(OutputStops(at_us=700_000, for_us=400_000), profile=profile)
    seen = broken.frames.start_us
    assert len(seen) < len(whole.frames.start_us) - 10
    assert set(seen.tolist()) <= set(whole.frames.start_us.tolist())


def test_a_reset_before_the_supply_begins_nothing() -> None:
    trace = run(ReceiverReset(at_us=100_000), _down(200_000, 50_000), receiver_on_us=500_000)
    assert trace.frames.start_us[0] >= 500_000 + Profile().receiver.boot_us


@pytest.mark.parametrize(
    "faults",
    [
        (_hung(1_000_000, 300_000), _hung(1_100_000, 300_000)),
        (_hung(1_000_000, 400_000), _hung(1_100_000, 100_000)),
        (_hung(1_000_000, 200_000), _hung(1_200_000, 200_000)),
    ],
)
def test_a_loop_hangs_as_long_as_any_hang(faults: tuple[Any, ...]) -> None:
    came_us = run(*faults).packets.arrived_us
    assert not ((came_us >= 1_000_000) & (came_us < 1_400_000)).any()
    assert ((came_us >= 1_400_000) & (came_us < 1_420_000)).any()


def test_brown_out_by_acknowledgement() -> None:
    """With acknowledgements it strikes at the first one after its instant; without, never."""
    assert "supply breaks down" not in [text for _, _, text in run(BrownOut(at_us=1_000_000, for_us=50_000)).notes]
    profile = PROFILES["wren"]
    moves = (Move(at_us=300_000, channel="arm", position=1.0),)
    trace = run(BrownOut(at_us=1_000_000, for_us=50_000), profile=profile, moves=moves)
    (at_us,) = [at_us for at_us, _, text in trace.notes if text == "supply breaks down"]
    assert 1_000_000 < at_us < 1_015_000
    assert at_us in trace.packets.arrived_us


def test_acknowledged_packets_are_sent_again() -> None:
    """Half of the packets lost: with two more attempts an eighth is; the receiver gets none twice."""
    plain = PROFILES["wren"]
    quiet = dataclasses.replace(plain, radio=dataclasses.replace(plain.radio, losses=()))
    taken: list[bytes] = []

    class Counts(ReferenceReceiver):
        def packet(self, clock_us: int, payload: bytes) -> None:
            taken.append(payload)
            super().packet(clock_us, payload)

    burst = InterferenceBurst(at_us=0, loss=0.5)
    trace = simulate(quiet, Scenario(duration_us=20_000_000, faults=(burst,)), Counts)
    assert trace.packets.lost.mean() == pytest.approx(0.125, abs=0.03)
    assert len(taken) == trace.summary.received
    # Sent again when packet or answer is lost (3/4): 1 + 3/4 + 9/16.
    assert trace.packets.attempts.mean() == pytest.approx(1 + 0.75 + 0.5625, abs=0.06)
    again = trace.packets.arrived_us - trace.packets.left_us
    assert set(np.unique(again[~trace.packets.lost] // 2_000).tolist()) == {0, 1, 2}


def test_damaged_payloads_only_without_crc() -> None:
    """A radio with a CRC drops them; one without hands them over with a byte changed."""
    got: list[bytes] = []

    class Listens(ReferenceReceiver):
        def packet(self, clock_us: int, payload: bytes) -> None:
            got.append(payload)

    with_crc = run(DamagedPayload(at_us=0), receiver=Listens)
    assert not got
    assert with_crc.summary.by_fate["damaged payload"] > 300
    plain = Profile()
    run(DamagedPayload(at_us=0), receiver=Listens, moves=(),
        profile=dataclasses.replace(plain, radio=dataclasses.replace(plain.radio, crc_bytes=0)))  # fmt: skip
    rest = bytes([128, 128, 0, 128, 0, 0])
    assert {sum(a != b for a, b in zip(payload, rest, strict=True)) for payload in got} == {1}


def test_foreign_packets_collide_with_ours() -> None:
    """Some of ours are lost to it, some of its to us, and its packets carry another link id."""
    heard: list[bytes] = []

    class Listens(ReferenceReceiver):
        def packet(self, clock_us: int, payload: bytes) -> None:
            heard.append(payload)
            super().packet(clock_us, payload)

    profile = PROFILES["heron"]
    trace = run(ForeignHandset(at_us=500_000, interval_us=7_013), receiver=Listens, profile=profile, ambient=False)
    lost = trace.summary.by_fate["foreign handset"]
    air_us = 145
    expected = 300 * 2 * air_us / 7_013
    assert 0.3 * expected < lost < 3 * expected
    assert len(trace.foreign_us) < 1_500_000 // 7_013
    assert {payload[6] for payload in heard} == {42, 42 ^ 0x5A}


def test_live_output_can_tear_a_frame() -> None:
    """Widths read while the frame goes out mix two packets; latched ones never do."""
    jumps = tuple(
        Move(at_us=400_000 + 61_000 * step, channel=name, position=float(step % 2))
        for step in range(24)
        for name in ("roll", "pitch", "yaw")
    )
    plain = Profile()
    for latch, torn in (("frame", False), ("live", True)):
        profile = dataclasses.replace(plain, output=dataclasses.replace(plain.output, latch=latch))
        widths = run(profile=profile, moves=jumps).widths_us[:, [0, 1, 3]]
        assert bool((np.ptp(widths, axis=1) > 0).any()) is torn, latch


def test_crash_of_a_receiver_is_told() -> None:
    """An exception of the receiver's own ends the run with what, where and when."""

    class Dies(ReferenceReceiver):
        def packet(self, clock_us: int, payload: bytes) -> None:
            if clock_us > 500_000:
                raise ZeroDivisionError("division by zero")

    trace = run(receiver=Dies)
    assert trace.crash is not None
    assert trace.crash.startswith("ZeroDivisionError in packet() or poll() at 0.5")
    with pytest.raises(ReceiverCrashError):
        summarise(Profile(), Scenario(), Dies)


def test_receiver_that_leaves_the_program_is_told() -> None:
    """A receiver cannot end the tool."""

    class Leaves(ReferenceReceiver):
        def packet(self, clock_us: int, payload: bytes) -> None:
            raise SystemExit(3)

    assert (run(receiver=Leaves).crash or "").startswith("SystemExit in packet()")


@pytest.mark.parametrize("widths", [[1500.0] * 8, ["x"] * 8, 1500])
def test_nonsense_widths_are_told(widths: Any) -> None:
    """Pulse widths that are no whole numbers are the receiver's fault."""

    class Nonsense(ReferenceReceiver):
        def pulses(self, clock_us: int) -> Any:
            return widths

    crash = run(receiver=Nonsense).crash
    assert crash is not None
    assert "pulses()" in crash


@pytest.mark.parametrize("wanted", [3.5, "soon"])
def test_nonsense_deadline_is_told(wanted: Any) -> None:
    """So is a deadline that is no clock."""

    class Nonsense(ReferenceReceiver):
        def poll(self, clock_us: int) -> Any:
            return wanted

    crash = run(receiver=Nonsense).crash
    assert crash is not None
    assert "poll()" in crash


def test_odd_widths_are_what_hardware_makes_of_them() -> None:
    """A 16-bit register wraps; a slot is never shorter than its separator."""

    class Odd(ReferenceReceiver):
        def pulses(self, clock_us: int) -> Any:
            return [-5, 0, 70_000, 1500]

    rows = run(receiver=Odd, duration_us=400_000).frames.table(4)
    assert set(rows[:, 0].tolist()) == {0xFFFF - 4}
    assert rows[0, 1:].tolist() == [301, 70_000 - 65_536, 1500]


def test_polls_as_often_as_the_program_wants() -> None:
    """A main loop that wants a turn each millisecond gets it; one in the past comes at once, not for ever."""
    turns: list[int] = []

    class Loops(ReferenceReceiver):
        def poll(self, clock_us: int) -> int | None:
            turns.append(clock_us)
            return clock_us + 1_000

    run(receiver=Loops, duration_us=500_000, handset_on_us=499_999)
    assert len(turns) == pytest.approx(450, abs=2)
    assert set(np.diff(turns).tolist()) == {1_000}
