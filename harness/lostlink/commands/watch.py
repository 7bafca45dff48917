"""``lostlink watch``: a board that prints its channel values."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

import click

from lostlink import safe_end
from lostlink.bench.line import DEFAULT_BAUD, open_line
from lostlink.commands import shared
from lostlink.errors import ExitCode, LostlinkError, RigError, UsageError
from lostlink.evidence.document import Document
from lostlink.evidence.folder import EvidenceFolder, write_evidence
from lostlink.profiles import input_files, read_link
from lostlink.report import complete
from lostlink.results import exit_code
from lostlink.show import watch as screen
from lostlink.show.console import cautions, console, evidence_line
from lostlink.verdicts import counted
from lostlink.watch.evidence_files import files, summary_text, watch_head
from lostlink.watch.judging import conclusion, judge
from lostlink.watch.listener import MOSTLY_NOISE, Listener
from lostlink.watch.procedure import FailsafeTest
from lostlink.watch.stick_stats import StickTable
from lostlink.watch.units import names_of
from lostlink_sims import Profile


@click.command("watch")
@click.argument("port")
@click.option(
    "--baud", type=click.IntRange(50, 20_000_000), default=DEFAULT_BAUD, show_default=True, help="Serial baud rate."
)
@click.option("--profile", metavar="FILE", help="Link profile: names, ranges, and the limits of the failsafe test.")
@click.option(
    "--once", metavar="SECONDS", type=shared.Number(0.1, 86_400), help="Run for SECONDS, print the table, exit."
)
@click.option("--handset", is_flag=True, help="The board is a handset: noise, trim, ends and wires of its sticks.")
@click.option("--failsafe-test", is_flag=True, help="Measure what happens when the handset is switched off.")
@shared.props_off_option
@click.option("--repeats", type=click.IntRange(1, 100), default=1, show_default=True, help="Number of failsafe tests.")
@shared.out_option("lostlink-evidence", "Folder for the evidence of the failsafe test.")
def command(
    port: str,
    baud: int,
    profile: str | None,
    once: float | None,
    handset: bool,
    failsafe_test: bool,
    props_off: bool,
    repeats: int,
    out: str,
) -> None:
    """Listen to an unmodified board that prints its channel values as text.

    PORT is a serial port or a URL. Columns are separated by tabs, commas, spaces or names. Values are codes 0..255,
    ADC counts 0..1023 or pulse widths in µs. The table shows values, end points, trim and travel. With
    --failsafe-test you move a stick and switch the handset off; the hold time of the receiver is measured.

    With --handset the board prints what it reads of its sticks, and the table helps to centre them: value at rest,
    noise, trim, ends of the travel, signs of a broken wire. Leave the sticks alone for some seconds, then sweep each
    slowly to both stops, twice. Exit code 4: something was not seen, cannot be told, or looks like a broken wire.

    \b
    lostlink watch /dev/ttyACM0 --profile my_link.toml
    lostlink watch COM3 --once 10
    lostlink watch /dev/ttyACM0 --handset --profile my_link.toml
    lostlink watch /dev/ttyACM0 --failsafe-test --profile my_link.toml

    Exit codes of the failsafe test: 0 met, 1 not met, 2 bad input, 3 connection to the port lost, 4 inconclusive
    or, without a profile, not judged, 130 interrupted.
    """  # noqa: D301  click reads the control character
    if failsafe_test and once is not None:
        raise UsageError("--once and --failsafe-test cannot be combined")
    if failsafe_test and handset:
        raise UsageError("--handset and --failsafe-test cannot be combined; the test is of a receiver")
    if not failsafe_test and (props_off or repeats > 1):
        raise UsageError("--props-off and --repeats need --failsafe-test")
    link = None if profile is None else read_link(profile)
    if not failsafe_test:
        raise SystemExit(_watch(port, baud, link, once, is_handset=handset))
    with open_line(port, baud) as line:
        if not props_off:
            shared.confirm_props_off()
        with EvidenceFolder(out, inputs=input_files(profile, link)) as folder:
            started = dt.datetime.now(dt.UTC)
            listener = Listener(line, channels=len(link.channels) if link else None, keep=True)
            code = _test(listener, link, profile, folder, repeats, started)
    raise SystemExit(code)


def _watch(port: str, baud: int, link: Profile | None, once: float | None, *, is_handset: bool) -> ExitCode:
    is_live = once is None and sys.stdout.isatty()
    with open_line(port, baud) as line:
        sticks = StickTable(link) if is_handset else None
        listener = Listener(line, channels=len(link.channels) if link else None, sticks=sticks)
        code = ExitCode.MET
        if is_live and is_handset:
            cautions()
        try:
            if once is not None:
                listener.listen_until(listener.started_ns + round(once * 1e9))
            elif is_live:
                screen.live(listener, link, None)
            else:
                screen.lines(listener, link)
        except KeyboardInterrupt:
            code = ExitCode.INTERRUPTED
        if is_live:  # the table is still on the screen
            screen.for_the_profile(listener)
            return code
        problem = listener.problem()
        if listener.layout is None or listener.noise_share > MOSTLY_NOISE:
            raise RigError(f"{port}: {problem or 'no columns of numbers arrived'}")
        console().print(screen.picture(listener, link))
        screen.for_the_profile(listener)
        if is_handset:
            cautions()
        if code is ExitCode.MET and (problem or screen.is_open(listener)):
            code = ExitCode.UNDECIDED
    return code


def _prompt(text: str) -> None:
    """Show a text with a bell, because the operator looks at the handset."""
    click.echo(f"{text}\a" if sys.stdout.isatty() else text)


def _test(
    listener: Listener, link: Profile | None, profile: str | None, folder: EvidenceFolder, repeats: int,
    started: dt.datetime,
) -> ExitCode:  # fmt: skip
    """Run the attempts and write the evidence, also after an error or interruption."""
    test = FailsafeTest(listener, link, _prompt)
    head = watch_head(link, profile, listener.source.port, started)
    # The evidence of a test that is killed:
    _write(folder.path, Document("Interrupted; nothing is proven.", ExitCode.INTERRUPTED, head, ()), test, link)
    ended, code, error = "", None, None
    try:
        test.run(repeats)
    except KeyboardInterrupt:
        code, ended = ExitCode.INTERRUPTED, "Interrupted. "
    except LostlinkError as problem:
        code, ended, error = problem.exit_code, f"{problem}. ", problem
    verdicts = judge(test.attempts, link) if test.attempts else []
    text = ended + conclusion(test.attempts, verdicts, link)
    code = exit_code(verdicts) if code is None else code
    head["duration_s"] = round((dt.datetime.now(dt.UTC) - started).total_seconds(), 3)
    with safe_end.undisturbed():  # what was found is kept
        try:
            if error is None:
                screen.result(test.attempts, verdicts, text, _names(listener, link))
        finally:
            _write(folder.path, Document(text, code, head, tuple(verdicts)), test, link)
            complete(folder)
    if error is not None:
        rows, attempts = counted(len(listener.rows), "row"), counted(len(test.attempts), "attempt")
        click.echo(f"{rows} and {attempts} are kept in {folder.target}", err=True)
        raise error
    evidence_line(folder)
    return code


def _write(folder: Path, document: Document, test: FailsafeTest, link: Profile | None) -> None:
    listener = test.listener
    summary = summary_text(document, test.attempts, _names(listener, link))
    texts = files(listener.rows, listener.layout, listener.started_ns, test.attempts, link)
    write_evidence(folder, document, summary, profile=link, files=texts)


def _names(listener: Listener, link: Profile | None) -> list[str]:
    return names_of(listener.layout, link) if listener.layout else []
