"""The evidence of a failsafe test: ``rows.csv``, ``columns.csv``, ``attempts.csv``, its head and ``summary.md``."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Sequence
from typing import Any, Final

from lostlink.evidence import summary
from lostlink.evidence.document import Document, run_head
from lostlink.watch.columns import ColumnLayout, PrintedRow
from lostlink.watch.judging import Attempt, how_known, moved, remarks, sentence, text_of
from lostlink.watch.units import names_of, scale_for
from lostlink_sims import Profile

_NO_DIGEST: Final = "0" * 64


def watch_head(profile: Profile | None, profile_file: str | None, port: str, started: dt.datetime) -> dict[str, Any]:
    """Return what was tested; without a profile its digest is 64 zeros."""
    head = run_head(
        profile or Profile(name="none given"), profile_file=profile_file, receiver=f"the board on {port}", rig="watch",
        seed=0, only=[], started=started,
    )  # fmt: skip
    if profile is None:
        head["profile_sha256"] = _NO_DIGEST
    return head


def files(
    rows: Sequence[PrintedRow],
    layout: ColumnLayout | None,
    origin_ns: int,
    attempts: Sequence[Attempt],
    profile: Profile | None = None,
) -> dict[str, str]:
    """Return every row as it was printed, the meaning of its columns, and the attempts, by file name."""
    return {
        "rows.csv": _rows_csv(rows, layout, origin_ns),
        "columns.csv": _columns_csv(layout, profile),
        "attempts.csv": _attempts_csv(attempts),
    }


def _columns_csv(layout: ColumnLayout | None, profile: Profile | None) -> str:
    """Return the meaning of each column of the rows: a channel with its name and unit, or what else it is."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("column", "name", "meaning", "unit", "idle_up_to"))
    if layout is None:
        return text.getvalue()
    scale = scale_for(layout.kind, profile, layout.reach)
    names = dict(zip(layout.channels, names_of(layout, profile), strict=True))
    throttle = None if profile is None else profile.throttle_index
    for column in range(layout.width):
        if column not in names:
            meaning = "time or counter" if column in layout.clocks else "not a channel"
            writer.writerow((column + 1, layout.names[column], meaning, "", ""))
            continue
        is_throttle = layout.channels.index(column) == throttle
        idle = scale.largest_up_to(profile.requirements.idle_below_us) if profile and is_throttle else ""
        writer.writerow((column + 1, names[column], "throttle" if is_throttle else "channel", scale.unit, idle))
    return text.getvalue()


def _rows_csv(rows: Sequence[PrintedRow], layout: ColumnLayout | None, origin_ns: int) -> str:
    """Return all rows: arrival, arrival of the previous data, and every column as printed."""
    width = layout.width if layout else 0
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    names = [layout.names[index] or f"column {index + 1}" for index in range(width)] if layout else []
    writer.writerow(("at_us", "after_us", *names))
    for row in rows:
        stamps = ((row.at_ns - origin_ns) // 1000, (row.since_ns - origin_ns) // 1000)
        writer.writerow((*stamps, *(f"{value:.12g}" for value in row.values)))
    return text.getvalue()


def _attempts_csv(attempts: Sequence[Attempt]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ("attempt", "seen", "hold_us", "uncertainty_us", "watched_us", "told_at_us", "off_from_us", "off_until_us",
         "frozen_at_us", "other_values_at_us", "last_change_at_us", "last_line_at_us", "line_interval_us",
         "change_interval_us", "lost_packet_us", "jitter_us")
    )  # fmt: skip
    for number, attempt in enumerate(attempts, 1):
        hold = attempt.hold
        times = (round(hold.middle_us), round(hold.half_us)) if hold else (None, None)
        writer.writerow(
            (number, attempt.result.value, *times, attempt.watched_us, attempt.told_us, *_instants(attempt))
        )
    return text.getvalue()


def _instants(attempt: Attempt) -> tuple[int | None, ...]:
    """Return the instants and the contributions to the uncertainty; None where there is none."""
    analysis = attempt.analysis
    if analysis is None:
        return (None,) * 10
    budget, off = analysis.budget, analysis.off
    off_us = (None, None) if off is None else (off.low_us, off.high_us)
    is_frozen = off is not None
    instants = (analysis.frozen_us if is_frozen else None, analysis.other_us, analysis.last_us, analysis.last_row_us)
    lost_us = budget.lost_packet_us
    return (*off_us, *instants, budget.line_interval_us, budget.change_interval_us, lost_us, budget.jitter_us)


def summary_text(document: Document, attempts: Sequence[Attempt], names: Sequence[str]) -> str:
    """Return the test as Markdown."""
    tested = document.tested
    no_profile = tested["profile_sha256"] == _NO_DIGEST
    about = summary.about(tested)
    if no_profile:
        about = f"No profile, {about.partition(', ')[2]}"
    rows, notes = [], []
    for number, attempt in enumerate(attempts, 1):
        rows.append((str(number), attempt.result.value, text_of(attempt.hold) if attempt.hold else ""))
        texts = (sentence(attempt), how_known(attempt), *remarks(attempt, names), moved(attempt, names))
        notes += ["", f"{number}. " + " ".join(text for text in texts if text)]
    return summary.page(
        "Failsafe test by hand",
        document.conclusion,
        [f"{about} The values are those that the board printed; times are the host's."],
        summary.verdict_table(document.verdicts) if document.verdicts else [],
        summary.table(("attempt", "result", "hold time"), rows) if rows else [],
        notes[1:],
    )
