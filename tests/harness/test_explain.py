"""``lostlink explain``: whole, true to suite and firmware, and C that compiles."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from lostlink.cli import main
from lostlink.explain.read import as_text, explanations, limit_text
from lostlink.profiles import read_profile
from lostlink.requirements import CATALOGUE
from lostlink_sims import Profile

HERON = "fixtures/profiles/heron.toml"
MISTAKES = tomllib.loads(Path("fixtures/board/mistakes.toml").read_text(encoding="utf-8"))
TEXTS = tomllib.loads(Path("harness/lostlink/explain/texts.toml").read_text(encoding="utf-8"))


def explain(*words: str) -> Result:
    return CliRunner().invoke(main, ["explain", *words])


def test_each_requirement_is_explained_and_nothing_else() -> None:
    assert list(explanations()) == list(CATALOGUE)
    assert set(TEXTS) == set(CATALOGUE)
    for name, told in explanations().items():
        assert len(told.why) > 60, name
        assert told.tested, name
        assert told.mistakes, name
        assert len(told.firmware) > 20, name
        assert set(told.related) <= set(CATALOGUE) - {name}, name
        assert told.related, name


def test_limits_are_keys_of_a_profile() -> None:
    for name, told in explanations().items():
        for key in told.limits:
            assert limit_text(key, Profile()) not in ("", "None"), (name, key)
    assert limit_text("requirements.cut_within", read_profile(HERON)) == "550 ms"
    assert "throttle 1000 us" in limit_text("channels.failsafe", read_profile(HERON))


def test_one_requirement() -> None:
    done = explain("fs-cut", HERON)
    assert done.exit_code == 0, done.output
    for said in ("FS-CUT (critical)", "Why", "550 ms", "uint32_t", "--only FS-CUT"):
        assert said in done.output
    assert max(map(len, done.output.splitlines())) <= 80


def test_lines_fit_a_screen() -> None:
    for told in explanations().values():
        assert max(map(len, as_text(told, Profile()).splitlines())) <= 80, told.requirement.id


def test_list_and_document() -> None:
    listed = explain()
    assert all(name in listed.output for name in CATALOGUE)
    document = explain("--markdown").output
    assert document.count("\n## ") == len(CATALOGUE)
    assert document.count("```c") == sum(bool(told.snippet) for told in explanations().values())


def test_unknown_requirements() -> None:
    done = explain("FS-CUTE")
    assert done.exit_code == 2
    assert "did you mean FS-CUT?" in done.output


def test_requirements_that_mistakes_are_about_are_told_with_mistakes() -> None:
    """What `fixtures/board/faulty.c` gets wrong has a requirement that speaks of mistakes."""
    assert set(MISTAKES.values()) <= set(TEXTS)


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
@pytest.mark.parametrize("name", [name for name, told in explanations().items() if told.snippet])
def test_snippets_compile(name: str, tmp_path: Path) -> None:
    snippet = explanations()[name].snippet
    is_function = snippet.startswith("void ")
    before = """
#include <stdint.h>
enum { TIMEOUT_US = 500000, TIMEOUT_MS = 500, PAYLOAD_BYTES = 9, ID_AT = 6, LINK_ID = 42, COUNTER_AT = 7,
       GAP_US = 7500, NEEDED = 3, CHANNELS = 8 };
extern uint32_t now_us, heard_us, now_ms, heard_ms, good;
extern uint8_t payload[], last_counter, code;
extern uint16_t frame[], wanted[];
extern unsigned length;
void use_failsafe_values(void); void leave_failsafe(void); void start_frame(void);
void disable_interrupts(void); void enable_interrupts(void); uint32_t clock_us(void); void use(uint32_t value);
"""
    declared = re.match(r"\s*(?:uint32_t|uint16_t) (\w+)", snippet)
    used = f"\nuse({declared[1]});" if declared else ""
    body = snippet if is_function else f"void f(void);\nvoid f(void) {{\n{snippet}{used}\n}}"
    if is_function:
        body = f"{snippet.splitlines()[0].split('{')[0].strip()};\n{snippet}"
    source = tmp_path / "snippet.c"
    source.write_text(before + body + "\n", encoding="utf-8")
    command = ["cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", str(source)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
