"""The radio path against handbooks and standards.

"From memory" marks sources whose clause was not re-read; their numbers are recomputed from the formula.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special, stats

from lostlink_sims import Profile, profile
from lostlink_sims.air import radio
from lostlink_sims.air.loss import LinkBudget, OnAir, packet_loss_thresholds
from lostlink_sims.streams import Streams

FREQUENCY_HZ = 2.44e9


def near(value: float, expected: float, relative: float = 1e-5) -> None:
    assert value == pytest.approx(expected, rel=relative)


@pytest.mark.parametrize(("distance_m", "loss_db"), [(1, 40.1956), (10, 60.1956), (100, 80.1956), (1000, 100.1956)])
def test_free_space_loss(distance_m: float, loss_db: float) -> None:
    """ITU-R P.525-5 (2024) in its exact form (constant 32.4478, not the printed 32.4); Friis 1946."""
    assert radio.free_space_loss_db(distance_m, FREQUENCY_HZ) == pytest.approx(loss_db, abs=5e-5)
    assert radio.free_space_loss_db(distance_m, FREQUENCY_HZ) == pytest.approx(
        32.4478 + 20 * math.log10(2440) + 20 * math.log10(distance_m / 1000), abs=1e-4
    )


def test_free_space_loss_refuses_no_distance() -> None:
    """The formula has no value at distance 0."""
    with pytest.raises(ValueError, match="positive"):
        radio.free_space_loss_db(0, FREQUENCY_HZ)


@pytest.mark.parametrize(
    ("distance_m", "loss_db"), [(100, 74.435), (500, 88.162), (1000, 97.348), (2000, 108.734), (5000, 124.471)]
)
def test_two_ray_exact(distance_m: float, loss_db: float) -> None:
    """Rappaport 2nd ed., ground reflection with coefficient -1 (from memory; values by an independent computation)."""
    assert radio.two_ray_loss_db(distance_m, FREQUENCY_HZ, 1.5, 10) == pytest.approx(loss_db, abs=1e-3)


@pytest.mark.parametrize(("distance_m", "loss_db"), [(1000, 96.478), (2000, 108.519), (5000, 124.437)])
def test_two_ray_far_form(distance_m: float, loss_db: float) -> None:
    """40 log10 d - 20 log10(ht hr), Rappaport 2nd ed.; the exact sum tends to it."""
    far = 40 * math.log10(distance_m) - 20 * math.log10(1.5 * 10)
    assert far == pytest.approx(loss_db, abs=1e-3)
    assert abs(far - radio.two_ray_loss_db(50_000, FREQUENCY_HZ, 1.5, 10) + 40 * math.log10(50_000 / distance_m)) < 0.01


@pytest.mark.parametrize(
    ("bandwidth_hz", "noise"), [(1, -173.9752), (250e3, -119.9958), (1e6, -113.9752), (2e6, -110.9649)]
)
def test_thermal_noise(bandwidth_hz: float, noise: float) -> None:
    """K T0 B with T0 = 290 K (Friis 1944; Nyquist 1928); the textbook -174 dBm/Hz is 0.025 dB low."""
    assert radio.noise_dbm(bandwidth_hz) == pytest.approx(noise, abs=5e-5)
    assert radio.noise_dbm(bandwidth_hz, 6) == pytest.approx(noise + 6, abs=5e-5)


@pytest.mark.parametrize(
    ("ebn0_db", "rate"), [(0, 0.303265), (8, 2.13237e-2), (10, 3.36897e-3), (12, 1.80892e-4), (14, 1.75581e-6)]
)
def test_fsk_bit_errors(ebn0_db: float, rate: float) -> None:
    """Non-coherent orthogonal FSK, Proakis & Salehi 5th ed. ch. 4, Sklar 2nd ed. (from memory)."""
    near(radio.fsk_bit_error_rate(ebn0_db), rate)


@pytest.mark.parametrize(
    ("rate", "bits", "lost"), [(1e-3, 329, 0.280475), (1e-4, 329, 0.0323663), (1e-5, 256, 2.55674e-3)]
)
def test_packet_errors(rate: float, bits: int, lost: float) -> None:
    """1 - (1 - b)^n for independent bit errors (Sklar; the form of IEEE 802.15.4 Annex E)."""
    near(radio.packet_error_rate(rate, bits), lost)


@pytest.mark.parametrize(
    ("payload_bytes", "bit_rate", "air_us"),
    [(32, 250_000, 1316), (32, 1_000_000, 329), (32, 2_000_000, 165), (8, 1_000_000, 137), (0, 250_000, 292)],
)
def test_air_time(payload_bytes: int, bit_rate: int, air_us: int) -> None:
    """(8 (preamble + address + payload + CRC) + control) / rate, rounded up to whole microseconds: arithmetic."""
    settings = dataclasses.replace(Profile().radio, bit_rate_bit_s=bit_rate)
    assert profile.air_time_us(settings, payload_bytes) == air_us


@pytest.mark.parametrize(("speed_m_s", "shift_hz"), [(1, 8.1390), (5, 40.695), (10, 81.390), (30, 244.169)])
def test_doppler(speed_m_s: float, shift_hz: float) -> None:
    """V f / c (Clarke 1968)."""
    near(radio.doppler_hz(speed_m_s, FREQUENCY_HZ), shift_hz, 1e-4)


@pytest.mark.parametrize(
    ("margin_db", "outage"), [(10, 0.0951626), (17.804, 1.6442e-2), (20, 9.95017e-3), (30, 9.99500e-4)]
)
def test_rayleigh_outage(margin_db: float, outage: float) -> None:
    """1 - exp(-1/F), Jakes 1974, Rappaport."""
    near(radio.rayleigh_outage(margin_db), outage, 2e-4)


@pytest.mark.parametrize(
    ("power_dbm", "bit_rate", "ebn0_db"), [(0, 1_000_000, 3.7441), (0, 250_000, 9.7647), (10, 1_000_000, 13.7441)]
)
def test_link_budget(power_dbm: float, bit_rate: int, ebn0_db: float) -> None:
    """1 km at 2.45 GHz, isotropic antennas, noise figure 10 dB, bandwidth equal to the bit rate (Friis)."""
    budget = LinkBudget(
        distance_m=1000, frequency_hz=2.45e9, transmit_power_dbm=power_dbm, noise_figure_db=10, implementation_loss_db=0
    )
    assert budget.mean_ebn0_db(bit_rate) == pytest.approx(ebn0_db, abs=1e-4)


def test_packet_loss_table() -> None:
    """The table of integer thresholds against the closed form in floating point, at every entry."""
    ebn0_db = np.arange(-1000, 2001, 5) / 100
    error = 0.5 * np.exp(-(10 ** (ebn0_db / 10)) / 2)
    expected = -np.expm1(313 * np.log1p(-error))
    table = packet_loss_thresholds(313) / 2**32
    assert np.abs(table - np.minimum(expected, 1 - 2**-32)).max() < 2**-31


# --- simulated fading: a sum of 16 sinusoids, so tails and crossings come close to the theory, not exactly -----------


def fading_db(trials: int, speed_m_s: float, step_us: int, count: int, **fields: object) -> NDArray[np.float64]:
    """Return the fading gain of many trials, (trials, count)."""
    budget = LinkBudget(speed_m_s=speed_m_s, **fields)  # type: ignore[arg-type]
    rows = []
    for trial in range(trials):
        air = OnAir(300, 300, 40, 1_000_000, True, Streams(2026, trial), 1024)
        gain = budget.fading_cdb(air)
        assert gain is not None
        rows.append(gain(np.arange(count) * step_us) / 100)
    return np.array(rows)


def test_fading_mean_power_is_one() -> None:
    """A fading channel neither adds nor takes power on average."""
    for kind in ("rayleigh", "rician"):
        power = 10 ** (fading_db(400, 10, 50_000, 200, fading=kind) / 10)
        assert power.mean() == pytest.approx(1, abs=0.03), kind


@pytest.mark.parametrize("margin_db", [3, 10, 20])
def test_simulated_rayleigh_outage(margin_db: float) -> None:
    """Share of time below the mean by a margin: 1 - exp(-1/F), Jakes 1974."""
    below = (fading_db(1000, 10, 50_000, 200, fading="rayleigh") < -margin_db).mean()
    expected = -math.expm1(-(10 ** (-margin_db / 10)))
    assert below == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize("k_db", [0.0, 6.0])
def test_simulated_rician_outage(k_db: float) -> None:
    """Share of time 10 dB below the total mean power: noncentral chi-squared (Rice 1945), by scipy."""
    k = 10 ** (k_db / 10)
    below = (fading_db(1500, 10, 50_000, 100, fading="rician", rician_k_db=k_db) < -10).mean()
    assert below == pytest.approx(stats.ncx2.cdf(2 * (1 + k) * 0.1, 2, 2 * k), rel=0.12)


@pytest.mark.parametrize("level_db", [0, -10])
def test_level_crossings_and_fade_duration(level_db: float) -> None:
    """Crossings sqrt(2 pi) fd rho exp(-rho^2) /s; duration (exp(rho^2) - 1) / (rho fd sqrt(2 pi)) (Jakes 1974)."""
    speed, step_us, count = 10.0, 200, 5000
    gain = fading_db(150, speed, step_us, count, fading="rayleigh")
    below = gain < level_db
    falls = (below[:, 1:] & ~below[:, :-1]).sum()
    seconds = gain.shape[0] * count * step_us / 1e6
    rho, fd = 10 ** (level_db / 20), radio.doppler_hz(speed, FREQUENCY_HZ)
    rate = math.sqrt(2 * math.pi) * fd * rho * math.exp(-(rho**2))
    assert falls / seconds == pytest.approx(rate, rel=0.08)
    duration = (math.exp(rho**2) - 1) / (rho * fd * math.sqrt(2 * math.pi))
    assert below.mean() * seconds / falls == pytest.approx(duration, rel=0.12)


def test_doppler_correlation() -> None:
    """The power decorrelates as J0(2 pi fd t)^2 (Clarke 1968): half-way point and first zero of J0.

    A sum of N equal sinusoids has correlation (J0^2 - 1/N) / (1 - 1/N) instead; N is 16 here.
    """
    speed = 10.0
    fd = radio.doppler_hz(speed, FREQUENCY_HZ)
    for turns, expected in ((0.242098, 0.25), (0.382740, 0.0)):
        assert special.j0(2 * math.pi * turns) ** 2 == pytest.approx(expected, abs=1e-4)
        lag_us = round(turns / fd * 1e6)
        power = 10 ** (fading_db(4000, speed, lag_us, 2, fading="rayleigh") / 10)
        finite = (expected - 1 / 16) / (1 - 1 / 16)
        assert np.corrcoef(power[:, 0], power[:, 1])[0, 1] == pytest.approx(finite, abs=0.04)
