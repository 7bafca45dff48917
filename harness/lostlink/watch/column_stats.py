"""Statistics of each column in constant memory: value, lowest, highest, last change, flat ends."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from lostlink.watch.columns import PrintedRow

_RATE_ROWS = 256
_RATE_NS = 3_000_000_000
_ENOUGH_VALUES = 8
_FLAT_ROWS = 5
_TREMOR_CODES, _TREMOR = 2, 8
_FLAT_LEAST_NS, _FLAT_MOST_NS = 60_000_000, 1_500_000_000


@dataclass(slots=True)
class Plateau:
    """A stay at an extreme value.

    Attributes
    ----------
    value : float
    rows : int
        Lines of the present stay.
    since_ns : int
        Start of the present stay.
    times : int
        Short stays during a movement: the stick moved on while its number could not.
    """

    value: float
    rows: int = 1
    since_ns: int = 0
    times: int = 0


@dataclass(slots=True)
class ColumnStats:
    """One column.

    Attributes
    ----------
    value, lowest, highest : float
    changed_ns : int
        Time of the last change.
    rests_since_ns : int
        Start of the present rest, with noise only; 0 at first.
    bottom, top : Plateau
        Stays at the lowest and the highest value.
    """

    value: float
    lowest: float
    highest: float
    changed_ns: int
    rests_since_ns: int
    bottom: Plateau
    top: Plateau
    _anchor: float
    _values: set[float] = field(default_factory=set)

    @classmethod
    def starting(cls, at_ns: int, value: float) -> ColumnStats:
        """Return the statistics after one value."""
        bottom, top = Plateau(value, since_ns=at_ns), Plateau(value, since_ns=at_ns)
        return cls(value, value, value, at_ns, 0, bottom, top, value)

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
        if len(self._values) < _ENOUGH_VALUES:
            self._values.add(value)
        changed = value != self.value
        for plateau, beyond in ((self.bottom, value < self.lowest), (self.top, value > self.highest)):
            _stay(plateau, at_ns, value, changed=changed, beyond=beyond)
        self.lowest, self.highest = min(self.lowest, value), max(self.highest, value)
        if changed:
            self.value, self.changed_ns = value, at_ns
        if abs(value - self._anchor) > (_TREMOR_CODES if self.highest <= 255 else _TREMOR):
            self._anchor, self.rests_since_ns = value, at_ns


def _stay(plateau: Plateau, at_ns: int, value: float, *, changed: bool, beyond: bool) -> None:
    """Update the stay at an extreme value; `beyond` restarts it at a new extreme."""
    if beyond:
        plateau.value, plateau.rows, plateau.since_ns, plateau.times = value, 1, at_ns, 0
    elif value == plateau.value:
        if changed:
            plateau.rows, plateau.since_ns = 0, at_ns
        plateau.rows += 1
    elif plateau.rows:
        lasted_ns = at_ns - plateau.since_ns
        if plateau.rows >= _FLAT_ROWS and _FLAT_LEAST_NS <= lasted_ns <= _FLAT_MOST_NS:
            plateau.times += 1
        plateau.rows = 0


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
