"""Whether the wire answers: its pulses must depend on random stick positions, otherwise no run counts.

A wire without pulses, a steady pulse and the output of another receiver can all look like a sound failsafe. In virtual
time each run goes on, after what is judged, until the wire has answered: all faults end, both ends are on, the throttle
is idle, and the other channels step at random. A link that does not return has no answer. In real time, where that
would take as long as the runs, and after runs with the link's own losses, the wire is asked at the end of each test. Of
a handset alone the packets are asked.
"""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.errors import ReceiverCrashError
from lostlink.measure.channels import settled
from lostlink.measure.packets import codes_at
from lostlink.measure.results import Ints
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.verdicts import Side
from lostlink_sims import Move, Profile, Scenario, Trace
from lostlink_sims.scenario import AnyFault, LastingFault
from lostlink_sims.shortened import shortened

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
    moves, high, ends_us = _random_steps(builder, builder.ready_us, builder.share)
    return builder.blank("answer of the wire", moves=moves, duration_us=int(ends_us[-1]) + 1), high, ends_us


def asked_after(builder: ScenarioBuilder, scenario: Scenario) -> tuple[Scenario, NDArray[np.bool_], Ints]:
    """Return a run that goes on behind its end, and asks there; high positions and ends of steps as in `question`.

    Until the end of the given scenario both are the same.
    """
    profile, end_us = builder.profile, scenario.duration_us
    events_us = [scenario.handset_on_us, scenario.receiver_on_us]
    events_us += [f.until_us(end_us) if isinstance(f, LastingFault) else f.at_us for f in scenario.faults]
    is_linked = max(events_us) <= end_us - builder.ready_us
    ready_us = end_us + (builder.settle_us if is_linked else builder.ready_us)
    draw = random.Random(f"{scenario.name} {scenario.seed} {scenario.trial}")
    moves, high, ends_us = _random_steps(builder, ready_us, draw.random)
    rest = [Move(at_us=end_us, channel=profile.channels[profile.throttle_index].name, position=0.0)]
    if (arm := profile.arm_index) is not None:
        rest.append(Move(at_us=end_us, channel=profile.channels[arm].name, position=1.0 - builder.switched_on(arm)))
    asked_until_us = int(ends_us[-1]) + 1
    longer = dataclasses.replace(
        scenario, duration_us=asked_until_us, handset_on_us=min(scenario.handset_on_us, end_us),
        receiver_on_us=min(scenario.receiver_on_us, end_us),
        moves=(*(move for move in scenario.moves if move.at_us < end_us), *rest, *moves),
        faults=tuple(_lifted(fault, end_us, asked_until_us) for fault in scenario.faults),
    )  # fmt: skip
    return longer, high, ends_us


def _lifted(fault: AnyFault, end_us: int, asked_until_us: int) -> AnyFault:
    """Return a fault that ends at an instant; one that begins later never strikes."""
    if fault.at_us >= end_us:
        return dataclasses.replace(fault, at_us=fault.at_us + asked_until_us)
    if isinstance(fault, LastingFault) and fault.until_us(end_us) == end_us:
        return dataclasses.replace(fault, for_us=end_us - fault.at_us)
    return fault


def _random_steps(
    builder: ScenarioBuilder, from_us: int, share: Callable[[], float]
) -> tuple[tuple[Move, ...], NDArray[np.bool_], Ints]:
    profile, step_us = builder.profile, builder.settle_us + builder.frame_us
    moved = moved_channels(profile)
    high = np.array([np.argsort([share() for _ in range(STEPS)]) < STEPS // 2 for _ in moved])
    moves = tuple(
        Move(
            at_us=from_us + step * step_us, channel=profile.channels[index].name,
            position=POSITIONS[int(high[row, step])],
        )
        for row, index in enumerate(moved) for step in range(STEPS)
    )  # fmt: skip
    return moves, high, from_us + step_us * np.arange(1, STEPS + 1) - 1


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
    return "" if depends(trace, high, ends_us) else f"after the runs {_silent(trace, 0)}"


def _silent(trace: Trace, from_us: int) -> str:
    has_pulses = bool((trace.seen.done_us >= from_us).any())
    problem = "its pulses do not depend on the sticks" if has_pulses else "it has no pulses"
    return f"the wire does not answer: {problem}"


def run_and_ask(rig: Rig, run: Callable[[Scenario], Trace], scenario: Scenario) -> tuple[Trace, str | None]:
    """Run a scenario, and ask the wire behind its end.

    Returns
    -------
    trace : Trace
        Of the scenario, without what follows it.
    silence : str or None
        Why the wire does not answer; empty if it does, None if it was not asked.

    Raises
    ------
    ReceiverCrashError
        If the receiver's program crashed, in the scenario or behind its end.
    """
    if not rig.asks_each_run or scenario.ambient or Side.RECEIVER not in rig.sides:
        return run(scenario), None
    builder = ScenarioBuilder(rig.profile, scenario.seed, "")
    longer, high, ends_us = asked_after(builder, scenario)
    try:
        whole = run(longer)
    except ReceiverCrashError as error:
        if error.trace is not None and (error.trace.crash_us or 0) < scenario.duration_us:
            error.trace.scenario = scenario
        raise
    trace = shortened(whole, scenario)
    if whole.doubt or depends(whole, high, ends_us):
        return trace, ""
    return trace, f"after a run {_silent(whole, scenario.duration_us)}"


def changed_answer(rig: Rig, first: Trace) -> str:
    """Repeat a run, and return why a handset's program does not repeat its packets; empty if it does."""
    again, before = rig.run(first.scenario).packets, first.packets
    if np.array_equal(again.left_us, before.left_us) and np.array_equal(again.payload, before.payload):
        return ""
    return "the same run gave other packets than before: the program keeps something from one run to the next"
