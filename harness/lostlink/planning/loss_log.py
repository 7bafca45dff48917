"""A recorded packet log: which packets were lost, from a CSV of losses, of packet counters or of times.

Columns are found by their names, in a header within the first twenty lines or, for 0 and 1, without one:

* ``lost``: 0 or 1, a row per packet;
* ``counter``: the counter of each packet that was received; gaps are losses, the counter wraps;
* ``time_us``, ``time_ms`` or ``time_s``: when each packet was received; needs the packet interval.

Cells are parted by commas, semicolons or tabs; lines that begin with # are comments. A counter alone cannot tell a gap
of a whole wrap from none; with times and the interval beside it, it can. A counter that went back shows a packet that
came late, or a handset that was switched off and on (it begins anew, near 0). With 8 bits, where half a wrap is only
128 packets, anything else is a long gap: taking it for a restart would hide just the losses that matter.
"""

from __future__ import annotations

import csv
import itertools
import math
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
"""Most places that a packet may be out of order."""
_FRESH: Final = 16
"""A counter below this has just restarted."""
_SCALE_US: Final = {"time_us": 1.0, "time_ms": 1e3, "time_s": 1e6}

Rows = list[tuple[int, list[str]]]


@dataclass(frozen=True, slots=True)
class LossLog:
    """Packets in order.

    Attributes
    ----------
    lost : (n,) ndarray of bool
    notes : list of str
        What was made of it, for people.
    """

    lost: NDArray[np.bool_]
    notes: list[str]


def read_loss_log(path: str, *, counter_bits: int | None = None, interval_us: float | None = None) -> LossLog:
    """Read a log.

    Parameters
    ----------
    counter_bits : int, optional
        Width of a counter; the least of 8, 16 and 32 that holds every value when left out.
    interval_us : float, optional
        From packet to packet, for times.

    Raises
    ------
    CaptureError
        If it cannot be read, or a line is invalid.
    """
    header, rows = _parted(path, _text(path))
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
        raise CaptureError(
            f"{path}: {clock} cannot be used without the packet interval; give --interval, or {_ALLOWED[9:]}"
        )
    return _from_times(path, lines, times_us, interval_us)


def _text(path: str) -> str:
    try:
        return read_text(path)
    except UnicodeDecodeError:
        raise CaptureError(f"{path}: is not UTF-8 text; {_ALLOWED}") from None
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror}; {_ALLOWED}") from error


def _parted(path: str, text: str) -> tuple[dict[str, int], Rows]:
    """Return the places of the columns by name, and the rows below the header."""
    numbered = [
        (line, row) for line, row in enumerate(text.splitlines(), 1) if row.strip() and not row.lstrip().startswith("#")
    ]
    if not numbered:
        raise CaptureError(f"{path}: holds no line; {_ALLOWED}")
    top = "".join(row for _, row in numbered[:_HEADER_LINES])
    mark = max(",;\t", key=top.count)
    rows: Rows = []
    for line, row in numbered:
        try:
            rows.append((line, [cell.strip() for cell in next(csv.reader([row], delimiter=mark, strict=True))]))
        except csv.Error as error:
            raise CaptureError(f"{path}:{line}: not a CSV row ({error}); {_ALLOWED}") from None
    known = {"lost", "counter", *_SCALE_US}
    for place, (_, cells) in enumerate(rows[:_HEADER_LINES]):
        header = {cell.lower(): column for column, cell in enumerate(cells)}
        if known & set(header):
            if place + 1 == len(rows):
                raise CaptureError(f"{path}: holds no packet; {_ALLOWED}")
            return header, rows[place + 1 :]
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
            raise CaptureError(f"{path}:{line}: time runs backwards; allowed: rows in the order of reception")


def _log(received: list[int], notes: list[str]) -> LossLog:
    lost = np.ones(max(received) + 1, np.bool_)
    lost[received] = False
    return LossLog(lost, notes)


def _checked(path: str, line: int, place: int) -> int:
    if place > _MOST_PACKETS:
        raise CaptureError(f"{path}:{line}: more than 50 million packets; use a shorter log")
    return place


def _from_counters(
    path: str, lines: list[int], values: list[int], bits: int | None, gaps: list[float] | None
) -> LossLog:
    """Return the log of some counters.

    Parameters
    ----------
    gaps : (n - 1,) list of float, optional
        Packet intervals that went by between each reception and the next.
    """
    bits = bits or next((width for width in (8, 16, 32) if max(values) < 1 << width), 32)
    wrap = 1 << bits
    for line, value in zip(lines, values, strict=True):
        if value >= wrap:
            raise CaptureError(f"{path}:{line}: counter {value} does not fit in {bits} bits; allowed: below {wrap}")
    place, before, received = 0, values[0], [0]
    doubled = late = restarts = doubtful = 0
    for i in range(1, len(values)):
        value, step = values[i], (values[i] - before) % wrap
        if gaps is not None:
            step += wrap * max(0, round((gaps[i - 1] - step) / wrap))
        if step == 0:
            doubled += 1
            continue
        if wrap // 2 < step < wrap:
            behind = wrap - step
            goes_on = i + 1 == len(values) or 0 < (values[i + 1] - before) % wrap <= wrap // 2
            if behind <= _LATE and goes_on:
                late += 1
                received.append(max(0, place - behind))
                continue
            if gaps is None and (bits > 8 or value < _FRESH):
                restarts += 1
                step = 1
            elif gaps is None:
                doubtful += 1
        place = _checked(path, lines[i], place + step)
        received.append(place)
        before = value
    log = _log(received, [f"{counted(len(values), 'packet')} received, {bits}-bit counter"])
    if doubled:
        log.notes.append(f"{counted(doubled, 'packet')} received twice, counted once")
    if late:
        log.notes.append(f"{counted(late, 'packet')} out of order, sorted by counter")
    if restarts:
        log.notes.append(f"the counter went back {counted(restarts, 'time')}: taken as a restart without losses")
    if doubtful:
        log.notes.append(f"{counted(doubtful, 'gap')} of more than half the counter range, counted as lost")
    if bits == 8 and gaps is None and int(np.diff(np.flatnonzero(~log.lost), prepend=0).max()) > 50:
        log.notes.append("an 8-bit counter cannot show gaps of 256 packets or more")
    return log


def _from_times(path: str, lines: list[int], times_us: list[float], interval_us: float) -> LossLog:
    """Return the log of some times: how many intervals went by from reception to reception."""
    steps = np.diff(np.array(times_us)) / interval_us
    near = steps[(steps > 0.5) & (steps < 1.5)]
    # The clocks of handset and recorder differ a little: the interval is what most packets show.
    true = float(np.median(near)) if len(near) >= 10 else 1.0
    place, doubled, received, off = 0, 0, [0], 0
    for line, step in zip(lines[1:], (steps / true).tolist(), strict=True):
        whole = round(step)
        doubled += whole == 0
        off += abs(step - whole) > 0.3
        place = _checked(path, line, place + whole)
        received.append(place)
    log = _log(received, [f"{counted(len(times_us), 'packet')} received, {interval_us * true / 1000:.6g} ms apart"])
    if doubled:
        log.notes.append(f"{counted(doubled, 'packet')} less than half an interval after another, counted once")
    if off > len(steps) // 20:
        log.notes.append(f"{counted(off, 'time')} not a multiple of the interval: the log is unreliable")
    return log
