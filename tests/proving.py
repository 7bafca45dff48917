"""Runs on a rig without the command line: the suite as `lostlink prove` runs it, and single runs in real time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lostlink.profiles import read_link
from lostlink.results import Result
from lostlink.rigs import SIM, Rig, open_rig
from lostlink.suite.run import run_suite
from lostlink_sims import Scenario, Trace

ATTEMPTS = 5
"""Runs in real time that a busy machine may spoil before a test is skipped; the rig repeats each by itself."""


def prove(
    profile: str | Path | None,
    *,
    receiver: str | None = None,
    rig: str = SIM,
    baud: int | None = None,
    thorough: bool = False,
    **options: Any,
) -> Result:
    """Open the rig, run the suite on it and return the result."""
    link = read_link(profile)
    opened = open_rig(link, where=rig, receiver=receiver, baud=baud, thorough=thorough)
    named = (("profile", profile), ("receiver", receiver), ("rig", rig), ("baud", baud))
    return run_suite(link, opened, named=named, **options)


def run_in_time(rig: Rig, scenario: Scenario) -> Trace:
    """Return a run without doubt on a rig in real time; skip the test on a machine that is too busy for any."""
    for _ in range(ATTEMPTS):
        trace = rig.run(scenario)
        if not trace.doubt:
            return trace
        assert "too slow" in trace.doubt
    pytest.skip(f"this machine was too busy: {trace.doubt}")
