"""Encodings of the receiver's output: frames of widths to edges, and edges to frames.

To add an encoding: a module like `ppm`, and an entry in `ENCODINGS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from lostlink_sims import ppm
from lostlink_sims.arrays import Bytes, Ints
from lostlink_sims.frames import Decoded, Frames
from lostlink_sims.profile import Profile


class Decoder(Protocol):
    """Decodes frames from edges fed in pieces."""

    def feed(self, leads_us: Ints) -> Decoded:
        """Add leading edges and return the frames that they complete."""
        ...

    def flush(self, now_us: int) -> Decoded:
        """Return the frame that is complete if no edge comes until `now_us`."""
        ...


@dataclass(frozen=True, slots=True)
class Encoding:
    """A conversion of widths to edges, and of edges to frames.

    Attributes
    ----------
    leading_edges : callable
        ``leading_edges(frames)`` gives the instants that carry the widths, ascending, in µs.
    edges : callable
        ``edges(frames, separator_us, polarity)`` gives instants and levels of all edges.
    decoder : callable
        ``decoder(least_sync_us, from_rest=...)`` gives a `Decoder`.
    """

    leading_edges: Callable[[Frames], Ints]
    edges: Callable[[Frames, int | Ints, str], tuple[Ints, Bytes]]
    decoder: Callable[..., Decoder]


ENCODINGS: Final = {"ppm": Encoding(ppm.leading_edges, ppm.edges, ppm.PulseDecoder)}


def encoding_of(profile: Profile) -> Encoding:
    """Return the encoding of a link's output; today every link has the same."""
    del profile
    return ENCODINGS["ppm"]


def decoder_of(profile: Profile, *, from_rest: bool) -> Decoder:
    """Return the decoder of a link's flight controller."""
    return encoding_of(profile).decoder(profile.flight_controller.least_sync_us, from_rest=from_rest)
