"""Parses text columns of channel values to rows. Pure: bytes and their arrival times in, rows out.

A board with a print statement in its main loop prints lines of numbers. Rules:

- Lines end with CR, LF or both. Everything before the first end of a line is dropped: it may be part of a line.
- Numbers are separated by tabs, commas, semicolons, spaces, brackets, or names such as ``ch1:`` or ``T=``. A number
  may have a unit.
- A line without a number is a header. A line with other characters, or too long, is garbage.
- All rows have the same number of columns: the first number that three lines have, or later the number that ten
  consecutive lines have. Other lines are broken.
- A column that nearly always rises, wraps allowed, is a clock or a counter and not a channel.
- Every byte takes 10 bits on the line. The instant of a row is that of its last byte: the arrival of the piece of
  data that ends it, less the time of the bytes after it, but not before the arrival of the previous piece.

The split of the bytes into pieces affects only the instants.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

LONGEST_LINE: Final = 250
"""A longer line is garbage."""
BITS_PER_BYTE: Final = 10
"""On the line: start bit, eight data bits, stop bit."""
_LINES_TO_SETTLE = 3
_LINES_TO_CHANGE = 10
_STEPS_OF_A_CLOCK = 20
_RISING_SHARE = 0.95
_WRAP_SHARE = 0.25
_SEEN = 3
"""Fewest values of a kind that are not an accident."""
_REACHES: Final = (100, 128, 500, 512, 1000, 1024, 2048, 10_000, 32_768)
"""Usual ends of the range of values around 0, by common practice."""

_TOKEN: Final = re.compile(
    r"""
    (?P<label>[A-Za-z_]\w*+(?:[ ]?+[\[(#]?+\d++[\])]?+)?+[ \t]*+[:=])
  | (?P<number>(?<![\w.])[-+]?\d{1,12}(?:\.\d{1,9})?)(?:us|ms|s|V|%|dBm)?(?![\w.])
  | (?P<word>[A-Za-z_]\w*+)
  | (?P<between>[ \t,;:|/\[\](){}<>"']++)
    """,
    re.VERBOSE | re.ASCII,
)
_END_OF_LINE: Final = re.compile(rb"[\r\n]")


class ValueKind(Enum):
    """Quantity that the numbers are."""

    CODES = "codes 0..255"
    COUNTS = "ADC counts 0..1023"
    WIDTHS = "pulse widths in µs"
    SIGNED = "values around 0"


@dataclass(frozen=True, slots=True)
class PrintedRow:
    """One line of numbers.

    Attributes
    ----------
    at_ns : int
        Arrival of its last byte, host's monotonic clock.
    since_ns : int
        Arrival of the previous piece of data; the last byte of the line arrived after it.
    values : tuple of float
        All columns, clocks included.
    """

    at_ns: int
    since_ns: int
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ColumnLayout:
    """Meaning of the columns, from all lines so far.

    Attributes
    ----------
    width : int
        Number of columns.
    clocks, channels, others : tuple of int
        Indices of the columns that are a time or a counter, that are channels, and of the rest.
    kind : ValueKind
        Quantity of the channels.
    names : tuple of str
        Name that the board prints for each column, or empty.
    reach : int
        For values around 0: a usual end of their range, at least the largest value.
    """

    width: int
    clocks: tuple[int, ...]
    channels: tuple[int, ...]
    others: tuple[int, ...]
    kind: ValueKind
    names: tuple[str, ...]
    reach: int = 0


@dataclass(slots=True)
class LineCounts:
    """Counts of the received data.

    Attributes
    ----------
    bytes, rows, headers : int
    garbage : int
        Lines that are neither numbers nor words.
    broken : int
        Lines of numbers with another number of columns.
    zeros : int
        Zero bytes, which do not occur in text.
    shortest_line, longest_line : int
        Bytes in the lines of rows, without line ends.
    """

    bytes: int = 0
    rows: int = 0
    headers: int = 0
    garbage: int = 0
    broken: int = 0
    zeros: int = 0
    shortest_line: int = LONGEST_LINE
    longest_line: int = 0


@dataclass(slots=True)
class _Column:
    """History of one column.

    Attributes
    ----------
    codes, middle, high, wide, strange : int
        Values in 0..255, 256..799, 800..1023, 1024..2200, and elsewhere.
    negative : int
        Values below 0.
    largest : float
        Largest magnitude.
    """

    last: float | None = None
    steps: int = 0
    rises: int = 0
    codes: int = 0
    middle: int = 0
    high: int = 0
    wide: int = 0
    strange: int = 0
    negative: int = 0
    largest: float = 0

    def add(self, value: float) -> None:
        last, self.last = self.last, value
        if last is not None:
            self.steps += 1
            self.rises += value > last or 0 <= value < last * _WRAP_SHARE
        self.negative += value < 0
        self.largest = max(self.largest, abs(value))
        if 0 <= value <= 255:
            self.codes += 1
        elif value < 0 or value > 2200:
            self.strange += 1
        elif value < 800:
            self.middle += 1
        elif value < 1024:
            self.high += 1
        else:
            self.wide += 1

    @property
    def is_clock(self) -> bool:
        return self.steps >= _STEPS_OF_A_CLOCK and self.rises >= _RISING_SHARE * self.steps

    @property
    def _half(self) -> float:
        return max(_SEEN, (self.steps + 1) / 2)

    def like_widths(self) -> bool:
        """Return whether these are pulse widths and cannot be counts."""
        return self.wide >= _SEEN and self.wide + self.high >= self._half

    def like_counts(self) -> bool:
        """Return whether these are counts and cannot be codes."""
        return self.middle >= _SEEN and self.wide + self.strange < _SEEN

    def like_signed(self) -> bool:
        """Return whether these are values around 0."""
        return self.negative >= _SEEN

    def mostly_high(self) -> bool:
        return self.high >= self._half

    def like_codes(self) -> bool:
        return self.middle + self.high + self.wide + self.strange < self._half and self.codes > 0

    def can_be(self, kind: ValueKind) -> bool:
        if kind is ValueKind.WIDTHS:
            return self.wide + self.high >= min(_SEEN, self.steps + 1)
        if kind is ValueKind.SIGNED:
            return self.largest <= _REACHES[-1]
        if kind is ValueKind.COUNTS:
            return self.wide + self.strange < self._half
        return self.like_codes()


class ColumnReader:
    """Incremental parser of text columns.

    Parameters
    ----------
    baud : int
        Serial baud rate, for the time that bytes take on the line.

    Attributes
    ----------
    counts : LineCounts
    """

    def __init__(self, baud: int) -> None:
        self.counts = LineCounts()
        self._byte_ns = BITS_PER_BYTE * 1_000_000_000 / baud
        self._rest = b""
        self._overlong = False
        self._seen_an_end = False
        self._arrived_ns: int | None = None
        self._last_ns = 0
        self._width: int | None = None
        self._pending: list[tuple[PrintedRow, tuple[str, ...]]] = []
        self._other = (0, 0)  # another width, and the number of consecutive lines with it
        self._headers: dict[int, tuple[str, ...]] = {}
        self._labels: tuple[str, ...] = ()
        self._columns: list[_Column] = []

    def feed(self, at_ns: int, data: bytes) -> list[PrintedRow]:
        """Parse a piece of data and return the rows that it completes.

        Parameters
        ----------
        at_ns : int
            Its arrival, host's monotonic clock.
        data : bytes
        """
        since_ns = at_ns if self._arrived_ns is None else min(self._arrived_ns, at_ns)
        self.counts.bytes += len(data)
        self.counts.zeros += data.count(0)
        rows: list[PrintedRow] = []
        for line, behind in self._lines(data):
            self._last_ns = max(since_ns, self._last_ns, at_ns - round(behind * self._byte_ns))
            rows += self._line(line, self._last_ns, since_ns)
        if data:
            self._arrived_ns = at_ns
        return rows

    def _lines(self, data: bytes) -> Iterator[tuple[bytes, int]]:
        """Yield whole lines, and the number of bytes of `data` after each."""
        start = 0
        for end in _END_OF_LINE.finditer(data):
            line = self._rest + data[start : end.start()]
            whole = self._seen_an_end and not self._overlong
            self._rest, self._seen_an_end = b"", True
            if self._overlong or len(line) > LONGEST_LINE:
                self.counts.garbage += 1
                whole = False
            self._overlong = False
            start = end.end()
            if whole and line.strip():
                yield line, len(data) - start
        self._rest += data[start : start + LONGEST_LINE + 1]
        if len(self._rest) > LONGEST_LINE:
            self._rest, self._overlong = b"", True

    def _line(self, line: bytes, at_ns: int, since_ns: int) -> list[PrintedRow]:
        parsed = parse_line(line)
        if parsed is None:
            self.counts.garbage += 1
            return []
        values, words = parsed
        if not values:
            self.counts.headers += 1
            self._headers[len(words)] = words
            return []
        self.counts.shortest_line = min(self.counts.shortest_line, len(line))
        self.counts.longest_line = max(self.counts.longest_line, len(line))
        return self._row(PrintedRow(at_ns, since_ns, values), words)

    def _row(self, row: PrintedRow, labels: tuple[str, ...]) -> list[PrintedRow]:
        if self._width is None:
            self._pending.append((row, labels))
            return self._settle()
        if len(row.values) == self._width:
            self._other = (0, 0)
            return self._accept([(row, labels)])
        self.counts.broken += 1
        width, times = self._other
        self._other = (len(row.values), times + 1 if width == len(row.values) else 1)
        if self._other[1] >= _LINES_TO_CHANGE:
            self._width, self._columns, self._other = len(row.values), [], (0, 0)
        return []

    def _settle(self) -> list[PrintedRow]:
        """Fix the number of columns as soon as some lines agree."""
        width, times = Counter(len(row.values) for row, _ in self._pending).most_common(1)[0]
        if times < _LINES_TO_SETTLE:
            return []
        self._width = width
        fit = [(row, labels) for row, labels in self._pending if len(row.values) == width]
        self.counts.broken += len(self._pending) - len(fit)
        self._pending = []
        return self._accept(fit)

    def _accept(self, lines: Sequence[tuple[PrintedRow, tuple[str, ...]]]) -> list[PrintedRow]:
        if not self._columns:
            self._columns = [_Column() for _ in range(self._width or 0)]
        for row, labels in lines:
            self._labels = labels
            for column, value in zip(self._columns, row.values, strict=True):
                column.add(value)
        self.counts.rows += len(lines)
        return [row for row, _ in lines]

    def layout(self, channels: int | None = None) -> ColumnLayout | None:
        """Return the meaning of the columns; None before the first rows.

        Parameters
        ----------
        channels : int, optional
            Expected number of channels. If exactly that many columns are not clocks, they are the channels.
        """
        if not self._columns:
            return None
        clocks = [index for index, column in enumerate(self._columns) if column.is_clock]
        left = [index for index in range(len(self._columns)) if index not in clocks]
        kind = _kind([self._columns[index] for index in left])
        fit = [index for index in left if self._columns[index].can_be(kind)]
        if channels == len(left):
            fit = left
        others = tuple(index for index in left if index not in fit)
        largest = max((self._columns[index].largest for index in fit), default=0)
        reach = next((reach for reach in _REACHES if reach >= largest), 0) if kind is ValueKind.SIGNED else 0
        return ColumnLayout(len(self._columns), tuple(clocks), tuple(fit), others, kind, self._names(), reach)

    def _names(self) -> tuple[str, ...]:
        width = len(self._columns)
        if len(self._labels) == width:
            return self._labels
        return self._headers.get(width, ("",) * width)


def parse_line(line: bytes) -> tuple[tuple[float, ...], tuple[str, ...]] | None:
    """Return the numbers and the words of a line; None if it has neither.

    >>> parse_line(b"ch1: 1500, ch2: 1000")
    ((1500, 1000), ('ch1', 'ch2'))
    """
    text = line.replace(b"\xc2\xb5", b"u").decode("ascii", "replace")
    values: list[float] = []
    words: list[str] = []
    start = 0
    while start < len(text):
        token = _TOKEN.match(text, start)
        if token is None:
            return None
        start = token.end()
        if token.lastgroup == "number":
            number = token["number"]
            values.append(float(number) if "." in number else int(number))
        elif token.lastgroup == "label":
            words.append(token["label"].rstrip(":= \t"))
        elif token.lastgroup == "word":
            words.append(token["word"])
    return (tuple(values), tuple(words)) if values or words else None


def _kind(columns: Sequence[_Column]) -> ValueKind:
    """Return the quantity that fits most columns; a width is the strongest evidence, then a count.

    One column of negative values may be a signal strength; two or more are sticks.
    """
    widths = sum(column.like_widths() for column in columns)
    counts = sum(column.like_counts() for column in columns)
    codes = sum(column.like_codes() for column in columns)
    signed = sum(column.like_signed() for column in columns)
    if signed > 1 and signed >= max(widths, counts):
        return ValueKind.SIGNED
    if widths and widths >= counts and (widths > 1 or widths >= codes):
        return ValueKind.WIDTHS
    if counts and counts >= widths:
        return ValueKind.COUNTS
    high = sum(column.mostly_high() for column in columns)
    if high > codes:
        return ValueKind.WIDTHS  # low pulses; counts all near the upper end are rarer
    return ValueKind.COUNTS if high else ValueKind.CODES
