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
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import BenchBoard, EndlessCounter, Reports
from lostlink.bench.line import DEFAULT_BAUD, open_line
from lostlink.errors import ReceiverCrashError, RigError
from lostlink.profiles.rules import longest_frame_us
from lostlink.rigs.clock_check import _TICK_US, refuse_wrong_clock, watch_clock
from lostlink.rigs.edges import frames_in
from lostlink.rigs.emulator import LockStep, LostError, RealTime, Said, check_image, find_emulator
from lostlink.rigs.firmware import CALLS
from lostlink.rigs.remote import RemoteBoard
from lostlink.rigs.reported import Told
from lostlink_sims import HowSeen, Profile, Scenario, Trace
from lostlink_sims.clock import World
from lostlink_sims.recorder import Recorder
from lostlink_sims.trace import NoteKind
from lostlink_sims.world import Stage

LOCKSTEP: Final = "emulated"
_LEAD_US: Final = 1_000


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
    phase_stride = 1
    drives_hardware = False
    receiver = "the image's firmware"
    sets_clock = True

    def __init__(
        self, profile: Profile, image: str, *, baud: int | None = None, thorough: bool = False, counter_us: int = 0
    ) -> None:
        del baud, thorough  # everything is exact, and time costs little
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
                    stage.recorder.note(stage.env.now, NoteKind.CRASH, crash)
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
        trace.notes.sort(key=lambda note: note.at_us)
        return dataclasses.replace(
            trace, how_seen=HowSeen.EMULATED, uncertainty_us=_TICK_US, span_uncertainty_us=_TICK_US,
            separators_us=np.array(separators, np.int64) if separators else None,
        )  # fmt: skip
