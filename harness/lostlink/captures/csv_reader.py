"""Reads CSV captures: a time column and columns of levels. Pure: an open file in, `Capture` out.

Accepted: comma, semicolon or tab between columns, decimal comma (with the latter two), optional header, comment
lines, lines before the header, one row per edge or per sample, several columns of levels, or only the times of the
edges. The unit of time comes from the header (``Time [s]``, ``at_us``) or from the user.

After the first row a block of the file with nothing but correct rows of times and levels is taken as a whole
(`_CsvReader._take_block`). Any other block is parsed row by row, which alone finds errors.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import BinaryIO, Final, TextIO

import numpy as np

from lostlink.captures.blocks import (
    BLOCK,
    EIGHT,
    LONGEST,
    MOST_DIGITS,
    POWERS_OF_TEN,
    Block,
    OddBlockError,
    as_eight,
    require,
)
from lostlink.captures.signals import (
    LONGEST_PS,
    PS_PER_UNIT,
    Capture,
    Ints,
    Levels,
    Signal,
    Values,
    printable,
    refuse_more_edges,
)
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
_MOST_PS: Final = 1 << 61
_MOST_DECIMALS: Final = 11
"""Most decimals of a picosecond in a whole block: within a day `Decimal` does not round them in its 28 digits."""
_LOWER_CASE: Final = np.uint64(0x2020202020202020)
_WORDS: Final = {
    as_eight(word.replace(".", point).ljust(EIGHT).encode("ascii")): level
    for word, level in _LEVELS.items()
    for point in ".,"
}
_LEVEL_WORDS: Final = np.array(sorted(_WORDS), np.uint64)
_LEVEL_VALUES: Final = np.array([_WORDS[word] for word in sorted(_WORDS)], np.uint8)
UNITS: Final = ("s", "ms", "us", "ns")
_TIME_NAMES: Final = {"time", "t", "at", "timestamp", "start"}
_LINES_EXAMINED: Final = 200
"""Lines that are examined to detect the separator."""
_DIGITS: Final = frozenset("0123456789+-.")
_SHAPE: Final = "allowed: rows of a time and a level (0 or 1), separated by comma, semicolon or tab"


@dataclass(slots=True)
class _CsvColumns:
    """Content of the rows; `levels` has the values of the columns that contain only levels so far.

    `edges_ps` has the times of the rows of a file whose only column is the time.
    """

    names: list[str]
    time_column: int
    scale: Decimal
    levels: dict[int, Values]
    first: Decimal
    last: Decimal
    digits: int = 0
    end_ps: int = 0
    edges_ps: array[int] = field(default_factory=lambda: array("q"))


def read(file: BinaryIO, source: str, unit: str | None = None) -> Capture:
    """Read a CSV capture.

    Parameters
    ----------
    file : binary file
        Can seek.
    source : str
        Its name in error texts.
    unit : {"s", "ms", "us", "ns"}, optional
        Unit of a time column without a unit in its header.

    Raises
    ------
    CaptureError
        If the column of times or of levels is missing, or time stamps decrease.
    """
    text = _as_text(file)
    try:
        return _CsvReader(text, source, unit).read()
    finally:
        text.detach()


def _as_text(file: BinaryIO) -> io.TextIOWrapper:
    """Return the file decoded, with the line ends of all systems; it is Latin-1 where any byte of it is not UTF-8."""
    file.seek(0)
    encoding = "utf-16"
    if file.read(2) not in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        file.seek(0)
        encoding = "utf-8-sig" if _is_utf8(file) else "latin-1"
    file.seek(0)
    return io.TextIOWrapper(file, encoding, errors="replace")


def _is_utf8(file: BinaryIO) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        while block := file.read(BLOCK):
            decoder.decode(block)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


class _CsvReader:
    """Parser of one file; errors name the file and the line."""

    def __init__(self, text: TextIO, source: str, unit: str | None) -> None:
        self._text, self._source, self._unit = text, source, unit
        self._separator = _separator(text)
        self._table: _CsvColumns | None = None  # while blocks may be taken as a whole
        self._in_row = False  # between quotes, where a line is not a row
        self._line = 0  # lines so far

    def _fault(self, problem: str, line: int | None = None) -> CaptureError:
        return CaptureError(f"{self._source}{'' if line is None else f', line {line}'}: {problem}")

    def read(self) -> Capture:
        rows = self._rows()
        header: list[str] = []
        for line, row in rows:
            column = _time_column(header)
            if _is_time(row, column):
                self._table = table = self._new_table(header, row, column)
                self._take(table, row, line, rows)
                break
            header = row
        else:
            raise self._fault(f"no line begins with a time; {_SHAPE}, or VCD")
        for line, row in rows:
            self._take(table, row, line, rows)
        step_ps = max(1, round(_written_step(table) * table.scale))
        origin_ps = int((table.first * table.scale).to_integral_value())
        return Capture(self._source, "CSV", tuple(self._signals(table)), origin_ps, table.end_ps, step_ps)

    # --- from text to rows ----------------------------------------------------------------------------------

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        """Yield the rows of all blocks but those that are taken as a whole, with their lines."""
        reader = csv.reader(self._lines(), delimiter=self._separator)
        try:
            for row in reader:
                self._in_row = False
                first = row[0].lstrip() if row else ""
                if (first or len(row) > 1) and not first.startswith(_COMMENT):
                    cells = [cell.strip() for cell in row]
                    yield self._line, cells if self._separator == "," else [cell.replace(",", ".") for cell in cells]
        except csv.Error as error:
            raise self._fault(f"{error}; {_SHAPE}", self._line) from None

    def _lines(self) -> Iterator[str]:
        for block in self._blocks():
            if not self._is_taken(block):
                for line in io.StringIO(block):
                    self._line += 1
                    self._in_row = True
                    yield line
            if self._table is not None:
                edges = sum(len(values.value) for values in self._table.levels.values())
                refuse_more_edges(edges + len(self._table.edges_ps), self._source)

    def _blocks(self) -> Iterator[str]:
        """Yield the text in blocks of whole lines, the lines before the first row one by one."""
        while block := self._text.read(BLOCK if self._table else 1):
            rest = self._text.readline(LONGEST)
            if len(rest) == LONGEST:
                line = self._line + block.count("\n") + 1
                raise self._fault(f"a line of more than {LONGEST / 1e6:.0f} million characters; {_SHAPE}", line)
            yield block + rest

    def _new_table(self, header: list[str], row: list[str], column: int) -> _CsvColumns:
        """Return an empty table for rows like `row`."""
        heads = [*header, *[""] * len(row)][: len(row)]
        names = [printable(head) or f"column {number}" for number, head in enumerate(heads, 1)]
        levels = {index: Values() for index, cell in enumerate(row) if index != column and cell.lower() in _LEVELS}
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
            problem = "time runs backwards" if self._follows(rows) else "the file is cut off, or time runs backwards"
            raise self._fault(f"{problem} ({row[table.time_column]})", line)
        if (stamp - table.first) * table.scale > LONGEST_PS:
            raise self._fault("more than a day after the first row; is --unit right?", line)
        if len(row) < len(table.names):
            problem = "a row is too short" if self._follows(rows) else "the file is cut off"
            raise self._fault(f"{problem}: {len(row)} of {len(table.names)} columns; {_SHAPE}", line)
        table.last = stamp
        table.digits = max(table.digits, len(stamp.as_tuple().digits))
        table.end_ps = int(((stamp - table.first) * table.scale).to_integral_value())
        if len(table.names) == 1:
            table.edges_ps.append(table.end_ps)
        self._take_levels(table, row, line)

    def _follows(self, rows: Iterator[tuple[int, list[str]]]) -> bool:
        """Return whether there is another row."""
        self._table = None
        return next(rows, None) is not None

    def _take_levels(self, table: _CsvColumns, row: list[str], line: int) -> None:
        for column, values in list(table.levels.items()):
            level = _LEVELS.get(row[column].lower())
            if level is not None:
                values.append(table.end_ps, level)
                continue
            del table.levels[column]
            if not table.levels:
                raise self._fault(f"{printable(row[column])!r} is not a level; allowed: 0 and 1", line)

    # --- whole blocks ---------------------------------------------------------------------------------------

    def _is_taken(self, text: str) -> bool:
        """Take a block if there are only rows of times and levels in it, and no errors."""
        try:
            require(self._table is not None and not self._in_row and text.isascii())
            assert self._table is not None
            self._take_block(self._table, Block((text if text.endswith("\n") else text + "\n").encode("ascii")))
        except OddBlockError:
            return False
        return True

    def _take_block(self, table: _CsvColumns, block: Block) -> None:
        start, stop, level = self._times_and_levels(table, block)
        figures, power = block.decimals(start, stop, "." if self._separator == "," else ".,")
        at_ps = _instants_ps(table, figures, power + table.scale.adjusted())
        # Nothing below can fail.
        last = block.bytes[start[-1] : stop[-1]].tobytes().decode("ascii")
        table.last = Decimal(last.replace(",", "."))
        table.digits = max(table.digits, len(str(np.abs(figures).max())))
        table.end_ps = int(at_ps[-1])
        self._line += len(at_ps)
        for values, recorded in zip(table.levels.values(), level, strict=True):
            values.extend(at_ps, recorded)
        if not table.levels:
            table.edges_ps.frombytes(at_ps.tobytes())

    def _times_and_levels(self, table: _CsvColumns, block: Block) -> tuple[Ints, Ints, Levels]:
        """Return where the times begin and end, (rows,), and the levels, (columns, rows)."""
        separator, columns, levels = ord(self._separator), len(table.names), list(table.levels)
        if levels == list(range(1, columns)) and (plain := _plain(block, separator, columns)) is not None:
            return plain
        start, stop = block.cells(separator, columns)
        require((stop - start).max() <= csv.field_size_limit())
        return start[:, table.time_column], stop[:, table.time_column], _levels(block, start, stop, levels)

    # --- signals --------------------------------------------------------------------------------------------

    def _signals(self, table: _CsvColumns) -> Iterator[Signal]:
        if len(table.names) == 1:
            yield self._alternating(table.names[0], np.array(table.edges_ps, np.int64))
        for column, values in table.levels.items():
            yield values.signal(table.names[column], (), table.end_ps)

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


def _separator(text: TextIO) -> str:
    """Return the column separator: the first of ; and tab that is in a line with digits, else a comma."""
    found = set()
    for _ in range(_LINES_EXAMINED):
        line = text.readline(LONGEST)
        if line.lstrip(' "')[:1] in _DIGITS:
            found |= {separator for separator in ";\t" if separator in line}
    text.seek(0)
    return ";" if ";" in found else "\t" if "\t" in found else ","


def _written_step(table: _CsvColumns) -> Decimal:
    """Return the step of the largest time, in the unit of the file.

    It follows from the significant digits: six are 1 µs at 0.9 s, and 100 µs at a minute.
    """
    largest = max(table.first, table.last, key=abs)
    return Decimal(1).scaleb(largest.adjusted() + 1 - table.digits) if largest else Decimal(1)


def _instants_ps(table: _CsvColumns, figures: Ints, power: Ints) -> Ints:
    """Return the instants of rows with times of figures x 10^power ps, rounded half to even as those of other rows."""
    places = [-int(time.as_tuple().exponent) - table.scale.adjusted() for time in (table.first, table.last)]
    finer = max(0, -int(power.min()), *places)
    require(finer <= _MOST_DECIMALS and power.max() <= MOST_DIGITS)
    unit, factor = 10**finer, POWERS_OF_TEN[np.maximum(power, 0)]
    first, last = (divmod(int(Fraction(time) * int(table.scale) * unit), unit) for time in (table.first, table.last))
    require(abs(first[0]) <= _MOST_PS and (np.abs(figures) <= _MOST_PS // factor).all())
    ps, rest = np.divmod(figures * factor, POWERS_OF_TEN[np.maximum(-power, 0)])
    rest *= POWERS_OF_TEN[np.minimum(power, 0) + finer]
    step_ps, step = np.diff(ps, prepend=last[0]), np.diff(rest, prepend=last[1])
    require(((step_ps > 0) | ((step_ps == 0) & (step >= 0))).all())
    ps -= first[0]
    rest -= first[1]
    is_less = rest < 0
    ps -= is_less
    rest += unit * is_less
    require((int(ps[-1]), int(rest[-1])) <= (LONGEST_PS, 0))
    ps += 2 * rest + ps % 2 > unit
    return ps


def _plain(block: Block, separator: int, columns: int) -> tuple[Ints, Ints, Levels] | None:
    """Return times and levels where rows are a time and digits 0 and 1 with nothing around them, else None."""
    ends = np.flatnonzero(block.bytes == ord("\n"))
    start, stop = np.append(block.begin, ends[:-1] + 1), ends - 2 * (columns - 1)
    if (block.bytes[start] <= ord('"')).any() or (block.bytes[stop - 1] == ord(" ")).any():
        return None
    at = stop + 2 * np.arange(columns - 1)[:, None]
    level: Levels = block.bytes[at + 1] - np.uint8(ord("0"))
    return None if (block.bytes[at] != separator).any() or (level > 1).any() else (start, stop, level)


def _levels(block: Block, start: Ints, stop: Ints, columns: list[int]) -> Levels:
    """Return the levels in some columns of cells, (columns, rows)."""
    level: Levels = np.ascontiguousarray(block.bytes[start].T)[columns] - np.uint8(ord("0"))
    if np.ascontiguousarray((stop - start == 1).T)[columns].all() and (level <= 1).all():
        return level
    length = (stop - start)[:, columns].T
    require(((length > 0) & (length <= EIGHT)).all())
    word = block.eights(start[:, columns].T, length) | _LOWER_CASE
    at = np.minimum(np.searchsorted(_LEVEL_WORDS, word), len(_LEVEL_WORDS) - 1)
    require((_LEVEL_WORDS[at] == word).all())
    return _LEVEL_VALUES[at]
