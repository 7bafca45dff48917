"""What cannot be used is refused in one line with exit code 2, and every end has its own exit code."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from talking_board import TalkingBoard

from lostlink.campaigns.trials import SIDE_BY_SIDE, TRIALS_PER_JOB
from lostlink.cli import main
from lostlink.profiles import read_profile
from lostlink.rigs import SimRig, sides_of
from lostlink.suite.run import run_suite
from lostlink.verdicts import Side
from lostlink.watch.listener import Listener
from lostlink_sims.handset_program import ReferenceHandset

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"


def lostlink(*words: object) -> Any:
    return CliRunner().invoke(main, [str(word) for word in words])


def refused(words: tuple[object, ...], part: str) -> None:
    """See one line that says what is wrong, and exit code 2."""
    done = lostlink(*words)
    assert done.exit_code == 2, done.output
    assert part in done.output
    assert done.output.startswith("lostlink: ")
    assert done.output.count("\n") == 1, done.output


def test_ctrl_c_while_the_program_is_loading(tmp_path: Path) -> None:
    """One line and the usual exit code, not Python's traceback: the first import ends as by Ctrl-C."""
    (tmp_path / "click.py").write_text("raise KeyboardInterrupt\n", encoding="utf-8")
    command = [sys.executable, "-m", "lostlink", "--version"]
    environment = {**os.environ, "PYTHONPATH": str(tmp_path)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "lostlink: interrupted\n")


# --- files -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["", "\n", "  \n\n"])
def test_an_empty_profile(tmp_path: Path, text: str) -> None:
    (tmp_path / "empty.toml").write_text(text, encoding="utf-8")
    refused(("prove", tmp_path / "empty.toml", "--out", tmp_path / "ev"), "is empty")


@pytest.mark.parametrize("text", ["schema = {}", "[handset]\nlink_id = {}", "[radio]\ncrc_bytes = {}"])
def test_whole_numbers_with_thousands_of_digits(tmp_path: Path, text: str) -> None:
    (tmp_path / "link.toml").write_text(text.format(f"0x{'F' * 6000}") + "\n", encoding="utf-8")
    done = lostlink("header", tmp_path / "link.toml")
    assert done.exit_code == 2
    assert re.match(
        r"lostlink: \S+link\.toml:[12]:\d+: [\w.]+: 0xf{58}… is (too large|not a known version)", done.output
    )


def test_a_seed_with_thousands_of_digits(tmp_path: Path) -> None:
    file = tmp_path / "it.scenario.toml"
    file.write_text(f'schema = 1\nname = "x"\nduration = "3 s"\nseed = 0x{"F" * 6000}\n', encoding="utf-8")
    done = lostlink("replay", file)
    assert done.exit_code == 2
    assert f"{file}:4:8: seed: 0xffff" in done.output


@pytest.mark.parametrize("source", ["heron", "new", "evidence"])
def test_a_cut_profile(tmp_path: Path, source: str) -> None:
    """Cut anywhere, also between two lines: never another link without a word."""
    path = HERON
    if source == "new":
        path = tmp_path / "new.toml"
        assert lostlink("new", path).exit_code == 0
    elif source == "evidence":
        assert lostlink("prove", HERON, "--only", "FS-CUT", "--quiet", "--out", tmp_path / "ev").exit_code == 0
        path = tmp_path / "ev" / "profile.toml"
    text = path.read_text(encoding="utf-8")
    begin = text.index("# Complete with the last line")
    body = text.index("\n", begin) + 1
    ends = [position + 1 for position in range(body, len(text) - 1) if text[position] == "\n"]
    ends += random.Random(1).sample(range(body, len(text) - 1), 60)
    cut = tmp_path / "cut.toml"
    for end in ends:
        cut.write_text(text[:end], encoding="utf-8")
        done = lostlink("header", cut)
        assert done.exit_code == 2, text[:end][-80:]
    cut.write_text(text, encoding="utf-8")
    assert lostlink("header", cut).exit_code == 0


def test_a_file_without_an_end_of_its_last_line(tmp_path: Path) -> None:
    """A number may have been cut: 1000 to 10."""
    path = tmp_path / "cut.toml"
    path.write_text('name = "x"\n[receiver]\ntimeout = "500 ms"', encoding="utf-8")
    refused(("header", path), "the end is missing")
    path.write_text('name = "x"\n[receiver]\ntimeout = "500 ms"\n', encoding="utf-8")
    assert lostlink("header", path).exit_code == 0


