"""The hunt finds the zoo's mistakes with few events and a fixed number of runs, and none in a sound receiver."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

import zoo  # type: ignore[import-not-found]
from lostlink.errors import ReceiverCrashError
from lostlink.hunt.events import World, world
from lostlink.hunt.runner import Budget
from lostlink.hunt.search import Hunt, hunt
from lostlink.hunt.timelines import Piece, Timeline, events, placed_pieces, scenario
from lostlink.invariants import judge_trace
from lostlink.profiles import parse_scenario, read_profile, write_scenario
from lostlink.rigs import Rig, SimRig, open_rig
from lostlink_sims import Profile, ReferenceReceiver, Scenario, Trace, simulate
from lostlink_sims.receiver import ReceiverFactory

PROFILES = Path(__file__).parents[2] / "fixtures" / "profiles"
ZOO = Path(__file__).with_name("zoo.py")
GOOD = ("bittern", "heron", "lapwing", "plover", "wren")

#: Receiver, runs, and the requirements of which one must be named; a mistake may show in more than one way.
FOUND = (
    ("HoldsForEver", 100, {"FS-CUT"}),
    ("LooksOnlyWhenPacketsCome", 100, {"FS-CUT"}),
    ("LateByOneSecond", 100, {"FS-CUT"}),
    ("RampsDown", 100, {"FS-CUT"}),
    ("WrongPreset", 100, {"FS-VALUE", "PW-IDLE"}),
    ("HoldsAgain", 100, {"FS-STAY"}),
    ("AgeInSixteenBits", 300, {"FS-STAY"}),
    ("FullThrottleForOneFrame", 200, {"FS-RISE"}),
    ("ArmsInFailsafe", 200, {"RC-LIVE", "FS-PRESET"}),
    ("ComparesInstants", 300, {"FS-WRAP"}),
    ("MillisecondsInSixteenBits", 300, {"FS-WRAP"}),
    ("RefreshedByForeign", 300, {"FS-FOREIGN", "FS-STALE"}),
    ("TakesAnyLength", 300, {"FS-INTRUDER", "FS-FOREIGN"}),
    ("CrashesOnShortPacket", 300, {"FS-FOREIGN"}),
    ("RefreshedByRepeats", 300, {"FS-STALE"}),
    ("WatchesInMainLoopOnly", 300, {"FS-HANG"}),
    ("FullThrottleAtBoot", 50, {"PW-IDLE"}),
    ("CentredAtBoot", 50, {"PW-IDLE"}),
    ("RemembersThroughReset", 300, {"PW-RESET", "PW-BROWNOUT"}),
    ("ArmedAtBoot", 50, {"PW-STICK"}),
    ("KeepsArmed", 100, {"RC-LIVE"}),
    ("OldSticksAtReturn", 300, {"RC-GLITCH"}),
    ("SwapsChannels", 50, {"CH-ORDER"}),
    ("ReversesRoll", 50, {"CH-SENSE"}),
    ("LiveRead", 300, {"RC-LIVE", "PW-BROWNOUT", "PW-RESET"}),
    # No rule of a critical requirement is broken by these, so that the hunt uses all of its runs.
    ("PresetForgetsOthers", 40, {"FS-PRESET"}),
    ("FlagLies", 40, {"FS-SAYS"}),
    ("NeverReturns", 60, {"RC-TIME"}),
    ("ReturnsSlowly", 60, {"RC-TIME"}),
    ("ForgivesAfterALongLoss", 80, {"RC-STRAY"}),
    ("TooEager", 40, {"LK-GAP", "LK-FALSE"}),
    ("MillisecondsFromMicroseconds", 80, {"LK-WRAP"}),
    ("CrossTalk", 300, {"CH-ORDER"}),
    ("TimeoutGrows", 100, {"FS-LONG", "FS-CUT"}),
    ("Chatters", 40, {"LK-GAP", "RC-CHATTER"}),
    ("ScalesBy256", 20, {"CH-VALUE"}),
    ("OneChannelTooMany", 20, {"FR-COUNT"}),
    ("Sluggish", 20, {"LT-STICK"}),
)


GATE_SEEDS = {"FullThrottleForOneFrame": 2, "OldSticksAtReturn": 5}
"""Seeds with which the gate hunts a mistake, because the usual one takes up to twice as long."""
KEEPS_STATE = "RemembersThroughReset"
"""A receiver with state in its class, which only a process of its own can begin anew."""


def opened(link: Profile, name: str, own_process: bool) -> Rig:
    """Open a receiver of the zoo; in a process of its own, as a user's receiver runs, or in this one."""
    if name == "reference":
        return open_rig(link)
    return open_rig(link, receiver=f"{ZOO}:{name}") if own_process else SimRig(link, getattr(zoo, name))


