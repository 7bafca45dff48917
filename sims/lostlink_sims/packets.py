"""Arrivals at the receiver: of our packets, with acknowledgements and retries, and of a neighbour's.

What reaches the radio does not depend on the receiver's program, only on whether it runs: so arrivals are known for
any span of time in which that does not change. `Arrivals` gives them for a span, or one at a time as events.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Generator, Iterator, Sequence
from functools import partial
from typing import Protocol

import numpy as np

from lostlink_sims.clock import ARRIVE, FAR_US, FAULT, SEND, World
from lostlink_sims.codes import FULL_TRAVEL
from lostlink_sims.fates import RECEIVED, RECEIVED_DAMAGED, RECEIVER_BUSY, RECEIVER_OFF, Air, Flights
from lostlink_sims.power import PowerState
from lostlink_sims.profile import Profile, air_time_us
from lostlink_sims.recorder import Recorder
from lostlink_sims.scenario import ForeignHandset
from lostlink_sims.sticks import codes, layout
from lostlink_sims.trace import NOT_YET

Coming = tuple[Sequence[int], Sequence[bytes]]
"""Instants and payloads of arrivals, in order."""


class Source(Protocol):
    """Packets of one handset, one after another.

    Attributes
    ----------
    at_us : int
        The next arrival; `FAR_US` when there is none.
    """

    at_us: int

    def row(self) -> bytes | None:
        """Return the payload that arrives at `at_us`; None when a collision destroyed it."""
        ...

    def done(self, *, taken: bool) -> None:
        """Go on to the next arrival; `taken` tells whether a program read this one from the radio."""
        ...


class OwnPackets:
    """Our packets, of which one at a time is in flight.

    Parameters
    ----------
    tiles : iterator of Flights
        Loaded one ahead; of one packet each where its result is reported to the handset.
    report : callable, optional
        ``report(at_us, answered)`` tells the handset so, and when; then its next packet is asked for.

    Attributes
    ----------
    load_at_us : int
        When the next tile of packets is to be loaded: as its first packet leaves; `FAR_US` when there is none.
    brown_out_us : int
        How long the receiver's supply breaks down at the next acknowledgement; 0 for not at all.
    events : int
        Packets that left, and arrivals, of the tiles that were closed.
    """

    def __init__(
        self, env: World, profile: Profile, air: Air, board: PowerState, tiles: Iterator[Flights],
        report: Callable[[int, bool], None] | None = None,
    ) -> None:  # fmt: skip
        self._env, self._air, self._board, self._tiles = env, air, board, tiles
        self._report = report
        self._known: tuple[int, bool] = (0, False)  # when it was known what became of a packet, and whether it came
        self._settings = profile.radio
        self._tile: Flights | None = None
        self._left: list[int] = []
        self._left_before_us = -1  # the last packet of the tile before
        self._chain: Generator[tuple[int, int, int], bool, None] | None = None  # with acknowledgements only
        self._coming_at: list[int] = []
        self._place = 0  # the next arrival
        self.brown_out_us = 0
        self.events = 0
        self._look_ahead()

    @property
    def is_simple(self) -> bool:
        """Whether nothing is sent again, so that all arrivals are known."""
        return not self._settings.acknowledge

    def _look_ahead(self) -> None:
        self._next = next(self._tiles, None)
        self.load_at_us = FAR_US if self._next is None else int(self._next.slots.left_us[0])
        self.at_us = FAR_US

    def load(self) -> None:
        """Load the next tile, when the one before is closed."""
        tile = self._tile = self._next
        assert tile is not None
        if self._report is None:
            self._look_ahead()
        else:
            self._next, self.load_at_us = None, FAR_US
        self._left_before_us = self._left[-1] if self._left else -1
        self._left = tile.slots.left_us.tolist()
        self._fate, self._arrived = tile.fates[0].copy(), np.full(len(self._left), NOT_YET, np.int64)
        self._place = 0
        if self._settings.acknowledge:
            self._coming_at = []
            self._later: dict[
                int, list[tuple[int, int, bool]]
            ] = {}  # by packet: instant, fate, whether it was sent again
            self._chain = self._attempts(tile)
            self._follow(None)
            return
        self._coming = np.flatnonzero(tile.fates[0] <= RECEIVED_DAMAGED)
        self._coming_at = tile.arrives_us[self._coming].tolist()
        self._rows = self._payloads(tile)
        self._whole = tile.fates[0][self._coming] == RECEIVED
        self.at_us = self._coming_at[0] if self._coming_at else FAR_US

    def _payloads(self, tile: Flights) -> list[bytes]:
        """Return the payloads of all arrivals of a tile."""
        rows = tile.slots.payload[self._coming]
        data, size = rows.tobytes(), rows.shape[1]
        payloads = [data[start : start + size] for start in range(0, len(data), size)]
        if tile.slots.lengths is not None:
            lengths = tile.slots.lengths[self._coming].tolist()
            payloads = [payload[:length] for payload, length in zip(payloads, lengths, strict=True)]
        damaged = np.flatnonzero(tile.fates[0][self._coming] == RECEIVED_DAMAGED)
        for place in damaged.tolist():
            payloads[place] = self._air.damaged(payloads[place], tile.slots.first + int(self._coming[place]), 0)
        return payloads

    def _missed(self) -> int:
        return RECEIVER_BUSY if self._board.is_up else RECEIVER_OFF

    def before(self, until_us: int) -> Coming:
        """Return all arrivals before an instant until which the board's state does not change; without retries."""
        first, last = self._place, bisect_left(self._coming_at, until_us, self._place)
        if first == last:
            return (), ()
        whole = self._coming[first:last][self._whole[first:last]]
        if self._board.listens:
            assert self._tile is not None
            self._arrived[whole] = self._tile.arrives_us[whole]
        else:
            self._fate[whole] = self._missed()
        self._place = last
        self.at_us = self._coming_at[last] if last < len(self._coming_at) else FAR_US
        return self._coming_at[first:last], self._rows[first:last]

    # --- one at a time ----------------------------------------------------------------------------------------

    def row(self) -> bytes | None:
        """Return the payload that arrives next; the radio drops one that it has already."""
        if self._chain is None:
            return self._rows[self._place]
        if self._has_it:
            return None
        assert self._tile is not None
        slots = self._tile.slots
        payload: bytes = slots.payload[self._i].tobytes()
        if slots.lengths is not None:
            payload = payload[: slots.lengths[self._i]]
        if self._tile.fates[self._attempt][self._i] == RECEIVED_DAMAGED:
            return self._air.damaged(payload, self._tile.slots.first + self._i, self._attempt)
        return payload

    def done(self, *, taken: bool) -> None:
        """Go on to the next arrival."""
        if self._chain is not None:
            self._coming_at.append(self.at_us)
            self._place += 1
            self._follow(taken)
            return
        if self._whole[self._place]:
            i = self._coming[self._place]
            if taken:
                self._arrived[i] = self.at_us
            else:
                self._fate[i] = self._missed()
        self._place += 1
        self.at_us = self._coming_at[self._place] if self._place < len(self._coming_at) else FAR_US

    def _follow(self, taken: bool | None) -> None:
        assert self._chain is not None
        try:
            self.at_us, self._i, self._attempt = self._chain.send(taken)  # type: ignore[arg-type]
        except StopIteration:
            self.at_us = FAR_US
            if self._report is not None:
                self._report(*self._known)
                self._look_ahead()

    def _attempts(self, tile: Flights) -> Generator[tuple[int, int, int], bool, None]:
        """Yield instant, packet and attempt of each arrival; whether a program took it is sent back."""
        settings = self._settings
        fates, acknowledged = [fate.tolist() for fate in tile.fates], [ok.tolist() for ok in tile.acknowledged]
        flight_us = (tile.arrives_us - tile.slots.left_us).tolist()
        last_us = settings.retries * settings.retry_delay_us + self._air.flight_us + settings.latency_jitter_us
        for i, left_us in enumerate(self._left):
            now_us, self._has_it = left_us, False
            self._known = left_us + last_us, False
            for attempt in range(settings.retries + 1):
                if attempt:
                    now_us = max(left_us + attempt * settings.retry_delay_us, now_us)
                    self._write(i, now_us, -1 if self._has_it else fates[attempt][i], again=True)
                if fates[attempt][i] > RECEIVED_DAMAGED:
                    continue
                now_us += flight_us[i]
                taken = yield now_us, i, attempt
                if fates[attempt][i] == RECEIVED and not self._has_it:
                    self._has_it = taken
                    if taken:
                        self._arrived[i] = now_us
                    else:
                        self._write(i, now_us, self._missed())
                if self._board.is_up and self.brown_out_us:
                    self._env.once(now_us, FAULT, partial(self._board.brown_out, self.brown_out_us))
                    self.brown_out_us = 0
                elif self._board.is_up and acknowledged[attempt][i]:
                    self._known = now_us, True
                    break

    def _write(self, i: int, at_us: int, fate: int, *, again: bool = False) -> None:
        self._later.setdefault(i, []).append((at_us, fate, again))

    # --- results ----------------------------------------------------------------------------------------------

    def close(self, now_us: int, recorder: Recorder, *, refused: bool = False) -> None:
        """Record the packets that have left until now, and what happened to them until now.

        `refused` means that the program crashed over the packet that arrived now.
        """
        tile = self._tile
        if tile is None:
            return
        self._tile = None
        n, came = bisect_right(self._left, now_us), min(self._place, bisect_right(self._coming_at, now_us))
        self.events += n + came
        self._arrived[self._arrived > now_us - refused] = NOT_YET
        attempts = np.ones(n, np.uint8)
        if self._chain is None:
            ahead = self._coming[came : self._place]
            self._fate[ahead] = tile.fates[0][ahead]
        else:
            for i, written in self._later.items():
                for at_us, fate, again in written:
                    if at_us <= now_us and i < n:
                        attempts[i] += again
                        self._fate[i] = self._fate[i] if fate < 0 else fate
        recorder.packets(tile, self._arrived[:n], self._fate[:n], attempts)

    def on_air(self, from_us: int, until_us: int) -> bool:
        """Return whether one of our packets was on the air in a time span that is over."""
        first_us, last_us = from_us - self._settings.settle_us - self._air.air_us, until_us - self._settings.settle_us
        index = bisect_right(self._left, first_us)
        return (index < len(self._left) and self._left[index] < last_us) or first_us < self._left_before_us < last_us


