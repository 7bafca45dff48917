"""The planned link budget, from power to lost packets, against published forms and numerical integrals."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from scipy import integrate, stats

from lostlink.planning import fading, link_range
from lostlink_sims import Profile
from lostlink_sims.air import radio
from lostlink_sims.air.loss import LinkBudget
from lostlink_sims.profile import fatal_bits


def with_bits(bits: int, bit_rate: int) -> Profile:
    """Return a link of which so many bits of a packet must be right."""
    profile = Profile()
    path = dataclasses.replace(profile.radio, bit_rate_bit_s=bit_rate, control_bits=0)
    payload_bytes = min(32, bits // 8 - path.address_bytes - path.crc_bytes)
    channels = tuple(dataclasses.replace(profile.channels[0], name=f"channel {i}") for i in range(payload_bytes))
    control = bits - fatal_bits(path, payload_bytes)
    return dataclasses.replace(profile, channels=channels, radio=dataclasses.replace(path, control_bits=control))


IDEAL = LinkBudget(noise_figure_db=6, implementation_loss_db=0)


@pytest.mark.parametrize(
    ("bit_rate", "sensitivity_dbm"), [(250_000, -101.116), (1_000_000, -95.096), (2_000_000, -92.085)]
)
def test_sensitivity_at_three_bit_rates(bit_rate: int, sensitivity_dbm: float) -> None:
    """-173.9752 + NF + Eb/N0 + 10 log10 R, NF 6 dB, 329 bits, 1 % lost (link-budget identity; Proakis for Eb/N0)."""
    assert link_range.sensitivity_dbm(with_bits(329, bit_rate), IDEAL) == pytest.approx(sensitivity_dbm, abs=1e-3)


@pytest.mark.parametrize(("share", "ebn0_db"), [(0.5, 10.391), (0.1, 11.675), (0.01, 12.879), (0.001, 13.805)])
def test_ebn0_for_a_share_of_packets(share: float, ebn0_db: float) -> None:
    """b = 1 - (1 - PER)^(1/n), Eb/N0 = -2 ln 2b, n = 329 (non-coherent FSK, Proakis)."""
    assert link_range.ebn0_for_loss_db(share, 329) == pytest.approx(ebn0_db, abs=1e-3)


@pytest.mark.parametrize(("power_dbm", "gain_db", "margin_db"), [(0, 0, -6.196), (20, 0, 13.804), (20, 4, 17.804)])
def test_margin_at_one_kilometre(power_dbm: float, gain_db: float, margin_db: float) -> None:
    """2.44 GHz, sensitivity -94 dBm, free space 100.1956 dB (Friis, Proc. IRE 34, 1946)."""
    profile = with_bits(329, 1_000_000)
    fitted_db = -94 - link_range.sensitivity_dbm(profile, IDEAL)
    budget = dataclasses.replace(
        IDEAL, implementation_loss_db=fitted_db, transmit_power_dbm=power_dbm, antenna_gain_db=gain_db
    )
    point = link_range.at(profile, budget, 1000.0)
    assert link_range.sensitivity_dbm(profile, budget) == pytest.approx(-94)
    assert point.margin_db == pytest.approx(margin_db, abs=1e-3)
    assert point.received_dbm == pytest.approx(power_dbm + gain_db - 100.1956, abs=1e-4)


def test_one_percent_is_lost_where_the_margin_is_used_up() -> None:
    """What sensitivity means here: 1 % of the packets; range 20 log10 by Friis from any other place."""
    profile, budget = Profile(), LinkBudget()
    near = link_range.at(profile, budget, 10.0)
    edge_m = 10 * 10 ** (near.margin_db / 20)
    edge = link_range.at(profile, budget, edge_m)
    assert edge.margin_db == pytest.approx(0, abs=1e-9)
    assert edge.loss == pytest.approx(0.01, rel=1e-6)
    # The search goes in steps of 2 % of the distance.
    first, last = link_range.reach_m(profile, budget, 0.01, 2000)
    assert first is not None
    assert first == last
    assert edge_m <= first * 1.0001
    assert first < 1.0201 * edge_m


@pytest.mark.parametrize(("mean_db", "rate"), [(10, 8.3333e-2), (20, 9.80392e-3), (30, 9.98004e-4)])
def test_bits_lost_in_rayleigh_fading(mean_db: float, rate: float) -> None:
    """1 / (2 + G): the mean bit error rate of non-coherent FSK (Proakis, chapter on fading). A packet of one bit."""
    lost = link_range.faded_loss(mean_db, 1, LinkBudget(fading="rayleigh"))
    assert lost == pytest.approx(rate, rel=1e-4)
    assert lost == pytest.approx(1 / (2 + 10 ** (mean_db / 10)), rel=1e-4)


@pytest.mark.parametrize("k_db", [-10.0, 0.0, 6.0, 12.0])
@pytest.mark.parametrize("mean_db", [5.0, 12.0, 20.0])
def test_bits_lost_in_rician_fading(mean_db: float, k_db: float) -> None:
    """(1 + K) / (2 + 2K + G) exp(-K G / (2 + 2K + G)) (Lindsey, IEEE Trans. IT-10, 1964), a packet of one bit."""
    k, mean = 10 ** (k_db / 10), 10 ** (mean_db / 10)
    exact = (1 + k) / (2 + 2 * k + mean) * math.exp(-k * mean / (2 + 2 * k + mean))
    lost = link_range.faded_loss(mean_db, 1, LinkBudget(fading="rician", rician_k_db=k_db))
    assert lost == pytest.approx(exact, rel=1e-3)


@pytest.mark.parametrize(("kind", "k_db"), [("rayleigh", -60.0), ("rician", 0.0), ("rician", 6.0), ("rician", 15.0)])
@pytest.mark.parametrize("mean_db", [8.0, 15.0, 25.0])
def test_packets_lost_in_fading(kind: str, k_db: float, mean_db: float) -> None:
    """Adaptive quadrature of the packet error rate over scipy's non-central chi-square power."""
    k, bits = 10 ** (k_db / 10), 256

    def lost_at(power: float) -> float:
        rate = radio.fsk_bit_error_rate(mean_db + 10 * math.log10(power)) if power > 0 else 0.5
        share = 2 * (1 + k) * stats.ncx2.pdf(2 * (1 + k) * power, 2, 2 * k)
        return float(radio.packet_error_rate(rate, bits) * share)

    edges = [0.0, *(10 ** (db / 10) for db in np.arange(-30, 14, 2).tolist())]
    exact = sum(integrate.quad(lost_at, low, high)[0] for low, high in itertools.pairwise(edges))
    budget = LinkBudget(fading=kind, rician_k_db=max(-20.0, k_db))
    assert link_range.faded_loss(mean_db, bits, budget) == pytest.approx(exact, rel=2e-3, abs=1e-12)


