"""What a person sees in the terminal: progress, the verdict table, a run."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from lostlink.bench.ports import Found
from lostlink.evidence import CAUTIONS
from lostlink.measure import loss
from lostlink.prove import Progress as Told
from lostlink.prove import Result, conclusion
from lostlink.timeline import timeline
from lostlink.verdicts import Outcome, Severity, Verdict, quantity
from lostlink_sims import Trace

#: Never by colour alone: each outcome has its own sign and its own words.
SIGNS = {
    Outcome.MET: ("+", "green"),
    Outcome.NOT_MET: ("X", "bold red"),
    Outcome.INCONCLUSIVE: ("?", "yellow"),
    Outcome.NOT_TESTED: ("-", "yellow"),
    Outcome.WAIVED: ("~", "yellow"),
}
SEVERITY_WORDS = {
    Severity.CRITICAL: "critical: somebody may be hurt",
    Severity.MAJOR: "major: the model may be lost, or flies other than the pilot wants",
    Severity.MINOR: "minor: not as it was meant",
}
_WIDTH_WITHOUT_TERMINAL = 120
_HEARTBEAT_S = 10.0


class _Console(Console):
    def on_broken_pipe(self) -> None:
        """Let the command line decide what it means that nobody reads on."""
        raise


def console() -> Console:
    """Return the console for results; wide enough for a table where there is no terminal to ask."""
    width = None if sys.stdout.isatty() else _WIDTH_WITHOUT_TERMINAL
    return _Console(width=width, highlight=False, emoji=False)


Moved = Callable[[float, float | None, str], None]
"""How far it is, of how much (None when that is not known), and what is going on, in words."""


@contextlib.contextmanager
def moving(what: str) -> Iterator[Moved]:
    """Show progress on standard error: a moving bar on a terminal, now and then a line elsewhere."""
    if not sys.stderr.isatty():
        last_s = time.monotonic()

        def beat(done: float, total: float | None, said: str) -> None:
            nonlocal last_s
            if time.monotonic() - last_s > _HEARTBEAT_S:
                last_s = time.monotonic()
                print(f"{what}: {said}", file=sys.stderr, flush=True)  # noqa: T201

        yield beat
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    columns = (
        TextColumn(what), BarColumn(), TextColumn("{task.fields[said]}"), TimeElapsedColumn(), TimeRemainingColumn(),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None, said="")
        yield lambda done, total, said: bar.update(task, completed=done, total=total, said=said)


@contextlib.contextmanager
def progress() -> Iterator[Told]:
    """Show how far the suite is."""
    with moving("proving") as move:
        yield lambda done, total, name: move(
            done, total, f"{done} of {total} requirements, "
            + name.rpartition("::")[2].removeprefix("test_").replace("_", " "),
        )  # fmt: skip


def verdicts(result: Result, head: dict[str, Any], folder: Path) -> None:
    """Show the verdict table by severity, what was found, the conclusion, and where the evidence lies."""
    out = console()
    source = f", {escape(head['profile_file'])}" if head["profile_file"] else ""
    out.print(f"link [bold]{escape(head['profile'])}[/bold]{source}; receiver: {escape(head['receiver'])}; "
              f"rig: {head['rig']}; seed {head['seed']}")  # fmt: skip
    for severity in Severity:
        rows = [verdict for verdict in result.verdicts if verdict.requirement.severity is severity]
        if rows:
            out.print(_table(severity, rows))
    for requirement_id, found in result.findings.items():
        if result.exit_code == 1 and not _is_failure(result, requirement_id):
            continue
        out.print()
        out.print(escape(found), soft_wrap=True)
    out.print()
    for name, said in result.rig.items():
        if head["rig"] != "sim":
            out.print(f"{name}: {escape(said)}", soft_wrap=True)
    for caution in CAUTIONS:
        out.print(caution)
    out.print()
    sign, style = SIGNS[
        Outcome.NOT_MET if result.exit_code in (1, 2) else Outcome.MET if not result.exit_code else Outcome.INCONCLUSIVE
    ]
    runs = sum(verdict.runs for verdict in result.verdicts)
    checks = sum(verdict.checks for verdict in result.verdicts)
    out.print(f"[{style}]{sign} {escape(conclusion(result))}[/{style}]", soft_wrap=True)
    out.print(
        f"{len(result.verdicts)} requirements, {runs} runs, {checks} measurements in {head['duration_s']:.1f} s. "
        f"Evidence: {escape(str(folder))}/report.html",
        soft_wrap=True,
    )


def _is_failure(result: Result, requirement_id: str) -> bool:
    return any(verdict.requirement.id == requirement_id for verdict in result.with_outcome(Outcome.NOT_MET))


def _table(severity: Severity, rows: list[Verdict]) -> Table:
    table = Table(title=SEVERITY_WORDS[severity], title_justify="left", title_style="bold", box=None, pad_edge=False)
    table.add_column("", no_wrap=True)
    table.add_column("id", no_wrap=True)
    table.add_column("requirement", ratio=4)
    table.add_column("measured", ratio=3)
    table.add_column("limit", ratio=2)
    for verdict in rows:
        sign, style = SIGNS[verdict.outcome]
        said = verdict.measured if verdict.outcome in (Outcome.MET, Outcome.NOT_MET) else verdict.reason
        table.add_row(
            f"[{style}]{sign} {verdict.outcome.value}[/{style}]", verdict.requirement.id,
            escape(verdict.requirement.sentence), escape(said), escape(verdict.limit),
        )  # fmt: skip
    return table


def ports(found: list[Found]) -> None:
    """Show ports and what answers on each."""
    out = console()
    if not found:
        out.print("no serial port is there; plug the board in, or name one: lostlink ports /dev/ttyACM0")
        return
    for one in found:
        sign, style = ("+", "green") if one.answers else ("-", "yellow")
        said = f" ({escape(one.said)})" if one.said else ""
        out.print(f"[{style}]{sign}[/{style}] {escape(one.port)}{said}: {escape(one.found)}", soft_wrap=True)


def _span(values_us: NDArray[np.int64]) -> str:
    """Return median and largest of some times."""
    if not len(values_us):
        return "none"
    return f"{quantity(float(np.median(values_us)), 'µs')} (largest {quantity(int(values_us.max()), 'µs')})"


def run(trace: Trace) -> None:
    """Show one run: its timeline and its summary."""
    out = console()
    out.print(
        f"scenario [bold]{escape(trace.scenario.name)}[/bold], seed {trace.scenario.seed}, trial {trace.scenario.trial}"
    )
    out.print(escape(timeline(trace, 0, trace.scenario.duration_us, most_lines=60)), soft_wrap=True)
    total = trace.summary
    lost, delay_us = trace.packets.lost, trace.packets.arrived_us - trace.packets.left_us
    _, runs = loss.loss_runs(lost)
    out.print(
        f"  loss {loss.loss_rate(lost):.2%} in {len(runs)} periods, the longest {max(runs, default=0)} packets; "
        f"packet delay {_span(delay_us[~lost])}, its variation {_span(loss.delay_variation_us(delay_us[~lost]))}",
        soft_wrap=True,
    )
    fates = ", ".join(f"{times} {name}" for name, times in total.by_fate.items())
    out.print(f"  {total.packets} packets: {fates}; {total.frames} frames; motors started {total.motor_starts}x; "
              f"failsafe entered {total.failsafe_entries}x, in force {total.failsafe_us / 1e6:.3f} s")  # fmt: skip
