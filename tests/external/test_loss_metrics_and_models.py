"""Loss metrics against the RFCs' own samples; loss models against the theory of their chains."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from lostlink.measure import loss as metrics
from lostlink.planning.loss_log import read_loss_log
from lostlink_sims.air.loss import Bernoulli, GilbertElliott, LossModel, OnAir, PeriodicInterferer, Recorded, Tile
from lostlink_sims.streams import Streams

Bools = NDArray[np.bool_]


def lost(pattern: str, sign: str = "1") -> Bools:
    return np.array([letter == sign for letter in pattern])


# --- logs ----------------------------------------------------------------------------------------------------------


def received(tmp_path: Path, text: str, bits: int | None = None) -> list[int]:
    """Return the indices of the received packets of a log."""
    log = tmp_path / "log.csv"
    log.write_bytes(text.encode())
    return np.flatnonzero(~read_loss_log(str(log), counter_bits=bits).lost).tolist()


def test_a_counter_of_eight_bits_is_a_serial_number(tmp_path: Path) -> None:
    """RFC 1982, 5.2 (from memory): 255 + 1 = 0, 100 + 100 = 200, 200 + 100 = 44."""
    assert received(tmp_path, "counter\n255\n0\n", 8) == [0, 1]
    assert received(tmp_path, "counter\n100\n200\n44\n", 8) == [0, 100, 200]


@pytest.mark.parametrize(
    "text",
    [
        "lost\r\n0\r\n1\r\n0\r\n",  # rule 1: lines end with CRLF
        "lost\r\n0\r\n1\r\n0",  # rule 2: the last one need not
        "0\r\n1\r\n0\r\n",  # rule 3: the header may be missing
        "at,lost\r\n1,0\r\n2,1\r\n3,0\r\n",  # rule 4: fields are separated by commas
        '"lost"\r\n"0"\r\n"1"\r\n"0"\r\n',  # rule 5: fields may be quoted
        'lost\r\n"0"\r\n1\r\n0\r\n',  # and others not
        'note,lost\r\n"a, b",0\r\nc,1\r\nd,0\r\n',  # rule 6: quoted fields hold commas
        'note,lost\r\n"a ""b""",0\r\nc,1\r\nd,0\r\n',  # rule 7: a quote in them is doubled
    ],
)
def test_logs_by_the_rules_of_csv(text: str, tmp_path: Path) -> None:
    """RFC 4180, section 2, from memory (line breaks within quotes are refused)."""
    assert received(tmp_path, text) == [0, 2]


# --- metrics -------------------------------------------------------------------------------------------------------


def test_loss_runs() -> None:
    """RFC 3357, 5.4.3 and 6.5: the sequence 0100101011."""
    sample = lost("0100101011")
    assert metrics.loss_runs(sample)[1].tolist() == [1, 1, 1, 2]


def test_loss_periods_of_the_draft() -> None:
    """The RFC 3357 working group's draft: r r r x r r x x x r x r r x x x has four periods."""
    sample = lost("rrrxrrxxxrxrrxxx", "x")
    assert metrics.loss_runs(sample)[0].tolist() == [3, 6, 10, 13]
    assert metrics.loss_runs(sample)[1].tolist() == [1, 3, 1, 3]


def test_bursts_and_gaps() -> None:
    """RFC 3611, 4.7.2 (its printed pattern has 63 letters, not 64; its densities are not used)."""
    sample = np.array([letter in "0X" for letter in "11110111111111111111111X111X1011110111111111111111111X111111111"])
    found = metrics.bursts(sample)
    assert (found.first.tolist(), found.last.tolist()) == ([23], [34])
    assert found.burst_density == pytest.approx(1 / 3)


@pytest.mark.parametrize(
    ("places", "first", "last", "burst", "gap"),
    [
        ([20, 25, 30, 60], [20], [30], 3 / 11, 1 / 89),
        ([20, 36], [20], [36], 2 / 17, 0),
        ([20, 37], [], [], 0, 2 / 100),
    ],
)
def test_burst_boundaries(places: list[int], first: list[int], last: list[int], burst: float, gap: float) -> None:
    """RFC 3611, 4.7.2, Gmin = 16: 15 packets received in between still join, 16 part."""
    sample = np.zeros(100, np.bool_)
    sample[places] = True
    found = metrics.bursts(sample)
    assert (found.first.tolist(), found.last.tolist()) == (first, last)
    assert (found.burst_density, found.gap_density) == pytest.approx((burst, gap))


def test_delay_variation() -> None:
    """RFC 5481, 4.4 figure 1: delays 20, 10, 20, 25, 20."""
    delay = np.array([20, 10, 20, 25, 20])
    assert metrics.delay_variation_us(delay).tolist() == [10, 0, 10, 15, 10]


