"""Help texts and completion: every command shows an example, and shells can complete."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator

import click
import pytest
from click.testing import CliRunner

from lostlink.cli import main


def commands(group: click.Group, *before: str) -> Iterator[tuple[str, ...]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield (*before, name)
        if isinstance(command, click.Group):
            yield from commands(command, *before, name)


@pytest.mark.parametrize("words", list(commands(main)))
def test_help_has_an_example(words: tuple[str, ...]) -> None:
    done = CliRunner().invoke(main, [*words, "--help"])
    assert done.exit_code == 0
    assert f"  lostlink {' '.join(words)}" in done.output
    assert max(map(len, done.output.splitlines())) <= 120


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion(shell: str) -> None:
    """The script for a shell, and the words it would be given."""
    run = [sys.executable, "-c", "from lostlink.cli import main; main(prog_name='lostlink')"]
    script = subprocess.run(
        run, env={**os.environ, "_LOSTLINK_COMPLETE": f"{shell}_source"}, capture_output=True, text=True, check=False
    )
    assert script.returncode == 0
    assert "lostlink" in script.stdout
    words = {"COMP_WORDS": "lostlink pr", "COMP_CWORD": "1" if shell != "fish" else "pr"}
    asked = subprocess.run(
        run, env={**os.environ, "_LOSTLINK_COMPLETE": f"{shell}_complete", **words}, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert "prove" in asked.stdout
