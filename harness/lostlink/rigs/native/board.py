"""The receiver's hardware around compiled firmware, with all calls of a span of time in one call of the driver."""

from __future__ import annotations

import ctypes
from array import array
from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np

from lostlink.rigs import main_loop
from lostlink.rigs.firmware import MEMORY_BYTES, Image, ProgramStoppedError, Watch
from lostlink.rigs.native.structure import BUSY, DONE, FULL, SPUN, Driver, State
from lostlink_sims import Profile, board
from lostlink_sims.clock import FAR_US, World
from lostlink_sims.columns import PacketColumns
from lostlink_sims.crashes import ReceiverCrashError, crash_text
from lostlink_sims.log import FrameLog
from lostlink_sims.power import PowerState

_WHERE: Final = (board.IN_POWER_ON, board.IN_PACKET, board.IN_TURN, board.IN_PLAN, board.IN_PULSES)
"""Where a run ended, by the driver's number."""
_FUNCTIONS: Final = ("power_on", "packet", "turn", "pulses", "failsafe")
_SPARE_BYTES: Final = 1024
"""Behind the memory of a program, for one that writes past its end."""


class CompiledBoard(PowerState):
    """As `lostlink_sims.board.Board`, for a library.

    Parameters
    ----------
    env, profile, log, frame_phase_us, clock_us
        As for `lostlink_sims.board.Board`.
    image : Image
    watch : Watch
        With memory that can be shared.
    driver : Driver
    limits_loop : bool
        As `lostlink.rigs.main_loop.limited`.
    """

    def __init__(
        self, env: World, profile: Profile, log: FrameLog, frame_phase_us: int, clock_us: int, *,
        image: Image, watch: Watch, driver: Driver, limits_loop: bool = False,
    ) -> None:  # fmt: skip
        super().__init__(env, profile.receiver, log)
        self._image, self._watch, self._driver = image, watch, driver
        self._frame_phase_us, self._clock_start = frame_phase_us, clock_us
        self._is_running = False
        self._memory = ctypes.create_string_buffer(MEMORY_BYTES + _SPARE_BYTES)
        self._state = state = State(flag=True, loop_at_us=FAR_US, frame_at_us=FAR_US, stop_at=watch.stop_at)
        self._at = ctypes.addressof(state)
        state.memory = (ctypes.addressof(self._memory) + 7) & ~7
        state.calls = ctypes.addressof(ctypes.c_int64.from_buffer(watch.calls))
        timing = board.Timing.of(profile)
        state.ppm, state.period_us, state.rest = timing.ppm, timing.period_us, timing.rest
        state.gap_us = -1 if timing.gap_us is None else timing.gap_us
        state.separator_us, state.unused_us = timing.separator_us, timing.unused_us
        state.is_live, state.most_spins = profile.output.latch == "live", board.MOST_SPINS
        if limits_loop:
            state.most_turns, state.least_spins = main_loop.MOST_TURNS, main_loop.SPINS
            state.spin_us = main_loop.SPIN_US
        self._columns = {name: memoryview(getattr(state, name)).cast("B").cast("q") for name in _COLUMNS}

    # --- power ----------------------------------------------------------------------------------------------

    @property
    def listens(self) -> bool:
        """Whether a program reads the radio."""
        return self._is_running and not self._state.is_hung

    def _restart(self, down_us: int) -> None:
        state = self._state
        self._is_running = False
        state.is_hung = state.slots = 0
        state.loop_at_us = state.frame_at_us = FAR_US
        self._recorder.silence(self._env.now)
        super()._restart(down_us)

    def _boot(self) -> None:
        super()._boot()
        now_us, state = self._env.now, self._state
        state.clock_base, self._clock_start = self._clock_start, 0  # a reset restarts the counter
        try:
            library = self._image.load(self._watch)
        except Exception as error:
            raise ReceiverCrashError(crash_text(error, board.IN_CONSTRUCTOR, now_us)) from error
        for name in _FUNCTIONS:
            setattr(state, name, ctypes.cast(getattr(library, f"receiver_{name}"), ctypes.c_void_p).value)
        ctypes.memset(self._memory, 0, len(self._memory))
        self._is_running = True
        self._do(self._driver.boot, now_us)
        state.frame_at_us = now_us + max(1, self._frame_phase_us)

    def _stop_loop(self, until_us: int) -> None:
        self._state.is_hung = True

    def _resume_loop(self) -> None:
        if self._is_running and self._env.now >= self._hung_until_us:
            self._state.is_hung = False
            self._do(self._driver.turn, self._env.now)

    # --- output ---------------------------------------------------------------------------------------------

    def stop_output(self) -> None:
        """Stop the output pulses."""
        self._state.is_silent = True
        self._recorder.silence(self._env.now)

    def resume_output(self) -> None:
        """Resume the output pulses."""
        self._state.is_silent = False

    # --- the program's calls --------------------------------------------------------------------------------

    def span(self, at_us: Sequence[int], rows: Sequence[bytes], until_us: int) -> None:
        """Let the program run until an instant."""
        instants, payloads, lengths = array("q", at_us), b"".join(rows), bytes(map(len, rows))
        state = self._state
        state.payloads, state.lengths = _address(payloads), _address(lengths)
        self._span(instants.buffer_info()[0], len(instants), until_us)

    def span_columns(self, packets: PacketColumns, until_us: int) -> None:
        """As `span`."""
        state = self._state
        rows, at_us = np.ascontiguousarray(packets.rows), np.ascontiguousarray(packets.at_us, np.int64)
        state.payloads, state.lengths, state.length, state.stride = rows.ctypes.data, None, packets.size, rows.shape[1]
        self._span(at_us.ctypes.data, len(at_us), until_us)

    def _span(self, at_us: int, packets: int, until_us: int) -> None:
        if not self._is_running:
            return
        state = self._state
        state.at_us, state.packets = at_us, 0 if state.is_hung else packets
        state.next = state.payload_at = 0
        state.now_us = self._env.now
        self._do(self._driver.span, until_us)

    def _do(self, function: Callable[[int, int], int], at_us: int) -> None:
        """Call a function of the driver and record its results.

        Raises
        ------
        ReceiverCrashError
            If the program crashed.
        BusyError
            If its main loop is limited and wants too many iterations.
        """
        status = FULL
        while status == FULL:
            status = function(self._at, at_us)
            self._record()
        state = self._state
        self._env.leap(state.now_us)
        if status == DONE:
            return
        if status == BUSY:
            raise main_loop.BusyError
        where = _WHERE[state.where]
        self.refused = where == board.IN_PACKET
        error = board.spinning() if status == SPUN else ProgramStoppedError(self._watch.why)
        raise ReceiverCrashError(crash_text(error, where, state.now_us)) from error

    def _record(self) -> None:
        state, columns, recorder = self._state, self._columns, self._recorder
        for at_us, is_on in zip(
            columns["flag_at_us"][: state.flags], columns["flag_value"][: state.flags], strict=True
        ):
            recorder.failsafe(at_us, bool(is_on))
        frames = state.frames
        if frames or state.begun:
            recorder.columns(
                columns["start_us"][:frames],
                columns["count"][:frames],
                columns["width_us"][: state.widths],
                state.begun,
            )
        self.turns += state.turns
        state.turns = state.frames = state.widths = state.begun = state.flags = 0


_COLUMNS: Final = ("start_us", "count", "width_us", "flag_at_us", "flag_value")


def _address(content: bytes) -> Any:
    return ctypes.cast(ctypes.c_char_p(content), ctypes.c_void_p).value
