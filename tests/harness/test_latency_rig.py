"""LT-STICK where runs are too late to judge: they must not count as late sticks."""

from __future__ import annotations

import pytest

from lostlink.requirements import CATALOGUE
from lostlink.rigs import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.suite import test_ordinary_use as ordinary_use
from lostlink.suite.judge import InconclusiveError, Judge, NotMetError
from lostlink_sims import Profile, Scenario, Trace


class LateRig(SimRig):
    """Shows pulses late in all runs but the last, and doubts these, or knows them badly."""

    def __init__(self, profile: Profile, *, doubts: bool) -> None:
        super().__init__(profile)
        self.doubts = doubts

    def run(self, scenario: Scenario) -> Trace:
        trace = super().run(scenario)
        if self.runs < 12:
            trace.seen.start_us += 40_000
            if self.doubts:
                trace.doubt = "host or board too slow"
            else:
                trace.uncertainty_us = 40_000
        return trace


def judged(profile: Profile, rig: LateRig) -> Judge:
    judge = Judge(CATALOGUE["LT-STICK"], rig, "")
    builder = ScenarioBuilder(profile, 1, "latency")
    ordinary_use.test_latency(profile, rig, builder, judge)
    judge.conclude()
    return judge


def test_runs_in_doubt_do_not_count() -> None:
    with pytest.raises(InconclusiveError, match="too slow"):
        judged(Profile(), LateRig(Profile(), doubts=True))


def test_the_least_known_run_gives_the_uncertainty() -> None:
    with pytest.raises(InconclusiveError):
        judged(Profile(), LateRig(Profile(), doubts=False))


def test_late_sticks_are_found() -> None:
    class Late(LateRig):
        def run(self, scenario: Scenario) -> Trace:
            trace = SimRig.run(self, scenario)
            trace.seen.start_us += 40_000
            return trace

    with pytest.raises(NotMetError):
        judged(Profile(), Late(Profile(), doubts=False))
