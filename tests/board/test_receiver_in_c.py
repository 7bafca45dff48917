"""The example receiver in C: the same as the Python reference, and its faulty relatives are found."""

from __future__ import annotations

import dataclasses
import os
import random
import re
import shutil
import subprocess
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import proving
import pytest

from lostlink.contracts import check_receiver, check_rig
from lostlink.errors import ReceiverError
from lostlink.profiles import read_profile
from lostlink.profiles.header import c_header
from lostlink.requirements import of_sides
from lostlink.results import Result
from lostlink.rigs.firmware import Image, Watch, factory
from lostlink.rigs.own_process import OwnProcessRig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.verdicts import Outcome, Side
from lostlink_sims import Move, Profile, ReferenceReceiver, Scenario, Trace, simulate
from lostlink_sims.scenario import (
    AnyFault,
    BrownOut,
    DamagedPayload,
    FadeRamp,
    FlappingLink,
    ForeignHandset,
    HandsetHung,
    HandsetOff,
    InterferenceBurst,
    LinkCut,
    MainLoopHung,
    OutputStops,
    PeriodicInterference,
    ReceiverReset,
    StickWireBroken,
    WrongAddress,
)
from no_pulses import without_pulses  # type: ignore[import-not-found]
from wide_packets import with_wide_packets  # type: ignore[import-not-found]

FIXTURES = Path(__file__).parents[2] / "fixtures"
BOARD = FIXTURES / "board"
PROFILES = {path.stem: read_profile(path) for path in sorted((FIXTURES / "profiles").glob("*.toml"))}
PROFILES["without pulses"] = without_pulses(PROFILES["heron"])
PROFILES["wide packets"] = with_wide_packets(PROFILES["plover"], 12)
LONG = pytest.mark.long
MISTAKES = {
    name: int(number)
    for name, number in re.findall(
        r"^#define (?!LINK_)([A-Z_0-9]+) (\d+)\b", (BOARD / "faulty.c").read_text(), re.MULTILINE
    )
}

FOUND_BY: dict[str, str] = tomllib.loads((BOARD / "mistakes.toml").read_text(encoding="utf-8"))
"""Which requirement is about each mistake; the one that is left is sound."""
STOPPING = ("DIES_ON_SHORT_PACKET", "LOOPS_ON_SHORT_PACKET")
IN_THE_GATE = (
    "COMPARES_INSTANTS", "TICKS_IN_16_BITS", "DAMAGED_OBEYED", "LOOP_ONLY", "FULL_AT_BOOT", "OVERFLOWS",
    "DIVIDES_BY_256", "TOO_MANY_CHANNELS", "FLAG_LIES",
)  # fmt: skip
"""Mistakes in which C has a part: its numbers, its memory, each function of the interface. The zoo has the others."""

Make = Callable[..., Path]
Compile = Callable[..., Path]


# --- the same as the reference ---------------------------------------------------------------------------------


