"""A handset board: the same packets as the simulated handset in virtual time, and the rig behind a pseudo-terminal."""

from __future__ import annotations

import ctypes
import dataclasses
import json
import random
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from handset_links import LINKS  # type: ignore[import-not-found]
from lostlink.bench import codec
from lostlink.bench.line import PortError
from lostlink.cli import main
from lostlink.errors import CannotError, UsageError
from lostlink.profiles import read_profile
from lostlink.profiles.header import c_header
from lostlink.results import HANDSET_ONLY
from lostlink.rigs import check_options, drives_hardware
from lostlink.rigs.own_process import OwnProcessRig
from lostlink.rigs.serial import SerialRig
from lostlink.rigs.serial_handset import SerialHandsetRig, orders_of, restarted
from lostlink.scenarios import ScenarioBuilder
from lostlink.verdicts import Side
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims.handset_bench import STEP_US, inputs_of
from lostlink_sims.scenario import (
    AnyFault,
    HandsetHung,
    HandsetLoopHung,
    HandsetOff,
    HandsetRadioBusy,
    HandsetReset,
    StickWireBroken,
    SwitchBounces,
)

FIXTURES = Path(__file__).parents[2] / "fixtures" / "board"
HERON = Path(__file__).parents[2] / "fixtures" / "profiles" / "heron.toml"
LONG = pytest.mark.long
WORD = 0xFFFF_FFFF
BEGIN_US = 1_000

Make = Callable[..., Path]


class Board:
    """handset_board.c, bench.c and the example handset in virtual time."""

    def __init__(self, path: Path) -> None:
        self._library = ctypes.CDLL(str(path))
        self._library.driver_sent.restype = ctypes.c_uint32
        self._out = ctypes.create_string_buffer(1 << 20)
        self._library.driver_begin(BEGIN_US)
        self._number = 0
        self._decoder = codec.Decoder()

    def say(self, message: codec.Message, now_us: int) -> list[codec.Message]:
        data = codec.encode(message, self._number)
        self._number += 1
        self._library.driver_feed(data, len(data), ctypes.c_uint32(now_us & WORD))
        return self.said()

    def run(self, now_us: int) -> list[codec.Message]:
        self._library.driver_run(ctypes.c_uint32(now_us & WORD))
        return self.said()

    def said(self) -> list[codec.Message]:
        length = self._library.driver_sent(self._out)
        return self._decoder.feed(self._out.raw[:length])


@pytest.fixture
def compiled(compile_c: Callable[..., Path], tmp_path: Path) -> Callable[[Profile], Path]:
    """Return what compiles the board for a link."""

    def build(profile: Profile) -> Path:
        header = tmp_path / f"{profile.name}.h"
        header.write_text(c_header(profile), encoding="utf-8")
        sources = [FIXTURES / name for name in ("handset_board.c", "bench.c", "handset.c")]
        # Nothing comes from a host for seconds.
        words = ("-O2", "-shared", "-fPIC", "-DBENCH_QUEUE_BYTES=65535u", "-DBENCH_SILENCE_US=0u", "-include", header)
        return compile_c(
            f"{profile.name}-handset-board.so", *words, Path(__file__).with_name("handset_driver.c"), *sources
        )

    return build


