"""`lostlink watch --handset` against a known truth: sticks, switches, hands and wires of which everything is known.

The handset is that of `printing_handset`. Every sentence that is said must be of a known kind, and is held against what
was printed, where the stick was and what was broken; a sentence of a new kind fails until its truth is written here.
"""

from __future__ import annotations

import io
import math
import random
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path as FilePath

import pytest
from click.testing import CliRunner, Result
from printing_handset import Control, Path, PrintingHandset, breaks, floats, hums, loose, swept
from rich.console import Console
from scipy.stats import chi2
from talking_board import PtyBoard

from lostlink.cli import main
from lostlink.profiles import read_link as read_profile
from lostlink.profiles.reader import parse_profile
from lostlink.show import watch as screen
from lostlink.watch import stick_advice
from lostlink.watch.listener import Listener
from lostlink.watch.profile_lines import ProfileLines, profile_lines
from lostlink.watch.stick_advice import Stick
from lostlink.watch.stick_stats import StickTable
from lostlink_sims import Profile
from lostlink_sims.profile import Channel, HandsetSettings

ROOT = FilePath(__file__).parents[2]
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
    """One control, what was received of it, and what was sent, the first line apart."""

    control: Control
    printed: list[int]
    sent: list[int]
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
    r"did not move by more than (\d+) \w+: .*": lambda t, m: max(t.sent) - min(t.sent) <= int(m[1]),
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
        and min(t.sent) >= int(m[1]) - t.high / 50
        and max(t.sent) <= int(m[2]) + t.high / 50
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
    board = PrintingHandset(controls, lines_hz=lines_hz, seed=seed, loses=rng.choice((0, 0, 0.003)))
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


def received(board: PrintingHandset, column: int) -> list[int]:
    """Return the numbers of a column, of whole lines; the first line may be a part of one, and is left out."""
    rows = [line.split() for line in board.lines[1:]]
    return [int(row[column]) for row in rows if len(row) == len(board.controls)]


SEEDS = [pytest.param(seed, marks=[] if seed < 6 else pytest.mark.long) for seed in range(200)]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_statement_is_true(seed: int) -> None:
    board, profile, faults = any_handset(seed)
    listener = watched(board, profile)
    layout = listener.layout
    assert layout is not None
    if len(layout.channels) != len(board.controls):
        pytest.skip("a column that counts up by chance")
    sticks = screen.sticks_of(listener) or []
    known = [stick for stick in sticks if stick is not None]
    for column, (control, stick) in enumerate(zip(board.controls, sticks, strict=True)):
        sent = [row[column] for row in board.sent[1:]]
        truth = Truth(control, received(board, column), sent, faults.get(control.name, ""))
        truth.high = 1023 if "counts" in layout.kind.value else 255
        assert (stick is None) is (profile is not None and control.positions > 0), control.name
        if stick is None:
            continue
        texts = [remark.text for remark in stick_advice.remarks(stick, known, listener.now_ns())]
        assert texts, control.name
        for text in texts:
            assert_true(truth, text)
        if truth.fault:
            assert any("wire" in text for text in texts), (control.name, truth.fault, texts)
            assert screen.is_open(listener)
        else:
            assert_trim(truth, stick_advice.trim(stick), centre=0.5)


# --- one thing at a time --------------------------------------------------------------------------------------------

DUNLIN = read_profile(ROOT / "fixtures" / "profiles" / "dunlin.toml")
HERON = read_profile(ROOT / "fixtures" / "profiles" / "heron.toml")


def alone(control: Control, others: int = 3) -> PrintingHandset:
    """Return a handset of one control and some sticks that are swept."""
    quiet = [Control(f"other{number}", path=swept(QUIET_S)) for number in range(others)]
    return PrintingHandset([control, *quiet], named=True)


def four(**changes: Control) -> PrintingHandset:
    """Return the sticks and the switch of dunlin, swept, with some of them changed."""
    controls = {
        "roll": Control("roll", 0.08, 0.5, 0.93, path=swept(QUIET_S)),
        "pitch": Control("pitch", 0.06, 0.52, 0.95, path=swept(QUIET_S)),
        "throttle": Control("throttle", 0.07, 0.5, 0.94, path=swept(QUIET_S)),
        "yaw": Control("yaw", 0.92, 0.49, 0.07, path=swept(QUIET_S)),
        "arm": Control("arm", 0.0, 0.5, 1.0, noise=0, positions=2, path=((0.0, -1.0), (5.0, -1.0), (5.001, 1.0))),
    }
    return PrintingHandset(list((controls | changes).values()))


