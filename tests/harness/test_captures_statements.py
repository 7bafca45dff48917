"""Captures of every kind with a known truth: how many of the statements about them are false. None may be.

Pulse trains with faults are drawn here edge by edge, sampled by an analyser and written in the dialect of a file, with
not a line of the reader or the simulation. 150 of them, with ``--long`` 3000.
"""

from __future__ import annotations

import bisect
import collections
import itertools
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction

import numpy as np

from lostlink.captures.files import parse_capture
from lostlink.captures.judging import Findings, findings
from lostlink.captures.recognise import choose
from lostlink.verdicts import Outcome
from lostlink_sims import Channel, Profile

FAILSAFE = (1500, 1500, 1000, 1500, 1000, 1000, 1000, 1000, 1000, 1000)
"""Of the profile; the throttle is the third channel."""
JITTERS = ("none", "uniform", "gauss", "late edges", "timer latency")
RATES_MHZ = (1, 2, 4, 6, 8, 8, 8, 12, 16, 24, 25, 30, 50, 80, 100)
FAULTS = (
    "none", "none", "missing", "missing", "missing", "two missing", "additional", "in the gap", "no pulses", "cut",
    "no frame", "other state", "glitches",
)  # fmt: skip

IN_FAILSAFE = (
    "right", "right", "right", "right", "throttle high", "roll a little off", "throttle comes up", "throttle stays up",
    "all return for a time", "throttle held", "never", "no pulses",
)  # fmt: skip
"""Values in failsafe: right; wrong; a throttle that comes up for 3 frames, or to the end; all channels that take their
held values for 5 frames; only the throttle held; no failsafe at all; no pulses in place of it."""
AFTER = ("none", "sticks move", "sticks rest", "values as before", "link still lost")
"""What comes 0.5 s after the failsafe: nothing; the link with moving sticks, with sticks at rest near the failsafe
values, or with sticks where they were; or a receiver that takes its held values again without a link."""

Pulse = tuple[float, float]
"""Leading and trailing edge in microseconds."""


@dataclass
class Frame:
    """One frame as it is on the wire: its pulses, and the widths of its channels in microseconds."""

    pulses: list[Pulse]
    due_us: float

    @property
    def start_us(self) -> float:
        return self.pulses[0][0]

    @property
    def end_us(self) -> float:
        return self.pulses[-1][0]

    @property
    def widths(self) -> list[float]:
        return [later[0] - earlier[0] for earlier, later in zip(self.pulses, self.pulses[1:], strict=False)]


@dataclass
class Truth:
    """A recorded train and what is true of it.

    Attributes
    ----------
    wrong : dict of int to int
        Frames from 1 with pulses too few (negative) or too many.
    place : str
        Of the missing or additional pulse.
    cut : int or None
        The frame that was cut short.
    others : tuple of (int, int, int), or None
        First and last frame of another state of the receiver, and its number of channels.
    silences : int
        Stops of the pulses, but for begin and end of the capture.
    held_us, failsafe_frame : float and int, or None
        Time from the last packet to the first failsafe frame, and its number.
    failsafe_until : int
        The first frame that does not belong to the failsafe any more.
    jitter, slow : str and bool
        Kind of jitter; one stick moves slowly, in place of two in circles.
    partial : set of int
        Frames of which begin or end was not recorded.
    begin_us, end_us : float or None
        Where the recording begins and ends within a frame.
    """

    profile: Profile
    frames: list[Frame] = field(default_factory=list)
    spikes: list[Pulse] = field(default_factory=list)
    channels: int = 8
    separator_us: float = 300.0
    is_positive: bool = True
    gap_us: float | None = None
    fault: str = "none"
    wrong: dict[int, int] = field(default_factory=dict)
    place: str = ""
    cut: int | None = None
    others: tuple[int, int, int] | None = None
    silences: int = 0
    held_us: float | None = None
    failsafe_frame: int | None = None
    failsafe_until: int = 0
    jitter: str = "none"
    slow: bool = False
    values: str = "right"
    after: str = "none"
    partial: set[int] = field(default_factory=set)
    begin_us: float | None = None
    end_us: float | None = None

    @property
    def edges_us(self) -> list[float]:
        spikes = [edge for spike in self.spikes for edge in spike]
        return sorted([edge for frame in self.frames for pulse in frame.pulses for edge in pulse] + spikes)


