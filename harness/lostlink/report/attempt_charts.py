"""One attempt of a failsafe test as a chart: the printed channels over time, and the instants of the test by name.

The data are the files of the folder: ``rows.csv``, ``columns.csv`` and the row of ``attempts.csv``.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lostlink.report import figures, legends
from lostlink.report.legends import sample
from lostlink.report.markup import Html, tag
from lostlink.watch.judging import AttemptResult

_BEFORE_US: Final = 2_000_000
"""Shown before the operator is told to switch off."""
_HEIGHT: Final = 460
_FAILSAFE: Final = (AttemptResult.CAME.value, AttemptResult.AT_ONCE.value)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel of the printed rows.

    Attributes
    ----------
    name, unit : str
    is_throttle : bool
    idle_up_to : float or None
        Largest idle value of the throttle.
    values : (n,) ndarray of float64
    """

    name: str
    unit: str
    is_throttle: bool
    idle_up_to: float | None
    values: Floats


@dataclass(frozen=True, slots=True)
class PrintedRows:
    """All rows of a test.

    Attributes
    ----------
    at_us : (n,) ndarray of float64
        Arrival of each row, ascending.
    channels : list of Channel
    """

    at_us: Floats
    channels: list[Channel]


@dataclass(frozen=True, slots=True)
class Instants:
    """The instants of an attempt in microseconds; None for what did not happen."""

    told_us: float | None
    off_from_us: float | None
    off_until_us: float | None
    frozen_us: float | None
    other_us: float | None
    last_line_us: float | None
    seen: str

    @property
    def marks(self) -> list[tuple[str, float, str]]:
        """Style, instant and name of each line."""
        other = "failsafe" if self.seen in _FAILSAFE else "other values"
        marks = (("told", self.told_us, "told to switch off"), ("struck", self.frozen_us, "freeze"),
                 ("cut", self.other_us, other))  # fmt: skip
        return [(kind, at_us, name) for kind, at_us, name in marks if at_us is not None]

    @property
    def named(self) -> list[tuple[str, str, str]]:
        """Style, name and time of each line and of the time in which the handset went off."""
        named = [(kind, name, _seconds(at_us)) for kind, at_us, name in self.marks]
        if self.off_from_us is not None and self.off_until_us is not None:
            between = f"between {_seconds(self.off_from_us)} and {_seconds(self.off_until_us)}"
            named.insert(1, ("off", "handset went off", between))
        return named


def read_rows(folder: Path) -> PrintedRows | None:
    """Read the rows of a test; None without them.

    Raises
    ------
    OSError, ValueError, csv.Error
        If they cannot be read.
    """
    if not (folder / "columns.csv").is_file() or not (folder / "rows.csv").is_file():
        return None
    with (folder / "rows.csv").open(encoding="utf-8", newline="") as lines:
        reader = csv.reader(lines)
        width = len(next(reader)) - 2
        rows = [[float(cell) for cell in row] for row in reader if len(row) == width + 2]
    values = np.array(rows, np.float64).reshape(-1, width + 2)
    if not np.isfinite(values).all():
        raise ValueError("rows.csv holds a value that is not finite")
    with (folder / "columns.csv").open(encoding="utf-8", newline="") as lines:
        columns = [row for row in csv.DictReader(lines) if row.get("meaning") in ("channel", "throttle")]
    order = np.argsort(values[:, 0], kind="stable")
    return PrintedRows(values[order, 0], [_channel(column, values[order, 2:]) for column in columns])


def _channel(column: Mapping[str, str], values: Floats) -> Channel:
    place = int(column["column"]) - 1
    if not 0 <= place < values.shape[1]:
        raise ValueError(f"columns.csv names column {place + 1}, which rows.csv does not have")
    idle = float(column["idle_up_to"]) if column.get("idle_up_to") else None
    if idle is not None and not math.isfinite(idle):
        raise ValueError("columns.csv holds a value that is not finite")
    name = column.get("name") or f"column {place + 1}"
    return Channel(name, column.get("unit") or "", column["meaning"] == "throttle", idle, values[:, place])


def instants_of(row: Mapping[str, str]) -> Instants:
    """Return the instants of a row of ``attempts.csv``.

    Raises
    ------
    ValueError
        If one is not a number.
    """
    names = ("told_at_us", "off_from_us", "off_until_us", "frozen_at_us", "other_values_at_us", "last_line_at_us")
    told_us, off_from_us, off_until_us, frozen_us, other_us, last_us = (_instant(row.get(name)) for name in names)
    return Instants(told_us, off_from_us, off_until_us, frozen_us, other_us, last_us, row.get("seen") or "")


