"""What a capture shows, in words: its sampling and shape, the channels, the events, lines for a profile. Pure."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lostlink.captures.events import Onset, Silence, SteadyKind, SteadyState, cut_short, whole_separators_ps
from lostlink.captures.judging import Findings
from lostlink.captures.signals import PS_PER_US, Capture
from lostlink.captures.strips import names
from lostlink.captures.train import PulseTrain
from lostlink.measure import failsafe
from lostlink.profiles.quantities import text_of
from lostlink.verdicts import counted, quantity
from lostlink_sims import Profile, Trace

MOTORS = "Motors: simulated flight controller of the profile, armed when the capture begins."


def us(ps: float) -> str:
    """Return picoseconds as text in microseconds or milliseconds."""
    return quantity(round(ps / PS_PER_US, 3), "µs")


def events(findings: Findings, trace: Trace | None) -> list[tuple[int, str]]:
    """Return the events in order: instants in picoseconds, and texts."""
    train = findings.train
    entries = [entry for silence in findings.silences for entry in _silence_events(silence, train, trace)]
    for steady in findings.steady_states:
        entries += _steady_events(steady, train, trace)
    entries += [(at_ps, "a glitch") for at_ps in train.glitches_ps.tolist()]
    frames = train.frames
    entries += [(int(frames.start_ps[fault.first]), str(fault)) for fault in findings.pulse_faults]
    entries += [
        (int(frames.start_ps[index]), f"a frame cut short after {counted(int(frames.count[index]), 'channel')}")
        for index in np.flatnonzero(cut_short(train) & (frames.count > 0)).tolist()
    ]
    return sorted(entries, key=lambda entry: entry[0])


def _silence_events(silence: Silence, train: PulseTrain, trace: Trace | None) -> Iterator[tuple[int, str]]:
    length = us(silence.until_ps - silence.from_ps)
    if not silence.recorded:
        yield silence.from_ps, f"the level is unknown for {length} (x, z, or not recorded)"
        return
    if silence.at_begin:
        yield silence.until_ps, f"pulses begin, after {length} without"
        return
    line = "the line is stuck at the level of the separators" if silence.stuck else "the line is idle"
    end = "to the end of the capture" if silence.at_end else "then they resume"
    motors = _motors(silence.from_ps, silence.until_ps, trace)
    yield silence.from_ps, f"pulses stop for {length}, {end}; {line}{motors}"


def _steady_events(steady: SteadyState, train: PulseTrain, trace: Trace | None) -> Iterator[tuple[int, str]]:
    lasted = us(steady.until_ps - steady.from_ps)
    end = " and to the end of the capture" if steady.to_the_end else ""
    if steady.kind is SteadyKind.PRESET and steady.onset is not Onset.JUMP:
        text = f"all channels at the profile's failsafe values for {lasted}{end}; {steady.onset.value}."
        yield steady.from_ps, f"{text} Sticks at rest at these values look the same"
        return
    jump = f"{counted(steady.channels, 'channel')} jump together"
    if steady.kind is SteadyKind.POSSIBLE and steady.back:
        yield steady.from_ps, f"{jump} back to their earlier values"
        return
    if steady.kind is SteadyKind.POSSIBLE:
        yield steady.from_ps, f"{jump}, then are steady for {lasted}{end}: a possible failsafe. {_hold(steady, train)}"
        return
    where = {
        SteadyKind.PRESET: "to the profile's failsafe values",
        SteadyKind.ALL_BUT_ONE: "to the profile's failsafe values, except one",
        SteadyKind.OTHER: "to other values than the profile's failsafe values",
    }[steady.kind]
    cut, motors = _cut(steady, train, trace), _motors(steady.from_ps, steady.until_ps, trace)
    yield steady.from_ps, f"{jump} {where}, for {lasted}{end}. {_hold(steady, train)}{cut}{motors}"


def _hold(steady: SteadyState, train: PulseTrain) -> str:
    """Return the upper bound of the hold time: the time for which the channels were steady."""
    held_ps, frame_ps = steady.held_ps or 0, train.usual_period_ps
    if steady.held_most_ps is None:
        return f"No channel had moved for {us(held_ps)}, since the pulses began: the hold time is unknown"
    return (
        f"No channel had moved for {us(held_ps)} ± one frame ({us(frame_ps)}): if the link was lost, and the receiver "
        f"does not smooth its outputs, the hold time was at most {us(steady.held_most_ps)}, less if the sticks were at "
        "rest before"
    )


def _cut(steady: SteadyState, train: PulseTrain, trace: Trace | None) -> str:
    """Return the longest possible time from link loss to idle throttle, and its limit."""
    if trace is None or steady.held_most_ps is None or trace.profile.throttle_index >= train.channels:
        return ""
    profile = trace.profile
    slots_ps = train.widths_ps[steady.first, : profile.throttle_index + 1]
    if slots_ps[-1] > profile.requirements.idle_below_us * PS_PER_US:
        return "; the throttle is not idle"
    most_ps = steady.held_most_ps + int(slots_ps.sum())
    required = quantity(profile.requirements.cut_within_us, "µs")
    return f"; the throttle pulses were idle at most {us(most_ps)} after the loss (limit {required})"


def _motors(from_ps: int, until_ps: int, trace: Trace | None) -> str:
    """Return a sentence about the motors of the profile's flight controller in an interval."""
    if trace is None:
        return ""
    from_us, until_us = from_ps // PS_PER_US, until_ps // PS_PER_US
    if not trace.motor.at(from_us):
        highest = failsafe.highest_motor_command(trace, from_us, until_us)
        return f". Motors turn, up to {highest.value:g} %" if highest.value else ". Motors were already at rest"
    stop = failsafe.time_to_motor_stop(trace, from_us, until_us)
    if stop.only_at_least:
        return f". Motors keep turning at {trace.motor.at(until_us) / 10:g} %"
    after_stop = failsafe.highest_motor_command(trace, from_us + round(stop.value), until_us)
    again = f", but turn again, up to {after_stop.value:g} %" if after_stop.value else ""
    return f". Motors at rest after {stop}{again}"


