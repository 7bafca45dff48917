"""The radio path by a second route: scipy's distributions and integrals, inverses, and the fading as simulated.

`test_radio` holds the formulas against printed values; here they are held against other formulas. "From memory"
marks sources whose clause was not re-read; their numbers are recomputed from the formula.

The simulated fading is a sum of 16 sinusoids of equal strength and drawn phase. Its level is that of a plane
random walk of 16 equal steps, whose distribution is known exactly (Kluyver 1906; Watson, Theory of Bessel
Functions, 13.48, from memory) and close to Rayleigh's. So shares are held against the exact law within their
scatter, and against Rayleigh, Rice and Clarke with the few per cent more that 16 paths differ from many.
"""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import constants, integrate, optimize, special, stats

from lostlink_sims import Profile, profile
from lostlink_sims.air import radio
from lostlink_sims.air.loss import DAMAGED, LOST, LinkBudget, OnAir, Tile, packet_loss_thresholds
from lostlink_sims.streams import Streams

Floats = NDArray[np.float64]
FREQUENCY_HZ = 2.44e9
WAVELENGTH_M = constants.c / FREQUENCY_HZ
PATHS = 16
SEED = 20_260


# --- formulas by a second route --------------------------------------------------------------------------------------


def test_constants() -> None:
    """The speed of light and Boltzmann's constant, exact in the SI (CODATA, as scipy has them)."""
    assert constants.c == radio.SPEED_OF_LIGHT_M_S
    assert constants.k == radio.BOLTZMANN_J_K


@pytest.mark.parametrize(("loss_db", "distance_m"), [(94, 490.03), (100, 977.73), (104, 1549.6), (114, 4900.3)])
def test_range_at_a_loss(loss_db: float, distance_m: float) -> None:
    """Friis 1946 solved for the distance: c / (4 pi f) 10^(L / 20)."""
    found = optimize.brentq(lambda d: radio.free_space_loss_db(d, FREQUENCY_HZ) - loss_db, 1, 1e5)
    assert found == pytest.approx(constants.c / (4 * math.pi * FREQUENCY_HZ) * 10 ** (loss_db / 20))
    assert found == pytest.approx(distance_m, rel=1e-4)


def test_the_printed_constant_of_the_recommendation_is_rounded() -> None:
    """ITU-R P.525-5 prints 32.4: 0.0478 dB below the exact form, which is the one used here."""
    printed = 32.4 + 20 * math.log10(2440) + 20 * math.log10(1)
    assert radio.free_space_loss_db(1000, FREQUENCY_HZ) - printed == pytest.approx(0.0478, abs=1e-4)


@pytest.mark.parametrize(
    ("distance_m", "heights_m", "free_db", "far_db", "exact_db"),
    [
        (100, (1.5, 1.5), 80.052, 72.956, 74.900),
        (500, (1.5, 1.5), 94.031, 100.915, 100.990),
        (1000, (1.5, 1.5), 100.052, 112.956, 112.975),
        (1000, (1.5, 10), 100.052, 96.478, 97.319),
    ],
)
def test_ground_reflection_at_2400_mhz(
    distance_m: float, heights_m: tuple[float, float], free_db: float, far_db: float, exact_db: float
) -> None:
    """Rappaport 2nd ed., 4.6 (from memory): free space, far form, and the exact sum of both rays."""
    assert radio.free_space_loss_db(distance_m, 2.4e9) == pytest.approx(free_db, abs=6e-4)
    assert 40 * math.log10(distance_m) - 20 * math.log10(math.prod(heights_m)) == pytest.approx(far_db, abs=6e-4)
    assert radio.two_ray_loss_db(distance_m, 2.4e9, *heights_m) == pytest.approx(exact_db, abs=6e-4)


def test_where_free_space_and_far_form_meet() -> None:
    """At 4 pi ha hb / wavelength, 1534.16 m; the break point of ITU-R P.1411 is 4 ha hb / wavelength (from memory)."""
    meet_m = 4 * math.pi * 1.5 * 10 / WAVELENGTH_M
    assert meet_m == pytest.approx(1534.16, abs=0.01)
    far_db = 40 * math.log10(meet_m) - 20 * math.log10(1.5 * 10)
    assert far_db == pytest.approx(radio.free_space_loss_db(meet_m, FREQUENCY_HZ))