@pytest.mark.parametrize(
    "words",
    [
        ("prove",),
        ("plan", "fit"),
        ("read",),
        ("replay",),
        ("compare", ROOT),
        ("prove", "--receiver"),
        ("prove", "--rig"),
    ],
    ids=str,
)
def test_a_pipe_is_no_file(tmp_path: Path, words: tuple[object, ...]) -> None:
    os.mkfifo(tmp_path / "pipe")
    pipe = tmp_path / "pipe"
    name = {"--receiver": f"{pipe}:It", "--rig": f"emulated:{pipe}"}.get(str(words[-1]), pipe)
    done = lostlink(*words, name)
    assert done.exit_code == 2
    assert "Traceback" not in done.output


def test_a_file_that_judges_nothing(tmp_path: Path) -> None:
    tests = tmp_path / "test_idle.py"
    tests.write_text("def test_plain():\n    pass\n", encoding="utf-8")
    words = ("--only", "FR-PERIOD", "--tests", tests)
    done = lostlink("prove", HERON, *words, "--out", tmp_path / "ev", "--quiet")
    assert done.exit_code == 2
    assert "no test has a requirement, so nothing is judged there" in done.output


def test_a_name_that_is_not_a_path_for_pytest(tmp_path: Path) -> None:
    tests = tmp_path / "a[1]::x.py"
    tests.write_text("", encoding="utf-8")
    refused(("prove", HERON, "--tests", tests, "--out", tmp_path / "ev"), "pytest takes no path with '::' or '['")
    assert not (tmp_path / "ev").exists()


@pytest.mark.parametrize("option", ["--out", "--csv"])
def test_links_in_a_circle(tmp_path: Path, option: str) -> None:
    (tmp_path / "circle").symlink_to("circle")
    words = ("prove", HERON, "--only", "FS-CUT") if option == "--out" else ("plan", "latency", HERON, "--runs", 1)
    refused((*words, option, tmp_path / "circle"), "ymbolic link")


@pytest.mark.parametrize(
    "port", ["spy:///dev/null?file=VICTIM", "spy://loop://?file=VICTIM", "loop://?logging=x", "socket://:",
             "socket://127.0.0.1:99999", "rfc2217://x", "ftp://host:1"],
)  # fmt: skip
def test_a_port_that_is_no_port_opens_no_file(tmp_path: Path, port: str) -> None:
    """Some URLs of the serial library write a file."""
    victim = tmp_path / "profile.toml"
    victim.write_bytes(HERON.read_bytes())
    done = lostlink("watch", port.replace("VICTIM", str(victim)), "--profile", victim, "--once", 1)
    assert done.exit_code == 3, done.output
    assert "not the address of a port; give a serial port, or socket://HOST:PORT, rfc2217://HOST:PORT" in done.output
    assert done.output.count("\n") == 1
    assert victim.read_bytes() == HERON.read_bytes()


