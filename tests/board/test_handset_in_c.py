"""The example handset in C: the same as the Python reference, and its faulty relatives are found."""

from __future__ import annotations

import dataclasses
import random
import re
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from handset_links import LINKS, trouble  # type: ignore[import-not-found]
from lostlink.errors import ReceiverCrashError, ReceiverError
from lostlink.profiles.header import c_header
from lostlink.requirements import of_sides
from lostlink.results import Result
from lostlink.rigs.own_process import OwnProcessRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome, Side
from lostlink_sims import Scenario, simulate
from lostlink_sims.handset_program import ReferenceHandset
from lostlink_sims.profile import HandsetSettings
from lostlink_sims.scenario import (
    HandsetOff,
)

ROOT = Path(__file__).parents[2]
BOARD = ROOT / "fixtures" / "board"
LONG = pytest.mark.long
MISTAKES = {
    name: int(number)
    for name, number in re.findall(
        r"^#define (?!LINK_|handset_)([A-Z_0-9]+) (\d+)\b", (BOARD / "faulty_handset.c").read_text(), re.MULTILINE
    )
}
FOUND_BY: dict[str, str] = tomllib.loads((BOARD / "handset_mistakes.toml").read_text(encoding="utf-8"))
STOPPING = ("DIES", "LOOPS")
ON_LINK = {
    "BREAKS_TO_FULL": "margins", "CENTRES_BROKEN": "margins", "COUNTS_WHILE_HUNG": "timer",
    "FALLS_SILENT_ONCE": "timer", "OVERFLOWS": "at once", "SETS_UP_ONCE": "addressed", "REVERSES_ADDRESS": "addressed",
}  # fmt: skip
"""Links on which a mistake shows that does nothing on heron."""
CAN_BE_SHOWN = (Outcome.MET, Outcome.NOT_TESTED)
GATE = "heron", "margins", "switches", "calibrated", "addressed", "acknowledged", "battery"
SHORT = tuple(name for name in of_sides(Side.HANDSET) if name not in ("HS-LONG", "HS-GAP", "HS-RATE", "HS-COUNT"))

Make = Callable[..., Path]


def handset(make: Make, link: str, mistake: str = "") -> str:
    name = f"handset-{mistake}.so" if mistake else "handset.so"
    return str(make(name, profile=dataclasses.replace(LINKS[link], name=link.replace(" ", "-").replace(",", "")),
                    mistake=mistake))  # fmt: skip


def judged(library: str, link: str, *only: str) -> Result:
    profile = LINKS[link]
    result = run_suite(profile, OwnProcessRig(profile, None, library), only=only)
    assert not result.errors
    return result


# --- the same as the reference ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "link",
    [
        pytest.param(name, marks=[] if name in GATE else [LONG])
        for name, link in LINKS.items()
        if link.handset.sends_from == "main loop"
    ],
)
def test_c_and_python_send_the_same_packets(make: Make, link: str, long: bool) -> None:
    """Each byte and each instant. With channels that the profile does not name, C sends zeros as Python does."""
    profile, rng, sent = LINKS[link], random.Random(f"{link} in C"), 0
    with OwnProcessRig(profile, None, handset(make, link)) as rig:
        for number in range(40 if long else 12):
            scenario = trouble(profile, rng, 3_000_000)
            expected, got = simulate(profile, scenario, handset=ReferenceHandset), rig.run(scenario)
            assert np.array_equal(expected.packets.left_us, got.packets.left_us), (number, scenario.faults)
            assert np.array_equal(expected.packets.payload, got.packets.payload), (number, scenario.faults)
            for lengths in (expected.payload_lengths, got.payload_lengths):
                assert lengths is not None
                assert set(lengths.tolist()) == {profile.payload_bytes}
            sent += len(got.packets.left_us)
    assert sent > 500


@pytest.mark.parametrize(
    "link",
    [
        pytest.param(name, marks=[] if name in ("heron", "timer", "calibrated", "addressed", "battery") else [LONG])
        for name in LINKS
    ],
)
def test_the_example_raises_no_alarm(make: Make, link: str, long: bool) -> None:
    result = judged(handset(make, link), link, *(() if long else SHORT))
    assert [v.requirement.id for v in result.verdicts if v.outcome not in CAN_BE_SHOWN] == []


NO_BUSINESS_OF_THE_PROGRAM = {"clock_error_ppm", "adc_noise_counts"}
"""Keys of [handset] that say how true its hardware is."""