def trouble(profile: Profile, rng: random.Random, at_us: int, end_us: int) -> list[AnyFault]:
    """Return one to five faults of any kind, at any instant and of any length, also on top of each other."""
    timeout_us = profile.receiver.timeout_us
    stick = rng.choice([channel.name for channel in profile.channels])
    kinds: list[Callable[[int, int], AnyFault]] = [
        lambda at, length: LinkCut(at_us=at, for_us=length),
        lambda at, length: LinkCut(at_us=at, for_us=timeout_us + rng.randrange(-8_000, 8_000)),
        lambda at, length: FlappingLink(
            at_us=at, for_us=length, down_us=timeout_us + rng.randrange(20_000), up_us=rng.randrange(1_000, 90_000)
        ),
        lambda at, length: FadeRamp(at_us=at, for_us=length, ramp_us=length // 2 + 1),
        lambda at, length: InterferenceBurst(at_us=at, for_us=length, loss=rng.random()),
        lambda at, length: PeriodicInterference(at_us=at, for_us=length, burst_us=rng.randrange(1, 60_000)),
        lambda at, length: ReceiverReset(at_us=at),
        lambda at, length: BrownOut(at_us=at, for_us=length, on_acknowledgement=rng.random() < 0.3),
        lambda at, length: MainLoopHung(at_us=at, for_us=length),
        lambda at, length: ForeignHandset(at_us=at, for_us=length, interval_us=rng.randrange(900, 9_000)),
        lambda at, length: ForeignHandset(at_us=at, for_us=length, payload_bytes=rng.randrange(1, 33)),
        lambda at, length: DamagedPayload(at_us=at, for_us=length, share=rng.random()),
        lambda at, length: HandsetHung(at_us=at, for_us=length),
        lambda at, length: HandsetOff(at_us=at, for_us=length),
        lambda at, length: WrongAddress(at_us=at, for_us=length),
        lambda at, length: StickWireBroken(at_us=at, for_us=length, channel=stick, rail=rng.choice(("low", "high"))),
        lambda at, length: OutputStops(at_us=at, for_us=length),
    ]
    faults = []
    for _ in range(rng.randrange(1, 6)):
        begin_us = rng.randrange(at_us // 2, end_us)
        length_us = rng.choice((rng.randrange(1, 30_000), rng.randrange(1, 3 * timeout_us), end_us))
        faults.append(rng.choice(kinds)(begin_us, length_us))
    return faults


def busy(profile: Profile, flight: Flight, rng: random.Random) -> Scenario:
    """Return a flight with moves all the time, faults of many kinds, and often a counter that wraps on the way."""
    timeout_us = profile.receiver.timeout_us
    end_us = flight.at_us + rng.randrange(timeout_us, 4 * timeout_us + 1_000_000)
    names = [channel.name for channel in profile.channels]
    moves = [
        Move(
            at_us=rng.randrange(flight.at_us, end_us), channel=rng.choice(names), position=rng.random(),
            ramp_us=rng.choice((0, 100_000)),
        )
        for _ in range(8)
    ]  # fmt: skip
    moves.sort(key=lambda move: move.at_us)
    scenario = flight.into(*trouble(profile, rng, flight.at_us, end_us), watch_us=end_us - flight.at_us, moves=moves)
    if rng.random() < 0.6:
        scenario = dataclasses.replace(scenario, receiver_clock_us=2**32 - rng.randrange(1, end_us))
    return dataclasses.replace(scenario, receiver_on_us=rng.choice((0, 0, rng.randrange(flight.at_us))))


def differences(one: Trace, other: Trace) -> list[str]:
    """Return the names of the columns in which two traces differ."""
    columns: dict[str, Callable[[Trace], Sequence[np.ndarray[Any, Any]]]] = {
        "packets": lambda t: (t.packets.left_us, t.packets.arrived_us, t.packets.fate, t.packets.payload),
        "frames": lambda t: (t.frames.start_us, t.frames.count, t.frames.widths_us, t.frames.until_us),
        "seen": lambda t: (t.seen.start_us, t.seen.done_us, t.seen.count, t.seen.widths_us),
        "failsafe": lambda t: (t.failsafe.at_us, t.failsafe.value),
        "motor": lambda t: (t.motor.at_us, t.motor.value),
        "arming": lambda t: (t.arming.at_us, t.arming.value),
        "edges": lambda t: t.edges,
    }
    found = [
        name
        for name, take in columns.items()
        if not all(np.array_equal(a, b) for a, b in zip(take(one), take(other), strict=True))
    ]
    facts = ("summary", "notes", "crash", "fates")
    return found + [name for name in facts if getattr(one, name) != getattr(other, name)]


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[LONG] if name in ("lapwing", "wren") else []) for name in PROFILES]
)
def test_c_and_python_give_the_same_trace(make: Make, name: str, long: bool) -> None:
    """Every frame, every instant of the flag, every motor command, over 16 scenarios full of faults on three profiles.

    ``--long``: 40 on five.
    """
    profile, scenarios = PROFILES[name], 40 if long else 16
    rng = random.Random(f"{name} in C")
    builder = ScenarioBuilder(profile, 11, "C against Python")
    entries = wraps = 0
    with OwnProcessRig(profile, str(make("receiver.so", profile=profile))) as rig:
        for number, flight in enumerate(builder.flights(scenarios, ambient=True)):
            scenario = busy(profile, flight, rng)
            expected, got = simulate(profile, scenario, ReferenceReceiver), rig.run(scenario)
            assert differences(expected, got) == [], f"scenario {number}: {scenario.faults}"
            entries += got.summary.failsafe_entries
            wraps += scenario.receiver_clock_us + scenario.duration_us > 2**32
    assert entries > scenarios // 3, "the scenarios hardly ever come to a failsafe"
    assert wraps > scenarios // 4, "the counter hardly ever wraps"


