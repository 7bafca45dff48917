"""The page: one self-contained file with two scripts, our own and the plotting library's.

A `Section` is a heading and its content; `html` puts sections on a page with a skip link, contents and landmarks.
The content security policy names the scripts by their digests (CSP level 3), so an injected
script does not run, and nothing is loaded from the network.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, Final

from lostlink.report import palette
from lostlink.report.markup import Html, data_block, join, tag

_TOOLS: Final = tag(
    "div",
    tag("button", "Open all", type="button", data_open="all", title="With all timelines, for printing"),
    tag("button", "Close all", type="button", data_open="none"),
    tag("output", aria_live="polite"),
    class_="tools",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of a page.

    Attributes
    ----------
    id : str
        Its anchor.
    title : str
        Its heading, and its line in the contents.
    content : Html
    note : str
        Beside its line in the contents: a count, or nothing.
    """

    id: str
    title: str
    content: Html
    note: str = ""

    def as_html(self) -> Html:
        """Return the section with its heading."""
        heading = tag("h2", self.title, id=f"{self.id}-title")
        return tag("section", heading, self.content, id=self.id, aria_labelledby=f"{self.id}-title")


@dataclass(slots=True, kw_only=True)
class Page:
    """What goes on a page.

    Attributes
    ----------
    title : str
        Window title.
    opening : Html
        The first screen, with the only heading of the first order.
    sections : list of Section
    data : dict of str to object
        Blocks of JSON for ``viewer.js``, by their ids.
    plotting : str or None
        The plotting library's script; None when there are no charts.
    closing : Html
        The foot of the page.
    """

    title: str
    opening: Html
    sections: list[Section] = field(default_factory=list)
    data: dict[str, object] = field(default_factory=dict)
    plotting: str | None = None
    closing: Html = field(default_factory=Html)


def chart(block_id: str, label: str, height_px: int) -> Html:
    """Return the container of a chart of `figures.item`, whose JSON is in `Page.data` as `block_id`.

    Parameters
    ----------
    label : str
        What it shows, for screen readers; a table beside it should have the numbers.
    """
    drawn = tag("div", role="img", aria_label=label, data_item=block_id, style=f"min-height:{height_px}px")
    keys = tag("p", "Keys: + and − zoom, arrows move, 0 shows all. Drag moves; Ctrl and wheel zoom.", class_="keys")
    view = tag("div", drawn, class_="view", tabindex=0, role="group", aria_label=f"Chart. Keys: + − arrows 0. {label}")
    return tag("div", view, keys, class_="chart")


def html(page: Page) -> Html:
    """Return the whole page."""
    scripts = [_own("viewer.js")]
    if page.plotting is not None:
        scripts.insert(0, page.plotting)
    scripts = [_harmless(script) for script in scripts]
    policy = (
        "default-src 'none'; "
        f"script-src {' '.join(map(_digest, scripts))}; "
        "style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    style = _own("style.css")
    style = style.replace("/* light */", palette.LIGHT.as_css()).replace("/* dark */", palette.DARK.as_css())
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", page.title),
        Html(f"<style>{style}</style>"),
    )
    places = [tag("li", tag("a", s.title, href=f"#{s.id}"), tag("span", s.note) if s.note else None)
              for s in page.sections]  # fmt: skip
    body = tag(
        "body",
        tag("a", "Skip to the verdicts", href="#content", class_="skip"),
        tag("header", page.opening, id="top"),
        tag("nav", tag("ul", *places), aria_label="Contents"),
        tag(
            "main",
            _TOOLS if any("<details" in section.content for section in page.sections) else None,
            *(section.as_html() for section in page.sections),
            id="content",
            tabindex=-1,
        ),
        tag("footer", page.closing),
        *(data_block(name, data) for name, data in page.data.items()),
        *(Html(f"<script>{script}</script>") for script in scripts),
    )
    return Html("<!doctype html>\n" + tag("html", head, body, lang="en") + "\n")


def made_by(words: str, page: Page) -> str:
    """Return the sentences at the foot of a page."""
    bokeh = "; charts by Bokeh (BSD 3-clause licence), which is part of this page" if page.plotting is not None else ""
    return f"{words}{bokeh}. The page loads nothing from the network."


def _own(name: str) -> str:
    return files("lostlink.report").joinpath(name).read_text(encoding="utf-8")


def _harmless(script: str) -> str:
    """Return a script that cannot end its element before its end; both forms mean the same in texts of JavaScript."""
    script = script.replace("\r\n", "\n").replace("\r", "\n")  # as a browser reads it, so that the digest fits
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _digest(script: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"


def facts(pairs: Sequence[tuple[str, str | None]]) -> Html:
    """Return a list of facts, name by name; those without a value are left out."""
    rows = [tag("div", tag("dt", name), tag("dd", value)) for name, value in pairs if value]
    return tag("dl", *rows, class_="facts")


def table(caption: str, head: Sequence[str], rows: Sequence[Sequence[str]], *, class_: str = "") -> Html:
    """Return a table that scrolls sideways on a narrow screen.

    The first cell of a row is its heading.
    """
    made = tag(
        "table",
        tag("caption", caption),
        tag("thead", tag("tr", *(tag("th", cell, scope="col") for cell in head))),
        tag("tbody", *(tag("tr", tag("th", row[0], scope="row"), *(tag("td", cell) for cell in row[1:]))
                       for row in rows)),
        class_=class_ or None,
    )  # fmt: skip
    return tag("div", made, class_="sideways", tabindex=0, role="region", aria_label=caption)


def paragraphs(*texts: str) -> Html:
    """Return a paragraph for each text."""
    return join(tag("p", text) for text in texts)


def text(value: Any) -> str:
    """Return a value of a file as text: nothing for null, JSON for what has parts."""
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
