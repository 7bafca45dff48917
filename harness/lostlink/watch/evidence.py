"""The evidence of a failsafe test: ``rows.csv``, ``attempts.csv``, ``summary.md``, ``verdicts.json``.

``verdicts.json`` has the layout of `lostlink.evidence.VERDICTS_SCHEMA`. Without a profile its digest is 64 zeros.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from lostlink.bench.columns import Layout, Row
from lostlink.evidence import CAUTIONS, tested
from lostlink.verdicts import Outcome, Verdict
from lostlink.watch.results import Attempt, how_known, remarks, sentence, text_of
from lostlink.watch.screen import moved
from lostlink_sims import Profile

FILES: Final = ("rows.csv", "attempts.csv")
_NO_DIGEST: Final = "0" * 64


def head(profile: Profile | None, profile_file: str | None, port: str, started: dt.datetime) -> dict[str, Any]:
    """Return what was tested."""
    found = tested(
        profile or Profile(name="none given"),
        profile_file=profile_file, receiver=None, rig="watch", seed=0, only=[], started=started,
    )  # fmt: skip
    found["receiver"] = f"the board behind {port}"
    if profile is None:
        found["profile_sha256"] = _NO_DIGEST
    return found


def write(
    folder: Path,
    *,
    said: str,
    exit_code: int,
    tested_head: dict[str, Any],
    attempts: Sequence[Attempt] = (),
    verdicts: Sequence[Verdict] = (),
    names: Sequence[str] = (),
) -> None:
    """Write what was found so far; the rows are written by `write_rows`."""
    document = {
        "schema": 1,
        "conclusion": said,
        "exit_code": exit_code,
        "cautions": list(CAUTIONS),
        "tested": tested_head,
        "verdicts": [verdict.as_dict() for verdict in verdicts],
    }
    text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
    (folder / "verdicts.json").write_text(text, encoding="utf-8")
    (folder / "summary.md").write_text(_summary(attempts, verdicts, said, tested_head, names), encoding="utf-8")
    (folder / "attempts.csv").write_text(_attempts_csv(attempts), encoding="utf-8")


def write_rows(folder: Path, rows: Sequence[Row], layout: Layout | None, origin_ns: int) -> None:
    """Write all rows: instant, the instant after which the line's end came, and every column as it was printed."""
    width = layout.width if layout else 0
    with (folder / "rows.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        names = [layout.names[place] or f"column {place + 1}" for place in range(width)] if layout else []
        writer.writerow(("at_us", "after_us", *names))
        for row in rows:
            stamps = ((row.at_ns - origin_ns) // 1000, (row.since_ns - origin_ns) // 1000)
            writer.writerow((*stamps, *(f"{value:.12g}" for value in row.values)))


def _attempts_csv(attempts: Sequence[Attempt]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ("attempt", "seen", "hold_us", "uncertainty_us", "watched_us", "frozen_at_us", "last_change_at_us",
         "line_interval_us", "change_interval_us", "jitter_us")
    )  # fmt: skip
    for number, attempt in enumerate(attempts, 1):
        look, hold = attempt.look, attempt.hold
        times = (round(hold.middle_us), round(hold.half_us)) if hold else ("", "")
        instants = (
            (look.frozen_us, look.last_us, look.line_interval_us, look.change_interval_us, look.jitter_us)
            if look
            else ("",) * 5
        )
        writer.writerow((number, attempt.seen.value, *times, attempt.watched_us, *instants))
    return text.getvalue()


def _summary(
    attempts: Sequence[Attempt],
    verdicts: Sequence[Verdict],
    said: str,
    tested_head: dict[str, Any],
    names: Sequence[str],
) -> str:
    digest = tested_head["profile_sha256"]
    profile = "No profile" if digest == _NO_DIGEST else f"Profile **{tested_head['profile']}** ({digest[:12]})"
    lines = [
        "# Failsafe test by hand",
        "",
        f"**{said}**",
        "",
        f"{profile}, receiver: {tested_head['receiver']}, {tested_head['date']}, "
        f"lostlink {tested_head['versions']['lostlink']}. The values are those that the board printed; "
        "instants are the host's.",
    ]
    if verdicts:
        lines += ["", "| | requirement | verdict | measured | limit |", "|---|---|---|---|---|"]
        lines += [_verdict_row(verdict) for verdict in verdicts]
    if attempts:
        lines += ["", "| attempt | seen | hold time |", "|---|---|---|"]
    for number, attempt in enumerate(attempts, 1):
        hold = text_of(attempt.hold) if attempt.hold else ""
        lines.append(f"| {number} | {attempt.seen.value} | {hold} |")
    for number, attempt in enumerate(attempts, 1):
        texts = (sentence(attempt), how_known(attempt), *remarks(attempt, names), moved(attempt, names))
        lines += ["", f"{number}. " + " ".join(text for text in texts if text)]
    lines += ["", *(f"- {caution}" for caution in CAUTIONS)]
    return "\n".join(lines) + "\n"


def _verdict_row(verdict: Verdict) -> str:
    said = "; ".join(text for text in (verdict.measured, verdict.reason) if text)
    mark = verdict.outcome.value if verdict.outcome is Outcome.MET else f"**{verdict.outcome.value}**"
    cells = (verdict.requirement.id, verdict.requirement.sentence, mark, said, verdict.limit)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