def channel_table(findings: Findings, profile: Profile | None) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of a table of the channels."""
    train = findings.train
    rows = np.concatenate(
        [np.arange(steady.first, steady.last + 1) for steady in findings.failsafes] or [np.zeros(0, int)]
    )
    head = ["channel", "lowest", "highest", "last"]
    head += ["failsafe seen"] * bool(len(rows)) + ["profile"] * bool(profile)
    made = []
    for index, name in enumerate(names(train, profile)):
        column = train.widths_ps[:, index]
        cells = [f"{index + 1} {name}", us(column.min()), us(column.max()), us(column[-1])]
        if len(rows):
            low, high = us(column[rows].min()), us(column[rows].max())
            cells.append(low if low == high else f"{low} to {high}")
        if profile:
            known = index < len(profile.channels)
            cells.append(us(profile.channels[index].failsafe_us * PS_PER_US) if known else "unused")
        made.append(cells)
    return head, made


def shape(train: PulseTrain) -> list[str]:
    """Return the measured shape of the train."""
    polarity = train.polarity or "not recorded"
    style = train.style or "fixed period or fixed gap (the sum of the widths never changed)"
    lines = [f"{style}, {counted(train.channels, 'channel')}, polarity {polarity}"]
    for name, times_ps in (
        ("frame period", train.periods_ps), ("gap", train.gaps_ps), ("separator", whole_separators_ps(train))
    ):  # fmt: skip
        if len(times_ps):
            lines.append(f"{name} {us(float(np.median(times_ps)))} ({us(times_ps.min())} to {us(times_ps.max())})")
    return lines


def proposal(train: PulseTrain) -> str:
    """Return the lines of a profile that describe the train."""
    period_us, gap_us, separator_us = (
        float(np.median(times_ps)) / PS_PER_US if len(times_ps) else 0.0
        for times_ps in (train.periods_ps, train.gaps_ps, whole_separators_ps(train))
    )
    lines = ["[output]", f'style = "{train.style or "fixed period"}"']
    if train.style is None:
        lines[-1] += "  # or fixed gap: the sum of the widths never changed"
    if train.style == "fixed gap":
        lines.append(f'frame_gap = "{_near(gap_us, 100, "duration")}"  # measured {gap_us:.3f} us')
    else:
        lines.append(f'frame_period = "{_near(period_us, 100, "duration")}"  # measured {period_us:.3f} us')
    lines.append(f"channels = {train.channels}")
    lines.append(f'separator = "{_near(separator_us, 10, "width")}"  # measured {separator_us:.3f} us')
    if train.polarity:
        lines.append(f'polarity = "{train.polarity}"')
    return "\n".join(lines)


def _near(value_us: float, step_us: int, kind: str) -> str:
    """Return a time as text, rounded to `step_us` where that changes it by at most 1 %."""
    rounded = round(value_us / step_us) * step_us
    return text_of(rounded if abs(rounded - value_us) <= 0.01 * value_us else round(value_us), kind)


def notes(capture: Capture, findings: Findings) -> list[str]:
    """Return remarks about the file, what was left out, and differences from the profile."""
    glitches = len(findings.train.glitches_ps)
    removed = [f"pulses far shorter than a separator, left out: {glitches}"] if glitches else []
    return [*capture.notes, *removed, *findings.differences]


def sampling(train: PulseTrain) -> tuple[str, str]:
    """Return sample period and rounding, and the uncertainty that follows from them."""
    resolution = train.resolution
    step = _period(resolution.rounding_ps)
    if resolution.is_hidden:
        period = f"hidden by the file's step, so up to {step} (--tick sets it), rounded by the file to {step}"
    else:
        period = _period(resolution.sample_period_ps)
        period += f", rounded by the file to {step}" if resolution.rounding_ps else ""
    expanded, worst = quantity(train.uncertainty_us, "µs"), quantity(resolution.worst_us, "µs")
    return period, f"± {expanded} (k = 2), at most ± {worst}, without the error of the analyser's clock"


def _period(period_ps: float) -> str:
    return f"{period_ps / 1000:.4g} ns" if period_ps < PS_PER_US else quantity(period_ps / PS_PER_US, "µs")