def test_an_open_quote_in_a_loss_log(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text('lost\n0\n"1\n0\n1\n', encoding="utf-8")
    refused(("plan", "fit", log), "log.csv:3:")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda tally: tally.update(trials="many"),
        lambda tally: tally.update(judged=[1]),
        lambda tally: tally.update(losses=[None]),
        lambda tally: tally.pop("trials"),
        lambda tally: [tally.update({key: 1}) for key in list(tally)],
        lambda tally: tally.update(trials=-100),
        lambda tally: tally["judged"].update({"FS-CUT": 10**30 - 1}),
        lambda tally: tally["counts"]["FS-CUT"].update(judged=-1),
        lambda tally: tally["counts"]["FS-CUT"].update(failures=-1),
        lambda tally: tally["counts"]["FS-CUT"]["times"]["counts"].append(1),
        lambda tally: tally["failed"].update({"LK-FALSE": [100]}),
        lambda tally: tally["losses"][0].__setitem__(2, 101),
        lambda tally: tally.pop("first"),
        lambda tally: tally["counts"]["RC-LIVE"]["times"].update(values_us={}),
        lambda tally: tally["counts"]["FS-CUT"].update(worst=""),
        lambda tally: tally["failed"].update({"FS-STAY": {}}),
        lambda tally: tally["failed"].update(critical=[1]),
    ],
    ids=[
        "text", "list", "none", "missing", "numbers", "negative", "huge", "judged", "failures", "times", "failed",
        "losses", "older", "no times", "no list", "no indices", "critical only",
    ],
)  # fmt: skip
def test_an_edited_journal(sound_journal: Path, tmp_path: Path, spoil: Any) -> None:
    """A line that is no tally; the journal holds no other."""
    shutil.copytree(sound_journal, tmp_path / "out")
    words = ("campaign", HERON, "--quiet", "--jobs", 1, "--out", tmp_path / "out", "--trials")
    journal = tmp_path / "out" / "tallies.jsonl"
    tally = json.loads(journal.read_text(encoding="utf-8").splitlines()[0])
    spoil(tally)
    journal.write_text(json.dumps(tally) + "\n", encoding="utf-8")
    before = journal.read_bytes()
    done = lostlink(*words, 200, "--resume")
    assert done.exit_code == 2, done.output
    assert f"{journal}:1: not a valid tally" in done.output
    assert done.output.count("\n") == 1
    assert journal.read_bytes() == before


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda lines: [lines[0], *lines], ":2: begins with trial 0, but the lines above hold 100 trials"),
        (lambda lines: lines[1:], ":1: begins with trial 100, but the lines above hold 0 trials"),
        (lambda lines: lines[:1], " holds 100 of 150 trials"),
        (lambda lines: [b"\xff\n", *lines], ": is not UTF-8 text"),
        (lambda lines: [b"[" * 50_000 + b"\n"], ":1: not a valid tally"),
        (lambda lines: [lines[0].replace(b'"trials"', b'"trials":1,"trials"', 1)], "'trials' is there twice"),
    ],
    ids=["repeated", "first deleted", "last deleted", "not text", "nested", "key"],
)
def test_lines_of_a_journal_follow_each_other(sound_journal: Path, tmp_path: Path, spoil: Any, said: str) -> None:
    shutil.copytree(sound_journal, tmp_path / "out")
    journal = tmp_path / "out" / "tallies.jsonl"
    journal.write_bytes(b"".join(spoil(journal.read_bytes().splitlines(keepends=True))))
    done = lostlink("campaign", HERON, "--quiet", "--jobs", 1, "--out", journal.parent, "--trials", 151, "--resume")
    assert (done.exit_code, done.output.count("\n")) == (2, 1), done.output
    assert str(journal) in done.output
    assert said in done.output


