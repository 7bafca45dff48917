"""Compiled firmware as a receiver: a shared library with the functions of ``fixtures/board/receiver.h``.

Each power-on and reset loads a fresh copy of the library, so that static variables are initialised as on a board.
"""

from __future__ import annotations

import _ctypes
import contextlib
import ctypes
import itertools
import os
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO, Final

from lostlink.errors import ReceiverError
from lostlink_sims import Profile
from lostlink_sims.receiver import ReceiverFactory

INTERFACE: Final = 1
MEMORY_BYTES: Final = 256
SUFFIXES: Final = (".so", ".dll", ".dylib")
_ROOM: Final = 16
"""Largest number of channels in a frame."""

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
"""Names of the functions."""
LOADING: Final = len(CALLS)
STEPS: Final = (*(f"{name}()" for name in CALLS), "loading the file")
"""What is running, by the index of the step."""


class _ProgramStoppedError(Exception):
    """The program died, or does not return from a call."""


class Watch:
    """Notes each call of a receiver's program in memory shared with the parent process.

    Parameters
    ----------
    calls : memoryview of int64
        Number of calls so far, and the step of the current one (-1: none).
    stop_at : int
        Number of the call that is known not to return; it is not made.
    why : str
        Reason for that.
    """

    def __init__(self, calls: Any, stop_at: int = 0, why: str = "") -> None:
        self._calls, self._stop_at, self._why = calls, stop_at, why

    def begin(self, step: int) -> None:
        """Note that a call begins.

        Raises
        ------
        _ProgramStoppedError
            If it is the call that does not return.
        """
        calls = self._calls
        calls[0] = number = calls[0] + 1
        if number == self._stop_at:
            raise _ProgramStoppedError(self._why)
        calls[1] = step

    def end(self) -> None:
        """Note that the call has returned."""
        self._calls[1] = -1


def refused(receiver: str, problem: str) -> ReceiverError:
    """Return the error of a receiver that cannot be used."""
    return ReceiverError(f"--receiver {receiver}: {problem}")


def is_library(spec: str | None) -> bool:
    """Return whether ``--receiver`` names compiled firmware."""
    return spec is not None and spec.lower().endswith(SUFFIXES)


class Image:
    """A library; each `load` gives a fresh copy with initialised static variables.

    Parameters
    ----------
    path : Path
    scratch : str
        Folder for the copies, on systems without files in memory.
    watch : Watch

    Raises
    ------
    ReceiverError
        If it is not a library for this computer, or lacks a function.
    """

    def __init__(self, path: Path, scratch: str, watch: Watch) -> None:
        self._path, self._scratch = path, scratch
        self._numbers = itertools.count()
        self._library: Any = None
        self.load(watch)

    def load(self, watch: Watch) -> Any:
        """Return the library, freshly loaded."""
        try:
            watch.begin(LOADING)
            if self._library is not None and os.name == "posix":
                _ctypes.dlclose(self._library._handle)
            self._library = None
            with self._copy() as copy:
                try:
                    library = ctypes.CDLL(copy)
                except OSError as error:
                    raise refused(str(self._path), f"cannot be loaded: {_problem(error, copy)}") from None
            self._library = library
            for name, (result, arguments) in _FUNCTIONS.items():
                try:
                    function = getattr(library, name)
                except AttributeError:
                    needed = f"the functions of fixtures/board/receiver.h are needed: {', '.join(_FUNCTIONS)}"
                    raise refused(str(self._path), f"has no function {name}; {needed}") from None
                function.restype, function.argtypes = result, arguments
            watch.begin(CALLS.index("receiver_interface"))
            version = library.receiver_interface()
        finally:
            watch.end()
        if version != INTERFACE:
            raise refused(str(self._path), f"has interface version {version}; this tool needs {INTERFACE}")
        return library

    @contextlib.contextmanager
    def _copy(self) -> Iterator[str]:
        """Yield the path of a copy of the file, in memory if the system supports it."""
        if hasattr(os, "memfd_create"):
            with open(os.memfd_create(f"receiver-{next(self._numbers)}"), "wb") as file:
                self._read_into(file)
                yield f"/proc/self/fd/{file.fileno()}"
            return
        copy = Path(self._scratch) / f"{next(self._numbers)}{self._path.suffix}"
        with open(copy, "wb") as file:
            self._read_into(file)
        try:
            yield str(copy)
        finally:
            with contextlib.suppress(OSError):  # some systems lock the file of a loaded library
                copy.unlink()

    def _read_into(self, file: BinaryIO) -> None:
        try:
            with open(self._path, "rb") as library:
                shutil.copyfileobj(library, file)
        except OSError as error:
            raise refused(str(self._path), f"cannot be loaded: {error.strerror or error}") from None
        file.flush()


def _problem(error: OSError, copy: str) -> str:
    text = error.strerror or str(error)
    return text.replace(f"{copy}: ", "").replace(copy, "the file")


class CompiledReceiver:
    """A receiver whose program is a library; see `lostlink_sims.receiver.Receiver`.

    Parameters
    ----------
    library : ctypes.CDLL
        Freshly loaded.
    watch : Watch
    """

    def __init__(self, library: Any, watch: Watch) -> None:
        self._memory = ctypes.create_string_buffer(MEMORY_BYTES + 8)
        self._at = (ctypes.addressof(self._memory) + 7) & ~7
        self._wanted = ctypes.c_uint32()
        self._wanted_at = ctypes.byref(self._wanted)
        self._widths = (ctypes.c_uint16 * _ROOM)()
        self._begin, self._watch = watch.begin, watch
        self._power_on, self._packet = library.receiver_power_on, library.receiver_packet
        self._turn, self._pulses = library.receiver_turn, library.receiver_pulses
        self._failsafe = library.receiver_failsafe
        self.failsafe = True

    def _end(self) -> None:
        """Read the flag, which a program may change in any call."""
        self.failsafe = self._failsafe(self._at)
        self._watch.end()

    def power_on(self, clock_us: int) -> None:
        self._begin(1)
        self._power_on(self._at, clock_us)
        self._end()

    def packet(self, clock_us: int, payload: bytes) -> None:
        self._begin(2)
        self._packet(self._at, clock_us, payload, len(payload))
        self._end()

    def poll(self, clock_us: int) -> int | None:
        self._begin(3)
        more = self._turn(self._at, clock_us, self._wanted_at)
        self._end()
        return self._wanted.value if more else None

    def pulses(self, clock_us: int) -> Sequence[int] | None:
        self._begin(4)
        count = self._pulses(self._at, clock_us, self._widths, _ROOM)
        self._end()
        return self._widths[: min(count, _ROOM)] if count else None


def factory(image: Image, watch: Watch) -> ReceiverFactory:
    """Return the factory of an image's receivers."""

    def build(_: Profile) -> CompiledReceiver:
        return CompiledReceiver(image.load(watch), watch)

    return build
