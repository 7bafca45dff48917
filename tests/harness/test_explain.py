"""``lostlink explain``: whole, true to the suite and to the faulty receivers, and C that compiles."""

from __future__ import annotations

import ast
import dataclasses
import math
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from proving import prove

from lostlink.cli import main
from lostlink.profiles import read_profile
from lostlink.profiles.models import settings_of
from lostlink.profiles.quantities import parse
from lostlink.requirements import CATALOGUE, of_sides
from lostlink.results import CAUTIONS
from lostlink.rigs import SimRig
from lostlink.show.explanation import as_list, as_markdown, as_text
from lostlink.suite.explanations import (
    CONDITIONS,
    COUNTS,
    GROUPS,
    constants,
    explanations,
    filled,
    flights,
    setting_text,
)
from lostlink.suite.judge import Judge
from lostlink.suite.run import run_suite
from lostlink.verdicts import Measurement, Outcome, Side, Verdict
from lostlink_sims import Profile, ReferenceReceiver, Trace
from lostlink_sims.handset_program import ReferenceHandset
from lostlink_sims.profile import Requirements

HERON = "fixtures/profiles/heron.toml"
PROFILES = [None, *sorted(map(str, Path("fixtures/profiles").glob("*.toml")))]
MISTAKES = tomllib.loads(Path("fixtures/board/mistakes.toml").read_text(encoding="utf-8"))
TEXTS = tomllib.loads(Path("harness/lostlink/suite/explanations.toml").read_text(encoding="utf-8"))
SUITE, MEASURE = Path("harness/lostlink/suite"), Path("harness/lostlink/measure")


def explain(*words: str) -> Result:
    return CliRunner().invoke(main, ["explain", *words])


def link(path: str | None) -> Profile:
    return Profile() if path is None else read_profile(path)


@cache
def sources(*folders: Path) -> dict[str, ast.FunctionDef]:
    """Return the functions of some folders by name, tests by file and name: several files have one of a name."""
    found = {}
    for folder in folders:
        for path in sorted(folder.glob("*.py")):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.FunctionDef):
                    is_test = node.name.startswith("test_")
                    found[f"{path.name}:{node.name}" if is_test else node.name] = node
    return found


def suite_test(name: str) -> ast.FunctionDef:
    """Return the test of a requirement."""
    return sources(SUITE)[":".join(explanations()[name].where)]


RECEIVERS = of_sides(Side.RECEIVER)
"""What a link without a handset under test is judged by."""


# --- whole -----------------------------------------------------------------------------------------------------------


def test_each_requirement_is_explained_and_nothing_else() -> None:
    assert list(explanations()) == list(CATALOGUE)
    assert set(TEXTS) == set(CATALOGUE)
    assert {name.split("-")[0] for name in CATALOGUE} == set(GROUPS)


@pytest.mark.parametrize("name", CATALOGUE)
def test_an_explanation_is_whole(name: str) -> None:
    told = explanations()[name]
    for text, least in ((told.why, 60), (told.tested, 60), (told.firmware, 40)):
        assert len(text) >= least
        assert text.endswith(".")
    assert len(told.mistakes) >= 2
    assert told.measured
    assert told.runs > 0
    assert told.related
    assert set(told.related) <= set(CATALOGUE) - {name}
    assert told.each in ("", *COUNTS)
    assert told.extra_if in CONDITIONS
    assert told.extra or not told.extra_if


def test_each_requirement_is_near_another() -> None:
    """Nothing stands alone: each is named by some other one."""
    named = {other for told in explanations().values() for other in told.related}
    assert named | {"DF-AGREE", "LT-STICK", "CH-WIRE", "FS-SAYS"} >= set(CATALOGUE)


# --- true to the suite -----------------------------------------------------------------------------------------------


def proven(path: str | None, only: Sequence[str] = ()) -> dict[str, Verdict]:
    return {verdict.requirement.id: verdict for verdict in prove(path, only=only).verdicts}


@pytest.mark.parametrize(
    "path",
    [
        HERON,
        pytest.param(None, marks=pytest.mark.long),
        pytest.param("fixtures/profiles/plover.toml", marks=pytest.mark.long),
    ],
)
def test_flights_and_limits_are_those_of_the_suite(path: str | None, long: bool) -> None:
    """On one profile; ``--long``: also on one without link id, and on one with other channels and no arming switch.

    The gate leaves out the varied flights, whose number `test_varied` looks at.
    """
    verdicts = proven(path, only=() if long else [name for name in RECEIVERS if name != "FS-VARIED"])
    assert _numbers_of_flights_are_as_told(link(path), verdicts) >= len(RECEIVERS) - 4
    if path == HERON:
        assert _limits_are_as_told(link(path), verdicts) > 30


TELLING = "a throttle whose travel leaves margins, and a watchdog"
TIMER = "a slow timer, a clock that is off, noise, and a calibrated throttle that is wired the other way round"
PAIRS = [name for name in of_sides(Side.PAIR) if name != "PR-FALSE"]
WITH_KEYS = "a link with all that a handset may have"
ON_KEYS = ["HS-ADDRESS", "HS-RADIO", "HS-DEAF", "HS-BATTERY", "HS-REF"]
ON_TELLING = ["HS-CENTRE", "HS-ENDS", "HS-START", "HS-RESET", "HS-HANG", "HS-WIRE"]
ON_TIMER = ["HS-VALUE", "HS-SENSE", "HS-STILL", "HS-FRESH", "HS-BUSY", "HS-MARK", "HS-START", "HS-RESET", "HS-WIRE"]


