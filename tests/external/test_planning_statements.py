"""Each statement with a probability that ``plan fit`` and ``plan timeout`` show: what is claimed against what is found.

The logs and flights are drawn by `channels` or here, and judged by what they were drawn from. The gate takes a sample
that finds gross errors; ``--long`` takes one that finds a few percent. A claim "at most" fails if as many cases have a
probability below 1e-4 under it, by the exact binomial distribution (scipy).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from channels import Bools, has_run, in_bursts, in_chains, independent
from scipy import stats

from lostlink.campaigns.statistics import upper_bound
from lostlink.planning import timeout
from lostlink.planning.adequacy import RISK, adequacy
from lostlink.planning.first_passage import packets_to_fire
from lostlink.planning.fit import CONFIDENCE, LossFit, fits
from lostlink_sims import Profile
from lostlink_sims.air.loss import GilbertElliott, LinkBudget, LossModel, PeriodicInterferer, Recorded

BY_CHANCE = 1e-4


@dataclass(frozen=True)
class Count:
    """How often something was found, in how many cases, and how often it is claimed to be found."""

    what: str
    claimed: float
    found: int
    cases: int
    is_at_most: bool = True
    """Otherwise: equal."""

    @property
    def holds(self) -> bool:
        way = "greater" if self.is_at_most else "two-sided"
        return bool(stats.binomtest(self.found, self.cases, min(1.0, self.claimed), way).pvalue > BY_CHANCE)


def checked(counts: Iterator[Count]) -> None:
    wrong = [one for one in counts if not one.holds]
    assert not wrong


# --- plan fit ---------------------------------------------------------------------------------------------------------

PARAMETERS = ("good_to_bad", "bad_to_good", "loss_good", "loss_bad")


@dataclass(frozen=True)
class Kind:
    """Logs of one channel, whose model has so many parameters."""

    packets: int
    channel: tuple[float, ...]
    parameters: int

    @property
    def truth(self) -> dict[str, float]:
        names = ("loss_good",) if self.parameters == 1 else PARAMETERS
        return dict(zip(names, self.channel, strict=True))

    def log(self, draw: np.random.Generator) -> Bools:
        if self.parameters == 1:
            return independent(draw, self.packets, self.channel[0])
        return in_bursts(draw, self.packets, *self.channel)


KINDS = {
    "independent": Kind(3_000, (0.02,), 1),
    "bursts": Kind(6_000, (0.01, 0.3, 0.0, 1.0), 2),
    "long bursts": Kind(20_000, (0.001, 0.05, 0.0, 1.0), 2),
    "weak bursts": Kind(10_000, (0.01, 0.1, 0.0, 0.6), 3),
    "bursts and single losses": Kind(10_000, (0.01, 0.06, 0.02, 0.8), 4),
    "slow changes": Kind(40_000, (0.001, 0.01, 0.01, 0.5), 4),
}


def counts_of_fits(kind: Kind, logs: int, seed: int) -> Iterator[Count]:
    """Fit logs of a channel; logs for which another model is chosen say nothing of the right one."""
    draw, right = np.random.default_rng(seed), 0
    found = dict.fromkeys(("longest burst", "losses over time", "ruled out"), 0)
    outside, seen = dict.fromkeys(kind.truth, 0), dict.fromkeys(kind.truth, 0)
    for _ in range(logs):
        lost = kind.log(draw)
        models = fits(lost) if lost.any() else [LossFit("none", 0, 1, 0, 0, 0, 0.0, 1)]
        (mine,) = [one for one in models if one.parameters == kind.parameters] or [models[0]]
        found["ruled out"] += models[0].parameters > kind.parameters and mine.criterion - models[0].criterion > 10
        if models[0].parameters == kind.parameters:
            result = adequacy(lost, models[0])
            right += 1
            found["longest burst"] += result.is_longest_improbable
            found["losses over time"] += result.is_share_changing
            for name, (low, high) in result.intervals.items():
                seen[name] += 1
                outside[name] += not low <= kind.truth[name] <= high
    assert right > logs / 2
    yield Count("delta BIC above 10, though the smaller model is right", 0.01, found["ruled out"], logs)
    yield Count("longest burst below 1 %, though the model is right", RISK, found["longest burst"], right)
    yield Count("losses over time below 1 %, though the model is right", RISK, found["losses over time"], right)
    for name, cases in seen.items():
        if cases:
            # Intervals from a normal approximation: half a percent is granted beyond the claimed 5 %.
            grace = 0.0 if kind.parameters == 1 else 0.005
            yield Count(f"{name} outside of its interval at 95 %", 1 - CONFIDENCE + grace, outside[name], cases)


@pytest.mark.parametrize(
    ("name", "logs"),
    [("independent", 10), ("bursts", 20), *(pytest.param(name, 1000, marks=pytest.mark.long) for name in KINDS)],
)
def test_fits_of_known_channels(name: str, logs: int) -> None:
    checked(counts_of_fits(KINDS[name], logs, 21))


def counts_without_losses(logs: int) -> Iterator[Count]:
    """A bound of a log without losses is false where the share is larger; the worst share is just above the bound."""
    draw = np.random.default_rng(22)
    for packets in (100, 3000):
        share = upper_bound(0, packets, 0.95) * (1 + 1e-9)
        quiet = int((draw.binomial(packets, share, logs) == 0).sum())
        yield Count(f"no loss in {packets} packets, though the share is above the bound", 0.05, quiet, logs)


def test_logs_without_losses() -> None:
    checked(counts_without_losses(20_000))


# --- plan timeout: exact rates ----------------------------------------------------------------------------------------


def linked(*losses: LossModel) -> Profile:
    profile = Profile()
    return dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, losses=losses))


def fatal_bits(profile: Profile) -> int:
    """Return the bits of a packet in which an error loses it: address, control field, payload and check sum."""
    radio = profile.radio
    return 8 * (radio.address_bytes + profile.payload_bytes + radio.crc_bytes) + radio.control_bits


CHANNELS = {
    "gilbert": (0.01, 0.2, 0.0, 1.0),
    "weak bursts": (0.002, 0.02, 0.0, 0.6),
    "bursts and single losses": (0.02, 0.1, 0.05, 0.7),
}
TIMEOUTS_US = [30_000, 45_000, 60_000, 100_000]
FLIGHT_PACKETS = 2_000


def counts_of_flights(channel: tuple[float, ...], flights: int) -> Iterator[Count]:
    """Fly packets, and count flights with a run of losses, and receptions after which one begins."""
    profile = linked(GilbertElliott(**dict(zip(PARAMETERS, channel, strict=True))))
    interval_us = profile.handset.packet_interval_us
    rows, rates = timeout.plan(profile, TIMEOUTS_US, flight_us=FLIGHT_PACKETS * interval_us, simulate_us=1)
    assert rates.is_exact
    good_to_bad, bad_to_good, loss_good, loss_bad = channel
    lost = in_chains(
        np.random.default_rng(23), flights, FLIGHT_PACKETS, good_to_bad, bad_to_good, loss_good, loss_bad
    )  # fmt: skip
    assert not any(row.packets > 40 for row in rows)
    for row in rows:
        run, counts = np.zeros(flights, np.int64), np.zeros(flights, np.int64)
        for packet in lost:
            run = np.where(packet, run + 1, 0)
            counts += run == row.packets
        assert row.in_flight is not None
        yield Count(f"a run of {row.packets} in a flight", row.in_flight, int((counts > 0).sum()), flights, False)
        # A run that is under way at the start of a flight is seen shortened: fewer by up to its length over the flight.
        expected = row.per_hour / 3.6e9 * FLIGHT_PACKETS * interval_us
        error = stats.sem(counts) + expected * 2 * row.packets / FLIGHT_PACKETS
        assert abs(counts.mean() - expected) < 4 * error + 1e-3, (row.packets, counts.mean(), expected)


@pytest.mark.parametrize(
    ("name", "flights"),
    [("weak bursts", 1000), *(pytest.param(name, 20_000, marks=pytest.mark.long) for name in CHANNELS)],
)
def test_flights_over_known_channels(name: str, flights: int) -> None:
    checked(counts_of_flights(CHANNELS[name], flights))


def counts_with_an_interferer(flights: int) -> Iterator[Count]:
    """An interferer in step with the packets: whole flights with a failsafe, whole flights without.

    Every 100 ms a burst of 40 ms; packets every 5 ms. All packets that touch a burst are lost, so each flight has runs
    of eight or nine, by its phase.
    """
    profile = linked(PeriodicInterferer(period_us=100_000, burst_us=40_000))
    air_us = math.ceil((fatal_bits(profile) + 8 * profile.radio.preamble_bytes) * 1e6 / profile.radio.bit_rate_bit_s)
    rows, _ = timeout.plan(profile, [35_000, 40_000, 45_000], flight_us=1_000_000, simulate_us=1)
    phases_us = np.random.default_rng(24).uniform(0, 100_000, flights)
    for row in rows:
        with_run = 0
        for phase_us in phases_us:
            since_us = (np.arange(200) * 5_000 - phase_us) % 100_000
            with_run += has_run((since_us < 40_000) | (since_us + air_us > 100_000), row.packets)
        assert row.in_flight is None
        yield Count(f"a run of {row.packets} in a flight", row.in_flight_upper, with_run, flights)


def test_flights_beside_an_interferer() -> None:
    checked(counts_with_an_interferer(300))


# --- plan timeout: counted rates --------------------------------------------------------------------------------------

MINUTE = 12_000
"""Packets in a minute."""


def counts_of_bounds(
    profiles: Callable[[np.random.Generator], Profile], truth: dict[int, float], plans: int, simulate_us: int
) -> Iterator[Count]:
    """Plan with each of several profiles; a bound is false if the true share of minutes with a run is larger."""
    draw, most = np.random.default_rng(25), max(truth)
    below, too_short = dict.fromkeys(truth, 0), 0
    wanted = 60 * sorted(truth.values())[len(truth) // 2]
    for seed in range(plans):
        profile = profiles(draw)
        rates = timeout.false_failsafes(profile, most, simulate_us=simulate_us, seed=seed)
        assert not rates.is_exact
        for run, share in truth.items():
            below[run] += rates.upper_per_hour[run - 1] < 60 * share
        advice = timeout.advise(
            profile, most_per_hour=wanted, longest_us=(most + 1) * 5_000, simulate_us=simulate_us, seed=seed
        )
        if advice.least_us is not None:
            run = packets_to_fire(profile, advice.least_us)
            too_short += run in truth and 60 * truth[run] > wanted
    for run, share in truth.items():
        yield Count(f"bound below the truth, {share:.3f} of minutes have a run of {run}", 0.05, below[run], plans)
    yield Count("a timeout is recommended that has more false failsafes", 0.05, too_short, plans)


def recordings(minutes: float) -> Callable[[np.random.Generator], Profile]:
    """Return a maker of profiles that repeat a recording of the channel below."""

    def made(draw: np.random.Generator) -> Profile:
        lost = in_bursts(draw, round(minutes * MINUTE), 0.002, 0.15)
        return linked(Recorded(file="flight.csv", pattern=lost.astype(np.uint8).tobytes()))

    return made


def shares_of_minutes(runs: range) -> dict[int, float]:
    """Return the share of minutes with a run, of a channel that turns bad with 0.002 and good with 0.15 a packet.

    Bursts begin in a good state, 0.002 a packet, and are at least `run` long with 0.85^(run - 1): Poisson.
    """
    good = 0.15 / 0.152
    return {run: -math.expm1(-MINUTE * good * 0.002 * 0.85 ** (run - 1)) for run in runs}


@pytest.mark.parametrize(
    ("minutes", "plans"),
    [(3.0, 25), *(pytest.param(minutes, 1000, marks=pytest.mark.long) for minutes in (0.7, 3.0, 12.0, 100.0))],
)
def test_bounds_from_a_recording(minutes: float, plans: int) -> None:
    """A recording of three minutes, repeated for an hour, shows what three minutes show."""
    truth = shares_of_minutes(range(24, 40))
    checked(counts_of_bounds(recordings(minutes), truth, plans, 3_600_000_000 if plans > 100 else 600_000_000))


def hovering(draw: np.random.Generator) -> Profile:
    """Return a link to a model that hovers in Rayleigh fading: its level is constant, and random, in each minute."""
    return linked(LinkBudget(distance_m=200.0, fading="rayleigh", speed_m_s=0.0))


def share_of_lost_minutes(run: int, draw: np.random.Generator) -> float:
    """Return the share of minutes with a run of losses at a constant level, by the physics alone.

    Sixteen waves of equal power and random phase; bits in error 0.5 exp(-x / 2) (Proakis & Salehi, non-coherent FSK);
    friis; kTB at 290 K. A minute has a run if 12 000 independent packets have one (Poisson, exact enough here).
    """
    profile = Profile()
    waves = np.exp(2j * np.pi * draw.random((200_000, 16))).sum(1)
    power = np.abs(waves) ** 2 / 16
    loss_db = 20 * math.log10(4 * math.pi * 200.0 * 2.44e9 / 299_792_458.0)
    noise_dbm = 10 * math.log10(1.380649e-23 * 290 * profile.radio.bit_rate_bit_s * 1e3) + 10
    ratio = 10 ** ((-loss_db - 6 - noise_dbm) / 10) * power
    lost = 1 - (1 - 0.5 * np.exp(-ratio / 2)) ** fatal_bits(profile)
    return float((-np.expm1(-MINUTE * (1 - lost) * lost**run) * (lost < 0.999) + (lost >= 0.999)).mean())


@pytest.mark.parametrize("plans", [25, pytest.param(1000, marks=pytest.mark.long)])
def test_bounds_of_a_fading_link(plans: int) -> None:
    truth = {run: share_of_lost_minutes(run, np.random.default_rng(26)) for run in (3, 20, 100)}
    assert 0.3 < truth[100] < truth[3] < 0.9
    checked(counts_of_bounds(hovering, truth, plans, 600_000_000))
