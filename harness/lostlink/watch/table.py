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
        Arrival of each row's last byte.
    since_us : (n,) ndarray of int64
        Arrival of the previous piece of data; the last byte arrived after it.
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
        values = self.values[:, list(columns)]
        return np.flatnonzero((values[1:] != values[:-1]).any(1)) + 1


def without_odd_lines(table: RowTable, far: Sequence[float], first: int = 0) -> tuple[RowTable, int]:
    """Return the table without single outliers between two equal rows, and the number of these outliers.

    A byte lost on the line makes such a row. So does a value that was printed for one line only; where that matters,
    use all rows.

    Parameters
    ----------
    table : RowTable
    far : sequence of float
        For each column the difference above which a value is an outlier.
    first : int
        Rows before this one are kept.
    """
    if len(table) < 3:
        return table, 0
    values = table.values
    odd = (np.abs(values[1:-1] - values[:-2]) > np.array(far)).any(1) & (values[:-2] == values[2:]).all(1)
    odd[: max(0, first - 1)] = False
    keep = np.concatenate([[True], ~odd, [True]])
    return table.part(keep), int(odd.sum())
