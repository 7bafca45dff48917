"""Sessions with a board: what each end leaves on the wire, what keeps a session alive, which handlers are left.

With ``-s`` each test shows the last messages of the board; `ci/long` does so for every signal.
"""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from lostlink import safe_end
from lostlink.bench import codec
from lostlink.bench.board import BenchBoard
from lostlink.bench.line import SerialLine, open_line
from lostlink.cli import main
from lostlink.profiles import read_profile, write_scenario
from lostlink.rigs import open_rig
from lostlink.rigs import serial as serial_rig
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims.scenario import LinkCut

HERON = Path(__file__).parents[2] / "fixtures" / "profiles" / "heron.toml"
LONG = pytest.mark.long
THROTTLE = 2
"""Index of the throttle in packets and frames of that link."""
IDLE_US = 1050
SHORT = "CH-CENTRE,FS-CUT"
"""A requirement that is judged after one short flight, then one that is still being tested when the end comes."""
Seen = tuple[float, str, codec.Message]


class LoggedBoard:
    """The host program with a log of both directions."""

    def __init__(self, program: Path, folder: Path, *words: str) -> None:
        self.log = folder / "board.log"
        self.process = subprocess.Popen(
            [program, "--link", folder / "port", "--log", self.log, *words], stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        self.process.stdout.readline()
        self.port = str(folder / "port")
        self._decoders = {"<": codec.Decoder(), ">": codec.Decoder()}
        self._seen: list[Seen] = []
        self._read = 0

    def messages(self) -> list[Seen]:
        """Return instant in ms, direction (< to the board) and message of all that was logged."""
        with self.log.open("rb") as file:
            file.seek(self._read)
            text = file.read()
        text = text[: text.rfind(b"\n") + 1]
        self._read += len(text)
        for line in text.decode("ascii").splitlines():
            at_ms, way, data = line.split(" ")
            found = self._decoders[way].feed(bytes.fromhex(data))
            self._seen += [(float(at_ms), way, message) for message in found]
        return self._seen

    def wait_for(self, condition: Callable[[list[Seen]], bool], within_s: float = 240.0) -> list[Seen]:
        until_s = time.monotonic() + within_s
        while not condition(seen := self.messages()):
            assert time.monotonic() < until_s, seen[-5:]
            time.sleep(0.05)  # noqa: TID251  the board is in real time
        return seen

    def flies(self) -> list[Seen]:
        """Wait until the board outputs much throttle."""

        def does(seen: list[Seen]) -> bool:
            last = [m for _, _, m in seen[-40:] if isinstance(m, codec.Frame | codec.Packet | codec.Reset)]
            shown = [m.widths_us[THROTTLE] for m in last if isinstance(m, codec.Frame)]
            return not any(isinstance(m, codec.Reset) for m in last) and bool(shown) and shown[-1] > 1400

        return self.wait_for(does)


def frames(seen: list[Seen]) -> list[tuple[float, int]]:
    """Return instant and throttle of each frame that the board output."""
    return [(at_ms, m.widths_us[THROTTLE]) for at_ms, _, m in seen if isinstance(m, codec.Frame)]


@pytest.fixture
def board(
    first_served: None, own_terminal: Callable[[Path], None], make: Callable[..., Path], tmp_path: Path
) -> Iterator[LoggedBoard]:
    """Start a board with a log."""
    board = LoggedBoard(make("board"), tmp_path)
    own_terminal(Path(board.port))
    yield board
    board.process.kill()
    board.process.communicate()


def show(title: str, seen: list[Seen]) -> None:
    """Show the last messages of a board; a row of pings as one."""
    rows = [row for row in seen if not isinstance(row[2], codec.Ping | codec.Pong | codec.Taken | codec.Channels)]
    print(f"\n--- {title}: the last messages (ms; < received by the board, > sent by it)")  # noqa: T201  shown with -s
    for at_ms, way, message in rows[-9:]:
        throttle = f"  throttle code {message.payload[THROTTLE]}" if isinstance(message, codec.Packet) else ""
        print(f"{at_ms:10.1f} {way} {message}{throttle}")  # noqa: T201


def check_low_then_reset(seen: list[Seen], *, must_fly: bool = False) -> None:
    """The last packets carry a low throttle, the board outputs it, and it is then held in reset."""
    received = [m for _, way, m in seen if way == "<" and not isinstance(m, codec.Ping)]
    assert received[-1] == codec.Reset(codec.STAY_DOWN)
    last = received[-2]
    assert isinstance(last, codec.Packet), last
    assert last.payload[THROTTLE] == 0
    at_ms, throttle_us = frames(seen)[-1]
    if throttle_us > IDLE_US:  # a flight that ended meanwhile: it was in reset already, and stayed there
        assert not must_fly
        held_ms = max(ms for ms, way, m in seen[:-1] if way == "<" and m == received[-1] and ms < seen[-1][0] - 50)
        assert at_ms <= held_ms + 1
    assert not any(isinstance(m, codec.Boot) for later_ms, _, m in seen if later_ms > at_ms)


def prove(board: LoggedBoard, out: Path, *words: str) -> list[str]:
    command = [sys.executable, "-m", "lostlink", "prove", str(HERON), "--rig", f"serial:{board.port}"]
    return [*command, "--props-off", "--out", str(out), *words]


def started(board: LoggedBoard, out: Path) -> subprocess.Popen[str]:
    """Start `prove`, and wait until a requirement was judged and the next flight flies."""
    command = prove(board, out, "--only", SHORT)
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    board.wait_for(lambda _: any(out.parent.glob("*/runs/*")), within_s=240)
    board.flies()
    return running


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "times", "code"),
    [
        pytest.param("SIGINT", 1, 130, marks=LONG),
        pytest.param("SIGTERM", 1, 143, marks=LONG),
        pytest.param("SIGHUP", 1, 129, marks=LONG),
        ("SIGINT", 3, 130),
        pytest.param("SIGTERM", 3, 143, marks=LONG),
    ],
)
def test_each_signal_ends_safely(board: LoggedBoard, tmp_path: Path, name: str, times: int, code: int) -> None:
    """Low throttle, then reset; evidence is kept; in words on the screen; more signals do not cut it short.

    Three times SIGINT; a closed terminal sends SIGHUP, and the tests below send SIGTERM.
    ``--long``: each once, and SIGTERM three times.
    """
    out = tmp_path / "out"
    running = started(board, out)
    for _ in range(times):
        running.send_signal(getattr(signal, name))
        time.sleep(0.03)  # noqa: TID251  a second signal in the safe end
    shown, errors = running.communicate(timeout=60)
    seen = board.messages()
    show(f"{name} x {times}, exit code {running.returncode}", seen)
    assert running.returncode == code, shown + errors
    check_low_then_reset(seen)
    assert f"stopped by {name}; at the end: " in errors
    assert "the board is held in reset, no pulses" in errors
    assert "Traceback" not in errors
    document = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    assert document["exit_code"] == code
    assert document["verdicts"]
    assert "Interrupted after" in document["conclusion"] or "Do not fly" in document["conclusion"]
    assert "held in reset" in (out / "report.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_closed_terminal_ends_safely(board: LoggedBoard, tmp_path: Path) -> None:
    """The terminal of the run is gone, so that nothing can be shown on it: the evidence is there all the same."""
    out = tmp_path / "out"
    child, terminal = pty.fork()
    if not child:
        os.execv(sys.executable, prove(board, out, "--only", SHORT))
    stop = threading.Event()

    def read() -> None:
        while not stop.is_set():
            if select.select([terminal], [], [], 0.05)[0]:
                os.read(terminal, 4096)

    reader = threading.Thread(target=read, daemon=True)
    reader.start()
    board.wait_for(lambda _: any(out.parent.glob("*/runs/*")), within_s=240)
    board.flies()
    stop.set()
    reader.join(timeout=10)
    os.close(terminal)
    _, status = os.waitpid(child, 0)
    seen = board.messages()
    show(f"closed terminal, exit code {os.waitstatus_to_exitcode(status)}", seen)
    assert os.waitstatus_to_exitcode(status) == 129
    check_low_then_reset(seen)
    assert json.loads((out / "verdicts.json").read_text(encoding="utf-8"))["exit_code"] == 129


def test_an_internal_error_ends_safely(board: LoggedBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error of the tool itself while the board flies."""
    rig = open_rig(read_profile(HERON), where=f"serial:{board.port}")

    def broken(bench_board: BenchBoard, free_ns: int) -> None:
        bench_board.wait(free_ns)
        reported = bench_board.reports.frames
        if reported and reported[-1][2][THROTTLE] > 1400:
            raise RuntimeError("internal")

    monkeypatch.setattr(rig, "_wait", broken)

    def fly() -> None:
        with rig:
            for flight in ScenarioBuilder(rig.profile, 1, "error").flights(60):  # a busy host discards the first ones
                rig.run(flight.into(LinkCut(at_us=flight.at_us)))

    with pytest.raises(RuntimeError, match="internal"):
        fly()
    seen = board.messages()
    show("internal error", seen)
    check_low_then_reset(seen, must_fly=True)
    assert "throttle low" in rig.about["at the end"]


def test_pytest_ends_safely(board: LoggedBoard, tmp_path: Path) -> None:
    """A user's own pytest run on a board, ended by SIGTERM."""
    tests = tmp_path / "test_own.py"
    tests.write_text(
        "from lostlink_sims.scenario import LinkCut\n"
        "def test_it(rig, scenario):\n"
        "    while True:\n"
        "        for flight in scenario.flights(5):\n"
        "            rig.run(flight.into(LinkCut(at_us=flight.at_us)))\n",
        encoding="utf-8",
    )
    words = ["--rootdir", str(tmp_path), "-p", "no:cacheprovider", f"--lostlink-profile={HERON}"]
    words += [f"--lostlink-rig=serial:{board.port}", "--lostlink-props-off", str(tests)]
    running = subprocess.Popen([sys.executable, "-m", "pytest", *words], stdout=subprocess.PIPE, text=True)
    board.flies()
    running.send_signal(signal.SIGTERM)
    shown, _ = running.communicate(timeout=60)
    show(f"pytest, SIGTERM, exit code {running.returncode}", board.messages())
    assert running.returncode == 143, shown
    assert "stopped by SIGTERM; at the end: " in shown
    check_low_then_reset(board.messages())


def test_replay_ends_safely(board: LoggedBoard, tmp_path: Path) -> None:
    """A saved run with full throttle for half a minute, ended by SIGTERM."""
    path = tmp_path / "long.scenario.toml"
    flight = next(ScenarioBuilder(read_profile(HERON), 1, "long").flights(1))
    path.write_text(write_scenario(flight.into(LinkCut(at_us=30_000_000))), encoding="utf-8")
    command = [sys.executable, "-m", "lostlink", "replay", str(path), str(HERON), "--rig", f"serial:{board.port}"]
    running = subprocess.Popen([*command, "--props-off"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    board.flies()
    running.send_signal(signal.SIGTERM)
    shown, errors = running.communicate(timeout=60)
    show(f"replay, SIGTERM, exit code {running.returncode}", board.messages())
    assert running.returncode == 143, shown + errors
    assert "stopped by SIGTERM; at the end: throttle low; the board is held in reset" in errors
    check_low_then_reset(board.messages())


# --- the host dies ----------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_killed_host_leaves_a_board_without_pulses(board: LoggedBoard, tmp_path: Path) -> None:
    """After kill -9 in flight nothing comes from the host any more: the board stops its pulses a second later."""
    out = tmp_path / "out"
    running = started(board, out)
    running.kill()
    running.communicate()
    board.wait_for(lambda seen: isinstance(seen[-1][2], codec.Guard) or ended_by_the_queue(seen), within_s=10)
    time.sleep(0.5)  # noqa: TID251  in which it must output nothing
    seen = board.messages()
    show("kill -9 of the host", seen)
    last_ms = max(at_ms for at_ms, way, _ in seen if way == "<")
    if not ended_by_the_queue(seen):
        assert seen[-1][2] == codec.Guard(1_000_000, 1)
        assert seen[-1][0] - last_ms > 990
    assert seen[-1][0] - last_ms < 1500
    assert frames(seen)[-1][0] <= seen[-1][0]
    assert not any(isinstance(m, codec.Done) for at_ms, _, m in seen if at_ms > seen[-1][0])


def ended_by_the_queue(seen: list[Seen]) -> bool:
    """Return whether the last thing that the board did was the end of a flight, sent ahead: it is held in reset."""
    asked = [m for _, way, m in seen if way == "<" and isinstance(m, codec.PacketAt | codec.OrderAt)]
    is_end = isinstance(asked[-1], codec.OrderAt) and asked[-1].value_us == codec.STAY_DOWN
    return is_end and isinstance(seen[-1][2], codec.Done) and seen[-1][2].number == asked[-1].number


@pytest.fixture
def bench_board(board: LoggedBoard) -> Iterator[BenchBoard]:
    """Open the board without a rig."""
    with open_line(board.port, 250_000) as line:
        yield BenchBoard(line)


def pump(board: BenchBoard, for_s: float) -> None:
    until_s = time.monotonic() + for_s
    while time.monotonic() < until_s:
        board.pump(0.02)


def test_silence_stops_the_pulses_until_the_next_reset(bench_board: BenchBoard) -> None:
    """Messages alone do not start a board again whose host was lost."""
    assert bench_board.guard == codec.Guard(1_000_000, 0)
    pump(bench_board, 1.5)
    assert bench_board.guard.losses == 0, "who only asks opens no session"
    bench_board.send(codec.Reset(0))
    pump(bench_board, 1.5)
    assert bench_board.guard.losses == 1
    bench_board.take_reports()
    bench_board.answered(bench_board.ping())
    pump(bench_board, 0.2)
    assert not bench_board.take_reports().frames
    bench_board.send(codec.Reset(0))
    pump(bench_board, 0.5)
    assert bench_board.take_reports().frames
    bench_board.send(codec.Reset(codec.STAY_DOWN))
    pump(bench_board, 1.5)
    assert bench_board.guard.losses == 1, "a board in reset has nothing to protect"


def test_a_board_that_does_not_protect_itself(make: Callable[..., Path], tmp_path: Path) -> None:
    """Built without the guard, as older firmware: accepted, and the evidence says so."""
    board = LoggedBoard(make("board", define="BENCH_SILENCE_US=0u"), tmp_path)
    try:
        with open_rig(read_profile(HERON), where=f"serial:{board.port}") as rig:
            assert "does not protect itself" in rig.about["if the host is lost"]
    finally:
        board.process.kill()
        board.process.communicate()


def test_a_busy_schedule_keeps_the_session_alive(bench_board: BenchBoard) -> None:
    """Also where no gap is long enough for a ping that measures the clock."""
    bench_board.send(codec.Reset(0))
    until_s = time.monotonic() + 1.6
    while time.monotonic() < until_s:
        bench_board.wait(1_000_000)
    assert bench_board.guard is not None
    assert bench_board.guard.losses == 0


def test_a_sound_session_never_trips(board: LoggedBoard) -> None:
    """Judging or waiting between runs takes as long as it takes."""
    link = read_profile(HERON)
    with open_rig(link, where=f"serial:{board.port}") as rig:
        for seed in (1, 2):
            flight = next(ScenarioBuilder(link, seed, "bench").flights(1))
            rig.run(flight.into(LinkCut(at_us=flight.at_us)))
            time.sleep(1.5)  # noqa: TID251  longer than the board waits
    assert not any(isinstance(m, codec.Guard) and m.losses for _, _, m in board.messages())
    assert "after 1 s" in rig.about["if the host is lost"]


# --- handlers, prompts --------------------------------------------------------------------------------------------


def handlers() -> list[object]:
    return [signal.getsignal(number) for number in safe_end.SIGNALS]


def test_no_handler_is_left(board: LoggedBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither after a run nor after a port that cannot be opened; none at all in another thread."""
    monkeypatch.setattr(safe_end, "_guard", safe_end._Guard())  # another test may have a rig open
    before = handlers()
    with open_rig(read_profile(HERON), where=f"serial:{board.port}"):
        assert handlers() != before
    assert handlers() == before
    with pytest.raises(Exception, match="nowhere"):
        open_rig(read_profile(HERON), where="serial:/nowhere")
    assert handlers() == before
    found = []

    def elsewhere() -> None:
        with open_rig(read_profile(HERON), where=f"serial:{board.port}") as rig:
            found.append(handlers() == before)
        found.append("held in reset" in rig.about["at the end"])

    thread = threading.Thread(target=elsewhere)
    thread.start()
    thread.join()
    assert found == [True, True]


def test_a_signal_in_the_normal_end_waits(board: LoggedBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    """It comes while the rig is being closed; the end is the safe one and nothing is raised in it."""
    monkeypatch.setattr(safe_end, "_guard", safe_end._Guard())  # another test may have a rig open
    rig = open_rig(read_profile(HERON), where=f"serial:{board.port}")
    threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGTERM)).start()
    board_wait = time.monotonic() + 0.2
    with safe_end.shielded():
        while time.monotonic() < board_wait:
            time.sleep(0.01)  # noqa: TID251  until the signal has come
        rig.close()
    assert safe_end.stopped_by() == signal.SIGTERM
    check_reset = [m for _, way, m in board.messages() if way == "<" and isinstance(m, codec.Reset)]
    assert check_reset[-1] == codec.Reset(codec.STAY_DOWN)


def test_prove_opens_a_board_once(board: LoggedBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One connection, one handshake."""
    opened = []

    def counted(port: str, baud: int) -> SerialLine:
        opened.append(port)
        return open_line(port, baud)

    monkeypatch.setattr(serial_rig, "open_line", counted)
    words = prove(board, tmp_path / "out", "--only", "CH-CENTRE", "--quiet")[3:]
    CliRunner().invoke(main, words)
    assert len(opened) == 1
