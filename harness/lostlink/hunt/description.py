"""Text output of a hunt: each finding as a sentence, a numbered timeline and a picture; the coverage."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path

from lostlink.evidence.timeline import timeline
from lostlink.hunt.events import WAIT, World
from lostlink.hunt.search import Finding, Hunt
from lostlink.hunt.timelines import events, placed_pieces, start_us
from lostlink.verdicts import Side, counted, quantity

BEFORE_US, AFTER_US = 150_000, 300_000


@dataclass(frozen=True, slots=True)
class Case:
    """Inputs of a hunt as given on the command line, for the commands that reproduce it."""

    profile: str | None
    receiver: str | None
    folder: Path
    handset: str | None = None


def sentence(result: Hunt, finding: Finding) -> str:
    """Return a finding in one sentence."""
    count = events(result.world, finding.timeline)
    if count:
        condition = f"with {counted(count, 'event')}"
    elif result.world.starts[finding.timeline.start] is not None:
        condition = "at power-on with the stick up"
    else:
        condition = "in an undisturbed flight"
    if finding.timeline.wrap:
        condition += f", while {_counters(result.world)} wraps,"
    required = finding.broken.requirement
    programs = {"crash": "the receiver's program crashes", "handset crash": "the handset's program crashes"}
    fault = programs.get(finding.broken.group, required.fault)
    return f"{required.id} ({required.severity.value}): {condition} {fault}."


def steps(result: Hunt, finding: Finding) -> list[str]:
    """Return the timeline, one numbered line per event, with times relative to the first event."""
    placed = list(placed_pieces(result.world, finding.timeline))
    zero_us = next((piece.at_us for piece in placed if piece.is_event), placed[0].at_us if placed else 0)
    rows = []
    if finding.timeline.wrap:
        wrap = result.world.wraps[finding.timeline.wrap - 1]
        at_us = start_us(result.world, finding.timeline) + wrap.lead_us
        rows.append((at_us, f"   {_counters(result.world)} {wrap.text}"))
    number = 0
    for piece in placed:
        number += piece.is_event
        duration = f" for {piece.duration}" if piece.kind.lasts else ""
        prefix = f"{number}." if piece.is_event else "  "
        rows.append((piece.at_us, f"{prefix} {piece.variant.text}{duration}"))
    rows.append((finding.broken.at_us, f"X  {finding.broken.message}"))
    rows.sort(key=lambda row: row[0])
    return [
        f"  {'start':>12}  {_start(result.world, finding)}",
        *(f"  {_relative(at_us - zero_us):>12}  {text}" for at_us, text in rows),
    ]


def _start(world: World, finding: Finding) -> str:
    throttle = f"{100 * world.throttles[finding.timeline.throttle]:g} %"
    later_us = world.starts[finding.timeline.start]
    if later_us is not None and Side.RECEIVER not in world.sides:
        text = f"handset on, throttle stick at {throttle}, arming switch on"
    elif later_us is None:
        text = f"in flight: link good, armed, throttle stick at {throttle}"
    else:
        text = f"receiver on{f', handset on {later_us / 1000:g} ms later' if later_us else ' and handset on'}"
        text += f", throttle stick at {throttle}, arming switch on"
    scenario = finding.trace.scenario
    if finding.timeline.packet_phase or finding.timeline.frame_phase:
        text += f"; packet phase {scenario.packet_phase_us} µs, frame phase {scenario.frame_phase_us} µs"
    return text


def _counters(world: World) -> str:
    """Return whose counter wraps."""
    if Side.HANDSET not in world.sides:
        return "the receiver's counter"
    return "the counter of handset and receiver" if Side.RECEIVER in world.sides else "the handset's counter"


def _relative(after_us: int) -> str:
    return f"{'-' if after_us < 0 else '+'}{quantity(abs(after_us), 'µs') if after_us else '0 ms'}"


def text(result: Hunt, finding: Finding, case: Case) -> str:
    """Return a finding as text: sentence, timeline, picture, commands."""
    trace, broken = finding.trace, finding.broken
    first_us = min(
        [broken.at_us, *(piece.at_us for piece in placed_pieces(result.world, finding.timeline) if piece.is_event)]
    )
    lines = [sentence(result, finding), f"  required: {broken.requirement.sentence}", "", *steps(result, finding)]
    others = {other.requirement_id: other for other in reversed(finding.also)}
    others.pop(broken.requirement_id, None)
    if others:
        lines += ["", "  the same run also breaks:"]
        lines += [f"    {name} ({other.requirement.severity.value}): {other.message}" for name, other in others.items()]
    lines += ["", timeline(trace, first_us - BEFORE_US, broken.at_us + AFTER_US, most_lines=16), ""]
    return "\n".join([*lines, *commands(finding, case)])


def commands(finding: Finding, case: Case) -> list[str]:
    """Return the commands that run a finding again."""
    file = str(case.folder / f"{finding.broken.requirement_id}.scenario.toml")
    test = str(case.folder / "test_found.py")
    profile = [case.profile] if case.profile else []
    programs = {"receiver": case.receiver, "handset": case.handset}
    tested = [word for name, value in programs.items() if value for word in (f"--{name}", value)]
    named = {"profile": case.profile, **programs}
    options = [f"--lostlink-{name}={value}" for name, value in named.items() if value]
    rows = (
        ("show", ["lostlink", "replay", file, *profile, *tested]),
        ("test", ["pytest", test, *options]),
        ("prove", ["lostlink", "prove", *profile, *tested, "--tests", test]),
    )
    return [f"  {name:<8}  {shlex.join(words)}" for name, words in rows]


def coverage_lines(result: Hunt) -> list[str]:
    """Return the coverage of the hunt."""
    coverage, world = result.coverage, result.world
    kinds = [kind.name for kind in world.kinds if kind.name != WAIT]
    by_runs = sorted(kinds, key=lambda name: -coverage.kinds[name])
    covered = [f"{name} {coverage.kinds[name]}" for name in by_runs if coverage.kinds[name]]
    never = [name for name in kinds if not coverage.kinds[name]]
    lines = [
        f"Coverage: {counted(coverage.runs, 'run')} ({coverage.shrinking} of them to shrink findings), "
        f"{quantity(coverage.simulated_us, 'µs')} of simulated link in {coverage.seconds:.1f} s; seed {result.seed}.",
        f"Timelines of up to {counted(coverage.most_events, 'event')}, "
        f"the longest {quantity(coverage.longest_us, 'µs')}. "
        f"Runs with each kind: {', '.join(covered) or 'none'}.",
    ]
    if never:
        lines.append(f"Not covered: {', '.join(never)}.")
    lines += [f"Not tried: {reason}." for reason in world.left_out]
    if coverage.reloads:
        lines.append("A program under test keeps state between runs, so its file was reloaded for every run.")
    if coverage.busy:
        lines.append(f"{counted(coverage.busy, 'run')} aborted because the receiver's main loop spun.")
    return lines


def conclusion(result: Hunt) -> str:
    """Return the outcome in one sentence."""
    if result.findings:
        return sentence(result, result.findings[0])
    ended = "Interrupted; nothing" if result.interrupted else "Nothing"
    runs = counted(result.coverage.runs, "run")
    return f"{ended} found in {runs}. This is not a proof: other timelines may break a requirement."
