"""Who may enter which room: imports of `sims` and of the command line."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SIMS = sorted((ROOT / "sims" / "lostlink_sims").glob("*.py"))
PURE = {"numpy", "simpy", "lostlink_sims"}


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add((node.module or "").split(".")[0])
    return names


@pytest.mark.parametrize("path", SIMS, ids=lambda path: path.stem)
def test_the_world_is_pure(path: Path) -> None:
    """`sims` imports numpy and simpy only, never the harness, no clock, no files, no printing."""
    foreign = imported(path) - PURE - set(sys.stdlib_module_names)
    assert not foreign
    assert not imported(path) & {"time", "datetime", "random", "os", "pathlib", "io", "logging", "socket", "threading"}
    calls = {node.func.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}  # fmt: skip
    assert not calls & {"print", "open", "input"}


HEAVY = "{'numpy', 'simpy', 'rich', 'scipy', 'vcd', 'serial', 'lostlink_sims'}"


@pytest.mark.parametrize(
    ("load", "heavy"),
    [
        ("from lostlink.cli import main; main(['--help'], standalone_mode=False)", f"{HEAVY} | {{'pytest'}}"),
        ("import lostlink.plugin", HEAVY),
    ],
    ids=["help", "plugin"],
)
def test_nothing_heavy_is_imported(load: str, heavy: str) -> None:
    """What makes a start slow waits for the command that needs it; the plugin is in every pytest run."""
    code = f"import sys; {load}; found = ({heavy}) & set(sys.modules); sys.exit(f'imported: {{found}}' if found else 0)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert run.returncode == 0, run.stderr