def trouble(profile: Profile, rng: random.Random, end_us: int) -> Scenario:
    """Return a run in which all controls step, with faults that can be injected, and often a counter that wraps.

    All sticks step at the very instant of each fault too.
    """
    sticks = [one.name for one in profile.channels if one.kind == "stick"]
    switches = [one.name for one in profile.channels if one.kind != "stick"]
    kinds: list[Callable[[int, int], AnyFault]] = [
        lambda at, length: HandsetOff(at_us=at, for_us=length),
        lambda at, length: HandsetReset(at_us=at),
        lambda at, length: HandsetLoopHung(at_us=at, for_us=length),
        lambda at, length: StickWireBroken(
            at_us=at, for_us=length, channel=rng.choice(sticks), rail=rng.choice(("low", "high"))
        ),
    ]
    faults = [rng.choice(kinds)(rng.randrange(end_us), rng.choice((2_000, 30_000, 400_000))) for _ in range(4)]
    faults += [SwitchBounces(at_us=0, channel=name, bounce_us=rng.randrange(1, 12_000)) for name in switches]
    moves = [
        Move(
            at_us=rng.randrange(end_us), channel=rng.choice([*sticks, *switches]), position=rng.choice((0.0, 1.0, 0.3))
        )
        for _ in range(20)
    ]
    ties_us = [fault.at_us for fault in faults if not isinstance(fault, SwitchBounces)]
    moves += [Move(at_us=at_us, channel=name, position=rng.random()) for at_us in ties_us for name in sticks]
    clock_us = rng.choice((0, 2**32 - rng.randrange(1, end_us)))
    return Scenario(
        duration_us=end_us, seed=rng.randrange(1 << 30), moves=tuple(sorted(moves, key=lambda move: move.at_us)),
        faults=tuple(faults), ambient=False, handset_clock_us=clock_us,
    )  # fmt: skip


def flown(board: Board, profile: Profile, scenario: Scenario) -> list[tuple[int, bytes]]:
    """Return the packets of a run on the board, by the scenario's time."""
    zero_us = BEGIN_US + 1_000
    board.say(codec.Reset(codec.STAY_DOWN), BEGIN_US)
    board.say(codec.SetClock(scenario.handset_clock_us), BEGIN_US)
    answers: list[codec.Message] = []
    orders, _ = orders_of(profile, scenario)
    for number, (due_us, message) in enumerate(orders):
        at_us = zero_us + due_us
        if isinstance(message, codec.Packet):
            ahead: codec.Message = codec.PacketAt(number & 0xFF, at_us, message.payload)
        else:
            assert isinstance(message, codec.Reset | codec.Hang)
            value_us = message.down_us if isinstance(message, codec.Reset) else message.for_us
            ahead = codec.OrderAt(number & 0xFF, at_us, codec.TYPES[type(message)], value_us)
        answers += board.say(ahead, BEGIN_US)
    answers += board.run(zero_us + scenario.duration_us)
    done = [one for one in answers if isinstance(one, codec.Done)]
    assert [one.result for one in done] == [0] * len(orders)
    return [(one.at_us - zero_us, one.payload) for one in answers if isinstance(one, codec.Left)]


@pytest.mark.parametrize(
    "link", [pytest.param(name, marks=[] if name in ("heron", "timer", "calibrated") else [LONG]) for name in LINKS]
)
def test_the_board_sends_what_the_simulated_handset_sends(
    compiled: Callable[[Profile], Path], make: Make, link: str, long: bool
) -> None:
    """Each byte and each instant, under random faults. A turn takes no time on this board, so it does in neither."""
    profile = LINKS[link]
    handset = dataclasses.replace(profile.handset, turn_us=0, clock_error_ppm=0)
    profile = dataclasses.replace(profile, handset=handset, name=link.replace(" ", "-").replace(",", ""))
    library, rng, sent = compiled(profile), random.Random(f"{link} on a board"), 0
    with OwnProcessRig(profile, None, str(make("handset.so", profile=profile))) as rig:
        for number in range(40 if long else 12):
            scenario = trouble(profile, rng, 2_000_000)
            trace = rig.run(scenario)
            lengths = np.zeros(0, np.int64) if trace.payload_lengths is None else trace.payload_lengths
            rows = zip(trace.packets.payload, lengths, strict=True)
            got = flown(Board(library), profile, scenario)
            assert [at_us for at_us, _ in got] == trace.packets.left_us.tolist(), (number, scenario)
            assert [payload for _, payload in got] == [bytes(row[:size]) for row, size in rows], (number, scenario)
            sent += len(got)
    assert sent > 500


