"""The pulse train: period, sync gap, separators, channel count, torn frames."""

from __future__ import annotations

import dataclasses

import numpy as np

from lostlink.measure import channels, frames
from lostlink.requirements import requires
from lostlink.rigs import Rig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.judge import Judge
from lostlink.verdicts import Side
from lostlink_sims import Move, Profile, Trace
from lostlink_sims.codes import FULL_TRAVEL

LOOK_US = 1_000_000


def _looked_at(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> list[Trace]:
    """Return runs with the sticks low, centred and high, all of which have frames."""
    traces, names = [], [channel.name for channel in scenario.profile.channels]
    for run, position in zip(scenario.phases(3, exactly=True), (0.0, 0.5, 1.0), strict=True):
        moves = tuple(Move(at_us=scenario.ready_us, channel=name, position=position) for name in names)
        trace = rig.run(dataclasses.replace(run, moves=moves, duration_us=scenario.ready_us + LOOK_US))
        seen = frames.frames_seen(trace, scenario.ready_us, trace.scenario.duration_us)
        judge(trace, seen, at_least=max(1, LOOK_US // scenario.frame_us - 2), guard=True)
        traces.append(trace)
    return traces


@requires("FR-PERIOD")
def test_period(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """With the sticks at their stops and centred, the frame period, or the fixed gap, is within tolerance."""
    tolerance_us = profile.requirements.frame_period_tolerance_us
    for trace in _looked_at(rig, scenario, judge):
        if profile.output.style == "fixed gap":
            judge(trace, frames.gap_error(trace), at_most=tolerance_us)
        else:
            judge(trace, frames.period_error(trace), at_most=tolerance_us)
            judge(trace, frames.period_jitter(trace), at_most=tolerance_us)


@requires("FR-SYNC")
def test_sync_gap(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The sync gap is long enough, also with every stick at its high stop."""
    for trace in _looked_at(rig, scenario, judge):
        judge(trace, frames.shortest_sync_gap(trace), at_least=profile.requirements.sync_at_least_us)


@requires("FR-SEPARATOR")
def test_separators(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """The separator pulses have the length of the profile."""
    for trace in _looked_at(rig, scenario, judge):
        judge(trace, frames.separator_error(trace), at_most=profile.requirements.separator_tolerance_us)


@requires("FR-COUNT")
def test_channel_count(rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """Each frame has the number of channels of the profile."""
    for trace in _looked_at(rig, scenario, judge):
        judge(trace, frames.channel_count_error(trace), at_most=0)


@requires("FR-TORN")
def test_torn_frames(profile: Profile, rig: Rig, scenario: ScenarioBuilder, judge: Judge) -> None:
    """All sticks jump together, repeatedly; a frame shows all of the old packet or all of the new one.

    The switches jump too where the packets are simulated: a handset's program waits for contacts to rest.
    """
    jumps = [one.kind == "stick" or Side.PAIR not in rig.sides for one in profile.channels]
    rows = np.array([np.zeros(len(jumps)), np.array(jumps, np.float64)]) * FULL_TRAVEL
    patterns = channels.expected_widths_us(profile, rows.astype(np.int64))
    pause_us = scenario.settle_us
    for run in scenario.phases(6):
        moves, at_us = [], scenario.ready_us
        for step in range(16):
            moves += [
                Move(at_us=at_us, channel=channel.name, position=float(step % 2))
                for channel, does in zip(profile.channels, jumps, strict=True) if does
            ]  # fmt: skip
            at_us += pause_us + int(scenario.share() * scenario.frame_us)
        trace = rig.run(dataclasses.replace(run, moves=tuple(moves), duration_us=at_us))
        torn = frames.torn_frames(trace, patterns, scenario.ready_us + scenario.settle_us, at_us)
        judge(trace, torn, at_most=0)
