"""Shrinks a timeline that breaks an invariant to a short and simple one.

Steps, from the largest: fewer pieces; ordinary start and phases; simpler kinds; pieces in sequence instead of together;
shorter pieces; simpler variants. A step is taken if its result breaks the same invariant and is simpler
by `timelines.simplicity`. The steps repeat until none helps, so the result is a local minimum.
"""

from __future__ import annotations

import bisect
import dataclasses
import itertools
from collections.abc import Callable, Iterator
from typing import Any

from lostlink.hunt.events import World
from lostlink.hunt.timelines import PHASES, Piece, Timeline, simplicity

Breaks = Callable[[Timeline], bool]


def shrunk(world: World, timeline: Timeline, breaks: Breaks) -> Timeline:
    """Return the simplest timeline that single steps reach.

    Parameters
    ----------
    world : World
    timeline : Timeline
        Breaks the invariant.
    breaks : callable
        Returns whether a timeline breaks it.
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


def _spliced(timeline: Timeline, index: int, *new: Piece, drop: int = 1) -> Timeline:
    """Return a timeline with new pieces in place of `drop` pieces from `index` on."""
    pieces = timeline.pieces
    return dataclasses.replace(timeline, pieces=(*pieces[:index], *new, *pieces[index + drop :]))


def _with(timeline: Timeline, index: int, **changes: Any) -> Timeline:
    """Return a timeline with some fields of a piece changed."""
    return _spliced(timeline, index, dataclasses.replace(timeline.pieces[index], **changes))


def _without(world: World, timeline: Timeline) -> Iterator[Timeline]:
    pieces = timeline.pieces
    yield dataclasses.replace(timeline, pieces=())
    for index in range(1, len(pieces)):
        yield dataclasses.replace(timeline, pieces=pieces[:index])
        yield dataclasses.replace(timeline, pieces=pieces[index:])
    for drop in (1, 2):
        for index in range(len(pieces) + 1 - drop):
            yield _spliced(timeline, index, drop=drop)


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
            yield _with(timeline, index, kind=kind, variant=0)


def _at_another_phase(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Leave pieces out or shorten them to just a failsafe, and search for another phase that breaks it."""
    if not (timeline.packet_phase or timeline.frame_phase):
        return
    for index, piece in enumerate(timeline.pieces):
        others = [_spliced(timeline, index)]
        if world.kinds[piece.kind].lasts:
            others += [
                _with(timeline, index, duration=duration) for duration in _losses(world) if duration < piece.duration
            ]
        for other in others:
            for phase in range(PHASES):
                yield dataclasses.replace(other, frame_phase=phase)


def _fewer_but_longer(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Leave a piece out and let another last longer."""
    durations_us = [duration.us for duration in world.durations]
    for out, dropped in enumerate(timeline.pieces):
        rest = _spliced(timeline, out)
        for index, piece in enumerate(rest.pieces):
            if not world.kinds[piece.kind].lasts:
                continue
            together_us = durations_us[dropped.duration] + durations_us[piece.duration]
            longer = min(bisect.bisect_left(durations_us, together_us), len(durations_us) - 1)
            for duration in (*_losses(world), longer):
                if duration > piece.duration:
                    yield _with(rest, index, duration=duration)


def _losses(world: World) -> list[int]:
    """Return the indices of the durations that are just long enough for failsafe to be active."""
    return [index for index, duration in enumerate(world.durations) if duration.enters_failsafe]


def _plain_losses(world: World, timeline: Timeline) -> Iterator[Timeline]:
    """Replace a less simple piece by one loss, with a good link before or after it."""
    away, wait = world.away, 0
    if away is None:
        return
    pauses = [index for index, duration in enumerate(world.durations) if duration.restores_control]
    for index, piece in enumerate(timeline.pieces):
        if piece.kind <= away or not world.kinds[piece.kind].lasts:
            continue
        for loss, pause in itertools.product(_losses(world), pauses):
            lost, good = Piece(away, duration=loss, beside=piece.beside), Piece(wait, duration=pause)
            yield _spliced(timeline, index, lost, good)
            yield _spliced(timeline, index, good, lost)


def _one_by_one(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for index, piece in enumerate(timeline.pieces):
        if piece.beside:
            yield _with(timeline, index, beside=False)


def _shorter(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for index, piece in enumerate(timeline.pieces):
        durations = {0}
        if world.kinds[piece.kind].lasts:
            # By halves first; then one by one, because a longer duration need not break it as well.
            durations = {
                piece.duration // 4,
                piece.duration // 2,
                piece.duration * 3 // 4,
                *range(max(0, piece.duration - 3), piece.duration),
            }
        for duration in sorted(durations):
            if duration < piece.duration:
                yield _with(timeline, index, duration=duration)


def _simpler_variants(world: World, timeline: Timeline) -> Iterator[Timeline]:
    for index, piece in enumerate(timeline.pieces):
        own = len(world.kinds[piece.kind].variants)
        for variant in range(min(piece.variant, own)):
            yield _with(timeline, index, variant=variant)
        if piece.variant >= own:
            yield _with(timeline, index, variant=piece.variant % own)


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