def test_two_rays_gain_at_most_six_decibels() -> None:
    """Two rays in phase double the field at most: 20 log10 2 = 6.02 dB over the direct ray alone."""
    for distance_m in np.geomspace(5, 5000, 400).tolist():
        direct_m = math.hypot(distance_m, 8.5)
        gain_db = radio.free_space_loss_db(direct_m, FREQUENCY_HZ) - radio.two_ray_loss_db(
            distance_m, FREQUENCY_HZ, 1.5, 10
        )
        assert gain_db <= 20 * math.log10(2) + 1e-9, distance_m


@pytest.mark.parametrize(
    ("rate", "ebn0_db"),
    [(1e-2, 8.9343), (1e-3, 10.9444), (1e-4, 12.3133), (1e-5, 13.3525), (1e-6, 14.1904)],
)
def test_ebn0_for_a_bit_error_rate(rate: float, ebn0_db: float) -> None:
    """The inverse, -2 ln(2 b) (Proakis & Salehi 5th ed. ch. 4, from memory)."""
    found = optimize.brentq(lambda db: math.log(radio.fsk_bit_error_rate(db) / rate), 0, 20)
    assert found == pytest.approx(10 * math.log10(-2 * math.log(2 * rate)), abs=1e-9)
    assert found == pytest.approx(ebn0_db, abs=5e-5)


@pytest.mark.parametrize("ebn0_db", [0.0, 6.0, 10.0, 12.0])
def test_bit_errors_from_two_envelopes(ebn0_db: float) -> None:
    """Non-coherent orthogonal FSK from its definition: the noise's envelope exceeds the signal's (Proakis).

    The tone's detector is Ricean and the other's Rayleigh: P = E[exp(-r^2 / 2)] over Rice's law, by quadrature.
    """
    rice = stats.rice(math.sqrt(2 * 10 ** (ebn0_db / 10)))
    expected, _ = integrate.quad(lambda r: rice.pdf(r) * math.exp(-r * r / 2), 0, 40, epsabs=1e-14, limit=200)
    assert radio.fsk_bit_error_rate(ebn0_db) == pytest.approx(expected, rel=1e-7)


def test_bit_errors_without_signal() -> None:
    """No signal at all is a coin toss."""
    assert radio.fsk_bit_error_rate(-math.inf) == 0.5


@pytest.mark.parametrize(("mean_db", "rate"), [(10, 8.33333e-2), (20, 9.80392e-3), (30, 9.98004e-4)])
def test_mean_bit_errors_in_rayleigh_fading(mean_db: float, rate: float) -> None:
    """1 / (2 + G), Proakis & Salehi 5th ed. ch. 13 (from memory): quadrature over the exponential power."""
    mean = 10 ** (mean_db / 10)
    found, _ = integrate.quad(
        lambda x: math.exp(-x) * radio.fsk_bit_error_rate(10 * math.log10(mean * x)), 0, 60, points=[1 / mean, 1]
    )
    assert found == pytest.approx(1 / (2 + mean), rel=1e-6)
    assert found == pytest.approx(rate, rel=1e-5)


@pytest.mark.parametrize("bits", [1, 64, 128, 256, 321, 329])
@pytest.mark.parametrize("rate", [0.5, 1e-3, 1e-5, 1e-12, 1e-20])
def test_packet_errors_are_a_binomial_tail(rate: float, bits: int) -> None:
    """At least one error among independent bits: scipy's binomial; for tiny rates n b, not lost in rounding."""
    found = radio.packet_error_rate(rate, bits)
    assert found == pytest.approx(stats.binom.sf(0, bits, rate), rel=1e-9)
    if rate < 1e-9:
        assert found == pytest.approx(bits * rate, rel=1e-8)
    assert radio.packet_error_rate(1.0, bits) == 1.0


@pytest.mark.parametrize(
    ("share", "rate", "ebn0_db"),
    [(0.5, 2.1046e-3, 10.391), (0.1, 3.2019e-4, 11.675), (0.01, 3.0548e-5, 12.879), (0.001, 3.0410e-6, 13.806)],
)
def test_ebn0_for_a_packet_error_rate(share: float, rate: float, ebn0_db: float) -> None:
    """329 bits: b = 1 - (1 - PER)^(1/n), closed form, and the Eb/N0 that gives it."""
    found = optimize.brentq(lambda db: radio.packet_error_rate(radio.fsk_bit_error_rate(db), 329) - share, 0, 20)
    assert found == pytest.approx(10 * math.log10(-2 * math.log(-2 * math.expm1(math.log1p(-share) / 329))), abs=1e-9)
    assert found == pytest.approx(ebn0_db, abs=6e-4)
    assert radio.fsk_bit_error_rate(found) == pytest.approx(rate, rel=5e-5)


