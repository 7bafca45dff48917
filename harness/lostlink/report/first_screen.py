"""The first screen: the conclusion, verdicts by severity, what was tested, what was not, the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from lostlink.errors import ExitCode
from lostlink.evidence.document import Document
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import facts, first_screen, text
from lostlink.report.rows import KINDS, SIGNS, WORST_FIRST, RequirementRow, count, mark
from lostlink.requirements import others
from lostlink.results import CAPTURE_SHOWS, WATCH_SHOWS, not_under_test
from lostlink.verdicts import Outcome, Severity, counted

_MOST_LINKS: Final = 4
_SEEN: Final = {
    "simulated": "The receiver ran in simulation. Its crystal, supply, wiring and radio chip were not tested.",
    "emulated": (
        "The receiver's firmware ran on an emulated microcontroller. The emulation is not cycle-accurate; "
        "crystal, supply, wiring and radio chip were not tested."
    ),
    "reported by the board": "A board reported its own pulses. What the wire carries was not measured.",
}
_SHOWN: Final = {
    "capture": (CAPTURE_SHOWS, "pulses alone"),
    "watch": (WATCH_SHOWS, "printed values"),
}
"""For each rig that is not a run of the suite: what it shows, and what does not show the other requirements."""


def opening(document: Document, rows: Sequence[RequirementRow]) -> Html:
    """Return the first screen."""
    if count(rows, Outcome.NOT_MET):
        outcome = Outcome.NOT_MET
    else:
        is_met = document.exit_code == ExitCode.MET and count(rows, Outcome.MET)
        outcome = Outcome.MET if is_met else Outcome.INCONCLUSIVE
    sign = tag("span", SIGNS[outcome], class_="sign", aria_hidden="true")
    heading = join([sign, tag("span", document.conclusion)])
    over = ("Link evidence", document.tested["profile"])
    blocks = (_matrix(rows), _tested(document, rows), _untested(document, rows))
    return first_screen(over, heading, _worst(rows), KINDS[outcome], *blocks)


def _worst(rows: Sequence[RequirementRow]) -> Html | None:
    """Return links to what is not met or inconclusive."""
    open_rows = [row for outcome in (Outcome.NOT_MET, Outcome.INCONCLUSIVE) for row in rows if row.outcome is outcome]
    if not open_rows:
        return None
    links = [tag("li", mark(row.outcome), " ", _link(row)) for row in open_rows[:_MOST_LINKS]]
    if len(open_rows) > _MOST_LINKS:
        links.append(tag("li", f"and {len(open_rows) - _MOST_LINKS} more, below"))
    return tag("ul", *links, class_="worst")


def _link(row: RequirementRow) -> Html:
    return tag("a", tag("b", row.id), " ", row.verdict.statement, href=f"#{row.anchor}")


def _matrix(rows: Sequence[RequirementRow]) -> Html:
    """Return the number of verdicts by severity and outcome."""
    always = (Outcome.MET, Outcome.NOT_MET)
    known = [outcome for outcome in WORST_FIRST[::-1] if outcome in always or count(rows, outcome)]
    head = tag("tr", tag("th", "severity", scope="col"), *(tag("th", mark(word), scope="col") for word in known))
    body = []
    for severity in Severity:
        counts = [(outcome, count(rows, outcome, severity)) for outcome in known]
        cells = [tag("td", str(number), class_=KINDS[outcome] if number else "nil") for outcome, number in counts]
        name = tag("th", severity.value, tag("small", severity.meaning), scope="row")
        body.append(tag("tr", name, *cells))
    table = tag(
        "table", tag("caption", "Requirements, by severity and verdict"), tag("thead", head), tag("tbody", *body)
    )
    title = tag("h2", counted(len(rows), "verdict"), id="counts")
    frame = tag("div", table, class_="sideways", tabindex=0, role="region", aria_label="Requirements by severity")
    return tag("section", title, frame, class_="matrix", aria_labelledby="counts")


def _tested(document: Document, rows: Sequence[RequirementRow]) -> Html:
    tested = document.tested
    took_s = tested.get("duration_s")
    digests = {
        name: text(tested.get(f"{name}_sha256"))[:12] for name in ("profile", "receiver", "handset") if name in tested
    }
    day = tested["date"].replace("T", " ").replace("+00:00", " UTC")
    pairs = [
        *((name, f"{tested[name]} ({digest})" if digest else tested[name]) for name, digest in digests.items()),
        ("rig", tested["rig"]),
        ("evidence type", ", ".join(_how_seen(rows))),
        ("seed", "" if _is_by_hand(document) else str(tested["seed"])),
        ("date", f"{day} ({took_s:.1f} s)".lstrip() if took_s is not None else day),
        ("runs", str(sum(row.verdict.runs for row in rows)) if rows and not _is_by_hand(document) else ""),
        ("versions", ", ".join(f"{name} {number}" for name, number in tested["versions"].items())),
        *tested.get("bench", {}).items(),
    ]  # fmt: skip
    title = tag("h2", "What was tested", id="tested")
    return tag("section", title, facts(pairs), class_="tested", aria_labelledby="tested")


def _is_by_hand(document: Document) -> bool:
    """Return whether nothing was drawn: a capture, or a failsafe test with an operator."""
    return document.tested["rig"] in _SHOWN


def _how_seen(rows: Sequence[RequirementRow]) -> list[str]:
    return sorted({row.verdict.how_seen for row in rows if row.verdict.how_seen})


def _untested(document: Document, rows: Sequence[RequirementRow]) -> Html:
    """Return what the evidence does not show."""
    lines: list[Html] = []
    for row in rows:
        if row.outcome in (Outcome.NOT_TESTED, Outcome.WAIVED):
            reason = f": {row.verdict.reason}" if row.verdict.reason else ""
            lines.append(tag("li", mark(row.outcome), " ", _link(row), reason))
    only = document.tested.get("only")
    if isinstance(only, list) and only:
        lines.append(tag("li", f"All requirements except {', '.join(map(text, only))}: only these were selected."))
    if tested_sides := document.tested.get("proves"):
        lines += [tag("li", words) for words in not_under_test(tested_sides)]
    if _is_by_hand(document):
        what, shown = _SHOWN[document.tested["rig"]]
        lines += [tag("li", what), tag("li", f"{others(row.id for row in rows)}: {shown} do not show them.")]
    if not _is_by_hand(document):
        lines += [tag("li", words) for seen, words in _SEEN.items() if seen in _how_seen(rows)]
    lines.append(tag("li", "Range, antennas, batteries, and everything else that the requirements do not name."))
    title = tag("h2", "What was not tested", id="untested")
    return tag("section", title, tag("ul", *lines), class_="untested", aria_labelledby="untested")
