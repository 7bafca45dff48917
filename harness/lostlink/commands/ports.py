"""``lostlink ports``: serial ports and what answers on each."""

from __future__ import annotations

import click

from lostlink.bench.line import DEFAULT_BAUD
from lostlink.bench.ports import look, present
from lostlink.commands import shared
from lostlink.errors import ExitCode
from lostlink.show.ports import ports


@click.command("ports")
@click.argument("port", nargs=-1)
@shared.baud_option
def command(port: tuple[str, ...], baud: int | None) -> None:
    """List the serial ports and what answers on each, or why it cannot be opened.

    PORT names other ports, such as socket://host:port. Opening a port restarts some boards: propellers off.

    \b
    lostlink ports
    """  # noqa: D301
    checks = look([(name, "") for name in port] or present(), baud or DEFAULT_BAUD)
    ports(checks)
    raise SystemExit(ExitCode.MET if any(check.answers for check in checks) or not port else ExitCode.RIG_LOST)
