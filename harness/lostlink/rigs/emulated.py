"""An image of a microcontroller on an emulated board: exact in lock-step, or behind its serial port in real time.

What repeats and what does not
------------------------------
In lock-step everything does: each run has an emulator of its own, which counts instructions and stands still while it
waits for orders; the same orders give the same bytes. What lies between two of its instants is the image's own doing:
interrupts keep each other waiting for some microseconds, as on a real board. Only the speed of the processor is not
that of a real one: every instruction takes the same time. In real time the host lends the processor its time when it
likes; edges are then up to some milliseconds off, so pulse widths are taken from the board's word, and the run has the
uncertainty of a serial port and of what the board shows to have been late itself (`stalls_us`).
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import itertools
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import BenchBoard, EndlessCounter, Reports
from lostlink.bench.clocks import MOST_ERROR
from lostlink.bench.line import DEFAULT_BAUD, LineLostError, open_line
from lostlink.errors import ReceiverCrashError, RigError
from lostlink.profiles.rules import longest_frame_us
from lostlink.rigs.emulator import LockStep, LostError, RealTime, Said, check_image, find_emulator
from lostlink.rigs.firmware import CALLS
from lostlink.rigs.remote import BOOTS, BOOTS_AS_TOLD, FrameSeen, RemoteBoard, Told
from lostlink.rigs.serial import SerialRig
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.clock import World
from lostlink_sims.ppm import NEVER
from lostlink_sims.recorder import Recorder
from lostlink_sims.scenario import BrownOut, ReceiverReset
from lostlink_sims.world import Stage

LOCKSTEP: Final = "emulated"
REAL_TIME: Final = "emulated-live"
_LEAD_US: Final = 1_000
_TICK_US: Final = 1
_WATCH_S: Final = 0.5
_WATCH_AT_MOST_S: Final = 10.0
_ENOUGH: Final = MOST_ERROR / 4
_PAUSE_S: Final = 0.02
_EARLY: Final = 20


@dataclasses.dataclass(frozen=True, slots=True)
class Rate:
    """How fast a clock runs against the host's: bounds that no exchange contradicts; 1 is right."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """The middle of the bounds."""
        return (self.low + self.high) / 2

    @property
    def half_width(self) -> float:
        """How far the middle may be off."""
        return (self.high - self.low) / 2


def watch_clock(board: BenchBoard) -> Rate:
    """Return how fast a board's clock runs against the host's.

    A stamp of the board's was made between the host's two; two exchanges far apart so bound the rate from both sides,
    whatever the delays were.
    """
    begun_s = time.monotonic()
    board.align(_EARLY)
    while True:
        stamps = np.array(board.alignment.exchanges, np.float64)
        sent, received, answered, back = stamps.T
        pairs = [
            (early, late) for early in range(_EARLY) for late in range(max(_EARLY, len(stamps) - _EARLY), len(stamps))
        ]
        if pairs and time.monotonic() - begun_s > _WATCH_S:
            early, late = np.array(pairs).T
            spans = received[late] - received[early]
            high = ((spans + _TICK_US) / (sent[late] - back[early])).min()
            low = ((answered[late] - answered[early] - _TICK_US) / (back[late] - sent[early])).max()
            rate = Rate(float(low), float(high))
            if rate.half_width < _ENOUGH or time.monotonic() - begun_s > _WATCH_AT_MOST_S:
                return rate
        board.align(1)
        time.sleep(_PAUSE_S)  # noqa: TID251  the clock is watched in real time


@contextlib.contextmanager
def _named(image: str, emulator: RealTime) -> Iterator[None]:
    """Let errors of a port name the image behind it."""
    try:
        yield
    except RigError as error:
        if gone := emulator.ended():
            raise RigError(f"{image}: {gone}") from None
        said, hint, _ = str(error).replace(f"{emulator.port}: ", "").partition("; is it the right port")
        asked = "; is it an image of `make -C fixtures/board image`?" if hint else ""
        raise RigError(f"{image}: {said}{asked}") from None


