"""Packets as columns, for a board that takes many at once."""

from __future__ import annotations

from dataclasses import dataclass

from lostlink_sims.arrays import Bytes, Ints


@dataclass(frozen=True, slots=True)
class PacketColumns:
    """Packets that arrive at a board, in order.

    Attributes
    ----------
    at_us : (n,) ndarray of int64
    rows : (n, width) ndarray of uint8
        Payloads; the first `size` bytes of each row.
    size : int
    """

    at_us: Ints
    rows: Bytes
    size: int

    def lists(self) -> tuple[list[int], list[bytes]]:
        """Return instants and payloads one by one."""
        data, width = self.rows.tobytes(), self.rows.shape[1]
        return self.at_us.tolist(), [data[at : at + self.size] for at in range(0, len(data), width)]
