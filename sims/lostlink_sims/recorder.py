"""Records a run piece by piece, or only counts.

The flight controller decodes frames in batches. In counting mode memory does not grow with the duration.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from lostlink_sims.arrays import Bytes, Ints
from lostlink_sims.fates import Flights
from lostlink_sims.flight import FlightController
from lostlink_sims.frames import Decoded, Frames, concatenated, joined
from lostlink_sims.log import FrameLog
from lostlink_sims.outputs import decoder_of, encoding_of
from lostlink_sims.profile import Profile
from lostlink_sims.scenario import Scenario
from lostlink_sims.trace import NOT_YET, HowSeen, Note, NoteKind, Packets, Steps, Summary, Trace

FRAMES_A_PIECE: Final = 512


class Recorder(FrameLog):
    """Records packets, frames, flags and notes; with `keep` False only counts them."""

    def __init__(self, profile: Profile, *, keep: bool) -> None:
        super().__init__()
        self._keep = keep
        self._leading_edges = encoding_of(profile).leading_edges
        self._decoder = decoder_of(profile, from_rest=True)
        self._flight = FlightController(profile)
        self.summary = Summary()
        self._packets: list[Packets] = []
        self._lengths: list[Ints] = []
        self._frames: list[Frames] = []
        self._seen: list[Decoded] = []
        self._motor: list[tuple[int, int, int]] = []
        self._failsafe: list[tuple[int, int]] = []
        self._failsafe_since_us: int | None = None
        self._flags_seen = False
        self._last_command = 0
        self._by_fate: dict[int, int] = {}
        self.notes: list[Note] = []
        self.foreign: list[int] = []

    # --- packets --------------------------------------------------------------------------------------------

    def packets(self, flights: Flights, arrived: Ints, fate: Bytes, attempts: Bytes) -> None:
        """Record a tile of packets with their results."""
        self.summary.packets += len(fate)
        self.summary.received += int((arrived != NOT_YET).sum())
        for number, times in enumerate(np.bincount(fate).tolist()):
            if times:
                self._by_fate[number] = self._by_fate.get(number, 0) + times
        if self._keep:
            slots, n = flights.slots, len(fate)  # fewer than were planned when the run ended early
            self._packets.append(Packets(slots.left_us[:n], arrived, fate, attempts, slots.payload[:n]))
            if slots.lengths is not None:
                self._lengths.append(slots.lengths[:n])

    # --- frames ---------------------------------------------------------------------------------------------

    def end_frame(self) -> None:
        """Close the open frame; decode the frames before it when they are many."""
        if len(self.start_us) >= FRAMES_A_PIECE:
            self._digest(self.start_us[-1])

    def _digest(self, now_us: int, *, last: bool = False) -> None:
        """Decode all frames but the newest, which may still be cut short; with `last` that one too."""
        n = len(self.start_us) if last else len(self.start_us) - 1
        if n > 0:
            cut = sum(self.count[:n])
            frames = Frames(
                np.array(self.start_us[:n], np.int64), np.array(self.count[:n], np.int64),
                np.array(self.widths_us[:cut], np.int64), np.array(self.until_us[:n], np.int64),
            )  # fmt: skip
            self.start_us, self.count = self.start_us[n:], self.count[n:]
            self.widths_us, self.until_us = self.widths_us[cut:], self.until_us[n:]
            self.summary.frames += n
            if self._keep:
                self._frames.append(frames)
            # The signal timeout is checked only as far as the edges are known: up to the newest complete frame.
            self._look(self._decoder.feed(self._leading_edges(frames)), 0)
        if last:
            self._look(self._decoder.flush(now_us), now_us)

    def _look(self, seen: Decoded, until_us: int) -> None:
        self._flight.see(seen, until_us)
        for at_us, command, arming in self._flight.changes:
            self.summary.motor_starts += command > 0 and self._last_command == 0
            self._last_command = command
            if self._keep:
                self._motor.append((at_us, command, arming))
        self._flight.changes.clear()
        if self._keep:
            self._seen.append(seen)

    # --- the receiver's flag --------------------------------------------------------------------------------

    def failsafe(self, now_us: int, is_on: bool) -> None:
        """Record a change of the receiver's failsafe flag."""
        if self._failsafe_since_us is not None:
            self.summary.failsafe_us += now_us - self._failsafe_since_us
        elif is_on and self._flags_seen:
            self.summary.failsafe_entries += 1
        self._flags_seen = True
        self._failsafe_since_us = now_us if is_on else None
        if self._keep:
            self._failsafe.append((now_us, int(is_on)))

    def note(self, now_us: int, kind: NoteKind, text: str) -> None:
        """Record a remark."""
        if self._keep:
            self.notes.append(Note(now_us, kind, text))

    # --- results --------------------------------------------------------------------------------------------

    def close(self, now_us: int, fates: list[str], events: int) -> None:
        """Complete the record."""
        self._digest(now_us, last=True)
        if self._failsafe_since_us is not None:
            self.summary.failsafe_us += now_us - self._failsafe_since_us
        self.summary.by_fate = {fates[number]: times for number, times in sorted(self._by_fate.items())}
        self.summary.events = events

    def trace(self, profile: Profile, scenario: Scenario, fates: list[str], crash: str | None) -> Trace:
        """Return the recorded trace."""
        motor = np.array(self._motor, np.int64).reshape(-1, 3)
        failsafe = np.array(self._failsafe, np.int64).reshape(-1, 2)
        none, few = np.zeros(0, np.int64), np.zeros(0, np.uint8)
        width = self._packets[0].payload.shape[1] if self._packets else profile.payload_bytes
        payloads = np.zeros((0, width), np.uint8)
        return Trace(
            profile=profile,
            scenario=scenario,
            how_seen=HowSeen.SIMULATED,
            uncertainty_us=0,
            packets=concatenated(Packets(none, none, few, few, payloads), self._packets),
            fates=tuple(fates),
            foreign_us=np.array(self.foreign, np.int64),
            frames=concatenated(Frames(none, none, none, none), self._frames),
            seen=joined(self._seen),
            failsafe=Steps(failsafe[:, 0], failsafe[:, 1]),
            motor=Steps(motor[:, 0], motor[:, 1]),
            arming=Steps(motor[:, 0], motor[:, 2]),
            notes=self.notes,
            summary=self.summary,
            crash=crash,
            payload_lengths=np.concatenate(self._lengths) if self._lengths else None,
        )
