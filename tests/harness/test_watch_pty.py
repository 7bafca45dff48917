"""`lostlink watch` on a real terminal device: what comes, what does not, what goes away.

Times are held against the tool's own uncertainty, and deadlines are generous: a busy machine changes neither.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from talking_board import PtyBoard, TalkingBoard

from lostlink.bench.line import open_line
from lostlink.cli import main
from lostlink.errors import RigError
from lostlink.watch.judging import AttemptResult
from lostlink.watch.listener import Listener
from lostlink.watch.procedure import FailsafeTest, WaitTimes
from lostlink_sims import Profile

pytest.importorskip("pty")
pytest.importorskip("termios")

PLAN = WaitTimes(stay_us=500_000, hold_us=2_500_000, off_wait_us=3_000_000, movement_wait_us=30_000_000)
PROGRAM = "from lostlink.cli import main; main()"
DEADLINE_S = 60


def watch(*words: object) -> Result:
    return CliRunner().invoke(main, ["watch", *(str(word) for word in words)])


@contextlib.contextmanager
def program(*words: object, cwd: Path) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-u", "-c", PROGRAM, "watch", *map(str, words)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=cwd, encoding="utf-8"
    )
    killer = threading.Timer(DEADLINE_S, process.kill)
    killer.start()
    try:
        yield process
    finally:
        killer.cancel()
        process.kill()
        process.communicate()


def heard_until(process: subprocess.Popen[str], begin: str) -> None:
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith(begin):
            return
    raise AssertionError(f"never said {begin!r}")


# --- the table ------------------------------------------------------------------------------------------------


def test_once_with_a_header_half_a_line_and_garbage() -> None:
    def chatty(at_s: float, codes: list[int]) -> str:
        columns = "\t".join(map(str, codes))
        return f"27\t0\r\nroll\tpitch\tthrottle\tyaw\r\n\x81\x92\r\n{columns}" if at_s % 1 < 0.1 else columns

    with PtyBoard(TalkingBoard(text=chatty)) as board:
        run = watch(board.port, "--once", 3)
    assert run.exit_code == 0, run.output
    assert "4 channels, codes 0..255" in run.output
    for name in ("roll", "pitch", "throttle", "yaw"):
        assert name in run.output
    assert "centred" in run.output  # yaw
    assert "127 of 0 to 255, by common practice" in run.output


@pytest.mark.parametrize("lines_hz", [pytest.param(20, marks=pytest.mark.long), 200])
def test_rate_is_what_was_printed(lines_hz: int) -> None:
    with PtyBoard(TalkingBoard(lines_hz=lines_hz)) as board, open_line(board.port) as line:
        listener = Listener(line)
        begun = board.printed
        listener.listen_until(listener.started_ns + 2_000_000_000)
        printed = board.printed - begun
        assert abs(listener.columns.counts.rows - printed) <= 0.2 * printed + 3
        assert listener.stats.rate_hz(listener.now_ns()) > 0


def test_names_of_the_profile(tmp_path: Path) -> None:
    from lostlink.profiles import write_profile

    path = tmp_path / "link.toml"
    path.write_text(write_profile(Profile()), encoding="utf-8")
    with PtyBoard(TalkingBoard()) as board:
        run = watch(board.port, "--once", 2, "--profile", path)
    assert run.exit_code == 0, run.output
    assert "throttle" in run.output
    assert "Widths by the mapping of the profile." in run.output


def test_silence_is_told() -> None:
    with PtyBoard(TalkingBoard(text=lambda _, __: "", lines_hz=1)) as board:
        run = watch(board.port, "--once", 0.5)
    assert run.exit_code == 3
    assert run.output.startswith(f"lostlink: {board.port}: no columns of numbers arrived")


def test_noise_is_told() -> None:
    with PtyBoard(TalkingBoard(text=lambda _, __: "\x81\x92~~\x85", lines_hz=200)) as board:
        run = watch(board.port, "--once", 2)
    assert run.exit_code == 3
    assert "is --baud 250000 right?" in run.output


def test_flood() -> None:
    """As much as the machine can print; the tool keeps up or the line holds it back, and it ends in time."""
    with PtyBoard(TalkingBoard(text=lambda _, codes: "\r\n".join(["1500 1500 1000"] * 200), lines_hz=1000)) as board:
        run = watch(board.port, "--once", 1)
    assert run.exit_code == 0, run.output
    assert "pulse widths" in run.output


def test_missing_port() -> None:
    run = watch("/dev/there-is-no-such-port", "--once", 1)
    assert run.exit_code == 3
    assert run.output.count("\n") == 1
    assert "no such port" in run.output


def test_no_serial_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert watch(tmp_path / "file", "--once", 1).exit_code == 3


def test_busy_port() -> None:
    with PtyBoard(TalkingBoard()) as board, open_line(board.port):
        run = watch(board.port, "--once", 1)
    assert run.exit_code == 3
    assert "another program uses the port" in run.output


def test_no_permission(monkeypatch: pytest.MonkeyPatch) -> None:
    opened = os.open

    def refused(path: str, *options: int) -> int:
        if path == board.port:
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return opened(path, *options)

    with PtyBoard(TalkingBoard()) as board:
        monkeypatch.setattr(os, "open", refused)
        run = watch(board.port, "--once", 1)
    assert run.exit_code == 3
    assert "no permission" in run.output


def test_unplugged_while_watching() -> None:
    with PtyBoard(TalkingBoard()) as board:
        threading.Timer(1.0, board.unplug).start()
        run = watch(board.port, "--once", DEADLINE_S)
    assert run.exit_code == 3
    assert "connection lost" in run.output


def test_a_line_a_second_and_the_table_at_the_end(tmp_path: Path) -> None:
    with PtyBoard(TalkingBoard()) as board, program(board.port, cwd=tmp_path) as process:
        heard_until(process, "1 s ")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 130
    assert "4 channels" in out
    assert err == ""


# --- the failsafe test ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "seen"),
    [
        ({"hold_s": 0.3, "lines_hz": 200}, AttemptResult.CAME),
        ({"hold_s": 1.0, "lines_hz": 20}, AttemptResult.CAME),
        ({"hold_s": None}, AttemptResult.HELD),
        *(
            pytest.param(*case, marks=pytest.mark.long)  # gate: in virtual time, test_watch_failsafe.py
            for case in (
                ({"hold_s": 0.5, "lines_hz": 50}, AttemptResult.CAME),
                ({"ceases": True}, AttemptResult.CEASED),
                ({"obeys": False}, AttemptResult.NOT_FROZEN),
                ({"throttle": 0}, AttemptResult.THROTTLE_LOW),
                ({"failsafe": [127, 127, 90, 127]}, AttemptResult.NOT_IDLE),
            )
        ),
    ],
)
def test_true_hold_time_lies_inside(changes: dict[str, object], seen: AttemptResult) -> None:
    talking = replace(TalkingBoard(), **changes)  # type: ignore[arg-type]
    with PtyBoard(talking) as board, open_line(board.port) as line:
        test = FailsafeTest(Listener(line, keep=True), Profile(), talking.hear, PLAN)
        test.run()
    (attempt,) = test.attempts
    if seen is AttemptResult.CAME and attempt.result is AttemptResult.AT_ONCE:
        pytest.skip("the machine was too busy to print without a pause")
    assert attempt.result is seen
    if seen is AttemptResult.CAME:
        assert attempt.hold is not None
        assert attempt.hold.low_us <= talking.holds_s[0] * 1e6 <= attempt.hold.high_us


def test_unplugged_in_mid_test(tmp_path: Path) -> None:
    talking = TalkingBoard()
    words = ("--failsafe-test", "--props-off", "--out", "ev")
    with PtyBoard(talking) as board, program(board.port, *words, cwd=tmp_path) as process:
        heard_until(process, "NOW switch")
        board.unplug()
        out, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 3
    assert "connection lost" in err
    assert "0 attempts are kept in ev" in err
    assert "Traceback" not in out + err
    assert len((tmp_path / "ev" / "rows.csv").read_text(encoding="utf-8").splitlines()) > 20
    document = json.loads((tmp_path / "ev" / "verdicts.json").read_text(encoding="utf-8"))
    assert document["exit_code"] == 3
    assert "connection lost" in document["conclusion"]


def test_interrupted(tmp_path: Path) -> None:
    words = ("--failsafe-test", "--props-off", "--out", "ev")
    with PtyBoard(TalkingBoard()) as board, program(board.port, *words, cwd=tmp_path) as process:
        heard_until(process, "NOW switch")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 130
    assert "Interrupted" in out
    assert err == ""
    assert len((tmp_path / "ev" / "rows.csv").read_text(encoding="utf-8").splitlines()) > 20


def test_whole_way_from_the_command_line(tmp_path: Path) -> None:
    talking = TalkingBoard(lines_hz=100)
    words = ("--failsafe-test", "--props-off", "--out", "ev", "--repeats", 2)
    with PtyBoard(talking) as board, program(board.port, *words, cwd=tmp_path) as process:
        assert process.stdout is not None
        said = []
        for line in process.stdout:
            said.append(line)
            talking.hear(line)
        process.wait(DEADLINE_S)
    assert process.returncode == 4, said  # no profile: nothing is judged
    attempts = (tmp_path / "ev" / "attempts.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert len(attempts) == 2
    for line, true_s in zip(attempts, talking.holds_s, strict=True):
        _, seen, hold_us, uncertainty_us, *_ = line.split(",")
        if seen == AttemptResult.CAME.value:
            assert abs(true_s * 1e6 - int(hold_us)) <= int(uncertainty_us) + 1


def test_silent_from_the_start() -> None:
    with (
        PtyBoard(TalkingBoard(text=lambda _, __: "", lines_hz=1)) as board,
        open_line(board.port) as line,
    ):
        test = FailsafeTest(Listener(line, keep=True), None, print, replace(PLAN, first_line_us=500_000))
        with pytest.raises(RigError, match="no columns of numbers arrive"):
            test.run()
