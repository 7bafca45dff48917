"""A timeline: the start of the flight and a sequence of pieces; and the scenario made from it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from lostlink.hunt.durations import Duration
from lostlink.hunt.events import WAIT, Kind, Variant, World
from lostlink.scenarios import ScenarioBuilder
from lostlink.verdicts import Side
from lostlink_sims import Move, Scenario

PHASES: Final = 16
"""Phases of packet and frame are sixteenths of their periods."""
LONGEST_US: Final = 120_000_000


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of a timeline.

    Attributes
    ----------
    kind, variant, duration : int
        Indices into `World.kinds`, `Kind.variants`, `World.durations`.
    beside : bool
        Whether it begins together with the previous piece, not after it.
    """

    kind: int
    variant: int = 0
    duration: int = 0
    beside: bool = False


@dataclass(frozen=True, slots=True)
class Timeline:
    """The course of a run; all zeros is a plain flight.

    Attributes
    ----------
    pieces : tuple of Piece
    throttle : int
        Index into `World.throttles`.
    start : int
        Index into `World.starts`.
    wrap : int
        0 for a counter that starts at 0; else an index into `World.wraps`, from 1.
    packet_phase, frame_phase : int
        In `PHASES`.
    """

    pieces: tuple[Piece, ...] = ()
    throttle: int = 0
    start: int = 0
    wrap: int = 0
    packet_phase: int = 0
    frame_phase: int = 0


@dataclass(frozen=True, slots=True)
class PlacedPiece:
    """A piece with its start and end, from the start of the scenario."""

    kind: Kind
    variant: Variant
    duration: Duration
    at_us: int
    until_us: int

    @property
    def is_event(self) -> bool:
        """Whether it is not a wait."""
        return self.kind.name != WAIT


def start_us(world: World, timeline: Timeline) -> int:
    """Return the start of the first piece."""
    builder = ScenarioBuilder(world.profile, 0, "hunt")
    later_us = world.starts[timeline.start]
    if later_us is not None:
        return later_us + builder.ready_us + builder.settle_us
    _, up_us = builder.take_off()
    return up_us + builder.settle_us + 10 * builder.frame_us


def placed_pieces(world: World, timeline: Timeline) -> Iterator[PlacedPiece]:
    """Yield the pieces with their start and end."""
    here_us = before_us = start_us(world, timeline)
    for piece in timeline.pieces:
        kind = world.kinds[piece.kind]
        variant, duration = kind.variants[piece.variant % len(kind.variants)], world.durations[piece.duration]
        at_us = before_us if piece.beside and kind.name != WAIT else here_us
        until_us = at_us + (duration.us if kind.lasts else 0)
        yield PlacedPiece(kind, variant, duration, at_us, until_us)
        before_us, here_us = at_us, max(here_us, until_us)


def events(world: World, timeline: Timeline) -> int:
    """Return the number of events: pieces that are not a wait."""
    return sum(world.kinds[piece.kind].name != WAIT for piece in timeline.pieces)


def span_us(world: World, timeline: Timeline) -> int:
    """Return the time from the start of the first piece to the end of the last."""
    begin_us = start_us(world, timeline)
    return max((piece.until_us for piece in placed_pieces(world, timeline)), default=begin_us) - begin_us


def fitted(world: World, timeline: Timeline, longest_us: int) -> Timeline:
    """Return a timeline with its longest pieces shortened until it fits into `longest_us`."""
    while span_us(world, timeline) > longest_us:
        pieces = timeline.pieces
        longest = max(range(len(pieces)), key=lambda index: pieces[index].duration)
        shorter = dataclasses.replace(pieces[longest], duration=pieces[longest].duration - 1)
        timeline = dataclasses.replace(timeline, pieces=(*pieces[:longest], shorter, *pieces[longest + 1 :]))
    return timeline


def scenario(world: World, timeline: Timeline, seed: int = 1, name: str = "hunt") -> Scenario:
    """Return the scenario of a timeline, which ends after the time in which control must be restored."""
    profile = world.profile
    builder = ScenarioBuilder(profile, seed, "hunt")
    throttle, begin_us = world.throttles[timeline.throttle], start_us(world, timeline)
    later_us = world.starts[timeline.start]
    if later_us is not None:
        moves, _ = builder.take_off(throttle, from_us=0)
        moves = tuple(dataclasses.replace(move, at_us=0) for move in moves)
    else:
        moves, _ = builder.take_off(throttle)
    placed = list(placed_pieces(world, timeline))
    effects = [item for piece in placed for item in piece.variant.effect(piece.at_us, piece.until_us - piece.at_us)]
    end_us = max([begin_us, *(piece.until_us for piece in placed)])
    packet_phase_us = timeline.packet_phase * profile.handset.packet_interval_us // PHASES
    clock_us = handset_clock_us = 0
    if timeline.wrap:
        wrap = world.wraps[timeline.wrap - 1]
        wraps_at_us = begin_us + wrap.lead_us
        if Side.RECEIVER in world.sides:
            clock_us = (wrap.value - wraps_at_us + profile.receiver.boot_us) % 2**32
        if Side.HANDSET in world.sides:
            runs_us = wraps_at_us - (later_us or 0) - profile.handset.boot_us - packet_phase_us
            runs_us += runs_us * profile.handset.clock_error_ppm // 1_000_000
            handset_clock_us = (wrap.value - runs_us) % 2**32
    return Scenario(
        name=name,
        seed=seed,
        duration_us=end_us + builder.linked_us + 12 * builder.frame_us,
        handset_on_us=later_us or 0,
        receiver_clock_us=clock_us,
        handset_clock_us=handset_clock_us,
        packet_phase_us=packet_phase_us,
        frame_phase_us=timeline.frame_phase * profile.output.frame_period_us // PHASES,
        ambient=False,
        moves=(*moves, *(item for item in effects if isinstance(item, Move))),
        faults=tuple(item for item in effects if not isinstance(item, Move)),
    )


def simplicity(world: World, timeline: Timeline) -> tuple[int, ...]:
    """Return the sort key by simplicity: the simpler timeline has the smaller key.

    Fewer events; an ordinary start; simpler kinds; ordinary phases; fewer pieces; shorter; simpler variants.
    """
    pieces = timeline.pieces
    return (
        events(world, timeline),
        (timeline.start > 0) + (timeline.wrap > 0),
        sum(piece.kind for piece in pieces),
        (timeline.packet_phase > 0) + (timeline.frame_phase > 0) + (timeline.throttle > 0),
        len(pieces),
        span_us(world, timeline),
        sum(world.durations[piece.duration].us for piece in pieces),
        sum(piece.variant for piece in pieces),
        sum(piece.beside for piece in pieces),
        timeline.wrap + timeline.start,
        timeline.packet_phase + timeline.frame_phase + timeline.throttle,
    )
