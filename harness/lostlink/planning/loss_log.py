"""Reads a packet log: which packets were lost, from a CSV of losses, packet counters or times.

Columns are identified by name, in a header within the first twenty lines. A column of 0 and 1 alone needs no header.

* ``lost``: 0 or 1, a row per packet;
* ``counter``: the counter of each received packet; gaps are losses, and the counter wraps;
* ``time_us``, ``time_ms`` or ``time_s``: the time of each reception; needs the packet interval.

Cells are separated by commas, semicolons or tabs; lines that begin with # are comments. A counter shows gaps of a whole
wrap only together with times. A counter that went back shows a late packet, or a handset that was switched off and on
(it restarts near 0). With 8 bits, where half a wrap is only 128 packets, anything else is a long gap: taken for a
restart, it would hide the most important losses.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections import Counter
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
    header, rows = _table(path, _text(path))
    if "lost" in header:
        values = [_number(path, line, cells, header["lost"], "lost") for line, cells in rows]
        for (line, _), value in zip(rows, values, strict=True):
            if value not in (0, 1):
                raise CaptureError(f"{path}:{line}: lost is {value}; allowed: 0 or 1")
        return LossLog(np.array(values, np.bool_), [f"{counted(len(values), 'packet')}, one row each"])
    clock = next((name for name in _SCALE_US if name in header), None)
    if clock is None and "counter" not in header:
        raise CaptureError(f"{path}:{rows[0][0]}: no column lost, counter or time_ms; {_ALLOWED}")
    times_us = None
    if clock is not None and interval_us is not None:
        times_us = [_time_us(path, line, cells, header[clock], clock) for line, cells in rows]
        _check_order(path, rows, times_us)
    lines = [line for line, _ in rows]
    if "counter" in header:
        values = [_number(path, line, cells, header["counter"], "counter") for line, cells in rows]
        gaps = None if times_us is None or interval_us is None else [
            (after - before) / interval_us for before, after in itertools.pairwise(times_us)
        ]  # fmt: skip
        return _from_counters(path, lines, values, counter_bits, gaps)
    if times_us is None or interval_us is None:
        raise CaptureError(f"{path}: {clock} cannot be used without the packet interval; give --interval")
    return _from_times(path, lines, times_us, interval_us)


def _text(path: str) -> str:
    try:
        return read_text(path)
    except UnicodeDecodeError:
        raise CaptureError(f"{path}: is not UTF-8 text; {_ALLOWED}") from None
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror}; {_ALLOWED}") from error


def _table(path: str, text: str) -> tuple[dict[str, int], Rows]:
    """Return the indices of the columns by name, and the rows below the header."""
    numbered = [
        (line, row) for line, row in enumerate(text.splitlines(), 1) if row.strip() and not row.lstrip().startswith("#")
    ]
    if not numbered:
        raise CaptureError(f"{path}: holds no line; {_ALLOWED}")
    top = "".join(row for _, row in numbered[:_HEADER_LINES])
    separator = max(",;\t", key=top.count)
    rows: Rows = []
    for line, row in numbered:
        try:
            rows.append((line, [cell.strip() for cell in next(csv.reader([row], delimiter=separator, strict=True))]))
        except csv.Error as error:
            raise CaptureError(f"{path}:{line}: not a CSV row ({error}); {_ALLOWED}") from None
    known = {"lost", "counter", *_SCALE_US}
    for number, (_, cells) in enumerate(rows[:_HEADER_LINES], 1):
        header = {cell.lower(): column for column, cell in enumerate(cells)}
        if known & set(header):
            if number == len(rows):
                raise CaptureError(f"{path}: holds no packet; {_ALLOWED}")
            return header, rows[number:]
    line, first = rows[0]
    if len(first) == 1 and first[0] in ("0", "1"):
        return {"lost": 0}, rows
    raise CaptureError(f"{path}:{line}: no column lost or counter, got {', '.join(first)[:80]}; {_ALLOWED}")


def _number(path: str, line: int, cells: list[str], column: int, name: str) -> int:
    cell = cells[column] if column < len(cells) else ""
    if not cell.isdecimal() or len(cell) > 10:
        raise CaptureError(f"{path}:{line}: {name} is {cell[:40]!r}; allowed: a whole number")
    return int(cell)


def _time_us(path: str, line: int, cells: list[str], column: int, name: str) -> float:
    cell = cells[column] if column < len(cells) else ""
    try:
        value = float(cell) * _SCALE_US[name]
    except ValueError:
        value = math.nan
    if not abs(value) < 1e18:
        raise CaptureError(f"{path}:{line}: {name} is {cell[:40]!r}; allowed: a number")
    return value


def _check_order(path: str, rows: Rows, times_us: list[float]) -> None:
    for (line, _), before, after in zip(rows[1:], times_us, times_us[1:], strict=False):
        if after < before:
            raise CaptureError(f"{path}:{line}: time runs backwards; sort the rows by the time of reception")


def _log(received: list[int], notes: list[str]) -> LossLog:
    lost = np.ones(max(received) + 1, np.bool_)
    lost[received] = False
    return LossLog(lost, notes)


def _checked(path: str, line: int, index: int) -> int:
    if index > _MOST_PACKETS:
        raise CaptureError(f"{path}:{line}: more than 50 million packets; use a shorter log")
    return index


_COUNTER_NOTES: Final = {
    "repeated": ("packet", "{} received twice, counted once"),
    "late": ("packet", "{} out of order, sorted by counter"),
    "restarts": ("time", "the counter went back {}: taken as a restart without losses"),
    "long gaps": ("gap", "{} of more than half the counter range, counted as lost"),
}


def _from_counters(
    path: str, lines: list[int], values: list[int], bits: int | None, gaps: list[float] | None
) -> LossLog:
    """Return the log of some counters.

    Parameters
    ----------
    gaps : (n - 1,) list of float, optional
        Packet intervals from each reception to the next.
    """
    bits = bits or next((width for width in (8, 16, 32) if max(values) < 1 << width), 32)
    for line, value in zip(lines, values, strict=True):
        if value >= 1 << bits:
            raise CaptureError(
                f"{path}:{line}: counter {value} does not fit in {bits} bits; allowed: below {1 << bits}"
            )
    received, counts = _unwrapped(path, lines, values, bits, gaps)
    log = _log(received, [f"{counted(len(values), 'packet')} received, {bits}-bit counter"])
    log.notes.extend(
        note.format(counted(counts[key], noun)) for key, (noun, note) in _COUNTER_NOTES.items() if counts[key]
    )
    if bits == 8 and gaps is None and int(np.diff(np.flatnonzero(~log.lost), prepend=0).max()) > 50:
        log.notes.append("an 8-bit counter cannot show gaps of 256 packets or more")
    return log


def _unwrapped(
    path: str, lines: list[int], values: list[int], bits: int, gaps: list[float] | None
) -> tuple[list[int], Counter[str]]:
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
        index = _checked(path, lines[i], index + step)
        received.append(index)
        before = value
    return received, counts


def _from_times(path: str, lines: list[int], times_us: list[float], interval_us: float) -> LossLog:
    """Return the log of some times, from the number of intervals between receptions."""
    steps = np.diff(np.array(times_us)) / interval_us
    near = steps[(steps > 0.5) & (steps < 1.5)]
    # The clocks of handset and recorder differ a little: the median is the interval by the recorder's clock.
    true = float(np.median(near)) if len(near) >= 10 else 1.0
    index, repeated, received, off = 0, 0, [0], 0
    for line, step in zip(lines[1:], (steps / true).tolist(), strict=True):
        whole = round(step)
        repeated += whole == 0
        off += abs(step - whole) > 0.3
        index = _checked(path, line, index + whole)
        received.append(index)
    log = _log(received, [f"{counted(len(times_us), 'packet')} received, {interval_us * true / 1000:.6g} ms apart"])
    if repeated:
        log.notes.append(f"{counted(repeated, 'packet')} less than half an interval after another, counted once")
    if off > len(steps) // 20:
        log.notes.append(f"{counted(off, 'time')} not a multiple of the interval: the log is unreliable")
    return log
