"""The failsafe test by hand against a known truth: links with losses, ports that gather, operators who err.

The board, the radio, the port and the operator are written here, without a line of the tool or the simulation. Packets,
losses and the instants of switching off and of the failsafe are kept, so every statement can be held against them.
"""

from __future__ import annotations

import collections
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from lostlink.verdicts import Outcome
from lostlink.watch import judging
from lostlink.watch.judging import Attempt, AttemptResult, judge
from lostlink.watch.listener import Listener
from lostlink.watch.procedure import FailsafeTest
from lostlink_sims import Profile

FRAME_S, BEFORE_S = 0.0225, 0.0065
"""Longest time from a new value to the next frame, and from there to the end of the third pulse."""


@dataclass
class Bench:
    """Handset, radio, receiver, board and port in virtual time.

    Attributes
    ----------
    packet_s, packet_jitter : float
        Time between two packets, and its largest error as a share of it.
    line_s, line_jitter, late_s, gather_s : float
        Time between two lines; its error; what the port adds to each; what it gathers before it hands over.
    hold_s : float
        Time from the last packet to the failsafe.
    loss : float
        Share of packets lost.
    last_lost : int
        Packets lost right before the handset goes off.
    turns_hz, reach, noise : float
        Sticks in circles: turns per second, radius and noise in codes.
    stops_s, lowers_s : float
        How long before switching off the operator stops the sticks, and within which time takes the throttle to idle
        0.3 s later; 0 for neither.
    """

    random: random.Random
    packet_s: float = 0.01
    packet_jitter: float = 0.0
    line_s: float = 0.02
    line_jitter: float = 0.0
    late_s: float = 0.001
    gather_s: float = 0.0
    hold_s: float = 0.5
    loss: float = 0.0
    last_lost: int = 0
    turns_hz: float = 0.8
    reach: float = 80.0
    noise: float = 0.0
    stops_s: float = 0.0
    lowers_s: float = 0.0
    form: str = "codes"
    port: str = "bench"
    baud: int = 115_200
    off_s: float = math.inf
    failsafe_s: float = math.inf
    fates: list[tuple[float, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._now_s = 1.0
        self._next_packet_s = self.random.uniform(0, self.packet_s)
        self._next_line_s = 1.0 + self.random.uniform(0, self.line_s)
        self._angle = self.random.uniform(0, 2 * math.pi)
        self._heard_s = 0.0
        self._values = self._sticks(0.0)
        self._line: collections.deque[tuple[float, bytes]] = collections.deque()
        self._arrived_s = 0.0

    def clock_ns(self) -> int:
        return round(self._now_s * 1e9)

    def hear(self, text: str) -> None:
        """Switch off some time after being told to."""
        if text.startswith("NOW"):
            self.off_s = self._now_s + self.stops_s + self.random.uniform(0.3, 1.5)

    def _sticks(self, at_s: float) -> list[int]:
        stop_s = self.off_s - self.stops_s if self.stops_s else math.inf
        angle = self._angle + 2 * math.pi * self.turns_hz * min(at_s, stop_s)
        throttle = 150.0
        if self.lowers_s and at_s > stop_s + 0.3:
            throttle *= max(0.0, 1 - (at_s - stop_s - 0.3) / self.lowers_s)
        noise = [self.random.gauss(0, self.noise) if at_s < stop_s else 0.0 for _ in range(4)]
        exact = [127 + self.reach * math.sin(angle), 127 + self.reach * math.cos(angle), throttle, 127.0]
        return [min(255, max(0, round(value + more))) for value, more in zip(exact, noise, strict=True)]

    def _receive_until(self, at_s: float) -> None:
        while self._next_packet_s <= min(at_s, self.off_s):
            sent_s = self._next_packet_s
            lost = self.random.random() < self.loss or sent_s > self.off_s - self.last_lost * self.packet_s
            self.fates.append((sent_s, lost))
            if not lost:
                self._heard_s, self._values = sent_s, self._sticks(sent_s)
            self._next_packet_s += self.packet_s * (1 + self.packet_jitter * self.random.uniform(-1, 1))

    def _printed(self, at_s: float) -> list[int]:
        self._receive_until(at_s)
        if at_s < self._heard_s + self.hold_s:
            return self._values
        if at_s >= self.off_s:
            self.failsafe_s = self._heard_s + self.hold_s
        return [127, 127, 0, 127]

    def _text(self, values: Sequence[int]) -> bytes:
        if self.form == "widths":
            return (
                " ".join(f"ch{n}:{1000 + value * 1000 // 255}" for n, value in enumerate(values, 1)) + "\r\n"
            ).encode()
        scale = 4 if self.form == "counts" else 1
        return (",".join(str(value * scale) for value in values) + "\n").encode()

    def read(self, timeout_s: float) -> list[tuple[int, bytes]]:
        until_s = self._now_s + timeout_s
        while self._next_line_s <= until_s:
            data = self._text(self._printed(self._next_line_s))
            there_s = self._next_line_s + 10 * len(data) / self.baud + self.random.uniform(0, self.late_s)
            if self.gather_s:
                there_s = math.ceil(there_s / self.gather_s) * self.gather_s
            self._arrived_s = max(self._arrived_s, there_s)
            self._line.append((self._arrived_s, data))
            self._next_line_s += self.line_s * (1 + self.line_jitter * self.random.uniform(-1, 1))
        if not self._line or self._line[0][0] > until_s:
            self._now_s = until_s
            return []
        self._now_s = max(self._now_s, self._line[0][0])
        data = b""
        while self._line and self._line[0][0] <= self._now_s:
            data += self._line.popleft()[1]
        return [(self.clock_ns(), data)]

    def close(self) -> None:
        pass

    @property
    def true_us(self) -> float:
        """Time from switching off to the failsafe; 0 where losses brought it before."""
        return max(0.0, (self.failsafe_s - self.off_s) * 1e6)

    @property
    def losses_are_as_before(self) -> bool:
        """Whether at most one more packet in a row was lost at the end than in the two seconds before."""
        longest, run = 0, 0
        for sent_s, lost in self.fates:
            if sent_s < self._heard_s - 2 or sent_s > self._heard_s:
                continue
            run = run + 1 if lost else 0
            longest = max(longest, run)
        return sum(sent_s > self._heard_s for sent_s, _ in self.fates) <= longest + 1


def attempt_on(bench: Bench, profile: Profile) -> tuple[Attempt, Outcome]:
    """Run a test; return its attempt and the outcome of the time to the cut."""
    test = FailsafeTest(Listener(bench, keep=True, clock_ns=bench.clock_ns), profile, bench.hear)
    test.run()
    (attempt,) = test.attempts
    return attempt, judge(test.attempts, profile)[0].outcome


def limited(cut_within_us: float) -> Profile:
    plain = Profile()
    return replace(plain, requirements=replace(plain.requirements, cut_within_us=round(cut_within_us)))


def drawn(seed: int) -> tuple[Bench, Profile]:
    """Return a bench, and a limit on either side of its hold time."""
    draw = random.Random(seed)
    choices: dict[str, Sequence[Any]] = {
        "packet_s": (0.002, 0.005, 0.01, 0.02, 0.04), "packet_jitter": (0.0, 0.02, 0.2),
        "line_s": (0.0025, 0.005, 0.01, 0.01601, 0.02, 0.033, 0.05), "line_jitter": (0.0, 0.02, 0.2),
        "late_s": (0.0005, 0.003, 0.012), "gather_s": (0.0, 0.0, 0.016), "hold_s": (0.1, 0.2, 0.5, 0.8, 1.2),
        "loss": (0.0, 0.0, 0.02, 0.1, 0.3), "last_lost": (0, 0, 1, 1, 2), "turns_hz": (0.4, 0.8, 1.3),
        "reach": (40.0, 80.0, 120.0), "noise": (0.0, 0.4, 1.0), "form": ("codes", "widths", "counts"),
    }  # fmt: skip
    bench = Bench(draw, **{name: draw.choice(values) for name, values in choices.items()})
    return bench, limited(1e6 * (bench.hold_s + draw.choice((-0.05, -0.02, 0.03, 0.05, 0.08, 0.15))))


def test_what_is_said_is_true(long: bool) -> None:
    """The hold time is in its interval on the stated conditions, and never above it; no verdict is false.

    ``--long``: 2000 benches.
    """
    decided = collections.Counter[str]()
    for seed in range(2000 if long else 50):
        bench, profile = drawn(seed)
        attempt, outcome = attempt_on(bench, profile)
        case = (seed, bench.true_us, attempt.hold)
        decided[outcome.value] += 1
        if outcome is Outcome.MET:
            assert bench.true_us <= profile.requirements.cut_within_us, case
        if attempt.hold is None or bench.failsafe_s == math.inf:
            continue
        assert bench.true_us <= attempt.hold.high_us, case
        if bench.losses_are_as_before:
            assert bench.true_us >= attempt.hold.low_us, case
            if outcome is Outcome.NOT_MET:
                latest_us = bench.true_us + 1e6 * (FRAME_S + BEFORE_S)
                assert latest_us > profile.requirements.cut_within_us, case
    assert min(decided[name] for name in ("met", "not met", "inconclusive")) > 0


@pytest.mark.parametrize("line_s", [0.004, 0.02])
def test_one_packet_lost_right_before_switching_off(line_s: float) -> None:
    """The handset is on for up to two packet intervals after the last change, so the true time may be that shorter."""
    for seed in range(12):
        bench = Bench(random.Random(seed), packet_s=0.02, line_s=line_s, last_lost=1)
        attempt, _ = attempt_on(bench, Profile())
        assert attempt.hold is not None
        assert attempt.hold.low_us <= bench.true_us <= attempt.hold.high_us, seed


def test_more_losses_than_that_are_a_stated_condition() -> None:
    """Four packets in a row lost at the end of a link without losses: the lower end does not hold, and that is said."""
    outside = 0
    for seed in range(6):
        bench = Bench(random.Random(seed), packet_s=0.02, line_s=0.004, last_lost=4)
        attempt, _ = attempt_on(bench, Profile())
        assert attempt.hold is not None
        assert bench.true_us <= attempt.hold.high_us
        outside += bench.true_us < attempt.hold.low_us
        said = judging.how_known(attempt)
        assert "at most one more packet in a row was lost right before than in the seconds before" in said
        assert "otherwise the true time is shorter" in said
    assert outside > 0


def test_a_throttle_taken_down_by_hand_is_no_failsafe() -> None:
    """A receiver that holds for ever; the operator stops the stick, and takes the throttle down in 40 ms or more."""
    results = collections.Counter[AttemptResult]()
    for seed in range(24):
        draw = random.Random(seed)
        bench = Bench(
            draw, hold_s=1e9, line_s=(0.01, 0.02, 0.033, 0.05, 0.1)[seed % 5], stops_s=2.0,
            lowers_s=draw.choice((0.04, 0.06, 0.1)),
        )  # fmt: skip
        attempt, outcome = attempt_on(bench, limited(900_000))
        assert outcome is Outcome.INCONCLUSIVE, (seed, attempt.result)
        results[attempt.result] += 1
    assert results[AttemptResult.BY_HAND] > 0
    assert results[AttemptResult.BY_STEPS] > 0
