"""A requirement is met only if the wire afterwards answers to random stick positions."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import impostors  # type: ignore[import-not-found]
from lostlink.profiles import read_profile
from lostlink.rigs.sim import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.answer import STEPS, asked_after, depends, question, run_and_ask, silence_of
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome
from lostlink_sims import Profile, Scenario, Trace, simulate
from lostlink_sims.scenario import (
    BrownOut,
    DamagedPayload,
    Fault,
    FlappingLink,
    ForeignHandset,
    HandsetHung,
    HandsetOff,
    LinkCut,
    MainLoopHung,
    OutputStops,
    ReceiverReset,
)
from lostlink_sims.shortened import shortened

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"
GOOD = ("bittern", "heron", "lapwing", "plover", "wren")
AT_RISK = ("PW-IDLE", "PW-STICK", "PW-RESET", "PW-BROWNOUT", "FS-INTRUDER", "FS-SAYS", "CH-WIRE", "FR-PERIOD",
           "FR-SYNC", "FR-SEPARATOR", "FR-COUNT", "FR-TORN", "RC-GLITCH", "RC-LIVE")  # fmt: skip
"""Requirements that forbid something, so that a wire on which nothing happens may look as if it met them."""


@pytest.mark.parametrize("impostor", impostors.IMPOSTORS, ids=lambda impostor: impostor.__name__)
def test_an_impostor_meets_nothing(impostor: type, long: bool) -> None:
    """``--long``: none of all requirements."""
    link = read_profile(PROFILES / "heron.toml")
    result = run_suite(link, SimRig(link, impostor), only=() if long else AT_RISK)
    assert result.verdicts
    assert [verdict.requirement.id for verdict in result.with_outcome(Outcome.MET)] == []
    assert not any("crashed" in verdict.measured for verdict in result.verdicts)
    assert not result.errors


@pytest.mark.parametrize("name", GOOD)
def test_a_sound_wire_answers(name: str, long: bool) -> None:
    """On every profile and seed; ``--long``: 200 seeds."""
    link = read_profile(PROFILES / f"{name}.toml")
    rig = SimRig(link)
    assert {silence_of(rig, ScenarioBuilder(link, seed, "a test")) for seed in range(200 if long else 5)} == {""}


WITH_A_LOSS = ("FS-MOTOR", "FS-OFF", "FS-ADDRESS")
MORE_WITH_A_LOSS = ("FS-CUT", "FS-VALUE", "FS-RISE", "FS-STALE", "FS-SAYS", "FS-FADE", "FS-JAM", "FS-STAY")


@pytest.mark.parametrize("broken", impostors.BROKEN_IN_FLIGHT, ids=lambda one: one.__name__)
def test_an_output_that_fails_in_a_run_meets_nothing(broken: type, long: bool) -> None:
    """It fails in each run in which the link is lost, and is sound again after power-on, where a test asks.

    ``--long``: more requirements.
    """
    link, only = read_profile(PROFILES / "heron.toml"), (*WITH_A_LOSS, *(MORE_WITH_A_LOSS if long else ()))
    result = run_suite(link, SimRig(link, broken), only=only)
    outcomes = {verdict.requirement.id: verdict.outcome for verdict in result.verdicts}
    assert set(only) <= set(outcomes)
    assert Outcome.MET not in outcomes.values(), outcomes
    told = [verdict.reason for verdict in result.verdicts if "after a run the wire does not answer" in verdict.reason]
    assert told or broken is impostors.OutputDies, "without pulses the runs themselves break limits"
    assert not result.errors


def test_asked_at_the_end_of_a_test_such_an_output_is_not_found() -> None:
    """As on a rig in real time: the receiver is sound again after power-on. This is what asking each run adds."""

    class Once(SimRig):
        asks_each_run = False

    link = read_profile(PROFILES / "heron.toml")
    result = run_suite(link, Once(link, impostors.OutputFreezes), only=("FS-MOTOR",))
    assert Outcome.MET in {verdict.outcome for verdict in result.verdicts if verdict.requirement.id == "FS-MOTOR"}


FAULTS: tuple[tuple[Fault, ...], ...] = (
    (), (LinkCut(at_us=1),), (LinkCut(at_us=1, for_us=300_000),), (HandsetOff(at_us=1),), (HandsetHung(at_us=1),),
    (ForeignHandset(at_us=1),), (MainLoopHung(at_us=1),), (OutputStops(at_us=1),), (DamagedPayload(at_us=1),),
    (BrownOut(at_us=1, on_acknowledgement=False), LinkCut(at_us=9_000)), (ReceiverReset(at_us=700_000),),
    (FlappingLink(at_us=1),), (LinkCut(at_us=900_000_000), LinkCut(at_us=400_000)),
)  # fmt: skip


def _flat(record: object, name: str) -> Iterator[tuple[str, Any]]:
    if dataclasses.is_dataclass(record) and not isinstance(record, Profile | Scenario):
        for field in dataclasses.fields(record):
            yield from _flat(getattr(record, field.name), f"{name}.{field.name}")
    else:
        yield name, record


def _differences(one: Trace, other: Trace) -> set[str]:
    pairs = zip(_flat(one, "trace"), _flat(other, "trace"), strict=True)
    return {name for (name, a), (_, b) in pairs if not (np.array_equal(a, b) if isinstance(a, np.ndarray) else a == b)}


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("faults", FAULTS, ids=lambda faults: "+".join(fault.name for fault in faults) or "none")
def test_a_run_that_goes_on_is_the_same_until_its_end(name: str, faults: tuple[Any, ...]) -> None:
    """Column by column as the run that ends there; the wire answers behind it, whatever happened before.

    Where a packet is sent again, the one on its way at the end may know more.
    """
    link = read_profile(PROFILES / f"{name}.toml")
    for flight in ScenarioBuilder(link, 1, "goes on").flights(2):
        strikes = (dataclasses.replace(fault, at_us=flight.at_us + fault.at_us) for fault in faults)
        scenario = flight.into(*strikes)
        longer, high, ends_us = asked_after(ScenarioBuilder(link, 1, ""), scenario)
        whole = simulate(link, longer)
        first, shorter = simulate(link, scenario), shortened(whole, scenario)
        for trace in (first, shorter):
            trace.notes.sort(key=lambda note: (note.at_us, note.text))
        found = _differences(first, shorter) - {"trace.summary.events"}
        if link.radio.acknowledge:
            found -= {"trace.packets.fate", "trace.packets.attempts", "trace.summary.by_fate"}
        assert not found
        assert depends(whole, high, ends_us)


def test_both_ends_are_on_when_the_wire_is_asked() -> None:
    """Also after a run in which one of them never was."""
    rig = SimRig(Profile())
    whole = Scenario(ambient=False, duration_us=1_500_000)
    for off in (
        dataclasses.replace(whole, handset_on_us=9_000_000),
        dataclasses.replace(whole, receiver_on_us=9_000_000),
    ):
        trace, silence = run_and_ask(rig, rig.run, off)
        assert (trace.scenario, silence) == (off, "")
        assert bool(len(trace.packets.left_us)) is (off.handset_on_us == 0)


def test_why_it_does_not_answer() -> None:
    link = Profile()
    said = [silence_of(SimRig(link, kind), ScenarioBuilder(link, 1, "a test")) for kind in impostors.IMPOSTORS]
    assert said[0] == "after the runs the wire does not answer: it has no pulses"
    assert set(said[1:]) == {"after the runs the wire does not answer: its pulses do not depend on the sticks"}


def test_chance() -> None:
    """Widths that follow other sticks are taken for an answer as often as combinatorics says.

    One half of 12 steps is equal to another half or its opposite in 2 of C(12, 6) = 924 cases (Feller, An Introduction
    to Probability Theory and Its Applications, vol. 1, II.4); three moved channels and three channels of pulses.
    """
    found = 0
    for seed in range(1_000):
        builder = ScenarioBuilder(Profile(), seed, "a test")
        _, asked, _ = question(builder)
        _, other, _ = question(builder)
        found += any((row == own).all() or (row != own).all() for row in other for own in asked)
    assert asked.shape[1] == STEPS == 12
    expected = len(asked) ** 2 * 1_000 * 2 / 924
    assert abs(found - expected) <= 5 * np.sqrt(expected)


def test_every_step_counts() -> None:
    """An answer that is wrong in one step is none."""
    builder = ScenarioBuilder(Profile(), 3, "a test")
    scenario, high, ends_us = question(builder)
    trace = simulate(Profile(), scenario)
    assert depends(trace, high, ends_us)
    high = high.copy()
    high[:, [0, 5]] = ~high[:, [0, 5]]
    assert not depends(trace, high, ends_us)
