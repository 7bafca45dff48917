"""Time resolution of a capture: the sample period of the analyser, detected from its time stamps, and rounding. Pure.

A file may write nanoseconds although the analyser sampled at 30 MHz, or tenths of a microsecond although it sampled at
8 MHz. The sample period is the coarsest grid with all edges on it: their greatest common divisor, or else one of the
usual sample rates, to within one step of the file. Of several candidates the coarsest is taken: a finer one would
understate the uncertainty. A grid that is not a multiple of the file's step was rounded to it, so both count. Where no
grid is coarser than the file's step, the analyser may have sampled at any period up to that step: both count too.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

import numpy as np

from lostlink.captures.signals import PS_PER_UNIT, PS_PER_US, Ints
from lostlink.errors import CaptureError

#: Sample rates that analysers offer, in MHz (common practice, no source). The slowest first: the coarsest grid.
_USUAL_MHZ: Final = tuple(
    Fraction(rate)
    for rate in (1, 2, 4, 5, 6, 8, 10, 12, "12.5", 15, 16, 20, 24, 25, 30, 32, 40, 48, 50, 60, 64, 80, 100)
)
_CLEAR_STEPS: Final = 6
"""Steps of the file per sample period from which on stamps are not on a grid by chance."""
_LEAST_EDGES: Final = 40
_PER_PLACE: Final = 2.5
"""Fewest different stamps for each place of the file's grid, to see which places never occur."""
_PATTERN_PS: Final = PS_PER_UNIT["ms"]
"""Stamps that differ by a multiple of this are not counted as different: frames of a regular train repeat."""
_COVERED: Final = 0.98
COVERAGE: Final = 2
"""Factor of the expanded uncertainty (JCGM 100:2008, 6.2.1)."""

_TIME = re.compile(r"\s*([0-9]{1,12}(?:\.[0-9]{1,12})?)\s*(ps|ns|us|µs|μs|ms|s)\s*")


@dataclass(frozen=True, slots=True)
class Resolution:
    """What limits the time of an edge.

    Attributes
    ----------
    sample_period_ps : float
        Sample period of the analyser, or what it is at most.
    rounding_ps : int
        Time step of the file, where samples were rounded to it; 0 where all samples are on the steps of the file.
    is_hidden : bool
        The steps of the file hide the sample period.
    """

    sample_period_ps: float
    rounding_ps: int = 0
    is_hidden: bool = False

    @property
    def width_ps(self) -> float:
        """Bound of the error of a time between two edges, in picoseconds, which it does not reach."""
        return self.sample_period_ps + self.rounding_ps

    @property
    def width_uncertainty_us(self) -> float:
        """Expanded uncertainty (k = 2) of a time between two edges, in microseconds."""
        return width_uncertainty_us(self.width_ps)

    @property
    def worst_us(self) -> float:
        """Largest error of a time between two edges, in microseconds: for the extreme of many."""
        return (self.width_ps - 1) / PS_PER_US

    @property
    def instant_uncertainty_us(self) -> int:
        """Half-width of an instant in whole microseconds: half of what limits it, and 0.5 µs of rounding."""
        return max(1, math.ceil(self.width_ps / PS_PER_US / 2 + 0.5))


def resolution_of(at_ps: Ints, unit_ps: int, sample_period: float | None = None) -> Resolution:
    """Return the resolution of edges in a file.

    Parameters
    ----------
    at_ps : (n,) ndarray of int64
        Edges.
    unit_ps : int
        Time step of the file.
    sample_period : float, optional
        Known sample period in picoseconds.  [default: detected]
    """
    period_ps = sample_period_ps(at_ps, unit_ps) if sample_period is None else sample_period
    if sample_period is None and period_ps == unit_ps:
        return Resolution(unit_ps, unit_ps, is_hidden=True)
    return Resolution(period_ps, 0 if period_ps % unit_ps == 0 else unit_ps)


def sample_period_ps(at_ps: Ints, unit_ps: int) -> float:
    """Return the sample period in picoseconds.

    Parameters
    ----------
    at_ps : (n,) ndarray of int64
        Edges.
    unit_ps : int
        Time step of the file.
    """
    since_ps = at_ps - at_ps[0]
    common_ps = int(np.gcd.reduce(since_ps))
    if common_ps > unit_ps:
        return common_ps
    if len(at_ps) >= _LEAST_EDGES:
        for rate_mhz in _USUAL_MHZ:
            step_ps = Fraction(PS_PER_US) / rate_mhz
            fits = _on_grid if step_ps >= _CLEAR_STEPS * unit_ps else _leaves_places
            if step_ps > unit_ps and fits(since_ps, step_ps, unit_ps):
                return float(step_ps)
    return unit_ps


def _on_grid(since_ps: Ints, step_ps: Fraction, unit_ps: int) -> bool:
    """Return whether all instants are on a grid, to within one step of the file (each of two stamps is rounded)."""
    numerator, denominator = step_ps.numerator, step_ps.denominator
    rest = (since_ps % numerator) * denominator % numerator
    off = np.minimum(rest, numerator - rest)
    return bool((off <= unit_ps * denominator).all())


def _leaves_places(since_ps: Ints, step_ps: Fraction, unit_ps: int) -> bool:
    """Return whether places of the file's grid never occur, as where a coarser grid was rounded to it.

    The pattern of rounded samples repeats with the common multiple of both steps, or with twice that where halves are
    rounded to even. It has fewer samples than the file has places.
    """
    numerator, denominator = step_ps.numerator, step_ps.denominator
    pattern_ps = 2 * math.lcm(numerator, unit_ps * denominator) // denominator
    places, samples = pattern_ps // unit_ps, int(pattern_ps / step_ps)
    if len(np.unique(since_ps % _PATTERN_PS)) < _PER_PLACE * places:
        return False
    _, counts = np.unique(since_ps % pattern_ps, return_counts=True)
    return bool(np.sort(counts)[::-1][:samples].sum() >= _COVERED * len(since_ps))


def width_uncertainty_us(bound_ps: float) -> float:
    """Return the expanded uncertainty of a time between two edges, in microseconds.

    The error of each stamp is uniform within T, that of the difference triangular: u = T / √6 (JCGM 100:2008, 4.3.9
    and 5.1.2), times `COVERAGE`. Sample period and rounding are added: they belong to the same clock.
    """
    return COVERAGE * bound_ps / PS_PER_US / math.sqrt(6)


def parse_tick(text: str) -> float:
    """Return a sample period in picoseconds from text such as ``41.7 ns``.

    Raises
    ------
    CaptureError
        If it is not a time with a unit, or out of range.
    """
    match = _TIME.fullmatch(text)
    if match is not None:
        given = float(Decimal(match[1]) * PS_PER_UNIT[match[2].replace("µ", "u").replace("μ", "u")])
        if PS_PER_UNIT["ps"] <= given <= PS_PER_UNIT["ms"]:
            return given
    raise CaptureError(f"--tick {text[:40]!r}: allowed: a time with a unit, up to 1 ms")
