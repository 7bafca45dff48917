"""The chart of a failsafe test: it shows what the board printed, and the instants where they truly were."""

from __future__ import annotations

import bisect
import csv
import json
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from report.reporting import make_by_hand
from talking_board import TalkingBoard

from lostlink.report import figures, write_report
from lostlink.watch.judging import CONDITIONS
from lostlink_sims import Profile

needs_charts = pytest.mark.skipif(figures.plotting() is None, reason="the plotting library is not installed")


class Writing(TalkingBoard):
    """A board that keeps what it printed, and when."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self.printed: list[tuple[float, list[int]]] = []

    def _codes(self, at_s: float) -> list[int]:
        codes = super()._codes(at_s)
        self.printed.append((at_s, codes))
        return codes


class Blocks(HTMLParser):
    """The words of a page, and its blocks of data."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.data: dict[str, str] = {}
        self.words: list[str] = []
        self._block: str | None = None
        self._tag = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._tag, self._block = tag, dict(attrs).get("id") if tag == "script" else None

    def handle_endtag(self, tag: str) -> None:
        self._tag, self._block = "", None

    def handle_data(self, data: str) -> None:
        if self._block:
            self.data[self._block] = self.data.get(self._block, "") + data
        elif self._tag not in ("script", "style"):
            self.words.append(data)

    @property
    def said(self) -> str:
        return " ".join(" ".join(self.words).split())


def columns_of(item: Any) -> list[dict[str, list[Any]]]:
    """Return the columns of every data source of a chart."""
    found: list[dict[str, list[Any]]] = []
    if isinstance(item, dict):
        if item.get("name") == "ColumnDataSource":
            found.append(dict(item["attributes"]["data"]["entries"]))
        for value in item.values():
            found += columns_of(value)
    elif isinstance(item, list):
        for value in item:
            found += columns_of(value)
    return found


@needs_charts
@pytest.mark.parametrize("profile", [Profile(), None], ids=["profile", "no profile"])
def test_the_chart_shows_what_was_printed_and_when(profile: Profile | None, tmp_path: Path) -> None:
    """Each channel at each line; the handset went off inside the band, the failsafe came at its line."""
    board = Writing(lines_hz=100, late_s=0.0)
    page = Blocks(write_report(make_by_hand(board, tmp_path, profile)).read_text(encoding="utf-8"))
    sources = columns_of(json.loads(json.loads(page.data["attempt-1"])))
    begin_s, delay_s = 1.0, 0.0005 + 13 * 10 / board.baud  # the test begins at 1 s; a line of 12 or 13 bytes takes time
    lines = [source for source in sources if set(source) == {"x", "y"}]
    assert len(lines) == 4
    for channel, line in enumerate(lines):
        stamps = [at_s - begin_s + delay_s for at_s, _ in board.printed]
        for at_s in (line["x"][0] + 0.005 + 0.0497 * step for step in range(90)):
            row = bisect.bisect_right(line["x"], at_s) - 1
            truth = board.printed[bisect.bisect_right(stamps, at_s) - 1][1][channel]
            assert line["y"][row] == truth, (channel, at_s)
    off_s = board._off[0][0] - begin_s
    (band,) = (source for source in sources if "left" in source)
    assert band["left"][0] < off_s < band["right"][0]
    marks = {source["text"][0]: source["x"][0] for source in sources if "text" in source}
    assert list(marks) == ["told to switch off", "freeze", "failsafe"]
    assert marks["told to switch off"] < marks["freeze"] <= band["right"][0]
    assert marks["failsafe"] - off_s == pytest.approx(board.holds_s[0], abs=0.012)
    assert "time in the test, s" in page.data["attempt-1"]
    assert "printed value, codes" in page.data["attempt-1"]
    for words in ("told to switch off", "handset went off between", "freeze", "failsafe", CONDITIONS):
        assert words in page.said
    assert ("throttle idle: up to 13 codes" in page.said) == (profile is not None)
    assert "other requirements: printed values do not show them" in page.said


@needs_charts
@pytest.mark.parametrize(
    ("board", "marks"),
    [
        (TalkingBoard(hold_s=None), ["told to switch off", "freeze"]),
        (TalkingBoard(obeys=False), ["told to switch off"]),
        (TalkingBoard(failsafe=[127, 127, 100, 127]), ["told to switch off", "freeze", "other values"]),
    ],
    ids=["holds", "never off", "not idle"],
)
def test_what_did_not_happen_is_not_marked(board: TalkingBoard, marks: list[str], tmp_path: Path) -> None:
    page = Blocks(write_report(make_by_hand(board, tmp_path, Profile())).read_text(encoding="utf-8"))
    sources = columns_of(json.loads(json.loads(page.data["attempt-1"])))
    assert [source["text"][0] for source in sources if "text" in source] == marks
    assert any("left" in source for source in sources) == ("freeze" in marks)


@pytest.mark.parametrize(
    ("file", "change"),
    [
        ("rows.csv", lambda text: text.replace("127", "nan")),
        ("rows.csv", lambda text: ""),
        ("columns.csv", lambda text: text.replace("3,throttle", "99,throttle")),
        ("columns.csv", lambda text: text.replace("3,throttle", "x,throttle")),
        ("attempts.csv", lambda text: text.replace(text.splitlines()[1].split(",")[5], "1e999")),
        ("attempts.csv", lambda text: text.replace(text.splitlines()[1].split(",")[5], "soon")),
    ],
)
def test_edited_files_are_told(file: str, change: Any, tmp_path: Path) -> None:
    """A page is made all the same, with one sentence in place of the charts."""
    make_by_hand(TalkingBoard(), tmp_path, Profile())
    path = tmp_path / file
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")
    page = Blocks(write_report(tmp_path).read_text(encoding="utf-8"))
    assert "The rows cannot be drawn" in page.said
    assert "attempt-1" not in page.data


def test_files_of_an_earlier_version_have_a_table(tmp_path: Path) -> None:
    """Without ``columns.csv`` and the instants nothing is drawn."""
    make_by_hand(TalkingBoard(), tmp_path, Profile())
    (tmp_path / "columns.csv").unlink()
    page = Blocks(write_report(tmp_path).read_text(encoding="utf-8"))
    assert "attempt-1" not in page.data
    assert "Attempts: each time the handset was switched off" in page.said


def test_the_meaning_of_columns(tmp_path: Path) -> None:
    """A clock and a battery are no channels; the throttle's idle limit is in the unit of the numbers."""
    board = TalkingBoard(
        text=lambda at_s, codes: ",".join(map(str, [int(at_s * 1000), *(4 * c + 1 for c in codes), -70]))
    )
    make_by_hand(board, tmp_path, Profile())
    with (tmp_path / "columns.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert [row["meaning"] for row in rows] == [
        "time or counter", "channel", "channel", "throttle", "channel", "not a channel",
    ]  # fmt: skip
    assert [row["name"] for row in rows] == ["", "roll", "pitch", "throttle", "yaw", ""]
    assert rows[3]["unit"] == "counts"
    assert float(rows[3]["idle_up_to"]) == 55  # 1000 + 13 * 1000 // 255 is 1050 us, and code 13 is counts 52 to 55