def _instant(text: str | None) -> float | None:
    value = float(text) if text else None
    if value is not None and not math.isfinite(value):
        raise ValueError("attempts.csv holds an instant that is not finite")
    return value


def is_drawable(rows: PrintedRows, instants: Instants) -> bool:
    """Return whether there is something to draw: rows of channels at the time of the attempt."""
    first, last = _shown(rows, instants)
    return bool(rows.channels) and last - first > 1


def _shown(rows: PrintedRows, instants: Instants) -> tuple[int, int]:
    if instants.told_us is None:
        return 0, 0
    end_us = instants.told_us if instants.last_line_us is None else instants.last_line_us
    first, last = np.searchsorted(rows.at_us, (instants.told_us - _BEFORE_US, end_us + 1))
    return int(first), int(last)


def legend(rows: PrintedRows) -> Html:
    """Return the line styles of the channels."""
    idle = [
        tag("li", sample("c-idle"), f"{channel.name} idle: up to {channel.idle_up_to:g} {channel.unit}")
        for channel in rows.channels if channel.idle_up_to is not None
    ]  # fmt: skip
    named = ((channel.name, "throttle" if channel.is_throttle else "") for channel in rows.channels)
    return legends.channels(named, *idle)


def figure(rows: PrintedRows, instants: Instants) -> Any:
    """Return the chart of an attempt: the channels as steps, the instants as vertical lines with their names."""
    from bokeh.models import Range1d

    first, last = _shown(rows, instants)
    at_s = rows.at_us[first:last] / 1e6
    units = dict.fromkeys(channel.unit for channel in rows.channels if channel.unit)
    made = figures.curve_figure(_HEIGHT, "time in the test, s", f"printed value, {', '.join(units)}")
    shown = [channel.values[first:last] for channel in rows.channels]
    low, high = min(float(values.min()) for values in shown), max(float(values.max()) for values in shown)
    air = 0.06 * (high - low or 1.0)
    bottom, top = low - air, high + air
    _draw_off(made, instants, bottom, top)
    dashes = iter(figures.DASHES * len(rows.channels))
    for channel, values in zip(rows.channels, shown, strict=True):
        _draw_channel(made, channel, at_s, values, "solid" if channel.is_throttle else next(dashes))
    head = figures.name_instants(
        made, [(_LOOKS[kind], at_us / 1e6, name) for kind, at_us, name in instants.marks], bottom, top
    )
    margin = 0.02 * (at_s[-1] - at_s[0])
    ends = (float(at_s[0] - margin), float(at_s[-1] + margin))
    made.x_range = Range1d(start=ends[0], end=ends[1], bounds=ends)
    made.y_range = Range1d(start=bottom, end=head)
    return made


_LOOKS: Final = {
    "told": (figures.TOKENS.quiet, "dotted"),
    "struck": (figures.TOKENS.mark, "solid"),
    "cut": (figures.TOKENS.good, "dashed"),
}


def _draw_off(made: Any, instants: Instants, bottom: float, top: float) -> None:
    if instants.off_from_us is None or instants.off_until_us is None:
        return
    color = figures.TOKENS.band
    made.quad(left=[instants.off_from_us / 1e6], right=[instants.off_until_us / 1e6], bottom=[bottom], top=[top],
              fill_color=color, fill_alpha=0.35, hatch_pattern="/", hatch_color=color, hatch_alpha=0.6,
              line_color=color)  # fmt: skip


def _draw_channel(made: Any, channel: Channel, at_s: Floats, values: Floats, dash: Any) -> None:
    colors = figures.TOKENS
    kept = np.append(True, values[1:] != values[:-1])
    kept[-1] = True
    looks = {"line_color": colors.throttle if channel.is_throttle else colors.other, "line_dash": dash}
    made.step(at_s[kept].tolist(), values[kept].tolist(), mode="after", line_width=2.5 if channel.is_throttle else 1.5,
              **looks)  # fmt: skip
    if channel.idle_up_to is not None:
        made.segment([at_s[0]], [channel.idle_up_to], [at_s[-1]], [channel.idle_up_to], line_color=colors.limit,
                     line_width=1.5, line_dash="dashed")  # fmt: skip


def _seconds(at_us: float) -> str:
    return f"{at_us / 1e6:.3f} s"
