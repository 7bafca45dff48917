"""Link budget over distance: power, margin, packet loss, false failsafes.

The model is that of the simulation (`lostlink_sims.air.loss.LinkBudget`): non-coherent FSK with an implementation loss
that fits it to a radio's specified sensitivity. Range is relative, not a prediction: the small-index GFSK of packet
radios is several decibels worse than the ideal, and real ground is neither flat nor empty.

Over flat ground both rays cancel where the bounced one is a whole number of wavelengths longer. These dips are narrow
and deep, so curves and searches are evaluated at the dips themselves, at the crests between them, and ever closer
towards each dip (`curve_distances_m`).
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lostlink.planning import fading
from lostlink.planning.first_passage import Channel, packets_to_fire, run_rates
from lostlink_sims import Profile
from lostlink_sims.air import radio
from lostlink_sims.air.loss import LinkBudget
from lostlink_sims.profile import air_time_us, fatal_bits

SENSITIVITY_LOSS = 0.01
"""Share of packets lost at the sensitivity."""
NEAREST_M = 10.0
"""Start of tables and searches."""
_STEPS = 400
"""Steps of a curve, in the logarithm of the distance."""
_TOWARDS_DIP = 24
"""Distances on each side of a dip, from the middle between two dips on."""
_HOUR_US = 3_600_000_000


def budget_of(profile: Profile) -> tuple[LinkBudget, bool]:
    """Return the link budget of a profile or else the default one, and whether the profile has one."""
    own = next((model for model in profile.radio.losses if isinstance(model, LinkBudget)), None)
    return (LinkBudget(), False) if own is None else (own, True)


@functools.lru_cache(maxsize=64)
def ebn0_for_loss_db(loss: float, bits: int) -> float:
    """Return the Eb/N0 at which a packet of `bits` bits is lost with probability `loss`."""
    return _bisected(-20.0, 40.0, lambda db: radio.packet_error_rate(radio.fsk_bit_error_rate(db), bits) > loss)


def _bisected(low: float, high: float, is_below: Callable[[float], bool]) -> float:
    """Return the value from which on `is_below` is false."""
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if is_below(middle) else (low, middle)
    return high


def sensitivity_dbm(profile: Profile, budget: LinkBudget) -> float:
    """Return the received power at which 1 % of the packets are lost."""
    bits = fatal_bits(profile.radio, profile.payload_bytes)
    noise_dbm = radio.noise_dbm(profile.radio.bit_rate_bit_s, budget.noise_figure_db)
    return noise_dbm + ebn0_for_loss_db(SENSITIVITY_LOSS, bits) + budget.implementation_loss_db


@dataclass(frozen=True, slots=True)
class RangePoint:
    """The link at one distance.

    Attributes
    ----------
    distance_m : float
    received_dbm : float
        Mean received power.
    margin_db : float
        Above the sensitivity.
    loss : float
        Share of packets lost, with fading.
    per_hour : float or None
        False failsafes for independent losses; infinite where the receiver is in failsafe most of the time; None with
        fading, where losses are not independent.
    fade_s : float
        Mean length of a fade below the margin.
    """

    distance_m: float
    received_dbm: float
    margin_db: float
    loss: float
    per_hour: float | None
    fade_s: float


def at(profile: Profile, budget: LinkBudget, distance_m: float) -> RangePoint:
    """Return the link at a distance."""
    curve = curve_at(profile, budget, [distance_m])
    margin_db, loss = curve.margin_db[0], curve.loss[0]
    shift_hz = radio.doppler_hz(budget.speed_m_s, budget.frequency_hz)
    per_hour = None
    if budget.fading == "none":
        run = packets_to_fire(profile)
        hourly = _HOUR_US / profile.handset.packet_interval_us
        per_hour = float(run_rates(Channel.bernoulli(loss), run)[-1]) * hourly if loss**run < 0.5 else math.inf
    return RangePoint(
        distance_m=distance_m,
        received_dbm=sensitivity_dbm(profile, budget) + margin_db,
        margin_db=margin_db,
        loss=loss,
        per_hour=per_hour,
        fade_s=fading.fade_duration_s(margin_db, shift_hz, budget.fading, budget.rician_k_db),
    )


@dataclass(frozen=True, slots=True)
class RangeCurve:
    """The link at many distances.

    Attributes
    ----------
    distances_m, margin_db, loss : list of float
        As in `RangePoint`.
    """

    distances_m: list[float]
    margin_db: list[float]
    loss: list[float]


def curve_at(profile: Profile, budget: LinkBudget, distances_m: list[float]) -> RangeCurve:
    """Return margin and packet loss at some distances."""
    bits = fatal_bits(profile.radio, profile.payload_bytes)
    needed_db = ebn0_for_loss_db(SENSITIVITY_LOSS, bits)
    levels_db = [_ebn0_db(profile, budget, distance_m) for distance_m in distances_m]
    losses = [faded_loss(level_db, bits, budget) for level_db in levels_db]
    return RangeCurve(distances_m, [level_db - needed_db for level_db in levels_db], losses)


def _ebn0_db(profile: Profile, budget: LinkBudget, distance_m: float) -> float:
    return dataclasses.replace(budget, distance_m=distance_m).mean_ebn0_db(profile.radio.bit_rate_bit_s)


def faded_loss(ebn0_db: float, bits: int, budget: LinkBudget) -> float:
    """Return the share of packets lost, as the mean over the fading."""
    if budget.fading == "none":
        return radio.packet_error_rate(radio.fsk_bit_error_rate(ebn0_db), bits)
    level_db, share = _levels(budget.fading, budget.rician_k_db)
    errors = 0.5 * np.exp(-(10 ** ((ebn0_db + level_db) / 10)) / 2)
    lost = -np.expm1(bits * np.log1p(-errors))
    return float(lost @ share)


@functools.lru_cache(maxsize=8)
def _levels(kind: str, k_db: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return levels of a fading signal relative to its mean, in steps of 0.05 dB, and the share of time at each."""
    edges = np.arange(-60.0, 15.05, 0.05)
    below = np.array([fading.outage(-edge, kind, k_db) for edge in edges.tolist()])
    below[0], below[-1] = 0.0, 1.0  # levels beyond the ends count at the ends
    return (edges[:-1] + edges[1:]) / 2, np.diff(below)


