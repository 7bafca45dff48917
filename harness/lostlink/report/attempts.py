"""The attempts of a failsafe test with `watch`: a chart of each, and the table of ``attempts.csv``."""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Final

from lostlink.evidence.reader import Evidence
from lostlink.report import attempt_charts, figures, legends
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import Page, Section, table
from lostlink.watch.freeze import TimeInterval
from lostlink.watch.judging import CONDITIONS, text_of

_MOST: Final = 1000
_MOST_CHARTS: Final = 12


def sections(evidence: Evidence, page: Page) -> list[Section]:
    """Return the section of the attempts; empty if the folder is not of a failsafe test with `watch`."""
    folder = evidence.folder
    file = folder / "attempts.csv"
    if not file.is_file():
        return []
    try:
        with file.open(encoding="utf-8", newline="") as lines:
            head, *rows = itertools.islice(csv.reader(lines), _MOST + 1)
    except (OSError, ValueError, csv.Error) as error:
        words = f"attempts.csv: cannot be read ({type(error).__name__}: {error}); repeat the test to write it again"
        return [Section(id="attempts", title="Attempts", content=tag("p", words))]
    rows = [row for row in rows if row]
    names = [name.replace("_us", ", µs").replace("_", " ") for name in head]
    files = ("rows.csv", "columns.csv", "attempts.csv")
    links = [tag("a", name, href=name) for name in files if (folder / name).is_file()]
    content = join([
        *_charts(folder, page, head, rows),
        tag("p", f"Times are the host's; a hold time is a worst case. {CONDITIONS}"),
        table("Attempts: each time the handset was switched off", names, rows),
        tag("p", "All printed rows, the meaning of their columns, and the attempts: ", join(links, ", ")),
    ])  # fmt: skip
    return [Section(id="attempts", title="Attempts", note=str(len(rows)), content=tag("div", content, class_="panel"))]


def _charts(folder: Path, page: Page, head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[Html]:
    """Return the attempts as charts, with their instants in words."""
    try:
        printed = attempt_charts.read_rows(folder)
        attempts = [dict(zip(head, row, strict=False)) for row in rows[:_MOST_CHARTS]]
        instants = [attempt_charts.instants_of(attempt) for attempt in attempts]
    except (OSError, ValueError, StopIteration, csv.Error) as error:
        return [tag("p", f"The rows cannot be drawn ({type(error).__name__}: {error}); the table has the attempts.")]
    made: list[Html] = []
    for number, (attempt, at) in enumerate(zip(attempts, instants, strict=True), start=1):
        if not attempt.get("seen"):
            continue
        made.append(tag("h3", f"Attempt {attempt.get('attempt', number)}: {attempt['seen']}{_hold(attempt)}"))
        made += filter(None, [legends.moments(at.named)])
        if printed is None or not attempt_charts.is_drawable(printed, at):
            continue
        marks = "; ".join(f"{name} {time}" for _, name, time in at.named)
        label = f"Printed values of attempt {number} over time. {marks}. The file rows.csv has all values."
        drawn = page.chart(f"attempt-{number}", label, partial(attempt_charts.figure, printed, at))
        no_chart = tag("p", f"Without the plotting library no chart is drawn: {figures.MISSING}")
        made += [no_chart] if drawn is None else [drawn, attempt_charts.legend(printed)]
    if len(rows) > _MOST_CHARTS:
        made.append(tag("p", f"Only the first {_MOST_CHARTS} of {len(rows)} attempts are drawn."))
    return made


def _hold(attempt: dict[str, str]) -> str:
    """Return the hold time of an attempt, or nothing."""
    try:
        hold_us, uncertainty_us = float(attempt["hold_us"]), float(attempt["uncertainty_us"])
    except (KeyError, ValueError):
        return ""
    if not math.isfinite(hold_us + uncertainty_us):
        return ""
    return f", hold time {text_of(TimeInterval(round(hold_us - uncertainty_us), round(hold_us + uncertainty_us)))}"
