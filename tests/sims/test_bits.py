"""Packets as bits, against plain loops over booleans."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lostlink_sims.batch import bits
from lostlink_sims.streams import BatchStreams, Streams, under

WORDS, TRIALS = 4, 5


@st.composite
def tables(draw: st.DrawFn) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """Booleans in runs, as losses come."""
    seed = draw(st.integers(0, 2**32 - 1))
    share = draw(st.sampled_from([0.0, 0.01, 0.3, 0.9, 1.0]))
    rng = np.random.default_rng(seed)
    table = rng.random((64 * WORDS, TRIALS)) < share
    table[draw(st.integers(0, 250)) :, 0] = False
    return table


@given(tables())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_there_and_back(table: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> None:
    assert (bits.unpacked(bits.packed(table)) == table).all()


@given(tables(), st.integers(1, 200))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_runs(table: np.ndarray[tuple[int, int], np.dtype[np.bool_]], least: int) -> None:
    run = bits.unpacked(bits.runs(bits.packed(table), least))
    for trial in range(TRIALS):
        wanted = [bool(table[slot : slot + least, trial].sum() == least) for slot in range(len(table))]
        assert run[:, trial].tolist() == wanted


@given(tables(), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_seeker(table: np.ndarray[tuple[int, int], np.dtype[np.bool_]], seed: int) -> None:
    seek = bits.Seeker(bits.packed(table))
    rng = np.random.default_rng(seed)
    trial, slot = rng.integers(0, TRIALS, 40), rng.integers(-1, 64 * WORDS + 1, 40)
    after, before = seek.next(trial, np.maximum(slot, 0)), seek.previous(trial, slot)
    for place in range(40):
        where = np.flatnonzero(table[:, trial[place]])
        later, earlier = where[where >= max(0, slot[place])], where[where <= slot[place]]
        assert after[place] == (later[0] if len(later) else seek.end)
        assert before[place] == (earlier[-1] if len(earlier) else -1)


@given(tables(), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_carried(table: np.ndarray[tuple[int, int], np.dtype[np.bool_]], seed: int) -> None:
    keeps = table | (np.random.default_rng(seed).random(table.shape) < 0.7)
    got = bits.unpacked(bits.carried(bits.packed(table), bits.packed(keeps)))
    for trial in range(TRIALS):
        bad = False
        for slot in range(len(table)):
            bad = bool(keeps[slot, trial]) if bad else bool(table[slot, trial])
            assert got[slot, trial] == bad


@given(tables())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_places_firsts_window(table: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> None:
    packed = bits.packed(table)
    trial, slot = bits.positions(packed)
    assert list(zip(trial.tolist(), slot.tolist(), strict=True)) == [tuple(pair) for pair in np.argwhere(table.T)]
    before = np.concatenate([np.zeros((1, TRIALS), np.bool_), table[:-1]])
    assert (bits.unpacked(bits.firsts(packed)) == (table & ~before)).all()
    for begin in (0, 5, 63, 64, 200, 64 * WORDS - 3):
        seen = bits.window(packed, np.arange(TRIALS), np.full(TRIALS, begin), 32)
        padded = np.concatenate([table, np.zeros((64, TRIALS), np.bool_)])
        assert (padded[begin : begin + 32] == seen.T).all()


def test_from_to_and_put() -> None:
    first, after = np.array([0, 3, 64, 100, 9]), np.array([256, 3, 65, 200, 2])
    table = bits.unpacked(bits.from_to(WORDS, first, after))
    for trial in range(TRIALS):
        assert np.flatnonzero(table[:, trial]).tolist() == list(range(first[trial], after[trial]))
    empty = np.zeros((WORDS, TRIALS), np.uint64)
    bits.put(empty, np.array([0, 0, 255, 70]), np.array([1, 1, 4, 0]))
    assert np.argwhere(bits.unpacked(empty)).tolist() == [[0, 1], [70, 0], [255, 4]]


@pytest.mark.parametrize("first", [0, 5, 16])
def test_many_draws_are_the_same_numbers(first: int) -> None:
    """Against `Streams`, which draws for one trial."""
    many = BatchStreams(99, first, 11)
    table = many.words(1030, 3)
    below, always = many.bits_under(1030, 3, 1 << 30, 1 << 32)
    few = many.firsts(4, 7)
    for place in range(11):
        own = Streams(99, first + place)
        words = own.words(1030, 0, 192)
        assert (table[:, place] == words).all()
        assert (few[:, place] == own.words(4, 0, 7)).all()
        assert (bits.unpacked(below)[:, place] == under(words, 1 << 30)).all()
    assert bits.unpacked(always).all()


@pytest.mark.parametrize(("share", "is_rare"), [(0.002, True), (0.5, False), (0.0, True)])
def test_numbers_here_and_there_are_the_same(share: float, *, is_rare: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against `Streams`; numbers that are wanted here and there are made by themselves."""
    words, trials, first = 6, 203, 13
    wanted = np.random.default_rng(5).random((64 * words, trials)) < share
    many = BatchStreams(2**64 - 99, first, trials)
    if is_rare:
        monkeypatch.setattr(many, "bits_under", None)
    found = bits.unpacked(many.bits_under_at(70000, bits.packed(wanted), 3 << 30))
    own = [under(Streams(2**64 - 99, first + place).words(70000, 0, 64 * words), 3 << 30) for place in range(trials)]
    assert (found == wanted & np.transpose(own)).all()


@given(tables())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_count(table: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> None:
    assert bits.count(bits.packed(table)).tolist() == table.sum(0).tolist()
