"""What the numbers of one stick showed: rests and their noise, ends of its travel, rails, jumps. In constant memory.

Whether a stick rests is decided for blocks of half a second. Its numbers there have no trend, and they are close
together or independent of each other: a hand moves slower than lines come, so that neighbours in a movement are alike
(the ratio of von Neumann, *Annals of Mathematical Statistics* 12, 1941: 2 for independent numbers, less for a trend).
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink.watch.columns import ColumnLayout, PrintedRow
from lostlink.watch.stick_scale import StickScale, stick_scale
from lostlink_sims import Profile

_BLOCK_NS, _BLOCK_ROWS = 500_000_000, 12
_PAUSE_NS = 1_000_000_000
"""After a longer pause in the lines a new block begins."""
_TREMOR_STEPS = 2
_NOISE_MOST = 0.1
"""Greatest noise of a rest, as a share of the range."""
_SIGMAS = 4
"""Two means of the same rest differ by less: by chance one in 16 000 differs by more."""
_INDEPENDENT = 1.0
"""Least ratio of von Neumann of independent numbers: 2 - 5 / sqrt(n) for n = 25."""
_SMOOTHED_ROWS, _SETTLES_SQUARE = 100, 1.0
"""Fewest lines and least variance by which smoothing shows; a stick that settles drifts by less in a block."""
CENTRAL: Final = 0.15
"""A rest farther from the middle, as a share of the range, is a stick that is held."""
_TURN = 0.12
"""A stick that goes back by this share of its range has turned."""
_JUMP = 0.1
"""A step from one line to the next, as a share of the range, that is no slow movement."""
_RAIL_JUMP = 0.2
_OFF_ROWS = 2
_BACK = 0.05
_BACK_NS = 2_000_000_000
_AGREE = 0.01
_KEPT_TURNS = 32
_SWING, _SWINGS, _SWING_SHARE = 0.05, 6, 0.35
_SWINGS_HZ = 20
"""Turns per second of a stick that is shaken: twice the 10 Hz beyond which no hand goes; common practice, no source."""
_BINS, _BINS_ROW, _BINS_STEP = 64, 12, 3
"""Parts of the range; how many in a row a slow movement goes through; how many it may go on from line to line."""
_SLOW_NS, _STAY_NS, _STAY_ROWS = 400_000_000, 80_000_000, 3

_EARLY_ROWS = 1000
"""Lines that are kept from the first on, because the meaning of the columns is not yet certain."""

Floats = NDArray[np.float64]


@dataclass(slots=True)
class Rest:
    """A stick at rest, for a second or more.

    Attributes
    ----------
    rows, blocks : int
    mean, lowest, highest : float
    squares : float
        Sum of the squared differences from the mean.
    within, successive : float
        Sums of squared differences inside the blocks: from a block's mean, and of neighbouring numbers.
    """

    rows: int
    blocks: int
    mean: float
    lowest: float
    highest: float
    squares: float
    within: float
    successive: float

    @classmethod
    def of(cls, values: Floats) -> Rest:
        """Return the rest of one block."""
        mean = float(values.mean())
        squares, successive = float(((values - mean) ** 2).sum()), float((np.diff(values) ** 2).sum())
        return cls(len(values), 1, mean, float(values.min()), float(values.max()), squares, squares, successive)

    @property
    def deviation(self) -> float:
        """Standard deviation."""
        return math.sqrt(self.squares / (self.rows - 1))

    @property
    def peak_to_peak(self) -> float:
        """Difference of the highest and the lowest number."""
        return self.highest - self.lowest

    @property
    def is_smoothed(self) -> bool:
        """Whether neighbouring numbers are more alike than independent ones, by more than those of a settling stick."""
        is_enough = self.rows >= _SMOOTHED_ROWS and self.within >= _SETTLES_SQUARE * self.rows
        return is_enough and self.successive < _INDEPENDENT * self.within

    def agrees(self, other: Rest, unit: float) -> bool:
        """Return whether a block after it is of the same rest."""
        both = (self.squares + other.squares) / (self.rows + other.rows)
        return abs(other.mean - self.mean) <= max(unit, _SIGMAS * math.sqrt(both * (1 / self.rows + 1 / other.rows)))

    def extend(self, values: Floats) -> None:
        """Add a block."""
        other = Rest.of(values)
        apart, rows = other.mean - self.mean, self.rows + other.rows
        self.squares += other.squares + apart**2 * self.rows * other.rows / rows
        self.within, self.successive = self.within + other.within, self.successive + other.successive
        self.mean += apart * other.rows / rows
        self.rows, self.blocks = rows, self.blocks + 1
        self.lowest, self.highest = min(self.lowest, other.lowest), max(self.highest, other.highest)


@dataclass(frozen=True, slots=True)
class End:
    """One end of a stick's travel.

    Attributes
    ----------
    value : float
    times : int
        How often the stick came to it in a slow movement and turned back.
    """

    value: float
    times: int


@dataclass(slots=True)
class _Turns:
    """Where a movement turned back, and the greatest step from one line to the next on the way there."""

    least: float
    lows: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=_KEPT_TURNS))
    highs: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=_KEPT_TURNS))
    turned: int = 0
    _way: int = 0
    _extreme: float = 0
    _lowest: float = math.inf
    _highest: float = -math.inf
    _last: float = math.nan
    _steepest: float = 0
    _since: float = 0

    def add(self, value: float) -> None:
        step = 0.0 if math.isnan(self._last) else abs(value - self._last)
        self._last = value
        self._since = max(self._since, step)
        if self._way == 0:
            self._lowest, self._highest = min(self._lowest, value), max(self._highest, value)
            if self._highest - self._lowest >= self.least:
                self._way, self._extreme = 1 if value == self._highest else -1, value
            return
        if (value - self._extreme) * self._way >= 0:
            self._extreme, self._steepest, self._since = value, max(self._steepest, self._since), 0
        elif (self._extreme - value) * self._way >= self.least:
            (self.highs if self._way > 0 else self.lows).append((self._extreme, self._steepest))
            self.turned += 1
            self._way, self._extreme, self._steepest, self._since = -self._way, value, self._since, 0


@dataclass(slots=True)
class Rail:
    """One rail of the ADC.

    Attributes
    ----------
    since_ns : int or None
        Begin of the present stay there; None when the number is not there.
    came_from : float or None
        The number before the present stay, where it went there from one line to the next.
    rows, off_rows : int
        Lines there; newest lines that are not there. A line alone does not end a stay: a byte may be lost.
    jumps, longest_jump_rows : int
        Stays that began and ended from one line to the next, between about the same numbers; lines of the longest.
    """

    since_ns: int | None = None
    came_from: float | None = None
    rows: int = 0
    off_rows: int = 0
    jumps: int = 0
    longest_jump_rows: int = 0
    _stay_rows: int = 0

    def add(self, at_ns: int, value: float, before: float | None, *, is_there: bool, span: float) -> None:
        """Add a number, and the one before it."""
        if is_there:
            if self.since_ns is None:
                is_jump = before is not None and abs(value - before) >= _RAIL_JUMP * span
                self.since_ns, self._stay_rows, self.came_from = at_ns, 0, before if is_jump else None
            self.rows += 1
            self._stay_rows += 1
            self.off_rows = 0
            return
        self.off_rows += 1
        if self.since_ns is None or self.off_rows < _OFF_ROWS:
            return
        if self.came_from is not None:
            is_back = abs(value - self.came_from) <= _BACK * span and at_ns - self.since_ns <= _BACK_NS
            if is_back:
                self.jumps += 1
                self.longest_jump_rows = max(self.longest_jump_rows, self._stay_rows)
        self.since_ns = self.came_from = None


@dataclass(slots=True)
class _Sweep:
    """Whether the numbers went along part of the range in a slow movement, as those of a switch never do."""

    low: float
    span: float
    tremor: float
    is_slow: bool = False
    _anchor: float = math.inf
    _anchor_ns: int = 0
    _anchor_rows: int = _STAY_ROWS
    _begin_ns: int = 0
    _bin: int = 0
    _bins: set[int] = field(default_factory=set)

    def add(self, at_ns: int, value: float) -> None:
        if self.is_slow:
            return
        if abs(value - self._anchor) > self.tremor:
            if self._stays(at_ns):
                self._begin_ns, self._bins = at_ns, set()
            self._anchor, self._anchor_ns, self._anchor_rows = value, at_ns, 0
        self._anchor_rows += 1
        now = int((value - self.low) / self.span * _BINS)
        self._bins.update(range(min(now, self._bin), max(now, self._bin)) if abs(now - self._bin) <= _BINS_STEP else ())
        self._bins.add(now)
        self._bin = now
        if at_ns - self._begin_ns >= _SLOW_NS and not self._stays(at_ns):
            self.is_slow = self._longest_row() >= _BINS_ROW

    def _stays(self, at_ns: int) -> bool:
        return at_ns - self._anchor_ns >= _STAY_NS and self._anchor_rows >= _STAY_ROWS

    def _longest_row(self) -> int:
        longest = row = 0
        for number in range(min(self._bins), max(self._bins) + 1):
            row = row + 1 if number in self._bins else 0
            longest = max(longest, row)
        return longest


class StickStats:
    """What one column showed.

    Parameters
    ----------
    scale : StickScale

    Attributes
    ----------
    rows, longest_beyond : int
        Lines; the most lines one after the other beyond every position of the stick.
    beyond_now : bool
        Whether the newest number is beyond every position of the stick.
    rest, central_rest : Rest or None
        The newest, and the newest about the middle.
    rests_central : int
        Rests about the middle.
    rests_lowest, rests_highest : float
        Lowest and highest mean of these rests.
    low_rail, high_rail : Rail
    restless_blocks : int
        Blocks in which the number went up and down from line to line over a large part of the range.
    restless_now : bool
        Whether the newest block is one.
    restless_range : tuple of float
        Lowest and highest number of these blocks.
    """

    def __init__(self, scale: StickScale) -> None:
        self.scale = scale
        self._unit = 1.0
        span, step = scale.scale.span, scale.scale.step
        self.rows = self.longest_beyond = self.restless_blocks = 0
        self.beyond_now = self.restless_now = False
        self.restless_range = (math.inf, -math.inf)
        self.rest: Rest | None = None
        self.central_rest: Rest | None = None
        self.rests_central, self.rests_lowest, self.rests_highest = 0, math.inf, -math.inf
        self.low_rail, self.high_rail = Rail(), Rail()
        self._tremor = _TREMOR_STEPS * step
        self._turns = _Turns(_TURN * span)
        self._sweep = _Sweep(scale.scale.low, span, self._tremor)
        self._block: list[float] = []
        self._block_ns = 0
        self._growing: Rest | None = None
        self._last_three: deque[float] = deque(maxlen=3)
        self._beyond_run = 0
        self._at_ns = 0

    @property
    def is_stick(self) -> bool:
        """Whether it moved slowly, as no switch does."""
        return self._sweep.is_slow

    @property
    def at_ns(self) -> int:
        """Arrival of the newest line."""
        return self._at_ns

    def add(self, at_ns: int, value: float) -> None:
        """Add the next number."""
        before = self._last_three[-1] if self._last_three else None
        if self._block and at_ns - self._at_ns > _PAUSE_NS:
            self._block, self._growing = [], None
        self.rows, self._at_ns = self.rows + 1, at_ns
        self._last_three.append(value)
        self._see_rails(at_ns, value, before)
        if len(self._last_three) == 3:  # a lost byte shows for one line
            middle = sorted(self._last_three)[1]
            self._turns.add(middle)
            self._sweep.add(at_ns, middle)
        if not self._block:
            self._block_ns = at_ns
        self._block.append(value)
        if at_ns - self._block_ns >= _BLOCK_NS and len(self._block) >= _BLOCK_ROWS:
            self._close(np.array(self._block), (at_ns - self._block_ns) / 1e9)
            self._block = []

    def _see_rails(self, at_ns: int, value: float, before: float | None) -> None:
        rail, span = self.scale.rail(value), self.scale.scale.span
        self.low_rail.add(at_ns, value, before, is_there=rail < 0, span=span)
        self.high_rail.add(at_ns, value, before, is_there=rail > 0, span=span)
        self.beyond_now = round(value) in self.scale.beyond
        self._beyond_run = self._beyond_run + 1 if self.beyond_now else 0
        self.longest_beyond = max(self.longest_beyond, self._beyond_run)

    def _close(self, values: Floats, lasted_s: float) -> None:
        span = self.scale.scale.span
        self.restless_now = _is_restless(values, span, lasted_s)
        if self.restless_now:
            self.restless_blocks += 1
            low, high = self.restless_range
            self.restless_range = min(low, float(values.min())), max(high, float(values.max()))
        if not _is_still(values, self._unit, self._tremor, span):
            self._growing = None
            return
        if self._growing is not None and self._growing.agrees(Rest.of(values), self._unit):
            self._growing.extend(values)
            self._take(self._growing)
        else:
            self._growing = Rest.of(values)

    def _take(self, rest: Rest) -> None:
        """Take a rest of two blocks or more."""
        self.rest = rest
        if abs(self.scale.off_centre(rest.mean)) > CENTRAL * self.scale.scale.span:
            return
        self.rests_central += self.central_rest is not rest
        self.central_rest = rest
        if rest.blocks == 2:
            self.rests_lowest, self.rests_highest = (
                min(self.rests_lowest, rest.mean),
                max(self.rests_highest, rest.mean),
            )

    def ends(self) -> tuple[End | None, End | None]:
        """Return the low and the high end of the slow movements; None where none turned back there."""
        return self._end(self._turns.lows, -1), self._end(self._turns.highs, 1)

    @property
    def agree(self) -> float:
        """How close to each other numbers at one end of the travel are."""
        return max(_AGREE * self.scale.scale.span, self.rest.peak_to_peak if self.rest else 0)

    def _end(self, turns: deque[tuple[float, float]], way: int) -> End | None:
        """Return the outermost turn that is not about the middle, and those that agree with it."""
        span = self.scale.scale.span
        slow = [
            value
            for value, steepest in turns
            if steepest <= _JUMP * span and self.scale.off_centre(value) * way > CENTRAL * span
        ]
        if not slow:
            return None
        outermost = max(slow) if way > 0 else min(slow)
        near = [value for value in slow if abs(value - outermost) <= self.agree]
        return End(statistics.median_low(near), len(near))


def _is_still(values: Floats, unit: float, tremor: float, span: float) -> bool:
    """Return whether the numbers of a block are those of a stick at rest."""
    peak_to_peak, half = float(np.ptp(values)), len(values) // 2
    deviation = float(values.std(ddof=1))
    drift = abs(float(values[half:].mean() - values[:half].mean()))
    if peak_to_peak > _NOISE_MOST * span or drift > max(unit, 2 * _SIGMAS * deviation / math.sqrt(len(values))):
        return False
    independent = float((np.diff(values) ** 2).sum()) >= _INDEPENDENT * float(values.var()) * len(values)
    return peak_to_peak <= tremor or independent


def _is_restless(values: Floats, span: float, lasted_s: float) -> bool:
    """Return whether the numbers go up and down over a large part of the range, more often than a hand can."""
    if np.ptp(values) < _NOISE_MOST * span:
        return False
    turns = _Turns(_SWING * span)
    for value in values.tolist():
        turns.add(value)
    return turns.turned >= max(_SWINGS, min(_SWINGS_HZ * lasted_s, _SWING_SHARE * len(values)))


class StickTable:
    """The controls of a handset, while its lines come.

    When the meaning of the columns changes it begins anew: with the first lines, or later with the newest.

    Parameters
    ----------
    profile : Profile or None

    Attributes
    ----------
    sticks : list of StickStats
        In the order of the layout's channels.
    """

    def __init__(self, profile: Profile | None) -> None:
        self.profile = profile
        self.sticks: list[StickStats] = []
        self._meaning: tuple[object, ...] = ()
        self._early: list[PrintedRow] = []
        self._rows = 0

    def add(self, rows: Iterable[PrintedRow], layout: ColumnLayout | None) -> None:
        """Add rows, and the meaning of their columns as of the last one."""
        if layout is None:
            return
        meaning = layout.width, layout.channels, layout.kind, layout.reach
        if meaning != self._meaning:
            self._meaning = meaning
            scales = (
                stick_scale(layout.kind, self.profile, index, layout.reach) for index in range(len(layout.channels))
            )
            self.sticks = [StickStats(scale) for scale in scales]
            self._count(self._early, layout)
        new = list(rows)
        self._count(new, layout)
        if self._early or not self._rows:
            self._early = [*self._early, *new] if self._rows + len(new) <= _EARLY_ROWS else []
        self._rows += len(new)

    def _count(self, rows: Iterable[PrintedRow], layout: ColumnLayout) -> None:
        for row in rows:
            if len(row.values) == layout.width:
                for stick, column in zip(self.sticks, layout.channels, strict=True):
                    stick.add(row.at_ns, row.values[column])
