"""Terminal output of `watch`: the live table, plain lines, the result of a failsafe test."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.live import Live
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from lostlink.show.console import SIGNS, cautions, console
from lostlink.verdicts import Outcome, Verdict, counted
from lostlink.watch import advice
from lostlink.watch.column_stats import ColumnStats
from lostlink.watch.columns import ColumnLayout, ValueKind
from lostlink.watch.judging import Attempt, how_known, moved, remarks, sentence
from lostlink.watch.listener import Listener
from lostlink.watch.units import Scale, names_of, scale_for
from lostlink_sims import Profile

_REFRESH_HZ = 5
_LINE_NS = 1_000_000_000
_OLD_NS = 1_000_000_000


def live(listener: Listener, profile: Profile | None, until_ns: int | None) -> None:
    """Show a live table, until an instant or until the user ends it."""
    with Live(picture(listener, profile), console=console(), refresh_per_second=_REFRESH_HZ) as shown:
        due_ns = listener.now_ns()
        while until_ns is None or listener.now_ns() < until_ns:
            due_ns += 1_000_000_000 // _REFRESH_HZ
            listener.listen_until(due_ns if until_ns is None else min(due_ns, until_ns))
            shown.update(picture(listener, profile))


def lines(listener: Listener, profile: Profile | None) -> None:
    """Print one line per second, until the user ends it."""
    due_ns = listener.now_ns()
    while True:
        due_ns += _LINE_NS
        listener.listen_until(due_ns)
        console().print(escape(line(listener, profile)), soft_wrap=True)


def line(listener: Listener, profile: Profile | None) -> str:
    """Return the present values as one line."""
    seconds = (listener.now_ns() - listener.started_ns) / 1e9
    layout, problem = listener.layout, listener.problem()
    if layout is None:
        return f"{seconds:.0f} s  {problem or 'no columns yet'}"
    values = "  ".join(
        f"{name} {listener.stats.columns[column].value:g}"
        for name, column in zip(names_of(layout, profile), layout.channels, strict=True)
    )
    rate_hz = listener.stats.rate_hz(listener.now_ns())
    return f"{seconds:.0f} s  {rate_hz:.1f} lines/s  {values}{'  ' if problem else ''}{problem}"


def picture(listener: Listener, profile: Profile | None) -> Group:
    """Return the table of channels, with the state of the line above it and problems below."""
    layout, problem = listener.layout, listener.problem()
    parts: list[Text | Table] = [Text(_head(listener, layout), style="bold")]
    if layout is not None:
        scale = scale_for(layout.kind, profile, layout.reach)
        parts += [_channels(listener, layout, scale, profile), Text(_foot(scale, profile), style="dim")]
        parts += [Text(text) for text in _left_out(layout)]
    if problem:
        parts.append(Text(problem, style="yellow"))
    return Group(*parts)


def _head(listener: Listener, layout: ColumnLayout | None) -> str:
    port = f"{listener.source.port} at {listener.source.baud} baud"
    if layout is None:
        return f"{port}: no columns yet, {listener.columns.counts.bytes} bytes so far"
    counts = listener.columns.counts
    rate_hz = listener.stats.rate_hz(listener.now_ns())
    invalid = counts.garbage + counts.broken
    problems = f", {invalid} of {counts.rows + invalid} lines invalid" if invalid else ""
    return f"{port}: {rate_hz:.1f} lines/s, {counted(len(layout.channels), 'channel')}, {layout.kind.value}{problems}"


def _foot(scale: Scale, profile: Profile | None) -> str:
    if scale.kind is ValueKind.WIDTHS:
        return f"Centred is {scale.middle} µs, the middle of {scale.low} to {scale.high} µs."
    if scale.kind is ValueKind.SIGNED:
        return f"Centred is 0 of {scale.low} to {scale.high}, estimated from the values so far. Pulse widths unknown."
    ends = f"{scale.width_us(0):g} to {scale.width_us(scale.high):g} µs"
    rule = "the mapping of the profile" if profile else f"the default mapping, {ends}"
    practice = ", by common practice" if scale.kind is ValueKind.CODES else ""
    return f"Centred is {scale.middle} of 0 to {scale.high}{practice}. Widths by {rule}."


def _left_out(layout: ColumnLayout) -> list[str]:
    texts = []
    for columns, what in ((layout.clocks, "time or counter"), (layout.others, "not a channel")):
        if columns:
            named = ", ".join(layout.names[column] or f"column {column + 1}" for column in columns)
            texts.append(f"Not shown, {what}: {named}.")
    return texts


def _channels(listener: Listener, layout: ColumnLayout, scale: Scale, profile: Profile | None) -> Table:
    table = Table(box=None, pad_edge=False)
    table.add_column("channel", no_wrap=True)
    for title in ("now", "µs", "lowest", "highest", "changed"):
        table.add_column(title, justify="right", no_wrap=True)
    table.add_column("centre")
    table.add_column("travel")
    has_no_widths = scale.kind in (ValueKind.WIDTHS, ValueKind.SIGNED)
    if has_no_widths:
        table.columns[2].header = ""
    for place, (name, column) in enumerate(zip(names_of(layout, profile), layout.channels, strict=True)):
        gauge = listener.stats.columns[column]
        trim, travel = _advice(place, gauge, scale, profile, listener.now_ns())
        width = "" if has_no_widths else f"{scale.width_us(gauge.value):g}"
        table.add_row(
            escape(name), f"{gauge.value:g}", width, f"{gauge.lowest:g}", f"{gauge.highest:g}",
            _age(listener.now_ns() - gauge.changed_ns), trim, travel,
        )  # fmt: skip
    return table


def _advice(place: int, gauge: ColumnStats, scale: Scale, profile: Profile | None, now_ns: int) -> tuple[str, str]:
    """Return the advice on centre and travel; none for a switch, no centre for a throttle."""
    if profile is not None and place < len(profile.channels):
        if profile.channels[place].kind != "stick":
            return "", ""
        if place == profile.throttle_index:
            return "", advice.travel(gauge, scale)
    return advice.centring(gauge, scale, now_ns), advice.travel(gauge, scale)


def _age(age_ns: int) -> str:
    return "now" if age_ns < _OLD_NS else f"{age_ns / 1e9:.0f} s ago"


def result(attempts: Sequence[Attempt], verdicts: Sequence[Verdict], conclusion: str, names: Sequence[str]) -> None:
    """Show the result of a failsafe test."""
    out = console()
    out.print()
    for number, attempt in enumerate(attempts, 1):
        head = f"{number}. " if len(attempts) > 1 else ""
        for text in (sentence(attempt), how_known(attempt), *remarks(attempt, names), moved(attempt, names)):
            if text:
                out.print(escape(head + text), soft_wrap=True)
            head = "   " if len(attempts) > 1 else ""
    out.print()
    for verdict in verdicts:
        sign, style = SIGNS[verdict.outcome]
        out.print(f"[{style}]{sign} {verdict.outcome.value:<12}[/{style}] {verdict.requirement.id:<9} "
                  f"{escape(verdict.statement)}", soft_wrap=True)  # fmt: skip
        details = ", ".join(part for part in (verdict.measured, verdict.limit) if part)
        for text in (details, verdict.reason if verdict.outcome is not Outcome.NOT_MET or not details else ""):
            if text:
                out.print(f"{'':25}{escape(text)}", soft_wrap=True)
    cautions(out)
    out.print(f"[bold]{escape(conclusion)}[/bold]", soft_wrap=True)
