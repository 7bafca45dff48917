"""A receiver board that is somewhere else: what the world sees of it, and how its reports become a trace.

The world runs as in simulation; what it asks of the board goes out as orders of the bench protocol, and the board
says later what it made of them, by its own clock.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from lostlink.bench import codec
from lostlink_sims import Profile
from lostlink_sims.clock import FAULT, World, once
from lostlink_sims.recorder import Recorder
from lostlink_sims.trace import NoteKind

Order = Callable[[codec.Message], object]
LONGEST_US: Final = 1 << 30
"""A longer time than this is not asked of a board at once: half a turn of its counter lies in the past."""
_OVERLAP_US: Final = 1_000_000


class RemoteBoard:
    """What the world sees of a board that is somewhere else; see `lostlink_sims.board.BoardPort`.

    Parameters
    ----------
    order : callable
        Sends a message of the bench protocol.
    abilities : int
        What the board can do, as in `codec.Identity`.
    """

    def __init__(self, env: World, profile: Profile, recorder: Recorder, order: Order, abilities: int) -> None:
        self._env, self._profile, self._recorder, self._order = env, profile, recorder, order
        self._resets = bool(abilities & codec.CAN_RESET)
        self._life = 0
        self._supplied = False
        self._back_us = 0  # when a supply that broke down comes back
        self._hung_from_us = self._hung_until_us = -1
        self.turns = 0
        self.is_up = False
        self.boots = 0
        self.sent: list[int] = []  # when each packet was due
        self.silences: list[tuple[int, bool]] = []

    def power_on(self) -> None:
        """Let the program begin."""
        self._supplied = True
        self._send_reset(0)

    def reset(self, why: str) -> None:
        """Let it begin again; without a supply nothing begins."""
        self._recorder.note(self._env.now, NoteKind.RESET, why)
        if self._supplied:
            self._send_reset(0)

    def brown_out(self, down_us: int) -> None:
        """Take its supply away for a time: the board is held in reset."""
        now_us = self._env.now
        self._recorder.note(now_us, NoteKind.SUPPLY_DOWN, "supply breaks down")
        back_us = now_us + down_us
        if not self._supplied and (back_us <= self._back_us or not self._back_us):
            return  # down for longer already, or not switched on yet
        self._send_reset(down_us)
        self._supplied, self._back_us, life = False, back_us, self._life
        once(self._env, back_us, FAULT, lambda: self._return(life, is_held=down_us > LONGEST_US))

    def _return(self, life: int, *, is_held: bool) -> None:
        if life == self._life:
            self._supplied = True
            if is_held and self._resets:
                self._order(codec.Reset(0))

    def _send_reset(self, down_us: int) -> None:
        if self._resets:
            self._order(codec.Reset(down_us if down_us <= LONGEST_US else codec.STAY_DOWN))
            self.boots += 1
        self._go_down(down_us)

    def _go_down(self, down_us: int) -> None:
        self.is_up = False
        self._hung_until_us = -1
        self._life += 1
        life = self._life
        once(self._env, self._env.now + down_us + self._profile.receiver.boot_us, FAULT, lambda: self._up(life))

    def _up(self, life: int) -> None:
        if life == self._life:
            self.is_up = True

    def hang(self, until_us: int, end_us: int) -> None:
        """Let its main loop hang; a watchdog of its own may bite."""
        if not self.is_up:
            return
        now_us, watchdog_us, life = self._env.now, self._profile.receiver.watchdog_us, self._life
        if now_us > self._hung_until_us:
            self._hung_from_us = now_us
        self._order_hang(until_us, life)
        self._hung_until_us = max(until_us, self._hung_until_us)
        bite_us = self._hung_from_us + watchdog_us
        if watchdog_us and bite_us < self._hung_until_us:
            once(self._env, bite_us, FAULT, lambda: self._bite(life))

    def _order_hang(self, until_us: int, life: int) -> None:
        now_us = self._env.now
        if life == self._life:
            self._order(codec.Hang(min(until_us - now_us, LONGEST_US)))
            if until_us - now_us > LONGEST_US:
                again_us = now_us + LONGEST_US - _OVERLAP_US
                once(self._env, again_us, FAULT, lambda: self._order_hang(until_us, life))

    def _bite(self, life: int) -> None:
        if life == self._life:
            self.boots += 1
            self._go_down(0)

    def stop_output(self) -> None:
        """Break the wire to the flight controller."""
        self.silences.append((self._env.now, True))

    def resume_output(self) -> None:
        """Mend it."""
        self.silences.append((self._env.now, False))

    def take(self, now_us: int, payload: bytes) -> bool:
        """Hand over a payload, if somebody is there."""
        if not self.is_up or now_us < self._hung_until_us:
            return False
        self._order(codec.Packet(len(self.sent) & 0xFF, payload))
        self.sent.append(now_us)
        return True
