"""Compiled firmware behind the receiver seam: a shared library with the functions of ``fixtures/board/receiver.h``.

Each power-on and each reset loads a fresh image of the library, so that static variables begin again as on a board.
"""

from __future__ import annotations

import _ctypes
import contextlib
import ctypes
import itertools
import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from lostlink.errors import ReceiverError
from lostlink_sims import Profile

INTERFACE: Final = 1
MEMORY_BYTES: Final = 256
SUFFIXES: Final = (".so", ".dll", ".dylib")
_ROOM: Final = 16
"""Most channels in a frame."""

_U8P, _U16P = ctypes.POINTER(ctypes.c_uint8), ctypes.POINTER(ctypes.c_uint16)
_FUNCTIONS: Final[dict[str, tuple[Any, list[Any]]]] = {
    "receiver_interface": (ctypes.c_uint32, []),
    "receiver_power_on": (None, [ctypes.c_void_p, ctypes.c_uint32]),
    "receiver_packet": (None, [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_char_p, ctypes.c_uint8]),
    "receiver_turn": (ctypes.c_bool, [ctypes.c_void_p, ctypes.c_uint32, ctypes.POINTER(ctypes.c_uint32)]),
    "receiver_pulses": (ctypes.c_uint8, [ctypes.c_void_p, ctypes.c_uint32, _U16P, ctypes.c_uint8]),
    "receiver_failsafe": (ctypes.c_bool, [ctypes.c_void_p]),
}
CALLS: Final = tuple(_FUNCTIONS)
"""Names of the functions; a place in it tells which one is under way."""


class StoppedError(Exception):
    """The firmware does not go on: it died, or does not come back from a call."""


def is_library(spec: str | None) -> bool:
    """Return whether ``--receiver`` names compiled firmware."""
    return spec is not None and spec.lower().endswith(SUFFIXES)


class Image:
    """A library, of which each `load` gives a fresh copy with its static variables as they were built.

    Parameters
    ----------
    path : Path
    scratch : Path
        A folder of this process's own.

    Raises
    ------
    ReceiverError
        If it is no library of this machine, or lacks a function.
    """

    def __init__(self, path: Path, scratch: Path) -> None:
        self._path, self._scratch = path, scratch
        self._numbers = itertools.count()
        self._loaded: tuple[Any, Path] | None = None
        self.load()

    def load(self) -> Any:
        """Return the library, freshly loaded."""
        self._unload()
        copy = self._scratch / f"{next(self._numbers)}{self._path.suffix}"
        try:
            shutil.copyfile(self._path, copy)
            library = ctypes.CDLL(str(copy))
        except OSError as error:
            raise ReceiverError(f"--receiver {self._path}: cannot be loaded: {_said(error, copy)}") from None
        self._loaded = (library, copy)
        for name, (result, arguments) in _FUNCTIONS.items():
            try:
                function = getattr(library, name)
            except AttributeError:
                raise ReceiverError(
                    f"--receiver {self._path}: has no function {name}; wanted are those of fixtures/board/receiver.h: "
                    + ", ".join(_FUNCTIONS)
                ) from None
            function.restype, function.argtypes = result, arguments
        if library.receiver_interface() != INTERFACE:
            spoken = library.receiver_interface()
            raise ReceiverError(f"--receiver {self._path}: speaks interface {spoken}; this tool speaks {INTERFACE}")
        return library

    def _unload(self) -> None:
        if self._loaded is None:
            return
        library, copy = self._loaded
        self._loaded = None
        if os.name == "posix":
            _ctypes.dlclose(library._handle)
        with contextlib.suppress(OSError):
            copy.unlink()


def _said(error: OSError, copy: Path) -> str:
    text = error.strerror or str(error)
    return text.replace(f"{copy}: ", "").replace(str(copy), "the file")


class CompiledReceiver:
    """A receiver whose program is a library; see `lostlink_sims.receiver.Receiver`.

    Parameters
    ----------
    library : ctypes.CDLL
        Freshly loaded.
    calls : memoryview of int64
        What the process that watches over this one sees: how many calls were begun, and which is under way
        (a place in `CALLS`, -1 for none).
    stop_at : int
        The call in which the program is known to stop; it is not made.
    why : str
        What is said instead.
    """

    def __init__(self, library: Any, calls: Any, stop_at: int = 0, why: str = "") -> None:
        self._memory = ctypes.create_string_buffer(MEMORY_BYTES + 8)
        self._at = (ctypes.addressof(self._memory) + 7) & ~7
        self._wanted = ctypes.c_uint32()
        self._wanted_at = ctypes.byref(self._wanted)
        self._widths = (ctypes.c_uint16 * _ROOM)()
        self._calls, self._stop_at, self._why = calls, stop_at, why
        self._power_on, self._packet = library.receiver_power_on, library.receiver_packet
        self._turn, self._pulses = library.receiver_turn, library.receiver_pulses
        self._failsafe = library.receiver_failsafe
        self.failsafe = True

    def _begin(self, which: int) -> None:
        calls = self._calls
        calls[0] += 1
        calls[1] = which
        if calls[0] == self._stop_at:
            raise StoppedError(f"{CALLS[which]}(): {self._why}")

    def _end(self) -> None:
        """Ask for the flag, which a program may change in any call."""
        self.failsafe = self._failsafe(self._at)
        self._calls[1] = -1

    def power_on(self, clock_us: int) -> None:
        self._begin(1)
        self._power_on(self._at, clock_us)
        self._end()

    def packet(self, clock_us: int, payload: bytes) -> None:
        """Hand over a payload."""
        self._begin(2)
        self._packet(self._at, clock_us, payload, len(payload))
        self._end()

    def poll(self, clock_us: int) -> int | None:
        """Run one turn of the main loop."""
        self._begin(3)
        more = self._turn(self._at, clock_us, self._wanted_at)
        self._end()
        return self._wanted.value if more else None

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        """Ask for the widths of a frame."""
        self._begin(4)
        count = self._pulses(self._at, clock_us, self._widths, _ROOM)
        self._end()
        return self._widths[: min(count, _ROOM)] if count else None


def factory(image: Image, calls: Any, stop_at: int = 0, why: str = "") -> Any:
    """Return what builds a receiver at each power-on: ``Name(profile)`` as a Python receiver has it."""

    def build(_: Profile) -> CompiledReceiver:
        return CompiledReceiver(image.load(), calls, stop_at, why)

    return build
