"""However a run on hardware ends, the board is left safe: seen in what the board received and sent, by its own log."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from lostlink.bench import codec
from lostlink.bench.board import BenchBoard
from lostlink.cli import main
from lostlink.profiles import read_profile

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
THROTTLE = read_profile(HERON).throttle_index
UP, LOW = 200, 10
"""Codes of a throttle that is up, and low."""


class LoggedBoard:
    """The host board behind a tty, with a log of every message."""

    def __init__(self, program: Path, folder: Path, *words: str) -> None:
        self._log, port = folder / "log", folder / "port"
        command = [str(program), "--link", str(port), "--log", str(self._log), *words]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.process.stdout.readline()
        self.port = str(port)

    def messages(self, way: str) -> list[tuple[float, codec.Message]]:
        """Return the messages from the host ("<") or to it (">"), with the board's time in milliseconds."""
        decoder, found = codec.Decoder(), []
        for line in self._log.read_text(encoding="ascii").splitlines():
            at_ms, its_way, *data = line.split()
            if its_way == way and data:
                found += [(float(at_ms), message) for message in decoder.feed(bytes.fromhex(data[0]))]
        return found

    def throttles(self) -> list[int]:
        packets = [message for _, message in self.messages("<") if isinstance(message, codec.Packet)]
        return [packet.payload[THROTTLE] for packet in packets]

    def wait_for_flight(self, running: subprocess.Popen[str]) -> None:
        until_s = time.monotonic() + 60
        while max(self.throttles()[-1:], default=0) < UP:
            assert running.poll() is None, running.communicate()
            assert time.monotonic() < until_s
            time.sleep(0.02)  # noqa: TID251  until the model flies

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


@pytest.fixture
def board(first_served: None, make: Callable[..., Path], tmp_path: Path) -> Iterator[LoggedBoard]:
    logged = LoggedBoard(make("board"), tmp_path)
    yield logged
    logged.close()


def prove(board: LoggedBoard, out: Path) -> subprocess.Popen[str]:
    words = ["prove", str(HERON), "--rig", f"serial:{board.port}", "--props-off", "--only", "FS-CUT", "--out", str(out)]
    return subprocess.Popen(
        [sys.executable, "-m", "lostlink.cli", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def left_safe(board: LoggedBoard) -> None:
    """See that low throttle was sent last, and then a reset that only the next reset ends."""
    messages = [message for _, message in board.messages("<") if isinstance(message, codec.Packet | codec.Reset)]
    assert messages[-1] == codec.Reset(codec.STAY_DOWN), messages[-5:]
    last = board.throttles()[-3:]
    assert max(last) <= LOW, last


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda number: number.name)
@pytest.mark.parametrize("times", [1, 4])
def test_a_signal_in_flight(board: LoggedBoard, tmp_path: Path, number: signal.Signals, times: int) -> None:
    """Once, or again and again while the run ends: low throttle, reset, evidence, in words, and the shell's code."""
    running = prove(board, tmp_path / "out")
    board.wait_for_flight(running)
    for _ in range(times):
        running.send_signal(number)
        time.sleep(0.03)  # noqa: TID251  the next comes within the safe end
    out, errors = running.communicate(timeout=60)
    assert running.returncode == 128 + number, out + errors
    assert f"stopped by {number.name}" in errors
    assert "held in reset" in errors
    assert "Traceback" not in out + errors
    left_safe(board)
    told = json.loads((tmp_path / "out" / "verdicts.json").read_text(encoding="utf-8"))
    assert told["exit_code"] == 128 + number
    assert not (tmp_path / "out.unfinished").exists()


def test_an_error_of_the_program(board: LoggedBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In mid-flight, on the host's side."""
    wait = BenchBoard.wait

    def broken(self: BenchBoard, free_ns: int) -> None:
        wait(self, free_ns)
        if max(board.throttles()[-1:], default=0) >= UP:
            raise TypeError("broken")

    monkeypatch.setattr(BenchBoard, "wait", broken)
    words = ["prove", str(HERON), "--rig", f"serial:{board.port}", "--props-off", "--only", "FS-CUT"]
    done = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "out")])
    assert done.exit_code not in (0, 1), done.output
    left_safe(board)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP], ids=lambda number: number.name)
def test_a_host_that_is_lost(board: LoggedBoard, tmp_path: Path, number: signal.Signals) -> None:
    """Killed, or asleep: the board stops its pulses a second after the last message, and stays in reset."""
    running = prove(board, tmp_path / "out")
    board.wait_for_flight(running)
    running.send_signal(number)
    until_s = time.monotonic() + 20
    while not any(isinstance(m, codec.Guard) and m.losses for _, m in board.messages(">")):
        assert time.monotonic() < until_s
        time.sleep(0.05)  # noqa: TID251  until the board gives the host up
    time.sleep(0.5)  # noqa: TID251  frames would come every 22.5 ms
    heard_ms = board.messages("<")[-1][0]
    sent = board.messages(">")
    last_frame_ms = max(at_ms for at_ms, message in sent if isinstance(message, codec.Frame | codec.Channels))
    given_up_ms = next(at_ms for at_ms, m in sent if isinstance(m, codec.Guard) and m.losses)
    assert last_frame_ms <= given_up_ms
    assert 1000 <= given_up_ms - heard_ms + 0.5 <= 1500
    assert board.process.poll() is None
    running.kill()
    running.communicate()


def test_a_board_that_does_not_protect_itself(make: Callable[..., Path], tmp_path: Path) -> None:
    """It is accepted, and the evidence says so."""
    board = LoggedBoard(make("board"), tmp_path, "--plain")
    try:
        words = ["prove", str(HERON), "--rig", f"serial:{board.port}", "--props-off", "--only", "CH-VALUE"]
        done = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "out")])
        told = json.loads((tmp_path / "out" / "verdicts.json").read_text(encoding="utf-8"))
        assert "does not protect itself" in told["tested"]["bench"]["if the host is lost"], done.output
    finally:
        board.close()


def test_a_prompt_that_is_left(board: LoggedBoard, tmp_path: Path) -> None:
    """Ctrl-C ends with 130; an unknown rig is refused before anybody is asked."""
    words = [sys.executable, "-m", "lostlink.cli", "prove", str(HERON), "--out", str(tmp_path / "out"), "--rig"]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen([*words, f"serial:{board.port}"], **pipes) as asking:  # type: ignore[call-overload]
        while b"continue" not in asking.stderr.read1(200):
            pass
        asking.send_signal(signal.SIGINT)
        assert asking.wait(30) == 130
    unknown = subprocess.run(
        [*words, "nothing:1"], capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
    )
    assert unknown.returncode == 2
    assert "unknown rig" in unknown.stderr
    assert "Propellers" not in unknown.stderr
    assert not board.messages("<")