def test_inputs_are_held_until_the_next(compiled: Callable[[Profile], Path]) -> None:
    """Of several inputs between two sweeps the newest counts; a message of another length changes nothing."""
    profile = read_profile(HERON)
    board = Board(compiled(profile))
    board.say(codec.Reset(codec.STAY_DOWN), BEGIN_US)
    board.say(codec.Reset(0), BEGIN_US)
    switches = (1, 0)
    for number, reading in enumerate((1023, 100, 400, 0, 512, 300, 260)):
        board.say(codec.Packet(number, codec.inputs_payload((reading,) * 4, switches)), BEGIN_US + 10)
    board.say(codec.Packet(9, b"short"), BEGIN_US + 20)
    left = [one for one in board.run(BEGIN_US + 100_000) if isinstance(one, codec.Left)]
    assert len(left) == 1 + (100_000 - profile.handset.boot_us) // profile.handset.packet_interval_us
    assert {one.payload[:6] for one in left} == {bytes((65, 65, 0, 65, 255, 0))}  # 260 >> 2; the throttle was not low


def test_inputs_show_each_change() -> None:
    """Steps at their instant, ramps every 2 ms, contacts every 200 us; at the end of each all are at rest."""
    profile = LINKS["heron"]
    switch = next(one.name for one in profile.channels if one.kind != "stick")
    moves = (
        Move(at_us=100_000, channel="roll", position=1.0, ramp_us=40_001),
        Move(at_us=200_123, channel="pitch", position=0.0),
        Move(at_us=300_000, channel=switch, position=1.0),
    )
    bounces = SwitchBounces(at_us=0, channel=switch, bounce_us=5_000)
    shown, is_stepped = inputs_of(profile, Scenario(duration_us=400_000, moves=moves, faults=(bounces,), ambient=False))
    instants = [one.at_us for one in shown]
    assert is_stepped
    assert instants[0] == 0
    assert 200_123 in instants
    on_the_way = [at_us for at_us in instants if 100_000 <= at_us <= 140_001]
    assert (on_the_way[-1], int(np.diff(on_the_way).max())) == (140_000, STEP_US)
    assert len([at_us for at_us in instants if 300_000 <= at_us <= 305_000]) > 3
    assert shown[-1].readings[:2] == (1023, 0)
    assert shown[-1].switches[0] == 1
    assert shown[-1].at_us <= 305_000


# --- behind a pseudo-terminal -----------------------------------------------------------------------------------