def jittered(draw: random.Random, kind: str, most_us: float) -> float:
    """Return how much later an edge is than it should be, in microseconds."""
    if kind == "uniform":
        return draw.uniform(-most_us, most_us)
    if kind == "gauss":
        return max(-4 * most_us, min(4 * most_us, draw.gauss(0, most_us)))
    if kind == "late edges":  # in 5 % of frames of 18 edges
        return draw.uniform(0, 20) if draw.random() < 0.05 / 18 else 0.0
    return draw.expovariate(1 / most_us) if kind == "timer latency" else 0.0


def train(seed: int) -> Truth:
    """Draw a link, a flight of 1.2 s and perhaps a loss with a failsafe, and put one fault into it."""
    draw = random.Random(seed)
    channels = draw.choice((4, 6, 8, 8, 8, 9))
    gap_us = draw.choice((None, None, draw.uniform(4_000, 9_000)))
    period_us = draw.choice((22_500.0, 22_500.0, 24_000.0))
    separator_us = draw.choice((200.0, 300.0, 300.0, 400.0))
    truth = Truth(
        profile_of(draw, channels, gap_us, period_us, separator_us), channels=channels, separator_us=separator_us,
        is_positive=draw.random() < 0.7, gap_us=gap_us, fault=draw.choice(FAULTS),
    )  # fmt: skip
    kind, most_us = draw.choice(JITTERS), draw.choice((0.1, 0.5, 1.0, 2.0))
    error_us = draw.choice((0.0, 0.0, 0.0, 99.0, 101.0)) if gap_us is None else 0.0
    ppm = draw.uniform(-60, 60)
    lost_us = math.inf if draw.random() < 0.3 else 1_200_000 + draw.uniform(0, 22_500)
    hold_us = draw.choice((200_000, 500_000))
    packet_us = draw.uniform(0, 5_000)
    last_us = math.inf if lost_us == math.inf else packet_us + 5_000 * math.floor((lost_us - packet_us) / 5_000)
    at_us, phase, slow = draw.uniform(12_000, 30_000), draw.uniform(0, 6), draw.random() < 0.3
    truth.jitter, truth.slow = kind, slow
    truth.values, truth.after = (draw.choice(IN_FAILSAFE), draw.choice(AFTER)) if lost_us < math.inf else ("", "none")
    if truth.values == "never" and truth.after == "sticks rest":
        truth.after = "none"  # else the return would be, edge by edge, a failsafe with values that are a little off
    rest = [float(value) + draw.choice((-4, 0, 4)) for value in FAILSAFE[:2]] + [
        1000.0,
        1504.0,
        *map(float, FAILSAFE[4:]),
    ]
    back_us = math.inf if truth.after == "none" else last_us + hold_us + 500_000
    until_us = 1_400_000 if lost_us == math.inf else lost_us + hold_us + 1_000_000
    failsafe_us = []
    while at_us < until_us:
        heard_us = min(last_us, packet_us + 5_000 * math.floor((at_us - packet_us) / 5_000))
        values = sticks(heard_us, phase, slow=slow)
        if at_us >= back_us:
            moving = sticks(5_000 * math.floor(at_us / 5_000), phase, slow=False)
            values = moving if truth.after == "sticks move" else rest if truth.after == "sticks rest" else values
        elif at_us >= last_us + hold_us:
            truth.held_us = truth.held_us or at_us - last_us
            failsafe_us.append(at_us)
            values = in_failsafe(truth.values, len(failsafe_us), values)
        widths = [value * (1 + ppm * 1e-6) for value in values[:channels]]
        if truth.values != "no pulses" or not last_us + hold_us <= at_us < back_us:
            truth.frames.append(frame_of(draw, at_us, widths, separator_us, kind, most_us))
        step_us = sum(widths) + gap_us if gap_us is not None else period_us + error_us
        at_us += step_us * (1 + ppm * 1e-6)
    _clip(draw, truth)
    _break(draw, truth, failsafe_us[0] if failsafe_us else math.inf)
    ends = ((1, truth.begin_us), (len(truth.frames), truth.end_us))
    truth.partial = {number for number, instant in ends if instant is not None}
    if truth.values == "no pulses":
        truth.silences += bool(truth.frames[-1].due_us >= back_us)
    elif failsafe_us and truth.values != "never":
        due = [frame.due_us for frame in truth.frames]
        truth.failsafe_frame = bisect.bisect_left(due, failsafe_us[0]) + 1
        truth.failsafe_until = bisect.bisect_left(due, back_us) + 1
    return truth


