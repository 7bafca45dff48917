"""The radio path: the profile's loss models combined with the scenario's faults, a tile of slots at a time.

It gives the fate of each attempt and acknowledgement, which pass the same models, and damages payloads. A fate is an
index into `Air.fates`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lostlink_sims.air import loss
from lostlink_sims.air.loss import DAMAGED, LOST, Sampler, Tile
from lostlink_sims.arrays import Bytes, Ints, Mask
from lostlink_sims.handset import Slots
from lostlink_sims.profile import Profile, air_time_us, fatal_bits
from lostlink_sims.scenario import (
    DamagedPayload,
    FadeRamp,
    FlappingLink,
    ForeignHandset,
    InterferenceBurst,
    LastingFault,
    LinkCut,
    PeriodicInterference,
    Scenario,
    WrongAddress,
)
from lostlink_sims.streams import MODEL_SPAN, Purpose, Streams, threshold, under

FATES = ("received", "received damaged", "receiver off", "receiver busy", "repeated", "not sent")
"""Fates of packets; the names of loss models and faults follow in `Air.fates`."""
ELSEWHERE = "to another address"
"""Fate of packets of a handset that has set up its radio so."""
RECEIVED, RECEIVED_DAMAGED, RECEIVER_OFF, RECEIVER_BUSY, REPEATED, NOT_SENT = range(6)

_ACKNOWLEDGEMENT = 16
"""Offset of the attempt in an acknowledgement's random streams."""


@dataclass(slots=True)
class Flights:
    """A tile of packets and what the radio path does to them.

    Attributes
    ----------
    slots : Slots
    fates : list of (n,) ndarray of uint8
        One array per attempt: `RECEIVED`, `RECEIVED_DAMAGED`, or the cause of the loss.
    acknowledged : list of (n,) ndarray of bool
        Whether the acknowledgement of each attempt gets through; empty without acknowledgements.
    arrives_us : (n,) ndarray of int64
        When the first attempt would be delivered.
    """

    slots: Slots
    fates: list[Bytes]
    acknowledged: list[Mask]
    arrives_us: Ints


def on_air(profile: Profile, draws: Streams, purpose: int) -> loss.OnAir:
    """Return the parameters of a sampler for a link's packets."""
    radio, length = profile.radio, profile.payload_bytes
    return loss.OnAir(
        air_us=air_time_us(radio, length),
        fatal_bits=fatal_bits(radio, length),
        address_bits=8 * radio.address_bytes,
        bit_rate_bit_s=radio.bit_rate_bit_s,
        has_crc=radio.crc_bytes > 0,
        draws=draws,
        purpose=purpose,
    )


def _fault_mask(fault: LastingFault, profile: Profile, air: loss.OnAir) -> Callable[[Tile], Mask] | None:
    """Return which packets a fault loses while it lasts; None for a fault that loses none on the air."""
    match fault:
        case LinkCut() | WrongAddress():
            return lambda tile: np.ones(len(tile.sent_us), np.bool_)
        case InterferenceBurst():
            limit = threshold(fault.loss)
            return lambda tile: under(air.words(tile), limit)
        case PeriodicInterference():
            inner = loss.PeriodicInterferer(
                period_us=fault.period_us, burst_us=fault.burst_us, loss=fault.loss, phase_us=fault.at_us
            ).sampler(air)
            return lambda tile: inner(tile) != 0
        case FlappingLink():  # down first
            phase_us, period_us, lost_us = fault.at_us, fault.down_us + fault.up_us, fault.down_us
        case ForeignHandset():
            phase_us, period_us = fault.at_us + profile.radio.settle_us, fault.interval_us
            lost_us = air_time_us(profile.radio, fault.payload_bytes or profile.payload_bytes)
        case _:
            return None
    return lambda tile: loss.overlaps(tile.sent_us, air.air_us, phase_us, period_us, lost_us)