@pytest.mark.parametrize(("bit_rate", "sensitivity_dbm"), [(250e3, -101.116), (1e6, -95.096), (2e6, -92.085)])
def test_ideal_sensitivity(bit_rate: float, sensitivity_dbm: float) -> None:
    """N + NF + Eb/N0 for 1 % of 329-bit packets lost, noise figure 6 dB: the identity of a link budget (Friis)."""
    assert radio.noise_dbm(bit_rate, 6) + 12.879 == pytest.approx(sensitivity_dbm, abs=1e-3)


@pytest.mark.parametrize(("power_dbm", "gain_db", "margin_db"), [(0, 0, -6.196), (20, 0, 13.804), (20, 4, 17.804)])
def test_margin_at_one_kilometre(power_dbm: float, gain_db: float, margin_db: float) -> None:
    """Ptx + gains - free-space loss over a sensitivity of -94 dBm at 2.44 GHz (Friis 1946)."""
    budget = LinkBudget(
        distance_m=1000, transmit_power_dbm=power_dbm, antenna_gain_db=gain_db, noise_figure_db=0,
        implementation_loss_db=0,
    )  # fmt: skip
    received_dbm = budget.mean_ebn0_db(1_000_000) + radio.noise_dbm(1_000_000)
    assert received_dbm + 94 == pytest.approx(margin_db, abs=1e-3)


@pytest.mark.parametrize(
    ("power_dbm", "sensitivity_dbm", "range_m"), [(0, -85, 173.16), (0, -94, 488.03), (20, -94, 4880.28)]
)
def test_range_of_a_link(power_dbm: float, sensitivity_dbm: float, range_m: float) -> None:
    """Where the received power is the sensitivity, free space at 2.45 GHz (Friis 1946)."""
    ebn0_db = sensitivity_dbm - radio.noise_dbm(1_000_000, 10)

    def above_db(distance_m: float) -> float:
        budget = LinkBudget(
            distance_m=distance_m, frequency_hz=2.45e9, transmit_power_dbm=power_dbm, implementation_loss_db=0
        )
        return budget.mean_ebn0_db(1_000_000) - ebn0_db

    assert optimize.brentq(above_db, 1, 50_000) == pytest.approx(range_m, rel=2e-5)


@pytest.mark.parametrize(
    ("power_dbm", "bit_rate", "ebn0_db", "lost"),
    [(0, 250_000, 9.7647, 0.756067), (10, 1_000_000, 13.7441, 1.15575e-3), (20, 2_000_000, 20.7338, 0.0)],
)
def test_from_power_to_packets(power_dbm: float, bit_rate: int, ebn0_db: float, lost: float) -> None:
    """1 km at 2.45 GHz, noise figure 10 dB, 321 bits that must be right: the whole chain of formulas."""
    budget = LinkBudget(
        distance_m=1000, frequency_hz=2.45e9, transmit_power_dbm=power_dbm, noise_figure_db=10, implementation_loss_db=0
    )
    found_db = budget.mean_ebn0_db(bit_rate)
    assert found_db == pytest.approx(ebn0_db, abs=6e-5)
    assert radio.packet_error_rate(radio.fsk_bit_error_rate(found_db), 321) == pytest.approx(lost, rel=1e-4, abs=1e-12)


@pytest.mark.parametrize(
    ("preamble", "address", "control", "payload", "crc", "bits"),
    [(1, 5, 9, 32, 2, 329), (1, 5, 0, 32, 2, 320), (1, 5, 9, 16, 2, 201), (1, 5, 9, 0, 2, 73), (1, 3, 0, 8, 1, 104)],
)
def test_bits_of_a_packet(preamble: int, address: int, control: int, payload: int, crc: int, bits: int) -> None:
    """Arithmetic: bits, air time rounded up to whole microseconds, and the preamble is not fatal."""
    settings = dataclasses.replace(
        Profile().radio, preamble_bytes=preamble, address_bytes=address, control_bits=control, crc_bytes=crc
    )
    assert profile.packet_bits(settings, payload) == bits
    assert profile.fatal_bits(settings, payload) == bits - 8 * preamble
    for rate in (250_000, 1_000_000, 2_000_000):
        faster = dataclasses.replace(settings, bit_rate_bit_s=rate)
        assert profile.air_time_us(faster, payload) == math.ceil(bits * 1e6 / rate)


