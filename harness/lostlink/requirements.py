"""The catalogue: every requirement of the suite, with its id, its severity and sentences for a pilot.

Ids are stable: profiles waive them, reports and replays name them. FS failsafe, PW power-on, RC recovery, LK the
link in ordinary use, CH channels, FR frames, LT latency.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from typing import Final, TypeVar

from lostlink.verdicts import Requirement, Severity

_CRITICAL, _MAJOR, _MINOR = Severity.CRITICAL, Severity.MAJOR, Severity.MINOR

_ROWS: Final = (
    # --- the link goes away -------------------------------------------------------------------------------
    ("FS-CUT", _CRITICAL, "When the link is lost, the throttle pulses go to idle in time.",
     "the throttle is not cut in time when the link is lost"),
    ("FS-MOTOR", _CRITICAL, "When the link is lost, the motors stop in time.",
     "the motors go on turning when the link is lost"),
    ("FS-VALUE", _CRITICAL, "In failsafe the throttle stands at idle, nothing above.",
     "the throttle's failsafe value is not idle"),
    ("FS-RISE", _CRITICAL, "While the link is away, the throttle never goes above where it was.",
     "the throttle rises when the link is lost"),
    ("FS-LONG", _CRITICAL, "After more than a minute of flight the throttle is cut in time, as at its start.",
     "the throttle is cut too late after a long flight"),
    ("FS-AGAIN", _CRITICAL, "The second loss in a flight cuts the throttle like the first.",
     "the throttle is not cut when the link is lost a second time"),
    ("FS-PRESET", _MAJOR, "In failsafe every channel stands at its own failsafe value.",
     "a channel does not go to its failsafe value"),
    ("FS-STAY", _CRITICAL, "Once cut, the throttle stays cut for as long as the link is away.",
     "the throttle comes back while the link is still lost"),
    ("FS-OFF", _CRITICAL, "Switching the handset off cuts the throttle in time.",
     "the throttle is not cut when the handset is switched off"),
    ("FS-FADE", _CRITICAL, "When the signal fades away slowly, the throttle is cut in time after the last good packet.",
     "the throttle is not cut when the signal fades away"),
    ("FS-JAM", _CRITICAL, "When a strong neighbour drowns every packet, the throttle is cut in time.",
     "the throttle is not cut under interference"),
    ("FS-ADDRESS", _CRITICAL, "Packets to another address do not keep the throttle up.",
     "packets for another address keep the throttle up"),
    ("FS-FOREIGN", _CRITICAL, "A neighbour's handset on our address does not keep the throttle up.",
     "a foreign handset keeps the throttle up after our link is lost"),
    ("FS-INTRUDER", _CRITICAL, "A neighbour's handset on our address does not move our throttle.",
     "a foreign handset moves the throttle"),
    ("FS-DAMAGED", _CRITICAL, "Damaged packets do not keep the throttle up and do not move it.",
     "damaged packets keep the throttle up or move it"),
    ("FS-STALE", _CRITICAL, "A hung handset that repeats its last packet does not keep the throttle up.",
     "a hung handset keeps the throttle up for ever"),
    ("FS-HANG", _CRITICAL, "When the receiver's main loop hangs, the motors stop in time.",
     "a hung main loop leaves the motors running"),
    ("FS-WRAP", _CRITICAL, "The throttle is cut in time also while the receiver's counter wraps.",
     "the throttle is not cut when the receiver's counter wraps"),
    ("FS-SILENT", _CRITICAL, "When the pulses cease, the motors stop in time.",
     "the motors go on turning without pulses"),
    ("FS-SAYS", _MINOR, "The receiver's own failsafe flag agrees with its pulses.",
     "the receiver's failsafe flag is wrong"),
    # --- power-on and reset -------------------------------------------------------------------------------
    ("PW-IDLE", _CRITICAL, "From power-on to the first packet the throttle stands at idle.",
     "the throttle is up at power-on, before any packet"),
    ("PW-STICK", _CRITICAL, "Switched on with the stick up, the motors stay at rest.",
     "the motors start at power-on with the stick up"),
    ("PW-RESET", _CRITICAL, "After a reset in flight with the link gone, the throttle stands at idle.",
     "a reset puts the throttle up"),
    ("PW-BROWNOUT", _CRITICAL, "After a brown-out in flight the motors do not start again by themselves.",
     "the motors start by themselves after a brown-out"),
    # --- the link comes back ------------------------------------------------------------------------------
    ("RC-LIVE", _CRITICAL, "When the link comes back with the stick up, the motors stay at rest.",
     "the motors start by themselves when the link comes back"),
    ("RC-GLITCH", _CRITICAL, "When the link comes back with the stick low, no throttle pulse is above idle.",
     "the throttle jumps when the link comes back"),
    ("RC-TIME", _MAJOR, "When the link comes back, the sticks are in control again in time.",
     "control does not come back in time"),
    ("RC-REARM", _MAJOR, "After the link came back, the pilot can start the motors again.",
     "the motors cannot be started again after a failsafe"),
    ("RC-STRAY", _MAJOR, "Single stray packets do not end failsafe.",
     "a stray packet ends failsafe"),
    ("RC-CHATTER", _MAJOR, "A link that comes and goes does not make the output chatter.",
     "the output chatters between failsafe and sticks"),
    # --- ordinary use ---------------------------------------------------------------------------------------
    ("LK-CONTROL", _MAJOR, "With a good link, the throttle stick drives the motors.",
     "the sticks do not reach the motors"),
    ("LK-FALSE", _MAJOR, "Ordinary packet loss does not cause a failsafe.",
     "ordinary packet loss cuts the throttle in flight"),
    ("LK-GAP", _MAJOR, "A gap shorter than the timeout does not cause a failsafe.",
     "a short gap cuts the throttle in flight"),
    ("LK-WRAP", _MAJOR, "The receiver's counter wraps in flight and nobody notices.",
     "a wrap of the receiver's counter cuts the throttle in flight"),
    # --- channels -------------------------------------------------------------------------------------------
    ("CH-VALUE", _MAJOR, "Every position of every stick and switch gives the pulse width that was meant.",
     "a channel gives wrong pulse widths"),
    ("CH-CENTRE", _MAJOR, "A centred stick gives the middle of the range.",
     "a centred stick is off centre"),
    ("CH-ENDS", _MAJOR, "A stick at its stop reaches the end of the range.",
     "a stick does not reach the end of its range"),
    ("CH-ORDER", _CRITICAL, "Each stick and switch moves its own channel and no other.",
     "a stick moves the wrong channel"),
    ("CH-SENSE", _CRITICAL, "Each channel moves in its own direction.",
     "a channel is reversed"),
    ("CH-STEPS", _MINOR, "A stick that moves one way never makes a channel stand still or step back.",
     "a channel does not rise with its stick"),
    ("CH-WIRE", _MAJOR, "A stick's broken wire disturbs no other channel.",
     "a broken stick wire disturbs other channels"),
    # --- the pulse train ------------------------------------------------------------------------------------
    ("FR-PERIOD", _MAJOR, "Frames come at their period, without jitter.",
     "frames come at the wrong period"),
    ("FR-SYNC", _MAJOR, "The gap that ends a frame is long enough with every stick at its high stop.",
     "the gap between frames is too short to be recognised"),
    ("FR-SEPARATOR", _MINOR, "The pulses that separate channels have their length.",
     "separator pulses have the wrong length"),
    ("FR-COUNT", _MAJOR, "Every frame holds its number of channels.",
     "frames hold the wrong number of channels"),
    ("FR-TORN", _MAJOR, "A frame never mixes the channels of two packets.",
     "frames mix old and new channel values"),
    # --- latency --------------------------------------------------------------------------------------------
    ("LT-STICK", _MAJOR, "A stick's move shows in the pulses in time.",
     "the sticks act too late"),
    # --- beside the simulation ------------------------------------------------------------------------------
    ("DF-AGREE", _MINOR, "The receiver puts out what the simulated receiver does, on the same packets.",
     "the receiver parts from what the profile says of it"),
)  # fmt: skip

CATALOGUE: Final[dict[str, Requirement]] = {row[0]: Requirement(*row) for row in _ROWS}

_GROUPS: Final = {name.partition("-")[0] for name in CATALOGUE}
_Test = TypeVar("_Test", bound=Callable[..., object])


def wrong_id(name: str) -> str:
    """Return what is wrong with a requirement's id, with what is allowed; empty when nothing is.

    An id whose group is not one of the catalogue's, such as MY-FIELD, may be one of the user's own.
    """
    if name in CATALOGUE or ("-" in name and name.partition("-")[0] not in _GROUPS):
        return ""
    near = difflib.get_close_matches(name.upper(), CATALOGUE, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ";"
    return f"no requirement {name!r}{hint} allowed: an id that lostlink explain lists, or one of your own"


def requires(requirement_id: str) -> Callable[[_Test], _Test]:
    """Mark a test of the suite as the one for a requirement of the catalogue."""
    return _marked(CATALOGUE[requirement_id])


def requirement(
    requirement_id: str, severity: str, sentence: str, fault: str = "a requirement of your own is not met"
) -> Callable[[_Test], _Test]:
    """Mark your own test as the one for a requirement of your own.

    Parameters
    ----------
    requirement_id : str
        Not one of the catalogue's.
    severity : {"critical", "major", "minor"}
    sentence : str
        What is required, as a pilot would say it.
    fault : str, optional
        What it means when it is not met.

    Raises
    ------
    ValueError
        If the id is taken or has other signs than letters, digits and '-', or the severity is none.
    """
    if not re.fullmatch(r"[A-Za-z0-9]+(-[A-Za-z0-9]+)*", requirement_id):
        raise ValueError(f"requirement id {requirement_id!r}: allowed: letters and digits, parts joined by '-'")
    if requirement_id in CATALOGUE:
        raise ValueError(f"requirement id {requirement_id!r} is taken by the suite; choose one of your own")
    return _marked(Requirement(requirement_id, Severity(severity), sentence, fault))


def _marked(required: Requirement) -> Callable[[_Test], _Test]:
    import pytest

    def mark(test: _Test) -> _Test:
        marked: _Test = pytest.mark.requirement(required)(test)
        return marked

    return mark
