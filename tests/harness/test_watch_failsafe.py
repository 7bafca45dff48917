"""The failsafe test by hand, in virtual time: what was true lies inside what is said, whatever the board does."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner
from talking_board import NS, TalkingBoard

from lostlink.commands import watch
from lostlink.errors import LostlinkError, ProfileError, RigError
from lostlink.evidence.schemas import VERDICTS_SCHEMA
from lostlink.results import exit_code
from lostlink.verdicts import Outcome, Verdict
from lostlink.watch import judging as results
from lostlink.watch.columns import PrintedRow
from lostlink.watch.freeze import (
    FreezeState,
    Movement,
    ThrottleColumn,
    ThrottleResponse,
    TimeInterval,
    analyse,
    is_silent,
    moving,
)
from lostlink.watch.judging import Attempt, AttemptResult, judge
from lostlink.watch.listener import Listener
from lostlink.watch.procedure import FailsafeTest, wait_times_for
from lostlink.watch.table import RowTable, without_odd_lines
from lostlink_sims import Profile

LINK = Profile()


def trial(board: TalkingBoard, profile: Profile | None = LINK, repeats: int = 1) -> FailsafeTest:
    listener = Listener(board, keep=True, clock_ns=board.clock_ns)
    test = FailsafeTest(listener, profile, board.hear)
    test.run(repeats)
    return test


def only(test: FailsafeTest) -> Attempt:
    (attempt,) = test.attempts
    return attempt


def outcomes(test: FailsafeTest, profile: Profile | None = LINK) -> dict[str, Outcome]:
    return {verdict.requirement.id: verdict.outcome for verdict in judge(test.attempts, profile)}


# --- the time to the failsafe ---------------------------------------------------------------------------------


@pytest.mark.parametrize("hold_s", [0.3, 0.5, 1.0])
@pytest.mark.parametrize("lines_hz", [20, 47.3, 200])
@pytest.mark.parametrize("gather_s", [0, 0.016])  # a port that hands over what it has every 16 ms
@pytest.mark.parametrize("late_s", [0.001, 0.01])
def test_true_hold_time_lies_inside(hold_s: float, lines_hz: float, gather_s: float, late_s: float, long: bool) -> None:
    """``--long``: with each of 12 seeds."""
    for seed in range(12) if long else [int(lines_hz * hold_s) % 12]:
        board = TalkingBoard(hold_s=hold_s, lines_hz=lines_hz, gather_s=gather_s, late_s=late_s, seed=seed)
        attempt = only(trial(board))
        assert attempt.result is AttemptResult.CAME
        assert attempt.hold is not None
        assert attempt.hold.low_us <= board.holds_s[0] * 1e6 <= attempt.hold.high_us, seed
        assert attempt.hold.half_us < 4e6 / lines_hz + 1e6 * (gather_s + late_s) + 10_000


class Stalling(TalkingBoard):
    """A host that does not look for up to 300 ms now and then."""

    def read(self, timeout_s: float) -> list[tuple[int, bytes]]:
        if self._random.random() < 0.02:
            self._now_s += 0.3 * self._random.random()
        return super().read(timeout_s)


def test_true_hold_time_lies_inside_on_a_busy_host(long: bool) -> None:
    """``--long``: of 60."""
    for seed in range(60 if long else 18):
        board = Stalling(lines_hz=[20, 60, 170][seed % 3], packet_s=[0.005, 0.05][seed % 2], seed=seed, pause_s=0.7)
        attempt = only(trial(board))
        assert attempt.result in (AttemptResult.CAME, AttemptResult.AT_ONCE)
        assert attempt.hold is not None
        assert attempt.hold.low_us <= board.holds_s[0] * 1e6 <= attempt.hold.high_us, seed


def as_widths(at_s: float, codes: list[int]) -> str:
    return " ".join(f"ch{place}:{1000 + code * 1000 // 255}" for place, code in enumerate(codes, 1))


def as_counts_with_time(at_s: float, codes: list[int]) -> str:
    return ",".join(map(str, [int(at_s * 1000), *(4 * code + 1 for code in codes)]))


def with_a_battery(at_s: float, codes: list[int]) -> str:
    return "\t".join(map(str, [*codes, 200 + int(at_s * 997) % 3]))


def with_lost_bytes(at_s: float, codes: list[int]) -> str:
    text = "\t".join(map(str, codes))
    return text[1:] if int(at_s * 50) % 31 == 0 else text


@pytest.mark.parametrize("text", [as_widths, as_counts_with_time, with_a_battery, with_lost_bytes])
def test_other_ways_to_print(text: Callable[[float, list[int]], str]) -> None:
    for seed in range(4):
        board = TalkingBoard(text=text, seed=seed)
        attempt = only(trial(board))
        assert attempt.result is AttemptResult.CAME
        assert attempt.hold is not None
        assert attempt.hold.low_us <= board.holds_s[0] * 1e6 <= attempt.hold.high_us


def test_a_column_that_is_not_the_handsets_is_told() -> None:
    attempt = only(trial(TalkingBoard(text=with_a_battery)))
    assert attempt.analysis is not None
    assert attempt.analysis.restless == (4,)
    assert "battery" in " ".join(results.remarks(attempt, ["r", "p", "t", "y", "battery"]))


def test_a_pause_of_the_operator_is_no_freeze() -> None:
    """They stop, go on, and switch off later."""
    board = TalkingBoard(pause_s=0.8)
    attempt = only(trial(board))
    assert attempt.hold is not None
    assert attempt.hold.low_us <= board.holds_s[0] * 1e6 <= attempt.hold.high_us
    assert "The values are changing again." in board.told


def test_a_board_that_prints_only_changes() -> None:
    """Nothing is printed in the hold: its end is known, its beginning hardly; the longest it can be still counts."""
    last: list[str] = []

    def changes(at_s: float, codes: list[int]) -> str:
        text = "\t".join(map(str, codes))
        fresh = "" if last == [text] else text
        last[:] = [text]
        return fresh

    board = TalkingBoard(text=changes)
    attempt = only(trial(board))
    assert attempt.result is AttemptResult.CAME
    assert attempt.hold is not None
    assert attempt.hold.low_us <= board.holds_s[0] * 1e6 <= attempt.hold.high_us
    assert attempt.hold.half_us > 200_000


def test_every_repeat_shows_its_failsafe() -> None:
    """The jump of a handset that is switched on again is not a step of its stick."""
    for lines_hz, seed in ((50, 1), (100, 4), (200, 0), (200, 1)):
        test = trial(TalkingBoard(lines_hz=lines_hz, seed=seed), repeats=3)
        assert [attempt.result for attempt in test.attempts] == [AttemptResult.CAME] * 3, (lines_hz, seed)


def test_repeats_and_the_worst_of_them_counts() -> None:
    board = TalkingBoard()
    test = trial(board, repeats=3)
    assert len(test.attempts) == 3
    for attempt, true_s in zip(test.attempts, board.holds_s, strict=True):
        assert attempt.hold is not None
        assert attempt.hold.low_us <= true_s * 1e6 <= attempt.hold.high_us
    late = replace(test.attempts[0], analysis=None, result=AttemptResult.HELD, watched_us=10_000_000)
    (off, *_) = judge([*test.attempts, late], LINK)
    assert (off.outcome, off.runs) == (Outcome.NOT_MET, 4)


# --- verdicts -------------------------------------------------------------------------------------------------


def test_met_with_a_profile() -> None:
    test = trial(TalkingBoard(lines_hz=200))
    assert outcomes(test) == dict.fromkeys(("FS-OFF", "FS-VALUE", "FS-STAY"), Outcome.MET)
    (off, *_) = judge(test.attempts, LINK)
    assert off.how_seen == "reported by the board"
    assert off.limit == "at most 550 ms"


def test_what_is_not_known_well_enough_is_inconclusive() -> None:
    """Half a second against a limit of 550 ms, with 20 lines a second."""
    test = trial(TalkingBoard(lines_hz=20))
    assert outcomes(test)["FS-OFF"] is Outcome.INCONCLUSIVE
    verdicts = judge(test.attempts, LINK)
    assert exit_code(verdicts) == 4
    assert "limit at most 550 ms" in results.conclusion(test.attempts, verdicts, LINK)


def test_the_pulse_may_follow_a_frame_later() -> None:
    """The limit is for pulses: what is printed 10 ms before it proves nothing."""
    attempt = replace(only(trial(TalkingBoard())), analysis=None)
    found = only(trial(TalkingBoard()))
    assert found.analysis is not None
    for high_us, outcome in ((520_000, Outcome.MET), (540_000, Outcome.INCONCLUSIVE)):
        throttle = ThrottleResponse(was_up=True, last=0, cut=TimeInterval(high_us - 10_000, high_us))
        attempt = replace(found, analysis=replace(found.analysis, throttle=throttle))
        assert judge([attempt], LINK)[0].outcome is outcome
    assert results.pulse_lag_us(LINK) == 22_500 + 1500 + 1500 + 1000


def test_too_late_is_not_met() -> None:
    assert outcomes(trial(TalkingBoard(hold_s=1.0)))["FS-OFF"] is Outcome.NOT_MET


def test_without_a_profile_nothing_is_judged() -> None:
    test = trial(TalkingBoard(), None)
    verdicts = judge(test.attempts, None)
    assert {verdict.outcome for verdict in verdicts} == {Outcome.NOT_TESTED}
    assert "no limit" in verdicts[0].reason
    assert exit_code(verdicts) == 4
    assert results.conclusion(test.attempts, verdicts, None).startswith("Hold time ")


@pytest.mark.parametrize("profile", [LINK, None])
def test_held_for_ever_is_not_met(profile: Profile | None) -> None:
    test = trial(TalkingBoard(hold_s=None), profile)
    assert only(test).result is AttemptResult.HELD
    verdicts = judge(test.attempts, profile)
    assert verdicts[0].outcome is Outcome.NOT_MET
    assert "did not cut the throttle" in verdicts[0].reason
    assert "more than" in verdicts[0].measured
    assert exit_code(verdicts) == 1
    assert results.conclusion(test.attempts, verdicts, profile).startswith("Do not fly this link")


@pytest.mark.parametrize(
    ("changes", "result"),
    [
        ({"ceases": True}, AttemptResult.CEASED),
        ({"moves": False}, AttemptResult.NOT_MOVED),
        ({"obeys": False}, AttemptResult.NOT_FROZEN),
        ({"throttle": 0}, AttemptResult.THROTTLE_LOW),
        ({"hold_s": 0.03, "lines_hz": 20}, AttemptResult.AT_ONCE),
    ],
)
def test_what_shows_nothing_is_inconclusive(changes: dict[str, Any], result: AttemptResult) -> None:
    test = trial(TalkingBoard(**changes))
    assert only(test).result is result
    assert outcomes(test)["FS-OFF"] is Outcome.INCONCLUSIVE
    assert Outcome.MET not in outcomes(test).values()
    assert exit_code(judge(test.attempts, LINK)) == 4


def test_throttle_that_does_not_go_to_idle_is_not_met() -> None:
    test = trial(TalkingBoard(failsafe=[127, 127, 100, 127]))
    assert only(test).result is AttemptResult.NOT_IDLE
    assert outcomes(test) == {
        "FS-OFF": Outcome.NOT_MET, "FS-VALUE": Outcome.NOT_MET, "FS-STAY": Outcome.NOT_TESTED,
    }  # fmt: skip


def test_throttle_that_comes_back_is_not_met() -> None:
    """One second after the cut it is up again, and the values stand still."""
    came: list[float] = []

    def comes_back(at_s: float, codes: list[int]) -> str:
        if codes[2] == 0:
            came.append(at_s)
            codes = [*codes[:2], 0 if at_s < came[0] + 1 else 180, codes[3]]
        return "\t".join(map(str, codes))

    test = trial(TalkingBoard(text=comes_back))
    assert outcomes(test)["FS-STAY"] is Outcome.NOT_MET
    assert outcomes(test)["FS-VALUE"] is Outcome.NOT_MET


def test_throttle_lowered_by_hand_is_no_failsafe() -> None:
    """The operator lets the stick go, then lowers the throttle, then switches a handset off whose receiver holds."""
    begun: list[float] = []

    class Careless(TalkingBoard):
        def hear(self, text: str) -> None:
            if text.startswith("NOW"):
                begun.append(self.clock_ns() / NS + 0.5)
            self.told.append(text)

        def _codes(self, at_s: float) -> list[int]:
            codes = super()._codes(min(at_s, begun[0]) if begun else at_s)
            if begun and at_s > begun[0] + 0.2:
                codes[2] = max(0, 180 - round((at_s - begun[0] - 0.2) * 600))
            return codes

    for lines_hz in (20, 50, 200):
        begun.clear()
        test = trial(Careless(hold_s=None, lines_hz=lines_hz))
        assert only(test).result is AttemptResult.BY_STEPS
        assert only(test).hold is None
        assert outcomes(test)["FS-OFF"] is Outcome.INCONCLUSIVE


def test_handset_whose_last_packet_lowers_the_throttle_is_no_failsafe() -> None:
    """The supply collapses, the last reading is nought, and the receiver holds that for ever."""

    class Collapsing(TalkingBoard):
        def _codes(self, at_s: float) -> list[int]:
            codes = super()._codes(at_s)
            off_s = self._off[0][0] if self._off else 1e9
            return [0, 0, 0, 0] if at_s >= self._last_packet_s(off_s) else codes

    for seed in range(10):
        test = trial(Collapsing(hold_s=None, seed=seed))
        assert Outcome.MET not in outcomes(test).values(), seed


def test_profile_with_more_channels_than_are_printed() -> None:
    board = TalkingBoard(text=lambda _, codes: "\t".join(map(str, codes[:2])))
    with pytest.raises(ProfileError, match="prints 2 channels, but the throttle of the profile is channel 3"):
        trial(board)


def test_a_silent_port_is_an_error() -> None:
    with pytest.raises(RigError, match="no data for 10 s"):
        trial(TalkingBoard(text=lambda _, __: "", lines_hz=0.01))


def test_bench_protocol_is_recognised() -> None:
    from lostlink.bench.codec import Frame, encode

    class Speaking(TalkingBoard):
        def _text(self, at_s: float) -> bytes:
            return encode(Frame(int(at_s * 1e6) % 2**32, 300, (1500, 1500, 1000)), 1)

    with pytest.raises(LostlinkError, match=r"speaks the bench protocol.*lostlink prove --rig serial:virtual"):
        trial(Speaking())


def test_plan_watches_beyond_the_limit() -> None:
    slow = replace(LINK, requirements=replace(LINK.requirements, cut_within_us=20_000_000))
    assert wait_times_for(slow).hold_us == 40_000_000
    assert wait_times_for(None).hold_us == wait_times_for(LINK).hold_us == 10_000_000


def test_a_few_small_steps_after_a_pause_tell_nothing() -> None:
    """The stick paused, went on for some lines, and the receiver holds: no failsafe came."""
    for more in (1, 2, 3):
        end = [(110.0 + step, 200.0) for step in range(more)]
        rows = table((10, ROUND), (49, [ROUND[-1]]), (1, end), (1200, [end[-1]]))
        found = analyse(rows, Movement((0,), 10_000), SPANS, 20_000_000)
        assert results.classify(found) is not AttemptResult.CAME, more


# --- the analysis on rows made for it -------------------------------------------------------------------------


def table(*parts: tuple[int, Sequence[tuple[float, ...]]]) -> RowTable:
    """Return rows 10 ms apart: for each part how often its rows are repeated."""
    values = np.array([row for times, rows in parts for _ in range(times) for row in rows], float)
    at_us = np.arange(len(values), dtype=np.int64) * 10_000 + 1_000_000
    return RowTable(at_us, at_us - 10_000, values)


ROUND = [(100.0 + step, 200.0) for step in (0, 10, 20, 30, 20, 10)]
SPANS = [255.0, 255.0]


def test_interval_by_hand() -> None:
    """Lines every 10 ms, a change in each; the last change in row 59, the jump 50 rows later."""
    rows = table((10, ROUND), (49, [ROUND[-1]]), (100, [(127, 0)]))
    found = analyse(rows, Movement((0,), 10_000), SPANS, 10_000_000, throttle=ThrottleColumn(1, 10))
    assert found.state is FreezeState.CHANGED
    assert found.frozen_us == 1_000_000 + 59 * 10_000
    # Jump printed after row 108 and by row 109; off after row 58 and before the second change due after row 59, 20 ms.
    assert found.throttle is not None
    assert found.throttle.cut == TimeInterval(470_000, 510_000)
    assert found.budget.jitter_us == 0


def test_a_lines_own_time_and_the_ports_lateness_widen_it() -> None:
    rows = table((10, ROUND), (49, [ROUND[-1]]), (100, [(127, 0)]))
    rows.at_us[20] += 4_000  # one late line: any could be as late
    found = analyse(rows, Movement((0,), 10_000), SPANS, 10_000_000, throttle=ThrottleColumn(1, 10), line_us=1_000)
    assert found.budget.jitter_us == 4_000
    assert found.throttle is not None
    assert found.throttle.cut == TimeInterval(470_000 - 4_000 - 1_000 - 2 * 4_000, 510_000 + 4_000 + 1_000)


def test_no_movement_without_enough_travel_or_with_a_pause() -> None:
    whole = table((40, ROUND))
    assert moving(whole, SPANS, 1_000_000, 3_390_000) == Movement((0,), 10_000)
    dither = table((200, [(100.0, 200.0), (101.0, 200.0)]))
    assert moving(dither, SPANS, 1_000_000, 4_990_000) is None
    pause = table((15, ROUND), (60, [ROUND[-1]]), (15, ROUND))
    assert moving(pause, SPANS, 1_000_000, 3_390_000) is None


def test_single_lines_far_off_are_left_out() -> None:
    rows = table((5, [(127, 0)]), (1, [(12, 0)]), (5, [(127, 0)]), (1, [(128, 0)]), (5, [(127, 0)]))
    left, odd = without_odd_lines(rows, [60.0, 60.0])
    assert (len(left), odd) == (16, 1)
    assert without_odd_lines(rows, [0.0, 0.0])[1] == 2
    assert without_odd_lines(rows, [0.0, 0.0], first=8)[1] == 1


def test_silence() -> None:
    rows = table((10, ROUND))
    assert not is_silent(rows, int(rows.at_us[-1]) + 900_000)
    assert is_silent(rows, int(rows.at_us[-1]) + 1_100_000)


# --- the evidence ---------------------------------------------------------------------------------------------


def command(board: TalkingBoard, monkeypatch: pytest.MonkeyPatch, *words: object) -> Any:
    """Run the command on a board in virtual time; what it prints is what the operator hears."""
    import click

    from lostlink.cli import main
    from lostlink.watch import listener

    class Opened:
        def __enter__(self) -> TalkingBoard:
            return board

        def __exit__(self, *_: object) -> None:
            pass

    echo = click.echo

    def heard(message: Any = None, **options: Any) -> None:
        board.hear(str(message))
        echo(message, **options)

    monkeypatch.setattr(watch, "open_line", lambda *_: Opened())
    monkeypatch.setattr(click, "echo", heard)
    made = functools.partial(listener.Listener, clock_ns=board.clock_ns)
    monkeypatch.setattr(watch, "Listener", made)
    return CliRunner().invoke(main, ["watch", "virtual", *map(str, words)])


@pytest.fixture
def profile_file(tmp_path: Path) -> Path:
    from lostlink.profiles import write_profile

    path = tmp_path / "link.toml"
    path.write_text(write_profile(LINK), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("board", "with_profile", "code"),
    [
        (TalkingBoard(lines_hz=200), True, 0),
        (TalkingBoard(hold_s=None), True, 1),
        (TalkingBoard(hold_s=None), False, 1),
        (TalkingBoard(obeys=False), True, 4),
        (TalkingBoard(), False, 4),
    ],
)
def test_evidence(
    board: TalkingBoard, with_profile: bool, code: int, profile_file: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    folder = tmp_path / "evidence"
    options = ["--profile", profile_file] if with_profile else []
    run = command(board, monkeypatch, "--failsafe-test", "--props-off", "--out", folder, *options)
    assert run.exit_code == code, run.output
    document = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, VERDICTS_SCHEMA)
    assert document["exit_code"] == code
    assert document["conclusion"] in run.output
    assert "Propellers off, flight battery disconnected, model restrained" in run.output
    summary = (folder / "summary.md").read_text(encoding="utf-8")
    assert document["conclusion"] in summary
    assert ("No profile" in summary) is not with_profile
    rows = (folder / "rows.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0].startswith("at_us,after_us,")
    assert len(rows) > 100
    assert len((folder / "attempts.csv").read_text(encoding="utf-8").splitlines()) == 2


def test_typed_confirmation(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is started without it."""
    from lostlink.cli import main

    class Opened:
        def __enter__(self) -> TalkingBoard:
            return TalkingBoard()

        def __exit__(self, *_: object) -> None:
            pass

    monkeypatch.setattr(watch, "open_line", lambda *_: Opened())
    for typed in ("yes\n", ""):
        words = ["virtual", "--failsafe-test", "--out", str(tmp_path / "ev")]
        run = CliRunner().invoke(main, ["watch", *words], input=typed)
        assert run.exit_code == 2
        assert "Propellers off" in run.output
        assert 'type "props off", or give --props-off' in run.output
        assert not (tmp_path / "ev").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--once", "3", "--failsafe-test"], "cannot be combined"),
        (["--repeats", "3"], "need --failsafe-test"),
        (["--props-off"], "need --failsafe-test"),
        (["--profile", "nowhere.toml"], "nowhere.toml"),
        (["--baud", "fast"], "fast"),
    ],
)
def test_bad_input(words: list[str], said: str) -> None:
    from lostlink.cli import main

    run = CliRunner().invoke(main, ["watch", "/dev/null", *words])
    assert run.exit_code == 2
    assert said in run.output


