"""The hunt: a search over fault timelines for one that breaks a requirement, made as short and simple as it gets.

``events`` (what a timeline is made of) → ``search`` (drawn, run, judged) → ``rules`` over ``facts`` (what must hold
whatever happens) → ``shrink`` → ``report``. `judge_trace` judges a run of any rig; `replayed` is what a saved test
calls. Nothing heavy is imported before it is asked for, because the command line imports this package.
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
