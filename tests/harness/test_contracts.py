"""The contract checks: what keeps the interface passes, each way to break it is named."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from lostlink import extensions
from lostlink.contracts import ContractError, check_receiver, check_rig
from lostlink.errors import ReceiverError
from lostlink.profiles import read_link
from lostlink.rigs import Rig, SimRig, drives_hardware, open_rig
from lostlink_sims import Profile, ReferenceReceiver, Scenario, Trace
from lostlink_sims.scenario import LinkCut


@pytest.fixture(scope="module")
def plain() -> Profile:
    return read_link(None)


def test_reference_receiver(plain: Profile) -> None:
    check_receiver(ReferenceReceiver, plain)


class Remembers(ReferenceReceiver):
    packets = 0

    def packet(self, clock_us: int, payload: bytes) -> None:
        Remembers.packets += 1
        if Remembers.packets > 1000:
            return
        super().packet(clock_us, payload)


class Returning(ReferenceReceiver):
    def packet(self, clock_us: int, payload: bytes) -> Any:
        return True


class Seconds(ReferenceReceiver):
    def poll(self, clock_us: int) -> Any:
        return clock_us / 1e6


class Fractions(ReferenceReceiver):
    def pulses(self, clock_us: int) -> Any:
        return [1500.5]


class WithoutPulses:
    power_on = packet = poll = lambda *_: None


class WithoutFlag(ReferenceReceiver):
    def power_on(self, clock_us: int) -> None:
        self.failsafe = None  # type: ignore[assignment]


@pytest.mark.parametrize(
    ("receiver", "finding"),
    [
        (Remembers, "a fresh receiver behaves differently"),
        (Returning, r"packet\(\) returned True"),
        (Seconds, r"poll\(\) returned"),
        (Fractions, r"pulses\(\) returned"),
        (lambda _: WithoutPulses(), "no method pulses"),
        (WithoutFlag, "failsafe is None"),
    ],
)
def test_broken_receivers(plain: Profile, receiver: Any, finding: str) -> None:
    with pytest.raises(ContractError, match=finding):
        check_receiver(receiver, plain)


def test_simulation(plain: Profile) -> None:
    check_rig(SimRig(plain))


class OnlyRun(Rig):
    """The least that a package writes."""

    def run(self, scenario: Scenario) -> Trace:
        self.runs += 1
        return dataclasses.replace(SimRig(self.profile).run(scenario), how_seen=self.how_seen)


def test_a_rig_needs_only_run(plain: Profile) -> None:
    """And its abilities are the careful ones."""
    rig = OnlyRun(plain, "somewhere")
    check_rig(rig)
    assert rig.drives_hardware
    assert not rig.sets_clock
    assert rig.rest == "somewhere"


def test_a_name_that_begins_like_one_of_ours(plain: Profile, monkeypatch: pytest.MonkeyPatch) -> None:
    """``serialish`` and ``emulated-board`` are rigs of packages: none of our options, abilities of their own."""

    class Still(OnlyRun):
        drives_hardware = False

    known = {"serialish": OnlyRun, "emulated-board": Still, "sim-board": OnlyRun}
    monkeypatch.setattr(extensions, "load", lambda group, name: known.get(name) if group == extensions.RIGS else None)
    for name, rig in known.items():
        where = f"{name}:here"
        opened = open_rig(plain, where=where, baud=9600, thorough=True)
        assert type(opened) is rig
        assert (opened.name, opened.rest) == (where, "here")
        assert drives_hardware(where) is rig.drives_hardware
        with pytest.raises(ReceiverError, match="leave one of them out"):
            open_rig(plain, where=where, receiver="my.py:Mine")


def altered(alter: Callable[[Trace], object]) -> type[Rig]:
    class Altered(OnlyRun):
        def run(self, scenario: Scenario) -> Trace:
            trace = super().run(scenario)
            alter(trace)
            return trace

    return Altered


def shortened(trace: Trace) -> None:
    trace.packets.fate = trace.packets.fate[:-1]


def backwards(trace: Trace) -> None:
    trace.frames.start_us = trace.frames.start_us[::-1]


def other_scenario(trace: Trace) -> None:
    trace.scenario = dataclasses.replace(trace.scenario, faults=(LinkCut(at_us=1),))


class Uncounted(OnlyRun):
    def run(self, scenario: Scenario) -> Trace:
        trace = super().run(scenario)
        self.runs = 0
        return trace


class ClosedOnce(OnlyRun):
    def close(self) -> None:
        if not self.about:
            self.about["closed"] = "yes"
            return
        raise ContractError("closed twice")


@pytest.mark.parametrize(
    ("rig", "finding"),
    [
        (altered(shortened), "columns of packets have different lengths"),
        (altered(backwards), "frames.start_us must ascend"),
        (altered(other_scenario), "another scenario"),
        (altered(lambda trace: setattr(trace, "uncertainty_us", -1)), "uncertainty_us is -1"),
        (altered(lambda trace: setattr(trace, "separators_us", np.zeros(1, np.int64))), "one row per frame"),
        (Uncounted, r"run\(\) must count"),
        (ClosedOnce, "closed twice"),
    ],
)
def test_broken_rigs(plain: Profile, rig: type[Rig], finding: str) -> None:
    with pytest.raises(ContractError, match=finding):
        check_rig(rig(plain))
