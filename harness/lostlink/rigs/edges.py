"""Decodes frames from reported edges."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np

from lostlink.bench import codec
from lostlink.rigs.clock_check import _TICK_US
from lostlink.rigs.reported import FrameSeen
from lostlink_sims import Profile
from lostlink_sims.frames import NEVER


def frames_in(
    messages: Sequence[codec.Message], at: Callable[[int], int], profile: Profile, begins_us: Sequence[int] = ()
) -> list[FrameSeen]:
    """Find the frames in reported edges, by the gaps between leading edges.

    Parameters
    ----------
    at : callable
        Converts an instant to the run's time line.
    begins_us : sequence of int
        Instants at which the program started: the next edge begins a frame, whatever the gap.
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
    frames = []
    for first, end in itertools.pairwise([*np.flatnonzero(is_first).tolist(), len(lead)]):
        separator_us = min(int(ends_us[first] - lead[first]), profile.output.frame_period_us)
        last_us = int(ends_us[end - 1])
        is_cut = last_us - int(lead[end - 1]) < separator_us - 2 * _TICK_US
        widths_us = tuple(np.diff(lead[first:end]).tolist())
        frames.append(FrameSeen(int(lead[first]), separator_us, widths_us, last_us if is_cut else None))
    return frames
