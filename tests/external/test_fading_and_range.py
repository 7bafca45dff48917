"""Fading, range and the use of the air against handbook values, and against the simulation."""

from __future__ import annotations

import dataclasses
import math

import pytest
from scipy import stats

from lostlink.campaigns.flight import flight_trials
from lostlink.planning import fading, link_range
from lostlink_sims import Profile
from lostlink_sims.air.loss import LinkBudget
from lostlink_sims.batch import bits
from lostlink_sims.batch.losses import BatchLosses


@pytest.mark.parametrize(
    ("margin_db", "k_db", "outage"),
    [(10, 0, 0.0733464), (10, 10, 7.38704e-4), (20, 0, 7.35735e-3), (20, 10, 7.7909e-6)],
)
def test_rician_outage(margin_db: float, k_db: float, outage: float) -> None:
    """Rice 1945; scipy's non-central chi-square and Rice distributions as second and third way."""
    k, level = 10 ** (k_db / 10), 10 ** (-margin_db / 10)
    assert fading.rician_outage(margin_db, k_db) == pytest.approx(outage, rel=1e-4)
    assert fading.rician_outage(margin_db, k_db) == pytest.approx(stats.ncx2.cdf(2 * (1 + k) * level, 2, 2 * k))
    rice = stats.rice.cdf(math.sqrt(level), math.sqrt(2 * k), scale=(2 * (1 + k)) ** -0.5)
    assert fading.rician_outage(margin_db, k_db) == pytest.approx(rice, rel=1e-6)


def test_without_direct_path_rician_is_rayleigh() -> None:
    """P = 1 - exp(-1/F): F 10 dB 0.0951626 (Jakes 1974)."""
    assert fading.rician_outage(10, -60) == pytest.approx(0.0951626, rel=1e-5)
    assert fading.outage(10, "rayleigh", 0) == pytest.approx(0.0951626, rel=1e-6)
    assert [fading.outage(margin, "none", 0) for margin in (-1, 1)] == [1, 0]


@pytest.mark.parametrize(("margin_db", "crossings"), [(0, 92.2137), (10, 71.7233), (20, 24.8169), (30, 7.91873)])
def test_level_crossings(margin_db: float, crossings: float) -> None:
    """sqrt(2 pi) fd rho exp(-rho^2), fd 100 Hz (Clarke, BSTJ 47, 1968; Rappaport)."""
    assert fading.level_crossings_hz(margin_db, 100, "rayleigh", 0) == pytest.approx(crossings, rel=1e-5)


@pytest.mark.parametrize(("k_db", "margin_db", "rate"), [(0, 10, 0.408618), (0, 20, 0.130397), (10, 10, 4.77399e-3)])
def test_rician_level_crossings(k_db: float, margin_db: float, rate: float) -> None:
    """Rice 1948; Stueber, Principles of Mobile Communication."""
    assert fading.level_crossings_hz(margin_db, 1, "rician", k_db) == pytest.approx(rate, rel=1e-5)


@pytest.mark.parametrize(
    ("margin_db", "doppler_hz", "duration_ms"), [(10, 100, 1.32680), (20, 100, 0.400944), (20, 20, 2.00472)]
)
def test_fade_duration(margin_db: float, doppler_hz: float, duration_ms: float) -> None:
    """(exp(rho^2) - 1) / (rho fd sqrt(2 pi)) (Clarke 1968; Jakes 1974)."""
    assert 1000 * fading.fade_duration_s(margin_db, doppler_hz, "rayleigh", 0) == pytest.approx(duration_ms, rel=1e-4)


def test_fresnel_and_break_points() -> None:
    """1 km: 5.5422 m (ITU-R P.526); antennas 1.5 m and 10 m: 488.34, 1534.16, 2556.93 m (ITU-R P.1411; Rappaport)."""
    assert link_range.fresnel_radius_m(1000, 2.44e9) == pytest.approx(5.5422, abs=1e-4)
    found = link_range.break_points_m(LinkBudget(handset_height_m=1.5, model_height_m=10))
    assert list(found.values()) == pytest.approx([488.34, 1534.16, 2556.93], abs=0.01)


