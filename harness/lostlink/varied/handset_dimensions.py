"""What varies from flight to flight of a handset under test, as data: see `lostlink.varied.covering`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from lostlink.varied.covering import Dimension, Row, Value, Variety, any_of
from lostlink_sims import Profile
from lostlink_sims.handset_program import idle_rail, tells_break


def has_switches(profile: Profile) -> bool:
    """Return whether a link has a switch."""
    return any(channel.kind != "stick" for channel in profile.channels)


def _cannot_happen(profile: Profile) -> tuple[str, ...]:
    """Return the events that no program can answer, or that need an address."""
    radio = ("radio dead", "radio forgets") if profile.handset.address is None else ()
    return (*_no_break(profile), *radio)


def _no_break(profile: Profile) -> tuple[str, ...]:
    """Return the breaks of the throttle's wire that no program can tell from a stop, except at its idle end."""
    throttle = profile.channels[profile.throttle_index]
    return tuple(
        f"throttle's wire breaks, reads {rail}"
        for rail in ("low", "high")
        if throttle.kind != "stick" or not (tells_break(throttle, rail) or rail == idle_rail(throttle))
    )


def _no_watchdog(profile: Profile) -> tuple[str, ...]:
    return () if profile.handset.watchdog_us else ("past the watchdog",)


_EVENTS: Final = (
    "main loop hangs", "reset", "off and on", "radio busy", "hangs as a whole",
    "throttle's wire breaks, reads low", "throttle's wire breaks, reads high", "another stick's wire breaks",
    "radio dead", "radio forgets",
)  # fmt: skip

DIMENSIONS: Final = (
    Dimension(
        "at power-on",
        ("throttle low", "throttle up", "throttle a tenth up", "throttle up, all others move", "throttle up for 8 s",
         "other sticks away", "switches on", "everything away"),
        absent=lambda p: () if has_switches(p) else ("switches on",),
    ),
    Dimension(
        "counter at the event",
        ("anywhere", "passes 2^32", "passes 2^31", "passes 2^16 ms", "passes 2^15 ms"),
    ),
    Dimension("age of the flight", ("fresh",), long=("past 2^16 packets", "36 min", "72 min")),
    Dimension("sticks in flight", ("anywhere", "at an end", "beyond an end", "moving slowly", "jumping")),
    Dimension(
        "contacts", ("clean", "bounce for 5 ms", "bounce for 10 ms", "bounce, moved again and again"), has_switches
    ),
    Dimension("ADC noise", ("none", "as declared"), lambda p: p.handset.adc_noise_counts > 0),
    Dimension("radio before the event", ("free", "busy for a packet", "busy for 100 ms", "busy again and again")),
    Dimension(
        "battery", ("full", "falls to its lowest", "at its lowest"), lambda p: p.battery.input_range_mv is not None
    ),
    Dimension("answers", ("all come", "half are lost", "none for a second"), lambda p: p.radio.acknowledge),
    Dimension("event", ("none", *_EVENTS), absent=_cannot_happen),
    Dimension("length", ("a second", "some packets", "half the receiver's timeout", "past the watchdog"),
              absent=_no_watchdog),
    Dimension("second event", ("none", *_EVENTS), absent=_cannot_happen),
    Dimension("second comes", ("after a new start", "soon after", "meanwhile")),
    Dimension("throttle at the event", ("full", "half", "just above idle", "idle")),
    Dimension(
        "controls in the event",
        ("stay", "throttle goes down", "throttle goes up", "all sticks move", "switches flip"),
        absent=lambda p: () if has_switches(p) else ("switches flip",),
    ),
    Dimension("afterwards", ("1 s", "every control moves", "12 s")),
)  # fmt: skip
"""What varies; hazards of the trade, common practice, no source. Any value of one goes with any value of another."""
DECISIVE: Final = ("event", "length", "second event", "second comes", "controls in the event")
"""The dimensions that decide when packets cease and what they hold then."""

LONG_FLIGHTS: Final[tuple[Row, ...]] = (
    {"age of the flight": "past 2^16 packets", "sticks in flight": "jumping", "event": "reset"},
    {"age of the flight": "36 min", "sticks in flight": "moving slowly", "event": "main loop hangs"},
    {"age of the flight": "72 min", "contacts": "bounce, moved again and again", "event": "radio busy"},
)
"""Flights past the ends of common counters: 16 bits of packets, 2^31 and 2^32 us."""


def _events(*words: str) -> tuple[Value, ...]:
    return tuple(value for name in ("event", "second event") for value in any_of(name, *words))


CONCERNS: Final[Mapping[str, tuple[Value, ...]]] = {
    **dict.fromkeys(
        ("HS-VARIED", "HS-VALUE", "HS-ORDER", "HS-SENSE", "HS-MARK", "HS-COUNT", "HS-RATE", "HS-GAP", "HS-FRESH"), ()
    ),
    "HS-SWITCH": any_of("contacts", "bounce for 5 ms", "bounce for 10 ms", "bounce, moved again and again"),
    "HS-START": any_of(
        "at power-on", "throttle up", "throttle a tenth up", "throttle up, all others move", "throttle up for 8 s",
        "everything away",
    ),
    "HS-FIRST": any_of("at power-on", "other sticks away", "everything away"),
    "HS-RESET": _events("reset"),
    "HS-HANG": _events("main loop hangs"),
    "HS-BUSY": (
        *any_of("radio before the event", "busy for a packet", "busy for 100 ms", "busy again and again"),
        *_events("radio busy"),
    ),
    **dict.fromkeys(("HS-ADDRESS", "HS-RADIO"), _events("radio dead", "radio forgets")),
    "HS-DEAF": any_of("answers", "half are lost", "none for a second"),
    "HS-REF": any_of("battery", "falls to its lowest", "at its lowest"),
    "HS-FLOAT": _events("another stick's wire breaks"),
    "HS-WIRE": _events("throttle's wire breaks, reads low", "throttle's wire breaks, reads high"),
    "HS-WRAP": any_of("counter at the event", "passes 2^32", "passes 2^31", "passes 2^16 ms", "passes 2^15 ms"),
    "HS-LONG": any_of("age of the flight", "past 2^16 packets", "36 min", "72 min"),
}  # fmt: skip
"""As in `Variety`."""

HANDSET: Final = Variety(DIMENSIONS, DECISIVE, CONCERNS, LONG_FLIGHTS)
"""The flights of a handset under test."""
