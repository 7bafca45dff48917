"""Explanations of requirements, as text and as Markdown."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path
from typing import Final

from lostlink.results import CAUTIONS
from lostlink.suite.explanations import GROUPS, Explanation, Marked, filled, flights_text
from lostlink.verdicts import Severity
from lostlink_sims import Profile

WIDTH: Final = 80


def _wrapped(text: str, first: str = "  ", further: str = "  ") -> str:
    """Return text in lines; a number stays with its unit."""
    tied = re.sub(r"(?<=\d) (?=(?:ms|us|s|min|dB|%)(?:\W|$))", "\u00a0", " ".join(text.split()))
    lines = textwrap.fill(
        tied, WIDTH, initial_indent=first, subsequent_indent=further, break_on_hyphens=False, break_long_words=False
    )
    return lines.replace("\u00a0", " ")


def _items(texts: tuple[str, ...]) -> list[str]:
    return [_wrapped(text, "  - ", "    ") for text in texts]


def as_text(told: Explanation, link: Profile | None) -> str:
    """Return an explanation as plain text of `WIDTH` columns, with a profile's values where there is one."""
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
    lines += [_wrapped(caution, "", "") for caution in CAUTIONS]
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
    lines += ["", *(f"{severity.value.capitalize()}: {severity.meaning}." for severity in Severity), ""]
    lines += ["More of one: lostlink explain FS-CUT, or with your values: FS-CUT my_link.toml"]
    return "\n".join(lines)


def own_text(path: Path, own: Marked) -> str:
    """Return what is known of a requirement that is not one of the catalogue's."""
    lines = [f"{own.id} ({own.severity})" if own.severity else own.id]
    lines += [_wrapped(own.sentence, "", "")] if own.sentence else []
    lines += [
        "",
        "A requirement of your own, not one of the catalogue.",
        f"Its test: {path}, line {own.line}, {own.name}",
    ]
    lines += ["", "Description in the test"]
    lines += [f"  {line}".rstrip() for line in (own.docstring or "Nothing: it has no docstring.").splitlines()]
    lines += ["", f"Tested alone by: lostlink prove PROFILE --tests {path} --only {own.id}", ""]
    lines += [_wrapped(caution, "", "") for caution in CAUTIONS]
    return "\n".join(lines)


def as_markdown(chosen: list[Explanation], link: Profile | None = None) -> str:
    """Return explanations as a Markdown document."""
    lines = ["# Requirements", ""]
    if link is not None:
        lines += [f"With the values of the link **{_escaped(link.name)}**.", ""]
    lines += [*(f"- {caution}" for caution in CAUTIONS), ""]
    for letters, heading in GROUPS.items():
        here = [told for told in chosen if told.requirement.id.startswith(f"{letters}-")]
        if here:
            lines += [f"## {letters}: {heading}", ""]
        for told in here:
            lines += _section(told, link)
    return "\n".join(lines).rstrip("\n")


def _escaped(text: str) -> str:
    """Return text in which Markdown sees no marks of its own."""
    return re.sub(r"([\\`*_<\[\]])", r"\\\1", text)


def _section(told: Explanation, link: Profile | None) -> list[str]:

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
