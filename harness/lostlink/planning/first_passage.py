"""Exact rate of runs of lost packets that are long enough for a failsafe.

A packet channel is a finite Markov chain: the state changes before each packet, then the packet is lost with the
probability of that state, as in `lostlink_sims.air.loss`. A failsafe is a run of r losses. Each run of at least r
losses begins once, after a received packet: the rate per packet is P(received, then r lost), from the stationary
state. It consists of products and sums of positive numbers, so a rate of 1e-300 is as exact as one of 0.1. The tests
compare it with the chain of first passage (Feller, vol. 1, XIII.7).

A periodic interferer has a phase relative to the packets. The rate is the mean over this phase, which advances exactly
within a run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink_sims import Profile
from lostlink_sims.air.loss import (
    Bernoulli,
    GilbertElliott,
    LinkBudget,
    LossModel,
    PeriodicInterferer,
    overlaps,
    packet_loss_thresholds,
)
from lostlink_sims.profile import air_time_us, fatal_bits
from lostlink_sims.streams import threshold

Floats = NDArray[np.float64]

_PHASES: Final = 2048
"""Number of phases of an interferer in the mean."""
_FULL: Final = 1 << 32


@dataclass(frozen=True, slots=True)
class Channel:
    """A packet channel with finitely many states.

    Attributes
    ----------
    move : (m, m) ndarray of float
        Transition probabilities before each packet.
    loss : (phases, steps, m) ndarray of float
        Probability to lose the packet in each state, for each phase of an interferer at the first packet and each
        packet after it. Later packets are like the last one. One phase and one step without an interferer.
    """

    move: Floats
    loss: Floats

    @classmethod
    def bernoulli(cls, loss: float) -> Channel:
        """Return a channel without memory."""
        return cls(np.ones((1, 1)), np.full((1, 1, 1), loss))

    @classmethod
    def gilbert_elliott(
        cls, good_to_bad: float, bad_to_good: float, loss_good: float = 0.0, loss_bad: float = 1.0
    ) -> Channel:
        """Return a channel with a good and a bad state, in that order."""
        move = np.array([[1 - good_to_bad, good_to_bad], [bad_to_good, 1 - bad_to_good]])
        return cls(move, np.array([[[loss_good, loss_bad]]]))

    @property
    def stationary(self) -> Floats:
        """Shares of time in each state, (m,)."""
        states = len(self.move)
        equations = np.vstack([self.move.T - np.eye(states), np.ones(states)])
        wanted = np.append(np.zeros(states), 1.0)
        shares: Floats = np.linalg.lstsq(equations, wanted, rcond=None)[0]
        return np.clip(shares, 0, 1)

    @property
    def is_steady(self) -> bool:
        """Whether the loss probabilities are constant: no interferer."""
        return self.loss.shape[:2] == (1, 1)

    @property
    def mean_loss(self) -> float:
        """Share of packets lost in the long run."""
        return float((self.loss[:, 0] @ self.stationary).mean())

    def at(self, step: int) -> Floats:
        """Return the loss probabilities `step` packets after the first, (phases, m)."""
        loss: Floats = self.loss[:, min(step, self.loss.shape[1] - 1)]
        return loss


def run_rates(channel: Channel, most: int) -> Floats:
    """Return the rates per packet of runs of at least 1, 2, ... `most` losses, (most,)."""
    state = channel.stationary * (1 - channel.at(0))  # received
    rates = np.empty(most)
    for run in range(1, most + 1):
        state = (state @ channel.move) * channel.at(run)
        rates[run - 1] = state.sum(1).mean()
    return rates


def run_chances(channel: Channel, runs: Sequence[int], packets: int) -> Floats:
    """Return the probabilities that `packets` packets have a run of at least so many losses, (n,).

    The chain of (state, losses since the last received packet), whose last step is absorbing (Fu & Koutras, J. Am.
    Stat. Assoc. 89:1050, 1994), begins in the stationary state. Its survivors settle in a shape in which they die at a
    constant rate, so it is followed only until then.

    Parameters
    ----------
    channel : Channel
        A steady one.
    """
    received, back = 1 - channel.at(0)[0], max(runs) + 1
    through = np.stack([np.linalg.matrix_power(channel.move * channel.at(0)[0], run) for run in runs])
    last_received = np.zeros((back, len(runs), len(channel.move)))
    alive = last_received[0] = np.broadcast_to(channel.stationary, last_received.shape[1:])
    every, dead, rates, seen = np.arange(len(runs)), np.zeros(len(runs)), np.zeros((back, len(runs))), 0
    while seen < packets and not (seen >= 2 * back and _are_constant(rates, seen)):
        seen += 1
        dying = (last_received[(seen - np.array(runs)) % back, every][:, None] @ through)[:, 0]
        last_received[seen % back] = (ahead := alive @ channel.move) * received
        rates[seen % back] = dying.sum(1) / np.maximum(alive.sum(1), 1e-300)
        alive, dead = np.maximum(ahead - dying, 0.0), dead + dying.sum(1)
    rest = -np.expm1((packets - seen) * np.log1p(-np.minimum(rates[seen % back], 1 - 1e-15)))
    chances: Floats = np.clip(dead + alive.sum(1) * rest, 0, 1)
    return chances


def _are_constant(rates: Floats, seen: int) -> bool:
    """Return whether the death rates of the last steps differ by rounding only; asked once in as many steps."""
    return seen % len(rates) == 0 and bool((np.ptp(rates, axis=0) <= 1e-12 * rates.max(0)).all())


# --- from a profile --------------------------------------------------------------------------------------------------


def channel_of(profile: Profile, most: int = 256) -> Channel | None:
    """Return the combined channel of a profile's loss models; None if it is not a small Markov chain.

    Models are independent: a packet is received when no model loses it; with acknowledgements, when one attempt is.

    Parameters
    ----------
    most : int
        Longest run of losses for which an interferer's phase is followed.
    """
    interferers = [model for model in profile.radio.losses if isinstance(model, PeriodicInterferer)]
    if len(interferers) > 1:
        return None
    move: Floats = np.ones((1, 1))
    loss: Floats = np.zeros(1)
    for model in profile.radio.losses:
        if isinstance(model, PeriodicInterferer):
            continue
        chain = _states_of(model, profile)
        if chain is None:
            return None
        move = np.asarray(np.kron(move, chain.move), np.float64)
        loss = np.asarray(1 - np.kron(1 - loss, 1 - chain.at(0)[0]), np.float64)
    attempts = 1 + profile.radio.retries if profile.radio.acknowledge else 1
    hits = [
        _hits(interferers[0], profile, attempt, most + 1) if interferers else np.zeros((1, 1))
        for attempt in range(attempts)
    ]
    lost = np.ones((*hits[0].shape, len(loss)))
    for hit in hits:
        lost *= 1 - (1 - hit[:, :, None]) * (1 - loss)
    return Channel(move, lost)


def _states_of(model: LossModel, profile: Profile) -> Channel | None:
    match model:
        case Bernoulli():
            return Channel.bernoulli(threshold(model.probability) / _FULL)
        case GilbertElliott():
            return Channel.gilbert_elliott(
                threshold(model.good_to_bad) / _FULL, 1 - threshold(1 - model.bad_to_good) / _FULL,
                threshold(model.loss_good) / _FULL, threshold(model.loss_bad) / _FULL,
            )  # fmt: skip
        case LinkBudget() if model.fading == "none":
            limits = packet_loss_thresholds(fatal_bits(profile.radio, profile.payload_bytes))
            return Channel.bernoulli(model.steady_threshold(limits, profile.radio.bit_rate_bit_s) / _FULL)
        case _:
            return None


def _hits(model: PeriodicInterferer, profile: Profile, attempt: int, steps: int) -> Floats:
    """Return the probability that a burst loses a packet, for each phase and packet since, (phases, steps)."""
    handset = profile.handset
    interval_us = handset.packet_interval_us * 1_000_000 / (1_000_000 + handset.clock_error_ppm)
    phase_us = (np.arange(_PHASES) + 0.5) * model.period_us / _PHASES
    sent_us = phase_us[:, None] + np.arange(steps) * interval_us + attempt * profile.radio.retry_delay_us
    air_us = air_time_us(profile.radio, profile.payload_bytes)
    hit = overlaps(sent_us.astype(np.int64), air_us, 0, model.period_us, model.burst_us)
    chances: Floats = hit * np.float64(threshold(model.loss) / _FULL)
    return chances


def packets_to_fire(profile: Profile, timeout_us: int | None = None) -> int:
    """Return the smallest number of consecutive losses after which the receiver may detect link loss.

    The silence counts from the last packet. A packet exactly at its end is in time, except at the end of a hold time,
    where the silence is checked first. Jitter lengthens the silence by up to its own length.

    Parameters
    ----------
    timeout_us : int, optional
        [default: the profile's]
    """
    handset, receiver, link = profile.handset, profile.receiver, profile.radio
    cut_us = (receiver.timeout_us if timeout_us is None else timeout_us) + receiver.hold_us
    silence_us = -(-cut_us * 1_000_000 // (1_000_000 + receiver.clock_error_ppm))
    late_us = handset.jitter_us + link.latency_jitter_us
    late_us += link.retries * link.retry_delay_us if link.acknowledge else 0
    # After n losses the next packet arrives at (n + 1) intervals of the handset's clock.
    room = (silence_us - late_us) * (1_000_000 + handset.clock_error_ppm)
    interval = handset.packet_interval_us * 1_000_000
    lost, rest = divmod(room, interval)
    if receiver.hold_us and rest == 0:
        lost -= 1
    return max(1, int(lost))
