"""`lostlink watch --handset` against a known truth: sticks, switches, hands and wires of which everything is known.

The handset is that of `printing_handset`. Every sentence that is said must be of a known kind, and is held against what
was printed, where the stick was and what was broken; a sentence of a new kind fails until its truth is written here.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest
from printing_handset import Control, Path, PrintingHandset, breaks, floats, hums, loose, swept

from lostlink.show import watch as screen
from lostlink.watch import stick_advice
from lostlink.watch.listener import Listener
from lostlink.watch.stick_advice import Stick
from lostlink.watch.stick_stats import StickTable
from lostlink_sims import Profile
from lostlink_sims.profile import Channel, HandsetSettings

LONG_S = 14.0
QUIET_S = 3.0
"""Nothing moves before."""


def watched(board: PrintingHandset, profile: Profile | None = None, seconds: float = LONG_S) -> Listener:
    channels = len(profile.channels) if profile else None
    listener = Listener(board, channels=channels, sticks=StickTable(profile), clock_ns=board.clock_ns)
    listener.listen_until(listener.started_ns + round(seconds * 1e9))
    return listener


def said(listener: Listener) -> dict[str, list[str]]:
    """Return the remarks on each control."""
    known = [stick for stick in screen.sticks_of(listener) or () if stick is not None]
    return {
        stick.name: [remark.text for remark in stick_advice.remarks(stick, known, listener.now_ns())]
        for stick in known
    }  # fmt: skip


def stick_called(listener: Listener, name: str) -> Stick:
    return next(stick for stick in screen.sticks_of(listener) or () if stick is not None and stick.name == name)


# --- what is true ------------------------------------------------------------------------------------------------


@dataclass
class Truth:
    """One control and what was printed of it."""

    control: Control
    printed: list[int]
    fault: str
    low: int = 0
    high: int = 1023

    @property
    def is_stick(self) -> bool:
        return not self.control.positions

    def visits(self, number: float, close: float) -> int:
        """Return how often the printed numbers came to a number from farther away."""
        near = [abs(value - number) <= close for value in self.printed]
        return near[0] + sum(not before and now for before, now in pairwise(near))

    def slowly(self) -> bool:
        """Return whether the hand went over a quarter of the track in more than half a second."""
        return any(abs(b[1] - a[1]) > 0.6 and b[0] - a[0] > 0.5 for a, b in pairwise(self.control.path))


TRUE: dict[str, Callable[[Truth, re.Match[str]], bool]] = {
    r"reads? ([\d. and]+), beyond every position .*": lambda t, m: (
        t.is_stick and t.fault != "" and all(float(word) in t.printed for word in m[1].split(" and "))
    ),
    r"jumped about from line to line between (\d+) and (\d+)(, and still does)?, as .*": lambda t, m: (
        t.fault in ("floats", "hums") and int(m[1]) in t.printed and int(m[2]) in t.printed
    ),
    r"jumped to (\d+) and back, (.+), each way .*": lambda t, m: (
        t.is_stick
        and t.fault == "loose"
        and times(m[2]) <= t.visits(int(m[1]), t.high // 512)
    ),
    r"reads (\d+) now: a stop .*": lambda t, m: all(abs(v - int(m[1])) <= t.high // 512 for v in t.printed[-20:]),
    r"read (\d+) all the time: .*": lambda t, m: all(abs(v - int(m[1])) <= t.high // 512 for v in t.printed),
    r"went from (\d+) to (\d+) within one line .*": lambda t, m: any(
        a == int(m[1]) and abs(b - int(m[2])) <= t.high // 512 for a, b in pairwise(t.printed)
    ),
    r"did not move by more than (\d+) \w+: .*": lambda t, m: max(t.printed) - min(t.printed) <= int(m[1]),
    r"was not seen in a slow sweep: a switch, or a stick(, or a wire that broke)?\..*": lambda t, m: (
        not t.is_stick or not t.slowly() or t.fault != ""
    ),
    r"no rest of it was recognised.*": lambda t, m: t.fault in ("floats", "hums"),
    r"rested at (\d+) only, more than 15 % .*": lambda t, m: t.is_stick and t.visits(int(m[1]), t.high / 200) > 0,
    r"rested (\d+) times about the middle, between ([\d.]+) and ([\d.]+): .*": lambda t, m: (
        t.is_stick and t.visits(float(m[2]), 2) > 0 and t.visits(float(m[3]), 2) > 0
    ),
    r"its neighbouring values at rest are alike.*": lambda t, m: t.control.smooths > 1,
    r"its noise at rest is ([\d.]+), .*": lambda t, m: t.control.noise > 3 or t.fault != "",
    r"came to (\d+) and (\d+), (.+) or more each: its stops, .* (\d+) \w+ above \d+, (\d+) \w+ below .*": lambda t, m: (
        t.is_stick
        and all(t.visits(int(m[at]), t.high / 80) >= times(m[3]) for at in (1, 2))
        and (int(m[4]), int(m[5])) == (int(m[1]) - t.low, t.high - int(m[2]))
        and min(t.printed) >= int(m[1]) - t.high / 50
        and max(t.printed) <= int(m[2]) + t.high / 50
    ),
    r"moved between (\d+) and (\d+); in slow sweeps: low end (.+), high end ([^.]+)\..*": lambda t, m: (
        t.is_stick and min(t.printed) <= int(m[1]) and max(t.printed) >= int(m[2])
        and all(end == "not seen" or came_to(t, end) for end in (m[3], m[4]))
    ),
}  # fmt: skip


def times(text: str) -> int:
    return {"once": 1, "twice": 2}.get(text) or int(text.removesuffix(" times"))


def came_to(truth: Truth, end: str) -> bool:
    number, _, count = end.partition(" ")
    return truth.visits(int(number), truth.high / 80) >= times(count)


def assert_true(truth: Truth, text: str) -> None:
    fits = [(check, match) for pattern, check in TRUE.items() if (match := re.fullmatch(pattern, text))]
    assert len(fits) == 1, f"of no known kind: {text}"
    check, match = fits[0]
    assert check(truth, match), (truth.control.name, truth.fault, text)


TRIM = re.compile(
    r"(if a stick: )?(?:centred|off centre|moving|(raise|lower) by (\d+) (counts?|codes?)(?:, (\d+) µs)?, "
    r"([\d.]+) % of (track|range))"
)


def assert_trim(truth: Truth, text: str, *, centre: float) -> None:
    """Hold the trim against where the released stick is: `centre` is the share of the track where it should be."""
    control = truth.control
    if not text or text in ("off centre", "moving"):
        return
    match = TRIM.fullmatch(text)
    assert match is not None, text
    if not truth.is_stick:
        assert match[1], (control.name, text)
        return
    per_step = 1024 if truth.high == 1023 else 256
    off = (control.centre - centre) * per_step
    step = 4 if truth.high == 1023 else 1
    if match[2] is None:
        assert abs(off) <= step + 1.5, (off, text)
        return
    assert match[2] == ("lower" if off > 0 else "raise"), (off, text)
    assert abs(int(match[3]) - abs(off)) <= 1.5, (off, text)
    assert abs(float(match[6]) - 100 * abs(off) / per_step) <= 0.4 + 0.4 * (per_step == 256), (off, text)


# --- handsets of which everything is known -------------------------------------------------------------------------


def any_path(rng: random.Random) -> Path:
    """Return what a hand does: nothing, sweeps, parts of the way, or flicks."""
    what = rng.choice(("nothing", "sweeps", "sweeps", "sweeps", "parts", "flicks"))
    if what == "nothing":
        return ((0.0, 0.0),)
    if what == "sweeps":
        return swept(QUIET_S + rng.random(), 2, slow_s=rng.uniform(0.6, 0.8))
    if what == "flicks":
        return swept(QUIET_S + rng.random(), 2, slow_s=rng.uniform(0.06, 0.12))
    path, at_s = [(0.0, 0.0), (QUIET_S, 0.0)], QUIET_S
    while at_s < LONG_S - 5:
        end = rng.choice((-1, 1)) * rng.uniform(0.3, 0.95)
        path += [(at_s + 0.6, end), (at_s + 0.9, end), (at_s + 1.4, 0.0)]
        at_s += 1.4
    return path


def any_switch(rng: random.Random, name: str) -> Control:
    positions, at_s = rng.choice((2, 3)), QUIET_S
    path, at = [(0.0, -1.0)], -1.0
    while at_s < LONG_S - 1:
        new = rng.choice((-1.0, 1.0, *([0.0] if positions == 3 else [])))
        path += [(at_s, at), (at_s + 0.001, new)]
        at_s, at = at_s + rng.uniform(0.2, 1.5), new
    return Control(
        name, low=0.002, high=0.998, noise=rng.choice((0, 0.6, 2.0)), positions=positions,
        path=path if rng.random() < 0.8 else ((0.0, at),), smooths=rng.choice((1, 1, 4)),
    )  # fmt: skip


def any_handset(seed: int) -> tuple[PrintingHandset, Profile | None, dict[str, str]]:
    """Return a handset, the profile of what it should be or none, and the faults of its wires.

    Mains of 50 Hz printed 50 times a second looks like a slow hand: nothing can tell that, and it is left out.
    """
    rng = random.Random(f"handset {seed}")
    controls, faults = [], {}
    has_margins = rng.random() < 0.7
    for name in ("roll", "pitch", "throttle", "yaw"):
        low, high = (rng.uniform(0.03, 0.12), rng.uniform(0.88, 0.97)) if has_margins else (0.0, 1.0)
        control = Control(
            name, low=low, high=high, centre=0.5 + rng.choice((0, 1)) * rng.uniform(-0.08, 0.08),
            noise=rng.choice((0.0, 0.4, 0.8, 2.0)), path=any_path(rng), smooths=rng.choice((1, 1, 1, 6)),
        )  # fmt: skip
        if rng.random() < 0.3:
            control.low, control.high = control.high, control.low
        fault = rng.choice(("", "", "", "breaks", "loose", "floats", "hums"))
        from_s, rail = rng.uniform(0, 9), rng.choice((0, 1023))
        made = {
            "breaks": breaks(from_s, rail), "loose": loose(from_s, rail, 0.5 + rng.random()),
            "floats": floats(from_s, rng.uniform(0.4, 1)), "hums": hums(from_s, rng.randrange(150, 500)),
        }  # fmt: skip
        if fault:
            control.fault, faults[name] = made[fault], fault
            control.smooths = 1
        controls.append(control)
    controls += [any_switch(rng, "arm"), any_switch(rng, "mode")]
    has_codes = rng.random() < 0.3
    lines_hz = rng.choice((100, 200) if "hums" in faults.values() else (50, 100, 200))
    board = PrintingHandset(controls, lines_hz=lines_hz, named=True, seed=seed)
    if has_codes:
        board.codes = lambda column, reading: reading >> 2
    profile = None
    if rng.random() < 0.6:
        channels = [
            Channel(
                name=one.name, travel_low=one.low, travel_high=one.high,
                kind={0: "stick", 2: "two-position switch", 3: "three-position switch"}[one.positions],
            )
            for one in controls
        ]  # fmt: skip
        profile = replace(Profile(), channels=tuple(channels), handset=HandsetSettings(mapping="a >> 2"))
    return board, profile, faults


def printed_numbers(board: PrintingHandset, column: int) -> list[int]:
    readings = [reading for _, reading in board.controls[column].reads]
    numbers = readings if board.codes is None else [board.codes(column, reading) for reading in readings]
    return numbers[1:]  # the first line may be a part of one, and is left out


SEEDS = [pytest.param(seed, marks=[] if seed < 8 else pytest.mark.long) for seed in range(200)]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_statement_is_true(seed: int) -> None:
    board, profile, faults = any_handset(seed)
    listener = watched(board, profile)
    layout = listener.layout
    assert layout is not None
    if len(layout.channels) != len(board.controls):
        pytest.skip("a column that counts up by chance")
    remarks = said(listener)
    for column, control in enumerate(board.controls):
        truth = Truth(control, printed_numbers(board, column), faults.get(control.name, ""))
        truth.high = 1023 if "counts" in layout.kind.value else 255
        texts = remarks.get(control.name)
        if profile is not None and control.positions:
            assert texts is None  # a switch
            continue
        assert texts, control.name
        for text in texts:
            assert_true(truth, text)
        trim = stick_advice.trim(stick_called(listener, control.name))
        if not truth.fault:
            assert_trim(truth, trim, centre=0.5)
        if truth.fault:
            assert any("wire" in text for text in texts), (control.name, truth.fault, texts)
            assert screen.is_open(listener)
