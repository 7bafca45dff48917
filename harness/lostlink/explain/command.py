"""``lostlink explain``: parse, look up, show. Nothing heavy is imported before it runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from lostlink.errors import ProfileError
    from lostlink.explain.read import Explanation, Marked
    from lostlink_sims import Profile

WIDTH: Final = 80
_LONGEST_SHOWN = 60  # signs of a user's text that an error text repeats
_MOST_NEAR = 5


@click.command("explain")
@click.argument("requirement", required=False)
@click.argument("profile", required=False)
@click.option("--tests", metavar="FILE.py", multiple=True, help="Where requirements of your own are, as for prove.")
@click.option("--markdown", is_flag=True, help="Write Markdown; all of them when REQUIREMENT is left out.")
def explain_command(requirement: str | None, profile: str | None, tests: tuple[str, ...], markdown: bool) -> None:
    """Say why a requirement exists, how it is tested, which mistakes break it, and what to change in firmware.

    REQUIREMENT is an id such as FS-CUT; without it, or with the first letters of a group (FS), they are listed. With
    a PROFILE (TOML) its values are put in.

    \b
    lostlink explain
    lostlink explain FS-CUT my_link.toml
    lostlink explain --markdown > requirements.md
    """  # noqa: D301
    from lostlink.cli import _errors_in_words, _read, _test_files

    with _errors_in_words():
        from lostlink.explain.read import GROUPS, explanations

        all_of_them = explanations()
        if markdown and profile is None and requirement and _is_file(requirement):
            requirement, profile = None, requirement
        link, files = None if profile is None else _read(profile), _test_files(tests)
        wanted = (requirement or "").strip().upper()
        if requirement is None or wanted in GROUPS:
            chosen = [told for name, told in all_of_them.items() if requirement is None or name.startswith(wanted)]
            click.echo(as_markdown(chosen, link) if markdown else as_list(chosen))
        elif wanted in all_of_them:
            told = all_of_them[wanted]
            click.echo(as_markdown([told], link) if markdown else as_text(told, link))
        else:
            path, own = _of_the_users_own(requirement, wanted, files)
            click.echo(own_text(path, own))


def _is_file(word: str) -> bool:
    return "." in word or "/" in word


# --- ids that are not in the catalogue ---------------------------------------------------------------------------


def _of_the_users_own(requirement: str, wanted: str, given: list[Path]) -> tuple[Path, Marked]:
    """Find a requirement in the given files, or in those of installed packages."""
    for path in [*given, *_installed()]:
        for own in _marked(path):
            if own.id.upper() == wanted:
                return path, own
    raise _unknown(requirement, wanted, given)


def _installed() -> Iterator[Path]:
    from lostlink import extensions

    for name in extensions.names(extensions.REQUIREMENTS):
        path = extensions.tests_file(name)
        if path is not None:
            yield path


def _marked(path: Path) -> list[Marked]:
    from lostlink.errors import ProfileError
    from lostlink.explain.read import marked

    try:
        return list(marked(path, "requirement"))
    except (SyntaxError, ValueError, OSError, RecursionError, MemoryError) as error:  # the last two: nested too deep
        raise ProfileError(
            f"--tests {path}: {str(error) or type(error).__name__}; allowed: a Python file with pytest tests"
        ) from None


def _unknown(requirement: str, wanted: str, given: list[Path]) -> ProfileError:
    import difflib

    from lostlink.errors import ProfileError
    from lostlink.requirements import CATALOGUE

    shown = repr(requirement if len(requirement) <= _LONGEST_SHOWN else requirement[:_LONGEST_SHOWN] + "...")
    if _is_file(requirement):
        return ProfileError(f"{shown} is no requirement; allowed: an id first, then the profile: FS-CUT {requirement}")
    parts = [name for name in CATALOGUE if wanted and wanted in name.split("-")]
    close = difflib.get_close_matches(wanted[:_LONGEST_SHOWN], CATALOGUE, n=_MOST_NEAR)
    near = list(dict.fromkeys([*parts, *close]))[:_MOST_NEAR]
    hint = f"; did you mean {' or '.join(near)}?" if near else ";"
    searched = f" nor in {', '.join(map(str, given))}" if given else ""
    return ProfileError(
        f"{shown} is no requirement of the catalogue{searched}{hint} allowed: an id that lostlink explain lists, or "
        "one of your own, which is described in the docstring of its test (--tests FILE.py shows it)"
    )


# --- forms -------------------------------------------------------------------------------------------------------


def _wrapped(text: str, first: str = "  ", further: str = "  ") -> str:
    """Return text in lines; a number stays with its unit."""
    import re
    import textwrap

    tied = re.sub(r"(?<=\d) (?=(?:ms|us|s|min|dB|%)(?:\W|$))", "\u00a0", " ".join(text.split()))
    lines = textwrap.fill(
        tied, WIDTH, initial_indent=first, subsequent_indent=further, break_on_hyphens=False, break_long_words=False
    )
    return lines.replace("\u00a0", " ")


def _items(texts: tuple[str, ...]) -> list[str]:
    return [_wrapped(text, "  - ", "    ") for text in texts]


def as_text(told: Explanation, link: Profile | None) -> str:
    """Return an explanation as plain text of `WIDTH` columns, with a profile's values where there is one."""
    from lostlink.explain.read import cautions, filled, flights_text

    required = told.requirement
    lines = [f"{required.id} ({required.severity.value})", _wrapped(required.sentence, "", "")]
    if link is not None and required.id in link.requirements.waived:
        lines += ["", _wrapped(f"The profile {link.name!r} waives it: it is reported as waived, not tested.", "", "")]
    lines += ["", "Why", _wrapped(told.why)]
    lines += ["", "How it is tested", _wrapped(filled(told.tested, link))]
    lines += ["", "  Measured, and held against its limit:"]
    lines += _items(tuple(filled(text, link) for text in told.measured))
    lines += ["", _wrapped(f"{flights_text(told, link)}; a real board may fly fewer.")]
    if told.untested:
        lines.append(_wrapped(filled(told.untested, link)))
    lines += ["", "Mistakes that break it", *_items(tuple(filled(text, link) for text in told.mistakes))]
    lines += _demonstration(told)
    lines += ["", "What to change in firmware", _wrapped(filled(told.firmware, link))]
    if told.snippet:
        lines += ["", *(f"    {line}".rstrip() for line in told.snippet.splitlines())]
    file, test = told.where
    lines += ["", _wrapped(f"See also: {', '.join(told.related)}", "", "")]
    lines += [f"Tested alone by: lostlink prove PROFILE --only {required.id}"]
    lines += [f"The test itself: {test}", f"  in lostlink/suite/{file}", ""]
    lines += [_wrapped(caution, "", "") for caution in cautions()]
    return "\n".join(lines)


