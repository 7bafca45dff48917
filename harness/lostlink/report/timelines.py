"""The requirements, one row each; opened, the finding and the run that shows it, as charts and tables."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from lostlink.evidence.run_reader import Run
from lostlink.evidence.timeline import seconds
from lostlink.report import legends
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import Section, facts, table
from lostlink.report.rows import RequirementRow, mark
from lostlink.verdicts import Outcome, Severity, counted, quantity

MOST_ROWS: Final = 24
"""Changes shown in the first table; a second one, closed at first, has all."""
_OPEN_AT_FIRST: Final = 3
_KEYS: Final = "Keys: + and − zoom, arrows move, 0 whole run, Home back to the moment judged."
_BUTTONS: Final = (
    ("in", "+", "Zoom in"),
    ("out", "−", "Zoom out"),
    ("left", "←", "Earlier"),
    ("right", "→", "Later"),
    ("home", "Moment", "Show the moment judged"),
    ("all", "Whole run", "Show the whole run"),
)


def sections(rows: Sequence[RequirementRow], runs: dict[str, Run], folder: Path) -> list[Section]:
    """Return a section for each severity."""
    made: list[Section] = []
    failed = [row.anchor for row in rows if row.outcome is Outcome.NOT_MET][:_OPEN_AT_FIRST]
    for severity in Severity:
        of_severity = [row for row in rows if row.verdict.requirement.severity is severity]
        if not of_severity:
            continue
        parts = [requirement(row, runs.get(row.id), folder, is_open=row.anchor in failed) for row in of_severity]
        not_shown = sum(row.outcome is not Outcome.MET for row in of_severity)
        note = f"{len(parts)}, {not_shown} not shown to be met" if not_shown else f"{len(parts)}"
        intro = tag("p", f"If one of these is not met: {severity.meaning}.")
        content = join([intro, tag("div", *parts, class_="rows")])
        title = f"{severity.value.capitalize()} requirements"
        made.append(Section(id=f"severity-{len(made) + 1}", title=title, note=note, content=content))
    return made


def requirement(row: RequirementRow, run: Run | None, folder: Path, *, is_open: bool) -> Html:
    """Return one requirement."""
    verdict, required = row.verdict, row.verdict.requirement
    text = verdict.measured or verdict.reason
    summary = tag(
        "summary",
        mark(row.outcome),
        tag("b", row.id),
        tag("span", verdict.statement, class_="sentence"),
        tag("span", text, tag("small", f"limit: {verdict.limit}") if verdict.limit else None, class_="finding"),
    )
    failed = row.outcome is Outcome.NOT_MET
    pairs = [
        ("required" if failed else "if not met", required.sentence if failed else required.fault),
        ("reason", verdict.remark if verdict.remark != text else ""),
        ("evidence type", verdict.how_seen),
        ("tested in", _tested_in(row, run)),
    ]
    pairs.append(("varied in", str(verdict.varied) if verdict.varied else ""))
    files = _files(row, folder)
    again = tag("p", "Reproduce: ", tag("code", verdict.replay), class_="replay") if verdict.replay else None
    shown = timeline(row, run) if run is not None else None
    return tag("details", summary, tag("div", facts(pairs), again, shown, _varied(row), files, class_="body"),
               id=row.anchor, open=is_open)  # fmt: skip


def _tested_in(row: RequirementRow, run: Run | None) -> str:
    verdict = row.verdict
    if not verdict.runs or (run is not None and not run.has_packets and not verdict.checks):
        return ""
    checks = counted(verdict.checks, "measurement")
    return checks if run is not None and not run.has_packets else f"{counted(verdict.runs, 'run')}, {checks}"


def _varied(row: RequirementRow) -> Html | None:
    """Return a table of what the varied flights of a requirement had; closed at first."""
    varied = row.verdict.varied
    if varied is None:
        return None
    rows = [
        (name, "; ".join(f"{value} ({count})" for value, count in values.items() if count),
         "; ".join(value for value, count in values.items() if not count) or "–")
        for name, values in varied.values.items() if values
    ]  # fmt: skip
    rows += [("not flown by this rig", f"{count}", reason) for reason, count in varied.left_out.items()]
    shown = table(f"{row.id}: values of each dimension, with flights", ("dimension", "flown", "not flown"), rows)
    return tag("details", tag("summary", f"What was varied: {varied}"), shown, class_="words")


def _files(row: RequirementRow, folder: Path) -> Html | None:
    """Return links to the files of a failed run in the evidence folder."""
    kinds = ((".txt", "finding"), (".csv", "all events"), (".vcd", "signals"), (".scenario.toml", "scenario to replay"))
    if not row.id or not all(character.isalnum() or character in "-_" for character in row.id):
        return None
    names = [(f"failing/{row.id}{ending}", what) for ending, what in kinds]
    links = [tag("li", tag("a", name, href=name), f" ({what})") for name, what in names if (folder / name).is_file()]
    return tag("div", tag("p", "Files of this run:"), tag("ul", *links), class_="files") if links else None


# --- one run ---------------------------------------------------------------------------------------------------------


def block_id(row: RequirementRow) -> str:
    """Return the id of the data block of a requirement's run."""
    return f"run-{row.anchor}"


