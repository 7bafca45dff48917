"""``lostlink campaign --handset``: a handset's program in flights that lose their link, alone and with a receiver."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.tally import CRITERIA, Tally, criteria_of
from lostlink.campaigns.trials import TrialRange, fly
from lostlink.cli import main
from lostlink.measure import limits
from lostlink.profiles import read_profile
from lostlink.requirements import CATALOGUE
from lostlink.verdicts import Side

HERON = Path("fixtures/profiles/heron.toml")
ZOO = (Path(__file__).with_name("handset_zoo.py")).read_text(encoding="utf-8")
REFERENCE = "from lostlink_sims import ReferenceReceiver\nclass Mine(ReferenceReceiver): pass\n"
CRASHES = """
class Crashes(ReferenceReceiver):
    def _step(self, event):
        super()._step(event)
        if self.failsafe and self._heard_us & 0x1000:
            raise RuntimeError("division by zero, say")
"""
MINE = '''

class Pauses(Sound):
    """Writes its settings into slow memory at certain counter values: some 200 ms without a packet."""
    def turn(self, clock, readings, switches):
        wanted = super().turn(clock, readings, switches)
        return (wanted + 200_000) & MASK if (clock >> 16) % 64 == 7 and not (clock >> 12) % 16 else wanted


class StopsOften(Sound):
    """Ends in a third of all trials."""
    def turn(self, clock, readings, switches):
        if (clock >> 20) % 16 == 3:
            raise RuntimeError("division by zero, say")
        return super().turn(clock, readings, switches)


class Halves(Sound):
    """Sends the pitch's upper half as its lower one."""
    def turn(self, clock, readings, switches):
        readings = (readings[0], min(readings[1], 512), *readings[2:])
        return super().turn(clock, readings, switches)


class Silent(Sound):
    """Sends nothing."""
    def packet(self, clock):
        return None