def test_a_waived_requirement_is_waived(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What fails stays measured, and neither the conclusion nor the exit code counts it."""
    board = TalkingBoard(hold_s=None)
    waived = replace(LINK, requirements=replace(LINK.requirements, waived=("FS-OFF",)))
    test = trial(board, waived)
    assert outcomes(test)["FS-OFF"] is Outcome.NOT_MET
    verdict = judge(test.attempts, waived)[0]
    assert (verdict.requirement.id, verdict.outcome) == ("FS-OFF", Outcome.WAIVED)
    assert verdict.measured
    path = tmp_path / "link.toml"
    path.write_text('[requirements]\nwaived = ["FS-OFF"]\n', encoding="utf-8")
    folder = tmp_path / "evidence"
    run = command(
        TalkingBoard(hold_s=None), monkeypatch, "--failsafe-test", "--props-off", "--out", folder, "--profile", path
    )
    assert run.exit_code == 4, run.output  # nothing else could be tested
    assert "Do not fly" not in run.output
    document = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))
    assert [verdict["outcome"] for verdict in document["verdicts"]] == ["waived", "not tested", "not tested"]


def test_a_mistyped_waiver_is_refused_before_a_port_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    from lostlink.cli import main

    def opened(*_: object) -> None:
        raise AssertionError("a port was opened")

    monkeypatch.setattr(watch, "open_line", opened)
    profile = tmp_path / "link.toml"
    profile.write_text('[requirements]\nwaived = ["FS-CTU"]\n', encoding="utf-8")
    words = ["virtual", "--failsafe-test", "--props-off", "--profile", str(profile), "--out", str(tmp_path / "ev")]
    run = CliRunner().invoke(main, ["watch", *words])
    assert run.exit_code == 2
    assert "no requirement 'FS-CTU'; did you mean 'FS-CUT'?" in run.output
    assert not (tmp_path / "ev").exists()


def test_other_files_are_not_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    run = command(TalkingBoard(), monkeypatch, "--failsafe-test", "--props-off", "--out", tmp_path)
    assert run.exit_code == 2
    assert "contains other files" in run.output


def test_every_way_it_can_end_has_its_sentence() -> None:
    spoken = only(trial(TalkingBoard()))
    for result in AttemptResult:
        verdicts: list[Verdict] = judge([replace(spoken, result=result)], LINK)
        assert results.sentence(replace(spoken, result=result)).endswith(".")
        assert all(verdict.reason or verdict.measured for verdict in verdicts)


def test_rows_of_another_width_are_left_out() -> None:
    from lostlink.watch.columns import ColumnLayout, ValueKind

    layout = ColumnLayout(2, (), (0, 1), (), ValueKind.CODES, ("", ""))
    rows = [PrintedRow(1000, 0, (1, 2)), PrintedRow(2000, 1000, (1, 2, 3)), PrintedRow(3000, 2000, (3, 4))]
    made = RowTable.of(rows, layout, 0)
    assert made.values.tolist() == [[1, 2], [3, 4]]
    assert made.at_us.tolist() == [1, 3]
