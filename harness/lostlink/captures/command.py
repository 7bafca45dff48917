"""``lostlink read``: parse, call, show, exit code. Nothing heavy is imported before it runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from lostlink.captures.judgement import Findings
    from lostlink.captures.signals import Capture


@click.command("read")
@click.argument("capture")
@click.argument("profile", required=False)
@click.option("--signal", metavar="NAME", help="The wire with the pulses, where more than one carries edges.")
@click.option("--unit", type=click.Choice(["s", "ms", "us", "ns"]), help="Unit of a CSV's times without a header.")
@click.option("--tick", metavar="TIME", help='One sample of the analyser, such as "41.7 ns"; found when left out.')
@click.option("--csv", metavar="FILE", help="Write the decoded frames as CSV.")
@click.option("--out", metavar="DIR", help="Folder for the evidence: verdicts, frames, report.html. Needs PROFILE.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@click.option("--quiet", is_flag=True, help="Show the conclusion only.")
def read_command(
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
    """Read a pulse train (PPM) that a logic analyser recorded, and hold it against a profile.

    CAPTURE is VCD, or CSV of edges or samples. Without PROFILE it says what it found and proposes the lines of a
    profile. A capture is evidence for the pulse train only: a lost link cannot be seen in it.

    Exit codes: 0 everything that can be judged is met, 1 something is not, 2 bad input, 4 something is inconclusive.

    \b
    lostlink read bench.vcd
    lostlink read bench.csv my_link.toml --unit us --csv frames.csv
    """  # noqa: D301
    from lostlink.cli import _errors_in_words

    with _errors_in_words():
        from lostlink.captures import ticks, train
        from lostlink.captures.files import read_capture
        from lostlink.captures.judgement import conclusion, findings
        from lostlink.captures.wire import as_trace
        from lostlink.errors import CaptureError
        from lostlink.profiles import read_profile

        link = None if profile is None else read_profile(profile)
        recording = read_capture(capture, unit=unit)
        tick_ps = None if tick is None else ticks.parse_tick(tick, recording.unit_ps)
        found = findings(train.choose(recording, signal, tick_ps), link)
        if csv is not None:
            _write(csv, recording, found, force)
        if out is not None:
            if link is None:
                raise CaptureError("--out: evidence is held against a link; allowed: with a PROFILE")
            from lostlink.captures import evidence

            evidence.write(out, recording, found, link, profile, as_trace(found.train, recording, link))
        if quiet:
            click.echo(conclusion(found))
        else:
            from lostlink.captures import report

            report.show(recording, found, link, None if link is None else as_trace(found.train, recording, link))
            if out is not None:
                click.echo(f"Evidence: {out}/report.html")
    raise SystemExit(found.exit_code)


def _write(path: str, recording: Capture, found: Findings, force: bool) -> None:
    import os

    from lostlink.captures.report import csv_text
    from lostlink.errors import CaptureError

    if os.path.exists(path) and os.path.samefile(path, recording.source):
        raise CaptureError(f"--csv {path}: is the capture itself; allowed: another name")
    try:
        with open(path, "w" if force else "x", encoding="utf-8") as file:
            file.write(csv_text(recording, found.train))
    except FileExistsError:
        raise CaptureError(
            f"--csv {path}: is there already; choose another name, or --force to write over it"
        ) from None
    except OSError as error:
        raise CaptureError(f"--csv {path}: {error.strerror}; allowed: a file that can be written") from None
