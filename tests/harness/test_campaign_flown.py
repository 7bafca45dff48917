"""Trials of a receiver of one's own: packets of many together, output of many measured together, as one by one.

The oracle flies each trial by `simulate`, from its scenario, and measures its trace by `lostlink.measure`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from faulty import zoo
from faulty.links import LINKS

from lostlink.campaigns import measuring
from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.measuring import measured
from lostlink.campaigns.tally import Rows
from lostlink.campaigns.trials import TrialRange, fly, run_each
from lostlink.errors import ReceiverCrashError
from lostlink.measure import failsafe
from lostlink.measure.channels import expected_at
from lostlink.rigs import own_process
from lostlink.rigs.own_process import OwnProcessRig
from lostlink.verdicts import Measurement
from lostlink_sims import Profile, ReferenceReceiver, Scenario, Trace, simulate
from lostlink_sims.batch import NONE
from lostlink_sims.batch.arrivals import BatchArrivals, unfit_arrivals
from lostlink_sims.batch.flown import Flyer
from lostlink_sims.batch.trials import FlightTrials
from lostlink_sims.board import Board
from lostlink_sims.receiver import MASK, ReceiverFactory
from lostlink_sims.scenario import HandsetOff

LONG = pytest.mark.long
FIT = [name for name, link in LINKS.items() if not unfit_arrivals(flight_trials(link, 1))]
FEW = ("heron", "acknowledged", "jitter and loss", "one channel", "wren")
"""Links of different kinds: packets that are sent again, late ones, noise, no arming switch, pulses read one by one."""


# --- the oracle ------------------------------------------------------------------------------------------------------


def instant(one: Measurement) -> int:
    return NONE if one.only_at_least or one.at_us is None else one.at_us


def by_trace(flights: FlightTrials, trace: Trace, trial: int) -> dict[str, int]:
    """Measure one trial as a single run is measured."""
    drawn = flights.drawn(trial, 1)
    lost_us, back_us = int(drawn.lost_us[0]), int(drawn.back_us[0])
    is_off = isinstance(trace.scenario.faults[0], HandsetOff)
    row = {"trial": trial, "lost_us": lost_us, "back_us": back_us, "off": int(is_off)}
    row["crashed"] = int(trace.crash is not None)
    times = dict.fromkeys(("false_us", "cut_us", "stop_us", "rose_us", "restart_us", "control_us"), NONE)
    if trace.crash is not None:
        return row | times | {"flew": 1, "sent": 0, "missed": 0}
    before = trace.packets.left_us < lost_us
    row["sent"], row["missed"] = int(before.sum()), int(trace.packets.lost[before].sum())
    row["flew"] = int(trace.motor.at(lost_us) > 0)
    times["false_us"] = instant(failsafe.time_to_cut(trace, flights.air_us, lost_us))
    times["cut_us"] = cut_us = instant(failsafe.time_to_cut(trace, lost_us))
    times["stop_us"] = instant(failsafe.time_to_motor_stop(trace, lost_us))
    at_us, width_us = failsafe.throttle_pulses(trace)
    rises = at_us[(at_us > cut_us) & (at_us < back_us) & (width_us > trace.profile.requirements.idle_below_us)]
    starts = trace.motor.at_us[(trace.motor.at_us > cut_us) & (trace.motor.value > 0)]
    if cut_us != NONE:
        times |= {"rose_us": int(rises[0]) if len(rises) else NONE}
        times |= {"restart_us": int(starts[0]) if len(starts) else NONE}
    if back_us < flights.duration_us:
        wanted_us = expected_at(trace, np.array([back_us]))[0]
        times["control_us"] = instant(failsafe.recovery_time(trace, back_us, wanted_us))
    return row | times


def traces(flights: FlightTrials, receiver: ReceiverFactory, trials: Sequence[int]) -> list[Trace]:
    return [simulate(flights.profile, flights.scenario(trial), receiver) for trial in trials]


def one_by_one(flights: FlightTrials, receiver: ReceiverFactory, trials: Sequence[int]) -> list[dict[str, int]]:
    some = traces(flights, receiver, trials)
    return [by_trace(flights, trace, trial) for trial, trace in zip(trials, some, strict=True)]


def as_dicts(rows: Rows) -> list[dict[str, int]]:
    names = [field.name for field in dataclasses.fields(Rows) if field.name not in Rows.without_handset(0)]
    columns = {name: getattr(rows, name).tolist() for name in names}
    return [dict(zip(columns, map(int, row), strict=True)) for row in zip(*columns.values(), strict=True)]


def together(flights: FlightTrials, receiver: ReceiverFactory, first: int, count: int) -> list[dict[str, int]]:
    flyer = Flyer(flights, first, count)
    for _ in range(count):
        flyer.fly(lambda env, log, phase_us, clock: Board(env, flights.profile, receiver, log, phase_us, clock))
    parts = measured(flights, np.arange(first, first + count), flights.drawn(first, count), flyer.flown())
    return as_dicts(Rows.joined(parts))


# --- the same as one by one ------------------------------------------------------------------------------------------


def listening(heard: list[tuple[int, bytes]]) -> type[ReferenceReceiver]:
    class Listens(ReferenceReceiver):
        def packet(self, clock_us: int, payload: bytes) -> None:
            heard.append((clock_us, payload))
            super().packet(clock_us, payload)

    return Listens


@pytest.mark.parametrize("name", [name if name in FEW else pytest.param(name, marks=LONG) for name in FIT])
def test_the_same_packets_arrive(name: str) -> None:
    """At the same instants, with the same bytes."""
    flights = flight_trials(LINKS[name], 3)
    arrivals = BatchArrivals(flights, 37, 6)
    for index in range(6):
        heard: list[tuple[int, bytes]] = []
        trace = simulate(LINKS[name], flights.scenario(37 + index), listening(heard))
        at_us, rows = arrivals.of(index).lists()
        assert at_us == trace.packets.arrived_us[~trace.packets.lost].tolist()
        assert rows == [payload for _, payload in heard]
        before = trace.packets.left_us < arrivals.drawn.lost_us[index]
        assert arrivals.sent[index] == before.sum()
        assert arrivals.missed[index] == trace.packets.lost[before].sum()
    assert unfit_arrivals(flight_trials(LINKS["bittern"], 1))  # damaged packets arrive there


class Stutters(zoo.Sound):
    """Leaves out frames at times, and channels, and has pulses so long that they end a frame."""

    def pulses(self, clock_us: int) -> Any:
        widths = list(super().pulses(clock_us) or ())
        kind = clock_us // 20_000 % 97
        if kind in (1, 40, 41, 42, 43, 44, 45, 46, 47, 48):
            return None
        if kind == 7:
            return widths[:2]
        return [*widths[:-1], 20_000] if kind == 9 else widths


class RunsOut(ReferenceReceiver):
    """Raises an exception in some flights, when the link is lost."""

    def poll(self, clock_us: int) -> Any:
        if not self.failsafe and (clock_us - self._heard_us) & MASK > 200_000 and self._heard_us & 0x1000:
            raise RuntimeError
        return super().poll(clock_us)


RECEIVERS: tuple[Any, ...] = (
    zoo.Sound, Stutters, RunsOut, zoo.LiveRead, zoo.HoldsForEver, zoo.FullThrottleAtBoot, zoo.TooEager,
)  # fmt: skip


@pytest.mark.parametrize("name", [name if name in FEW[:3] else pytest.param(name, marks=LONG) for name in LINKS])
def test_many_trials_are_measured_as_one(name: str, long: bool) -> None:
    """Every column, of receivers that cut, that do not, that come and go, and that crash."""
    flights, count = flight_trials(LINKS[name], 5), 40 if long else 18
    trials = np.arange(11, 11 + count)
    crashes = 0
    for number, receiver in enumerate(RECEIVERS if long else RECEIVERS[:4]):
        some = traces(flights, receiver, trials.tolist())
        expected = [by_trace(flights, trace, trial) for trace, trial in zip(some, trials.tolist(), strict=True)]
        assert as_dicts(run_each(flights, again(some), trials)) == expected, receiver
        if name in FIT and (long or number < 3):
            assert together(flights, receiver, 11, count) == expected, receiver
        crashes += sum(row["crashed"] for row in expected)
    assert 0 < crashes < count


def again(some: list[Trace]) -> Callable[[Scenario], Trace]:
    """Return what gives the traces, one after another, as a rig's method `run`."""
    left = iter(some)

    def run(_: Scenario) -> Trace:
        trace = next(left)
        if trace.crash is not None:
            raise ReceiverCrashError(trace.crash, trace)
        return trace

    return run


