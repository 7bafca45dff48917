"""The receiver's hardware in virtual time: supply, clock, main loop, radio port, output timer, watchdog.

It calls the program, a `Receiver`, after a packet, at the clock value that the program requested, and at the start of
each frame; at equal instants in this order. Without supply and while booting it makes no call; while the main loop
hangs it asks only for pulses.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import index
from typing import Any, Final

import numpy as np

from lostlink_sims.clock import FAR_US, World
from lostlink_sims.crashes import ReceiverCrashError, crash_text
from lostlink_sims.log import FrameLog, register, registers
from lostlink_sims.power import PowerState
from lostlink_sims.profile import Profile
from lostlink_sims.receiver import MASK, Receiver, ReceiverFactory

_HALF: Final = MASK >> 1
"""A clock value further ahead than this is in the past."""
MOST_WIDTHS: Final = 64
"""Widths in a frame; the longest has 16 channels."""
MOST_SPINS: Final = 1_000_000
"""Consecutive main-loop iterations without a delay; on a board they would take a second."""


@dataclass(frozen=True, slots=True)
class Timing:
    """What a receiver's clock and output timer make of a profile.

    Attributes
    ----------
    ppm, rate : int
        Error of the clock, and its microseconds in a second.
    period_us, rest : int
        Frame period in real time. Of one that is no whole microsecond, `rest` / `rate` is carried over, so that the
        mean is exact.
    gap_us : int or None
        Fixed gap between frames in real time.
    separator_us, unused_us : int
        As in `lostlink_sims.profile.OutputSettings`.
    """

    ppm: int
    rate: int
    period_us: int
    rest: int
    gap_us: int | None
    separator_us: int
    unused_us: int

    @classmethod
    def of(cls, profile: Profile) -> Timing:
        """Return the timing of a profile."""
        output, ppm = profile.output, profile.receiver.clock_error_ppm
        period_us, rest = divmod(output.frame_period_us * 1_000_000, 1_000_000 + ppm)
        gap_us = real_us(output.frame_gap_us, ppm) if output.style == "fixed gap" else None
        return cls(ppm, 1_000_000 + ppm, period_us, rest, gap_us, output.separator_us, output.unused_us)


def real_us(own_us: int, ppm: int) -> int:
    """Convert a time on a clock that is `ppm` millionths fast to real time."""
    own_us, rate = index(own_us), 1_000_000 + ppm  # integers of numpy would overflow
    return own_us - (2 * own_us * ppm + rate) // (2 * rate)


class Board(PowerState):
    """The receiver's hardware: power, clock, main loop, radio, output timer."""

    def __init__(
        self,
        env: World,
        profile: Profile,
        factory: ReceiverFactory,
        log: FrameLog,
        frame_phase_us: int,
        clock_us: int,
    ) -> None:
        super().__init__(env, profile.receiver, log)
        self._profile, self._factory = profile, factory
        timing = Timing.of(profile)
        self._ppm, self._rate = timing.ppm, timing.rate
        self._separator_us, self._unused_us = timing.separator_us, timing.unused_us
        self._period_us, self._rest, self._carried = timing.period_us, timing.rest, 0
        self._gap_us = timing.gap_us
        self._frame_phase_us = frame_phase_us
        self._clock_start = clock_us
        self._program: Receiver | None = None  # None without power and while booting
        self._powered_us = 0
        self._clock_base = 0
        self._hangs = False
        self._silent = False  # output pulses stopped by a fault
        self._failsafe = True
        self._wanted: int | None = None  # the clock at which the program wants its next iteration
        self._loop_at_us, self._loop_clock = FAR_US, 0  # when the next iteration comes, and the clock it is planned for
        self._spins = 0
        self._frame_at_us = FAR_US
        self._own_us: Any = None  # the last widths of the program, and what its clock makes of them
        self._row, self._total_us = array("q"), 0
        self._live = profile.output.latch == "live" or bool(getattr(factory, "live_output", False))
        self._slots, self._slot, self._frame_began_us = 0, 0, 0  # of a frame whose channels are read one by one
        self._where = ""

    # --- power ----------------------------------------------------------------------------------------------

    @property
    def listens(self) -> bool:
        """Whether a program reads the radio."""
        return self._program is not None and not self._hangs

    def _restart(self, down_us: int) -> None:
        self._program, self._wanted, self._hangs = None, None, False
        self._loop_at_us = self._frame_at_us = FAR_US
        self._slots = 0
        self._recorder.silence(self._env.now)
        super()._restart(down_us)

    def _boot(self) -> None:
        super()._boot()
        now_us = self._env.now
        self._powered_us, self._clock_base, self._carried = now_us, self._clock_start, 0
        self._clock_start = 0  # a reset restarts the counter
        program = self._guarded(lambda: self._factory(self._profile), IN_CONSTRUCTOR)
        self._program = program
        self._live = self._live or bool(getattr(program, "live_output", False))
        self._guarded(lambda: program.power_on(self._clock(now_us)), IN_POWER_ON)
        self._guarded(lambda: self._turn(program, now_us), IN_TURN)
        self._guarded(lambda: self._flag(program, now_us, force=True), "its attribute failsafe")
        self._frame_at_us = now_us + max(1, self._frame_phase_us)

    def _stop_loop(self, until_us: int) -> None:
        self._hangs = True

    def _resume_loop(self) -> None:
        program = self._program
        if program is not None and self._env.now >= self._hung_until_us:
            self._hangs = False
            self._guarded(lambda: self._turn(program, self._env.now), IN_TURN)

    # --- clock ----------------------------------------------------------------------------------------------

    def _clock(self, now_us: int) -> int:
        since_us = now_us - self._powered_us
        return (self._clock_base + since_us + since_us * self._ppm // 1_000_000) & MASK

    def _clocks(self, at_us: Sequence[int]) -> list[int]:
        """Return the clock at each instant."""
        if not at_us:
            return []
        since_us = np.array(at_us, np.int64) - self._powered_us
        clocks: list[int] = ((self._clock_base + since_us + since_us * self._ppm // 1_000_000) & MASK).tolist()
        return clocks

    def _real_us(self, own_us: int) -> int:
        """Convert a time on the receiver's own clock to real time."""
        return real_us(own_us, self._ppm)

    # --- the program's calls --------------------------------------------------------------------------------

    def span(self, at_us: Sequence[int], rows: Sequence[bytes], until_us: int) -> None:
        """Let the program run until an instant."""
        if self._program is None:
            return
        starts_us: list[int] = []
        frames: list[array[int]] = []
        try:
            if self._hangs:
                at_us, rows = (), ()
            self._calls(self._program, at_us, rows, until_us, starts_us, frames)
        except (Exception, SystemExit) as error:
            self.refused = self._where == IN_PACKET
            raise ReceiverCrashError(crash_text(error, self._where, self._env.now)) from error
        finally:
            self._recorder.frames(starts_us, frames)

    def _calls(
        self, program: Receiver, at_us: Sequence[int], rows: Sequence[bytes], until_us: int,
        starts_us: list[int], frames: list[array[int]],
    ) -> None:  # fmt: skip
        """Call the program until an instant; one loop with all that it reads bound as locals, for speed."""
        packet, poll, pulses = program.packet, program.poll, program.pulses
        powered_us, base, ppm, silent, live = (
            self._powered_us, self._clock_base, self._ppm, self._silent, self._live,
        )  # fmt: skip
        arrivals = zip(at_us, self._clocks(at_us), rows, strict=True)
        next_us, clock, payload = next(arrivals, _NOTHING)
        now_us, flag, wanted = self._env.now, self._failsafe, self._wanted
        loop_at_us, loop_clock, frame_at_us = self._loop_at_us, self._loop_clock, self._frame_at_us
        try:
            while True:
                self._where = IN_PACKET
                due_us = loop_at_us if loop_at_us <= frame_at_us else frame_at_us
                while next_us <= due_us:
                    now_us = next_us
                    packet(clock, payload)
                    wanted = poll(clock)
                    if program.failsafe is not flag:
                        flag = self._flag(program, now_us)
                    if wanted is not None:
                        if type(wanted) is not int:
                            wanted = index(wanted)
                        # A deadline after the pending iteration needs no plan: that iteration checks it.
                        if loop_at_us == FAR_US or (wanted - loop_clock) & MASK > _HALF:
                            self._wanted = wanted
                            self._plan_turn(now_us, clock)
                            loop_at_us, loop_clock = self._loop_at_us, self._loop_clock
                            due_us = loop_at_us if loop_at_us <= frame_at_us else frame_at_us
                    next_us, clock, payload = next(arrivals, _NOTHING)
                if due_us >= until_us:
                    break
                now_us = due_us
                if loop_at_us <= frame_at_us:
                    self._wanted = wanted
                    self._on_loop(program, now_us)
                    loop_at_us, loop_clock, wanted = self._loop_at_us, self._loop_clock, self._wanted
                    flag = self._failsafe
                    continue
                self._where = IN_PULSES
                if live:
                    frame_at_us = self._live_slot(program, now_us)
                    flag = self._failsafe
                    continue
                since_us = now_us - powered_us
                widths = pulses((base + since_us + since_us * ppm // 1_000_000) & MASK)
                if program.failsafe is not flag:
                    flag = self._flag(program, now_us)
                if widths is None or not len(widths):
                    frame_at_us = now_us + self._next_period_us()
                    continue
                if widths is not self._own_us or type(widths) is not tuple:  # a tuple keeps its values
                    self._put_out(widths)
                if not silent:  # else the wire is broken; the timer keeps running
                    starts_us.append(now_us)
                    frames.append(self._row)
                frame_at_us = now_us + self._pause_us(self._total_us)
        finally:
            self._env.leap(now_us)
        self._wanted, self._frame_at_us = wanted, frame_at_us

    def _turn(self, program: Receiver, now_us: int) -> None:
        """Run an iteration of the main loop."""
        clock = self._clock(now_us)
        self._where = IN_TURN
        self._wanted = program.poll(clock)
        self._where = "its attribute failsafe"
        self._flag(program, now_us)
        self._where = IN_PLAN
        self._plan_turn(now_us, clock)

    def _on_loop(self, program: Receiver, now_us: int) -> None:
        self._loop_at_us = FAR_US
        if self._hangs or self._wanted is None:
            return
        clock = self._clock(now_us)
        if 0 < (self._wanted - clock) & MASK <= _HALF:
            self._plan_turn(now_us, clock)
        else:
            self.turns += 1
            self._turn(program, now_us)

    def _plan_turn(self, now_us: int, clock: int) -> None:
        """Plan an iteration at the first microsecond at which the clock shows the requested value."""
        if self._wanted is None:
            return
        self._wanted = index(self._wanted)
        ahead = (self._wanted - clock) & MASK
        if 0 < ahead <= _HALF:
            self._spins = 0
        else:
            ahead = 0  # wanted in the past: at once
            self._spins += 1
            if self._spins > MOST_SPINS:
                raise spinning()
        since_us = now_us - self._powered_us
        wanted_us = (since_us * self._rate // 1_000_000 + ahead) * 1_000_000
        at_us = max(now_us + 1, self._powered_us - -wanted_us // self._rate)
        if at_us < self._loop_at_us:
            self._loop_at_us, self._loop_clock = at_us, self._wanted

    def _flag(self, program: Receiver, now_us: int, *, force: bool = False) -> bool:
        """Record the receiver's flag if it has changed; return it."""
        is_on = program.failsafe
        if not isinstance(is_on, bool | np.bool_):
            raise TypeError(f"failsafe is {is_on!r}; it must be True or False")
        if force or bool(is_on) is not self._failsafe:
            self._failsafe = bool(is_on)
            self._recorder.failsafe(now_us, self._failsafe)
        return self._failsafe

    def _guarded(self, call: Callable[[], Any], where: str) -> Any:
        self._where = where
        try:
            return call()
        except (Exception, SystemExit) as error:
            raise ReceiverCrashError(crash_text(error, self._where, self._env.now)) from error

    # --- output timer ---------------------------------------------------------------------------------------

    def stop_output(self) -> None:
        """Stop the output pulses."""
        self._silent = True
        self._recorder.silence(self._env.now)

    def resume_output(self) -> None:
        """Resume the output pulses."""
        self._silent = False

    def _put_out(self, widths_us: Sequence[int]) -> None:
        """Convert the program's widths to what the output timer makes of them."""
        if len(widths_us) > MOST_WIDTHS:
            raise ValueError(f"a frame of {len(widths_us)} widths; allowed: at most {MOST_WIDTHS}")
        self._own_us, self._row = widths_us, registers(tuple(map(self._real_us, widths_us)), self._separator_us)
        self._total_us = sum(self._row)

    def _pause_us(self, total_us: int) -> int:
        """Return the time from the start of a frame to the start of the next."""
        if self._gap_us is not None:
            return total_us + self._gap_us
        # A frame that is longer than its period is followed at once by the next.
        return max(total_us + 2 * self._separator_us, self._next_period_us())

    def _next_period_us(self) -> int:
        """Return the length of this period."""
        self._carried += self._rest
        if self._carried < self._rate:
            return self._period_us
        self._carried -= self._rate
        return self._period_us + 1

    def _live_slot(self, program: Receiver, now_us: int) -> int:
        """Read one width during a frame; return when its pulse ends, which reads the next."""
        clock = self._clock(now_us)
        if not self._slots:
            widths = program.pulses(clock)
            if program.failsafe is not self._failsafe:
                self._flag(program, now_us)
            if widths is None or not len(widths):
                return now_us + self._next_period_us()
            self._put_out(widths)
            if self._silent:
                return now_us + self._pause_us(self._total_us)
            self._recorder.begin_frame(now_us)
            self._frame_began_us, self._slots, self._slot = now_us, len(widths), 0
        elif self._silent:
            self._slots = 0
            return now_us + self._next_period_us()
        elif self._slot == self._slots:
            self._slots = 0
            self._recorder.end_frame()
            return self._frame_began_us + self._pause_us(now_us - self._frame_began_us)
        widths = program.pulses(clock)
        wanted_us = widths[self._slot] if widths is not None and self._slot < len(widths) else self._unused_us
        self._slot += 1
        width_us = register(self._real_us(wanted_us), self._separator_us)
        self._recorder.frame_width(width_us)
        return now_us + width_us


_NOTHING: Final = (FAR_US, 0, b"")
"""What arrives after the last packet: none."""
IN_CONSTRUCTOR: Final = "its constructor"
IN_POWER_ON: Final = "power_on()"
IN_PACKET: Final = "packet() or poll()"
IN_TURN: Final = "poll()"
IN_PLAN: Final = "poll(), which returns a clock or None"
IN_PULSES: Final = "pulses(), which returns whole microseconds"
"""Where a program's run ended."""


def spinning() -> ValueError:
    """Return the error of a main loop that wants its next iteration at once too often."""
    return ValueError(f"the next call was wanted at once {MOST_SPINS} times in a row")