@pytest.mark.parametrize(("share", "margin_db"), [(0.01, 19.978), (0.001, 29.998)])
def test_margin_for_a_rayleigh_outage(share: float, margin_db: float) -> None:
    """The inverse of 1 - exp(-1/F) (Jakes 1974, Rappaport); the power is exponential in scipy too."""
    assert optimize.brentq(lambda db: radio.rayleigh_outage(db) - share, 0, 60) == pytest.approx(margin_db, abs=6e-4)
    assert radio.rayleigh_outage(margin_db) == pytest.approx(stats.expon.cdf(10 ** (-margin_db / 10)), rel=1e-12)


@pytest.mark.parametrize("bits", [1, 73, 121, 256, 321])
def test_packet_loss_thresholds(bits: int) -> None:
    """Every entry within 2^-31 of the closed form in floating point; never rising with Eb/N0."""
    ebn0_db = np.arange(-1000, 2001, 5) / 100
    expected = stats.binom.sf(0, bits, 0.5 * np.exp(-(10 ** (ebn0_db / 10)) / 2))
    limits = packet_loss_thresholds(bits)
    assert np.abs(limits / 2**32 - expected).max() <= 2**-31
    assert (np.diff(limits.astype(np.int64)) <= 0).all()


# --- simulated fading ------------------------------------------------------------------------------------------------


def air(trial: int, bits: int = 300, *, has_crc: bool = True) -> OnAir:
    return OnAir(300, bits, min(40, bits), 1_000_000, has_crc, Streams(SEED, trial), 1024)


def fading_db(
    trials: int, at_us: NDArray[np.int64], speed_m_s: float = 10.0, kind: str = "rayleigh", k: float = 0
) -> Floats:
    """Return the fading gain, (trials, instants)."""
    k_db = 10 * math.log10(k) if k else 0.0
    budget = LinkBudget(fading=kind, speed_m_s=speed_m_s, rician_k_db=k_db, frequency_hz=FREQUENCY_HZ)
    rows = []
    for trial in range(trials):
        gain = budget.fading_cdb(air(trial))
        assert gain is not None
        rows.append(gain(at_us) / 100)
    return np.array(rows)


@functools.cache
def apart_db(kind: str = "rayleigh", k: float = 0) -> Floats:
    """Return the gain of many trials at `INSTANTS`."""
    return fading_db(1500, INSTANTS, kind=kind, k=k)


@functools.cache
def in_a_row_db(kind: str = "rayleigh", k: float = 0) -> Floats:
    """Return the gain of 150 trials, for 0.4 s in steps of 50 µs."""
    return fading_db(150, np.arange(8_000) * 50, kind=kind, k=k)


def within_scatter(found: Floats, expected: float, model: float = 0.0) -> None:
    """Hold the mean of independent trials against a value: four standard errors, and what the model may be off."""
    error = found.std(ddof=1) / math.sqrt(len(found))
    off = abs(found.mean() - expected)
    assert off <= 4 * error + model * expected, (
        f"seed {SEED}: {found.mean():.6g} ± {error:.2g}, expected {expected:.6g}"
    )


def walk_within(share_of_mean_power: float, direct: float = 0.0) -> float:
    """Return the chance that a plane walk of 16 equal random steps and one of length `direct` ends so near (Kluyver).

    Steps are scaled so that the mean square of the whole is 1.
    """
    step = math.sqrt((1 - direct**2) / PATHS)
    reach = math.sqrt(share_of_mean_power)

    def inside(u: float) -> float:
        return float(special.j1(reach * u) * special.j0(step * u) ** PATHS * special.j0(direct * u))

    return float(reach * integrate.quad(inside, 0, 60 / step, limit=4000, epsabs=1e-9)[0])


def test_the_reference_walk() -> None:
    """Within 16 steps' full length for sure; near Rayleigh's and Rice's laws, as 16 is nearly many."""
    assert walk_within(PATHS + 1.0) == pytest.approx(1, abs=1e-4)
    for margin_db in (0, 10, 20):
        assert walk_within(10 ** (-margin_db / 10)) == pytest.approx(radio.rayleigh_outage(margin_db), rel=0.04)
    assert walk_within(0.1, math.sqrt(0.5)) == pytest.approx(stats.ncx2.cdf(0.4, 2, 2), rel=0.06)


INSTANTS = np.arange(40) * 61_803
"""Far apart: several Doppler periods."""


