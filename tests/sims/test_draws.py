"""Random numbers by name: any piece of a stream is the same piece."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lostlink_sims.draws import Draws, threshold, under


@given(st.integers(0, 5000), st.integers(1, 700), st.integers(0, 40), st.integers(0, 3))
def test_a_piece_is_part_of_the_whole(first: int, count: int, trial: int, purpose: int) -> None:
    """Where a stretch begins and ends does not change its numbers."""
    whole = Draws(9, trial).words(purpose, 0, 6000)
    assert (Draws(9, trial).words(purpose, first, count) == whole[first : first + count]).all()


@pytest.mark.parametrize(("trial", "purpose", "index"), [(0, 0, 0), (7, 3, 64), (8, 3, 63), (1000, 1024, 130)])
def test_address(trial: int, purpose: int, index: int) -> None:
    """The formula of the module's docstring, by one long stream of numpy's Philox."""
    counter = np.array([0, 0, trial // 8, purpose], np.uint64)
    raw = np.random.Philox(key=np.array([5, 0], np.uint64), counter=counter).random_raw(4096)
    stream = np.stack([raw & 0xFFFF_FFFF, raw >> 32], axis=1).ravel()
    place = ((index // 64) * 8 + trial % 8) * 64 + index % 64
    assert Draws(5, trial).words(purpose, index, 1)[0] == stream[place]


def test_known_answer() -> None:
    """The first numbers of a stream, kept: a change here changes every trace that was ever saved."""
    assert Draws(1).words(0, 0, 4).tolist() == KNOWN


KNOWN = [1969390303, 1303814779, 3133017647, 3645176323]


def test_names_part_streams() -> None:
    """Seeds, trials and purposes give streams that have nothing to do with one another."""
    streams = [
        Draws(seed, trial).words(purpose, 0, 4096) for seed in (1, 2) for trial in (0, 1, 8) for purpose in (0, 1)
    ]
    for number, one in enumerate(streams):
        for other in streams[number + 1 :]:
            assert abs(np.corrcoef(one, other)[0, 1]) < 0.07


def test_thresholds() -> None:
    """A share of 0 is never met and a share of 1 always; in between the resolution is 2**-32."""
    words = np.array([0, 1, 2**31, 2**32 - 1], np.uint32)
    assert under(words, threshold(0.0)).tolist() == [False] * 4
    assert under(words, threshold(1.0)).tolist() == [True] * 4
    assert under(words, threshold(0.5)).tolist() == [True, True, False, False]
    assert threshold(2**-32) == 1


def test_whole_numbers_below_a_limit() -> None:
    """Even over the range."""
    drawn = Draws(3).below(0, 0, 60_000, 6)
    assert set(drawn.tolist()) == set(range(6))
    assert np.bincount(drawn).min() > 9_600
