"""The receiver's hardware as events of SimPy: the slow way, to which the fast one in `lostlink_sims.board` is held.

Every packet, iteration of the main loop and start of a frame is an entry of the queue, ordered by its priority. Of the
package it uses the supply and the watchdog (`power`), the recorder and the source of arrivals, but no spans.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from lostlink_sims import Profile, Scenario, Trace
from lostlink_sims.clock import FRAME, LOOP, World
from lostlink_sims.log import registers
from lostlink_sims.power import PowerState
from lostlink_sims.receiver import MASK, ReceiverFactory
from lostlink_sims.recorder import Recorder
from lostlink_sims.world import Stage

HALF = MASK >> 1
LATE_US = {"loop": 0, "frame": 0}
"""Errors for tests of the comparison."""
ORDER = {"loop": LOOP, "frame": FRAME}
"""Priorities, which tests of the comparison change."""


class EventBoard(PowerState):
    """Supply, clock, main loop, radio and output timer of a receiver."""

    def __init__(
        self,
        env: World,
        profile: Profile,
        scenario: Scenario,
        factory: ReceiverFactory,
        recorder: Recorder,
        phase_us: int,
    ) -> None:
        super().__init__(env, profile.receiver, recorder)
        self.profile, self.factory, self.phase_us = profile, factory, phase_us
        self.live = profile.output.latch == "live" or bool(getattr(factory, "live_output", False))
        self.rate = Fraction(1_000_000 + profile.receiver.clock_error_ppm, 1_000_000)
        self.start_clock = scenario.receiver_clock_us
        self.program: Any = None
        self.hangs = self.silent = False
        self.flag = True
        self.wanted: int | None = None
        self.planned: tuple[int, int] | None = None  # instant of the next iteration, and its clock
        self.frames = 0

    @property
    def listens(self) -> bool:
        return self.program is not None and not self.hangs

    def real_us(self, own_us: int) -> int:
        """Round to the nearest microsecond, a half away from the later one."""
        exact = own_us / self.rate
        return -((Fraction(1, 2) - exact).__floor__())

    def clock(self) -> int:
        since_us = self._env.now - self.powered_us
        return (self.base + (since_us * self.rate).__floor__()) & MASK

    # --- supply -------------------------------------------------------------------------------------------------

    def _restart(self, down_us: int) -> None:
        self.program = self.wanted = self.planned = None
        self.hangs = False
        self._recorder.silence(self._env.now)
        super()._restart(down_us)

    def _boot(self) -> None:
        super()._boot()
        self.powered_us, self.base, self.start_clock = self._env.now, self.start_clock, 0
        self.program = self.factory(self.profile)
        self.program.power_on(self.clock())
        self.turn()
        self._recorder.failsafe(self._env.now, self.flag)  # also where it has not changed
        self.frames, self.first_us = 0, self._env.now + max(1, self.phase_us)
        self.soon(self.first_us, "frame", self.on_frame)

    def soon(self, at_us: int, what: str, act: Any, *arguments: Any) -> None:
        life = self._life
        self._env.once(at_us + LATE_US[what], ORDER[what], lambda: act(*arguments) if life == self._life else None)

    def _stop_loop(self, until_us: int) -> None:
        self.hangs = True

    def _resume_loop(self) -> None:
        if self.program is not None and self._env.now >= self._hung_until_us:
            self.hangs = False
            self.turn()

    # --- main loop ----------------------------------------------------------------------------------------------

    def look(self) -> None:
        if bool(self.program.failsafe) is not self.flag:
            self.flag = bool(self.program.failsafe)
            self._recorder.failsafe(self._env.now, self.flag)

    def take(self, now_us: int, payload: bytes) -> bool:
        if not self.listens:
            return False
        self.program.packet(self.clock(), payload)
        self.turn()
        return True

    def turn(self) -> None:
        self.wanted = self.program.poll(self.clock())
        self.look()
        self.plan_loop()

    def plan_loop(self) -> None:
        """Plan an iteration at the first microsecond at which the clock shows the wanted value."""
        if self.wanted is None:
            return
        ahead = (self.wanted - self.clock()) & MASK
        if ahead > HALF:
            ahead = 0
        now_us = self._env.now
        own_us = ((now_us - self.powered_us) * self.rate).__floor__() + ahead
        at_us = max(now_us + 1, self.powered_us + (own_us / self.rate).__ceil__())
        if self.planned is None or at_us < self.planned[0]:
            self.planned = at_us, self.wanted
            self.soon(at_us, "loop", self.on_loop, self.planned)

    def on_loop(self, planned: tuple[int, int]) -> None:
        if planned is not self.planned:
            return
        self.planned = None
        if not self.listens or self.wanted is None:
            return
        if 0 < (self.wanted - self.clock()) & MASK <= HALF:
            self.plan_loop()
        else:
            self.turns += 1
            self.turn()

    # --- output -------------------------------------------------------------------------------------------------

    def stop_output(self) -> None:
        self.silent = True
        self._recorder.silence(self._env.now)

    def resume_output(self) -> None:
        self.silent = False

    def period_us(self) -> int:
        """Return the length of this period: frame n begins n periods after the first, at the microsecond before."""
        period_us = self.profile.output.frame_period_us / self.rate
        self.frames += 1
        return int((self.frames * period_us).__floor__() - ((self.frames - 1) * period_us).__floor__())

    def pause_us(self, total_us: int) -> int:
        output = self.profile.output
        if output.style == "fixed gap":
            return total_us + self.real_us(output.frame_gap_us)
        return max(total_us + 2 * output.separator_us, self.period_us())

    def on_frame(self) -> None:
        now_us, separator_us = self._env.now, self.profile.output.separator_us
        widths = self.program.pulses(self.clock())
        self.look()
        if widths is None or not len(widths):
            self.soon(now_us + self.period_us(), "frame", self.on_frame)
            return
        row = registers([self.real_us(width_us) for width_us in widths], separator_us)
        if self.live and not self.silent:
            self._recorder.begin_frame(now_us)
            self.slot(now_us, 0, len(widths))
            return
        if not self.silent:
            self._recorder.frames([now_us], [row])
        self.soon(now_us + self.pause_us(sum(row)), "frame", self.on_frame)

    def slot(self, start_us: int, channel: int, count: int) -> None:
        """Read one width during the frame."""
        now_us, output = self._env.now, self.profile.output
        if self.silent:
            self.soon(now_us + self.period_us(), "frame", self.on_frame)
        elif channel == count:
            self._recorder.end_frame()
            self.soon(start_us + self.pause_us(now_us - start_us), "frame", self.on_frame)
        else:
            widths = self.program.pulses(self.clock())
            own_us = widths[channel] if widths is not None and channel < len(widths) else output.unused_us
            (width_us,) = registers([self.real_us(own_us)], output.separator_us)
            self._recorder.frame_width(width_us)
            self.soon(now_us + width_us, "frame", self.slot, start_us, channel + 1, count)


def simulate_by_events(profile: Profile, scenario: Scenario, receiver: ReceiverFactory) -> Trace:
    """Run a scenario with everything in the queue of SimPy."""
    stage = Stage(
        profile, scenario,
        lambda env, recorder, phase_us: EventBoard(env, profile, scenario, receiver, recorder, phase_us), keep=True,
    )  # fmt: skip
    stage.enqueue(stage.board.take)
    crash = None
    try:
        stage.env.run_until(scenario.duration_us)
    except (ArithmeticError, LookupError) as error:
        crash = repr(error)
    stage.close()
    return stage.trace(crash)
