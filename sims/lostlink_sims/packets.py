"""Packets in the event loop: our own, with acknowledgements and retries, and a neighbour's."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from typing import Any

import numpy as np

from lostlink_sims.clock import ARRIVE, SEND, Tick, World, once
from lostlink_sims.codes import FULL_TRAVEL
from lostlink_sims.fates import RECEIVED_DAMAGED, RECEIVER_BUSY, RECEIVER_OFF, Air, Flights
from lostlink_sims.handset import codes, layout
from lostlink_sims.power import PowerState
from lostlink_sims.profile import Profile, air_time_us
from lostlink_sims.recorder import Recorder
from lostlink_sims.scenario import ForeignHandset
from lostlink_sims.trace import NOT_YET


class OwnPackets:
    """Sends, delivers, acknowledges and repeats our packets, of which one at a time is in flight.

    Without acknowledgements a lost packet has no event, and a received one only its arrival.
    """

    def __init__(
        self, env: World, profile: Profile, air: Air, board: PowerState, recorder: Recorder, tiles: Iterator[Flights]
    ) -> None:
        self._env, self._air, self._board, self._recorder, self._tiles = env, air, board, recorder, tiles
        self._settings = profile.radio
        self._size = profile.payload_bytes
        self._acknowledges = profile.radio.acknowledge
        self._begin = Tick(env, self._on_tile, SEND)
        self._send = Tick(env, self._on_send, SEND)
        self._retry = Tick(env, self._on_retry, SEND)
        self._arrive = self._hot_path()
        self._tile: Flights | None = None
        self._next: Flights | None = None
        self._left: list[int] = []
        self._coming: Iterator[int] = iter(())  # received packets of the tile, without acknowledgements
        self._i = 0  # the packet in flight
        self._attempt = 0
        self._taken = False  # whether it was delivered
        self._came = 0  # arrivals not counted yet
        self._brown_out_us: int | None = None
        self.events = 0

    def start(self) -> None:
        """Plan the first tile."""
        self._next = next(self._tiles, None)
        if self._next is not None:
            self._begin.at(int(self._next.slots.left_us[0]))

    def _on_tile(self, _: Any) -> None:
        """Load the next tile as lists: reading single numbers from arrays is slow."""
        self.close()
        tile = self._tile = self._next
        assert tile is not None
        slots = tile.slots
        self._left = slots.left_us.tolist()
        self._fate: list[int] = tile.fates[0].tolist()
        self._arrives: list[int] = tile.arrives_us.tolist()
        self._flight = (tile.arrives_us - slots.left_us).tolist()
        data, size = slots.payload.tobytes(), self._size
        self._rows = [data[start : start + size] for start in range(0, len(data), size)]
        self._arrived = [NOT_YET] * len(self._left)
        self._attempts = [1] * len(self._left)
        self.start()
        if self._acknowledges:
            self._i = -1
            self._on_send(None)
            return
        self._coming = iter(np.flatnonzero(tile.fates[0] <= RECEIVED_DAMAGED).tolist())
        if (first := next(self._coming, None)) is not None:
            self._i = first
            self._arrive.at(self._arrives[first])

    def close(self) -> None:
        """Record the packets of the tile that have left."""
        if self._tile is not None:
            n = bisect_right(self._left, self._env.now)
            self.events += n + self._came
            self._came = 0
            self._recorder.packets(self._tile, self._arrived[:n], self._fate[:n], self._attempts[:n])

    def _hot_path(self) -> Tick:
        """Return the tick of an arrival, with constants bound as locals for speed."""
        board, acknowledges = self._board, self._acknowledges
        push, number = self._env.push, self._env.number

        def on_arrive(_: Any) -> None:
            self._came += 1
            i = self._i
            if not acknowledges and (coming := next(self._coming, None)) is not None:
                self._i = coming
                push((self._arrives[coming], ARRIVE, number(), arrive))
            if self._fate[i] or acknowledges:
                self._on_special_arrival(i)
            elif board.take(now_us := self._arrives[i], self._rows[i]):
                self._arrived[i] = now_us
            else:
                self._missed(i)

        arrive = Tick(self._env, on_arrive, ARRIVE)
        return arrive

    def _missed(self, i: int) -> None:
        self._fate[i] = RECEIVER_BUSY if self._board.is_up else RECEIVER_OFF

    def _on_special_arrival(self, i: int) -> None:
        """Deliver a damaged or acknowledged packet."""
        now_us = self._env.now
        if self._fate[i] == RECEIVED_DAMAGED:
            assert self._tile is not None
            slot = self._tile.slots.first + i
            self._board.take(now_us, self._air.damaged(self._rows[i], slot, self._attempt))
        elif not self._taken:  # the radio drops a repeated packet
            if self._board.take(now_us, self._rows[i]):
                self._arrived[i], self._taken = now_us, True
            else:
                self._missed(i)
        if self._acknowledges:
            self._acknowledge(i)

    # --- acknowledgements -----------------------------------------------------------------------------------

    def _on_send(self, _: Any) -> None:
        """Send the next packet, which is to be acknowledged."""
        self._i = i = self._i + 1
        if i + 1 < len(self._left):
            self._send.at(self._left[i + 1])
        self._attempt, self._taken = 0, False
        if self._fate[i] <= RECEIVED_DAMAGED:
            self._arrive.at(self._arrives[i])
        else:
            self._plan_retry(i)

    def brown_out_next(self, down_us: int) -> None:
        """Break the receiver's supply down at its next acknowledgement."""
        self._brown_out_us = down_us

    def _acknowledge(self, i: int) -> None:
        assert self._tile is not None
        if not self._board.is_up:
            self._plan_retry(i)
        elif self._brown_out_us is not None:
            down_us, self._brown_out_us = self._brown_out_us, None
            self._board.brown_out(down_us)
            self._plan_retry(i)
        elif not self._tile.acknowledged[self._attempt][i]:
            self._plan_retry(i)

    def _plan_retry(self, i: int) -> None:
        if self._attempt < self._settings.retries:
            due_us = self._left[i] + (self._attempt + 1) * self._settings.retry_delay_us
            self._retry.at(max(due_us, self._env.now))

    def _on_retry(self, _: Any) -> None:
        assert self._tile is not None
        i = self._i
        self._attempt += 1
        self._attempts[i] += 1
        fate = int(self._tile.fates[self._attempt][i])
        if not self._taken:
            self._fate[i] = fate
        if fate <= RECEIVED_DAMAGED:
            self._arrive.after(self._flight[i])
        else:
            self._plan_retry(i)

    # --- for the neighbour ----------------------------------------------------------------------------------

    def on_air(self, from_us: int, until_us: int) -> bool:
        """Return whether one of our packets was on the air in a time span that is over."""
        first_us = from_us - self._settings.settle_us - self._air.air_us
        index = bisect_right(self._left, first_us)
        return index < len(self._left) and self._left[index] < until_us - self._settings.settle_us


