"""``lostlink explain``: whole, true to the suite and to the faulty receivers, and C that compiles."""

from __future__ import annotations

import ast
import dataclasses
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from proving import prove

from lostlink.cli import main
from lostlink.profiles import read_profile
from lostlink.profiles.models import settings_of
from lostlink.profiles.quantities import parse
from lostlink.requirements import CATALOGUE
from lostlink.results import CAUTIONS
from lostlink.show.explanation import as_list, as_markdown, as_text
from lostlink.suite.explanations import COUNTS, GROUPS, explanations, filled, flights, setting_text
from lostlink.verdicts import Outcome, Verdict
from lostlink_sims import Profile
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
    """Return the functions of some folders by name."""
    found = {}
    for folder in folders:
        for path in sorted(folder.glob("*.py")):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.FunctionDef):
                    found[node.name] = node
    return found


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
    verdicts = proven(path, only=() if long else [name for name in CATALOGUE if name != "FS-VARIED"])
    _numbers_of_flights_are_as_told(path, verdicts)
    if path == HERON:
        _limits_are_as_told(verdicts)


def _numbers_of_flights_are_as_told(path: str | None, verdicts: dict[str, Verdict]) -> None:
    seen = 0
    for name, verdict in verdicts.items():
        if verdict.outcome is not Outcome.NOT_TESTED:
            seen += 1
            said = flights(explanations()[name], link(path))
            assert verdict.runs == said or (explanations()[name].or_more and verdict.runs > said), name
    assert seen >= len(CATALOGUE) - 4


def _limits_are_as_told(verdicts: dict[str, Verdict]) -> None:
    """See the limit next to the result that came closest to it in the explanation, with its value."""
    seen = 0
    for name, verdict in verdicts.items():
        number = re.fullmatch(r"at (?:most|least) ([\d.]+ (?:us|ms|s))", verdict.limit.replace("µ", "u"))
        if number is None or name == "FS-RISE":  # counts are in words; FS-RISE adds its tolerance to what was seen
            continue
        said = " ".join(filled(text, link(HERON)) for text in explanations()[name].measured)
        values = {parse(value, "duration") for value in re.findall(r"[\d.]+ (?:us|ms|s)\b", said)}
        assert parse(number[1], "duration") in values, (name, said)
        seen += 1
    assert seen > 30


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
    assert said >= _limits_used(told.where[1], sources(SUITE))
    assert said <= _limits_used(told.where[1], sources(SUITE, MEASURE))


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
    ],
)
def test_numbers_in_words_stand_in_the_suite(name: str, said: str, source: str) -> None:
    told = explanations()[name]
    assert said in " ".join((told.tested, *told.measured))
    assert _tight(source) in _tight(ast.unparse(sources(SUITE)[told.where[1]]))


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
    functions = sources(SUITE)
    for name, told in explanations().items():
        source = ast.unparse(functions[told.where[1]])
        skips = any(word in source for word in ("pytest.skip", "needs_clock", "_needs_link_id"))
        assert skips == bool(told.untested), name


def test_what_is_not_tested_on_the_plain_link() -> None:
    """Three settings that the plain link lacks, each named as the cause. Only what may be not tested is run.

    FS-VARIED is left out: it is a rig that cannot test it, never a profile.
    """
    only = [name for name, told in explanations().items() if told.untested and name != "FS-VARIED"]
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
    rows = [line for line in done.output.splitlines() if line.startswith("    ")]
    assert sorted(row.split()[0] for row in rows) == sorted(CATALOGUE)
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
        ("wrap", "did you mean FS-WRAP or LK-WRAP?"),
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
