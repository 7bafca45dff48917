"""Makes a timeline that breaks a rule as short and simple as it gets, by trying simpler ones until none does.

Steps, from the largest: leave pieces out; begin in the ordinary way; plain phases; simpler kinds; not at once but one
after the other; shorter; simpler variants. A step counts when what follows breaks the same rule and is simpler by
`timelines.simplicity`. All is done again until nothing helps, so that the result is a local minimum: no single step
from it is simpler and still breaks the rule.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator

from lostlink.hunt.events import World
from lostlink.hunt.timelines import PHASES, Piece, Timeline, simplicity

Breaks = Callable[[Timeline], bool]


def shrunk(world: World, timeline: Timeline, breaks: Breaks) -> Timeline:
    """Return the simplest timeline that single steps lead to.

    Parameters
    ----------
    world : World
    timeline : Timeline
        Breaks the rule.
    breaks : callable
        Whether a timeline breaks it.
    """
    while True:
        before = timeline
        for steps in _STEPS:
            timeline = _exhaust(world, timeline, breaks, steps)
        if timeline == before:
            return timeline


def _exhaust(
    world: World, timeline: Timeline, breaks: Breaks, steps: Callable[[World, Timeline], Iterator[Timeline]]
) -> Timeline:
    """Take steps of one kind for as long as one leads to something simpler."""
    while True:
        size = simplicity(world, timeline)
        better = next(
            (step for step in steps(world, timeline) if simplicity(world, step) < size and breaks(step)), None
        )
        if better is None:
            return timeline
        timeline = better


def _with(timeline: Timeline, place: int, piece: Piece) -> Timeline:
    pieces = timeline.pieces
    return dataclasses.replace(timeline, pieces=(*pieces[:place], piece, *pieces[place + 1 :]))


def _without(world: World, timeline: Timeline) -> Iterator[Timeline]:
    pieces = timeline.pieces
    yield dataclasses.replace(timeline, pieces=())
    for place in range(1, len(pieces)):
        yield dataclasses.replace(timeline, pieces=pieces[:place])
        yield dataclasses.replace(timeline, pieces=pieces[place:])
    for place in range(len(pieces)):
        yield dataclasses.replace(timeline, pieces=(*pieces[:place], *pieces[place + 1 :]))
    for place in range(len(pieces) - 1):
        yield dataclasses.replace(timeline, pieces=(*pieces[:place], *pieces[place + 2 :]))


def _plain_start(world: World, timeline: Timeline) -> Iterator[Timeline]:
    plain = Timeline(pieces=timeline.pieces)
    yield plain
    for name in ("start", "wrap", "throttle", "packet_phase", "frame_phase"):
        yield dataclasses.replace(timeline, **{name: getattr(plain, name)})
    for wrap in range(1, timeline.wrap):
        yield dataclasses.replace(timeline, wrap=wrap)
    for phase in (PHASES // 2, PHASES // 4):
        yield dataclasses.replace(timeline, packet_phase=min(phase, timeline.packet_phase))
        yield dataclasses.replace(timeline, frame_phase=min(phase, timeline.frame_phase))


def _simpler_kinds(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for place, piece in enumerate(timeline.pieces):
        for kind in range(min(piece.kind, 4)):
            yield _with(timeline, place, dataclasses.replace(piece, kind=kind, variant=0))


def _at_another_phase(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Leave pieces out, or make them as short as a failsafe takes, and look for another phase at which it happens."""
    if not (timeline.packet_phase or timeline.frame_phase):
        return
    pieces = timeline.pieces
    for place, piece in enumerate(pieces):
        others = [(*pieces[:place], *pieces[place + 1 :])]
        if world.kinds[piece.kind].lasts:
            others += [
                (*pieces[:place], dataclasses.replace(piece, rung=rung), *pieces[place + 1 :])
                for rung in _losses(world)
                if rung < piece.rung
            ]
        for other in others:
            for phase in range(PHASES):
                yield dataclasses.replace(timeline, pieces=other, frame_phase=phase)


def _fewer_but_longer(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Leave a piece out and let another last longer in its place."""
    pieces = timeline.pieces
    for out in range(len(pieces)):
        rest = (*pieces[:out], *pieces[out + 1 :])
        for place, piece in enumerate(rest):
            if not world.kinds[piece.kind].lasts:
                continue
            together_us = world.rungs[pieces[out].rung].us + world.rungs[piece.rung].us
            longer = next((rung for rung, one in enumerate(world.rungs) if one.us >= together_us), len(world.rungs) - 1)
            for rung in (*_losses(world), longer):
                if rung > piece.rung:
                    yield _with(
                        dataclasses.replace(timeline, pieces=rest), place, dataclasses.replace(piece, rung=rung)
                    )


def _losses(world: World) -> list[int]:
    """Return the indices of the rungs that are just long enough for failsafe to be active."""
    return [index for index, rung in enumerate(world.rungs) if rung.enters_failsafe]


def _plain_losses(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Put one loss, and time with a good link before or after it, in place of a piece that is less plain."""
    away, wait = 1, 0
    good = [index for index, rung in enumerate(world.rungs) if rung.restores_control]
    for place, piece in enumerate(timeline.pieces):
        if piece.kind <= away or not world.kinds[piece.kind].lasts:
            continue
        for loss in _losses(world):
            for pause in good:
                lost, fine = Piece(away, rung=loss, beside=piece.beside), Piece(wait, rung=pause)
                for pair in ((lost, fine), (fine, lost)):
                    yield dataclasses.replace(
                        timeline, pieces=(*timeline.pieces[:place], *pair, *timeline.pieces[place + 1 :])
                    )


def _one_by_one(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for place, piece in enumerate(timeline.pieces):
        if piece.beside:
            yield _with(timeline, place, dataclasses.replace(piece, beside=False))


def _shorter(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for place, piece in enumerate(timeline.pieces):
        if not world.kinds[piece.kind].lasts:
            if piece.rung:
                yield _with(timeline, place, dataclasses.replace(piece, rung=0))
            continue
        # By halves first; then one by one, because what breaks need not do so at every longer duration.
        below = sorted(
            {piece.rung // 4, piece.rung // 2, piece.rung * 3 // 4, *range(max(0, piece.rung - 3), piece.rung)}
        )
        for rung in below:
            if rung < piece.rung:
                yield _with(timeline, place, dataclasses.replace(piece, rung=rung))


def _simpler_variants(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for place, piece in enumerate(timeline.pieces):
        own = len(world.kinds[piece.kind].variants)
        for variant in range(min(piece.variant, own)):
            yield _with(timeline, place, dataclasses.replace(piece, variant=variant))
        if piece.variant >= own:
            yield _with(timeline, place, dataclasses.replace(piece, variant=piece.variant % own))


_STEPS = (
    _without,
    _fewer_but_longer,
    _plain_start,
    _simpler_kinds,
    _plain_losses,
    _one_by_one,
    _shorter,
    _simpler_variants,
    _at_another_phase,
)