def hunted(
    name: str, runs: int, *, profile: str = "heron", seed: int = 1, find_all: bool = False, own_process: bool = True
) -> Hunt:
    """Hunt a receiver of the zoo."""
    link = read_profile(str(PROFILES / f"{profile}.toml"))
    budget = Budget(runs=runs)
    return hunt(link, lambda: opened(link, name, own_process), seed=seed, budget=budget, find_all=find_all)


def in_the_gate() -> Iterator[object]:
    """Yield each mistake, marked long where earlier ones have covered all of its requirements.

    Of those for which the hunt uses all of its runs only the first two are not marked.
    """
    covered: set[str] = set()
    exhausted = [name for name, _, _ in FOUND].index("PresetForgetsOthers")
    for index, (name, runs, wanted) in enumerate(FOUND):
        is_long = wanted <= covered or index >= exhausted + 2
        yield pytest.param(name, runs, wanted, id=name, marks=[pytest.mark.long] if is_long else [])
        covered |= wanted


@pytest.mark.parametrize(("name", "runs", "wanted"), list(in_the_gate()))
def test_hunt_finds_the_mistake(name: str, runs: int, wanted: set[str], long: bool) -> None:
    """At most three events; the saved scenario shows the same when it is read back and run again.

    A mistake for each requirement; ``--long``: every mistake, each in a process of its own.
    """
    own_process = long or name == KEEPS_STATE
    found = hunted(name, runs, seed=1 if long else GATE_SEEDS.get(name, 1), own_process=own_process)
    assert found.findings, f"{name}: nothing in {found.coverage.runs} runs"
    finding = found.findings[0]
    assert finding.broken.requirement_id in wanted, finding.broken
    assert events(found.world, finding.timeline) <= 3
    assert found.exit_code == 1
    again = parse_scenario(write_scenario(finding.trace.scenario), found.world.profile)
    assert again == finding.trace.scenario
    with opened(found.world.profile, name, own_process) as rig:
        if finding.broken.group != "crash":
            assert finding.broken in judge_trace(run_to_the_end(rig, again))


def run_to_the_end(rig: Rig, again: Scenario) -> Trace:
    """Return a run, also of a receiver that crashes later than its finding."""
    try:
        trace: Trace = rig.run(again)
    except ReceiverCrashError as error:
        trace = error.trace
    return trace


@pytest.mark.parametrize("name", ["RefreshedByDamaged", "ObeysDamaged"])
def test_damage_is_found_where_the_radio_has_no_crc(name: str) -> None:
    found = hunted(name, 150, profile="bittern")
    assert found.findings[0].broken.requirement_id in {"FS-DAMAGED", "FS-STALE"}
    assert events(found.world, found.findings[0].timeline) == 1


def test_a_second_loss_shrinks_to_exactly_two_losses() -> None:
    """The receiver breaks on its second loss only: two losses, a pause between them, and nothing shorter will do."""
    found = hunted("ForgetsTheSecondLoss", 300, own_process=False)
    timeline, link = found.findings[0].timeline, found.world
    assert [piece.kind.name for piece in placed_pieces(link, timeline)] == ["link away", "link good", "link away"]
    assert timeline == Timeline(pieces=timeline.pieces)  # an ordinary flight at plain phases
    first, pause, second = timeline.pieces
    for fewer in ((first, pause), (pause, second), (first, second), (first,), (second,)):
        assert not _breaks(link, Timeline(pieces=fewer), zoo.ForgetsTheSecondLoss)
    for place, piece in enumerate(timeline.pieces):
        shorter = list(timeline.pieces)
        shorter[place] = dataclasses.replace(piece, duration=piece.duration - 1)
        assert piece.duration == 0 or not _breaks(link, Timeline(pieces=tuple(shorter)), zoo.ForgetsTheSecondLoss)


def _breaks(link: World, timeline: Timeline, receiver: ReceiverFactory) -> bool:
    trace = simulate(link.profile, scenario(link, timeline), receiver)
    return any(broken.group == "throttle in silence" for broken in judge_trace(trace))


def test_all_goes_on_to_other_requirements() -> None:
    """One receiver, several requirements; each is named once and the worst come first."""
    found = hunted("TakesAnyLength", 60, find_all=True, own_process=False)
    named = [finding.broken.requirement_id for finding in found.findings]
    assert len(named) == len(set(named)) >= 2
    assert [finding.broken.rank for finding in found.findings] == sorted(f.broken.rank for f in found.findings)


