"""``lostlink ports``: serial ports and what answers on each."""

from __future__ import annotations

import click

from lostlink.bench.line import DEFAULT_BAUD
from lostlink.bench.ports import look, present
from lostlink.errors import ExitCode
from lostlink.show.ports import ports


@click.command("ports")
@click.argument("port", nargs=-1)
@click.option(
    "--baud",
    metavar="N",
    type=click.IntRange(300, 10_000_000),
    default=DEFAULT_BAUD,
    show_default=True,
    help="Serial baud rate.",
)
def command(port: tuple[str, ...], baud: int) -> None:
    """List the serial ports, what answers on each, and why one cannot be opened.

    PORT may name others, such as socket://host:port. Opening a port restarts some boards: propellers off.

    \b
    lostlink ports
    """  # noqa: D301
    checks = look([(name, "") for name in port] or present(), baud)
    ports(checks)
    raise SystemExit(ExitCode.MET if any(check.answers for check in checks) or not port else ExitCode.RIG_LOST)
