"""Serial ports in the terminal."""

from __future__ import annotations

from rich.markup import escape

from lostlink.bench.ports import Found
from lostlink.show.console import console


def ports(found: list[Found]) -> None:
    """Show ports and what answers on each."""
    out = console()
    if not found:
        out.print("no serial port is there; plug the board in, or name one: lostlink ports /dev/ttyACM0")
        return
    for one in found:
        sign, style = ("+", "green") if one.answers else ("-", "yellow")
        said = f" ({escape(one.said)})" if one.said else ""
        out.print(f"[{style}]{sign}[/{style}] {escape(one.port)}{said}: {escape(one.found)}", soft_wrap=True)
