"""The hunt's parts: lengths, kinds, rules and their guard bands, the command and what it writes."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from lostlink.cli import main
from lostlink.hunt.description import conclusion
from lostlink.hunt.durations import link_durations
from lostlink.hunt.events import WAIT, world
from lostlink.hunt.runner import Budget, Runner, TimelineResult
from lostlink.hunt.search import Hunt, _Search, hunt, obvious
from lostlink.hunt.shrink import shrunk
from lostlink.hunt.timelines import Piece, Timeline, events, fitted, placed_pieces, scenario, simplicity, span_us
from lostlink.invariants import judge_trace
from lostlink.invariants.attribution import Broken
from lostlink.invariants.windows import Facts, times
from lostlink.profiles import read_profile, read_scenario
from lostlink.requirements import CATALOGUE
from lostlink.rigs import Rig, SimRig, open_rig
from lostlink.rigs.main_loop import MOST_TURNS, BusyError, limited
from lostlink.suite.run import run_suite
from lostlink.verdicts import Outcome
from lostlink_sims import Profile, ReferenceReceiver, Scenario, Trace, simulate
from lostlink_sims.receiver import MASK, State
from lostlink_sims.scenario import ForeignHandset, HandsetHung, LinkCut

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ZOO = ROOT / "tests" / "faulty" / "zoo.py"


@pytest.fixture(scope="module")
def heron() -> Profile:
    return read_profile(str(HERON))


def changed(profile: Profile, **parts: dict[str, object]) -> Profile:
    """Return a profile with some settings of some of its tables changed."""
    new: dict[str, Any] = {
        name: dataclasses.replace(getattr(profile, name), **fields) for name, fields in parts.items()
    }
    return dataclasses.replace(profile, **new)


def flight(profile: Profile, *pieces: tuple[str, int], **fields: Any) -> Scenario:
    """Return a flight in which named kinds last for durations."""
    link = world(profile)
    names = [kind.name for kind in link.kinds]
    laid_out = tuple(Piece(names.index(name), duration=duration) for name, duration in pieces)
    return scenario(link, Timeline(laid_out, **fields))


def duration(profile: Profile, least_us: int) -> int:
    return next(place for place, one in enumerate(link_durations(profile)) if one.us >= least_us)


# --- lengths and kinds ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["bittern", "dunlin", "heron", "lapwing", "plover", "wren"])
def test_durations_rise_and_have_a_meaning(name: str) -> None:
    profile = read_profile(str(HERON.with_name(f"{name}.toml")))
    durations = link_durations(profile)
    lengths = [one.us for one in durations]
    assert lengths == sorted(set(lengths))
    assert lengths[0] >= min(profile.handset.packet_interval_us, profile.output.frame_period_us)
    assert any(one.us == profile.receiver.timeout_us for one in durations)
    # A 16-bit counter of milliseconds wraps after 65.536 s (2^16 ms).
    assert durations[-1].us > 65_536_000
    packet = next(one for one in durations if one.us == profile.handset.packet_interval_us)
    assert packet.meaning in {"1 packet", "1 frame"}


def test_a_wait_is_no_event(heron: Profile) -> None:
    link = world(heron)
    timeline = Timeline((Piece(1, duration=3), Piece(0, duration=3), Piece(1, duration=3)))
    assert link.kinds[0].name == WAIT
    assert events(link, timeline) == 2
    assert span_us(link, timeline) == 3 * link.durations[3].us


def test_pieces_lie_one_after_the_other_or_beside_each_other(heron: Profile) -> None:
    link = world(heron)
    after = [
        piece.at_us for piece in placed_pieces(link, Timeline((Piece(1, duration=9), Piece(2), Piece(1, duration=2))))
    ]
    assert after[1] == after[0] + link.durations[9].us == after[2]
    beside = [piece.at_us for piece in placed_pieces(link, Timeline((Piece(1, duration=9), Piece(2, beside=True))))]
    assert beside[0] == beside[1]


def test_every_variant_makes_a_scenario_that_reads_back(heron: Profile, tmp_path: Path) -> None:
    from lostlink.profiles import write_scenario

    link = world(heron)
    for kind, one in enumerate(link.kinds):
        for variant in range(len(one.variants)):
            made = scenario(link, Timeline((Piece(kind, variant, 5),), wrap=3, start=1))
            file = tmp_path / "one.toml"
            file.write_text(write_scenario(made), encoding="utf-8")
            assert read_scenario(str(file), heron) == made


def test_what_a_link_cannot_tell_is_left_out_and_said(heron: Profile) -> None:
    bare = changed(
        heron, handset={"packet_counter": False, "link_id": None, "check_byte": False}, radio={"crc_bytes": 0}
    )
    link = world(bare)
    names = {kind.name for kind in link.kinds}
    assert not names & {"handset hung", "damaged packets", "fade"}
    assert "foreign handset" in names  # of another packet length
    said = " ".join(link.left_out)
    assert "counter" in said
    assert "link id" in said
    assert "check byte" in said
    assert world(heron).left_out == ()


def test_what_the_owner_waived_is_left_out_and_said(heron: Profile) -> None:
    waived = changed(heron, requirements={"waived": ("FS-STALE",)})
    assert "handset hung" not in {kind.name for kind in world(waived).kinds}
    assert any("FS-STALE waived" in reason for reason in world(waived).left_out)


def test_fitted_shortens_the_longest_piece_first(heron: Profile) -> None:
    link = world(heron)
    last = len(link.durations) - 1
    short = fitted(link, Timeline((Piece(1, duration=last), Piece(1, duration=2))), 5_000_000)
    assert span_us(link, short) <= 5_000_000
    assert short.pieces[1].duration == 2


# --- facts and rules --------------------------------------------------------------------------------------------


def test_times_by_hand(heron: Profile) -> None:
    """550 ms by the owner, one packet interval, 35 ppm of 500 ms, and a millisecond."""
    assert times(heron).cut_us == 550_000 + 5_000 + 17 + 1_000
    # Twice the doubt about an instant: the last packet's and the pulse's.
    assert times(heron, 3_000).cut_us == times(heron).cut_us + 6_000


def test_a_cut_lies_where_handbooks_put_it(heron: Profile) -> None:
    """Silence is noticed T_f after the last packet; then at most one frame and the slots up to the throttle's end.

    Sums of uniform delays, by arithmetic: timeout 500 ms, frame 22.5 ms, three slots of at most 2 ms.

    The rule's limit must not be shorter than the slowest sound cut.
    """
    slowest_us = heron.receiver.timeout_us + heron.output.frame_period_us + 3 * 2_000
    assert times(heron).cut_us >= slowest_us
    for phase in range(16):
        trace = simulate(heron, flight(heron, ("link away", duration(heron, 700_000)), frame_phase=phase))
        facts = Facts(trace)
        [cut] = [span for span in facts.cuts if not span.restart]
        _, end_us, width_us = facts.pulses
        idle_us = end_us[(end_us > cut.since_us) & (width_us <= 1050)][0] - cut.since_us
        assert heron.receiver.timeout_us < idle_us <= slowest_us
        assert judge_trace(trace) == []


class Late(ReferenceReceiver):
    """Cuts 40 ms late."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(changed(profile, receiver={"timeout_us": profile.receiver.timeout_us + 60_000}))