def moments(run: Run) -> list[tuple[str, str, int]]:
    """Return the moments marked in the charts: kind, text, instant in µs."""
    data, judged, struck = run.data, run.judged, run.struck
    marked = []
    if struck is not None:
        marked.append(("struck", struck["name"], int(struck["at_us"])))
    if data["cut_us"] is not None:
        marked.append(("cut", "throttle cut", int(data["cut_us"])))
    if judged is not None and judged["since_us"] is not None and judged["at_most"] is not None:
        marked.append(("deadline", "limit", round(judged["since_us"] + judged["at_most"])))
    if judged is not None and judged["at_us"] is not None and int(judged["at_us"]) != data["cut_us"]:
        marked.append(("moment", f"judged here: {judged['name']}", int(judged["at_us"])))
    return sorted(marked, key=lambda moment: moment[2])


def timeline(row: RequirementRow, run: Run) -> Html:
    """Return the chart of a run, its legend, and tables of the changes."""
    scenario = run.data["scenario"]
    runs = row.verdict.runs
    which = f", of {runs} runs the one closest to the limit or furthest beyond it" if runs > 1 else ""
    drawn = f" (seed {scenario['seed']}, trial {scenario['trial']})" if run.has_packets else ""
    title = f"Run shown: {scenario['name']}{drawn}{which}."
    about = [title, _exactness(run)]
    about += [f"Not certain: {run.data['doubt']}"] if run.data["doubt"] else []
    about += [f"A program under test crashed: {run.data['crash']}"] if run.data["crash"] else []
    buttons = [
        tag("button", sign, type="button", data_do=what, aria_label=None if sign.isalpha() else name, title=name)
        for what, sign, name in _BUTTONS
    ]
    view = tag(
        "div",
        tag("div", role="img", aria_label=summary_of(run), class_="canvas" if run.has_packets else "canvas low"),
        class_="view", tabindex=0, role="group", aria_label=f"Timeline of {row.id}. {_KEYS}",
        aria_describedby=f"keys-{row.anchor}",
    )  # fmt: skip
    figure = tag(
        "figure",
        tag("figcaption", *(tag("p", text) for text in about)),
        _moment_list(run),
        tag("div", tag("div", *buttons, class_="buttons", role="group", aria_label=f"Zoom the timeline of {row.id}"),
            tag("output", class_="readout", aria_live="polite"), class_="controls"),
        view,
        tag("p", _KEYS, " Drag moves; Ctrl and wheel, or two fingers, zoom.", class_="keys", id=f"keys-{row.anchor}"),
        legends.channels((channel["name"], channel["role"]) for channel in run.data["channels"]),
        class_="timeline", data_run=block_id(row),
    )  # fmt: skip
    return join([figure, _words(row, run)])


def _exactness(run: Run) -> str:
    uncertainty_us = run.data["uncertainty_us"]
    if not uncertainty_us:
        return "Evidence: simulated, exact to the microsecond."
    band = ", shown as a hatched band" if run.judged and run.judged["at_us"] is not None else ""
    return f"Evidence: {run.data['how_seen']}, times ± {quantity(uncertainty_us, 'µs')}{band}."


def summary_of(run: Run) -> str:
    """Return a description of a chart for screen readers."""
    parts = [f"{words} at {seconds(at_us)}" for _, words, at_us in moments(run)]
    judged = run.judged
    if judged is not None:
        parts.append(f"{judged['name']} {judged['measured']}, limit {judged['limit']}")
    lanes = "throttle and other channels, pulses, arming, motor command"
    if run.has_packets:
        lanes = f"packets, receiver states, {lanes}"
    return f"Charts of {lanes} over {seconds(run.duration_us)}. {'; '.join(parts)}. The table below lists the changes."


def _moment_list(run: Run) -> Html | None:
    """Return the marked moments with their line styles, times, and distances from the first fault."""
    rows = []
    struck = run.struck
    for kind, words, at_us in moments(run):
        after = ""
        if struck is not None and kind != "struck":
            ahead = at_us - int(struck["at_us"])
            after = f" ({'+' if ahead >= 0 else '−'}{quantity(abs(ahead), 'µs')})"
        rows.append((kind, words, f"{seconds(at_us)}{after}"))
    return legends.moments(rows)


def _words(row: RequirementRow, run: Run) -> Html:
    """Return the changes around the moment judged as a table, and all changes in a second one."""
    fault_us = int(run.struck["at_us"]) if run.struck else None
    events = [(int(at_us), str(what)) for at_us, what in run.data["events"]]
    nearest = sorted(range(len(events)), key=lambda index: abs(events[index][0] - run.moment_us))[:MOST_ROWS]
    if fault_us is not None:  # always with the fault itself
        nearest += [index for index, (at_us, _) in enumerate(events) if abs(at_us - fault_us) < 30_000][:6]
    near = [events[index] for index in sorted(set(nearest))]
    head = ("time", "what changed") if fault_us is None else ("time", "after the fault", "what changed")

    def cells(at_us: int, what: str) -> tuple[str, ...]:
        if fault_us is None:
            return seconds(at_us), what
        sign = "+" if at_us >= fault_us else "−"
        return seconds(at_us), f"{sign}{abs(at_us - fault_us) / 1000:.3f} ms", what

    def changes(caption: str, chosen: list[tuple[int, str]]) -> Html:
        return table(f"{row.id}: {caption}", head, [cells(*event) for event in chosen], class_="events")

    tables = [changes("what changed around the moment judged", near)]
    if len(near) < len(events):
        summary = tag("summary", f"All {len(events)} changes")
        tables.append(tag("details", summary, changes("all changes recorded", events), class_="more"))
    title = f"Changes ({len(near)} of {len(events)})"
    return tag("details", tag("summary", title), *tables, class_="words", open=True)
