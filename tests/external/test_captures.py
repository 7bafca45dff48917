"""Captures against outside sources: VCD (IEEE 1364-2005, 18), pulse trains, uncertainty (JCGM 100:2008).

"From memory" marks clauses that were not re-read. The VCD tokenizer of pyvcd is a second reader of the same files.
"""

from __future__ import annotations

import io
import itertools
import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

from lostlink.captures import resolution as ticks
from lostlink.captures.files import parse_capture
from lostlink.captures.recognise import choose
from lostlink.captures.signals import Capture
from lostlink.captures.train import PulseTrain

HEAD = "$timescale {scale} $end $scope module rx $end $var wire 1 {code} ppm $end $upscope $end $enddefinitions $end\n"


def read(body: str, scale: str = "1 us", code: str = "!") -> Capture:
    return parse_capture((HEAD.format(scale=scale, code=code) + body).encode("ascii"), "t.vcd")


def edges(body: str, **head: str) -> list[tuple[int, int]]:
    (signal,) = read(body, **head).signals
    return list(zip(signal.at_ps.tolist(), signal.level.tolist(), strict=True))


# --- IEEE 1364-2005, clause 18 (from memory) -------------------------------------------------------------------------


def test_minimal_dump() -> None:
    """A one-wire dump; the value in $dumpvars is where the wire stands, not an edge (18.2.3)."""
    found = edges("#0 $dumpvars 1! $end #300 0! #1000 1! #1300 0! #2500 1!\n")
    assert [at_ps // 10**6 for at_ps, level in found if level] == [1000, 2500]
    assert np.diff([at_ps for at_ps, level in found if level]).tolist() == [1500 * 10**6]
    assert [at_ps // 10**6 for at_ps, level in found if not level] == [300, 1300]


@pytest.mark.parametrize("stamp", [1, 1000, 10**17])
def test_initial_values_before_the_first_time_stamp(stamp: int) -> None:
    """They are those at the beginning (18.2.3), so the change at the first time stamp is an edge."""
    found = edges(f"$dumpvars 0! $end #{stamp} 1! #{stamp + 300} 0! #{stamp + 1500} 1!\n")
    assert [level for _, level in found] == [1, 0, 1]
    assert np.diff([at_ps for at_ps, _ in found]).tolist() == [300 * 10**6, 1200 * 10**6]


@pytest.mark.parametrize("number", [1, 10, 100])
@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns", "ps"])
@pytest.mark.parametrize("space", ["", " "])
def test_timescale(number: int, unit: str, space: str) -> None:
    """Every number and unit, with and without a space (18.2.3.6); a step is what they say."""
    step_ps = number * {"s": 10**12, "ms": 10**9, "us": 10**6, "ns": 1000, "ps": 1}[unit]
    assert edges("#0 0! #7 1!\n", scale=f"{number}{space}{unit}") == [(7 * step_ps, 1)]


@pytest.mark.parametrize("number", [1, 10, 100])
def test_femtoseconds(number: int) -> None:
    """Femtoseconds are rounded to picoseconds, half a picosecond up."""
    for steps in (123_000, 1499, 1500, 50, 149, 150, 449, 450):
        rounded = math.floor(Fraction(steps * number, 1000) + Fraction(1, 2))
        assert edges(f"#0 0! #{steps} 1!\n", scale=f"{number} fs") == ([(rounded, 1)] if rounded else [])


def test_identifier_codes() -> None:
    """One or more printable characters, 33 to 126, also $ and # at their front (18.2.1)."""
    codes = [chr(a) for a in range(33, 127)] + ["$a", "#1", "01", "b0", "!!", "x~~~"]
    for code in codes:
        assert edges(f"#0 0{code} #5 1{code}\n", code=code) == [(5 * 10**6, 1)], code


def test_four_states() -> None:
    """X and z in either case are unknown (18.2.1); what comes back as it was is no edge."""
    assert edges("#0 0! #1 x! #2 0! #3 Z! #4 1! #5 X! #6 1! #7 z! #8 0!\n") == [(4 * 10**6, 1), (8 * 10**6, 0)]
    (signal,) = read("#0 x! #10 0! #20 1!\n").signals
    assert signal.holes_ps.tolist() == [[0, 10 * 10**6]]
    assert signal.begin_ps == 10 * 10**6
    (signal,) = read("#0 0! #10 z! #20 1! #30 x!\n#40\n").signals
    assert (signal.holes_ps // 10**6).tolist() == [[10, 20], [30, 40]]


def test_what_else_is_in_a_dump() -> None:
    """Vectors, reals, comments, dump commands, repeated values and several changes at a time (18.2.1 to 18.2.3)."""
    body = (
        "$comment #9 1! $end #0 $dumpvars 0! b0000 # r0.5 % $end\n#5 1! 1! b1010 # r1.5 %\n#5 0! #6 0! #7 1!\n"
        "#8 $dumpoff x! bx # $end #9 $dumpon 1! b0 # $end #10 $dumpall 1! $end b0 !\n"
    )
    more = "$var integer 16 # width $end $var real 64 % volts $end $var wire 1 ! alias $end $enddefinitions $end"
    text = (HEAD.format(scale="1us", code="!") + body).replace("$enddefinitions $end", more, 1)
    (signal,) = parse_capture(text.encode("ascii"), "t.vcd").signals
    assert (signal.name, signal.also) == ("rx.ppm", ("alias",))
    assert [at // 10**6 for at in signal.at_ps.tolist()] == [7, 10]
    assert (signal.holes_ps // 10**6).tolist() == [[8, 9]]


@pytest.mark.parametrize("seed", range(4))
def test_second_reader(seed: int) -> None:
    """What pyvcd writes and its own tokenizer reads is what is read here."""
    draw = np.random.default_rng(seed)
    text = io.StringIO()
    with VCDWriter(text, timescale=("1 us", "10 ns", "100 ps", "1 ms")[seed], date="") as writer:
        wires = [writer.register_var("a.b", f"w{n}", "wire", size=1, init="x") for n in range(5)]
        bus = writer.register_var("a", "bus", "wire", size=7)
        at = 0
        for _ in range(800):
            at += int(draw.integers(0, 50))
            writer.change(wires[draw.integers(5)], at, draw.choice(["0", "1", "x", "z"]))
            writer.change(bus, at, int(draw.integers(128)))
    data = text.getvalue().encode("ascii")
    names: dict[str, str] = {}
    seen: dict[str, list[tuple[int, str]]] = {}
    now = 0
    for token in tokenize(io.BytesIO(data)):
        if token.kind is TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            seen.setdefault(names[token.scalar_change.id_code], []).append((now, token.scalar_change.value))
    capture = parse_capture(data, "t.vcd")
    for signal in capture.signals:
        settled: dict[int, str] = {}
        for instant, value in seen[signal.name.rpartition(".")[2]]:
            settled[instant] = value
        known = [(instant, value) for instant, value in settled.items() if value in "01"]
        wanted = [new for old, new in itertools.pairwise(known) if old[1] != new[1]]
        step_ps = (10**6, 10**4, 100, 10**9)[seed]
        assert signal.at_ps.tolist() == [instant * step_ps for instant, _ in wanted]
        assert signal.level.tolist() == [int(value) for _, value in wanted]
    assert len(capture.signals) == 5


# --- pulse trains (common practice, no formal standard) --------------------------------------------------------------


def train(widths: list[int], period_us: int, frames: int = 12) -> PulseTrain:
    rows = ["time_us,level", "0,0"]
    for number in range(frames):
        leads = 5_000 + number * period_us + np.concatenate([[0], np.cumsum(widths)])
        rows += [row for lead in leads.tolist() for row in (f"{lead},1", f"{lead + 300},0")]
    return choose(parse_capture("\n".join(rows).encode("ascii"), "t.csv"))


def test_edges_of_a_frame() -> None:
    """Eight channels make nine separators, 18 edges, 12000 µs of channels and 10500 µs of gap (arithmetic)."""
    widths = [1000, 1500, 2000, 1500, 1100, 1900, 1500, 1500]
    found = train(widths, 22_500, frames=10)
    assert len(found.signal.at_ps) == 180
    assert found.channels == 8
    assert (found.widths_ps[0] // 10**6).tolist() == widths
    assert set(found.gaps_ps.tolist()) == {10_500 * 10**6}
    assert set(found.separator_ps.tolist()) == {300 * 10**6}


@pytest.mark.parametrize(
    ("channels", "width_us", "period_us", "gap_us"),
    [
        (8, 2000, 22_500, 6_500), (8, 1500, 22_500, 10_500), (8, 1000, 22_500, 14_500),
        (8, 2000, 20_000, 4_000), (8, 1500, 20_000, 8_000), (8, 1000, 20_000, 12_000),
        (6, 2000, 22_500, 10_500), (6, 1000, 22_500, 16_500),
    ],
)  # fmt: skip
def test_sync_gap(channels: int, width_us: int, period_us: int, gap_us: int) -> None:
    """What a frame leaves for its gap (common practice, no source)."""
    found = train([width_us] * channels, period_us)
    assert found.channels == channels
    assert set(found.gaps_ps.tolist()) == {gap_us * 10**6}
    assert set(found.periods_ps.tolist()) == {period_us * 10**6}


# --- uncertainty (JCGM 100:2008, from memory) ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sample_period_ps", "standard_us"), [(10**6, 0.408248), (62_500, 0.025516), (10**12 / 30e6, 0.0136083)]
)
def test_uncertainty_of_a_width(sample_period_ps: float, standard_us: float) -> None:
    """Two stamps off by a rectangle each give a triangle, u = tick / √6 (4.3.9, 5.1.2), times 2 (6.2.1)."""
    assert ticks.width_uncertainty_us(sample_period_ps) == pytest.approx(2 * standard_us, rel=2e-5)


def test_uncertainty_by_trial() -> None:
    """Widths between instants that were rounded up to a tick scatter by tick / √6; 2 u covers 96 to 97 %."""
    draw = np.random.default_rng(11)
    begin, width = draw.uniform(0, 1e6, 200_000), draw.uniform(1e3, 2e3, 200_000)
    error = (np.ceil(begin + width) - np.ceil(begin)) - width
    assert error.std() == pytest.approx(1 / np.sqrt(6), rel=0.01)
    # Triangle of half-width 1: P(|x| <= U) = 1 - (1 - U)^2 with U = 2 / √6.
    assert (np.abs(error) <= 2 / np.sqrt(6)).mean() == pytest.approx(1 - (1 - 2 / np.sqrt(6)) ** 2, abs=0.002)


@pytest.mark.parametrize("rate_mhz", [1, 2, 4, 8, 12, 16, 24, 25, 50, 100])
def test_tick_of_usual_sample_rates(rate_mhz: int) -> None:
    """A file in nanoseconds of which every stamp was rounded shows the sample rate, whatever its phase."""
    draw = np.random.default_rng(rate_mhz)
    samples = np.cumsum(draw.integers(5, 40_000, 3_000)) * 1000
    for stamps in (samples // rate_mhz, -(-samples // rate_mhz), (2 * samples + rate_mhz) // (2 * rate_mhz)):
        found = ticks.sample_period_ps(stamps * 1000 + 123_000, 1000)
        assert found == pytest.approx(1e6 / rate_mhz)


def written(instants_us: np.ndarray[Any, np.dtype[np.float64]], rate_mhz: int, step_ns: int, way: str) -> Any:
    """Return the stamps in picoseconds of an analyser that samples, and of a file that rounds to its step."""
    samples_ns = np.ceil(instants_us * rate_mhz) * 1000 / rate_mhz
    steps = samples_ns / step_ns
    rounded = {"down": np.floor(steps + 1e-9), "half up": np.floor(steps + 0.5 + 1e-9), "even": np.rint(steps)}[way]
    return (rounded * step_ns * 1000).astype(np.int64)


@pytest.mark.parametrize("way", ["down", "half up", "even"])
@pytest.mark.parametrize(
    ("rate_mhz", "step_ns", "period_ps", "rounding_ps"),
    [
        (8, 100, 125_000, 100_000), (6, 100, 1e12 / 6e6, 100_000), (4, 100, 250_000, 100_000),
        (80, 10, 12_500, 10_000), (64, 10, 15_625, 10_000), (48, 10, 1e12 / 48e6, 10_000),
        (24, 10, 1e12 / 24e6, 10_000), (8, 1, 125_000, 0),
        (10, 100, 100_000, 100_000), (12, 100, 100_000, 100_000), (24, 1000, 10**6, 10**6),
        (1, 100, 10**6, 0),
    ],
)  # fmt: skip
def test_sample_period_and_rounding_add_up(
    rate_mhz: int, step_ns: int, period_ps: float, rounding_ps: int, way: str
) -> None:
    """8 MHz written in tenths of a microsecond: 125 ns and 100 ns, whichever way the file rounds.

    No width is off by more than the bound; the expanded uncertainty covers at least the 95 % that k = 2 stands for.
    Where the file's step hides the sample period, that counts with as much as the step.
    """
    draw = np.random.default_rng(rate_mhz)
    instants = np.cumsum(draw.uniform(300, 1800, 4_000))
    stamps = written(instants, rate_mhz, step_ns, way)
    found = ticks.resolution_of(stamps, step_ns * 1000)
    assert found.sample_period_ps == pytest.approx(period_ps)
    assert found.rounding_ps == rounding_ps
    error_us = np.abs(np.diff(stamps) / 1e6 - np.diff(instants))
    assert error_us.max() <= found.worst_us + 1e-6
    assert (error_us <= found.width_uncertainty_us).mean() >= 0.95
    assert found.instant_uncertainty_us >= 0.5 + (period_ps + rounding_ps) / 2e6


def test_a_given_sample_period_adds_to_the_file() -> None:
    """Also one that is finer than the file's step, which stamps cannot show."""
    stamps = written(np.cumsum(np.full(100, 777.7)), 24, 1000, "half up")
    found = ticks.resolution_of(stamps, 10**6, ticks.parse_tick("41.7 ns"))
    assert (found.sample_period_ps, found.rounding_ps) == (41_700, 10**6)
    assert ticks.resolution_of(stamps, 10**6, ticks.parse_tick("1 us")).rounding_ps == 0
