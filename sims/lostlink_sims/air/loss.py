"""Packet loss models. A packet arrives when no model loses it.

A model is pure data with one method: `sampler` returns a function from a `Tile` to the fate of each packet, which is 0
(received), `LOST` or `DAMAGED`. A sampler may keep state; tiles come in order. Random integers are compared with
integer thresholds, so that the batch engine loses the same packets.

To add a model: write such a class, add it to `MODELS`. The profile reader, the schema and the help follow.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import MISSING, dataclass
from decimal import Decimal, localcontext
from typing import ClassVar, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from lostlink_sims._settings import Checked, choice, duration, frequency, length, level, power, share, speed, text
from lostlink_sims.air import radio
from lostlink_sims.arrays import Bytes, Ints, Mask
from lostlink_sims.streams import Streams, threshold, under

LOST: Final = 1
DAMAGED: Final = 2
ONCE: Final = 240
"""First stream of a model's numbers for a whole trial (`OnAir.once`)."""
Fates = Bytes


@dataclass(slots=True)
class Tile:
    """Consecutive packet slots in one attempt.

    Attributes
    ----------
    first : int
        Index of the first slot.
    sent_us : (n,) ndarray of int64
        When each packet is on the air.
    attempt : int
        Number of previous attempts.
    fade_cdb : (n,) ndarray of int64 or None
        Extra attenuation by scripted fades, in hundredths of a decibel.
    """

    first: int
    sent_us: Ints
    attempt: int = 0
    fade_cdb: Ints | None = None


@dataclass(frozen=True, slots=True)
class OnAir:
    """Parameters of a sampler: the packet on the air and the random streams.

    Attributes
    ----------
    air_us : int
        Time a packet is on the air.
    fatal_bits, address_bits : int
        Bits in which an error spoils the packet, and those of them in the address.
    bit_rate_bit_s : int
    has_crc : bool
        False when the radio delivers damaged payloads.
    draws : Streams
    purpose : int
        First purpose of this model's own range.
    """

    air_us: int
    fatal_bits: int
    address_bits: int
    bit_rate_bit_s: int
    has_crc: bool
    draws: Streams
    purpose: int

    def words(self, tile: Tile, which: int = 0) -> NDArray[np.uint32]:
        """Return a number for each slot of `tile`, from the model's stream `which` (0 .. 3)."""
        return self.draws.words(self.purpose + 4 * tile.attempt + which, tile.first, len(tile.sent_us))

    def once(self, which: int, limit: int) -> int:
        """Return a number 0 .. `limit` - 1 that holds for the whole trial."""
        return int(self.draws.below(self.purpose + ONCE + which, 0, 1, limit)[0])


Sampler = Callable[[Tile], Fates]


class LossModel(Protocol):
    """Interface of a loss model; `model` is its name in a profile."""

    model: ClassVar[str]

    def sampler(self, air: OnAir) -> Sampler: ...


