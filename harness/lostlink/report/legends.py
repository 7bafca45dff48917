"""Legends beside charts: line samples as pictures, with their names."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from lostlink.report.figures import DASHES
from lostlink.report.markup import Html, tag

_DASH_LENGTHS: Final[dict[Any, str]] = {
    "solid": "", "dashed": "6 3", "dotted": "2 3", "dotdash": "2 3 6 3", "dashdot": "6 3 2 3"
}  # fmt: skip


def sample(kind: str, dash: Any = "solid") -> Html:
    """Return a line of a chart as a small picture.

    Parameters
    ----------
    kind : str
        Class of the style sheet.
    dash : str or list of int
        One of `DASHES`.
    """
    lengths = _DASH_LENGTHS[dash] if isinstance(dash, str) else " ".join(map(str, dash))
    line = tag("path", d="M1 6H35", stroke_dasharray=lengths or None)
    return tag("svg", line, class_=f"sample {kind}", viewBox="0 0 36 12", width=36, height=12, aria_hidden="true")


def channels(named: Iterable[tuple[str, str]], *more: Html) -> Html:
    """Return the line styles of channels, by name and role; channels other than the throttle take `DASHES` in turn."""
    rows, turn = [], 0
    for name, role in named:
        if role == "throttle":
            rows.append(tag("li", sample("c-throttle"), name))
            continue
        rows.append(tag("li", sample("c-arm" if role == "arm" else "c-other", DASHES[turn % len(DASHES)]), name))
        turn += 1
    return tag("ul", *rows, *more, class_="legend", aria_label="Line styles of the channels")


def moments(named: Iterable[tuple[str, str, str]]) -> Html | None:
    """Return the marks of a chart: style, name and time of each; None without any."""
    rows = [tag("li", sample(f"m-{kind}"), tag("span", name), " ", tag("span", at)) for kind, name, at in named]
    return tag("ul", *rows, class_="legend moments", aria_label="Moments marked in the charts") if rows else None