def with_payload(payload_bytes: int, bit_rate: int, interval_us: int) -> Profile:
    """Return a plain link whose packets have so many bytes."""
    profile = Profile()
    channels = tuple(dataclasses.replace(profile.channels[0], name=f"channel {n}") for n in range(payload_bytes))
    return dataclasses.replace(
        profile,
        channels=channels,
        radio=dataclasses.replace(profile.radio, bit_rate_bit_s=bit_rate),
        handset=dataclasses.replace(profile.handset, packet_interval_us=interval_us),
    )


def test_sensitivity() -> None:
    """Noise figure 6 dB, 1 % of packets of 329 bits lost: -95.096 dBm at 1 Mbit/s (link-budget identity)."""
    profile = with_payload(32, 1_000_000, 5000)
    # 329 bits: with the preamble, as the source counts; without it 321 must be right.
    assert link_range.ebn0_for_loss_db(0.01, 329) == pytest.approx(12.879, abs=1e-3)
    ideal = LinkBudget(noise_figure_db=6, implementation_loss_db=0)
    shift_db = link_range.ebn0_for_loss_db(0.01, 321) - link_range.ebn0_for_loss_db(0.01, 329)
    assert link_range.sensitivity_dbm(profile, ideal) == pytest.approx(-95.096 + shift_db, abs=2e-3)


@pytest.mark.parametrize(("bit_rate", "interval_us", "power_dbm", "utilisation"), [
    (1_000_000, 5_000, 20, 0.0658), (1_000_000, 5_000, 10, 0.00658), (250_000, 5_000, 20, 0.2632),
    (250_000, 20_000, 20, 0.0658),
])  # fmt: skip
def test_use_of_the_air(bit_rate: int, interval_us: int, power_dbm: float, utilisation: float) -> None:
    """Power over 100 mW times duty (ETSI EN 300 328 V2.2.2, 4.3.1; a summary, no claim of compliance)."""
    use = link_range.air_use(with_payload(32, bit_rate, interval_us), LinkBudget(transmit_power_dbm=power_dbm))
    assert use.utilisation == pytest.approx(utilisation, rel=1e-3)


def lost_share(profile: Profile, trials: int, duration_us: int) -> tuple[list[float], int]:
    """Return the share of packets lost in each of some trials, as the simulation draws them, and how many each has."""
    lot = dataclasses.replace(
        flight_trials(profile, 5, duration_us=duration_us), lost_from_us=duration_us - 2, lost_until_us=duration_us - 1
    )
    shares = []
    for first in range(0, trials, 64):
        count = min(64, trials - first)
        air = BatchLosses(lot, lot.drawn(first, count), first)
        heard = bits.unpacked(air.heard[0])
        for trial in range(count):
            shares.append(1 - float(heard[20 : int(air.departures.count[trial]) - 2, trial].mean()))
    return shares, int(air.departures.count[0]) - 22


@pytest.mark.parametrize("distance_m", [200.0, 230.0, 270.0])
def test_loss_of_the_simulation_without_fading(distance_m: float) -> None:
    """Binomial, five standard errors; the simulation's table has steps of 0.05 dB, so three percent on top."""
    profile = Profile()
    budget = LinkBudget(distance_m=distance_m)
    profile = dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, losses=(budget,)))
    planned = link_range.at(profile, budget, distance_m).loss
    shares, packets = lost_share(profile, 64, 5_000_000)
    found = sum(shares) / len(shares)
    assert abs(found - planned) < 5 * math.sqrt(planned * (1 - planned) / (64 * packets)) + 0.03 * planned
    assert 0.005 < planned < 0.95


@pytest.mark.parametrize(("kind", "distance_m"), [("rayleigh", 60.0), ("rician", 100.0)])
def test_loss_of_the_simulation_with_fading(kind: str, distance_m: float) -> None:
    """Trials are independent, packets in one are not: five standard errors of the mean over trials."""
    profile = Profile()
    budget = LinkBudget(distance_m=distance_m, fading=kind, speed_m_s=20, rician_k_db=6)
    profile = dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, losses=(budget,)))
    planned = link_range.at(profile, budget, distance_m).loss
    shares, _ = lost_share(profile, 192, 5_000_000)
    found, spread = stats.tmean(shares), stats.sem(shares)
    assert abs(found - planned) < 5 * spread + 0.03 * planned
    assert 0.005 < planned < 0.5
