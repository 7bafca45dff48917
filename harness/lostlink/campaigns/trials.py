"""Runs trials: vectorized for the reference receiver, else one by one, with equal results.

For a receiver of one's own the packets of many trials are calculated together, and its process is kept for the next
job.

Workers call `fly`, which turns a `TrialRange` into a `Tally`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.measuring import measured
from lostlink.campaigns.tally import HANDSET_IDS, Rows, Tally, criteria_of
from lostlink.campaigns.times import NEVER_US
from lostlink.errors import ReceiverCrashError
from lostlink.invariants.handset_rules import LONG_US, RATE_US, judge_handset, longest_pause_us, passes_a_wrap
from lostlink.invariants.handset_windows import HandsetFacts
from lostlink.rigs import Rig, SimRig, open_rig
from lostlink.rigs.firmware import is_library, why_apart
from lostlink.rigs.own_process import OwnProcessRig, end_idle
from lostlink.verdicts import sides_with
from lostlink_sims import Trace
from lostlink_sims.batch.arrivals import unfit_arrivals
from lostlink_sims.batch.engine import BatchEngine, Outcomes, unfit
from lostlink_sims.batch.flown import Flown
from lostlink_sims.batch.trials import Drawn, FlightTrials

SIDE_BY_SIDE, ONE_BY_ONE = "many trials side by side", "one simulation a trial"
COMPILED = "one simulation of compiled firmware a trial"

TRIALS_PER_JOB = {SIDE_BY_SIDE: 8192, ONE_BY_ONE: 32, COMPILED: 512}
"""Some tenths of a second of work."""
PIECE: Final = 64
"""Trials of a receiver of one's own whose packets are calculated together."""


@dataclass(frozen=True, slots=True)
class TrialRange:
    """A range of trials: one job.

    Attributes
    ----------
    flights : FlightTrials
    receiver : str or None
        ``FILE.py:Name`` or a shared library; the reference receiver when None.
    first, count : int
    handset : str, optional
        The same of a handset; the simulated one when None.
    """

    flights: FlightTrials
    receiver: str | None
    first: int
    count: int
    handset: str | None = None

    def __str__(self) -> str:
        return f"trials {self.first} to {self.first + self.count - 1}"


def engine_for(flights: FlightTrials, receiver: str | None, handset: str | None = None) -> tuple[str, str]:
    """Return the engine of the trials, and the reason if it is not the vectorized one."""
    if handset is not None:
        return ONE_BY_ONE, "a handset of your own"
    if receiver is not None:
        why = why_apart(receiver) or unfit_arrivals(flights)
        engine = COMPILED if is_library(receiver) and not why else ONE_BY_ONE
        return engine, f"a receiver of your own{why and f': {why}'}"
    why = unfit(flights)
    return (ONE_BY_ONE, why) if why else (SIDE_BY_SIDE, "")


def fly(job: TrialRange) -> Tally:
    """Run the trials of a job and count the results."""
    criteria = criteria_of(sides_with(job.receiver, job.handset))
    return Tally.merged(Tally.of(job.flights, rows, criteria) for rows in _rows(job))


def _rows(job: TrialRange) -> Iterator[Rows]:
    flights, after = job.flights, job.first + job.count
    engine, _ = engine_for(flights, job.receiver, job.handset)
    if engine == SIDE_BY_SIDE:
        rig = SimRig(flights.profile)
        for outcomes in BatchEngine(flights).pieces(job.first, job.count):
            yield _settled(flights, rig, outcomes)
        return
    with open_rig(flights.profile, receiver=job.receiver, handset=job.handset) as own_rig:
        if not isinstance(own_rig, OwnProcessRig) or job.handset is not None or unfit_arrivals(flights):
            yield run_each(flights, own_rig.run, np.arange(job.first, after))
            return
        # Elsewhere state outside a library would be kept too, and a result depend on the number of processes.
        own_rig.keeps_process |= sys.platform == "linux"
        for first in range(job.first, after, PIECE):
            count = min(PIECE, after - first)
            flown = own_rig.fly_trials(flights, first, count)
            yield from measured(flights, np.arange(first, first + count), flights.drawn(first, count), flown)


