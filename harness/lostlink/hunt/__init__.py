"""The hunt: a search for a fault timeline that breaks a requirement, shrunk to the shortest and simplest one.

``events`` (pieces of a timeline) → ``search`` (generate, run, judge) → ``invariants`` over ``windows`` → ``shrink`` →
``description``. `judge_trace` judges a run of any rig; a saved test calls `replayed`. Imports are lazy, because the
command line imports this package.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lostlink.hunt.invariants import judge_trace
    from lostlink.hunt.replay import replayed

__all__ = ["judge_trace", "replayed"]


def __getattr__(name: str) -> Any:
    if name == "judge_trace":
        from lostlink.hunt.invariants import judge_trace

        return judge_trace
    if name == "replayed":
        from lostlink.hunt.replay import replayed

        return replayed
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
