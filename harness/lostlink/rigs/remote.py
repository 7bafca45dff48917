"""A real receiver board on a simulated link.

The scenario's actions on the board are sent as commands of the bench protocol. The board reports the results later, by
its own clock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from lostlink.bench import codec
from lostlink_sims import Profile
from lostlink_sims.clock import World
from lostlink_sims.power import PowerState
from lostlink_sims.recorder import Recorder

Order = Callable[[codec.Message], object]
LONGEST_US: Final = 1 << 30
"""Longest time in one command: on the board's 32-bit counter a later instant would be in the past."""
_OVERLAP_US: Final = 1_000_000


class RemoteBoard(PowerState):
    """Power state and radio port of a real board.

    Parameters
    ----------
    order : callable
        Sends a message of the bench protocol.
    abilities : int
        What the board can do, as in `codec.Identity`.
    """

    def __init__(self, env: World, profile: Profile, recorder: Recorder, order: Order, abilities: int) -> None:
        super().__init__(env, profile.receiver, recorder)
        self._order = order
        self._resets = bool(abilities & codec.CAN_RESET)
        self.boots = 0
        self.sent: list[int] = []  # when each packet was due
        self.silences: list[tuple[int, bool]] = []

    def _restart(self, down_us: int) -> None:
        is_long = down_us > LONGEST_US
        if self._resets:
            self._order(codec.Reset(codec.STAY_DOWN if is_long else down_us))
            self.boots += 1
        super()._restart(down_us)
        if self._resets and is_long:
            self._plan(self._env.now + down_us, lambda: self._order(codec.Reset(0)))

    def _watchdog_reset(self) -> None:
        """Expect a boot: the watchdog of the board resets it."""
        self.boots += 1
        super()._restart(0)

    def _stop_loop(self, until_us: int) -> None:
        for_us = until_us - self._env.now
        self._order(codec.Hang(min(for_us, LONGEST_US)))
        if for_us > LONGEST_US:
            self._plan(self._env.now + LONGEST_US - _OVERLAP_US, lambda: self._stop_loop(until_us))

    def stop_output(self) -> None:
        """Discard frames from now on."""
        self.silences.append((self._env.now, True))

    def resume_output(self) -> None:
        """Accept frames again."""
        self.silences.append((self._env.now, False))

    @property
    def listens(self) -> bool:
        """Whether a program reads the radio."""
        return self.is_up and self._env.now >= self._hung_until_us

    def span(self, at_us: Sequence[int], rows: Sequence[bytes], until_us: int) -> None:
        """Send the packets of a span."""
        for now_us, payload in zip(at_us, rows, strict=True):
            self._env.leap(now_us)
            self.take(now_us, payload)

    def take(self, now_us: int, payload: bytes) -> bool:
        """Send a payload; return False while no program reads the radio."""
        if not self.listens:
            return False
        self._order(codec.Packet(len(self.sent) & 0xFF, payload))
        self.sent.append(now_us)
        return True
