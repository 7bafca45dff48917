"""A serial line: any port or URL that pyserial can open, with time stamps of the host.

A read waits for data or for its timeout, and time-stamps the data at once. A port that is missing or lost raises a
`PortError` that says what to check.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import time
import urllib.parse
from types import TracebackType
from typing import Any

import serial

from lostlink.errors import RigError

DEFAULT_BAUD = 250_000
WRITE_TIMEOUT_S = 0.5
SCHEMES = ("socket", "rfc2217")
"""Kinds of URL that are ports."""
_PIECE = 4096
_POLL_S = 0.000_5
"""Polling interval of a port without a file descriptor."""

_LOST: tuple[type[BaseException], ...] = (OSError, TypeError)
try:
    import termios

    _LOST = (*_LOST, termios.error)
except ImportError:  # not on every system
    pass


class PortError(RigError):
    """A port cannot be used, or the device on it does not answer properly.

    Attributes
    ----------
    port : str
        Name that the user gave.
    problem : str
    hint : str
        What to check at a real port; not for the port of an emulator.
    """

    def __init__(self, port: str, problem: str, hint: str = "") -> None:
        self.port, self.problem, self.hint = port, problem, hint
        super().__init__(f"{port}: {self.detail}")

    @property
    def detail(self) -> str:
        """Problem and hint, without the name of the port."""
        return f"{self.problem}; {self.hint}" if self.hint else self.problem


class LineLostError(PortError):
    """An open connection was lost."""


class SerialLine:
    """An open serial line.

    Parameters
    ----------
    device : serial.Serial
        Open, without a read timeout.
    name : str
        Name that the user gave.

    Attributes
    ----------
    port, baud : str, int
    low_latency : bool
        Whether the driver delivers each byte at once.
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
        """Return the next data as soon as they arrive.

        Returns
        -------
        list of (int, bytes)
            Pieces with their arrival in the host's monotonic nanoseconds; empty after the timeout.

        Raises
        ------
        LineLostError
            If the connection is lost.
        """
        try:
            return self._poll(timeout_s) if self._fd is None else self._wait_for(self._fd, timeout_s)
        except _LOST as error:
            raise self._lost(error) from None

    def _wait_for(self, descriptor: int, timeout_s: float) -> list[tuple[int, bytes]]:
        ready, _, _ = select.select([descriptor], [], [], max(0.0, timeout_s))
        if not ready:
            return []
        data = os.read(descriptor, _PIECE)
        if not data:
            raise OSError(errno.EIO, "end of file")
        return [(time.monotonic_ns(), data)]

    def _poll(self, timeout_s: float) -> list[tuple[int, bytes]]:
        until_s = time.monotonic() + timeout_s
        while True:
            waiting = self._device.in_waiting
            if waiting:
                return [(time.monotonic_ns(), bytes(self._device.read(waiting)))]
            if time.monotonic() >= until_s:
                return []
            time.sleep(_POLL_S)  # noqa: TID251  real time

    def accepts(self) -> bool:
        """Return whether the port takes data at once; True where the system cannot tell.

        Raises
        ------
        LineLostError
            If the connection is lost.
        """
        if self._fd is None:
            return True
        try:
            return bool(select.select([], [self._fd], [], 0)[1])
        except _LOST as error:
            raise self._lost(error) from None

    def write(self, data: bytes) -> tuple[int, int]:
        """Write all of `data`; return the host's monotonic nanoseconds before and after.

        Raises
        ------
        LineLostError
            If the connection is lost.
        PortError
            If the port does not accept the data.
        """
        before_ns = time.monotonic_ns()
        try:
            self._device.write(data)
        except serial.SerialTimeoutException:
            problem = f"accepts no data (waited {WRITE_TIMEOUT_S:g} s)"
            raise PortError(self.port, problem, "the board does not read, or flow control is on") from None
        except _LOST as error:
            raise self._lost(error) from None
        return before_ns, time.monotonic_ns()

    def _lost(self, error: BaseException) -> LineLostError:
        number = _number(error)
        why = "unplugged, or switched off" if number in (None, errno.EIO) else os.strerror(number)
        return LineLostError(self.port, f"connection lost ({why})", "check cable and supply")


def open_line(port: str, baud: int = DEFAULT_BAUD) -> SerialLine:
    """Open a serial port or URL for exclusive use.

    Parameters
    ----------
    port : str
        Such as ``/dev/ttyACM0``, ``COM3`` or ``socket://host:port``.
    baud : int
        Serial baud rate.

    Raises
    ------
    PortError
        If it does not exist, is in use, not permitted, or not a serial port.
    """
    if "://" in port:
        _check_address(port)
    try:
        device = serial.serial_for_url(port, do_not_open=True)
        device.baudrate = baud
        device.timeout = 0
        device.write_timeout = WRITE_TIMEOUT_S
        with contextlib.suppress(AttributeError, NotImplementedError, ValueError):
            device.exclusive = True
        device.open()
    except (ValueError, LookupError) as error:
        raise PortError(port, str(error), "give a serial port, or a URL such as socket://host:port") from None
    except _LOST as error:
        raise PortError(port, f"cannot be opened: {_why_not(error)}") from None
    line = SerialLine(device, port)
    if "://" in port:
        _no_delay(device)
    return line


def _check_address(url: str) -> None:
    """Raise an error unless a URL is a port: others of the serial library write files, or loop back."""
    try:
        parts = urllib.parse.urlsplit(url)
        is_address = bool(parts.hostname) and parts.port is not None
    except ValueError:  # such as a port number of 99999
        is_address = False
    if not is_address or parts.scheme not in SCHEMES:
        allowed = ", ".join(f"{scheme}://HOST:PORT" for scheme in SCHEMES)
        raise PortError(url, "not the address of a port", f"give a serial port, or {allowed}")


def _descriptor(device: Any) -> int | None:
    """Return the file descriptor for `select`; None where the port or the system has none."""
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
    """Let a socket send each frame at once; collecting them would add milliseconds."""
    with contextlib.suppress(AttributeError, OSError, ValueError):
        twin = socket.socket(fileno=os.dup(device.fileno()))
        twin.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        twin.close()


def _number(error: BaseException) -> int | None:
    number = getattr(error, "errno", None)
    return int(number) if isinstance(number, int) else None


_IN_USE = "another program uses the port; close that program"
_NO_PORT = "not a serial port"
_REFUSED = "connection refused; no program listens there"
_BY_NUMBER = {
    errno.ENOENT: "no such port; `lostlink ports` lists the serial ports",
    **dict.fromkeys((errno.EACCES, errno.EPERM), "no permission; your account may need the group of the serial ports"),
    **dict.fromkeys((errno.EBUSY, errno.EAGAIN), _IN_USE),
    **dict.fromkeys((errno.ENOTTY, errno.EINVAL, errno.EISDIR), _NO_PORT),
    errno.ECONNREFUSED: _REFUSED,
}
_BY_WORDS = {
    "exclusively lock": _IN_USE,
    **dict.fromkeys(("not permitted", "permission", "denied"), "another program uses the port, or no permission"),
    "refused": _REFUSED,
    **dict.fromkeys(("configure port", "not a"), _NO_PORT),
}
"""For errors without a number: by a part of their text; the first that matches."""


def _why_not(error: BaseException) -> str:
    """Return why a port cannot be opened, and what to do."""
    number, text = _number(error), str(error).lower()
    if number in _BY_NUMBER:
        return _BY_NUMBER[number]
    known = next((why for words, why in _BY_WORDS.items() if words in text), None)
    return known or (os.strerror(number) if number else str(error))
