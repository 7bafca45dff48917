"""Frames to edges and edges to frames, in small pieces."""

from __future__ import annotations

import numpy as np
import pytest

from lostlink_sims.frames import NEVER, Decoded, Frames, joined
from lostlink_sims.ppm import PulseDecoder, edges, leading_edges

SYNC_US = 3_000


def frames(start_us: list[int], rows: list[list[int]], until_us: list[int] | None = None) -> Frames:
    return Frames(
        np.array(start_us, np.int64),
        np.array([len(row) for row in rows], np.int64),
        np.array([width for row in rows for width in row], np.int64),
        np.array([NEVER] * len(rows) if until_us is None else until_us, np.int64),
    )


def instants(*values: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(values, np.int64)


def shown(seen: Decoded) -> list[tuple[int, int, list[int]]]:
    """Return (start, done, widths) of each frame."""
    ends = np.cumsum(seen.count)
    return [
        (int(start), int(done), seen.widths_us[end - count : end].tolist())
        for start, done, count, end in zip(seen.start_us, seen.done_us, seen.count, ends, strict=True)
    ]


def test_nothing_makes_no_edges() -> None:
    at_us, level = edges(frames([], []), 300, "positive")
    assert (len(at_us), len(level)) == (0, 0)


def test_frames_of_different_length() -> None:
    """Each frame's edges count from its own start, however many channels it has."""
    leads = leading_edges(frames([100, 20_000, 40_000], [[1000, 1500], [1200], [900, 800, 700]]))
    assert leads.tolist() == [100, 1100, 2600, 20_000, 21_200, 40_000, 40_900, 41_700, 42_400]


@pytest.mark.parametrize(
    ("until_us", "at_us"),
    [
        (0, []),
        (1, [0, 1]),
        (300, [0, 300]),
        (1000, [0, 300]),
        (1001, [0, 300, 1000, 1001]),
        (1250, [0, 300, 1000, 1250]),
        (2600, [0, 300, 1000, 1300, 2500, 2600]),
        (NEVER, [0, 300, 1000, 1300, 2500, 2800]),
    ],
)
@pytest.mark.parametrize("polarity", ["positive", "negative"])
def test_a_frame_that_is_cut_short(until_us: int, at_us: list[int], polarity: str) -> None:
    """From the instant of silence on the line rests: no edge later, and a separator that is on ends there."""
    found, level = edges(frames([0], [[1000, 1500]], [until_us]), 300, polarity)
    assert found.tolist() == at_us
    assert level.tolist() == ([1, 0] if polarity == "positive" else [0, 1]) * (len(at_us) // 2)


def test_silence_cuts_only_its_own_frame() -> None:
    leads = leading_edges(frames([0, 10_000], [[1000, 1000], [1000, 1000]], [1_500, NEVER]))
    assert leads.tolist() == [0, 1000, 10_000, 11_000, 12_000]


def test_a_gap_of_just_the_sync_length_ends_a_frame() -> None:
    """One microsecond less and it is a wide channel."""
    for gap_us, rows in ((SYNC_US, [[1000]]), (SYNC_US - 1, [])):
        decoder = PulseDecoder(SYNC_US, from_rest=True)
        seen = decoder.feed(instants(0, 1000, 1000 + gap_us))
        assert [widths for _, _, widths in shown(seen)] == rows, gap_us


def test_flush_completes_a_frame_when_its_gap_is_over() -> None:
    decoder = PulseDecoder(SYNC_US, from_rest=True)
    assert shown(decoder.feed(instants(0, 1000, 2500))) == []
    assert shown(decoder.flush(2500 + SYNC_US - 1)) == []
    assert shown(decoder.flush(2500 + SYNC_US)) == [(0, 5500, [1000, 1500])]
    assert shown(decoder.flush(10**9)) == [], "a frame is given once"


def test_flush_before_any_edge() -> None:
    for from_rest in (True, False):
        assert shown(PulseDecoder(SYNC_US, from_rest=from_rest).flush(10**6)) == []


def test_after_a_flush_the_next_frame_begins_anew() -> None:
    decoder = PulseDecoder(SYNC_US, from_rest=True)
    decoder.feed(instants(0, 1000))
    decoder.flush(100_000)
    seen = joined([decoder.feed(instants(100_000, 101_200)), decoder.flush(200_000)])
    assert shown(seen) == [(100_000, 104_200, [1200])]


def test_who_begins_to_watch_in_mid_frame_drops_what_comes_before_the_first_gap() -> None:
    """Also when a flush, and not an edge, shows the gap."""
    fed = PulseDecoder(SYNC_US)
    assert shown(fed.feed(instants(500, 1500, 10_000, 11_000, 20_000))) == [(10_000, 14_000, [1000])]
    flushed = PulseDecoder(SYNC_US)
    assert shown(flushed.feed(instants(500, 1500))) == []
    assert shown(flushed.flush(8_000)) == []
    assert shown(joined([flushed.feed(instants(10_000, 11_000)), flushed.flush(20_000)])) == [(10_000, 14_000, [1000])]


def test_a_lone_edge_is_a_frame_without_channels() -> None:
    """A spike between gaps is no channel; the frames around it stay whole."""
    decoder = PulseDecoder(SYNC_US, from_rest=True)
    seen = joined([decoder.feed(instants(0, 1000, 9_000, 20_000, 21_100)), decoder.flush(10**6)])
    assert [widths for _, _, widths in shown(seen)] == [[1000], [], [1100]]


def test_pieces_of_no_edge() -> None:
    decoder = PulseDecoder(SYNC_US, from_rest=True)
    pieces = [decoder.feed(instants()), decoder.feed(instants(0)), decoder.feed(instants()), decoder.flush(0)]
    pieces += [decoder.feed(instants(1000)), decoder.flush(4000)]
    assert shown(joined(pieces)) == [(0, 4000, [1000])]
    assert shown(joined([])) == []


def test_table_of_irregular_counts() -> None:
    """Missing channels are -1, surplus ones are left out."""
    rows = frames([0, 10_000, 20_000], [[1000], [1100, 1200, 1300], []])
    assert rows.table(2).tolist() == [[1000, -1], [1100, 1200], [-1, -1]]
    assert frames([0, 10_000], [[1000, 1100], [1200, 1300]]).table(3).tolist() == [[1000, 1100, -1], [1200, 1300, -1]]
    assert frames([0, 10_000], [[1000, 1100], [1200, 1300]]).table(1).tolist() == [[1000], [1200]]
    assert frames([], []).table(4).shape == (0, 4)


def test_end_of_a_channels_slot() -> None:
    """Where the frame is too short for the channel, never."""
    seen = Decoded(instants(0, 10_000), instants(9_000, 19_000), instants(3, 1), instants(1000, 1500, 1200, 1000))
    assert seen.last_edge_us(1).tolist() == [2500, NEVER]
    assert seen.last_edge_us(0).tolist() == [1000, 11_000]
