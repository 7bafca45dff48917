"""Random numbers are addressed, not drawn: any piece equals the whole, and anybody's Philox finds them again."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink_sims.air.loss import _walk
from lostlink_sims.philox import blocks
from lostlink_sims.streams import Purpose, Streams, threshold, under

_MASK = (1 << 64) - 1


def philox(counter: tuple[int, int, int, int], key: tuple[int, int]) -> tuple[int, ...]:
    """Return a block of Philox4x64-10, written from Salmon et al., SC'11, 2011, in plain integers."""
    c0, c1, c2, c3 = counter
    k0, k1 = key
    for _ in range(10):
        high0, low0 = divmod(0xD2E7470EE14C6C93 * c0, 1 << 64)
        high1, low1 = divmod(0xCA5A826395121157 * c2, 1 << 64)
        c0, c1, c2, c3 = high1 ^ c1 ^ k0, low1, high0 ^ c3 ^ k1, low0
        k0, k1 = (k0 + 0x9E3779B97F4A7C15) & _MASK, (k1 + 0xBB67AE8584CAA73B) & _MASK
    return c0, c1, c2, c3


def number(seed: int, trial: int, purpose: int, k: int) -> int:
    """Return one number by the formula in the docstring of `draws`."""
    word = ((k // 64) * 8 + trial % 8) * 64 + k % 64
    word64, half = divmod(word, 2)
    # numpy counts the counter up before it makes a block: its first block is that of counter + 1.
    block = philox((word64 // 4 + 1, 0, trial // 8, purpose), (seed, 0))
    return block[word64 % 4] >> 32 * half & 0xFFFF_FFFF


@pytest.mark.parametrize(
    ("counter", "key", "block"),
    [
        ((0,) * 4, (0,) * 2, (0x16554D9ECA36314C, 0xDB20FE9D672D0FDC, 0xD7E772CEE186176B, 0x7E68B68AEC7BA23B)),
        ((_MASK,) * 4, (_MASK,) * 2, (0x87B092C3013FE90B, 0x438C3C67BE8D0224, 0x9CC7D7C69CD777B6, 0xA09CAEBF594F0BA0)),
    ],
)
def test_the_reference_is_philox(
    counter: tuple[int, int, int, int], key: tuple[int, int], block: tuple[int, ...]
) -> None:
    """The known answers that the authors publish with Salmon et al., SC'11 (from memory; they come out)."""
    assert philox(counter, key) == block


@given(
    key=st.integers(0, _MASK), counter=st.integers(0, 1 << 62), row=st.integers(0, 1 << 62),
    purpose=st.integers(0, 1 << 17),
)  # fmt: skip
@settings(max_examples=80, deadline=None, derandomize=True)
def test_blocks_anywhere(key: int, counter: int, row: int, purpose: int) -> None:
    """Blocks in numpy against the plain integers above."""
    counters, rows = np.array([counter, counter + 1, 0]), np.array([row, row, 1])
    made = blocks(key, counters, rows, purpose)
    wanted = [philox((int(c), 0, int(r), purpose), (key, 0)) for c, r in zip(counters, rows, strict=True)]
    assert [tuple(block.tolist()) for block in made] == wanted


def test_blocks_in_pieces() -> None:
    """More blocks than are made at a time, against numpy's own generator."""
    source = np.random.Philox(counter=np.array([7, 0, 11, 1025], np.uint64), key=np.array([5, 0], np.uint64))
    made = blocks(5, np.arange(8, 20_008), np.full(20_000, 11), 1025)
    assert (made.ravel() == source.random_raw(80_000)).all()


@given(
    seed=st.integers(0, _MASK), trial=st.integers(0, 1 << 40), purpose=st.integers(0, 1 << 17),
    k=st.integers(0, 1 << 40),
)  # fmt: skip
@settings(max_examples=80, deadline=None, derandomize=True)
def test_the_formula_of_the_docstring(seed: int, trial: int, purpose: int, k: int) -> None:
    """A number found by plain integer arithmetic is the number that `Streams` gives."""
    assert int(Streams(seed, trial).words(purpose, k, 1)[0]) == number(seed, trial, purpose, k)


def test_known_answers() -> None:
    """These numbers stay: old replays rest on them (a regression, no outside source)."""
    assert Streams(1, 0).words(0, 0, 3).tolist() == [0x756282DF, 0x4DB6A27B, 0xBABE0E2F]
    draws = Streams(2026, 13)
    assert draws.words(1024, 62, 4).tolist() == [0x69699B6B, 0xC33EA279, 0xD69D82E7, 0x093ABCE7]
    assert draws.words(1024, 10**6, 2).tolist() == [0x927129F5, 0x459203D4]


@given(first=st.integers(0, 700), count=st.integers(1, 700), trial=st.integers(0, 20))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_any_piece_equals_the_whole(first: int, count: int, trial: int) -> None:
    """Numbers do not depend on where one begins to read or in how many pieces."""
    draws = Streams(5, trial)
    whole = draws.words(Purpose.MODEL, 0, 1400)
    piece = draws.words(Purpose.MODEL, first, count)
    assert piece.dtype == np.uint32
    assert piece.tolist() == whole[first : first + count].tolist()


def test_trials_purposes_and_seeds_are_apart() -> None:
    """No two streams share a stretch, and they are uncorrelated within 4.5 standard deviations."""
    n = 2048
    streams = {
        (seed, trial, purpose): Streams(seed, trial).words(purpose, 0, n).astype(np.float64)
        for seed in (1, 2)
        for trial in (0, 1, 7, 8, 9)
        for purpose in (Purpose.PHASES, Purpose.ADC_NOISE, Purpose.MODEL, Purpose.MODEL + 1, Purpose.FAULT)
    }
    assert len({tuple(stream[:4]) for stream in streams.values()}) == len(streams)
    correlation = np.corrcoef(np.array(list(streams.values())))
    np.fill_diagonal(correlation, 0)
    assert np.abs(correlation).max() < 4.5 / np.sqrt(n)


def test_numbers_are_even() -> None:
    """Mean 1/2, variance 1/12, and 16 equal cells (chi-squared, 15 degrees of freedom, 99.99 %: 44.3)."""
    n = 1 << 16
    words = Streams(3, 4).words(Purpose.MODEL, 0, n)
    share = words / 2.0**32
    assert abs(share.mean() - 0.5) < 4 * np.sqrt(1 / 12 / n)
    assert share.var() == pytest.approx(1 / 12, rel=0.02)
    cells = np.bincount(words >> 28, minlength=16)
    assert ((cells - n / 16) ** 2 / (n / 16)).sum() < 44.3


@pytest.mark.parametrize("limit", [1, 2, 3, 1000, 22_500, 1 << 32])
def test_below(limit: int) -> None:
    """Whole numbers from 0 to just below the limit: word * limit >> 32."""
    draws = Streams(9)
    words = draws.words(Purpose.PHASES, 0, 5000)
    numbers = draws.below(Purpose.PHASES, 0, 5000, limit)
    assert numbers.tolist() == [word * limit >> 32 for word in words.tolist()]
    assert 0 <= numbers.min() <= numbers.max() < limit


def test_thresholds() -> None:
    """A share of 0 is never, a share of 1 always, also for the largest word; beyond both it is clipped."""
    assert [threshold(share) for share in (-1, 0, 0.5, 1, 2)] == [0, 0, 1 << 31, 1 << 32, 1 << 32]
    words = np.array([0, (1 << 31) - 1, 1 << 31, (1 << 32) - 1], np.uint32)
    assert not under(words, threshold(0)).any()
    assert under(words, threshold(1)).all()
    assert under(words, threshold(0.5)).tolist() == [True, True, False, False]


@pytest.mark.parametrize("seed", range(20))
def test_a_chain_of_two_states_is_walked_step_by_step(seed: int) -> None:
    """Against the definition, a state at a time, with every order of the two thresholds (own loop, no source)."""
    words = np.random.default_rng(seed).integers(0, 2**32, 500)
    turns_bad, stays_bad = np.random.default_rng(seed + 1000).integers(0, 2**32, 2)
    bad, states = bool(seed & 1), []
    for word in words:
        bad = bool(word < (stays_bad if bad else turns_bad))
        states.append(bad)
    assert _walk(words < turns_bad, words < stays_bad, bad=bool(seed & 1)).tolist() == states
