"""Compares a recorded train with a profile: the requirements that pulses alone can show. Pure.

Times are judged in picoseconds, with the largest error that sample period and rounding of the file can make. Where the
capture does not show enough for "met", the verdict is inconclusive, with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from lostlink.captures.events import (
    LATE_PS,
    Onset,
    Silence,
    SteadyKind,
    SteadyState,
    cut_short,
    failsafe_ps,
    silences,
    steady_states,
    whole_separators_ps,
)
from lostlink.captures.failsafe_end import HEAD, FailsafeRows, judged_rows
from lostlink.captures.pulse_faults import PulseFault, pulse_faults
from lostlink.captures.signals import PS_PER_US
from lostlink.captures.train import PulseTrain
from lostlink.errors import ExitCode
from lostlink.requirements import CATALOGUE, others
from lostlink.results import ALL_WAIVED, exit_code, failure
from lostlink.verdicts import Limit, Measurement, Outcome, Verdict, by_severity, counted, quantity
from lostlink_sims import HowSeen, Profile

_MOST_NAMED: Final = 3
"""Most faults that a reason names."""
LEAST_FRAMES: Final = 10
"""Number of frames needed for a verdict."""


@dataclass(frozen=True, slots=True)
class Findings:
    """What a capture shows.

    Attributes
    ----------
    train : PulseTrain
    silences : list of Silence
    steady_states : list of SteadyState
    pulse_faults : list of PulseFault
        Frames with a wrong number of pulses.
    verdicts : tuple of Verdict
        Of all requirements that a capture can show; empty without a profile.
    differences : tuple of str
        Differences from the profile that no requirement covers.
    """

    train: PulseTrain
    silences: list[Silence]
    steady_states: list[SteadyState]
    pulse_faults: list[PulseFault] = field(default_factory=list)
    verdicts: tuple[Verdict, ...] = ()
    differences: tuple[str, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """Exit code of the command; 0 without a profile, because nothing is judged."""
        code = exit_code(self.verdicts) if self.verdicts else ExitCode.MET
        return ExitCode.UNDECIDED if code is ExitCode.MET and self.differences else code

    @property
    def others(self) -> str:
        """Requirements that no capture shows, counted."""
        return others(verdict.requirement.id for verdict in self.verdicts)

    @property
    def conclusion(self) -> str:
        """What the capture shows, and what it does not, in plain sentences."""
        count = len(self.train.glitches_ps)
        glitches = f" {counted(count, 'glitch')} left out." if count else ""
        if not self.verdicts:
            channels = counted(self.train.channels, "channel")
            frames = counted(int(self.train.frames.whole.sum()), "whole frame")
            return f"This is a pulse train of {channels}, {frames}; without a profile nothing is judged.{glitches}"
        differs = f" But {'; '.join(self.differences)}." if self.differences else ""
        found = failure(self.verdicts, "This pulse train") or self._without_failure()
        return f"{found}{differs}{glitches} Not tested by a capture: {self.others}."

    def _without_failure(self) -> str:
        met = len(by_severity(self.verdicts, Outcome.MET))
        untested = by_severity(self.verdicts, Outcome.NOT_TESTED)
        if inconclusive := by_severity(self.verdicts, Outcome.INCONCLUSIVE):
            texts = [f"{_ids(inconclusive)} inconclusive"]
            texts += [f"{_ids(untested)} not tested"] if untested else []
            return f"No requirement failed, but {' and '.join(texts)}: {met} of {len(self.verdicts)} are met."
        if not met:
            return "Nothing is proven: no requirement was tested." if untested else ALL_WAIVED
        meets = f"This pulse train meets the {counted(met, 'requirement')} that it shows"
        if untested:
            return f"{meets}, but {_ids(untested)} not tested: {untested[0].reason}."
        return f"{meets}; its failsafe puts the throttle to idle." if self.failsafes else f"{meets}."

    @property
    def failsafes(self) -> list[SteadyState]:
        """Steady states at failsafe values that began with a jump, or with all values but one."""
        return [steady for steady in self.steady_states if _is_failsafe(steady)]


def _ids(verdicts: Sequence[Verdict]) -> str:
    """Return the ids of verdicts with the verb."""
    names = ", ".join(verdict.requirement.id for verdict in verdicts)
    return f"{names} {'is' if len(verdicts) == 1 else 'are'}"


def _is_failsafe(steady: SteadyState) -> bool:
    return steady.kind is SteadyKind.ALL_BUT_ONE or (steady.kind is SteadyKind.PRESET and steady.onset is Onset.JUMP)


def findings(train: PulseTrain, profile: Profile | None) -> Findings:
    """Return what a train shows, with verdicts where there is a profile."""
    presets = None if profile is not None and profile.receiver.pulses_cease else profile
    found = Findings(train, silences(train), steady_states(train, presets), pulse_faults(train))
    if profile is None:
        return found
    waived = profile.requirements.waived
    verdicts = tuple(verdict.waived_by(waived) for judge in _JUDGES for verdict in judge(found, profile))
    return replace(found, verdicts=verdicts, differences=tuple(_differences(train, profile)))


def _differences(train: PulseTrain, profile: Profile) -> Iterator[str]:
    output = profile.output
    if train.polarity is not None and train.polarity != output.polarity:
        yield f"the polarity is {train.polarity}, the profile says {output.polarity}"
    if train.style is not None and train.style != output.style:
        yield f"the frames have a {train.style}, the profile says {output.style}"


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
    """Return the guard-banded verdict on a measurement; `doubt` turns "met" into "inconclusive"."""
    limit = Limit(at_most=at_most, at_least=at_least, unit=measurement.unit)
    outcome = limit.decide(measurement)
    reason = "" if outcome is not Outcome.INCONCLUSIVE else "the limit is inside the uncertainty"
    if doubt and outcome is not Outcome.NOT_MET:
        outcome, reason = Outcome.INCONCLUSIVE, doubt
    return Verdict(
        requirement=CATALOGUE[requirement_id], outcome=outcome, measured=f"{measurement.name}: {measurement}",
        limit=str(limit), runs=1, checks=checks, reason=reason, how_seen=measurement.how_seen.value,
    )  # fmt: skip


def _unjudged(requirement_id: str, outcome: Outcome, reason: str) -> Verdict:
    return Verdict(requirement=CATALOGUE[requirement_id], outcome=outcome, runs=1, reason=reason)


def _undecided(requirement_id: str, reason: str) -> Verdict:
    return replace(_unjudged(requirement_id, Outcome.INCONCLUSIVE, reason), how_seen=HowSeen.MEASURED.value)


def _time(train: PulseTrain, name: str, value_ps: float, stamps: int = 2) -> Measurement:
    """Return the extreme of many times, each calculated from `stamps` time stamps.

    Among many, one has nearly the largest possible error, so the uncertainty is the worst case.
    """
    uncertainty = train.resolution.worst_us * stamps / 2
    value_us = round(value_ps / PS_PER_US, 6)
    return Measurement(name=name, value=value_us, uncertainty=uncertainty, how_seen=HowSeen.MEASURED)


def _few(count: int, what: str) -> str:
    return f"only {count} {what}; at least {LEAST_FRAMES} are needed" if count < LEAST_FRAMES else ""


def _period(found: Findings, profile: Profile) -> Iterator[Verdict]:
    train = found.train
    limit_us = profile.requirements.frame_period_tolerance_us
    if profile.output.style == "fixed gap":
        times, wanted_us, name = train.gaps_ps, profile.output.frame_gap_us, "gap"
    else:
        times, wanted_us, name = train.periods_ps, profile.output.frame_period_us, "frame period"
    doubt = _few(len(times), "consecutive frames")
    if not len(times):
        yield _undecided("FR-PERIOD", doubt)
        return
    stops = sum(not (silence.at_begin or silence.at_end) and silence.recorded for silence in found.silences)
    if stops and not profile.receiver.pulses_cease:
        doubt = doubt or f"pulses stopped and resumed {counted(stops, 'time')}; they do not show why"
    results = [_time(train, f"error of the {name}", float(np.abs(times - wanted_us * PS_PER_US).max()))]
    if name == "frame period":
        results.append(_time(train, f"jitter of the {name}", float(np.ptp(times)), stamps=4))
    worst = max(results, key=lambda result: result.value + result.uncertainty)
    yield _verdict("FR-PERIOD", worst, at_most=limit_us, doubt=doubt, checks=len(times))


def _sync(found: Findings, profile: Profile) -> Iterator[Verdict]:
    train = found.train
    gaps, limit_us = train.sync_gaps_ps, profile.requirements.sync_at_least_us
    doubt = _few(len(gaps), "gaps")
    if not len(gaps):
        yield _undecided("FR-SYNC", doubt)
        return
    seen = _time(train, "shortest sync gap", float(gaps.min()))
    if not doubt and train.style != "fixed gap":
        left_ps = _gap_at_high_stops(train, profile)
        if left_ps < (limit_us + train.resolution.worst_us) * PS_PER_US:
            left = quantity(round(left_ps / PS_PER_US), "µs")
            doubt = f"not all sticks were at their high stops, where the gap would be {left}"
    yield _verdict("FR-SYNC", seen, at_least=limit_us, doubt=doubt, checks=len(gaps))


def _gap_at_high_stops(train: PulseTrain, profile: Profile) -> int:
    """Return the gap of the shortest period with every channel of the profile at its high end."""
    if not len(train.periods_ps):
        return 0
    highest_ps, own = train.widths_ps.max(0), len(profile.channels)
    highest_ps[:own] = np.maximum(highest_ps[:own], profile.receiver.high_us * PS_PER_US)
    return int(train.periods_ps.min() - highest_ps.sum())


def _separator(found: Findings, profile: Profile) -> Iterator[Verdict]:
    train = found.train
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


def _count(found: Findings, profile: Profile) -> Iterator[Verdict]:
    train = found.train
    is_short = cut_short(train) & (train.frames.count > 0)
    whole = train.frames.whole & ~cut_short(train)
    wrong = int((train.frames.count[whole] != profile.output.channels).sum())
    doubt = _few(int(whole.sum()), "whole frames")
    if (is_short[1:] & is_short[:-1]).any():
        doubt = doubt or "frames in a row are cut short; they may have a wrong channel count"
    if glitches := len(train.glitches_ps):
        doubt = doubt or f"{counted(glitches, 'glitch')} left out; without a filter they add channels"
    measurement = Measurement(name="frames with wrong channel count", value=wrong, unit="", how_seen=HowSeen.MEASURED)
    made = _verdict("FR-COUNT", measurement, at_most=0, doubt=doubt, checks=int(whole.sum()))
    named = [str(fault) for fault in found.pulse_faults]
    if made.outcome is Outcome.NOT_MET and named:
        more = [f"and {len(named) - _MOST_NAMED} more"] if len(named) > _MOST_NAMED else []
        made = replace(made, reason="; ".join([*named[:_MOST_NAMED], *more]))
    yield made


def _failsafe(found: Findings, profile: Profile) -> Iterator[Verdict]:
    """Judge the values of the failsafes; without a failsafe, or where the pulses cease in it, nothing is tested."""
    train, seen = found.train, found.failsafes
    other = any(steady.kind is SteadyKind.OTHER for steady in found.steady_states)
    doubt = "the channels also jumped together to other values; if that was link loss, its values are wrong"
    if not seen:
        why = "no failsafe is shown, so whether link loss cuts the throttle stays open"
        if any(steady.kind is SteadyKind.PRESET for steady in found.steady_states):
            why = "the channels did not jump to the failsafe values together, and sticks at rest there look the same"
        if profile.receiver.pulses_cease:
            why = "the failsafe of this link has no pulses, and a capture does not show why pulses stop"
        if other:
            elsewhere = "the channels jumped together, but not to the failsafe values; pulses do not show why"
            yield _undecided("FS-VALUE", elsewhere)
        else:
            yield _unjudged("FS-VALUE", Outcome.NOT_TESTED, why)
        yield _unjudged("FS-PRESET", Outcome.NOT_TESTED, why)
        return
    spans = [judged_rows(train, profile, steady) for steady in seen]
    rows = np.unique(np.concatenate([span.rows for span in spans]))
    doubt = doubt if other else next((span.doubt for span in spans if span.doubt), "")
    if profile.throttle_index < train.channels:
        widest_ps = float(train.widths_ps[rows, profile.throttle_index].max())
        yield _verdict(
            "FS-VALUE",
            _time(train, "widest throttle pulse in failsafe", widest_ps),
            at_most=profile.requirements.idle_below_us,
            doubt=doubt,
            checks=len(rows),
        )
    else:
        yield _unjudged("FS-VALUE", Outcome.NOT_TESTED, "the pulse train has no throttle channel")
    yield _preset(train, profile, spans, doubt)


def _preset(train: PulseTrain, profile: Profile, spans: Sequence[FailsafeRows], doubt: str) -> Verdict:
    """Judge the failsafe values.

    A channel that is a little off may have the value of its stick: where it did not change when the failsafe began,
    and where it was right at first.
    """
    wanted = failsafe_ps(train, profile)
    worst = np.zeros(len(wanted))
    for span in spans:
        off = np.abs(train.widths_ps[span.rows, : len(wanted)] - wanted)
        early, late = off[:HEAD].max(0), off.max(0)
        is_off = (late > profile.requirements.value_tolerance_us * PS_PER_US) & (late < LATE_PS)
        for is_stick, what in ((is_off & ~span.changed, "did not change when the failsafe began"),
                               (is_off & (late > early), "left its failsafe value later")):  # fmt: skip
            if is_stick.any():
                name = profile.channels[int(np.argmax(is_stick))].name
                doubt = doubt or f"{name} {what}, so its value may be that of its stick"
        shown = np.where(is_off & ~span.changed, 0, np.where(is_off, early, late))
        worst = np.maximum(worst, shown)
    channel = int(np.argmax(worst))
    return _verdict(
        "FS-PRESET",
        _time(train, f"error of {profile.channels[channel].name} in failsafe", float(worst[channel])),
        at_most=profile.requirements.value_tolerance_us,
        doubt=doubt,
        checks=sum(len(span.rows) for span in spans) * len(wanted),
    )


_JUDGES: Final[tuple[Callable[[Findings, Profile], Iterator[Verdict]], ...]] = (
    _failsafe, _period, _sync, _separator, _count,
)  # fmt: skip
