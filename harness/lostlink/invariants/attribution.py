"""Attributes a broken invariant to a requirement, by the faults that were active at the time, and describes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink.invariants.windows import Facts, Span, active
from lostlink.requirements import CATALOGUE
from lostlink.scenarios import WRAPS
from lostlink.verdicts import Requirement, Severity, quantity
from lostlink_sims import Profile
from lostlink_sims.scenario import (
    DamagedPayload,
    FadeRamp,
    Fault,
    ForeignHandset,
    HandsetHung,
    HandsetOff,
    InterferenceBurst,
    LastingFault,
    MainLoopHung,
    PeriodicInterference,
    WrongAddress,
)

_CAUSES: Final[tuple[tuple[tuple[type[LastingFault], ...], str], ...]] = (
    ((ForeignHandset,), "FS-FOREIGN"),
    ((DamagedPayload,), "FS-DAMAGED"),
    ((HandsetHung,), "FS-STALE"),
    ((MainLoopHung,), "FS-HANG"),
    ((HandsetOff,), "FS-OFF"),
    ((WrongAddress,), "FS-ADDRESS"),
    ((FadeRamp,), "FS-FADE"),
    ((InterferenceBurst, PeriodicInterference), "FS-JAM"),
)
"""Faults that cause or hide a loss, and their requirement; the first active one gives the id."""

IMPOSTORS: Final = ("FS-FOREIGN", "FS-DAMAGED", "FS-STALE")

LONG_FLIGHT_US: Final = 60_000_000


@dataclass(frozen=True, slots=True)
class Broken:
    """An invariant that a run breaks.

    Attributes
    ----------
    requirement_id : str
        Of the catalogue.
    group : str
        The invariant. It stays the same while a timeline shrinks; the cause may change.
    at_us : int
        When.
    message : str
        The measurement and its limit, with units.
    causes : tuple of str
        Other requirements about the active faults.
    """

    requirement_id: str
    group: str
    at_us: int
    message: str
    causes: tuple[str, ...] = ()

    @property
    def requirement(self) -> Requirement:
        """The requirement of the catalogue."""
        return CATALOGUE[self.requirement_id]

    @property
    def rank(self) -> int:
        """Index of the severity; 0 is the most severe."""
        return list(Severity).index(self.requirement.severity)


def unprotected(profile: Profile, fault: Fault) -> str | None:
    """Return why no receiver of this link can detect a fault; None if one can."""
    handset = profile.handset
    match fault:
        case HandsetHung() if not handset.packet_counter:
            return "packets carry no counter, so no receiver can distinguish a hung handset from steady sticks"
        case ForeignHandset() if handset.link_id is None and fault.payload_bytes in (None, profile.payload_bytes):
            return "packets carry no link id, so no receiver can distinguish a foreign handset with the same payload"
        case DamagedPayload() | FadeRamp() if not profile.radio.crc_bytes and not handset.check_byte:
            return "the radio's CRC is off and packets carry no check byte, so no receiver can detect damage"
    return None


def causes(facts: Facts, from_us: int, until_us: int) -> list[str]:
    """Return the requirements about the faults that were active between two instants."""
    return [name for kinds, name in _CAUSES if any(active(facts.trace, kind, from_us, until_us + 1) for kind in kinds)]


def wraps(facts: Facts, from_us: int, until_us: int) -> bool:
    """Return whether the receiver's counter passes a value of `WRAPS` between two instants."""
    scenario, boot_us = facts.trace.scenario, facts.profile.receiver.boot_us
    lives = [(up_us, 0) for down_us, up_us in facts.restarts[1:] if up_us <= from_us]
    up_us, start = max(lives, default=(scenario.receiver_on_us + boot_us, scenario.receiver_clock_us))
    first, last = start + max(0, from_us - up_us), start + until_us - up_us
    return passes(WRAPS, first, last)


