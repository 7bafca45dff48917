"""The command ``lostlink watch``. Nothing heavy is imported before it runs."""

from __future__ import annotations

import contextlib
import datetime as dt
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from lostlink.watch.listener import Listener
    from lostlink_sims import Profile

BAD_INPUT, PORT_LOST, INTERRUPTED = 2, 3, 130
CONFIRMATION = "props off"
_DEFAULT_OUT = "lostlink-evidence"


@click.command("watch")
@click.argument("port")
@click.option("--baud", type=click.IntRange(50, 20_000_000), default=250_000, show_default=True, help="Bits a second.")
@click.option("--profile", metavar="FILE", help="Link profile: names, ranges, and the limits of the failsafe test.")
@click.option("--once", metavar="SECONDS", type=click.FloatRange(0.1, 86_400), help="Watch so long, print the table.")
@click.option("--failsafe-test", is_flag=True, help="Find out what happens when the handset is switched off.")
@click.option("--props-off", is_flag=True, help="Propellers are off: do not ask before the test.")
@click.option("--repeats", type=click.IntRange(1, 100), default=1, show_default=True, help="So many failsafe tests.")
@click.option("--out", metavar="DIR", default=_DEFAULT_OUT, show_default=True, help="Evidence of the failsafe test.")
def watch_command(
    port: str,
    baud: int,
    profile: str | None,
    once: float | None,
    failsafe_test: bool,
    props_off: bool,
    repeats: int,
    out: str,
) -> None:
    """Listen to a board that prints its channel values as text, as its maker left it.

    PORT is a serial port or a URL. Columns of any kind will do: tabs, commas, spaces, names; codes 0..255, ADC
    counts 0..1023 or pulse widths in µs. Shown are values, ends, trim and travel. With --failsafe-test you move a
    stick, switch the handset off, and are told how long the receiver held its last values.

    \b
    lostlink watch /dev/ttyACM0 --profile my_link.toml
    lostlink watch COM3 --once 10
    lostlink watch /dev/ttyACM0 --failsafe-test --profile my_link.toml

    Exit codes of the failsafe test: 0 met, 1 not met, 2 bad input, 3 the port was lost, 4 inconclusive or, without
    a profile, not judged, 130 interrupted.
    """  # noqa: D301  click reads the control character
    _check(once, failsafe_test=failsafe_test, props_off=props_off, repeats=repeats)
    with _errors_in_words():
        link = _read(profile)
        if failsafe_test:
            code = _test(port, baud, link, profile, out, repeats, props_off=props_off)
        else:
            code = _watch(port, baud, link, once)
    raise SystemExit(code)


def _check(once: float | None, *, failsafe_test: bool, props_off: bool, repeats: int) -> None:
    if failsafe_test and once is not None:
        raise click.UsageError("--once and --failsafe-test do not go together; allowed: one of them")
    if not failsafe_test and (props_off or repeats > 1):
        raise click.UsageError("--props-off and --repeats belong to --failsafe-test; allowed: together with it")


@contextlib.contextmanager
def _errors_in_words() -> Iterator[None]:
    """Turn the tool's own errors into one line and an exit code, without a traceback."""
    from lostlink.errors import LostlinkError, RigError

    try:
        yield
    except LostlinkError as error:
        click.echo(f"lostlink: {error}", err=True)
        raise SystemExit(PORT_LOST if isinstance(error, RigError) else BAD_INPUT) from None


def _read(profile: str | None) -> Profile | None:
    if profile is None:
        return None
    from lostlink.profiles import read_profile

    return read_profile(profile)


def _watch(port: str, baud: int, link: Profile | None, once: float | None) -> int:
    from lostlink import show
    from lostlink.bench.line import open_line
    from lostlink.errors import RigError
    from lostlink.watch import screen
    from lostlink.watch.listener import Listener

    with open_line(port, baud) as line:
        listener = Listener(line, channels=len(link.channels) if link else None)
        code = 0
        try:
            if once is not None:
                listener.listen_until(listener.started_ns + round(once * 1e9))
            elif sys.stdout.isatty():
                screen.live(listener, link, None)
            else:
                screen.lines(listener, link)
        except KeyboardInterrupt:
            code = INTERRUPTED
        if once is None and sys.stdout.isatty():
            return code  # the table is still there
        if listener.layout is None:
            trouble = listener.trouble() or "no columns of numbers came"
            raise RigError(f"{port}: {trouble}")
        show.console().print(screen.picture(listener, link))
    return code