@pytest.fixture(scope="module")
def sound_journal(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Give the evidence of a campaign of two jobs, the first with 100 trials."""
    out = tmp_path_factory.mktemp("sound") / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(TRIALS_PER_JOB, SIDE_BY_SIDE, 100)
        assert lostlink("campaign", HERON, "--quiet", "--jobs", 1, "--out", out, "--trials", 150).exit_code == 0
        yield out


# --- options ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("prove", HERON, "--only", ","), "names no requirement"),
        (("prove", HERON, "--only", ""), "names no requirement"),
        (
            ("prove", HERON, "--only", "hs-gap"),
            "--only: HS-GAP is about a handset under test; leave it out, or give --handset",
        ),
        (
            ("prove", HERON, "--only", "FS-CUT,HS-GAP", "--rig", "emulated:x.elf"),
            "--only: HS-GAP is about a handset under test; leave it out, or give --handset",
        ),
        (
            ("prove", HERON, "--only", "HS-GAP,FS-CUT", "--handset", "mine.py:Mine"),
            "--only: FS-CUT is about a receiver under test; leave it out, or give --receiver",
        ),
        (
            ("prove", HERON, "--only", "PR-OFF", "--handset", "mine.py:Mine"),
            "PR-OFF is about a handset and a receiver under test; leave it out, or give --handset and --receiver",
        ),
        (("prove", HERON, "--baud", 9600), "--baud: does nothing with --rig sim"),
        (("prove", HERON, "--props-off"), "--props-off: does nothing with --rig sim"),
        (("replay", "it.toml", "--baud", 9600), "--baud: does nothing with --rig sim"),
        (
            ("prove", HERON, "--rig", "emulated-live:x.elf", "--jobs", 2),
            "--jobs: does nothing with --rig emulated-live:x.elf",
        ),
        (("prove", HERON, "--rig", "serial"), "--rig serial: names no port"),
        (("hunt", HERON, "--budget", "nan s"), "is not a quantity"),
        (("plan", "timeout", HERON, "--speed", "-1 m/s"), "out of range; allowed: from 0 m/s"),
        (("plan", "timeout", HERON, "--flight", "0 s"), "out of range; allowed: more than 0 us"),
    ],
)
def test_options_that_do_nothing(words: tuple[object, ...], part: str) -> None:
    refused(words, part)


@pytest.mark.parametrize("words", [("watch", "virtual", "--once"), ("plan", "timeout", HERON, "--max-rate")])
def test_not_a_number(words: tuple[object, ...]) -> None:
    done = lostlink(*words, "nan")
    assert done.exit_code == 2
    assert "'nan' is not a number" in done.output


def test_ids_in_any_case(tmp_path: Path) -> None:
    assert lostlink("prove", HERON, "--only", "fs-cut", "--quiet", "--out", tmp_path / "ev").exit_code == 0


@pytest.mark.parametrize(
    ("only", "more", "code", "said"),
    [
        ("FS-CAT", (), 4, "no requirement 'FS-CAT'"),
        (",", (), 4, "names no requirement"),
        ("fs-cut", (), 0, ""),
        ("hs-gap", (), 4, "HS-GAP is about a handset under test; leave it out, or give --lostlink-handset"),
        (
            "fs-cut", ("--lostlink-handset=mine.py:Mine",), 4,
            "FS-CUT is about a receiver under test; leave it out, or give --lostlink-receiver",
        ),
        ("fs-cut", ("--lostlink-rig=bench", "--lostlink-props-off"), 4, "--rig bench: unknown rig"),
    ],
)  # fmt: skip
def test_ids_of_the_plugin(only: str, more: tuple[str, ...], code: int, said: str) -> None:
    """pytest's own code 4 is a wrong use of the command line; it is told in one line."""
    suite = Path(sys.modules["lostlink"].__file__ or "").parent / "suite" / "test_link_loss.py"
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(suite), f"--lostlink-only={only}"]
    done = subprocess.run([*words, *more], capture_output=True, text=True, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    assert done.stderr.strip().count("\n") == 0
    assert said in done.stderr


def test_a_requirement_of_the_other_side_gets_no_verdict() -> None:
    """Also where a rig is handed to the suite: a simulated handset that meets HS-GAP would prove nothing."""
    profile = read_profile(HERON)
    for rig, name in ((SimRig(profile), "HS-GAP"), (SimRig(profile, handset=ReferenceHandset), "FS-CUT")):
        result = run_suite(profile, rig, only=[name])
        assert not result.verdicts
        assert result.exit_code == 2


def test_rigs_name_what_is_under_test() -> None:
    """A board is a receiver, whatever is not given."""
    assert sides_of("emulated:x.elf", None, None) == sides_of("sim", None, None) == {Side.RECEIVER}
    assert sides_of("sim", None, "mine.py:Mine") == {Side.HANDSET}
    assert sides_of("sim", "mine.so", "mine.py:Mine") == set(Side)


HALVED = "e\udcff"
"""A name of a file that is not UTF-8, as Python gets it from the system."""


@pytest.mark.parametrize(
    "words",
    [
        ("prove", HERON, "--out", HALVED),
        ("prove", HALVED),
        ("prove", HERON, "--receiver", f"{HALVED}.py:R"),
        ("prove", HERON, "--tests", HALVED),
        ("campaign", HERON, "--receiver", f"{HALVED}.py:R"),
        ("hunt", f"{HALVED}.toml"),
        ("read", HALVED, HERON),
        ("new", f"{HALVED}.toml"),
        ("compare", HALVED, HALVED),
        (HALVED,),
    ],
    ids=lambda words: ascii(words[-1]) + words[0],
)
def test_names_that_are_not_utf_8(words: tuple[object, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One rule for every command, before anything is done."""
    monkeypatch.chdir(tmp_path)
    refused(words, r"e\udcff")
    refused(words, "is not UTF-8")
    assert not list(tmp_path.iterdir())


# --- ends ------------------------------------------------------------------------------------------------------------


def test_closed_standard_error_changes_no_verdict(tmp_path: Path) -> None:
    words = f"'{sys.executable}' -m lostlink prove '{HERON}' --only FS-CUT --out '{tmp_path / 'ev'}' --quiet 2>&-"
    done = subprocess.run(["sh", "-c", words], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert "cuts the throttle: " in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize(
    ("command", "streams", "code"),
    [
        ("prove HERON --only FS-CUT --quiet --out OUT", "2>/dev/full", 0),
        ("prove HERON --only FS-CUT --quiet --out OUT", ">/dev/full 2>&1", 2),
        ("prove missing.toml", "2>/dev/full", 2),
        ("explain FS-CUT", ">/dev/full 2>&1", 2),
    ],
)
def test_streams_on_a_full_disk_are_no_verdict(tmp_path: Path, command: str, streams: str, code: int) -> None:
    """Never the 1 of "not met", which a CI job with a full disk would read; the evidence is kept."""
    words = command.replace("HERON", f"'{HERON}'").replace("OUT", f"'{tmp_path / 'ev'}'")
    done = subprocess.run(["sh", "-c", f"'{sys.executable}' -m lostlink {words} {streams}"], check=False)
    assert done.returncode == code
    if "--out" in command:
        assert json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))["exit_code"] == 0


@pytest.mark.parametrize("error", [TypeError, EOFError])
def test_an_internal_error_is_not_a_verdict(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: type[Exception]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise error("broken")

    monkeypatch.setattr("lostlink.commands.prove.complete", broken)
    monkeypatch.delenv("LOSTLINK_TRACEBACK", raising=False)
    done = lostlink("prove", HERON, "--only", "FS-CUT", "--quiet", "--out", tmp_path / "ev")
    assert done.exit_code == 2
    assert "lostlink: internal error at test_input_ends.py" in done.output
    assert "Traceback" not in done.output


@pytest.mark.skipif(os.name != "posix", reason="needs a terminal of POSIX")
@pytest.mark.parametrize(("key", "code", "shown"), [("D", 2, "was not answered"), ("C", 130, "interrupted")])
def test_a_question_that_is_left_is_not_a_verdict(tmp_path: Path, key: str, code: int, shown: str) -> None:
    """Ctrl-D and Ctrl-C at a question of ``lostlink new``."""
    import pty

    terminal, stream = pty.openpty()
    command = [sys.executable, "-m", "lostlink", "new", str(tmp_path / "link.toml")]
    running = subprocess.Popen(command, stdin=stream, stdout=stream, stderr=stream)
    try:
        text = b""
        while b"[5 ms]" not in text:
            text += os.read(terminal, 1000)
        if key == "D":
            os.write(terminal, b"\x04")
        until_s = time.monotonic() + 30
        while running.poll() is None and time.monotonic() < until_s:
            time.sleep(0.5)  # noqa: TID251  a signal between the prompt and the read is seen after the read only
            if key == "C":
                running.send_signal(signal.SIGINT)
        assert running.returncode == code
    finally:
        running.kill()
        running.wait()
    text += os.read(terminal, 1000)
    assert shown in text.decode("utf-8", "replace")
    assert not list(tmp_path.iterdir())
    os.close(stream)
    os.close(terminal)


# --- a board that prints noise, or values around 0 -------------------------------------------------------------------


class Noise(TalkingBoard):
    """A board at another rate: bytes by chance, of which a share is replaced by lines of numbers."""

    def __init__(self, sound: float) -> None:
        super().__init__()
        self._sound, self._bytes = sound, random.Random(7)

    def _text(self, at_s: float) -> bytes:
        if self._bytes.random() < self._sound:
            return super()._text(at_s)
        return self._bytes.randbytes(30) + b"\n"


@pytest.mark.parametrize(("sound", "code"), [(0.0, 3), (0.2, 3), (0.8, 4), (0.99, 0)])
def test_watch_on_noise(sound: float, code: int, monkeypatch: pytest.MonkeyPatch) -> None:
    board = Noise(sound)

    class Opened:
        def __enter__(self) -> TalkingBoard:
            return board

        def __exit__(self, *_: object) -> None:
            pass

    monkeypatch.setattr("lostlink.commands.watch.open_line", lambda *_: Opened())
    monkeypatch.setattr(Listener.__init__, "__kwdefaults__", {
        **(Listener.__init__.__kwdefaults__ or {}), "clock_ns": board.clock_ns,
    })  # fmt: skip
    done = lostlink("watch", "virtual", "--once", 20)
    assert done.exit_code == code, done.output
    assert ("baud" in done.output.splitlines()[-1]) == (code != 0)
    assert ("channel 1" in done.output) == (code != 3)


def test_columns_around_zero_are_channels() -> None:
    board = TalkingBoard(text=lambda _, codes: "\t".join(str(4 * (code - 127)) for code in codes))
    listener = Listener(board, clock_ns=board.clock_ns)
    listener.listen_until(board.clock_ns() + 5_000_000_000)
    layout = listener.layout
    assert layout is not None
    assert layout.channels == (0, 1, 2, 3)
    assert layout.reach == 500
    assert not layout.others
