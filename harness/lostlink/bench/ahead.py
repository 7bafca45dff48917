"""Packets and orders that are sent ahead: the board keeps them and carries each out at an instant of its own clock.

The host may then be late by as much as waits in the board's queue. Each answer frees the place of an order. An order
that comes after its instant is refused and not carried out, so that a late host spoils a run and never bends it.

Neither side may wait for the other to read: the host reads between what it writes, and writes no more than the port
takes at once.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from lostlink.bench import codec
from lostlink.bench.board import BenchBoard
from lostlink.bench.clocks import ClockFit
from lostlink.verdicts import counted

AHEAD_US: Final = 900_000
"""How far ahead orders are sent, if the queue has room: less than a board waits before it takes the host for lost."""
_ENTRY_BYTES: Final = 6
_VALUE_BYTES: Final = 4
_BURST: Final = 8
_LOOK_NS: Final = 5_000_000
_FIT_EVERY_NS: Final = 2_000_000_000
_SETTLE_NS: Final = 20_000_000

Wait = Callable[[int], None]
"""Reads the board's messages for at most a time in nanoseconds."""


class SpoiledError(Exception):
    """An order was not carried out at its instant, so the run must be repeated."""


def room_needed(message: codec.Message) -> int:
    """Return the bytes that an order takes in the board's queue."""
    return _ENTRY_BYTES + (len(message.payload) if isinstance(message, codec.Packet) else _VALUE_BYTES)


class SentAhead:
    """The orders of one run on a board with a queue.

    Parameters
    ----------
    board : BenchBoard
        Its queue is empty.
    fit : ClockFit
    orders : sequence of (int, codec.Message)
        Instants on the run's time line, in order; each a `Packet`, `Reset`, `SetClock` or `Hang`.
    start_us : float
        Zero of the run's time line, by the host's monotonic clock.

    Attributes
    ----------
    others : list of (int, int)
        Of the orders that are no packets: planned instant, and when the board carried it out, by its clock.
    """

    def __init__(
        self, board: BenchBoard, fit: ClockFit, orders: Sequence[tuple[int, codec.Message]], start_us: float
    ) -> None:
        assert board.queue is not None
        self._board, self._fit, self._orders, self._start_us = board, fit, orders, start_us
        self._room_bytes = board.queue.room_bytes
        self._before = board.queue
        self._sent = self._packets = self._answers = self._last_us = 0
        self._open: deque[tuple[int, int, codec.Message]] = deque()  # number, planned instant
        self._fitted_ns = time.monotonic_ns()
        self.others: list[tuple[int, int]] = []

    def run(self, duration_us: int, wait: Wait) -> None:
        """Send all orders and return soon after the end of the run.

        Raises
        ------
        SpoiledError
            If an order was refused, or its answer is missing.
        """
        end_ns = round((self._start_us + duration_us) * 1000) + _SETTLE_NS
        while (left_ns := end_ns - time.monotonic_ns()) > 0:
            self._send()
            wait(min(left_ns, _LOOK_NS))
            self._read()
        self._board.answered(self._board.ping())
        self._read()
        if missing := len(self._orders) - self._sent + len(self._open):
            raise SpoiledError(f"the board did not carry out {counted(missing, 'order')} in time")
        self._check_balance()

    def _send(self) -> None:
        """Send as many orders as the port and the queue have room for."""
        self._fit_again()
        until_us = time.monotonic_ns() / 1000 - self._start_us + AHEAD_US
        while self._sent < len(self._orders):
            due_us, message = self._orders[self._sent]
            self._room_bytes -= (needed := room_needed(message))
            if due_us > until_us or self._room_bytes < 0 or not self._board.line.accepts():
                self._room_bytes += needed
                return
            self._board.send(self._with_instant(due_us, message))
            self._open.append((self._sent & 0xFF, due_us, message))
            self._sent += 1
            if not self._sent % _BURST:
                self._board.pump(0)
                self._read()

    def _with_instant(self, due_us: int, message: codec.Message) -> codec.Message:
        self._last_us = max(self._last_us, round(self._fit.board_us(self._start_us + due_us)))
        number, at_us = self._sent & 0xFF, self._last_us & 0xFFFF_FFFF
        match message:
            case codec.Packet(_, payload):
                return codec.PacketAt(number, at_us, payload)
            case codec.Reset(value_us) | codec.SetClock(value_us) | codec.Hang(value_us):
                return codec.OrderAt(number, at_us, codec.TYPES[type(message)], value_us)
            case _:
                raise ValueError(f"{type(message).__name__} has no instant")

    def _fit_again(self) -> None:
        """Follow the board's clock in a long run: its rate is known the better, the longer the base line is."""
        if time.monotonic_ns() - self._fitted_ns > _FIT_EVERY_NS:
            self._fit = self._board.alignment.fit() or self._fit
            self._fitted_ns = time.monotonic_ns()

    def _read(self) -> None:
        """Process the answers; they come in the order of the instants."""
        reports = self._board.reports
        for number, at_us, result in reports.done[self._answers :]:
            self._answers += 1
            if result in (1, 2) or not self._open or number != self._open[0][0]:
                why = codec.RESULTS.get(result, "unknown result") if result else "answer out of order"
                raise SpoiledError(f"host too slow: the board refused an order ({why})")
            _, due_us, message = self._open.popleft()
            self._room_bytes += room_needed(message)
            if not isinstance(message, codec.Packet):
                self.others.append((due_us, at_us))
                continue
            if result == codec.AS_ORDERED:
                reports.taken.append((self._packets & 0xFF, at_us))
            self._packets += 1

    def _check_balance(self) -> None:
        """Raise an error unless the board, too, counts each order once."""
        now, was = self._board.clear_queue(), self._before
        assert now is not None
        counts = zip(
            (now.accepted, now.done, now.refused, now.cleared), (was.accepted, was.done, was.refused, was.cleared),
            strict=True,
        )  # fmt: skip
        found = [(after - before) & 0xFFFF_FFFF for after, before in counts]
        if found != [len(self._orders), len(self._orders), 0, 0] or now.queued:
            raise SpoiledError(f"the board's queue counted {found[0]} orders, {len(self._orders)} were sent")
