"""Rows split all at once are read as rows read one by one: the same losses, and the same complaints."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lostlink.errors import CaptureError
from lostlink.planning import loss_log

EVEN = {
    "a column": "lost\n0\n1\n0\n",
    "no header": "0\n1\n0\n",
    "comments above": "# mine\nlogger 3\n\npacket;lost;note\n1;0;a\n2; 1 ;b\n",
    "a counter": "counter\n65534\n65535\n2\n",
    "late, twice, restarted": "counter\tx\n5\ta\n6\ta\n9\tb\n8\tb\n8\tb\n10\tb\n0\tc\n1\tc\n",
    "times": "time_ms,counter\n0.5,7\n5.5,8\n20.5,11\n1300,0\n",
}
UNEVEN = {
    "a short row": "a,lost\n1,0\n1\n",
    "quotes": 'lost,note\n0,"a,b"\n1,c\n',
    "a comment inside": "lost\n0\n# noon\n1\n",
    "an empty line inside": "lost\n0\n\n1\n",
    "nothing below": "lost\n",
    "nothing": "",
    "no column": "time,value\n1,2\n",
}


def result(path: Path, text: str) -> tuple[list[bool], list[str]] | str:
    path.write_text(text, encoding="utf-8")
    try:
        log = loss_log.read_loss_log(str(path), interval_us=5000)
    except CaptureError as error:
        return str(error)
    return log.lost.tolist(), log.notes


def row_by_row(path: Path, text: str, monkeypatch: pytest.MonkeyPatch) -> tuple[list[bool], list[str]] | str:
    with monkeypatch.context() as patch:
        patch.setattr(loss_log, "_plain_table", lambda *_: None)
        return result(path, text)


@pytest.mark.parametrize("text", EVEN.values(), ids=EVEN)
def test_even_rows_are_split_at_once(text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert loss_log._plain_table("log.csv", text) is not None
    found = result(tmp_path / "log.csv", text)
    assert not isinstance(found, str)
    assert found == row_by_row(tmp_path / "log.csv", text, monkeypatch)


@pytest.mark.parametrize("text", UNEVEN.values(), ids=UNEVEN)
def test_other_rows_are_read_one_by_one(text: str) -> None:
    assert loss_log._plain_table("log.csv", text) is None


def test_spoiled_logs_are_read_alike(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, long: bool) -> None:
    """One to three characters of a log replaced, removed or added; ``--long``: 20 000 logs."""
    draw, path = np.random.default_rng(5), tmp_path / "log.csv"
    logs = [*EVEN.values(), *UNEVEN.values()]
    complaints = at_once = 0
    for _ in range(20_000 if long else 600):
        text = logs[draw.integers(len(logs))]
        for _ in range(draw.integers(1, 4)):
            at, end = draw.integers(len(text) + 1), draw.integers(2)
            text = text[:at] + draw.choice(["", *'01259,;\t\n\r#".x- \x0b\x1c٣\0']) + text[at + end :]
        found = result(path, text)
        assert found == row_by_row(path, text, monkeypatch), repr(text)
        complaints += isinstance(found, str)
        at_once += loss_log._plain_table("log.csv", text) is not None
    assert complaints > 100
    assert at_once > 100


def test_a_long_field_is_a_complaint(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where another column is wanted: the reader of rows refuses fields above 128 KiB."""
    text = "lost,note\n0,a\n1," + "b" * 200_000 + "\n"
    found = result(tmp_path / "log.csv", text)
    assert isinstance(found, str)
    assert "log.csv:3: not a CSV row (field larger than field limit (131072))" in found
    assert found == row_by_row(tmp_path / "log.csv", text, monkeypatch)


@pytest.mark.parametrize("clock", ["", "time_ms", "time_us"])
def test_a_large_log(clock: str, tmp_path: Path) -> None:
    """100 000 packets by losses, and by counter with times: what was drawn comes back."""
    lost = np.random.default_rng(3).random(100_000) < 0.05
    lost[[0, -1]] = False
    path, got = tmp_path / "log.csv", np.flatnonzero(~lost)
    scale = {"time_ms": 5.0, "time_us": 5000.0}.get(clock)
    if scale is None:
        path.write_text("lost\n" + "\n".join(map(str, lost.astype(int).tolist())), encoding="utf-8")
    else:
        rows = (f"{at * scale:.3f},{at % 256}" for at in got.tolist())
        path.write_text("\n".join([f"{clock},counter", *rows]), encoding="utf-8")
    log = loss_log.read_loss_log(str(path), interval_us=5000, counter_bits=8)
    assert (log.lost == lost).all()