def in_failsafe(kind: str, number: int, held: list[float]) -> list[float]:
    """Return the values of a frame in failsafe, from 1."""
    if kind == "never" or (kind == "all return for a time" and 10 <= number < 15):
        return held
    values = [float(value) for value in FAILSAFE]
    if kind == "throttle high":
        values[2] = 1200
    elif kind == "roll a little off":
        values[0] += 6
    elif kind == "throttle held" or (
        number >= 10 and (kind == "throttle stays up" or (kind == "throttle comes up" and number < 13))
    ):
        values[2] = 1650
    return values


def _clip(draw: random.Random, truth: Truth) -> None:
    """Begin or end the recording within a frame, between two of its pulses."""
    if draw.random() < 0.3:
        del truth.frames[0]
        first = truth.frames[0]
        gone = draw.randrange(1, truth.channels)
        truth.begin_us = first.pulses[gone][0] - 100
        first.pulses = first.pulses[gone:]
    if draw.random() < 0.3:
        last = truth.frames[-1]
        last.pulses = last.pulses[: draw.randrange(2, truth.channels)]
        truth.end_us = last.pulses[-1][1] + 100


def profile_of(
    draw: random.Random, channels: int, gap_us: float | None, period_us: float, separator_us: float
) -> Profile:
    """Return the link's profile; sometimes its separator is off by about the limit, or it has more channels."""
    plain = Profile()
    wanted = separator_us + draw.choice((0, 0, 0, 18, 22))
    output = replace(
        plain.output, channels=channels + draw.choice((0, 0, 0, 0, 2)), separator_us=round(wanted),
        style="fixed period" if gap_us is None else "fixed gap", frame_period_us=round(period_us),
        frame_gap_us=plain.output.frame_gap_us if gap_us is None else round(gap_us),
    )  # fmt: skip
    named = ("roll", "pitch", "throttle", "yaw", "arm", "aux 1", "aux 2", "aux 3", "aux 4")
    made = tuple(Channel(name=name, failsafe_us=value) for name, value in zip(named, FAILSAFE, strict=False))
    return replace(plain, output=output, channels=made[: min(channels, 6)])