@pytest.mark.parametrize(
    ("path", "only", "untested"),
    [
        (HERON, of_sides(Side.HANDSET), {"HS-WIRE", *ON_KEYS}),
        (TELLING, ON_TELLING, {"HS-ENDS"}),
        (TIMER, ON_TIMER, set()),
        (WITH_KEYS, ON_KEYS, set()),
        (HERON, PAIRS, {"PR-WIRE"}),
        pytest.param(None, of_sides(Side.HANDSET), {"HS-WIRE", "HS-COUNT", *ON_KEYS}, marks=pytest.mark.long),
        pytest.param(
            "fixtures/profiles/plover.toml",
            of_sides(Side.HANDSET),
            {"HS-WIRE", "HS-SWITCH", *ON_KEYS},
            marks=pytest.mark.long,
        ),
        pytest.param(TELLING, of_sides(Side.PAIR), set(), marks=pytest.mark.long),
    ],
    ids=["handset", "telling", "timer", "with keys", "pair", "plain handset", "handset without a switch", "long pair"],
)
def test_runs_and_limits_of_a_handset_are_those_of_the_suite(
    path: str | None, only: list[str], untested: set[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reference handset alone, or with the reference receiver; the gate leaves out the minutes of PR-FALSE.

    Every single judgement is looked at, not only the one of the verdict.
    """
    profile = {TELLING: telling, TIMER: timer, WITH_KEYS: with_keys}.get(str(path), lambda: link(path))()
    factory = ReferenceReceiver if only[0].startswith("PR-") else None
    judged = _noted(monkeypatch)
    result = run_suite(profile, SimRig(profile, factory, handset=ReferenceHandset), only=only)
    verdicts = {verdict.requirement.id: verdict for verdict in result.verdicts}
    assert not result.errors
    assert list(verdicts) == only
    assert {name for name, verdict in verdicts.items() if verdict.outcome is Outcome.NOT_TESTED} == untested
    assert _numbers_of_flights_are_as_told(profile, verdicts) == len(only) - len(untested)
    assert judged.keys() >= set(only) - untested
    for name, judgements in judged.items():
        for measured, bound, faults in judgements:
            _judgement_is_as_told(profile, name, measured, bound)
            for fault in faults:
                _fault_is_as_told(profile, name, *fault)


Judgement = tuple[str, float, frozenset[tuple[str, int]]]
"""Name of a measurement, a bound of its limit, and the faults of its run with how long they last; 0 for to the end."""


def _noted(monkeypatch: pytest.MonkeyPatch) -> dict[str, set[Judgement]]:
    """Note every judgement from now on, by requirement."""
    found: dict[str, set[Judgement]] = {}
    call = Judge.__call__

    def noting(self: Judge, trace: Trace, measurement: Measurement, **limits: Any) -> None:
        faults = frozenset((type(one).__name__, _lasts_us(one)) for one in trace.scenario.faults)
        faults |= {("ambient", 0)} if trace.scenario.ambient else set()
        for key in ("at_most", "at_least"):
            if limits.get(key) is not None:
                judgement = (measurement.name, float(limits[key]), faults)
                found.setdefault(self.requirement.id, set()).add(judgement)
        call(self, trace, measurement, **limits)

    monkeypatch.setattr(Judge, "__call__", noting)
    return found


def _lasts_us(fault: Any) -> int:
    return getattr(fault, "bounce_us", getattr(fault, "for_us", None)) or 0


KINDS = {
    r"error of (?!switch).* on both ways": "difference on both ways",
    r"error of switch \d in any packet": "of a switch's byte",
    r"error of .* in any packet": "difference of .*byte in any packet",
    r"error of switch \d": "difference of (each (switch's )?byte|a channel)|every channel within",
    r"error of .* beyond its (low|high) stop": "beyond the stops, difference of each stick's code",
    r"error of .*": "difference of (each (stick's )?byte|a channel)|every channel within",
    r"offset of .*": "difference of each stick's code",
    r"movement of other channels": "movement of any other channel's byte",
    r"(rise|fall) of .*": "movement of (the|its own) byte",
    r"steps back of .*": "the code goes back",
    r"distinct codes of .*": "distinct codes",
    r"changes of switch.*": "changes of a switch's byte",
    r"changes of .*": "changes of a stick's code",
    r"deviation of the packet interval.*": "deviation of the packet interval",
    r"deviation of the mean packet interval": "deviation of the mean packet interval",
    r"longest time without a packet": "longest time without a packet",
    r"time until .* is in the packets": "from the step to the packet",
    r"wrong steps of the packet counter": "steps of the counter",
    r"warnings of a battery.*": "warnings of a battery that is not low",
    r"time until the battery's warning": "time until the battery's warning",
    r"packets to another address": "packets to another address",
    r"time until packets leave again": "time until packets leave again",
    r"packets with a wrong length.*": "packets with a wrong length",
    r"throttle asked for.*": "pulse width that the throttle's code asks for",
    r"time until packets cease.*": "until packets cease",
    r"time until the pulses follow.*": "time until the pulses follow",
    r"latency.*|.*99 %.*": "99 %",
    r"time .*to motor stop.*": "to motor stop",
    r"motor command after.*": "motor command after",
    r"motor command": "motor command until",
    r"times armed": "times armed",
    r"broken requirements": "requirements that a use breaks",
}
"""What a measurement of the suite is called in the explanations, as patterns; the first that fits."""
WORDS = {0.0: ("0", "none"), 1.0: ("1", "one", "exactly one"), 2.0: ("2", "two")}
RELATIVE_KINDS = ("time until the pulses follow", "motor command after")
"""Their limit follows from the run: its length, or a command before plus a code."""


def _judgement_is_as_told(profile: Profile, name: str, measured: str, bound: float) -> None:
    """See the measurement among those of the explanation, with the limit beside it."""
    kind = next((kind for pattern, kind in KINDS.items() if re.fullmatch(f"(?:{pattern}).*", measured)), None)
    assert kind is not None, (name, measured)
    told = [filled(text, profile) for text in explanations()[name].measured if re.search(kind, text)]
    assert told, (name, measured, kind)
    if kind not in RELATIVE_KINDS:
        assert any(_names(text, bound, profile, name) for text in told), (name, measured, bound, told)


def _names(text: str, bound: float, profile: Profile, name: str) -> bool:
    """Return whether a text names a bound: as a time, a number, or a share of the codes."""
    times_us = {float(parse(value, "duration")) for value in re.findall(r"[\d.]+ (?:us|ms|s)\b", text)}
    rest = re.sub(r"[\d.]+ (?:us|ms|s)\b", "", text)
    if bound in times_us or any(re.search(rf"\b{word}\b", rest) for word in WORDS.get(bound, ())):
        return True
    if "half of the codes between its stops" in text:
        return 100 < bound <= 127
    if "as many as readings within the noise" in text:
        return 0 < bound <= 2 * profile.handset.adc_noise_counts + 1
    if "wider than before" in text:  # a width of the run before and the tolerance that is named
        return any(profile.receiver.low_us < bound - rise_us <= profile.receiver.high_us for rise_us in times_us)
    if "the radio was busy" in text:
        return bool({bound - time_us for time_us in times_us} & _times_told(name, profile))
    return str(round(bound)) in re.findall(r"\bhere (\d+)", text)


def _times_told(name: str, profile: Profile) -> set[float]:
    """Return the durations that the explanation says a fault lasts, packet intervals too."""
    text = filled(explanations()[name].tested, profile)
    found = {float(parse(value, "duration")) for value in re.findall(r"[\d.]+ (?:us|ms|s)\b", text)}
    intervals = re.search(r"for ([\d, and]+) packet intervals", text)
    counts = re.findall(r"\d+", intervals[1]) if intervals else []
    half = {time_us / 2 for time_us in found if f"half of {time_us / 1e3:g} ms" in text}
    return found | half | {float(count) * profile.handset.packet_interval_us for count in counts}


FAULTS = {
    "HandsetOff": "switched off", "HandsetReset": "reset", "HandsetLoopHung": "hang",
    "HandsetRadioBusy": "takes nothing", "HandsetRadioDead": "dead", "HandsetRadioForgets": "forgets",
    "SwitchBounces": "bounce", "StickWireBroken": "wire",
    "BatteryFalls": "falls", "LinkCut": "no packet arrives",
    "InterferenceBurst": "every second", "ambient": "noise|losses",
}  # fmt: skip
"""What a fault of a run is called in the explanations."""


def _fault_is_as_told(profile: Profile, name: str, fault: str, lasts_us: int) -> None:
    """See the fault in the explanation, and how long it lasts; what HS-VARIED varies is listed from its data."""
    if name == "HS-VARIED":
        return
    assert re.search(FAULTS[fault], explanations()[name].tested), (name, fault)
    assert not lasts_us or lasts_us in _times_told(name, profile), (name, fault, lasts_us)


def telling() -> Profile:
    """Return a link on which a broken throttle wire can be told from both stops, and a handset with a watchdog."""
    profile = link(HERON)
    channels = [
        dataclasses.replace(one, travel_low=0.05, travel_high=0.95) if one.name == "throttle" else one
        for one in profile.channels
    ]
    handset = dataclasses.replace(profile.handset, watchdog_us=250_000)
    return dataclasses.replace(profile, channels=tuple(channels), handset=handset)


def with_keys() -> Profile:
    """Return a link whose handset sets up its radio and measures its battery, and whose packets are acknowledged."""
    profile = link(HERON)
    return dataclasses.replace(
        profile,
        handset=dataclasses.replace(profile.handset, address="d2:4a:91:07:3e"),
        radio=dataclasses.replace(profile.radio, acknowledge=True),
        battery=dataclasses.replace(profile.battery, input_range_mv=6_600, reference="fixed"),
    )


def timer() -> Profile:
    """Return a link whose handset has limits that differ from each other and from the usual ones."""
    profile = link(HERON)
    handset = dataclasses.replace(
        profile.handset, packet_interval_us=22_000, sends_from="timer", clock_error_ppm=-5_000, jitter_us=300,
        adc_noise_counts=2, after_reset="waits for low throttle", mapping="calibrated",
    )  # fmt: skip
    channels = [
        dataclasses.replace(one, travel_low=1.0, travel_high=0.06) if one.name == "throttle" else one
        for one in profile.channels
    ]
    return dataclasses.replace(profile, handset=handset, channels=tuple(channels))


def _numbers_of_flights_are_as_told(profile: Profile, verdicts: dict[str, Verdict]) -> int:
    seen = 0
    for name, verdict in verdicts.items():
        said = flights(explanations()[name], profile)
        if verdict.outcome is not Outcome.NOT_TESTED:
            seen += 1
            assert verdict.runs == said or (explanations()[name].or_more and verdict.runs > said), name
        else:
            assert verdict.runs in (0, said), name
    return seen


RELATIVE = ("FS-RISE", "HS-RESET", "HS-WIRE", "PR-MATCH")
"""Their limit adds a tolerance to what was seen before, or is the length of the run."""


def _limits_are_as_told(profile: Profile, verdicts: dict[str, Verdict]) -> int:
    """See the limit next to the result that came closest to it in the explanation, with its value."""
    seen = 0
    for name, verdict in verdicts.items():
        number = re.fullmatch(r"at (?:most|least) ([\d.]+ (?:us|ms|s))", verdict.limit.replace("µ", "u"))
        if number is None or name in RELATIVE:  # counts are in words
            continue
        said = " ".join(filled(text, profile) for text in explanations()[name].measured)
        values = {parse(value, "duration") for value in re.findall(r"[\d.]+ (?:us|ms|s)\b", said)}
        assert parse(number[1], "duration") in values, (name, said)
        seen += 1
    return seen


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("HS-ENDS", "8 us (requirements.ends_within) of pulse width, here 2"),  # 8 us of 1000 us are 2.04 of 255 codes
        ("HS-RATE", "0 ms (handset.jitter) plus a tenth of 5 ms (handset.packet_interval), here 500 us"),
        ("HS-GAP", "an interval with a tenth more where that is longer, here 125 ms"),
        ("HS-FRESH", "and a turn (handset.turn = 400 us), here 10.4 ms"),
        ("HS-FRESH", "within an interval and a turn before the packet, here 5.4 ms"),
        ("HS-RATE", "a fiftieth of 5 ms (handset.packet_interval), here 100 us"),
        ("HS-BUSY", "the radio was busy and what HS-FRESH allows, here 10.4 ms"),
        ("HS-RESET", "500 ms (receiver.timeout) less one packet interval"),  # 495 ms, but less a fiftieth: 490 ms
        ("HS-RESET", "radio.latency_jitter = 0 ms), here 490 ms"),
        ("HS-HANG", "half of 500 ms (receiver.timeout), here 250 ms"),
        ("PR-VALUE", "2 us (requirements.value_tolerance) and the width of one code, here 6 us"),  # 3.92 us, rounded up
        ("PR-HANG", "575 ms (requirements.motor_cut_within) and half of 500 ms (receiver.timeout), here 825 ms"),
    ],
)
def test_limits_that_follow_from_several_keys(name: str, said: str) -> None:
    """On the shipped link, by hand from the words: the tests and the explanations share what calculates them."""
    assert said in " ".join(filled(text, link(HERON)) for text in explanations()[name].measured)


def _limits_used(name: str, functions: dict[str, ast.FunctionDef]) -> set[str]:
    """Return the owner's limits that a test of the suite looks at, in itself and in what it calls."""
    fields = {field.name: key for key, field in settings_of(Requirements).items()}
    waiting, done, found = [name], {"flew", "ordinary_loss"}, set()
    while waiting:
        one = waiting.pop()
        if one in done or one not in functions:
            continue
        done.add(one)
        for node in ast.walk(functions[one]):
            if isinstance(node, ast.Attribute):
                found |= {fields[node.attr]} if node.attr in fields else set()
                waiting.append(node.attr)
            elif isinstance(node, ast.Name):
                waiting.append(node.id)
    return found


@pytest.mark.parametrize("name", CATALOGUE)
def test_owners_limits_are_those_that_the_test_looks_at(name: str) -> None:
    told = explanations()[name]
    said = set(re.findall(r"\{requirements\.(\w+)\}", " ".join((told.tested, *told.measured))))
    test = ":".join(told.where)
    assert said >= _limits_used(test, sources(SUITE))
    assert said <= _limits_used(test, sources(SUITE, MEASURE))


@pytest.mark.parametrize(
    ("name", "said", "source"),
    [
        ("FS-VALUE", "the next second", "+ 1_000_000"),
        ("FS-FADE", "over a second", "ramp_us = 1_000_000"),
        ("FS-PRESET", "two frames after", "+ 2 * scenario.frame_us"),
        ("FS-INTRUDER", "sticks low", "position=0.0"),
        ("PW-IDLE", "by a second more", "VERY_LONG_US if long else 1_000_000"),
        ("PW-STICK", "its high stop", "take_off(1.0"),
        ("PW-RESET", "a millisecond later", "at_us + 1_000)"),
        ("RC-CHATTER", "three rhythms", "(away_us // 3, packet_us * 2), (away_us // 8, away_us // 8))"),
        ("RC-CHATTER", "at most two for each", "most = 2 * per_second * span_us / 1000000 + 1"),
        ("LK-CONTROL", "at least 1200 us", "at_least=1200"),
        ("LK-FALSE", "A minute of flight", "(1, MINUTE_US, False)"),
        ("CH-ORDER", "half of the range", "(profile.receiver.high_us - profile.receiver.low_us) // 2"),
        ("CH-SENSE", "at least 1 us", "at_least=1)"),
        ("CH-STEPS", "the throttle and the first two", "index != profile.throttle_index and index > 1"),
        ("CH-VALUE", "256 positions", "EVERY_CODE"),
        ("LT-STICK", "99 %", "0.99"),
        ("DF-AGREE", "two frames and two packets", "2 * scenario.frame_us + 2 * scenario.packet_us"),
        ("HS-CENTRE", "from their low stops, and in a second run from their high", "for stop in (0.0, 1.0)"),
        ("HS-ORDER", "half of the codes", "at_least=_half_travel(profile, index)"),
        ("HS-STEPS", "none", "at_most=0)"),
        ("HS-SWITCH", "none if it was not", "wanted = int(channel.name in moved[step])"),
        ("HS-SWITCH", "every second time together with another", "range(1 + step % 2)"),
        ("HS-STILL", "at most two", "max(2, "),
        ("HS-BUSY", "twice soon after", "free_us + 2 * every_us, free_us + 6 * every_us"),
        ("HS-COUNT", "More packets are sent than the counter has values", "600 * profile.handset.packet_interval_us"),
        ("HS-HANG", "two timeouts", "max(2 * timeout_us, "),
        ("HS-WRAP", "the middle of these", "for value in (value for value, _ in HANDSET_WRAPS)"),
        ("PR-SWITCH", "exactly one", "at_most=1, at_least=1)"),
        ("PR-STICK", "99 %", "0.99"),
    ],
)
def test_numbers_in_words_stand_in_the_suite(name: str, said: str, source: str) -> None:
    told = explanations()[name]
    assert said in " ".join((told.tested, *told.measured))
    assert _tight(source) in _tight(ast.unparse(suite_test(name)))


@pytest.mark.parametrize("name", CATALOGUE)
def test_constants_are_those_that_the_test_uses(name: str) -> None:
    """A number that a text takes from the suite is one that the test, or what it calls, uses too."""
    told = explanations()[name]
    said = set(re.findall(r"\{([A-Z][A-Z0-9_]+)\}", " ".join((told.tested, *told.measured))))
    functions = sources(SUITE.parent / "measure", SUITE)
    waiting, used = [":".join(told.where)], set[str]()
    while waiting:
        one = waiting.pop()
        if one in functions and one not in used:
            words = [node.id for node in ast.walk(functions[one]) if isinstance(node, ast.Name)]
            waiting += [*words, *(node.attr for node in ast.walk(functions[one]) if isinstance(node, ast.Attribute))]
        used.add(one)
    assert said <= used | {"BOUNCE_US"}  # a default of `bouncing`, and half of it in BOUNCES_US


def _tight(source: str) -> str:
    return re.sub(r"[\s_]", "", source)


def test_no_other_number_is_written_down() -> None:
    """What a test does is told with names in braces, so that no number can go stale; the rest is held above."""
    held = {"0", "256", "1200 us", "99 %", "1 us", "32 bits", "16 bits", "16-bit"}
    for name, told in explanations().items():
        for text in (told.tested, told.untested, *told.measured):
            numbers = re.findall(r"\d+(?:[ -](?:us|ms|s|%|bits?)(?!\w))?", re.sub(r"\{\w[\w.]*\}", "", text))
            assert held.issuperset(numbers), (name, numbers)


def test_not_tested_is_told_where_the_suite_skips() -> None:
    for name, told in explanations().items():
        source = ast.unparse(suite_test(name))
        skips = any(
            word in source for word in ("pytest.skip", "needs_clock", "_needs_link_id", "_has_address", "_has_battery")
        )
        assert skips == bool(told.untested), name


def test_what_is_not_tested_on_the_plain_link() -> None:
    """Three settings that the plain link lacks, each named as the cause. Only what may be not tested is run.

    FS-VARIED is left out: it is a rig that cannot test it, never a profile.
    """
    only = [name for name in RECEIVERS if explanations()[name].untested and name != "FS-VARIED"]
    found = {name for name, verdict in proven(None, only).items() if verdict.outcome is Outcome.NOT_TESTED}
    assert found
    for name in found:
        assert "none" in filled(explanations()[name].untested, Profile()) or "false" in filled(
            explanations()[name].untested, Profile()
        )


# --- what a profile says ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PROFILES)
def test_names_in_braces_are_replaced(path: str | None) -> None:
    profile = link(path)
    for told in explanations().values():
        for text in (told.why, told.tested, told.untested, told.firmware, *told.measured, *told.mistakes):
            assert not re.search(r"[{}]", filled(text, profile))
            assert not re.search(r"[{}]", filled(text, None))


def test_values_of_a_profile() -> None:
    heron, plover = link(HERON), link("fixtures/profiles/plover.toml")
    assert setting_text("requirements.cut_within", heron) == "550 ms"
    assert setting_text("requirements.recoveries_per_second", heron) == "4"
    assert setting_text("handset.link_id", Profile()) == "none"
    assert setting_text("flight_controller.arm_channel", plover) == "none"
    assert setting_text("channels.reversed", plover) == "pitch"
    assert setting_text("channels.reversed", heron) == "none"
    assert setting_text("channels.failsafe", plover) == "roll 1500 us, pitch 1500 us, throttle 1000 us, yaw 1500 us"
    assert filled("within {receiver.timeout} (or {receiver.hold})", heron) == (
        "within 500 ms (receiver.timeout) (or receiver.hold = 0 ms)"
    ).replace("0 ms)", f"{setting_text('receiver.hold', heron)})")
    assert filled("within {receiver.timeout}, {VERY_LONG_US}", None) == "within receiver.timeout, 70 s"


# --- true to the faulty receivers ------------------------------------------------------------------------------------


def test_variants_are_those_of_the_faulty_receivers() -> None:
    told = {variant: name for name, one in explanations().items() for variant in one.variants}
    assert told == MISTAKES
    defined = re.findall(r"^#define ([A-Z_0-9]+) \d+\b", Path("fixtures/board/faulty.c").read_text(), re.MULTILINE)
    assert set(told) <= set(defined)


@pytest.mark.skipif(not (shutil.which("cc") and shutil.which("make")), reason="no C compiler or make here")
@pytest.mark.parametrize(
    "name", ["FS-DAMAGED", *(pytest.param(name, marks=pytest.mark.long) for name in ("FS-HANG", "CH-VALUE"))]
)
def test_demonstration_finds_what_it_says(name: str, tmp_path: Path) -> None:
    """The lines that are printed for a mistake, run as they stand but for the folders that they write to.

    That of FS-DAMAGED changes the profile too; ``--long``: of two more.
    """
    shown = re.search(r"found:\n((?:    .*\n)+)", explain(name).output)
    assert shown is not None
    script = shown[1].rstrip().replace("fixtures/board/build", "$T").replace("no_crc.toml", "$T/no_crc.toml")
    script = re.sub(r"(make .*)", r"\1 BUILD=$T", script).replace("lostlink prove", "$PYTHON -m lostlink prove")
    done = subprocess.run(
        ["sh", "-c", f"set -e\n{script} --out $T/evidence --quiet"],
        env={**os.environ, "T": str(tmp_path), "PYTHON": sys.executable},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert CATALOGUE[name].fault in done.stdout


# --- C ---------------------------------------------------------------------------------------------------------------

BEFORE = """
#include <stdint.h>
enum { PAYLOAD_BYTES = 9, ID_AT = 6, LINK_ID = 42, COUNTER_AT = 7, NEEDED = 3, CHANNELS = 8, LOW_US = 1000,
       SPAN_US = 1000, HALF_US = 500, IDLE_US = 1050 };
#define TIMEOUT_US 500000u
#define TIMEOUT_MS 500u
#define ROW_GAP_US 7500u
#define LEAST_US 100000u
#define PERIOD_US 22500u
extern volatile uint32_t heard_us;
extern uint32_t now_us, now_ms, heard_ms, failed_us, next_us;
extern uint8_t payload[], last_counter, code, length, good, link_is_lost;
extern uint16_t frame_us[], wanted_us[], fresh_us[], stick_us[], throttle_us, reading, least, most;
void use_failsafe_values(void); void leave_failsafe(void); void start_frame(void); void start_pulses(void);
void disable_interrupts(void); void enable_interrupts(void); uint32_t clock_us(void); void use(uint32_t value);
uint8_t radio_has_packet(void); uint8_t radio_read(uint8_t *into);
"""
BESIDES = {
    "FS-FOREIGN": "uint8_t crc8(const uint8_t *data, uint8_t length);",
    "FS-PRESET": "extern const uint16_t failsafe_us[];",
    "CH-SENSE": "enum { PITCH = 1 };",
    "HS-STILL": "extern uint8_t kept_code;",
    "HS-SWITCH": "extern uint8_t contact, seen, position; extern uint32_t seen_us;",
    "HS-RATE": "#define INTERVAL_US 5000u\nextern uint32_t due_us; void send_packet(void);",
    "HS-FRESH": "void read_sticks(uint8_t *into); void radio_send(const uint8_t *packet, uint8_t length);",
    "HS-BUSY": "void read_sticks(uint8_t *into); void radio_send(const uint8_t *packet, uint8_t length);\n"
    "uint8_t radio_is_busy(void);",
    "HS-COUNT": "extern uint8_t counter; void read_sticks(uint8_t *into);",
    "HS-MARK": "extern uint8_t counter; uint8_t crc8(const uint8_t *data, uint8_t length);",
    "HS-ADDRESS": "extern const uint8_t address[]; void radio_write_address(const uint8_t *to);\n"
    "void radio_transmit(void);",
    "HS-RADIO": "enum { CHANNEL = 40 }; uint8_t radio_read_channel(void); void set_up_radio(void);",
    "HS-REF": "enum { FULL_READING = 650 }; extern uint16_t battery_reading;",
    "HS-START": "enum { THROTTLE = 2, IDLE_CODE = 12 }; extern uint8_t throttle_code, waits;",
    "HS-RESET": "enum { POWER_ON = 1 }; extern uint8_t waits; uint8_t reset_cause(void);",
    "HS-HANG": "extern volatile uint8_t is_new; extern uint8_t counter; void read_sticks(uint8_t *into);\n"
    "void radio_send(const uint8_t *packet, uint8_t length);",
    "HS-WIRE": "enum { IDLE_CODE = 12 }; extern uint8_t throttle_code;",
    "HS-WRAP": "#define INTERVAL_US 5000u\nextern uint32_t sent_us; void send_packet(void);",
}
"""What single snippets need besides."""


def _program(name: str, snippet: str) -> str:
    """Return a snippet as a whole source: functions and tables as they are, lines in a function around them."""
    heads = re.findall(r"^((?:void|uint8_t) \w+\(.*\))(?: *\/\*.*)?$", snippet, re.MULTILINE)
    top = BEFORE + BESIDES.get(name, "") + "\n"
    if heads or (snippet.startswith(("const ", "enum ")) and "out_us" not in snippet):
        return top + "".join(f"{head};\n" for head in heads) + snippet + "\n"
    declared = re.findall(r"^(?:const )?uint\d+_t (\*?)(\w+) =", snippet, re.MULTILINE)
    used = "".join(f"use({star}{word});\n" for star, word in declared)
    return f"{top}void f(void);\nvoid f(void)\n{{\n{snippet}\n{used}}}\n"


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
@pytest.mark.parametrize("name", [name for name, told in explanations().items() if told.snippet])
def test_snippets_compile(name: str, tmp_path: Path) -> None:
    source = tmp_path / "snippet.c"
    source.write_text(_program(name, explanations()[name].snippet), encoding="utf-8")
    command = ["cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", str(source)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def _answers(name: str, body: str, folder: Path) -> list[str]:
    """Compile a snippet with a program around it and return what that prints."""
    source = folder / "answer.c"
    source.write_text(
        f"#include <stdint.h>\n#include <stdio.h>\n{body.replace('SNIPPET', explanations()[name].snippet)}\n",
        encoding="utf-8",
    )
    subprocess.run(["cc", "-std=c99", "-o", str(folder / "answer"), str(source)], check=True, capture_output=True)
    return subprocess.run([folder / "answer"], check=True, capture_output=True, text=True).stdout.split()


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
@pytest.mark.parametrize(
    ("name", "rule", "ends"), [("CH-VALUE", "truncate", "LOW_US = 1000, SPAN_US = 1000"), ("CH-CENTRE", "centred", "")]
)
def test_mapping_snippets_give_the_profiles_widths(name: str, rule: str, ends: str, tmp_path: Path) -> None:
    """All 256 codes, against `pulse_table`, which is itself held against handbook values."""
    from lostlink_sims.codes import pulse_table

    ends = ends or "LOW_US = 1000, SPAN_US = 1000, HALF_US = 500"
    body = (
        f"enum {{ {ends} }};\nint main(void) {{ for (int i = 0; i < 256; i++) {{ uint8_t code = (uint8_t)i;\n"
        'SNIPPET\nprintf("%u\\n", (unsigned)width_us); } return 0; }'
    )
    assert list(map(int, _answers(name, body, tmp_path))) == list(pulse_table(rule, 1000, 2000))


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_crc_snippet_gives_the_published_check_value(tmp_path: Path) -> None:
    """CRC-8, polynomial 0x07: 0xF4 over "123456789" (the catalogue of parametrised CRC algorithms, CRC-8/SMBUS)."""
    body = 'SNIPPET\nint main(void) { printf("%u\\n", crc8((const uint8_t *)"123456789", 9)); return 0; }'
    assert _answers("FS-DAMAGED", body, tmp_path) == [str(0xF4)]


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
@pytest.mark.parametrize("name", ["FS-WRAP", "FS-CUT"])
def test_timeout_snippets_bear_the_wrap(name: str, tmp_path: Path) -> None:
    """Silences one below and at the timeout, begun just before the counter wraps."""
    snippet = explanations()[name].snippet.replace("heard_us = now_us;", "")
    body = (
        "#define TIMEOUT_US 500000u\nstatic int cut; static void use_failsafe_values(void) { cut = 1; }\n"
        "int main(void) { uint32_t heard_us = 0xFFFFFFF0u; for (uint32_t s = 499999u; s <= 500000u; s++) {\n"
        f'cut = 0; uint32_t now_us = heard_us + s;\n{snippet}\nprintf("%d\\n", cut); }} return 0; }}'
    )
    assert _answers(name, body, tmp_path) == ["0", "1"]


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_hysteresis_snippet_stands_still_and_stays_near(tmp_path: Path) -> None:
    """At each reading, with an error of up to one count, one code; along the track never more than a code off."""
    body = (
        "static uint8_t kept_code; static void look(uint16_t reading) {\nSNIPPET\n}\n"
        "static int off_by(uint16_t reading) { int by = kept_code - (reading >> 2); return by < 0 ? -by : by; }\n"
        "int main(void) { int changes = 0, most = 0;\n"
        "for (int at = 1; at < 1023; at++) { kept_code = (uint8_t)(at >> 2); for (int n = 0; n < 9; n++) {\n"
        "uint8_t old = kept_code; look((uint16_t)(at + n % 3 - 1)); changes += old != kept_code; } }\n"
        "for (int at = 0; at < 2048; at++) { uint16_t r = (uint16_t)(at < 1024 ? at : 2047 - at); look(r);\n"
        'if (off_by(r) > most) most = off_by(r); } printf("%d %d\\n", changes, most); return 0; }'
    )
    assert _answers("HS-STILL", body, tmp_path) == ["0", "1"]


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_debounce_snippet_changes_once_and_in_time(tmp_path: Path) -> None:
    """10 ms of contacts that change with each turn of 300 us, across the wrap of the counter; then they rest."""
    body = (
        "static uint8_t contact, seen, position; static uint32_t seen_us;\n"
        "static int turn(uint32_t now_us) { uint8_t old = position;\nSNIPPET\nreturn old != position; }\n"
        "int main(void) { uint32_t begin_us = 0xFFFFF000u; int changes = 0; uint32_t late_us = 0;\n"
        "for (uint32_t us = 0; us < 100000u; us += 300u) { contact = us < 10000u ? us / 300u % 2u == 0 : 1;\n"
        "if (turn(begin_us + us)) { changes++; late_us = us; } }\n"
        'printf("%d %d %u\\n", changes, position, (unsigned)late_us); return 0; }'
    )
    changes, position, late_us = map(int, _answers("HS-SWITCH", body, tmp_path))
    assert (changes, position) == (1, 1)
    assert late_us <= constants(SUITE.parent / "measure" / "limits.py")["BOUNCE_MARGIN_US"]


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
@pytest.mark.parametrize(("name", "time_us"), [("HS-RATE", "due_us"), ("HS-WRAP", "sent_us")])
def test_rate_snippets_keep_the_mean_across_the_wrap(name: str, time_us: str, tmp_path: Path) -> None:
    """Turns of 700 us, two seconds on either side of the wrap: 200 packets a second, and none a turn late."""
    body = (
        f"#define INTERVAL_US 5000u\nstatic int packets; static uint32_t {time_us};\n"
        "static void send_packet(void) { packets++; } static void turn(uint32_t now_us) {\nSNIPPET\n}\n"
        f"int main(void) {{ uint32_t begin_us = 0u - 2000000u, last_us = 0, most_us = 0; {time_us} = begin_us;\n"
        "for (uint32_t us = 0; us < 4000000u; us += 700u) { int before = packets; turn(begin_us + us);\n"
        "if (packets > before) { if (us - last_us > most_us) most_us = us - last_us; last_us = us; } }\n"
        'printf("%d %u\\n", packets, (unsigned)most_us); return 0; }'
    )
    packets, most_us = map(int, _answers(name, body, tmp_path))
    assert abs(packets - 4_000_000 // 5_000) <= 1
    assert most_us < 5_000 + 700


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
def test_snippet_about_a_broken_wire_takes_no_stop_for_one(tmp_path: Path) -> None:
    """Rails are a break; readings of 5 % to 95 % of 1024 are none, nor is a count of noise beyond them."""
    body = (
        "enum { IDLE_CODE = 0 };\nint main(void) {\n"
        "for (int i = 0; i < 1024; i++) { int reading = i, throttle_code = 9;\n"
        'SNIPPET\nprintf("%d\\n", throttle_code); } return 0; }'
    )
    codes = list(map(int, _answers("HS-WIRE", body, tmp_path)))
    assert codes[0] == codes[1023] == 0
    assert set(codes[int(0.05 * 1024) - 1 : int(0.95 * 1024) + 2]) == {9}


@pytest.mark.parametrize(("pull_ohm", "share", "counts"), [(100_000, "2.4 %", 12), (1_000_000, "0.25 %", 1)])
def test_numbers_of_the_pull_resistor(pull_ohm: int, share: str, counts: int) -> None:
    """The node of a potentiometer of 10 kOhm at its middle, by the current law, with a resistor to the low rail."""
    half_ohm = Fraction(10_000, 2)
    node = (1 / half_ohm) / (2 / half_ohm + Fraction(1, pull_ohm))  # of the supply; 1/2 without the resistor
    fall = 1 - 2 * node
    assert f"{float(100 * fall):.2g} %" == share
    assert math.floor(fall * 512) == counts
    assert share in explanations()["HS-WIRE"].firmware


# --- forms -----------------------------------------------------------------------------------------------------------


def test_one_requirement_with_a_profile() -> None:
    done = explain("fs-cut", HERON)
    assert done.exit_code == 0, done.output
    for said in (
        "FS-CUT (critical)",
        "Why",
        "550 ms (requirements.cut_within)",
        "uint32_t",
        "--only FS-CUT",
        *CAUTIONS,
    ):
        assert said in " ".join(done.output.split())
    assert "HOLDS_FOR_EVER" in done.output


@pytest.mark.parametrize("path", PROFILES)
def test_text_fits_eighty_columns_and_any_terminal(path: str | None) -> None:
    profile = link(path)
    for told in explanations().values():
        for text in (as_text(told, None), as_text(told, profile)):
            assert max(map(len, text.splitlines())) <= 80, told.requirement.id
            assert text.isascii()
    listed = as_list(list(explanations().values()))
    assert max(map(len, listed.splitlines())) <= 80
    assert listed.isascii()


def test_waived_is_said() -> None:
    profile = link(HERON)
    limits = dataclasses.replace(profile.requirements, waived=("FS-STALE",))
    assert "waives it" in as_text(explanations()["FS-STALE"], dataclasses.replace(profile, requirements=limits))
    assert "waives it" not in as_text(explanations()["FS-STALE"], profile)


def test_list() -> None:
    """All by group and severity, a line each; a group by its letters."""
    done = explain()
    assert done.exit_code == 0
    rows = re.findall(r"^ {4}(\S+)", done.output, re.MULTILINE)
    assert sorted(rows) == sorted(CATALOGUE)
    parts = re.split(r"^(?:The receiver|The handset|Both) .*under test.*:$", done.output, flags=re.MULTILINE)
    for side, part in zip(Side, parts[1:], strict=True):  # each side apart
        assert sorted(re.findall(r"^ {4}(\S+)", part, re.MULTILINE)) == sorted(of_sides(side))
    recovery = explain("rc").output
    assert "RC-LIVE" in recovery
    assert "FS-JAM" not in recovery
    assert recovery.index("critical") < recovery.index("RC-LIVE") < recovery.index("major") < recovery.index("RC-TIME")


def test_document() -> None:
    done = explain("--markdown")
    assert done.exit_code == 0
    told = explanations().values()
    assert re.findall(r"^### (\S+)", done.output, re.MULTILINE) == list(CATALOGUE)
    assert done.output.count("```c") == sum(bool(one.snippet) for one in told)
    assert done.output.count("```") == 2 * done.output.count("```c")
    assert all(f"- {caution}" in done.output for caution in CAUTIONS)
    assert explain("--markdown", HERON).output.count("550 ms") >= 10
    assert re.findall(r"^### (\S+)", explain("--markdown", "FS-CUT", HERON).output, re.MULTILINE) == ["FS-CUT"]
    odd = dataclasses.replace(Profile(), name="a*b_<c>")
    assert r"a\*b\_\<c>" in as_markdown(list(told), odd)


def test_pytest_is_not_imported() -> None:
    """Nor the tests: who asks for an explanation does not wait for them."""
    code = (
        "import sys\nfrom lostlink.cli import main\n"
        f"main(['explain', 'FS-CUT', {HERON!r}], standalone_mode=False)\n"
        "sys.exit(any(name in sys.modules for name in ('pytest', 'lostlink.suite.run', 'rich', 'scipy')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert CAUTIONS[0] in " ".join(done.stdout.split())


# --- ids that are none -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("FS-CUTE", "did you mean FS-CUT"),
        ("wrap", "did you mean FS-WRAP or LK-WRAP or HS-WRAP?"),
        ("", "is not a requirement"),
        ("FS-", "allowed: an id that lostlink explain lists"),
        ("MY-FIELD", "a custom one, which is described in the docstring of its test"),
        (HERON, "give the id before the profile"),
        ("x" * 5000, "x..."),
        ("F\u0421-CUT\n", "is not a requirement"),
    ],
)
def test_ids_that_are_none(word: str, said: str) -> None:
    done = explain(word)
    assert done.exit_code == 2
    assert said in done.output
    assert len(done.output) < 400
    assert done.output.count("\n") == 1


def own_tests(folder: Path) -> Path:
    path = folder / "test_field.py"
    path.write_text(
        "import lostlink.requirements as r\n"
        "@r.requirement(severity='critical', requirement_id='MY-FIELD', sentence='Cut within 400 ms.')\n"
        "def test_our_field(rig):\n    '''Twenty flights over our field.\n\n    Each is cut.\n    '''\n"
        "@r.requirement('MY-SILENCE', 'minor', 'Nothing is heard.')\n"
        "def test_silence(rig):\n    pass\n",
        encoding="utf-8",
    )
    return path


def test_requirement_of_the_users_own(tmp_path: Path) -> None:
    path = str(own_tests(tmp_path))
    done = explain("my-field", "--tests", path)
    assert done.exit_code == 0, done.output
    for said in (
        "MY-FIELD (critical)",
        "Cut within 400 ms.",
        "not one of the catalogue",
        f"{path}, line",
        "test_our_field",
    ):
        assert said in done.output
    assert "  Twenty flights over our field.\n\n  Each is cut.\n" in done.output
    assert "no docstring" in explain("MY-SILENCE", "--tests", path).output
    missing = explain("MY-OTHER", "--tests", path)
    assert missing.exit_code == 2
    assert path in missing.output


def garbage() -> Iterator[Callable[[Path], object]]:
    yield lambda path: path.write_text("def (", encoding="utf-8")
    yield lambda path: path.write_bytes(b"\x00\xff\xfe" * 40)
    yield lambda path: path.write_bytes(b"x = '\xff'\n")
    yield lambda path: path.write_text("-" * 200_000 + "1", encoding="utf-8")


@pytest.mark.parametrize("write", list(garbage()))
def test_garbage_in_place_of_tests(write: Callable[[Path], object], tmp_path: Path) -> None:
    path = tmp_path / "test_bad.py"
    write(path)
    done = explain("MY-FIELD", "--tests", str(path))
    assert done.exit_code == 2, done.output
    assert "give a Python file with pytest tests" in done.output
    assert "Traceback" not in done.output


def test_bad_profile(tmp_path: Path) -> None:
    assert explain("FS-CUT", str(tmp_path / "none.toml")).exit_code == 2
    (tmp_path / "bad.toml").write_text("schema = 1\n[receiver]\ntimeout = 5\n", encoding="utf-8")
    done = explain("FS-CUT", str(tmp_path / "bad.toml"))
    assert done.exit_code == 2
    assert "timeout" in done.output


def test_missing_file_of_tests() -> None:
    """Also beside an id that needs none."""
    for name in ("FS-CUT", "MY-FIELD"):
        done = explain(name, "--tests", "no_such_file.py")
        assert done.exit_code == 2
        assert "no_such_file.py" in done.output
