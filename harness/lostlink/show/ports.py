"""Serial ports in the terminal."""

from __future__ import annotations

from rich.markup import escape

from lostlink.bench.ports import Found
from lostlink.show.console import console


def ports(found: list[Found]) -> None:
    """Show ports and the program that answers on each."""
    out = console()
    if not found:
        out.print("no serial port found; plug the board in, or name a port: lostlink ports /dev/ttyACM0")
        return
    for port in found:
        sign, style = ("+", "green") if port.answers else ("-", "yellow")
        answer = f" ({escape(port.said)})" if port.said else ""
        out.print(f"[{style}]{sign}[/{style}] {escape(port.port)}{answer}: {escape(port.found)}", soft_wrap=True)
