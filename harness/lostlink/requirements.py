"""The catalogue: every requirement of the suite, with its id, severity, requirement sentence and fault sentence.

Ids are stable: profiles, reports and replays refer to them. FS failsafe, PW power-on, RC recovery, LK
normal operation, CH channels, FR frames, LT latency, DF difference from the simulation, HS a handset under test,
PR handset and receiver together.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Collection, Iterable
from typing import Final, TypeVar

from lostlink.errors import UsageError
from lostlink.files import whole_text
from lostlink.verdicts import Requirement, Severity, Side, counted

_CRITICAL, _MAJOR, _MINOR = Severity.CRITICAL, Severity.MAJOR, Severity.MINOR

_ROWS: Final = (
    # --- link loss -------------------------------------------------------------------------------
    ("FS-CUT", _CRITICAL, "When the link is lost, the throttle pulses go to idle within the limit.",
     "the throttle is not cut in time when the link is lost"),
    ("FS-MOTOR", _CRITICAL, "When the link is lost, the motors stop within the limit.",
     "the motors do not stop in time when the link is lost"),
    ("FS-VALUE", _CRITICAL, "In failsafe the throttle output is at or below idle.",
     "the throttle failsafe value is above idle"),
    ("FS-RISE", _CRITICAL, "After a link loss the throttle never rises above its last value.",
     "the throttle rises when the link is lost"),
    ("FS-LONG", _CRITICAL, "After more than a minute of flight the throttle is still cut within the limit.",
     "the throttle is cut too late after a long flight"),
    ("FS-AGAIN", _CRITICAL, "A second link loss in the same flight cuts the throttle within the limit.",
     "the throttle is not cut in time at the second link loss"),
    ("FS-VARIED", _CRITICAL, "In flights that vary throttle, sticks, switches, losses, disturbances and returns, no "
     "requirement is broken.", "a varied flight breaks a requirement"),
    ("FS-PRESET", _MAJOR, "In failsafe the output is as configured: each channel's failsafe value, or no pulses.",
     "the output in failsafe is not the configured one"),
    ("FS-STAY", _CRITICAL, "Once cut, the throttle stays at idle until the link returns.",
     "the throttle rises again while the link is still lost"),
    ("FS-OFF", _CRITICAL, "Switching the handset off cuts the throttle within the limit.",
     "the throttle is not cut in time when the handset goes off"),
    ("FS-FADE", _CRITICAL, "When the signal fades out, the throttle is cut within the limit of the last good packet.",
     "the throttle is not cut in time when the signal fades out"),
    ("FS-JAM", _CRITICAL, "When interference blocks every packet, the throttle is cut within the limit.",
     "the throttle is not cut in time under interference"),
    ("FS-ADDRESS", _CRITICAL, "Packets sent to another address do not keep the throttle up.",
     "packets sent to another address keep the throttle up"),
    ("FS-FOREIGN", _CRITICAL, "After a link loss, packets from a foreign handset do not keep the throttle up.",
     "a foreign handset keeps the throttle up after the link is lost"),
    ("FS-INTRUDER", _CRITICAL, "A foreign handset on the same address does not move the throttle.",
     "a foreign handset moves the throttle"),
    ("FS-DAMAGED", _CRITICAL, "Damaged packets neither keep the throttle up nor move it.",
     "damaged packets keep the throttle up or move it"),
    ("FS-STALE", _CRITICAL, "A hung handset that repeats its last packet does not keep the throttle up.",
     "a hung handset keeps the throttle up indefinitely"),
    ("FS-HANG", _CRITICAL, "When the receiver's main loop hangs, the motors stop within the limit.",
     "the motors keep running when the receiver's main loop hangs"),
    ("FS-WRAP", _CRITICAL, "The throttle is cut within the limit when the receiver's counter wraps.",
     "the throttle is not cut in time when the counter wraps"),
    ("FS-SILENT", _CRITICAL, "When the pulse output stops, the motors stop within the limit.",
     "the motors keep running when the pulse output stops"),
    ("FS-SAYS", _MINOR, "The receiver's failsafe flag agrees with its pulse output.",
     "the failsafe flag does not agree with the pulse output"),
    # --- power-on and reset -------------------------------------------------------------------------------
    ("PW-IDLE", _CRITICAL, "From power-on to the first packet the throttle output is at idle.",
     "the throttle is above idle at power-on, before any packet"),
    ("PW-STICK", _CRITICAL, "At power-on with the throttle stick up, the motors do not start.",
     "the motors start at power-on with the throttle stick up"),
    ("PW-RESET", _CRITICAL, "After a reset in flight with the link lost, the throttle output is at idle.",
     "the throttle is above idle after a reset with the link lost"),
    ("PW-BROWNOUT", _CRITICAL, "After a brown-out in flight the motors do not restart on their own.",
     "the motors restart on their own after a brown-out"),
    # --- link return ------------------------------------------------------------------------------
    ("RC-LIVE", _CRITICAL, "When the link returns with the throttle stick up, the motors do not start.",
     "the motors start on their own when the link returns"),
    ("RC-GLITCH", _CRITICAL, "When the link returns with the throttle stick low, no throttle pulse is above idle.",
     "the throttle jumps when the link returns"),
    ("RC-TIME", _MAJOR, "When the link returns, control is restored within the limit.",
     "control is not restored in time when the link returns"),
    ("RC-REARM", _MAJOR, "After the link has returned, the pilot can restart the motors.",
     "the motors cannot be restarted after a failsafe"),
    ("RC-STRAY", _MAJOR, "Single stray packets do not end the failsafe.",
     "a stray packet ends the failsafe"),
    ("RC-CHATTER", _MAJOR, "An intermittent link does not make the output chatter.",
     "the output chatters on an intermittent link"),
    # --- normal operation ---------------------------------------------------------------------------------------
    ("LK-CONTROL", _MAJOR, "With a good link, the throttle stick controls the motors.",
     "the throttle stick does not control the motors"),
    ("LK-FALSE", _MAJOR, "Ordinary packet loss does not trigger a failsafe, and changes no channel.",
     "ordinary packet loss changes the output in flight"),
    ("LK-GAP", _MAJOR, "A gap shorter than the timeout changes no channel and stops no motor.",
     "a gap shorter than the timeout changes the output in flight"),
    ("LK-START", _CRITICAL, "While the throttle stick is low, throttle and motors do not start by themselves after "
     "power-on, a return, a reset or a hang.", "the throttle rises or the motors start without the pilot"),
    ("LK-WRAP", _MAJOR, "A wrap of the receiver's counter in flight does not cut the throttle.",
     "a wrap of the receiver's counter cuts the throttle in flight"),
    # --- channels -------------------------------------------------------------------------------------------
    ("CH-VALUE", _MAJOR, "Every stick and switch position gives the specified pulse width.",
     "a channel outputs wrong pulse widths"),
    ("CH-CENTRE", _MAJOR, "A centred stick gives the middle of the pulse width range.",
     "a centred stick does not give the middle of the range"),
    ("CH-ENDS", _MAJOR, "A stick at its stop gives the end of the pulse width range.",
     "a stick does not reach the end of its range"),
    ("CH-ORDER", _CRITICAL, "Each stick and switch moves its own channel and no other.",
     "a stick or switch moves the wrong channel"),
    ("CH-SENSE", _CRITICAL, "No channel is reversed.",
     "a channel is reversed"),
    ("CH-STEPS", _MINOR, "A channel changes strictly monotonically with its stick.",
     "a channel does not follow its stick monotonically"),
    ("CH-WIRE", _MAJOR, "A broken stick wire does not affect other channels.",
     "a broken stick wire affects other channels"),
    # --- the pulse train ------------------------------------------------------------------------------------
    ("FR-PERIOD", _MAJOR, "The frame period is within tolerance and free of jitter.",
     "the frame period is wrong or has jitter"),
    ("FR-SYNC", _MAJOR, "The sync gap is long enough with every stick at its high stop.",
     "the sync gap is too short to be recognised"),
    ("FR-SEPARATOR", _MINOR, "The separator pulses have the specified length.",
     "the separator pulses have the wrong length"),
    ("FR-COUNT", _MAJOR, "Every frame has the specified number of channels.",
     "frames have the wrong number of channels"),
    ("FR-TORN", _MAJOR, "No frame mixes the channels of two packets.",
     "frames mix the channels of two packets"),
    # --- latency --------------------------------------------------------------------------------------------
    ("LT-STICK", _MAJOR, "A stick movement reaches the pulse output within the limit.",
     "the stick latency is too high"),
    # --- comparison with the simulation ------------------------------------------------------------------------------
    ("DF-AGREE", _MINOR, "The receiver gives the same output as the simulated receiver for the same packets.",
     "the output differs from that of the simulated receiver"),
    # --- a handset under test ---------------------------------------------------------------------------------
    ("HS-VALUE", _MAJOR, "Every position of every stick and switch is sent as the specified code.",
     "the handset sends wrong codes"),
    ("HS-CENTRE", _MAJOR, "A centred stick is sent as the middle code.",
     "the handset does not send the middle code for a centred stick"),
    ("HS-ENDS", _MAJOR, "A stick at its stop is sent as the last code.",
     "the handset does not send the last code for a stick at its stop"),
    ("HS-ORDER", _CRITICAL, "Each stick and switch is sent in its own byte and changes no other.",
     "the handset sends a stick or switch in the wrong byte"),
    ("HS-SENSE", _CRITICAL, "Each stick and switch is sent the right way round.",
     "the handset sends a channel the wrong way round"),
    ("HS-STEPS", _MINOR, "A stick that moves one way is never sent as going back.",
     "the handset sends a stick as going back while it moves one way"),
    ("HS-STILL", _MINOR, "A stick that stands still is sent as standing still.",
     "the handset sends a stick at rest as moving"),
    ("HS-SWITCH", _CRITICAL, "A switch whose contacts bounce is sent as one change.",
     "the handset sends the bouncing of a switch"),
    ("HS-RATE", _MAJOR, "Packets leave at the specified rate.",
     "the handset does not keep its packet rate"),
    ("HS-GAP", _CRITICAL, "Packets never pause for a quarter of the receiver's timeout.",
     "the handset pauses for so long that the throttle may be cut"),
    ("HS-FRESH", _CRITICAL, "A packet holds what the sticks show when it leaves.",
     "the handset sends old stick positions"),
    ("HS-BUSY", _MAJOR, "After its radio was busy the handset sends the newest positions.",
     "the handset sends old positions after its radio was busy"),
    ("HS-COUNT", _MAJOR, "The packet counter goes on by one with each new packet.",
     "the handset's packet counter is wrong"),
    ("HS-MARK", _MAJOR, "Every packet has its length, link id and check byte.",
     "the handset sends packets with a wrong length, link id or check byte"),
    ("HS-ADDRESS", _CRITICAL, "Packets go to the receiver's address only.",
     "the handset sends packets to another address"),
    ("HS-RADIO", _MAJOR, "A radio that stopped or forgot its set-up is set up again within a second.",
     "the handset does not set its radio up again"),
    ("HS-DEAF", _CRITICAL, "A receiver that does not answer does not slow the handset down.",
     "the handset slows down or sends old positions when its receiver does not answer"),
    ("HS-START", _CRITICAL, "Switched on with the throttle up, the handset sends no throttle until the stick was low.",
     "the handset sends throttle when it is switched on with the stick up"),
    ("HS-FIRST", _CRITICAL, "The first packets after power-on and reset hold the sticks.",
     "the first packets of the handset do not hold the sticks"),
    ("HS-RESET", _CRITICAL, "After a reset in flight the handset is back before the throttle is cut, with the sticks.",
     "after a reset the handset is silent for too long or sends other positions"),
    ("HS-HANG", _CRITICAL, "When its main loop hangs, the handset sends no packets that look new.",
     "the handset goes on sending packets that look new while its main loop hangs"),
    ("HS-WIRE", _CRITICAL, "A broken throttle wire never sends more throttle.",
     "the handset sends more throttle when the throttle's wire breaks"),
    ("HS-FLOAT", _MAJOR, "A broken stick wire moves no other channel of the handset's packets.",
     "a broken stick wire of the handset moves other channels or delays packets"),
    ("HS-BATTERY", _MAJOR, "The pilot is warned of a battery that is low, in time and not before.",
     "the handset does not warn of a low battery, or warns of a good one"),
    ("HS-REF", _CRITICAL, "A battery that falls does not move the sticks.",
     "the handset's sticks move when its battery falls"),
    ("HS-WRAP", _MAJOR, "A wrap of the handset's counter changes nothing.",
     "the handset sends at another rate or other positions when its counter wraps"),
    ("HS-VARIED", _CRITICAL, "In uses that vary sticks, switches, contacts, radio, resets, hangs and broken wires, no "
     "requirement is broken.", "a varied use of the handset breaks a requirement"),
    ("HS-LONG", _MAJOR, "After minutes of use the handset sends as at first.",
     "the handset sends at another rate or other positions after minutes of use"),
    # --- handset and receiver under test together -------------------------------------------------------------
    ("PR-MATCH", _CRITICAL, "The receiver takes the handset's packets.",
     "the receiver does not take the handset's packets"),
    ("PR-VALUE", _MAJOR, "Every stick and switch position of the handset gives the specified pulse width.",
     "handset and receiver together give wrong pulse widths"),
    ("PR-STICK", _MAJOR, "A movement of the handset's stick reaches the pulse output within the limit.",
     "handset and receiver together are too slow"),
    ("PR-OFF", _CRITICAL, "Switching the handset off stops the motors within the limit.",
     "the motors do not stop in time when the handset goes off"),
    ("PR-HANG", _CRITICAL, "When the handset's main loop hangs, the motors stop or follow the sticks again.",
     "the motors run on without control when the handset's main loop hangs"),
    ("PR-RESET", _CRITICAL, "When the handset resets in flight, the motors never run higher than the stick.",
     "the motors run higher than the stick after a reset of the handset"),
    ("PR-START", _CRITICAL, "Switched on with the throttle up, in either order, the motors stay at rest.",
     "the motors start when both ends are switched on with the throttle up"),
    ("PR-SWITCH", _CRITICAL, "An arming switch whose contacts bounce arms once.",
     "a bouncing arming switch arms more than once"),
    ("PR-WIRE", _CRITICAL, "When the throttle's wire breaks in flight, the motors run no higher than before.",
     "the motors run higher when the throttle's wire breaks"),
    ("PR-FALSE", _MAJOR, "The handset's packets and ordinary packet loss cause no failsafe.",
     "the handset's pauses and ordinary packet loss cut the throttle in flight"),
)  # fmt: skip

CATALOGUE: Final[dict[str, Requirement]] = {row[0]: Requirement(*row) for row in _ROWS}


def of_sides(*sides: Side) -> list[str]:
    """Return the ids of the requirements on some sides of a link."""
    return [name for name, required in CATALOGUE.items() if required.side in sides]


_GROUPS: Final = {name.partition("-")[0] for name in CATALOGUE}
_Test = TypeVar("_Test", bound=Callable[..., object])


def others(ids: Iterable[str]) -> str:
    """Return the number of requirements on a receiver that are not among some, as text."""
    return counted(len(set(of_sides(Side.RECEIVER)) - set(ids)), "other requirement")


def wrong_id(name: str) -> str:
    """Return an error message for an unknown requirement id; empty if the id is valid.

    An id whose group is not in the catalogue, such as MY-FIELD, may be that of a custom requirement.
    """
    if name in CATALOGUE or ("-" in name and name.partition("-")[0] not in _GROUPS):
        return ""
    near = difflib.get_close_matches(name.upper(), CATALOGUE, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ";"
    return f"no requirement {name!r}{hint} allowed: an id that lostlink explain lists, or a custom one"


def ids_of(option: str, text: str, sides: Collection[Side]) -> list[str]:
    """Return the ids in the comma-separated list of an option; upper or lower case for those of the catalogue.

    Parameters
    ----------
    sides : collection of Side
        What is under test.

    Raises
    ------
    UsageError
        If the list is empty, an id is unknown, or is about a side that is not under test.
    """
    names = [name.strip() for name in text.split(",") if name.strip()]
    if not names:
        raise UsageError(f"{option}: {text!r} names no requirement; give ids, separated by commas: FS-CUT,FS-STAY")
    ids = [name.upper() if name.upper() in CATALOGUE else name for name in names]
    if problem := next(filter(None, map(wrong_id, ids)), ""):
        raise UsageError(f"{option}: {problem}")
    for name in ids:
        if name in CATALOGUE and CATALOGUE[name].side not in sides:
            needed = _NAMED_BY[CATALOGUE[name].side]
            options = " and ".join(f"{option.removesuffix('only')}{word}" for word in needed)
            raise UsageError(
                f"{option}: {name} is about a {' and a '.join(needed)} under test; leave it out, or give {options}"
            )
    return ids


_NAMED_BY: Final = {Side.RECEIVER: ("receiver",), Side.HANDSET: ("handset",), Side.PAIR: ("handset", "receiver")}
"""What must be under test for the requirements of a side; options have these names."""

DECORATED: Final[list[tuple[str, int, str]]] = []
"""File, line and name of each custom test with a requirement, also of those that pytest does not collect."""


def requires(requirement_id: str) -> Callable[[_Test], _Test]:
    """Mark a test of the suite as the test for a requirement of the catalogue."""
    return _marked(CATALOGUE[requirement_id])


def requirement(
    requirement_id: str, severity: str, sentence: str, fault: str = "a custom requirement is not met"
) -> Callable[[_Test], _Test]:
    """Mark a custom test as the test for a custom requirement.

    Parameters
    ----------
    requirement_id : str
        Must not be in the catalogue.
    severity : {"critical", "major", "minor"}
    sentence : str
        What must be true.
    fault : str, optional
        What is wrong if the requirement is not met.

    Raises
    ------
    ValueError
        If the id is in the catalogue or has characters other than letters, digits and '-', the severity is unknown, the
        sentence is empty, or a text contains a lone surrogate.
    """
    if not re.fullmatch(r"[A-Za-z0-9]+(-[A-Za-z0-9]+)*", requirement_id):
        raise ValueError(f"requirement id {requirement_id!r}: allowed: letters and digits, parts joined by '-'")
    if requirement_id in CATALOGUE:
        raise ValueError(f"requirement id {requirement_id!r} is taken by the suite; choose one of your own")
    if not sentence.strip():
        raise ValueError(f"requirement {requirement_id!r}: its sentence is empty; say what must be true")
    if halved := next((text for text in (sentence, fault) if text != whole_text(text)), None):
        raise ValueError(f"requirement {requirement_id!r}: {halved!a} contains a lone surrogate")
    mark = _marked(Requirement(requirement_id, Severity(severity), sentence, fault))

    def noted(test: _Test) -> _Test:
        code = getattr(test, "__code__", None)
        if code is not None:
            DECORATED.append((code.co_filename, code.co_firstlineno, code.co_name))
        return mark(test)

    return noted


def _marked(required: Requirement) -> Callable[[_Test], _Test]:
    import pytest

    def mark(test: _Test) -> _Test:
        marked: _Test = pytest.mark.requirement(required)(test)
        return marked

    return mark