@pytest.mark.parametrize("mistake", ["", "REMEMBERS_IN_STATICS"])
def test_interfaces(make: Make, tmp_path: Path, mistake: str) -> None:
    """The library's receiver and the rig that runs it keep the contracts, also with state in static variables."""
    library = make(f"{mistake or 'receiver'}.so", mistake=mistake)
    watch = Watch([0, -1])
    check_receiver(factory(Image(library, str(tmp_path)), watch), PROFILES["heron"])
    check_rig(OwnProcessRig(PROFILES["heron"], str(library)))


def test_a_difference_would_be_seen(make: Make) -> None:
    """A receiver with a mistake gives another trace."""
    profile = PROFILES["heron"]
    flight = next(ScenarioBuilder(profile, 1, "other").flights(1))
    scenario = flight.into(LinkCut(at_us=flight.at_us))
    with OwnProcessRig(profile, str(make("CUTS_LATE.so", mistake="CUTS_LATE"))) as rig:
        found = differences(simulate(profile, scenario, ReferenceReceiver), rig.run(scenario))
    assert {"frames", "failsafe", "motor", "summary"} <= set(found)


def test_the_same_scenario_gives_the_same_trace(make: Make) -> None:
    """Byte for byte, in one process and in the next."""
    profile = PROFILES["heron"]
    flight = next(ScenarioBuilder(profile, 1, "again").flights(1, ambient=True))
    scenario = busy(profile, flight, random.Random(1))
    library = str(make("REMEMBERS_IN_STATICS.so", mistake="REMEMBERS_IN_STATICS"))
    with OwnProcessRig(profile, library) as rig:
        first, second = rig.run(scenario), rig.run(scenario)
    with OwnProcessRig(profile, library) as rig:
        third = rig.run(scenario)
    assert differences(first, second) == differences(first, third) == []
    assert differences(first, simulate(profile, scenario, ReferenceReceiver)) == []


def test_another_link_is_built_in(tools: None, tmp_path: Path) -> None:
    """``make LINK=folder`` alone takes the folder's link.h: bittern's receiver shows bittern's failsafe values."""
    profile = PROFILES["bittern"]
    (tmp_path / "link.h").write_text(c_header(profile), encoding="utf-8")
    library = tmp_path / "receiver.so"
    subprocess.run(["make", "-s", "-C", BOARD, f"BUILD={tmp_path}", f"LINK={tmp_path}", library], check=True)
    with OwnProcessRig(profile, str(library)) as rig:
        trace = rig.run(Scenario(duration_us=200_000, handset_on_us=200_000))
    assert trace.widths_us[0, profile.throttle_index] == profile.channels[profile.throttle_index].failsafe_us == 950


def test_link_h_is_the_header_of_heron() -> None:
    assert (BOARD / "link.h").read_text(encoding="utf-8") == c_header(PROFILES["heron"])


# --- mistakes --------------------------------------------------------------------------------------------------


def prove(profile: Path | str, library: Path, *only: str) -> Result:
    result = proving.prove(str(profile), receiver=str(library), only=only)
    assert result.errors == []
    return result


def children() -> set[str]:
    """Return the ids of processes that this one has started and that are still there; nothing where unknown."""
    try:
        return set(Path(f"/proc/self/task/{os.getpid()}/children").read_text().split())
    except OSError:
        return set()


def test_every_mistake_has_its_requirement() -> None:
    assert len(MISTAKES) == 23
    assert set(MISTAKES) == {*FOUND_BY, "REMEMBERS_IN_STATICS"}
    assert sorted(MISTAKES.values()) == list(range(1, 24))


@pytest.mark.parametrize(
    "mistake",
    [pytest.param(name, marks=[] if name in IN_THE_GATE else [LONG]) for name in FOUND_BY if name not in STOPPING],
)
def test_the_suite_finds_the_mistake(make: Make, tmp_path: Path, mistake: str, long: bool) -> None:
    """Each of nine mistakes fails the requirement that is about it; ``--long``: of twenty, beside all others."""
    profile = FIXTURES / "profiles" / "heron.toml"
    if mistake == "DAMAGED_OBEYED":
        # With its CRC on, the radio throws damaged packets away before the program sees any.
        text = profile.read_text(encoding="utf-8").replace("crc_bytes = 2", "crc_bytes = 0")
        profile = tmp_path / "heron.toml"
        profile.write_text(text, encoding="utf-8")
        assert read_profile(profile).radio.crc_bytes == 0
    only = () if long else (FOUND_BY[mistake],)
    result = prove(profile, make(f"{mistake}.so", mistake=mistake), *only)
    failed = {verdict.requirement.id for verdict in result.with_outcome(Outcome.NOT_MET)}
    assert FOUND_BY[mistake] in failed
    assert result.exit_code == 1


