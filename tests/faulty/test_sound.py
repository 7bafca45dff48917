"""No false alarm: receivers of many designs meet every requirement on every link whose limits they keep."""

from __future__ import annotations

import pytest

import links  # type: ignore[import-not-found]
import sound  # type: ignore[import-not-found]
from lostlink.hunt.events import world
from lostlink.hunt.timelines import placed_pieces, scenario
from lostlink.invariants import judge_trace
from lostlink.profiles.rules import impossible
from lostlink.rigs.sim import SimRig
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome
from lostlink_sims import ReferenceReceiver, simulate
from test_hunt_finds import random_timeline  # type: ignore[import-not-found]
from test_zoo import VARIED_STRIDE, not_met  # type: ignore[import-not-found]

LONG = pytest.mark.long
PAIRS = [
    (link, design) for design in sound.DESIGNS for link in links.LINKS if not sound.unfit(design, links.LINKS[link])
]
TOUCHY = (
    "DF-AGREE",
    "LK-CONTROL",
    "CH-SENSE",
    "CH-VALUE",
    "FR-TORN",
    "RC-TIME",
    "RC-REARM",
    "FS-AGAIN",
    "FS-HANG",
    "LT-STICK",
)
"""Requirements that have raised false alarms, and those that a late or filtered output touches."""
GATE = (
    ("heron", sound.ReturnsAfter400Milliseconds), ("loose", sound.LowPass), ("tight", sound.WaitsForALowThrottle),
    ("wren", sound.CountsMissedSlots), ("one channel", sound.FifoOfEight), ("reversed", sound.MeanOfTwo),
    ("slow", sound.LooksEveryTwentyMilliseconds),
)  # fmt: skip
"""A link and a design each that differ most."""


def alarms(link: str, design: type, seed: int, only: tuple[str, ...] = ()) -> list[tuple[str, str, str | None]]:
    """Return what the suite finds, but what the link cannot have tested or has waived."""
    profile = links.LINKS[link]
    rig = SimRig(profile, design)
    rig.varied_stride = VARIED_STRIDE
    result = run_suite(profile, rig, seed=seed, only=only)
    assert not result.errors
    return [found for found in not_met(result) if found[1] not in (Outcome.NOT_TESTED.value, Outcome.WAIVED.value)]


def test_designs_and_links_are_many() -> None:
    assert len(sound.DESIGNS) >= 40
    assert len(links.LINKS) >= 17
    for name, profile in links.LINKS.items():
        assert list(impossible(profile)) == [], name
        assert sum(link == name for link, _ in PAIRS) >= 20, name
    for design in sound.DESIGNS:
        assert any(one is design for _, one in PAIRS), design


@pytest.mark.parametrize(("link", "design"), GATE, ids=lambda value: getattr(value, "__name__", value))
def test_no_false_alarm_in_the_gate(link: str, design: type) -> None:
    assert not sound.unfit(design, links.LINKS[link])
    assert alarms(link, design, 1, TOUCHY) == []


@LONG
@pytest.mark.parametrize("link", links.LINKS)
def test_no_false_alarm_of_the_reference(link: str) -> None:
    assert alarms(link, ReferenceReceiver, 1) == []


@LONG
@pytest.mark.parametrize(
    "number", range(len(PAIRS)), ids=lambda number: f"{PAIRS[number][0]}-{PAIRS[number][1].__name__}"
)
def test_no_false_alarm(number: int) -> None:
    """The whole suite, each pair with another seed, and what has raised false alarms with three more."""
    link, design = PAIRS[number]
    assert alarms(link, design, number) == []
    for seed in range(3):
        assert alarms(link, design, 1_000 * (seed + 1) + number, TOUCHY) == [], seed


@pytest.mark.parametrize("design", [sound.WaitsForALowThrottle, sound.ReturnsAfter400Milliseconds, sound.LowPass])
def test_no_false_alarm_of_the_hunt(design: type, long: bool) -> None:
    """The rules of the hunt are those of the suite. On 4 timelines of a link; ``--long``: on 40 of each."""
    names = [name for name in links.LINKS if not sound.unfit(design, links.LINKS[name])]
    for name in names if long else names[-1:]:
        place = world(links.LINKS[name])
        for seed in range(40 if long else 4):
            timeline = random_timeline(place, 5_000 + seed)
            broken = judge_trace(simulate(place.profile, scenario(place, timeline), design))
            assert broken == [], (name, timeline, list(placed_pieces(place, timeline)))
