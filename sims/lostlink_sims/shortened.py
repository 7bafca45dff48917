"""The first part of a run, as a run that ended there would have recorded it.

What happens after an instant has no influence on what happened before. Only a packet that is on its way at the end
may know more than in a shorter run: the fate of its last attempt.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from lostlink_sims.arrays import Ints
from lostlink_sims.frames import NEVER, Decoded, Frames
from lostlink_sims.scenario import Scenario
from lostlink_sims.trace import NOT_YET, Note, NoteKind, Packets, Steps, Summary, Trace


def shortened(trace: Trace, scenario: Scenario) -> Trace:
    """Return the part of a trace that lasts as long as `scenario`, as its trace.

    Parameters
    ----------
    trace : Trace
        Of a scenario that is the same until the end of the shorter one.
    scenario : Scenario
    """
    end_us = scenario.duration_us
    packets = _packets(trace.packets, end_us)
    frames = _frames(trace.frames, end_us)
    seen = _decoded(trace.seen, end_us)
    failsafe = _steps(trace.failsafe, end_us)
    changes = (trace.motor.at_us < end_us) | np.isin(trace.motor.at_us, seen.done_us)
    motor = Steps(trace.motor.at_us[changes], trace.motor.value[changes])
    separators_us = trace.separators_us
    return dataclasses.replace(
        trace, scenario=scenario, packets=packets, frames=frames, seen=seen, failsafe=failsafe, motor=motor,
        arming=Steps(trace.arming.at_us[changes], trace.arming.value[changes]),
        foreign_us=trace.foreign_us[trace.foreign_us < end_us],
        notes=[*(note for note in trace.notes if note.at_us < end_us), *_never(scenario)],
        separators_us=None if separators_us is None else separators_us[: len(frames.start_us)],
        payload_lengths=None if trace.payload_lengths is None else trace.payload_lengths[: len(packets.left_us)],
        summary=_summary(trace, packets, frames, failsafe, motor, end_us),
    )  # fmt: skip


def _never(scenario: Scenario) -> list[Note]:
    """Return the notes of faults that begin after the end."""
    late = [fault for fault in scenario.faults if fault.at_us >= scenario.duration_us]
    return [Note(fault.at_us, NoteKind.FAULT, fault.name) for fault in late]


def _packets(packets: Packets, end_us: int) -> Packets:
    n = int(np.searchsorted(packets.left_us, end_us))
    arrived_us = packets.arrived_us[:n].copy()
    arrived_us[arrived_us >= end_us] = NOT_YET
    return Packets(packets.left_us[:n], arrived_us, packets.fate[:n], packets.attempts[:n], packets.payload[:n])


def _frames(frames: Frames, end_us: int) -> Frames:
    n = int(np.searchsorted(frames.start_us, end_us))
    count = frames.count[:n]
    until_us = frames.until_us[:n].copy()
    until_us[until_us >= end_us] = NEVER
    return Frames(frames.start_us[:n], count, frames.widths_us[: int(count.sum())], until_us)


def _decoded(seen: Decoded, end_us: int) -> Decoded:
    n = int(np.searchsorted(seen.done_us, end_us, side="right"))
    count = seen.count[:n]
    return Decoded(seen.start_us[:n], seen.done_us[:n], count, seen.widths_us[: int(count.sum())])


def _steps(steps: Steps, end_us: int) -> Steps:
    before = steps.at_us < end_us
    return Steps(steps.at_us[before], steps.value[before])


def _summary(trace: Trace, packets: Packets, frames: Frames, failsafe: Steps, motor: Steps, end_us: int) -> Summary:
    """Return the totals; the number of events is that of the whole run."""
    counts: list[int] = np.bincount(packets.fate).tolist()
    is_on = failsafe.value == 1
    lasted_us: Ints = np.diff(np.append(failsafe.at_us, end_us))
    entries = is_on[1:] & ~is_on[:-1]
    started = (motor.value > 0) & (np.concatenate([[0], motor.value[:-1]]) == 0)
    return Summary(
        packets=len(packets.left_us), received=int((~packets.lost).sum()), frames=len(frames.start_us),
        by_fate={trace.fates[number]: times for number, times in enumerate(counts) if times},
        failsafe_entries=int(entries.sum()), failsafe_us=int(lasted_us[is_on].sum()),
        motor_starts=int(started.sum()), events=trace.summary.events,
    )  # fmt: skip
