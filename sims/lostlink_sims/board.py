"""The receiver's hardware in virtual time: supply, clock, main loop, radio port, output timer, watchdog.

It calls the program, a `Receiver`, after a packet, at the clock value that the program requested, and at the start of
each frame. Without supply and while booting it makes no call; while the main loop hangs it asks only for pulses.
"""

from __future__ import annotations

from collections.abc import Callable
from operator import index
from typing import Any, Final

import numpy as np

from lostlink_sims.clock import FRAME, LOOP, Tick, World, once
from lostlink_sims.power import PowerState
from lostlink_sims.profile import Profile
from lostlink_sims.receiver import MASK, Receiver, ReceiverFactory
from lostlink_sims.recorder import Recorder, register
from lostlink_sims.scenario import Scenario

_HALF: Final = MASK >> 1
"""A clock value further ahead than this is in the past."""
MOST_WIDTHS: Final = 64
"""Widths in a frame; the longest has 16 channels."""
LONGEST_TEXT: Final = 500
"""Characters shown of an exception's text."""
MOST_SPINS: Final = 1_000_000
"""Consecutive main-loop iterations without a delay; on a board they would take a second."""


class ReceiverCrashError(Exception):
    """The receiver's program raised an exception of its own."""


class Board(PowerState):
    """The receiver's hardware: power, clock, main loop, radio, output timer."""

    def __init__(
        self,
        env: World,
        profile: Profile,
        scenario: Scenario,
        factory: ReceiverFactory,
        recorder: Recorder,
        frame_phase_us: int,
    ) -> None:
        super().__init__(env, profile.receiver, recorder)
        self._profile, self._factory = profile, factory
        self._ppm = profile.receiver.clock_error_ppm
        self._separator_us, self._unused_us = profile.output.separator_us, profile.output.unused_us
        # Of periods that are no whole microsecond the rest is carried over, so that their mean is exact.
        self._rate = 1_000_000 + self._ppm
        self._period_us, self._rest = divmod(profile.output.frame_period_us * 1_000_000, self._rate)
        self._carried = 0
        fixed_gap = profile.output.style == "fixed gap"
        self._gap_us = self._real_us(profile.output.frame_gap_us) if fixed_gap else None
        self._frame_phase_us = frame_phase_us
        self._clock_start = scenario.receiver_clock_us
        self._program: Receiver | None = None  # None without power and while booting
        self._powered_us = 0
        self._clock_base = 0
        self.take = _not_listening
        self._silent = False  # output pulses stopped by a fault
        self._failsafe = True
        self._wanted: int | None = None  # the clock at which the program wants its next iteration
        self._loop = Tick(env, self._on_loop, LOOP)
        self._loop_at_us = -1  # when the pending iteration comes; -1 when none is pending
        self._loop_clock = 0  # the clock for which it was planned
        self._spins = 0
        self._frame = Tick(env, self._on_frame, FRAME)
        self._own_us: Any = None  # the last widths of the program, and what its clock makes of them
        self._true_us: tuple[int, ...] = ()
        self._live = profile.output.latch == "live" or bool(getattr(factory, "live_output", False))

    # --- power ----------------------------------------------------------------------------------------------

    def _restart(self, down_us: int) -> None:
        self._program, self._wanted, self.take = None, None, _not_listening
        # New ticks: a pending one is then outdated and does nothing.
        self._loop, self._loop_at_us = Tick(self._env, self._on_loop, LOOP), -1
        self._frame = Tick(self._env, self._on_frame, FRAME)
        self._recorder.silence(self._env.now)
        super()._restart(down_us)

    def _boot(self) -> None:
        super()._boot()
        self._powered_us, self._clock_base, self._carried = self._env.now, self._clock_start, 0
        self._clock_start = 0  # a reset restarts the counter
        program = self._guarded(lambda: self._factory(self._profile), "its constructor")
        self._program = program
        self._live = self._live or bool(getattr(program, "live_output", False))
        clock = self._clock(self._env.now)
        self._guarded(lambda: program.power_on(clock), "power_on()")
        self.take = self._listening(program)
        self._turn(self._env.now)
        self._guarded(lambda: self._flag(self._env.now, force=True), "its attribute failsafe")
        self._frame.after(max(1, self._frame_phase_us))

    # --- clock ----------------------------------------------------------------------------------------------

    def _clock(self, now_us: int) -> int:
        since_us = now_us - self._powered_us
        return (self._clock_base + since_us + since_us * self._ppm // 1_000_000) & MASK

    def _real_us(self, own_us: int) -> int:
        """Convert a time on the receiver's own clock to real time."""
        own_us, rate = index(own_us), 1_000_000 + self._ppm  # integers of numpy would overflow
        return own_us - (2 * own_us * self._ppm + rate) // (2 * rate)

    # --- main loop ------------------------------------------------------------------------------------------

    def _listening(self, program: Receiver) -> Callable[[int, bytes], bool]:
        """Return the radio port of a running program, with constants bound as locals for speed."""
        packet, poll, ppm = program.packet, program.poll, self._ppm
        powered_us, base = self._powered_us, self._clock_base

        def take(now_us: int, payload: bytes) -> bool:
            since_us = now_us - powered_us
            clock = (base + since_us + (since_us * ppm // 1_000_000 if ppm else 0)) & MASK
            try:
                packet(clock, payload)
                wanted = self._wanted = poll(clock)
                if wanted is not None and type(wanted) is not int:
                    wanted = self._wanted = index(wanted)
                if program.failsafe is not self._failsafe:
                    self._flag(now_us)
                # A deadline after the pending iteration needs no plan: that iteration checks it.
                if wanted is not None and (self._loop_at_us < 0 or (wanted - self._loop_clock) & MASK > _HALF):
                    self._plan_turn(now_us, clock)
            except (Exception, SystemExit) as error:
                raise _crashed(error, "packet() or poll()", now_us) from error
            return True

        return take

    def _turn(self, now_us: int) -> None:
        program = self._program
        if program is None:
            return
        clock = self._clock(now_us)
        self._wanted = self._guarded(lambda: program.poll(clock), "poll()")
        self._guarded(lambda: self._flag(now_us), "its attribute failsafe")
        self._guarded(lambda: self._plan_turn(now_us, clock), "poll(), which returns a clock or None")

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
                raise ValueError(f"the next call was wanted at once {MOST_SPINS} times in a row")
        since_us, rate = now_us - self._powered_us, 1_000_000 + self._ppm
        wanted_us = (since_us * rate // 1_000_000 + ahead) * 1_000_000
        at_us = max(now_us + 1, self._powered_us - -wanted_us // rate)
        if self._loop_at_us >= 0:
            if at_us >= self._loop_at_us:
                return
            self._loop = Tick(self._env, self._on_loop, LOOP)  # the pending one is outdated
        self._loop_at_us, self._loop_clock = at_us, self._wanted
        self._loop.at(at_us)

    def _on_loop(self, tick: Any) -> None:
        if tick is not self._loop:
            return
        self._loop_at_us = -1
        now_us = self._env.now
        if self._program is None or self.take is _not_listening or self._wanted is None:
            return  # down, or hung
        clock = self._clock(now_us)
        if 0 < (self._wanted - clock) & MASK <= _HALF:
            self._plan_turn(now_us, clock)
        else:
            self.turns += 1
            self._turn(now_us)

    def _stop_loop(self, until_us: int) -> None:
        self.take = _not_listening

    def _resume_loop(self) -> None:
        if self._program is not None and self._env.now >= self._hung_until_us:
            self.take = self._listening(self._program)
            self._turn(self._env.now)

    # --- output timer ---------------------------------------------------------------------------------------

    def stop_output(self) -> None:
        """Stop the output pulses."""
        self._silent = True
        self._recorder.silence(self._env.now)

    def resume_output(self) -> None:
        """Resume the output pulses."""
        self._silent = False

    def _on_frame(self, tick: Any) -> None:
        program = self._program
        if program is None or tick is not self._frame:
            return
        now_us = self._env.now
        try:
            widths = program.pulses(self._clock(now_us))
            if program.failsafe is not self._failsafe:
                self._flag(now_us)
            if widths is None or not len(widths):
                tick.at(now_us + self._next_period_us())
            elif len(widths) > MOST_WIDTHS:
                raise ValueError(f"a frame of {len(widths)} widths; allowed: at most {MOST_WIDTHS}")
            elif self._silent:  # the wire is broken; the timer keeps running
                total_us = sum(register(self._real_us(width_us), self._separator_us) for width_us in widths)
                tick.at(now_us + self._pause_us(total_us))
            elif self._live:
                self._recorder.begin_frame(now_us)
                self._live_slot(self._life, now_us, 0, len(widths))
            else:
                if widths is not self._own_us or type(widths) is not tuple:  # a tuple keeps its values
                    self._own_us, self._true_us = widths, tuple(map(self._real_us, widths))
                tick.at(now_us + self._pause_us(self._recorder.frame(now_us, self._true_us, self._separator_us)))
        except ReceiverCrashError:
            raise
        except (Exception, SystemExit) as error:
            raise _crashed(error, "pulses(), which returns whole microseconds", now_us) from error

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

    def _live_slot(self, life: int, start_us: int, channel: int, count: int) -> None:
        """Read one width during the frame; the end of its pulse reads the next."""
        program, now_us = self._program, self._env.now
        if life != self._life or program is None:
            return
        if self._silent:
            self._frame.after(self._next_period_us())
            return
        if channel == count:
            self._recorder.end_frame()
            self._frame.at(start_us + self._pause_us(now_us - start_us))
            return
        widths = self._guarded(lambda: program.pulses(self._clock(now_us)), "pulses()")
        wanted_us = widths[channel] if widths is not None and channel < len(widths) else self._unused_us
        width_us = register(self._real_us(wanted_us), self._separator_us)
        self._recorder.frame_width(width_us)
        once(self._env, now_us + width_us, FRAME, lambda: self._live_slot(life, start_us, channel + 1, count))

    # --- the program ----------------------------------------------------------------------------------------

    def _flag(self, now_us: int, *, force: bool = False) -> None:
        program = self._program
        if program is None:
            return
        is_on = program.failsafe
        if not isinstance(is_on, bool | np.bool_):
            raise TypeError(f"failsafe is {is_on!r}; it must be True or False")
        if force or bool(is_on) is not self._failsafe:
            self._failsafe = bool(is_on)
            self._recorder.failsafe(now_us, self._failsafe)

    def _guarded(self, call: Callable[[], Any], where: str) -> Any:
        try:
            return call()
        except (Exception, SystemExit) as error:
            raise _crashed(error, where, self._env.now) from error


def _not_listening(now_us: int, payload: bytes) -> bool:
    """Reject a payload: no program reads the radio."""
    return False


def _crashed(error: BaseException, where: str, now_us: int) -> ReceiverCrashError:
    try:
        text = str(error)
    except Exception:
        text = "(its text cannot be shown)"
    shown, kind = (
        "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in words)
        for words in (text[:LONGEST_TEXT], type(error).__name__)
    )
    return ReceiverCrashError(f"{kind} in {where} at {now_us / 1e6:.6f} s: {shown}")