def test_what_lies_within_the_uncertainty_is_not_held_against_a_board(heron: Profile) -> None:
    """At a frame phase at which it cuts as late as it can."""
    trace = simulate(heron, flight(heron, ("link away", duration(heron, 1_000_000)), frame_phase=4), Late)
    assert {broken.requirement_id for broken in judge_trace(trace)} >= {"FS-CUT"}
    blurred = dataclasses.replace(trace, uncertainty_us=40_000)
    assert judge_trace(blurred) == []


def test_a_run_in_doubt_breaks_nothing(heron: Profile) -> None:
    trace = simulate(heron, flight(heron, ("link away", duration(heron, 1_000_000))), Late)
    assert judge_trace(dataclasses.replace(trace, doubt="host too slow")) == []


class NeverFails(ReferenceReceiver):
    """Holds for ever."""

    def _judge_silence(self, clock_us: int) -> None:
        self._heard_us = clock_us

    def poll(self, clock_us: int) -> int | None:
        return None


def test_waived_requirements_are_not_judged(heron: Profile) -> None:
    waived = changed(heron, requirements={"waived": ("FS-CUT",)})
    made = flight(heron, ("link away", duration(heron, 1_000_000)))
    assert "FS-CUT" in {broken.requirement_id for broken in judge_trace(simulate(heron, made, NeverFails))}
    assert "FS-CUT" not in {broken.requirement_id for broken in judge_trace(simulate(waived, made, NeverFails))}


