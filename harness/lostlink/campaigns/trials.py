"""Runs trials: vectorized for the reference receiver, else one by one in the event simulation, with equal results.

Workers call `fly`, which turns a `TrialRange` into a `Tally`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.tally import Rows, Tally
from lostlink.errors import ReceiverCrashError
from lostlink.measure import failsafe
from lostlink.measure.channels import expected_at
from lostlink.rigs import Rig, SimRig, open_rig
from lostlink.verdicts import Measurement
from lostlink_sims import Trace
from lostlink_sims.batch import NONE
from lostlink_sims.batch.engine import BatchEngine, Outcomes, unfit
from lostlink_sims.batch.trials import FlightTrials

SIDE_BY_SIDE, ONE_BY_ONE = "many trials side by side", "one event simulation a trial"

TRIALS_PER_JOB = {SIDE_BY_SIDE: 8192, ONE_BY_ONE: 32}
"""Some tenths of a second of work."""


@dataclass(frozen=True, slots=True)
class TrialRange:
    """A range of trials: one job.

    Attributes
    ----------
    flights : FlightTrials
    receiver : str or None
        ``FILE.py:Name`` or a shared library; the reference receiver when None.
    first, count : int
    """

    flights: FlightTrials
    receiver: str | None
    first: int
    count: int

    def __str__(self) -> str:
        return f"trials {self.first} to {self.first + self.count - 1}"


def engine_for(flights: FlightTrials, receiver: str | None) -> tuple[str, str]:
    """Return the engine of the trials, and the reason if it is not the vectorized one."""
    why = "a receiver of your own" if receiver is not None else unfit(flights)
    return (ONE_BY_ONE, why) if why else (SIDE_BY_SIDE, "")


def fly(job: TrialRange) -> Tally:
    """Run the trials of a job and count the results."""
    return Tally.merged(Tally.of(job.flights, rows) for rows in _rows(job))


def _rows(job: TrialRange) -> Iterator[Rows]:
    engine, _ = engine_for(job.flights, job.receiver)
    if engine == SIDE_BY_SIDE:
        rig = SimRig(job.flights.profile)
        for outcomes in BatchEngine(job.flights).pieces(job.first, job.count):
            yield _settled(job.flights, rig, outcomes)
        return
    own_rig = open_rig(job.flights.profile, receiver=job.receiver)
    try:
        yield run_each(job.flights, own_rig.run, np.arange(job.first, job.first + job.count))
    finally:
        own_rig.close()


def _settled(flights: FlightTrials, rig: Rig, outcomes: Outcomes) -> Rows:
    """Return the rows of a batch; uncertain trials are repeated in the event simulation."""
    rows = Rows(
        trial=np.arange(outcomes.first, outcomes.first + len(outcomes.flew)),
        lost_us=outcomes.drawn.lost_us,
        back_us=outcomes.drawn.back_us,
        crashed=np.zeros(len(outcomes.flew), np.bool_),
        **{field.name: getattr(outcomes, field.name) for field in fields(Rows) if hasattr(outcomes, field.name)},
    )
    if len(outcomes.unsure):
        rows.put(outcomes.unsure, run_each(flights, rig.run, rows.trial[outcomes.unsure]))
    return rows


def run_each(flights: FlightTrials, run: Callable[..., Trace], trials: NDArray[np.int64]) -> Rows:
    """Run trials one by one and measure them."""
    return Rows.joined([_measured(flights, run, int(trial)) for trial in trials])


def _measured(flights: FlightTrials, run: Callable[..., Trace], trial: int) -> dict[str, int]:
    drawn = flights.drawn(trial, 1)
    lost_us, back_us = int(drawn.lost_us[0]), int(drawn.back_us[0])
    row = {"trial": trial, "lost_us": lost_us, "back_us": back_us, "crashed": 0}
    try:
        trace = run(flights.scenario(trial))
    except ReceiverCrashError:
        nothing = dict.fromkeys(("sent", "missed"), 0) | dict.fromkeys(
            ("false_us", "cut_us", "stop_us", "rose_us", "restart_us", "control_us"), NONE
        )
        return row | nothing | {"flew": 1, "crashed": 1}
    cut_us = _instant(failsafe.time_to_cut(trace, lost_us))
    idle_us = trace.profile.requirements.idle_below_us
    at_us, width_us = failsafe.throttle_pulses(trace)
    rises = at_us[(at_us > cut_us) & (at_us < back_us) & (width_us > idle_us)]
    starts = trace.motor.at_us[(trace.motor.at_us > cut_us) & (trace.motor.value > 0)]
    control_us = NONE
    if back_us < flights.duration_us:
        wanted_us = expected_at(trace, np.array([back_us]))[0]
        control_us = _instant(failsafe.recovery_time(trace, back_us, wanted_us))
    before = trace.packets.left_us < lost_us
    return row | {
        "sent": int(before.sum()),
        "missed": int(trace.packets.lost[before].sum()),
        "flew": int(trace.motor.at(lost_us) > 0),
        "false_us": _instant(failsafe.time_to_cut(trace, flights.air_us, lost_us)),
        "cut_us": cut_us,
        "stop_us": _instant(failsafe.time_to_motor_stop(trace, lost_us)),
        "rose_us": int(rises[0]) if len(rises) and cut_us != NONE else NONE,
        "restart_us": int(starts[0]) if len(starts) and cut_us != NONE else NONE,
        "control_us": control_us,
    }


def _instant(measured: Measurement) -> int:
    return NONE if measured.only_at_least or measured.at_us is None else measured.at_us
