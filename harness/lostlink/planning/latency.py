"""Latency from a stick movement to the end of the pulse that shows it, by stages, and from the simulation.

Stages of fixed duration add up. A wait for the next packet or frame adds a uniform time, and so does jitter. Sums of
uniform times have an exact distribution (Irwin and Hall, Biometrika 19, 1927; Feller, vol. 2, I.9). Lost packets add
whole intervals.

If the packet and frame clocks are locked to each other, their phase is constant during a flight. The distribution is
then that over many flights, not over the movements of one flight.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.latency import latencies_us
from lostlink.planning.first_passage import channel_of
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims import Move, Profile, simulate
from lostlink_sims.batch.frames import real_us
from lostlink_sims.codes import pulse_table
from lostlink_sims.profile import air_time_us

_POSITIONS = (0.2, 0.8)
"""Positions between which the throttle jumps in the simulation, as in the suite's test."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One part of the latency.

    Attributes
    ----------
    what : str
    fixed_us : float
    spread_us : float
        Maximum of an additional uniform time from 0.
    """

    what: str
    fixed_us: float
    spread_us: float = 0.0

    @property
    def mean_us(self) -> float:
        return self.fixed_us + self.spread_us / 2

    @property
    def sd_us(self) -> float:
        return self.spread_us / math.sqrt(12)


def stages(profile: Profile) -> list[Stage]:
    """Return the stages of a throttle movement, in order."""
    handset, link, output = profile.handset, profile.radio, profile.output
    rate = (1_000_000 + handset.clock_error_ppm) / 1_000_000
    table = pulse_table(profile.receiver.mapping, profile.receiver.low_us, profile.receiver.high_us)
    middle_us = table[len(table) // 2]
    frame_us = float(real_us(profile, np.array(output.frame_period_us)))
    if output.style == "fixed gap":
        others = output.channels - len(profile.channels)
        frame_us = len(profile.channels) * middle_us + others * output.unused_us + output.frame_gap_us
    before_us = middle_us * profile.throttle_index
    way = [
        Stage("wait for the next packet, which reads the stick", 0, handset.packet_interval_us / rate),
        Stage("radio settles", link.settle_us),
        Stage("on the air", air_time_us(link, profile.payload_bytes)),
        Stage("from the air to the receiver", link.latency_us, link.latency_jitter_us),
        Stage("wait for the next frame", 0, frame_us),
        Stage("channels before the throttle, sticks at their middle", before_us),
        Stage("the throttle's own pulse", middle_us),
    ]
    if handset.jitter_us:
        way.insert(1, Stage("the packet leaves late", 0, handset.jitter_us))
    return way


def uniform_sum_cdf(at: float, spreads: Sequence[float]) -> float:
    """Return the probability that a sum of independent uniform times 0 .. a_i does not exceed `at`.

    ``1 / (n! prod a_i) * sum over subsets S of (-1)^|S| * max(0, at - sum S)^n``.
    """
    spreads = [spread for spread in spreads if spread > 0]
    if not spreads:
        return 1.0 if at >= 0 else 0.0
    if at >= sum(spreads):
        return 1.0
    if at <= 0:
        return 0.0
    terms = []
    for size in range(len(spreads) + 1):
        for subset in itertools.combinations(spreads, size):
            rest = at - sum(subset)
            if rest > 0:
                terms.append((-1) ** size * rest ** len(spreads))
    total = math.fsum(terms) / (math.factorial(len(spreads)) * math.prod(spreads))
    return min(1.0, max(0.0, total))


@dataclass(frozen=True, slots=True)
class LatencyBudget:
    """The latency of all stages.

    Attributes
    ----------
    stages : list of Stage
    loss : float
        Share of packets lost independently; each adds an interval.
    interval_us : float
    """

    stages: list[Stage]
    loss: float
    interval_us: float

    @property
    def mean_us(self) -> float:
        return sum(stage.mean_us for stage in self.stages) + self.interval_us * self.loss / (1 - self.loss)

    @property
    def sd_us(self) -> float:
        lost = self.interval_us**2 * self.loss / (1 - self.loss) ** 2
        return math.sqrt(sum(stage.sd_us**2 for stage in self.stages) + lost)

    def cdf(self, at_us: float) -> float:
        """Return the probability that a movement is shown within a time."""
        fixed_us = sum(stage.fixed_us for stage in self.stages)
        spreads = [stage.spread_us for stage in self.stages]
        total, lost = 0.0, 0
        while at_us - fixed_us - lost * self.interval_us > 0:
            weight = (1 - self.loss) * self.loss**lost
            if weight < 1e-15:
                break
            total += weight * uniform_sum_cdf(at_us - fixed_us - lost * self.interval_us, spreads)
            lost += 1
        return total

    def quantile_us(self, share: float) -> float:
        """Return the time within which a share of all movements is shown."""
        low, high = 0.0, sum(stage.fixed_us + stage.spread_us for stage in self.stages)
        while self.cdf(high) < share:
            high *= 2
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (low, middle) if self.cdf(middle) >= share else (middle, high)
        return high

    @property
    def most_us(self) -> float | None:
        """Maximum latency; None when packets may be lost."""
        return None if self.loss else sum(stage.fixed_us + stage.spread_us for stage in self.stages)


def budget(profile: Profile, *, with_losses: bool) -> LatencyBudget | None:
    """Return the budget of a profile, with its losses taken as independent; None if their rate is not known."""
    loss = 0.0
    if with_losses:
        channel = channel_of(profile)
        if channel is None:
            return None
        loss = channel.mean_loss
    rate = (1_000_000 + profile.handset.clock_error_ppm) / 1_000_000
    return LatencyBudget(stages(profile), loss, profile.handset.packet_interval_us / rate)


def simulated_us(profile: Profile, runs: int, seed: int, *, with_losses: bool) -> NDArray[np.int64]:
    """Return the latencies of throttle movements at random times and phases, in the event simulation.

    A movement that no pulse showed before the next one counts with the time between them.
    """
    builder = ScenarioBuilder(profile, seed, "latency plan")
    pause_us = builder.settle_us + 3 * builder.frame_us + 20 * builder.packet_us
    latencies = []
    for run in builder.phases(runs, exactly=True):
        at_us, moves = builder.ready_us, []
        for step in range(20):
            at_us += pause_us + int(builder.share() * (builder.frame_us + builder.packet_us))
            name = profile.flight_controller.throttle
            moves.append(Move(at_us=at_us, channel=name, position=_POSITIONS[step % 2]))
        scenario = dataclasses.replace(run, moves=tuple(moves), duration_us=at_us + pause_us, ambient=with_losses)
        latencies.append(latencies_us(simulate(profile, scenario), profile.throttle_index)[0])
    return np.concatenate(latencies)


def distance(sample_us: NDArray[np.int64], planned: LatencyBudget) -> float:
    """Return the largest difference of the two distribution functions (Kolmogorov-Smirnov)."""
    ordered = np.sort(sample_us)
    wanted = np.array([planned.cdf(float(value)) for value in ordered])
    steps = np.arange(len(ordered) + 1) / len(ordered)
    return float(max(np.abs(wanted - steps[:-1]).max(), np.abs(wanted - steps[1:]).max()))


def chance_distance(values: int) -> float:
    """Return the distance that chance alone exceeds in 1 % of samples of so many values (Kolmogorov-Smirnov)."""
    return 1.63 / math.sqrt(values)
