"""No false alarm: handsets of many designs meet every requirement on every link on which they can keep the limits."""

from __future__ import annotations

import pytest

import handset_sound as sound  # type: ignore[import-not-found]
from handset_links import LINKS  # type: ignore[import-not-found]
from lostlink.verdicts import Outcome
from lostlink_sims.handset_program import ReferenceHandset
from test_handset_zoo import CAN_BE_SHOWN, HANDSET, judged, with_outcome  # type: ignore[import-not-found]

LONG = pytest.mark.long
PAIRS = [(link, design) for design in sound.DESIGNS for link in LINKS if sound.fits(design, LINKS[link])]
SHORT = tuple(name for name in HANDSET if name not in ("HS-LONG", "HS-GAP", "HS-RATE", "HS-COUNT"))
"""Requirements whose runs are short."""
MORE_SEEDS = 5
GATE = (
    ("margins", sound.HysteresisOfACode), ("slow clock", sound.MedianOfThree), ("switches", sound.MajorityOfSweeps),
    ("timer", sound.AliveFlag), ("addressed", sound.SetsUpADeadRadio), ("addressed, timer", sound.AliveFlag),
    ("acknowledged", sound.CountsWhatLeft), ("battery", sound.WarnsForGood),
    ("battery, ratiometric", sound.WarnsForGood),
    ("slow timer with watchdog", sound.SameBufferAgain),
    ("noisy", sound.HysteresisOfCounts),
    ("bittern", sound.LoopOfTwo), ("plover", sound.SilentUntilLow), ("at once", sound.SwitchAtOnce),
    ("jitter and loss", sound.RestsForFifty), ("slow", sound.EqualSweeps), ("short timeout", sound.MeanOfTwo),
    ("margins, fast timer", sound.SilentUntilSettled), ("slow boot", sound.CounterSurvivesAReset),
)  # fmt: skip
"""A link and a design each that differ most."""


def alarms(link: str, design: type, seed: int, *only: str) -> dict[str, str]:
    """Return what the suite finds, but what the link cannot have tested."""
    result = judged(design, link, *only, seed=seed)
    found: dict[str, str] = with_outcome(result, *(outcome for outcome in Outcome if outcome not in CAN_BE_SHOWN))
    return found


def test_designs_and_links_are_many() -> None:
    """Each design fits a link at least, each link has many designs, whether it sends from its main loop or a timer."""
    assert len(sound.DESIGNS) >= 25
    assert {design for _, design in PAIRS} == set(sound.DESIGNS)
    for name, link in LINKS.items():
        least = 4 if link.handset.sends_from == "timer" else 14 if link.battery.input_range_mv is None else 1
        assert sum(link == name for link, _ in PAIRS) >= least, name
    assert all(sound.fits(design, LINKS[link]) for link, design in GATE)


@pytest.mark.parametrize(("link", "design"), GATE, ids=lambda value: getattr(value, "__name__", value))
def test_no_false_alarm_in_the_gate(link: str, design: type) -> None:
    assert alarms(link, design, 1, *SHORT) == {}


@LONG
@pytest.mark.parametrize("link", LINKS)
def test_no_false_alarm_of_the_reference(link: str) -> None:
    for seed in range(MORE_SEEDS):
        assert alarms(link, ReferenceHandset, seed) == {}, seed


@LONG
@pytest.mark.parametrize(
    "number", range(len(PAIRS)), ids=lambda number: f"{PAIRS[number][0]}-{PAIRS[number][1].__name__}"
)
def test_no_false_alarm(number: int) -> None:
    """All requirements, each pair with another seed, and those with short runs with more."""
    link, design = PAIRS[number]
    assert alarms(link, design, number) == {}
    for seed in range(1, MORE_SEEDS):
        assert alarms(link, design, 1_000 * seed + number, *SHORT) == {}, seed
