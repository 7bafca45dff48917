"""Rows of text columns as numpy arrays, in microseconds since an origin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lostlink.watch.columns import ColumnLayout, PrintedRow

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RowTable:
    """Rows in order of time.

    Attributes
    ----------
    at_us : (n,) ndarray of int64
        When each row's last byte was there.
    since_us : (n,) ndarray of int64
        Instants after which that must have been: the arrival of the piece of data before.
    values : (n, columns) ndarray of float64
    """

    at_us: Ints
    since_us: Ints
    values: NDArray[np.float64]

    @classmethod
    def of(cls, rows: Sequence[PrintedRow], layout: ColumnLayout, origin_ns: int) -> RowTable:
        """Return the channels of the rows that have the layout's number of columns."""
        fit = [row for row in rows if len(row.values) == layout.width]
        stamps = np.array([(row.at_ns, row.since_ns) for row in fit], np.int64).reshape(-1, 2)
        values = np.array([row.values for row in fit], np.float64).reshape(-1, layout.width)
        at_us, since_us = ((stamps - origin_ns) // 1000).T
        return cls(at_us, since_us, values[:, list(layout.channels)])

    def __len__(self) -> int:
        return len(self.at_us)

    def part(self, rows: NDArray[np.bool_]) -> RowTable:
        """Return some of the rows."""
        return RowTable(self.at_us[rows], self.since_us[rows], self.values[rows])

    def changed(self, columns: Sequence[int]) -> Ints:
        """Return the rows in which any of the columns differs from the row before."""
        here = self.values[:, list(columns)]
        return np.flatnonzero((here[1:] != here[:-1]).any(1)) + 1


def without_odd_lines(table: RowTable, far: Sequence[float], first: int = 0) -> tuple[RowTable, int]:
    """Leave out single rows far off from two neighbours that are the same, and say how many.

    A byte lost on the line makes such a row. So does a value that came for one line only: look at all rows where
    that would matter.

    Parameters
    ----------
    table : RowTable
    far : sequence of float
        For each column how far off is far.
    first : int
        Rows before are left alone.
    """
    if len(table) < 3:
        return table, 0
    here = table.values
    odd = (np.abs(here[1:-1] - here[:-2]) > np.array(far)).any(1) & (here[:-2] == here[2:]).all(1)
    odd[: max(0, first - 1)] = False
    keep = np.concatenate([[True], ~odd, [True]])
    return table.part(keep), int(odd.sum())
