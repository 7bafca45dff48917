"""A recorded packet log: which packets were lost, from a CSV of losses or of packet counters.

Columns are found by their names, with or without a header: ``lost`` (0 or 1, a row a packet), or ``counter`` (the
counter of each packet that was received; gaps are losses, the counter wraps). Lines that begin with # are comments.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lostlink.errors import CaptureError

_ALLOWED = "allowed: a CSV with a column lost (0 or 1, a row a packet) or counter (of each packet received)"


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


def read_loss_log(path: str, *, counter_bits: int | None = None) -> LossLog:
    """Read a log.

    Parameters
    ----------
    counter_bits : int, optional
        Width of a counter; the least of 8, 16 and 32 that holds every value when left out.

    Raises
    ------
    CaptureError
        If it cannot be read, or a line makes no sense.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise CaptureError(f"{path}: is not UTF-8 text; {_ALLOWED}") from None
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror}; {_ALLOWED}") from error
    numbered = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if not numbered:
        raise CaptureError(f"{path}: holds no line; {_ALLOWED}")
    name, column, rows = _column(path, numbered)
    values = [_number(path, line, cells, column, name) for line, cells in rows]
    if name == "lost":
        for (line, _), value in zip(rows, values, strict=True):
            if value not in (0, 1):
                raise CaptureError(f"{path}:{line}: lost is {value}; allowed: 0 or 1")
        return LossLog(np.array(values, np.bool_), [f"{len(values)} packets, a row each"])
    return _from_counters(path, [line for line, _ in rows], values, counter_bits)


def _column(path: str, numbered: list[tuple[int, str]]) -> tuple[str, int, list[tuple[int, list[str]]]]:
    """Return which column counts, and the rows below the header."""
    rows = [(line, [cell.strip() for cell in next(csv.reader([text]))]) for line, text in numbered]
    first = [cell.lower() for cell in rows[0][1]]
    for name in ("lost", "counter"):
        if name in first:
            if len(rows) == 1:
                raise CaptureError(f"{path}: holds no packet; {_ALLOWED}")
            return name, first.index(name), rows[1:]
    if len(first) == 1 and first[0] in ("0", "1"):
        return "lost", 0, rows
    raise CaptureError(f"{path}:{rows[0][0]}: no column lost or counter, got {', '.join(first)[:80]}; {_ALLOWED}")


def _number(path: str, line: int, cells: list[str], column: int, name: str) -> int:
    cell = cells[column] if column < len(cells) else ""
    if not cell.isdecimal() or len(cell) > 10:
        raise CaptureError(f"{path}:{line}: {name} is {cell[:40]!r}; allowed: a whole number")
    return int(cell)


def _from_counters(path: str, lines: list[int], values: list[int], bits: int | None) -> LossLog:
    bits = bits or next((width for width in (8, 16, 32) if max(values) < 1 << width), 32)
    notes = [f"{len(values)} packets received, a counter of {bits} bits"]
    lost: list[bool] = [False]
    doubled = restarts = 0
    for line, before, value in zip(lines[1:], values, values[1:], strict=False):
        if value >= 1 << bits:
            raise CaptureError(
                f"{path}:{line}: counter {value} does not fit in {bits} bits; allowed: below {1 << bits}"
            )
        step = (value - before) % (1 << bits)
        if step == 0:
            doubled += 1
        elif step > 1 << (bits - 1):
            restarts += 1  # backwards: a handset that was switched off and on, or packets out of order
            lost.append(False)
        else:
            lost += [True] * (step - 1) + [False]
        if len(lost) > 50_000_000:
            raise CaptureError(f"{path}:{line}: more than 50 million packets; allowed: a shorter log")
    if doubled:
        notes.append(f"{doubled} packets twice, counted once")
    if restarts:
        notes.append(f"the counter went back {restarts} times; taken for a restart, with nothing lost there")
    longest = max((len(run) for run in "".join("x" if one else "." for one in lost).split(".")), default=0)
    if bits == 8 and longest > 100:
        notes.append("gaps of 256 packets or more cannot be seen with a counter of 8 bits")
    return LossLog(np.array(lost, np.bool_), notes)
