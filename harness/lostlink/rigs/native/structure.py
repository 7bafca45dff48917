"""The interface of the driver: its structures and functions, as in ``driver.c`` and ``handset_driver.c``."""

from __future__ import annotations

import ctypes
from ctypes import c_int64, c_uint8, c_uint16, c_uint32, c_void_p
from typing import Any, Final

from lostlink.rigs import libraries

_FRAMES: Final = 512
_FLAGS: Final = 512
_ROOM: Final = 16
_BYTES: Final = 32
_INPUTS: Final = 48
_ALARMS: Final = 64
_RESULTS: Final = 64
_PACKETS: Final = 1024
DONE, FULL, STOPPED, SPUN, BUSY, LONG, ADDRESS = range(7)
"""What a function of the driver returns."""


def fields(kind: Any, names: str) -> list[tuple[str, Any]]:
    """Return the fields of a structure that are of a type."""
    return [(name, kind) for name in names.split()]


class State(ctypes.Structure):
    """``Board`` in ``driver.c``."""

    _fields_ = (
        *fields(c_void_p, "memory power_on packet turn pulses failsafe calls"),
        *fields(c_int64, "stop_at ppm period_us rest gap_us separator_us unused_us is_live"),
        *fields(c_int64, "most_spins most_turns least_spins spin_us"),
        *fields(c_void_p, "at_us payloads lengths"),
        *fields(c_int64, "packets length stride next payload_at payload_bytes powered_us clock_base carried now_us"),
        *fields(c_int64, "loop_at_us frame_at_us wants flag is_hung is_silent spins turns_left idle_spins"),
        *fields(c_int64, "slots slot began_us"),
        *fields(c_uint32, "loop_clock wanted requested"),
        ("own_us", c_uint16 * 256),
        ("payload", c_uint8 * 256),
        *fields(c_int64, "turns where frames widths begun flags"),
        *fields(c_int64 * _FRAMES, "start_us count"),
        ("width_us", c_int64 * (_FRAMES * _ROOM)),
        *fields(c_int64 * _FLAGS, "flag_at_us flag_value"),
    )


class HandsetState(ctypes.Structure):
    """``Handset`` in ``handset_driver.c``."""

    _fields_ = (
        *fields(c_void_p, "memory turn packet interrupt sent radio alarm payload wanted calls"),
        *fields(c_int64, "stop_at first_step"),
        *fields(c_int64, "boot_us clock_base rate interval_us turn_takes_us counts_spins most_spins"),
        *fields(c_int64, "inputs address_bytes acknowledges refusal_us"),
        ("sends_for_us", c_int64 * (_BYTES + 1)),
        ("own_address", c_uint8 * _BYTES),
        *fields(c_int64, "until_us sweep is_busy answers"),
        ("noise", c_void_p),
        *fields(c_int64 * _INPUTS, "readings has_noise"),
        ("positions", c_uint8 * _INPUTS),
        *fields(c_int64, "now_us where timer_us packet_us turn_us result_us spins free_us has_address"),
        ("address", c_uint8 * _BYTES),
        ("results", c_int64),
        *fields(c_int64 * _RESULTS, "result_at_us result"),
        *fields(c_int64, "last_alarm length sweeps packets alarms"),
        *fields(c_int64 * _PACKETS, "at_us lengths elsewhere"),
        ("payloads", c_uint8 * (_PACKETS * _BYTES)),
        *fields(c_int64 * _ALARMS, "alarm_at_us alarm_value"),
    )


class Driver:
    """The driver, loaded.

    Parameters
    ----------
    content : bytes
        As `lostlink.rigs.native.compiler.compiled_driver` returns it.
    scratch : str
        As in `lostlink.rigs.libraries.load`.

    Raises
    ------
    OSError
        If it cannot be loaded or is another version.
    """

    def __init__(self, content: bytes, scratch: str) -> None:
        library = libraries.load(content, ".so", scratch)
        try:
            for function in (library.driver_bytes, library.handset_driver_bytes):
                function.restype = c_int64
            sizes = library.driver_bytes(), library.handset_driver_bytes()
            self.boot, self.turn, self.span = library.driver_boot, library.driver_turn, library.driver_span
            self.handset_span = library.handset_driver_span
        except AttributeError as error:
            raise OSError(str(error)) from None
        expected = ctypes.sizeof(State), ctypes.sizeof(HandsetState)
        if sizes != expected:
            raise OSError(f"its structures have {sizes} bytes, not {expected}")
        for function in (self.boot, self.turn, self.span):
            function.restype, function.argtypes = ctypes.c_int, [c_void_p, c_int64]
        self.handset_span.restype, self.handset_span.argtypes = ctypes.c_int, [c_void_p]