@pytest.mark.parametrize("crc_bytes", [2, pytest.param(0, marks=LONG)])
def test_the_example_meets_everything(make: Make, tmp_path: Path, crc_bytes: int, long: bool) -> None:
    """The gate tests what the mistakes of faulty.c break; ``--long``: everything, also without a CRC of the radio.

    The same trace as the reference's, see above, meets the same requirements.
    """
    profile = tmp_path / "heron.toml"
    text = (FIXTURES / "profiles" / "heron.toml").read_text(encoding="utf-8")
    profile.write_text(text.replace("crc_bytes = 2", f"crc_bytes = {crc_bytes}"), encoding="utf-8")
    result = prove(profile, make("receiver.so"), *(() if long else sorted(set(FOUND_BY.values()))))
    assert [v.requirement.id for v in result.verdicts if v.outcome is not Outcome.MET] == []


def test_state_in_static_variables_is_no_mistake(make: Make, long: bool) -> None:
    """Each power-on and reset loads the program afresh, so that statics begin again as on a board."""
    library = make("REMEMBERS_IN_STATICS.so", mistake="REMEMBERS_IN_STATICS")
    only = () if long else [name for name in of_sides(Side.RECEIVER) if name.startswith("PW-")]
    result = prove(FIXTURES / "profiles" / "heron.toml", library, *only)
    assert [v.requirement.id for v in result.verdicts if v.outcome is not Outcome.MET] == []
    assert result.exit_code == 0


