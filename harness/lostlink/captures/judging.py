"""Holds a recorded train against a profile: the requirements that pulses alone can show. Pure.

Times are judged as they were measured, in picoseconds, with the expanded uncertainty of the capture's tick. Each
result has a doubt where a "met" would promise more than the capture shows; then it is inconclusive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink.captures.events import (
    Entry,
    Kind,
    Silence,
    Stand,
    cut_short,
    failsafe_ps,
    silences,
    stands,
)
from lostlink.captures.signals import PS_PER_US, Ints
from lostlink.captures.train import LEAST_GAP_PS, Train
from lostlink.errors import ExitCode
from lostlink.requirements import CATALOGUE
from lostlink.results import exit_code, failure
from lostlink.verdicts import Limit, Measurement, Outcome, Verdict, by_severity, quantity
from lostlink_sims import HowSeen, Profile

LEAST_FRAMES: Final = 10
"""Fewer frames show too little for a verdict."""


@dataclass(frozen=True, slots=True)
class Findings:
    """What a capture shows.

    Attributes
    ----------
    train : Train
    silences : list of Silence
    stands : list of Stand
    verdicts : list of Verdict
        Empty without a profile.
    differences : list of str
        What is other than the profile says and no requirement covers.
    """

    train: Train
    silences: list[Silence]
    stands: list[Stand]
    verdicts: list[Verdict]
    differences: list[str]

    @property
    def exit_code(self) -> ExitCode:
        """How the command ends: without a profile nothing is judged, so nothing failed."""
        code = exit_code(self.verdicts) if self.verdicts else ExitCode.MET
        return ExitCode.UNDECIDED if code is ExitCode.MET and self.differences else code

    @property
    def conclusion(self) -> str:
        """What the capture shows, in plain sentences."""
        train = self.train
        what = f"a pulse train of {train.channels} channels, {int(train.frames.whole.sum())} whole frames"
        glitches = f" {len(train.glitches_ps)} glitches were left out." if len(train.glitches_ps) else ""
        if not self.verdicts:
            return f"This is {what}; without a profile nothing is judged.{glitches}"
        differs = f" But {'; '.join(self.differences)}." if self.differences else ""
        if failed := failure(self.verdicts, "This pulse train"):
            return f"{failed}{differs}{glitches}"
        doubts = by_severity(self.verdicts, Outcome.INCONCLUSIVE)
        met = len(by_severity(self.verdicts, Outcome.MET))
        if doubts:
            names = ", ".join(verdict.requirement.id for verdict in doubts)
            head = f"No requirement failed, but {names} inconclusive: {met} of {len(self.verdicts)} are met"
            return f"{head}.{differs}{glitches}"
        if self.failsafes:
            shown = "the failsafe in it puts the throttle to idle"
        else:
            shown = "it shows no failsafe, so whether a lost link cuts the throttle is not tested"
        requirements = f"{met} requirement{'' if met == 1 else 's'}"
        return f"This pulse train meets the {requirements} that it can show; {shown}.{differs}{glitches}"

    @property
    def failsafes(self) -> list[Stand]:
        """Stands at failsafe values that were not simply reached by moving sticks, or seen from the beginning."""
        return [stand for stand in self.stands if _is_failsafe(stand)]


def _is_failsafe(stand: Stand) -> bool:
    return stand.kind is Kind.ONE_OFF or (stand.kind is Kind.PRESET and stand.entry is Entry.JUMP)


def findings(train: Train, profile: Profile | None) -> Findings:
    """Return everything that a train shows, judged where there is a profile to judge by."""
    stood = stands(train, profile)
    if profile is None:
        return Findings(train, silences(train), stood, [], [])
    verdicts = [verdict for judge in _JUDGES for verdict in judge(train, profile, stood)]
    verdicts = [verdict.waived_by(profile.requirements.waived) for verdict in verdicts]
    return Findings(train, silences(train), stood, verdicts, _differences(train, profile))


def _differences(train: Train, profile: Profile) -> list[str]:
    output, found = profile.output, []
    if train.polarity is not None and train.polarity != output.polarity:
        found.append(f"the polarity is {train.polarity}, the profile says {output.polarity}")
    if train.style is not None and train.style != output.style:
        found.append(f"the frames have a {train.style}, the profile says {output.style}")
    return found


# --- verdicts ---------------------------------------------------------------------------------------------------


def _verdict(
    requirement_id: str,
    measurement: Measurement,
    *,
    at_most: float | None = None,
    at_least: float | None = None,
    doubt: str = "",
    checks: int,
) -> Verdict:
    """Return the guarded verdict on a measurement; a doubt turns "met" into "inconclusive"."""
    limit = Limit(at_most=at_most, at_least=at_least, unit=measurement.unit)
    outcome = limit.decide(measurement)
    reason = "" if outcome is not Outcome.INCONCLUSIVE else "the limit is inside the uncertainty"
    if doubt and outcome is not Outcome.NOT_MET:
        outcome, reason = Outcome.INCONCLUSIVE, doubt
    return Verdict(
        requirement=CATALOGUE[requirement_id],
        outcome=outcome,
        measured=f"{measurement.name}: {measurement}",
        limit=str(limit),
        runs=1,
        checks=checks,
        reason=reason,
        how_seen=measurement.how_seen.value,
    )


def _undecided(requirement_id: str, reason: str) -> Verdict:
    return Verdict(
        requirement=CATALOGUE[requirement_id], outcome=Outcome.INCONCLUSIVE, runs=1, reason=reason,
        how_seen=HowSeen.MEASURED.value,
    )  # fmt: skip


def _time(train: Train, name: str, value_ps: float, stamps: int = 2) -> Measurement:
    """Return a result that rests on so many pairs of time stamps as `stamps` / 2."""
    uncertainty = train.uncertainty_us * float(np.sqrt(stamps / 2))
    return Measurement(
        name=name, value=round(value_ps / PS_PER_US, 3), uncertainty=round(uncertainty, 3), how_seen=HowSeen.MEASURED
    )


def _few(count: int, what: str) -> str:
    return f"only {count} {what}; at least {LEAST_FRAMES} are needed" if count < LEAST_FRAMES else ""


def _period(train: Train, profile: Profile, _: list[Stand]) -> Iterator[Verdict]:
    limit_us = profile.requirements.frame_period_tolerance_us
    if profile.output.style == "fixed gap":
        times, wanted_us, name = train.gaps_ps, profile.output.frame_gap_us, "gap"
    else:
        times, wanted_us, name = train.periods_ps, profile.output.frame_period_us, "frame period"
    doubt = _few(len(times), "frames follow one another")
    if not len(times):
        yield _undecided("FR-PERIOD", doubt)
        return
    ceased = sum(not (one.at_begin or one.at_end) and one.recorded for one in silences(train))
    if ceased:
        doubt = doubt or f"pulses ceased and resumed ({ceased}x) in the capture; they do not say why"
    results = [_time(train, f"error of the {name}", float(np.abs(times - wanted_us * PS_PER_US).max()))]
    if name == "frame period":
        results.append(_time(train, f"jitter of the {name}", float(np.ptp(times)), stamps=4))
    worst = max(results, key=lambda result: result.value + result.uncertainty)
    yield _verdict("FR-PERIOD", worst, at_most=limit_us, doubt=doubt, checks=len(times))


def _sync(train: Train, profile: Profile, _: list[Stand]) -> Iterator[Verdict]:
    gaps, limit_us = train.gaps_ps, profile.requirements.sync_at_least_us
    doubt = _few(len(gaps), "gaps")
    if not len(gaps):
        yield _undecided("FR-SYNC", doubt)
        return
    seen = _time(train, "shortest sync gap", float(gaps.min()))
    if not doubt and train.style != "fixed gap":
        left_ps = _gap_at_high_stops(train, profile)
        if left_ps < limit_us * PS_PER_US + train.uncertainty_us * PS_PER_US:
            left = quantity(round(left_ps / PS_PER_US), "µs")
            doubt = f"the sticks were not all at their high stops; there the period would leave {left}"
    yield _verdict("FR-SYNC", seen, at_least=limit_us, doubt=doubt, checks=len(gaps))


def _gap_at_high_stops(train: Train, profile: Profile) -> int:
    """Return what the shortest period leaves when every channel of the profile is at its high end."""
    highest_ps = train.widths_ps.max(0)
    highest_ps[: len(profile.channels)] = np.maximum(
        highest_ps[: len(profile.channels)], profile.receiver.high_us * PS_PER_US
    )
    return int(train.periods_ps.min() - highest_ps.sum())


def _separator(train: Train, profile: Profile, _: list[Stand]) -> Iterator[Verdict]:
    lengths = whole_separators_ps(train)
    if not len(lengths):
        yield _undecided("FR-SEPARATOR", "no whole separator")
        return
    yield _verdict(
        "FR-SEPARATOR",
        _time(train, "error of the separator", float(np.abs(lengths - profile.output.separator_us * PS_PER_US).max())),
        at_most=profile.requirements.separator_tolerance_us,
        doubt=_few(len(lengths), "separators"),
        checks=len(lengths),
    )


def whole_separators_ps(train: Train) -> Ints:
    """Return the lengths of the separators of whole frames; a line that is stuck is no separator."""
    frames = train.frames
    length_ps = train.separator_ps[np.repeat(frames.whole & ~cut_short(train), frames.count + 1)]
    return length_ps[length_ps <= LEAST_GAP_PS]


def _count(train: Train, profile: Profile, _: list[Stand]) -> Iterator[Verdict]:
    whole = train.frames.whole & ~cut_short(train)
    wrong = int((train.frames.count[whole] != profile.output.channels).sum())
    doubt = _few(int(whole.sum()), "whole frames")
    if len(train.glitches_ps):
        doubt = doubt or (
            f"{len(train.glitches_ps)} glitches were left out; a flight controller without a filter sees more channels"
        )
    measurement = Measurement(name="frames with wrong channel count", value=wrong, unit="", how_seen=HowSeen.MEASURED)
    yield _verdict("FR-COUNT", measurement, at_most=0, doubt=doubt, checks=int(whole.sum()))


def _failsafe(train: Train, profile: Profile, stood: list[Stand]) -> Iterator[Verdict]:
    """Judge the values of the failsafes that were seen; none seen is not tested."""
    seen = [stand for stand in stood if _is_failsafe(stand)]
    other = any(stand.kind is Kind.OTHER for stand in stood)
    doubt = "the channels jumped together to other values too; if that was a lost link, its values are wrong"
    if not seen:
        if other:
            why = "the channels jumped together, but not to the failsafe values; pulses do not say why"
            yield _undecided("FS-VALUE", why)
        return
    rows = np.concatenate([np.arange(stand.first, stand.last + 1) for stand in seen])
    if profile.throttle_index < train.channels:
        widest_ps = float(train.widths_ps[rows, profile.throttle_index].max())
        yield _verdict(
            "FS-VALUE",
            _time(train, "widest throttle pulse in failsafe", widest_ps),
            at_most=profile.requirements.idle_below_us,
            doubt=doubt if other else "",
            checks=len(rows),
        )
    wanted = failsafe_ps(train, profile)
    off = np.abs(train.widths_ps[rows, : len(wanted)] - wanted)
    place = int(np.argmax(off.max(0)))
    yield _verdict(
        "FS-PRESET",
        _time(train, f"error of {profile.channels[place].name} in failsafe", float(off.max())),
        at_most=profile.requirements.value_tolerance_us,
        doubt=doubt if other else "",
        checks=int(off.size),
    )


_JUDGES: Final[tuple[Callable[[Train, Profile, list[Stand]], Iterator[Verdict]], ...]] = (
    _failsafe, _period, _sync, _separator, _count,
)  # fmt: skip
