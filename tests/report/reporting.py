"""Evidence folders for the tests of reports: real runs of the simulation, a few requirements each."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path

from talking_board import TalkingBoard

from lostlink.evidence.document import Document, run_head
from lostlink.evidence.folder import write_evidence
from lostlink.evidence.run_reader import read_runs
from lostlink.evidence.run_writer import JudgedMeasurement, save
from lostlink.evidence.summary import suite_summary
from lostlink.measure import failsafe
from lostlink.profiles import read_profile
from lostlink.requirements import CATALOGUE
from lostlink.results import Result, exit_code
from lostlink.scenarios import ScenarioBuilder
from lostlink.verdicts import Limit, Outcome, Verdict
from lostlink.watch import evidence_files, judging
from lostlink.watch.listener import Listener
from lostlink.watch.procedure import FailsafeTest
from lostlink.watch.units import names_of
from lostlink_sims import Profile, ReferenceReceiver, Trace, simulate
from lostlink_sims.receiver import ReceiverFactory
from lostlink_sims.scenario import LinkCut

HERON = Path(__file__).parents[2] / "fixtures" / "profiles" / "heron.toml"


def lost_link(
    profile: Profile, receiver: ReceiverFactory = ReferenceReceiver, *, after_us: int = 0, ambient: bool = False
) -> tuple[Trace, int]:
    """Return a flight whose link is cut, `after_us` later than usual, and the instant."""
    flight = next(iter(ScenarioBuilder(profile, 7, "report").flights(1, ambient=ambient)))
    flight = dataclasses.replace(flight, at_us=flight.at_us + after_us)
    return simulate(profile, flight.into(LinkCut(at_us=flight.at_us)), receiver), flight.at_us


def judged(trace: Trace, since_us: int) -> dict[str, JudgedMeasurement]:
    """Return what three requirements measure in a flight into link loss."""
    limits = trace.profile.requirements
    return {
        "FS-CUT": JudgedMeasurement(failsafe.time_to_cut(trace, since_us), Limit(at_most=limits.cut_within_us)),
        "FS-MOTOR": JudgedMeasurement(
            failsafe.time_to_motor_stop(trace, since_us), Limit(at_most=limits.motor_cut_within_us)
        ),
        "FS-VALUE": JudgedMeasurement(
            failsafe.widest_throttle(
                trace,
                since_us + limits.cut_within_us,
                trace.scenario.duration_us,
                name="widest throttle pulse after the cut",
            ),
            Limit(at_most=limits.idle_below_us),
        ),
    }


def expect_runs_as_judged(folder: Path) -> None:
    """Expect of an evidence folder that each verdict has the run that it tells of, and that the report is small."""
    verdicts = json.loads((folder / "verdicts.json").read_text(encoding="utf-8"))["verdicts"]
    runs, spoiled = read_runs(folder)
    assert spoiled == []
    for verdict in verdicts:
        if verdict["outcome"] not in ("met", "not met"):
            continue
        run = runs[verdict["id"]]
        if run.judged is None:  # a crash, or an invariant that a run breaks
            assert verdict["outcome"] == "not met"
            assert run.data["crash"] is not None or verdict["limit"] == ""
        else:
            assert verdict["measured"] == f"{run.judged['name']}: {run.judged['measured']}"
            assert verdict["limit"] == run.judged["limit"]
            assert verdict["outcome"] == run.judged["outcome"]
    assert (folder / "report.html").stat().st_size < 4_000_000


def make(
    folder: Path,
    receiver: ReceiverFactory = ReferenceReceiver,
    *,
    name: str = "heron",
    file: str = "heron.toml",
    reason: str = "",
    trace: tuple[Trace, int] | None = None,
) -> Path:
    """Write an evidence folder, all but the report.

    Parameters
    ----------
    name, file, reason : str
        Of the link, its file, and of a requirement that was not tested: text that strangers have a say in.
    trace : (Trace, int), optional
        The flight and the instant of link loss; one is made when left out.
    """
    profile = dataclasses.replace(read_profile(HERON), name=name)
    flown, since_us = trace or lost_link(profile, receiver)
    result = Result()
    for requirement_id, said in judged(flown, since_us).items():
        save(folder / "runs", requirement_id, flown, said)
        measurement = said.measurement
        result.verdicts.append(
            Verdict(
                requirement=CATALOGUE[requirement_id],
                outcome=said.limit.decide(measurement),
                measured=f"{measurement.name}: {measurement}",
                limit=str(said.limit),
                how_seen=measurement.how_seen.value,
                runs=1,
                checks=1,
                replay=f"lostlink prove {file} --only {requirement_id}",
            )
        )
    result.verdicts.append(
        Verdict(requirement=CATALOGUE["FS-STALE"], outcome=Outcome.NOT_TESTED, reason=reason or "no packet counter")
    )
    head = run_head(
        profile,
        profile_file=file,
        receiver="reference receiver",
        rig="sim",
        seed=7,
        only=[],
        started=dt.datetime(2026, 5, 1, tzinfo=dt.UTC),
    )
    document = Document(result.conclusion, result.exit_code, head, tuple(result.verdicts))
    write_evidence(folder, document, suite_summary(document, {}), profile=profile)
    return folder


def make_by_hand(board: TalkingBoard, folder: Path, profile: Profile | None) -> Path:
    """Write the evidence of a failsafe test by hand, all but the report."""
    listener = Listener(board, keep=True, clock_ns=board.clock_ns)
    test = FailsafeTest(listener, profile, board.hear)
    test.run()
    head = evidence_files.watch_head(profile, None, "/dev/ttyX", dt.datetime(2026, 5, 1, tzinfo=dt.UTC))
    verdicts = judging.judge(test.attempts, profile)
    document = Document(
        judging.conclusion(test.attempts, verdicts, profile), exit_code(verdicts), head, tuple(verdicts)
    )
    assert listener.layout is not None
    summary = evidence_files.summary_text(document, test.attempts, names_of(listener.layout, profile))
    texts = evidence_files.files(listener.rows, listener.layout, listener.started_ns, test.attempts, profile)
    write_evidence(folder, document, summary, profile=profile, files=texts)
    return folder