class ForeignPackets:
    """A foreign handset on our address. Its packets are lost only by collision with ours."""

    def __init__(self, profile: Profile, fault: ForeignHandset, until_us: int, own: OwnPackets) -> None:
        self._fault, self._until_us, self._own = fault, until_us, own
        self._settle_us = profile.radio.settle_us
        length = fault.payload_bytes or profile.payload_bytes
        self._air_us = air_time_us(profile.radio, length)
        self._rows = self._payloads(profile, fault)
        self._latency_us = self._settle_us + self._air_us + profile.radio.latency_us
        self._count = 0
        self.at_us = fault.at_us + self._latency_us
        self.taken_us: list[int] = []

    @staticmethod
    def _payloads(profile: Profile, fault: ForeignHandset) -> list[bytes]:
        position = np.full((256, len(profile.channels)), round(fault.position * FULL_TRAVEL), np.int64)
        code = codes(profile, position)
        if fault.payload_bytes is not None:
            return [bytes([int(code[0, 0])] * fault.payload_bytes)] * 256
        link_id = profile.handset.link_id
        other_id = None if link_id is None else link_id ^ fault.id_difference
        return [row.tobytes() for row in layout(profile, code, np.arange(256), other_id)]

    def row(self) -> bytes | None:
        """Return the payload that arrives next, None after a collision."""
        on_air_us = self.at_us - self._latency_us + self._settle_us
        if self._own.on_air(on_air_us, on_air_us + self._air_us):
            return None
        return self._rows[self._count & 0xFF]

    def done(self, *, taken: bool) -> None:
        """Go on to the next arrival."""
        if taken:
            self.taken_us.append(self.at_us)
        self._count += 1
        left_us = self._fault.at_us + self._count * self._fault.interval_us
        self.at_us = left_us + self._latency_us if left_us < self._until_us else FAR_US


