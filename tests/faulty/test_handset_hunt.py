"""The hunt finds the mistakes of the handset zoo with few events and a fixed number of runs, and none in sound ones."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

import handset_sound as sound  # type: ignore[import-not-found]
import handset_zoo as zoo  # type: ignore[import-not-found]
import zoo as receivers  # type: ignore[import-not-found]
from handset_links import LINKS  # type: ignore[import-not-found]
from lostlink.errors import ReceiverCrashError
from lostlink.hunt.events import World, world
from lostlink.hunt.runner import Budget
from lostlink.hunt.search import Hunt, hunt
from lostlink.hunt.timelines import Piece, Timeline, events, fitted, placed_pieces, scenario
from lostlink.invariants import judge_trace
from lostlink.profiles import parse_scenario, write_scenario
from lostlink.rigs import SimRig
from lostlink.scenarios import ScenarioBuilder
from lostlink.varied import PAIRS, varied_flights
from lostlink.verdicts import Side
from lostlink_sims import Move, ReferenceReceiver, Scenario, simulate
from lostlink_sims.handset_program import HandsetFactory, ReferenceHandset
from lostlink_sims.receiver import ReceiverFactory

LONG = pytest.mark.long
ALONE, PAIR = frozenset({Side.HANDSET}), frozenset(Side)

#: Handset, link, runs, requirements of which one must be named, most events.
FOUND = (
    ("SwitchesOffAfterReset", "heron", 60, {"HS-RESET"}, 1),
    ("BootsASecondTime", "heron", 60, {"HS-RESET"}, 1),
    ("TwoResetsAreTheBootLoader", "heron", 90, {"HS-RESET"}, 2),
    ("WaitsOnlyWhenArmed", "heron", 90, {"HS-START"}, 1),
    ("BrokenWireIsLow", "margins", 100, {"HS-START"}, 1),
    ("TimerCounts", "timer", 60, {"HS-HANG"}, 1),
    ("AliveInEightBits", "timer", 100, {"HS-HANG"}, 1),
    ("CatchesUpAfterAHang", "heron", 100, {"HS-HANG"}, 2),
    ("RailIsAStop", "margins", 60, {"HS-WIRE"}, 1),
    ("SendsChangesOnly", "heron", 30, {"HS-GAP"}, 0),
    ("SlewsItsSticks", "heron", 30, {"HS-FRESH"}, 0),
    ("EverythingCentredFirst", "heron", 30, {"HS-FIRST"}, 0),
    ("SwitchAfterTwoSeconds", "heron", 30, {"HS-SWITCH"}, 0),
    ("Crashes", "heron", 40, {"HS-GAP", "HS-RESET", "HS-FIRST"}, 1),
    # No rule of a critical requirement is broken by these, so that the hunt uses all of its runs.
    ("AnothersId", "heron", 6, {"HS-MARK"}, 0),
    ("CountsModulo255", "heron", 6, {"HS-COUNT"}, 0),
    ("WaitsAfterItsWork", "heron", 6, {"HS-RATE"}, 0),
    ("StopIsABreak", "heron", 6, {"HS-VALUE"}, 0),
    ("GivesUpAfterTenRefusals", "heron", 70, {"HS-BUSY"}, 1),
    ("LaterThanNext", "heron", 110, {"HS-WRAP"}, 0),
    ("TenPerCentIsLow", "heron", 60, {"HS-START"}, 0),
    ("RailAtBootIsAStop", "margins", 110, {"HS-WIRE"}, 2),
    ("WaitsAMinute", "heron", 90, {"HS-START"}, 0),
    ("NoDebounce", "heron", 300, {"HS-SWITCH"}, 1),
)  # fmt: skip
SLOW = (
    "SwitchesOffAfterReset", "TwoResetsAreTheBootLoader", "BrokenWireIsLow", "AliveInEightBits", "CatchesUpAfterAHang",
    "GivesUpAfterTenRefusals", "LaterThanNext", "TenPerCentIsLow", "RailAtBootIsAStop", "WaitsAMinute", "NoDebounce",
)  # fmt: skip
"""Those that the gate leaves out: they take a second and more, and others are found by the same rules."""
SOUND = (
    ("heron", ReferenceHandset), ("margins", sound.HoldsThenCuts), ("switches", sound.MajorityOfSweeps),
    ("timer", sound.SameBufferAgain), ("noisy", sound.LowForAWhile), ("slow boot", sound.SilentUntilLow),
    ("slow timer with watchdog", sound.AliveFlag), ("one channel", sound.LowPassOverSweeps),
)  # fmt: skip
RUNS = 24


def hunted(
    handset: HandsetFactory, link: str, runs: int, *, receiver: ReceiverFactory | None = None, find_all: bool = False
) -> Hunt:
    profile, sides = LINKS[link], ALONE if receiver is None else PAIR
    budget = Budget(runs=runs)
    return hunt(
        profile, lambda: SimRig(profile, receiver, handset=handset), budget=budget, sides=sides, find_all=find_all
    )


def mistakes() -> Iterator[object]:
    for name, link, runs, wanted, most in FOUND:
        yield pytest.param(name, link, runs, wanted, most, id=name, marks=[LONG] if name in SLOW else [])


@pytest.mark.parametrize(("name", "link", "runs", "wanted", "most"), list(mistakes()))
def test_hunt_finds_the_mistake(name: str, link: str, runs: int, wanted: set[str], most: int) -> None:
    """The saved scenario shows the same when it is read back and run again."""
    handset = getattr(zoo, name)
    found = hunted(handset, link, runs)
    assert found.findings, f"{name}: nothing in {found.coverage.runs} runs"
    finding = found.findings[0]
    assert finding.broken.requirement_id in wanted, finding.broken
    assert events(found.world, finding.timeline) <= most
    assert found.exit_code == 1
    again = parse_scenario(write_scenario(finding.trace.scenario), LINKS[link])
    assert again == finding.trace.scenario
    try:
        trace = SimRig(LINKS[link], handset=handset).run(again)
    except ReceiverCrashError as error:
        trace = error.trace
    assert finding.broken in judge_trace(trace, ALONE)
    assert judge_trace(simulate(LINKS[link], again, ReferenceReceiver, zoo.Sound), ALONE) == []


def test_the_same_seed_finds_the_same() -> None:
    one, two = (hunted(zoo.BootsASecondTime, "heron", 60).findings[0] for _ in range(2))
    assert (one.timeline, one.broken) == (two.timeline, two.broken)


def test_together_each_side_has_its_own_findings() -> None:
    """A handset that pauses, a receiver that holds for ever, and each of them with a sound other end."""
    found = hunted(zoo.SendsChangesOnly, "heron", 20, receiver=ReferenceReceiver)
    assert [one.broken.requirement_id for one in found.findings] == ["HS-GAP"]
    found = hunted(zoo.Sound, "heron", 20, receiver=receivers.HoldsForEver)
    assert [one.broken.requirement_id for one in found.findings] == ["FS-CUT"]


def test_what_no_program_can_tell_is_not_tried_and_said() -> None:
    """A throttle whose travel is the whole track: full throttle and a break to this rail read the same."""
    link = world(LINKS["heron"], ALONE)
    assert "cannot be told from a stop" in " ".join(link.left_out)
    texts = [variant.text for kind in link.kinds for variant in kind.variants]
    assert "the wire of throttle breaks and reads low" in texts
    assert "the wire of throttle breaks and reads high" not in texts
    assert "link away" not in {kind.name for kind in link.kinds}
    names = [kind.name for kind in world(LINKS["heron"], PAIR).kinds]
    assert len(names) == len(set(names))
    assert {"link away", "handset loop hung", "receiver reset", "main loop hung"} <= set(names)


# --- no false alarm ---------------------------------------------------------------------------------------------


def random_timeline(link: World, seed: int) -> Timeline:
    """Return a timeline as plain chance makes it, without Hypothesis."""
    chance = random.Random(seed)
    longest = len(link.durations) * 3 // 4 if chance.random() < 0.9 else len(link.durations)
    pieces = tuple(
        Piece(chance.randrange(len(link.kinds)), chance.randrange(12), chance.randrange(longest), chance.random() < 0.4)
        for _ in range(chance.randrange(8))
    )
    timeline = Timeline(
        pieces, chance.randrange(4), chance.choice((0, 0, chance.randrange(len(link.starts)))),
        chance.choice((0, 0, chance.randrange(1, len(link.wraps) + 1))), chance.randrange(16), chance.randrange(16),
    )  # fmt: skip
    return fitted(link, timeline, 60_000_000)


def alarms(link: str, design: HandsetFactory, seeds: range, sides: frozenset[Side] = ALONE) -> None:
    profile, place = LINKS[link], world(LINKS[link], sides)
    for seed in seeds:
        timeline = random_timeline(place, seed)
        broken = judge_trace(simulate(profile, scenario(place, timeline, seed + 1), ReferenceReceiver, design), sides)
        assert broken == [], (seed, timeline, [piece.variant.text for piece in placed_pieces(place, timeline)])


@pytest.mark.parametrize(("link", "design"), SOUND, ids=lambda value: getattr(value, "__name__", value))
def test_sound_designs_break_no_rule(link: str, design: HandsetFactory) -> None:
    alarms(link, design, range(RUNS))


@pytest.mark.parametrize("low_codes", [12, 10, 4, 0])
def test_which_codes_are_low_is_the_programs_choice(low_codes: int) -> None:
    """Switched on with the throttle just above idle, for seconds, a handset waits until its own lowest codes.

    1050 us are idle, so the first 12 codes of 255 in 1000 to 2000 us.
    """
    link = LINKS["heron"]
    name = link.flight_controller.throttle
    place = stop_of(low_codes)
    for share in (0.02, 0.04, 0.0546875, 0.064453125):
        moves = (Move(at_us=0, channel=name, position=share), Move(at_us=3_000_000, channel=name, position=0.0),
                 Move(at_us=4_000_000, channel=name, position=0.7))  # fmt: skip
        run = Scenario(duration_us=5_000_000, moves=moves, ambient=False)
        assert judge_trace(simulate(link, run, ReferenceReceiver, place), ALONE) == [], share


def stop_of(low_codes: int) -> HandsetFactory:
    """Return a sound handset that takes so many codes above 0 for a low throttle."""

    class Stop(zoo.Sound):  # type: ignore[misc]
        def is_low(self, code: int) -> bool:
            return code <= low_codes

    return Stop


@pytest.mark.parametrize(
    ("link", "design"),
    [("margins", ReferenceHandset), ("loose", sound.LoopWithoutPause), ("timer", sound.AliveFlag)],
    ids=lambda value: getattr(value, "__name__", value),
)
def test_sound_designs_break_no_rule_in_varied_flights(link: str, design: HandsetFactory, long: bool) -> None:
    """One flight in 12, ``--long``: all of pairwise coverage."""
    builder = ScenarioBuilder(LINKS[link], 11, "x")
    for flight in varied_flights(builder, 1 if long else 12, PAIRS):
        trace = simulate(LINKS[link], flight.scenario, ReferenceReceiver, design)
        assert judge_trace(trace, ALONE) == [], flight.row


def test_a_sound_pair_breaks_no_rule() -> None:
    alarms("margins", sound.HysteresisOfACode, range(RUNS), PAIR)


def test_nothing_is_found_in_a_sound_handset() -> None:
    found = hunted(zoo.Sound, "margins", 40)
    assert not found.findings
    assert found.coverage.runs == 40


@LONG
@pytest.mark.parametrize("sides", [ALONE, PAIR], ids=["alone", "pair"])
@pytest.mark.parametrize("design", [*sound.DESIGNS, ReferenceHandset, zoo.Sound])
def test_no_sound_design_breaks_a_rule_on_any_link(design: type, sides: frozenset[Side]) -> None:
    for number, (link, profile) in enumerate(LINKS.items()):
        if design not in sound.DESIGNS or sound.fits(design, profile):
            alarms(link, design, range(100 * number, 100 * number + 20), sides)
