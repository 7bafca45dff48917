"""Explanations: the texts that lie beside this file, and what the suite and the profile say of a requirement."""

from __future__ import annotations

import ast
import dataclasses
import functools
import textwrap
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lostlink.requirements import CATALOGUE
from lostlink.verdicts import Requirement

if TYPE_CHECKING:
    from lostlink_sims import Profile

_SUITE = Path(__file__).parents[1] / "suite"


@dataclass(frozen=True, slots=True)
class Explanation:
    """What is told of one requirement.

    Attributes
    ----------
    requirement : Requirement
    why, tested, firmware : str
    mistakes, limits, related : tuple of str
        `limits` are keys of a profile, such as ``requirements.cut_within``.
    snippet : str
        Lines of C; empty where words are enough.
    """

    requirement: Requirement
    why: str
    tested: str
    mistakes: tuple[str, ...]
    firmware: str
    snippet: str
    limits: tuple[str, ...]
    related: tuple[str, ...]


@functools.cache
def explanations() -> dict[str, Explanation]:
    """Return all explanations, in the order of the catalogue."""
    texts = tomllib.loads((Path(__file__).parent / "texts.toml").read_text(encoding="utf-8"))
    tested = suite_docstrings()
    return {
        name: Explanation(
            requirement=required,
            why=texts[name]["why"],
            tested=tested[name],
            mistakes=tuple(texts[name]["mistakes"]),
            firmware=texts[name]["firmware"],
            snippet=texts[name].get("snippet", "").strip("\n"),
            limits=tuple(texts[name]["limit"]),
            related=tuple(texts[name]["related"]),
        )
        for name, required in CATALOGUE.items()
    }


def suite_docstrings() -> dict[str, str]:
    """Return what the suite's tests say of themselves, by requirement; the files are read, not run."""
    found = {}
    for path in sorted(_SUITE.glob("test_*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef):
                for mark in node.decorator_list:
                    if isinstance(mark, ast.Call) and isinstance(mark.func, ast.Name) and mark.func.id == "requires":
                        assert isinstance(mark.args[0], ast.Constant)
                        text = ast.get_docstring(node) or ""
                        found[str(mark.args[0].value)] = " ".join(text.split())
    return found


def limit_text(key: str, profile: Profile) -> str:
    """Return what a profile says under a key, with its unit."""
    from lostlink.profiles.models import settings_of
    from lostlink.profiles.writer import value_text

    table, _, name = key.partition(".")
    if table == "channels":
        parts = [
            f"{one.name} {value_text(settings_of(type(one))[name], getattr(one, settings_of(type(one))[name].name))}"
            for one in profile.channels
        ]
        return ", ".join(parts).replace('"', "")
    part = getattr(profile, table)
    field: dataclasses.Field[object] = settings_of(type(part))[name]
    return str(value_text(field, getattr(part, field.name))).replace('"', "")


def as_text(told: Explanation, profile: Profile | None, width: int = 80) -> str:
    """Return an explanation as plain text."""

    def wrapped(text: str, indent: str = "  ", hang: str = "  ") -> str:
        return textwrap.fill(text, width, initial_indent=indent, subsequent_indent=hang)

    required = told.requirement
    lines = [f"{required.id} ({required.severity.value})", wrapped(required.sentence, "", ""), ""]
    lines += ["Why", wrapped(told.why), "", "How it is tested", wrapped(told.tested)]
    for key in told.limits:
        said = "" if profile is None else f": {limit_text(key, profile)}"
        lines.append(wrapped(f"- held against {key}{said}", "  ", "    "))
    lines += ["", "Mistakes that break it", *(wrapped(f"- {mistake}", "  ", "    ") for mistake in told.mistakes)]
    lines += ["", "What to change in firmware", wrapped(told.firmware)]
    if told.snippet:
        lines += ["", *(f"    {line}" if line else "" for line in told.snippet.splitlines())]
    lines += ["", f"See also {', '.join(told.related)}.", f"Test it alone: lostlink prove PROFILE --only {required.id}"]
    return "\n".join(lines)


def as_markdown() -> str:
    """Return all explanations as one Markdown document."""
    lines = ["# Requirements", ""]
    for told in explanations().values():
        required = told.requirement
        lines += [f"## {required.id} ({required.severity.value})", "", f"**{required.sentence}**", "", told.why, ""]
        lines += [f"Tested: {told.tested}", "", "Mistakes that break it:", ""]
        lines += [*(f"- {mistake}" for mistake in told.mistakes), "", f"In firmware: {told.firmware}", ""]
        if told.snippet:
            lines += ["```c", told.snippet, "```", ""]
        lines += [f"See also {', '.join(told.related)}.", ""]
    return "\n".join(lines)
