"""Which combinations of values a set of flights covers, against published counts.

Sources: Kuhn, Kacker, Lei, Combinatorial Coverage Measurement, NISTIR 7878, 2012 (variable-value configurations); NIST
SP 800-142, 2010 (ten switches); orthogonal array L9 of four factors with three levels (Rao, 1947; Taguchi). The
definition was read, the counts are from memory and were counted by hand.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import pytest

from lostlink.varied.covering import Strength, _rows
from lostlink.varied.variation import _all, _flown


def named(rows: Sequence[Sequence[int]]) -> list[dict[str, str]]:
    return [{f"factor {index}": str(value) for index, value in enumerate(row)} for row in rows]


def factors(levels: Sequence[int]) -> dict[str, list[str]]:
    return {f"factor {index}": [str(value) for value in range(count)] for index, count in enumerate(levels)}


REPORT = [(0, 0, 0, 0), (0, 1, 1, 0), (1, 0, 0, 1), (0, 1, 1, 1)]
L9 = [(a, b, (a + b) % 3, (a + 2 * b) % 3) for a in range(3) for b in range(3)]


@pytest.mark.parametrize(
    ("rows", "levels", "strength", "flown", "possible"),
    [
        (REPORT, (2, 2, 2, 2), 2, 19, 24),  # NISTIR 7878: 79 % of the variable-value configurations
        (L9, (3, 3, 3, 3), 2, 54, 54),  # every pair once, in nine rows
        (L9, (3, 3, 3, 3), 3, 36, 108),  # each row has four triples, and no two rows share one
    ],
)
def test_combinations_flown(
    rows: list[tuple[int, ...]], levels: tuple[int, ...], strength: int, flown: int, possible: int
) -> None:
    assert _flown(factors(levels), named(rows), strength) == flown
    assert _all(factors(levels), [], strength) == possible


def test_pairs_of_the_report_one_by_one() -> None:
    """NISTIR 7878: of the six pairs of variables, three have 3 of 4 configurations, one has 2, and two have all."""
    counts = {
        names: _flown({name: factors((2,) * 4)[name] for name in names}, named(REPORT), 2)
        for names in itertools.combinations(factors((2,) * 4), 2)
    }
    assert sorted(counts.values()) == [2, 3, 3, 3, 4, 4]
    assert counts["factor 1", "factor 2"] == 2


def test_ten_switches() -> None:
    """NIST SP 800-142: ten on/off settings have 45 * 4 pairs and 120 * 8 triples."""
    assert [_all(factors((2,) * 10), [], strength) for strength in (1, 2, 3)] == [20, 180, 960]


@pytest.mark.parametrize("strength", [2, 3])
def test_an_array_has_every_combination(strength: int) -> None:
    """Six factors of four levels: 240 pairs, 1280 triples. No array has the triples in fewer than 4^3 rows (Rao)."""
    levels = factors((4,) * 6)
    table = _rows(tuple((name, tuple(values)) for name, values in levels.items()), (), 1, Strength(strength, strength))
    seen = {
        (names, tuple(row[name] for name in names))
        for row in table for names in itertools.combinations(levels, strength)
    }  # fmt: skip
    assert len(seen) == math.comb(6, strength) * 4**strength == _flown(levels, table, strength)
    assert len(table) >= 4**strength
