"""The live table: what each channel has shown, which way to trim, whether its ends are reached."""

from __future__ import annotations

import io
import math
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
        (124, "trim right/up: 3 codes low"),
        (125, "trim right/up: 2 codes low"),
        (131, "trim left/down: 4 codes high"),
        (60, "off centre"),
        (255, "off centre"),
    ],
)
def test_which_way_to_trim(value: float, said: str) -> None:
    assert advice.centring(gauge_of(value), CODES, LATER_NS) == said


def test_middle_of_counts_and_widths() -> None:
    assert advice.centring(gauge_of(511), COUNTS, LATER_NS) == "centred"
    assert advice.centring(gauge_of(500), COUNTS, LATER_NS) == "trim right/up: 12 counts low"
    assert advice.centring(gauge_of(1498), WIDTHS, LATER_NS) == "centred"
    assert advice.centring(gauge_of(1520), WIDTHS, LATER_NS) == "trim left/down: 20 µs high"
    wide = replace(Profile(), receiver=ReceiverSettings(low_us=1100, high_us=1940))
    assert scale_for(ValueKind.WIDTHS, wide).middle == 1520


def test_a_moving_stick_is_not_trimmed_and_a_trembling_one_is() -> None:
    moving = gauge_of(*range(100, 140, 4))
    assert advice.centring(moving, CODES, 10 * STEP_NS) == "moving"
    assert advice.centring(moving, CODES, LATER_NS) != "moving"
    trembling = gauge_of(*[123, 124] * 50)
    assert advice.centring(trembling, CODES, 100 * STEP_NS) == "trim right/up: 3 codes low"


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (sweep(0, 255), "both ends reached"),
        (sweep(1, 254), "both ends reached"),
        (sweep(8, 255), "low end 8 short"),
        (sweep(0, 247), "high end 8 short"),
        (sweep(20, 240), "low end 20 short, high end 15 short"),
        (sweep(0, 320), "high end clipped (flat 3x)"),
        (sweep(-60, 320), "low end clipped (flat 3x), high end clipped (flat 3x)"),
        (sweep(0, 300, stop_high=240), "high end clipped at 240 (flat 3x)"),
        (sweep(100, 160), "move to both ends"),
        ([127] * 50, ""),
        ([0] * 50 + [255] * 50 + [0] * 50, "both ends reached"),  # a switch
        ([*sweep(0, 255), *[0] * 500, *sweep(0, 255)], "both ends reached"),  # at rest at its stop for long
    ],
)
def test_travel(values: list[float], said: str) -> None:
    assert advice.travel(gauge_of(*values), CODES) == said


def test_travel_beyond_the_range() -> None:
    values = [1000 + value * 4.1 for value in sweep(-5, 255, stop_low=-5)]
    assert advice.travel(gauge_of(*values), WIDTHS) == "low end 20.5 beyond, high end 45.5 beyond"


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
    assert "low end 27 short, high end 28 short" in text
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
