"""The evidence as Markdown, also for the summary of a CI job."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

from lostlink.evidence.document import Document
from lostlink.results import CAUTIONS
from lostlink.verdicts import Outcome, Severity, Verdict, printable


def escaped(text: str) -> str:
    """Return text as one line of Markdown in which no sign has a meaning."""
    return re.sub(r"([\\`*_<\[\]|])", r"\\\1", printable(text.replace("\n", " ")))


def page(title: str, conclusion: str, *blocks: Sequence[str]) -> str:
    """Return a Markdown page: title, conclusion, blocks of lines, cautions."""
    lines = [f"# {title}", "", f"**{escaped(conclusion)}**"]
    for block in blocks:
        if block:
            lines += ["", *block]
    return "\n".join([*lines, "", *(f"- {caution}" for caution in CAUTIONS)]) + "\n"


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Return a Markdown table; the cells are Markdown."""
    return [_row(headings), "|" + "---|" * len(headings), *map(_row, rows)]


def _row(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def about(tested: dict[str, Any]) -> str:
    """Return a line on what was tested; a capture and a test by hand have no seed."""
    seed = "" if tested["rig"] in ("capture", "watch") else f"seed {tested['seed']}, "
    return (
        f"Profile **{escaped(tested['profile'])}** ({tested['profile_sha256'][:12]}), receiver "
        f"{escaped(tested['receiver'])}, rig {escaped(tested['rig'])}, {seed}{tested['date']}, "
        f"lostlink {tested['versions']['lostlink']}."
    )


def verdict_table(verdicts: Iterable[Verdict]) -> list[str]:
    """Return the verdicts as a Markdown table, the most severe first."""
    order = list(Severity)
    rows = sorted(verdicts, key=lambda verdict: order.index(verdict.requirement.severity))
    return table(("", "requirement", "verdict", "measured", "limit"), map(_cells, rows))


def _cells(verdict: Verdict) -> tuple[str, ...]:
    outcome, required = verdict.outcome, verdict.requirement
    mark = outcome.value if outcome is Outcome.MET else f"**{outcome.value}**"
    texts = (required.id, verdict.statement, verdict.measured or verdict.reason, verdict.limit)
    name, statement, measured, limit = map(escaped, texts)
    return (name, statement, mark, measured, limit)


def _fenced(text: str) -> list[str]:
    """Return text as a block that no line of it can end."""
    longest = max(map(len, re.findall("`+", text)), default=0)
    fence = "`" * max(3, longest + 1)
    return [f"{fence}text", *map(printable, text.splitlines()), fence]


def suite_summary(document: Document, findings: dict[str, str]) -> str:
    """Return the summary of a run of the suite, with the finding of each requirement that is not met."""
    rig = [f"- {escaped(name)}: {escaped(text)}" for name, text in document.tested.get("bench", {}).items()]
    failed = [line for name, text in findings.items() for line in (f"## {escaped(name)}", "", *_fenced(text), "")]
    return page(
        "Link verdicts", document.conclusion, [about(document.tested)], rig, verdict_table(document.verdicts),
        failed[:-1],
    )  # fmt: skip
