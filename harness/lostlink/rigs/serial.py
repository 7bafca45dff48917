"""Real time: a real receiver board behind a serial port; handset, radio and flight controller are simulated.

The same world runs as in simulation, in step with the host's clock. Packets that survive the air go to the board
over the line; the board says when it had each, and what it put out, by its own clock. A run is told on that clock:
its zero is laid so that packets arrived, in the middle, when they were meant to; how far single packets lie from
that is the uncertainty of every instant in the run. Durations between two of the board's own stamps need none of it.
"""

from __future__ import annotations

import dataclasses
import functools
import time
from typing import Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import PINGS_AT_START, BenchBoard, Reports
from lostlink.bench.clocks import Fit
from lostlink.bench.line import DEFAULT_BAUD, LineLostError, open_line
from lostlink.bench.pacer import first_in_line, pace, undisturbed
from lostlink.errors import CannotError, RigError
from lostlink.rigs.remote import RemoteBoard
from lostlink.rigs.reported import Told
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.clock import World
from lostlink_sims.handset import codes, layout
from lostlink_sims.recorder import Recorder
from lostlink_sims.scenario import BrownOut, MainLoopHung, ReceiverReset
from lostlink_sims.world import Stage

ATTEMPTS: Final = 3
"""A run that went wrong by the bench's own fault is made so often in all."""
PHASE_STRIDE: Final = 4
BACK_WITHIN_S: Final = 10.0
"""How long a port that is gone may take to come back."""
_LEAD_NS: Final = 20_000_000
_SAFE_S: Final = 1.0
_BEFORE_TROUBLE_US: Final = 2_000_000
_SETTLE_S: Final = 0.2
_MOST_LOAD: Final = 0.8
"""Of the line's bytes in a second."""


_NO_CLOCK: Final = "the board's clock cannot be aligned with the host's: it stood, jumped, or is off by more than 1 %"


