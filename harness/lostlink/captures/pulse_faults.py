"""Frames with a wrong number of pulses: missing ones, additional ones, and frames of another length. Pure.

A few frames in a row that lack up to two pulses, and after which the next frame comes when it is due, have missing
pulses. More in a row are frames with another number of channels, as a receiver may put out in one of its states. What
pulses that stop or resume leave of a frame is neither.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink.captures.events import cut_short, wrong_count
from lostlink.captures.signals import PS_PER_US, Ints
from lostlink.captures.train import LEAST_GAP_PS, Bools, PulseTrain
from lostlink.verdicts import counted

_MOST_IN_A_ROW: Final = 3
_DUE_PS: Final = 250 * PS_PER_US
"""Largest error of a period, half of the shortest channel."""
_CLEARLY_PS: Final = 200 * PS_PER_US
"""Least difference between the likeliest place of a missing pulse and the next."""


@dataclass(frozen=True, slots=True)
class PulseFault:
    """One frame, or several in a row with the same number of channels.

    Attributes
    ----------
    first, last : int
        Frames of the train, from 0.
    channels, usual : int
        Number of channels of these frames, and of most.
    is_pulses : bool
        Pulses are missing, or came on top; otherwise the frames have another length.
    place : str
        Where, if that is known.
    """

    first: int
    last: int
    channels: int
    usual: int
    is_pulses: bool
    place: str = ""

    def __str__(self) -> str:
        """Return the fault in words; frames are numbered from 1, as the rows of the decoded frames."""
        if self.is_pulses:
            return f"{_PULSES[self.usual - self.channels]} in frame {self.first + 1}{self.place}"
        one = self.first == self.last
        frames = f"frame {self.first + 1} has" if one else f"frames {self.first + 1} to {self.last + 1} have"
        return f"{frames} {counted(self.channels, 'channel')} in place of {self.usual}"


_PULSES: Final = {
    1: "a pulse is missing", 2: "two pulses are missing", -1: "an additional pulse", -2: "two additional pulses"
}  # fmt: skip


def pulse_faults(train: PulseTrain) -> list[PulseFault]:
    """Return the frames with a wrong number of pulses, in order; frames that were cut short are not among them."""
    count, usual, short = train.frames.count, train.channels, cut_short(train)
    found: list[PulseFault] = []
    for first, last in _runs(np.flatnonzero(wrong_count(train)), count):
        channels = int(count[first])
        if (
            last - first >= _MOST_IN_A_ROW
            or usual - channels not in _PULSES
            or not _is_in_step(train, short, first, last)
        ):
            found.append(PulseFault(first, last, channels, usual, is_pulses=False))
            continue
        found += [
            PulseFault(index, index, channels, usual, is_pulses=True, place=_place(train, index))
            for index in range(first, last + 1)
        ]
    return found


def _runs(wrong: Ints, count: Ints) -> list[tuple[int, int]]:
    """Return the first and last frame of each run of wrong frames with the same number of channels."""
    if not len(wrong):
        return []
    new = np.flatnonzero((np.diff(wrong) > 1) | (np.diff(count[wrong]) != 0)) + 1
    return [(int(run[0]), int(run[-1])) for run in np.split(wrong, new)]


def _is_in_step(train: PulseTrain, short: Bools, first: int, last: int) -> bool:
    """Return whether pulses go on before and after frames, and the frames around them come when they are due."""
    if (
        first == 0
        or last == len(short) - 1
        or not train.in_step[first - 1 : last + 1].all()
        or short[first - 1 : last + 2].any()
    ):
        return False
    if train.style == "fixed gap":
        return True
    steps, start_ps = last - first + 2, train.frames.start_ps
    off_ps = abs(float(start_ps[last + 1] - start_ps[first - 1]) - steps * train.usual_period_ps)
    return off_ps <= steps * _DUE_PS


def _place(train: PulseTrain, index: int) -> str:
    """Return where in a frame pulses are missing or additional; empty where that is not known."""
    frames, usual = train.frames, train.channels
    first = int(frames.first[index])
    widths = np.diff(train.leads_ps[first : first + int(frames.count[index]) + 1])
    if len(widths) > usual:
        return ", in the gap after it" if (widths[usual:] > LEAST_GAP_PS).any() else ""
    good = train.good_rows
    if len(widths) != usual - 1 or not len(good):
        return ""
    after = int(np.searchsorted(good, index))
    near = min(good[max(0, after - 1) : after + 1].tolist(), key=lambda row: abs(row - index))
    model = np.diff(train.leads_ps[int(frames.first[near]) : int(frames.first[near]) + usual + 1])
    late_ps = float(frames.start_ps[index] - frames.start_ps[near]) - (index - near) * train.usual_period_ps
    known_ps = None if train.style == "fixed gap" else late_ps
    costs = np.array([_cost(widths, model, pulse, known_ps) for pulse in range(usual + 1)])
    best, second = np.argsort(costs, kind="stable")[:2]
    if costs[second] - costs[best] < _CLEARLY_PS:
        return ""
    if best == 0:
        return ", the first one"
    return ", the last one" if best == usual else f", between channels {best} and {best + 1}"


def _cost(widths: Ints, model: Ints, pulse: int, late_ps: float | None) -> float:
    """Return how badly the widths, and the lateness of the frame, fit a good frame without one of its pulses."""
    left = np.delete(np.cumsum(np.append(0, model)), pulse)
    late = 0.0 if late_ps is None else abs(late_ps - float(left[0]))
    return float(np.abs(np.diff(left) - widths).sum()) + late
