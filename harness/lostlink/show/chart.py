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
    log_y: bool = False,
    marks: Mapping[str, float] | None = None,
    width: int = 72,
    height: int = 16,
    x_text: Callable[[float], str] = "{:.3g}".format,
    y_text: Callable[[float], str] = "{:.3g}".format,
) -> str:
    """Return a chart as text, with a logarithmic x axis.

    Parameters
    ----------
    x : sequence of float
    series : mapping
        Name to as many values as there are in `x`. What is not finite, or below a logarithmic axis, is left out and
        counted below the chart.
    marks : mapping, optional
        Name to a value of x, drawn as a vertical line.
    width, height : int
        Of the whole chart in characters, and of the plot in lines.
    x_text, y_text : callable
        Format the values at the axes.

    Raises
    ------
    ValueError
        If a series has another length than `x`.
    """
    marks = marks or {}
    across, up = _axis(x, log=True), _axis([value for values in series.values() for value in values], log=log_y)
    if across is None or up is None:
        return f"{y_label}: nothing to draw"
    left = max(len(y_text(value)) for value in (up.low, up.high)) + 1
    columns = max(10, width - left - 2)
    grid = [[" "] * columns for _ in range(height)]
    for at in marks.values():
        if (column := across.index(at, columns)) is not None:
            for row in grid:
                row[column] = ":"
    below = unknown = 0
    for sign, values in zip(_SIGNS, series.values(), strict=False):
        for at, value in zip(x, values, strict=True):
            column, level = across.index(at, columns), up.index(value, height)
            if column is None or level is None:
                below, unknown = below + (value < up.low), unknown + (not value < up.low)
            else:
                grid[height - 1 - level][column] = sign
    lines = [y_label]
    for number, row in enumerate(grid):
        label = y_text(up.value(1 - number / (height - 1))) if number in (0, height // 2, height - 1) else ""
        lines.append(f"{label:>{left}} |{''.join(row)}")
    begin, middle, end = (x_text(across.value(share)) for share in (0, 0.5, 1))
    legend = [f"{sign} {name}" for sign, name in zip(_SIGNS, series, strict=False)]
    legend += [f": {name} {x_text(at)}" for name, at in marks.items()]
    lines.append(f"{'':{left}} +{'-' * columns}")
    notes = [f"{begin}{middle.center(columns - len(begin) - len(end))}{end}", x_label, "   ".join(legend)]
    notes += [f"({counted(below, 'value')} below {y_text(up.low)}: not drawn)"] if below else []
    notes += [f"({counted(unknown, 'value')} not finite: not drawn)"] if unknown else []
    lines += [f"{'':{left}}  {text}" for text in notes]
    return "\n".join(line.rstrip() for line in lines)


class _Axis:
    """The scale from values to positions along an axis."""

    def __init__(self, low: float, high: float, *, log: bool) -> None:
        self.low, self.high, self._log = low, high, log
        self._begin, self._end = self._scaled(low), self._scaled(high)

    def _scaled(self, value: float) -> float:
        return math.log10(value) if self._log else value

    def index(self, value: float, length: int) -> int | None:
        """Return the position of a value, 0 to `length` - 1; None outside the axis."""
        if not self.low <= value <= self.high:
            return None
        span = self._end - self._begin
        return round((self._scaled(value) - self._begin) / span * (length - 1)) if span else 0

    def value(self, share: float) -> float:
        """Return the value at a share of the axis."""
        scaled = self._begin + share * (self._end - self._begin)
        return float(10**scaled) if self._log else scaled


def _axis(values: Sequence[float], *, log: bool) -> _Axis | None:
    """Return an axis over all finite values; on a logarithmic one over those above 0, at most 15 decades."""
    fit = [float(value) for value in values if math.isfinite(value) and (value > 0 or not log)]
    if not fit:
        return None
    low, high = min(fit), max(fit)
    return _Axis(max(low, high * 1e-15) if log else low, high, log=log)
