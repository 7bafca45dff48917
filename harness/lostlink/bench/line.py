"""A serial line: any port or URL that pyserial can open, read and written with the host's instants.

One thread does all: a read waits until something comes or its time is up, and stamps each piece at once. Every
way in which a port can be missing or lost ends in one `PortError` that says what to check.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import time
from types import TracebackType
from typing import Any

import serial

from lostlink.errors import RigError

DEFAULT_BAUD = 250_000
WRITE_TIMEOUT_S = 0.5
_PIECE = 4096
_POLL_S = 0.000_5
"""How often a port without a descriptor is asked."""

_LOST: tuple[type[BaseException], ...] = (OSError, TypeError)
try:
    import termios

    _LOST = (*_LOST, termios.error)
except ImportError:  # not on every system
    pass


class PortError(RigError):
    """A port cannot be used, or what is behind it does not answer as it must.

    Attributes
    ----------
    port : str
        As the user named it.
    problem : str
    hint : str
        What to check where a user named the port; it has no meaning for the port of an emulator.
    """

    def __init__(self, port: str, problem: str, hint: str = "") -> None:
        self.port, self.problem, self.hint = port, problem, hint
        super().__init__(f"{port}: {self.detail}")

    @property
    def detail(self) -> str:
        """The text without the name of the port."""
        return f"{self.problem}; {self.hint}" if self.hint else self.problem


class LineLostError(PortError):
    """The connection was open and is lost."""


class SerialLine:
    """An open serial line.

    Parameters
    ----------
    port : serial.Serial
        Open, without a read timeout of its own.
    name : str
        How the user named it.

    Attributes
    ----------
    port, baud : str, int
    low_latency : bool
        Whether the driver was told to hand over each byte at once.
    """

    def __init__(self, device: Any, name: str) -> None:
        self._device = device
        self.port = name
        self.baud = int(device.baudrate)
        self.low_latency = _low_latency(device)
        self._fd = _descriptor(device)

    def __enter__(self) -> SerialLine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the port; errors of a lost port are ignored."""
        with contextlib.suppress(*_LOST):
            self._device.close()

    def read(self, timeout_s: float) -> list[tuple[int, bytes]]:
        """Return what comes, as soon as something does.

        Returns
        -------
        list of (int, bytes)
            Pieces with the host's monotonic nanoseconds at which each was there; empty after the timeout.

        Raises
        ------
        LineLostError
            If the port is gone.
        """
        try:
            return self._read_descriptor(timeout_s) if self._fd is not None else self._read_by_asking(timeout_s)
        except _LOST as error:
            raise self._lost(error) from None

    def _read_descriptor(self, timeout_s: float) -> list[tuple[int, bytes]]:
        assert self._fd is not None
        ready, _, _ = select.select([self._fd], [], [], max(0.0, timeout_s))
        if not ready:
            return []
        data = os.read(self._fd, _PIECE)
        if not data:
            raise OSError(errno.EIO, "end of file")
        return [(time.monotonic_ns(), data)]

    def _read_by_asking(self, timeout_s: float) -> list[tuple[int, bytes]]:
        until_s = time.monotonic() + timeout_s
        while True:
            waiting = self._device.in_waiting
            if waiting:
                return [(time.monotonic_ns(), bytes(self._device.read(waiting)))]
            if time.monotonic() >= until_s:
                return []
            time.sleep(_POLL_S)  # noqa: TID251  the bench lives in real time

    def write(self, data: bytes) -> tuple[int, int]:
        """Write all of `data`; return the host's monotonic nanoseconds before and after.

        Raises
        ------
        LineLostError
            If the port is gone.
        PortError
            If it accepts no more bytes.
        """
        before_ns = time.monotonic_ns()
        try:
            self._device.write(data)
        except serial.SerialTimeoutException:
            raise PortError(
                self.port,
                f"takes no more bytes (waited {WRITE_TIMEOUT_S:g} s); the board does not read, or flow control is on",
            ) from None
        except _LOST as error:
            raise self._lost(error) from None
        return before_ns, time.monotonic_ns()

    def _lost(self, error: BaseException) -> LineLostError:
        return LineLostError(self.port, f"the port is gone ({_reason(error)}); check cable and supply")


def open_line(port: str, baud: int = DEFAULT_BAUD) -> SerialLine:
    """Open a serial port or URL for this process alone.

    Parameters
    ----------
    port : str
        Such as ``/dev/ttyACM0``, ``COM3`` or ``socket://host:port``.
    baud : int
        Serial baud rate.

    Raises
    ------
    PortError
        If it does not exist, is busy, not permitted, or not a serial port.
    """
    try:
        device = serial.serial_for_url(port, do_not_open=True)
        device.baudrate = baud
        device.timeout = 0
        device.write_timeout = WRITE_TIMEOUT_S
        with contextlib.suppress(AttributeError, NotImplementedError, ValueError):
            device.exclusive = True
        device.open()
    except ValueError as error:
        raise PortError(port, f"{error}; allowed: a serial port, or a URL such as socket://host:port") from None
    except _LOST as error:
        raise PortError(port, f"cannot be opened, {_why_not(error)}") from None
    line = SerialLine(device, port)
    if "://" in port:
        _no_delay(device)
    return line


def _descriptor(device: Any) -> int | None:
    """Return what `select` can wait for; None where there is no such thing."""
    if os.name != "posix":
        return None
    try:
        return int(device.fileno())
    except (AttributeError, OSError, ValueError):
        return None


def _low_latency(device: Any) -> bool:
    try:
        device.set_low_latency_mode(True)
    except (AttributeError, NotImplementedError, ValueError, OSError):
        return False
    return True


def _no_delay(device: Any) -> None:
    """Let a socket send each frame at once: gathering them would add milliseconds."""
    with contextlib.suppress(AttributeError, OSError, ValueError):
        twin = socket.socket(fileno=os.dup(device.fileno()))
        twin.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        twin.close()


def _number(error: BaseException) -> int | None:
    number = getattr(error, "errno", None)
    return int(number) if isinstance(number, int) else None


def _reason(error: BaseException) -> str:
    number = _number(error)
    if number in (None, errno.EIO):
        return "unplugged, or switched off"
    return os.strerror(number or 0)


def _why_not(error: BaseException) -> str:
    """Return why a port cannot be opened, and what to do."""
    text = str(error).lower()
    match _number(error):
        case errno.ENOENT:
            return "there is no such port; `lostlink ports` lists those that exist"
        case errno.EACCES | errno.EPERM:
            return "you have no permission; on many systems your account must be in the group that owns serial ports"
        case errno.EBUSY | errno.EAGAIN:
            return "another program has it open; close that program"
        case errno.ECONNREFUSED:
            return "connection refused; no program listens there"
        case errno.ENOTTY | errno.EINVAL | errno.EISDIR:
            return "it is not a serial port"
        case _ if "exclusively lock" in text:
            return "another program has it open; close that program"
        case _ if "not permitted" in text or "permission" in text or "denied" in text:
            return "another program has it open, or you have no permission"
        case _ if "refused" in text:
            return "connection refused; no program listens there"
        case _ if "configure port" in text or "not a" in text:
            return "it is not a serial port"
        case number:
            return os.strerror(number) if number else str(error)
