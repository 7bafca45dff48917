"""Terminal output of `watch`: the live table, plain lines, the result of a failsafe test."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group
from rich.live import Live
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from lostlink.show.console import cautions, console, mark, paragraph, table
from lostlink.verdicts import Outcome, Verdict, counted
from lostlink.watch import advice, stick_advice
from lostlink.watch.column_stats import ColumnStats
from lostlink.watch.columns import ColumnLayout, ValueKind
from lostlink.watch.judging import Attempt, how_known, moved, remarks, sentence
from lostlink.watch.listener import Listener
from lostlink.watch.profile_lines import profile_lines
from lostlink.watch.stick_advice import Stick
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
        paragraph(line(listener, profile))


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
    """Return the table of channels, with the state of the port above it and problems below."""
    layout, problem = listener.layout, listener.problem()
    parts: list[Text | Table] = [Text(_head(listener, layout), style="bold")]
    if layout is not None:
        scale = scale_for(layout.kind, profile, layout.reach)
        sticks = sticks_of(listener)
        if sticks is None:
            parts += [_channels(listener, layout, scale, profile), Text(_foot(scale, profile), style="dim")]
        else:
            parts += [_handset(listener, layout, sticks), *_remarks(listener, sticks)]
            has_codes = scale.kind in (ValueKind.CODES, ValueKind.COUNTS)
            widths = _widths_by(scale, profile) if has_codes else _NO_WIRES
            parts.append(Text(" ".join((_centres(sticks), widths, _NOISE)), style="dim"))
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
    practice = ", by common practice" if scale.kind is ValueKind.CODES else ""
    return f"Centred is {scale.middle} of 0 to {scale.high}{practice}. {_widths_by(scale, profile)}"


def _widths_by(scale: Scale, profile: Profile | None) -> str:
    ends = f"{scale.width_us(0):g} to {scale.width_us(scale.high):g} µs"
    return f"Widths by {'the mapping of the profile' if profile else f'the default mapping, {ends}'}."


def _left_out(layout: ColumnLayout) -> list[str]:
    texts = []
    for columns, what in ((layout.clocks, "time or counter"), (layout.others, "not a channel")):
        if columns:
            named = ", ".join(layout.names[column] or f"column {column + 1}" for column in columns)
            texts.append(f"Not shown, {what}: {named}.")
    return texts


def _channels(listener: Listener, layout: ColumnLayout, scale: Scale, profile: Profile | None) -> Table:
    has_widths = scale.kind not in (ValueKind.WIDTHS, ValueKind.SIGNED)
    made = table("channel", "now", "µs" if has_widths else "", "lowest", "highest", "changed")
    made.add_column("centre")
    made.add_column("travel")
    for index, (name, column) in enumerate(zip(names_of(layout, profile), layout.channels, strict=True)):
        stats = listener.stats.columns[column]
        trim, travel = _advice(index, stats, scale, profile, listener.now_ns())
        width = f"{scale.width_us(stats.value):g}" if has_widths else ""
        made.add_row(
            escape(name), f"{stats.value:g}", width, f"{stats.lowest:g}", f"{stats.highest:g}",
            _age(listener.now_ns() - stats.changed_ns), trim, travel,
        )  # fmt: skip
    return made


def sticks_of(listener: Listener) -> list[Stick | None] | None:
    """Return the controls of a handset, with None for a switch; None for a receiver."""
    layout, table = listener.layout, listener.sticks
    if layout is None or table is None or len(table.sticks) != len(layout.channels):
        return None
    return stick_advice.sticks_of(layout, table, listener.stats)


def _handset(listener: Listener, layout: ColumnLayout, sticks: Sequence[Stick | None]) -> Table:
    """Return the table of a handset's controls."""
    has_widths = layout.kind not in (ValueKind.WIDTHS, ValueKind.SIGNED)
    made = table("channel", "now", "µs" if has_widths else "", "lowest", "highest", "at rest", "noise", "s.d.")
    made.add_column("trim")
    made.padding = (0, 1, 0, 0)
    assert listener.sticks is not None
    names = names_of(layout, listener.sticks.profile)
    for name, column, seen, stick in zip(names, layout.channels, listener.sticks.sticks, sticks, strict=True):
        stats = listener.stats.columns[column]
        width = f"{seen.scale.scale.width_us(stats.value):g}" if has_widths else ""
        rest = None if stick is None else stick.rest
        noise = ("", "") if stick is None else stick_advice.noise(rest, stick.scale)
        made.add_row(
            escape(name), f"{stats.value:g}", width, f"{stats.lowest:g}", f"{stats.highest:g}",
            "" if rest is None else f"{rest.mean:.1f}", *noise, "" if stick is None else stick_advice.trim(stick),
        )  # fmt: skip
    return made


