"""What is installed: both import packages, the suite's settings, the type marker; nothing else."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import lostlink

ROOT = Path(__file__).parents[2]


def test_wheel_holds_what_it_needs(tmp_path: Path) -> None:
    """A wheel built from this tree."""
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    build = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)
    assert build.returncode == 0, build.stderr
    (wheel,) = tmp_path.glob("lostlink-*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    data = ("py.typed", "suite/suite.ini", "rigs/native/driver.c", "cli.py")
    assert {f"lostlink/{name}" for name in data} | {"lostlink_sims/py.typed"} <= names
    assert {name.split("/")[0] for name in names if ".dist-info" not in name} == {"lostlink", "lostlink_sims"}
    entry_points = next(name for name in names if name.endswith("entry_points.txt"))
    text = zipfile.ZipFile(wheel).read(entry_points).decode()
    assert "lostlink = lostlink.__main__:main" in text
    assert "[pytest11]" in text


def test_one_version() -> None:
    """The version is said twice, the same."""
    assert f'version = "{lostlink.__version__}"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")
