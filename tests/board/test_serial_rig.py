"""The serial rig against compiled C behind real ttys: results within their uncertainty, and every fault of the bench.

What is measured is held against the board's own program, whose failsafe comes 500 ms after the last packet by its
own clock (link.h).
"""

from __future__ import annotations

import contextlib
import gc
import os
import pty
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from lostlink.bench import codec, pacer
from lostlink.bench.board import BenchBoard
from lostlink.bench.line import LineLostError, SerialLine, open_line
from lostlink.bench.ports import look
from lostlink.cli import main
from lostlink.errors import CannotError, RigError
from lostlink.measure import failsafe
from lostlink.profiles import read_profile
from lostlink.rigs import serial as serial_rig
from lostlink.rigs.serial import SerialRig
from lostlink.scenarios import Flight, ScenarioBuilder
from lostlink.suite.judge import InconclusiveError, Judge
from lostlink_sims import HowSeen, Profile, Scenario
from lostlink_sims.clock import World
from lostlink_sims.scenario import LinkCut, MainLoopHung, ReceiverReset
from lostlink_sims.world import Stage

HERON = Path(__file__).parents[2] / "fixtures" / "profiles" / "heron.toml"

Start = Callable[..., str]


@pytest.fixture
def start(
    first_served: None, own_terminal: Callable[[Path], None], make: Callable[..., Path], tmp_path: Path
) -> Iterator[Start]:
    """Start boards; the port has the same name each time."""
    running: list[subprocess.Popen[str]] = []

    def begin(*words: str, link: str = "port", queue: int | None = None) -> str:
        link_path = tmp_path / link
        program = make("board", queue=queue)
        board = subprocess.Popen([program, "--link", link_path, *words], stdout=subprocess.PIPE, text=True)
        running.append(board)
        assert board.stdout is not None
        board.stdout.readline()
        own_terminal(link_path)
        return str(link_path)

    begin.running = running  # type: ignore[attr-defined]
    yield begin
    for board in running:
        board.kill()
        board.wait()
        if board.stdout is not None:
            board.stdout.close()


@pytest.fixture(scope="module")
def link() -> Profile:
    """Read the profile that the board is built for."""
    return read_profile(HERON)


def _flight(link: Profile, seed: int = 1) -> Flight:
    return next(ScenarioBuilder(link, seed, "bench").flights(1))


def _cut(link: Profile, seed: int = 1) -> tuple[Scenario, int]:
    flight = _flight(link, seed)
    return flight.into(LinkCut(at_us=flight.at_us)), flight.at_us


@contextlib.contextmanager
def _rig(link: Profile, port: str) -> Iterator[SerialRig]:
    rig = SerialRig(link, port, baud=250_000)
    try:
        yield rig
    finally:
        rig.close()


# --- what is measured -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "queue"),
    [
        ((), None),
        (("--ppm", "5000"), None),
        (("--clock", "4294000000"), None),
        (("--ppm", "-200"), 256),
        ((), 0),
        (("--ppm", "5000"), 0),
    ],
    ids=str,
)
def test_cut_time_within_its_uncertainty(start: Start, link: Profile, words: tuple[str, ...], queue: int) -> None:
    """Cut time = timeout, plus waiting for a frame, less the loss's place between packets: all inside known bounds.

    With a queue for a second, for 17 packets, and as on a board that was built without one.
    """
    rate = 1 + (float(words[1]) * 1e-6 if words[:1] == ("--ppm",) else 0)
    with _rig(link, start(*words, queue=queue)) as rig:
        assert ("of the board's own clock" in rig.about["packets"]) is (queue != 0), rig.about["packets"]
        assert ("ahead" in rig.about["packets"]) is (queue != 0)
        run, at_us = _cut(link)
        for _ in range(5):  # a busy machine makes runs void, or stops the board's process: it is never early by that
            trace = rig.run(run)
            if trace.doubt:
                continue
            heard_us = failsafe.last_good_packet_us(trace, trace.scenario.duration_us)
            assert heard_us is not None
            said_us = int(trace.failsafe.at_us[trace.failsafe.at_us > heard_us][0])
            # The program's own decision: exactly its timeout after the last packet, by its own clock.
            late_us = said_us - heard_us - 500_000 / rate
            assert late_us >= -(3 + 500_000 * 0.0002)
            if late_us <= 3 + 500_000 * 0.0002:
                break
        else:
            if trace.doubt:
                pytest.skip(f"this machine was too busy: {trace.doubt}")
            pytest.fail(f"in no run in time: {late_us:.0f} us late in the last one")
        cut = failsafe.time_to_cut(trace, at_us)
        assert trace.how_seen is HowSeen.REPORTED
        assert 0 < cut.uncertainty <= 11_000
        slot_us = (22_500 + 3 * 2000) / rate
        assert 500_000 / rate - 5_000 - cut.uncertainty <= cut.value <= 500_000 / rate + slot_us + cut.uncertainty