def lateness_limit_us(profile: Profile, scenario: Scenario) -> int:
    """Return how far packets may come off their time before a run is void.

    Near a timeout it is what tests leave for it. Where nothing goes wrong they wait for a frame more than they need.
    """
    limit_us = profile.receiver.timeout_us // 50 + 1_000
    return limit_us if scenario.faults else max(limit_us, profile.output.frame_period_us * 4 // 5)


def decisive_from_us(scenario: Scenario) -> int:
    """Return from when on it matters that packets come in time: shortly before the first thing goes wrong."""
    return max(0, min((fault.at_us for fault in scenario.faults), default=0) - _BEFORE_TROUBLE_US)


class _LateError(Exception):
    """A packet is so late that the run proves nothing."""


class _Remote(RemoteBoard):
    """A board behind a line, which must get its packets in time."""

    def __init__(
        self, env: World, profile: Profile, scenario: Scenario, board: BenchBoard, recorder: Recorder, start_ns: int
    ) -> None:
        super().__init__(env, profile, recorder, self._tell, board.identity.abilities)
        self._board, self._start_ns = board, start_ns
        self._decisive_us = decisive_from_us(scenario)
        self._limit_ns = lateness_limit_us(profile, scenario) * 1000

    def _tell(self, message: codec.Message) -> None:
        _, after_ns = self._board.send(message)
        now_us = self._env.now
        late_ns = after_ns - self._start_ns - now_us * 1000
        if isinstance(message, codec.Packet) and now_us >= self._decisive_us and late_ns > self._limit_ns:
            self.sent.append(now_us)
            raise _LateError(f"host too slow: a packet left {late_ns / 1e6:.1f} ms late")


class SerialRig:
    """Runs scenarios on a receiver board behind a serial port.

    Parameters
    ----------
    profile : Profile
    port : str
        Any port or URL that pyserial knows.
    baud : int
    thorough : bool
        Fly at as many phases as in simulation.

    Raises
    ------
    RigError
        If the port cannot be opened, or what is there does not speak the bench protocol.
    """

    how_seen = HowSeen.REPORTED

    drives_hardware = True
    receiver = "the board's firmware"

    def __init__(self, profile: Profile, port: str, *, baud: int | None = None, thorough: bool = False) -> None:
        self.name = f"serial:{port}"
        self.profile = profile
        self.phase_stride = 1 if thorough else PHASE_STRIDE
        self.runs = 0
        self._port, self._baud = port, baud or DEFAULT_BAUD
        self._void = self._reconnects = 0
        self._worst_us = 0
        self._lateness_us: list[float] = []
        self.about: dict[str, str] = {}
        self._board: BenchBoard | None = self._connect()
        self._check_load()

    def _connect(self) -> BenchBoard:
        line = open_line(self._port, self._baud)
        try:
            board = BenchBoard(line)
            if board.identity.abilities & codec.CAN_RESET:
                board.send(codec.Reset(codec.STAY_DOWN))
        except BaseException:
            line.close()
            raise
        identity = board.identity
        self.about["board"] = f"{identity.name.decode('utf-8', 'replace')}, {identity.channels} channels"
        granted = first_in_line(on=True) and first_in_line(on=False)
        self.about["host"] = f"real-time scheduling {'granted' if granted else 'not granted'}"
        self.about["line"] = f"{self._baud} baud, low latency {'on' if line.low_latency else 'not available'}"
        return board

    @property
    def sets_clock(self) -> bool:
        """Whether the board's program can be told what its counter shows."""
        return self._board is not None and bool(self._board.identity.abilities & codec.CAN_SET_CLOCK)

    @property
    def _resets(self) -> bool:
        return self._board is not None and bool(self._board.identity.abilities & codec.CAN_RESET)

    def _check_load(self) -> None:
        """See that the line can carry what is planned."""
        profile = self.profile
        packet = 8 + profile.payload_bytes
        frame = 12 + 2 * profile.output.channels
        packets, frames = 1e6 / profile.handset.packet_interval_us, 1e6 / profile.output.frame_period_us
        for way, bytes_s in (("to", packets * packet), ("from", packets * 13 + frames * 2 * frame)):
            share = bytes_s * 10 / self._baud
            if share > _MOST_LOAD:
                raise RigError(
                    f"{self._port}: {self._baud} baud is too slow for this link: {bytes_s:.0f} bytes/s {way} the board "
                    f"would fill {share:.0%} of the line; allowed: {_MOST_LOAD:.0%}"
                )

    # --- safety -----------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Bring the board's throttle low, stop its output, and let go of the port."""
        board = self._board
        if board is None:
            return
        try:
            self.about["at the end"] = self._make_safe(board)
        except RigError as error:
            self.about["at the end"] = (
                f"the throttle could NOT be brought low ({error}); take the supply off the board before you go near it"
            )
        board.line.close()
        self._tell(board, board.alignment.fit())
        self._board = None

    def _make_safe(self, board: BenchBoard) -> str:
        """Send a low throttle until the board shows it, then hold it in reset."""
        board.take_reports()
        position = np.zeros((64, len(self.profile.channels)), np.int64)
        rows = layout(self.profile, codes(self.profile, position), np.arange(64))
        idle_us, index = self.profile.requirements.idle_below_us, self.profile.throttle_index
        begun_s = time.monotonic()
        silent_s = 4 * self.profile.output.frame_period_us / 1e6  # so long without a frame: it is held in reset
        shown: list[int] = []
        for count in range(round(_SAFE_S * 1e6 / self.profile.handset.packet_interval_us)):
            board.send(codec.Packet(count & 0xFF, rows[count % 64].tobytes()))
            due_s = begun_s + (count + 1) * self.profile.handset.packet_interval_us / 1e6
            while (ahead_s := due_s - time.monotonic()) > 0:
                board.pump(ahead_s)
            rows_seen = [widths for _, _, widths in board.reports.frames] or [w for _, w in board.reports.channels]
            shown = [widths[index] for widths in rows_seen if len(widths) > index]
            if (shown and shown[-1] <= idle_us) or (not shown and due_s - begun_s > silent_s):
                break
        held = "the board has no means to be held in reset: take its supply off before you go near it"
        if self._resets:
            board.send(codec.Reset(codec.STAY_DOWN))
            held = "the board is held in reset, no pulses"
        board.answered(board.ping())
        if not shown:
            return f"no pulses were seen; {held}"
        if shown[-1] <= idle_us:
            return f"throttle low; {held}"
        return f"the throttle could NOT be brought low (it shows {shown[-1]} µs); {held}"

    # --- runs ---------------------------------------------------------------------------------------------------

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario in real time; one that the bench spoiled is run again.

        Raises
        ------
        CannotError
            If the board has no means to do what the scenario asks for.
        RigError
            If the board is lost.
        """
        self._can(scenario)
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
            raise RigError(f"{self._port}: the port was lost in each of {ATTEMPTS} attempts")
        return trace

    def _can(self, scenario: Scenario) -> None:
        if self._board is None:
            raise RigError(f"{self._port}: the board is gone")
        needs = []
        if (
            scenario.handset_on_us
            or scenario.receiver_on_us
            or any(isinstance(fault, ReceiverReset | BrownOut) for fault in scenario.faults)
        ):
            needs.append((codec.CAN_RESET, "be reset"))
        if any(isinstance(fault, MainLoopHung) for fault in scenario.faults):
            needs.append((codec.CAN_HANG, "let its main loop hang"))
        for bit, said in needs:
            if not self._board.identity.abilities & bit:
                raise CannotError(f"the board on {self._port} has no means to {said}")

    def _reconnect(self, error: LineLostError) -> None:
        """Wait for a lost port to come back."""
        if self._board is not None:
            self._board.line.close()
        self._board = None
        self._reconnects += 1
        until_s = time.monotonic() + BACK_WITHIN_S
        while self._board is None:
            time.sleep(0.1)  # noqa: TID251  the bench lives in real time
            try:
                self._board = self._connect()
            except RigError:
                if time.monotonic() > until_s:
                    raise RigError(f"{error}; it did not come back within {BACK_WITHIN_S:g} s") from None

    def _fly(self, scenario: Scenario) -> Trace:
        board = self._board
        assert board is not None
        if self._resets:
            board.send(codec.Reset(codec.STAY_DOWN))
            board.send(codec.SetClock(scenario.receiver_clock_us & 0xFFFF_FFFF))
        else:
            self._fall_silent(board)
        board.align(3 if board.alignment.exchanges else PINGS_AT_START)
        board.take_reports()
        spoiled = board.spoiled()
        remote: list[_Remote] = []

        def build(env: World, recorder: Recorder, _: int) -> _Remote:
            remote.append(_Remote(env, self.profile, scenario, board, recorder, start_ns))
            return remote[0]

        start_ns = time.monotonic_ns() + _LEAD_NS
        stage = Stage(self.profile, scenario, build, keep=True)
        late = ""
        with undisturbed():
            try:
                pace(stage.env, scenario.duration_us, start_ns, functools.partial(self._wait, board))
            except _LateError as error:
                late = str(error)
        if self._resets:
            board.send(codec.Reset(codec.STAY_DOWN))
        board.answered(board.ping())
        told = _Told(self.profile, scenario, stage, remote[0], board.take_reports(), start_ns)
        fit = board.alignment.fit()
        if fit is None:
            board.align_anew()
        trace = told.trace(fit, board.identity)
        trace.doubt = trace.doubt if fit is None else late or trace.doubt
        if not trace.doubt and board.spoiled() != spoiled:
            damaged, missing = (after - before for after, before in zip(board.spoiled(), spoiled, strict=True))
            trace.doubt = f"the line spoiled the board's reports ({damaged} damaged, {missing} missing)"
        self._lateness_us += [
            late_us - told.anchor_us for late_us in told.lateness_us[:: max(1, len(told.lateness_us) // 50)]
        ]
        self._worst_us = max(self._worst_us, trace.uncertainty_us)
        self._tell(board, fit)
        return trace

    def _wait(self, board: BenchBoard, free_ns: int) -> None:
        board.wait(free_ns)

    def _fall_silent(self, board: BenchBoard) -> None:
        """Let a board that cannot be reset go into failsafe, which is where it would begin."""
        receiver = self.profile.receiver
        until_s = time.monotonic() + (self.profile.cut_delay_us + receiver.recovery_us) / 1e6 + _SETTLE_S
        while (ahead_s := until_s - time.monotonic()) > 0:
            board.pump(ahead_s)
            board.answered(board.ping())

    def _tell(self, board: BenchBoard, fit: Fit | None) -> None:
        """Keep what evidence says of the rig true."""
        if fit is not None:
            residual_us = fit.uncertainty_us(time.monotonic_ns() / 1000)
            self.about["clock"] = (
                f"{(fit.rate - 1) * 1e6:+.1f} ± {fit.rate_uncertainty * 1e6:.1f} ppm against the host, "
                f"aligned to ± {residual_us:.0f} µs, best round trip {board.alignment.best_delay_us():.0f} µs"
            )
        if self._lateness_us:
            p50, p99, most = np.quantile(np.abs(self._lateness_us), (0.5, 0.99, 1.0))
            self.about["lateness"] = (
                f"packets off their time by {p50:.0f} µs (median), {p99:.0f} µs (99 %), "
                f"at most {max(self._worst_us, most):.0f} µs"
            )
        self.about["runs"] = f"{self.runs} runs, {self._void} void and repeated, port lost {self._reconnects}x"


class _Told(Told):
    """Turns what a board reported into a trace on the scenario's time line."""

    def __init__(
        self, profile: Profile, scenario: Scenario, stage: Stage, remote: _Remote, reports: Reports, start_ns: int
    ) -> None:
        super().__init__(profile, scenario, stage, remote, reports)
        self._start_us = start_ns / 1000
        self.anchor_us = 0.0  # by how much all packets came later than planned

    def trace(self, fit: Fit | None, identity: codec.Identity) -> Trace:
        """Return the run, with its uncertainty, and a doubt where it went wrong."""
        doubt = "" if fit is not None else _NO_CLOCK
        uncertainty_us = span_us = 0
        separators: list[int] = []
        if fit is not None:
            middle_us = self._start_us + self._scenario.duration_us / 2

            def raw(board_us: float) -> float:
                return fit.host_us(board_us, middle_us) - self._start_us

            def at(board_us: float) -> int:
                return round(raw(board_us) - anchor_us)

            arrivals = self.arrivals(raw)
            decisive = [arrived - due for due, arrived in arrivals.items() if due >= decisive_from_us(self._scenario)]
            anchor_us = self.anchor_us = float(np.median(decisive or self.lateness_us or [0.0]))
            tick_us = identity.tick_us + 1
            drift_us = fit.rate_uncertainty * self._scenario.duration_us / 2
            if self.lateness_us:
                spread_us = float(np.abs(np.array(decisive or self.lateness_us) - anchor_us).max())
            else:
                spread_us = fit.uncertainty_us(middle_us)
            uncertainty_us = int(np.ceil(spread_us + drift_us)) + tick_us
            span_us = identity.tick_us
            separators = self.put_frames(self.reported_frames(at, identity.abilities))
            self.put_flags(at)
            doubt = self._doubt(uncertainty_us)
        self._stage.close()
        trace = self._stage.trace()
        if fit is not None:
            self.place(trace, arrivals, anchor_us)
        trace.notes.sort(key=lambda note: note.at_us)
        return dataclasses.replace(
            trace, how_seen=HowSeen.REPORTED, uncertainty_us=uncertainty_us, span_uncertainty_us=span_us,
            separators_us=np.array(separators, np.int64) if separators else None, doubt=doubt,
        )  # fmt: skip

    def _doubt(self, uncertainty_us: int) -> str:
        """Say what the bench itself did wrong in this run."""
        remote, reports = self._remote, self._reports
        lost = len(remote.sent) - len(self.lateness_us)
        limit_us = lateness_limit_us(self._profile, self._scenario)
        if any(cause == codec.POWER_ON for _, cause in reports.boots):
            return self.restarted()
        if lost:
            return f"the board did not get {lost} of {len(remote.sent)} packets that were sent over the line"
        if uncertainty_us > limit_us:
            return (
                f"host or board too slow: packets came up to {uncertainty_us / 1000:.1f} ms off their time, "
                f"allowed for this link are {limit_us / 1000:.1f} ms"
            )
        return self.restarted()
