"""An image of a microcontroller on an emulated board: exact in lock-step, or behind its serial port in real time.

What repeats and what does not
------------------------------
In lock-step everything does: each run has its own emulator, which counts instructions and is paused while it waits for
commands; the same commands give the same bytes. Interrupts delay each other by some microseconds, as on a real board.
The emulation is not cycle-accurate: every instruction takes the same time. In real time the host schedules the
processor. Edges may then be some milliseconds off, so pulse widths are those that the board reports, and the run has
the uncertainty of a serial port plus the lateness of the emulator (`stalls_us`, `RealTime.waited_ns`).
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import BenchBoard, EndlessCounter, Reports
from lostlink.bench.line import DEFAULT_BAUD, PortError, open_line
from lostlink.errors import ReceiverCrashError, RigError
from lostlink.profiles.rules import longest_frame_us
from lostlink.rigs.base import Rig
from lostlink.rigs.clock_check import _TICK_US, refuse_wrong_clock, watch_clock
from lostlink.rigs.edges import frames_in
from lostlink.rigs.emulator import (
    INSTRUCTION_NS,
    OUR_IMAGE,
    LockStep,
    LostError,
    PortOutput,
    RealTime,
    check_image,
    sandboxed,
)
from lostlink.rigs.firmware import RECEIVER
from lostlink.rigs.remote import RemoteBoard
from lostlink.rigs.reported import ReportedRun
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.clock import World
from lostlink_sims.recorder import Recorder
from lostlink_sims.trace import NoteKind
from lostlink_sims.world import Stage

LOCKSTEP: Final = "emulated"
_LEAD_US: Final = 1_000
_LATE: Final = "packets late, us"


@contextlib.contextmanager
def _named(image: str, emulator: RealTime) -> Iterator[None]:
    """Name the image in errors of the port that leads to it."""
    try:
        yield
    except RigError as error:
        if gone := emulator.ended():
            raise RigError(f"{image}: {gone}") from None
        problem = error.problem if isinstance(error, PortError) else str(error)
        hint = f"; {OUR_IMAGE}" if isinstance(error, PortError) and error.hint else ""
        raise RigError(f"{image}: {problem}{hint}") from None


def _digest(image: str) -> str:
    try:
        return hashlib.sha256(Path(image).read_bytes()).hexdigest()
    except OSError as error:
        raise RigError(f"{image}: {error.strerror or error}") from None


def _encoded(orders: list[tuple[int, codec.Message]], origin_us: int) -> list[tuple[int, bytes]]:
    return [(origin_us + at_us, codec.encode(message, n)) for n, (at_us, message) in enumerate(orders, 1)]


class EmulatedRig(Rig):
    """Runs scenarios on an image in lock-step: exact, and the same in every run.

    Parameters
    ----------
    profile : Profile
    image : str
    counter_us : int
        Value of the board's counter at power-on.

    Raises
    ------
    RigError
        If the emulator is not installed, the file is not an image, or the image's clock is wrong.
    """

    how_seen = HowSeen.EMULATED
    drives_hardware = False
    receiver = "the image's firmware"
    sets_clock = True

    def __init__(
        self, profile: Profile, image: str, *, baud: int | None = None, thorough: bool = False, counter_us: int = 0
    ) -> None:
        del baud  # runs are exact
        super().__init__(profile, image)
        self.name = f"{LOCKSTEP}:{image}"
        self._image, self._counter_us = image, counter_us
        self.varied_stride = 1 if thorough else self.varied_stride
        self._thorough = thorough
        check_image(self.name, image)
        self._digest = _digest(image)
        self.about |= {
            "image": f"{image}, SHA-256 {self._digest}",
            "emulator": f"32-bit microcontroller board, {INSTRUCTION_NS} ns for each instruction",
        }
        self.about["sandbox"] = sandboxed()
        if profile.output.latch == "live":
            self.about["latch"] = "the image latches a frame's widths at its start, regardless of the profile"
        self._identity = self._meet()

    @property
    def opened_by(self) -> dict[str, Any] | None:
        """Runs are exact, whichever process has the emulator."""
        return None if self._counter_us else {"where": self.name, "thorough": self._thorough}

    def close(self) -> None:
        """Describe the runs; each had its own emulator."""
        late_us = self.extremes.get(_LATE, 0)
        self.about["runs"] = f"packets at most {late_us} µs late, the same in every repetition"

    def _meet(self) -> codec.Identity:
        """Return the board's identity, and compare its clock with the host's in real time."""
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
            If the image's program crashed or hung.
        RigError
            If the emulator ended, the image sends invalid data, or the file has changed.
        """
        self.runs += 1
        if _digest(self._image) != self._digest:
            raise RigError(f"{self._image}: the image is no longer the one that the suite began with")
        stage, orders = self._stage(scenario, scenario.duration_us)
        clock = codec.SetClock(scenario.receiver_clock_us & 0xFFFF_FFFF)
        # Time for the last frame to end and for a restarted program to report it.
        end_us = scenario.duration_us + 2 * longest_frame_us(self.profile) + self.profile.receiver.boot_us
        crash = None
        try:
            with LockStep(self._image, self._counter_us) as emulator:
                origin_us = emulator.now_us + _LEAD_US
                try:
                    emulator.play(_encoded([(-_LEAD_US // 2, clock), *orders], origin_us), origin_us + end_us)
                except LostError as error:
                    at_us = max(0, error.at_us - origin_us)
                    where = f"{RECEIVER.steps[error.call]} at" if error.call else "the image after"
                    crash = f"{where} {at_us / 1e6:.6f} s: {error.why}"
                    stage, _ = self._stage(scenario, min(at_us, scenario.duration_us))
                    stage.recorder.note(stage.env.now, NoteKind.CRASH, crash)
        except RigError as error:
            raise RigError(f"{self._image}: {error}") from None
        trace = self._trace(scenario, stage, emulator.outputs, origin_us, crash)
        if crash is not None:
            raise ReceiverCrashError(crash, trace)
        return trace

    def _stage(self, scenario: Scenario, until_us: int) -> tuple[Stage[RemoteBoard], list[tuple[int, codec.Message]]]:
        """Run the simulation, which does not wait for the board, and record its commands with their instants."""
        orders: list[tuple[int, codec.Message]] = []

        def build(env: World, recorder: Recorder, _: int) -> RemoteBoard:
            return RemoteBoard(
                env, self.profile, recorder, lambda message: orders.append((env.now, message)), self._identity.abilities
            )

        stage = Stage(self.profile, scenario, build, keep=True)
        stage.fly(until_us)
        return stage, orders

    def _trace(
        self, scenario: Scenario, stage: Stage[RemoteBoard], outputs: list[PortOutput], origin_us: int,
        crash: str | None,
    ) -> Trace:  # fmt: skip
        def at(board_us: float) -> int:
            return int(board_us) - origin_us

        reports, edges = Reports(), list[codec.Edges]()
        bench_port, edge_port = codec.Decoder(), codec.Decoder()
        for part in outputs:  # a timestamp may be from the second before, if it was held back until the end of a frame
            counter = EndlessCounter(part.since_us)
            for message in bench_port.feed(bytes(part.bench)):
                reports.add(message, counter)
            for message in edge_port.feed(bytes(part.edges)):
                if isinstance(message, codec.Edges):
                    edges.append(dataclasses.replace(message, at_us=counter(message.at_us)))
        reported = ReportedRun(self.profile, scenario, stage, reports)
        arrivals = reported.arrivals(at)
        begins_us = [at(board_us) for board_us, _ in reports.boots]
        separators = reported.put_frames(frames_in(edges, at, self.profile, begins_us))
        reported.put_flags(at)
        stage.close()
        trace = stage.trace(crash)
        reported.miss(trace, arrivals, at)
        planned_us = trace.packets.arrived_us.copy()
        reported.set_arrivals(trace, arrivals, 0)
        self.note_extremes({_LATE: int((trace.packets.arrived_us - planned_us).max(initial=0))})
        trace.notes.sort(key=lambda note: note.at_us)
        return dataclasses.replace(
            trace, how_seen=HowSeen.EMULATED, uncertainty_us=_TICK_US, span_uncertainty_us=_TICK_US,
            separators_us=np.array(separators, np.int64) if separators else None,
        )  # fmt: skip
