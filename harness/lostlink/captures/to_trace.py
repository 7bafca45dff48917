"""A recorded train as a `Trace`, decoded by the profile's flight controller. Pure.

The flight controller is armed when the capture begins: a capture that begins in flight shows no arming, and a motor
that cannot turn proves nothing about a failsafe.
"""

from __future__ import annotations

from pathlib import PurePath

import numpy as np

from lostlink.captures.signals import PS_PER_US, Capture, Ints
from lostlink.captures.train import PulseTrain
from lostlink_sims import HowSeen, Profile, Scenario, Summary, Trace
from lostlink_sims.flight import Arming, FlightController
from lostlink_sims.frames import NEVER, Frames, joined
from lostlink_sims.outputs import decoder_of
from lostlink_sims.trace import Packets, Steps


def whole_us(ps: Ints) -> Ints:
    """Return picoseconds as the nearest whole microseconds."""
    return (ps + PS_PER_US // 2) // PS_PER_US


def to_trace(train: PulseTrain, capture: Capture, profile: Profile) -> Trace:
    """Return the train in the form that every rig gives, without packets, which a capture does not show.

    Times are relative to the first time stamp of the capture.
    """
    name = PurePath(capture.source).name
    end_us = max(1, train.end_ps // PS_PER_US)
    leads_us = whole_us(train.leads_ps)
    decoder = decoder_of(profile, from_rest=bool(train.frames.whole[0]))
    seen = joined([decoder.feed(leads_us), decoder.flush(end_us)])
    flight = FlightController(profile)
    flight.arming = Arming.ARMED
    flight.see(seen, end_us)
    changes = np.array(flight.changes, np.int64).reshape(-1, 3)
    none, few = np.zeros(0, np.int64), np.zeros(0, np.uint8)
    frames = _frames(train)
    return Trace(
        profile=profile,
        scenario=Scenario(name="".join(one if one.isprintable() else " " for one in name), duration_us=end_us),
        how_seen=HowSeen.MEASURED,
        uncertainty_us=train.resolution.instant_uncertainty_us,
        packets=Packets(none, none, few, few, np.zeros((0, profile.payload_bytes), np.uint8)),
        fates=(),
        foreign_us=none,
        frames=frames,
        seen=seen,
        failsafe=Steps(none, none),
        motor=Steps(changes[:, 0], changes[:, 1]),
        arming=Steps(changes[:, 0], changes[:, 2]),
        notes=[],
        summary=Summary(frames=len(frames.start_us)),
    )


def _frames(train: PulseTrain) -> Frames:
    """Return the whole frames with any number of channels."""
    rows = np.flatnonzero(train.frames.whole)
    first, count = train.frames.first[rows], train.frames.count[rows]
    leads_us = whole_us(train.leads_ps)
    before = np.repeat(np.cumsum(count) - count, count)  # widths of earlier frames
    widths_us = np.diff(leads_us)[np.repeat(first, count) + np.arange(len(before)) - before]
    return Frames(leads_us[first], count, widths_us, np.full(len(rows), NEVER))