def test_nothing_is_judged_from_where_no_receiver_could_tell(heron: Profile) -> None:
    bare = changed(heron, handset={"packet_counter": False, "link_id": None})
    plain = flight(bare)
    for fault in (HandsetHung(at_us=1_430_000), ForeignHandset(at_us=1_430_000)):
        spoiled = dataclasses.replace(plain, duration_us=4_000_000, faults=(fault, LinkCut(at_us=1_500_000)))
        assert judge_trace(simulate(bare, spoiled, NeverFails)) == []


def test_broken_rules_name_requirements_of_the_catalogue(heron: Profile) -> None:
    trace = simulate(heron, flight(heron, ("link away", duration(heron, 1_000_000))), NeverFails)
    broken = judge_trace(trace)
    assert [one.rank for one in broken] == sorted(one.rank for one in broken)
    assert all(one.requirement_id in CATALOGUE for one in broken)
    assert broken[0].requirement_id == "FS-CUT"
    assert "µs" in broken[0].message
    assert "ms" in broken[0].message


def test_a_plain_flight_is_linked_to_its_end(heron: Profile) -> None:
    """In a plain flight the link is good from some time on to the end, and nothing must be at rest but the start."""
    facts = Facts(simulate(heron, flight(heron)))
    assert len(facts.links) == 1
    assert facts.links[0].until_us == facts.end_us
    assert [span.restart for span in facts.cuts] == [True]  # power-on, until the first good packet
    assert len(facts.locks) == 1


# --- search and shrink ------------------------------------------------------------------------------------------


def test_the_same_seed_finds_the_same(heron: Profile) -> None:
    class Stray(ReferenceReceiver):
        """Believes any length: index errors on short packets."""

        def packet(self, clock_us: int, payload: bytes) -> None:
            if payload[8] >= 0:
                super().packet(clock_us, payload)

    def once() -> Hunt:
        return hunt(heron, lambda: SimRig(heron, Stray), seed=5, budget=Budget(runs=300))

    one, two = once(), once()
    assert one.findings
    assert one.findings[0].timeline == two.findings[0].timeline
    assert one.findings[0].broken == two.findings[0].broken
    assert one.coverage.kinds == two.coverage.kinds
    assert one.findings[0].broken.group == "crash"
    assert one.findings[0].broken.requirement_id == "FS-FOREIGN"


def test_draws_depend_on_the_seed_only(heron: Profile, long: bool) -> None:
    """A search meets other timelines with another seed, and never more runs than it may: 36; ``--long``: 120."""
    runs = 120 if long else 36
    drawn: dict[int, set[Timeline]] = {}
    for seed in (1, 2):
        runner = Runner(world(heron), lambda: SimRig(heron), Budget(runs=runs), seed)
        from lostlink.hunt.search import _draw

        _draw(runner, lambda timeline, runner=runner: bool(runner.judged(timeline).broken), guided=False)  # type: ignore[misc]
        drawn[seed] = set(runner.seen)
        assert runner.coverage.runs <= runs
    assert len(drawn[1] & drawn[2]) < runs / 6


