"""When a failsafe comes, against the mathematics of runs: Feller vol. 1 XIII.7, and exact chains.

q is the probability that a packet is lost, r the run of losses that trips the timer. "From memory" marks what was
not re-read; every number was computed a second time from a chain.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from lostlink.measure import failsafe
from lostlink_sims import Move, Profile, Scenario, simulate, summarise
from lostlink_sims.air.loss import Bernoulli, GilbertElliott, LossModel
from lostlink_sims.scenario import LinkCut
from lostlink_sims.trace import NOT_YET

INTERVAL_US = 5_000
FLIGHT_US = 130 + 121 + 200
"""Settling, 121 bits at 1 Mbit/s, hand-over."""
HAND_OVER_US = 200
"""A packet that had just left the air when the link died still arrives; one that was on the air does not."""


def link(model: LossModel | None, timeout_us: int, **output: Any) -> Profile:
    """Return a link that trips after `timeout_us` and is back with the next packet."""
    plain = Profile()
    return dataclasses.replace(
        plain,
        radio=dataclasses.replace(plain.radio, losses=() if model is None else (model,)),
        receiver=dataclasses.replace(
            plain.receiver, timeout_us=timeout_us, recovery_packets=1, recovery_us=0, boot_us=0
        ),
        handset=dataclasses.replace(plain.handset, boot_us=0),
        output=dataclasses.replace(plain.output, **output),
    )


def trips_after(losses: int) -> int:
    """Return a timeout that fires when so many packets in a row are lost, half an interval before the next one."""
    return losses * INTERVAL_US + INTERVAL_US // 2


# --- exact references ----------------------------------------------------------------------------------------------


def chain(a: float, b: float, loss_good: float, loss_bad: float, r: int) -> NDArray[np.float64]:
    """Return the sub-stochastic matrix over (channel state, run of losses); the state moves before each packet."""
    moves, loss = ((1 - a, a), (b, 1 - b)), (loss_good, loss_bad)
    matrix = np.zeros((2 * r, 2 * r))
    for state in (0, 1):
        for run in range(r):
            for to in (0, 1):
                matrix[state * r + run, to * r] += moves[state][to] * (1 - loss[to])
                if run + 1 < r:
                    matrix[state * r + run, to * r + run + 1] += moves[state][to] * loss[to]
    return matrix


def mean_packets(matrix: NDArray[np.float64]) -> float:
    size = len(matrix)
    return float(np.linalg.solve(np.eye(size) - matrix, np.ones(size))[0])


def within(matrix: NDArray[np.float64], n: int) -> float:
    return float(1 - np.linalg.matrix_power(matrix, n)[0].sum())


def bernoulli_mean(q: float, r: int) -> float:
    return (1 - q**r) / ((1 - q) * q**r)


def test_references_agree_with_the_books() -> None:
    """Feller's mean, the chain, and Gilbert's closed form give the checked numbers (Feller XIII.7, from memory)."""
    for q, r, mean in ((0.5, 3, 14), (0.5, 10, 2046), (0.1, 3, 1110), (0.2, 5, 3905), (0.3, 10, 241928.397)):
        assert bernoulli_mean(q, r) == pytest.approx(mean, rel=1e-8)
        assert mean_packets(chain(q, 1 - q, 0, 1, r)) == pytest.approx(mean, rel=1e-6)
    assert within(chain(0.5, 0.5, 0, 1, 3), 10) == pytest.approx(0.5078125)
    assert within(chain(0.2, 0.8, 0, 1, 5), 1000) == pytest.approx(0.2253925, rel=1e-6)
    assert mean_packets(chain(0.01, 0.2, 0, 1, 5)) == pytest.approx(251.34766, rel=1e-6)
    assert mean_packets(chain(0.05, 0.5, 0, 1, 5)) == pytest.approx(350)
    assert mean_packets(chain(0.01, 0.2, 0.01, 0.8, 5)) == pytest.approx(463.96028, rel=1e-6)
    assert within(chain(0.01, 0.2, 0, 1, 5), 100) == pytest.approx(0.3222424, rel=1e-6)


# --- the simulation against them -------------------------------------------------------------------------------------


def first_passages(model: LossModel, r: int, trials: int, seconds: int) -> NDArray[np.int64]:
    """Return for each trial the packets from the first received one to the end of the first run of r losses.

    -1 where the run did not come.
    """
    profile = link(model, trips_after(r))
    found = []
    for trial in range(trials):
        trace = simulate(profile, Scenario(seed=11, trial=trial, duration_us=seconds * 1_000_000, packet_phase_us=0))
        heard = np.flatnonzero(trace.packets.arrived_us != NOT_YET)[0]
        rises = trace.failsafe.at_us[(trace.failsafe.value == 1) & (trace.failsafe.at_us > 1)]
        if len(rises):
            # It rises half an interval after the last packet of the run left (less its flight).
            found.append(int(np.searchsorted(trace.packets.left_us, rises[0])) - int(heard) - 1)
        else:
            found.append(-1)
    return np.array(found)


@pytest.mark.parametrize(("q", "r", "seconds"), [(0.5, 3, 1), (0.5, 5, 4), (0.3, 3, 4)])
def test_first_false_failsafe_under_independent_loss(q: float, r: int, seconds: int, long: bool) -> None:
    """Packets until the first run of r losses: mean and variance of Feller, vol. 1, XIII.7 (``--long``: 300 flights).

    After 1 and 4 s the run has come: the mean is 14, 62 and 51 packets.
    """
    trials = 300 if long else 100
    found = first_passages(Bernoulli(probability=q), r, trials, seconds)
    assert (found >= 0).all()
    mean, p = bernoulli_mean(q, r), 1 - q
    sd = np.sqrt(1 / (p * q**r) ** 2 - (2 * r + 1) / (p * q**r) - q / p**2)
    assert abs(found.mean() - mean) < 4 * sd / np.sqrt(trials)
    for n in (r, 2 * r, round(mean)):
        exact = within(chain(q, 1 - q, 0, 1, r), n)
        assert abs((found <= n).mean() - exact) < 4 * np.sqrt(exact * (1 - exact) / trials) + 1e-9


def test_first_false_failsafe_under_bursts(long: bool) -> None:
    """Gilbert-Elliott, a .05, b .5, r 5: mean 350 exactly (derived from the chain); within 200 packets by the chain.

    The first received packet of a run is nearly always one of the good state, in which the chain starts. The time to
    a rare run is nearly exponential, so its sd is its mean. ``--long``: 250 flights.
    """
    trials = 250 if long else 80
    found = first_passages(GilbertElliott(good_to_bad=0.05, bad_to_good=0.5), 5, trials, 15)
    matrix = chain(0.05, 0.5, 0, 1, 5)
    exact = within(matrix, 200)
    assert abs(((found >= 0) & (found <= 200)).mean() - exact) < 4 * np.sqrt(exact * (1 - exact) / trials)
    assert found[found >= 0].mean() == pytest.approx(mean_packets(matrix), rel=4 / np.sqrt(trials))


def test_rate_of_false_failsafes(long: bool) -> None:
    """Runs that reach r come at the rate pi_G a (1 - b)^(r - 1) a packet (renewal identity): .003900952 for r = 5.

    ``--long``: over 600 s.
    """
    seconds = 600 if long else 200
    profile = link(GilbertElliott(good_to_bad=0.01, bad_to_good=0.2), trips_after(5))
    total = summarise(profile, Scenario(seed=3, duration_us=seconds * 1_000_000, packet_phase_us=0))
    expected = 0.003900952 * total.packets
    assert abs(total.failsafe_entries - expected) < 4 * np.sqrt(expected)
    # Burstiness: the same loss ratio, independent, gives one in 4.2883e6 packets.
    calm = link(Bernoulli(probability=1 / 21), trips_after(5))
    assert summarise(calm, Scenario(seed=3, duration_us=60_000_000)).failsafe_entries == 0


@pytest.mark.parametrize(("timeout_us", "losses", "trips"), [
    (24_999, 4, True), (25_000, 4, False), (25_000, 5, True), (25_001, 5, True), (25_001, 4, False),
])  # fmt: skip
def test_tie_between_timer_and_packet(timeout_us: int, losses: int, trips: bool) -> None:
    """Timeout m T exactly: the packet that arrives at the deadline beats the timer here, so m - 1 losses do not trip.

    Discrete-event semantics, both sides of the tie (common practice, no source).
    """
    profile = link(None, timeout_us)
    gap = LinkCut(at_us=100_000, for_us=losses * INTERVAL_US - 1_000)
    scenario = Scenario(duration_us=300_000, packet_phase_us=600, faults=(gap,))
    trace = simulate(profile, scenario)
    assert trace.packets.lost[15:50].sum() == losses
    assert (trace.summary.failsafe_entries > 0) is trips


def cut_delays(q: float, trials: int, frame: bool) -> NDArray[np.int64]:
    """Return the time from link death at a drawn phase to failsafe (flag, or first idle throttle pulse's frame)."""
    profile = link(Bernoulli(probability=q) if q else None, 100_000)
    delays = []
    for trial in range(trials):
        death_us = 400_000 + trial * 37 % INTERVAL_US
        moves = (Move(at_us=0, channel="throttle", position=0.9),)
        scenario = Scenario(
            seed=5, trial=trial, duration_us=death_us + 200_000, moves=moves, faults=(LinkCut(at_us=death_us),)
        )
        trace = simulate(profile, scenario)
        if frame:
            cut_us = death_us + round(failsafe.time_to_cut(trace, death_us).value)
            starts = trace.seen.start_us[trace.seen.start_us < cut_us]
            delays.append(int(starts[-1]) - death_us)
        else:
            rises = trace.failsafe.at_us[(trace.failsafe.value == 1) & (trace.failsafe.at_us > death_us - 90_000)]
            delays.append(int(rises[-1]) - death_us - HAND_OVER_US)
    return np.array(delays)


def test_detection_delay_of_a_clean_link() -> None:
    """D = timeout - U(0, T): 100 ms and 5 ms give mean 97.5, sd 1.44338, range (95, 100] ms (uniform phase)."""
    delays = cut_delays(0, 400, frame=False)
    assert delays.mean() == pytest.approx(97_500, abs=4 * 1443 / 20)
    assert delays.std() == pytest.approx(1443.38, rel=0.08)
    assert delays.min() >= 95_000
    assert delays.max() <= 100_000
    assert stats.kstest((delays - 95_000) / 5_000, "uniform").pvalue > 1e-3


# --- further: whole distributions, identities, both sides of other ties ----------------------------------------------


def passage_cdf(matrix: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    """Return P(N <= n) for n = 0 .. most, started in the good state just after a reception."""
    left, cdf = np.eye(len(matrix))[0], [0.0]
    for _ in range(most):
        left = left @ matrix
        cdf.append(1 - float(left.sum()))
    return np.array(cdf)


def test_references_of_further_books() -> None:
    """Variances (Feller XIII.7, from memory), the recursion of the exact law, and its rare-event approximation."""
    for q, r, variance in ((0.5, 3, 142.0), (0.2, 5, 15_215_820.0), (0.1, 3, 1_226_790.0)):
        p = 1 - q
        assert 1 / (p * q**r) ** 2 - (2 * r + 1) / (p * q**r) - q / p**2 == pytest.approx(variance, rel=1e-9)
    for q, r, n, share in (
        (0.5, 3, 3, 0.125), (0.5, 3, 4, 0.1875), (0.5, 3, 20, 0.7870283), (0.1, 3, 1000, 0.593892838),
        (0.3, 10, 12_000, 0.0483594424), (0.2, 5, 12_000, 0.9538276),
    ):  # fmt: skip
        assert within(chain(q, 1 - q, 0, 1, r), n) == pytest.approx(share, rel=1e-6)
        pmf = np.zeros(n + 1)
        pmf[r] = q**r
        cdf = np.cumsum(pmf)
        for m in range(r + 1, n + 1):  # f(n) = (1 - q) q^r (1 - F(n - r - 1))
            pmf[m] = (1 - q) * q**r * (1 - cdf[m - r - 1])
            cdf[m] = cdf[m - 1] + pmf[m]
        assert cdf[n] == pytest.approx(share, rel=1e-6)
    assert 1 - np.exp(-1000 * 0.8 * 0.2**5) == pytest.approx(0.2258580, rel=1e-6)
    # The classic error is to take the reception for the run: 3.7174 in place of 1110.
    assert bernoulli_mean(0.9, 3) == pytest.approx(3.7174, rel=1e-5)
    for a, b, r, mean in ((0.01, 0.25, 3, 181.8889), (0.01, 0.25, 10, 1382.1027), (0.05, 0.5, 3, 87.0)):
        beta = 1 - b
        assert (1 / a + (1 - beta**r) / (1 - beta)) / beta ** (r - 1) == pytest.approx(mean, rel=1e-6)
        # That counts from a first packet sent in the good state; here the state moves before it: one packet less.
        assert mean_packets(chain(a, b, 0, 1, r)) == pytest.approx(
            (1 / a + (1 - beta ** (r - 1)) / b) / beta ** (r - 1), rel=1e-9
        )


@pytest.mark.parametrize(
    ("model", "r"),
    [
        (Bernoulli(probability=0.5), 3),
        pytest.param(Bernoulli(probability=0.3), 2, marks=pytest.mark.long),
        pytest.param(GilbertElliott(good_to_bad=0.05, bad_to_good=0.5), 3, marks=pytest.mark.long),
        (GilbertElliott(good_to_bad=0.1, bad_to_good=0.3), 4),
    ],
)
def test_distribution_of_the_first_false_failsafe(model: LossModel, r: int, long: bool) -> None:
    """P(N <= n) at every n: the largest distance to the chain's law stays below Kolmogorov's bound (99.99 %: 2.23).

    The bound is conservative for a discrete law. With loss in the bad state only, a reception is in the good one.
    ``--long``: four channels, 400 flights of 2 s each.
    """
    trials, seconds = (400, 2) if long else (250, 1)
    found = first_passages(model, r, trials, seconds)
    most = 190 * seconds  # the first reception may come a little late
    if isinstance(model, Bernoulli):
        cdf = passage_cdf(chain(model.probability, 1 - model.probability, 0, 1, r), most)
    else:
        assert isinstance(model, GilbertElliott)
        cdf = passage_cdf(chain(model.good_to_bad, model.bad_to_good, 0, 1, r), most)
    done = np.bincount(found[(found >= 0) & (found <= most)], minlength=most + 1).cumsum() / trials
    distance = np.abs(done - cdf).max()
    assert distance < 2.23 / np.sqrt(trials), f"seed 11: {distance:.4f}"
    assert found[found >= 0].min() >= r, "no failsafe before r packets are lost"


@pytest.mark.parametrize(
    ("model", "r", "rate"),
    [
        (Bernoulli(probability=0.5), 3, 0.5 * 0.5**3),
        (Bernoulli(probability=0.2), 5, 0.8 * 0.2**5),
        (GilbertElliott(good_to_bad=0.05, bad_to_good=0.5), 5, 0.05 * 0.5**4 * 10 / 11),
        (GilbertElliott(good_to_bad=0.01, bad_to_good=0.25), 3, 0.01 * 0.75**2 * 25 / 26),
    ],
)
def test_long_run_rate_of_runs(model: LossModel, r: int, rate: float, long: bool) -> None:
    """A run that reaches r begins with "received, lost": p q^r a packet, or pi_G a (1 - b)^(r - 1) (renewal).

    Its reciprocal is the mean of the first passage and the rest of the run, 1 / p or 1 / b packets. The number
    of such runs has a variance of at most about its mean (one run at a time); four of these are allowed.
    ``--long``: over 400 s.
    """
    matrix, rest = (
        (chain(model.probability, 1 - model.probability, 0, 1, r), 1 / (1 - model.probability))
        if isinstance(model, Bernoulli)
        else (chain(model.good_to_bad, model.bad_to_good, 0, 1, r), 1 / model.bad_to_good)  # type: ignore[attr-defined]
    )
    assert 1 / rate == pytest.approx(mean_packets(matrix) + rest, rel=1e-9)
    scenario = Scenario(seed=12, duration_us=(400 if long else 200) * 1_000_000, packet_phase_us=0)
    total = summarise(link(model, trips_after(r)), scenario)
    expected = rate * total.packets
    assert abs(total.failsafe_entries - expected) < 4 * np.sqrt(expected) + 1, f"seed 12: {total.failsafe_entries}"


def test_rate_with_losses_in_both_states(long: bool) -> None:
    """Gilbert-Elliott, a .01 b .2 eG .01 eB .8, r 5: the rate of runs from the stationary chain (``--long``: 1000 s).

    "Received, then r lost": pi (I - E) (P E)^r 1; the state moves before each packet.
    """
    a, b, loss_good, loss_bad, r = 0.01, 0.2, 0.01, 0.8, 5
    moves, errors = np.array([[1 - a, a], [b, 1 - b]]), np.diag([loss_good, loss_bad])
    pi = np.array([b, a]) / (a + b)
    rate = float(pi @ (np.eye(2) - errors) @ np.linalg.matrix_power(moves @ errors, r) @ np.ones(2))
    model = GilbertElliott(good_to_bad=a, bad_to_good=b, loss_good=loss_good, loss_bad=loss_bad)
    scenario = Scenario(seed=13, duration_us=(1000 if long else 300) * 1_000_000, packet_phase_us=0)
    total = summarise(link(model, trips_after(r)), scenario)
    expected = rate * total.packets
    # In the bad state a run that ends is soon followed by another: the variance is above the mean, at most twofold.
    assert abs(total.failsafe_entries - expected) < 4 * np.sqrt(2 * expected), f"seed 13: {total.failsafe_entries}"


@pytest.mark.parametrize(
    ("interval_us", "timeout_us", "most"),
    [
        (5_000, 99_999, 18), (5_000, 100_000, 19), (5_000, 100_001, 19), (20_000, 499_999, 23), (20_000, 500_000, 24),
        (10_000, 249_999, 23), (10_000, 250_000, 24), (7_000, 100_000, 13), (7_000, 100_001, 13),
    ],
)  # fmt: skip
def test_most_losses_that_do_not_trip(interval_us: int, timeout_us: int, most: int) -> None:
    """After k losses the next packet comes (k + 1) T after the last good one: floor(timeout / T) - 1 losses pass.

    At a timeout of m T the packet arrives just at the deadline; packet before timer, so it counts. A microsecond
    less and one loss fewer passes. Discrete-event semantics (common practice, no source).
    """
    profile = link(None, timeout_us)
    profile = dataclasses.replace(profile, handset=dataclasses.replace(profile.handset, packet_interval_us=interval_us))
    for losses in (most - 1, most, most + 1):
        gap = LinkCut(at_us=20 * interval_us, for_us=losses * interval_us - 1_000)
        scenario = Scenario(duration_us=(losses + 60) * interval_us, packet_phase_us=600, faults=(gap,))
        trace = simulate(profile, scenario)
        assert int(trace.packets.lost.sum()) == losses
        assert (trace.summary.failsafe_entries > 0) is (losses > most), losses


@pytest.mark.parametrize("order", ["packet", "timer"])
def test_packets_lost_before_the_timer_fires(order: str) -> None:
    """Last reception at 0, packets due at k T, timeout m T: m - 1 are lost before it, m with packet before timer.

    A timeout a microsecond longer makes it m without a tie (discrete-event semantics).
    """
    timeout_us = 100_000 if order == "packet" else 100_001
    profile = link(None, timeout_us)
    scenario = Scenario(duration_us=400_000, packet_phase_us=0, faults=(LinkCut(at_us=102_000),))
    trace = simulate(profile, scenario)
    heard_us = failsafe.last_good_packet_us(trace, 400_000)
    assert heard_us is not None
    rise_us = int(trace.failsafe.at_us[trace.failsafe.value == 1][-1])
    assert rise_us == heard_us + timeout_us
    due_us = trace.packets.left_us[trace.packets.lost] + FLIGHT_US
    assert (due_us < rise_us).sum() == (19 if order == "packet" else 20)
    assert (due_us <= rise_us).sum() == 20


def test_law_of_the_detection_delay_with_losses() -> None:
    """D = timeout - U - K T with P(K = k) = p q^k: timeout 100 ms, T 5 ms, q .2 (uniform + geometric).

    Mean 96.25, sd 3.1458 ms, and the whole law by Kolmogorov-Smirnov against the closed form. A failsafe before the
    link's death would need q^19.
    """
    q, trials = 0.2, 500
    delays = cut_delays(q, trials, frame=False)
    assert delays.mean() == pytest.approx(96_250, abs=4 * 3146 / np.sqrt(trials))
    assert delays.std() == pytest.approx(3145.8, rel=0.15)

    def cdf(x: NDArray[np.float64]) -> NDArray[np.float64]:
        age = (100_000 - x) / INTERVAL_US  # U + K in intervals
        whole = np.floor(age)
        below = 1 - q**whole + (age - whole) * (1 - q) * q**whole
        return 1 - np.where(age < 0, 0, below)

    test = stats.kstest(delays, cdf)
    assert test.pvalue > 1e-3, f"seed 5: {test}"


def test_law_of_the_cut_chain() -> None:
    """Timeout - U(0, T) + U(0, F), T 5, F 22.5 ms: mean 97.5 + 11.25, sd 6.6536 ms, at most 122.5 ms.

    And the whole trapezoid by Kolmogorov-Smirnov. A sum of two stages with uniform phase (Irwin 1927, Hall 1927, from
    memory); the hand-over of a packet is taken off.
    """
    trials = 500
    delays_us = cut_delays(0, trials, frame=True) - HAND_OVER_US
    assert delays_us.mean() == pytest.approx(108_750, abs=4 * 6654 / np.sqrt(trials))
    assert delays_us.std() == pytest.approx(6653.6, rel=0.08)
    delays = (delays_us - 95_000) / 1000  # U(0, 5) + U(0, 22.5)

    def cdf(x: NDArray[np.float64]) -> NDArray[np.float64]:
        x = np.clip(x, 0, 27.5)
        return np.where(x < 5, x**2 / 225, np.where(x < 22.5, (x - 2.5) / 22.5, 1 - (27.5 - x) ** 2 / 225))

    test = stats.kstest(delays, cdf)
    assert test.pvalue > 1e-3, f"seed 5: {test}"
    assert delays.min() >= 0
    assert delays.max() <= 27.5


@pytest.mark.parametrize(("width_us", "least_ms", "most_ms"), [(1000, 483.0, 525.5), (2000, 485.0, 527.5)])
def test_bounds_to_the_end_of_the_throttle_pulse(width_us: int, least_ms: float, most_ms: float) -> None:
    """Timeout 500, T 20, F 22.5 ms: 500 - 20 + w1 + w2 + 1 to 500 + 22.5 + w1 + w2 + 1 ms, throttle on channel 3.

    Arithmetic. The receiver here looks at the clock when the time is up, so no time of polling is added.
    """
    plain = link(None, 500_000)
    channels = tuple(
        dataclasses.replace(channel, failsafe_us=width_us if place < 2 else 1000)
        for place, channel in enumerate(plain.channels)
    )
    profile = dataclasses.replace(
        plain, channels=channels, handset=dataclasses.replace(plain.handset, packet_interval_us=20_000)
    )
    moves = (Move(at_us=0, channel="throttle", position=0.9),)
    found_ms = []
    for trial in range(300):
        death_us = 300_000 + 97 * trial
        scenario = Scenario(
            seed=6, trial=trial, duration_us=death_us + 600_000, moves=moves, faults=(LinkCut(at_us=death_us),)
        )
        cut = failsafe.time_to_cut(simulate(profile, scenario), death_us)
        found_ms.append((cut.value - HAND_OVER_US) / 1000)
    assert least_ms <= min(found_ms) <= least_ms + 4, f"seed 6: {min(found_ms)}"
    assert most_ms - 4 <= max(found_ms) <= most_ms, f"seed 6: {max(found_ms)}"
