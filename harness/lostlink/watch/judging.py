"""From the analysis of the rows to attempts, verdicts and sentences. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Final

from lostlink.errors import ExitCode
from lostlink.requirements import CATALOGUE
from lostlink.results import ALL_WAIVED, exit_code, failure
from lostlink.verdicts import Limit, Measurement, Outcome, Verdict, counted, quantity
from lostlink.watch.freeze import FreezeAnalysis, FreezeState, TimeInterval
from lostlink_sims import HowSeen, Profile

_WORST_FIRST = (Outcome.NOT_MET, Outcome.INCONCLUSIVE, Outcome.NOT_TESTED, Outcome.MET)
_IDS = ("FS-OFF", "FS-VALUE", "FS-STAY")
_HAND_US = 25_000
"""Time in which a hand can take the throttle from half to idle; some 50 ms by common practice, no source."""
CONDITIONS: Final = (
    "The lower end holds if the stick moved until the handset was off and at most one more packet in a row was lost "
    "right before than in the seconds before; otherwise the true time is shorter. The upper end holds if the board "
    "prints the values of the last packet; a board that smooths them takes longer than shown."
)
"""Conditions of the worst case of a hold time."""


class AttemptResult(Enum):
    """How an attempt ended."""

    CAME = "the failsafe came"
    NOT_IDLE = "other values came, but the throttle did not go to idle"
    HELD = "the last values were held"
    CEASED = "the board stopped printing"
    NOT_FROZEN = "the values did not freeze"
    NOT_MOVED = "no stick was kept moving"
    THROTTLE_LOW = "the throttle was already at idle"
    AT_ONCE = "other values came at once, without a freeze"
    BY_STEPS = "the throttle went down step by step"
    BY_HAND = "only the throttle went down"
    PAUSED = "the stick paused"


_SHOWS_NOTHING = frozenset(AttemptResult) - {AttemptResult.CAME, AttemptResult.NOT_IDLE, AttemptResult.HELD}


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One switching off of the handset.

    Attributes
    ----------
    result : AttemptResult
    analysis : FreezeAnalysis or None
        None if no stick was moved.
    told_us : int or None
        When the operator was told to switch off.
    watched_us : int
        Time for which the rows were watched after the freeze.
    highest_us, last_us : float or None
        Pulse widths of the throttle: highest after the cut, and at the end.
    """

    result: AttemptResult
    analysis: FreezeAnalysis | None = None
    told_us: int | None = None
    watched_us: int = 0
    highest_us: float | None = None
    last_us: float | None = None

    @property
    def hold(self) -> TimeInterval | None:
        """Time from switching off to the failsafe: of the throttle where it is known, else of all channels."""
        analysis = self.analysis
        if analysis is None or self.result not in (AttemptResult.CAME, AttemptResult.AT_ONCE):
            return None
        cut = None if analysis.throttle is None else analysis.throttle.cut
        return analysis.hold if cut is None else cut


def classify(analysis: FreezeAnalysis) -> AttemptResult:
    """Return how an attempt ended."""
    if analysis.state is FreezeState.MOVING:
        return AttemptResult.NOT_FROZEN
    throttle = analysis.throttle
    if throttle is not None and not throttle.was_up:
        return AttemptResult.THROTTLE_LOW
    if analysis.state is FreezeState.HELD:
        return AttemptResult.CEASED if analysis.silent else AttemptResult.HELD
    if throttle is not None and throttle.steps > 1:
        return AttemptResult.BY_STEPS
    if throttle is not None and throttle.alone_us > _HAND_US:
        return AttemptResult.BY_HAND
    if analysis.stick_steps > 1 or not analysis.jumped:
        return AttemptResult.PAUSED
    if throttle is not None and throttle.cut is None:
        return AttemptResult.NOT_IDLE
    return AttemptResult.AT_ONCE if analysis.at_once else AttemptResult.CAME


def pulse_lag_us(profile: Profile) -> int:
    """Return the longest time in microseconds from a new throttle value to the end of its first pulse."""
    output = profile.output
    before_us = sum(channel.failsafe_us for channel in profile.channels[: profile.throttle_index + 1])
    if output.style == "fixed period":
        return output.frame_period_us + before_us
    return output.frame_gap_us + output.channels * profile.receiver.high_us + before_us


def text_of(interval: TimeInterval) -> str:
    """Return a time with its uncertainty in whole milliseconds, which includes the rounding."""
    middle_ms, half_ms = _whole_ms(interval)
    return f"{middle_ms} ms ± {half_ms} ms"


def _whole_ms(interval: TimeInterval) -> tuple[int, int]:
    """Return middle and half-width in whole milliseconds that cover the interval."""
    middle_ms = round(interval.middle_us / 1000)
    return middle_ms, math.ceil(max(interval.high_us / 1000 - middle_ms, middle_ms - interval.low_us / 1000))


def _ms(time_us: int) -> str:
    return f"{time_us / 1000:.1f} ms"