def test_gilbert_estimate() -> None:
    """Maximum likelihood for a two-state chain: counted by hand in a trace of 40 packets."""
    trace = lost("0010001110000000110000000000000001000000")
    assert metrics.gilbert_estimate(trace) == pytest.approx((1 / 8, 4 / 7))
    assert metrics.gilbert_estimate(lost("0001100011100000100")) == pytest.approx((0.25, 0.5))


# --- models --------------------------------------------------------------------------------------------------------


def drawn(model: LossModel, packets: int, *, trial: int = 0, interval_us: int = 5_000, air_us: int = 300) -> Bools:
    """Return what a model loses, drawn a tile at a time."""
    sampler = model.sampler(OnAir(air_us, 300, 40, 1_000_000, True, Streams(7, trial), 1024))
    tiles = (Tile(first, (first + np.arange(1024)) * interval_us) for first in range(0, packets, 1024))
    return np.concatenate([sampler(tile) for tile in tiles])[:packets].astype(np.bool_)


@pytest.mark.parametrize("share", [0.01, 0.1, 0.5])
def test_bernoulli(share: float) -> None:
    """Mean n q, within four standard deviations; mean burst 1 / (1 - q) (elementary)."""
    n = 200_000
    gone = drawn(Bernoulli(probability=share), n)
    assert abs(gone.sum() - n * share) < 4 * math.sqrt(n * share * (1 - share))
    _, lengths = metrics.loss_runs(gone)
    assert lengths.mean() == pytest.approx(1 / (1 - share), rel=0.02)


def test_bernoulli_extremes() -> None:
    """A share of 0 loses nothing and a share of 1 everything."""
    assert not drawn(Bernoulli(probability=0.0), 10_000).any()
    assert drawn(Bernoulli(probability=1.0), 10_000).all()


def test_gilbert() -> None:
    """Gilbert 1960, RFC 6534, 7.1: a .01, b .2 gives loss 1/21, burst 5, gap 100, P(burst >= 5) .4096, lag-1 .79."""
    a, b, n = 0.01, 0.2, 400_000
    gone = drawn(GilbertElliott(good_to_bad=a, bad_to_good=b), n)
    x, rho = a / (a + b), 1 - a - b
    # Variance of the count of a bursty loss: the binomial one is 8.5 times too small (Hasslinger & Hohlfeld 2008).
    sd = math.sqrt(n * x * (1 - x) * (1 + rho) / (1 - rho))
    assert abs(gone.sum() - n * x) < 4 * sd
    _, lengths = metrics.loss_runs(gone)
    assert lengths.mean() == pytest.approx(5, rel=0.06)
    assert (lengths >= 5).mean() == pytest.approx(0.4096, abs=0.03)
    assert np.corrcoef(gone[:-1], gone[1:])[0, 1] == pytest.approx(0.79, abs=0.01)
    assert metrics.gilbert_estimate(gone) == pytest.approx((a, b), rel=0.08)


def test_gilbert_elliott() -> None:
    """a .01, b .2, loss .01 in good and .8 in bad: ratio .0476190, mean burst 2.07117, lag-1 .493039 (matrix form)."""
    n = 400_000
    gone = drawn(GilbertElliott(good_to_bad=0.01, bad_to_good=0.2, loss_good=0.01, loss_bad=0.8), n)
    assert gone.mean() == pytest.approx(0.0476190, rel=0.06)
    assert metrics.loss_runs(gone)[1].mean() == pytest.approx(2.07117, rel=0.03)
    assert np.corrcoef(gone[:-1], gone[1:])[0, 1] == pytest.approx(0.493039, abs=0.02)


def test_gilbert_reduces_to_bernoulli() -> None:
    """With a + b = 1 the chain has no memory."""
    gone = drawn(GilbertElliott(good_to_bad=0.3, bad_to_good=0.7), 200_000)
    assert gone.mean() == pytest.approx(0.3, abs=0.005)
    assert abs(np.corrcoef(gone[:-1], gone[1:])[0, 1]) < 0.01


def test_periodic_interferer() -> None:
    """P(overlap) = (a + b) / P at random phase: 329 us, 1 ms, 10 ms gives .1329 (elementary; Abramson 1970)."""
    model = PeriodicInterferer(period_us=10_000, burst_us=1_000)
    hits = [drawn(model, 1, trial=trial, air_us=329)[0] for trial in range(8000)]
    assert np.mean(hits) == pytest.approx(0.1329, abs=4 * math.sqrt(0.1329 * 0.8671 / 8000))


def test_recorded_losses_come_back() -> None:
    """A recording is played from a drawn place on and over again."""
    pattern = lost("0010001110000000110000000000000001000000")
    model = Recorded(file="x.csv", pattern=bytes(pattern.astype(np.uint8)))
    gone = drawn(model, 4000)
    start = next(s for s in range(40) if (np.roll(pattern, -s) == gone[:40]).all())
    assert (np.resize(np.roll(pattern, -start), 4000) == gone).all()
