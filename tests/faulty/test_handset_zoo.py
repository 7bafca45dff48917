"""Tests of the handset's requirements: every mistake is found by the right name, and nothing is met by nothing."""

from __future__ import annotations

from typing import Any

import pytest

import handset_zoo as zoo  # type: ignore[import-not-found]
from handset_links import LINKS  # type: ignore[import-not-found]
from lostlink.profiles.rules import impossible
from lostlink.requirements import CATALOGUE, of_sides
from lostlink.results import Result
from lostlink.rigs.sim import SimRig
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome, Side
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.receiver import ReferenceReceiver

LONG = pytest.mark.long
HANDSET = of_sides(Side.HANDSET)
CAN_BE_SHOWN = (Outcome.MET, Outcome.NOT_TESTED)
SEEDS = 10


def judged(handset: HandsetFactory, link: str, *only: str, seed: int = 1) -> Result:
    result = run_suite(LINKS[link], SimRig(LINKS[link], handset=handset), only=only, seed=seed)
    assert not result.errors
    return result


def with_outcome(result: Result, *outcomes: Outcome) -> dict[str, str]:
    """Return the requirements with some outcomes, and why."""
    return {one.requirement.id: one.reason or one.measured for one in result.verdicts if one.outcome in outcomes}


def identified(mistake: zoo.Mistake) -> str:
    return str(mistake.handset.__name__)


@pytest.mark.parametrize("mistake", zoo.MISTAKES, ids=identified)
def test_suite_finds_the_mistake(mistake: zoo.Mistake, long: bool) -> None:
    """Each faulty handset fails the requirement that is about its mistake, beside others that its runs break.

    ``--long``: on ten seeds, and by all tests.
    """
    for seed in range(1, SEEDS + 1 if long else 2):
        result = judged(mistake.handset, mistake.link, mistake.requirement, seed=seed)
        assert mistake.requirement in with_outcome(result, Outcome.NOT_MET), mistake.handset.__doc__
        assert result.exit_code == 1
    if long:
        assert mistake.requirement in with_outcome(judged(mistake.handset, mistake.link), Outcome.NOT_MET)


def test_zoo_is_large_and_varied() -> None:
    """Every requirement on a handset has at least two mistakes that it must find, but for those with one subject."""
    found = [mistake.requirement for mistake in zoo.MISTAKES]
    assert len(zoo.MISTAKES) >= 80
    assert set(found) == set(HANDSET)
    assert {name for name in HANDSET if found.count(name) < 2} <= {"HS-CENTRE", "HS-STEPS"}
    assert {mistake.link for mistake in zoo.MISTAKES} <= set(LINKS)
    assert len({mistake.handset for mistake in zoo.MISTAKES}) == len(zoo.MISTAKES)


def test_links_are_possible() -> None:
    for name, link in LINKS.items():
        assert list(impossible(link)) == [], name


@pytest.mark.parametrize("handset", [zoo.Dead, zoo.Constant, zoo.ThrottleOnly])
@pytest.mark.parametrize(
    ("link", "only"),
    [("addressed", ("HS-ADDRESS", "HS-RADIO")), ("acknowledged", ("HS-DEAF",)), ("battery", ("HS-BATTERY", "HS-REF"))],
)
def test_nothing_about_radio_and_battery_is_met_by_nothing(
    handset: HandsetFactory, link: str, only: tuple[str, ...]
) -> None:
    assert with_outcome(judged(handset, link, *only), Outcome.MET, Outcome.NOT_TESTED) == {}


def test_a_program_without_a_set_up_is_a_finding_in_words() -> None:
    """Where the profile declares an address."""

    class Plain(zoo.Sound):  # type: ignore[misc]
        radio: Any = property()  # an attribute that it does not have

    found = with_outcome(judged(Plain, "addressed", "HS-ADDRESS"), Outcome.NOT_MET)
    assert "the profile declares handset.address; allowed: a program with radio(clock_us)" in found["HS-ADDRESS"]


@pytest.mark.parametrize("link", ["bittern", *(pytest.param(name, marks=LONG) for name in LINKS if name != "bittern")])
def test_sound_handset_of_the_zoo_is_met(link: str) -> None:
    """The handset that all faulty ones are made from passes."""
    result = judged(zoo.Sound, link)
    assert with_outcome(result, *(one for one in Outcome if one not in CAN_BE_SHOWN)) == {}
    assert [one.requirement.id for one in result.verdicts] == HANDSET


# --- nothing is met by nothing ----------------------------------------------------------------------------------


@pytest.mark.parametrize("handset", [zoo.Dead, zoo.Constant, zoo.ThrottleOnly])
@pytest.mark.parametrize(
    "link",
    [
        "bittern",
        pytest.param("heron", marks=LONG),
        pytest.param("margins", marks=LONG),
        pytest.param("addressed", marks=LONG),
    ],
)
def test_nothing_is_met_by_a_handset_that_does_not_send_its_sticks(handset: HandsetFactory, link: str) -> None:
    """Neither by one that never sends, nor by one that keeps its rate, counter and marks, and nothing else."""
    assert with_outcome(judged(handset, link), Outcome.MET) == {}