_SENTENCES: Final = {
    AttemptResult.CAME: "The failsafe came {hold} after the handset was switched off.",
    AttemptResult.NOT_IDLE: "Other values came, but the throttle did not go to idle within the {watched} watched.",
    AttemptResult.HELD: "The receiver held its last values and did not cut the throttle in the {watched} watched.",
    AttemptResult.CEASED:
        "The board stopped printing {stopped}, without failsafe values. The test cannot see its outputs after that.",
    AttemptResult.NOT_FROZEN:
        "The values did not freeze: the handset was not switched off, or another source changes them.",
    AttemptResult.NOT_MOVED: "No stick was kept moving, so a freeze of the values could not be detected.",
    AttemptResult.THROTTLE_LOW:
        "The throttle was at idle when the values froze, so no cut could be seen. Raise it and repeat.",
    AttemptResult.AT_ONCE:
        "Other values came at once, without a visible freeze. Either the hold time is very short, or they are the "
        "handset's own last packet. Print more often to distinguish the two.",
    AttemptResult.PAUSED:
        "The stick moved a few small steps after a pause, so the time of switching off is not known. Repeat without a "
        "pause.",
    AttemptResult.BY_STEPS:
        "The throttle went down step by step after the stick had stopped. It was moved by hand, or the failsafe lowers "
        "it slowly. Repeat without moving the throttle.",
    AttemptResult.BY_HAND:
        "Only the throttle went to idle, between two lines {lines} apart, in which a hand can lower it too. Print at "
        "least every 25 ms to distinguish the two.",
}  # fmt: skip


def sentence(attempt: Attempt) -> str:
    """Return the result in one or two sentences for a pilot."""
    analysis, hold = attempt.analysis, attempt.hold
    after_us = 0 if analysis is None else analysis.last_row_us - analysis.frozen_us
    return _SENTENCES[attempt.result].format(
        hold=text_of(hold) if hold else "",
        watched=f"{attempt.watched_us / 1e6:.1f} s",
        lines=_ms(analysis.throttle.alone_us) if analysis is not None and analysis.throttle is not None else "",
        stopped=f"{_ms(after_us)} after the values froze" if after_us > 0 else "when the values froze",
    )


def how_known(attempt: Attempt) -> str:
    """Return the contributions to the uncertainty of the hold time, in words."""
    analysis = attempt.analysis
    if analysis is None or attempt.hold is None:
        return ""
    budget = analysis.budget
    return (
        f"Host times; the uncertainty is the worst-case sum of: a line every {_ms(budget.line_interval_us)}, "
        f"a change of the moving stick at least every {_ms(budget.change_interval_us)}, one more packet lost right "
        f"before switching off ({_ms(budget.lost_packet_us)}), port latency varying by up to {_ms(budget.jitter_us)}, "
        f"{_ms(budget.line_us)} for a line on the cable. {CONDITIONS}"
    )


def remarks(attempt: Attempt, names: Sequence[str]) -> list[str]:
    """Return further remarks for the reader."""
    analysis = attempt.analysis
    if analysis is None:
        return []
    texts = []
    changed = attempt.result in (AttemptResult.CAME, AttemptResult.NOT_IDLE)
    if changed and analysis.steps > 1:
        texts.append(f"The values came in {analysis.steps} steps.")
    if changed and analysis.silent:
        texts.append("After that the board stopped printing.")
    if analysis.restless:
        left = ", ".join(names[column] for column in analysis.restless)
        texts.append(f"Left out, because they continue to change without the handset: {left}.")
    if analysis.odd_lines:
        texts.append(f"Left out: {counted(analysis.odd_lines, 'isolated outlier line')}.")
    return texts


def moved(attempt: Attempt, names: Sequence[str]) -> str:
    """Return the values of all channels in the freeze and at the end."""
    analysis = attempt.analysis
    if analysis is None or analysis.before == analysis.after:
        return ""
    rows = zip(names, analysis.before, analysis.after, strict=True)
    return f"Values before and after: {', '.join(f'{name} {before:g} → {after:g}' for name, before, after in rows)}."


def judge(attempts: Sequence[Attempt], profile: Profile | None) -> list[Verdict]:
    """Return a verdict for each requirement that this test covers.

    Without a profile there is no limit: the hold time is reported without a verdict, and only held values fail.
    """
    verdicts = []
    for name in _IDS:
        results = [_verdict(name, attempt, profile) for attempt in attempts]
        _, worst = min(results, key=lambda result: (_WORST_FIRST.index(result[1].outcome), -result[0]))
        checks = sum(bool(verdict.measured) for _, verdict in results)
        verdicts.append(replace(worst, runs=len(attempts), checks=checks))
    waived = () if profile is None else profile.requirements.waived
    return [verdict.waived_by(waived) for verdict in verdicts]


