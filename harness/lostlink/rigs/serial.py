"""Real time: a receiver board behind a serial port; handset, radio and flight controller are simulated.

What reaches the radio does not depend on the receiver's program, so a run is simulated before it begins. A board with a
queue gets its packets and orders ahead, with instants of its own clock, and the host may be busy meanwhile. To a board
without one the simulation, in step with the host's clock, sends each packet when it is due.

The board reports when it received each packet and what it output, by its own clock. Instants of a run are on that
clock; its zero is where the median packet arrived when it was due. The largest deviation of a packet is the uncertainty
of every instant, but not of durations between two timestamps of the board.
"""

from __future__ import annotations

import contextlib
import functools
import time
from typing import Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.ahead import AHEAD_US, SentAhead, SpoiledError, room_needed
from lostlink.bench.board import PINGS_AT_START, BenchBoard
from lostlink.bench.clocks import ClockFit
from lostlink.bench.line import DEFAULT_BAUD, LineLostError, PortError, open_line
from lostlink.bench.pacer import pace, precise_timing, real_time_priority
from lostlink.errors import CannotError, RigError
from lostlink.rigs.base import Rig
from lostlink.rigs.remote import RemoteBoard
from lostlink.rigs.serial_run import SerialRun, decisive_from_us, lateness_limit_us
from lostlink_sims import Profile, Scenario, Trace
from lostlink_sims.clock import World
from lostlink_sims.recorder import Recorder
from lostlink_sims.scenario import BrownOut, MainLoopHung, ReceiverReset
from lostlink_sims.sticks import codes, layout
from lostlink_sims.world import Stage

ATTEMPTS: Final = 3
"""Attempts at a run that the bench disturbs."""
PHASE_STRIDE: Final = 4
BACK_WITHIN_S: Final = 10.0
"""Time limit for a lost connection to return."""
_LEAD_NS: Final = 20_000_000
_LEAD_AHEAD_NS: Final = 150_000_000
"""Until the first order that is sent ahead is due; doubled when one came too late."""
_LONGEST_LEAD_NS: Final = 1_000 * AHEAD_US
_KNOWN_RATE: Final = 2e-4
"""Uncertainty of the clock's rate with which the first run begins."""
_LONGEST_ALIGNMENT_S: Final = 0.5
_SAFE_S: Final = 1.0
_SETTLE_S: Final = 0.2
_MOST_LOAD: Final = 0.8
"""Share of the line's capacity."""


class _OtherBoardError(PortError):
    """The port's name now belongs to another board, on which the propellers may be."""


class _SerialBoard(RemoteBoard):
    """A board on a serial line; raises `SpoiledError` when a packet leaves too late."""

    start_ns = 0  # of the host's monotonic clock

    def __init__(self, env: World, profile: Profile, scenario: Scenario, board: BenchBoard, recorder: Recorder) -> None:
        super().__init__(env, profile, recorder, self._send, board.identity.abilities)
        self._board = board
        self._decisive_us = decisive_from_us(scenario)
        self._limit_ns = lateness_limit_us(profile, scenario) * 1000

    def _send(self, message: codec.Message) -> None:
        _, after_ns = self._board.send(message)
        now_us = self._env.now
        late_ns = after_ns - self.start_ns - now_us * 1000
        if now_us >= self._decisive_us and late_ns > self._limit_ns:
            if is_packet := isinstance(message, codec.Packet):
                self.sent.append(now_us)
            raise SpoiledError(
                f"host too slow: {'a packet' if is_packet else 'a command'} left {late_ns / 1e6:.1f} ms late"
            )