'''


@pytest.fixture(scope="module")
def mine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The zoo, and handsets of this module, in one file; a receiver in another."""
    folder = tmp_path_factory.mktemp("mine")
    (folder / "handsets.py").write_text(ZOO + MINE, encoding="utf-8")
    (folder / "receiver.py").write_text(REFERENCE + CRASHES, encoding="utf-8")
    return folder


def campaign(*words: object) -> Result:
    return CliRunner().invoke(main, ["campaign", *map(str, words)])


def counts(folder: Path) -> dict[str, tuple[int, int]]:
    """Return trials judged and failed, by requirement."""
    data: dict[str, Any] = json.loads((folder / "campaign.json").read_text(encoding="utf-8"))
    return {one["id"]: (one["judged"], one["failures"]) for one in data["requirements"]}


def test_every_requirement_on_packets_is_counted() -> None:
    """What the rules for packets can find in a trial, with no fault of the handset but being switched off."""
    faulty = {"HS-RESET", "HS-HANG", "HS-BUSY", "HS-WIRE", "HS-FLOAT", "HS-RADIO", "HS-BATTERY", "HS-REF"}
    flown_elsewhere = {"HS-CENTRE", "HS-ENDS", "HS-ORDER", "HS-SENSE", "HS-STEPS", "HS-STILL", "HS-VARIED"}
    ids = {one.id for one in criteria_of({Side.HANDSET})}
    handset = {name for name, required in CATALOGUE.items() if required.side is Side.HANDSET}
    assert ids == handset - faulty - flown_elsewhere
    assert {one.id for one in CRITERIA} - {one.id for one in criteria_of(set(Side))} == {"LK-FALSE"}


def test_a_sound_handset(mine: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = campaign(HERON, "--handset", f"{mine}/handsets.py:Sound", "--trials", 40, "--out", out)
    assert done.exit_code == 0, done.output
    assert "The handset sent as specified" in done.output
    found = counts(out)
    assert found["HS-GAP"] == found["HS-VALUE"] == found["HS-RATE"] == (40, 0)
    assert found["HS-START"] == found["HS-SWITCH"] == found["HS-LONG"] == (0, 0)
    assert 0 < found["HS-WRAP"][0] < 40
    outcomes = {one["id"]: one["outcome"] for one in json.loads((out / "verdicts.json").read_text())["verdicts"]}
    assert {name for name, outcome in outcomes.items() if outcome == "not tested"} == {
        "HS-START", "HS-SWITCH", "HS-LONG", "HS-ADDRESS", "HS-DEAF",
    }  # fmt: skip


def test_a_sound_pair(mine: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    both = ("--handset", f"{mine}/handsets.py:Sound", "--receiver", f"{mine}/receiver.py:Mine")
    done = campaign(HERON, *both, "--trials", 40, "--out", out)
    assert done.exit_code == 0, done.output
    found = counts(out)
    assert found["FS-CUT"] == found["PR-FALSE"] == found["HS-GAP"] == (40, 0)
    assert 0 < found["PR-OFF"][0] < 40
    assert found["PR-OFF"][1] == 0
    line = next(line for line in done.output.splitlines() if "worst of PR-OFF" in line)
    replayed = CliRunner().invoke(main, line.partition("lostlink ")[2].split())
    assert replayed.exit_code == 0, replayed.output


@pytest.mark.parametrize(
    ("name", "broken"),
    [("Pauses", {"HS-GAP", "HS-RATE"}), ("Halves", {"HS-VALUE"}), ("StopsOften", {"HS-GAP"})],
)
def test_a_mistake_is_counted_and_replayed(name: str, broken: set[str], mine: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = campaign(HERON, "--handset", f"{mine}/handsets.py:{name}", "--trials", 30, "--jobs", 1, "--out", out)
    assert done.exit_code == 1, done.output
    assert {name for name, (_, failures) in counts(out).items() if failures} >= broken
    assert ("a program under test crashed in" in done.output) is (name == "StopsOften")
    line = next(line for line in done.output.splitlines() if f"worst of {min(broken)}" in line)
    replayed = CliRunner().invoke(main, line.partition("lostlink ")[2].split())
    assert replayed.exit_code == (2 if name == "StopsOften" else 0), replayed.output


def test_a_handset_that_stops_is_not_held_against_the_receiver(mine: Path, tmp_path: Path) -> None:
    """Its receiver cuts the throttle in time, and a failsafe before the loss is one of the pair."""
    out = tmp_path / "out"
    both = ("--handset", f"{mine}/handsets.py:StopsOften", "--receiver", f"{mine}/receiver.py:Mine")
    done = campaign(HERON, *both, "--trials", 30, "--jobs", 1, "--out", out)
    assert done.exit_code == 1, done.output
    failed = {name for name, (_, failures) in counts(out).items() if failures}
    assert {"HS-GAP", "PR-FALSE"} <= failed
    assert not {name for name in failed if CATALOGUE[name].side is Side.RECEIVER}


def test_a_receiver_that_crashes_is_not_held_against_the_handset(mine: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    both = ("--handset", f"{mine}/handsets.py:Sound", "--receiver", f"{mine}/receiver.py:Crashes")
    done = campaign(HERON, *both, "--trials", 20, "--jobs", 1, "--out", out)
    assert done.exit_code == 1, done.output
    found = counts(out)
    assert found["FS-CUT"][1] > 0
    assert {side: any(found[name][1] for name in found if CATALOGUE[name].side is side) for side in Side} == {
        Side.RECEIVER: True, Side.HANDSET: False, Side.PAIR: True,
    }  # fmt: skip
    assert found["HS-GAP"][0] == 20 - found["FS-CUT"][1]


def test_the_result_does_not_depend_on_the_jobs(mine: Path) -> None:
    profile = read_profile(HERON)
    flights = flight_trials(profile, 5)
    handset = f"{mine}/handsets.py:Pauses"
    whole = fly(TrialRange(flights, None, 3, 12, handset))
    parts = [fly(TrialRange(flights, None, first, count, handset)) for first, count in ((3, 5), (8, 7))]
    assert Tally.merged(parts).as_dict() == whole.as_dict()
    assert limits.pause_us(profile) == profile.receiver.timeout_us // 4


def test_another_handset_does_not_continue_a_campaign(mine: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    words = (HERON, "--trials", 4, "--jobs", 1, "--out", out)
    assert campaign(*words, "--handset", f"{mine}/handsets.py:Sound").exit_code == 0
    for other in (("--handset", f"{mine}/handsets.py:Halves"), ()):
        done = campaign(*words[:1], "--trials", 8, *words[3:], *other, "--resume")
        assert done.exit_code == 2, done.output
        assert "a different handset" in done.output or "a different engine" in done.output


def test_nothing_is_met_by_nothing(mine: Path, tmp_path: Path) -> None:
    """A handset without packets tests no requirement on them, and neither does one that ends at once."""
    out = tmp_path / "out"
    done = campaign(HERON, "--handset", f"{mine}/handsets.py:Silent", "--trials", 4, "--jobs", 1, "--out", out)
    assert done.exit_code == 1, done.output
    assert {name: count for name, count in counts(out).items() if count != (0, 0)} == {
        "HS-GAP": (4, 4), "HS-RATE": (4, 4),
    }  # fmt: skip


def test_a_changed_file_is_another_program(tmp_path: Path) -> None:
    file, out = tmp_path / "handsets.py", tmp_path / "out"
    file.write_text(ZOO, encoding="utf-8")
    words = (HERON, "--handset", f"{file}:Sound", "--jobs", 1, "--out", out, "--trials")
    assert campaign(*words, 2).exit_code == 0
    file.write_text(f"{ZOO}\n", encoding="utf-8")
    done = campaign(*words, 4, "--resume")
    assert done.exit_code == 2, done.output
    assert "a different handset: its file was changed" in done.output


@pytest.mark.parametrize("name", ["HS-SWITCH", "HS-START", "HS-LONG"])
def test_a_claim_that_no_trial_tests(name: str, mine: Path) -> None:
    words = ("--until", "p < 0.1 at 95 %", "--about", name)
    done = campaign(HERON, "--handset", f"{mine}/handsets.py:Sound", *words)
    assert done.exit_code == 2
    assert "campaigns do not test this" in done.output


def test_a_claim_about_what_is_not_under_test(mine: Path) -> None:
    handset = f"{mine}/handsets.py:Sound"
    done = campaign(HERON, "--handset", handset, "--until", "p < 0.1 at 95 %", "--about", "FS-CUT")
    assert done.exit_code == 2
    assert "campaigns do not test this; allowed: HS-GAP" in done.output
