"""The suite finds changed lines of the examples, two receivers and a handset: a sample of ``ci/mutants``."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

mutants = pytest.importorskip("mutants", reason="mutants are not tested: there is no universalmutator here")
ROOT = Path(__file__).parents[2]
SEED = 2
"""With this one the gate's sample has none that needs the whole suite."""
NEEDS_C = pytest.mark.skipif(shutil.which("cc") is None, reason="mutants in C are not tested: there is no cc here")


def judged(journal: Path, *words: str) -> tuple[int, str]:
    """Judge mutants in a process of its own, because this one has threads and may not fork; return code and output."""
    command = [sys.executable, str(ROOT / "ci" / "mutants.py"), "--journal", str(journal), "--jobs", "1", *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


@pytest.mark.parametrize(
    "language", [pytest.param("c", marks=NEEDS_C), "python", pytest.param("handset", marks=NEEDS_C)]
)
def test_no_mutant_of_a_sample_survives(language: str, tmp_path: Path, long: bool) -> None:
    """None that is not listed as equivalent; ``--long``: of a hundred each."""
    number = 100 if long else 2
    code, said = judged(tmp_path / "journal", "--language", language, "--sample", str(number), "--seed", str(SEED))
    assert code == 0, said
    fates = [json.loads(row)["fate"] for row in (tmp_path / "journal").read_text().splitlines()]
    assert fates.count(mutants.KILLED) >= number // 2
    again, said = judged(tmp_path / "journal", "--language", language, "--sample", str(number), "--seed", str(SEED))
    assert again == 0
    assert f"{len(fates)} of them finished before" in said


def test_the_list_is_of_mutants() -> None:
    """Each mutant that is listed as equivalent is still one that the tool makes, and has a reason."""
    made = {mutant.key for language in mutants.EXAMPLES for mutant in mutants.mutants(language)}
    listed = mutants.listed()
    assert [key for key in listed if key not in made] == []
    assert all(reason.strip() for reason in listed.values())


def test_mutants_of_every_function() -> None:
    """No part of a receiver that decides something is left out."""
    scopes = {mutant.scope for language in mutants.EXAMPLES for mutant in mutants.mutants(language)}
    assert {"is_good", "judge_silence", "come_back", "receiver_pulses", "receiver_turn", "crc8"} <= scopes
    assert {"TRANSITIONS", "ReferenceReceiver._is_good", "ReferenceReceiver.poll"} <= scopes
    assert not any(scope.startswith("Receiver.") for scope in scopes)


STOPS = {
    "c": ("r->heard_us = clock_us;", {
        "*(volatile int *)0 = 1;": "dies (SIGSEGV)",
        "for (;;) ;": "loops",
        "{ extern void _exit(int); _exit(0); }": "ends its process",
    }),
    "python": ("self._heard_us = clock_us", {"while True: pass": "loops", "self._step()": "on heron"}),
}  # fmt: skip
"""A line of each receiver, what it becomes, and what is said about it."""


@pytest.mark.parametrize("language", [pytest.param("c", marks=NEEDS_C), "python"])
def test_a_mutant_that_stops_is_killed(language: str) -> None:
    """A crash, an exit and an endless loop end the mutant's process only."""
    line, changes = STOPS[language]
    program = (
        "import mutants as m\n"
        "m.RUN_CPU_S = 1\n"
        f"lines = m.plain_lines({language!r})\n"
        f"number = next(i for i, row in enumerate(lines) if row.strip() == {line!r})\n"
        "before = lines[number]\n"
        f"for change in {[*changes]!r}:\n"
        f"    mutant = m.Mutant({language!r}, number + 1, 'packet', before, before.replace({line!r}, change))\n"
        "    fate = m.run_all([mutant], 1)[mutant]\n"
        "    print(fate.fate, fate.why)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT / "ci", capture_output=True, text=True, check=True)
    for said, why in zip(done.stdout.splitlines(), changes.values(), strict=True):
        assert said.startswith("killed ")
        assert why in said
