"""``lostlink read``: a recorded pulse train."""

from __future__ import annotations

import datetime as dt

import click

from lostlink import safe_end
from lostlink.captures import recognise, resolution
from lostlink.captures.evidence_files import FILE, capture_head, capture_text, write_runs
from lostlink.captures.files import read_capture
from lostlink.captures.frames_csv import csv_text
from lostlink.captures.judging import findings
from lostlink.captures.to_trace import to_trace
from lostlink.commands import shared
from lostlink.errors import UsageError
from lostlink.evidence.document import Document
from lostlink.evidence.folder import EvidenceFolder, write_evidence
from lostlink.evidence.summary import suite_summary
from lostlink.files import OutputFile
from lostlink.profiles import input_files, read_link
from lostlink.report import complete
from lostlink.show import capture as screen
from lostlink.show.console import evidence_line


@click.command("read")
@click.argument("capture")
@shared.profile_argument
@click.option("--signal", metavar="NAME", help="Signal with the pulses, where more than one has edges.")
@click.option("--unit", type=click.Choice(["s", "ms", "us", "ns"]), help="Unit of the times in a CSV without a header.")
@click.option("--tick", metavar="TIME", help='Sample period of the analyser, such as "33.3 ns".  [default: detected]')
@click.option("--csv", metavar="FILE", help="Write the decoded frames as CSV.")
@shared.out_option(None, "Folder for the evidence: verdicts, frames, report.html. Needs PROFILE.")
@shared.force_option
@shared.quiet_option
def command(
    capture: str,
    profile: str | None,
    signal: str | None,
    unit: str | None,
    tick: str | None,
    csv: str | None,
    out: str | None,
    force: bool,
    quiet: bool,
) -> None:
    """Read a pulse train (PPM) recorded by a logic analyser, and compare it with a profile.

    CAPTURE is VCD, or CSV of edges or samples. Without PROFILE the command describes the pulse train and proposes
    lines for a profile. A capture is evidence for the pulse train only: it does not show link loss.

    Exit codes: 0 all six requirements that pulses can show are met (without PROFILE: nothing is judged), 1 not met,
    2 bad input, 4 inconclusive, or one of them is not tested, as without a failsafe in the capture. All other
    requirements are not tested, whatever the code is.

    \b
    lostlink read bench.vcd
    lostlink read bench.csv my_link.toml --unit us --csv frames.csv
    """  # noqa: D301
    if out is not None and profile is None:
        raise UsageError("--out needs a PROFILE")
    link = None if profile is None else read_link(profile)
    inputs = [capture, *input_files(profile, link)]
    file = OutputFile("--csv", csv, force=force, inputs=inputs)
    recording = read_capture(capture, unit=unit)
    sample_period_ps = None if tick is None else resolution.parse_tick(tick)
    result = findings(recognise.choose(recording, signal, sample_period_ps), link)
    trace = None if link is None else to_trace(result.train, recording, link)
    frames = "" if csv is None and out is None else csv_text(recording, result.train)
    folder = None if out is None else EvidenceFolder(out, inputs=inputs)
    with safe_end.undisturbed():  # what was found is kept
        try:
            if quiet:
                click.echo(result.conclusion)
            else:
                screen.show(recording, result, link, trace)
        finally:
            if folder is not None and trace is not None:
                with folder:
                    head = capture_head(recording, trace.profile, profile, dt.datetime.now(dt.UTC))
                    document = Document(result.conclusion, result.exit_code, head, tuple(result.verdicts))
                    shown = capture_text(recording, result, trace.profile, trace)
                    texts = {"frames.csv": frames, FILE: shown}
                    write_evidence(folder.path, document, suite_summary(document, {}), profile=link, files=texts)
                    write_runs(folder.path, result, trace)
                    complete(folder)
            file.write(lambda: frames)
    if folder is not None and not quiet:
        evidence_line(folder)
    raise SystemExit(result.exit_code)
