"""Covering arrays: what varies from flight to flight, as data, and the rows that combine it.

Studies of real failures find that nearly all need the interaction of few parameters, most of them one or two (NIST SP
800-142, Practical Combinatorial Testing). The rows of the array contain every pair of values of any two dimensions,
and every triple of the decisive ones, or every triple of all (`Strength`); further rows, drawn at random, fill it up.
"""

from __future__ import annotations

import functools
import itertools
import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import covertable
from covertable.sorters import hash as by_hash

from lostlink.varied.greedy import Greedy
from lostlink_sims import Profile

FLIGHTS: Final = 64
"""Rows of the array at least, random ones included; pairs need about fifty of them."""

Row = Mapping[str, str]
Value = tuple[str, str]
"""The name of a dimension, and a value of it."""


def any_of(dimension: str, *values: str) -> tuple[Value, ...]:
    """Return values of a dimension."""
    return tuple((dimension, value) for value in values)


@dataclass(frozen=True, slots=True)
class Strength:
    """How many dimensions have their values combined in every way.

    Attributes
    ----------
    anywhere : int
        Of all dimensions.
    decisive : int
        Of the decisive ones (`Variety`).
    """

    anywhere: int
    decisive: int


PAIRS: Final = Strength(2, 2)
"""Some 60 flights: for a board, on which a flight takes its time."""
USUAL: Final = Strength(2, 3)
"""Some 300 flights."""
TRIPLES: Final = Strength(3, 3)
"""Some 550 flights."""


@dataclass(frozen=True, slots=True)
class Dimension:
    """One thing that varies from flight to flight.

    Attributes
    ----------
    name : str
    values : tuple of str
        The first one is the plain one.
    applies : callable
        ``applies(profile)``: whether the link has it.
    absent : callable
        ``absent(profile)``: values that the link cannot have.
    long : tuple of str
        Further values, which only long flights have.
    """

    name: str
    values: tuple[str, ...]
    applies: Callable[[Profile], bool] = lambda _: True
    absent: Callable[[Profile], tuple[str, ...]] = lambda _: ()
    long: tuple[str, ...] = ()

    def values_of(self, profile: Profile) -> list[str]:
        """Return the values that a link can have."""
        absent = self.absent(profile)
        return [value for value in self.values if value not in absent]


@dataclass(frozen=True, slots=True)
class Variety:
    """What varies in the flights of a requirement.

    Attributes
    ----------
    dimensions : tuple of Dimension
        Any value of one goes with any value of another.
    decisive : tuple of str
        The names of those that decide most about what is dangerous.
    concerns : dict of str to tuple of (str, str)
        For each requirement that the invariants judge in these flights, the values of which a flight has one; none:
        all.
    long_flights : tuple of dict of str to str
        Rows with values that only they have.
    """

    dimensions: tuple[Dimension, ...]
    decisive: tuple[str, ...]
    concerns: Mapping[str, tuple[Value, ...]]
    long_flights: tuple[Row, ...] = ()

    def of(self, profile: Profile) -> dict[str, list[str]]:
        """Return the dimensions that a link has, with their values."""
        return {one.name: one.values_of(profile) for one in self.dimensions if one.applies(profile)}

    def plain(self, profile: Profile) -> dict[str, str]:
        """Return the plain value of each dimension that a link has."""
        return {name: values[0] for name, values in self.of(profile).items()}

    def rows(self, profile: Profile, seed: int, strength: Strength = PAIRS) -> list[Row]:
        """Return at least `FLIGHTS` rows, each a value by the name of each dimension."""
        factors = tuple((name, tuple(values)) for name, values in self.of(profile).items())
        return [dict(row) for row in _rows(factors, self.decisive, seed, strength)]

    def long_rows(self, profile: Profile) -> list[Row]:
        """Return the rows of the long flights, with the plain value of every other dimension."""
        return [{**self.plain(profile), **row} for row in self.long_flights]


@functools.lru_cache(maxsize=32)
def _rows(
    factors: tuple[tuple[str, tuple[str, ...]], ...], decisive: tuple[str, ...], seed: int, strength: Strength
) -> list[Row]:
    """Return the rows; computing them takes as long as a tenth of the flights."""
    choices = {name: list(values) for name, values in factors}
    inner = [{"fields": [name for name in decisive if name in choices], "strength": strength.decisive}]
    found: list[Row] = list(
        covertable.make(
            choices, strength=strength.anywhere, sorter=by_hash, criterion=Greedy(), salt=str(seed),
            sub_models=inner if strength.decisive > strength.anywhere else None,
        )
    )  # fmt: skip
    more = random.Random(f"varied flights {seed}")
    while len(found) < FLIGHTS:
        found.append({name: more.choice(values) for name, values in choices.items()})
    return found


def combinations_of(row: Row, strength: int) -> Iterator[tuple[Value, ...]]:
    """Yield the combinations of values of `strength` dimensions that a row has, each in the same order everywhere."""
    return itertools.combinations(sorted(row.items()), strength)
