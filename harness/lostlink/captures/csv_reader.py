"""Reads CSV captures: a time column and columns of levels. Pure: bytes in, `Capture` out.

Accepted: comma, semicolon or tab between columns, decimal comma (with the latter two), optional header, comment
lines, lines before the header, one row per edge or per sample, several columns of levels, or only the times of the
edges. The unit of time comes from the header (``Time [s]``, ``at_us``) or from the user.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

import numpy as np

from lostlink.captures.signals import LONGEST_PS, PS_PER_UNIT, Capture, Ints, Signal, printable, settled
from lostlink.errors import CaptureError

_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,40}(?:\.[0-9]{0,40})?|\.[0-9]{1,40})(?:[eE][+-]?[0-9]{1,2})?")
_COMMENT: Final = ("#", "//", "%")
_LEVELS: Final = {
    **dict.fromkeys(("0", "0.0", "l", "lo", "low", "false", "off"), 0),
    **dict.fromkeys(("1", "1.0", "h", "hi", "high", "true", "on"), 1),
}
_UNIT_WORDS: Final = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "ms": "ms", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "μs": "us", "usec": "us", "microsecond": "us", "microseconds": "us",
    "ns": "ns", "nsec": "ns", "nanosecond": "ns", "nanoseconds": "ns",
}  # fmt: skip
UNITS: Final = ("s", "ms", "us", "ns")
_TIME_NAMES: Final = {"time", "t", "at", "timestamp", "start"}
_LINES_EXAMINED: Final = 200
"""Lines that are examined to detect the separator."""
_DIGITS: Final = frozenset("0123456789+-.")
_SHAPE: Final = "allowed: rows of a time and a level (0 or 1), separated by comma, semicolon or tab"


@dataclass(slots=True)
class _CsvColumns:
    """Content of the rows; `levels` has the values of the columns that contain only levels so far."""

    names: list[str]
    time_column: int
    scale: Decimal
    levels: dict[int, bytearray]
    first: Decimal
    last: Decimal
    digits: int = 0
    at_ps: array[int] = field(default_factory=lambda: array("q"))


def read(text: bytes, source: str, unit: str | None = None) -> Capture:
    """Read a CSV capture.

    Parameters
    ----------
    text : bytes
        The whole file.
    source : str
        Its name in error texts.
    unit : {"s", "ms", "us", "ns"}, optional
        Unit of a time column without a unit in its header.

    Raises
    ------
    CaptureError
        If the column of times or of levels is missing, or time stamps decrease.
    """
    return _CsvReader(source, unit).read(_decoded(text))


def _decoded(text: bytes) -> str:
    if text[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return text.decode("utf-16", errors="replace")
    try:
        return text.decode("utf-8-sig")
    except UnicodeDecodeError:
        return text.decode("latin-1")


class _CsvReader:
    """Parser of one file; errors name the file and the line."""

    def __init__(self, source: str, unit: str | None) -> None:
        self._source, self._unit = source, unit

    def _fault(self, problem: str, line: int | None = None) -> CaptureError:
        return CaptureError(f"{self._source}{'' if line is None else f', line {line}'}: {problem}")

    def read(self, text: str) -> Capture:
        rows = self._rows(text)
        header: list[str] = []
        for line, row in rows:
            column = _time_column(header)
            if _is_time(row, column):
                table = self._new_table(header, row, column)
                self._take(table, row, line, rows)
                break
            header = row
        else:
            raise self._fault(f"no line begins with a time; {_SHAPE}, or VCD")
        for line, row in rows:
            self._take(table, row, line, rows)
        step_ps = max(1, round(_written_step(table) * table.scale))
        origin_ps = int((table.first * table.scale).to_integral_value())
        signals = tuple(self._signals(table))
        return Capture(self._source, "CSV", signals, origin_ps, table.at_ps[-1], step_ps)

    # --- from text to rows ----------------------------------------------------------------------------------

    def _rows(self, text: str) -> Iterator[tuple[int, list[str]]]:
        separator = _separator(text)
        reader = csv.reader(io.StringIO(text, newline=None), delimiter=separator)
        try:
            for row in reader:
                first = row[0].lstrip() if row else ""
                if (first or len(row) > 1) and not first.startswith(_COMMENT):
                    cells = [cell.strip() for cell in row]
                    yield reader.line_num, cells if separator == "," else [cell.replace(",", ".") for cell in cells]
        except csv.Error as error:
            raise self._fault(f"{error}; {_SHAPE}", reader.line_num) from None

    def _new_table(self, header: list[str], row: list[str], column: int) -> _CsvColumns:
        """Return an empty table for rows like `row`."""
        heads = [*header, *[""] * len(row)][: len(row)]
        names = [printable(head) or f"column {number}" for number, head in enumerate(heads, 1)]
        levels = {index: bytearray() for index, cell in enumerate(row) if index != column and cell.lower() in _LEVELS}
        if len(row) > 1 and not levels:
            raise self._fault(f"no column holds levels (0 and 1) only; {_SHAPE}")
        scale = Decimal(PS_PER_UNIT[self._unit_of(header, column)])
        return _CsvColumns(names, column, scale, levels, Decimal(row[column]), Decimal(row[column]))

    def _unit_of(self, header: list[str], column: int) -> str:
        if self._unit is not None:
            return self._unit
        name = header[column] if len(header) > column else ""
        units = [_UNIT_WORDS[word] for word in re.findall(r"[a-zµμ]+", name.lower()) if word in _UNIT_WORDS]
        if units:
            return units[-1]
        problem = f"the header {printable(name)!r} has no unit of time" if name else "no header with a unit of time"
        raise self._fault(
            f"{problem}; add one such as 'Time [s]', or give --unit {', '.join(UNITS[:-1])} or {UNITS[-1]}"
        )

    # --- a row ----------------------------------------------------------------------------------------------

    def _take(self, table: _CsvColumns, row: list[str], line: int, rows: Iterator[tuple[int, list[str]]]) -> None:
        """Add a row; `rows` shows whether it is the last one."""
        if not _is_time(row, table.time_column):
            cell = printable(row[table.time_column]) if len(row) > table.time_column else ""
            raise self._fault(f"{cell!r} where a time is expected; {_SHAPE}", line)
        stamp = Decimal(row[table.time_column])
        if stamp < table.last:
            problem = "time runs backwards" if next(rows, None) else "the file is cut off, or time runs backwards"
            raise self._fault(f"{problem} ({row[table.time_column]})", line)
        if (stamp - table.first) * table.scale > LONGEST_PS:
            raise self._fault("more than a day after the first row; is --unit right?", line)
        if len(row) < len(table.names):
            problem = "a row is too short" if next(rows, None) else "the file is cut off"
            raise self._fault(f"{problem}: {len(row)} of {len(table.names)} columns; {_SHAPE}", line)
        table.last = stamp
        table.digits = max(table.digits, len(stamp.as_tuple().digits))
        table.at_ps.append(int(((stamp - table.first) * table.scale).to_integral_value()))
        self._take_levels(table, row, line)

    def _take_levels(self, table: _CsvColumns, row: list[str], line: int) -> None:
        for column, values in list(table.levels.items()):
            level = _LEVELS.get(row[column].lower())
            if level is not None:
                values.append(level)
                continue
            del table.levels[column]
            if not table.levels:
                raise self._fault(f"{printable(row[column])!r} is not a level; allowed: 0 and 1", line)

    # --- wires ----------------------------------------------------------------------------------------------

    def _signals(self, table: _CsvColumns) -> Iterator[Signal]:
        at_ps = np.array(table.at_ps, np.int64)
        if len(table.names) == 1:
            yield self._alternating(table.names[0], at_ps)
        for column, values in table.levels.items():
            yield settled(table.names[column], (), at_ps, np.frombuffer(bytes(values), np.uint8), int(at_ps[-1]))

    def _alternating(self, name: str, at_ps: Ints) -> Signal:
        twice = np.flatnonzero(np.diff(at_ps) == 0)
        if len(twice):
            raise self._fault(f"edge {int(twice[0]) + 2} is at the same time as edge {int(twice[0]) + 1}")
        level = (np.arange(len(at_ps)) % 2 == 0).astype(np.uint8)
        return Signal(name, (), at_ps, level, np.zeros((0, 2), np.int64), 0, polarity_known=False)


def _time_column(header: list[str]) -> int:
    times = (column for column, name in enumerate(header) if _TIME_NAMES & set(re.findall(r"[a-z]+", name.lower())))
    return next(times, 0)


def _is_time(row: list[str], column: int) -> bool:
    return len(row) > column and _NUMBER.fullmatch(row[column]) is not None


def _separator(text: str) -> str:
    """Return the column separator: the first of ; and tab that is in a line with digits, else a comma."""
    lines = itertools.islice(io.StringIO(text, newline=None), _LINES_EXAMINED)
    numbers = [line for line in lines if line.lstrip(' "')[:1] in _DIGITS]
    return next((separator for separator in (";", "\t") if any(separator in line for line in numbers)), ",")


def _written_step(table: _CsvColumns) -> Decimal:
    """Return the step of the largest time, in the unit of the file.

    It follows from the significant digits: six are 1 µs at 0.9 s, and 100 µs at a minute.
    """
    largest = max(table.first, table.last, key=abs)
    return Decimal(1).scaleb(largest.adjusted() + 1 - table.digits) if largest else Decimal(1)