@pytest.mark.parametrize(
    ("mistake", "reason"),
    [
        ("DIES_ON_SHORT_PACKET", r"receiver_packet\(\).*the program died \(SIG\w+\)"),
        ("LOOPS_ON_SHORT_PACKET", r"receiver_packet\(\).*does not return"),
    ],
)
def test_a_program_that_stops_is_a_finding(
    make: Make, mistake: str, reason: str, long: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A crash and an endless loop are verdicts that name the function; the suite goes on, and nothing is left over.

    ``--long``: the whole suite, of which more than 40 requirements are met.
    """
    monkeypatch.setattr("lostlink.rigs.own_process.PATIENCE_S", 1.0)  # each loop is waited for
    before = children()
    only = () if long else (FOUND_BY[mistake], "FS-INTRUDER", "FS-CUT")
    result = prove(FIXTURES / "profiles" / "heron.toml", make(f"{mistake}.so", mistake=mistake), *only)
    failed = {verdict.requirement.id: verdict for verdict in result.with_outcome(Outcome.NOT_MET)}
    assert {FOUND_BY[mistake], "FS-INTRUDER"} <= set(failed)
    for verdict in failed.values():
        if verdict.reason.startswith("in a run of "):  # what else the run of another requirement breaks
            continue
        assert re.search(reason, verdict.reason or ""), f"{verdict.requirement.id}: {verdict.reason}"
    assert len(result.with_outcome(Outcome.MET)) > (40 if long else 0)
    assert children() <= before


# --- what is no receiver ---------------------------------------------------------------------------------------

COMPLETE = (
    '#include "receiver.h"\n'
    "void receiver_power_on(void *m, uint32_t t) { (void)m; (void)t; }\n"
    "void receiver_packet(void *m, uint32_t t, const uint8_t *p, uint8_t n)"
    " { (void)m; (void)t; (void)p; (void)n; }\n"
    "bool receiver_turn(void *m, uint32_t t, uint32_t *w) { (void)m; (void)t; (void)w; return false; }\n"
    "uint8_t receiver_pulses(void *m, uint32_t t, uint16_t *w, uint8_t n)"
    " { (void)m; (void)t; (void)w; (void)n; return 0; }\n"
    "bool receiver_failsafe(const void *m) { (void)m; return true; }\n"
    "uint32_t receiver_interface(void) { return 1; }\n"
)


def refused(library: Path) -> str:
    """Return what is said about a library that cannot be a receiver."""
    before = children()
    with pytest.raises(ReceiverError) as raised:
        OwnProcessRig(PROFILES["heron"], str(library))
    assert children() <= before
    said = str(raised.value)
    assert said.startswith(f"--receiver {library}: ")
    assert "\n" not in said
    return said


def test_missing_file(tmp_path: Path) -> None:
    assert "no such file" in refused(tmp_path / "none.so")


def test_no_library(tmp_path: Path) -> None:
    for number, content in enumerate((b"", b"hello", b"\x7fELF" + bytes(60))):
        file = tmp_path / f"{number}.so"
        file.write_bytes(content)
        assert "cannot be loaded" in refused(file)


def built(compile_c: Compile, tmp_path: Path, name: str, text: str) -> Path:
    source = tmp_path / f"{name}.c"
    source.write_text(text, encoding="ascii")
    return compile_c(f"{name}.so", "-shared", "-fPIC", source)


@pytest.mark.parametrize(
    "function",
    ["power_on", "interface", *(pytest.param(name, marks=LONG) for name in ("packet", "turn", "pulses", "failsafe"))],
)
def test_missing_function(compile_c: Compile, tmp_path: Path, function: str) -> None:
    text = COMPLETE.replace(f"receiver_{function}(", f"another_{function}(")
    said = refused(built(compile_c, tmp_path, f"without_{function}", text))
    assert f"has no function receiver_{function};" in said
    assert "receiver.h" in said


def test_wrong_interface(compile_c: Compile, tmp_path: Path) -> None:
    text = COMPLETE.replace("return 1;", "return 77;")
    assert "has interface version 77; this tool needs 1" in refused(built(compile_c, tmp_path, "future", text))


def test_unresolved_name(compile_c: Compile, tmp_path: Path) -> None:
    """A library that needs what nobody has, such as a vendor's function."""
    text = COMPLETE.replace("return 1;", "extern int pin_read(int); return (uint32_t)pin_read(1);")
    said = refused(built(compile_c, tmp_path, "unresolved", text))
    assert "pin_read" in said or "cannot be loaded" in said or "receiver_interface" in said


def test_a_receiver_without_pulses_is_one(compile_c: Compile, tmp_path: Path) -> None:
    """The least that loads: no pulses, always in failsafe."""
    library = built(compile_c, tmp_path, "least", COMPLETE)
    with OwnProcessRig(PROFILES["heron"], str(library)) as rig:
        trace = rig.run(Scenario(duration_us=300_000))
    assert trace.summary.frames == 0
    assert trace.failsafe.at(200_000, 1) == 1


# --- a small microcontroller -----------------------------------------------------------------------------------

ON_BOARD = ("bench.c", "ppm.c", "board.c", "receiver.c")


def test_it_fits_two_kibibytes_of_memory(compile_c: Compile) -> None:
    """All the state of protocol, board and program is less than half of 2 KiB; the rest is for stack and drivers.

    On this computer pointers are longer than on a small microcontroller, where it is less.
    """
    program = compile_c("sizes", Path(__file__).with_name("sizes.c"))
    rows = subprocess.run([program], capture_output=True, text=True, check=True).stdout.split()
    sizes = dict(zip(rows[::2], map(int, rows[1::2]), strict=True))
    assert sizes["bench"] < sizes["board"] < 1024
    assert sizes["program"] <= 256


@pytest.mark.parametrize("source", ON_BOARD)
def test_no_heap_and_no_printing(source: str) -> None:
    text = (BOARD / source).read_text(encoding="utf-8")
    assert not re.findall(r"\b(malloc|calloc|realloc|free|alloca|s?n?printf|puts|putchar)\s*\(", text)
    assert not re.findall(r"#include <(?!string\.h|stdint\.h|stdbool\.h)", text)


@pytest.mark.parametrize("source", ON_BOARD)
def test_no_variables_of_a_file(compile_c: Compile, source: str) -> None:
    """No symbol in the data of the object: nothing keeps state but the structs that are handed in."""
    if shutil.which("nm") is None:
        pytest.skip("there is no nm here to look into objects")
    thing = compile_c(f"{source}.o", "-Os", "-c", BOARD / source)
    rows = subprocess.run(["nm", thing], capture_output=True, text=True, check=True).stdout.splitlines()
    kinds = {row.split()[-1]: row.split()[-2] for row in rows}
    assert {name: kind for name, kind in kinds.items() if kind in "DdBbCcGgSs"} == {}
    assert "T" in kinds.values()
