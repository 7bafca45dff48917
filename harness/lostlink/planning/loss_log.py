"""Reads a packet log: which packets were lost, from a CSV of losses, packet counters or times.

Columns are identified by name, in a header within the first twenty lines. A column of 0 and 1 alone needs no header.

* ``lost``: 0 or 1, a row per packet;
* ``counter``: the counter of each received packet; gaps are losses, and the counter wraps;
* ``time_us``, ``time_ms`` or ``time_s``: the time of each reception; needs the packet interval.

Cells are separated by commas, semicolons or tabs; lines that begin with # are comments. Rows of equally many cells
without quotes are split all at once, which takes a tenth of the time; others are read row by row.

A counter shows gaps of a whole wrap only together with times. A counter that went back shows a late packet, or a
handset that was switched off and on (it restarts near 0). With 8 bits, where half a wrap is only 128 packets, anything
else is a long gap: taken for a restart, it would hide the most important losses.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.errors import CaptureError
from lostlink.files import read_text
from lostlink.verdicts import counted

_ALLOWED: Final = (
    "allowed: a CSV with a column lost (0 or 1, a row per packet), counter (of each packet received), or time_us, "
    "time_ms or time_s (of each packet received) and the packet interval"
)
_MOST_PACKETS: Final = 50_000_000
_HEADER_LINES: Final = 20
_LATE: Final = 16
"""Largest distance of a packet that is out of order."""
_FRESH: Final = 16
"""A counter that went back to less than this has restarted."""
_SCALE_US: Final = {"time_us": 1.0, "time_ms": 1e3, "time_s": 1e6}

Rows = list[tuple[int, list[str]]]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LossLog:
    """Packets in order.

    Attributes
    ----------
    lost : (n,) ndarray of bool
    notes : list of str
        How the log was interpreted.
    """

    lost: NDArray[np.bool_]
    notes: list[str]


def read_loss_log(path: str, *, counter_bits: int | None = None, interval_us: float | None = None) -> LossLog:
    """Read a log.

    Parameters
    ----------
    counter_bits : int, optional
        Width of the counter.  [default: the smallest of 8, 16 and 32 that holds all values]
    interval_us : float, optional
        Packet interval, for times.

    Raises
    ------
    CaptureError
        If it cannot be read, or a line is invalid.
    """
    text = _text(path)
    table = _plain_table(path, text) or _table(path, text)
    if "lost" in table.header:
        values = table.numbers("lost")
        if (wrong := np.flatnonzero(values > 1)).size:
            raise CaptureError(f"{path}:{table.lines[wrong[0]]}: lost is {values[wrong[0]]}; allowed: 0 or 1")
        return LossLog(values > 0, [f"{counted(len(values), 'packet')}, one row each"])
    clock = next((name for name in _SCALE_US if name in table.header), None)
    if clock is None and "counter" not in table.header:
        raise CaptureError(f"{path}:{table.lines[0]}: no column lost, counter or time_ms; {_ALLOWED}")
    times_us = None
    if clock is not None and interval_us is not None:
        times_us = table.times_us(clock)
        _check_order(table, times_us)
    if "counter" in table.header:
        gaps = None if times_us is None or interval_us is None else np.diff(times_us) / interval_us
        return _from_counters(table, table.numbers("counter"), counter_bits, gaps)
    if times_us is None or interval_us is None:
        raise CaptureError(f"{path}: {clock} cannot be used without the packet interval; give --interval")
    return _from_times(table, times_us, interval_us)


def _text(path: str) -> str:
    try:
        return read_text(path)
    except UnicodeDecodeError:
        raise CaptureError(f"{path}: is not UTF-8 text; {_ALLOWED}") from None
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror}; {_ALLOWED}") from error


@dataclass(frozen=True, slots=True)
class _Table:
    """The rows below a header.

    Attributes
    ----------
    path : str
    header : dict of str to int
        Columns by name.
    lines : sequence of int
        Line of each row.
    column : callable
        Returns the cells of a column, without surrounding white space; "" where a row is too short.
    """

    path: str
    header: dict[str, int]
    lines: Sequence[int]
    column: Callable[[int], Sequence[str]]

    def numbers(self, name: str) -> Ints:
        """Return a column of whole numbers."""
        cells = self.column(self.header[name])
        if not all(map(str.isdecimal, cells)) or max(map(len, cells)) > 10:
            line, cell = next(
                (line, cell)
                for line, cell in zip(self.lines, cells, strict=True)
                if not cell.isdecimal() or len(cell) > 10
            )
            raise CaptureError(f"{self.path}:{line}: {name} is {cell[:40]!r}; allowed: a whole number")
        return np.fromiter(map(int, cells), np.int64, len(cells))

    def times_us(self, name: str) -> Floats:
        """Return a column of times."""
        cells = self.column(self.header[name])
        times_us = np.fromiter(map(_float, cells), np.float64, len(cells)) * _SCALE_US[name]
        if (wrong := np.flatnonzero(~(np.abs(times_us) < 1e18))).size:
            line, cell = self.lines[wrong[0]], cells[wrong[0]]
            raise CaptureError(f"{self.path}:{line}: {name} is {cell[:40]!r}; allowed: a number")
        return times_us


def _float(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return math.nan


def _numbered(lines: Sequence[str]) -> Iterator[tuple[int, str]]:
    """Return the lines with content, and their numbers."""
    return ((line, row) for line, row in enumerate(lines, 1) if row.strip() and not row.lstrip().startswith("#"))


def _separator(numbered: Sequence[tuple[int, str]]) -> str:
    top = "".join(row for _, row in numbered[:_HEADER_LINES])
    return max(",;\t", key=top.count)


def _header(rows: Rows) -> tuple[int, dict[str, int]] | None:
    """Return the number of rows to the end of the header, and the columns by name; None if there is no header."""
    known = {"lost", "counter", *_SCALE_US}
    for number, (_, cells) in enumerate(rows[:_HEADER_LINES], 1):
        header = {cell.lower(): column for column, cell in enumerate(cells)}
        if known & set(header):
            return number, header
    first = rows[0][1]
    return (0, {"lost": 0}) if len(first) == 1 and first[0] in ("0", "1") else None


def _plain_table(path: str, text: str) -> _Table | None:
    """Return a table whose lines below the header are rows of as many cells, without quotes; None for any other."""
    lines = text.splitlines()
    numbered = list(itertools.islice(_numbered(lines), _HEADER_LINES))
    if not numbered or '"' in text:
        return None
    separator = _separator(numbered)
    found = _header([(line, [cell.strip() for cell in row.split(separator)]) for line, row in numbered])
    if found is None:
        return None
    number, header = found
    begin = numbered[number - 1][0] if number else numbered[0][0] - 1
    body = lines[begin:]
    if not body or max(map(len, lines)) > csv.field_size_limit() or not all(map(str.strip, body)):
        return None
    columns, joined = body[0].count(separator) + 1, separator.join(body)
    if "#" in joined or max(header.values()) >= columns or {row.count(separator) for row in body} != {columns - 1}:
        return None
    cells = joined.split(separator)
    lines_of_rows = range(begin + 1, begin + 1 + len(body))
    return _Table(path, header, lines_of_rows, lambda column: list(map(str.strip, cells[column::columns])))


def _table(path: str, text: str) -> _Table:
    numbered = list(_numbered(text.splitlines()))
    if not numbered:
        raise CaptureError(f"{path}: holds no line; {_ALLOWED}")
    separator = _separator(numbered)
    rows: Rows = []
    for line, row in numbered:
        try:
            rows.append((line, [cell.strip() for cell in next(csv.reader([row], delimiter=separator, strict=True))]))
        except csv.Error as error:
            raise CaptureError(f"{path}:{line}: not a CSV row ({error}); {_ALLOWED}") from None
    found = _header(rows)
    if found is None:
        line, first = rows[0]
        raise CaptureError(f"{path}:{line}: no column lost or counter, got {', '.join(first)[:80]}; {_ALLOWED}")
    number, header = found
    rows = rows[number:]
    if not rows:
        raise CaptureError(f"{path}: holds no packet; {_ALLOWED}")
    lines = [line for line, _ in rows]
    return _Table(path, header, lines, lambda column: [row[column] if column < len(row) else "" for _, row in rows])


def _check_order(table: _Table, times_us: Floats) -> None:
    if (back := np.flatnonzero(np.diff(times_us) < 0)).size:
        line = table.lines[back[0] + 1]
        raise CaptureError(f"{table.path}:{line}: time runs backwards; sort the rows by the time of reception")


def _log(received: Ints | list[int], notes: list[str]) -> LossLog:
    lost = np.ones(int(np.max(received)) + 1, np.bool_)
    lost[received] = False
    return LossLog(lost, notes)


def _checked(table: _Table, row: int, index: int) -> int:
    if index > _MOST_PACKETS:
        raise CaptureError(f"{table.path}:{table.lines[row]}: more than 50 million packets; use a shorter log")
    return index


_COUNTER_NOTES: Final = {
    "repeated": ("packet", "{} received twice, counted once"),
    "late": ("packet", "{} out of order, sorted by counter"),
    "restarts": ("time", "the counter went back {}: taken as a restart without losses"),
    "long gaps": ("gap", "{} of more than half the counter range, counted as lost"),
}


def _from_counters(table: _Table, values: Ints, bits: int | None, gaps: Floats | None) -> LossLog:
    """Return the log of some counters.

    Parameters
    ----------
    gaps : (n - 1,) ndarray of float, optional
        Packet intervals from each reception to the next.
    """
    bits = bits or next((width for width in (8, 16, 32) if values.max() < 1 << width), 32)
    if (wide := np.flatnonzero(values >= 1 << bits)).size:
        raise CaptureError(
            f"{table.path}:{table.lines[wide[0]]}: counter {values[wide[0]]} does not fit in {bits} bits; "
            f"allowed: below {1 << bits}"
        )
    received, counts = _unwrapped(table, values.tolist(), bits, None if gaps is None else gaps.tolist())
    log = _log(received, [f"{counted(len(values), 'packet')} received, {bits}-bit counter"])
    log.notes.extend(
        note.format(counted(counts[key], noun)) for key, (noun, note) in _COUNTER_NOTES.items() if counts[key]
    )
    if bits == 8 and gaps is None and int(np.diff(np.flatnonzero(~log.lost), prepend=0).max()) > 50:
        log.notes.append("an 8-bit counter cannot show gaps of 256 packets or more")
    return log


def _unwrapped(table: _Table, values: list[int], bits: int, gaps: list[float] | None) -> tuple[list[int], Counter[str]]:
    """Return the index of each received packet, and counts by the keys of `_COUNTER_NOTES`."""
    wrap, index, before, received, counts = 1 << bits, 0, values[0], [0], Counter[str]()
    for i in range(1, len(values)):
        value, step = values[i], (values[i] - before) % wrap
        if gaps is not None:
            step += wrap * max(0, round((gaps[i - 1] - step) / wrap))
        if step == 0:
            counts["repeated"] += 1
            continue
        if wrap // 2 < step < wrap:
            behind = wrap - step
            continues = i + 1 == len(values) or 0 < (values[i + 1] - before) % wrap <= wrap // 2
            if behind <= _LATE and continues:
                counts["late"] += 1
                received.append(max(0, index - behind))
                continue
            if gaps is None and (bits > 8 or value < _FRESH):
                counts["restarts"] += 1
                step = 1
            elif gaps is None:
                counts["long gaps"] += 1
        index = _checked(table, i, index + step)
        received.append(index)
        before = value
    return received, counts


def _from_times(table: _Table, times_us: Floats, interval_us: float) -> LossLog:
    """Return the log of some times, from the number of intervals between receptions."""
    steps = np.diff(times_us) / interval_us
    near = steps[(steps > 0.5) & (steps < 1.5)]
    # The clocks of handset and recorder differ a little: the median is the interval by the recorder's clock.
    true = float(np.median(near)) if len(near) >= 10 else 1.0
    whole = np.rint(steps / true)
    received = np.concatenate([[0.0], np.cumsum(whole)])
    if (far := np.flatnonzero(received > _MOST_PACKETS)).size:
        _checked(table, int(far[0]), int(received[far[0]]))
    log = _log(
        received.astype(np.int64),
        [f"{counted(len(times_us), 'packet')} received, {interval_us * true / 1000:.6g} ms apart"],
    )
    if repeated := int((whole == 0).sum()):
        log.notes.append(f"{counted(repeated, 'packet')} less than half an interval after another, counted once")
    off = int((np.abs(steps / true - whole) > 0.3).sum())
    if off > len(steps) // 20:
        log.notes.append(f"{counted(off, 'time')} not a multiple of the interval: the log is unreliable")
    return log
