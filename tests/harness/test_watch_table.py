"""The live table: what each channel has shown, which way to trim, whether its ends are reached."""

from __future__ import annotations

import io
import math
import random
from dataclasses import replace

import pytest
from rich.console import Console
from talking_board import TalkingBoard

from lostlink.show import watch as screen
from lostlink.watch import advice
from lostlink.watch.column_stats import ColumnStats, TableStats
from lostlink.watch.columns import PrintedRow, ValueKind
from lostlink.watch.listener import Listener
from lostlink.watch.units import scale_for
from lostlink_sims import Profile
from lostlink_sims.profile import ReceiverSettings

CODES, COUNTS, WIDTHS = (scale_for(kind, None) for kind in (ValueKind.CODES, ValueKind.COUNTS, ValueKind.WIDTHS))
STEP_NS = 20_000_000
LATER_NS = 10**12


def gauge_of(*values: float) -> ColumnStats:
    """Return a gauge that has seen values 20 ms apart."""
    gauge = ColumnStats.starting(0, values[0])
    for number, value in enumerate(values[1:], 1):
        gauge.add(number * STEP_NS, value)
    return gauge


def sweep(low: float, high: float, times: int = 3, stop_low: float = 0, stop_high: float = 255) -> list[float]:
    """Return a stick swept from end to end, its number stopped at some limits."""
    middle, half = (low + high) / 2, (high - low) / 2
    turn = [middle + half * math.sin(2 * math.pi * n / 60) for n in range(60 * times)]
    return [round(min(stop_high, max(stop_low, value))) for value in turn]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (127, "centred"),  # the middle code of 0..255, by common practice
        (128, "centred"),
        (126, "centred"),
        (124, "trim: raise by 3 codes"),
        (125, "trim: raise by 2 codes"),
        (131, "trim: lower by 4 codes"),
        (60, "off centre"),
        (255, "off centre"),
    ],
)
def test_how_to_trim(value: float, said: str) -> None:
    """By the value, because a reversed control goes the other way than its stick."""
    assert advice.centring(gauge_of(value), CODES, LATER_NS) == said


def test_middle_of_counts_and_widths() -> None:
    assert advice.centring(gauge_of(511), COUNTS, LATER_NS) == "centred"
    assert advice.centring(gauge_of(500), COUNTS, LATER_NS) == "trim: raise by 12 counts"
    assert advice.centring(gauge_of(1498), WIDTHS, LATER_NS) == "centred"
    assert advice.centring(gauge_of(1520), WIDTHS, LATER_NS) == "trim: lower by 20 µs"
    wide = replace(Profile(), receiver=ReceiverSettings(low_us=1100, high_us=1940))
    assert scale_for(ValueKind.WIDTHS, wide).middle == 1520


def test_a_moving_stick_is_not_trimmed_and_a_trembling_one_is() -> None:
    moving = gauge_of(*range(100, 140, 4))
    assert advice.centring(moving, CODES, 10 * STEP_NS) == "moving"
    assert advice.centring(moving, CODES, LATER_NS) != "moving"
    trembling = gauge_of(*[123, 124] * 50)
    assert advice.centring(trembling, CODES, 100 * STEP_NS) == "trim: raise by 4 codes"


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (sweep(0, 255), "both ends reached"),
        (sweep(1, 254), "both ends reached"),
        (sweep(8, 255), "not reached: low by 8 codes"),
        (sweep(0, 247), "not reached: high by 8 codes"),
        (sweep(20, 240), "not reached: low by 20 codes, high by 15 codes"),
        (sweep(0, 320), "clipped or held at its stop: high 3x"),
        (sweep(-60, 320), "clipped or held at its stop: low 3x, high 3x"),
        (sweep(0, 300, stop_high=240), "not reached: high by 15 codes"),
        (sweep(100, 160), "move to both ends"),
        ([127] * 50, ""),
        ([0] * 50 + [255] * 50 + [0] * 50, "both ends reached"),  # a switch
        ([*sweep(0, 255), *[0] * 500, *sweep(0, 255)], "both ends reached"),  # at rest at its stop for long
    ],
)
def test_travel(values: list[float], said: str) -> None:
    assert advice.travel(gauge_of(*values), CODES) == said


