"""Advice on trim and end points.

Only values are known, not where the stick is. So a trim is a change of the value, because a reversed control goes the
other way. An end that was not reached may be a stick that was not moved far enough, or one whose travel is too short.
A value that stays at an end of its range while the stick is moved is clipped, or the stick was held at its stop.
"""

from __future__ import annotations

from lostlink.watch.column_stats import ColumnStats
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
    """Return whether a stick at rest is centred, or how far the trim must change its value.

    The middle of codes 0..255 is 127 by common practice, not by a standard. For widths it is the middle of the range.
    """
    if now_ns - stats.rests_since_ns < _REST_NS:
        return "moving"
    off = stats.rests_at - scale.middle
    if abs(off) <= scale.step:
        return "centred"
    if abs(off) > _TRIM_SHARE * scale.span:
        return "off centre"
    return f"trim: {'raise' if off < 0 else 'lower'} by {_steps(round(abs(off)), scale)}"


def travel(stats: ColumnStats, scale: Scale) -> str:
    """Return whether a control has reached the ends of its range, or what is different."""
    if stats.moved < _SWEPT_SHARE * scale.span:
        return "move to both ends" if stats.is_stick else ""
    ends = (("low", stats.lowest - scale.low, stats.bottom), ("high", scale.high - stats.highest, stats.top))
    found: dict[str, list[str]] = {"not reached": [], "beyond": [], "clipped or held at its stop": []}
    for name, short, extreme in ends:
        if short > scale.step:
            found["not reached"].append(f"{name} by {_steps(short, scale)}")
        elif short < -scale.step:
            found["beyond"].append(f"{name} by {_steps(-short, scale)}")
        elif stats.is_stick and extreme.flat_times >= _FLAT_TIMES:
            found["clipped or held at its stop"].append(f"{name} {extreme.flat_times}x")
    return "; ".join(f"{what}: {', '.join(names)}" for what, names in found.items() if names) or "both ends reached"
