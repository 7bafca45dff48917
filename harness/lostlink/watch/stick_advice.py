"""Advice on the sticks of a handset that prints: trim, ends of the travel, wires. In words, for each stick.

Only printed numbers are known. So each sentence says what they did, and names all that does this: a stop at the end of
the track reads like a broken wire, a stick that is flicked like a loose one. What was not seen is said. No sentence
calls a wire sound.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lostlink.watch.column_stats import ColumnStats, TableStats
from lostlink.watch.columns import ColumnLayout, ValueKind
from lostlink.watch.stick_scale import StickScale
from lostlink.watch.stick_stats import CENTRAL, Rail, Rest, StickStats, StickTable
from lostlink.watch.units import names_of

TIMES: Final = 2
"""How often a stick must have come to an end, so that it may be its stop."""
_RESTLESS_BLOCKS = 2
_STAY_NS = 500_000_000
_BEYOND_ROWS = 3
_STILL, _SOME = 0.03, 0.3
"""Shares of the range: a stick that moved less did not move; what may be a switch must move more to be told."""
_NOISY_TIMES, _NOISY = 5, 0.025
_LOOK = "look at its three wires and their joints"


@dataclass(frozen=True, slots=True)
class Remark:
    """A sentence about a stick.

    Attributes
    ----------
    text : str
    is_open : bool
        Whether something was not seen, cannot be told, or looks like a fault.
    """

    text: str
    is_open: bool = True


@dataclass(frozen=True, slots=True)
class Stick:
    """One control that is a stick, or may be one.

    Attributes
    ----------
    name : str
    seen : StickStats
    column : ColumnStats
    """

    name: str
    seen: StickStats
    column: ColumnStats

    @property
    def scale(self) -> StickScale:
        """What its numbers mean."""
        return self.seen.scale

    @property
    def is_known(self) -> bool:
        """Whether it is a stick: by the profile, or because it moved slowly."""
        return self.scale.channel is not None or self.seen.is_stick

    @property
    def moved(self) -> bool:
        """Whether its numbers changed by more than noise; what may be a switch must change more to be told."""
        noise = 0.0 if self.seen.rest is None else self.seen.rest.peak_to_peak
        least = _STILL if self.is_known else _SOME
        return self.column.moved > max(least * self.scale.scale.span, 2 * noise)

    @property
    def most(self) -> str:
        """How far its numbers were apart, with their unit."""
        value, column = self.column.value, self.column  # the newest is not yet among the lowest and the highest
        return amount(max(column.highest, value) - min(column.lowest, value), self.scale.scale.unit)

    @property
    def rest(self) -> Rest | None:
        """The rest that is shown: the newest about the middle where a spring may centre it, or else the newest."""
        return (self.seen.central_rest if self.scale.is_sprung else None) or self.seen.rest

    @property
    def is_swept(self) -> bool:
        """Whether it came to both ends in slow movements, and to nothing beyond them."""
        low, high = self.seen.ends()
        if low is None or high is None or min(low.times, high.times) < TIMES:
            return False
        agree = self.seen.agree
        return self.column.lowest >= low.value - agree and self.column.highest <= high.value + agree


def sticks_of(layout: ColumnLayout, table: StickTable, stats: TableStats) -> list[Stick | None]:
    """Return the controls in the order of the channels; None for a switch of the profile."""
    profile, found = table.profile, list[Stick | None]()
    for index, (name, column) in enumerate(zip(names_of(layout, profile), layout.channels, strict=True)):
        is_switch = profile is not None and index < len(profile.channels) and profile.channels[index].kind != "stick"
        found.append(None if is_switch else Stick(name, table.sticks[index], stats.columns[column]))
    return found


def amount(count: float, unit: str) -> str:
    """Return a number with its unit."""
    return f"{count:g} {unit[:-1] if count == 1 and unit.endswith('s') else unit}"


def noise(rest: Rest | None, scale: StickScale) -> tuple[str, str]:
    """Return the noise of a rest, peak to peak and as standard deviation; empty where a rail may hide it."""
    if rest is None or scale.rail(rest.lowest) or scale.rail(rest.highest):
        return "", ""
    if rest.peak_to_peak == 0:  # at most: half of the range in which all numbers are (inequality of Popoviciu)
        return "≤ 1", "≤ 0.5"
    return f"{rest.peak_to_peak:g}", f"{rest.deviation:.2f}"


def trim(stick: Stick) -> str:
    """Return how far the trim must change the value of a stick at rest: as printed, in pulse width, as a share."""
    rest, scale = stick.seen.central_rest, stick.scale
    if not scale.is_sprung or (stick.moved and not stick.is_known) or fault_of(stick) is not None:
        return ""
    if rest is None:
        return "moving" if stick.seen.rest is None else "off centre"
    off = scale.off_centre(rest.mean)
    head = "" if stick.is_known else "if a stick: "
    if round(abs(off)) <= scale.scale.step:
        return f"{head}centred"
    away_us = scale.width_off_us(rest.mean)
    parts = [amount(round(abs(off)), scale.scale.unit)]
    if away_us is not None and scale.scale.kind is not ValueKind.WIDTHS:
        parts.append(f"{abs(away_us):.0f} µs")
    parts.append(f"{100 * abs(scale.share(rest.mean)):.1f} % of {'track' if len(scale.readings) else 'range'}")
    return f"{head}{'raise' if off < 0 else 'lower'} by {', '.join(parts)}"


def remarks(stick: Stick, others: Sequence[Stick], now_ns: int) -> list[Remark]:
    """Return what is to be said of a stick: its wires first, then its rest and its ends."""
    fault = fault_of(stick)
    if fault is not None:
        return [fault]
    if not stick.is_known:
        return [_unknown(stick), *_noisy(stick, others)]
    return [*_at_rail(stick, now_ns), *_rest(stick), *_noisy(stick, others), *_ends(stick)]


def _unknown(stick: Stick) -> Remark:
    """Return what is to be said of a control that may be a switch."""
    scale, rails = stick.scale.scale, (stick.seen.low_rail, stick.seen.high_rail)
    for rail, number in zip(rails, (scale.low, scale.high), strict=True):
        if rail.rows == stick.seen.rows:
            return Remark(
                f"read {number} all the time: a switch, a stop at the end of the track, or a broken wire, which "
                f"readings cannot tell apart. Move it: if it is a stick and the value does not follow, {_LOOK}"
            )
    if not stick.moved:
        return Remark(
            f"did not move by more than {stick.most}: whether it is a stick, its ends and its wires are not known"
        )
    broke = ", or a wire that broke" if any(rail.rows for rail in rails) else ""
    return Remark(
        f"was not seen in a slow sweep: a switch, or a stick{broke}. If it is a stick, sweep it slowly; --profile "
        "names the switches"
    )


# --- wires -------------------------------------------------------------------------------------------------------


def fault_of(stick: Stick) -> Remark | None:
    """Return what looks like a fault, whatever the stick does now."""
    seen, scale = stick.seen, stick.scale.scale
    if seen.longest_beyond >= _BEYOND_ROWS:
        when = "reads" if seen.beyond_now else "read"
        return Remark(
            f"{when} {_beyond(stick)}, beyond every position of the stick in the profile: a wire is broken, or "
            f"travel_low and travel_high are not this stick's; {_LOOK}"
        )
    if seen.restless_blocks >= _RESTLESS_BLOCKS:
        low, high = seen.restless_range
        return Remark(
            f"jumped about from line to line between {low:g} and {high:g}{', and still does' * seen.restless_now}, as "
            f"an open wire does, or a stick that is shaken: leave it alone, and if it goes on, {_LOOK}"
        )
    for rail, number in ((seen.low_rail, scale.low), (seen.high_rail, scale.high)):
        if stick.is_known and rail.jumps and (rail.jumps > 1 or rail.longest_jump_rows > 1):
            return Remark(
                f"jumped to {number} and back, {_times(rail.jumps)}, each way within one line: a loose wire, or a "
                f"stick that was flicked; leave it alone, move its cable, and if it jumps again, {_LOOK}"
            )
    return None


def _beyond(stick: Stick) -> str:
    numbers = [value for value in (stick.column.lowest, stick.column.highest, stick.column.value)
               if round(value) in stick.scale.beyond]  # fmt: skip
    return " and ".join(f"{value:g}" for value in dict.fromkeys(numbers)) or "numbers"


def _at_rail(stick: Stick, now_ns: int) -> list[Remark]:
    seen, scale, found = stick.seen, stick.scale.scale, []
    for rail, number in ((seen.low_rail, scale.low), (seen.high_rail, scale.high)):
        if rail.since_ns is not None and not rail.off_rows and now_ns - rail.since_ns >= _STAY_NS:
            did = _arrival(rail, number, is_always=rail.rows == seen.rows)
            found.append(Remark(f"{did}. Move it: if the value does not follow, {_LOOK}"))
    return found


def _arrival(rail: Rail, number: int, *, is_always: bool) -> str:
    if rail.came_from is None:
        did = f"read {number} all the time" if is_always else f"reads {number} now"
        return f"{did}: a stop at the end of the track or a broken wire, which readings cannot tell apart"
    return (
        f"went from {rail.came_from:g} to {number} within one line and stays there: a wire that broke, or a stick that "
        "was flicked to a stop at the end of the track, which readings cannot tell apart"
    )


# --- rest and ends -----------------------------------------------------------------------------------------------


def _rest(stick: Stick) -> list[Remark]:
    seen, scale = stick.seen, stick.scale.scale
    if stick.rest is None:
        return [Remark("no rest of it was recognised: leave it alone for two seconds")]
    found = []
    if stick.scale.is_sprung and seen.central_rest is None:
        found.append(Remark(
            f"rested at {stick.rest.mean:.0f} only, more than {100 * CENTRAL:.0f} % of the range from the middle: held "
            "there, without a spring, or its potentiometer is turned; a trim is not for that"
        ))  # fmt: skip
    apart = seen.rests_highest - seen.rests_lowest
    if stick.scale.is_sprung and seen.rests_central > 1 and apart >= scale.step:
        found.append(Remark(
            f"rested {seen.rests_central} times about the middle, between {seen.rests_lowest:.1f} and "
            f"{seen.rests_highest:.1f}: it was trimmed or held, or its spring brings it back no closer than that",
            is_open=False,
        ))  # fmt: skip
    if stick.rest.is_smoothed:
        found.append(Remark(
            "its neighbouring values at rest are alike, as where a program averages or prints a reading twice: the "
            "noise of the stick may be higher", is_open=False
        ))  # fmt: skip
    return found


def _noisy(stick: Stick, others: Sequence[Stick]) -> list[Remark]:
    rests = [one.rest for one in others if one is not stick and (one.is_known or not one.moved)]
    noises = [max(1.0, rest.peak_to_peak) for rest in rests if rest is not None]
    if not noises or stick.rest is None:
        return []
    own, usual = stick.rest.peak_to_peak, statistics.median(noises)
    if own < max(_NOISY_TIMES * usual, _NOISY * stick.scale.scale.span):
        return []
    return [Remark(
        f"its noise at rest is {own:g}, that of the other sticks {usual:g} (median): a loose wire or joint, a worn "
        f"track, or an open input; {_LOOK}"
    )]  # fmt: skip


def _ends(stick: Stick) -> list[Remark]:
    scale, column = stick.scale.scale, stick.column
    if not stick.moved:
        return [Remark(
            f"did not move by more than {stick.most}: its ends and its wires are not known"
        )]  # fmt: skip
    low, high = stick.seen.ends()
    if stick.is_swept:
        assert low is not None
        assert high is not None
        above, below = (amount(off, scale.unit) for off in (low.value - scale.low, scale.high - high.value))
        at_rail = [f"{value:g}" for value in (low.value, high.value) if stick.scale.rail(value)]
        same = f". A broken wire may read {' or '.join(at_rail)} too: no reading tells the two apart" if at_rail else ""
        return [Remark(
            f"came to {low.value:g} and {high.value:g}, {_times(min(low.times, high.times))} or more each: its stops, "
            f"if it was pushed against them; {above} above {scale.low}, {below} below {scale.high}{same}", is_open=False
        )]  # fmt: skip
    ends = [
        f"{name} end {'not seen' if end is None else f'{end.value:g} {_times(end.times)}'}"
        for name, end in (("low", low), ("high", high))
    ]
    return [Remark(
        f"moved between {column.lowest:g} and {column.highest:g}; in slow sweeps: {', '.join(ends)}. Whether these are "
        f"its stops is not known: sweep it slowly to both stops, {_times(TIMES)}"
    )]  # fmt: skip


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
