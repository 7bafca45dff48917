"""Compiled firmware: a shared library with the functions of ``receiver.h`` or ``handset.h`` in ``fixtures/board``.

At each power-on and reset the library begins anew, so that static variables are initialised as on a board: its memory
is restored (`statics`), or a fresh copy of it is loaded.
"""

from __future__ import annotations

import contextlib
import ctypes
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from lostlink.errors import ReceiverError
from lostlink.rigs import libraries
from lostlink.rigs.statics import Statics, unfit
from lostlink_sims import Profile
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES
from lostlink_sims.receiver import ReceiverFactory

MEMORY_BYTES: Final = 256
SUFFIXES: Final = (".so", ".dll", ".dylib")
FIRST_HANDSET_STEP: Final = 32
"""The first step of a handset, in Python or compiled."""
_ROOM: Final = 16
"""Largest number of channels in a frame."""

_MEMORY, _U8, _U32, _FLAG = ctypes.c_void_p, ctypes.c_uint8, ctypes.c_uint32, ctypes.c_bool
_U8P, _U16P, _U32P = map(ctypes.POINTER, (ctypes.c_uint8, ctypes.c_uint16, ctypes.c_uint32))


@dataclass(frozen=True, slots=True, eq=False)
class Interface:
    """The functions of a kind of library.

    Attributes
    ----------
    noun : str
        Also the name of the header and of the option.
    functions : dict of str to (type, list of type)
        Result and arguments; the first function returns the version.
    optional : tuple of str
        Those that a library need not have.
    first_step : int
        Number by which a `Watch` knows the first function.
    """

    noun: str
    functions: dict[str, tuple[Any, list[Any]]]
    optional: tuple[str, ...] = ()
    first_step: int = 0
    version: int = 1

    @property
    def steps(self) -> tuple[str, ...]:
        """What is running, by the index of the step after the first."""
        return *(f"{name}()" for name in self.functions), f"loading the {self.noun}'s file"

    def step(self, name: str) -> int:
        """Return the number of a function."""
        return self.first_step + list(self.functions).index(name)

    @property
    def loading(self) -> int:
        """Number of the step in which the file is loaded."""
        return self.first_step + len(self.functions)

    def refused(self, path: str, problem: str) -> ReceiverError:
        """Return the error of a library that cannot be used."""
        return ReceiverError(f"--{self.noun} {path}: {problem}")


RECEIVER: Final = Interface(
    "receiver",
    {
        "receiver_interface": (_U32, []),
        "receiver_power_on": (None, [_MEMORY, _U32]),
        "receiver_packet": (None, [_MEMORY, _U32, ctypes.c_char_p, _U8]),
        "receiver_turn": (_FLAG, [_MEMORY, _U32, _U32P]),
        "receiver_pulses": (_U8, [_MEMORY, _U32, _U16P, _U8]),
        "receiver_failsafe": (_FLAG, [_MEMORY]),
    },
)
HANDSET: Final = Interface(
    "handset",
    {
        "handset_interface": (_U32, []),
        "handset_power_on": (None, [_MEMORY, _U32, _U8]),
        "handset_turn": (_FLAG, [_MEMORY, _U32, _U16P, _U8P, _U32P]),
        "handset_packet": (_U8, [_MEMORY, _U32, _U8P, _U8]),
        "handset_interrupt": (_U8, [_MEMORY, _U32, _U8P, _U8]),
        "handset_sent": (None, [_MEMORY, _U32, _U8]),
        "handset_radio": (_U8, [_MEMORY, _U32, _U8P, _U8]),
        "handset_alarm": (_U8, [_MEMORY, _U32]),
    },
    optional=("handset_interrupt", "handset_sent", "handset_radio", "handset_alarm"),
    first_step=FIRST_HANDSET_STEP,
)


class ProgramStoppedError(Exception):
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
        self.calls, self.stop_at, self.why = calls, stop_at, why

    def begin(self, step: int) -> None:
        """Note that a call begins.

        Raises
        ------
        ProgramStoppedError
            If it is the call that does not return.
        """
        calls = self.calls
        calls[0] = number = calls[0] + 1
        if number == self.stop_at:
            raise ProgramStoppedError(self.why)
        calls[1] = step

    def end(self) -> None:
        """Note that the call has returned."""
        self.calls[1] = -1


def is_library(spec: str | None) -> bool:
    """Return whether ``--receiver`` or ``--handset`` names compiled firmware."""
    return spec is not None and spec.lower().endswith(SUFFIXES)


def why_apart(receiver: str) -> str:
    """Return why each run of a library needs a process of its own; empty if it does not, and for another receiver.

    What the memory of the library does not hold, such as the numbers of ``rand`` or the heap, begins anew only there.
    Systems other than Linux have no such processes.
    """
    if not is_library(receiver) or sys.platform != "linux":
        return ""
    with contextlib.suppress(OSError):
        return unfit(Path(receiver).read_bytes())
    return ""  # then it cannot be loaded either