class Arrivals:
    """The arrivals of all handsets at a receiver board; of two at the same instant ours comes first.

    Attributes
    ----------
    own : OwnPackets
    foreign : list of ForeignPackets
    """

    def __init__(self, env: World, board: PowerState, recorder: Recorder, own: OwnPackets) -> None:
        self._env, self._board, self._recorder = env, board, recorder
        self.own = own
        self.foreign: list[ForeignPackets] = []

    @property
    def load_at_us(self) -> int:
        """When `load` is due."""
        return self.own.load_at_us

    def load(self) -> None:
        """Go on to our next packets."""
        self.own.close(self.own.load_at_us, self._recorder)
        self.own.load()

    def before(self, until_us: int) -> Coming:
        """Return the arrivals before an instant until which nothing is planned.

        An action that one of them causes, at its own instant, is planned then, and that one is the last.
        """
        if self.own.is_simple and not self.foreign:
            return self.own.before(until_us)
        at_us: list[int] = []
        rows: list[bytes] = []
        sources: list[Source] = [self.own, *self.foreign]
        listens = self._board.listens
        while True:
            source = min(sources, key=lambda one: one.at_us)
            if source.at_us >= min(until_us, self._env.next_us, self.own.load_at_us):
                return at_us, rows
            row = source.row()
            if row is not None:
                at_us.append(source.at_us)
                rows.append(row)
            source.done(taken=listens and row is not None)

    def close(self, now_us: int, *, refused: bool = False) -> None:
        """Complete the record."""
        self.own.close(now_us, self._recorder, refused=refused)
        taken_us = sorted(at_us for one in self.foreign for at_us in one.taken_us)
        self._recorder.foreign += [at_us for at_us in taken_us if at_us <= now_us - refused]

    # --- as events --------------------------------------------------------------------------------------------

    def enqueue(self, take: Callable[[int, bytes], bool]) -> None:
        """Put the arrivals into the queue of the world, one at a time."""
        env = self._env

        def plan(source: Source) -> None:
            if source.at_us < FAR_US:
                env.once(source.at_us, ARRIVE, partial(on_arrival, source))

        def on_arrival(source: Source) -> None:
            row = source.row()
            source.done(taken=row is not None and take(env.now, row))
            plan(source)

        def on_load() -> None:
            self.load()
            plan(self.own)
            plan_load()

        def plan_load() -> None:
            if self.load_at_us < FAR_US:
                env.once(self.load_at_us, SEND, on_load)

        for source in self.foreign:
            plan(source)
        plan_load()
