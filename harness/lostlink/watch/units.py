"""Range, middle and pulse width of a printed number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lostlink.watch.columns import ColumnLayout, ValueKind
from lostlink_sims import Profile
from lostlink_sims.codes import ADC_COUNTS, ADC_RULES, CALIBRATED, MIDDLE_CODE, TOP_CODE, pulse_table
from lostlink_sims.sticks import stick_codes

"""The middle of 0..255 by common practice, not by a standard."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Range and unit of a channel's numbers.

    Attributes
    ----------
    kind : ValueKind
    low, high, middle : int
        Ends and middle, in the unit of the numbers.
    unit : str
        Unit of the numbers.
    step : int
        Smallest step of a stick with 256 codes, in this unit.
    table : (n,) ndarray of int64
        Pulse width in microseconds for each number from 0 on; empty when the numbers are widths.
    """

    kind: ValueKind
    low: int
    high: int
    middle: int
    unit: str
    step: int
    table: NDArray[np.int64]

    @property
    def span(self) -> int:
        """Difference of the ends."""
        return self.high - self.low

    def width_us(self, value: float) -> float:
        """Return the pulse width of a number, in microseconds."""
        if not len(self.table):
            return value
        return float(self.table[min(max(0, round(value)), len(self.table) - 1)])

    def largest_up_to(self, width_us: float) -> float:
        """Return the largest number whose pulse width is at most `width_us`; -1 without one."""
        if not len(self.table):
            return width_us
        return float(np.searchsorted(self.table, width_us, side="right")) - 1


def names_of(layout: ColumnLayout, profile: Profile | None) -> list[str]:
    """Return the names of the channels: from the profile, from the board, or their numbers."""
    own = [] if profile is None else [channel.name for channel in profile.channels]
    printed = [layout.names[column] or f"channel {number}" for number, column in enumerate(layout.channels, 1)]
    return (own + printed[len(own) :])[: len(printed)]


def scale_for(kind: ValueKind, profile: Profile | None, reach: int = 0) -> Scale:
    """Return the scale of a kind of numbers, by the profile's mapping or the default one.

    Values around 0 have no known pulse width; `reach` is the end of their range. By default the widths are 1000 to
    2000 µs, and a code is an ADC reading without its two lowest bits.
    """
    link = profile or Profile()
    low_us, high_us = link.receiver.low_us, link.receiver.high_us
    codes = np.array(pulse_table(link.receiver.mapping, low_us, high_us), np.int64)
    if kind is ValueKind.WIDTHS:
        step = max(1, round((high_us - low_us) / TOP_CODE))
        return Scale(kind, low_us, high_us, (low_us + high_us) // 2, "µs", step, np.empty(0, np.int64))
    if kind is ValueKind.SIGNED:
        return Scale(kind, -reach, reach, 0, "steps", max(1, 2 * reach // 256), np.empty(0, np.int64))
    if kind is ValueKind.COUNTS:
        code = _codes_of_counts(link)
        return Scale(kind, 0, ADC_COUNTS - 1, ADC_COUNTS // 2, "counts", ADC_COUNTS // 256, codes[code])
    return Scale(kind, 0, TOP_CODE, MIDDLE_CODE, "codes", 1, codes)


def _codes_of_counts(link: Profile) -> NDArray[np.int64]:
    """Return the code of each ADC reading; where each stick has its own scale, that of the throttle."""
    readings, mapping = np.arange(ADC_COUNTS), link.handset.mapping
    throttle = link.channels[link.throttle_index]
    if mapping == CALIBRATED and throttle.kind == "stick" and throttle.travel_low < throttle.travel_high:
        return stick_codes(link, throttle, readings)
    return ADC_RULES.get(mapping, ADC_RULES["a >> 2"])(readings)
