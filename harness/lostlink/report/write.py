"""Writes a report from the files of an evidence folder alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from lostlink.errors import LostlinkError, UsageError
from lostlink.evidence.folder import EvidenceFolder
from lostlink.evidence.reader import Evidence, read_evidence
from lostlink.evidence.run_reader import read_runs
from lostlink.files import write_whole
from lostlink.report import attempts, captures, distributions, figures, timelines
from lostlink.report.first_screen import opening
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import Page, Section, html, made_by
from lostlink.report.rows import rows_of

FILE: Final = "report.html"

Maker = Callable[[Evidence, Page], list[Section]]
"""Returns the sections of one kind of evidence, empty without it, and adds their data to the page."""


def requirements(evidence: Evidence, page: Page) -> list[Section]:
    """Return the sections of the requirements, with their timelines."""
    runs, spoiled = read_runs(evidence.folder)
    rows = rows_of(evidence.document)
    shown = [(row, runs[row.id]) for row in rows if row.id in runs]
    made = timelines.sections(rows, runs, evidence.folder)
    if shown and page.plotting is None:
        made.insert(0, _without_charts())
    elif shown:
        for row, run in shown:
            page.data[timelines.block_id(row)] = {**run.data, "moments": timelines.moments(run), "events": []}
        most = max((run.data["channels"] for _, run in shown), key=len)
        roles = tuple(channel["role"] for channel in most)
        charts = figures.timeline_template(roles, on_air=any(run.has_packets for _, run in shown))
        page.data["timeline"] = {"charts": charts, "moments": figures.MOMENTS}
    if spoiled:
        lines = tag("ul", *(tag("li", line) for line in spoiled))
        made.append(Section(id="spoiled", title="Runs that could not be read", note=str(len(spoiled)), content=lines))
    return made


SECTIONS: Final[list[Maker]] = [captures.sections, attempts.sections, distributions.sections, requirements]
"""What each kind of evidence adds, in the order of the page."""


def write_report(folder: Path) -> Path:
    """See `lostlink.report.write_report`."""
    evidence = read_evidence(folder)
    document = evidence.document
    page = Page(title=f"Link evidence: {document.conclusion}", opening=opening(document, rows_of(document)))
    for maker in SECTIONS:
        page.sections += maker(evidence, page)
    page.closing = _closing(folder, page)
    file = folder / FILE
    if file.is_symlink():  # what it points to is not ours
        file.unlink()
    write_whole(file, html(page).encode(errors="replace").decode())
    return file


def complete(folder: EvidenceFolder) -> None:
    """Write the report of new evidence and move it to its place, also where the report cannot be written.

    Raises
    ------
    UsageError
        If the report cannot be written, or the evidence not moved.
    """
    try:
        write_report(folder.path)
    except (OSError, LostlinkError) as error:
        folder.complete()
        why = error.strerror if isinstance(error, OSError) else None
        raise UsageError(
            f"{folder.target / FILE}: {why or error}; all other files are written, and "
            f"`lostlink report {folder.target}` writes it later"
        ) from error
    folder.complete()


def _without_charts() -> Section:
    words = tag(
        "p",
        "The plotting library was not installed where this report was made, so it has tables and no charts. "
        "To get the charts: ",
        tag("code", f"{figures.MISSING} && lostlink report FOLDER"),
    )
    return Section(id="no-charts", title="Charts", content=words)


def _closing(folder: Path, page: Page) -> Html:
    names = ("verdicts.json", "summary.md", "profile.toml", "junit.xml", "campaign.json", "capture.json", "frames.csv")
    links = [tag("li", tag("a", name, href=name)) for name in names if (folder / name).is_file()]
    return join([
        made_by("Made by lostlink from the files in this folder", page),
        tag("ul", *links, class_="links") if links else None,
    ])  # fmt: skip