def test_most_level_crossings() -> None:
    """At rho = 1/sqrt 2 a Rayleigh signal crosses most often, 1.075048 fd (Clarke 1968; Jakes 1974)."""
    margins = np.arange(-10, 20, 0.01).tolist()
    rates = [fading.level_crossings_hz(margin, 1, "rayleigh", 0) for margin in margins]
    assert max(rates) == pytest.approx(1.075048, rel=1e-6)
    assert margins[int(np.argmax(rates))] == pytest.approx(10 * math.log10(2), abs=0.02)


@pytest.mark.parametrize("margin_db", [-3.0, 5.0, 20.0])
def test_crossings_times_duration_is_the_outage(margin_db: float) -> None:
    """N tau = P: 1 - exp(-rho^2) for Rayleigh (Jakes 1974), scipy's Rice distribution for Rician."""
    crossings = fading.level_crossings_hz(margin_db, 70, "rayleigh", 0)
    duration = fading.fade_duration_s(margin_db, 70, "rayleigh", 0)
    assert crossings * duration == pytest.approx(-math.expm1(-(10 ** (-margin_db / 10))))
    k = 10**0.6
    crossings = fading.level_crossings_hz(margin_db, 70, "rician", 6)
    below = stats.rice.cdf(10 ** (-margin_db / 20), math.sqrt(2 * k), scale=(2 * (1 + k)) ** -0.5)
    assert crossings * fading.fade_duration_s(margin_db, 70, "rician", 6) == pytest.approx(below, rel=1e-6)


@pytest.mark.parametrize(("k_db", "margin_db"), [(-3.0, 8.0), (3.0, 4.0), (8.0, 12.0)])
def test_rician_crossings_by_rices_integral(k_db: float, margin_db: float) -> None:
    """Density of the envelope times the mean upward slope fd pi sigma / sqrt(pi) (Rice 1948), density from scipy."""
    k = 10 ** (k_db / 10)
    rho, scale = 10 ** (-margin_db / 20), (2 * (1 + k)) ** -0.5
    # The slope is normal with variance 2 (pi fd)^2 sigma^2; the mean of its positive part is that root / sqrt(2 pi).
    slope = math.sqrt(2) * math.pi * 50 * scale / math.sqrt(2 * math.pi)
    density = stats.rice.pdf(rho, math.sqrt(2 * k), scale=scale)
    assert fading.level_crossings_hz(margin_db, 50, "rician", k_db) == pytest.approx(density * slope, rel=1e-9)


def test_free_space_and_far_ground_meet_at_the_second_break_point() -> None:
    """4 pi h1 h2 / wavelength is where 20 log10 (4 pi d / wavelength) = 40 log10 d - 20 log10 h1 h2."""
    budget = LinkBudget(handset_height_m=1.5, model_height_m=10)
    place_m = list(link_range.break_points_m(budget).values())[1]
    free_db = radio.free_space_loss_db(place_m, budget.frequency_hz)
    assert 40 * math.log10(place_m) - 20 * math.log10(1.5 * 10) == pytest.approx(free_db, abs=1e-9)


@pytest.mark.parametrize(("bit_rate", "utilisation"), [(250_000, 0.2632), (1_000_000, 0.0658)])
def test_use_of_the_air_counts_the_antennas(bit_rate: int, utilisation: float) -> None:
    """A limit on radiated power: 17 dBm into 3 dB of gain is as 20 dBm into none (EN 300 328, a summary)."""
    profile = with_bits(321, bit_rate)
    use = link_range.air_use(profile, LinkBudget(transmit_power_dbm=17, antenna_gain_db=3))
    assert use.power_dbm == 20
    assert profile.handset.packet_interval_us == 5000
    assert use.utilisation == pytest.approx(utilisation, rel=1e-3)
