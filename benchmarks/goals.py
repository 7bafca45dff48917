"""Goals of the benchmarks, and the table of them."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Goal:
    """A measured figure and its bound.

    Attributes
    ----------
    name : str
    value : float
    bound : float
    unit : str
        "x" for a ratio to what is named, which a busy machine disturbs least.
    is_floor : bool
        Whether the figure must be at least the bound, else at most.
    """

    name: str
    value: float
    bound: float
    unit: str = "x"
    is_floor: bool = False

    @property
    def is_met(self) -> bool:
        return self.value >= self.bound if self.is_floor else self.value <= self.bound


def table(goals: Iterable[Goal]) -> str:
    """Return a line for each goal."""
    lines = [f"{'':64}{'measured':>12}{'goal':>16}"]
    for goal in goals:
        bound = f"{'at least' if goal.is_floor else 'at most'} {goal.bound:g} {goal.unit}"
        told = f"{goal.value:.3g} {goal.unit}"
        lines.append(f"{goal.name:64}{told:>12}{bound:>16}  {'met' if goal.is_met else 'NOT MET'}")
    return "\n".join(lines)


def cpu_s(work: Callable[[], object]) -> float:
    """Return the CPU time of a function."""
    begin_s = time.process_time()
    work()
    return time.process_time() - begin_s


def cpu_of_children_s(work: Callable[[], object]) -> float:
    """Return the CPU time of the processes that a function starts and waits for."""

    def spent_s() -> float:
        use = resource.getrusage(resource.RUSAGE_CHILDREN)
        return use.ru_utime + use.ru_stime

    begin_s = spent_s()
    work()
    return spent_s() - begin_s


def elapsed_s(work: Callable[[], object]) -> float:
    """Return the elapsed time of a function."""
    begin_s = time.perf_counter()
    work()
    return time.perf_counter() - begin_s
