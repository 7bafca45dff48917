"""The attempts of a failsafe test with `watch`, from ``attempts.csv``."""

from __future__ import annotations

import csv
import itertools
from typing import Final

from lostlink.evidence.reader import Evidence
from lostlink.report.markup import join, tag
from lostlink.report.page import Page, Section, table

_MOST: Final = 1000


def sections(evidence: Evidence, page: Page) -> list[Section]:
    """Return the section of the attempts; empty if the folder is not of a failsafe test with `watch`."""
    del page
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
    names = [name.replace("_us", ", µs").replace("_", " ") for name in head]
    links = [tag("a", name, href=name) for name in ("rows.csv", "attempts.csv") if (folder / name).is_file()]
    content = join([
        table("Attempts: each time the handset was switched off", names, [row for row in rows if row]),
        tag("p", "All printed rows, and the attempts: ", join(links, ", ")),
    ])  # fmt: skip
    return [Section(id="attempts", title="Attempts", note=str(len(rows)), content=tag("div", content, class_="panel"))]
