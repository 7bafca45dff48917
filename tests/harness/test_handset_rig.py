"""A handset's program in a process of its own: prove, replay, compare, and what it does wrong."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result

from lostlink.cli import main
from lostlink.evidence.schemas import VERDICTS_SCHEMA
from lostlink.requirements import of_sides
from lostlink.results import HANDSET_ONLY
from lostlink.verdicts import Side

PLAIN = """
class Plain:
    def __init__(self, profile):
        self.next, self.row = 0, None

    def power_on(self, clock_us, cause):
        self.next = clock_us

    def turn(self, clock_us, readings, switches):
        self.row = bytes([r >> 2 for r in readings[:4]] + [255 * s for s in switches])
        self.next = (self.next + 5000) & 0xFFFF_FFFF
        return self.next

    def packet(self, clock_us):
        row, self.row = self.row, None
        return row


class Wrong(Plain):
    def turn(self, clock_us, readings, switches):
        if clock_us > 400_000:
            {}
        return super().turn(clock_us, readings, switches)


class Receiver:
    failsafe = True
    def __init__(self, profile): pass
    def power_on(self, clock_us): pass
    def packet(self, clock_us, payload): pass
    def poll(self, clock_us): return None
    def pulses(self, clock_us): return (1500, 1500, 1000, 1500, 1000, 1000, 1000, 1000)
