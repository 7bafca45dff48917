"""Many trials side by side against theory: how long until a failsafe, how often a false one, how packets are lost."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from lostlink.campaigns.flight import flight_trials
from lostlink.planning.timeout import cut_times_us
from lostlink_sims import Profile
from lostlink_sims.air.loss import Bernoulli, GilbertElliott, LossModel
from lostlink_sims.batch import bits
from lostlink_sims.batch.engine import BatchEngine
from lostlink_sims.batch.trials import FlightTrials
from lostlink_sims.profile import air_time_us

SEED = 20


def plain(timeout_us: int, interval_us: int, *losses: LossModel, frame_us: int = 22_500) -> Profile:
    """Return the plain link with ideal clocks, a timeout, a packet interval, and losses."""
    profile = Profile()
    return dataclasses.replace(
        profile,
        handset=dataclasses.replace(profile.handset, packet_interval_us=interval_us),
        receiver=dataclasses.replace(profile.receiver, timeout_us=timeout_us, recovery_us=0, recovery_packets=1),
        radio=dataclasses.replace(profile.radio, losses=losses),
        output=dataclasses.replace(profile.output, frame_period_us=frame_us),
        requirements=dataclasses.replace(
            profile.requirements, cut_within_us=timeout_us + 50_000, motor_cut_within_us=timeout_us + 150_000
        ),
    )


def cut_links(profile: Profile, trials: int) -> tuple[FlightTrials, np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """Return, for trials whose link is cut to the end or for long, the time from the cut to failsafe."""
    lot = flight_trials(profile, SEED, duration_us=4_000_000, causes=("link cut",))
    delays = []
    for outcomes in BatchEngine(lot).pieces(0, trials):
        place, begin_us, _ = outcomes.episodes.T
        lost_us = outcomes.drawn.lost_us[place]
        first = np.unique(place[begin_us > lost_us], return_index=True)[1]
        delays.append((begin_us - lost_us)[begin_us > lost_us][first])
    return lot, np.concatenate(delays)


@pytest.mark.parametrize(
    ("timeout_us", "interval_us", "mean_ms", "sd_ms"),
    [
        (100_000, 5_000, 97.5, 1.44338),
        (500_000, 20_000, 490.0, 5.77350),
        pytest.param(250_000, 10_000, 245.0, 2.88675, marks=pytest.mark.long),
    ],
)
def test_detection_delay_without_losses(timeout_us: int, interval_us: int, mean_ms: float, sd_ms: float) -> None:
    """Timeout less a uniform packet phase: mean Tf - T/2, sd T/sqrt(12) (uniform phase; elementary).

    The packet that is on the air when the link goes is lost, so the last one was sent up to an interval before it
    went; its flight to the receiver comes on top.
    """
    trials = 20_000
    profile = plain(timeout_us, interval_us)
    _, delay_us = cut_links(profile, trials)
    assert len(delay_us) == trials
    settings = profile.radio
    # The last packet ends on the air before the cut; it is handed over `latency` after that.
    mean_us = 1000 * mean_ms + settings.latency_us
    assert abs(delay_us.mean() - mean_us) < 5 * 1000 * sd_ms / math.sqrt(trials)
    assert delay_us.std() == pytest.approx(1000 * sd_ms, rel=0.02)
    assert delay_us.max() - delay_us.min() <= interval_us
    uniform = stats.uniform(timeout_us - interval_us + settings.latency_us, interval_us)
    assert stats.kstest(delay_us, uniform.cdf).pvalue > 1e-4
    assert air_time_us(settings, profile.payload_bytes) < interval_us


@pytest.mark.parametrize(("loss", "mean_ms"), [pytest.param(0.1, 96.9444, marks=pytest.mark.long), (0.2, 96.25)])
def test_detection_delay_with_losses(loss: float, mean_ms: float) -> None:
    """Losses before the cut shorten the delay: mean Tf - T/2 - T q/p (geometric run; given not yet fired)."""
    trials = 20_000
    profile = plain(100_000, 5_000, Bernoulli(probability=loss))
    _, delay_us = cut_links(profile, trials)
    assert abs(delay_us.mean() - 1000 * mean_ms - profile.radio.latency_us) < 5 * 3200 / math.sqrt(trials)


def test_time_to_cut_adds_the_frame() -> None:
    """Detection, a uniform wait for the next frame, and the throttle's place in it (sum of uniforms, Irwin 1927)."""
    trials, frame_us = 20_000, 22_500
    profile = plain(100_000, 5_000, frame_us=frame_us)
    lot = flight_trials(profile, SEED, duration_us=4_000_000, causes=("link cut",))
    found = list(BatchEngine(lot).pieces(0, trials))
    cut_us = np.concatenate([one.cut_us - one.drawn.lost_us for one in found])
    place_us = 1500 + 1500 + 1000  # roll, pitch, throttle in failsafe
    mean_us = 97_500 + profile.radio.latency_us + frame_us / 2 + place_us
    sd_us = math.sqrt(5_000**2 / 12 + frame_us**2 / 12)
    assert abs(cut_us.mean() - mean_us) < 5 * sd_us / math.sqrt(trials)
    assert cut_us.std() == pytest.approx(sd_us, rel=0.02)
    low_us = 95_000 + profile.radio.latency_us + place_us
    assert low_us - 1 <= cut_us.min()
    assert cut_us.max() <= low_us + 5_000 + frame_us + 1


