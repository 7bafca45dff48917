"""A handset's run: what its controls showed, when its program ran, and where a state of its packets is certain.

Everything follows from scenario and packets, for a handset's program under test. A *life* of the program is the time
from a power-on or reset to the next. Where a sound program may do this or that, nothing is judged: while it is hung and
right after, while it may wait for a low throttle, while a wire is broken, while contacts may have to rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.measure import limits, packets
from lostlink_sims import Trace
from lostlink_sims.clock import FAR_US
from lostlink_sims.handset import dead_spans, hang_spans, on_times, reset_times, silent_spans, spans_of
from lostlink_sims.handset_program import idle_codes, idle_rail, tells_break
from lostlink_sims.scenario import HandsetHung, HandsetRadioBusy, InterferenceBurst, LinkCut, StickWireBroken
from lostlink_sims.sticks import codes

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Span = tuple[int, int]

SAMPLE_US: Final = 5_000
"""The throttle's position is looked at so often, and at each end of a movement."""
_MOST_SAMPLES: Final = 50_000


@dataclass(frozen=True, slots=True)
class Life:
    """From a power-on or reset of the handset to the next.

    Attributes
    ----------
    awake_us : int
        When its program may read the controls for the first time.
    is_reset : bool
        Whether a reset began it, not the supply.
    waits : bool
        Whether it must wait for a low throttle, by the profile.
    """

    start_us: int
    awake_us: int
    end_us: int
    is_reset: bool
    waits: bool


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a link for its handset, in µs; see `lostlink.measure.limits`."""

    interval_us: int
    settle_us: int
    age_us: int
    fresh_us: int
    pause_us: int
    stand_us: int


class HandsetFacts:
    """Packets, lives and spans of a run, each computed once on first use.

    Attributes
    ----------
    trace, profile
    limits : Limits
    end_us : int
        Of the run, or of the program that crashed.
    left_us : (n,) ndarray of int64
        When each packet left.
    sent : (n, channels) ndarray of int64
        The codes in it.
    wrong : (n,) ndarray of bool
        Whether it has a wrong length, link id or check byte.
    hung, frozen, busy, dead : list of (int, int)
        While the main loop, or the handset as a whole, hangs, while the radio takes nothing, and, of this time, from
        when it is dead until it may have been set up again.
    deaf_us : int
        From when packets that should be answered may not be; `FAR_US` for never.
    lives : list of Life
    """

    def __init__(self, trace: Trace) -> None:
        self.trace, self.profile = trace, trace.profile
        scenario, handset = trace.scenario, trace.profile.handset
        of_link = (
            limits.interval_us, limits.settle_us, limits.age_us, limits.fresh_us, limits.pause_us, limits.stand_us,
        )  # fmt: skip
        self.limits = Limits(*(limit_us(trace.profile) + trace.uncertainty_us for limit_us in of_link))
        self.end_us = scenario.duration_us if trace.crash_us is None else trace.crash_us
        self.left_us = trace.packets.left_us
        self.sent = packets.sent_codes(trace)
        self.wrong = packets.is_wrong(trace)
        self.hung = silent_spans(scenario, handset.watchdog_us)
        self.frozen = hang_spans(HandsetHung, scenario)
        self.dead = [self._until_sent(*span) for span in dead_spans(scenario)]
        self.busy = [*spans_of(HandsetRadioBusy, scenario), *self.dead]
        losses = [fault for fault in scenario.faults if isinstance(fault, LinkCut | InterferenceBurst)]
        self.deaf_us = min((fault.at_us for fault in losses if trace.profile.radio.acknowledge), default=FAR_US)
        self.throttle = trace.profile.throttle_index
        self.idle_code = max(idle_codes(trace.profile))
        self.lives = self._lives()
        self._looked_at: dict[Span, tuple[Ints, Mask, Mask]] = {}

    def _until_sent(self, dead_us: int, ends_us: int) -> Span:
        """Return from when a radio is dead until the first packet after that, or as long as a program may take."""
        following = int(np.searchsorted(self.left_us, ends_us))
        back_us = int(self.left_us[following]) if following < len(self.left_us) else self.end_us
        return dead_us, min(back_us, ends_us + limits.RADIO_BACK_US)

    def _lives(self) -> list[Life]:
        scenario, handset = self.trace.scenario, self.profile.handset
        resets = set(reset_times(scenario, handset.watchdog_us))
        lives = []
        for start_us, end_us in on_times(scenario, handset.watchdog_us):
            awake_us = start_us + handset.boot_us
            for from_us, until_us in sorted([*self.hung, *self.frozen]):
                if from_us <= awake_us < until_us:
                    awake_us = until_us
            is_reset = start_us in resets
            rule = handset.after_reset if is_reset else handset.at_power_on
            waits = rule == "waits for low throttle"
            lives.append(Life(start_us, awake_us, min(end_us, self.end_us), is_reset, waits))
        return [life for life in lives if life.start_us < self.end_us]

    def life_at(self, at_us: int) -> Life | None:
        """Return the life that an instant is in; None while the handset is off."""
        return next((life for life in self.lives if life.start_us <= at_us < life.end_us), None)

    # --- spans ----------------------------------------------------------------------------------------------

    def extended(self, spans: list[Span], by_us: int) -> list[Span]:
        """Return spans that last longer: what a program kept over them is sent for some time, but not over a reset.

        A program that is reset in a span and not yet through it has kept something too.
        """
        longer = []
        for from_us, until_us in spans:
            new_us = next((life.start_us for life in self.lives if life.start_us >= until_us), self.end_us)
            longer.append((from_us, min(until_us + by_us, max(until_us, new_us))))
        return longer

    def packets_in(self, spans: list[Span]) -> Mask:
        """Return which packets left in one of some spans."""
        inside = np.zeros(len(self.left_us), np.bool_)
        for from_us, until_us in spans:
            inside[slice(*np.searchsorted(self.left_us, (from_us, until_us)))] = True
        return inside

    def broken(self, channel: str) -> list[StickWireBroken]:
        """Return the breaks of a stick's wire, the first first."""
        faults = [fault for fault in self.trace.scenario.faults if isinstance(fault, StickWireBroken)]
        return sorted((fault for fault in faults if fault.channel == channel), key=lambda fault: fault.at_us)

    @cached_property
    def others_broken(self) -> list[Span]:
        """When the wire of another stick than the throttle's is broken."""
        throttle = self.profile.channels[self.throttle].name
        return [
            (fault.at_us, fault.until_us(self.trace.scenario.duration_us))
            for fault in self.trace.scenario.faults
            if isinstance(fault, StickWireBroken) and fault.channel != throttle
        ]

    @cached_property
    def throttle_breaks(self) -> list[tuple[int, int, bool]]:
        """When the throttle's wire is broken, and whether its reading must give no more throttle."""
        channel = self.profile.channels[self.throttle]
        return [
            (fault.at_us, fault.until_us(self.trace.scenario.duration_us),
             tells_break(channel, fault.rail) or fault.rail == idle_rail(channel))
            for fault in self.broken(channel.name)
        ]  # fmt: skip

    # --- what the controls showed ---------------------------------------------------------------------------

    @cached_property
    def shown(self) -> tuple[Ints, Ints]:
        """The least and the greatest code of each control that a packet may hold, (n, channels)."""
        return packets.codes_shown(self.trace, self.left_us, self.limits.age_us, self.limits.settle_us)

    def _lows(self, from_us: int, until_us: int) -> tuple[Ints, Mask, Mask]:
        """Return instants, whether a program may take the throttle for low then, and whether every program does."""
        if (from_us, until_us) not in self._looked_at:
            self._looked_at[from_us, until_us] = self._look(from_us, until_us)
        return self._looked_at[from_us, until_us]

    def _look(self, from_us: int, until_us: int) -> tuple[Ints, Mask, Mask]:
        step_us = max(SAMPLE_US, (until_us - from_us) // _MOST_SAMPLES)
        moves = [
            move for move in self.trace.scenario.moves if move.channel == self.profile.channels[self.throttle].name
        ]
        bends_us = [at_us for move in moves for at_us in (move.at_us, move.at_us + move.ramp_us)]
        ends_us = [at_us for at_us in bends_us if from_us <= at_us < until_us]
        at_us = np.unique(np.concatenate([np.arange(from_us, until_us, step_us), np.array(ends_us, np.int64)]))
        noise = self.profile.handset.adc_noise_counts if self.trace.scenario.ambient else 0
        shown = packets.expected_code(self.trace, self.throttle, at_us)
        stop = codes(self.profile, np.zeros((1, len(self.profile.channels)), np.int64))[0, self.throttle]
        maybe = shown <= self.idle_code + limits.ABOVE_IDLE_CODES - 1 + noise
        surely = shown == stop  # which other codes are low is the program's choice
        channel = self.profile.channels[self.throttle]
        for fault in self.broken(channel.name):
            broken = (at_us >= fault.at_us) & (at_us < fault.until_us(self.trace.scenario.duration_us))
            maybe[broken] = surely[broken] = not tells_break(channel, fault.rail) and fault.rail == idle_rail(channel)
        return at_us, maybe, surely

    def low_us(self, from_us: int, until_us: int) -> int:
        """Return from when a program may have seen a low throttle; `until_us` if it cannot."""
        at_us, low, _ = self._lows(from_us, until_us)
        first = int(np.argmax(low)) if low.any() else len(low)
        return until_us if first == len(low) else int(at_us[max(first - 1, 0)])

    def surely_low_us(self, from_us: int, until_us: int) -> int:
        """Return when every program has seen the throttle low for long enough, and sends it; `until_us` if never."""
        at_us, _, low = self._lows(from_us, until_us)
        since = np.maximum.accumulate(np.where(low, -1, np.arange(len(low))))  # the last that was not low
        begun_us = at_us[np.minimum(since + 1, len(at_us) - 1)]
        enough = np.flatnonzero(low & (at_us - begun_us >= limits.LOW_US))
        return min(until_us, int(at_us[enough[0]]) + self.limits.settle_us) if len(enough) else until_us

    def followed_us(self, from_us: int, until_us: int) -> int:
        """Return from when the throttle must be sent: it was surely low, or is sent above idle."""
        first, last = np.searchsorted(self.left_us, (from_us, until_us))
        above = np.flatnonzero(self.sent[first:last, self.throttle] > self.idle_code + limits.MOST_CODE_ERROR)
        above_us = int(self.left_us[first + above[0]]) if len(above) else until_us
        return min(above_us, self.surely_low_us(from_us, until_us))

    @cached_property
    def waits(self) -> list[tuple[Life, int]]:
        """The lives that must wait for a low throttle, and from when each may have seen it."""
        return [
            (life, self.low_us(life.awake_us, life.end_us) if life.awake_us < life.end_us else life.end_us)
            for life in self.lives if life.waits
        ]  # fmt: skip

    @cached_property
    def reluctant(self) -> list[Span]:
        """Spans in which a sound program may send less throttle than its stick shows."""
        spans = [
            (life.start_us, self.followed_us(min(max(low_us, life.awake_us), life.end_us), life.end_us))
            for life, low_us in self.waits
        ]  # fmt: skip
        for from_us, until_us, _ in self.throttle_breaks:
            whole_us = min(until_us + self.limits.settle_us, self.end_us)
            life = self.life_at(whole_us)
            spans.append((from_us, whole_us if life is None else self.followed_us(whole_us, life.end_us)))
        return spans