def test_the_header_carries_every_key_of_the_handset() -> None:
    """Each key changed, one at a time, changes a definition: a key that is forgotten changes nothing."""
    profile = LINKS["heron"]
    plain = c_header(profile)
    other = {
        "mapping": "calibrated", "packet_channels": 9, "link_id": 7, "sends_from": "timer",
        "at_power_on": "sends at once", "after_reset": "waits for low throttle", "address": "d2:4a:91:07:3e",
    }  # fmt: skip
    for field in dataclasses.fields(HandsetSettings):
        value = getattr(profile.handset, field.name)
        changed = other[field.name] if field.name in other else not value if isinstance(value, bool) else value + 1
        handset = dataclasses.replace(profile.handset, **{field.name: changed})
        is_same = c_header(dataclasses.replace(profile, handset=handset)) == plain
        assert is_same is (field.name in NO_BUSINESS_OF_THE_PROGRAM), field.name
    battery = dataclasses.replace(profile.battery, input_range_mv=6_600)
    with_battery = dataclasses.replace(profile, battery=battery)
    assert c_header(with_battery) != plain
    for changes in ({"input_range_mv": 6_000}, {"full_mv": 4_100}, {"warn_mv": 3_500}, {"reference": "fixed"}):
        other_battery = dataclasses.replace(battery, **changes)
        assert c_header(dataclasses.replace(profile, battery=other_battery)) != c_header(with_battery), changes
    for name, changed in {
        "packet_byte": 5, "reversed": True, "centre_error": 0.1, "travel_low": 0.1, "travel_high": 0.9,
        "kind": "three-position switch",
    }.items():  # fmt: skip
        channels = (dataclasses.replace(profile.channels[0], **{name: changed}), *profile.channels[1:])
        assert c_header(dataclasses.replace(profile, channels=channels)) != plain, name


# --- mistakes --------------------------------------------------------------------------------------------------


def test_every_mistake_has_its_requirement() -> None:
    assert set(MISTAKES) == {*FOUND_BY, "REMEMBERS_IN_STATICS"}
    assert sorted(MISTAKES.values()) == list(range(1, 25))
    assert set(FOUND_BY.values()) <= set(of_sides(Side.HANDSET))


@pytest.mark.parametrize("mistake", [name for name in FOUND_BY if name not in STOPPING])
def test_the_suite_finds_the_mistake(make: Make, mistake: str) -> None:
    link = ON_LINK.get(mistake, "heron")
    result = judged(handset(make, link, mistake), link, FOUND_BY[mistake])
    assert FOUND_BY[mistake] in [v.requirement.id for v in result.with_outcome(Outcome.NOT_MET)]
    assert result.exit_code == 1


