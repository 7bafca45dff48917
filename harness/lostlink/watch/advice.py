"""Trim and end points, in words."""

from __future__ import annotations

from lostlink.watch.column_stats import ColumnStats, Plateau
from lostlink.watch.units import Scale

_TRIM_SHARE = 0.15
"""A stick farther off the middle is held there, not out of trim."""
_SWEPT_SHARE = 0.5
"""A stick that moved less has not been moved to its ends yet."""
_FLAT_TIMES = 2
_REST_NS = 500_000_000


def _steps(count: float, scale: Scale) -> str:
    unit = scale.unit[:-1] if count == 1 and scale.unit.endswith("s") else scale.unit
    return f"{count:g} {unit}"


def centring(gauge: ColumnStats, scale: Scale, now_ns: int) -> str:
    """Return whether a stick at rest is centred, or the direction to trim.

    The middle is code 127 of 0..255, by common practice (there is no standard). For widths it is the
    middle of the range.
    """
    if now_ns - gauge.rests_since_ns < _REST_NS:
        return "moving"
    off = gauge.value - scale.middle
    if abs(off) <= scale.step:
        return "centred"
    if abs(off) > _TRIM_SHARE * scale.span:
        return "off centre"
    if off < 0:
        return f"trim right/up: {_steps(-off, scale)} low"
    return f"trim left/down: {_steps(off, scale)} high"


def travel(gauge: ColumnStats, scale: Scale) -> str:
    """Return whether a stick reaches the ends of its range, and what is wrong where it does not."""
    if gauge.moved < _SWEPT_SHARE * scale.span:
        return "move to both ends" if gauge.is_stick else ""
    parts = [
        _end("low", gauge.lowest - scale.low, gauge.bottom, scale),
        _end("high", scale.high - gauge.highest, gauge.top, scale),
    ]
    return ", ".join(part for part in parts if part) or "both ends reached"


def _end(name: str, short: float, plateau: Plateau, scale: Scale) -> str:
    """Return what is wrong at one end.

    Parameters
    ----------
    short : float
        Distance of the extreme value to the end of the range; negative beyond it.
    """
    if plateau.times >= _FLAT_TIMES:
        where = "" if not short else f" at {plateau.value:g}"
        return f"{name} end clipped{where} (flat {plateau.times}x)"
    if short > scale.step:
        return f"{name} end {short:g} short"
    if short < -scale.step:
        return f"{name} end {-short:g} beyond"
    return ""