def shown(listener: Listener, profile: Profile | None, width: int = 80) -> str:
    console = Console(width=width, file=io.StringIO(), record=True)
    console.print(screen.picture(listener, profile))
    return console.export_text()


@pytest.mark.parametrize("deviation", [0.7, 2.5, 8.0])
def test_noise_and_rest_are_those_of_the_generator(deviation: float) -> None:
    """Chi-square limits of a variance at 99.9 % (NIST/SEMATECH e-Handbook, 7.2.3.1), with the rounding's 1/12.

    The variance of rounding: Bennett 1948, as in IEEE 1241. Rounding down moves the mean by half a count.
    """
    board = alone(Control("roll", centre=0.507, noise=deviation), 0)
    board.named = False
    listener = watched(board, None, 4)
    rest = stick_called(listener, "channel 1").rest
    assert rest is not None
    assert rest.rows >= 300
    low, high = (chi2.ppf(level, rest.rows - 1) / (rest.rows - 1) for level in (0.0005, 0.9995))
    assert low <= rest.deviation**2 / (deviation**2 + 1 / 12) <= high
    assert abs(rest.mean - (0.507 * 1024 - 0.5)) <= 3.3 * (deviation + 0.3) / math.sqrt(rest.rows) + 0.01
    printed = received(board, 0)
    assert 0.7 * (max(printed) - min(printed)) <= rest.peak_to_peak <= max(printed) - min(printed)


def test_no_noise_is_at_most_one_count() -> None:
    text = shown(watched(alone(Control("roll", noise=0), 0), None, 3), None)
    assert re.search(r"roll +512 +\d+ +512 +512 +512\.0 +≤ 1 +≤ 0\.5", text)
    assert "≤ is at most" in text


def test_noise_at_a_rail_is_not_shown() -> None:
    """The rail cuts it off."""
    listener = watched(alone(Control("roll", centre=1.0, high=1.0, noise=2)), None)
    stick = stick_called(listener, "roll")
    assert stick_advice.noise(stick.rest, stick.scale) == ("", "")


def test_smoothed_values_are_called_so() -> None:
    text = " ".join(said(watched(alone(Control("roll", noise=5, smooths=8, path=swept(QUIET_S)))))["roll"])
    assert "as where a program averages or prints a reading twice: the noise of the stick may be higher" in text


@pytest.mark.parametrize(
    ("centre", "profile", "codes", "text"),
    [
        # 512/1024 of the track is the middle; readings by CHECKS: floor of the share of 1024
        (0.5174, None, False, "lower by 17 counts, 1.7 % of track"),
        (0.4715, None, False, "raise by 29 counts, 2.8 % of track"),
        (0.5005, None, False, "centred"),
        # a >> 2, then 1000 + code * 1000 // 255: 133 gives 1521 us, 128 (reading 512) 1501 us
        (0.5217, HERON, True, "lower by 5 codes, 20 µs, 2.0 % of track"),
        # without a profile the mapping is not known, nor the share of the track
        (0.5217, None, True, "lower by 6 codes, 2.4 % of range"),
        # calibrated, from 81 over 512 to 952: reading 543 is 127 + 31 * 128 // 440 = 136, 1500 + 9 * 500 // 128 us
        (0.5304, DUNLIN, False, "lower by 31 counts, 35 µs, 3.0 % of track"),
    ],
)
def test_trim(centre: float, profile: Profile | None, codes: bool, text: str) -> None:
    roll = Control("roll", 0.08, centre, 0.93, noise=0.3, path=swept(QUIET_S))
    board = four(roll=roll) if profile is DUNLIN else alone(roll, 5 if profile else 3)
    board.codes = (lambda _, reading: reading >> 2) if codes else None
    assert stick_advice.trim(stick_called(watched(board, profile), "roll")) == text