@pytest.fixture
def began_ns(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return when each run from now on begins, by the host's monotonic clock."""
    began: list[int] = []

    def paced(env: World, end_us: int, start_ns: int, wait: pacer.Wait) -> None:
        began.append(start_ns)
        pacer.pace(env, end_us, start_ns, wait)

    monkeypatch.setattr(serial_rig, "pace", paced)
    return began


def test_a_slow_garbage_collection_makes_no_packet_late(
    start: Start, link: Profile, began_ns: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a large process it takes longer than the lead before the first packet: time begins after it."""
    collected_ns = []

    def collect() -> int:
        time.sleep(0.2)  # noqa: TID251  as long as in a large process
        collected_ns.append(time.monotonic_ns())
        return 0

    monkeypatch.setattr(gc, "collect", collect)
    with _rig(link, start(queue=0)) as rig:
        rig.run(_cut(link)[0])
    assert len(began_ns) == len(collected_ns)
    assert all(began > collected for began, collected in zip(began_ns, collected_ns, strict=True))


def test_a_long_preparation_makes_nothing_late(
    start: Start, link: Profile, began_ns: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scenario with a thousand moves is prepared for longer than the lead before the first command."""
    prepared_ns = []

    class SlowStage(Stage[Any]):
        def __init__(self, *given: Any, **options: Any) -> None:
            super().__init__(*given, **options)
            time.sleep(0.2)  # noqa: TID251  as long as for a thousand moves
            prepared_ns.append(time.monotonic_ns())

    monkeypatch.setattr(serial_rig, "Stage", SlowStage)
    with _rig(link, start(queue=0)) as rig:
        rig.run(Scenario(duration_us=300_000))
    assert all(began > prepared for began, prepared in zip(began_ns, prepared_ns, strict=True))


class OneChunk:
    """A port without a baud rate: an answer and a hundred frames behind it arrive at once."""

    port, baud = "usb", 9_600

    def __init__(self) -> None:
        self._decoder, self._waiting = codec.Decoder(), b""

    def write(self, data: bytes) -> tuple[int, int]:
        before_ns = time.monotonic_ns()
        for message in self._decoder.feed(data):
            now_us = time.monotonic_ns() // 1000 & 0xFFFF_FFFF
            if isinstance(message, codec.Identify):
                self._waiting += codec.encode(codec.Identity(codec.VERSION, codec.REPORTS_FRAMES, 8, 1, b"board"), 0)
            if isinstance(message, codec.Ping):
                self._waiting += codec.encode(codec.Pong(message.token, now_us, now_us), 0)
                self._waiting += 100 * codec.encode(codec.Frame(now_us, 300, (1500,) * 8), 0)
        return before_ns, time.monotonic_ns()

    def read(self, _: float) -> list[tuple[int, bytes]]:
        data, self._waiting = self._waiting, b""
        return [(time.monotonic_ns(), data)]


def test_a_clock_is_aligned_on_a_port_without_a_baud_rate() -> None:
    board = BenchBoard(OneChunk())  # type: ignore[arg-type]
    fit = board.alignment.fit()
    assert fit is not None
    assert abs(fit.rate - 1) <= fit.rate_uncertainty


def test_clock_rate_and_residual_are_told(start: Start, link: Profile) -> None:
    """A board whose clock is 5000 ppm fast is seen to be so, within the stated uncertainty."""
    with _rig(link, start("--ppm", "5000")) as rig:
        board = rig._board
        assert board is not None
        board.align(30)
        time.sleep(0.5)  # noqa: TID251  a base line
        board.align(30)
        fit = board.alignment.fit()
        assert fit is not None
        assert abs(fit.rate - 1.005) <= fit.rate_uncertainty + 1e-6
        rig._describe(board, fit)
        assert "ppm" in rig.about["clock"]


def test_a_clock_that_is_two_per_cent_off_is_refused(start: Start, link: Profile) -> None:
    """A wrong crystal or divider: no result by such a clock."""
    with _rig(link, start("--ppm", "20000")) as rig:
        trace = rig.run(_cut(link)[0])
        assert "clock" in trace.doubt


def test_over_tcp(make: Callable[..., Path], link: Profile) -> None:
    """A URL does as well as a port."""
    board = subprocess.Popen([make("board"), "--tcp", "0"], stdout=subprocess.PIPE, text=True)
    assert board.stdout is not None
    with board, _rig(link, board.stdout.readline().strip()) as rig:
        run, at_us = _cut(link)
        trace = rig.run(run)
        assert trace.doubt or failsafe.time_to_cut(trace, at_us).value < 550_000


# --- safety -------------------------------------------------------------------------------------------------------


def test_close_brings_the_throttle_low(start: Start, link: Profile, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the middle of a flight: low throttle first, then reset."""
    monkeypatch.setattr(serial_rig, "lateness_limit_us", lambda *_: 10**9)  # it is not the time that counts here
    port = start()
    rig = SerialRig(link, port, baud=250_000)
    flight = _flight(link)
    board = rig._board
    assert board is not None
    stopped = flight.into(watch_us=3_000_000)

    def interrupt(free_ns: int) -> None:
        BenchBoard.wait(board, free_ns)
        if board.reports.frames and board.reports.frames[-1][2][2] > 1300:
            raise KeyboardInterrupt

    board.wait = interrupt  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        rig.run(stopped)
    rig.close()
    assert "throttle low" in rig.about["at the end"]
    assert "NOT" not in rig.about["at the end"]


def test_close_says_when_it_could_not(start: Start, link: Profile) -> None:
    """The board is gone: nobody must believe that it is safe."""
    rig = SerialRig(link, start(), baud=250_000)
    start.running[0].kill()  # type: ignore[attr-defined]
    start.running[0].wait()  # type: ignore[attr-defined]
    rig.close()
    assert "NOT" in rig.about["at the end"]
    assert "supply" in rig.about["at the end"]


def _prove(*words: str, said: str = "") -> Result:
    return CliRunner().invoke(main, ["prove", str(HERON), *words], input=said)


def test_confirmation_must_be_typed(start: Start, tmp_path: Path) -> None:
    """Anything but the words drives no board."""
    port = start()
    rig = ("--rig", f"serial:{port}", "--out", str(tmp_path / "evidence"), "--only", "PW-IDLE")
    refused = _prove(*rig, said="yes\n")
    assert refused.exit_code == 2
    assert "Propellers off" in refused.stderr
    assert "not confirmed" in refused.stderr
    assert _prove(*rig, said="").exit_code == 2
    met = _prove(*rig, said="props off\n")
    assert met.exit_code in (0, 4), met.output
    assert "reported by the board" in (tmp_path / "evidence" / "verdicts.json").read_text(encoding="utf-8")


def test_a_prompt_that_is_left(start: Start, tmp_path: Path) -> None:
    """Ctrl-C ends with 130; an unknown rig is refused before anybody is asked."""
    words = [sys.executable, "-m", "lostlink", "prove", str(HERON), "--out", str(tmp_path / "out"), "--rig"]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen([*words, f"serial:{start()}"], **pipes) as asking:  # type: ignore[call-overload]
        while b"continue" not in asking.stderr.read1(200):
            pass
        time.sleep(0.5)  # noqa: TID251  a signal between the prompt and the read would be seen after the read only
        asking.send_signal(signal.SIGINT)
        assert asking.wait(30) == 130
    unknown = _prove("--out", str(tmp_path / "out"), "--rig", "nothing:1")
    assert unknown.exit_code == 2
    assert "unknown rig" in unknown.stderr
    assert "Propellers" not in unknown.stderr


# --- faults of the bench --------------------------------------------------------------------------------------------


def test_unplugged_and_plugged_in_again(start: Start, link: Profile) -> None:
    """The run is made again on the board that came back."""
    port = start("--trouble", "die:700")
    done = threading.Event()

    def plug_in() -> None:
        time.sleep(1.5)  # noqa: TID251  unplugged for so long
        start()
        done.wait(60)  # a board ends with the thread that started it

    threading.Thread(target=plug_in, daemon=True).start()
    with _rig(link, port) as rig:
        _fly_on(rig, link)
        assert rig._reconnects == 1
        run, at_us = _cut(link)
        trace = rig.run(run)
        assert trace.doubt or failsafe.time_to_cut(trace, at_us).value < 560_000
        assert "connection lost 1x" in rig.about["runs"]
    done.set()


def test_unplugged_for_good(start: Start, link: Profile, monkeypatch: pytest.MonkeyPatch) -> None:
    """One clear line, and no hang."""
    monkeypatch.setattr(serial_rig, "BACK_WITHIN_S", 0.5)
    with _rig(link, start("--trouble", "die:700")) as rig, pytest.raises(RigError, match="did not come back"):
        _fly_on(rig, link)


def test_another_board_on_the_port_is_not_driven(start: Start, link: Profile) -> None:
    """After a lost connection the port's name may belong to another board, on which the propellers may be."""
    port = start("--trouble", "die:700")
    done = threading.Event()

    def plug_in() -> None:
        start.running[0].wait()  # type: ignore[attr-defined]
        start("--name", "another board")
        done.wait(60)  # a board ends with the thread that started it

    threading.Thread(target=plug_in, daemon=True).start()
    with _rig(link, port) as rig, pytest.raises(RigError, match=r"another board answers .*: another board"):
        _fly_on(rig, link)
    assert "host board" in rig.about["board"]
    done.set()


def test_lost_port_ends_prove_with_3_and_keeps_evidence(start: Start, tmp_path: Path) -> None:
    """The board goes once the suite has begun, however long the start takes; what was measured until then is there."""
    command = [sys.executable, "-m", "lostlink", "prove", str(HERON), "--rig", f"serial:{start()}", "--props-off"]
    running = subprocess.Popen(
        [*command, "--out", str(tmp_path / "out")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    for _ in range(1200):
        if (tmp_path / "out.unfinished" / "verdicts.json").exists():
            break
        time.sleep(0.1)  # noqa: TID251  until it has begun
    start.running[0].kill()  # type: ignore[attr-defined]
    out, errors = running.communicate(timeout=120)
    assert running.returncode == 3, out + errors
    assert "did not come back" in errors
    assert "Traceback" not in errors
    assert '"exit_code": 3' in (tmp_path / "out" / "verdicts.json").read_text(encoding="utf-8")


def test_interrupt_ends_with_130_and_a_safe_board(start: Start, tmp_path: Path) -> None:
    """Ctrl-C in a flight."""
    command = [sys.executable, "-m", "lostlink", "prove", str(HERON), "--rig", f"serial:{start()}", "--props-off"]
    running = subprocess.Popen(
        [*command, "--out", str(tmp_path / "out")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    for _ in range(300):
        time.sleep(0.1)  # noqa: TID251  until it has begun
        if (tmp_path / "out.unfinished" / "verdicts.json").exists():
            break
    time.sleep(2)  # noqa: TID251  into the first flights
    running.send_signal(signal.SIGINT)
    out, _ = running.communicate(timeout=30)
    assert running.returncode == 130
    assert "held in reset" in out


@pytest.mark.parametrize("queue", [0, 256, None])
@pytest.mark.parametrize("trouble", ["restarts", "stands still"])
def test_spoiled_run_is_made_again(start: Start, link: Profile, trouble: str, queue: int | None) -> None:
    """A board that restarts by itself, or stands still for longer than its queue lasts: void, not met.

    The next run is sound again.
    """
    words = ("--trouble", "reboot:1500") if trouble == "restarts" else ()
    with _rig(link, start(*words, queue=queue)) as rig:
        if trouble == "stands still":
            _stop(rig, start.running[0], 0.3 if queue is not None else 1.2)  # type: ignore[attr-defined]
        run, at_us = _cut(link)
        trace = rig.run(run)
        assert rig._void >= 1
        assert trace.doubt or failsafe.time_to_cut(trace, at_us).value < 560_000


def _stop(rig: SerialRig, process: subprocess.Popen[str], for_s: float) -> None:
    """Let a board's process stand still once, at its first frames, while many packets are still to come."""
    board = rig._board
    assert board is not None
    waiting, stopped = board.wait, False

    def wait(free_ns: int) -> None:
        nonlocal stopped
        waiting(free_ns)
        if not stopped and len(board.reports.frames) > 5:
            stopped = True
            process.send_signal(signal.SIGSTOP)
            threading.Timer(for_s, process.send_signal, (signal.SIGCONT,)).start()

    board.wait = wait  # type: ignore[method-assign]


def _fly_on(rig: SerialRig, link: Profile) -> None:
    """Make runs until something happens: on a busy machine the first ones may be void before it does."""
    for _ in range(40):
        rig.run(_cut(link)[0])
        if rig._reconnects:
            return


def _trouble(link: Profile, port: str) -> str:
    """Return the doubt of a run, or what became of the rig."""
    try:
        with _rig(link, port) as rig:
            return rig.run(_cut(link)[0]).doubt
    except RigError as error:
        return str(error)


@pytest.mark.parametrize("kind", ["garbage", "halves"])
def test_spoiled_line(start: Start, link: Profile, kind: str) -> None:
    """Never a verdict from reports with holes in them."""
    port = start("--trouble", f"{kind}:400")
    assert _trouble(link, port)


@pytest.mark.parametrize(
    ("kind", "said"),
    [("version", "version 2"), ("nonsense", "prints text"), ("mute", "no answer")],
)
def test_no_handshake(start: Start, link: Profile, kind: str, said: str) -> None:
    """A wrong version, a board that sends invalid data, a silent one."""
    with pytest.raises(RigError, match=said):
        SerialRig(link, start("--trouble", kind), baud=250_000)


class BootsWhenAsked:
    """A line whose board restarts between its identity and the first ping."""

    port, baud = "a line", 9_600

    def __init__(self) -> None:
        self._decoder, self._answer = codec.Decoder(), b""

    def write(self, data: bytes) -> tuple[int, int]:
        at_us = time.monotonic_ns() // 1000 & 0xFFFF_FFFF
        for message in self._decoder.feed(data):
            if isinstance(message, codec.Identify):
                self._answer += codec.encode(codec.Identity(codec.VERSION, 15, 8, 1, b"b"), 0)
                self._answer += codec.encode(codec.Boot(at_us, codec.POWER_ON), 1)
            elif isinstance(message, codec.Ping):
                self._answer += codec.encode(codec.Pong(message.token, at_us, at_us), 2)
        return time.monotonic_ns(), time.monotonic_ns()

    def read(self, timeout_s: float) -> list[tuple[int, bytes]]:
        data, self._answer = self._answer, b""
        return [(time.monotonic_ns(), data)] if data else []


def test_a_board_that_boots_within_the_handshake() -> None:
    line: Any = BootsWhenAsked()
    board = BenchBoard(line)
    assert board.identity.version == codec.VERSION


def test_falls_silent_in_a_run(start: Start, link: Profile) -> None:
    """The tool does not wait for ever."""
    with pytest.raises(RigError, match="silent"), _rig(link, start("--trouble", "mute:700")) as rig:
        _fly_on(rig, link)


def test_flood(start: Start, link: Profile, long: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """A board that reports without end spoils the run, or ends it, or the measurement is right all the same.

    The run is made once; ``--long``: it is repeated, as usual.
    """
    if not long:
        monkeypatch.setattr(serial_rig, "ATTEMPTS", 1)
    run, at_us = _cut(link)
    with contextlib.suppress(RigError), _rig(link, start("--trouble", "flood:100")) as rig:
        trace = rig.run(run)
        assert trace.doubt or 495_000 < failsafe.time_to_cut(trace, at_us).value < 560_000


def test_deaf_board(start: Start, link: Profile) -> None:
    """The board does not read."""
    with (
        pytest.raises(RigError, match=r"not responding|accepts no data"),
        _rig(link, start("--trouble", "deaf:700")) as rig,
    ):
        _fly_on(rig, link)


def _slow(rig: SerialRig, stands_s: float) -> None:
    """Let the host stand still at each fortieth packet."""
    board = rig._board
    assert board is not None
    real, sent = board.send, 0

    def slow(message: codec.Message) -> tuple[int, int]:
        nonlocal sent
        is_packet = isinstance(message, codec.Packet | codec.PacketAt)
        sent += is_packet
        if is_packet and sent % 40 == 0:
            time.sleep(stands_s)  # noqa: TID251  a host that is busy elsewhere
        return real(message)

    board.send = slow  # type: ignore[method-assign]


@pytest.mark.parametrize(("queue", "stands_s"), [(0, 0.05), (256, 0.3)])
def test_slow_host(start: Start, link: Profile, queue: int, stands_s: float) -> None:
    """In each attempt the host stands still in flight, longer than the board's queue lasts: never a verdict.

    What was late is not carried out, nothing is left in the queue, and the reason is told.
    """
    with _rig(link, start(queue=queue)) as rig:
        _slow(rig, stands_s)
        scenario, at_us = _cut(link)
        trace = rig.run(scenario)
        assert "too slow" in trace.doubt
        assert ("too late" in trace.doubt) is bool(queue)
        assert rig._void == serial_rig.ATTEMPTS
        judge = Judge(None, rig, "")
        judge(trace, failsafe.time_to_cut(trace, at_us), at_most=0)
        with pytest.raises(InconclusiveError, match="too slow"):
            judge.conclude()
        board = rig._board
        assert board is not None
        told = board.clear_queue()
        if told is not None:
            assert told.queued == 0
            assert told.refused >= serial_rig.ATTEMPTS


def test_a_slow_host_is_no_matter_to_a_board_with_a_queue(start: Start, link: Profile) -> None:
    """It stands still for 0.1 s again and again: no run is void, and no packet comes off its time."""
    with _rig(link, start()) as rig:
        _slow(rig, 0.1)
        scenario, at_us = _cut(link)
        trace = rig.run(scenario)
        if trace.doubt or rig._void:  # the board's process, too, must get a processor
            pytest.skip(f"this machine was too busy: {trace.doubt}")
        cut = failsafe.time_to_cut(trace, at_us)
        assert cut.uncertainty < 1_000
        assert 495_000 <= cut.value <= 500_000 + 22_500 + 3 * 2_000


def test_a_board_that_stood_still_for_less_than_its_queue(start: Start, link: Profile) -> None:
    """As if its receive interrupt went on: what it was sent ahead happens at its instants."""
    with _rig(link, start()) as rig:
        _stop(rig, start.running[0], 0.2)  # type: ignore[attr-defined]
        scenario, at_us = _cut(link)
        trace = rig.run(scenario)
        if trace.doubt or rig._void:
            pytest.skip(f"this machine was too busy: {trace.doubt}")
        cut = failsafe.time_to_cut(trace, at_us)
        assert cut.uncertainty < 1_000
        assert 495_000 <= cut.value <= 500_000 + 22_500 + 3 * 2_000


@pytest.mark.parametrize("spoiled", ["lost", "twice", "swapped", "damaged on its way", "twice on its way"])
def test_each_order_is_answered_once(
    start: Start, link: Profile, spoiled: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Answers that are missing, doubled or swapped, and orders that the line damaged or doubled, spoil a run."""
    monkeypatch.setattr(serial_rig, "ATTEMPTS", 1)
    with _rig(link, start()) as rig:
        board = rig._board
        assert board is not None
        _spoil(board, spoiled)
        trace = rig.run(Scenario(duration_us=600_000))
        assert trace.doubt
        assert "line" not in trace.doubt or "order" in trace.doubt, "found by the answers themselves"


def _spoil(board: BenchBoard, how: str) -> None:
    process, write, seen = board._process, board.line.write, 0

    def spoiled(message: codec.Message, stamp_ns: int) -> None:
        nonlocal seen
        seen += isinstance(message, codec.Done)
        if isinstance(message, codec.Done) and seen == 30:
            if how == "lost":
                return
            if how == "twice":
                process(message, stamp_ns)
            message = codec.Done(message.number + (how == "swapped") & 0xFF, message.at_us, message.result)
        process(message, stamp_ns)

    def written(data: bytes) -> tuple[int, int]:
        nonlocal seen
        seen += isinstance(codec.Decoder().feed(data)[0], codec.PacketAt)
        if seen == 30:
            seen += 1
            data = data + data if how == "twice on its way" else data[:3] + bytes([data[3] ^ 1 or 2]) + data[4:]
        return write(data)

    if "way" in how:
        board.line.write = written  # type: ignore[method-assign]
    else:
        board._process = spoiled  # type: ignore[method-assign]


def test_a_late_command_spoils_a_run(start: Start, link: Profile) -> None:
    """No packet is on its way that would show it: the order to hang left the host 400 ms late."""
    with _rig(link, start(queue=0)) as rig:
        board = rig._board
        assert board is not None
        real = board.send

        def slow(message: codec.Message) -> tuple[int, int]:
            if isinstance(message, codec.Hang):
                time.sleep(0.4)  # noqa: TID251  a host that is busy elsewhere
            return real(message)

        board.send = slow  # type: ignore[method-assign]
        hung = MainLoopHung(at_us=300_000, for_us=100_000)
        scenario = Scenario(name="no handset", duration_us=800_000, handset_on_us=60_000_000, faults=(hung,))
        assert "a command left 4" in rig.run(scenario).doubt


def test_busy_port(start: Start, link: Profile) -> None:
    """Two programs on one port would both be wrong."""
    port = start()
    with open_line(port), pytest.raises(RigError, match="another program"):
        SerialRig(link, port, baud=250_000)


def test_missing_port(link: Profile, tmp_path: Path) -> None:
    """A name that leads nowhere, and a file that is no port."""
    with pytest.raises(RigError, match="no such port"):
        SerialRig(link, str(tmp_path / "none"), baud=250_000)
    (tmp_path / "file").write_text("no port", encoding="utf-8")
    with pytest.raises(RigError, match="not a serial port"):
        SerialRig(link, str(tmp_path / "file"), baud=250_000)


def test_no_permission(link: Profile, monkeypatch: pytest.MonkeyPatch, start: Start) -> None:
    """The superuser may open anything, so the refusal is the system call's."""
    port = start()

    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("serial.serialposix.os.open", refuse)
    with pytest.raises(RigError, match="no permission"):
        SerialRig(link, port, baud=250_000)


def test_slow_line_is_refused_at_once(start: Start, link: Profile) -> None:
    """9600 baud cannot carry 200 packets a second."""
    with pytest.raises(RigError, match="too slow for this link"):
        SerialRig(link, start(), baud=9600)


def test_port_that_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line that takes nothing any more ends in words, not in a hang."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    with open_line(os.ttyname(slave)) as line, pytest.raises(RigError, match="accepts no data"):
        line.write(bytes(400_000))
    os.close(master)
    os.close(slave)


def test_lost_line_in_words() -> None:
    """Reading and writing after the far end has gone."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    line: SerialLine = open_line(os.ttyname(slave))
    os.close(slave)
    os.close(master)
    with pytest.raises(LineLostError, match="cable"):
        line.read(1.0)
    with pytest.raises(LineLostError, match="cable"):
        line.write(b"x")
    line.close()


def test_ports_says_who_answers(start: Start) -> None:
    """One that answers, one that is not there."""
    good, missing = look([(start(), ""), ("/nowhere", "")], baud=250_000)
    assert good.answers
    assert "version 1" in good.result
    assert not missing.answers
    assert "no such port" in missing.result


def test_board_that_can_do_no_more_than_the_three_functions(start: Start, link: Profile) -> None:
    """No reset, no clock, no frames: link loss is judged all the same, what needs more is not tested."""
    with _rig(link, start("--plain")) as rig:
        assert not rig.sets_clock
        run, at_us = _cut(link)
        trace = rig.run(run)
        if not trace.doubt:
            cut = failsafe.time_to_cut(trace, at_us)
            assert 450_000 < cut.value < 560_000
            assert failsafe.time_to_motor_stop(trace, at_us).value < 600_000
        flight = _flight(link)
        with pytest.raises(CannotError, match="reset"):
            rig.run(flight.into(ReceiverReset(at_us=flight.at_us)))
        with pytest.raises(CannotError, match="hang"):
            rig.run(flight.into(MainLoopHung(at_us=flight.at_us)))
    assert "no means to be held in reset" in rig.about["at the end"]
