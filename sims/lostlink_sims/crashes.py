"""What is said when a program under test raises an exception."""

from __future__ import annotations

from typing import Final

LONGEST_TEXT: Final = 500
"""Characters shown of an exception's text."""


class ReceiverCrashError(Exception):
    """The receiver's program raised an exception of its own."""


def crash_text(error: BaseException, where: str, now_us: int) -> str:
    """Return kind and text of an exception, where it was raised, and when."""
    try:
        text = str(error)
    except Exception:
        text = "(its text cannot be shown)"
    shown, kind = (
        "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in words)
        for words in (text[:LONGEST_TEXT], type(error).__name__)
    )
    return f"{kind} in {where} at {now_us / 1e6:.6f} s: {shown}"