@pytest.mark.parametrize("margin_db", [0, 10, 20])
def test_share_of_time_below_the_mean(margin_db: float) -> None:
    """Outage: the exact law of 16 paths within scatter, Rayleigh's 1 - exp(-1/F) (Jakes 1974) within 4 % more."""
    below = (apart_db() < -margin_db).mean(1)
    within_scatter(below, walk_within(10 ** (-margin_db / 10)), 0.01)  # a hundredth of a decibel is 0.2 %
    within_scatter(below, radio.rayleigh_outage(margin_db), 0.04)


@pytest.mark.parametrize(
    ("k", "margin_db", "outage"),
    [(1, 10, 0.0733464), (1, 20, 7.35735e-3), (5, 10, 9.64171e-3), (10, 10, 7.38704e-4)],
)
def test_share_of_time_below_the_mean_with_a_direct_path(k: float, margin_db: float, outage: float) -> None:
    """Rice's law (BSTJ 23/24, 1944-45, from memory) by two of scipy's; the simulation against that of 16 paths.

    Deep fades against a strong direct path come from the far tail of the scattered part, where 16 paths differ
    from many by up to a third: there only the exact law of 16 paths is asked for.
    """
    level = 10 ** (-margin_db / 10)
    assert stats.ncx2.cdf(2 * (1 + k) * level, 2, 2 * k) == pytest.approx(outage, rel=1e-5)
    rice = stats.rice(math.sqrt(2 * k), scale=1 / math.sqrt(2 * (1 + k)))
    assert rice.cdf(math.sqrt(level)) == pytest.approx(outage, rel=1e-5)
    below = (apart_db("rician", k) < -margin_db).mean(1)
    within_scatter(below, walk_within(level, math.sqrt(k / (1 + k))), 0.02)
    if k == 1:
        within_scatter(below, outage, 0.06)


ALSO_TURNS = (0.242098, 0.382740, 0.6)
"""Correlations looked at with ``--long``; the first two are in ``test_radio.py`` too."""


def crossings(gain_db: Floats, level_db: float) -> tuple[Floats, Floats]:
    """Return for each trial how often the gain falls below a level, and in how many of its samples it is below."""
    below = gain_db < level_db
    return (below[:, 1:] & ~below[:, :-1]).sum(1).astype(np.float64), below.sum(1).astype(np.float64)


@pytest.mark.parametrize(("level_db", "per_doppler"), [(0, 0.922137), (-10, 0.717233), (-20, 0.248169)])
def test_level_crossings(level_db: float, per_doppler: float) -> None:
    """Falls through a level, sqrt(2 pi) fd rho exp(-rho^2) a second (Clarke 1968, Jakes 1974, Rappaport).

    And how long each lasts, (exp(rho^2) - 1) / (rho fd sqrt(2 pi)). Steps of 50 µs are 1/25 of the mean fade at
    -20 dB; what lies between samples is missed, which the 8 % allow for beside the 16 paths.
    """
    rho, fd = 10 ** (level_db / 20), radio.doppler_hz(10.0, FREQUENCY_HZ)
    assert math.sqrt(2 * math.pi) * rho * math.exp(-(rho**2)) == pytest.approx(per_doppler, rel=1e-5)
    falls, samples = crossings(in_a_row_db(), level_db)
    within_scatter(falls / 0.4, per_doppler * fd, 0.08)
    duration_s = (math.exp(rho**2) - 1) / (rho * fd * math.sqrt(2 * math.pi))
    assert samples.sum() * 50e-6 / falls.sum() == pytest.approx(duration_s, rel=0.1), f"seed {SEED}"


def test_level_crossings_with_a_direct_path() -> None:
    """K = 1 at -10 dB: 0.408618 fd (Rice 1948; Stüber, from memory): the direct path has no Doppler shift."""
    k, rho, fd = 1.0, 10 ** (-10 / 20), radio.doppler_hz(10.0, FREQUENCY_HZ)
    rate = (
        math.sqrt(2 * math.pi * (k + 1)) * rho * math.exp(-k - (k + 1) * rho**2)
        * special.i0(2 * rho * math.sqrt(k * (k + 1)))
    )  # fmt: skip
    assert rate == pytest.approx(0.408618, rel=1e-5)
    falls, _ = crossings(in_a_row_db("rician", k), -10)
    within_scatter(falls / 0.4, rate * fd, 0.1)