def refuse_wrong_clock(image: str, rate: Rate) -> None:
    """See that a clock is right.

    Raises
    ------
    RigError
        If it is off by more than 1 %, or may be, or does not run evenly.
    """
    if rate.half_width < 0:
        raise RigError(
            f"{image}: the emulated board's clock jumps or stands: it was seen to run {rate.low - 1:+.2%} and "
            f"{rate.high - 1:+.2%} against the host's in the same half second; allowed is {MOST_ERROR:.0%}"
        )
    off = rate.middle - 1
    if abs(off) + rate.half_width > MOST_ERROR:
        raise RigError(
            f"{image}: the emulated board's clock is off by {off:+.1%} ± {rate.half_width:.1%} against the host's, "
            f"allowed is {MOST_ERROR:.0%}: it would tell wrong times in every test; is its divider right?"
        )


def _digest(image: str) -> str:
    try:
        return hashlib.sha256(Path(image).read_bytes()).hexdigest()
    except OSError as error:
        raise RigError(f"{image}: {error.strerror or error}") from None


def _encoded(orders: list[tuple[int, codec.Message]], origin_us: int) -> list[tuple[int, bytes]]:
    return [(origin_us + at_us, codec.encode(message, n)) for n, (at_us, message) in enumerate(orders, 1)]


