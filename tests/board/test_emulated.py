"""Firmware images on an emulated microcontroller: exact in lock-step, right within its uncertainty in real time.

What is measured is held against the settings that the firmware was built with (link.h: failsafe 500 ms after the last
packet), against the simulation and against the same sources compiled for this computer: three ways that share nothing
below the firmware's C. The emulator is a general-purpose one, whose clock is compared with the host's.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import importlib.util
import os
import random
import re
import signal
import struct
import subprocess
import sys
import textwrap
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import proving
import pytest
from click.testing import CliRunner

from lostlink.bench import codec
from lostlink.bench.board import BenchBoard
from lostlink.bench.line import PortError, open_line
from lostlink.cli import main
from lostlink.contracts import check_rig
from lostlink.errors import ReceiverCrashError, ReceiverError, RigError
from lostlink.measure import failsafe
from lostlink.profiles import read_link, read_profile
from lostlink.profiles.writer import write_scenario
from lostlink.requirements import of_sides
from lostlink.results import Result
from lostlink.rigs import open_rig, sandbox
from lostlink.rigs.clock_check import Rate, refuse_wrong_clock
from lostlink.rigs.edges import frames_in
from lostlink.rigs.emulated import EmulatedRig, _named
from lostlink.rigs.emulated_live import LiveRig, stalls_us
from lostlink.rigs.emulator import EMULATOR, LockStep, PortOutput, RealTime
from lostlink.rigs.own_process import OwnProcessRig
from lostlink.rigs.reported import FrameSeen
from lostlink.rigs.serial import SerialRig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome, Side
from lostlink_sims import HowSeen, Profile, Scenario, Trace, simulate
from lostlink_sims.scenario import BrownOut, ForeignHandset, LinkCut, MainLoopHung, OutputStops, ReceiverReset
from lostlink_sims.trace import Note, NoteKind, Steps

FIXTURES = Path(__file__).parents[2] / "fixtures"
pytestmark = pytest.mark.usefixtures("emulator")
LONG = pytest.mark.long
HERON = FIXTURES / "profiles" / "heron.toml"
FOUND_BY: dict[str, str] = tomllib.loads((FIXTURES / "board" / "mistakes.toml").read_text(encoding="utf-8"))
TRIED = (
    "HOLDS_FOR_EVER", "CUTS_LATE", "COMPARES_INSTANTS", "FOREIGN_REFRESHES", "REPEATS_REFRESH", "LOOP_ONLY",
    "FULL_AT_BOOT", "HALF_THROTTLE", "NEVER_RETURNS", "OVERFLOWS", "DIES_ON_SHORT_PACKET", "LOOPS_ON_SHORT_PACKET",
)  # fmt: skip
"""Mistakes that are tried here; ``ci/emulated --all`` tries every one."""
IN_THE_GATE = ("COMPARES_INSTANTS", "DIES_ON_SHORT_PACKET")
"""Those that the gate tries: a wrong pulse train, and a program that the processor stops."""
REACTION_US = 120
"""From an instant at which something is due to what the image makes of it: interrupts keep each other waiting."""

QUIET = Scenario(name="no handset", duration_us=1_500_000, handset_on_us=60_000_000)
"""No packet that could be late."""

Make = Callable[..., Path]


@pytest.fixture(scope="module")
def heron() -> Profile:
    return read_profile(HERON)


@pytest.fixture(scope="module")
def image(make: Make) -> Path:
    return make("receiver.elf")


@pytest.fixture(scope="module")
def rig(heron: Profile, image: Path) -> Iterator[EmulatedRig]:
    with EmulatedRig(heron, str(image)) as rig:
        yield rig


@pytest.fixture(scope="module")
def ordinary(rig: EmulatedRig, heron: Profile) -> Trace:
    """Return the plain loss, flown once for all tests that compare it with another run."""
    return rig.run(cut(heron))


def flight_of(profile: Profile, name: str = "emulated", seed: int = 1) -> Flight:
    return next(ScenarioBuilder(profile, seed, name).flights(1))


def cut(profile: Profile, seed: int = 1) -> Scenario:
    flight = flight_of(profile, seed=seed)
    return flight.into(LinkCut(at_us=flight.at_us), watch_us=profile.cut_delay_us + 200_000)


def emulators(parent: int | None = None) -> set[int]:
    """Return the emulators that a process has started, this one when left out; other tests have theirs."""
    words = ["pgrep", "-x", EMULATOR[:15], "-P", str(parent or os.getpid())]
    said = subprocess.run(words, capture_output=True, text=True, check=False)
    return {int(word) for word in said.stdout.split()}


def alive(processes: set[int]) -> set[int]:
    """Return those that still run."""
    return {one for one in processes if Path(f"/proc/{one}").exists()}


def columns(trace: Trace) -> list[bytes]:
    return [
        np.ascontiguousarray(column).tobytes()
        for column in (
            trace.packets.arrived_us, trace.frames.start_us, trace.frames.widths_us, trace.frames.until_us,
            *trace.edges, trace.failsafe.at_us, trace.failsafe.value, trace.motor.at_us, trace.motor.value,
            trace.separators_us if trace.separators_us is not None else np.zeros(0),
        )
    ]  # fmt: skip


def steps(flags: Steps) -> list[tuple[int, int]]:
    """Return the instants at which a quantity changes, and to what."""
    at_us, values = flags.at_us.tolist(), flags.value.tolist()
    return [
        (t, v) for place, (t, v) in enumerate(zip(at_us, values, strict=True)) if not place or values[place - 1] != v
    ]


# --- the image ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Build the plain image; return its folder, and what the makefile says."""
    folder = tmp_path_factory.mktemp("built")
    words = ["make", "-s", "-C", str(FIXTURES / "board"), "image", f"BUILD={folder}"]
    return folder, subprocess.run(words, capture_output=True, text=True, check=True).stdout


def test_an_image_is_small(built: tuple[Path, str]) -> None:
    """The makefile says what it takes; the linker refuses a core of 2 KiB."""
    _, said = built
    found = re.fullmatch(
        r"compiling receiver.c\nbuilding the image\n"
        r"receiver.elf: flash (\d+) bytes; RAM: core (\d+) of 2048, program's statics 0, stack 1024, .*\n",
        said,
    )
    assert found is not None, said
    flash, core = map(int, found.groups())
    assert 3_000 < flash < 16_384
    assert 600 < core < 2_048


