"""Reads a serial line and its columns until an instant. The only module of this package that waits."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from lostlink.bench.codec import Decoder
from lostlink.errors import LostlinkError, RigError
from lostlink.watch.column_stats import TableStats
from lostlink.watch.columns import ColumnLayout, ColumnReader, PrintedRow
from lostlink.watch.stick_stats import StickTable

MOST_ROWS = 1_000_000
"""Most rows of a test: about 15 minutes at 1000 lines per second."""
_TURN_S = 0.1
_WHOLE_FRAMES = 3
_QUIET_NS = 3_000_000_000
_BYTES_TO_JUDGE = 200
_LINES_TO_JUDGE = 20
_SOME_NOISE = 0.1
MOSTLY_NOISE = 0.5
"""Share of garbage from which on the rest is by chance."""


class ByteSource(Protocol):
    """Interface of a serial line; see `lostlink.bench.line.SerialLine`."""

    port: str
    baud: int

    def read(self, timeout_s: float) -> list[tuple[int, bytes]]: ...
    def close(self) -> None: ...


class Listener:
    """Reads a line.

    Parameters
    ----------
    source : ByteSource
    channels : int, optional
        Number of channels of the profile.
    keep : bool
        Whether rows are kept.
    sticks : StickTable, optional
        Takes the rows of a handset.
    clock_ns : callable
        Clock of the source's time stamps.

    Attributes
    ----------
    rows : list of PrintedRow
    stats : TableStats
    started_ns : int
    """

    def __init__(
        self,
        source: ByteSource,
        *,
        channels: int | None = None,
        keep: bool = False,
        sticks: StickTable | None = None,
        clock_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.source = source
        self.columns = ColumnReader(source.baud)
        self.stats = TableStats()
        self.rows: list[PrintedRow] = []
        self.now_ns = clock_ns
        self.started_ns = clock_ns()
        self._channels = channels
        self._keep = keep
        self.sticks = sticks
        self._decoder = Decoder()
        self._last_byte_ns = self.started_ns

    @property
    def layout(self) -> ColumnLayout | None:
        """Meaning of the columns; None before the first rows."""
        return self.columns.layout(self._channels)

    def listen(self, until_ns: int) -> None:
        """Read once: until data arrive or until an instant, at most 0.1 s.

        Raises
        ------
        lostlink.errors.RigError
            If the connection to the port is lost, or a line of which rows are kept is mostly noise.
        LostlinkError
            If the board speaks the bench protocol, or prints more than can be kept.
        """
        wait_s = min(_TURN_S, max(0.0, (until_ns - self.now_ns()) / 1e9))
        for at_ns, data in self.source.read(wait_s):
            self._last_byte_ns = at_ns
            rows = self.columns.feed(at_ns, data)
            self.stats.add(rows)
            if self.sticks is not None and rows:
                self.sticks.add(rows, self.layout)
            if self._keep:
                self.rows += rows
            if self.columns.counts.zeros:
                self._decoder.feed(data)
        if self._decoder.good >= _WHOLE_FRAMES:
            raise LostlinkError(
                f"{self.source.port}: this board speaks the bench protocol, not text; "
                f"use: lostlink prove --rig serial:{self.source.port}, or --handset serial:{self.source.port}"
            )
        if self._keep and self.columns.counts.garbage >= _LINES_TO_JUDGE and self.noise_share > MOSTLY_NOISE:
            raise RigError(f"{self.source.port}: {self.problem()}")
        if len(self.rows) > MOST_ROWS:
            raise LostlinkError(
                f"{self.source.port}: more than {MOST_ROWS} lines in one test; let the board print less often"
            )

    def listen_until(self, until_ns: int) -> None:
        """Read until an instant."""
        while self.now_ns() < until_ns:
            self.listen(until_ns)

    @property
    def noise_share(self) -> float:
        """Share of the lines that are neither numbers nor words."""
        counts = self.columns.counts
        lines = counts.rows + counts.headers + counts.broken + counts.garbage
        return counts.garbage / lines if lines else 0.0

    def problem(self) -> str:
        """Return what is wrong with the received data, in words; empty when rows arrive."""
        counts, now_ns = self.columns.counts, self.now_ns()
        if now_ns - self._last_byte_ns > _QUIET_NS:
            since_s = (now_ns - self._last_byte_ns) / 1e9
            return f"no data for {since_s:.0f} s; is the board on, and does it print?"
        if counts.bytes < _BYTES_TO_JUDGE or (counts.rows and not self.noise_share > _SOME_NOISE):
            return ""
        if counts.rows:
            return f"{100 * self.noise_share:.0f} % of the lines are not text; is --baud {self.source.baud} right?"
        if counts.zeros:
            return f"the data are not text ({counts.zeros} zero bytes); check the protocol and --baud"
        return (
            f"no columns of numbers in {counts.bytes} bytes ({counts.garbage} lines of garbage, {counts.broken} of "
            f"changing length, {counts.headers} of words); is --baud {self.source.baud} right?"
        )