class EmulatedRig:
    """Runs scenarios on an image in lock-step: exact, and the same in every run.

    Parameters
    ----------
    profile : Profile
    image : str
    counter_us : int
        What the board's counter shows when it gets its supply.

    Raises
    ------
    RigError
        If there is no emulator, the image is none, or its clock is wrong.
    """

    how_seen = HowSeen.EMULATED
    thin = 1
    sets_clock = True

    def __init__(self, profile: Profile, image: str, *, counter_us: int = 0) -> None:
        self.name = f"{LOCKSTEP}:{image}"
        self.profile, self._image, self._counter_us = profile, image, counter_us
        self.runs = 0
        self._worst_us = 0
        check_image(self.name, image)
        self._digest = _digest(image)
        self.about: dict[str, str] = {"image": f"{image}, SHA-256 {self._digest}", "emulator": find_emulator()}
        if profile.output.latch == "live":
            self.about["latch"] = "the image takes a frame's widths at its start, whatever the profile says"
        self._identity = self._meet()

    def __enter__(self) -> EmulatedRig:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Say what the runs were like; each had an emulator of its own."""
        self.about["runs"] = f"{self.runs} runs, packets at most {self._worst_us} µs late, the same in every repetition"

    def _meet(self) -> codec.Identity:
        """Ask who is there, and compare its clock with the host's, which only real time can."""
        emulator = RealTime(self._image, self._counter_us)
        try:
            with _named(self._image, emulator), open_line(emulator.port, DEFAULT_BAUD) as line:
                board = BenchBoard(line)
                rate = watch_clock(board)
        finally:
            emulator.close()
        refuse_wrong_clock(self._image, rate)
        self.about["clock"] = (
            f"{(rate.middle - 1) * 1e6:+.0f} ± {rate.half_width * 1e6:.0f} ppm against the host in real time"
        )
        self.about["board"] = f"{board.identity.name.decode('utf-8', 'replace')}, {board.identity.channels} channels"
        return board.identity

    # --- runs ---------------------------------------------------------------------------------------------------

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario; the same one gives the same trace, byte for byte.

        Raises
        ------
        ReceiverCrashError
            If the image's program died or did not come back.
        RigError
            If the emulator is gone, or the image talks nonsense or is another one by now.
        """
        self.runs += 1
        if _digest(self._image) != self._digest:
            raise RigError(f"{self._image}: the image is no longer the one that the suite began with")
        stage, remote, orders = self._stage(scenario, scenario.duration_us)
        clock = codec.SetClock(scenario.receiver_clock_us & 0xFFFF_FFFF)
        # What goes out at the end goes out to its end, and a program that begins anew says so.
        end_us = scenario.duration_us + 2 * longest_frame_us(self.profile) + self.profile.receiver.boot_us
        crash = None
        try:
            with LockStep(self._image, self._counter_us) as emulator:
                origin_us = emulator.now_us + _LEAD_US
                try:
                    emulator.play(_encoded([(-_LEAD_US // 2, clock), *orders], origin_us), origin_us + end_us)
                except LostError as error:
                    at_us = max(0, error.at_us - origin_us)
                    where = f"{CALLS[error.call]}() at" if error.call else "the image after"
                    crash = f"{where} {at_us / 1e6:.6f} s: {error.why}"
                    stage, remote, _ = self._stage(scenario, min(at_us, scenario.duration_us))
                    stage.recorder.note(stage.env.now, crash)
        except RigError as error:
            raise RigError(f"{self._image}: {error}") from None
        trace = self._tell(scenario, stage, remote, emulator.said, origin_us, crash)
        if crash is not None:
            raise ReceiverCrashError(crash, trace)
        return trace

    def _stage(self, scenario: Scenario, until_us: int) -> tuple[Stage, RemoteBoard, list[tuple[int, codec.Message]]]:
        """Let the world run, which does not wait for the board, and note what it asks of it and when."""
        orders: list[tuple[int, codec.Message]] = []
        remote: list[RemoteBoard] = []

        def build(env: World, recorder: Recorder, _: int) -> RemoteBoard:
            board = RemoteBoard(
                env, self.profile, recorder, lambda message: orders.append((env.now, message)), self._identity.abilities
            )
            remote.append(board)
            return board

        stage = Stage(self.profile, scenario, build, keep=True)
        stage.env.run_until(until_us)
        return stage, remote[0], orders

    def _tell(
        self, scenario: Scenario, stage: Stage, remote: RemoteBoard, said: list[Said], origin_us: int,
        crash: str | None,
    ) -> Trace:  # fmt: skip
        def at(board_us: float) -> int:
            return int(board_us) - origin_us

        reports, edges = Reports(), list[codec.Edges]()
        bench_port, edge_port = codec.Decoder(), codec.Decoder()
        for part in said:  # a stamp is of the same second, or was held back until a frame was over
            counter = EndlessCounter(part.since_us)
            for message in bench_port.feed(bytes(part.bench)):
                reports.add(message, counter)
            for message in edge_port.feed(bytes(part.edges)):
                if isinstance(message, codec.Edges):
                    edges.append(dataclasses.replace(message, at_us=counter(message.at_us)))
        told = Told(self.profile, scenario, stage, remote, reports)
        arrivals = told.arrivals(at)
        begins_us = [at(board_us) for board_us, _ in reports.boots]
        separators = told.put_frames(frames_in(edges, at, self.profile, begins_us))
        told.put_flags(at)
        stage.close()
        trace = stage.trace(crash)
        told.miss(trace, arrivals, at)
        planned_us = trace.packets.arrived_us.copy()
        told.place(trace, arrivals, 0)
        self._worst_us = max(self._worst_us, int((trace.packets.arrived_us - planned_us).max(initial=0)))
        trace.notes.sort(key=lambda note: note[0])
        return dataclasses.replace(
            trace, how_seen=HowSeen.EMULATED, uncertainty_us=_TICK_US, span_uncertainty_us=_TICK_US,
            separators_us=np.array(separators, np.int64) if separators else None,
        )  # fmt: skip


class LiveRig(SerialRig):
    """Runs scenarios on an image in real time, behind its serial port.

    Parameters
    ----------
    profile : Profile
    image : str
    thorough : bool
        Fly at as many phases as in simulation.

    Raises
    ------
    RigError
        If there is no emulator, the image is none or does not speak the bench protocol, or its clock is wrong.
    """

    def __init__(self, profile: Profile, image: str, *, thorough: bool = False) -> None:
        name = f"{REAL_TIME}:{image}"
        check_image(name, image)
        self._emulator = RealTime(image)
        try:
            with _named(image, self._emulator):
                super().__init__(profile, self._emulator.port, _LIVE_BAUD, thorough=thorough)
            assert self._board is not None
            try:
                with _named(image, self._emulator):
                    rate = watch_clock(self._board)
                refuse_wrong_clock(image, rate)
            except BaseException:
                self._board.line.close()
                raise
        except BaseException:
            self._emulator.close()
            raise
        self.name = name
        self.about["image"] = f"{image}, SHA-256 {_digest(image)}"
        self._image = image
        self._edges = self._whole = 0
        self._edges_said: list[codec.Message] = []

    def _wait(self, board: BenchBoard, free_ns: int) -> None:
        """Empty the other port as well: the image waits where it is full."""
        super()._wait(board, free_ns)
        self._edges_said += self._emulator.edges()

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario, and count the frames in the edges that came out meanwhile."""
        with _named(self._image, self._emulator):
            trace = super().run(scenario)
        trace.uncertainty_us += stalls_us(trace)
        frames = frames_in(self._edges_said + self._emulator.edges(), int, self.profile)
        self._edges_said.clear()
        self._edges += len(frames)
        self._whole += sum(len(frame.widths_us) == self.profile.output.channels for frame in frames)
        return trace

    def _reconnect(self, error: LineLostError) -> None:
        """Do not wait for an emulator that has gone: it does not come back."""
        if gone := self._emulator.ended():
            raise RigError(gone)
        super()._reconnect(error)

    def close(self) -> None:
        """Hold the board in reset, and end the emulator."""
        super().close()
        self._emulator.close()
        if self._emulator.gone:
            self.about["at the end"] = self._emulator.gone
        self.about["edges"] = f"{self._edges} frames seen in the edges, {self._whole} of them with every channel"


