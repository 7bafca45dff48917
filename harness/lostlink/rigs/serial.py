"""Real time: a receiver board behind a serial port; handset, radio and flight controller are simulated.

The simulation runs in step with the host's clock and sends the packets that are not lost to the board. The board
reports when it received each packet and what it output, by its own clock. Instants of a run are on that clock; its zero
is where the median packet arrived when it was due. The largest deviation of a packet is the uncertainty of every
instant, but not of durations between two timestamps of the board.
"""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import time
from typing import Any, Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import PINGS_AT_START, BenchBoard, Reports
from lostlink.bench.clocks import ClockFit
from lostlink.bench.line import DEFAULT_BAUD, LineLostError, PortError, open_line
from lostlink.bench.pacer import pace, precise_timing, real_time_priority
from lostlink.errors import CannotError, RigError
from lostlink.rigs.base import Rig
from lostlink.rigs.remote import RemoteBoard
from lostlink.rigs.reported import ReportedRun
from lostlink_sims import HowSeen, Profile, Scenario, Trace
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
_SAFE_S: Final = 1.0
_BEFORE_TROUBLE_US: Final = 2_000_000
_SETTLE_S: Final = 0.2
_MOST_LOAD: Final = 0.8
"""Share of the line's capacity."""
_NO_CLOCK: Final = "the board's clock cannot be aligned with the host's: it stopped, jumped, or is off by more than 1 %"


