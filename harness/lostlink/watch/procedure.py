"""The failsafe test with an operator at the handset: move a stick, switch off, wait for the failsafe.

::

    wait for movement ──► "switch off" ──► frozen? ──► jump? ──► stays? ──► attempt
          │ never            │ never         │ never
          ▼                  ▼               ▼
       not moved         not frozen        held

The analysis is in `freeze` and `judging`. This module only times the instructions and ends an attempt.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

from lostlink.errors import ProfileError, RigError, UsageError
from lostlink.watch.columns import BITS_PER_BYTE, ValueKind
from lostlink.watch.freeze import LONGEST_PAUSE_US, FreezeAnalysis, FreezeState, ThrottleColumn, analyse, moving
from lostlink.watch.judging import Attempt, AttemptResult, classify, sentence
from lostlink.watch.listener import Listener
from lostlink.watch.table import RowTable
from lostlink.watch.units import Scale, scale_for
from lostlink_sims import Profile

_TURN_NS = 250_000_000
_LONGEST_STAYS = 3
"""Longest time that a changing failsafe is watched, as a multiple of `WaitTimes.stay_us`."""
Tell = Callable[[str], None]

MOVE = """\
Set the throttle to about half and leave it there.
Move the other stick in circles without a pause until the handset is off."""
SWITCH_OFF = "NOW switch the handset off while the stick is moving, and leave it off."
AGAIN = "Switch the handset on again."
_ANNOUNCEMENTS = {
    FreezeState.MOVING: "The values are changing again.",
    FreezeState.HELD: "The values are frozen. Leave the handset off.",
    FreezeState.CHANGED: "The values changed after the freeze. Leave the handset off.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitTimes:
    """Times of an attempt, in microseconds.

    Attributes
    ----------
    first_line_us : int
        Longest wait for the first line of columns.
    movement_us : int
        Time for which a stick must move.
    movement_wait_us, off_wait_us : int
        Longest wait for the operator to move a stick, and to switch off.
    hold_us : int
        Longest wait for the failsafe after the freeze.
    stay_us : int
        Time for which the failsafe is watched.
    """

    first_line_us: int = 10_000_000
    movement_us: int = 2_000_000
    movement_wait_us: int = 60_000_000
    off_wait_us: int = 60_000_000
    hold_us: int = 10_000_000
    stay_us: int = 3_000_000


def wait_times_for(profile: Profile | None) -> WaitTimes:
    """Return times that extend well beyond the profile's limit."""
    limit_us = 0 if profile is None else profile.requirements.cut_within_us
    return WaitTimes(hold_us=max(WaitTimes().hold_us, 2 * limit_us))


@dataclass(frozen=True, slots=True)
class _View:
    """The rows of an attempt, with the scale of their values and the throttle's column."""

    table: RowTable
    scale: Scale
    throttle: ThrottleColumn | None

    @property
    def spans(self) -> list[float]:
        return [float(self.scale.span)] * self.table.values.shape[1]