def stalls_us(trace: Trace) -> int:
    """Return how late an emulated board itself was in a run: for a while the host gave its processor no time.

    What it shows by is what a board does at instants that are known: it boots, and it makes frames at even distances.
    A real board that is late with these is a finding.
    """
    scenario, boot_us = trace.scenario, trace.profile.receiver.boot_us
    due_us = [scenario.receiver_on_us + boot_us]
    for fault in scenario.faults:
        if isinstance(fault, ReceiverReset):
            due_us.append(fault.at_us + boot_us)
        elif isinstance(fault, BrownOut):
            due_us.append(fault.until_us(scenario.duration_us) + boot_us)
    late_us = [0]
    for at_us, text in trace.notes:
        if text == BOOTS_AS_TOLD and (before := [due for due in due_us if due <= at_us]):
            late_us.append(at_us - max(before))
    starts_us = trace.frames.start_us
    gaps_us = np.diff(starts_us)
    boots = np.searchsorted(starts_us, [at_us for at_us, text in trace.notes if text.startswith(BOOTS)])
    gaps_us[boots[(boots > 0) & (boots < len(starts_us))] - 1] = 0
    gaps_us = gaps_us[(gaps_us > 0) & (gaps_us < _FRAMES_CEASED_US)]  # else there were none for a reason
    if len(gaps_us):
        late_us.append(int((gaps_us - np.median(gaps_us)).max()))
    return max(late_us)


_FRAMES_CEASED_US: Final = 100_000
_LIVE_BAUD: Final = 1_000_000
"""Nothing in the emulator is slowed down to a rate; this is what the budget of the line is reckoned with."""


def frames_in(
    messages: Sequence[codec.Message], at: Callable[[int], int], profile: Profile, begins_us: Sequence[int] = ()
) -> list[FrameSeen]:
    """Find the frames in reported edges, by the gaps between leading edges.

    Parameters
    ----------
    at : callable
        Gives the instant on the run's time line.
    begins_us : sequence of int
        Instants on it from which on a frame begins anew, whatever the gap: the program began there.
    """
    active = profile.output.polarity == "positive"
    leads: list[int] = []
    trails: list[int] = []
    for message in messages:
        if isinstance(message, codec.Edges):
            at_us, is_lead = message.at_us, bool(message.level) == active
            for step_us in (0, *message.steps_us):
                at_us += step_us
                (leads if is_lead else trails).append(at(at_us))
                is_lead = not is_lead
    lead, trail = np.array(leads, np.int64), np.array([*trails, NEVER], np.int64)
    ends_us = trail[np.searchsorted(trail, lead, side="right")]  # where each separator ends
    gap_us = profile.flight_controller.least_sync_us
    is_first = np.diff(lead, prepend=-(1 << 40)) >= gap_us
    anew = np.searchsorted(lead, np.array(begins_us, np.int64))
    is_first[anew[anew < len(lead)]] = True
    found = []
    for first, end in itertools.pairwise([*np.flatnonzero(is_first).tolist(), len(lead)]):
        separator_us = min(int(ends_us[first] - lead[first]), profile.output.frame_period_us)
        last_us = int(ends_us[end - 1])
        is_cut = last_us - int(lead[end - 1]) < separator_us - 2 * _TICK_US
        widths_us = tuple(np.diff(lead[first:end]).tolist())
        found.append(FrameSeen(int(lead[first]), separator_us, widths_us, last_us if is_cut else None))
    return found