CASUAL = """
#include <string.h>
#include "receiver.c"
static unsigned char log_[4000];
void note(int what) { int i = 0; unsigned char c = what; memmove(log_ + 1, log_, sizeof log_ - 1); log_[i] = c; }
"""


def test_a_program_as_people_write_it(tmp_path: Path) -> None:
    """Statics beyond the core's 2 KiB, conversions that only strict warnings mind, a function of the C library."""
    program = tmp_path / "casual.c"
    program.write_text(CASUAL)
    for target in ("image", "all"):
        words = ["make", "-s", "-C", str(FIXTURES / "board"), target, f"BUILD={tmp_path}", f"PROGRAM={program}"]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        assert target == "all" or "program's statics 4000," in done.stdout


def test_what_is_asked_for_is_built(built: tuple[Path, str], tmp_path: Path, long: bool) -> None:
    """Another program, link or mistake is built again, however old its files are; the same is not.

    An image for another link; ``--long``: with another program and another clock as well. A library is built faster.
    """
    folder, _ = built

    def made(name: str = "receiver.elf", **words: str) -> bytes:
        settings = [f"{setting}={value}" for setting, value in words.items()]
        command = ["make", "-s", "-C", str(FIXTURES / "board"), f"BUILD={folder}", *settings, str(folder / name)]
        subprocess.run(command, check=True, capture_output=True)
        return (folder / name).read_bytes()

    link = (FIXTURES / "board" / "link.h").read_text()
    (tmp_path / "link.h").write_text(link.replace("LINK_CUT_US 500000u", "LINK_CUT_US 600000u"))
    other = tmp_path / "other.c"
    other.write_text('#include "receiver.c"\nint more = 1;\n')
    for old in (tmp_path / "link.h", other):
        os.utime(old, (1, 1))
    plain = made()
    images = [made(LINK=str(tmp_path))]
    if long:
        images += [made(PROGRAM=str(other)), made(DIVIDER="19")]
    assert len({plain, *images}) == 1 + len(images)
    assert made() == plain
    before_ns = (folder / "receiver.elf").stat().st_mtime_ns
    made()
    assert (folder / "receiver.elf").stat().st_mtime_ns == before_ns
    name = "receiver.so"
    assert len({made(name), made(name, LINK=str(tmp_path)), made(name, PROGRAM=str(other))}) == 3


@pytest.mark.parametrize("recovery_us", [0, pytest.param(100_000, marks=LONG)])
def test_every_profile_builds(make: Make, heron: Profile, recovery_us: int) -> None:
    receiver = dataclasses.replace(heron.receiver, recovery_us=recovery_us, recovery_packets=1, boot_us=0)
    profile = dataclasses.replace(heron, name=f"recovery {recovery_us}".replace(" ", "_"), receiver=receiver)
    for target in ("receiver.elf", "receiver.so", "board"):
        assert make(target, profile=profile).exists()


def test_an_image_that_changes_meanwhile(make: Make, heron: Profile, tmp_path: Path) -> None:
    """One report is about one firmware, and says which."""
    image = tmp_path / "mine.elf"
    image.write_bytes(make("receiver.elf").read_bytes())
    with EmulatedRig(heron, str(image)) as rig:
        digest = hashlib.sha256(image.read_bytes()).hexdigest()
        assert rig.about["image"] == f"{image}, SHA-256 {digest}"
        image.write_bytes(image.read_bytes() + b"\0")
        with pytest.raises(RigError, match="no longer the one that the suite began with"):
            rig.run(cut(heron))
        image.unlink()
        with pytest.raises(RigError, match=r"mine\.elf: No such file"):
            rig.run(cut(heron))


def test_interface(heron: Profile, image: Path) -> None:
    """The rig keeps the contract."""
    check_rig(EmulatedRig(heron, str(image)))


THIEF = """
#define receiver_power_on sound_power_on
#include "receiver.c"
#undef receiver_power_on
void receiver_power_on(void *memory, uint32_t now_us)
{
    static const char name[] = "FILE";
    static volatile uint32_t block[3];
    block[0] = (uint32_t)name, block[1] = 4, block[2] = sizeof name - 1; /* open for writing */
    register uint32_t operation __asm__("r0") = 1;
    register volatile uint32_t *argument __asm__("r1") = block;
    __asm__ volatile("bkpt 0xab" : "+r"(operation) : "r"(argument) : "memory");
    sound_power_on(memory, now_us);
}
"""


