"""What a capture shows, from ``capture.json``: strips of the channels, events with the hold time, sampling."""

from __future__ import annotations

from lostlink.captures import evidence_files
from lostlink.errors import EvidenceError
from lostlink.evidence.reader import Evidence
from lostlink.evidence.schemas import read_json
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import Page, Section, facts, table
from lostlink.results import CAPTURE_SHOWS


def sections(evidence: Evidence, page: Page) -> list[Section]:
    """Return the section of the capture; empty if the folder is not of `read`."""
    del page
    file = evidence.folder / evidence_files.FILE
    if not file.is_file():
        return []
    try:
        shown = read_json(file, evidence_files.SCHEMA)
    except EvidenceError as error:
        return [Section(id="capture", title="Pulse train", content=tag("p", f"It cannot be shown: {error}"))]
    head, *channels = shown["channels"]
    picture = tag(
        "pre", "\n".join([*shown["strips"], "", shown["legend"]]), class_="strips", tabindex=0, role="group",
        aria_label="Each channel over the whole capture, as bars; the table below has the values",
    )  # fmt: skip
    content = join([
        tag("p", CAPTURE_SHOWS),
        picture,
        table("Channels", head, channels),
        *_events(shown),
        facts([(name, value) for name, value in shown["about"]]),
    ])  # fmt: skip
    return [Section(id="capture", title="Pulse train", content=tag("div", content, class_="panel"))]


def _events(shown: dict[str, list[list[str]]]) -> list[Html]:
    if not shown["events"]:
        return []
    caption = "Events, on the time axis of the file"
    return [table(caption, ("time", "event"), shown["events"], class_="events"), tag("p", str(shown["motors"]))]
