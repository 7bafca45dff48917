"""``lostlink prove``: the whole suite over a rig."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import click

from lostlink import safe_end
from lostlink.children import usual_processes
from lostlink.commands import shared
from lostlink.errors import ExitCode
from lostlink.evidence.document import Document, run_head
from lostlink.evidence.folder import EvidenceFolder, write_evidence
from lostlink.evidence.summary import suite_summary
from lostlink.files import not_writable
from lostlink.profiles import input_files, read_link
from lostlink.report import complete
from lostlink.requirements import ids_of
from lostlink.results import Result
from lostlink.rigs import SIM, check_options, drives_hardware, open_rig, receiver_file, rig_file, sides_of
from lostlink.show.console import evidence_line
from lostlink.show.suite import suite_progress, verdicts
from lostlink.suite.handset_cause import tell_cause
from lostlink.suite.run import run_suite
from lostlink.verdicts import Side
from lostlink_sims import Profile


@click.command("prove")
@shared.profile_argument
@shared.receiver_option
@shared.handset_option
@shared.rig_option
@shared.baud_option
@shared.props_off_option
@click.option(
    "--thorough", is_flag=True, help="Fly all varied flights; on a board, test as many phases as in simulation."
)
@shared.jobs_option
@shared.seed_option
@click.option("--only", metavar="IDS", help="Requirements to test, separated by commas (FS-CUT,FS-STAY).")
@click.option("--tests", "tests", metavar="FILE.py", multiple=True, help="Additional custom requirements.")
@shared.out_option("lostlink-evidence")
@click.option("--all", "everything", is_flag=True, help="Show what is met too, and all findings.")
@shared.quiet_option
def command(
    profile: str | None,
    receiver: str | None,
    handset: str | None,
    rig: str,
    baud: int | None,
    props_off: bool,
    thorough: bool,
    jobs: int | None,
    seed: int,
    only: str | None,
    tests: tuple[str, ...],
    out: str,
    everything: bool,
    quiet: bool,
) -> None:
    """Run the whole suite on a link and report, requirement by requirement, whether the failsafe works.

    PROFILE is a link profile (TOML); without it, a plain home-built link. The receiver runs in simulation: a class of
    yours with power_on, packet, poll and pulses, compiled firmware as a shared library, or the reference receiver.
    With --rig serial:PORT it is a real board, in real time: the radio stays simulated, and the firmware gets the
    packets that are not lost over the serial port. With --rig emulated:IMAGE it is a firmware image on an emulated
    microcontroller, in virtual time (emulated-live:IMAGE: in real time).

    With --handset the program of a handset is under test in simulation: a class of yours with power_on, turn and
    packet, or compiled firmware as a shared library; serial:PORT is its board, with injected inputs and its radio off.
    Alone it is a proof of the handset only. With --receiver both are proven, each by itself and together.

    \b
    lostlink prove fixtures/profiles/heron.toml
    lostlink prove my_link.toml --receiver my_receiver.py:MyReceiver --seed 7
    lostlink prove my_link.toml --receiver ./my_receiver.so
    lostlink prove my_link.toml --handset my_handset.py:MyHandset
    lostlink prove my_link.toml --rig serial:/dev/ttyACM0
    lostlink prove my_link.toml --rig emulated:build/receiver.elf
    """  # noqa: D301
    check_options(rig, receiver=receiver, handset=handset, baud=baud, thorough=thorough, props_off=props_off, jobs=jobs)
    link = read_link(profile)
    ids = [] if only is None else ids_of("--only", only, sides_of(rig, receiver, handset))
    files = shared.test_files(tests)
    if drives_hardware(rig, handset) and not props_off:
        shared.confirm_props_off(handset)
    code, handset_code = receiver_file(receiver), receiver_file(handset)
    with contextlib.ExitStack() as stack:
        with open_rig(link, where=rig, receiver=receiver, handset=handset, baud=baud, thorough=thorough) as opened:
            inputs = [*input_files(profile, link), code, handset_code, rig_file(rig), *files]
            folder = stack.enter_context(EvidenceFolder(out, inputs=inputs))
            started = dt.datetime.now(dt.UTC)
            head = run_head(
                link, profile_file=profile, receiver=receiver or opened.receiver, receiver_file=code,
                rig=opened.name if rig == SIM else rig, seed=seed, only=ids, started=started,
                handset=handset, handset_file=handset_code,
                proves=[side.value for side in Side if side in opened.sides],
            )  # fmt: skip
            _write(folder.path, link, Result(interrupted=True), head)  # the evidence of a run that is killed
            with suite_progress() as progress:
                result = run_suite(
                    link, opened, seed=seed, only=ids, evidence=folder.path, evidence_name=out, tests=files,
                    named=(
                        ("profile", profile), ("receiver", receiver), ("handset", handset), ("rig", rig),
                        ("baud", baud),
                    ),
                    progress=progress, jobs=jobs or (1 if ids else usual_processes()),
                )  # fmt: skip
            if Side.PAIR in opened.sides:
                with suite_progress() as progress:
                    tell_cause(
                        result, link, lambda: open_rig(link, receiver=receiver, thorough=thorough), seed=seed,
                        evidence=folder.path, evidence_name=out, progress=progress, jobs=jobs or usual_processes(),
                    )  # fmt: skip
        with safe_end.undisturbed():  # what was judged is kept
            head["duration_s"] = round((dt.datetime.now(dt.UTC) - started).total_seconds(), 3)
            if opened.about:
                head["bench"] = result.rig
            shows = None if quiet else partial(verdicts, everything=everything or bool(ids))
            _conclude(folder, link, result, head, shows)
    raise SystemExit(result.exit_code)


_Screen = Callable[[Result, dict[str, Any], str], None]


def _conclude(
    folder: EvidenceFolder, link: Profile, result: Result, head: dict[str, Any], screen: _Screen | None
) -> None:
    """Show the result, then write it: a full disk does not hide the conclusion, closed output not the evidence."""
    try:
        _show(folder, result, head, screen)
    finally:
        if result.not_written is not None:
            raise not_writable("--out", result.not_written.filename or folder.target, result.not_written)
        is_evidence = bool(result.verdicts) or result.exit_code != ExitCode.BAD_INPUT
        if is_evidence:  # else nothing was judged, and the earlier evidence stays
            _write(folder.path, link, result, head)
            complete(folder)
    if is_evidence and screen is not None:
        evidence_line(folder)


def _show(folder: EvidenceFolder, result: Result, head: dict[str, Any], screen: _Screen | None) -> None:
    if screen is None:
        click.echo(result.conclusion)
    else:
        screen(result, head, str(folder.target))
    if result.rig_lost:
        click.echo(f"lostlink: {result.rig_lost}", err=True)
    for error in result.errors:
        click.echo(f"lostlink: a test could not be run:\n{error}", err=True)


def _write(folder: Path, link: Profile, result: Result, head: dict[str, Any]) -> None:
    document = Document(result.conclusion, result.exit_code, head, tuple(result.verdicts))
    findings = {f"failing/{name}.txt": f"{text}\n" for name, text in result.findings.items()}
    write_evidence(folder, document, suite_summary(document, result.findings), profile=link, files=findings)