def _lost(mask: Mask) -> Fates:
    return mask.view(np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bernoulli(Checked):
    """Independent packet losses."""

    model: ClassVar[str] = "bernoulli"
    probability: float = share(MISSING, "Share of packets lost.", example="2 %")

    def sampler(self, air: OnAir) -> Sampler:
        limit = threshold(self.probability)
        return lambda tile: _lost(under(air.words(tile), limit))


@dataclass(frozen=True, slots=True, kw_only=True)
class GilbertElliott(Checked):
    """Losses in bursts: a channel that may change between a good and a bad state before each packet.

    The loss shares are probabilities of *loss* in each state (the literature also writes them as probabilities
    of correct reception). The chain starts in the good state.

    References
    ----------
    .. [1] Gilbert, Bell Syst. Tech. J. 39, 1960; Elliott, ibid. 42, 1963.
    """

    model: ClassVar[str] = "gilbert-elliott"
    good_to_bad: float = share(MISSING, "Probability of turning bad before each packet.", example="0.4 %")
    bad_to_good: float = share(MISSING, "Probability of turning good before each packet.", example="30 %")
    loss_good: float = share(0.0, "Share of packets lost in the good state.")
    loss_bad: float = share(1.0, "Share of packets lost in the bad state.")

    def sampler(self, air: OnAir) -> Sampler:
        turns_bad = threshold(self.good_to_bad)
        stays_bad = threshold(1 - self.bad_to_good)
        limits = threshold(self.loss_good), threshold(self.loss_bad)
        bad = False
        states = np.zeros(0, np.bool_)

        def sample(tile: Tile) -> Fates:
            nonlocal bad, states
            if tile.attempt == 0 and len(tile.sent_us):  # a retry keeps the state of its slot
                moves = air.words(tile)
                states = _walk(under(moves, turns_bad), under(moves, stays_bad), bad=bad)
                bad = bool(states[-1])
            chance = air.words(tile, 1)
            return _lost(np.where(states, under(chance, limits[1]), under(chance, limits[0])))

        return sample


def _walk(to_bad: Mask, keeps: Mask, *, bad: bool) -> Mask:
    """Return the states of a chain that, before each packet, becomes `keeps` when it is bad and `to_bad` when not.

    Where both agree the state before does not matter; where they differ it stays, or changes.
    """
    sets, changes = to_bad == keeps, np.cumsum(to_bad & ~keeps)
    last = np.maximum.accumulate(np.where(sets, np.arange(len(sets)), -1))
    since: Ints = changes - np.where(last >= 0, changes[last], 0)
    states: Mask = np.where(last >= 0, to_bad[last], bad) ^ (since & 1).astype(np.bool_)
    return states


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodicInterferer(Checked):
    """A periodic transmitter that hits the packets it overlaps."""

    model: ClassVar[str] = "periodic interferer"
    period_us: int = duration(MISSING, "From one burst to the next.", 100, example="102.4 ms")
    burst_us: int = duration(MISSING, "Length of a burst.", 1, example="1.5 ms")
    loss: float = share(1.0, "Share of overlapped packets that are lost.")
    phase_us: int | None = duration(None, "When the first burst begins; left out, random.", example="10 ms")

    def sampler(self, air: OnAir) -> Sampler:
        limit = threshold(self.loss)
        phase_us = air.once(0, self.period_us) if self.phase_us is None else self.phase_us

        def sample(tile: Tile) -> Fates:
            hit = overlaps(tile.sent_us, air.air_us, phase_us, self.period_us, self.burst_us)
            return _lost(hit if self.loss >= 1 else hit & under(air.words(tile), limit))

        return sample


def overlaps(sent_us: Ints, air_us: int, phase_us: int, period_us: int, burst_us: int) -> Mask:
    """Return which packets of length `air_us` overlap a burst that begins at phase + n * period."""
    since_us = (sent_us - phase_us) % period_us
    return (since_us < burst_us) | (since_us + air_us > period_us)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded(Checked):
    """Recorded losses, one packet per slot, repeated from a random start."""

    model: ClassVar[str] = "recorded"
    file: str = text(
        MISSING,
        "CSV with a column `lost` (0 or 1), one row per packet; path relative to the profile.",
        example="losses.csv",
    )
    pattern: bytes = b""

    def sampler(self, air: OnAir) -> Sampler:
        pattern = np.frombuffer(self.pattern, np.uint8)
        if not len(pattern):
            raise ValueError(f"the recorded losses of {self.file} contain no packet")
        start = air.once(0, len(pattern))

        def sample(tile: Tile) -> Fates:
            return pattern[(start + tile.first + np.arange(len(tile.sent_us))) % len(pattern)]

        return sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Blackout(Checked):
    """Loss of all packets for a time."""

    model: ClassVar[str] = "blackout"
    at_us: int = duration(MISSING, "When it begins.", example="20 s")
    for_us: int = duration(MISSING, "How long it lasts.", 1, example="300 ms")

    def sampler(self, air: OnAir) -> Sampler:
        end_us = self.at_us + self.for_us

        def sample(tile: Tile) -> Fates:
            return _lost((tile.sent_us + air.air_us > self.at_us) & (tile.sent_us < end_us))

        return sample


# --- the link budget -------------------------------------------------------------------------------------
#
# Mean Eb/N0 is rounded to hundredths of a decibel: maths libraries differ in the last bit. Fading and scripted fades
# shift it. A table in decimal arithmetic gives the loss threshold. Fading is a sum of sinusoids on integer phases.

_TABLE_LOW_CDB = -1000
_TABLE_HIGH_CDB = 2000
_TABLE_STEP_CDB = 5
_PATHS = 16
_COSINE_BITS = 12
_AMPLITUDE = 32767
_COSINE: Final = np.array(
    [round(_AMPLITUDE * math.cos(2 * math.pi * i / (1 << _COSINE_BITS))) for i in range(1 << _COSINE_BITS)], np.int64
)
_FADE_LOW_CDB = -4000
_FADE_HIGH_CDB = 1500


@functools.lru_cache(maxsize=16)
def packet_loss_thresholds(bits: int) -> NDArray[np.uint32]:
    """Return loss thresholds for packets of `bits` bits, by Eb/N0 in steps of 0.05 dB from -10 dB up."""
    with localcontext() as context:
        context.prec = 34
        limits = []
        for cdb in range(_TABLE_LOW_CDB, _TABLE_HIGH_CDB + 1, _TABLE_STEP_CDB):
            ratio = Decimal(10) ** (Decimal(cdb) / 1000)
            error = (-ratio / 2).exp() / 2
            limits.append(min((1 << 32) - 1, round((1 - (1 - error) ** bits) * (1 << 32))))
    return np.array(limits, np.uint32)


@functools.lru_cache(maxsize=1)
def _power_steps() -> Ints:
    """Return the fading power at each hundredth of a decibel, in the units of the sum of sinusoids."""
    with localcontext() as context:
        context.prec = 34
        mean = Decimal(_PATHS * _AMPLITUDE * _AMPLITUDE)
        steps = range(_FADE_LOW_CDB, _FADE_HIGH_CDB)
        return np.array([round(mean * Decimal(10) ** (Decimal(cdb) / 1000)) for cdb in steps], np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkBudget(Checked):
    """Losses by weak signal: power, path loss, noise, fading, bit errors.

    The modulation is taken as non-coherent FSK: range is relative, not predictive (see `radio`). Two-ray means
    both rays over flat ground, exact. Fading follows Clarke's model with the Doppler of `speed_m_s`.
    """

    model: ClassVar[str] = "link budget"
    distance_m: float = length(50.0, "Distance between the antennas.", 0.2, 100_000)
    path: str = choice("free space", "How the path loss is calculated.", "free space", "two-ray")
    handset_height_m: float = length(1.5, "Height of the handset's antenna.", 0.01, 1000)
    model_height_m: float = length(10.0, "Height of the model's antenna.", 0.01, 10_000)
    frequency_hz: float = frequency(2.44e9, "Carrier frequency.", 1e6, 1e11)
    transmit_power_dbm: float = power(0.0, "Power into the antenna.", -40, 40)
    antenna_gain_db: float = level(0.0, "Sum of both antennas' gains.", -40, 40)
    noise_figure_db: float = level(10.0, "Noise figure of the receiving radio.", 0, 40)
    implementation_loss_db: float = level(6.0, "Loss against an ideal radio, to fit the specified sensitivity.", 0, 40)
    fading: str = choice(
        "none", "Rician has a direct path, Rayleigh only scattered ones.", "none", "rayleigh", "rician"
    )
    rician_k_db: float = level(6.0, "Power of the direct path over the scattered ones.", -20, 40)
    speed_m_s: float = speed(5.0, "Speed of the model, for the Doppler shift.", 0, 200)

    def mean_ebn0_db(self, bit_rate_bit_s: int) -> float:
        """Return Eb/N0 without fading, with the noise bandwidth equal to the bit rate."""
        if self.path == "two-ray":
            loss_db = radio.two_ray_loss_db(
                self.distance_m, self.frequency_hz, self.handset_height_m, self.model_height_m
            )
        else:
            loss_db = radio.free_space_loss_db(self.distance_m, self.frequency_hz)
        received_dbm = self.transmit_power_dbm + self.antenna_gain_db - loss_db - self.implementation_loss_db
        return received_dbm - radio.noise_dbm(bit_rate_bit_s, self.noise_figure_db)

    def fading_cdb(self, air: OnAir) -> Callable[[Ints], Ints] | None:
        """Return the fading gain over time in hundredths of a decibel, None without fading."""
        if self.fading == "none":
            return None
        turn = 1 << 32
        angles = air.draws.words(air.purpose + ONCE, 0, 2 * _PATHS + 2).astype(np.int64)
        # Evenly spaced arrival angles from a random start give Clarke's spectrum in each trial.
        arrival = (np.arange(_PATHS) * (turn // _PATHS) + angles[-1] // _PATHS) % turn
        top = round(radio.doppler_hz(self.speed_m_s, self.frequency_hz) * turn / 1_000_000)
        step = top * _COSINE[arrival >> (32 - _COSINE_BITS)] // _AMPLITUDE
        start = angles[:_PATHS]
        scattered, direct = 1 << 16, 0
        if self.fading == "rician":
            k = 10 ** (self.rician_k_db / 10)
            scattered = round((1 << 16) / math.sqrt(1 + k))
            direct = round((1 << 16) * math.sqrt(_PATHS * k / (1 + k)))
        direct_phase = int(angles[_PATHS]) >> (32 - _COSINE_BITS)
        quarter = 1 << (_COSINE_BITS - 2)
        full = (1 << _COSINE_BITS) - 1
        direct_i = direct * int(_COSINE[direct_phase])
        direct_q = direct * int(_COSINE[(direct_phase - quarter) & full])
        steps = _power_steps()

        def gain(at_us: Ints) -> Ints:
            phase = (start[:, None] + step[:, None] * at_us[None, :]) >> (32 - _COSINE_BITS) & full
            i = (scattered * _COSINE[phase].sum(0) + direct_i) >> 16
            q = (scattered * _COSINE[(phase - quarter) & full].sum(0) + direct_q) >> 16
            level: Ints = np.searchsorted(steps, i * i + q * q) + _FADE_LOW_CDB
            return level

        return gain

    @staticmethod
    def _index(level_cdb: Ints, limits: NDArray[np.uint32]) -> Ints:
        return np.clip((level_cdb - _TABLE_LOW_CDB) // _TABLE_STEP_CDB, 0, len(limits) - 1)

    def steady_threshold(self, limits: NDArray[np.uint32], bit_rate_bit_s: int) -> int:
        """Return the loss threshold without fading, from the table `limits`."""
        mean_cdb = np.array(round(100 * self.mean_ebn0_db(bit_rate_bit_s)), np.int64)
        return int(limits[self._index(mean_cdb, limits)])

    def sampler(self, air: OnAir) -> Sampler:
        limits = packet_loss_thresholds(air.fatal_bits)
        mean_cdb = round(100 * self.mean_ebn0_db(air.bit_rate_bit_s))
        gain = self.fading_cdb(air)
        unnoticed = threshold(air.address_bits / air.fatal_bits)

        def sample(tile: Tile) -> Fates:
            level = np.full(len(tile.sent_us), mean_cdb, np.int64)
            if gain is not None:
                level += gain(tile.sent_us)
            if tile.fade_cdb is not None:
                level -= tile.fade_cdb
            hit = air.words(tile) < limits[self._index(level, limits)]
            if air.has_crc:
                return _lost(hit)
            # Without a CRC only an error in the address hides the packet; others damage it.
            return np.where(hit, np.where(under(air.words(tile, 1), unnoticed), LOST, DAMAGED), 0).astype(np.uint8)

        return sample


MODELS: Final[dict[str, type[LossModel]]] = {
    kind.model: kind for kind in (Bernoulli, GilbertElliott, LinkBudget, PeriodicInterferer, Recorded, Blackout)
}
