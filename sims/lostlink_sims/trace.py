"""The record of a run: columns of numpy arrays in integer microseconds, the same from every rig."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from typing import NamedTuple

import numpy as np

from lostlink_sims.arrays import Bytes, Ints, Mask
from lostlink_sims.frames import Decoded, Frames
from lostlink_sims.outputs import encoding_of
from lostlink_sims.profile import Profile
from lostlink_sims.scenario import Scenario

NOT_YET = -1
"""Marks an instant that did not occur."""


class NoteKind(Enum):
    """Subject of a note."""

    FAULT = "a scripted fault begins"
    FAULT_END = "a scripted fault ends"
    RESET = "the receiver is reset, by a fault or its watchdog"
    SUPPLY_DOWN = "the receiver's supply fails"
    BOOTED = "a board reports that it has booted"
    BOOTED_ON_ORDER = "a board reports that it has booted on command"
    CRASH = "a program under test crashed"


class Note(NamedTuple):
    """A remark on a run: instant, kind and text."""

    at_us: int
    kind: NoteKind
    text: str


class HowSeen(Enum):
    """Evidence type of a result."""

    SIMULATED = "simulated"
    EMULATED = "emulated"
    REPORTED = "reported by the board"
    MEASURED = "measured on the wire"


@dataclass(slots=True)
class Packets:
    """Packets that left the handset, one row per slot.

    Attributes
    ----------
    left_us, arrived_us : (n,) ndarray of int64
        When it was passed to the radio, and when the first intact copy was delivered (`NOT_YET`: never).
    fate : (n,) ndarray of uint8
        Index into `Trace.fates`.
    attempts : (n,) ndarray of uint8
        Number of times it was sent.
    payload : (n, bytes) ndarray of uint8
    """

    left_us: Ints
    arrived_us: Ints
    fate: Bytes
    attempts: Bytes
    payload: Bytes

    @property
    def lost(self) -> Mask:
        """Where no intact copy reached the receiver."""
        lost: Mask = self.arrived_us == NOT_YET
        return lost


@dataclass(slots=True)
class Steps:
    """A step function.

    Attributes
    ----------
    at_us : (n,) ndarray of int64
    value : (n,) ndarray of int64
    """

    at_us: Ints
    value: Ints

    def at(self, instant_us: int, before: int = 0) -> int:
        """Return the value at an instant; `before` if it precedes the first change."""
        changes = int(np.searchsorted(self.at_us, instant_us, side="right"))
        return int(self.value[changes - 1]) if changes else before


@dataclass(slots=True, kw_only=True)
class Summary:
    """Totals of a run, kept in constant memory.

    Attributes
    ----------
    packets, received, frames : int
    by_fate : dict of str to int
    failsafe_entries : int
        Number of failsafe entries by the receiver's flag, power-on excluded.
    failsafe_us : int
        Total time in failsafe.
    motor_starts : int
        Number of motor starts.
    events : int
        Scheduled events.
    """

    packets: int = 0
    received: int = 0
    frames: int = 0
    by_fate: dict[str, int] = field(default_factory=dict)
    failsafe_entries: int = 0
    failsafe_us: int = 0
    motor_starts: int = 0
    events: int = 0


@dataclass
class Trace:
    """One run of a scenario on a rig.

    Attributes
    ----------
    profile, scenario : Profile, Scenario
    how_seen : HowSeen
    uncertainty_us : int
        Uncertainty (±) of each instant of the run.
    span_uncertainty_us : int
        Uncertainty (±) of a time between two instants on the receiver's own clock: a width, a period.
    separators_us : (n,) ndarray of int64 or None
        Measured length of the separators in each frame; None for the profile's.
    payload_lengths : (n,) ndarray of int64 or None
        Bytes of each payload of a handset under test; None for the profile's length.
    handset_crashed : bool
        Whether it was the program of a handset that raised the exception.
    alarm : Steps or None
        The warnings of a handset under test, where its program is asked for them: see `handset_program.Alarm`.
    doubt : str
        Why the run is inconclusive; empty if it is conclusive.
    packets : Packets
    fates : tuple of str
    foreign_us : (n,) ndarray of int64
        When packets of a foreign handset were delivered.
    frames : Frames
        As output.
    seen : Decoded
        As the flight controller decoded them from the edges.
    failsafe : Steps
        The receiver's own flag: 1 in failsafe.
    motor, arming : Steps
        Motor command 0 .. 1000; 0 locked, 1 ready, 2 armed.
    notes : list of Note
    summary : Summary
    crash : str or None
        The exception that ended the receiver's program, or that of a handset under test.
    """

    profile: Profile
    scenario: Scenario
    how_seen: HowSeen
    uncertainty_us: int
    packets: Packets
    fates: tuple[str, ...]
    foreign_us: Ints
    frames: Frames
    seen: Decoded
    failsafe: Steps
    motor: Steps
    arming: Steps
    notes: list[Note]
    summary: Summary
    crash: str | None = None
    span_uncertainty_us: int = 0
    separators_us: Ints | None = None
    payload_lengths: Ints | None = None
    handset_crashed: bool = False
    alarm: Steps | None = None
    doubt: str = ""

    @property
    def crash_us(self) -> int | None:
        """When the receiver's program crashed; None if it did not."""
        return next((note.at_us for note in self.notes if note.kind is NoteKind.CRASH), None)

    @cached_property
    def edges(self) -> tuple[Ints, Bytes]:
        """Instants and levels of all edges before the end of the scenario."""
        output = self.profile.output
        separators_us = output.separator_us if self.separators_us is None else self.separators_us
        at_us, level = encoding_of(self.profile).edges(self.frames, separators_us, output.polarity)
        came = int(np.searchsorted(at_us, self.scenario.duration_us))
        return at_us[:came], level[:came]

    @cached_property
    def widths_us(self) -> Ints:
        """Pulse widths as the flight controller saw them, (frames, output channels), -1 where none."""
        return self.seen.table(self.profile.output.channels)