def _verdict(name: str, attempt: Attempt, profile: Profile | None) -> tuple[float, Verdict]:
    """Return the measured value, for the choice of the worst attempt, and the verdict."""
    if attempt.result in _SHOWS_NOTHING:
        outcome = Outcome.INCONCLUSIVE if name == "FS-OFF" else Outcome.NOT_TESTED
        return 0.0, Verdict(requirement=CATALOGUE[name], outcome=outcome, reason=sentence(attempt))
    if name == "FS-OFF":
        return _off(attempt, profile)
    if profile is None:
        return _untested(name, "without a profile the throttle channel is not known")
    if attempt.result is AttemptResult.HELD:
        return _untested(name, "the failsafe never came")
    if name == "FS-VALUE":
        return _width(name, "throttle at the end", attempt.last_us, profile, "as the board prints it")
    if attempt.result is AttemptResult.NOT_IDLE:
        return _untested(name, "the throttle was never cut")
    if attempt.analysis is not None and attempt.analysis.silent:
        return _untested(name, "the board stopped printing after the cut")
    reason = "as the board prints it"
    if attempt.analysis is not None:
        watched_s = (attempt.analysis.last_row_us - attempt.analysis.frozen_us) / 1e6
        reason += f", in the {watched_s:.1f} s watched after the freeze"
    return _width(name, "highest throttle after the cut", attempt.highest_us, profile, reason)


def _untested(name: str, reason: str) -> tuple[float, Verdict]:
    return 0.0, Verdict(requirement=CATALOGUE[name], outcome=Outcome.NOT_TESTED, reason=reason)


def _judged(name: str, measurement: Measurement, at_most: float, reason: str) -> tuple[float, Verdict]:
    limit = Limit(at_most=at_most, unit=measurement.unit)
    return measurement.value, Verdict(
        requirement=CATALOGUE[name], outcome=limit.decide(measurement), measured=f"{measurement.name}: {measurement}",
        limit=str(limit), how_seen=measurement.how_seen.value, reason=reason,
    )  # fmt: skip


def _width(name: str, what: str, width_us: float | None, profile: Profile, reason: str) -> tuple[float, Verdict]:
    if width_us is None:
        return _untested(name, "no throttle value was seen")
    measurement = Measurement(name=what, value=width_us, how_seen=HowSeen.REPORTED)
    return _judged(name, measurement, profile.requirements.idle_below_us, reason)


def _off(attempt: Attempt, profile: Profile | None) -> tuple[float, Verdict]:
    """Judge the time to the cut; the limit is for pulses, which follow the printed values by up to a frame."""
    if attempt.result in (AttemptResult.HELD, AttemptResult.NOT_IDLE):
        never = Measurement(
            name="time to the cut", value=attempt.watched_us, how_seen=HowSeen.REPORTED, only_at_least=True
        )
        if profile is not None:
            return _judged("FS-OFF", never, profile.requirements.cut_within_us, sentence(attempt))
        return never.value, Verdict(
            requirement=CATALOGUE["FS-OFF"], outcome=Outcome.NOT_MET, measured=f"{never.name}: {never}",
            how_seen=never.how_seen.value, reason=sentence(attempt),
        )  # fmt: skip
    assert attempt.hold is not None
    if profile is None:
        return attempt.hold.middle_us, Verdict(
            requirement=CATALOGUE["FS-OFF"], outcome=Outcome.NOT_TESTED,
            measured=f"hold time: {text_of(attempt.hold)}", how_seen=HowSeen.REPORTED.value,
            reason="without a profile there is no limit; this is the hold time only",
        )  # fmt: skip
    lag_us = pulse_lag_us(profile)
    middle_ms, half_ms = _whole_ms(TimeInterval(attempt.hold.low_us, attempt.hold.high_us + lag_us))
    measurement = Measurement(
        name="time to the end of the first idle pulse", value=1000 * middle_ms, uncertainty=1000 * half_ms,
        how_seen=HowSeen.REPORTED,
    )  # fmt: skip
    reason = f"printed after {text_of(attempt.hold)}; the pulse may end up to {quantity(lag_us, 'µs')} later"
    return _judged("FS-OFF", measurement, profile.requirements.cut_within_us, reason)


def conclusion(attempts: Sequence[Attempt], verdicts: Sequence[Verdict], profile: Profile | None) -> str:
    """Return the outcome in one plain sentence."""
    if not attempts:
        return "Nothing was measured."
    if failed := failure(verdicts, "This link"):
        if profile is None:
            return "Do not fly this link: after the handset was switched off the last values were held."
        return failed
    if exit_code(verdicts) is ExitCode.MET:
        return "The throttle was cut in time and stayed at idle while watched."
    came = [attempt for attempt in attempts if attempt.result is AttemptResult.CAME]
    if profile is None and len(came) == len(attempts):
        longest = max((attempt.hold for attempt in came if attempt.hold), key=lambda hold: hold.high_us)
        return f"Hold time {text_of(longest)}. Without a profile there is no limit and no verdict."
    undecided = next((verdict for verdict in verdicts if verdict.outcome not in (Outcome.MET, Outcome.WAIVED)), None)
    if undecided is None:
        return ALL_WAIVED
    if undecided.measured:
        return f"Inconclusive: {undecided.measured}, limit {undecided.limit}."
    return f"Inconclusive. {undecided.reason[:1].upper()}{undecided.reason[1:]}".rstrip(".") + "."