def distances_m(most_m: float) -> list[float]:
    """Return round distances up to `most_m`."""
    steps, distances, decade = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0), [], NEAREST_M
    while decade <= most_m:
        distances += [decade * step for step in steps if decade * step < most_m]
        decade *= 10
    return [*distances, most_m]


def curve_distances_m(budget: LinkBudget, most_m: float) -> list[float]:
    """Return distances from `NEAREST_M` to `most_m` for a curve: evenly spaced in the logarithm, and at all dips.

    Towards each dip they come ever closer. Of more dips than a curve can show, one is kept per step of the curve.
    """
    distances = [*np.geomspace(NEAREST_M, most_m, _STEPS)[1:-1].tolist(), NEAREST_M, most_m]
    nearest, farthest = (_path_difference(budget, end_m) for end_m in (NEAREST_M, most_m))
    orders = np.arange(math.ceil(farthest), math.floor(nearest) + 1)
    if len(orders) > _STEPS:
        step = np.log(_distances_at(budget, orders)) // (math.log(most_m / NEAREST_M) / _STEPS)
        orders = orders[np.unique(step, return_index=True)[1]]
    # A dip is as wide as the path difference over 2 pi times the distance, in wavelengths: the last one is narrowest.
    narrowest = radio.SPEED_OF_LIGHT_M_S / budget.frequency_hz / (4 * math.pi * most_m)
    towards = np.geomspace(0.5, min(0.1, narrowest), min(_TOWARDS_DIP, 1 + _STEPS * 4 // max(1, len(orders))))
    differences = (orders[:, None] + np.concatenate([-towards, [0.0], towards])).ravel()
    inside = differences[(differences > farthest) & (differences < nearest)]
    return sorted({*distances, *_distances_at(budget, inside).tolist()})


def _path_difference(budget: LinkBudget, distance_m: float) -> float:
    """Return how many wavelengths the ray over the ground is longer than the direct one."""
    one, other = budget.handset_height_m, budget.model_height_m
    bounced_m, direct_m = math.hypot(distance_m, one + other), math.hypot(distance_m, one - other)
    return 4 * one * other / (bounced_m + direct_m) * budget.frequency_hz / radio.SPEED_OF_LIGHT_M_S


def _distances_at(budget: LinkBudget, differences: NDArray[Any]) -> NDArray[np.float64]:
    """Return the distances with such path differences in wavelengths, (n,)."""
    one, other = budget.handset_height_m, budget.model_height_m
    longer_m = differences * radio.SPEED_OF_LIGHT_M_S / budget.frequency_hz
    direct_m = (4 * one * other / longer_m - longer_m) / 2
    return np.sqrt(np.maximum(direct_m**2 - (one - other) ** 2, 0.0))


def reach_m(profile: Profile, budget: LinkBudget, loss: float, most_m: float) -> tuple[float | None, float | None]:
    """Return the distances at which the loss first exceeds a share, and from which on always; None beyond `most_m`."""
    bits = fatal_bits(profile.radio, profile.payload_bytes)
    ebn0_db = _bisected(-20.0, 90.0, lambda db: faded_loss(db, bits, budget) > loss)
    return _weaker_m(profile, budget, ebn0_db, most_m)


def kept_m(profile: Profile, budget: LinkBudget, keep_db: float, most_m: float) -> tuple[float | None, float | None]:
    """Return the distances at which the margin is first below `keep_db`, and from which on always; None as above."""
    bits = fatal_bits(profile.radio, profile.payload_bytes)
    return _weaker_m(profile, budget, ebn0_for_loss_db(SENSITIVITY_LOSS, bits) + keep_db, most_m)


def _weaker_m(profile: Profile, budget: LinkBudget, ebn0_db: float, most_m: float) -> tuple[float | None, float | None]:
    """Return the distances at which the mean Eb/N0 is first below a level, and from which on always.

    Over flat ground the field has dips and crests at short distances, so the two differ.
    """
    distances_m = curve_distances_m(budget, most_m)
    is_strong = np.array([_ebn0_db(profile, budget, distance_m) >= ebn0_db for distance_m in distances_m])

    def left_m(place: int) -> float:
        """Return where the level is left, between the distance before a place and this one."""
        if not place:
            return distances_m[0]
        return _bisected(
            distances_m[place - 1], distances_m[place], lambda at_m: _ebn0_db(profile, budget, at_m) >= ebn0_db
        )

    if is_strong.all():
        return None, None
    first, last = int(np.argmin(is_strong)), len(is_strong) - int(np.argmax(is_strong[::-1])) if is_strong.any() else 0
    return left_m(first), left_m(last) if last < len(is_strong) else None


def break_points_m(budget: LinkBudget) -> dict[str, float]:
    """Return the break points of path loss over flat ground, by the three definitions in use."""
    wavelength_m = radio.SPEED_OF_LIGHT_M_S / budget.frequency_hz
    product = budget.handset_height_m * budget.model_height_m / wavelength_m
    return {
        "4 h1 h2 / wavelength": 4 * product,
        "4 pi h1 h2 / wavelength (free space meets the far form)": 4 * math.pi * product,
        "20 pi h1 h2 / (3 wavelength)": 20 * math.pi * product / 3,
    }


def fresnel_radius_m(distance_m: float, frequency_hz: float) -> float:
    """Return the radius of the first Fresnel zone at half the distance: 0.5 sqrt(wavelength d) (ITU-R P.526)."""
    return 0.5 * math.sqrt(radio.SPEED_OF_LIGHT_M_S / frequency_hz * distance_m)


@dataclass(frozen=True, slots=True)
class AirUse:
    """Use of the radio channel by the handset.

    Attributes
    ----------
    air_us : int
    duty : float
        Share of time on the air, first attempts only.
    power_dbm : float
        Radiated power: transmitter power and both antenna gains, as the worst case.
    utilisation : float
        Duty times the power relative to 100 mW.
    """

    air_us: int
    duty: float
    power_dbm: float
    utilisation: float


def air_use(profile: Profile, budget: LinkBudget) -> AirUse:
    """Return the use of the radio channel by the handset."""
    air_us = air_time_us(profile.radio, profile.payload_bytes)
    duty = air_us / profile.handset.packet_interval_us
    power_dbm = budget.transmit_power_dbm + budget.antenna_gain_db
    return AirUse(air_us, duty, power_dbm, 10 ** (power_dbm / 10) / 100 * duty)