def test_losses_of_a_gilbert_channel() -> None:
    """Loss a/(a+b), mean burst 1/b, mean gap 1/a, P(burst >= k) = (1-b)^(k-1) (Gilbert 1960; RFC 6534, 7.1)."""
    a, b = 0.01, 0.2
    profile = plain(2_000_000, 5_000, GilbertElliott(good_to_bad=a, bad_to_good=b))
    lot = dataclasses.replace(
        flight_trials(profile, SEED, duration_us=10_000_000),
        duration_us=10_000_000, lost_from_us=9_999_998, lost_until_us=9_999_999,
    )  # fmt: skip
    bursts: list[int] = []
    lost = total = 0
    for outcomes in BatchEngine(lot).pieces(0, 1024):
        received = bits.unpacked(outcomes.received)[20:1980].T
        lost, total = lost + int((~received).sum()), total + received.size
        for row in ~received:
            edges = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]]).astype(np.int8)))
            bursts += (edges[1::2] - edges[::2])[1:-1].tolist()
    assert lost / total == pytest.approx(a / (a + b), rel=0.02)
    assert np.mean(bursts) == pytest.approx(1 / b, rel=0.02)
    for k, share in ((5, 0.4096), (10, 0.134218)):
        spread = 5 * math.sqrt(share * (1 - share) / len(bursts))
        assert abs((np.array(bursts) >= k).mean() - share) < spread


@pytest.mark.parametrize(("loss", "run"), [(0.5, 10), (0.6, 12)])
def test_false_failsafes_of_independent_losses(loss: float, run: int) -> None:
    """A false failsafe is a run of r losses; P(no run of r in n packets) by a chain (Feller, vol. 1, XIII.7).

    Each trial has a number of packets of its own, so the count is a sum of unequal chances: normal, five sigma.
    """
    interval_us, trials = 5_000, 4_000
    # With this timeout the r-th lost packet in a row is the first that fires it, half an interval later.
    profile = plain(run * interval_us + interval_us // 2, interval_us, Bernoulli(probability=loss))
    lot = flight_trials(profile, SEED, duration_us=2_000_000)
    chain = np.zeros((run + 1, run + 1))
    for have in range(run):
        chain[have, 0], chain[have, have + 1] = 1 - loss, loss
    chain[run, run] = 1
    chance = [0.0]
    state = np.eye(run + 1)[0]
    for _ in range(400):
        state = state @ chain
        chance.append(float(state[run]))
    expected, fired = [], 0
    for outcomes in BatchEngine(lot).pieces(0, trials):
        place, begin_us, end_us = outcomes.episodes.T
        linked_us = end_us[np.searchsorted(place, np.arange(len(outcomes.flew)))]  # by the first packet
        lost_us = outcomes.drawn.lost_us
        packets = np.maximum(0, lost_us - linked_us - interval_us // 2 - 1) // interval_us
        expected += [chance[count] for count in packets.tolist()]
        false = (begin_us > linked_us[place]) & (begin_us < lost_us[place])
        fired += len(np.unique(place[false]))
    shares = np.array(expected)
    assert 0.02 < shares.mean() < 0.9
    assert abs(fired - shares.sum()) < 5 * math.sqrt(float((shares * (1 - shares)).sum()))


@pytest.mark.parametrize(("retries", "share"), [(1, 0.09), (2, 0.027)])
def test_packets_lost_in_every_attempt(retries: int, share: float) -> None:
    """All 1 + k independent attempts of a packet are lost with q^(1 + k) (elementary); four standard errors."""
    profile = plain(2_000_000, 5_000, Bernoulli(probability=0.3))
    radio = dataclasses.replace(profile.radio, acknowledge=True, retries=retries, retry_delay_us=1_000)
    lot = dataclasses.replace(
        flight_trials(dataclasses.replace(profile, radio=radio), SEED, duration_us=10_000_000),
        lost_from_us=9_999_998, lost_until_us=9_999_999,
    )  # fmt: skip
    received = bits.unpacked(BatchEngine(lot).run(0, 128).received)[100:1980]  # from when the receiver has booted
    assert abs((~received).mean() - share) < 4 * math.sqrt(share * (1 - share) / received.size)


@pytest.mark.parametrize(
    ("timeout_us", "interval_us", "loss", "mean_ms"),
    [(100_000, 5_000, 0.0, 97.5), (500_000, 20_000, 0.0, 490.0), (250_000, 10_000, 0.0, 245.0),
     (100_000, 5_000, 0.1, 96.9444), (100_000, 5_000, 0.2, 96.25)],
)  # fmt: skip
def test_planned_time_to_cut(timeout_us: int, interval_us: int, loss: float, mean_ms: float) -> None:
    """Mean silence T - t / 2 - t q / p at a uniform phase with q lost (elementary), as above; what follows is added up.

    That is the packet's way, half a frame of 22.5 ms, and two pulses of 1500 us before the throttle's of 1000 us. The
    longest: the packet came right before the loss and the frame has just begun.
    """
    profile = plain(timeout_us, interval_us)
    flight_us = profile.radio.settle_us + air_time_us(profile.radio, profile.payload_bytes) + profile.radio.latency_us
    mean_us, worst_us = cut_times_us(profile, timeout_us, loss)
    assert mean_us - flight_us - 11_250 - 4_000 == pytest.approx(1000 * mean_ms, abs=0.6)
    assert worst_us - flight_us - 22_500 - 4_000 == timeout_us