class Image:
    """A library; each `load` gives it with initialised static variables.

    Parameters
    ----------
    path : Path
    scratch : str
        Folder for the copies, on systems without files in memory.
    interface : Interface
        The functions that it must have.
    """

    def __init__(self, path: Path, scratch: str, interface: Interface = RECEIVER) -> None:
        self._path, self._scratch, self._interface = path, scratch, interface
        self._library: libraries.Library | None = None
        self._statics: Statics | None = None

    def load(self, watch: Watch) -> Any:
        """Return the library as it is when it has just been loaded.

        Raises
        ------
        ReceiverError
            If it is not a library for this computer, or lacks a function.
        """
        interface = self._interface
        try:
            watch.begin(interface.loading)
            self._library = library = self._loaded()
            watch.begin(interface.first_step)
            version = getattr(library, next(iter(interface.functions)))()
        finally:
            watch.end()
        if version != interface.version:
            raise self._refused(f"has interface version {version}; this tool needs {interface.version}")
        return library

    def unload(self, watch: Watch) -> None:
        """Unload the library, whose destructors run."""
        watch.begin(self._interface.loading)
        try:
            self._unload()
        finally:
            watch.end()

    def _unload(self) -> None:
        before, self._library, self._statics = self._library, None, None
        if before is not None:
            libraries.unload(before)

    def _loaded(self) -> libraries.Library:
        if self._library is not None and self._statics is not None:
            self._statics.restore()
            return self._library
        self._unload()
        try:
            content = self._path.read_bytes()
            library = libraries.load(content, self._path.suffix, self._scratch)
        except OSError as error:
            raise self._refused(f"cannot be loaded: {error.strerror or error}") from None
        functions = self._interface.functions
        for name in functions:
            self._declare(library, name)
        self._statics = Statics.of(content, library, next(iter(functions)))
        return library

    def _declare(self, library: Any, name: str) -> None:
        """Declare result and arguments of a function."""
        interface = self._interface
        try:
            function = getattr(library, name)
        except AttributeError:
            if name in interface.optional:
                return
            needed = ", ".join(name for name in interface.functions if name not in interface.optional)
            header = f"fixtures/board/{interface.noun}.h"
            raise self._refused(f"has no function {name}; the functions of {header} are needed: {needed}") from None
        function.restype, function.argtypes = interface.functions[name]

    def _refused(self, problem: str) -> ReceiverError:
        return self._interface.refused(str(self._path), problem)


def _memory() -> tuple[Any, int]:
    """Return the memory of a program, all zero, and its address."""
    memory = ctypes.create_string_buffer(MEMORY_BYTES + 8)
    return memory, (ctypes.addressof(memory) + 7) & ~7


class CompiledReceiver:
    """A receiver whose program is a library; see `lostlink_sims.receiver.Receiver`.

    Parameters
    ----------
    library : ctypes.CDLL
        Freshly loaded.
    watch : Watch
    """

    def __init__(self, library: Any, watch: Watch) -> None:
        self._memory, self._at = _memory()
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


class CompiledHandset:
    """A handset whose program is a library; see `lostlink_sims.handset_program.HandsetProgram`.

    It has `interrupt`, `sent`, `radio` and `alarm` if the library has them.

    Parameters
    ----------
    library : ctypes.CDLL
        Freshly loaded.
    watch : Watch
    """

    def __init__(self, library: Any, watch: Watch) -> None:
        self._memory, self._at = _memory()
        self._library, self._watch = library, watch
        self._wanted = ctypes.c_uint32()
        self._payload = (ctypes.c_uint8 * PAYLOAD_LIMIT_BYTES)()
        if hasattr(library, "handset_interrupt"):
            self.interrupt = partial(self._payload_of, "handset_interrupt")
        if hasattr(library, "handset_sent"):
            self.sent = partial(self._call, "handset_sent")
        if hasattr(library, "handset_radio"):
            self.radio = partial(self._payload_of, "handset_radio")
        if hasattr(library, "handset_alarm"):
            self.alarm = partial(self._call, "handset_alarm")

    def _call(self, name: str, *arguments: Any) -> Any:
        self._watch.begin(HANDSET.step(name))
        try:
            return getattr(self._library, name)(self._at, *arguments)
        finally:
            self._watch.end()

    def _payload_of(self, name: str, clock_us: int) -> bytes | None:
        length = self._call(name, clock_us, self._payload, len(self._payload))
        if length > len(self._payload):
            raise self._too_long(name, length)
        return bytes(self._payload[:length]) or None

    def _too_long(self, name: str, length: int) -> ValueError:
        return ValueError(f"{name}() returns {length} bytes; allowed: 0 to {len(self._payload)}")

    def power_on(self, clock_us: int, cause: int) -> None:
        self._call("handset_power_on", clock_us, cause)

    def turn(self, clock_us: int, readings: Sequence[int], switches: Sequence[int]) -> int | None:
        sweep = (ctypes.c_uint16 * len(readings))(*readings), (ctypes.c_uint8 * len(switches))(*switches)
        more = self._call("handset_turn", clock_us, *sweep, ctypes.byref(self._wanted))
        return self._wanted.value if more else None

    def packet(self, clock_us: int) -> bytes | None:
        return self._payload_of("handset_packet", clock_us)


def handset_factory(image: Image, watch: Watch) -> HandsetFactory:
    """Return the factory of an image's handsets."""
    return lambda _: CompiledHandset(image.load(watch), watch)
