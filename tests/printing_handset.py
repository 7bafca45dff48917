"""A handset that prints what its ADC reads, with sticks, switches, hands and faults: the truth for `lostlink watch`.

Written here, without a line of the tool or the simulation. Each control has a potentiometer of which the stick uses a
part; a hand moves it along a minimum-jerk path (Flash and Hogan, *Journal of Neuroscience* 5, 1985: 10 s^3 - 15 s^4
+ 6 s^5, the usual model of a reaching hand). `PrintingHandset.lines` keeps what was received, `Control.truth` where
the stick was, so that every statement can be held against them. The times of a fault are seconds from the first line.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

NS = 1_000_000_000
Path = Sequence[tuple[float, float]]
"""Seconds and place: -1 at the low stop, 0 released, 1 at the high stop."""


def place(path: Path, at_s: float) -> float:
    """Return where a hand is on its path."""
    before = path[0]
    for step in path:
        if step[0] > at_s:
            share = (at_s - before[0]) / (step[0] - before[0])
            return before[1] + (step[1] - before[1]) * (10 * share**3 - 15 * share**4 + 6 * share**5)
        before = step
    return before[1]


def swept(from_s: float, times: int = 2, *, low: float = -1, high: float = 1, slow_s: float = 0.6) -> Path:
    """Return a path: at rest, then slowly to both stops with a wait at each, so many times, and at rest."""
    path, at_s = [(0.0, 0.0), (from_s, 0.0)], from_s
    for _ in range(times):
        for end in (low, high):
            path += [(at_s + slow_s, end), (at_s + slow_s + 0.4, end), (at_s + 2 * slow_s + 0.4, 0.0)]
            at_s += 2 * slow_s + 0.4
    return path


@dataclass
class Control:
    """One column.

    Attributes
    ----------
    low, centre, high : float
        Share of the track at the low stop, released, and at the high stop.
    noise : float
        Standard deviation of the noise, in readings.
    path : sequence
        What the hand does.
    positions : int
        Of a switch; 0 for a stick. A switch goes to a position at once, through bounces of some lines.
    fault : callable
        From seconds, reading and a random source to the reading of a broken wire.
    smooths : int
        The program prints the mean of so many readings.
    """

    name: str
    low: float = 0.08
    centre: float = 0.5
    high: float = 0.92
    noise: float = 0.6
    path: Path = ((0.0, 0.0),)
    positions: int = 0
    fault: Callable[[float, int, random.Random], int] = lambda at_s, reading, rng: reading
    smooths: int = 1
    _recent: list[int] = field(default_factory=list)

    def truth(self, at_s: float) -> float:
        """Return the share of the track at which the wiper is."""
        at = place(self.path, at_s)
        if self.positions:
            step = round((at + 1) / 2 * (self.positions - 1)) / (self.positions - 1)
            return self.low + (self.high - self.low) * step
        return self.centre + at * ((self.high - self.centre) if at > 0 else (self.centre - self.low))

    def read(self, at_s: float, rng: random.Random) -> int:
        reading = min(1023, max(0, math.floor(self.truth(at_s) * 1024 + rng.gauss(0, self.noise))))
        reading = self.fault(at_s, reading, rng)
        self._recent = [*self._recent, reading][-self.smooths :]
        return sum(self._recent) // len(self._recent)


def breaks(from_s: float, rail: int, until_s: float = math.inf) -> Callable[[float, int, random.Random], int]:
    """Return a wire that is broken for a time and reads a rail."""
    return lambda at_s, reading, rng: rail if from_s <= at_s < until_s else reading


def loose(from_s: float, rail: int, every_s: float = 0.5, for_s: float = 0.05) -> Callable[..., int]:
    """Return a wire that breaks again and again."""
    return lambda at_s, reading, rng: rail if at_s >= from_s and (at_s - from_s) % every_s < for_s else reading


def floats(from_s: float, spread: float = 1.0) -> Callable[[float, int, random.Random], int]:
    """Return an open input: any reading in a part of the range."""
    return lambda at_s, reading, rng: rng.randrange(int(1024 * spread)) if at_s >= from_s else reading


def hums(from_s: float, volume: int = 400) -> Callable[[float, int, random.Random], int]:
    """Return an open input that picks up mains, 50 Hz."""

    def read(at_s: float, reading: int, rng: random.Random) -> int:
        if at_s < from_s:
            return reading
        hum = 512 + volume * math.sin(2 * math.pi * 50.3 * at_s) + rng.gauss(0, 20)
        return min(1023, max(0, round(hum)))

    return read


@dataclass
class PrintingHandset:
    """A board in virtual time, or behind a `PtyBoard`.

    Attributes
    ----------
    codes : callable or None
        What the program makes of a reading before it prints it, by its column.
    late_s : float
        Lines reach the host up to this much late.
    loses : float
        Share of lines in which one byte is lost.
    lines : list of str
        As they were received.
    sent : list of list of int
        The numbers that were sent.
    """

    controls: list[Control]
    lines_hz: float = 100.0
    codes: Callable[[int, int], int] | None = None
    late_s: float = 0.001
    named: bool = False
    loses: float = 0.0
    seed: int = 1
    port: str = "virtual"
    baud: int = 250_000
    lines: list[str] = field(default_factory=list)
    sent: list[list[int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)
        self._now_s = 1.0
        self._begin_s: float | None = None
        self._line_s = 1.0

    def clock_ns(self) -> int:
        return round(self._now_s * NS)

    def now_prints(self, at_s: float) -> bytes:
        """Return the line of an instant."""
        if self._begin_s is None:
            self._begin_s = at_s
        since_s = at_s - self._begin_s
        readings = [control.read(since_s, self._random) for control in self.controls]
        if self.codes is not None:
            readings = [self.codes(column, reading) for column, reading in enumerate(readings)]
        self.sent.append(readings)
        named = [f"{control.name}:" if self.named else "" for control in self.controls]
        line = "\t".join(name + str(value) for name, value in zip(named, readings, strict=True)) + "\r\n"
        if self._random.random() < self.loses:
            at = self._random.randrange(len(line))
            line = line[:at] + line[at + 1 :]
        self.lines.append(line)
        return line.encode()

    def read(self, timeout_s: float) -> list[tuple[int, bytes]]:
        until_s = self._now_s + timeout_s
        if self._line_s > until_s:
            self._now_s = until_s
            return []
        data = self.now_prints(self._line_s)
        self._now_s = max(self._now_s, self._line_s + self._random.random() * self.late_s)
        self._line_s += 1 / self.lines_hz
        return [(self.clock_ns(), data)]

    def close(self) -> None:
        pass
