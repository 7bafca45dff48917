"""Flights that vary everything that a flight has: dimensions as data, rows of a covering array, their scenarios."""

from __future__ import annotations

from lostlink.scenarios import ScenarioBuilder
from lostlink.varied.dimensions import (
    DIMENSIONS,
    FLIGHTS,
    PAIRS,
    THROTTLE,
    TRIPLES,
    USUAL,
    Row,
    Strength,
    dimensions_of,
    long_rows,
    rows,
)
from lostlink.varied.flight import VariedFlight
from lostlink.varied.variation import CONCERNS, Flown, concern_text, variation_of

__all__ = [
    "CONCERNS",
    "DIMENSIONS",
    "FLIGHTS",
    "PAIRS",
    "THROTTLE",
    "TRIPLES",
    "USUAL",
    "Flown",
    "Row",
    "Strength",
    "VariedFlight",
    "concern_text",
    "dimensions_of",
    "rows",
    "variation_of",
    "varied_flights",
]


def varied_flights(builder: ScenarioBuilder, stride: int = 1, strength: Strength = PAIRS) -> list[VariedFlight]:
    """Return the flights of the covering array for this seed, one in `stride` of them, at distributed phases.

    The long flights follow where every triple is flown.
    """
    table = rows(builder.profile, builder.seed, strength)[::stride]
    if strength == TRIPLES:
        table += long_rows(builder.profile)
    blanks = builder.phases(len(table), exactly=True)
    return [VariedFlight(builder, row, blank) for row, blank in zip(table, blanks, strict=True)]
