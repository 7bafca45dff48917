"""A plan as an HTML page: conclusion, curves, tables, assumptions, cautions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from lostlink.report import figures
from lostlink.report.markup import join, tag
from lostlink.report.page import Page, Section, facts, first_screen, html, made_by, table

_COLORS: Final = ("throttle", "limit", "motor", "good")


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """A chart.

    Attributes
    ----------
    title, x_label, y_label : str
    x : sequence of float
    series : mapping of str to sequence of float
        Name to values. None leaves a gap, and so does what is not above 0 on a logarithmic axis, whose label says so.
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
    series: Mapping[str, Sequence[float | None]]
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
    about = tag("section", tag("h2", "What was planned", id="about"), facts(plan.about), aria_labelledby="about")
    opening = first_screen(("Plan", plan.title), tag("span", plan.sentence), None, "", about)
    page = Page(title=f"{plan.title}: {plan.sentence}", opening=opening)
    for number, curves in enumerate(plan.curves, start=1):
        label = f"{curves.y_label} against {curves.x_label}. The table has the values."
        if drawn := page.chart(f"plan-{number}", label, partial(_figure, curves)):
            content = tag("div", drawn, class_="panel")
            page.sections.append(Section(id=f"curve-{number}", title=curves.title, content=content))
    for number, (caption, head, rows) in enumerate(plan.tables, start=1):
        content = tag("div", table(caption, head, rows), class_="panel")
        page.sections.append(Section(id=f"table-{number}", title=f"{caption} in numbers", content=content))
    notes = join(tag("p", note) for note in plan.notes)
    page.sections.append(Section(id="assumptions", title="Assumptions", content=notes))
    page.closing = made_by("Made by lostlink", page)
    return html(page)


def _figure(curves: Curves) -> Any:
    from bokeh.models import Range1d

    colors = figures.TOKENS
    values = [value for row in curves.series.values() for value in row if value is not None and math.isfinite(value)]
    drawn = [value for value in values if value > 0] if curves.log_y else values
    low, high = (min(drawn), max(drawn)) if drawn else (0.1, 1.0)
    low = max(low, high * figures.DECADES) if curves.log_y else low
    if curves.limit is not None:
        low, high = min(low, curves.limit[1]), max(high, curves.limit[1])
    label = curves.y_label
    if curves.log_y and min(values, default=low) < low:
        label += f" (below {low:.0e}: not drawn)" if drawn else " (0: not drawn)"
    made = figures.curve_figure(420, curves.x_label, label, log_y=curves.log_y)
    for index, (name, row) in enumerate(curves.series.items()):
        points = [math.nan if y is None or math.isinf(y) or (curves.log_y and not y > 0) else y for y in row]
        look = {"line_color": getattr(colors, _COLORS[index % len(_COLORS)]), "legend_label": name}
        made.line(curves.x, points, line_width=2.5, line_dash=figures.DASHES[index % len(figures.DASHES)], **look)
        if alone := _alone(points):  # a line needs two points
            made.scatter([curves.x[at] for at in alone], [points[at] for at in alone], size=5, fill_color=None, **look)
    if curves.limit is not None:
        name, level = curves.limit
        made.segment([min(curves.x)], [level], [max(curves.x)], [level], line_color=colors.band, line_width=2,
                     line_dash="dashed", legend_label=name)  # fmt: skip
    for name, at in curves.marks.items():
        made.segment([at], [low], [at], [high], line_color=colors.mark, line_width=2, line_dash="dotdash",
                     legend_label=name)  # fmt: skip
    margin = 0.03 * (max(curves.x) - min(curves.x) or 1.0)
    made.x_range = Range1d(start=min(curves.x) - margin, end=max(curves.x) + margin)
    margin = (high - low or 1.0) * 0.05
    ends = (low / 2, high * 2) if curves.log_y else (low - margin, high + margin)
    made.y_range = Range1d(start=ends[0], end=ends[1])
    figures.dress_legend(made)
    return made


def _alone(values: Sequence[float]) -> list[int]:
    """Return the indices of values between two gaps."""
    padded = [math.nan, *values, math.nan]
    return [
        at for at, (before, value, after) in enumerate(zip(padded, values, padded[2:], strict=False))
        if math.isnan(before) and not math.isnan(value) and math.isnan(after)
    ]  # fmt: skip