class ForeignPackets:
    """A foreign handset on our address. Its packets are lost only by collision with ours."""

    def __init__(
        self,
        env: World,
        profile: Profile,
        fault: ForeignHandset,
        until_us: int,
        board: PowerState,
        link: OwnPackets,
        recorder: Recorder,
    ) -> None:
        self._env, self._fault, self._until_us = env, fault, until_us
        self._board, self._link, self._recorder = board, link, recorder
        self._settle_us = profile.radio.settle_us
        length = fault.payload_bytes or profile.payload_bytes
        self._air_us = air_time_us(profile.radio, length)
        self._rows = self._payloads(profile, fault)
        self._send = Tick(env, self._on_send, SEND)
        self._latency_us = self._settle_us + self._air_us + profile.radio.latency_us
        self._count = 0

    @staticmethod
    def _payloads(profile: Profile, fault: ForeignHandset) -> list[bytes]:
        position = np.full((256, len(profile.channels)), round(fault.position * FULL_TRAVEL), np.int64)
        code = codes(profile, position)
        if fault.payload_bytes is not None:
            return [bytes([int(code[0, 0])] * fault.payload_bytes)] * 256
        link_id = profile.handset.link_id
        other_id = None if link_id is None else link_id ^ fault.id_difference
        return [row.tobytes() for row in layout(profile, code, np.arange(256), other_id)]

    def start(self) -> None:
        """Plan its first packet."""
        self._send.at(self._fault.at_us)

    def _on_send(self, _: Any) -> None:
        left_us, row = self._env.now, self._rows[self._count & 0xFF]
        self._count += 1
        once(self._env, left_us + self._latency_us, ARRIVE, lambda: self._arrive(left_us + self._settle_us, row))
        if left_us + self._fault.interval_us < self._until_us:
            self._send.at(left_us + self._fault.interval_us)

    def _arrive(self, on_air_us: int, row: bytes) -> None:
        if not self._link.on_air(on_air_us, on_air_us + self._air_us) and self._board.take(self._env.now, row):
            self._recorder.foreign_packet(self._env.now)