# --- no false alarm ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("profile", GOOD)
def test_reference_receiver_yields_nothing(profile: str, long: bool) -> None:
    """In 40 runs on each profile; ``--long``: in 120."""
    runs = 120 if long else 40
    found = hunted("reference", runs, profile=profile)
    assert [(finding.broken, list(placed_pieces(found.world, finding.timeline))) for finding in found.findings] == []
    assert found.exit_code == 0
    assert found.coverage.runs == runs


def random_timeline(link: World, seed: int) -> Timeline:
    """Return a timeline as plain chance makes it, without Hypothesis."""
    chance = random.Random(seed)
    pieces = tuple(
        Piece(
            chance.randrange(len(link.kinds)), chance.randrange(8), chance.randrange(len(link.durations) * 3 // 4),
            chance.random() < 0.3,
        )
        for _ in range(chance.randrange(6))
    )  # fmt: skip
    return Timeline(
        pieces, chance.randrange(4), chance.choice((0, 0, 0, 1, 2, 3)), chance.choice((0, 0, chance.randrange(1, 19))),
        chance.randrange(16), chance.randrange(16),
    )  # fmt: skip


def _heron(**parts: dict[str, object]) -> Profile:
    heron = read_profile(str(PROFILES / "heron.toml"))
    changed = {name: dataclasses.replace(getattr(heron, name), **fields) for name, fields in parts.items()}
    return dataclasses.replace(heron, **changed)


UNUSUAL = {
    "no counter, no link id, no check byte": _heron(
        handset={"packet_counter": False, "link_id": None, "check_byte": False}, radio={"crc_bytes": 0}
    ),
    "hold": _heron(receiver={"timeout_us": 300_000, "hold_us": 200_000}),
    "returns on low throttle": _heron(receiver={"recover_on_low_throttle": True}),
    "returns at the first packet": _heron(receiver={"recovery_packets": 1, "recovery_us": 0, "boot_us": 0}),
    "twenty packets to return": _heron(receiver={"recovery_packets": 20, "recovery_us": 300_000}),
    "clocks half a per cent off": _heron(receiver={"clock_error_ppm": 5000}, handset={"clock_error_ppm": -5000}),
    "acknowledged": _heron(radio={"acknowledge": True, "retries": 3}),
    "jitter": _heron(handset={"jitter_us": 1500}, radio={"latency_jitter_us": 1000}),
    "fixed gap": _heron(output={"style": "fixed gap"}),
    "watchdog": _heron(receiver={"watchdog_us": 20_000, "boot_us": 1_000}),
    "slow boot": _heron(receiver={"boot_us": 400_000}),
}


@pytest.mark.parametrize("name", UNUSUAL)
def test_reference_receiver_breaks_no_rule_on_unusual_links(name: str, long: bool) -> None:
    """On 20 timelines; ``--long``: on 60."""
    link = world(UNUSUAL[name])
    for seed in range(60 if long else 20):
        timeline = random_timeline(link, seed)
        broken = judge_trace(simulate(link.profile, scenario(link, timeline), ReferenceReceiver))
        assert broken == [], (timeline, list(placed_pieces(link, timeline)))


@pytest.mark.parametrize("profile", [name for name in GOOD if name != "plover"])
def test_sound_receiver_of_the_zoo_breaks_no_rule(profile: str, long: bool) -> None:
    """Another sound receiver, by another hand; plover wants returns on a low throttle, which it does not know.

    On 20 timelines; ``--long``: on 60.
    """
    link = world(read_profile(str(PROFILES / f"{profile}.toml")))
    for seed in range(60 if long else 20):
        timeline = random_timeline(link, 1000 + seed)
        broken = judge_trace(simulate(link.profile, scenario(link, timeline), zoo.Sound))
        assert broken == [], (timeline, list(placed_pieces(link, timeline)))


@pytest.mark.long
def test_live_reading_is_a_hazard_that_the_rules_see() -> None:
    """A profile that says its pulses are read live: a frame mixes failsafe and sticks, and arms by itself."""
    heron = read_profile(str(PROFILES / "heron.toml"))
    live = dataclasses.replace(heron, output=dataclasses.replace(heron.output, latch="live"))
    found = hunt(live, lambda: open_rig(live), budget=Budget(runs=200))
    assert found.findings[0].broken.requirement_id in {"RC-LIVE", "PW-BROWNOUT", "PW-RESET", "PW-STICK"}
