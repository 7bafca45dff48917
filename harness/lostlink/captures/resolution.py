"""How well the instants of a capture are known: the tick of the analyser, found in its time stamps. Pure.

A file may write nanoseconds although the analyser sampled at 30 MHz. The tick is the coarsest grid on which all
edges lie: their greatest common divisor, or else one of the usual sample rates, to within one step of the file.
A finer tick than the true one would promise too much, so in doubt it is the coarser one.
"""

from __future__ import annotations

import math
import re
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
_LEAST_STEPS: Final = 6
"""Below so many steps of the file in a tick, stamps lie on a grid by chance."""
_LEAST_EDGES: Final = 40
COVERAGE: Final = 2
"""Factor of the expanded uncertainty (JCGM 100:2008, 6.2.1)."""

_TIME = re.compile(r"\s*([0-9]{1,12}(?:\.[0-9]{1,12})?)\s*(ps|ns|us|µs|μs|ms|s)\s*")


def sample_period_ps(at_ps: Ints, unit_ps: int) -> float:
    """Return the tick in picoseconds.

    Parameters
    ----------
    at_ps : (n,) ndarray of int64
        Edges.
    unit_ps : int
        The smallest step that the file can write.
    """
    since_ps = at_ps - at_ps[0]
    common_ps = int(np.gcd.reduce(since_ps))
    if common_ps > unit_ps:
        return common_ps
    if len(at_ps) >= _LEAST_EDGES:
        for rate_mhz in _USUAL_MHZ:
            step_ps = Fraction(PS_PER_US) / rate_mhz
            if step_ps >= _LEAST_STEPS * unit_ps and _on_grid(since_ps, step_ps, unit_ps):
                return float(step_ps)
    return unit_ps


def _on_grid(since_ps: Ints, step_ps: Fraction, unit_ps: int) -> bool:
    """Return whether all instants lie on a grid, to within one step of the file (each of two stamps is rounded)."""
    numerator, denominator = step_ps.numerator, step_ps.denominator
    rest = (since_ps % numerator) * denominator % numerator
    off = np.minimum(rest, numerator - rest)
    return bool((off <= unit_ps * denominator).all())


def width_uncertainty_us(sample_period_ps: float) -> float:
    """Return the expanded uncertainty of a time between two edges, in microseconds.

    Both stamps are off evenly within one tick, their difference by a triangle: u = tick / √6 (JCGM 100:2008,
    4.3.9 and 5.1.2), times `COVERAGE`.
    """
    return COVERAGE * sample_period_ps / PS_PER_US / math.sqrt(6)


def instant_uncertainty_us(sample_period_ps: float) -> int:
    """Return the half-width of an instant in whole microseconds: half a sample period, and 0.5 µs of rounding."""
    return max(1, math.ceil(sample_period_ps / PS_PER_US / 2 + 0.5))


def parse_tick(text: str, unit_ps: int) -> float:
    """Return a tick in picoseconds from text such as ``33.3 ns``; none is finer than the file's own step.

    Raises
    ------
    CaptureError
        If it is none.
    """
    match = _TIME.fullmatch(text)
    if match is not None:
        given = float(Decimal(match[1]) * PS_PER_UNIT[match[2].replace("µ", "u").replace("μ", "u")])
        if unit_ps <= given <= PS_PER_UNIT["ms"]:
            return given
    raise CaptureError(
        f"--tick {text[:40]!r}: allowed: a time with a unit, from the file's own step of {unit_ps / 1000:g} ns to 1 ms"
    )