def end_kept() -> None:
    """End what jobs in this process have kept for the next one."""
    end_idle()


def _settled(flights: FlightTrials, rig: Rig, outcomes: Outcomes) -> Rows:
    """Return the rows of a batch; uncertain trials are repeated in the event simulation."""
    rows = Rows(
        trial=np.arange(outcomes.first, outcomes.first + len(outcomes.flew)),
        lost_us=outcomes.drawn.lost_us,
        back_us=outcomes.drawn.back_us,
        crashed=np.zeros(len(outcomes.flew), np.bool_),
        off=flights.switched_off(outcomes.drawn.cause),
        **Rows.without_handset(len(outcomes.flew)),
        **{field.name: getattr(outcomes, field.name) for field in fields(Rows) if hasattr(outcomes, field.name)},
    )
    if len(outcomes.unsure):
        rows.put(outcomes.unsure, run_each(flights, rig.run, rows.trial[outcomes.unsure]))
    return rows


def run_each(flights: FlightTrials, run: Callable[..., Trace], trials: NDArray[np.int64]) -> Rows:
    """Run trials one by one and measure them.

    A handset whose program crashes sends nothing from then on, which its receiver has to bear.
    """
    drawn = [flights.drawn(trial, 1) for trial in trials.tolist()]
    flown, facts = [], []
    for trial, one in zip(trials.tolist(), drawn, strict=True):
        try:
            trace: Trace | None = run(flights.scenario(trial))
        except ReceiverCrashError as error:
            trace = error.trace if error.trace is not None and error.trace.handset_crashed else None
        flown.append(Flown.of(trace, int(one.lost_us[0])))
        if flights.own_handset:
            facts.append(None if trace is None else HandsetFacts(trace))
    rows = Rows.joined(measured(flights, trials, Drawn.joined(drawn), Flown.joined(flown)))
    if flights.own_handset:
        rows.pause_us = np.array([0 if one is None else _pause_us(one) for one in facts])
        rows.broken = np.array([_broken(one) for one in facts])
        rows.asked = np.array([_asked(one) for one in facts]) | rows.broken
    return rows


def _pause_us(facts: HandsetFacts) -> int:
    return NEVER_US if facts.trace.handset_crashed else longest_pause_us(facts)


def _asked(facts: HandsetFacts | None) -> list[bool]:
    """Return which of `HANDSET_IDS` a trial tests.

    The throttle is low at power-on, and no contact bounces. A crashed receiver leaves no trace to judge. Of a handset
    that sends nothing only the pause is judged.
    """
    if facts is None:
        return [False] * len(HANDSET_IDS)
    sent_us = facts.left_us[~facts.wrong]
    if not len(facts.left_us):
        return [False] * len(HANDSET_IDS)
    others = {
        **dict.fromkeys(("HS-FIRST", "HS-FRESH", "HS-VALUE", "HS-COUNT"), len(sent_us) > 1),
        "HS-RATE": int(facts.left_us[-1] - facts.left_us[0]) >= RATE_US,
        "HS-START": False, "HS-SWITCH": False, "HS-WRAP": passes_a_wrap(facts), "HS-LONG": facts.end_us > LONG_US,
        "HS-ADDRESS": facts.profile.handset.address is not None, "HS-DEAF": facts.deaf_us < facts.end_us,
    }  # fmt: skip
    return [others.get(name, True) for name in HANDSET_IDS]


def _broken(facts: HandsetFacts | None) -> list[bool]:
    """Return which of `HANDSET_IDS` the packets of a trial break."""
    ids = set() if facts is None else {broken.requirement_id for broken in judge_handset(facts)}
    return [name in ids for name in HANDSET_IDS]