def sticks(time_us: float, phase: float, *, slow: bool) -> list[float]:
    """Return widths of codes of eight bits: two sticks in circles, or one that moves slowly."""
    angle = 2 * math.pi * time_us / (3.1e6 if slow else 1.3e6) + phase
    exact = [1500 + 350 * math.sin(angle), 1500 + 350 * math.cos(angle), 1650, 1510, 2000, 1000, 1000, 1200, 1000, 1000]
    if slow:
        exact[1] = 1500
    return [1000 + round((value - 1000) * 0.255) * 1000 // 255 for value in exact]


def frame_of(
    draw: random.Random, at_us: float, widths: list[float], separator_us: float, kind: str, most_us: float
) -> Frame:
    pulses, lead_us = [], at_us
    for width in [*widths, 0.0]:
        begin = lead_us + jittered(draw, kind, most_us)
        pulses.append((begin, lead_us + separator_us + jittered(draw, kind, most_us)))
        lead_us += width
    return Frame(pulses, at_us)


def _break(draw: random.Random, truth: Truth, failsafe_us: float) -> None:
    """Put the fault into the train, before the sticks have their last values."""
    frames, fault = truth.frames, truth.fault
    before = bisect.bisect_left([frame.due_us for frame in frames], failsafe_us - 540_000)
    place = draw.randrange(8, max(12, before - 14))
    frame, number = frames[place], place + 1
    if fault in ("missing", "two missing"):
        for _ in range(1 if fault == "missing" else 2):
            pulse = draw.randrange(len(frame.pulses))
            truth.place = _place_of(pulse, truth.channels)
            del frame.pulses[pulse]
        truth.wrong[number] = -1 if fault == "missing" else -2
    elif fault == "additional":
        channel, long_us = draw.randrange(truth.channels), draw.uniform(150, 220)
        after_us = draw.uniform(truth.separator_us + 130, frame.widths[channel] - long_us - 130)
        lead = frame.pulses[channel][0] + after_us
        frame.pulses = sorted([*frame.pulses, (lead, lead + long_us)])
        truth.wrong[number] = 1
    elif fault == "in the gap":
        gap_us = frames[place + 1].start_us - frame.end_us
        lead = frame.end_us + draw.uniform(800, gap_us - 2_500)  # what is left is still a gap
        frame.pulses.append((lead, lead + truth.separator_us))
        truth.wrong[number] = 1
        truth.place = "gap"
    elif fault in ("no pulses", "cut"):
        if fault == "cut":
            del frame.pulses[draw.randrange(1, truth.channels) :]
            truth.cut = number
        del frames[place + 1 : place + 1 + draw.randrange(4, 9)]
        truth.silences += 1
    elif fault == "no frame":
        del frames[place]
        truth.silences += 1
    elif fault == "other state" and truth.channels > 4:
        fewer = truth.channels - draw.choice((1, 2, 3))
        until = place + draw.randrange(5, 10)
        for other in frames[place:until]:
            del other.pulses[fewer + 1 :]
        truth.others = (number, until, fewer)
    elif fault == "glitches":
        for other in frames[place : place + 3]:
            lead = other.pulses[1][1] + draw.uniform(50, 100)
            truth.spikes.append((lead, lead + draw.uniform(1.5, 3)))


def _place_of(pulse: int, channels: int) -> str:
    if pulse == 0:
        return "the first one"
    return "the last one" if pulse == channels else f"between channels {pulse} and {pulse + 1}"


# --- the analyser and the file ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class File:
    """A file, the sample rate of its analyser, and its time step."""

    text: bytes
    name: str
    rate_mhz: int
    step_ns: int


def written(truth: Truth, seed: int) -> File:
    """Sample the edges and write them as VCD or CSV, with steps that may be coarser than a sample."""
    draw = random.Random(seed + 10**6)
    rate_mhz = draw.choice(RATES_MHZ)
    step_ns = draw.choice((1, 1, 10, 100, 100, 1000)) if truth.spikes == [] else 1
    way = draw.choice(("down", "half up", "even"))
    first_us = truth.begin_us or 0.0
    last_us = truth.end_us or truth.edges_us[-1] + 40_000
    begin, *steps, end = [
        _rounded(Fraction(math.ceil(edge * rate_mhz) * 1000, rate_mhz * step_ns), way)
        for edge in (first_us, *truth.edges_us, last_us)
    ]
    high = 1 if truth.is_positive else 0
    levels = [high if number % 2 == 0 else 1 - high for number in range(len(steps))]
    dialect = draw.choice(("vcd", "dumpvars", "seconds", "microseconds", "semicolon"))
    if dialect in ("vcd", "dumpvars"):
        unit = {1: "1 ns", 10: "10 ns", 100: "100 ns", 1000: "1 us"}[step_ns]
        lines = [f"$timescale {unit} $end $var wire 1 ! ppm $end $enddefinitions $end"]
        lines.append(f"#{begin} {1 - high}!")
        if dialect == "dumpvars":  # values before the first stamp are those at time 0 (IEEE 1364-2005, 18.2)
            lines[-1] = f"$dumpvars {1 - high}! $end"
            steps, end = [step - begin for step in steps], end - begin
        lines += [f"#{step} {level}!" for step, level in zip(steps, levels, strict=True)]
        return File("\n".join([*lines, f"#{end}", ""]).encode(), "t.vcd", rate_mhz, step_ns)
    scale = Decimal(step_ns) / (1_000_000_000 if dialect == "seconds" else 1000)
    rows = [(begin, 1 - high), *zip(steps, levels, strict=True), (end, levels[-1])]
    digits = {1: 0, 10: 1, 100: 2, 1000: 3}[step_ns]
    places = (9 if dialect == "seconds" else 3) - digits
    comma = dialect == "semicolon"
    head = {"seconds": "Time [s],PPM", "microseconds": "time_us,level", "semicolon": "Time [us];level"}[dialect]
    made = [f"{step * scale:.{places}f}{';' if comma else ','}{level}" for step, level in rows]
    return File("\n".join([head, *([row.replace(".", ",") for row in made] if comma else made), ""]).encode(),
                "t.csv", rate_mhz, step_ns)  # fmt: skip


def _rounded(steps: Fraction, way: str) -> int:
    if way == "down":
        return math.floor(steps)
    return math.floor(steps + Fraction(1, 2)) if way == "half up" else round(steps)


# --- what is said, against what is true ------------------------------------------------------------------------------


def false_statements(truth: Truth, found: Findings) -> Iterator[str]:
    """Yield what the findings say that is not true."""
    yield from _of_shape(truth, found)
    yield from _of_widths(truth, found)
    yield from _of_faults(truth, found)
    yield from _of_failsafe(truth, found)
    yield from _of_verdicts(truth, found)


def _of_shape(truth: Truth, found: Findings) -> Iterator[str]:
    seen = found.train
    if seen.channels != truth.channels:
        yield f"{seen.channels} channels"
    if seen.polarity != ("positive" if truth.is_positive else "negative"):
        yield f"polarity {seen.polarity}"
    if seen.style not in (None, "fixed period" if truth.gap_us is None else "fixed gap"):
        yield f"style {seen.style}"
    if len(seen.frames.start_ps) != len(truth.frames):
        yield f"{len(seen.frames.start_ps)} frames, not {len(truth.frames)}"


def _of_widths(truth: Truth, found: Findings) -> Iterator[str]:
    """Every width is within the largest error that is stated; late edges and spikes are none of the analyser's."""
    seen = found.train
    true = [frame.widths for frame in truth.frames]
    measured = [
        np.diff(seen.leads_ps[first : first + count + 1]) / 1e6
        for first, count in zip(seen.frames.first.tolist(), seen.frames.count.tolist(), strict=True)
    ]
    skipped = {at for number in truth.wrong for at in (number, number + 1) if truth.place == "gap"}
    for number, (one, other) in enumerate(zip(true, measured, strict=False), 1):
        if number in skipped:
            continue
        if len(one) != len(other):
            yield f"frame {number} has {len(other)} channels, not {len(one)}"
        elif len(one) and np.abs(np.array(one) - other).max() > seen.resolution.worst_us + 1e-6:
            yield f"frame {number}: a width is off by {np.abs(np.array(one) - other).max()} us"


def _of_faults(truth: Truth, found: Findings) -> Iterator[str]:
    said = {fault.first + 1: fault.usual - fault.channels for fault in found.pulse_faults if fault.is_pulses}
    allowed = [truth.wrong]
    if truth.place == "gap":
        allowed.append({number + 1: count for number, count in truth.wrong.items()})
    if {number: -missing for number, missing in said.items()} not in allowed:
        yield f"missing or additional pulses {said}, not {truth.wrong}"
    if truth.fault == "missing":
        (text,) = (str(fault) for fault in found.pulse_faults) if len(found.pulse_faults) == 1 else ("",)
        where = text.partition(", ")[2]
        if where and where != truth.place:
            yield f"{text}, not {truth.place}"
    runs = [(fault.first + 1, fault.last + 1, fault.channels) for fault in found.pulse_faults if not fault.is_pulses]
    silences = truth.silences
    if truth.others is not None and truth.gap_us is not None and not runs:
        silences += truth.others[1] - truth.others[0] + 1  # their gaps are far longer, as after frames cut short
    elif runs != ([] if truth.others is None else [truth.others]):
        yield f"frames of another length {runs}, not {truth.others}"
    stops = [silence for silence in found.silences if not silence.at_begin and not silence.at_end]
    if len(stops) != silences:
        yield f"{len(stops)} silences, not {silences}"
    if len(found.train.glitches_ps) != len(truth.spikes):
        yield f"{len(found.train.glitches_ps)} glitches, not {len(truth.spikes)}"


def _of_failsafe(truth: Truth, found: Findings) -> Iterator[str]:
    good = np.flatnonzero(found.train.good)
    for steady in found.failsafes:
        first = int(good[steady.first]) + 1
        if truth.after == "sticks rest" and first >= truth.failsafe_until:
            continue  # with several channels they jump to values that may be those of the failsafe
        if truth.failsafe_frame is None or not truth.failsafe_frame <= first < truth.failsafe_until:
            yield f"a failsafe from frame {first}, not {truth.failsafe_frame}"
            continue
        is_late = truth.jitter not in ("none", "uniform") and first == truth.failsafe_frame + 1  # an edge of the first
        if first > truth.failsafe_frame and not is_late:
            if truth.values not in ("throttle comes up", "throttle stays up", "all return for a time"):
                yield f"a failsafe from frame {first}, not {truth.failsafe_frame}"
            continue
        assert truth.held_us is not None
        if steady.held_most_ps is not None and steady.held_most_ps / 1e6 < truth.held_us:
            yield f"a hold time of at most {steady.held_most_ps / 1e6} us, but it was {truth.held_us} us"


def _of_verdicts(truth: Truth, found: Findings) -> Iterator[str]:
    """A requirement that is met is met in truth, one that is not met is not."""
    required, output = truth.profile.requirements, truth.profile.output
    whole = [frame for at, frame in enumerate(truth.frames, 1) if at not in truth.partial]
    near = [
        pair for pair in itertools.pairwise(whole)
        if all(len(frame.widths) == truth.channels for frame in pair) and pair[1].start_us - pair[0].start_us < 36_000
    ]  # fmt: skip
    steps = [later.start_us - earlier.start_us for earlier, later in near]
    gaps = [later.start_us - earlier.end_us for earlier, later in near]
    if output.style == "fixed gap":
        worst = max(abs(gap - output.frame_gap_us) for gap in gaps)
    else:
        worst = max(max(abs(step - output.frame_period_us) for step in steps), max(steps) - min(steps))
    separators = [pulse[1] - pulse[0] for frame in whole for pulse in frame.pulses]
    cut = None if truth.cut is None else truth.frames[truth.cut - 1]
    wrong = sum(len(frame.widths) != output.channels for frame in whole if frame is not cut)
    bad = {
        "FR-PERIOD": worst > required.frame_period_tolerance_us,
        "FR-SYNC": None if truth.place == "gap" else min(gaps) < required.sync_at_least_us,
        "FR-SEPARATOR": max(abs(length - output.separator_us) for length in separators)
        > required.separator_tolerance_us,
        "FR-COUNT": wrong > 0,
    }
    bad |= dict.fromkeys(("FS-VALUE", "FS-PRESET"), True if truth.values in ("never", "no pulses") else None)
    if truth.failsafe_frame is not None:
        failed = [frame.widths for frame in truth.frames[truth.failsafe_frame - 1 : truth.failsafe_until - 1]
                  if frame in whole]  # fmt: skip
        if truth.after == "sticks rest" and truth.jitter == "late edges":
            del failed[-1]  # with a late edge it may belong to either
        named = min(len(truth.profile.channels), truth.channels)
        off = max(abs(width - wanted) for one in failed for width, wanted in zip(one[:named], FAILSAFE, strict=False))
        is_up = truth.after == "link still lost" or max(one[2] for one in failed) > required.idle_below_us
        bad["FS-PRESET"] = off > required.value_tolerance_us or truth.after == "link still lost"
        bad["FS-VALUE"] = is_up
    for verdict in found.verdicts:
        is_bad = bad.get(verdict.requirement.id)
        if (verdict.outcome is Outcome.MET and is_bad) or (verdict.outcome is Outcome.NOT_MET and is_bad is False):
            yield f"{verdict.requirement.id} is {verdict.outcome.value}: {verdict.measured}, {verdict.limit}"


def test_no_statement_is_false(long: bool) -> None:
    """Neither of shape, widths, missing and additional pulses, stops, failsafe and hold time, nor a verdict.

    ``--long``: 3000 captures. The statements must also say something, so what is recognised is counted.
    """
    seen = collections.Counter[str]()
    for seed in range(3000 if long else 150):
        truth = train(seed)
        file = written(truth, seed)
        found = findings(choose(parse_capture(file.text, file.name)), truth.profile)
        wrong = list(false_statements(truth, found))
        assert not wrong, (seed, truth.fault, file.name, file.rate_mhz, file.step_ns, wrong)
        seen[truth.fault] += 1
        seen["8 MHz in 100 ns"] += (file.rate_mhz, file.step_ns) == (8, 100)
        seen["dumpvars"] += b"$dumpvars" in file.text
        seen["placed"] += truth.fault == "missing" and ", " in str(found.pulse_faults[0])
        seen["lost"] += truth.failsafe_frame is not None
        seen["failsafe"] += truth.failsafe_frame is not None and len(found.failsafes) > 0
        outcome_of = {verdict.requirement.id: verdict.outcome for verdict in found.verdicts}
        seen[truth.values] += 1
        seen[truth.values + " not met"] += outcome_of["FS-PRESET"] is Outcome.NOT_MET
        _count_bounds(seen, truth, found)
        for verdict in found.verdicts:
            seen[verdict.outcome.value] += 1
    assert min(seen[fault] for fault in (*FAULTS, "8 MHz in 100 ns", "dumpvars")) > 3
    assert seen["placed"] >= 0.8 * seen["missing"]
    assert seen["failsafe"] >= 0.95 * seen["lost"]
    assert min(seen[kind] for kind in IN_FAILSAFE) > 3
    for kind in ("throttle high", "roll a little off", "throttle comes up", "all return for a time", "throttle held"):
        assert seen[f"{kind} not met"] >= 0.9 * seen[kind], kind
    assert seen["useless circles"] <= 0.02 * seen["bounds circles"]
    assert min(seen[outcome] for outcome in ("met", "not met", "inconclusive")) > 30


def _count_bounds(seen: collections.Counter[str], truth: Truth, found: Findings) -> None:
    """Count the bounds of the hold time, and those far above it although two sticks were in circles until the loss."""
    good = np.flatnonzero(found.train.good)
    for steady in found.failsafes:
        if steady.held_most_ps is None or truth.held_us is None or good[steady.first] + 1 != truth.failsafe_frame:
            continue
        kind = "slow" if truth.slow else "circles"
        seen[f"bounds {kind}"] += 1
        seen[f"useless {kind}"] += steady.held_most_ps / 1e6 > truth.held_us + 100_000
