"""Every command that the README shows is run, in three parts, each in order in a new user's folder.

The first command of lostlink in each part is a program of its own, the others run in this process; with ``--long``
all are programs. Long ones are made short, and ports that are not there must be refused in one line: `SHORTER` and
`AWAY` say where.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from lostlink.cli import main

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
SHELL = "\n".join(re.findall(r"```(?:sh|console)\n(.*?)```", TEXT, re.DOTALL))
PYTHON = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)

SHORTER = {
    "--trials 1000000": "--trials 300",
    "--trials 5000": "--trials 20 --jobs 1",
    '--until "p < 1e-4 at 95 %"': '--until "p < 0.2 at 95 %"',
    '--budget "60 s"': "--runs 30",
    "prove fixtures/profiles/heron.toml\n": "prove fixtures/profiles/heron.toml --only FS-CUT,CH-VALUE\n",
    "prove my_link.toml\n": "prove my_link.toml --only FS-CUT,CH-VALUE\n",  # on the whole: test_prove.py
    "prove my_link.toml --tests": "prove my_link.toml --only MY-FIELD,FS-CUT --tests",
    "prove my_link.toml --receiver ./": "prove my_link.toml --only FS-CUT,CH-VALUE --receiver ./",
    "--rig emulated:build/receiver.elf": "--rig emulated:build/receiver.elf --only FR-COUNT",
    "first.py:HoldsItsLastValue": "first.py:HoldsItsLastValue --only FS-CUT",
    "my_handset.py:MyHandset --quiet": "my_handset.py:MyHandset --only HS-START,HS-ENDS",  # whole: test_readme.py
    "hunt my_link.toml --handset": "hunt my_link.toml --runs 30 --handset",
    # On the whole: test_handset_in_c.py.
    "prove my_link.toml --handset ./": "prove my_link.toml --only HS-START,HS-ENDS --handset ./",
    "campaign my_link.toml --handset": "campaign my_link.toml --trials 20 --handset",
    "serial:/dev/ttyACM0": "serial:/dev/ttyACM0 --props-off",
    "-n 2": "-n 2 --lostlink-only FS-CUT",
    "--failsafe-test": "--failsafe-test --props-off",
}
"""What takes minutes or asks, and what is run in its place; a command ends with a new line."""
AWAY = ("/dev/ttyACM0",)
"""What is not there when tests run: the tool must say so and end with code 3."""
FIRST = "lostlink new my_link.toml"
"""What all parts begin with."""
FOR_IMAGES = ("make", "arm-none-eabi-gcc", "qemu-system-arm")
"""What commands about firmware images need; where one is missing they are left out."""


def commands() -> list[str]:
    """Return the lines of the README that begin with lostlink or pytest, without what is said of them."""
    found = []
    for line in SHELL.splitlines():
        command = line.removeprefix("$ ").strip()
        command = re.sub(r"\s+#.*$", "", command)
        if (
            command.startswith(("lostlink ", "pytest ", "cc ", "make "))
            and "..." not in command
            and command not in found
        ):
            found.append(command)
    return found


def part_of(command: str) -> str:
    """Return the part that runs a command: no part uses a file of another, but for the profile."""
    if any(name in command for name in ("my_receiver", "link.h", "build/", "my_handset.c", "my_handset.so")):
        return "C"
    return "suite" if any(name in command for name in ("prove ", "pytest ", "replay ")) else "rest"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with what the README takes for granted: files of the user's own."""
    home = tmp_path
    (home / "fixtures").symlink_to(ROOT / "fixtures")
    (home / "first.py").write_text(PYTHON[0], encoding="utf-8")
    (home / "my_handset.py").write_text(PYTHON[1], encoding="utf-8")
    (home / "test_our_field.py").write_text(PYTHON[2], encoding="utf-8")
    shutil.copy(ROOT / "fixtures" / "losses" / "pond.csv", home / "flight.csv")
    shutil.copy(ROOT / "fixtures" / "captures" / "failsafe.vcd", home / "bench.vcd")
    shutil.copy(ROOT / "fixtures" / "captures" / "short_gap.csv", home / "bench.csv")
    for name in ("receiver.c", "handset.c"):  # their headers are where the commands look for them
        shutil.copy(ROOT / "fixtures" / "board" / name, home / re.sub(r"^(receiver|handset)\.c$", r"my_\1.c", name))
    return home


def run(command: str, home: Path, *, program: bool) -> tuple[int, str]:
    """Run a command, as a program or in this process; return its exit code and what it said."""
    command += "\n"
    for long, short in SHORTER.items():
        command = command.replace(long, short)
    command = command.strip()
    words, _, into = command.replace("$PWD", str(home)).partition(" > ")
    name, *rest = shlex.split(words)
    if name == "lostlink" and not program:
        done = CliRunner().invoke(main, rest, catch_exceptions=False)
        code, said, stdout = done.exit_code, done.output, done.stdout
    else:
        start = [sys.executable, "-m", name] if name in ("lostlink", "pytest") else [name]
        ended = subprocess.run(
            [*start, *rest], cwd=home, capture_output=True, text=True, timeout=300, check=False,
            stdin=subprocess.DEVNULL,
        )  # fmt: skip
        code, said, stdout = ended.returncode, ended.stdout + ended.stderr, ended.stdout
    if into:
        (home / into.strip()).write_text(stdout, encoding="utf-8")
    return code, said


def test_every_command_is_found() -> None:
    assert len(commands()) > 20
    for name in ("prove", "campaign", "plan timeout", "hunt", "watch", "read", "ports", "replay", "header", "schema"):
        assert any(f"lostlink {name}" in command for command in commands()), name


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler here")
@pytest.mark.parametrize("part", ["C", "suite", "rest"])
def test_commands_of_the_readme(folder: Path, part: str, long: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """One after the other, as a new user would."""
    monkeypatch.chdir(folder)
    images = all(shutil.which(name) for name in FOR_IMAGES)
    for command in (command for command in commands() if command == FIRST or part_of(command) == part):
        if not images and ("emulated" in command or command.startswith("make ")):
            continue
        if command.startswith("lostlink replay"):  # the failing run that it replays
            first = "lostlink prove my_link.toml --receiver first.py:HoldsItsLastValue"
            assert run(first, folder, program=long)[0] == 1
        code, said = run(command, folder, program=long or command == FIRST)
        assert "Traceback" not in said, (command, said[-2000:])
        if any(port in command for port in AWAY):
            assert code in (2, 3), (command, said[-500:])
            assert "ttyACM0" in said, command
            continue
        name = command.split()[1] if command.startswith("lostlink ") else command.split()[0]
        wanted = {0}
        if "HoldsItsLastValue" in command:
            wanted = {1}
        if name == "read":
            wanted |= {4}
        assert code in wanted, (command, code, said[-2000:])
