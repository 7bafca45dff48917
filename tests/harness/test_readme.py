"""What the README shows is what happens."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from lostlink.cli import COMMANDS, main
from lostlink.requirements import of_sides
from lostlink.verdicts import Side

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
PYTHON = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)


def _session(command: str, monkeypatch: pytest.MonkeyPatch, folder: Path) -> int:
    """Run a command of the README in a folder; see that it prints what the README shows, and return its exit code."""
    monkeypatch.chdir(folder)
    session = re.search(rf"```console\n\$ lostlink ({command}.*?)\n(.*?)\n```", TEXT, re.DOTALL)
    assert session is not None
    run = CliRunner().invoke(main, session[1].replace("fixtures/", f"{ROOT}/fixtures/").split())
    assert run.stdout.strip() == session[2]
    return run.exit_code


def test_receiver_of_the_readme(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first receiver holds its last value; the session shows the sentence that it is told."""
    (tmp_path / "first.py").write_text(PYTHON[0], encoding="utf-8")
    assert _session(r"prove \S+ --receiver", monkeypatch, tmp_path) == 1


def test_handset_of_the_readme(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sound handset meets everything that the link lets anybody test."""
    (tmp_path / "my_handset.py").write_text(PYTHON[1], encoding="utf-8")
    assert _session(r"prove \S+ --handset", monkeypatch, tmp_path) == 4


def test_requirement_of_the_readme(tmp_path: Path) -> None:
    """A requirement of the user's own, on the shipped profile."""
    tests = tmp_path / "test_our_field.py"
    tests.write_text(PYTHON[2], encoding="utf-8")
    words = ["prove", str(ROOT / "fixtures/profiles/heron.toml"), "--tests", str(tests), "--out", str(tmp_path / "ev")]
    run = CliRunner().invoke(main, [*words, "--only", "MY-FIELD"])
    assert run.exit_code == 0, run.output


def test_every_option_and_command_is_named() -> None:
    """The README knows every command, every option of the main job, and how many requirements there are."""
    for name in COMMANDS:
        assert f"lostlink {name}" in TEXT, name
    prove = main.get_command(click.Context(main), "prove")
    assert prove is not None
    for parameter in prove.params:
        if parameter.param_type_name == "option" and parameter.name != "help":
            assert parameter.opts[0] in TEXT, parameter.opts[0]
    assert f"{len(of_sides(Side.RECEIVER))} requirements" in TEXT
    assert f"{len(of_sides(Side.HANDSET))} requirements on a handset" in TEXT
    assert f"{len(of_sides(Side.PAIR))} requirements on the two together" in TEXT