_NO_WIRES = "These are no ADC counts or codes: a value at a rail of the ADC, as of a broken wire, does not show."
_NOISE = (
    "At rest, noise (peak to peak) and s.d. (standard deviation) are those of the printed values; ≤ is at most. A "
    "program that averages prints less than the stick has. Trim is what a released stick needs. A stick without a "
    "remark on its wires may have a broken one."
)


def _centres(sticks: Sequence[Stick | None]) -> str:
    """Return what a centred stick reads."""
    centres: dict[str, list[str]] = {}
    for stick in sticks:
        if stick is not None and stick.scale.is_sprung:
            low, high = stick.scale.aim
            centres.setdefault(f"{low:g}" if low == high else f"{low:g} or {high:g}", []).append(stick.name)
    named = [f"{at} ({', '.join(names)})" if len(centres) > 1 else at for at, names in centres.items()]
    return f"Centred is {'; '.join(named)}." if named else ""


def _remarks(listener: Listener, sticks: Sequence[Stick | None]) -> list[Text]:
    """Return what is to be said of a handset's sticks."""
    known = [stick for stick in sticks if stick is not None]
    return [
        Text(f"{stick.name}: {remark.text}.", style="yellow" if remark.is_open else "")
        for stick in known
        for remark in stick_advice.remarks(stick, known, listener.now_ns())
    ]


def is_open(listener: Listener) -> bool:
    """Return whether something of a handset's sticks was not seen, cannot be told, or looks like a fault."""
    known = [stick for stick in sticks_of(listener) or () if stick is not None]
    return any(remark.is_open for stick in known for remark in stick_advice.remarks(stick, known, listener.now_ns()))


def for_the_profile(listener: Listener) -> None:
    """Show the tables of a handset's channels for its profile, where readings show them."""
    sticks = sticks_of(listener)
    if sticks is None or listener.sticks is None or listener.sticks.profile is None:
        return
    found = profile_lines(sticks, listener.sticks.profile)
    if found.problem:
        paragraph(f"No lines for the profile, because its reader refuses what these readings show. {found.problem}")
    if found.lines:
        paragraph(
            "\nFor the profile, in place of its [[channels]] tables. travel_low is at the low stop (no throttle, left, "
            "back); exchange the two where that stop reads higher. The values hold if each stick was pushed against "
            "its stops, and released at rest.\n"
        )
        for row in found.lines:
            paragraph(row)


def _advice(index: int, stats: ColumnStats, scale: Scale, profile: Profile | None, now_ns: int) -> tuple[str, str]:
    """Return the advice on centre and travel: neither for a switch, on travel only for a throttle."""
    if profile is not None and index < len(profile.channels):
        if profile.channels[index].kind != "stick":
            return "", ""
        if index == profile.throttle_index:
            return "", advice.travel(stats, scale)
    return advice.centring(stats, scale, now_ns), advice.travel(stats, scale)


def _age(age_ns: int) -> str:
    return "now" if age_ns < _OLD_NS else f"{age_ns / 1e9:.0f} s ago"


def result(attempts: Sequence[Attempt], verdicts: Sequence[Verdict], conclusion: str, names: Sequence[str]) -> None:
    """Show the result of a failsafe test."""
    out = console()
    out.print()
    for number, attempt in enumerate(attempts, 1):
        head = f"{number}. " if len(attempts) > 1 else ""
        texts = (sentence(attempt), how_known(attempt), *remarks(attempt, names), moved(attempt, names))
        for text in filter(None, texts):
            paragraph(head + text)
            head = " " * len(head)
    out.print()
    for verdict in verdicts:
        room = " " * (12 - len(verdict.outcome.value))
        head = f"{mark(verdict.outcome)}{room} {verdict.requirement.id:<9}"
        out.print(f"{head} {escape(verdict.statement)}", soft_wrap=True)
        details = ", ".join(filter(None, (verdict.measured, verdict.limit)))
        for text in (details, verdict.reason if verdict.outcome is not Outcome.NOT_MET or not details else ""):
            if text:
                paragraph(f"{'':25}{text}")
    cautions()
    out.print(f"[bold]{escape(conclusion)}[/bold]", soft_wrap=True)
