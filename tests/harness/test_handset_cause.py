"""A receiver that fails with the packets of a handset under test: which of the two is the cause."""

from __future__ import annotations

from pathlib import Path

import pytest

import handset_zoo  # type: ignore[import-not-found]
import zoo  # type: ignore[import-not-found]
from lostlink.errors import RigError
from lostlink.profiles import read_profile, read_scenario
from lostlink.results import Result
from lostlink.rigs import Rig, SimRig
from lostlink.suite.handset_cause import OF_PACKETS, OF_RECEIVER, tell_cause
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.receiver import ReceiverFactory

HERON = read_profile(str(Path(__file__).parents[2] / "fixtures" / "profiles" / "heron.toml"))


def proven(handset: HandsetFactory, receiver: ReceiverFactory, only: str, evidence: Path | None = None) -> Result:
    return run_suite(HERON, SimRig(HERON, receiver, handset=handset), only=[only], evidence=evidence)


@pytest.mark.parametrize(
    ("handset", "receiver", "said"),
    [
        (handset_zoo.SticksExchanged, zoo.Sound, OF_PACKETS),
        (handset_zoo.Sound, zoo.SwapsChannels, OF_RECEIVER),
        (handset_zoo.SticksExchanged, zoo.SwapsChannels, OF_RECEIVER),
    ],
)
def test_the_cause_is_told(handset: HandsetFactory, receiver: ReceiverFactory, said: str, tmp_path: Path) -> None:
    """Two sticks in each other's bytes, by the handset or by the receiver; both runs of one scenario are kept."""
    result = proven(handset, receiver, "CH-ORDER", tmp_path)
    tell_cause(result, HERON, lambda: SimRig(HERON, receiver), seed=1, evidence=tmp_path)
    verdict = next(one for one in result.verdicts if one.requirement.id == "CH-ORDER")
    assert verdict.outcome is Outcome.NOT_MET
    assert verdict.reason == said
    assert f"  handset   {said}" in result.findings["CH-ORDER"]
    runs = [tmp_path / "failing" / f"CH-ORDER{kind}.scenario.toml" for kind in ("", ".simulated-handset")]
    assert read_scenario(str(runs[0]), HERON) == read_scenario(str(runs[1]), HERON)
    own, simulated = (run.with_name(run.name.replace("scenario.toml", "csv")).read_text() for run in runs)
    assert own != simulated
    assert all(said not in text for name, text in result.findings.items() if name != "CH-ORDER")


def test_nothing_is_repeated_where_all_is_met() -> None:
    def never() -> Rig:
        raise AssertionError("a rig was opened")

    result = proven(handset_zoo.Sound, zoo.Sound, "FS-SAYS")
    tell_cause(result, HERON, never, seed=1)
    assert not result.findings
    only_handset = proven(handset_zoo.SticksExchanged, zoo.Sound, "HS-ORDER")
    assert only_handset.findings
    tell_cause(only_handset, HERON, never, seed=1)


def test_a_repeat_that_cannot_run_says_nothing() -> None:
    def gone() -> Rig:
        raise RigError("gone")

    result = proven(handset_zoo.SticksExchanged, zoo.Sound, "CH-ORDER")
    before = list(result.verdicts), dict(result.findings)
    tell_cause(result, HERON, gone, seed=1)
    assert (list(result.verdicts), dict(result.findings)) == before
