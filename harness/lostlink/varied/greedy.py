"""The greedy choice of `covertable`, over arrays: the same rows in a fraction of the time.

The library builds a row from combinations that are not covered yet: it takes the first one with which the row covers
more new ones than it has values times the values that this one adds; where there is none, the first of those that cover
the most. Here all combinations are looked at together. What a combination lacks in the row tells how many are covered
with it: those that lack a part of the same values.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST: Final = 3
"""Values in a combination."""


class Greedy:
    """A criterion for `covertable.make`, for one array without constraints, of combinations of up to `MOST` values.

    Values are known by their numbers in the library's array; combinations of fewer are filled up with one that is none.
    """

    def __init__(self) -> None:
        self._keys: list[tuple[int, ...]] = []
        self._open: Ints = np.empty(0, dtype=np.int64)  # of the keys
        self._values: Ints = np.empty((0, MOST), dtype=np.int64)  # of those
        self._row: Mapping[str, int] = {}  # the one before

    def extract(self, array: Any) -> Iterator[tuple[int, ...]]:
        """Yield combinations for a row of the library's array, which takes each before the next."""
        self._leave_open(array)
        self._row = row = array.row
        none, chosen, values = len(array.parents), self._open, self._values
        while not array.is_filled():
            if not row:
                yield self._keys[chosen[0]]  # any is enough
                continue
            is_set = _has(row, none)
            fits = np.flatnonzero(~(_any_of(values, _others(array, row, is_set)) | _all_of(values, is_set)))
            if not len(fits):
                return
            chosen, values = chosen[fits], values[fits]
            lacks = np.sort(np.where(is_set[values], none, values), axis=1)
            number = (lacks < none).sum(axis=1)
            covered = _covered(lacks, number, none)
            enough = covered + array.tolerance > len(row) * number
            yield self._keys[chosen[enough.argmax() if enough.any() else covered.argmax()]]

    def _leave_open(self, array: Any) -> None:
        """Keep the combinations that no row has covered yet."""
        none = len(array.parents)
        if not self._keys:
            self._keys = list(array.incomplete)
            padded = itertools.chain.from_iterable((*key, *(none,) * (MOST - len(key))) for key in self._keys)
            self._values = np.fromiter(padded, dtype=np.int64).reshape(-1, MOST)
            self._open = np.arange(len(self._keys))
        else:
            is_open = ~_all_of(self._values, _has(self._row, none))
            self._open, self._values = self._open[is_open], self._values[is_open]
        assert len(self._open) == len(array.incomplete), "the library has not covered the combinations of its row"


def _has(row: Mapping[str, int], none: int) -> Bools:
    """Return which values a row has; it has none as well."""
    is_set = np.zeros(none + 1, dtype=bool)
    is_set[[*row.values(), none]] = True
    return is_set


def _others(array: Any, row: Mapping[str, int], is_set: Bools) -> Bools:
    """Return which values a row cannot have any more."""
    is_shut = np.zeros(len(is_set), dtype=bool)
    for name in row:
        is_shut[array.serials[name]] = True
    return is_shut & ~is_set


def _any_of(values: Ints, which: Bools) -> Bools:
    first, second, third = values.T
    found: Bools = which[first] | which[second] | which[third]
    return found


def _all_of(values: Ints, which: Bools) -> Bools:
    first, second, third = values.T
    found: Bools = which[first] & which[second] & which[third]
    return found


def _covered(lacks: Ints, number: Ints, none: int) -> Ints:
    """Return how many combinations the row covers with each one, from what all that fit lack, and how much that is."""
    size = none + 1
    first, second, third = lacks.T
    ones = np.bincount(first[number == 1], minlength=size)
    two = number == 2
    twos = np.bincount(first[two] * size + second[two], minlength=size * size).reshape(size, size)
    covered: Ints = ones[first] + ones[second] + ones[third]
    covered += twos[first, second] + twos[first, third] + twos[second, third]
    covered += number == MOST  # that one lacks all its values, so it is the only one
    return covered
