"""The first screen: the conclusion, verdicts by severity, what was tested, what was not, the cautions."""

from __future__ import annotations

from typing import Any, Final

from lostlink.report.documents import KINDS, MEANINGS, SIGNS, WORST_FIRST, Row, Verdicts, text
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import facts

_MOST_LINKS: Final = 4
_HEADINGS: Final = {"bad": "✗", "doubt": "?", "good": "✓"}
_SEEN: Final = {
    "simulated": "The receiver ran in simulation. Its crystal, supply, wiring and radio chip were not tested.",
    "emulated": (
        "The receiver's firmware ran on an emulated microcontroller. The true processor's speed, crystal, supply, "
        "wiring and radio chip were not tested."
    ),
    "reported by the board": "A board reported its own pulses. What the wire carries was not measured.",
    "measured on the wire": "Pulses were measured on the wire.",
}


def mark(outcome: str) -> Html:
    """Return an outcome as sign and word."""
    sign = tag("span", SIGNS.get(outcome, "!"), class_="sign", aria_hidden="true")
    return tag("span", sign, " ", tag("span", outcome), class_=f"mark {KINDS.get(outcome, 'doubt')}")


def opening(verdicts: Verdicts) -> Html:
    """Return the first screen."""
    sign = tag("span", _HEADINGS[verdicts.kind], class_="sign", aria_hidden="true")
    heading = tag("h1", sign, tag("span", verdicts.conclusion))
    name = text(verdicts.tested.get("profile"))
    over = tag("p", "Link evidence", tag("span", name) if name else None, class_="over")
    cautions = tag(
        "section",
        tag("h2", "Cautions", id="cautions"),
        tag("ul", *(tag("li", caution) for caution in verdicts.cautions)),
        class_="cautions",
        aria_labelledby="cautions",
    )
    return join([
        tag("div", over, heading, _worst(verdicts), class_=f"conclusion {verdicts.kind}"),
        tag("div", _matrix(verdicts), _tested(verdicts), _untested(verdicts), cautions, class_="screen"),
    ])  # fmt: skip


def _worst(verdicts: Verdicts) -> Html | None:
    """Return links to what is not met or in doubt."""
    rows = [row for row in verdicts.rows if row.outcome in ("not met", "inconclusive")]
    if not rows:
        return None
    rows.sort(key=lambda row: row.outcome != "not met")
    links = [tag("li", mark(row.outcome), " ", _link(row)) for row in rows[:_MOST_LINKS]]
    if len(rows) > _MOST_LINKS:
        links.append(tag("li", f"and {len(rows) - _MOST_LINKS} more, below"))
    return tag("ul", *links, class_="worst")


def _link(row: Row) -> Html:
    return tag("a", tag("b", row.id), " ", row.sentence, href=f"#{row.anchor}")


def _matrix(verdicts: Verdicts) -> Html:
    """Return how many verdicts of each severity came out how."""
    known = [outcome for outcome in WORST_FIRST[::-1] if outcome in ("met", "not met") or verdicts.count(outcome)]
    head = tag("tr", tag("th", "severity", scope="col"), *(tag("th", mark(word), scope="col") for word in known))
    body = []
    for severity in MEANINGS:
        counts = [verdicts.count(outcome, severity) for outcome in known]
        cells = [
            tag("td", str(count), class_=KINDS[outcome] if count else "nil")
            for outcome, count in zip(known, counts, strict=True)
        ]
        name = tag("th", severity, tag("small", MEANINGS[severity]), scope="row")
        body.append(tag("tr", name, *cells))
    table = tag(
        "table", tag("caption", "Requirements, by severity and verdict"), tag("thead", head), tag("tbody", *body)
    )
    title = tag("h2", f"{len(verdicts.rows)} verdicts", id="counts")
    frame = tag("div", table, class_="sideways", tabindex=0, role="region", aria_label="Requirements by severity")
    return tag("section", title, frame, class_="matrix", aria_labelledby="counts")


def _tested(verdicts: Verdicts) -> Html:
    said = verdicts.tested
    versions = said.get("versions")
    words = (
        ", ".join(f"{name} {text(number)}" for name, number in versions.items()) if isinstance(versions, dict) else ""
    )
    bench = said.get("bench")
    seen = sorted({row.how_seen for row in verdicts.rows if row.how_seen})
    digest, of_receiver = text(said.get("profile_sha256")), text(said.get("receiver_sha256"))
    took = said.get("duration_s")
    pairs = [
        ("profile", " ".join(filter(None, (text(said.get("profile")), f"({digest[:12]})" if digest else "")))),
        ("receiver", " ".join(filter(None, (text(said.get("receiver")), of_receiver and f"({of_receiver[:12]})")))),
        ("rig", text(said.get("rig"))),
        ("how seen", ", ".join(seen)),
        ("seed", text(said.get("seed"))),
        (
            "date",
            " ".join(filter(None, (_day(said), f"({took:.1f} s)" if isinstance(took, float) else ""))),
        ),
        ("runs", str(sum(row.runs for row in verdicts.rows)) if verdicts.rows else ""),
        ("versions", words),
        *((name, text(value)) for name, value in (bench.items() if isinstance(bench, dict) else ())),
    ]
    title = tag("h2", "What was tested", id="tested")
    return tag("section", title, facts(pairs), class_="tested", aria_labelledby="tested")


def _day(said: dict[str, Any]) -> str:
    return text(said.get("date")).replace("T", " ").replace("+00:00", " UTC")


def _untested(verdicts: Verdicts) -> Html:
    """Return what nobody may believe to be shown."""
    lines: list[Html] = []
    for row in verdicts.rows:
        if row.outcome in ("not tested", "waived"):
            reason = f": {row.reason}" if row.reason else ""
            lines.append(tag("li", mark(row.outcome), " ", _link(row), reason))
    only = verdicts.tested.get("only")
    if isinstance(only, list) and only:
        lines.append(tag("li", f"Everything but {', '.join(map(text, only))}: only that was asked for."))
    lines += [tag("li", words) for seen, words in _SEEN.items() if seen in {row.how_seen for row in verdicts.rows}]
    lines.append(tag("li", "Range, antennas, batteries, and whatever else the requirements do not name."))
    title = tag("h2", "What was not tested", id="untested")
    return tag("section", title, tag("ul", *lines), class_="untested", aria_labelledby="untested")
