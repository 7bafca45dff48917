"""What the numbers that a handset prints of one stick mean: pulse width, place on the track, centre, broken wires."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.watch.columns import ValueKind
from lostlink.watch.units import Scale, scale_for
from lostlink_sims import Profile
from lostlink_sims.codes import ADC_COUNTS, CALIBRATED, pulse_table
from lostlink_sims.handset_program import LEAST_MARGIN, tells_break
from lostlink_sims.profile import Channel
from lostlink_sims.sticks import stick_codes, stops

_READINGS: Final = np.arange(ADC_COUNTS)
_HALF: Final = ADC_COUNTS // 2


@dataclass(frozen=True, slots=True)
class StickScale:
    """Range and unit of one control's numbers.

    Attributes
    ----------
    scale : Scale
        With the pulse widths of this control.
    channel : Channel or None
        Its declaration in the profile; None without one.
    aim : tuple of float
        Least and greatest number of a centred stick.
    is_sprung : bool
        Whether a spring centres it; a profile's throttle has none.
    rail_slack : int or None
        A number this close to an end of its range is at a rail; None where numbers do not show rails.
    beyond : frozenset of int
        Numbers beyond every position of the stick, where the profile's travel leaves margins.
    readings : (n,) ndarray of float64
        ADC reading for each number from 0 on; empty when it is not known.
    """

    scale: Scale
    channel: Channel | None
    aim: tuple[float, float]
    is_sprung: bool
    rail_slack: int | None
    beyond: frozenset[int]
    readings: NDArray[np.float64]

    def off_centre(self, value: float) -> float:
        """Return how far a number is above that of a centred stick; negative is below."""
        return value - min(max(value, self.aim[0]), self.aim[1])

    def share(self, value: float) -> float:
        """Return how far a number is above that of a centred stick, as a share of the track or of the range."""
        centred = value - self.off_centre(value)
        if not len(self.readings):
            return (value - centred) / self.scale.span
        numbers = np.arange(len(self.readings))
        value_at, centred_at = np.interp((value, centred), numbers, self.readings)
        return float(value_at - centred_at) / ADC_COUNTS

    def width_off_us(self, value: float) -> float | None:
        """Return how far a number's pulse is from that of a centred stick; None without a profile."""
        if self.channel is None or self.scale.kind is ValueKind.SIGNED:
            return None
        return self.scale.width_us(value) - self.scale.width_us(value - self.off_centre(value))

    def rail(self, value: float) -> int:
        """Return at which rail a number is: -1 the low one, 1 the high one, 0 none."""
        if self.rail_slack is None:
            return 0
        return int(value >= self.scale.high - self.rail_slack) - int(value <= self.scale.low + self.rail_slack)


def stick_scale(kind: ValueKind, profile: Profile | None, index: int, reach: int = 0) -> StickScale:
    """Return the scale of the control at an index of the channels."""
    scale = scale_for(kind, profile, reach)
    channel = profile.channels[index] if profile is not None and index < len(profile.channels) else None
    if channel is not None and channel.kind != "stick":
        channel = None
    is_sprung = channel is None or profile is None or index != profile.throttle_index
    if kind not in (ValueKind.CODES, ValueKind.COUNTS):
        aim = (scale.middle, scale.middle)
        return StickScale(scale, channel, aim, is_sprung, None, frozenset(), np.empty(0))
    is_counts = kind is ValueKind.COUNTS
    if channel is None or profile is None:
        aim = (_HALF - 1, _HALF) if is_counts else (scale.middle, scale.middle)
        own = _READINGS.astype(np.float64) if is_counts else np.empty(0)
        return StickScale(scale, None, aim, is_sprung, int(is_counts), frozenset(), own)
    codes = stick_codes(profile, channel, _READINGS)
    is_calibrated = profile.handset.mapping == CALIBRATED
    centre = stops(channel)[1] if is_calibrated else _HALF
    beyond = _beyond(channel, None if is_counts else codes)
    if not is_counts:
        aim = (int(codes[centre]),) * 2
        return StickScale(scale, channel, aim, is_sprung, 0, beyond, _reading_of_codes(codes, scale.high))
    settings = profile.receiver
    widths = np.array(pulse_table(settings.mapping, settings.low_us, settings.high_us), np.int64)
    scale = replace(scale, table=widths[codes])
    aim = (centre, centre) if is_calibrated else (_HALF - 1, _HALF)
    return StickScale(scale, channel, aim, is_sprung, 1, beyond, _READINGS.astype(np.float64))


def _beyond(channel: Channel, codes: NDArray[np.int64] | None) -> frozenset[int]:
    """Return the readings, or the codes, that no position of a stick gives, by half of its least margins."""
    half = LEAST_MARGIN / 2 * ADC_COUNTS
    low = tells_break(channel, "low") & (half > _READINGS)
    high = tells_break(channel, "high") & (ADC_COUNTS - half < _READINGS)
    broken = low | high
    if codes is None:
        return frozenset(_READINGS[broken].tolist())
    return frozenset(codes[broken].tolist()) - frozenset(codes[~broken].tolist())


def _reading_of_codes(codes: NDArray[np.int64], highest: int) -> NDArray[np.float64]:
    """Return the mean reading of each code; codes that no reading gives are between their neighbours."""
    order = np.argsort(codes, kind="stable")
    found, starts = np.unique(codes[order], return_index=True)
    means = np.add.reduceat(_READINGS[order], starts) / np.diff([*starts, len(order)])
    return np.interp(np.arange(highest + 1), found, means)