def test_shrinking_ends_at_the_planted_minimum(heron: Profile) -> None:
    """Breaks whenever there are a main loop that hangs and, later, a loss of half a second or more."""
    link = world(heron)
    names = [kind.name for kind in link.kinds]
    hang, away = names.index("main loop hung"), names.index("link away")

    def breaks(timeline: Timeline) -> bool:
        kinds = [piece.kind for piece in timeline.pieces]
        lost = [piece.kind == away and link.durations[piece.duration].us >= 500_000 for piece in timeline.pieces]
        return hang in kinds and any(lost[kinds.index(hang) :])

    big = Timeline(
        (Piece(8, 1, 9), Piece(hang, 0, 30), Piece(5, 1, 8, True), Piece(away, 0, 40), Piece(2, 2)), 3, 2, 7, 5, 9
    )
    assert breaks(big)
    small = shrunk(link, big, breaks)
    assert [names[piece.kind] for piece in small.pieces] == ["main loop hung", "link away"]
    assert small.pieces[0].duration == 0
    assert link.durations[small.pieces[1].duration].us == 500_000
    assert small == Timeline(small.pieces)
    assert simplicity(link, small) < simplicity(link, big)


def test_obvious_timelines_come_first_and_hold_every_kind(heron: Profile) -> None:
    link = world(heron)
    first = list(obvious(link))
    assert first[0] == Timeline()
    assert {piece.kind for timeline in first for piece in timeline.pieces} == set(range(len(link.kinds)))


class Leaky(ReferenceReceiver):
    """Remembers in its class that it ever was in failsafe, and then holds for ever."""

    was = False

    def _judge_silence(self, clock_us: int) -> None:
        if not Leaky.was:
            super()._judge_silence(clock_us)
        if self._state is State.FAILSAFE:
            Leaky.was = True


def test_a_receiver_that_remembers_earlier_runs_is_loaded_anew(heron: Profile) -> None:
    def opens() -> Rig:
        Leaky.was = False
        return SimRig(heron, Leaky)

    found = hunt(heron, opens, budget=Budget(runs=150))
    assert found.coverage.reloads
    # The second loss of one run is what remains; a plain loss does nothing in a fresh receiver.
    assert events(found.world, found.findings[0].timeline) == 2


class Spins(ReferenceReceiver):
    """Asks for its next turn at once, always."""

    def poll(self, clock_us: int) -> int | None:
        super().poll(clock_us)
        return clock_us


def test_a_spinning_main_loop_is_held_back(heron: Profile) -> None:
    turns = 0

    class Counts(Spins):
        def poll(self, clock_us: int) -> int | None:
            nonlocal turns
            turns += 1
            return super().poll(clock_us)

    made = dataclasses.replace(flight(heron), duration_us=1_000_000)
    trace = simulate(heron, made, limited(Counts))
    assert judge_trace(trace) == []
    assert turns < 50_000
    assert limited(Counts)(heron).poll(MASK) is not None


def test_too_many_turns_end_a_run(heron: Profile) -> None:
    program = limited(Spins)(heron)
    program.power_on(0)
    for clock_us in range(MOST_TURNS):
        program.poll(clock_us)
    with pytest.raises(BusyError):
        program.poll(0)


class _Interrupted(SimRig):
    """A user loses patience in a later run."""

    left = 12

    def run(self, scenario: Scenario) -> Trace:
        _Interrupted.left -= 1
        if _Interrupted.left == 0:
            raise KeyboardInterrupt
        return super().run(scenario)


