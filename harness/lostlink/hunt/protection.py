"""What a link cannot protect itself from: no receiver of it can tell, so nothing is held against one."""

from __future__ import annotations

from lostlink_sims import Profile
from lostlink_sims.scenario import DamagedPayload, FadeRamp, Fault, ForeignHandset, HandsetHung


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