@pytest.fixture(scope="module")
def thief(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build an image that opens a file named opened beside it."""
    folder = tmp_path_factory.mktemp("thief")
    program = folder / "thief.c"
    program.write_text(THIEF.replace("FILE", str(folder / "opened")), encoding="ascii")
    words = ["make", "-s", "-C", str(FIXTURES / "board"), "image", f"BUILD={folder}", f"PROGRAM={program}"]
    subprocess.run(words, check=True, capture_output=True)
    return folder / "receiver.elf"


@pytest.mark.parametrize("has_landlock", [True, False])
def test_an_image_cannot_open_files_of_the_host(
    heron: Profile, thief: Path, monkeypatch: pytest.MonkeyPatch, has_landlock: bool
) -> None:
    """The semihosting interface of the core opens any file; where nothing prevents that, the evidence says so."""
    if has_landlock and not sandbox.landlock_version():
        pytest.skip("this system has no Landlock")
    if not has_landlock:
        monkeypatch.setattr(sandbox, "landlock_version", lambda: 0)
    opened = thief.with_name("opened")
    opened.unlink(missing_ok=True)
    with EmulatedRig(heron, str(thief)) as rig:
        assert rig.run(cut(heron)).crash is None
    assert opened.exists() is not has_landlock
    assert ("cannot open files" in rig.about["sandbox"]) is has_landlock


# --- lock-step ------------------------------------------------------------------------------------------------------


def test_failsafe_comes_500_ms_after_the_last_packet(rig: EmulatedRig, ordinary: Trace, heron: Profile) -> None:
    """By the edges that the harness decodes, by the receiver's own word, and to the microsecond in every run."""
    trace = rig.run(cut(heron))
    assert columns(trace) == columns(ordinary)
    assert trace.how_seen is HowSeen.EMULATED
    assert (trace.doubt, trace.uncertainty_us, trace.span_uncertainty_us) == ("", 1, 1)
    heard_us = int(trace.packets.arrived_us.max())
    (failed_us,) = [at_us for at_us, is_on in steps(trace.failsafe) if is_on and at_us > heard_us]
    assert 500_000 <= failed_us - heard_us <= 500_000 + REACTION_US
    low = np.flatnonzero(trace.widths_us[:, heron.throttle_index] <= 1000)
    first_low_us = int(trace.seen.start_us[low[trace.seen.start_us[low] > heard_us][0]])
    assert 0 <= first_low_us - failed_us <= heron.output.frame_period_us + REACTION_US


def test_the_same_from_an_emulator_of_its_own(rig: EmulatedRig, ordinary: Trace, heron: Profile, image: Path) -> None:
    """A run does not depend on those before it, nor on how busy the machine is."""
    with EmulatedRig(heron, str(image)) as other:
        other.run(flight_of(heron, "something else").into(ReceiverReset(at_us=900_000)))
        busy = [subprocess.Popen(["sh", "-c", "while :; do :; done"]) for _ in range(3)]
        try:
            here = rig.run(cut(heron))
            there = other.run(cut(heron))
        finally:
            for one in busy:
                one.kill()
                one.wait()
    assert columns(ordinary) == columns(here)
    assert columns(ordinary) == columns(there)


def test_processes_that_share_a_suite_find_the_same(make: Make, heron: Profile) -> None:
    """Each has its own emulators. What the rig says of all runs is of all of them."""
    found = []
    for jobs in (1, 2):
        rig = EmulatedRig(heron, str(make("receiver.elf")))
        result = run_suite(heron, rig, only=["CH-CENTRE", "FR-COUNT", "FR-PERIOD"], jobs=jobs)
        assert not result.errors
        found.append(([dataclasses.replace(one, replay="") for one in result.verdicts], result.rig["runs"]))
    assert found[0] == found[1]
    assert re.fullmatch(r"packets at most [1-9]\d* µs late, the same in every repetition", found[0][1])


def test_pulses_are_those_that_were_meant(rig: EmulatedRig, heron: Profile) -> None:
    """Widths in the edges, which the image does not tell, are those of the simulation, exactly."""
    scenario = dataclasses.replace(cut(heron), frame_phase_us=1)
    trace, ideal = rig.run(scenario), simulate(heron, scenario)
    assert len(trace.frames.start_us) == len(ideal.frames.start_us)
    assert trace.widths_us.tolist() == ideal.widths_us.tolist()
    assert trace.separators_us is not None
    assert np.abs(trace.separators_us - heron.output.separator_us).max() <= 1
    # An image begins a frame up to a microsecond late, which adds up from frame to frame.
    number = np.arange(len(ideal.frames.start_us))
    assert (np.abs(trace.frames.start_us - ideal.frames.start_us) <= REACTION_US + number).all()


def test_the_boards_word_is_what_the_wire_shows(rig: EmulatedRig, heron: Profile, image: Path) -> None:
    """Reported frames are those in the edges."""
    scenario = cut(heron)
    _, orders = rig._stage(scenario, scenario.duration_us)
    with LockStep(str(image)) as board:
        origin_us = board.now_us
        board.play([(origin_us + at_us, codec.encode(order, 1)) for at_us, order in orders],
                   origin_us + scenario.duration_us + 50_000)  # fmt: skip
    said = codec.Decoder().feed(b"".join(part.bench for part in board.outputs))
    edges = codec.Decoder().feed(b"".join(part.edges for part in board.outputs))
    told = [message for message in said if isinstance(message, codec.Frame)]
    seen = [frame for frame in frames_in(edges, int, heron) if frame.start_us >= origin_us]
    assert len(told) == len(seen) > 40
    assert [frame.widths_us for frame in seen] == [frame.widths_us for frame in told]
    assert max(abs(one.start_us - two.start_us) for one, two in zip(seen, told, strict=True)) <= 1


def _busy() -> Callable[[Profile, Flight, random.Random], Scenario]:
    spec = importlib.util.spec_from_file_location("receiver_in_c", Path(__file__).with_name("test_receiver_in_c.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    busy: Callable[[Profile, Flight, random.Random], Scenario] = module.busy
    return busy


@pytest.mark.parametrize("name", [pytest.param("heron", marks=LONG), "plover", pytest.param("lapwing", marks=LONG)])
def test_three_ways_agree(make: Make, name: str, long: bool) -> None:
    """Simulation, library and image on flights full of trouble, counters that wrap among it.

    On four flights of the link with a watchdog; ``--long``: on 20 of each of three links.
    """
    profile = read_profile(FIXTURES / "profiles" / f"{name}.toml")
    profile = dataclasses.replace(profile, receiver=dataclasses.replace(profile.receiver, clock_error_ppm=0))
    busy, rng, seed = _busy(), random.Random(5), 5
    period_us = profile.output.frame_period_us
    image, library = make("receiver.elf", profile=profile), make("receiver.so", profile=profile)
    with EmulatedRig(profile, str(image)) as rig, OwnProcessRig(profile, str(library)) as host:
        for number, flight in enumerate(ScenarioBuilder(profile, seed, "three ways").flights(20 if long else 4)):
            scenario = dataclasses.replace(busy(profile, flight, rng), frame_phase_us=1)
            ideal, compiled, trace = simulate(profile, scenario), host.run(scenario), rig.run(scenario)
            where = f"{name}, seed {seed}, flight {number}"
            assert trace.doubt == "", where
            assert steps(ideal.failsafe) == steps(compiled.failsafe), where
            one, other = steps(ideal.failsafe), steps(trace.failsafe)
            assert [v for _, v in one] == [v for _, v in other], where
            assert max(abs(a - b) for (a, _), (b, _) in zip(one, other, strict=True)) <= REACTION_US, where
            # A packet that comes as a frame begins may miss it; then the motors follow a frame later.
            one, other = steps(ideal.motor), steps(trace.motor)
            assert [v for _, v in one] == [v for _, v in other], where
            apart_us = [abs(a - b) for (a, _), (b, _) in zip(one, other, strict=True)]
            assert all(a <= REACTION_US or abs(a - period_us) <= REACTION_US for a in apart_us), where
            assert sum(a > REACTION_US for a in apart_us) <= 1, where


@pytest.mark.slow
def test_sound_image_is_met(image: Path, long: bool) -> None:
    """What the mistakes of the gate must break, at an eighth of the phases; ``--long``: everything, at all."""
    before = emulators()
    only = () if long else sorted({FOUND_BY[mistake] for mistake in IN_THE_GATE})
    result = prove(image, *only, phase_stride=1 if long else 8)
    assert [v.requirement.id for v in result.verdicts if v.outcome is not Outcome.MET] == []
    assert len(result.verdicts) == len(only or of_sides(Side.RECEIVER))
    assert result.exit_code == 0
    assert result.rig["runs"].endswith("the same in every repetition")
    assert emulators() <= before


def prove(image: Path, *only: str, phase_stride: int) -> Result:
    link = read_link(HERON)
    rig = open_rig(link, where=f"emulated:{image}")
    rig.phase_stride = phase_stride
    return run_suite(link, rig, only=only)


@pytest.mark.parametrize(
    "mistake",
    [pytest.param(name, marks=[] if name in IN_THE_GATE else [LONG]) for name in TRIED],
)
def test_mistakes_are_found(make: Make, mistake: str, long: bool) -> None:
    """Two mistakes, at a quarter of the phases already; ``--long``: twelve, at all."""
    image = make(f"{mistake}.elf", mistake=mistake)
    result = prove(image, FOUND_BY[mistake], phase_stride=1 if long else 4)
    said = (result.verdicts, result.errors, result.rig_lost)
    assert FOUND_BY[mistake] in {v.requirement.id for v in result.with_outcome(Outcome.NOT_MET)}, said
    assert result.exit_code == 1


@pytest.mark.parametrize(
    ("mistake", "reason"),
    [
        ("DIES_ON_SHORT_PACKET", r"receiver_packet\(\) at [\d.]+ s: the program died \(the processor raised a fault\)"),
        ("LOOPS_IN_PACKET", r"receiver_packet\(\) at [\d.]+ s: does not return \(the watchdog waited 1 s\)"),
    ],
)
def test_a_program_that_stops_is_a_finding(make: Make, heron: Profile, mistake: str, reason: str) -> None:
    """The function is named, what happened until then is kept, and the next run goes well."""
    flight = flight_of(heron)
    scenario = flight.into(ForeignHandset(at_us=flight.at_us, payload_bytes=3), watch_us=2_000_000)
    image = troubled(make, mistake) if mistake in TROUBLES else str(make(f"{mistake}.elf", mistake=mistake))
    with EmulatedRig(heron, image) as rig:
        with pytest.raises(ReceiverCrashError, match=reason) as raised:
            rig.run(scenario)
        trace = raised.value.trace
        assert flight.at_us // heron.output.frame_period_us - 5 <= len(trace.frames.start_us)
        assert trace.frames.start_us.max() <= flight.at_us + heron.output.frame_period_us
        assert trace.crash is not None
        assert any(trace.crash in text for _, _, text in trace.notes)
        assert rig.run(cut(heron)).doubt == ""


TROUBLE = Path(__file__).with_name("trouble.c")
TROUBLES = {
    name: int(number) for name, number in re.findall(r"^#define ([A-Z_]+) (\d+)\b", TROUBLE.read_text(), re.MULTILINE)
}
MARK = b"which trouble: "


def troubled(make: Make, trouble: str, profile: Profile | None = None) -> str:
    """Return an image with a trouble: one image has all of them, and a byte behind the mark chooses."""
    every = make("EVERY_TROUBLE.elf", mistake="EVERY_TROUBLE", program=TROUBLE, profile=profile)
    content = every.read_bytes()
    assert content.count(MARK) == 1
    image = every.with_name(f"{trouble}.elf")
    image.write_bytes(content.replace(MARK + b"\0", MARK + bytes([TROUBLES[trouble]])))
    return str(image)


@pytest.mark.parametrize(
    ("trouble", "reason"),
    [
        ("DIES_AT_ONCE", r"receiver_power_on\(\) at 0\.0500\d\d s: the program died \(the processor raised a fault\)"),
        ("LOOPS_AT_ONCE", r"receiver_power_on\(\) at 1\.0[56]\d* s: does not return \(the watchdog waited 1 s\)"),
        ("EATS_THE_STACK", r"receiver_packet\(\) at [\d.]+ s: the program died \(the processor raised a fault\)"),
        *(
            (trouble, r"receiver_power_on\(\) at 0\.0500\d\d s: the program died \(the processor raised a fault\)")
            for trouble in (
                "WRITES_THROUGH_NULL",
                "READS_THROUGH_NULL",
                "WRITES_ITS_CODE",
                "WRITES_PAST_THE_RAM",
                "EATS_THE_STACK_AT_ONCE",
            )
        ),
        ("WRITES_OVER_ITS_NEIGHBOURS", r"the image after [\d.]+ s: the program overwrote foreign memory"),
        ("LOCKS_UP", r"the image after [\d.]+ s: the program died \(the processor locked up: a fault within a fault\)"),
    ],
)
def test_the_worst_that_a_program_can_do_is_a_finding(make: Make, heron: Profile, trouble: str, reason: str) -> None:
    """From its first instruction on; the rig is as good as before."""
    flight = flight_of(heron)
    scenario = flight.into(ForeignHandset(at_us=flight.at_us, payload_bytes=3), watch_us=1_500_000)
    with EmulatedRig(heron, troubled(make, trouble)) as rig:
        for _ in range(2):
            with pytest.raises(ReceiverCrashError, match=reason):
                rig.run(scenario)


@pytest.mark.parametrize(
    ("trouble", "reason"),
    [
        ("FLOODS", r"FLOODS\.elf: the image floods its ports \(\d+ bytes and no end\)"),
        ("TALKS_NONSENSE", r"TALKS_NONSENSE\.elf: the image sends invalid data \(a record 9 of 3 bytes\)"),
    ],
)
def test_an_image_that_talks_nonsense(make: Make, heron: Profile, trouble: str, reason: str) -> None:
    before = emulators()
    with EmulatedRig(heron, troubled(make, trouble)) as rig, pytest.raises(RigError, match=reason):
        rig.run(cut(heron))
    assert emulators() <= before


def test_in_real_time_a_program_that_dies_at_once_falls_silent(
    make: Make, heron: Profile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is held down while the clock is watched, so that this is no fault of the image's."""
    monkeypatch.setattr("lostlink.bench.board._SILENT_NS", 1_000_000_000)  # instead of three seconds of silence
    rig = open_rig(heron, where=f"emulated-live:{troubled(make, 'DIES_AT_ONCE')}")
    try:
        with pytest.raises(RigError, match="the board is not responding"):
            rig.run(QUIET)
    finally:
        rig.close()


def test_failsafe_is_said_without_pulses(make: Make, heron: Profile) -> None:
    """While the main loop hangs, the timer that finds no pulses to make still tells of the flag."""
    flight = flight_of(heron)
    at_us = flight.at_us
    faults = LinkCut(at_us=at_us), MainLoopHung(at_us=at_us + 100_000)
    with EmulatedRig(heron, troubled(make, "SILENT_IN_FAILSAFE")) as rig:
        trace = rig.run(flight.into(*faults, watch_us=1_000_000))
    (failed_us,) = [t for t, is_on in steps(trace.failsafe) if is_on and t > at_us]
    heard_us = int(trace.packets.arrived_us.max())
    assert 500_000 <= failed_us - heard_us <= 500_000 + heron.output.frame_period_us + REACTION_US
    assert trace.frames.start_us.max() <= failed_us


def test_more_widths_than_there_is_room_for(make: Make, heron: Profile) -> None:
    """As many as there is room for go out, as from the same program as a library."""
    with EmulatedRig(heron, troubled(make, "RETURNS_TOO_MANY")) as rig:
        trace = rig.run(cut(heron))
    assert set(trace.frames.count.tolist()) == {16}


def test_a_silence_longer_than_half_a_turn_of_the_counter(make: Make, heron: Profile) -> None:
    """Stamps after it are not taken for the past. The emulator's words are made up: such a flight takes minutes."""
    scenario = dataclasses.replace(QUIET, receiver_on_us=2_400_000_000, duration_us=2_401_000_000)
    with EmulatedRig(heron, str(make("receiver.elf"))) as rig:
        stage, _ = rig._stage(scenario, scenario.duration_us)
        boot_us = 2_400_050_000
        boot = codec.encode(codec.Boot(boot_us & 0xFFFF_FFFF, codec.COMMANDED), 1)
        edges = codec.encode(codec.Edges((boot_us + 10) & 0xFFFF_FFFF, 1, (300, 700, 300, 700, 300)), 1)
        said = [PortOutput(200), PortOutput(2_400_000_200, bytearray(boot), bytearray(edges))]
        trace = rig._trace(scenario, stage, said, 0, None)
    assert [at_us for at_us, _, text in trace.notes if text.startswith("receiver boots (")] == [boot_us]
    assert trace.frames.start_us.tolist() == [boot_us + 10]


def test_statics_begin_anew(make: Make, heron: Profile) -> None:
    """A reset is one of the core: a program that keeps its state in static variables is sound."""
    flight = flight_of(heron)
    scenario = flight.into(ReceiverReset(at_us=flight.at_us), LinkCut(at_us=flight.at_us), watch_us=700_000)
    with EmulatedRig(heron, str(make("REMEMBERS_IN_STATICS.elf", mistake="REMEMBERS_IN_STATICS"))) as rig:
        trace = rig.run(scenario)
    assert trace.motor.at(flight.at_us - 1) > 0
    after = trace.seen.start_us > flight.at_us + heron.receiver.boot_us
    assert after.sum() > 20
    assert trace.widths_us[after][:, heron.throttle_index].max() <= heron.requirements.idle_below_us


def test_the_boards_own_counter_wraps(image: Path, ordinary: Trace, heron: Profile) -> None:
    """The timer starts just before its wrap, which comes between the last packet and the failsafe."""
    scenario = cut(heron)
    (failed_us,) = [at_us for at_us, is_on in steps(ordinary.failsafe) if is_on and at_us > 100_000]
    start_us = 2**32 - failed_us + 250_000
    assert start_us + 100_000 < 2**32 < start_us + scenario.duration_us
    with LockStep(str(image), start_us) as board:
        assert start_us <= board.now_us < start_us + 1_000
    with EmulatedRig(heron, str(image), counter_us=start_us) as other:
        trace = other.run(scenario)
    assert len(trace.frames.start_us) == len(ordinary.frames.start_us)
    assert trace.widths_us.tolist() == ordinary.widths_us.tolist()
    assert np.abs(trace.failsafe.at_us - ordinary.failsafe.at_us).max() <= 2
    assert trace.uncertainty_us == 1


@pytest.mark.parametrize("before_us", [1, pytest.param(250_000, marks=LONG), 499_999])
def test_the_programs_counter_wraps(rig: EmulatedRig, ordinary: Trace, heron: Profile, before_us: int) -> None:
    """The program's clock wraps shortly before the failsafe that it must not miss."""
    scenario = cut(heron)
    (due_us,) = [at_us for at_us, is_on in steps(ordinary.failsafe) if is_on and at_us > 100_000]
    start_us = 2**32 - (due_us - before_us - heron.receiver.boot_us)
    trace = rig.run(dataclasses.replace(scenario, receiver_clock_us=start_us))
    (failed_us,) = [at_us for at_us, is_on in steps(trace.failsafe) if is_on and at_us > 100_000]
    assert abs(failed_us - due_us) <= REACTION_US


# --- the watchdog -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def watched() -> Profile:
    """Return a link whose receiver has a watchdog."""
    profile = read_profile(FIXTURES / "profiles" / "plover.toml")
    assert profile.receiver.watchdog_us == 300_000
    return dataclasses.replace(profile, receiver=dataclasses.replace(profile.receiver, clock_error_ppm=0))


def test_a_hung_main_loop_meets_the_watchdog(make: Make, watched: Profile) -> None:
    """The main loop truly hangs; the emulated watchdog resets the core 300 ms later, and the program boots."""
    flight = flight_of(watched)
    scenario = flight.into(MainLoopHung(at_us=flight.at_us, for_us=2_000_000), watch_us=1_500_000)
    with EmulatedRig(watched, str(make("receiver.elf", profile=watched))) as rig:
        trace = rig.run(scenario)
    (boot_us,) = [at_us for at_us, _, text in trace.notes if text == "receiver boots (watchdog)"]
    due_us = flight.at_us + watched.receiver.watchdog_us + watched.receiver.boot_us
    assert 0 <= boot_us - due_us <= 2 * REACTION_US
    down = (trace.frames.start_us > due_us - watched.receiver.boot_us) & (trace.frames.start_us < due_us)
    assert not down.any()


def test_the_watchdog_also_saves_a_program_that_keeps_interrupts_out(make: Make, watched: Profile) -> None:
    """It loops for ever inside a function of its own; nothing but the watchdog gets through."""
    flight = flight_of(watched)
    at_us = flight.at_us
    scenario = flight.into(
        ForeignHandset(at_us=at_us, for_us=1_000, payload_bytes=3), LinkCut(at_us=at_us + 1_000), watch_us=1_500_000
    )
    with EmulatedRig(watched, troubled(make, "LOOPS_IN_PACKET", watched)) as rig:
        trace = rig.run(scenario)
    boots = [at for at, _, text in trace.notes if text == "receiver boots (watchdog)"]
    due_us = at_us + watched.receiver.watchdog_us + watched.receiver.boot_us
    assert len(boots) == 1
    assert due_us - 50_000 <= boots[0] <= due_us + 60_000
    assert trace.motor.at(at_us) > 0
    assert trace.motor.at(scenario.duration_us - 1) == 0


def test_a_reset_at_the_bite(make: Make, watched: Profile, long: bool) -> None:
    """A brown-out at the very instant at which the watchdog bites lasts as long as it should; ``--long``: at 12."""
    flight = flight_of(watched)
    bite_us = flight.at_us + watched.receiver.watchdog_us
    with EmulatedRig(watched, str(make("receiver.elf", profile=watched))) as rig:
        for apart_us in range(-4, 8) if long else (0, 1):
            supply = BrownOut(at_us=bite_us + apart_us, for_us=500_000, on_acknowledgement=False)
            trace = rig.run(flight.into(MainLoopHung(at_us=flight.at_us), supply, watch_us=1_200_000))
            back_us = bite_us + apart_us + 500_000 + watched.receiver.boot_us
            starts_us = trace.frames.start_us
            assert not ((starts_us > bite_us + 100) & (starts_us < back_us)).any(), apart_us
            assert [at for at, _, text in trace.notes if text.startswith("receiver boots (")][1:] == [
                pytest.approx(back_us, abs=REACTION_US)
            ], apart_us


def test_a_watchdog_that_saves_a_program_does_not_hide_what_it_did(make: Make, watched: Profile) -> None:
    """A neighbour's short packet hangs the program in flight; no doubt, but motors that stop."""
    flight = flight_of(watched)
    scenario = flight.into(ForeignHandset(at_us=flight.at_us, for_us=1_000, payload_bytes=3), watch_us=1_000_000)
    image = troubled(make, "LOOPS_IN_PULSES", watched)
    with EmulatedRig(watched, image) as rig:
        trace = rig.run(scenario)
    assert trace.doubt == ""
    assert failsafe.motor_stops(trace, flight.at_us).value == 1
    assert failsafe.motor_stops(simulate(watched, scenario), flight.at_us).value == 0
    (boot_us,) = [at for at, _, text in trace.notes if text == "receiver boots (watchdog)"]
    gone = (trace.packets.left_us > flight.at_us + 100_000) & (trace.packets.left_us < boot_us - 1_000)
    assert gone.sum() > 10
    assert (trace.packets.arrived_us[gone] < 0).all()
    assert {trace.fates[fate] for fate in trace.packets.fate[gone]} == {"receiver busy", "receiver off"}


def test_in_real_time_a_bite_costs_no_time(make: Make, watched: Profile) -> None:
    """The board's clock runs on through the watchdog's reset, so that this run and the next can be told."""
    rig = open_rig(watched, where=f"emulated-live:{make('receiver.elf', profile=watched)}")
    try:
        traces = [
            proving.run_in_time(rig, dataclasses.replace(QUIET, faults=(MainLoopHung(at_us=500_000),)))
            for _ in range(2)
        ]
    finally:
        rig.close()
    for trace in traces:
        assert any("receiver boots (watchdog)" in text for _, _, text in trace.notes)


def test_a_run_in_which_the_emulator_stood_still_is_repeated(
    make: Make, watched: Profile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without packets on the way nothing else shows it; a stall of 200 ms in each of the first two attempts."""
    attempts = 0

    def waited_ns(_: RealTime) -> int:
        return 200_000_000 * min(attempts, 2)

    def fly(rig: LiveRig, scenario: Scenario) -> Trace:
        nonlocal attempts
        attempts += 1
        return fly_once(rig, scenario)

    fly_once = SerialRig._fly
    monkeypatch.setattr(RealTime, "waited_ns", waited_ns)
    monkeypatch.setattr(SerialRig, "_fly", fly)
    rig = open_rig(watched, where=f"emulated-live:{make('receiver.elf', profile=watched)}")
    try:
        assert rig.run(QUIET).doubt == ""
        assert attempts == 3
    finally:
        rig.close()
    assert "2 discarded and repeated" in rig.about["runs"]


def test_an_image_stops_its_pulses_when_the_host_is_silent(image: Path) -> None:
    """The board's own side of the safe end, in real time: a second after the last message."""
    emulator = RealTime(str(image))
    try:
        with open_line(emulator.port, 1_000_000) as line:
            board = BenchBoard(line)
            board.send(codec.Reset(0))
            until_s = time.monotonic() + 20
            while board.guard is None or not board.guard.losses:
                board.pump(0.1)  # only reads
                emulator.edges()
                assert time.monotonic() < until_s
            board.pump(0.1)
            assert board.take_reports().frames
            board.answered(board.ping())
            board.take_reports()
            for _ in range(5):
                board.pump(0.05)
            assert not board.take_reports().frames
    finally:
        emulator.close()


# --- frames in edges --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("polarity", ["positive", "negative"])
def test_frames_in_edges(polarity: str) -> None:
    """Two whole frames, one that was cut in its second separator; drawn by hand, in either polarity, over a wrap."""
    profile = Profile()
    profile = dataclasses.replace(profile, output=dataclasses.replace(profile.output, polarity=polarity))
    level = int(polarity == "positive")
    whole = (300, 1200, 300, 700, 300)  # separators of 300 µs, leading edges 1500 and 1000 µs apart
    messages: list[codec.Message] = [
        codec.Edges(2**32 - 1_000, level, whole),
        codec.Pong(1, 2, 3),
        codec.Edges(19_000, level, whole),
        codec.Edges(39_000, level, (300, 1200, 100)),
        codec.Edges(70_000, level, (300,)),
    ]

    def at(us: int) -> int:
        return us if us < 2**31 else us - 2**32

    assert frames_in(messages, at, profile) == [
        FrameSeen(-1_000, 300, (1500, 1000)),
        FrameSeen(19_000, 300, (1500, 1000)),
        FrameSeen(39_000, 300, (1500,), 40_600),
        FrameSeen(70_000, 300, ()),
    ]
    assert frames_in([], at, profile) == []
    # A program that begins anew before the gap is over: two frames, the first of which was cut.
    anew = [codec.Edges(1_000, level, (300, 1200, 100)), codec.Edges(3_500, level, whole)]
    assert frames_in(anew, int, profile, [3_400]) == [
        FrameSeen(1_000, 300, (1500,), 2_600),
        FrameSeen(3_500, 300, (1500, 1000)),
    ]


def test_a_broken_wire_hides_frames(rig: EmulatedRig, heron: Profile) -> None:
    flight = flight_of(heron)
    trace = rig.run(flight.into(OutputStops(at_us=flight.at_us, for_us=200_000), watch_us=500_000))
    starts = trace.frames.start_us
    assert not ((starts >= flight.at_us) & (starts < flight.at_us + 200_000)).any()
    assert (starts >= flight.at_us + 200_000).sum() > 10


# --- the clock --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rig_type", [EmulatedRig, LiveRig])
def test_a_wrong_clock_is_refused(make: Make, heron: Profile, rig_type: type[EmulatedRig | LiveRig]) -> None:
    """A divider of 20 in place of 25 makes the counter a quarter too fast; every functional test would pass with it."""
    before = emulators()
    image = make("receiver.elf", divider="19")
    with pytest.raises(RigError, match=r"clock is off by \+\d+\.\d% .* allowed: 1%") as refused:
        rig_type(heron, str(image))
    off_percent = float(str(refused.value).partition("off by ")[2].partition("%")[0])
    assert off_percent == pytest.approx(25.0, abs=0.5)  # a busy host lets the emulator fall behind a little
    assert emulators() <= before


@pytest.mark.parametrize(("low", "high"), [(0.985, 0.9875), (1.0085, 1.0105), (0.98, 1.02)])
def test_a_clock_that_may_be_wrong_is_refused(low: float, high: float) -> None:
    with pytest.raises(RigError, match="clock is off"):
        refuse_wrong_clock("image", Rate(low, high))
    with pytest.raises(RigError, match=r"clock jumps or stops: its error was \+20\.00% and -20\.00%"):
        refuse_wrong_clock("image", Rate(1.2, 0.8))
    with pytest.raises(RigError, match=r"clock is off by \+24\.9% ± 0\.0%"):  # uneven, but too fast in any case
        refuse_wrong_clock("image", Rate(1.2492, 1.2485))
    refuse_wrong_clock("image", Rate(0.992, 0.994))
    refuse_wrong_clock("image", Rate(0.9990, 0.9989))  # 50 µs lost in the half second


# --- in real time -----------------------------------------------------------------------------------------------------


def test_in_real_time(image: Path, heron: Profile) -> None:
    """The image is alive behind its serial port, and its failsafe is right within the stated uncertainty."""
    before = emulators()
    rig = open_rig(heron, where=f"emulated-live:{image}")
    try:
        assert rig.how_seen is HowSeen.REPORTED
        trace = proving.run_in_time(rig, cut(heron))
    finally:
        rig.close()
    assert "held in reset" in rig.about["at the end"]
    assert emulators() <= before
    assert re.search(r"[1-9]\d* frames seen in the edges", rig.about["edges"])
    measured = failsafe.time_to_cut(trace, flight_of(heron).at_us)
    assert measured.value is not None
    assert 495_000 - trace.uncertainty_us <= measured.value <= 550_000 + trace.uncertainty_us


# --- orders in blocks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("every_us", [700, 20_000, 33_333, 1_000_000, 2_500_000])
def test_orders_fit_their_blocks(monkeypatch: pytest.MonkeyPatch, every_us: int) -> None:
    """Blocks of 1024 bytes and of a second at most, whatever the orders' length; in them, all orders and no others."""
    read, write = os.pipe()
    board = LockStep.__new__(LockStep)
    begin_us = board.now_us = 2**32 - 1_500_000
    board._pipes = [write]
    found: list[tuple[int, bytes]] = []
    since_us = begin_us

    def look(_: float) -> list[tuple[int, bytes]]:
        nonlocal since_us
        (size,) = struct.unpack("<H", os.read(read, 2))
        block, place, at_us = os.read(read, 2000), 0, since_us
        assert len(block) == size <= 1024
        while place < size:
            stamp, count = struct.unpack_from("<IB", block, place)
            at_us = begin_us + ((stamp - begin_us) & 0xFFFF_FFFF)
            if count:
                found.append((at_us, block[place + 5 : place + 5 + count]))
            place += 5 + count
        assert at_us - since_us <= 1_000_000
        since_us = at_us
        return []

    monkeypatch.setattr(board, "_until_done", look)
    try:
        for length in range(1, 60):
            found.clear()
            since_us = begin_us
            orders = [(begin_us + number * every_us, bytes([length]) * length) for number in range(120)]
            board.play(orders, orders[-1][0] + 3_000_000)
            assert found == orders
            assert since_us == orders[-1][0] + 3_000_000
    finally:
        os.close(read)
        os.close(write)


def test_what_the_emulated_processor_was_late_by_is_uncertainty(heron: Profile) -> None:
    """A boot 5 ms late, then a pause of 7 ms between two frames; the time that it is down is none."""
    flight = flight_of(heron)
    scenario = flight.into(ReceiverReset(at_us=flight.at_us), watch_us=500_000)
    trace = simulate(heron, scenario)
    boot_us = flight.at_us + heron.receiver.boot_us
    trace.notes.append(Note(boot_us, NoteKind.BOOTED_ON_ORDER, ""))
    assert stalls_us(trace) <= 1
    trace.notes[-1] = Note(boot_us + 5_000, NoteKind.BOOTED_ON_ORDER, "")
    assert stalls_us(trace) == 5_000
    starts_us = trace.frames.start_us
    starts_us[len(starts_us) - 5 :] += 7_000
    assert stalls_us(trace) == pytest.approx(7_000, abs=1)


# --- what is no image, and what is left behind ------------------------------------------------------------------------


def test_what_is_no_image(make: Make, heron: Profile, tmp_path: Path) -> None:
    text = tmp_path / "text.elf"
    text.write_text("hello\n" * 20)
    for path, why in (
        (tmp_path / "absent.elf", "No such file or directory"),
        (tmp_path, "is a folder"),
        (text, "not a program for the emulated microcontroller"),
        (make("receiver.so"), "not a program for the emulated microcontroller"),
    ):
        for kind in ("emulated", "emulated-live"):
            with pytest.raises(ReceiverError, match=why) as raised:
                open_rig(heron, where=f"{kind}:{path}")
            assert str(path) in str(raised.value)
            assert "allowed: an image that `make -C fixtures/board image` built" in str(raised.value)


ANOTHER = """
__attribute__((section(".vectors"), used)) static const unsigned vectors[] = {0x20001000u, 0x41u};
__attribute__((naked, section(".text.first"))) void start(void) { __asm__ volatile("b ."); }
"""


def test_an_image_that_does_not_answer(heron: Profile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program for the right machine that is none of ours; in either lane one clear line."""
    before = emulators()
    monkeypatch.setattr(BenchBoard.__init__, "__defaults__", (1.0,))  # seconds for the handshake
    source, path = tmp_path / "other.c", tmp_path / "other.elf"
    source.write_text(ANOTHER)
    words = ["arm-none-eabi-gcc", "-mcpu=cortex-m3", "-mthumb", "-ffreestanding", "-nostdlib", "-Wl,-Ttext=0x40"]
    words += ["-Wl,--section-start=.vectors=0", "-Wl,-e,start", "-o", str(path), str(source)]
    subprocess.run(words, check=True, capture_output=True)
    for kind in ("emulated", "emulated-live"):
        with pytest.raises(RigError, match=r"other\.elf: .*no answer in 1 s"):
            open_rig(heron, where=f"{kind}:{path}")
    monkeypatch.setattr("lostlink.rigs.emulator._START_S", 0.5)
    with pytest.raises(RigError, match=r"the image is not responding \(no request in 0\.5 s\)"):
        LockStep(str(path))
    assert emulators() <= before


def test_without_an_emulator(heron: Profile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake = tmp_path / "fake.elf"
    fake.write_bytes(b"\x7fELF\x01\x01" + bytes(12) + b"\x28\x00")
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(RigError, match="the emulator is not installed; `ci/emulated --install` installs it"):
        open_rig(heron, where=f"emulated:{fake}")


def test_nothing_is_left_when_the_harness_is_killed(image: Path, tmp_path: Path) -> None:
    """The emulator ends with the process that started it, however that ends."""
    script = f"""
        import time
        from lostlink.rigs.emulator import LockStep, RealTime
        both = LockStep({str(image)!r}), RealTime({str(image)!r})
        print("ready", flush=True)
        time.sleep(60)
    """
    harness = subprocess.Popen([sys.executable, "-c", textwrap.dedent(script)], stdout=subprocess.PIPE, text=True)
    assert harness.stdout is not None
    assert harness.stdout.readline() == "ready\n"
    started: set[int] = set()
    for _ in range(100):
        started = emulators(harness.pid)
        if len(started) == 2:
            break
        time.sleep(0.05)  # noqa: TID251  processes of the system begin in real time
    assert len(started) == 2
    os.kill(harness.pid, signal.SIGKILL)
    harness.wait()
    harness.stdout.close()
    for _ in range(100):
        if not alive(started):
            break
        time.sleep(0.05)  # noqa: TID251  processes of the system end in real time
    left = alive(started)
    for one in left:
        with contextlib.suppress(ProcessLookupError):
            os.kill(one, signal.SIGKILL)
    assert not left


# --- the commands -----------------------------------------------------------------------------------------------------


def test_prove_asks_for_nothing(image: Path, tmp_path: Path) -> None:
    """No hardware, so nothing to confirm; what was not tested is said."""
    words = ["prove", str(HERON), "--rig", f"emulated:{image}", "--only", "FR-COUNT", "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    assert "The one requirement tested is met" in done.output
    assert "props off" not in done.output
    assert "emulated microcontroller" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_replay(rig: EmulatedRig, image: Path, heron: Profile, tmp_path: Path) -> None:
    path = tmp_path / "cut.scenario.toml"
    path.write_text(write_scenario(cut(heron)), encoding="utf-8")
    done = CliRunner().invoke(main, ["replay", str(path), str(HERON), "--rig", f"emulated:{image}"])
    assert done.exit_code == 0, done.output
    assert "receiver boots (commanded reset)" in done.output


class _Running:
    def ended(self) -> str:
        return ""


@pytest.mark.parametrize("hint", ["is it the right port?", "words that nothing parses"])
def test_errors_of_the_port_name_the_image(hint: str) -> None:
    """By the parts of the error, whatever its sentence: the user knows the image, not the emulator's port."""
    error = PortError("socket://127.0.0.1:1", "no answer in 3 s", hint)
    assert str(error) == f"socket://127.0.0.1:1: no answer in 3 s; {hint}"
    assert error.detail == f"no answer in 3 s; {hint}"
    with pytest.raises(RigError) as raised, _named("my.elf", _Running()):  # type: ignore[arg-type]
        raise error
    assert str(raised.value) == "my.elf: no answer in 3 s; is it an image of `make -C fixtures/board image`?"
    with pytest.raises(RigError, match=r"^my\.elf: the board floods$"), _named("my.elf", _Running()):  # type: ignore[arg-type]
        raise PortError("socket://127.0.0.1:1", "the board floods")