def lateness_limit_us(profile: Profile, scenario: Scenario) -> int:
    """Return the largest packet scheduling error of a valid run; others are discarded and repeated.

    With faults it is the margin of the tests at a timeout, without faults most of a frame period.
    """
    limit_us = profile.receiver.timeout_us // 50 + 1_000
    return limit_us if scenario.faults else max(limit_us, profile.output.frame_period_us * 4 // 5)


def decisive_from_us(scenario: Scenario) -> int:
    """Return the instant from which packets must be in time: shortly before the first fault."""
    return max(0, min((fault.at_us for fault in scenario.faults), default=0) - _BEFORE_TROUBLE_US)


class _LateError(Exception):
    """A packet is too late, so the run must be repeated."""


class _OtherBoardError(PortError):
    """The port's name now belongs to another board, on which the propellers may be."""


class _SerialBoard(RemoteBoard):
    """A board on a serial line; raises `_LateError` when a packet leaves too late."""

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
            raise _LateError(
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

    def __init__(self, profile: Profile, port: str, *, baud: int | None = None, thorough: bool = False) -> None:
        super().__init__(profile, port)
        self.name = f"serial:{port}"
        self.phase_stride = 1 if thorough else PHASE_STRIDE
        self.varied_stride = 1 if thorough else self.varied_stride
        self._port, self._baud = port, baud or DEFAULT_BAUD
        self._void = self._reconnects = 0
        self._worst_us = 0
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
            if board.identity.abilities & codec.CAN_RESET:
                board.send(codec.Reset(codec.STAY_DOWN))
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
        self.about["line"] = f"{self._baud} baud, low latency {'on' if line.low_latency else 'not available'}"
        return board

    @property
    def sets_clock(self) -> bool:
        """Whether the board's program can start with a counter value given by the host."""
        return self._is_able(codec.CAN_SET_CLOCK)

    def _is_able(self, ability: int) -> bool:
        return self._board is not None and bool(self._board.identity.abilities & ability)

    def _check_load(self) -> None:
        """Raise an error if the line is too slow for the link."""
        profile = self.profile
        packet = 8 + profile.payload_bytes
        frame = 12 + 2 * profile.output.channels
        packets, frames = 1e6 / profile.handset.packet_interval_us, 1e6 / profile.output.frame_period_us
        for way, bytes_s in (("to", packets * packet), ("from", packets * 13 + frames * 2 * frame)):
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
        if self._board is None:
            raise PortError(self._port, "the rig is closed")
        kinds = {type(fault) for fault in scenario.faults}
        resets = scenario.handset_on_us or scenario.receiver_on_us or kinds & {ReceiverReset, BrownOut}
        if resets and not self._is_able(codec.CAN_RESET):
            raise CannotError(f"the board on {self._port} has no means to be reset")
        if MainLoopHung in kinds and not self._is_able(codec.CAN_HANG):
            raise CannotError(f"the board on {self._port} has no means to let its main loop hang")

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
        self._prepare(board, scenario)
        before = _disturbances(board)

        def build(env: World, recorder: Recorder, _: int) -> _SerialBoard:
            return _SerialBoard(env, self.profile, scenario, board, recorder)

        late = ""
        with precise_timing():
            stage = Stage(self.profile, scenario, build, keep=True)
            stage.enqueue(stage.board.take)
            # After the garbage collection and the preparation of a long scenario, which take some 10 ms:
            stage.board.start_ns = start_ns = time.monotonic_ns() + _LEAD_NS
            try:
                pace(stage.env, scenario.duration_us, start_ns, functools.partial(self._wait, board))
            except _LateError as error:
                late = str(error)
        if self._is_able(codec.CAN_RESET):
            board.send(codec.Reset(codec.STAY_DOWN))
        board.answered(board.ping())
        reported = _SerialRun(self.profile, scenario, stage, board.take_reports(), start_ns)
        fit = board.alignment.fit()
        if fit is None:
            board.align_anew()
        trace = reported.trace(fit, board.identity)
        if fit is not None and late:
            trace.doubt = late
        trace.doubt = trace.doubt or _disturbed(board, before)
        step = max(1, len(reported.lateness_us) // 50)
        self._lateness_us += [late_us - reported.anchor_us for late_us in reported.lateness_us[::step]]
        self._worst_us = max(self._worst_us, trace.uncertainty_us)
        self._describe(board, fit)
        return trace

    def _prepare(self, board: BenchBoard, scenario: Scenario) -> None:
        """Bring the board to the state before power-on, and align its clock."""
        if self._is_able(codec.CAN_RESET):
            board.send(codec.Reset(codec.STAY_DOWN))
            board.send(codec.SetClock(scenario.receiver_clock_us & 0xFFFF_FFFF))
        else:
            self._fall_silent(board)
        board.align(3 if board.alignment.exchanges else PINGS_AT_START)
        board.take_reports()

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


def _disturbances(board: BenchBoard) -> tuple[int, int, int]:
    """Return the counts of damaged messages, missing messages, and stops for lack of messages so far."""
    damaged, missing = board.frame_errors()
    return damaged, missing, board.guard.losses if board.guard is not None else 0


def _disturbed(board: BenchBoard, before: tuple[int, int, int]) -> str:
    """Return how the line disturbed a run; empty if it did not."""
    damaged, missing, stops = (after - count for after, count in zip(_disturbances(board), before, strict=True))
    if stops and board.guard is not None:
        silence_s = board.guard.silence_us / 1e6
        return f"the board stopped its outputs: no message came from the host for {silence_s:g} s"
    if damaged or missing:
        return f"the line spoiled the board's reports ({damaged} damaged, {missing} missing)"
    return ""


class _SerialRun(ReportedRun):
    """Converts the reports of a board to a trace on the scenario's time line."""

    def __init__(
        self, profile: Profile, scenario: Scenario, stage: Stage[_SerialBoard], reports: Reports, start_ns: int
    ) -> None:
        super().__init__(profile, scenario, stage, reports)
        self._start_us = start_ns / 1000
        self.anchor_us = 0.0  # lateness of the median packet

    def trace(self, fit: ClockFit | None, identity: codec.Identity) -> Trace:
        """Return the trace with its uncertainty, and with a doubt if the bench disturbed the run."""
        if fit is None:
            return self._completed(doubt=_NO_CLOCK)
        middle_us = self._start_us + self._scenario.duration_us / 2

        def raw(board_us: float) -> float:
            return fit.host_us(board_us, middle_us) - self._start_us

        def at(board_us: float) -> int:
            return round(raw(board_us) - self.anchor_us)

        arrivals = self.arrivals(raw)
        decisive = [arrived - due for due, arrived in arrivals.items() if due >= decisive_from_us(self._scenario)]
        lateness_us = np.array(decisive or self.lateness_us)
        if len(lateness_us):
            self.anchor_us = float(np.median(lateness_us))
            spread_us = float(np.abs(lateness_us - self.anchor_us).max())
        else:
            spread_us = fit.uncertainty_us(middle_us)
        drift_us = fit.rate_uncertainty * self._scenario.duration_us / 2
        uncertainty_us = int(np.ceil(spread_us + drift_us)) + identity.tick_us + 1
        separators = self.put_frames(self.reported_frames(at, identity.abilities))
        self.put_flags(at)
        trace = self._completed(
            uncertainty_us=uncertainty_us, span_uncertainty_us=identity.tick_us,
            separators_us=np.array(separators, np.int64) if separators else None, doubt=self._doubt(uncertainty_us),
        )  # fmt: skip
        self.set_arrivals(trace, arrivals, self.anchor_us)
        return trace

    def _completed(self, **columns: Any) -> Trace:
        self._stage.close()
        trace = dataclasses.replace(self._stage.trace(), how_seen=HowSeen.REPORTED, **columns)
        trace.notes.sort(key=lambda note: note.at_us)
        return trace

    def _doubt(self, uncertainty_us: int) -> str:
        """Return why the run is inconclusive; empty if it is not."""
        remote, reports = self._remote, self._reports
        lost = len(remote.sent) - len(self.lateness_us)
        limit_us = lateness_limit_us(self._profile, self._scenario)
        if any(cause == codec.POWER_ON for _, cause in reports.boots):
            return self.restarted()
        if lost:
            return f"the board did not get {lost} of {len(remote.sent)} packets that were sent over the line"
        if uncertainty_us > limit_us:
            return (
                f"host or board too slow: packet scheduling error up to {uncertainty_us / 1000:.1f} ms, "
                f"allowed for this link: {limit_us / 1000:.1f} ms"
            )
        return self.restarted()