@pytest.mark.parametrize(
    ("mistake", "reason"),
    [
        ("DIES", r"handset_turn\(\) at \d+\.\d+ s: the program died \(SIG\w+\)"),
        ("LOOPS", r"handset_turn\(\) at \d+\.\d+ s: .*does not return"),
    ],
)
def test_a_program_that_stops_is_a_finding(
    make: Make, mistake: str, reason: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("lostlink.rigs.own_process.PATIENCE_S", 1.0)  # each loop is waited for
    result = judged(handset(make, "heron", mistake), "heron", FOUND_BY[mistake], "HS-CENTRE")
    failed = {verdict.requirement.id: verdict for verdict in result.with_outcome(Outcome.NOT_MET)}
    assert FOUND_BY[mistake] in failed
    for verdict in failed.values():
        assert re.search(reason, verdict.reason), verdict.reason


def test_state_in_static_variables_is_no_mistake(make: Make) -> None:
    """Each power-on and reset loads the program afresh, so that statics begin again as on a board."""
    library = handset(make, "heron", "REMEMBERS_IN_STATICS")
    result = judged(library, "heron", "HS-START", "HS-FIRST", "HS-RESET", "HS-MARK")
    assert [v.requirement.id for v in result.verdicts if v.outcome is not Outcome.MET] == []


# --- what is no handset ----------------------------------------------------------------------------------------

COMPLETE = (
    '#include "handset.h"\n'
    "void handset_power_on(void *m, uint32_t t, uint8_t c) { (void)m; (void)t; (void)c; }\n"
    "bool handset_turn(void *m, uint32_t t, const uint16_t *r, const uint8_t *s, uint32_t *w)"
    " { (void)m; (void)r; (void)s; *w = t + 5000u; return true; }\n"
    "uint8_t handset_packet(void *m, uint32_t t, uint8_t *p, uint8_t n)"
    " { (void)m; (void)t; for (uint8_t i = 0; i < n; i++) p[i] = 0; return LENGTH; }\n"
    "uint32_t handset_interface(void) { return VERSION; }\n"
)


@pytest.fixture
def compiled(compile_c: Callable[..., Path], tmp_path: Path) -> Callable[..., str]:
    def build(name: str, text: str = COMPLETE, version: int = 1, length: int = 6) -> str:
        source = tmp_path / f"{name}.c"
        source.write_text(text)
        defined = f"-DVERSION={version}", f"-DLENGTH={length}"
        return str(compile_c(f"{name}.so", "-shared", "-fPIC", *defined, source))

    return build


def refusal(library: str) -> str:
    with pytest.raises(ReceiverError) as refused:
        OwnProcessRig(LINKS["heron"], None, library)
    return str(refused.value)


def test_what_is_no_handset_is_refused(compiled: Callable[..., str], make: Make, tmp_path: Path) -> None:
    text = tmp_path / "text.so"
    text.write_text("not a library")
    assert refusal(str(text)).startswith(f"--handset {text}: cannot be loaded: ")
    missing = str(tmp_path / "missing.so")
    assert refusal(missing) == f"--handset {missing}: no such file; name a shared library"
    newer = compiled("newer", version=2)
    assert refusal(newer) == f"--handset {newer}: has interface version 2; this tool needs 1"
    receiver = str(make("receiver.so"))
    assert refusal(receiver) == (
        f"--handset {receiver}: has no function handset_interface; the functions of fixtures/board/handset.h are "
        "needed: handset_interface, handset_power_on, handset_turn, handset_packet"
    )


def test_interrupt_and_sent_are_optional(compiled: Callable[..., str]) -> None:
    with OwnProcessRig(LINKS["heron"], None, compiled("plain")) as rig:
        trace = rig.run(Scenario(duration_us=200_000))
    assert len(trace.packets.left_us) > 30
    assert trace.payload_lengths is not None
    assert set(trace.payload_lengths.tolist()) == {6}


def test_a_payload_that_is_too_long_is_a_finding(compiled: Callable[..., str]) -> None:
    result = judged(compiled("long", length=33), "heron", "HS-CENTRE")
    failed = {verdict.requirement.id: verdict.reason for verdict in result.with_outcome(Outcome.NOT_MET)}
    assert "handset_packet() returns 33 bytes; allowed: 0 to 32" in failed["HS-CENTRE"]


# --- the pair --------------------------------------------------------------------------------------------------


def test_both_halves_in_c(make: Make) -> None:
    """Handset and receiver as libraries, in one process; a crash names the half that it is in."""
    profile, receiver = LINKS["heron"], str(make("receiver.so", profile=LINKS["heron"]))
    rig = OwnProcessRig(profile, receiver, handset(make, "heron"))
    result = run_suite(profile, rig, only=("PR-MATCH", "PR-OFF", "HS-FIRST", "FS-CUT"))
    assert {v.requirement.id: v.outcome for v in result.verdicts} == dict.fromkeys(
        ("FS-CUT", "HS-FIRST", "PR-MATCH", "PR-OFF"), Outcome.MET
    )
    flight = next(ScenarioBuilder(profile, 1, "pair").flights(1))
    with (
        OwnProcessRig(profile, receiver, handset(make, "heron", "DIES")) as faulty,
        pytest.raises(ReceiverCrashError, match=r"handset_turn\(\) at .*: the program died"),
    ):
        faulty.run(flight.into(HandsetOff(at_us=flight.at_us)))


def test_demo_of_a_pair(tools: None, tmp_path: Path) -> None:
    """``ci/pair``: a sound pair, then a handset that no receiver can be safe with."""
    folder = tmp_path / "evidence"
    words = [str(ROOT / "ci" / "pair"), "--only", "PR-HANG,HS-HANG", "--quiet", "--out", str(folder)]
    run = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "Both requirements tested are met by the handset handset.so with receiver.so." in run.stdout
    assert "X not met  PR-HANG" in run.stdout
    assert "+ met      FS-STALE" in run.stdout
    assert (folder / "report.html").exists()
