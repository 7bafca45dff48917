"""What every run must meet, whatever its purpose: each invariant is tied to a requirement of the catalogue.

``windows`` (what a run shows, and when a state is certain) → ``rules`` and ``tracking`` (the invariants) →
``attribution`` (the requirement that a broken one belongs to); ``handset_windows`` → ``handset_rules``: the same for a
handset's packets. Suite and hunt look at each of their runs.
"""

from lostlink.invariants.attribution import Broken
from lostlink.invariants.rules import judge_trace

__all__ = ["Broken", "judge_trace"]
