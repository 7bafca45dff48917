"""The page: one self-contained file with two scripts, ``viewer.js`` and the plotting library's.

A `Section` is a heading and its content; `html` puts sections on a page with a skip link, contents and landmarks.
The content security policy names the scripts by their digests (CSP level 3): an injected script does not run, and
nothing is loaded from the network.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, Final

from lostlink.report import figures, palette
from lostlink.report.markup import Html, data_block, join, tag
from lostlink.results import CAUTIONS

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
        The anchor.
    title : str
        The heading, and the entry in the contents.
    content : Html
    note : str
        Beside the entry in the contents: a count, or empty.
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
    """The contents of a page.

    Attributes
    ----------
    title : str
        Window title.
    opening : Html
        The first screen, with the only first-level heading.
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
    plotting: str | None = field(default_factory=lambda: figures.plotting())
    closing: Html = field(default_factory=Html)

    def chart(self, block_id: str, label: str, figure: Callable[[], Any]) -> Html | None:
        """Add a chart to the page's data and return its element; None without the plotting library.

        Parameters
        ----------
        label : str
            Description for screen readers; a table beside the chart should have the numbers.
        figure : callable
            Returns the chart, a figure of `figures.curve_figure`.
        """
        if self.plotting is None:
            return None
        drawn = figure()
        self.data[block_id] = figures.item(drawn)
        canvas = tag("div", role="img", aria_label=label, data_item=block_id, style=f"min-height:{drawn.height}px")
        keys = tag("p", "Keys: + and − zoom, arrows move, 0 shows all. Drag moves; Ctrl and wheel zoom.", class_="keys")
        name = f"Chart. Keys: + − arrows 0. {label}"
        return tag("div", tag("div", canvas, class_="view", tabindex=0, role="group", aria_label=name), keys,
                   class_="chart")  # fmt: skip


def html(page: Page) -> Html:
    """Return the whole page."""
    scripts = [_harmless(script) for script in (page.plotting, _own("viewer.js")) if script is not None]
    schemes = {"light": figures.scheme(palette.LIGHT), "dark": figures.scheme(palette.DARK)}
    entries = [
        tag("li", tag("a", section.title, href=f"#{section.id}"), tag("span", section.note) if section.note else None)
        for section in page.sections
    ]
    has_details = any("<details" in section.content for section in page.sections)
    body = tag(
        "body",
        tag("a", "Skip to the verdicts", href="#content", class_="skip"),
        tag("header", page.opening, id="top"),
        tag("nav", tag("ul", *entries), aria_label="Contents"),
        tag("main", _TOOLS if has_details else None, *(section.as_html() for section in page.sections),
            id="content", tabindex=-1),
        tag("footer", page.closing),
        *(data_block(name, data) for name, data in {**page.data, "schemes": schemes}.items()),
        *(Html(f"<script>{script}</script>") for script in scripts),
    )  # fmt: skip
    return Html("<!doctype html>\n" + tag("html", _head(page.title, scripts), body, lang="en") + "\n")


def _head(title: str, scripts: list[str]) -> Html:
    policy = (
        "default-src 'none'; "
        f"script-src {' '.join(map(_digest, scripts))}; "
        "style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    style = _own("style.css")
    style = style.replace("/* light */", palette.LIGHT.as_css()).replace("/* dark */", palette.DARK.as_css())
    return tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", title),
        Html(f"<style>{style}</style>"),
    )


def first_screen(over: tuple[str, str], heading: Html, below: Html | None, kind: str, *blocks: Html) -> Html:
    """Return the top of a page: what it is about, the conclusion, blocks, and the cautions.

    Parameters
    ----------
    over : tuple of (str, str)
        The kind of page, and the name of its subject.
    heading : Html
        The conclusion.
    below : Html or None
        Under the conclusion.
    kind : str
        Colour class of the conclusion; empty for none.
    """
    name = tag("span", over[1]) if over[1] else None
    cautions = tag(
        "section",
        tag("h2", "Cautions", id="cautions"),
        tag("ul", *(tag("li", caution) for caution in CAUTIONS)),  # those of this version, not of the file
        class_="cautions",
        aria_labelledby="cautions",
    )
    conclusion = tag("div", tag("p", over[0], name, class_="over"), tag("h1", heading), below,
                     class_=f"conclusion {kind}".strip())  # fmt: skip
    return join([conclusion, tag("div", *blocks, cautions, class_="screen")])


def made_by(words: str, page: Page) -> Html:
    """Return the paragraph at the foot of a page."""
    bokeh = "; charts by Bokeh (BSD 3-clause licence), which is part of this page" if page.plotting is not None else ""
    return tag("p", f"{words}{bokeh}. The page loads nothing from the network.")


def _own(name: str) -> str:
    return files("lostlink.report").joinpath(name).read_text(encoding="utf-8")


def _harmless(script: str) -> str:
    """Return a script whose strings cannot close the script element; JavaScript reads both forms alike."""
    script = script.replace("\r\n", "\n").replace("\r", "\n")  # a browser's digest is of this form
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _digest(script: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"


def facts(pairs: Sequence[tuple[str, str | None]]) -> Html:
    """Return a list of names and values; pairs without a value are left out."""
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


def text(value: Any) -> str:
    """Return a value of a JSON file as text: empty for null, JSON for lists and objects."""
    if value is None:
        return ""
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
