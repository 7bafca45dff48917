"""A requirement is met only if the wire afterwards answers to random stick positions."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import impostors  # type: ignore[import-not-found]
from lostlink.profiles import read_profile
from lostlink.rigs.sim import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite.answer import STEPS, depends, question, silence_of
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome
from lostlink_sims import Profile, simulate

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