class Air:
    """The radio path of one scenario."""

    def __init__(self, profile: Profile, scenario: Scenario, draws: Streams) -> None:
        self._radio, self._scenario, self._draws = profile.radio, scenario, draws
        self.air_us = air_time_us(profile.radio, profile.payload_bytes)
        self.flight_us = profile.radio.settle_us + self.air_us + profile.radio.latency_us
        self.fates = list(FATES)
        self._layers: list[tuple[int, Sampler]] = []
        self._damage: list[tuple[DamagedPayload, int]] = []
        self._fades = [fault for fault in scenario.faults if isinstance(fault, FadeRamp)]
        models = list(profile.radio.losses) if scenario.ambient else []
        if self._fades and not any(isinstance(model, loss.LinkBudget) for model in models):
            models.append(loss.LinkBudget())  # a fade needs a signal strength
        for index, model in enumerate(models):
            sampler = model.sampler(on_air(profile, draws, Purpose.MODEL + MODEL_SPAN * index))
            self._layers.append((self._fate(model.model), sampler))
        for index, fault in enumerate(scenario.faults):
            purpose = Purpose.FAULT + MODEL_SPAN * index
            if isinstance(fault, DamagedPayload):
                self._damage.append((fault, purpose))
            elif isinstance(fault, LastingFault) and (
                mask := _fault_mask(fault, profile, on_air(profile, draws, purpose))
            ):
                self._layers.append((self._fate(fault.name), self._within(fault, mask)))
        if self._damage:
            self._damage_fate = self._fate("damaged payload")

    def _fate(self, name: str) -> int:
        if name not in self.fates:
            self.fates.append(name)
        return self.fates.index(name)

    def _within(self, fault: LastingFault, mask: Callable[[Tile], Mask]) -> Sampler:
        """Return a sampler that loses the packets of `mask` while the fault lasts."""
        until_us = fault.until_us(self._scenario.duration_us)

        def sample(tile: Tile) -> loss.Fates:
            inside = (tile.sent_us + self.air_us > fault.at_us) & (tile.sent_us < until_us)
            return (mask(tile) & inside).view(np.uint8) if inside.any() else inside.view(np.uint8)

        return sample

    def _fade_cdb(self, sent_us: Ints) -> Ints | None:
        if not self._fades:
            return None
        total = np.zeros(len(sent_us), np.int64)
        for fade in self._fades:
            depth_cdb = round(100 * fade.depth_db)
            since_us = sent_us - fade.at_us
            inside = (since_us >= 0) & (sent_us < fade.until_us(self._scenario.duration_us))
            ramp_us = max(fade.ramp_us, 1)
            total += np.where(inside, depth_cdb * np.minimum(since_us, ramp_us) // ramp_us, 0)
        return total

    def fly(self, slots: Slots) -> Flights:
        """Return the fates of the packets of `slots`; tiles must come in order."""
        settings = self._radio
        on_air_us = slots.left_us + settings.settle_us
        arrives_us = slots.left_us + self.flight_us
        if settings.latency_jitter_us:
            arrives_us = arrives_us + self._draws.below(
                Purpose.LATENCY_JITTER, slots.first, len(on_air_us), settings.latency_jitter_us + 1
            )
        fates, acknowledged = [], []
        for attempt in range(1 + settings.retries if settings.acknowledge else 1):
            sent_us = on_air_us + attempt * settings.retry_delay_us
            fates.append(self._attempt(slots, sent_us, attempt))
            if settings.acknowledge:
                back_us = sent_us + self.air_us
                answer = Tile(slots.first, back_us, attempt + _ACKNOWLEDGEMENT, self._fade_cdb(back_us))
                acknowledged.append(self._fates_of(answer) == RECEIVED)
        return Flights(slots, fates, acknowledged, arrives_us)

    def _fates_of(self, tile: Tile) -> Bytes:
        """Return the fate of each packet: the first layer that loses it."""
        fate = np.zeros(len(tile.sent_us), np.uint8)
        for number, sampler in self._layers:
            fates_of_model = sampler(tile)
            fate = np.where((fate <= RECEIVED_DAMAGED) & (fates_of_model == LOST), number, fate).astype(np.uint8)
            fate[(fate == RECEIVED) & (fates_of_model == DAMAGED)] = RECEIVED_DAMAGED
        return fate

    def _attempt(self, slots: Slots, sent_us: Ints, attempt: int) -> Bytes:
        fate = self._fates_of(Tile(slots.first, sent_us, attempt, self._fade_cdb(sent_us)))
        for fault, purpose in self._damage:
            inside = (sent_us >= fault.at_us) & (sent_us < fault.until_us(self._scenario.duration_us))
            words = self._draws.words(purpose + attempt, slots.first, len(sent_us))
            struck = inside & under(words, threshold(fault.share)) & (fate == RECEIVED)
            fate[struck] = self._damage_fate if self._radio.crc_bytes else RECEIVED_DAMAGED
        if slots.elsewhere is not None:
            fate[slots.elsewhere] = self._fate(ELSEWHERE)
        return fate

    def damaged(self, row: bytes, slot: int, attempt: int) -> bytes:
        """Return the payload of `slot` with one byte changed."""
        position, turn = self._draws.words(Purpose.DAMAGE, (slot * 16 + attempt) * 2, 2).tolist()
        damaged = bytearray(row)
        damaged[position * len(row) >> 32] ^= 1 + (turn * 255 >> 32)
        return bytes(damaged)