def _demonstration(told: Explanation) -> list[str]:
    """Return how to see the suite find such a mistake, where one is kept for that."""
    if not told.variants:
        return []
    first, number = told.variants[0], len(told.variants)
    kept = "is a receiver with such a mistake" if number == 1 else "are receivers with such mistakes"
    which = "it" if number == 1 else "the first"
    return [
        "",
        _wrapped(f"In fixtures/board/faulty.c there {kept}: {', '.join(told.variants)}. To see {which} found:"),
        *(f"    {line}" for line in told.prepare.splitlines()),
        f"    make -C fixtures/board MISTAKE={first}",
        f"    lostlink prove {told.shown_with} \\",
        f"      --receiver fixtures/board/build/{first}.so --only {told.requirement.id}",
    ]


def as_list(chosen: list[Explanation]) -> str:
    """Return requirements by group and severity, a line each: what it means when one is not met."""
    from lostlink.explain.read import GROUPS
    from lostlink.verdicts import Severity

    lines = ["What is wrong when a requirement is not met:"]
    for letters, heading in GROUPS.items():
        here = [told.requirement for told in chosen if told.requirement.id.startswith(f"{letters}-")]
        if here:
            lines += ["", f"{letters}: {heading}"]
        for severity in Severity:
            rows = [required for required in here if required.severity is severity]
            if rows:
                lines.append(f"  {severity.value}")
            lines += [f"    {required.id:<12} {required.fault}" for required in rows]
    lines += ["", "Critical: somebody may be hurt. Major: the model may be lost, or flies other"]
    lines += ["than the pilot wants. Minor: it is not as it was meant.", ""]
    lines += ["More of one: lostlink explain FS-CUT, or with your values: FS-CUT my_link.toml"]
    return "\n".join(lines)


def own_text(path: Path, own: Marked) -> str:
    """Return what is known of a requirement that is not one of the catalogue's."""
    from lostlink.explain.read import cautions

    lines = [f"{own.id} ({own.severity})" if own.severity else own.id]
    lines += [_wrapped(own.sentence, "", "")] if own.sentence else []
    lines += [
        "",
        "A requirement of your own, not one of the catalogue.",
        f"Its test: {path}, line {own.line}, {own.test}",
    ]
    lines += ["", "What the test says of itself"]
    lines += [f"  {line}".rstrip() for line in (own.docstring or "Nothing: it has no docstring.").splitlines()]
    lines += ["", f"Tested alone by: lostlink prove PROFILE --tests {path} --only {own.id}", ""]
    lines += [_wrapped(caution, "", "") for caution in cautions()]
    return "\n".join(lines)


def as_markdown(chosen: list[Explanation], link: Profile | None = None) -> str:
    """Return explanations as a Markdown document."""
    from lostlink.explain.read import GROUPS, cautions

    lines = ["# Requirements", ""]
    if link is not None:
        lines += [f"With the values of the link **{_escaped(link.name)}**.", ""]
    lines += [*(f"- {caution}" for caution in cautions()), ""]
    for letters, heading in GROUPS.items():
        here = [told for told in chosen if told.requirement.id.startswith(f"{letters}-")]
        if here:
            lines += [f"## {letters}: {heading}", ""]
        for told in here:
            lines += _section(told, link)
    return "\n".join(lines).rstrip("\n")


def _escaped(text: str) -> str:
    """Return text in which Markdown sees no marks of its own."""
    import re

    return re.sub(r"([\\`*_<\[\]])", r"\\\1", text)


def _section(told: Explanation, link: Profile | None) -> list[str]:
    from lostlink.explain.read import filled, flights_text

    def text(words: str) -> str:
        return _escaped(filled(words, link))

    required = told.requirement
    lines = [f"### {required.id} ({required.severity.value})", "", f"**{required.sentence}**", "", text(told.why), ""]
    lines += [f"How it is tested: {text(told.tested)}", "", *(f"- {text(one)}" for one in told.measured), ""]
    flown = flights_text(told, link)
    lines += [f"{flown[0].upper()}{flown[1:]}. {text(told.untested)}".rstrip(), ""]
    lines += ["Mistakes that break it:", "", *(f"- {text(one)}" for one in told.mistakes)]
    if told.variants:
        lines.append(f"- in `fixtures/board/faulty.c`: {', '.join(f'`{name}`' for name in told.variants)}")
    lines += ["", f"In firmware: {text(told.firmware)}", ""]
    if told.snippet:
        lines += ["```c", told.snippet, "```", ""]
    related = ", ".join(told.related)
    lines += [f"See also {related}. Tested alone by `lostlink prove PROFILE --only {required.id}`.", ""]
    return lines
