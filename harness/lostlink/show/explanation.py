"""Explanations of requirements, as text and as Markdown."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from lostlink.results import CAUTIONS
from lostlink.suite.explanations import GROUPS, Explanation, Marked, filled, flights_text
from lostlink.verdicts import Requirement, Severity, Side
from lostlink_sims import Profile

WIDTH: Final = 80


def _wrapped(text: str, first: str = "  ", further: str = "  ") -> str:
    """Return wrapped text; a number and its unit stay on one line."""
    tied = re.sub(r"(?<=\d) (?=(?:ms|us|s|min|dB|%|[kM]Ohm)(?:\W|$))", "\u00a0", " ".join(text.split()))
    lines = textwrap.fill(
        tied, WIDTH, initial_indent=first, subsequent_indent=further, break_on_hyphens=False, break_long_words=False
    )
    return lines.replace("\u00a0", " ")


def as_text(explanation: Explanation, link: Profile | None) -> str:
    """Return an explanation as plain text of `WIDTH` columns, with the values of a profile if one is given."""
    required = explanation.requirement
    lines = [f"{required.id} ({required.severity.value})", _wrapped(required.sentence, "", "")]
    if link is not None and required.id in link.requirements.waived:
        lines += ["", _wrapped(f"The profile {link.name!r} waives it: it is reported as waived, not tested.", "", "")]
    lines += ["", "Why", _wrapped(explanation.why)]
    lines += ["", "How it is tested", _wrapped(filled(explanation.tested, link))]
    lines += ["", "  Measured, and compared with its limit:", *_items(explanation.measured, link)]
    fewer = "; a real board may fly fewer" if required.side is Side.RECEIVER else ""
    lines += ["", _wrapped(f"{flights_text(explanation, link)}{fewer}.")]
    lines += _varied(required.id)
    if explanation.untested:
        lines.append(_wrapped(filled(explanation.untested, link)))
    lines += ["", "Mistakes that break it", *_items(explanation.mistakes, link)]
    lines += _demonstration(explanation)
    lines += ["", "What to change in firmware", _wrapped(filled(explanation.firmware, link))]
    if explanation.snippet:
        lines += ["", *(f"    {line}".rstrip() for line in explanation.snippet.splitlines())]
    file, test = explanation.where
    lines += ["", _wrapped(f"See also: {', '.join(explanation.related)}", "", "")]
    lines += ["Tested alone by:", f"  {_alone(required)}"]
    lines += [f"The test itself: {test}", f"  in lostlink/suite/{file}", ""]
    return "\n".join([*lines, *_cautions()])


def _varied(requirement_id: str) -> list[str]:
    """Return which varied flights judge a requirement too; for the requirement about them, what varies."""
    from lostlink.varied import VARIETIES, concern_text

    if requirement_id in VARIETIES:
        rows = [
            f"{one.name}: {'; '.join(one.values)}"
            + (f"; with --thorough also {'; '.join(one.long)}" if one.long else "")
            for one in VARIETIES[requirement_id].dimensions
        ]
        return ["", "  What varies, where the link has it:", *(_wrapped(row, "  - ", "    ") for row in rows)]
    concerned = concern_text(requirement_id)
    return [_wrapped(f"Also judged in {concerned}.")] if concerned else []


def _items(texts: tuple[str, ...], link: Profile | None) -> list[str]:
    return [_wrapped(filled(text, link), "  - ", "    ") for text in texts]


def _cautions() -> list[str]:
    return [_wrapped(caution, "", "") for caution in CAUTIONS]


def _demonstration(explanation: Explanation) -> list[str]:
    """Return the commands with which the suite finds the first of the example mistakes; empty without one."""
    if not explanation.variants:
        return []
    first, number = explanation.variants[0], len(explanation.variants)
    kept = "is a receiver with such a mistake" if number == 1 else "are receivers with such mistakes"
    which = "it" if number == 1 else "the first"
    return [
        "",
        _wrapped(f"In fixtures/board/faulty.c there {kept}: {', '.join(explanation.variants)}. To see {which} found:"),
        *(f"    {line}" for line in explanation.prepare.splitlines()),
        f"    make -C fixtures/board MISTAKE={first}",
        f"    lostlink prove {explanation.shown_with} \\",
        f"      --receiver fixtures/board/build/{first}.so --only {explanation.requirement.id}",
    ]


_SIDES: Final = {
    Side.RECEIVER: "The receiver is under test, the handset is simulated",
    Side.HANDSET: "The handset is under test, the receiver is simulated",
    Side.PAIR: "Both are under test",
}
"""Where the requirements of each side are tested."""


def _alone(required: Requirement) -> str:
    """Return the command that tests one requirement."""
    given = {Side.RECEIVER: "", Side.HANDSET: " --handset HANDSET", Side.PAIR: " --handset HANDSET --receiver RECEIVER"}
    return f"lostlink prove PROFILE{given[required.side]} --only {required.id}"


def _groups(chosen: list[Explanation]) -> Iterator[tuple[str, list[Explanation]]]:
    """Yield the heading of each group of requirements, and those of `chosen` that are in it."""
    for letters, heading in GROUPS.items():
        if group := [one for one in chosen if one.requirement.id.startswith(f"{letters}-")]:
            yield f"{letters}: {heading}", group


def as_list(chosen: list[Explanation]) -> str:
    """Return requirements by side, group and severity, one line each: the fault if it is not met."""
    lines = ["What is wrong when a requirement is not met:"]
    side = None
    for heading, group in _groups(chosen):
        if group[0].requirement.side is not side:
            side = group[0].requirement.side
            lines += ["", f"{_SIDES[side]}:"]
        lines += ["", heading]
        for severity in Severity:
            rows = [one.requirement for one in group if one.requirement.severity is severity]
            if rows:
                lines.append(f"  {severity.value}")
            lines += [_wrapped(required.fault, f"    {required.id:<12} ", " " * 17) for required in rows]
    lines += ["", *(f"{severity.value.capitalize()}: {severity.meaning}." for severity in Severity), ""]
    lines += ["Details: lostlink explain FS-CUT, or with your values: FS-CUT my_link.toml"]
    return "\n".join(lines)


def own_text(path: Path, own: Marked) -> str:
    """Return the description of a custom requirement: its marker and the docstring of its test."""
    lines = [f"{own.id} ({own.severity})" if own.severity else own.id]
    lines += [_wrapped(own.sentence, "", "")] if own.sentence else []
    lines += [
        "",
        "A custom requirement, not one of the catalogue.",
        f"Its test: {path}, line {own.line}, {own.name}",
    ]
    lines += ["", "Description in the test"]
    lines += [f"  {line}".rstrip() for line in (own.docstring or "None: the test has no docstring.").splitlines()]
    lines += ["", f"Tested alone by: lostlink prove PROFILE --tests {path} --only {own.id}", ""]
    return "\n".join([*lines, *_cautions()])


def as_markdown(chosen: list[Explanation], link: Profile | None = None) -> str:
    """Return explanations as a Markdown document."""
    lines = ["# Requirements", ""]
    if link is not None:
        lines += [f"With the values of the link **{_escaped(link.name)}**.", ""]
    lines += [*(f"- {caution}" for caution in CAUTIONS), ""]
    for heading, group in _groups(chosen):
        lines += [f"## {heading}", "", *(line for one in group for line in _section(one, link))]
    return "\n".join(lines).rstrip("\n")


def _escaped(text: str) -> str:
    """Return text with the special characters of Markdown escaped."""
    return re.sub(r"([\\`*_<\[\]])", r"\\\1", text)


def _section(explanation: Explanation, link: Profile | None) -> list[str]:
    def text(template: str) -> str:
        return _escaped(filled(template, link))

    required = explanation.requirement
    lines = [f"### {required.id} ({required.severity.value})", "", f"**{required.sentence}**", ""]
    lines += [text(explanation.why), "", f"How it is tested: {text(explanation.tested)}", ""]
    lines += [*(f"- {text(item)}" for item in explanation.measured), ""]
    flown = flights_text(explanation, link)
    lines += [f"{flown[0].upper()}{flown[1:]}. {text(explanation.untested)}".rstrip(), ""]
    lines += ["Mistakes that break it:", "", *(f"- {text(item)}" for item in explanation.mistakes)]
    if explanation.variants:
        lines.append(f"- in `fixtures/board/faulty.c`: {', '.join(f'`{name}`' for name in explanation.variants)}")
    lines += ["", f"In firmware: {text(explanation.firmware)}", ""]
    if explanation.snippet:
        lines += ["```c", explanation.snippet, "```", ""]
    related = ", ".join(explanation.related)
    lines += [f"See also {related}. Tested alone by `{_alone(required)}`.", ""]
    return lines
