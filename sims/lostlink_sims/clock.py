"""Virtual time: a SimPy environment in whole microseconds with cheap events.

SimPy's processes, timeouts and interrupts work in a `World` as usual. `World.once` puts a function into the same queue,
ordered by the same (instant, priority, number). It saves the object and callback list that an event costs.

Order at equal instants, by priority: scripted fault, packet sent, packet arrival, main loop, start of a frame. In
virtual time only scripted faults and what follows from them are in the queue; `board.Board` keeps the same order.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any

import simpy

FAULT, SEND, ARRIVE, LOOP, FRAME = range(5)
FAR_US = 1 << 62
"""Later than any instant: never."""


class World(simpy.Environment):
    """A SimPy environment in whole microseconds."""

    def __init__(self) -> None:
        super().__init__()
        self._entries: list[tuple[int, int, int, Any]] = self._queue  # type: ignore[assignment]

    @property
    def now(self) -> int:
        return self._now  # type: ignore[return-value]

    @property
    def next_us(self) -> int:
        """Instant of the next entry; `FAR_US` when there is none."""
        return self._entries[0][0] if self._entries else FAR_US

    def leap(self, at_us: int) -> None:
        """Go on to an instant before which nothing is in the queue."""
        self._now = at_us

    def once(self, instant_us: int, priority: int, act: Callable[[], object]) -> None:
        """Call `act` at an instant that is not in the past; `priority` is FAULT, SEND, ARRIVE, LOOP or FRAME."""
        heappush(self._entries, (instant_us, priority, next(self._eid), _Call(act)))

    def step(self) -> None:
        """Process the next entry of the queue, function or event."""
        if self._entries and type(self._entries[0][3]) is _Call:
            self._now, _, _, call = heappop(self._entries)
            call.act()
        else:
            super().step()

    def run_until(self, end_us: int) -> None:
        """Process all entries before `end_us`."""
        while self.next_us < end_us:
            self.step()
        self._now = end_us


class _Call:
    """An entry of the queue that is not an event of SimPy."""

    __slots__ = ("act",)

    def __init__(self, act: Callable[[], object]) -> None:
        self.act = act
