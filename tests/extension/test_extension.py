"""A package of somebody else's, installed and used: receiver, loss model, rig and requirement by their names."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install the package where only these tests see it."""
    folder = tmp_path_factory.mktemp("installed")
    source = tmp_path_factory.mktemp("source") / "package"
    shutil.copytree(HERE / "package", source)
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--no-build-isolation"]
    command += ["--no-compile", "--disable-pip-version-check"]
    subprocess.run([*command, "--target", str(folder), str(source)], check=True, capture_output=True)
    return folder


def with_package(installed: Path) -> dict[str, str]:
    """Return the environment of a process that finds the package."""
    path = os.pathsep.join(filter(None, [str(installed), os.environ.get("PYTHONPATH")]))
    return {**os.environ, "PYTHONPATH": path}


def python(installed: Path, *words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *map(str, words)],
        capture_output=True, text=True, check=False, env=with_package(installed), timeout=300,
    )  # fmt: skip


SERVER = """
import json, sys
from click.testing import CliRunner
from lostlink.cli import main
answers = sys.stdout
for line in sys.stdin:
    done = CliRunner().invoke(main, json.loads(line))
    print(json.dumps([done.exit_code, done.stdout, done.stderr]), file=answers, flush=True)
"""


@pytest.fixture(scope="module")
def server(installed: Path) -> Iterator[subprocess.Popen[str]]:
    """Start a process that finds the package and runs one command after the other."""
    command = [sys.executable, "-c", SERVER]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=with_package(installed)
    ) as running:
        yield running
        running.communicate(timeout=60)


def lostlink(server: subprocess.Popen[str], *words: object) -> subprocess.CompletedProcess[str]:
    """Return what a command says and how it ends."""
    assert server.stdin is not None
    assert server.stdout is not None
    command = list(map(str, words))
    server.stdin.write(json.dumps(command) + "\n")
    server.stdin.flush()
    return subprocess.CompletedProcess(command, *json.loads(server.stdout.readline()))


def outcomes(folder: Path) -> dict[str, str]:
    told = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))
    return {one["id"]: one["outcome"] for one in told["verdicts"]}


def test_receiver(installed: Path, server: subprocess.Popen[str], tmp_path: Path) -> None:
    """It cuts early: a gap that it should bear cuts the throttle; as a program of its own."""
    words = ("--only", "FS-CUT,LK-GAP", "--receiver", "cautious", "--out", tmp_path / "out")
    done = python(installed, "-m", "lostlink", "prove", HERON, *words)
    assert done.returncode == 1, done.stderr
    found = outcomes(tmp_path / "out")
    assert (found["FS-CUT"], found["LK-GAP"]) == ("met", "not met")
    flown = lostlink(server, "campaign", HERON, "--trials", 4, "--receiver", "cautious", "--out", tmp_path / "many")
    assert flown.returncode == 0, flown.stderr


def test_rig_and_requirement(server: subprocess.Popen[str], tmp_path: Path) -> None:
    """535 ms are met in simulation; where instants are known to 20 ms only they are inconclusive."""
    words = ("--tests", "our-field", "--only", "FIELD-CUT", "--out")
    done = lostlink(server, "prove", HERON, *words, tmp_path / "sim")
    assert done.returncode == 0, done.stderr
    assert outcomes(tmp_path / "sim") == {"FIELD-CUT": "met"}
    coarse = lostlink(
        server, "prove", HERON, "--rig", "coarse:20000", *words, tmp_path / "coarse"
    )  # fmt: skip
    assert coarse.returncode == 4, coarse.stderr
    assert outcomes(tmp_path / "coarse") == {"FIELD-CUT": "inconclusive"}
    assert "instants known to ± 20000 µs" in coarse.stdout
    bad = lostlink(server, "prove", HERON, "--rig", "coarse:much", "--out", tmp_path / "bad")
    assert (bad.returncode, bad.stderr.count("\n")) == (3, 1)


def test_rig_whose_name_begins_like_one_of_ours(server: subprocess.Popen[str], tmp_path: Path) -> None:
    """Its own abilities count: no confirmation, no counter that can be set; --receiver is refused."""
    words = ("prove", HERON, "--rig", "serialish:500", "--only", "FS-CUT", "--out")
    done = lostlink(server, *words, tmp_path / "out")
    assert done.returncode == 0, done.stderr
    bench = json.loads((tmp_path / "out" / "verdicts.json").read_text(encoding="utf-8"))["tested"]["bench"]
    assert bench == {"rig": "serialish:500", "instrument": "instants known to ± 500 µs"}
    both = lostlink(server, *words, tmp_path / "both", "--receiver", "cautious")
    assert both.returncode == 2
    assert "leave one of them out" in both.stderr


def test_contracts(installed: Path) -> None:
    """The package's receiver and rig keep the interfaces."""
    code = (
        "from lostlink.contracts import check_receiver, check_rig; from lostlink.profiles import read_link; "
        "from field_kit.receivers import Cautious; from field_kit.rigs import CoarseRig; "
        "link = read_link(None); check_receiver(Cautious, link); check_rig(CoarseRig(link, '500'))"
    )
    done = python(installed, "-c", code)
    assert done.returncode == 0, done.stderr


def test_loss_model(server: subprocess.Popen[str], tmp_path: Path) -> None:
    """Read from a profile, checked like our own, listed in the schema, flown side by side in a campaign."""
    profile = tmp_path / "trees.toml"
    text = HERON.read_text(encoding="utf-8")
    ours = 'model = "periodic interferer"\nperiod = "102.4 ms"\nburst = "1.5 ms"'
    assert ours in text
    profile.write_text(text.replace(ours, 'model = "tree line"\nlap = "2 s"\nloss = "50 %"'), encoding="utf-8")
    flown = lostlink(server, "campaign", profile, "--trials", 300, "--out", tmp_path / "many")
    assert flown.returncode == 0, flown.stderr
    assert "many trials side by side" in flown.stdout
    worst = sorted((tmp_path / "many" / "worst").glob("RC-TIME-*.toml"))[0]
    replayed = lostlink(server, "replay", worst, profile)
    assert "tree line" in replayed.stdout, replayed.stderr
    schema = json.loads(lostlink(server, "schema").stdout)
    assert "tree line" in json.dumps(schema)
    profile.write_text(profile.read_text(encoding="utf-8").replace('"50 %"', '"150 %"'), encoding="utf-8")
    bad = lostlink(server, "prove", profile, "--out", tmp_path / "bad")
    assert bad.returncode == 2
    assert "loss" in bad.stderr
    assert "trees.toml:" in bad.stderr


def test_a_broken_package_is_named_where_it_is_used(server: subprocess.Popen[str], tmp_path: Path) -> None:
    broken = lostlink(server, "prove", HERON, "--receiver", "broken", "--out", tmp_path / "out")
    assert broken.returncode == 2
    assert "field-kit" in broken.stderr
    assert "Traceback" not in broken.stderr
    unknown = lostlink(server, "prove", HERON, "--receiver", "nobody", "--out", tmp_path / "out")
    assert unknown.returncode == 2
    assert "cautious" in unknown.stderr
    fine = lostlink(server, "prove", HERON, "--only", "FS-CUT", "--out", tmp_path / "out")
    assert fine.returncode == 0, fine.stderr
