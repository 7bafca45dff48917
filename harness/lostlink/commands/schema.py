"""``lostlink schema``: JSON Schema for editors."""

from __future__ import annotations

import json

import click

from lostlink.profiles import profile_schema, scenario_schema


@click.command("schema")
@click.option("--scenario", is_flag=True, help="The schema of scenario files instead of profiles.")
def command(scenario: bool) -> None:
    """Write the JSON Schema of profiles (or scenarios) to standard output, for editors.

    \b
    lostlink schema > lostlink.schema.json
    """  # noqa: D301
    click.echo(json.dumps(scenario_schema() if scenario else profile_schema(), indent=2, ensure_ascii=False))