class SaysNothing(ReferenceReceiver):
    """Its flag is never up."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self.failsafe = False

    def _step(self, event: Any) -> None:
        super()._step(event)
        self.failsafe = False


def test_interrupted_keeps_the_best_so_far(heron: Profile) -> None:
    _Interrupted.left = 12
    found = hunt(heron, lambda: _Interrupted(heron, SaysNothing), budget=Budget(runs=1000))
    assert found.interrupted
    assert found.exit_code == 130
    assert found.findings[0].broken.requirement_id == "FS-SAYS"
    _Interrupted.left = 3
    found = hunt(heron, lambda: _Interrupted(heron), budget=Budget(runs=1000))
    assert (found.exit_code, found.findings) == (130, [])
    assert "Interrupted" in conclusion(found)


def test_a_time_budget_ends(heron: Profile) -> None:
    found = hunt(heron, lambda: SimRig(heron), budget=Budget(seconds=0.5))
    assert found.exit_code == 0
    assert found.coverage.runs > 0


# --- the command ------------------------------------------------------------------------------------------------


def run(*words: str) -> Any:
    return CliRunner().invoke(main, ["hunt", *words])


@pytest.fixture(scope="module")
def second_loss(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """Hunt a receiver that forgets the second loss, once for several tests."""
    folder = tmp_path_factory.mktemp("hunt") / "out"
    said = run(str(HERON), "--receiver", f"{ZOO}:ForgetsTheSecondLoss", "--runs", "100", "--out", str(folder))
    return folder, said


def test_command_shows_and_saves_a_finding(second_loss: tuple[Path, Any]) -> None:
    folder, said = second_loss
    assert said.exit_code == 1
    for words in (
        "FS-AGAIN (critical): with 2 events", "1. link lost for", "2. link lost for", "+0 ms", "lostlink replay",
        "Coverage:", "seed 1", "Propellers off", "safe to fly",
    ):  # fmt: skip
        assert words in said.output, words
    names = {path.name for path in folder.iterdir()}
    assert names == {"FS-AGAIN.scenario.toml", "FS-AGAIN.txt", "hunt.json", "test_found.py"}
    document = json.loads((folder / "hunt.json").read_text(encoding="utf-8"))
    assert document["exit_code"] == 1
    assert document["findings"][0]["requirement"] == "FS-AGAIN"
    assert document["findings"][0]["events"] == 2
    assert "Propellers off" in (folder / "FS-AGAIN.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(("receiver", "code"), [(f"{ZOO}:ForgetsTheSecondLoss", 1), (None, 0)])
def test_saved_test_runs_by_itself(second_loss: tuple[Path, Any], receiver: str | None, code: int) -> None:
    """The test file fails for the receiver it was found in and passes for one that is sound."""
    folder, _ = second_loss
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(folder / "test_found.py")]
    words += [f"--lostlink-profile={HERON}", *([f"--lostlink-receiver={receiver}"] if receiver else [])]
    done = subprocess.run(words, capture_output=True, text=True, cwd=folder, check=False)
    assert done.returncode == code, done.stdout
    if code:
        assert "FS-AGAIN" in done.stdout
        assert "repeat" in done.stdout


def test_saved_test_counts_in_prove(second_loss: tuple[Path, Any]) -> None:
    from proving import prove

    folder, _ = second_loss
    result = prove(
        str(HERON), receiver=f"{ZOO}:ForgetsTheSecondLoss", only=["FOUND-FS-AGAIN"], tests=[folder / "test_found.py"]
    )
    assert result.exit_code == 1
    # Its run breaks an invariant of the catalogue's requirement too.
    assert {verdict.requirement.id for verdict in result.verdicts} >= {"FOUND-FS-AGAIN", "FS-AGAIN"}
    assert {verdict.outcome for verdict in result.verdicts} == {Outcome.NOT_MET}


def test_nothing_found_is_no_proof(tmp_path: Path) -> None:
    said = run(str(HERON), "--runs", "30", "--out", str(tmp_path / "out"))
    assert said.exit_code == 0
    assert "Nothing found in 30 runs. This is not a proof" in said.output
    assert "Coverage: 30 runs" in said.output
    assert "Propellers off" in said.output
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"hunt.json"}


def test_an_earlier_hunt_is_written_over_and_nothing_else(tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert (
        run(str(HERON), "--receiver", f"{ZOO}:HoldsForEver", "--runs", "10", "--out", str(out), "--quiet").exit_code
        == 1
    )
    assert run(str(HERON), "--runs", "5", "--out", str(out), "--quiet").exit_code == 0
    assert {path.name for path in out.iterdir()} == {"hunt.json"}
    own = tmp_path / "own"
    own.mkdir()
    (own / "notes.txt").write_text("mine", encoding="utf-8")
    said = run(str(HERON), "--runs", "5", "--out", str(own))
    assert said.exit_code == 2
    assert "contains other files; choose" in said.output
    assert (own / "notes.txt").read_text(encoding="utf-8") == "mine"
    # A mark that names files elsewhere has nothing taken away there.
    (out / "hunt.json").write_text(json.dumps({"schema": 1, "files": ["../own/notes.txt"]}), encoding="utf-8")
    assert run(str(HERON), "--runs", "5", "--out", str(out), "--quiet").exit_code == 0
    assert (own / "notes.txt").is_file()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--budget", "soon"], "--budget: 'soon' is not a quantity; allowed:"),
        (["--budget", "60"], "has no unit; allowed:"),
        (["--budget", "0 s"], "out of range; allowed:"),
        (["--receiver", "nowhere.py:Name"], "there is no file nowhere.py; allowed:"),
        (["--receiver", f"{ZOO}:HoldsForEve"], "did you mean 'HoldsForEver'"),
    ],
)
def test_bad_input_is_one_clear_error(words: list[str], said: str, tmp_path: Path) -> None:
    result = run(str(HERON), *words, "--out", str(tmp_path / "out"))
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output
    assert len(result.output.strip().splitlines()) == 1


def test_without_hypothesis_there_is_one_clear_error(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "hypothesis", None)
    result = run(str(HERON), "--out", str(tmp_path / "out"))
    assert result.exit_code == 2
    assert "pip install lostlink[search]" in result.output


def test_the_command_imports_nothing_heavy() -> None:
    code = (
        "import sys, lostlink.hunt\n"
        "heavy = {'numpy', 'simpy', 'hypothesis', 'rich', 'pytest'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_hypothesis_leaves_nothing_in_the_users_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    words = [sys.executable, "-c", "from lostlink.cli import main; main()"]
    runs = len(list(obvious(world(read_profile(HERON))))) + 8  # the last are drawn with its help
    done = subprocess.run(
        [*words, "hunt", str(HERON), "--runs", str(runs), "--quiet"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"lostlink-hunt"}


def test_the_most_severe_of_a_run_is_named() -> None:
    """A run that breaks a minor requirement first and a critical one later is about the critical one."""
    minor, critical = Broken("FS-SAYS", "flag", 1_000, ""), Broken("FS-CUT", "throttle in silence", 900_000, "")
    search = _Search(Runner(world(Profile()), lambda: SimRig(Profile()), Budget(runs=1), 1), False)
    assert search._wanted(TimelineResult((minor, critical))) is critical
    assert search._wanted(TimelineResult((minor,))) is minor


# --- a handset under test ---------------------------------------------------------------------------------------

MAKERS = """
from handset_zoo import Dead, Sound, SwitchesOffAfterReset
"""


def test_the_command_hunts_a_handset_and_its_test_replays_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The finding is a text, a scenario and a test, which fails on this handset, and not on a sound one."""
    file = tmp_path / "mine.py"
    file.write_text(f"import sys\nsys.path.append({str(ZOO.parent)!r})\n{MAKERS}", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    given = ["hunt", str(HERON), "--handset", "mine.py:SwitchesOffAfterReset", "--runs", "60"]
    run = CliRunner().invoke(main, given)
    assert run.exit_code == 1
    assert "HS-RESET (critical): with 1 event" in run.output
    assert "1. the handset resets" in run.output
    assert "--handset mine.py:SwitchesOffAfterReset" in run.output
    found = json.loads((tmp_path / "lostlink-hunt" / "hunt.json").read_text(encoding="utf-8"))
    assert found["handset"] == "mine.py:SwitchesOffAfterReset"
    test = tmp_path / "lostlink-hunt" / "test_found.py"
    for name, outcome in (
        ("SwitchesOffAfterReset", Outcome.NOT_MET),
        ("Sound", Outcome.MET),
        ("Dead", Outcome.NOT_MET),
    ):
        rig = open_rig(read_profile(str(HERON)), handset=f"mine.py:{name}")
        result = run_suite(read_profile(str(HERON)), rig, tests=[test], only=["FOUND-HS-RESET"])
        assert [one.outcome for one in result.verdicts if one.requirement.id == "FOUND-HS-RESET"] == [outcome]
    result = run_suite(
        read_profile(str(HERON)), SimRig(read_profile(str(HERON))), tests=[test], only=["FOUND-HS-RESET"]
    )
    assert [one.outcome for one in result.verdicts] == [Outcome.NOT_TESTED]