"""
"""A handset in ten lines, for the plain link."""

Program = Callable[..., Path]


@pytest.fixture
def program(tmp_path: Path) -> Program:
    """Return what writes the programs into a file; the wrong one does what is given."""

    def write(wrong: str = "pass") -> Path:
        path = tmp_path / "mine.py"
        path.write_text(PLAIN.format(wrong), encoding="utf-8")
        return path

    return write


def prove(*words: str) -> Result:
    return CliRunner().invoke(main, ["prove", *words])


def test_a_handset_in_ten_lines(program: Program, tmp_path: Path) -> None:
    """It sends throttle as it is switched on, and every bounce of a switch; everything else of it is in order."""
    out = tmp_path / "out"
    done = prove("--handset", f"{program()}:Plain", "--out", str(out))
    assert done.exit_code == 1, done.output
    assert HANDSET_ONLY in done.stdout
    assert "Do not use this handset: " in done.stdout
    document = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, VERDICTS_SCHEMA)
    assert document["tested"]["proves"] == ["handset"]
    assert len(document["tested"]["handset_sha256"]) == 64
    assert [one["id"] for one in document["verdicts"]] == of_sides(Side.HANDSET)
    failed = {one["id"] for one in document["verdicts"] if one["outcome"] == "not met"}
    assert failed == {"HS-START", "HS-SWITCH", "HS-VARIED", "HS-WRAP"}  # contacts bounce there too
    not_tested = {one["id"] for one in document["verdicts"] if one["outcome"] == "not tested"}
    # no address, battery, answers or counter; the throttle's travel is the whole track
    assert not_tested == {"HS-ADDRESS", "HS-RADIO", "HS-DEAF", "HS-BATTERY", "HS-REF", "HS-COUNT", "HS-WIRE"}
    assert HANDSET_ONLY in (out / "report.html").read_text(encoding="utf-8")
    replayed = CliRunner().invoke(
        main, ["replay", str(out / "failing" / "HS-START.scenario.toml"), "--handset", f"{tmp_path / 'mine.py'}:Plain"]
    )
    assert replayed.exit_code == 0, replayed.output


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("raise KeyError('no')", "KeyError in the handset's turn() at"),
        ("while True: pass", "the handset's turn() at"),
        ("return 'soon'", "the handset's turn(), which returns a clock or None"),
        ("import os; os._exit(0)", "the handset's turn() at"),
        ("self.row = bytes(33); return clock_us + 5000", "a payload of 33 bytes; allowed: 1 to 32"),
        ('self.row = "text"; return clock_us + 5000', "a payload is str; allowed: bytes, or None"),
    ],
)
def test_what_a_program_does_wrong_is_a_finding(
    program: Program, tmp_path: Path, wrong: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("lostlink.rigs.own_process.PATIENCE_S", 1.0)
    words = ("--handset", f"{program(wrong)}:Wrong", "--only", "HS-CENTRE", "--out", str(tmp_path / "out"))
    done = prove(*words)
    assert done.exit_code == 1, done.output
    assert "a program under test crashed" in done.stdout
    assert said in done.stdout


def test_globals_begin_anew_in_each_run(program: Program, tmp_path: Path) -> None:
    """What an earlier run left behind decides nothing."""
    path = program()
    text = path.read_text(encoding="utf-8") + (
        "\nturns = 0\n\nclass Ages(Plain):\n    def turn(self, *rest):\n        global turns\n        turns += 1\n"
        "        if turns > 13_000:\n            raise ValueError('old')\n        return super().turn(*rest)\n"
    )
    path.write_text(text, encoding="utf-8")
    words = ("--only", "HS-VALUE,HS-CENTRE,HS-ENDS,HS-ORDER,HS-SENSE,HS-RATE", "--quiet")
    done = prove("--handset", f"{path}:Ages", *words, "--out", str(tmp_path / "out"))
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--handset", "nothing.py:Plain"), "there is no file nothing.py"),
        (("--handset", "mine.py:Plane"), "mine.py has no 'Plane'; did you mean 'Plain'?"),
        (("--handset", "mine.py:Receiver"), "Receiver is not a handset, it lacks turn"),
        (("--handset", "Plain"), "--handset Plain: no name; allowed: FILE.py:Name, such as my_handset.py:MyHandset"),
        (("--handset", "mine.so"), "--handset mine.so: no such file; name a shared library"),
        (("--handset", "mine.c"), "--handset mine.c: a source file; compile it, and give the library ./mine.so: cc "),
        (("--handset", "mine.py:Plain", "--rig", "serial:/dev/x"), "a receiver on a rig is tested by itself"),
    ],
)
def test_what_cannot_be_tested_is_refused(
    program: Program, tmp_path: Path, words: tuple[str, ...], said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    program()
    monkeypatch.chdir(tmp_path)
    done = prove(*words)
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert "Traceback" not in done.output


def test_a_handset_and_a_receiver_are_not_compared(program: Program, tmp_path: Path) -> None:
    """Neither is evidence for the other."""
    handset, receiver = tmp_path / "handset", tmp_path / "receiver"
    assert prove("--handset", f"{program()}:Plain", "--only", "HS-CENTRE", "--out", str(handset)).exit_code == 0
    assert prove("--only", "CH-CENTRE", "--out", str(receiver)).exit_code == 0
    done = CliRunner().invoke(main, ["compare", str(handset), str(receiver)])
    assert done.exit_code == 2
    assert "proves the handset" in done.stderr
    assert "proves the receiver" in done.stderr


def test_the_pair(program: Program, tmp_path: Path) -> None:
    """A receiver that never follows: the handset is sound, the pair is not, and neither is the receiver."""
    path, out = program(), tmp_path / "out"
    words = ("--handset", f"{path}:Plain", "--receiver", f"{path}:Receiver", "--only", "HS-CENTRE,PR-MATCH,CH-VALUE")
    done = prove(*words, "--out", str(out))
    assert done.exit_code == 1, done.output
    document = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    assert document["tested"]["proves"] == ["receiver", "handset", "pair"]
    outcomes = {one["id"]: one["outcome"] for one in document["verdicts"]}
    assert outcomes["PR-MATCH"] == outcomes["CH-VALUE"] == "not met"
    assert outcomes["HS-CENTRE"] == "inconclusive"  # the wire does not answer


def test_any_number_of_processes_gives_the_same(program: Program, tmp_path: Path) -> None:
    path, found = program(), []
    only = "HS-VALUE,HS-START,HS-SWITCH,HS-FRESH,HS-RESET"
    for jobs in ("1", "2"):
        out = tmp_path / jobs
        prove("--handset", f"{path}:Plain", "--only", only, "--jobs", jobs, "--out", str(out))
        document = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
        found.append([{k: v for k, v in one.items() if k != "replay"} for one in document["verdicts"]])
    assert found[0] == found[1]


def test_plain_pytest(program: Program, tmp_path: Path) -> None:
    """A test of one's own gets a rig with the handset."""
    (tmp_path / "test_own.py").write_text(
        "from lostlink.requirements import requirement\n"
        "@requirement('MY-OWN', 'minor', 'It sends.')\n"
        "def test_own(rig, scenario, judge):\n"
        "    trace = rig.run(scenario.blank(duration_us=1_000_000))\n"
        "    assert len(trace.packets.left_us) > 190\n"
        "    assert trace.payload_lengths is not None\n"
        "    assert rig.sides == {'handset'}\n",
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_own.py"]
    done = subprocess.run(
        [*command, f"--lostlink-handset={program()}:Plain"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert "judged no measurement" in done.stdout + done.stderr or done.returncode == 0, done.stdout