def hand(rng: random.Random, low: float, high: float, *, wait: int = 15, noise: float = 0.3) -> list[float]:
    """Return what a hand does: from end to end with a wait at each, with the noise of a potentiometer, in codes."""
    levels = [127.0]
    for _ in range(4):
        for end in (low, 127.0, high, 127.0):
            start, rows = levels[-1], rng.randint(8, 20)
            levels += [start + (end - start) * (row + 1) / rows for row in range(rows)]
            levels += [end] * (rng.randint(wait // 2, wait) if end != 127.0 else 0)
    return [min(255, max(0, round(level + rng.gauss(0, noise)))) for level in levels]


def test_what_is_said_of_the_ends_is_true() -> None:
    """A stick that turns or waits before its end is never called clipped, whatever it waits for, with any noise.

    The truth is drawn here: how far the stick goes, or the gain by which its value is cut at the end.
    """
    for seed in range(40):
        rng = random.Random(seed)
        low, high, noise = rng.uniform(3, 40), rng.uniform(215, 252), rng.choice([0.0, 0.1, 0.4, 1.0])
        values = hand(rng, low, high, wait=rng.choice([4, 15, 60]), noise=noise)
        said = advice.travel(gauge_of(*values), CODES)
        assert "clipped" not in said, seed
        for name, off in (("low", min(values)), ("high", 255 - max(values))):
            assert (f"{name} by {off} code" in said) == (off > 1), (seed, said)
        cut = hand(rng, 127 - rng.uniform(140, 200), 127 + rng.uniform(140, 200), wait=6, noise=noise)
        assert advice.travel(gauge_of(*cut), CODES) == "clipped or held at its stop: low 4x, high 4x", seed


def test_noise_at_a_stop_is_not_clipped() -> None:
    """A stick held against its stop, where its value flickers: nothing hides the noise there."""
    rng = random.Random(3)
    held = [*range(127, 254, 4), *(254 + rng.choice([0, 1]) for _ in range(300)), *range(254, 0, -4)]
    assert advice.travel(gauge_of(*held, *held, *held), CODES) == "not reached: low by 2 codes"


def test_a_switch_is_not_clipped() -> None:
    """Thrown back and forth in half seconds."""
    assert advice.travel(gauge_of(*([0] * 25 + [127] * 20 + [255] * 25) * 4), CODES) == "both ends reached"


def test_a_lost_byte_is_no_travel() -> None:
    """``180`` without a digit, for one line: neither an end nor a movement."""
    gauge = gauge_of(*[180] * 40, 18, *[180] * 40)
    assert (gauge.lowest, gauge.highest) == (180, 180)
    assert advice.travel(gauge, CODES) == ""
    assert gauge.rests_since_ns == 0


def test_travel_beyond_the_range() -> None:
    values = [1000 + value * 4.1 for value in sweep(-5, 255, stop_low=-5)]
    assert advice.travel(gauge_of(*values), WIDTHS) == "beyond: low by 20.5 µs, high by 45.5 µs"


def test_rate_and_another_number_of_columns() -> None:
    gauges = TableStats()
    gauges.add(PrintedRow(number * STEP_NS, 0, (1.0, 2.0)) for number in range(100))
    assert gauges.rate_hz(100 * STEP_NS) == pytest.approx(50)
    gauges.add([PrintedRow(100 * STEP_NS, 0, (1.0,))])
    assert len(gauges.columns) == 1
    assert gauges.rate_hz(LATER_NS) == 0


def shown(board: TalkingBoard, profile: Profile | None, seconds: float = 3) -> str:
    listener = Listener(board, clock_ns=board.clock_ns, channels=None)
    listener.listen_until(listener.started_ns + round(seconds * 1e9))
    console = Console(width=120, file=io.StringIO(), record=True)
    console.print(screen.picture(listener, profile))
    return console.export_text() + screen.line(listener, profile)


def test_table_without_a_profile() -> None:
    text = shown(
        TalkingBoard(text=lambda _, codes: " ".join(f"{n}={c}" for n, c in zip("RPTY", codes, strict=True))), None
    )
    assert "virtual at 250000 baud" in text
    assert "4 channels, codes 0..255" in text
    assert "Widths by the default mapping, 1000 to 2000 µs" in text
    assert "not reached: low by 27 codes, high by 28 codes" in text
    assert "T 180" in text  # the line


def test_table_with_a_profile_knows_throttle_and_switches() -> None:
    text = shown(
        TalkingBoard(text=lambda at_s, codes: ",".join(map(str, [int(at_s * 1e3), *codes, 0, 255, -70]))), Profile()
    )
    rows = {line.split("  ")[0]: line for line in text.splitlines()}
    assert "off centre" not in rows["throttle"]
    assert "centred" in rows["yaw"]
    assert "centre" not in rows["switch 1"]
    assert "Not shown, time or counter: column 1." in text
    assert "Not shown, not a channel: column 8." in text


def test_nothing_and_nonsense() -> None:
    assert "no columns yet" in shown(TalkingBoard(text=lambda _, __: "hello"), None, 0.2)
    assert "no data for" in shown(TalkingBoard(lines_hz=0.01), None, 5)
    binary = shown(TalkingBoard(text=lambda _, __: "\0\x05\x81"), None)
    assert "zero bytes" in binary
