"""Statistics of each column in constant memory: value, lowest, highest, last change, flat ends, mean at rest."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from lostlink.watch.columns import PrintedRow

_RATE_ROWS = 256
_RATE_NS = 3_000_000_000
_ENOUGH_VALUES = 8
_TREMOR_CODES, _TREMOR = 2, 8
_FAR = 4
"""A value this many times the tremor away, for one line out of a rest, is an outlier: a byte was lost."""
_REST_ROWS = 3
"""Fewest lines of a rest out of which a value can be an outlier."""
_MEAN_ROWS = 25
"""Lines over which a rest is averaged."""
_FLAT_ROWS = 5
"""Fewest equal lines of a stay."""
_FLAT_SHARE = 0.7
"""Least part of a stay without a change."""
_FLAT_LEAST_NS, _FLAT_MOST_NS = 60_000_000, 1_500_000_000


@dataclass(slots=True)
class Extreme:
    """The lowest or the highest value, and how often the stick moved on while its value stayed there.

    Attributes
    ----------
    value : float
    flat_times : int
        Stays of up to 1.5 s without a change. A value that comes and goes in a stay is noise, which no end hides.
    """

    value: float
    flat_times: int = 0
    _first_ns: int | None = None  # of the present stay near the value: first and last line at the value itself
    _last_ns: int = 0
    _run_ns: int = 0  # begin of the present run of equal values
    _run_rows: int = 0
    _longest_ns: int = 0
    _longest_rows: int = 0

    def add(self, at_ns: int, value: float, *, is_beyond: bool, tremor: float) -> None:
        """Add the next value; `is_beyond` makes it the extreme."""
        if is_beyond:
            self.value, self.flat_times, self._first_ns = value, 0, None
        if value == self.value:
            if self._first_ns is None:
                self._first_ns, self._run_rows, self._longest_ns, self._longest_rows = at_ns, 0, 0, 0
            if not self._run_rows:
                self._run_ns = at_ns
            self._run_rows += 1
            self._last_ns = at_ns
            self._longest_ns = max(self._longest_ns, at_ns - self._run_ns)
            self._longest_rows = max(self._longest_rows, self._run_rows)
            return
        self._run_rows = 0
        if self._first_ns is not None and abs(value - self.value) > tremor:
            self.flat_times += self._is_flat(self._last_ns - self._first_ns)
            self._first_ns = None

    def _is_flat(self, lasted_ns: int) -> bool:
        is_short = _FLAT_LEAST_NS <= lasted_ns <= _FLAT_MOST_NS
        return is_short and self._longest_rows >= _FLAT_ROWS and self._longest_ns >= _FLAT_SHARE * lasted_ns


@dataclass(slots=True)
class ColumnStats:
    """One column.

    Attributes
    ----------
    value : float
    changed_ns : int
        Time of the last change.
    rests_since_ns : int
        Start of the present rest, with noise only; 0 at first.
    rests_at : float
        Mean of the newest values of the present rest.
    bottom, top : Extreme
        The lowest and the highest value; single outliers are left out, so the newest value is not yet among them.
    """

    value: float
    changed_ns: int
    rests_since_ns: int
    rests_at: float
    bottom: Extreme
    top: Extreme
    _at_ns: int
    _anchor: float
    _rest_rows: int = 0
    _values: set[float] = field(default_factory=set)

    @classmethod
    def starting(cls, at_ns: int, value: float) -> ColumnStats:
        """Return the statistics after one value."""
        return cls(value, at_ns, 0, value, Extreme(value), Extreme(value), at_ns, value)

    @property
    def lowest(self) -> float:
        """Lowest value."""
        return self.bottom.value

    @property
    def highest(self) -> float:
        """Highest value."""
        return self.top.value

    @property
    def moved(self) -> float:
        """Difference of the highest and the lowest value."""
        return self.highest - self.lowest

    @property
    def is_stick(self) -> bool:
        """Whether it has had more values than a switch has."""
        return len(self._values) >= _ENOUGH_VALUES

    def add(self, at_ns: int, value: float) -> None:
        """Add the next value."""
        tremor = _TREMOR_CODES if max(self.highest, self.value) <= 255 else _TREMOR
        is_back = self._rest_rows >= _REST_ROWS and abs(value - self._anchor) <= tremor
        if not (is_back and abs(self.value - self._anchor) > _FAR * tremor):
            self._count(self._at_ns, self.value, tremor)
        self._at_ns = at_ns
        if value != self.value:
            self.value, self.changed_ns = value, at_ns

    def _count(self, at_ns: int, value: float, tremor: float) -> None:
        """Count a value that is not an outlier."""
        if len(self._values) < _ENOUGH_VALUES:
            self._values.add(value)
        self.bottom.add(at_ns, value, is_beyond=value < self.bottom.value, tremor=tremor)
        self.top.add(at_ns, value, is_beyond=value > self.top.value, tremor=tremor)
        if abs(value - self._anchor) > tremor:
            self._anchor, self.rests_since_ns, self._rest_rows = value, at_ns, 0
        self._rest_rows += 1
        self.rests_at += (value - self.rests_at) / min(self._rest_rows, _MEAN_ROWS)


class TableStats:
    """All columns and the rate of lines.

    Attributes
    ----------
    columns : list of ColumnStats
        Empty before the first row.
    last_ns : int or None
        Arrival of the last row.
    """

    def __init__(self) -> None:
        self.columns: list[ColumnStats] = []
        self.last_ns: int | None = None
        self._stamps_ns: deque[int] = deque(maxlen=_RATE_ROWS)

    def add(self, rows: Iterable[PrintedRow]) -> None:
        """Add rows; a new number of columns restarts the statistics."""
        for row in rows:
            self._stamps_ns.append(row.at_ns)
            self.last_ns = row.at_ns
            if len(self.columns) != len(row.values):
                self.columns = [ColumnStats.starting(row.at_ns, value) for value in row.values]
                continue
            for column, value in zip(self.columns, row.values, strict=True):
                column.add(row.at_ns, value)

    def rate_hz(self, now_ns: int) -> float:
        """Return the lines per second over the last 3 s."""
        while self._stamps_ns and self._stamps_ns[0] < now_ns - _RATE_NS:
            self._stamps_ns.popleft()
        if len(self._stamps_ns) < 2:
            return 0.0
        spread_ns = self._stamps_ns[-1] - self._stamps_ns[0]
        return (len(self._stamps_ns) - 1) * 1e9 / spread_ns if spread_ns else 0.0
