"""Converts the reports of a board to the trace of a run."""

from __future__ import annotations

import bisect
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink.bench import codec
from lostlink.bench.board import Reports
from lostlink.rigs.remote import RemoteBoard
from lostlink_sims import Profile, Scenario, Trace
from lostlink_sims.fates import RECEIVER_BUSY, RECEIVER_OFF
from lostlink_sims.frames import NEVER
from lostlink_sims.log import registers
from lostlink_sims.trace import NOT_YET, NoteKind
from lostlink_sims.world import Stage

_BOOTS_LATE_US: Final = 40
"""Largest delay of an interrupt by other ones."""


@dataclass(frozen=True, slots=True)
class FrameSeen:
    """A frame on the run's time line.

    Attributes
    ----------
    start_us, separator_us : int
    widths_us : tuple of int
    cut_us : int or None
        When the output stopped during a separator, if it did.
    """

    start_us: int
    separator_us: int
    widths_us: tuple[int, ...]
    cut_us: int | None = None


class ReportedRun:
    """Converts the reports of a board to the time line of a run.

    Parameters
    ----------
    stage : Stage
        The run, at its end.
    reports : Reports
    """

    def __init__(self, profile: Profile, scenario: Scenario, stage: Stage[RemoteBoard], reports: Reports) -> None:
        self._profile, self._scenario, self._stage = profile, scenario, stage
        self._remote, self._reports = stage.board, reports
        self.lateness_us: list[float] = []

    def arrivals(self, at: Callable[[float], float]) -> dict[int, float]:
        """Return when the board received each packet, by its due instant."""
        arrivals: dict[int, float] = {}
        index = 0
        for number, board_us in self._reports.taken:
            while index < len(self._remote.sent) and index & 0xFF != number:
                index += 1
            if index == len(self._remote.sent):
                break
            due_us = self._remote.sent[index]
            arrivals[due_us] = at(board_us)
            self.lateness_us.append(arrivals[due_us] - due_us)
            index += 1
        return arrivals

    def put_frames(self, frames: list[FrameSeen]) -> list[int]:
        """Pass the frames to the recorder in order, and return their separators."""
        recorder, separators = self._stage.recorder, []
        silences = list(self._remote.silences)
        silent = False
        for frame in sorted(frames, key=lambda frame: frame.start_us):
            start_us = frame.start_us
            while silences and silences[0][0] <= start_us:
                at_us, silent = silences.pop(0)
                if silent:
                    recorder.silence(at_us)
            if silent or not 0 <= start_us < self._scenario.duration_us:
                continue
            if frame.widths_us:
                recorder.frames([start_us], [registers(frame.widths_us, frame.separator_us)])
            else:
                recorder.begin_frame(start_us)
            if frame.cut_us is not None:
                recorder.silence(frame.cut_us)
            separators.append(frame.separator_us)
        for at_us, stops in silences:
            if stops:
                recorder.silence(at_us)
        return separators

    def reported_frames(self, at: Callable[[float], int], abilities: int) -> list[FrameSeen]:
        """Return the reported frames; if only values were reported, the frames that would show them."""
        if abilities & codec.REPORTS_FRAMES:
            return [
                FrameSeen(at(start), separator, widths) for start, separator, widths in self._reports.frames if widths
            ]
        values = [(at(board_us), widths) for board_us, widths in self._reports.channels if widths]
        if not values:
            return []
        output = self._profile.output
        instants = [at_us for at_us, _ in values]
        frames = []
        for start_us in range(instants[0], self._scenario.duration_us, output.frame_period_us):
            widths = values[bisect.bisect_right(instants, start_us) - 1][1]
            padding = (output.unused_us,) * (output.channels - len(widths))
            frames.append(FrameSeen(start_us, output.separator_us, (*widths, *padding)))
        return frames

    def put_flags(self, at: Callable[[float], int]) -> None:
        """Pass the receiver's flag to the recorder; each boot starts in failsafe."""
        recorder, reports = self._stage.recorder, self._reports
        changes = [*reports.failsafe, *((board_us, 1) for board_us, _ in reports.boots)]
        for board_us, is_on in sorted(changes, key=lambda change: change[0]):
            if at(board_us) < self._scenario.duration_us:
                recorder.failsafe(at(board_us), bool(is_on))
        for board_us, cause in reports.boots:
            if at(board_us) < self._scenario.duration_us:
                kind = NoteKind.BOOTED_ON_ORDER if cause == codec.COMMANDED else NoteKind.BOOTED
                text = f"receiver boots ({codec.CAUSES.get(cause, 'cause unknown')})"
                recorder.note(at(board_us), kind, text)

    def restarted(self) -> str:
        """Return a text if the board restarted more often than commanded, else an empty one."""
        boots = self._reports.boots
        booted = sum(cause != codec.POWER_ON for _, cause in boots)
        if booted < len(boots) or booted > self._remote.boots:
            return "the board restarted by itself in the middle of the run"
        return ""

    def miss(self, trace: Trace, arrivals: dict[int, float], at: Callable[[float], float]) -> None:
        """Mark packets as missed that the board did not receive, or received before its program had started.

        Only for a line that loses nothing.
        """
        boot_us = self._profile.receiver.boot_us
        downs = [(at(board_us) - boot_us - _BOOTS_LATE_US, at(board_us)) for board_us, _ in self._reports.boots]
        packets = trace.packets
        for row in np.flatnonzero(packets.arrived_us != NOT_YET).tolist():
            due_us = int(packets.arrived_us[row])
            came_us = arrivals.get(due_us, NEVER)
            down_us = next((down_us for down_us, up_us in downs if down_us <= came_us < up_us), None)
            if came_us >= self._scenario.duration_us or down_us is not None:
                packets.fate[row] = RECEIVER_BUSY if down_us is None or due_us < down_us else RECEIVER_OFF
                packets.arrived_us[row] = NOT_YET

    @staticmethod
    def set_arrivals(trace: Trace, arrivals: dict[int, float], anchor_us: float) -> None:
        """Replace the planned arrivals of packets by the true ones."""
        planned = trace.packets.arrived_us
        for row in np.flatnonzero(planned != NOT_YET).tolist():
            if (arrived := arrivals.get(int(planned[row]))) is not None:
                planned[row] = max(0, round(arrived - anchor_us))
