"""Monte Carlo trials of one flight with a link loss.

`FlightTrials.scenario` returns any trial as a `Scenario`, to replay, save and run on any rig. These quantities are
random, from (seed, trial), and uniformly distributed:

- the phases of packets and frames;
- the receiver's 32-bit counter at power-on, and the handset's where its program is under test;
- the stick positions in flight: the throttle from `least_throttle` to its stop, the others over the whole travel;
- the instant of the link loss, in `lost_from_us` .. `lost_until_us`;
- the cause;
- the duration of the loss, within `away_us` in half of the trials, otherwise to the end. A handset that is switched off
  stays off.

The profile's ordinary losses and noise apply throughout.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from lostlink_sims.arrays import Ints, Mask
from lostlink_sims.batch import NEVER
from lostlink_sims.codes import FULL_TRAVEL
from lostlink_sims.profile import Profile
from lostlink_sims.scenario import AnyFault, HandsetOff, InterferenceBurst, LinkCut, Move, Scenario, WrongAddress
from lostlink_sims.streams import BatchStreams, Purpose, Streams, scaled

CAUSES: Final[dict[str, type[AnyFault]]] = {
    kind.name: kind for kind in (LinkCut, HandsetOff, InterferenceBurst, WrongAddress)
}
"""Causes of a link loss; an interference burst loses every packet."""

_INSTANT, _CAUSE, _RETURNS, _AWAY, _CLOCK, _HANDSET_CLOCK, _STICK = 0, 1, 2, 3, 4, 5, 8
_FULL: Final = 1 << 32


@dataclass(frozen=True, slots=True)
class Drawn:
    """What differs between trials: arrays with one element per trial.

    Attributes
    ----------
    packet_phase_us, frame_phase_us, clock_us : (n,) ndarray of int64
    lost_us, back_us : (n,) ndarray of int64
        Link loss and return; the scenario's duration where it does not occur.
    cause : (n,) ndarray of int64
        Index into the causes.
    position : (channels, n) ndarray of int64
        Position of each stick and switch in flight, in millionths.
    """

    packet_phase_us: Ints
    frame_phase_us: Ints
    clock_us: Ints
    lost_us: Ints
    back_us: Ints
    cause: Ints
    position: Ints

    def part(self, first: int, count: int) -> Drawn:
        """Return some of the trials."""
        columns = (getattr(self, field.name) for field in dataclasses.fields(self))
        return Drawn(*(column[..., first : first + count] for column in columns))

    @classmethod
    def joined(cls, parts: Sequence[Drawn]) -> Drawn:
        """Return the trials of all parts."""
        names = [field.name for field in dataclasses.fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts], axis=-1) for name in names))


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightTrials:
    """Trials that differ in random numbers only.

    Attributes
    ----------
    profile : Profile
    seed : int
    moves : tuple of Move
        Take-off, at most one move per channel; stick positions are replaced by random ones.
    duration_us : int
    air_us : int
        Start of the flight.
    lost_from_us, lost_until_us : int
        Bounds of the instant of the link loss, the upper one excluded.
    away_us : (int, int)
        Bounds of the duration of the link loss, where the link returns.
    causes : tuple of str
        Keys of `CAUSES`.
    least_throttle : float
        Lowest throttle in flight, as a share of the travel.
    own_handset : bool
        Whether the program of a handset is under test.
    """

    profile: Profile
    seed: int
    moves: tuple[Move, ...]
    duration_us: int
    air_us: int
    lost_from_us: int
    lost_until_us: int
    away_us: tuple[int, int]
    causes: tuple[str, ...] = tuple(CAUSES)
    least_throttle: float = 0.25
    own_handset: bool = False

    def drawn(self, first: int, count: int) -> Drawn:
        """Return the random quantities of trials `first` .. `first + count` - 1."""
        draws = BatchStreams(self.seed, first, count)
        phases = draws.firsts(Purpose.PHASES, 2)
        return self._made(phases[0], phases[1], draws.firsts(Purpose.TRIALS, self._numbers))

    def positions(self, drawn: Drawn, trial: Ints, at_us: Ints) -> Ints:
        """Return stick positions at instants of some trials, (n, channels), in millionths of the travel.

        Each stick must move once at most, and at once (`moves_once`).
        """
        moved_us = {move.channel: move.at_us for move in self.moves}
        position = np.empty((len(trial), len(self.profile.channels)), np.int64)
        for index, channel in enumerate(self.profile.channels):
            rests = 0 if channel.kind != "stick" or index == self.profile.throttle_index else FULL_TRAVEL // 2
            since_us = moved_us.get(channel.name, NEVER)
            position[:, index] = np.where(at_us >= since_us, drawn.position[index, trial], rests)
        return position

    @property
    def moves_once(self) -> bool:
        """Whether each stick moves once at most, and at once."""
        moved = [move.channel for move in self.moves]
        return len(set(moved)) == len(moved) and not any(move.ramp_us for move in self.moves)

    def switched_off(self, cause: Ints) -> Mask:
        """Return in which trials the cause is the handset being switched off."""
        return np.array([CAUSES[name] is HandsetOff for name in self.causes])[cause]

    @property
    def _numbers(self) -> int:
        return _STICK + len(self.profile.channels)

    def _made(self, packet: NDArray[np.uint32], frame: NDArray[np.uint32], words: NDArray[np.uint32]) -> Drawn:
        profile = self.profile
        lost_us = self.lost_from_us + scaled(words[_INSTANT], self.lost_until_us - self.lost_from_us)
        cause = scaled(words[_CAUSE], len(self.causes))
        least_us, most_us = self.away_us
        back_us = lost_us + least_us + scaled(words[_AWAY], most_us - least_us + 1)
        comes_back = (words[_RETURNS] >= _FULL // 2) & ~self.switched_off(cause) & (back_us < self.duration_us)
        return Drawn(
            packet_phase_us=scaled(packet, profile.handset.packet_interval_us),
            frame_phase_us=scaled(frame, profile.output.frame_period_us),
            clock_us=scaled(words[_CLOCK], _FULL),
            lost_us=lost_us,
            back_us=np.where(comes_back, back_us, self.duration_us),
            cause=cause,
            position=np.stack([self._positions(index, words) for index in range(len(profile.channels))]),
        )

    def _positions(self, index: int, words: NDArray[np.uint32]) -> Ints:
        channel = self.profile.channels[index]
        if channel.kind == "stick":
            least = round(FULL_TRAVEL * self.least_throttle) if index == self.profile.throttle_index else 0
            return least + scaled(words[_STICK + index], FULL_TRAVEL - least + 1)
        position = next((move.position for move in self.moves if move.channel == channel.name), 0.0)
        return np.full(words.shape[1], round(FULL_TRAVEL * position), np.int64)

    def scenario(self, trial: int) -> Scenario:
        """Return one trial as a scenario."""
        draws = Streams(self.seed, trial)
        phases = draws.words(Purpose.PHASES, 0, 2)
        words = draws.words(Purpose.TRIALS, 0, self._numbers)[:, None]
        drawn = self._made(phases[0:1], phases[1:2], words)
        lost_us, back_us = int(drawn.lost_us[0]), int(drawn.back_us[0])
        name = self.causes[int(drawn.cause[0])]
        faults: tuple[AnyFault, ...] = ()
        if lost_us < self.duration_us:
            for_us = back_us - lost_us if back_us < self.duration_us else None
            fault = CAUSES[name](at_us=lost_us, for_us=for_us)  # type: ignore[call-arg]
            faults = (dataclasses.replace(fault, loss=1.0) if isinstance(fault, InterferenceBurst) else fault,)
        names = [channel.name for channel in self.profile.channels]
        position = dict(zip(names, (drawn.position[:, 0] / FULL_TRAVEL).tolist(), strict=True))
        return Scenario(
            name=f"trial {trial}",
            seed=self.seed,
            trial=trial,
            duration_us=self.duration_us,
            receiver_clock_us=int(drawn.clock_us[0]),
            handset_clock_us=int(scaled(words[_HANDSET_CLOCK], _FULL)[0]) if self.own_handset else 0,
            packet_phase_us=int(drawn.packet_phase_us[0]),
            frame_phase_us=int(drawn.frame_phase_us[0]),
            moves=tuple(dataclasses.replace(move, position=position[move.channel]) for move in self.moves),
            faults=faults,
        )
