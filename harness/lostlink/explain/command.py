"""``lostlink explain``: parse, call, show."""

from __future__ import annotations

import click


@click.command("explain")
@click.argument("requirement", required=False)
@click.argument("profile", required=False)
@click.option("--markdown", is_flag=True, help="All requirements as one Markdown document.")
def explain_command(requirement: str | None, profile: str | None, markdown: bool) -> None:
    """Say why a requirement exists, how it is tested, which mistakes break it, and what to change in firmware.

    Without REQUIREMENT it lists them all. With a PROFILE the limits carry its values.

    \b
    lostlink explain FS-CUT my_link.toml
    """  # noqa: D301
    from lostlink.cli import _errors_in_words, _read

    with _errors_in_words():
        from lostlink.explain.read import as_markdown, as_text, explanations

        if markdown:
            click.echo(as_markdown())
        elif requirement is None:
            _list()
        else:
            told = explanations()[_known(requirement)]
            click.echo(as_text(told, None if profile is None else _read(profile)))


def _known(name: str) -> str:
    import difflib

    from lostlink.errors import LostlinkError
    from lostlink.requirements import CATALOGUE

    if name.upper() in CATALOGUE:
        return name.upper()
    near = difflib.get_close_matches(name.upper(), CATALOGUE, n=1)
    hint = f"; did you mean {near[0]}?" if near else ";"
    raise LostlinkError(
        f"no requirement {name!r} in the catalogue{hint} allowed: {', '.join(CATALOGUE)} "
        "(one of your own is explained where its test is)"
    )


def _list() -> None:
    from lostlink.requirements import CATALOGUE
    from lostlink.show import SEVERITY_WORDS
    from lostlink.verdicts import Severity

    for severity in Severity:
        click.echo(SEVERITY_WORDS[severity])
        for required in CATALOGUE.values():
            if required.severity is severity:
                click.echo(f"  {required.id:<13} {required.sentence}")
        click.echo()
    click.echo("More of one: lostlink explain FS-CUT")
