"""A receiver board in virtual time, as the simulated link sees it: the same for a simulated and a real board."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from lostlink_sims.clock import FAULT, World
from lostlink_sims.columns import PacketColumns
from lostlink_sims.log import FrameLog
from lostlink_sims.profile import ReceiverSettings
from lostlink_sims.trace import NoteKind


class PowerState:
    """Supply, boot, main-loop hang and watchdog of a receiver board.

    Attributes
    ----------
    is_up : bool
        Whether the program runs: supplied and booted.
    turns : int
        Iterations of the main loop, as far as they are events.
    refused : bool
        Whether the program crashed over a packet.
    """

    def __init__(self, env: World, receiver: ReceiverSettings, recorder: FrameLog) -> None:
        self._env, self._recorder = env, recorder
        self._boot_us, self._watchdog_us = receiver.boot_us, receiver.watchdog_us
        self._switched_on = False
        self._supply_back_us = -1  # end of the last breakdown of the supply
        self._hung_from_us = self._hung_until_us = -1
        self._life = 0  # number of restarts; a restart cancels what was planned before it
        self.is_up = False
        self.turns = 0
        self.refused = False

    @property
    def listens(self) -> bool:
        """Whether a program reads the radio; it changes by actions of this class only."""
        raise NotImplementedError

    def span(self, at_us: Sequence[int], rows: Sequence[bytes], until_us: int) -> None:
        """Let the board run until an instant, and give it the packets that arrive meanwhile.

        Nothing else happens to it before that instant. What is due at the instant itself remains for the next span.
        """
        raise NotImplementedError

    def span_columns(self, packets: PacketColumns, until_us: int) -> None:
        """As `span`."""
        self.span(*packets.lists(), until_us)

    def power_on(self) -> None:
        """Switch the supply on; the program runs after the boot time."""
        self._switched_on = True
        self._restart(0)

    def reset(self, why: str) -> None:
        """Reset the microcontroller; without a supply only the note is taken."""
        self._recorder.note(self._env.now, NoteKind.RESET, why)
        if self._switched_on and self._env.now > self._supply_back_us:
            self._restart(0)

    def brown_out(self, down_us: int) -> None:
        """Break the supply down for `down_us`; of overlapping breakdowns the last end counts."""
        now_us = self._env.now
        self._recorder.note(now_us, NoteKind.SUPPLY_DOWN, "supply breaks down")
        if self._switched_on and now_us + down_us > self._supply_back_us:
            self._supply_back_us = now_us + down_us
            self._restart(down_us)

    def hang(self, until_us: int) -> None:
        """Hang the main loop; of overlapping hangs the last end counts. A watchdog resets a hung loop."""
        if not self.is_up:
            return
        if self._env.now > self._hung_until_us:
            self._hung_from_us = self._env.now
        self._hung_until_us = max(self._hung_until_us, until_us)
        self._stop_loop(until_us)
        bite_us = self._hung_from_us + self._watchdog_us
        if self._watchdog_us and bite_us < self._hung_until_us:
            self._plan(bite_us, self._watchdog_reset)
        else:
            self._plan(until_us, self._resume_loop)

    def _plan(self, at_us: int, act: Callable[[], object]) -> None:
        """Let `act` happen at an instant, unless the board restarts before."""
        life = self._life
        self._env.once(at_us, FAULT, lambda: act() if life == self._life else None)

    def _restart(self, down_us: int) -> None:
        """Stop the program; it boots `down_us` from now."""
        self._life += 1
        self.is_up = False
        self._hung_until_us = -1
        self._plan(self._env.now + down_us + self._boot_us, self._boot)

    def _boot(self) -> None:
        self.is_up = True

    def _stop_loop(self, until_us: int) -> None:
        """Act on the start of a hang."""

    def _resume_loop(self) -> None:
        """Act on the end of a hang, which another one may outlast."""

    def _watchdog_reset(self) -> None:
        self.reset("watchdog reset")

    def stop_output(self) -> None:
        """Stop the output pulses."""

    def resume_output(self) -> None:
        """Resume the output pulses."""
