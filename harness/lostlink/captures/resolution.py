"""Time resolution of a capture: the sample period of the analyser, detected from its time stamps. Pure.

A file may write nanoseconds although the analyser sampled at 30 MHz. The sample period is the
coarsest grid with all edges on it: their greatest common divisor, or else one of the usual sample rates, to within
one step of the file. Of several candidates the coarsest is taken: a finer one would understate the uncertainty.
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
"""Fewest steps of the file per sample period; with fewer, stamps are on a grid by chance."""
_LEAST_EDGES: Final = 40
COVERAGE: Final = 2
"""Factor of the expanded uncertainty (JCGM 100:2008, 6.2.1)."""

_TIME = re.compile(r"\s*([0-9]{1,12}(?:\.[0-9]{1,12})?)\s*(ps|ns|us|µs|μs|ms|s)\s*")


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
            if step_ps >= _LEAST_STEPS * unit_ps and _on_grid(since_ps, step_ps, unit_ps):
                return float(step_ps)
    return unit_ps


def _on_grid(since_ps: Ints, step_ps: Fraction, unit_ps: int) -> bool:
    """Return whether all instants are on a grid, to within one step of the file (each of two stamps is rounded)."""
    numerator, denominator = step_ps.numerator, step_ps.denominator
    rest = (since_ps % numerator) * denominator % numerator
    off = np.minimum(rest, numerator - rest)
    return bool((off <= unit_ps * denominator).all())


def width_uncertainty_us(sample_period_ps: float) -> float:
    """Return the expanded uncertainty of a time between two edges, in microseconds.

    The error of each stamp is uniform within a sample period T, that of the difference triangular: u = T / √6
    (JCGM 100:2008, 4.3.9 and 5.1.2), times `COVERAGE`.
    """
    return COVERAGE * sample_period_ps / PS_PER_US / math.sqrt(6)


def instant_uncertainty_us(sample_period_ps: float) -> int:
    """Return the half-width of an instant in whole microseconds: half a sample period, and 0.5 µs of rounding."""
    return max(1, math.ceil(sample_period_ps / PS_PER_US / 2 + 0.5))


def parse_tick(text: str, unit_ps: int) -> float:
    """Return a sample period in picoseconds from text such as ``41.7 ns``, at least the time step of the file.

    Raises
    ------
    CaptureError
        If it is not a time with a unit, or out of range.
    """
    match = _TIME.fullmatch(text)
    if match is not None:
        given = float(Decimal(match[1]) * PS_PER_UNIT[match[2].replace("µ", "u").replace("μ", "u")])
        if unit_ps <= given <= PS_PER_UNIT["ms"]:
            return given
    raise CaptureError(
        f"--tick {text[:40]!r}: allowed: a time with a unit, from the file's time step of {unit_ps / 1000:g} ns to 1 ms"
    )