def passes(wraps: Sequence[tuple[int, str]], first: int, last: int) -> bool:
    """Return whether a counter that goes from `first` to `last` passes one of the critical values."""
    # The 32-bit counter returns to a value after 2^32 µs, 16 bits of milliseconds after the value itself.
    periods_us = ((value, value if value < 2**31 else 2**32) for value, _ in wraps)
    return any((last - value) // period > (first - value) // period for value, period in periods_us)


def silence_ids(facts: Facts, span: Span, at_us: int, otherwise: str) -> list[str]:
    """Return the requirements that a throttle above idle in a silence breaks, the most specific first."""
    ids = causes(facts, span.since_us - 1_000, at_us)
    clock_was_set = facts.trace.scenario.receiver_clock_us != 0
    if clock_was_set and wraps(facts, span.since_us - facts.profile.cut_delay_us - 1_000_000, at_us):
        ids.append("FS-WRAP")
    if any(span.since_us - 1_000_000 < down_us <= at_us for down_us, _ in facts.restarts[1:]):
        ids.append("PW-RESET")
    if failed_before(facts, span.since_us):
        ids.append("FS-AGAIN")
    if span.since_us > LONG_FLIGHT_US:
        ids.append("FS-LONG")
    return [*ids, otherwise]


def failed_before(facts: Facts, before_us: int) -> bool:
    """Return whether the receiver was in failsafe earlier in the flight."""
    flag = facts.trace.failsafe
    starts = [up_us for _, up_us in facts.restarts]
    rises_us = flag.at_us[(flag.value == 1) & (flag.at_us < before_us)].tolist()
    # After a start the flag is set initially.
    by_silence = any(all(abs(at_us - up_us) > 1_000 for up_us in starts) for at_us in rises_us)
    return by_silence or any(other.since_us < before_us and not other.restart for other in facts.cuts)


def starting(facts: Facts, at_us: int) -> str:
    """Return "before" (the first good packet after a start), "few" (before enough of them), or an empty string."""
    for span in facts.cuts:
        if span.restart and span.from_us <= at_us < span.until_us:
            return "before"
    up_us = max((up_us for _, up_us in facts.restarts if up_us <= at_us), default=0)
    first, last = np.searchsorted(facts.arrived_us, (up_us, at_us))
    return "few" if last - first <= facts.profile.receiver.recovery_packets else ""


def just_back(facts: Facts, at_us: int) -> bool:
    """Return whether the link came back less than a second ago."""
    first, last = np.searchsorted(facts.arrived_us, (at_us - 1_000_000, at_us))
    return bool((np.diff(facts.arrived_us[max(0, first - 1) : last]) > facts.times.safe_us).any())


def impostor(facts: Facts, from_us: int, until_us: int) -> str:
    """Return the requirement about packets that were not the pilot's, if there were any; else an empty string."""
    if active(facts.trace, ForeignHandset, from_us, until_us):
        return "FS-INTRUDER"
    return "FS-DAMAGED" if active(facts.trace, DamagedPayload, from_us, until_us) else ""


# --- broken invariants ------------------------------------------------------------------------------------------


def crash(facts: Facts) -> Broken:
    """Attribute a crash of the receiver's program."""
    crash_us = facts.trace.crash_us
    at_us = facts.end_us if crash_us is None else crash_us
    ids = [*causes(facts, at_us - 1_000_000, at_us), "PW-IDLE" if at_us <= facts.restarts[0][1] else "FS-CUT"]
    return Broken(ids[0], "crash", at_us, f"a program under test crashed: {facts.trace.crash}", tuple(ids[1:-1]))


def throttle_not_idle(facts: Facts, span: Span, index: int) -> Broken:
    """Attribute a throttle pulse above idle in a window of `Facts.cuts`."""
    _, end_us, width_us = facts.pulses
    at_us, width, receiver = int(end_us[index]), int(width_us[index]), facts.profile.receiver
    pulse = f"throttle pulse of {width} µs"
    after = f"{pulse} {quantity(at_us - span.since_us, 'µs')} after"
    limit = f"at most {facts.profile.requirements.idle_below_us} µs allowed"
    if span.restart:
        first = span.since_us == facts.restarts[0][1]
        message = f"{after} {'power-on' if first else 'the restart'}, before the first good packet; {limit}"
        return Broken("PW-IDLE" if first else "PW-RESET", "start-up", at_us, message)
    if at_us > span.next_good_us:
        message = f"{pulse} after fewer than {receiver.recovery_packets} good packets in a row; {limit}"
        return Broken("RC-STRAY", "stray", at_us, message)
    ids, group = silence_ids(facts, span, at_us, "FS-CUT"), "throttle in silence"
    commanded_us = facts.commanded_us[np.searchsorted(facts.arrived_us, span.since_us), facts.throttle]
    is_held = abs(width - int(commanded_us)) <= facts.tolerance_us
    if (width_us[(end_us > span.since_us) & (end_us <= at_us)] <= facts.idle_limit_us).any():
        impostors = [name for name in causes(facts, span.since_us, at_us) if name in IMPOSTORS]
        ids, group = [*impostors, "FS-STAY"], "throttle comes back"
    elif ids[0] == "FS-CUT" and not is_held and (width_us[end_us > span.from_us][-2:] == width).all():
        ids[0] = "FS-VALUE"
    message = f"{after} the last good packet; {limit} after {quantity(span.from_us - span.since_us, 'µs')}"
    return Broken(ids[0], group, at_us, message, tuple(ids[1:]))


def motors_running(facts: Facts, span: Span, at_us: int) -> Broken:
    """Attribute motors that run in a window of `Facts.locks`."""
    motor, since_us = facts.trace.motor, span.since_us
    demand = "they must be stopped until the throttle stick has been low"
    if span.restart:
        first = span.since_us == 0
        ids, what = ["PW-STICK" if first else "PW-BROWNOUT"], "power-on" if first else "the restart"
    elif at_us >= span.next_good_us:
        ids, what, since_us = ["RC-LIVE"], "the link was restored", span.next_good_us
    else:
        ids, what = silence_ids(facts, span, at_us, "FS-MOTOR"), "the last good packet"
        if motor.at(span.from_us) == 0:
            ids[-1] = "FS-STAY"
        demand = f"they must be stopped after {quantity(span.from_us - span.since_us, 'µs')}"
    message = f"motors at {motor.at(at_us) / 10:g} % {quantity(at_us - since_us, 'µs')} after {what}; {demand}"
    return Broken(ids[0], f"motors {ids[-1]}", at_us, message, tuple(ids[1:]))


def throttle_rise(facts: Facts, index: int, allowed_us: int) -> Broken:
    """Attribute a throttle pulse that is wider than the last good packets commanded."""
    start_us, end_us, width_us = facts.pulses
    at_us = int(end_us[index])
    name = "FS-RISE"
    if starting(facts, at_us):
        name = "PW-IDLE" if at_us < facts.restarts[0][1] + 1_000_000 else "PW-RESET"
    elif other := impostor(facts, int(start_us[index]) - 1_000_000, at_us):
        name = other
    elif allowed_us == facts.profile.requirements.idle_below_us and just_back(facts, at_us):
        name = "RC-GLITCH"
    message = f"throttle pulse of {int(width_us[index])} µs; good packets commanded at most {allowed_us} µs"
    return Broken(name, "rise", at_us, message)


def pulses_in_failsafe(facts: Facts, span: Span, at_us: int) -> Broken:
    """Attribute a frame in a window of `Facts.cuts` on a link whose pulses cease in failsafe."""
    message = f"a frame {quantity(at_us - span.since_us, 'µs')} after the last good packet; no pulses are specified"
    return Broken("FS-PRESET", "preset", at_us, message, tuple(silence_ids(facts, span, at_us, "FS-PRESET")[:-1]))


def wrong_preset(facts: Facts, span: Span, at_us: int, channel: int, width_us: int) -> Broken:
    """Attribute a channel that does not output its failsafe value in a window of `Facts.cuts`."""
    names = [setting.name for setting in facts.profile.channels]
    name = names[channel] if channel < len(names) else f"unused channel {channel + 1}"
    since = "the last good packet"
    if span.restart:
        since = "power-on" if span.since_us == facts.restarts[0][1] else "the restart"
    message = (
        f"{name} at {width_us} µs {quantity(at_us - span.since_us, 'µs')} after {since}; "
        f"its failsafe value is {facts.presets_us[channel]} µs"
    )
    return Broken("FS-PRESET", "preset", at_us, message, tuple(silence_ids(facts, span, at_us, "FS-PRESET")[:-1]))