def test_one_that_sends_anothers_packets_is_found() -> None:
    """The verdicts on sticks and time are met; what a receiver would make of the packets is not."""
    result = judged(zoo.AnothersId, "bittern", *(name for name in HANDSET if name != "HS-LONG"))
    assert with_outcome(result, Outcome.NOT_MET).keys() == {"HS-MARK", "HS-VARIED"}
    assert "byte 6 is 217; the link id is 200" in with_outcome(result, Outcome.NOT_MET)["HS-MARK"]


@pytest.mark.parametrize(
    ("handset", "first"),
    [
        (zoo.AnothersId, "byte 6 is 217; the link id is 200"),
        (zoo.PaddedStruct, "bytes; the profile declares 9"),
        (zoo.CountsNothing, "byte 7, the counter, is the same in"),
        (zoo.SendsEachSecond, "they leave every 1000 ms; the packet interval is 20 ms"),
        (zoo.SticksExchanged, "byte 0 is "),
    ],
)
def test_the_pair_names_what_differs_and_blames_no_sound_receiver(handset: HandsetFactory, first: str) -> None:
    """A receiver that rejects wrong packets, as it must, breaks none of its own requirements by that."""
    link = LINKS["bittern"]
    result = run_suite(link, SimRig(link, ReferenceReceiver, handset=handset), only=["PR-MATCH"], seed=1)
    found = with_outcome(result, Outcome.NOT_MET)
    assert {CATALOGUE[name].side for name in found} <= {Side.HANDSET, Side.PAIR}
    assert first in found["PR-MATCH"]


@pytest.mark.parametrize(
    ("link", "requirement"),
    [("bittern", "PR-RESET"), ("margins", "PR-HANG")],
)
def test_the_pair_finds_values_that_are_kept_over_a_reset(link: str, requirement: str) -> None:
    """The sticks have moved meanwhile; the motors run on as before."""
    profile = LINKS[link]
    rig = SimRig(profile, ReferenceReceiver, handset=zoo.GoesOnWithSavedValues)
    found = with_outcome(run_suite(profile, rig, only=[requirement], seed=1), Outcome.NOT_MET)
    assert requirement in found
    assert {CATALOGUE[name].side for name in found} <= {Side.HANDSET, Side.PAIR}
    sound = run_suite(profile, SimRig(profile, ReferenceReceiver, handset=zoo.Sound), only=[requirement], seed=1)
    assert with_outcome(sound, Outcome.MET).keys() == {requirement}


def test_one_that_floods_the_radio_is_found() -> None:
    assert with_outcome(judged(zoo.Floods, "heron", "HS-RATE", "HS-WRAP"), Outcome.NOT_MET).keys() == {
        "HS-RATE",
        "HS-WRAP",
    }


def test_one_that_knows_usual_positions_only_is_found() -> None:
    """Right at rest, in the middle, at the stops, and at round numbers of the travel between."""
    result = judged(zoo.KnowsRoundNumbers, "heron", "HS-VALUE", "HS-FRESH", "HS-FIRST", "HS-CENTRE", "HS-ENDS")
    assert with_outcome(result, Outcome.NOT_MET).keys() == {"HS-VALUE", "HS-FRESH", "HS-FIRST"}


def test_a_program_that_keeps_something_from_run_to_run_is_not_met() -> None:
    """The test's first run is repeated at its end; other packets then mean that an earlier run has decided."""
    zoo.KeepsFromRunToRun.known.clear()
    result = judged(zoo.KeepsFromRunToRun, "heron", "HS-START", "HS-RESET")
    inconclusive = with_outcome(result, Outcome.INCONCLUSIVE)
    assert inconclusive.keys() == {"HS-START"}
    assert inconclusive["HS-START"].startswith("the same run gave other packets than before")
    assert result.exit_code not in (0, 1)


def test_a_wait_in_the_first_run_only_is_found() -> None:
    zoo.FirstRunWithoutWait.known.clear()
    assert with_outcome(judged(zoo.FirstRunWithoutWait, "heron", "HS-START"), Outcome.NOT_MET).keys() == {"HS-START"}


def test_a_wire_that_breaks_beyond_the_low_stop_is_found_whichever_way_it_is_wired() -> None:
    """A throttle whose low stop is at the high end of its track: a break to the high rail must not end the wait."""
    assert with_outcome(judged(zoo.BrokenWireIsLow, "calibrated", "HS-START"), Outcome.NOT_MET).keys() == {"HS-START"}


def test_a_crash_is_a_finding_that_names_the_handsets_function() -> None:
    result = judged(zoo.Crashes, "heron", "HS-ENDS")
    reason = with_outcome(result, Outcome.NOT_MET)["HS-ENDS"]
    assert reason.startswith("ZeroDivisionError in the handset's turn() at 0.")
    assert result.verdicts[0].measured == "a program under test crashed"
    assert "a program under test crashed: ZeroDivisionError" in result.findings["HS-ENDS"]
