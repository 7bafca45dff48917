"""Results of trials, counted for each requirement: trials judged, failures, times.

The size of a `Tally` does not depend on the number of trials, and the merged result does not depend on the split. Each
row of `CRITERIA` defines how one requirement is judged by the instants of a trial.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.times import NEVER_US, TimeDistribution, Trial, longest
from lostlink.evidence.schemas import MOST_TRIALS
from lostlink.measure import limits
from lostlink.requirements import CATALOGUE
from lostlink.verdicts import Requirement, Severity, Side
from lostlink_sims import Profile
from lostlink_sims.batch import NONE
from lostlink_sims.batch.trials import FlightTrials

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

KEEP: Final = 5
"""Number of trials kept for each requirement: the worst, or the first that failed."""

CRITICAL: Final = "critical"
"""Key of a tally's counts for any critical requirement."""


@dataclass(slots=True)
class Rows:
    """Results of some trials, one array element for each; instants in µs, `NONE` for never.

    Attributes
    ----------
    trial, lost_us, back_us : (n,) ndarray of int64
        `back_us` is the trial's duration where the link stays lost.
    flew, crashed : (n,) ndarray of bool
        Whether the motors ran when the link was lost; whether the receiver's program crashed.
    false_us, cut_us, stop_us, rose_us, restart_us, control_us, sent, missed : (n,) ndarray of int64
        As in `lostlink_sims.batch.engine.Outcomes`.
    off : (n,) ndarray of bool
        Whether the link is lost because the handset is switched off.
    pause_us : (n,) ndarray of int64
        Longest pause of a handset under test.
    asked, broken : (n, len(HANDSET_IDS)) ndarray of bool
        Which requirements its packets test, and break.
    """

    trial: Ints
    lost_us: Ints
    back_us: Ints
    flew: Mask
    false_us: Ints
    cut_us: Ints
    stop_us: Ints
    rose_us: Ints
    restart_us: Ints
    control_us: Ints
    crashed: Mask
    sent: Ints
    missed: Ints
    off: Mask
    pause_us: Ints
    asked: Mask
    broken: Mask

    @classmethod
    def joined(cls, parts: Sequence[Rows]) -> Rows:
        """Return the rows of all parts, of which there is one at least."""
        names = [field.name for field in dataclasses.fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    @staticmethod
    def without_handset(count: int) -> dict[str, Any]:
        """Return the columns of a handset for trials in which none is under test."""
        none = np.zeros((count, len(HANDSET_IDS)), np.bool_)
        return {"pause_us": np.zeros(count, np.int64), "asked": none, "broken": none}

    def put(self, indices: Ints, rows: Rows) -> None:
        """Replace the rows at `indices`."""
        for field in dataclasses.fields(self):
            getattr(self, field.name)[indices] = getattr(rows, field.name)


def _since(instant_us: Ints, begin_us: Ints) -> Ints:
    return np.where(instant_us == NONE, NEVER_US, instant_us - begin_us)


@dataclass(frozen=True, slots=True)
class Criterion:
    """How a requirement is judged.

    Attributes
    ----------
    id : str
        In the catalogue.
    what : str
        The measured time, or what happens in a failed trial.
    judged : callable
        Which trials test it.
    time_us, limit_us : callable or None
        The measured time; a trial fails if it exceeds the limit.
    failed : callable or None
        Which trials fail, where no time is measured.
    """

    id: str
    what: str
    judged: Callable[[FlightTrials, Rows], Mask]
    time_us: Callable[[Rows], Ints] | None = None
    limit_us: Callable[[Profile], int] | None = None
    failed: Callable[[Rows], Mask] | None = None

    @property
    def requirement(self) -> Requirement:
        return CATALOGUE[self.id]

    @property
    def is_critical(self) -> bool:
        return self.requirement.severity is Severity.CRITICAL


def _returns(flights: FlightTrials, rows: Rows) -> Mask:
    """Return which trials restore the link early enough to observe the recovery, after a cut in flight."""
    least_us = flights.profile.requirements.recovery_within_us + 100_000
    came: Mask = rows.flew & (rows.cut_us != NONE) & (rows.back_us + least_us <= flights.duration_us)
    return came


def _regains(flights: FlightTrials, rows: Rows) -> Mask:
    # With the stick up, a receiver that waits for a low throttle does not come back.
    waits = flights.profile.receiver.recover_on_low_throttle
    return np.zeros(len(rows.trial), np.bool_) if waits else _returns(flights, rows)


def _all(_: FlightTrials, rows: Rows) -> Mask:
    return np.ones(len(rows.trial), np.bool_)


HANDSET_IDS: Final = (
    "HS-START", "HS-FIRST", "HS-FRESH", "HS-SWITCH", "HS-VALUE", "HS-RATE", "HS-COUNT", "HS-MARK", "HS-ADDRESS",
    "HS-DEAF", "HS-WRAP", "HS-LONG",
)  # fmt: skip
"""What the packets of a handset can break in a trial, beside HS-GAP."""


NOT_ASKED: Final = ("HS-START", "HS-SWITCH")
"""What no trial tests, but may break: the throttle is low at power-on, and no contact bounces."""


def _of_handset(index: int) -> Criterion:
    """Return the criterion of one of `HANDSET_IDS`."""
    name = HANDSET_IDS[index]
    return Criterion(
        name, CATALOGUE[name].fault, lambda _, rows: rows.asked[:, index], failed=lambda rows: rows.broken[:, index]
    )


CRITERIA: Final = (
    Criterion(
        "FS-CUT", "from link loss to throttle cut",
        lambda _, rows: rows.flew, lambda rows: _since(rows.cut_us, rows.lost_us),
        lambda profile: profile.requirements.cut_within_us,
    ),
    Criterion(
        "FS-MOTOR", "from link loss to motors at rest",
        lambda _, rows: rows.flew, lambda rows: _since(rows.stop_us, rows.lost_us),
        lambda profile: profile.requirements.motor_cut_within_us,
    ),
    Criterion(
        "FS-STAY", "the throttle rises again while the link is lost",
        lambda _, rows: rows.flew & (rows.cut_us != NONE), failed=lambda rows: rows.rose_us != NONE,
    ),
    Criterion(
        "RC-LIVE", "the motors start without a pilot command when the link is back",
        _returns, failed=lambda rows: (rows.restart_us != NONE) & (rows.restart_us >= rows.back_us),
    ),
    Criterion(
        "RC-TIME", "from the link's return to control",
        _regains, lambda rows: _since(rows.control_us, rows.back_us),
        lambda profile: profile.requirements.recovery_within_us,
    ),
    Criterion(
        "LK-FALSE", "the throttle is cut while the link is normal", _all, failed=lambda rows: rows.false_us != NONE,
    ),
    Criterion(
        "HS-GAP", "longest pause between two packets",
        lambda _, rows: ~rows.crashed, lambda rows: rows.pause_us, limits.pause_us,
    ),
    *map(_of_handset, range(len(HANDSET_IDS))),
    Criterion(
        "PR-OFF", "from switching the handset off to motors at rest",
        lambda _, rows: rows.flew & rows.off, lambda rows: _since(rows.stop_us, rows.lost_us),
        lambda profile: profile.requirements.motor_cut_within_us,
    ),
    Criterion(
        "PR-FALSE", "the throttle is cut while the link is normal", _all, failed=lambda rows: rows.false_us != NONE,
    ),
)  # fmt: skip


def criteria_of(sides: Collection[Side]) -> tuple[Criterion, ...]:
    """Return the criteria of what is under test.

    In a pair a false failsafe is held against both, as the packets are not the simulated handset's.
    """
    left_out = "LK-FALSE" if Side.PAIR in sides else ""
    return tuple(one for one in CRITERIA if one.requirement.side in sides and one.id != left_out)


@dataclass(frozen=True, slots=True)
class Count:
    """Counted results for one requirement.

    Attributes
    ----------
    judged, failures : int
    times : TimeDistribution
        Empty where no time is measured.
    worst : tuple of Trial
        At most `KEEP`: the longest times; where none is measured, the first trials that failed.
    """

    judged: int
    failures: int
    times: TimeDistribution
    worst: tuple[Trial, ...]

    @classmethod
    def of(cls, criterion: Criterion, flights: FlightTrials, rows: Rows) -> tuple[Count, Mask, Mask]:
        """Return the count, and which trials were judged and failed."""
        crashed = rows.crashed & (criterion.requirement.side is not Side.HANDSET)
        judged = criterion.judged(flights, rows) | crashed
        if criterion.time_us is None:
            assert criterion.failed is not None
            failed = judged & (criterion.failed(rows) | (crashed & criterion.is_critical))
            values, times, kept = failed.astype(np.int64), TimeDistribution.of(()), failed
        else:
            assert criterion.limit_us is not None
            values = criterion.time_us(rows)
            failed = judged & ((values > criterion.limit_us(flights.profile)) | crashed)
            times, kept = TimeDistribution.of(values[judged]), judged
        order = np.flatnonzero(kept)[np.lexsort((rows.trial[kept], -values[kept]))[:KEEP]]
        worst = tuple(Trial(int(values[index]), flights.seed, int(rows.trial[index])) for index in order)
        return cls(int(judged.sum()), int(failed.sum()), times, worst), judged, failed

    @classmethod
    def merged(cls, parts: Sequence[Count]) -> Count:
        """Return the sum of all parts."""
        return cls(
            sum(part.judged for part in parts),
            sum(part.failures for part in parts),
            TimeDistribution.merged(part.times for part in parts),
            longest((trial for part in parts for trial in part.worst), KEEP),
        )


@dataclass(frozen=True, slots=True)
class Tally:
    """Counted results of trials.

    Attributes
    ----------
    trials, crashes : int
    counts : dict of str to Count
        By requirement, in the order of `CRITERIA`.
    judged : dict of str to int
        Trials judged by requirement; under `CRITICAL`, for any critical one.
    failed : dict of str to list of int
        Indices of the failed trials among the judged ones, for rules that take trials in order.
    losses : dict of int to (int, int)
        By packets lost before the link loss (per mille): trials, and those with a false failsafe.
    """

    trials: int
    crashes: int
    counts: dict[str, Count]
    judged: dict[str, int]
    failed: dict[str, list[int]]
    losses: dict[int, tuple[int, int]]

    @classmethod
    def of(cls, flights: FlightTrials, rows: Rows, criteria: Sequence[Criterion]) -> Tally:
        """Count trials."""
        counts: dict[str, Count] = {}
        judged: dict[str, int] = {}
        failed: dict[str, list[int]] = {}
        any_judged = np.zeros(len(rows.trial), np.bool_)
        any_failed = any_judged.copy()
        for criterion in criteria:
            counts[criterion.id], was_judged, wrong = Count.of(criterion, flights, rows)
            judged[criterion.id] = counts[criterion.id].judged
            failed[criterion.id] = np.flatnonzero(wrong[was_judged]).tolist()
            if criterion.is_critical:
                any_judged |= was_judged
                any_failed |= wrong
        judged[CRITICAL], failed[CRITICAL] = int(any_judged.sum()), np.flatnonzero(any_failed[any_judged]).tolist()
        crashes = int((rows.crashed | (rows.pause_us == NEVER_US)).sum())
        return cls(len(rows.trial), crashes, counts, judged, failed, _losses(rows))

    @classmethod
    def merged(cls, parts: Iterable[Tally]) -> Tally:
        """Return the sum of tallies, given in the order of their trials."""
        some = list(parts)
        if len(some) == 1:
            return some[0]
        judged: dict[str, int] = {}
        failed: dict[str, list[int]] = {}
        for part in some:
            for name, count in part.judged.items():
                before = judged.get(name, 0)
                failed.setdefault(name, []).extend(before + index for index in part.failed[name])
                judged[name] = before + count
        counts = {name: Count.merged([part.counts[name] for part in some]) for name in some[0].counts}
        losses: dict[int, tuple[int, int]] = {}
        for part in some:
            for share, (trials, false) in part.losses.items():
                known = losses.get(share, (0, 0))
                losses[share] = known[0] + trials, known[1] + false
        crashes = sum(part.crashes for part in some)
        return cls(sum(part.trials for part in some), crashes, counts, judged, failed, dict(sorted(losses.items())))

    # --- as plain data --------------------------------------------------------------------------------------

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        counts = {
            name: {
                "judged": count.judged,
                "failures": count.failures,
                "times": count.times.as_dict(),
                "worst": [list(trial) for trial in count.worst],
            }
            for name, count in self.counts.items()
        }
        return {
            "trials": self.trials, "crashes": self.crashes, "counts": counts, "judged": self.judged,
            "failed": self.failed, "losses": [[share, *pair] for share, pair in self.losses.items()],
        }  # fmt: skip

    @classmethod
    def from_dict(cls, data: dict[str, Any], criteria: Sequence[Criterion]) -> Tally:
        """Return the tally of some criteria that `as_dict` wrote.

        Raises
        ------
        ValueError
            If the data is not such a tally.
        """
        try:
            _check(data, criteria)
        except (AttributeError, KeyError, TypeError) as error:
            raise ValueError(f"{type(error).__name__}: {error}") from error
        counts = {}
        for name, entry in data["counts"].items():
            times = TimeDistribution(
                np.array(entry["times"]["values_us"], np.int64), np.array(entry["times"]["counts"], np.int64)
            )
            worst = tuple(Trial(*row) for row in entry["worst"])
            counts[name] = Count(entry["judged"], entry["failures"], times, worst)
        losses = {share: (trials, false) for share, trials, false in data["losses"]}
        return cls(data["trials"], data["crashes"], counts, data["judged"], data["failed"], losses)


def _losses(rows: Rows) -> dict[int, tuple[int, int]]:
    """Count trials and false failsafes by the share of packets lost before the link loss."""
    share = 1000 * rows.missed // np.maximum(1, rows.sent)
    trials = np.bincount(share, minlength=1001)
    false = np.bincount(share[rows.false_us != NONE], minlength=1001)
    return {int(index): (int(trials[index]), int(false[index])) for index in np.flatnonzero(trials)}


def _check(data: Any, criteria: Sequence[Criterion]) -> None:
    """Raise an error if plain data is not what `Tally.as_dict` writes."""
    trials, counts, judged, failed = data["trials"], data["counts"], data["judged"], data["failed"]
    ids = {criterion.id for criterion in criteria}
    _need(set(counts) == ids and set(judged) == set(failed) == {*ids, CRITICAL}, "other requirements")
    _need(_are_whole([trials], 1, MOST_TRIALS), "trials")
    _need(_are_whole([data["crashes"]], 0, trials), "crashes")
    for name, indices in failed.items():
        _need(_are_whole([judged[name]], 0, trials), f"judged trials of {name}")
        _need(_are_ascending(indices, judged[name] - 1), f"failed trials of {name}")
    critical = [len(failed[criterion.id]) for criterion in criteria if criterion.is_critical]
    _need(max(critical) <= len(failed[CRITICAL]) <= sum(critical), "trials in which a critical requirement failed")
    for criterion in criteria:
        count = counts[criterion.id]
        are_equal = (count["judged"], count["failures"]) == (judged[criterion.id], len(failed[criterion.id]))
        _need(are_equal, f"counts of {criterion.id}")
        _check_trials(criterion, count)
    shares, flights, false = zip(*data["losses"], strict=True)
    _need(_are_ascending(shares, 1000) and _are_whole(flights, 1, trials) and sum(flights) == trials, "losses")
    _need(all(_are_whole([some], 0, most) for some, most in zip(false, flights, strict=True)), "losses")


def _check_trials(criterion: Criterion, count: dict[str, Any]) -> None:
    values_us, counts = count["times"]["values_us"], count["times"]["counts"]
    measured = count["judged"] if criterion.time_us else 0
    is_sound = len(values_us) == len(counts) and _are_ascending(values_us, NEVER_US)
    _need(is_sound and _are_whole(counts, 1, measured) and sum(counts) == measured, f"times of {criterion.id}")
    _need(isinstance(counts, list) and isinstance(count["worst"], list), f"lists of {criterion.id}")
    _need(len(count["worst"]) <= KEEP, f"worst trials of {criterion.id}")
    for value_us, seed, trial in count["worst"]:
        is_sound = _are_whole([value_us], 0, NEVER_US) and _are_whole([seed, trial], 0, 2**63 - 1)
        _need(is_sound, f"worst trials of {criterion.id}")


def _are_whole(numbers: Iterable[Any], least: int, most: int) -> bool:
    return all(type(number) is int and least <= number <= most for number in numbers)


def _are_ascending(numbers: Sequence[Any], most: int) -> bool:
    return (
        isinstance(numbers, list | tuple)
        and _are_whole(numbers, 0, most)
        and all(before < after for before, after in itertools.pairwise(numbers))
    )


def _need(is_valid: bool, what: str) -> None:
    if not is_valid:
        raise ValueError(f"not possible: {what}")
