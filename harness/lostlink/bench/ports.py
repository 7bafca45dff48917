"""The serial ports of this computer, and what answers on each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from lostlink.bench.board import BenchBoard
from lostlink.bench.line import PortError, open_line

HANDSHAKE_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class PortCheck:
    """A port, and whether a board answers on it.

    Attributes
    ----------
    port : str
    description : str
        From the operating system.
    answers : bool
        Whether a board answered by the bench protocol.
    result : str
        The board, or why none answered.
    """

    port: str
    description: str
    answers: bool
    result: str


def present() -> list[tuple[str, str]]:
    """Return the ports that the system knows, each with its description."""
    from serial.tools import list_ports

    known = list_ports.comports()
    return sorted((port.device, port.description if port.description != "n/a" else "") for port in known)


def look(ports: Sequence[tuple[str, str]], baud: int) -> list[PortCheck]:
    """Open each port, ask for the board's identity, and close it again."""
    return [_look(port, description, baud) for port, description in ports]


def _look(port: str, description: str, baud: int) -> PortCheck:
    try:
        with open_line(port, baud) as line:
            identity = BenchBoard(line, HANDSHAKE_S).identity
    except PortError as error:
        return PortCheck(port, description, False, error.detail)
    name = identity.name.decode("utf-8", "replace")
    result = f"{name}: bench protocol version {identity.version}, {identity.channels} channels"
    return PortCheck(port, description, True, result)
