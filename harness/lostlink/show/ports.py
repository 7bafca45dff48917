"""Serial ports in the terminal."""

from __future__ import annotations

from rich.markup import escape

from lostlink.bench.ports import PortCheck
from lostlink.show.console import console, paragraph


def ports(checks: list[PortCheck]) -> None:
    """Show ports and what answers on each."""
    if not checks:
        paragraph("no serial port found; connect the board, or name a port: lostlink ports /dev/ttyACM0")
    for check in checks:
        sign, style = ("+", "green") if check.answers else ("-", "yellow")
        description = f" ({check.description})" if check.description else ""
        text = escape(f"{check.port}{description}: {check.result}")
        console().print(f"[{style}]{sign}[/{style}] {text}", soft_wrap=True)
