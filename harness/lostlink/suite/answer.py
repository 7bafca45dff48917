"""Whether the wire answers: its pulses must depend on random stick positions, otherwise no run counts.

A wire without pulses, a steady pulse and the output of another receiver can all look like a sound failsafe. Of a
handset alone the packets are asked.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.channels import settled
from lostlink.measure.packets import codes_at
from lostlink.measure.results import Ints
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.verdicts import Side
from lostlink_sims import Move, Profile, Scenario, Trace

STEPS: Final = 12
"""Two random halves of so many steps are equal or opposite by chance once in 462 times."""
POSITIONS: Final = (0.25, 0.75)


def moved_channels(profile: Profile) -> list[int]:
    """Return the channels that may move while the model rests: all but throttle and arming, where there are any."""
    still = (profile.throttle_index, profile.arm_index)
    return [i for i in range(len(profile.channels)) if i not in still] or [profile.throttle_index]


def question(builder: ScenarioBuilder) -> tuple[Scenario, NDArray[np.bool_], Ints]:
    """Return a run on the ground in which the channels step at random.

    Returns
    -------
    scenario : Scenario
    high : (moved channels, STEPS) ndarray of bool
        Where each moved channel is high: half of the steps.
    ends_us : (STEPS,) ndarray of int64
        When the pulses of each step have settled.
    """
    profile, step_us = builder.profile, builder.settle_us + builder.frame_us
    moved = moved_channels(profile)
    high = np.array([np.argsort([builder.share() for _ in range(STEPS)]) < STEPS // 2 for _ in moved])
    moves = tuple(
        Move(
            at_us=builder.ready_us + step * step_us, channel=profile.channels[index].name,
            position=POSITIONS[int(high[row, step])],
        )
        for row, index in enumerate(moved) for step in range(STEPS)
    )  # fmt: skip
    ends_us = builder.ready_us + step_us * np.arange(1, STEPS + 1) - 1
    return builder.blank("answer of the wire", moves=moves, duration_us=int(ends_us[-1]) + 1), high, ends_us


def depends(trace: Trace, high: NDArray[np.bool_], ends_us: Ints) -> bool:
    """Return whether a channel of the pulses separates the high steps of a moved channel from its low ones."""
    widths_us = settled(trace, ends_us)
    return _separates(widths_us[:, (widths_us >= 0).all(axis=0)], high)


def _separates(table: Ints, high: NDArray[np.bool_]) -> bool:
    for row in high:
        above, below = table[row], table[~row]
        if ((above.min(axis=0) > below.max(axis=0)) | (above.max(axis=0) < below.min(axis=0))).any():
            return True
    return False


def silence_of(rig: Rig, builder: ScenarioBuilder) -> str:
    """Ask the wire, and return why it does not answer; empty if it does."""
    scenario, high, ends_us = question(builder)
    trace = rig.run(scenario)
    if trace.doubt:
        return trace.doubt
    if Side.RECEIVER not in rig.sides:
        if _separates(codes_at(trace, ends_us), high):
            return ""
        problem = "its packets do not depend on the sticks" if len(trace.packets.left_us) else "it sends no packets"
        return f"after the runs the handset does not answer: {problem}"
    if depends(trace, high, ends_us):
        return ""
    problem = "its pulses do not depend on the sticks" if len(trace.seen.done_us) else "it has no pulses"
    return f"after the runs the wire does not answer: {problem}"


def changed_answer(rig: Rig, first: Trace) -> str:
    """Repeat a run, and return why a handset's program does not repeat its packets; empty if it does."""
    again, before = rig.run(first.scenario).packets, first.packets
    if np.array_equal(again.left_us, before.left_us) and np.array_equal(again.payload, before.payload):
        return ""
    return "the same run gave other packets than before: the program keeps something from one run to the next"