@pytest.fixture
def start(first_served: None, make: Make, tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Start boards; return their ports."""
    running: list[subprocess.Popen[str]] = []

    def begin(program: str = "handset-board", *, mistake: str = "", queue: int | None = None) -> str:
        words = [make(program, mistake=mistake, queue=queue)]
        board = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        running.append(board)
        assert board.stdout is not None
        return board.stdout.readline().strip()

    yield begin
    for board in running:
        board.kill()
        board.wait()
        assert board.stdout is not None
        board.stdout.close()


def prove(port: str, out: Path, *words: str) -> tuple[int, str, dict[str, str]]:
    """Prove some requirements; return exit code, output, and outcomes."""
    command = ["prove", str(HERON), "--handset", f"serial:{port}", "--props-off", "--out", str(out), *words]
    done = CliRunner().invoke(main, command)
    outcomes = {}
    if (out / "verdicts.json").is_file():
        document = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
        outcomes = {one["id"]: one["outcome"] for one in document["verdicts"]}
    return done.exit_code, done.output, outcomes


def test_a_sound_handset_on_a_port(start: Callable[..., str], tmp_path: Path) -> None:
    code, output, outcomes = prove(start(), tmp_path / "out", "--only", "HS-FRESH,HS-START,HS-BUSY,HS-RESET")
    assert outcomes == {"HS-FRESH": "met", "HS-START": "met", "HS-RESET": "met", "HS-BUSY": "not tested"}, output
    assert code == 4  # a requirement that is not tested
    assert HANDSET_ONLY in output
    assert "not tested: ADC, its reference, potentiometers, supply and radio" in output
    assert "the board is held in reset, it sends no packets" in output
    document = json.loads((tmp_path / "out" / "verdicts.json").read_text(encoding="utf-8"))
    assert document["tested"]["proves"] == ["handset"]
    assert document["tested"]["rig"].startswith("serial:")


@pytest.mark.parametrize(
    ("mistake", "broken"), [("SENDS_FULL", "HS-START"), pytest.param("SWAPS_STICKS", "HS-ORDER", marks=LONG)]
)
def test_a_mistake_on_a_port(mistake: str, broken: str, start: Callable[..., str], tmp_path: Path) -> None:
    port = start(f"handset-{mistake}-board", mistake=mistake)
    code, output, outcomes = prove(port, tmp_path / "out", "--only", broken)
    assert (code, outcomes) == (1, {broken: "not met"}), output


def test_a_board_of_the_other_kind(start: Callable[..., str], tmp_path: Path) -> None:
    """A receiver's board is no handset, and a handset's is no receiver; one without a queue gets no inputs."""
    profile = read_profile(HERON)
    with pytest.raises(PortError, match="does not declare that it is a handset's"):
        SerialHandsetRig(profile, start("board"))
    with pytest.raises(PortError, match="give --handset serial:PORT"):
        SerialRig(profile, start())
    with pytest.raises(PortError, match="BENCH_KEEPS_TIME"):
        SerialHandsetRig(profile, start(queue=0))
    with pytest.raises(PortError, match="queue of 256 bytes is too small for this link's inputs; at least 1200"):
        SerialHandsetRig(profile, start(queue=256))


def test_what_cannot_be_injected_is_not_run(start: Callable[..., str]) -> None:
    profile = read_profile(HERON)
    run = next(ScenarioBuilder(profile, 1, "not injected").phases(1))
    with SerialHandsetRig(profile, start()) as rig:
        assert rig.sides == {Side.HANDSET}
        for fault in (HandsetHung(at_us=1_000), HandsetRadioBusy(at_us=1_000, for_us=2_000)):
            with pytest.raises(CannotError):
                rig.run(dataclasses.replace(run, faults=(fault,), duration_us=100_000))


def test_a_board_that_does_not_start_as_ordered_proves_nothing() -> None:
    """Of a power-on, a reset and an off of half a second: three boots; a life too short for one may have none."""
    profile = read_profile(HERON)
    faults = (HandsetReset(at_us=1_000_000), HandsetOff(at_us=2_000_000, for_us=500_000))
    run = Scenario(duration_us=4_000_000, faults=faults)
    started = [(at_us, codec.COMMANDED) for at_us in (20_000, 1_020_000, 2_520_000)]
    assert restarted(profile, run, started) == ""
    assert "ordered to start 3 times, and reported 2" in restarted(profile, run, started[:2])
    assert "reported 0" in restarted(profile, run, [])
    assert "by itself" in restarted(profile, run, [*started, (3_000_000, codec.COMMANDED)])
    assert "by itself" in restarted(profile, run, [*started[:2], (2_520_000, codec.POWER_ON)])
    short = dataclasses.replace(run, faults=(HandsetReset(at_us=1_000_000), HandsetReset(at_us=1_010_000)))
    assert restarted(profile, short, started[:2]) == ""


def test_options() -> None:
    assert drives_hardware("sim", "serial:/dev/null")
    assert not drives_hardware("sim", "mine.py:Mine")
    check_options("sim", handset="serial:/dev/ttyS9", baud=9600, thorough=True, props_off=True)
    for words in (
        {"handset": "serial:"}, {"handset": "serial:X", "receiver": "a.py:A"}, {"handset": "serial:X", "jobs": 2},
        {"handset": "mine.py:Mine", "props_off": True},
    ):  # fmt: skip
        with pytest.raises(UsageError):
            check_options("sim", **words)


@pytest.mark.parametrize("command", ["campaign", "hunt"])
def test_commands_that_simulate_only(command: str) -> None:
    done = CliRunner().invoke(main, [command, str(HERON), "--handset", "serial:/dev/ttyS9"])
    assert done.exit_code == 2
    assert "runs in simulation only" in done.output