@pytest.mark.parametrize("turns", [0.1, *(pytest.param(turns, marks=pytest.mark.long) for turns in ALSO_TURNS), 0.9])
def test_doppler_correlation(turns: float) -> None:
    """The power's correlation after `turns` / fd is J0(2 pi turns)^2 (Clarke 1968); J0 is first 0 at 0.382740.

    For N sinusoids it is (J0^2 - 1/N) / (1 - 1/N); the error of a correlation is about 1 / sqrt(n), taken fourfold.
    """
    assert special.jn_zeros(0, 1)[0] / (2 * math.pi) == pytest.approx(0.382740, abs=1e-6)
    fd = radio.doppler_hz(10.0, FREQUENCY_HZ)
    power = 10 ** (fading_db(4000, np.array([0, round(turns / fd * 1e6)])) / 10)
    expected = (special.j0(2 * math.pi * turns) ** 2 - 1 / PATHS) / (1 - 1 / PATHS)
    assert np.corrcoef(power[:, 0], power[:, 1])[0, 1] == pytest.approx(expected, abs=4 / math.sqrt(4000)), (
        f"seed {SEED}"
    )


def test_fading_stands_still_with_the_model() -> None:
    """Without speed there is no Doppler shift, and with twice the speed everything happens in half the time."""
    at_us = np.arange(0, 2_000_000, 50_000)
    assert np.ptp(fading_db(20, at_us, speed_m_s=0.0), axis=1).max() == 0
    slow, fast = fading_db(20, 2 * at_us, speed_m_s=5.0), fading_db(20, at_us, speed_m_s=10.0)
    assert np.median(np.abs(slow - fast)) < 0.5


# --- the link budget as a loss model ---------------------------------------------------------------------------------


def budget_at(ebn0_db: float, **fields: object) -> LinkBudget:
    """Return a budget whose mean Eb/N0 at 1 Mbit/s is just this."""
    plain = LinkBudget(implementation_loss_db=0, frequency_hz=FREQUENCY_HZ, **fields)  # type: ignore[arg-type]
    power_dbm = plain.transmit_power_dbm + ebn0_db - plain.mean_ebn0_db(1_000_000)
    return dataclasses.replace(plain, transmit_power_dbm=power_dbm)


@pytest.mark.parametrize("ebn0_db", [9.0, 10.0, 11.0, 12.0])
def test_packets_lost_by_a_weak_signal(ebn0_db: float) -> None:
    """Share of 300-bit packets lost: closed form, four standard deviations, a table step of 0.05 dB."""
    n = 50_000
    sampler = budget_at(ebn0_db).sampler(air(0))
    lost = sampler(Tile(0, np.arange(n) * 5_000)) == LOST
    low, high = (radio.packet_error_rate(radio.fsk_bit_error_rate(ebn0_db + step), 300) for step in (0.01, -0.06))
    sd = math.sqrt(high * (1 - low) / n)
    assert low - 4 * sd <= lost.mean() <= high + 4 * sd, f"seed {SEED}: {lost.mean()} not in {low} .. {high}"


def test_a_scripted_fade_is_taken_off() -> None:
    """12 dB with 2 dB of fade lose what 10 dB lose, packet for packet: dB add."""
    sent_us = np.arange(20_000) * 5_000
    faded = budget_at(12.0).sampler(air(0))(Tile(0, sent_us, 0, np.full(len(sent_us), 200)))
    assert (faded == budget_at(10.0).sampler(air(0))(Tile(0, sent_us))).all()


def test_without_a_crc_most_hits_only_damage() -> None:
    """A hit hides the packet only when it strikes the address: 40 of 300 bits, four standard deviations."""
    befell = budget_at(8.0).sampler(air(0, has_crc=False))(Tile(0, np.arange(20_000) * 5_000))
    hits = int((befell != 0).sum())
    share = 40 / 300
    assert abs((befell == LOST).sum() - share * hits) < 4 * math.sqrt(hits * share * (1 - share)), f"seed {SEED}"
    assert ((befell == LOST) | (befell == DAMAGED)).sum() == hits


@pytest.mark.parametrize("mean_db", [10.0, 15.0])
def test_bits_lost_in_rayleigh_fading(mean_db: float) -> None:
    """A packet of one bit: 1 / (2 + G) of them are lost in the mean over Rayleigh fading (Proakis, from memory).

    5 % for 16 paths and the table's step of 0.05 dB.
    """
    lost = []
    budget = budget_at(mean_db, fading="rayleigh", speed_m_s=10.0)
    for trial in range(1_000):
        befell = budget.sampler(air(trial, bits=1))(Tile(0, np.arange(60) * 61_803))
        lost.append((befell == LOST).mean())
    within_scatter(np.array(lost), 1 / (2 + 10 ** (mean_db / 10)), 0.05)
