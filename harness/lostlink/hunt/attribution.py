"""Which requirement a broken invariant is attributed to, by the faults that were active at the time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from lostlink.hunt.windows import Facts, Span, active
from lostlink.requirements import CATALOGUE
from lostlink.scenarios import WRAPS
from lostlink.verdicts import Requirement, Severity
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
    """Return why no receiver of this link can tell a fault from good packets; None when it can."""
    handset = profile.handset
    match fault:
        case HandsetHung() if not handset.packet_counter:
            return "packets carry no counter, so no receiver can tell a hung handset from a steady pilot"
        case ForeignHandset() if handset.link_id is None and fault.payload_bytes in (None, profile.payload_bytes):
            return "packets carry no link id, so no receiver can tell a foreign handset of the same layout"
        case DamagedPayload() | FadeRamp() if not profile.radio.crc_bytes and not handset.check_byte:
            return "the radio's CRC is off and packets carry no check byte, so no receiver can tell damage"
    return None


def causes(facts: Facts, from_us: int, until_us: int) -> list[str]:
    """Return the requirements about the faults that were active in a time."""
    return [name for kinds, name in _CAUSES if any(active(facts.trace, kind, from_us, until_us + 1) for kind in kinds)]


def wraps(facts: Facts, from_us: int, until_us: int) -> bool:
    """Return whether the receiver's counter passes a value of `WRAPS` in a time."""
    scenario, boot_us = facts.trace.scenario, facts.profile.receiver.boot_us
    lives = [(up_us, 0) for down_us, up_us in facts.restarts[1:] if up_us <= from_us]
    up_us, start = max(lives, default=(scenario.receiver_on_us + boot_us, scenario.receiver_clock_us))
    first, last = start + max(0, from_us - up_us), start + until_us - up_us
    # The whole counter comes back to a value after 2^32 µs, 16 bits of milliseconds after as much as they hold.
    periods_us = ((value, value if value < 2**31 else 2**32) for value, _ in WRAPS)
    return any((last - value) // period > (first - value) // period for value, period in periods_us)


def silence_ids(facts: Facts, span: Span, at_us: int, otherwise: str) -> list[str]:
    """Return the requirements that a throttle above idle in a silence breaks, the most specific first."""
    ids = causes(facts, span.heard_us - 1_000, at_us)
    clock_was_set = facts.trace.scenario.receiver_clock_us != 0
    if clock_was_set and wraps(facts, span.heard_us - facts.profile.cut_delay_us - 1_000_000, at_us):
        ids.append("FS-WRAP")
    if any(span.heard_us - 1_000_000 < down_us <= at_us for down_us, _ in facts.restarts[1:]):
        ids.append("PW-RESET")
    if failed_before(facts, span.heard_us):
        ids.append("FS-AGAIN")
    if span.heard_us > LONG_FLIGHT_US:
        ids.append("FS-LONG")
    return [*ids, otherwise]


def failed_before(facts: Facts, before_us: int) -> bool:
    """Return whether the receiver was in failsafe earlier in the flight."""
    flag = facts.trace.failsafe
    starts = [up_us for _, up_us in facts.restarts]
    rises_us = flag.at_us[(flag.value == 1) & (flag.at_us < before_us)].tolist()
    # After a start the flag is set initially.
    by_silence = any(all(abs(at_us - up_us) > 1_000 for up_us in starts) for at_us in rises_us)
    return by_silence or any(other.heard_us < before_us and not other.restart for other in facts.cuts)


def starting(facts: Facts, at_us: int) -> str:
    """Return "before" the first good packet of a start-up, "few" before enough of them; else an empty string."""
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
