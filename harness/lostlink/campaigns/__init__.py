"""Monte Carlo campaigns: many flights that lose their link, and bounds on how often the failsafe fails.

``flight`` (what is drawn) → ``trials`` (run a range of them) → ``tally`` (count) → ``campaign`` (jobs, rule, journal) →
``evidence_files``. ``jobs`` over ``workers`` or ``cluster``; ``statistics``, ``times``, ``claims``, ``stopping``,
``wald``: what may be concluded, and when to stop.
"""

__all__ = [
    "campaign",
    "claims",
    "evidence_files",
    "flight",
    "jobs",
    "statistics",
    "stopping",
    "tally",
    "times",
    "trials",
]