def test_a_throttle_is_not_centred() -> None:
    assert stick_advice.trim(stick_called(watched(four(), DUNLIN), "throttle")) == ""


def test_ends_are_those_of_the_stick() -> None:
    (text,) = said(watched(alone(Control("roll", 0.1, 0.5, 0.9, noise=0, path=swept(QUIET_S)))))["roll"]
    assert text == (
        "came to 102 and 921, twice or more each: its stops, if it was pushed against them; "
        "102 counts above 0, 102 counts below 1023"
    )


@pytest.mark.parametrize(
    ("path", "text"),
    [
        (swept(QUIET_S, 1), "low end 102 once, high end 921 once"),
        (
            [*swept(QUIET_S, 1), *((7 + at_s, at) for at_s, at in swept(0.5, 1, high=0))],
            "low end 102 twice, high end 921 once",
        ),
        (swept(QUIET_S, low=0), "low end not seen, high end 921 twice"),
        (swept(QUIET_S, slow_s=0.03), "low end not seen, high end not seen"),
    ],
)
def test_a_part_of_the_way_is_called_so(path: Path, text: str) -> None:
    roll = Control("roll", 0.1, 0.5, 0.9, noise=0, path=path)
    profile = replace(HERON, channels=(HERON.channels[0], *HERON.channels[2:4], *HERON.channels[4:]))
    (remark,) = said(watched(alone(roll, 4), profile))["roll"]
    assert text in remark
    assert "Whether these are its stops is not known" in remark


def test_a_rail_without_margin_cannot_be_told() -> None:
    """In no words is such a stick sound."""
    for fault in (breaks(0, 1023), breaks(9, 1023)):
        control = Control("roll", 0.0, 0.5, 1.0, fault=fault, path=swept(QUIET_S, slow_s=0.7))
        text = " ".join(said(watched(alone(control)))["roll"])
        assert "which readings cannot tell apart" in text
        assert "broke" in text
    at_its_stop = Control("roll", 0.0, 0.5, 1.0, path=[*swept(QUIET_S), (12.0, 1.0)])
    texts = said(watched(alone(at_its_stop)))["roll"]
    assert (
        "reads 1023 now: a stop at the end of the track or a broken wire, which readings cannot tell apart" in texts[0]
    )


def test_a_profile_with_margins_tells_a_broken_wire() -> None:
    roll = Control("roll", 0.08, 0.5, 0.93, fault=breaks(6, 0))
    listener = watched(four(roll=roll), DUNLIN)
    (text,) = said(listener)["roll"]
    assert text.startswith("reads 0, beyond every position of the stick in the profile: a wire is broken")
    assert stick_advice.trim(stick_called(listener, "roll")) == ""
    assert not any("beyond" in text for name, texts in said(listener).items() if name != "roll" for text in texts)