class SerialRig(Rig):
    """Runs scenarios on a receiver board behind a serial port.

    Parameters
    ----------
    profile : Profile
    port : str
        Any port or URL of pyserial.
    baud : int
    thorough : bool
        Test as many phases as in simulation.

    Raises
    ------
    PortError
        If the port cannot be opened, or no board on it speaks the bench protocol.
    """

    receiver = "the board's firmware"
    asks_each_run = False  # in real time that takes as long as the runs

    def __init__(self, profile: Profile, port: str, *, baud: int | None = None, thorough: bool = False) -> None:
        super().__init__(profile, port)
        self.name = f"serial:{port}"
        self.phase_stride = 1 if thorough else PHASE_STRIDE
        self.varied_stride = 1 if thorough else self.varied_stride
        self._port, self._baud = port, baud or DEFAULT_BAUD
        self._void = self._reconnects = 0
        self._worst_us = 0
        self._lead_ns = _LEAD_AHEAD_NS
        self._lateness_us: list[float] = []
        self._identity: codec.Identity | None = None
        self._board: BenchBoard | None = self._connect()
        self._check_load()

    def _connect(self) -> BenchBoard:
        line = open_line(self._port, self._baud)
        try:
            board = BenchBoard(line)
            if self._identity not in (None, board.identity):
                name = board.identity.name.decode("utf-8", "replace")
                raise _OtherBoardError(self._port, f"another board answers after a lost connection: {name}")
            self._check_board(board)
            if board.identity.abilities & codec.CAN_RESET:
                board.send(codec.Reset(codec.STAY_DOWN))
            board.clear_queue()
        except BaseException:
            line.close()
            raise
        self._identity = identity = board.identity
        self.about["board"] = f"{identity.name.decode('utf-8', 'replace')}, {identity.channels} channels"
        granted = real_time_priority(on=True) and real_time_priority(on=False)
        self.about["host"] = f"real-time scheduling {'granted' if granted else 'not granted'}"
        self.about["if the host is lost"] = (
            f"the board holds itself in reset after {board.guard.silence_us / 1e6:g} s without a message"
            if board.guard is not None
            else "the board does not protect itself; build its firmware with the bench.c of this version"
        )
        self.about["packets"] = self._describe_ahead(board)
        self.about["line"] = f"{self._baud} baud, low latency {'on' if line.low_latency else 'not available'}"
        return board

    def _check_board(self, board: BenchBoard) -> None:
        """Raise an error if a board is not of the kind that is tested."""
        if board.identity.abilities & codec.IS_HANDSET:
            raise PortError(self._port, "this board is a handset's; leave out --rig and give --handset serial:PORT")

    def _describe_ahead(self, board: BenchBoard) -> str:
        if not board.keeps_time or board.queue is None:
            return "sent by the host when each is due; the board has no queue for instants of its own clock"
        needed = room_needed(codec.Packet(0, bytes(self.profile.payload_bytes)))
        held_us = board.queue.room_bytes // needed * self.profile.handset.packet_interval_us
        return f"sent up to {min(held_us, AHEAD_US) / 1e6:.2g} s ahead, with instants of the board's own clock"

    @property
    def sets_clock(self) -> bool:
        """Whether the board's program can start with a counter value given by the host."""
        return self._is_able(codec.CAN_SET_CLOCK)

    def _is_able(self, ability: int) -> bool:
        return self._board is not None and bool(self._board.identity.abilities & ability)

    def _check_load(self) -> None:
        """Raise an error if the line is too slow for the link."""
        profile = self.profile
        is_ahead = self._board is not None and self._board.keeps_time
        packet = (12 if is_ahead else 8) + profile.payload_bytes
        frame = 12 + 2 * profile.output.channels
        packets, frames = 1e6 / profile.handset.packet_interval_us, 1e6 / profile.output.frame_period_us
        self._refuse_slow(packets * packet, packets * 13 + frames * 2 * frame)

    def _refuse_slow(self, to_bytes_s: float, from_bytes_s: float) -> None:
        for way, bytes_s in (("to", to_bytes_s), ("from", from_bytes_s)):
            share = bytes_s * 10 / self._baud
            if share > _MOST_LOAD:
                raise PortError(
                    self._port,
                    f"{self._baud} baud is too slow for this link: {bytes_s:.0f} bytes/s {way} the board "
                    f"would fill {share:.0%} of the line; allowed: {_MOST_LOAD:.0%}",
                )

    # --- safety -----------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Bring the board's throttle low, stop its output, and close the port."""
        board = self._board
        if board is None:
            return
        try:
            self.about["at the end"] = self._make_safe(board)
        except Exception as error:
            self.about["at the end"] = (
                f"the throttle could NOT be brought low ({error}); disconnect the board's supply before you go near it"
            )
            with contextlib.suppress(Exception):
                board.send(codec.Reset(codec.STAY_DOWN))
        board.line.close()
        self._describe(board, board.alignment.fit())
        self._board = None

    def _make_safe(self, board: BenchBoard) -> str:
        """Send a low throttle until the board outputs it, then hold it in reset."""
        if board.keeps_time:
            board.send(codec.Clear())
        board.take_reports()
        position = np.zeros((64, len(self.profile.channels)), np.int64)
        rows = layout(self.profile, codes(self.profile, position), np.arange(64))
        idle_us, index = self.profile.requirements.idle_below_us, self.profile.throttle_index
        begun_s = time.monotonic()
        silent_s = 4 * self.profile.output.frame_period_us / 1e6  # without a frame: it is held in reset
        shown: list[int] = []
        for count in range(round(_SAFE_S * 1e6 / self.profile.handset.packet_interval_us)):
            board.send(codec.Packet(count & 0xFF, rows[count % 64].tobytes()))
            due_s = begun_s + (count + 1) * self.profile.handset.packet_interval_us / 1e6
            while (ahead_s := due_s - time.monotonic()) > 0:
                board.pump(ahead_s)
            if board.identity.abilities & codec.REPORTS_FRAMES:  # new values are not yet in the pulses
                rows_seen = [widths for _, _, widths in board.reports.frames]
            else:
                rows_seen = [widths for _, widths in board.reports.channels]
            shown = [widths[index] for widths in rows_seen if len(widths) > index]
            if (shown and shown[-1] <= idle_us) or (not shown and due_s - begun_s > silent_s):
                break
        held = "the board has no means to be held in reset: disconnect its supply before you go near it"
        if self._is_able(codec.CAN_RESET):
            board.send(codec.Reset(codec.STAY_DOWN))
            held = "the board is held in reset, no pulses"
        board.answered(board.ping())
        if not shown:
            return f"no pulses were seen; {held}"
        if shown[-1] <= idle_us:
            return f"throttle low; {held}"
        return f"the throttle could NOT be brought low (it outputs {shown[-1]} µs); {held}"

    # --- runs ---------------------------------------------------------------------------------------------------

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario in real time; a run that the bench disturbed is discarded and repeated.

        Raises
        ------
        CannotError
            If the board cannot do what the scenario requires.
        RigError
            If the connection to the board is lost.
        """
        self._check_abilities(scenario)
        self.runs += 1
        trace = None
        for _ in range(ATTEMPTS):
            try:
                trace = self._fly(scenario)
            except LineLostError as error:
                self._reconnect(error)
                continue
            if not trace.doubt:
                return trace
            self._void += 1
        if trace is None:
            raise PortError(self._port, f"connection lost in each of {ATTEMPTS} attempts")
        return trace

    def _check_abilities(self, scenario: Scenario) -> None:
        self._check_open()
        kinds = {type(fault) for fault in scenario.faults}
        resets = scenario.handset_on_us or scenario.receiver_on_us or kinds & {ReceiverReset, BrownOut}
        if resets:
            self._check_able(codec.CAN_RESET, "be reset")
        if MainLoopHung in kinds:
            self._check_able(codec.CAN_HANG, "let its main loop hang")

    def _check_open(self) -> None:
        if self._board is None:
            raise PortError(self._port, "the rig is closed")

    def _check_able(self, ability: int, what: str) -> None:
        if not self._is_able(ability):
            raise CannotError(f"the board on {self._port} has no means to {what}")

    def _reconnect(self, error: LineLostError) -> None:
        """Wait for a lost connection to return."""
        if self._board is not None:
            self._board.line.close()
        self._board = None
        self._reconnects += 1
        until_s = time.monotonic() + BACK_WITHIN_S
        while self._board is None:
            time.sleep(0.1)  # noqa: TID251  the bench runs in real time
            try:
                self._board = self._connect()
            except _OtherBoardError:
                raise
            except RigError:
                if time.monotonic() > until_s:
                    detail = f"{error.detail}; it did not come back within {BACK_WITHIN_S:g} s"
                    raise PortError(error.port, detail) from None

    def _fly(self, scenario: Scenario) -> Trace:
        board = self._board
        assert board is not None
        self._prepare(board, scenario.receiver_clock_us)
        before = self._disturbances(board)
        fit = board.alignment.fit()
        with precise_timing():
            if board.keeps_time and fit is not None:
                reported, late = self._fly_ahead(board, scenario, fit)
            else:
                reported, late = self._fly_paced(board, scenario)
        fit = board.alignment.fit()
        if fit is None:
            board.align_anew()
        trace = reported.trace(fit, board.identity)
        if fit is not None and late:
            trace.doubt = late
        trace.doubt = trace.doubt or self._disturbed(board, before)
        step = max(1, len(reported.lateness_us) // 50)
        self._lateness_us += [late_us - reported.anchor_us for late_us in reported.lateness_us[::step]]
        self._worst_us = max(self._worst_us, trace.uncertainty_us)
        self._describe(board, fit)
        return trace

    def _fly_paced(self, board: BenchBoard, scenario: Scenario) -> tuple[SerialRun, str]:
        """Send each packet and order when it is due; return the run, and what spoiled it."""

        def build(env: World, recorder: Recorder, _: int) -> _SerialBoard:
            return _SerialBoard(env, self.profile, scenario, board, recorder)

        stage = Stage(self.profile, scenario, build, keep=True)
        stage.enqueue(stage.board.take)
        # After the garbage collection and the preparation of a long scenario, which take some 10 ms:
        stage.board.start_ns = start_ns = time.monotonic_ns() + _LEAD_NS
        late = ""
        try:
            pace(stage.env, scenario.duration_us, start_ns, functools.partial(self._wait, board))
        except SpoiledError as error:
            late = str(error)
        self._hold(board)
        return SerialRun(self.profile, scenario, stage, board.take_reports(), start_ns), late

    def _fly_ahead(self, board: BenchBoard, scenario: Scenario, fit: ClockFit) -> tuple[SerialRun, str]:
        """Send packets and orders ahead, with instants of the board's clock; return the run, and what spoiled it."""
        orders: list[tuple[int, codec.Message]] = []

        def build(env: World, recorder: Recorder, _: int) -> RemoteBoard:
            abilities = board.identity.abilities
            return RemoteBoard(env, self.profile, recorder, lambda order: orders.append((env.now, order)), abilities)

        stage = Stage(self.profile, scenario, build, keep=True)
        stage.fly(scenario.duration_us)
        if self._is_able(codec.CAN_RESET):
            orders.append((scenario.duration_us, codec.Reset(codec.STAY_DOWN)))
        start_ns = time.monotonic_ns() + self._lead_ns
        ahead = SentAhead(board, fit, orders, start_ns / 1000)
        late = ""
        try:
            ahead.run(scenario.duration_us, functools.partial(self._wait, board))
        except SpoiledError as error:
            late = self._was_late(error)
        self._hold(board)
        return SerialRun(self.profile, scenario, stage, board.take_reports(), start_ns, ahead.others), late

    def _was_late(self, error: SpoiledError) -> str:
        """Begin later in the next attempt; return what spoiled this one."""
        self._lead_ns = min(2 * self._lead_ns, _LONGEST_LEAD_NS)
        return str(error)

    def _hold(self, board: BenchBoard) -> None:
        """Hold the board in reset, with nothing in its queue, and read all that it has reported."""
        if self._is_able(codec.CAN_RESET):
            board.send(codec.Reset(codec.STAY_DOWN))
        elif board.keeps_time:
            board.send(codec.Clear())
        board.answered(board.ping())

    def _prepare(self, board: BenchBoard, clock_us: int) -> None:
        """Bring the board to the state before power-on, and align its clock."""
        if self._is_able(codec.CAN_RESET):
            board.send(codec.Reset(codec.STAY_DOWN))
            board.send(codec.SetClock(clock_us & 0xFFFF_FFFF))
        else:
            self._fall_silent(board)
        board.align(3 if board.alignment.exchanges else PINGS_AT_START)
        if board.keeps_time:
            self._learn_rate(board)
            board.clear_queue()
        board.take_reports()

    @staticmethod
    def _learn_rate(board: BenchBoard) -> None:
        """Exchange pings until the rate of the board's clock is known well enough for the first instants."""
        until_s = time.monotonic() + _LONGEST_ALIGNMENT_S
        while time.monotonic() < until_s:
            fit = board.alignment.fit()
            if fit is None or fit.rate_uncertainty <= _KNOWN_RATE:
                return
            board.align(PINGS_AT_START)

    def _wait(self, board: BenchBoard, free_ns: int) -> None:
        board.wait(free_ns)

    def _fall_silent(self, board: BenchBoard) -> None:
        """Wait until a board that cannot be reset is in failsafe, the state after power-on."""
        receiver = self.profile.receiver
        until_s = time.monotonic() + (self.profile.cut_delay_us + receiver.recovery_us) / 1e6 + _SETTLE_S
        while (ahead_s := until_s - time.monotonic()) > 0:
            board.pump(min(ahead_s, _SETTLE_S))
            board.answered(board.ping())

    def _describe(self, board: BenchBoard, fit: ClockFit | None) -> None:
        """Update the description of the rig in the evidence."""
        if fit is not None:
            residual_us = fit.uncertainty_us(time.monotonic_ns() / 1000)
            self.about["clock"] = (
                f"{(fit.rate - 1) * 1e6:+.1f} ± {fit.rate_uncertainty * 1e6:.1f} ppm against the host, "
                f"aligned to ± {residual_us:.0f} µs, best round trip {board.alignment.best_delay_us():.0f} µs"
            )
        if self._lateness_us:
            p50, p99, most = np.quantile(np.abs(self._lateness_us), (0.5, 0.99, 1.0))
            self.about["lateness"] = (
                f"packet scheduling error {p50:.0f} µs (median), {p99:.0f} µs (99 %), "
                f"at most {max(self._worst_us, most):.0f} µs"
            )
        self.about["runs"] = (
            f"{self.runs} runs, {self._void} discarded and repeated, connection lost {self._reconnects}x"
        )

    @staticmethod
    def _disturbances(board: BenchBoard) -> tuple[int, int, int]:
        """Return the counts of damaged messages, missing messages, and stops for lack of messages so far."""
        damaged, missing = board.frame_errors()
        return damaged, missing, board.guard.losses if board.guard is not None else 0

    def _disturbed(self, board: BenchBoard, before: tuple[int, int, int]) -> str:
        """Return how the line disturbed a run; empty if it did not."""
        now = self._disturbances(board)
        damaged, missing, stops = (after - count for after, count in zip(now, before, strict=True))
        if stops and board.guard is not None:
            silence_s = board.guard.silence_us / 1e6
            return f"the board stopped its outputs: no message came from the host for {silence_s:g} s"
        if damaged or missing:
            return f"the line spoiled the board's reports ({damaged} damaged, {missing} missing)"
        return ""
