"""Which serial ports there are, and what answers on each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lostlink.bench.board import BenchBoard
from lostlink.bench.line import open_line
from lostlink.errors import RigError

HANDSHAKE_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Found:
    """A port and what was found on it.

    Attributes
    ----------
    port : str
    said : str
        What the system says it is.
    answers : bool
        Whether a board that speaks the bench protocol answered.
    found : str
        Who answered, or why nobody did.
    """

    port: str
    said: str
    answers: bool
    found: str


def present() -> list[tuple[str, str]]:
    """Return the ports that the system knows, with what it says of them."""
    from serial.tools import list_ports

    known = list_ports.comports()
    return sorted((port.device, port.description if port.description != "n/a" else "") for port in known)


def look(ports: Sequence[tuple[str, str]], baud: int) -> list[Found]:
    """Open each port, ask who is there, and close it again."""
    return [_look(port, said, baud) for port, said in ports]


def _look(port: str, said: str, baud: int) -> Found:
    try:
        with open_line(port, baud) as line:
            identity = BenchBoard(line, HANDSHAKE_S).identity
    except RigError as error:
        return Found(port, said, False, str(error).removeprefix(f"{port}: "))
    name = identity.name.decode("utf-8", "replace")
    return Found(port, said, True, f"{name}: bench protocol version {identity.version}, {identity.channels} channels")