class FailsafeTest:
    """Runs attempts.

    Parameters
    ----------
    listener : Listener
        Must keep its rows.
    profile : Profile, optional
    tell : callable
        Shows a text to the operator.
    times : WaitTimes, optional

    Attributes
    ----------
    attempts : list of Attempt
        Completed attempts.
    """

    def __init__(self, listener: Listener, profile: Profile | None, tell: Tell, times: WaitTimes | None = None) -> None:
        self.attempts: list[Attempt] = []
        self.listener = listener
        self._profile = profile
        self._tell = tell
        self._times = times or wait_times_for(profile)

    def run(self, repeats: int = 1) -> None:
        """Run `repeats` attempts, or fewer when the operator moves no stick.

        Raises
        ------
        lostlink.errors.RigError
            If the connection to the port is lost, or no lines arrive.
        lostlink.errors.ProfileError
            If the board prints no throttle.
        """
        self._wait_for_lines()
        for number in range(1, repeats + 1):
            if number > 1:
                self._tell(AGAIN)
            if repeats > 1:
                self._tell(f"Attempt {number} of {repeats}.")
            attempt = self._attempt()
            self.attempts.append(attempt)
            if repeats > 1:
                self._tell(sentence(attempt))
            if attempt.result is AttemptResult.NOT_MOVED:
                break

    def _now_us(self) -> int:
        return (self.listener.now_ns() - self.listener.started_ns) // 1000

    def _view(self, since_us: int) -> _View:
        """Return the rows since an instant."""
        listener = self.listener
        layout = listener.layout
        assert layout is not None
        since_ns = listener.started_ns + since_us * 1000
        first = bisect_left(listener.rows, since_ns, key=lambda row: row.at_ns)
        if layout.kind is ValueKind.SIGNED:
            raise UsageError(
                f"{self.listener.source.port}: prints {layout.kind.value}, whose pulse widths are not known; for a "
                "failsafe test let the board print codes 0..255, ADC counts or pulse widths"
            )
        scale = scale_for(layout.kind, self._profile)
        table = RowTable.of(listener.rows[first:], layout, listener.started_ns)
        return _View(table, scale, self._throttle(len(layout.channels), scale))

    def _throttle(self, printed: int, scale: Scale) -> ThrottleColumn | None:
        if self._profile is None:
            return None
        index = self._profile.throttle_index
        if index >= printed:
            raise ProfileError(
                f"{self.listener.source.port}: prints {printed} channels, but the throttle of the profile is channel "
                f"{index + 1}; give a profile with the channels that the board prints, in the same order"
            )
        return ThrottleColumn(index, scale.largest_up_to(self._profile.requirements.idle_below_us))

    def _wait_for_lines(self) -> None:
        until_ns = self.listener.started_ns + self._times.first_line_us * 1000
        while self.listener.layout is None:
            if self.listener.now_ns() >= until_ns:
                problem = self.listener.problem() or "no columns of numbers arrive"
                raise RigError(f"{self.listener.source.port}: {problem}")
            self.listener.listen(until_ns)

    def _attempt(self) -> Attempt:
        self._tell(MOVE)
        cue_us = self._wait_for_movement()
        if cue_us is None:
            return Attempt(result=AttemptResult.NOT_MOVED)
        self._tell(SWITCH_OFF)
        state = FreezeState.MOVING
        while True:
            self.listener.listen_until(self.listener.now_ns() + _TURN_NS)
            view = self._view(cue_us - self._times.movement_us)
            analysis = self._analyse(view, cue_us)
            if analysis is None:
                return Attempt(result=AttemptResult.NOT_MOVED, told_us=cue_us)
            if analysis.state is not state:
                state = analysis.state
                self._tell(_ANNOUNCEMENTS[state])
            if self._is_over(analysis, cue_us):
                return self._result(analysis, view, cue_us)

    def _wait_for_movement(self) -> int | None:
        """Return the instant at which a stick has moved long enough; None on timeout.

        A handset that is switched on jumps from the failsafe to its sticks, up to a pause after the begin of the
        movement. That jump must not be among the steps of the stick, so the movement is a pause longer.
        """
        times, begin_us = self._times, self._now_us()
        while (now_us := self._now_us()) < begin_us + times.movement_wait_us:
            since_us = now_us - times.movement_us - LONGEST_PAUSE_US
            if since_us >= begin_us:
                view = self._view(since_us)
                if moving(view.table, view.spans, since_us, now_us):
                    return now_us
            self.listener.listen_until(self.listener.now_ns() + _TURN_NS)
        return None

    def _analyse(self, view: _View, cue_us: int) -> FreezeAnalysis | None:
        movement = moving(view.table, view.spans, cue_us - self._times.movement_us, cue_us)
        if movement is None:
            return None  # the moving column was a clock
        listener = self.listener
        line_us = (listener.columns.counts.longest_line + 1) * BITS_PER_BYTE * 1_000_000 // listener.source.baud
        return analyse(view.table, movement, view.spans, self._now_us(), throttle=view.throttle, line_us=line_us)

    def _is_over(self, analysis: FreezeAnalysis, cue_us: int) -> bool:
        """Return whether the attempt is complete."""
        times, now_us = self._times, self._now_us()
        if analysis.state is FreezeState.MOVING:
            return now_us - cue_us >= times.off_wait_us
        waited = now_us - analysis.frozen_us >= times.hold_us + analysis.budget.off_within_us
        if analysis.state is FreezeState.HELD:
            return waited
        watched = now_us - analysis.last_us >= times.stay_us
        if analysis.throttle is not None and analysis.throttle.was_up and analysis.throttle.cut is None:
            return waited and watched
        return watched or now_us - analysis.frozen_us >= times.hold_us + _LONGEST_STAYS * times.stay_us

    def _result(self, analysis: FreezeAnalysis, view: _View, told_us: int) -> Attempt:
        width_us, throttle = view.scale.width_us, analysis.throttle
        highest = None if throttle is None else throttle.highest_after_cut
        until_us = analysis.last_row_us if analysis.silent else self._now_us()
        return Attempt(
            result=classify(analysis),
            analysis=analysis,
            told_us=told_us,
            watched_us=max(0, until_us - analysis.frozen_us - analysis.budget.off_within_us),
            highest_us=None if highest is None else width_us(highest),
            last_us=None if throttle is None else width_us(throttle.last),
        )
