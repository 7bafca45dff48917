"""The hunt: a search for a fault timeline that breaks a requirement, shrunk to the shortest and simplest one.

``events`` (pieces of a timeline) → ``search`` (generate, run, judge by `lostlink.invariants`) → ``shrink`` →
``description``. A saved test calls `replayed`. Imports are lazy, because the command line imports this package.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lostlink.hunt.replay import replayed

__all__ = ["replayed"]


def __getattr__(name: str) -> Any:
    if name == "replayed":
        from lostlink.hunt.replay import replayed

        return replayed
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
