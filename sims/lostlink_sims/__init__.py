"""A radio-control link in virtual time: pure, seeded, exact to the microsecond. No I/O, no wall clock.

The path of a stick position, file by file: `scenario` (the pilot moves) → `handset` (reading, code, payload) →
`fates` and `air` (losses) → `packets` (delivery) → `board` and `receiver` (widths) → `recorder` and `ppm` (edges) →
`flight` (channel seen, motor command) → `trace`.
"""

from lostlink_sims._settings import setting
from lostlink_sims.profile import Channel, Profile
from lostlink_sims.receiver import Receiver, ReferenceReceiver
from lostlink_sims.scenario import Move, Scenario
from lostlink_sims.trace import HowSeen, Summary, Trace
from lostlink_sims.world import simulate, summarise

__all__ = [
    "Channel",
    "HowSeen",
    "Move",
    "Profile",
    "Receiver",
    "ReferenceReceiver",
    "Scenario",
    "Summary",
    "Trace",
    "setting",
    "simulate",
    "summarise",
]
