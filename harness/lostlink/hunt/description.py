"""Text output of a hunt: each finding as a sentence, a numbered timeline and a picture; the coverage."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from lostlink.evidence.timeline import timeline as picture
from lostlink.hunt.events import WAIT
from lostlink.hunt.search import Finding, Hunt
from lostlink.hunt.timelines import STARTS, THROTTLES, events, laid, wrap_of
from lostlink.verdicts import counted, quantity

NUMBERS: Final = ("no", "one", "two", "three", "four", "five", "six")
BEFORE_US, AFTER_US = 150_000, 300_000


@dataclass(frozen=True, slots=True)
class Case:
    """Inputs of a hunt, for the commands that reproduce it.

    Attributes
    ----------
    profile, receiver : str or None
        As given on the command line.
    folder : Path
    """

    profile: str | None
    receiver: str | None
    folder: Path


# --- the finding in words ---------------------------------------------------------------------------------------


def sentence(found: Hunt, finding: Finding) -> str:
    """Return a finding in one sentence."""
    count = events(found.world, finding.timeline)
    if count:
        with_what = f"with {NUMBERS[count] if count < len(NUMBERS) else count} event{'' if count == 1 else 's'}"
    elif STARTS[finding.timeline.start] is not None:
        with_what = "at power-on with the stick up"
    else:
        with_what = "in an undisturbed flight"
    if finding.timeline.wrap:
        with_what += ", while the receiver's counter wraps,"
    fault = "the receiver's program crashes" if finding.broken.group == "crash" else finding.broken.requirement.fault
    required = finding.broken.requirement
    return f"{required.id} ({required.severity.value}): {with_what} {fault}."


def steps(found: Hunt, finding: Finding) -> list[str]:
    """Return the timeline, one numbered line per event, with times relative to the first event."""
    placed = list(laid(found.world, finding.timeline))
    zero_us = next((piece.at_us for piece in placed if piece.is_event), None)
    if zero_us is None:
        zero_us = placed[0].at_us if placed else 0
    rows = []
    if finding.timeline.wrap:
        _, moment, _ = wrap_of(finding.timeline.wrap)
        rows.append((_wrap_us(finding), f"   the receiver's counter {moment}"))
    number = 0
    for piece in placed:
        number += piece.is_event
        lasting = f" for {piece.rung}" if piece.kind.lasts else ""
        what = f"{number}. {piece.variant.says}" if piece.is_event else f"   {WAIT}"
        rows.append((piece.at_us, what + lasting))
    rows.append((finding.broken.at_us, f"X  {finding.broken.message}"))
    rows.sort(key=lambda row: row[0])
    return [
        f"  {'begins':>12}  {_beginning(finding)}",
        *(f"  {_at(at_us - zero_us):>12}  {what}" for at_us, what in rows),
    ]


def _beginning(finding: Finding) -> str:
    timeline = finding.timeline
    throttle = f"{100 * THROTTLES[timeline.throttle]:g} %"
    later_us = STARTS[timeline.start]
    if later_us is None:
        text = f"in flight: link good, armed, throttle stick at {throttle}"
    else:
        text = f"receiver on{f', handset {later_us / 1000:g} ms later' if later_us else ' and handset on'}"
        text += f", throttle stick at {throttle}, arming switch on"
    scenario = finding.trace.scenario
    if timeline.packet_phase or timeline.frame_phase:
        text += f"; packets {scenario.packet_phase_us} µs and frames {scenario.frame_phase_us} µs late in phase"
    return text


def _wrap_us(finding: Finding) -> int:
    scenario, profile = finding.trace.scenario, finding.trace.profile
    value, _, _ = wrap_of(finding.timeline.wrap)
    return int((value - scenario.receiver_clock_us) % 2**32 + profile.receiver.boot_us + scenario.receiver_on_us)


def _at(after_us: int) -> str:
    return f"{'-' if after_us < 0 else '+'}{quantity(abs(after_us), 'µs') if after_us else '0 ms'}"


def text(found: Hunt, finding: Finding, case: Case) -> str:
    """Return a finding as text: sentence, timeline, picture, commands."""
    trace, broken = finding.trace, finding.broken
    first_us = min([broken.at_us, *(piece.at_us for piece in laid(found.world, finding.timeline) if piece.is_event)])
    lines = [sentence(found, finding), f"  required: {broken.requirement.sentence}", "", *steps(found, finding)]
    others = {other.requirement_id: other for other in reversed(finding.also)}
    others.pop(broken.requirement_id, None)
    if others:
        lines += ["", "  the same run also breaks:"]
        lines += [f"    {name} ({other.requirement.severity.value}): {other.message}" for name, other in others.items()]
    lines += [
        "",
        picture(trace, first_us - BEFORE_US, broken.at_us + AFTER_US, most_lines=16),
        "",
        *commands(finding, case),
    ]
    return "\n".join(lines)


def commands(finding: Finding, case: Case) -> list[str]:
    """Return the commands that run a finding again."""
    file = str(case.folder / f"{finding.broken.requirement_id}.scenario.toml")
    test = str(case.folder / "test_found.py")
    profile = [case.profile] if case.profile else []
    receiver = ["--receiver", case.receiver] if case.receiver else []
    options = [
        f"--lostlink-{name}={value}"
        for name, value in (("profile", case.profile), ("receiver", case.receiver))
        if value
    ]
    rows = (
        ("see it", ["lostlink", "replay", file, *profile, *receiver]),
        ("judge it", ["pytest", test, *options]),
        ("with all", ["lostlink", "prove", *profile, *receiver, "--tests", test]),
    )
    return [f"  {name:<8}  {shlex.join(words)}" for name, words in rows]


def tried(found: Hunt) -> list[str]:
    """Return the coverage of the hunt."""
    coverage, world = found.tried, found.world
    kinds = [kind.name for kind in world.kinds if kind.name != WAIT]
    met = [
        f"{name} {coverage.kinds[name]}"
        for name in sorted(kinds, key=lambda name: -coverage.kinds[name])
        if coverage.kinds[name]
    ]
    never = [name for name in kinds if not coverage.kinds[name]]
    lines = [
        f"Tried: {counted(coverage.runs, 'run')} ({coverage.shrinking} of them to shrink findings), "
        f"{quantity(coverage.simulated_us, 'µs')} of link in {coverage.seconds:.1f} s; seed {found.seed}.",
        f"Timelines of up to {counted(coverage.most_events, 'event')}, "
        f"the longest {quantity(coverage.longest_us, 'µs')}. "
        f"Runs with each kind: {', '.join(met) or 'none'}.",
    ]
    if never:
        lines.append(f"Not covered: {', '.join(never)}.")
    lines += [f"Not tried: {reason}." for reason in world.left_out]
    if coverage.afresh:
        lines.append("The receiver keeps state between runs, so its file was loaded again for every run.")
    if coverage.busy:
        lines.append(f"{counted(coverage.busy, 'run')} aborted because the receiver's main loop spun.")
    return lines


def conclusion(found: Hunt) -> str:
    """Return the outcome in one sentence."""
    if found.findings:
        return sentence(found, found.findings[0])
    ended = "Interrupted; nothing" if found.interrupted else "Nothing"
    runs = counted(found.tried.runs, "run")
    return f"{ended} found in {runs}. This is not a proof: other timelines may break a requirement."


# --- progress ---------------------------------------------------------------------------------------------------