def _test(
    port: str, baud: int, link: Profile | None, profile: str | None, out: str, repeats: int, *, props_off: bool
) -> int:
    from lostlink.bench.line import open_line
    from lostlink.watch.listener import Listener

    with open_line(port, baud) as line:
        if not props_off:
            _confirm()
        folder = _folder(out)
        started = dt.datetime.now(dt.UTC)
        listener = Listener(line, channels=len(link.channels) if link else None, keep=True)
        return _run(listener, link, profile, folder, repeats, started)


def _confirm() -> None:
    """Show the cautions and have the operator say that they are kept.

    Raises
    ------
    lostlink.errors.LostlinkError
        If they say anything else.
    """
    from lostlink.errors import LostlinkError
    from lostlink.evidence import CAUTIONS

    for caution in CAUTIONS:
        click.echo(caution)
    try:
        said = click.prompt(f'Type "{CONFIRMATION}" to go on', default="", show_default=False)
    except click.Abort:
        said = ""
    if said.strip().lower() != CONFIRMATION:
        raise LostlinkError(f'not confirmed; allowed: type "{CONFIRMATION}", or give --props-off')


def _folder(out: str) -> Path:
    from lostlink.errors import ProfileError
    from lostlink.evidence import fresh_folder
    from lostlink.watch.evidence import FILES

    try:
        folder = fresh_folder(Path(out))
        for name in FILES:
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise ProfileError(f"--out {out}: {error.strerror}; allowed: a folder that can be written") from error
    return folder


def _tell(text: str) -> None:
    """Say something to somebody who looks at a handset, not at the screen."""
    click.echo(f"{text}\a" if sys.stdout.isatty() else text)


def _run(
    listener: Listener, link: Profile | None, profile: str | None, folder: Path, repeats: int, started: dt.datetime
) -> int:
    """Make the attempts and write the evidence, whatever ends them."""
    from lostlink.errors import LostlinkError, RigError
    from lostlink.profiles import write_profile
    from lostlink.report import write_report
    from lostlink.watch import evidence, results, screen
    from lostlink.watch.operator import FailsafeTest
    from lostlink.watch.scale import names_of

    test = FailsafeTest(listener, link, _tell)
    head = evidence.head(link, profile, listener.source.port, started)
    # Should the test be killed, the folder says so.
    evidence.write(folder, said="Interrupted; nothing is known.", exit_code=INTERRUPTED, tested_head=head)
    code, ended, error = 0, "", None
    try:
        test.run(repeats)
    except KeyboardInterrupt:
        code, ended = INTERRUPTED, "Interrupted. "
    except LostlinkError as problem:
        code, ended, error = PORT_LOST if isinstance(problem, RigError) else BAD_INPUT, f"{problem}. ", problem
    verdicts = results.judge(test.attempts, link) if test.attempts else []
    said = ended + results.conclusion(test.attempts, verdicts, link)
    code = code or results.exit_code(verdicts)
    layout = listener.layout
    names = names_of(layout, link) if layout else []
    head["duration_s"] = round((dt.datetime.now(dt.UTC) - started).total_seconds(), 3)
    if link is not None:
        (folder / "profile.toml").write_text(write_profile(link), encoding="utf-8")
    evidence.write_rows(folder, listener.rows, layout, listener.started_ns)
    evidence.write(
        folder, said=said, exit_code=code, tested_head=head, attempts=test.attempts, verdicts=verdicts, names=names
    )
    write_report(folder)
    if error is not None:
        click.echo(f"{len(listener.rows)} rows and {len(test.attempts)} attempts are kept in {folder}", err=True)
        raise error
    screen.result(test.attempts, verdicts, said, names, str(folder))
    return code
