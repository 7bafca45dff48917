"""A plan as an HTML page: conclusion, curves, tables, assumptions, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from lostlink.report import figures, palette
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import Page, Section, chart, facts, html, made_by, paragraphs, table
from lostlink.results import CAUTIONS

_HEIGHT: Final = 420
_COLORS: Final = ("throttle", "limit", "motor", "good")


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """A chart.

    Attributes
    ----------
    title, x_label, y_label : str
    x : sequence of float
    series : dict of str to sequence of float
        Name to values; None and what is not above 0 on a logarithmic axis is left out.
    marks : dict of str to float
        Vertical lines.
    limit : tuple of (str, float), optional
        Name and value of a horizontal line.
    log_y : bool
    """

    title: str
    x_label: str
    y_label: str
    x: Sequence[float]
    series: dict[str, Sequence[float | None]]
    marks: dict[str, float]
    limit: tuple[str, float] | None = None
    log_y: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPage:
    """The contents of a plan's page.

    Attributes
    ----------
    title, sentence : str
    about : list of (str, str)
        Names and values for the first screen.
    curves : list of Curves
    tables : list of (caption, head, rows)
    notes : list of str
        Assumptions.
    """

    title: str
    sentence: str
    about: list[tuple[str, str]]
    curves: list[Curves]
    tables: list[tuple[str, Sequence[str], list[Sequence[str]]]]
    notes: list[str]


def plan_text(plan: PlanPage) -> str:
    """Return the page as HTML."""
    page = Page(title=f"{plan.title}: {plan.sentence}", opening=_opening(plan), plotting=figures.plotting())
    for number, curves in enumerate(plan.curves, start=1):
        if page.plotting is None:
            break
        block = f"plan-{number}"
        page.data[block] = figures.item(_figure(curves))
        label = f"{curves.y_label} against {curves.x_label}. The table has the values."
        content = tag("div", chart(block, label, _HEIGHT), class_="panel")
        page.sections.append(Section(id=f"curve-{number}", title=curves.title, content=content))
    for number, (caption, head, rows) in enumerate(plan.tables, start=1):
        content = tag("div", table(caption, head, rows), class_="panel")
        page.sections.append(Section(id=f"table-{number}", title=f"{caption} in numbers", content=content))
    page.sections.append(Section(id="assumptions", title="Assumptions", content=paragraphs(*plan.notes)))
    page.data["schemes"] = {"light": figures.scheme(palette.LIGHT), "dark": figures.scheme(palette.DARK)}
    page.closing = paragraphs(made_by("Made by lostlink", page))
    return html(page)


def _opening(plan: PlanPage) -> Html:
    heading = tag("h1", tag("span", plan.sentence))
    over = tag("p", "Plan", tag("span", plan.title), class_="over")
    cautions = tag(
        "section", tag("h2", "Cautions", id="cautions"), tag("ul", *(tag("li", caution) for caution in CAUTIONS)),
        class_="cautions", aria_labelledby="cautions",
    )  # fmt: skip
    about = tag("section", tag("h2", "What was planned", id="about"), facts(plan.about), aria_labelledby="about")
    return join([tag("div", over, heading, class_="conclusion"), tag("div", about, cautions, class_="screen")])


def _figure(curves: Curves) -> Any:
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    colors = figures.TOKENS
    made = figure(
        height=_HEIGHT, sizing_mode="stretch_width", min_width=200, toolbar_location=None, tools="",
        y_axis_type="log" if curves.log_y else "auto", x_axis_label=curves.x_label, y_axis_label=curves.y_label,
    )  # fmt: skip
    figures.furnish(made, colors)
    drawn: list[float] = []
    for index, (name, values) in enumerate(curves.series.items()):
        points = [
            (x, y)
            for x, y in zip(curves.x, values, strict=True)
            if y is not None and y == y and (y > 0 or not curves.log_y) and abs(y) != float("inf")
        ]
        if points:
            drawn += [y for _, y in points]
            made.line([x for x, _ in points], [y for _, y in points], line_width=2.5, legend_label=name,
                      line_color=getattr(colors, _COLORS[index % len(_COLORS)]),
                      line_dash=figures.DASHES[index % len(figures.DASHES)])  # fmt: skip
    low, high = (min(drawn), max(drawn)) if drawn else (0.1, 1.0)
    if curves.log_y:
        low = max(low, high * 1e-15)
    if curves.limit is not None:
        name, level = curves.limit
        low, high = min(low, level), max(high, level)
        made.segment([min(curves.x)], [level], [max(curves.x)], [level], line_color=colors.band, line_width=2,
                     line_dash="dashed", legend_label=name)  # fmt: skip
    for name, at in curves.marks.items():
        made.segment([at], [low], [at], [high], line_color=colors.mark, line_width=2, line_dash="dotdash",
                     legend_label=name)  # fmt: skip
    air = 0.03 * (max(curves.x) - min(curves.x) or 1.0)
    made.x_range = Range1d(start=min(curves.x) - air, end=max(curves.x) + air)
    room = (high - low or 1.0) * 0.05
    made.y_range = Range1d(start=low / 2, end=high * 2) if curves.log_y else Range1d(start=low - room, end=high + room)
    figures.dress_legend(made, colors)
    return made
