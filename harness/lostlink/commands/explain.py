"""``lostlink explain``: a requirement, or a list of them."""

from __future__ import annotations

import difflib
from pathlib import Path

import click

from lostlink import extensions
from lostlink.commands import shared
from lostlink.errors import UsageError
from lostlink.profiles import read_link
from lostlink.requirements import CATALOGUE
from lostlink.show.explanation import as_list, as_markdown, as_text, own_text
from lostlink.suite.explanations import GROUPS, Marked, explanations, marked

_LONGEST_SHOWN = 60  # characters of the user's text repeated in an error message
_MOST_NEAR = 5


@click.command("explain")
@click.argument("requirement", required=False)
@shared.profile_argument
@click.option("--tests", metavar="FILE.py", multiple=True, help="File with custom requirements, as for prove.")
@click.option("--markdown", is_flag=True, help="Write Markdown; all requirements when REQUIREMENT is left out.")
def command(requirement: str | None, profile: str | None, tests: tuple[str, ...], markdown: bool) -> None:
    """Explain a requirement: why it exists, how it is tested, which mistakes break it, what to change in firmware.

    REQUIREMENT is an id such as FS-CUT. Without it, or with the letters of a group (FS), requirements are listed. With
    a PROFILE (TOML) its values are filled in.

    \b
    lostlink explain
    lostlink explain FS-CUT my_link.toml
    lostlink explain --markdown > requirements.md
    """  # noqa: D301
    known = explanations()
    if markdown and profile is None and requirement and _is_file(requirement):
        requirement, profile = None, requirement
    link, files = None if profile is None else read_link(profile), shared.test_files(tests)
    wanted = (requirement or "").strip().upper()
    if requirement is None or wanted in GROUPS:
        chosen = [known[name] for name in known if requirement is None or name.startswith(wanted)]
        click.echo(as_markdown(chosen, link) if markdown else as_list(chosen))
    elif wanted in known:
        click.echo(as_markdown([known[wanted]], link) if markdown else as_text(known[wanted], link))
    else:
        path, own = _custom(requirement, wanted, files)
        click.echo(own_text(path, own))


def _is_file(word: str) -> bool:
    return "." in word or "/" in word


def _custom(requirement: str, wanted: str, given: list[Path]) -> tuple[Path, Marked]:
    """Find a custom requirement in the given files, or in those of installed packages."""
    installed = map(extensions.tests_file, extensions.names(extensions.REQUIREMENTS))
    for path in [*given, *filter(None, installed)]:
        for own in _marked(path):
            if own.id.upper() == wanted:
                return path, own
    raise _unknown(requirement, wanted, given)


def _marked(path: Path) -> list[Marked]:
    try:
        return list(marked(path, "requirement"))
    except (SyntaxError, ValueError, OSError, RecursionError, MemoryError) as error:  # the last two: nested too deep
        text = str(error) or type(error).__name__
        raise UsageError(f"--tests {path}: {text}; give a Python file with pytest tests") from None


def _unknown(requirement: str, wanted: str, given: list[Path]) -> UsageError:
    shown = repr(requirement if len(requirement) <= _LONGEST_SHOWN else requirement[:_LONGEST_SHOWN] + "...")
    if _is_file(requirement):
        return UsageError(f"{shown} is not a requirement; give the id before the profile: FS-CUT {requirement}")
    parts = [name for name in CATALOGUE if wanted and wanted in name.split("-")]
    close = difflib.get_close_matches(wanted[:_LONGEST_SHOWN], CATALOGUE, n=_MOST_NEAR)
    near = list(dict.fromkeys([*parts, *close]))[:_MOST_NEAR]
    hint = f"; did you mean {' or '.join(near)}?" if near else ";"
    searched = f" nor in {', '.join(map(str, given))}" if given else ""
    return UsageError(
        f"{shown} is not a requirement of the catalogue{searched}{hint} allowed: an id that lostlink explain lists, or "
        "a custom one, which is described in the docstring of its test (--tests FILE.py shows it)"
    )
