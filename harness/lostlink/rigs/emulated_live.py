"""A firmware image on an emulated microcontroller, in real time."""

from __future__ import annotations

import time
from typing import Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import BenchBoard
from lostlink.bench.line import LineLostError
from lostlink.errors import RigError
from lostlink.rigs.clock_check import refuse_wrong_clock, watch_clock
from lostlink.rigs.edges import frames_in
from lostlink.rigs.emulated import _digest, _named
from lostlink.rigs.emulator import RealTime, check_image, sandboxed
from lostlink.rigs.serial import SerialRig
from lostlink_sims import Profile, Scenario, Trace
from lostlink_sims.scenario import BrownOut, ReceiverReset
from lostlink_sims.trace import NoteKind

REAL_TIME: Final = "emulated-live"


class LiveRig(SerialRig):
    """Runs scenarios on an image in real time, behind its serial port.

    Parameters
    ----------
    profile : Profile
    image : str
    thorough : bool
        Test as many phases as in simulation.

    Raises
    ------
    RigError
        If the emulator is not installed, the image does not speak the bench protocol, or its clock is wrong.
    """

    drives_hardware = False
    receiver = "the image's firmware"

    def __init__(self, profile: Profile, image: str, *, baud: int | None = None, thorough: bool = False) -> None:
        del baud  # the emulator's own
        name = f"{REAL_TIME}:{image}"
        check_image(name, image)
        self._emulator = RealTime(image)
        try:
            with _named(image, self._emulator):
                super().__init__(profile, self._emulator.port, baud=_LIVE_BAUD, thorough=thorough)
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
        self.about |= {"image": f"{image}, SHA-256 {_digest(image)}", "sandbox": sandboxed()}
        self._image = image
        self._edges = self._whole = 0
        self._stall_us = self._waited_ns = self._looked_ns = 0
        self._edge_messages: list[codec.Message] = []

    def _wait(self, board: BenchBoard, free_ns: int) -> None:
        """Read the other port as well: the image waits while it is full."""
        super()._wait(board, free_ns)
        self._edge_messages += self._emulator.edges()
        if time.monotonic_ns() - self._looked_ns > _LOOK_EVERY_NS:
            self._note_stall()

    def _note_stall(self) -> None:
        self._looked_ns = time.monotonic_ns()
        waited_ns = self._emulator.waited_ns()
        self._stall_us = max(self._stall_us, (waited_ns - self._waited_ns) // 1000)
        self._waited_ns = waited_ns

    def _fly(self, scenario: Scenario) -> Trace:
        """Discard a run in which the emulator stood still for so long that gaps between frames do not show it."""
        self._note_stall()
        self._stall_us = 0
        trace = super()._fly(scenario)
        self._note_stall()
        trace.uncertainty_us += max(stalls_us(trace), self._stall_us)
        if not trace.doubt and self._stall_us > _FRAMES_CEASED_US:
            trace.doubt = f"host too slow: the emulator waited {self._stall_us / 1000:.0f} ms for a processor"
        return trace

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario, and count the frames in the edges that were output."""
        with _named(self._image, self._emulator):
            trace = super().run(scenario)
        frames = frames_in(self._edge_messages + self._emulator.edges(), int, self.profile)
        self._edge_messages.clear()
        self._edges += len(frames)
        self._whole += sum(len(frame.widths_us) == self.profile.output.channels for frame in frames)
        return trace

    def _reconnect(self, error: LineLostError) -> None:
        """Do not wait for an emulator that has ended."""
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
    """Return how late an emulated board was in a run because the host was overloaded.

    It shows in boots, which are due at known instants, and in frames, which are evenly spaced. On a real board such
    lateness is a finding.
    """
    scenario, boot_us = trace.scenario, trace.profile.receiver.boot_us
    due_us = [scenario.receiver_on_us + boot_us]
    for fault in scenario.faults:
        if isinstance(fault, ReceiverReset):
            due_us.append(fault.at_us + boot_us)
        elif isinstance(fault, BrownOut):
            due_us.append(fault.until_us(scenario.duration_us) + boot_us)
    late_us = [0]
    boots = [note for note in trace.notes if note.kind in (NoteKind.BOOTED, NoteKind.BOOTED_ON_ORDER)]
    for note in boots:
        ordered = note.kind is NoteKind.BOOTED_ON_ORDER
        if ordered and (before := [due for due in due_us if due <= note.at_us]):
            late_us.append(note.at_us - max(before))
    starts_us = trace.frames.start_us
    gaps_us = np.diff(starts_us)
    frames = np.searchsorted(starts_us, [note.at_us for note in boots])
    gaps_us[frames[(frames > 0) & (frames < len(starts_us))] - 1] = 0
    gaps_us = gaps_us[(gaps_us > 0) & (gaps_us < _FRAMES_CEASED_US)]  # longer gaps have another cause
    if len(gaps_us):
        late_us.append(int((gaps_us - np.median(gaps_us)).max()))
    return max(late_us)


_FRAMES_CEASED_US: Final = 100_000
_LOOK_EVERY_NS: Final = 20_000_000
_LIVE_BAUD: Final = 1_000_000
"""The emulator's ports have no baud rate; the load of the line is calculated with this one."""
