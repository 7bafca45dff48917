"""Virtual time: a SimPy environment in whole microseconds with cheap events.

SimPy's processes, timeouts and interrupts work in a `World` as usual. A `Tick` is a reusable entry in the same queue,
ordered by the same (instant, priority, number). It saves the object and callback list that an event costs.

Order at equal instants, by priority: scripted fault, packet sent, packet arrival, main loop, start of a frame. In
virtual time only scripted faults and what follows from them are in the queue; `board.Board` keeps the same order.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from heapq import heappop, heappush
from typing import Any

import simpy

FAULT, SEND, ARRIVE, LOOP, FRAME = range(5)
FAR_US = 1 << 62
"""Later than any instant: never."""


class World(simpy.Environment):
    """A SimPy environment in whole microseconds.

    Attributes
    ----------
    push : callable
        Put an entry ``(instant_us, priority, number(), tick)`` into the queue.
    number : callable
        Return the next number, which keeps ties first in, first out.
    """

    def __init__(self) -> None:
        super().__init__()
        self._entries: list[tuple[int, int, int, Any]] = self._queue  # type: ignore[assignment]
        self.push: Callable[[tuple[int, int, int, Any]], None] = partial(heappush, self._entries)
        self.number: Callable[[], int] = self._eid.__next__

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

    def step(self) -> None:
        """Process the next entry of the queue, tick or event."""
        if self._entries and type(self._entries[0][3]) is Tick:
            self._now, _, _, tick = heappop(self._entries)
            tick.act(tick)
        else:
            super().step()

    def run_until(self, end_us: int) -> None:
        """Process all entries before `end_us`, without a call of `step` for each tick."""
        queue, pop = self._entries, heappop
        while queue and queue[0][0] < end_us:
            if type(queue[0][3]) is Tick:
                self._now, _, _, tick = pop(queue)
                tick.act(tick)
            else:
                super().step()
        self._now = end_us


class Tick:
    """A function that is called with the tick itself at scheduled instants.

    Parameters
    ----------
    env : World
    act : callable
    priority : int
        One of FAULT, SEND, ARRIVE, LOOP, FRAME.
    """

    __slots__ = ("_env", "_number", "_push", "act", "priority")

    def __init__(self, env: World, act: Callable[[Any], object], priority: int) -> None:
        self.act = act
        self.priority = priority
        self._env, self._push, self._number = env, env.push, env.number

    def at(self, instant_us: int) -> None:
        """Schedule it for an instant, which must not be in the past."""
        self._push((instant_us, self.priority, self._number(), self))

    def after(self, delay_us: int) -> None:
        """Schedule it for `delay_us` from now."""
        self._push((self._env.now + delay_us, self.priority, self._number(), self))


def once(env: World, instant_us: int, priority: int, act: Callable[[], object]) -> None:
    """Call `act` once, at an instant."""
    Tick(env, lambda _: act(), priority).at(instant_us)
