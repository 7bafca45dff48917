"""Charts for a terminal: a sign for each series, axes with units, no colour needed."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from lostlink.verdicts import counted

_SIGNS: Final = "*o+x#@%&"


def chart(
    x: Sequence[float],
    series: Mapping[str, Sequence[float]],
    *,
    x_label: str,
    y_label: str,
    log_x: bool = False,
    log_y: bool = False,
    marks: Mapping[str, float] | None = None,
    width: int = 72,
    height: int = 16,
    x_text: Callable[[float], str] = "{:.3g}".format,
    y_text: Callable[[float], str] = "{:.3g}".format,
) -> str:
    """Return a chart as text.

    Parameters
    ----------
    x : sequence of float
    series : mapping
        Name to as many values as there are in `x`. What is not a number, or not above 0 on a logarithmic axis, is
        left out and said.
    marks : mapping, optional
        Name to a place on the x axis, drawn as an upright line.
    x_text, y_text : callable
        How values stand on the axes.

    Raises
    ------
    ValueError
        If a series has another length than `x`.
    """
    for name, values in series.items():
        if len(values) != len(x):
            raise ValueError(f"series {name!r}: {len(values)} values for {len(x)} places")
    across, up = _axis(x, log=log_x), _axis([value for values in series.values() for value in values], log=log_y)
    if across is None or up is None:
        return f"{y_label}: nothing to draw"
    left = max(len(y_text(value)) for value in (up.low, up.high)) + 1
    columns = max(10, width - left - 2)
    grid = [[" "] * columns for _ in range(height)]
    for at in (marks or {}).values():
        if (place := across.place(at, columns)) is not None:
            for row in grid:
                row[place] = ":"
    left_out = 0
    for sign, values in zip(_SIGNS, series.values(), strict=False):
        for at, value in zip(x, values, strict=True):
            place, level = across.place(at, columns), up.place(value, height)
            if place is None or level is None:
                left_out += 1
            else:
                grid[height - 1 - level][place] = sign
    lines = [y_label]
    for number, row in enumerate(grid):
        share = (height - 1 - number) / max(1, height - 1)
        label = y_text(up.value(share)) if number in (0, height // 2, height - 1) else ""
        lines.append(f"{label:>{left}} |{''.join(row).rstrip()}")
    ends = x_text(across.low), x_text(across.value(0.5)), x_text(across.high)
    middle = ends[1].center(columns - len(ends[0]) - len(ends[2]))
    lines += [f"{'':{left}} +{'-' * columns}", f"{'':{left}}  {ends[0]}{middle}{ends[2]}", f"{'':{left}}  {x_label}"]
    legend = [f"{sign} {name}" for sign, name in zip(_SIGNS, series, strict=False)]
    legend += [f": {name} {x_text(at)}" for name, at in (marks or {}).items()]
    lines.append(f"{'':{left}}  {'   '.join(legend)}")
    if left_out:
        lines.append(f"{'':{left}}  ({counted(left_out, 'value')} outside the chart)")
    return "\n".join(line.rstrip() for line in lines)


class _Axis:
    """From values to places along an axis."""

    def __init__(self, low: float, high: float, *, log: bool) -> None:
        self.low, self.high, self._log = low, high, log
        self._begin, self._end = self._scaled(low), self._scaled(high)

    def _scaled(self, value: float) -> float:
        return math.log10(value) if self._log else value

    def place(self, value: float, places: int) -> int | None:
        """Return the place of a value, None when it has none."""
        if not math.isfinite(value) or (self._log and value <= 0) or not self.low <= value <= self.high:
            return None
        span = self._end - self._begin
        return round((self._scaled(value) - self._begin) / span * (places - 1)) if span else 0

    def value(self, share: float) -> float:
        """Return the value at a share of the axis."""
        scaled = self._begin + share * (self._end - self._begin)
        return float(10**scaled) if self._log else scaled


def _axis(values: Sequence[float], *, log: bool) -> _Axis | None:
    """Return an axis over all values that can stand on it; at most 15 decades, or the small ones hide the rest."""
    fit = [float(value) for value in values if math.isfinite(value) and (value > 0 or not log)]
    if not fit:
        return None
    low, high = min(fit), max(fit)
    return _Axis(max(low, high * 1e-15) if log else low, high, log=log)
