"""``lostlink header``: a profile's values for firmware in C."""

from __future__ import annotations

import click

from lostlink.commands import shared
from lostlink.profiles import read_link
from lostlink.profiles.header import c_header


@click.command("header")
@shared.profile_argument
def command(profile: str | None) -> None:
    """Write a profile's values as a C header to standard output, for firmware that is tested against it.

    \b
    lostlink header my_link.toml > link.h
    """  # noqa: D301
    click.echo(c_header(read_link(profile)), nl=False)
