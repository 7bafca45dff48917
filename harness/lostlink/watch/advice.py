"""Advice on trim and end points."""

from __future__ import annotations

from lostlink.watch.column_stats import ColumnStats, Plateau
from lostlink.watch.units import Scale

_TRIM_SHARE = 0.15
"""A stick farther from the middle is held there, not out of trim."""
_SWEPT_SHARE = 0.5
"""A stick that moved less was not yet moved to its ends."""
_FLAT_TIMES = 2
_REST_NS = 500_000_000


def _steps(count: float, scale: Scale) -> str:
    unit = scale.unit[:-1] if count == 1 and scale.unit.endswith("s") else scale.unit
    return f"{count:g} {unit}"


def centring(stats: ColumnStats, scale: Scale, now_ns: int) -> str:
    """Return whether a stick at rest is centred, or the direction to trim.

    The middle of codes 0..255 is 127 by common practice, not by a standard. For widths it is the middle of the range.
    """
    if now_ns - stats.rests_since_ns < _REST_NS:
        return "moving"
    off = stats.value - scale.middle
    if abs(off) <= scale.step:
        return "centred"
    if abs(off) > _TRIM_SHARE * scale.span:
        return "off centre"
    if off < 0:
        return f"trim right/up: {_steps(-off, scale)} low"
    return f"trim left/down: {_steps(off, scale)} high"


def travel(stats: ColumnStats, scale: Scale) -> str:
    """Return whether a stick reaches the ends of its range, or what is wrong."""
    if stats.moved < _SWEPT_SHARE * scale.span:
        return "move to both ends" if stats.is_stick else ""
    parts = [
        _end("low", stats.lowest - scale.low, stats.bottom, scale),
        _end("high", scale.high - stats.highest, stats.top, scale),
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