def test_codes_that_are_clamped_tell_nothing() -> None:
    """A calibrated program sends 0 for a stop and for a broken wire."""
    board = four(roll=Control("roll", 0.08, 0.5, 0.93, fault=breaks(6, 0)))
    board.codes = lambda column, reading: (
        min(255, max(0, (reading - 70) * 255 // 880)) if column < 4 else 255 * (reading > 512)
    )
    text = " ".join(said(watched(board, DUNLIN))["roll"])
    assert "within one line and stays there: a wire that broke, or a stick that was flicked to a stop" in text
    assert "beyond" not in text


def test_an_open_wire_with_small_noise() -> None:
    listener = watched(alone(Control("roll", noise=8)))
    assert any(text.startswith("its noise at rest is ") for text in said(listener)["roll"])
    assert not any("noise" in text for text in said(listener)["other1"])


@pytest.mark.parametrize("noise", [0.0, 1.0, 4.0])
@pytest.mark.parametrize("smooths", [1, 4, 32])
def test_a_three_position_switch_is_no_stick(noise: float, smooths: int) -> None:
    """Through a divider, with noise, thrown quickly and slowly, and where the program averages."""
    path = [(0.0, -1.0)]
    for number, at in enumerate((0, 1, -1, 1, 0, -1, 0, 1, 0, -1, 1, -1)):
        at_s = QUIET_S + (0.25 * number if number < 6 else number)
        path += [(at_s, path[-1][1]), (at_s + 0.001, float(at))]
    switch = Control("mode", 0.01, 0.5, 0.99, noise=noise, positions=3, path=path, smooths=smooths)
    board = alone(switch)
    board.lines_hz = 200 if smooths > 4 else 100
    listener = watched(board)
    stick = stick_called(listener, "mode")
    assert not stick.is_known
    assert stick_advice.trim(stick) == ""
    (text,) = said(listener)["mode"]
    assert text.startswith("was not seen in a slow sweep: a switch, or a stick")


def test_what_may_be_a_switch_is_trimmed_if_it_is_a_stick() -> None:
    """A switch in its middle position that nobody throws, without a profile."""
    switch = Control("mode", 0.01, 0.5, 0.99, positions=3, path=((0.0, 0.0),))
    assert stick_advice.trim(stick_called(watched(alone(switch), None, 3), "mode")) == "if a stick: centred"


def test_a_loose_wire_without_a_profile() -> None:
    """Half a second apart, 50 ms each, while the stick is at rest: counted one by one."""
    roll = Control("roll", noise=0, fault=loose(12.2, 0), path=swept(QUIET_S))
    (text,) = said(watched(alone(roll)))["roll"]
    assert text.startswith("jumped to 0 and back, 4 times, each way within one line: a loose wire, or a stick")


def test_a_spring_that_does_not_return() -> None:
    """At rest at 512, and 12 counts higher after a move."""
    path = ((0.0, 0.0), (3.0, 0.0), (3.6, 1.0), (4.2, 0.028), (7.0, 0.028))
    texts = said(watched(alone(Control("roll", noise=0, path=path)), None, 7))["roll"]
    assert texts[0].startswith("rested 2 times about the middle, between 512.0 and 524.0: it was trimmed or held, or")


# --- lines for the profile --------------------------------------------------------------------------------------


def with_channels(text: str, lines: tuple[str, ...]) -> str:
    """Return the text of a profile in which a user replaced the tables of channels."""
    tables = re.split(r"^(?=\[)", text, flags=re.MULTILINE)
    first = next(index for index, table in enumerate(tables) if table.startswith("[[channels]]"))
    kept = [table for table in tables if not table.startswith("[[channels]]")]
    return "".join([*kept[:first], "\n".join(lines) + "\n", *kept[first:]])


def test_lines_are_read_by_the_profiles_reader() -> None:
    """Pasted as they are: each stick's readings at its stops and its centre are the true ones, to its noise."""
    board = four(
        roll=Control("roll", 0.11, 0.487, 0.88, path=swept(QUIET_S)),
        yaw=Control("yaw", 0.9, 0.52, 0.1, path=swept(QUIET_S)),
        pitch=Control("pitch", 0.06, 0.52, 0.95),
    )
    listener = watched(board, DUNLIN)
    found = profile_lines(screen.sticks_of(listener) or [], DUNLIN)
    assert found.problem == ""
    text = (ROOT / "fixtures" / "profiles" / "dunlin.toml").read_text(encoding="utf-8")
    profile = parse_profile(with_channels(text, found.lines))
    for control, channel, was in zip(board.controls, profile.channels, DUNLIN.channels, strict=True):
        assert channel.name == control.name
        if control.name in ("pitch", "arm"):  # not swept; a switch
            assert channel == was
            continue
        assert abs(channel.travel_low - control.low) <= 0.004
        assert abs(channel.travel_high - control.high) <= 0.004
        if control.name != "throttle":
            assert abs(channel.centre_error + 0.5 - control.centre) <= 0.001
    assert profile == replace(DUNLIN, channels=profile.channels)
    assert "[[channels]]  # as it was" in found.lines


def test_lines_that_the_reader_refuses_are_not_shown() -> None:
    """The throttle of heron at 6 % of its track: code 15 by a >> 2, 1058 us, which is not idle."""
    controls = [
        Control(one.name, 0.06, 0.5, 0.94, noise=0, path=swept(QUIET_S))
        if one.kind == "stick"
        else Control(one.name, 0, 0.5, 1, noise=0, positions=2, path=((0.0, -1.0), (5.0, -1.0), (5.001, 1.0)))
        for one in HERON.channels
    ]
    listener = watched(PrintingHandset(controls), HERON)
    found = profile_lines(screen.sticks_of(listener) or [], HERON)
    assert found.lines == ()
    assert found.problem.startswith("throttle: the throttle's low stop is sent as code 15, 1058 us, which is not idle")


def test_no_lines_from_codes_or_from_a_loose_wire() -> None:
    names = ("roll", "pitch", "yaw", "throttle")
    board = four(**{name: Control(name, 0.0, 0.5, 1.0, path=swept(QUIET_S), fault=loose(9, 0)) for name in names})
    assert profile_lines(screen.sticks_of(watched(board, DUNLIN)) or [], DUNLIN).lines == ()
    board = four()
    board.codes = lambda column, reading: reading >> 2
    assert profile_lines(screen.sticks_of(watched(board, DUNLIN)) or [], DUNLIN) == ProfileLines()


# --- the screen and the command ---------------------------------------------------------------------------------


def test_screen_of_80_columns() -> None:
    board = four(roll=Control("roll", 0.08, 0.55, 0.93, path=swept(QUIET_S)), pitch=Control("pitch", fault=floats(3)))
    text = shown(watched(board, DUNLIN), DUNLIN)
    assert max(map(len, text.splitlines())) <= 80
    assert "…" not in text
    for word in ("at rest", "noise", "s.d.", "trim", "lower by 51", "µs,", "% of track", "yaw: came to"):
        assert word in text, word
    assert "Centred is 512 (roll); 532 (pitch); 501 (yaw)." in text


def test_pulse_widths_show_no_rails() -> None:
    board = alone(Control("roll", fault=breaks(5, 0)))
    board.codes = lambda _, reading: 1000 + reading
    text = shown(watched(board), None)
    assert "a value at a rail of the ADC, as of a broken wire, does not show" in " ".join(text.split())


def dunlin_behind_a_pty(board: PrintingHandset, seconds: float, folder: FilePath) -> tuple[Result, str]:
    """Return the run of the command, and the text of the profile."""
    pytest.importorskip("pty")
    text = (ROOT / "fixtures" / "profiles" / "dunlin.toml").read_text(encoding="utf-8")
    (folder / "link.toml").write_text(text, encoding="utf-8")
    words = ("--handset", "--once", str(seconds), "--profile", str(folder / "link.toml"))
    with PtyBoard(board) as port:
        run = CliRunner().invoke(main, ["watch", port.port, *words])
    assert "Propellers off" in run.output
    return run, text


def test_command_behind_a_pty(tmp_path: FilePath) -> None:
    """All sticks seen at rest and swept: nothing is open, and the tables are read as they are printed."""
    board = four()
    for control in board.controls[:4]:
        control.path = swept(1.5)
    run, text = dunlin_behind_a_pty(board, 9.5, tmp_path)
    assert run.exit_code == 0, run.output
    lines = re.search(r"^\[\[channels\]\].*(?=\n\nProp)", run.output, re.MULTILINE | re.DOTALL)
    assert lines is not None
    assert parse_profile(with_channels(text, tuple(lines[0].splitlines()))).channels[0].name == "roll"


def test_broken_wires_behind_a_pty(tmp_path: FilePath) -> None:
    board = four(
        roll=Control("roll", fault=breaks(1.5, 0)), pitch=Control("pitch", fault=floats(0.5)),
        yaw=Control("yaw", 0.92, 0.49, 0.07),
    )  # fmt: skip
    run, _ = dunlin_behind_a_pty(board, 3.5, tmp_path)
    assert run.exit_code == 4, run.output
    assert "roll: reads 0, beyond every position of the stick in the profile: a wire is broken" in run.output
    assert "pitch: " in run.output
    assert "yaw: did not move by more than " in run.output
    assert "[[channels]]" not in run.output


def test_bad_use_is_refused() -> None:
    run = CliRunner().invoke(main, ["watch", "nowhere", "--handset", "--failsafe-test"])
    assert run.exit_code == 2
    assert run.output.count("\n") == 1
    assert CliRunner().invoke(main, ["watch", "/dev/there-is-no-such-port", "--handset", "--once", "1"]).exit_code == 3
