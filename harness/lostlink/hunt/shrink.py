"""Shrinks a timeline that breaks an invariant to a short and simple one.

Steps, from the largest: leave pieces out; begin in the ordinary way; plain phases; simpler kinds; one after the other
instead of together; shorter; simpler variants. A step is taken if its result breaks the same invariant and is simpler
by `timelines.simplicity`. The steps repeat until none helps, so the result is a local minimum.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator

from lostlink.hunt.events import World
from lostlink.hunt.timelines import PHASES, Piece, Timeline, simplicity

Breaks = Callable[[Timeline], bool]


def shrunk(world: World, timeline: Timeline, breaks: Breaks) -> Timeline:
    """Return the simplest timeline that single steps reach.

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
    """Take steps of one kind while one leads to a simpler timeline."""
    while True:
        size = simplicity(world, timeline)
        better = next(
            (step for step in steps(world, timeline) if simplicity(world, step) < size and breaks(step)), None
        )
        if better is None:
            return timeline
        timeline = better


def _with(timeline: Timeline, index: int, piece: Piece) -> Timeline:
    pieces = timeline.pieces
    return dataclasses.replace(timeline, pieces=(*pieces[:index], piece, *pieces[index + 1 :]))


def _without(world: World, timeline: Timeline) -> Iterator[Timeline]:
    pieces = timeline.pieces
    yield dataclasses.replace(timeline, pieces=())
    for index in range(1, len(pieces)):
        yield dataclasses.replace(timeline, pieces=pieces[:index])
        yield dataclasses.replace(timeline, pieces=pieces[index:])
    for index in range(len(pieces)):
        yield dataclasses.replace(timeline, pieces=(*pieces[:index], *pieces[index + 1 :]))
    for index in range(len(pieces) - 1):
        yield dataclasses.replace(timeline, pieces=(*pieces[:index], *pieces[index + 2 :]))


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
    for index, piece in enumerate(timeline.pieces):
        for kind in range(min(piece.kind, 4)):
            yield _with(timeline, index, dataclasses.replace(piece, kind=kind, variant=0))


def _at_another_phase(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Leave pieces out or shorten them to just a failsafe, and search for another phase that breaks it."""
    if not (timeline.packet_phase or timeline.frame_phase):
        return
    pieces = timeline.pieces
    for index, piece in enumerate(pieces):
        others = [(*pieces[:index], *pieces[index + 1 :])]
        if world.kinds[piece.kind].lasts:
            others += [
                (*pieces[:index], dataclasses.replace(piece, rung=rung), *pieces[index + 1 :])
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
        for index, piece in enumerate(rest):
            if not world.kinds[piece.kind].lasts:
                continue
            together_us = world.rungs[pieces[out].rung].us + world.rungs[piece.rung].us
            longer = next(
                (index for index, rung in enumerate(world.rungs) if rung.us >= together_us), len(world.rungs) - 1
            )
            for rung in (*_losses(world), longer):
                if rung > piece.rung:
                    yield _with(
                        dataclasses.replace(timeline, pieces=rest), index, dataclasses.replace(piece, rung=rung)
                    )


def _losses(world: World) -> list[int]:
    """Return the indices of the rungs that are just long enough for failsafe to be active."""
    return [index for index, rung in enumerate(world.rungs) if rung.enters_failsafe]


def _plain_losses(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Put one loss, and time with a good link before or after it, in place of a piece that is less plain."""
    away, wait = 1, 0
    good = [index for index, rung in enumerate(world.rungs) if rung.restores_control]
    for index, piece in enumerate(timeline.pieces):
        if piece.kind <= away or not world.kinds[piece.kind].lasts:
            continue
        for loss in _losses(world):
            for pause in good:
                lost, fine = Piece(away, rung=loss, beside=piece.beside), Piece(wait, rung=pause)
                for pair in ((lost, fine), (fine, lost)):
                    yield dataclasses.replace(
                        timeline, pieces=(*timeline.pieces[:index], *pair, *timeline.pieces[index + 1 :])
                    )


def _one_by_one(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for index, piece in enumerate(timeline.pieces):
        if piece.beside:
            yield _with(timeline, index, dataclasses.replace(piece, beside=False))


def _shorter(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for index, piece in enumerate(timeline.pieces):
        if not world.kinds[piece.kind].lasts:
            if piece.rung:
                yield _with(timeline, index, dataclasses.replace(piece, rung=0))
            continue
        # By halves first; then one by one, because what breaks need not do so at every longer duration.
        below = sorted(
            {piece.rung // 4, piece.rung // 2, piece.rung * 3 // 4, *range(max(0, piece.rung - 3), piece.rung)}
        )
        for rung in below:
            if rung < piece.rung:
                yield _with(timeline, index, dataclasses.replace(piece, rung=rung))


def _simpler_variants(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for index, piece in enumerate(timeline.pieces):
        own = len(world.kinds[piece.kind].variants)
        for variant in range(min(piece.variant, own)):
            yield _with(timeline, index, dataclasses.replace(piece, variant=variant))
        if piece.variant >= own:
            yield _with(timeline, index, dataclasses.replace(piece, variant=piece.variant % own))


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
