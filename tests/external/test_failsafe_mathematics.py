"""When a failsafe comes, against the mathematics of runs: Feller vol. 1 XIII.7, and exact chains.

q is the probability that a packet is lost, r the run of losses that trips the timer. "From memory" marks what was
not re-read; every number was computed a second time from a chain.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from lostlink.measure import failsafe
from lostlink_sims import Move, Profile, Scenario, simulate, summarise
from lostlink_sims.loss import Bernoulli, GilbertElliott, LossModel
from lostlink_sims.scenario import LinkCut
from lostlink_sims.trace import NOT_YET
from numpy.typing import NDArray
from scipy import stats

INTERVAL_US = 5_000
FLIGHT_US = 130 + 121 + 200
"""Settling, 121 bits at 1 Mbit/s, hand-over: a packet that was under way when the link died still arrives."""


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


@pytest.mark.parametrize(("q", "r"), [(0.5, 3), (0.5, 5), (0.3, 3)])
def test_first_false_failsafe_under_independent_loss(q: float, r: int) -> None:
    """Packets until the first run of r losses: mean and variance of Feller, vol. 1, XIII.7."""
    trials = 300
    found = first_passages(Bernoulli(probability=q), r, trials, 4)
    assert (found >= 0).all()
    mean, p = bernoulli_mean(q, r), 1 - q
    sd = np.sqrt(1 / (p * q**r) ** 2 - (2 * r + 1) / (p * q**r) - q / p**2)
    assert abs(found.mean() - mean) < 4 * sd / np.sqrt(trials)
    for n in (r, 2 * r, round(mean)):
        exact = within(chain(q, 1 - q, 0, 1, r), n)
        assert abs((found <= n).mean() - exact) < 4 * np.sqrt(exact * (1 - exact) / trials) + 1e-9


def test_first_false_failsafe_under_bursts() -> None:
    """Gilbert-Elliott, a .05, b .5, r 5: mean 350 exactly (derived from the chain); within 200 packets by the chain.

    The first received packet of a run is nearly always one of the good state, in which the chain starts.
    """
    trials = 250
    found = first_passages(GilbertElliott(good_to_bad=0.05, bad_to_good=0.5), 5, trials, 15)
    matrix = chain(0.05, 0.5, 0, 1, 5)
    exact = within(matrix, 200)
    assert abs(((found >= 0) & (found <= 200)).mean() - exact) < 4 * np.sqrt(exact * (1 - exact) / trials)
    assert found[found >= 0].mean() == pytest.approx(mean_packets(matrix), rel=0.25)


def test_rate_of_false_failsafes() -> None:
    """Runs that reach r come at the rate pi_G a (1 - b)^(r - 1) a packet (renewal identity): .003900952 for r = 5."""
    seconds = 600
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
            delays.append(int(rises[-1]) - death_us - FLIGHT_US)
    return np.array(delays)


def test_detection_delay_of_a_clean_link() -> None:
    """D = timeout - U(0, T): 100 ms and 5 ms give mean 97.5, sd 1.44338, range (95, 100] ms (uniform phase)."""
    delays = cut_delays(0, 400, frame=False)
    assert delays.mean() == pytest.approx(97_500, abs=4 * 1443 / 20 + 130)
    assert delays.std() == pytest.approx(1443.38, rel=0.08)
    assert delays.min() > 94_600
    assert delays.max() <= 100_200
    assert stats.kstest((delays - delays.min()) / 5_000, "uniform").pvalue > 1e-3


def test_detection_delay_with_losses() -> None:
    """D = timeout - U - K T with P(K = k) = p q^k: q .2 gives mean 96.25, sd 3.1458 ms."""
    trials = 500
    delays = cut_delays(0.2, trials, frame=False)
    assert delays.mean() == pytest.approx(96_250, abs=4 * 3146 / np.sqrt(trials) + 130)
    assert delays.std() == pytest.approx(3145.8, rel=0.15)


def test_cut_chain_with_the_frame_clock() -> None:
    """Timeout - U(0, T) + U(0, F), T 5, F 22.5 ms: mean 97.5 + 11.25, sd 6.6536 ms, at most 122.5 ms.

    The sum of stages with uniform phase; the flight time of a packet is added.
    """
    trials = 500
    delays = cut_delays(0, trials, frame=True) - FLIGHT_US
    assert delays.mean() == pytest.approx(108_750, abs=4 * 6654 / np.sqrt(trials) + 130)
    assert delays.std() == pytest.approx(6653.6, rel=0.08)
    assert delays.max() <= 122_600
    assert delays.min() >= 94_600
