"""The board's clock against the host's: formulas and worked values of RFC 5905 and Cristian, and hard bounds.

Sources: RFC 5905 (2010), section 8 (note: RFC 2030 prints the delay with a wrong sign); Cristian, Distributed
Computing 3:146, 1989; drift values by ordinary least squares (scipy.stats.linregress), another way to the same line.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink.bench.board import EndlessCounter
from lostlink.bench.clocks import Alignment, offset_and_delay


@pytest.mark.parametrize(
    ("stamps", "offset", "delay"),
    [
        ((100, 105.2, 105.3, 100.9), 4.8, 0.8),
        ((0, 1003, 1003.5, 7.5), 999.5, 7.0),
        ((1000, 51020, 51120, 1220), 49960, 120),
        ((0, 50, 50, 100), 0, 100),  # clocks alike, 50 each way
        ((0, 1001, 1001, 7), 997.5, 7),  # true offset 1000, 1 there, 6 back: wrong by (there - back) / 2
    ],
)
def test_offset_and_delay(stamps: tuple[float, float, float, float], offset: float, delay: float) -> None:
    """RFC 5905, section 8: theta = ((T2 - T1) + (T3 - T4)) / 2, delta = (T4 - T1) - (T3 - T2)."""
    found_offset, found_delay = offset_and_delay(*stamps)
    assert found_offset == pytest.approx(offset)
    assert found_delay == pytest.approx(delay)


def test_asymmetry_is_bounded_by_half_the_delay() -> None:
    """RFC 5905; Cristian 1989: the true offset lies within theta +- delta / 2."""
    offset, delay = offset_and_delay(0, 1001, 1001, 7)
    assert offset - delay / 2 <= 1000 <= offset + delay / 2


def test_cristians_reading() -> None:
    """Cristian 1989: t = Ts + D/2, error at most D/2 - min; no least delay is known here, so the bound is D/2."""
    alignment = Alignment(tick_us=0)
    alignment.add(5.000e6, 100.000e6, 100.000e6, 5.030e6)
    fit = alignment.fit()
    assert fit is not None
    assert fit.uncertainty_us(5.015e6) == pytest.approx(15_000, rel=0.02)
    assert fit.host_us(100.000e6, 5.015e6) == pytest.approx(5.015e6, abs=200)


def test_drift_of_100_ppm() -> None:
    """Offsets 2.000 .. 2.004 s at 0 .. 40 s are 100 ppm (scipy.stats.linregress gives the same slope)."""
    alignment = Alignment(tick_us=0)
    for second in range(0, 50, 10):
        host = second * 1e6
        board = host * (1 + 100e-6) + 2e6
        alignment.add(host - 50, board, board, host + 50)
    fit = alignment.fit()
    assert fit is not None
    assert (fit.rate - 1) * 1e6 == pytest.approx(100, abs=2.6)
    assert fit.rate_uncertainty * 1e6 < 2.6  # 100 us of round trip over 40 s


def test_truth_lies_inside_the_bound(long: bool) -> None:
    """Whatever the delays, whichever way: board time at any instant lies within the stated half-width.

    ``--long``: 150 examples.
    """
    examples = given(
        seed=st.integers(0, 2**32 - 1),
        ppm=st.floats(-9000, 9000),
        latency_timer_us=st.sampled_from([0, 1_000, 16_000]),
        count=st.integers(1, 200),
    )
    settings(max_examples=150 if long else 50, deadline=None)(examples(expect_truth_inside))()


def expect_truth_inside(seed: int, ppm: float, latency_timer_us: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    rate, offset = 1 + ppm * 1e-6, float(rng.uniform(-1e9, 1e9))
    alignment = Alignment(tick_us=1)
    base = float(rng.uniform(0, 1e12))
    sent = base + np.cumsum(rng.uniform(5e3, 2e5, count))
    for t1 in sent.tolist():
        there, inside = rng.exponential(100) + 20, rng.uniform(0, 50)
        back = rng.exponential(100) + 20 + rng.uniform(0, 1) * latency_timer_us
        t2, t3 = t1 + there, t1 + there + inside
        stamps = [np.floor((t - base) * rate + offset) for t in (t2, t3)]  # a board of whole microseconds
        alignment.add(t1, float(stamps[0]), float(stamps[1]), t3 + back)
    fit = alignment.fit()
    assert fit is not None
    for at in (float(sent[0]), float(sent[-1]), float(sent.mean())):
        truth = (at - base) * rate + offset
        found = fit.host_us(truth, at)
        assert abs(found - at) * fit.rate <= fit.uncertainty_us(at) + 1.5


@pytest.mark.parametrize("wrong", ["jump", "too fast", "stands"])
def test_clock_that_cannot_be(wrong: str) -> None:
    """A clock that jumps, stands, or is 2 % off has no line."""
    alignment = Alignment()
    for number in range(40):
        host = number * 100_000.0
        board = {"jump": host - 50_000 * (number > 20), "too fast": host * 1.02, "stands": 5.0}[wrong]
        alignment.add(host, board, board, host + 200)
    assert alignment.fit() is None


def test_nothing_known_yet() -> None:
    """No exchange, no line."""
    assert Alignment().fit() is None


WRAP = 1 << 32


def is_before(one: int, other: int) -> bool:
    """Return whether a serial number is before another, as RFC 1982, 3.2, writes it for 32 bits (from memory)."""
    half = 1 << 31
    return (one < other and other - one < half) or (one > other and one - other > half)


@given(st.integers(0, WRAP - 1), st.integers(0, WRAP - 1))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_a_wrapped_stamp_is_a_serial_number(first: int, second: int) -> None:
    """RFC 1982: a stamp is later or earlier than the one before by the shorter way round; half a round is undefined."""
    counter = EndlessCounter()
    assert counter(first) == first
    step = counter(second) - first
    assert (first + step - second) % WRAP == 0
    if (second - first) % WRAP != WRAP // 2:
        assert (step > 0) == is_before(first, second)
        assert abs(step) < WRAP // 2


def test_rounds_of_a_microsecond_counter() -> None:
    """2^32 us are 71.583 min, 2^31 us 35.791 min: a stamp each half hour is followed for a day (arithmetic)."""
    counter, half_hour_us = EndlessCounter(0), 1_800_000_000
    assert half_hour_us / 60e6 < 35.791 < 71.583 == pytest.approx(WRAP / 60e6, abs=1e-3)
    assert [counter(k * half_hour_us % WRAP) for k in range(48)] == [k * half_hour_us for k in range(48)]
