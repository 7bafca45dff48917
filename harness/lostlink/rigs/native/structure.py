"""The interface of the driver: its structure and functions, as in ``driver.c``."""

from __future__ import annotations

import ctypes
from ctypes import c_int64, c_uint8, c_uint16, c_uint32, c_void_p
from typing import Any, Final

from lostlink.rigs import libraries

_FRAMES: Final = 512
_FLAGS: Final = 512
_ROOM: Final = 16
DONE, FULL, STOPPED, SPUN, BUSY = range(5)
"""What a function of the driver returns."""


def _fields(kind: Any, names: str) -> list[tuple[str, Any]]:
    return [(name, kind) for name in names.split()]


class State(ctypes.Structure):
    """``Board`` in ``driver.c``."""

    _fields_ = (
        *_fields(c_void_p, "memory power_on packet turn pulses failsafe calls"),
        *_fields(c_int64, "stop_at ppm period_us rest gap_us separator_us unused_us is_live"),
        *_fields(c_int64, "most_spins most_turns least_spins spin_us"),
        *_fields(c_void_p, "at_us payloads lengths"),
        *_fields(c_int64, "packets length stride next payload_at payload_bytes powered_us clock_base carried now_us"),
        *_fields(c_int64, "loop_at_us frame_at_us wants flag is_hung is_silent spins turns_left idle_spins"),
        *_fields(c_int64, "slots slot began_us"),
        *_fields(c_uint32, "loop_clock wanted requested"),
        ("own_us", c_uint16 * 256),
        ("payload", c_uint8 * 256),
        *_fields(c_int64, "turns where frames widths begun flags"),
        *_fields(c_int64 * _FRAMES, "start_us count"),
        ("width_us", c_int64 * (_FRAMES * _ROOM)),
        *_fields(c_int64 * _FLAGS, "flag_at_us flag_value"),
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
            library.driver_bytes.restype = c_int64
            size = library.driver_bytes()
            self.boot, self.turn, self.span = library.driver_boot, library.driver_turn, library.driver_span
        except AttributeError as error:
            raise OSError(str(error)) from None
        if size != ctypes.sizeof(State):
            raise OSError(f"its structure has {size} bytes, not {ctypes.sizeof(State)}")
        for function in (self.boot, self.turn, self.span):
            function.restype, function.argtypes = ctypes.c_int, [c_void_p, c_int64]
