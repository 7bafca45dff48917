"""Flights that vary everything that a flight has: dimensions as data, rows of a covering array, their scenarios."""

from __future__ import annotations

from lostlink.scenarios import ScenarioBuilder
from lostlink.varied.covering import FLIGHTS, PAIRS, TRIPLES, USUAL, Row, Strength, Variety
from lostlink.varied.dimensions import LINK
from lostlink.varied.flight import VariedFlight
from lostlink.varied.handset_dimensions import HANDSET
from lostlink.varied.handset_flight import VariedHandsetFlight
from lostlink.varied.variation import VARIETIES, Flown, concern_text, concerning, variation_of

__all__ = [
    "FLIGHTS",
    "HANDSET",
    "LINK",
    "PAIRS",
    "TRIPLES",
    "USUAL",
    "VARIETIES",
    "Flown",
    "Row",
    "Strength",
    "VariedFlight",
    "VariedHandsetFlight",
    "Variety",
    "concern_text",
    "concerning",
    "variation_of",
    "varied_flights",
    "varied_handset_flights",
]


def varied_flights(builder: ScenarioBuilder, stride: int = 1, strength: Strength = PAIRS) -> list[VariedFlight]:
    """Return the flights of the covering array for this seed, one in `stride` of them, at distributed phases.

    The long flights follow where every triple is flown.
    """
    table = LINK.rows(builder.profile, builder.seed, strength)[::stride]
    if strength == TRIPLES:
        table += LINK.long_rows(builder.profile)
    blanks = builder.phases(len(table), exactly=True)
    return [VariedFlight(builder, row, blank) for row, blank in zip(table, blanks, strict=True)]


def varied_handset_flights(
    builder: ScenarioBuilder, stride: int = 1, strength: Strength = PAIRS
) -> list[VariedHandsetFlight]:
    """As `varied_flights`, for a handset under test; the long flights follow where more than every pair is flown."""
    table = HANDSET.rows(builder.profile, builder.seed, strength)[::stride]
    if strength != PAIRS:
        table += HANDSET.long_rows(builder.profile)
    blanks = builder.phases(len(table), exactly=True)
    return [VariedHandsetFlight(builder, row, blank) for row, blank in zip(table, blanks, strict=True)]