def test_an_error_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """A packet that arrives a microsecond late; a frame too many at the end; a timeout that is not looked at."""
    flights = flight_trials(LINKS["heron"], 5)
    expected = one_by_one(flights, Stutters, range(18))
    assert together(flights, Stutters, 0, 18) == expected
    with monkeypatch.context() as patch:
        later = BatchArrivals.of

        def late(self: BatchArrivals, index: int) -> Any:
            packets = later(self, index)
            return dataclasses.replace(packets, at_us=packets.at_us + 20_000)

        patch.setattr(BatchArrivals, "of", late)
        assert together(flights, Stutters, 0, 18) != expected
    with monkeypatch.context() as patch:
        patch.setattr(measuring, "_with_silences", lambda trial, valid, *_: (trial, valid))
        assert together(flights, Stutters, 0, 18) != expected


# --- in the process of the receiver ----------------------------------------------------------------------------------

MISDEEDS = {
    "raises": "raise RuntimeError",
    "exits": "os._exit(3)",
    "changes the folder": "os.chdir('/')",
    "closes everything": "os.closerange(0, 40)",
    "dies": "os.kill(os.getpid(), 9)",
    "loops": "while True: pass",
}


@pytest.mark.parametrize(
    "misdeed",
    [name if name in ("raises", "dies", "changes the folder") else pytest.param(name, marks=LONG) for name in MISDEEDS],
)
def test_a_misdeed_in_some_trials(misdeed: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other trials count as ever, whichever end a trial has."""
    monkeypatch.setattr(own_process, "PATIENCE_S", 1.0)
    link = LINKS["heron"]
    flights = flight_trials(link, 5)
    clock = flights.drawn(0, 9).clock_us
    bad = clock.tolist()[3:6:2]
    text = (
        "import os\nfrom lostlink_sims import ReferenceReceiver\n\nclass Mine(ReferenceReceiver):\n"
        "    def power_on(self, clock_us):\n        super().power_on(clock_us)\n"
        f"        self.is_bad = clock_us in {bad}\n        self.calls = 0\n"
        "    def poll(self, clock_us):\n        self.calls += 1\n"
        f"        if self.is_bad and self.calls == 99: {MISDEEDS[misdeed]}\n"
        "        return super().poll(clock_us)\n"
    )
    (tmp_path / "mine.py").write_text(text, encoding="utf-8")
    expected = one_by_one(flights, ReferenceReceiver, range(9))
    with OwnProcessRig(link, f"{tmp_path / 'mine.py'}:Mine") as rig:
        flown = rig.fly_trials(flights, 0, 9)
        got = as_dicts(Rows.joined(measured(flights, np.arange(9), flights.drawn(0, 9), flown)))
        alone = as_dicts(run_each(flights, rig.run, np.arange(9)))
    assert got == alone
    assert [row["crashed"] for row in got] == [int(value in bad) for value in clock.tolist()]
    assert [row for row in got if not row["crashed"]] == [
        row for row, value in zip(expected, clock.tolist(), strict=True) if value not in bad
    ]


def test_globals_begin_anew_in_each_trial(tmp_path: Path) -> None:
    text = (
        "from lostlink_sims import ReferenceReceiver\nflown = []\n\nclass Mine(ReferenceReceiver):\n"
        "    def power_on(self, clock_us):\n        super().power_on(clock_us)\n        flown.append(1)\n"
        "        if len(flown) > 1: raise RuntimeError\n"
    )
    (tmp_path / "mine.py").write_text(text, encoding="utf-8")
    flights = flight_trials(LINKS["heron"], 5)
    with OwnProcessRig(LINKS["heron"], f"{tmp_path / 'mine.py'}:Mine") as rig:
        assert not rig.fly_trials(flights, 0, 5).crashed.any()


def test_the_size_of_jobs_does_not_matter(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text("from lostlink_sims import ReferenceReceiver as Mine\n", encoding="utf-8")
    flights, mine = flight_trials(Profile(), 9), f"{tmp_path / 'mine.py'}:Mine"
    whole = fly(TrialRange(flights, mine, 3, 21))
    parts = [fly(TrialRange(flights, mine, first, count)) for first, count in ((3, 1), (4, 17), (21, 3))]
    assert type(whole).merged(parts).as_dict() == whole.as_dict()
