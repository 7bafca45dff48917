"""The search: Hypothesis generates timelines; those that break a requirement are shrunk by `shrink`.

Critical requirements come first: the search continues past less severe findings until the budget is used up, and
keeps them. With a limit on runs the result depends on the seed only; with a time limit it does not.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from lostlink.errors import ExitCode, UsageError
from lostlink.hunt.events import World, world
from lostlink.hunt.runner import Budget, Coverage, Opens, Runner, SpentError, TimelineResult
from lostlink.hunt.shrink import shrunk
from lostlink.hunt.timelines import PHASES, Piece, Timeline, simplicity
from lostlink.invariants.attribution import Broken
from lostlink.verdicts import Side
from lostlink_sims import Profile, Trace

MOST_PIECES: Final = 6
SHORT_US: Final = 3_000_000
LONG_US: Final = 10_000_000
VARIANTS: Final = 6
"""Maximum number of variants of each kind that `obvious` tries."""
SHRINK_RUNS: Final = 600
"""Maximum number of runs to shrink a finding."""
SHRINK_S: Final = 30.0
_OFFSET: Final = 0x5EED_0000_0001
"""Offset of all generated numbers. Hypothesis also draws constants that it finds in loaded modules; none is in this
range, so the result depends on the seed only."""

Progress = Callable[[int, float, str], None]
"""Called with the number of runs, the seconds used and the current activity."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A shrunk timeline that breaks a requirement, `also` others, and its run on a fresh receiver."""

    timeline: Timeline
    broken: Broken
    also: tuple[Broken, ...]
    trace: Trace


@dataclass(slots=True)
class Hunt:
    """The result of a hunt; the most severe findings first."""

    world: World
    seed: int
    findings: list[Finding] = field(default_factory=list)
    coverage: Coverage = field(default_factory=Coverage)
    interrupted: bool = False

    @property
    def exit_code(self) -> ExitCode:
        """Exit code of the command."""
        if self.interrupted:
            return ExitCode.INTERRUPTED
        return ExitCode.NOT_MET if self.findings else ExitCode.MET


def check_installed() -> None:
    """Raise UsageError if Hypothesis is not installed."""
    try:
        import hypothesis  # noqa: F401
    except ImportError:
        raise UsageError("hunt: Hypothesis is not installed; install it with pip install lostlink[search]") from None


def hunt(
    profile: Profile,
    opens: Opens,
    *,
    seed: int = 1,
    budget: Budget | None = None,
    find_all: bool = False,
    progress: Progress | None = None,
    sides: Collection[Side] = (Side.RECEIVER,),
) -> Hunt:
    """Search for timelines that break a requirement.

    Parameters
    ----------
    profile : Profile
    opens : callable
        Returns a fresh rig in simulation.
    seed : int
    budget : Budget
        [default: 1000 runs]
    find_all : bool
        Whether to continue after the first finding, for other requirements.
    progress : callable, optional
    sides : collection of Side
        What is under test.
    """
    check_installed()
    result = Hunt(world(profile, sides), seed)
    activity = "searching"

    def report(runs: int, seconds: float) -> None:
        if progress is not None:
            progress(runs, seconds, activity)

    runner = Runner(result.world, opens, budget or Budget(runs=1000), seed, report)
    search = _Search(runner, find_all)
    try:
        with _hypothesis_in_temporary_folder():
            while (timeline := search.next()) is not None:
                activity = "shrinking"
                if (finding := search.finish(timeline)) is not None:
                    result.findings.append(finding)
                    if not find_all:
                        break
                activity = "searching"
    except KeyboardInterrupt:
        result.interrupted = True
        if (finding := search.best_so_far()) is not None:
            result.findings.append(finding)
    finally:
        result.coverage = runner.coverage
        runner.close()
    result.findings.sort(key=lambda finding: finding.broken.rank)
    return result


class _Search:
    """Searches for timelines, each of which breaks a requirement that no earlier one did."""

    def __init__(self, runner: Runner, find_all: bool) -> None:
        self._runner, self._find_all = runner, find_all
        self._known: set[str] = set()  # ids of requirements that a finding is about
        self._unconfirmed: set[str] = set()  # groups that an exact run did not confirm
        self._kept: tuple[Timeline, Broken] | None = None

    def _wanted(self, judged: TimelineResult, group: str | None = None, rank: int = 2) -> Broken | None:
        """Return the most severe new requirement that a run breaks, of equal ones the first."""
        new = (
            broken for broken in judged.broken
            if broken.requirement_id not in self._known and broken.group not in self._unconfirmed
            and broken.rank <= rank and group in (None, broken.group)
        )  # fmt: skip
        return min(new, key=lambda broken: broken.rank, default=None)

    def next(self) -> Timeline | None:
        """Return a timeline that breaks another requirement; None when the budget is used up."""
        self._run_until(2 if self._find_all else 0)
        return None if self._kept is None else self._kept[0]

    def _run_until(self, stop_at: int) -> None:
        """Run timelines until one breaks a requirement of that rank, or the budget is used up."""
        runner, self._kept = self._runner, None
        with contextlib.suppress(SpentError):
            if any(self._keep(runner.fitted(timeline), stop_at) for timeline in obvious(runner.world)):
                return
        for share, guided in ((0.5, False), (1.0, True)):
            runner.share = share
            if _draw(runner, lambda timeline: self._keep(timeline, stop_at), guided=guided):
                return

    def _keep(self, timeline: Timeline, stop_at: int) -> bool:
        """Run a timeline and keep it if it is the most severe so far; return whether that is enough to stop."""
        broken = self._wanted(self._runner.judged(timeline))
        if broken is None:
            return False
        if self._kept is None or broken.rank < self._kept[1].rank:
            self._kept = timeline, broken
        return broken.rank <= stop_at

    def finish(self, timeline: Timeline) -> Finding | None:
        """Return a shrunk finding; None if it depends on earlier runs."""
        runner, kept = self._runner, self._kept
        assert kept is not None
        if not runner.coverage.reloads and not runner.is_repeatable(timeline):
            runner.reload_always()
            return None
        group, rank = kept[1].group, kept[1].rank
        # Without a time budget the result must not depend on time.
        runner.shrinks(SHRINK_RUNS, None if runner.budget.seconds is None else SHRINK_S)
        try:
            small = shrunk(runner.world, timeline, lambda candidate: self._smaller(candidate, group, rank))
        finally:
            runner.shrinks(None)
        return self._finding(small, group, rank)

    def _smaller(self, timeline: Timeline, group: str, rank: int) -> bool:
        broken = self._wanted(self._runner.judged(timeline), group, rank)
        if broken is not None and self._kept is not None:
            world = self._runner.world
            if simplicity(world, timeline) < simplicity(world, self._kept[0]):
                self._kept = timeline, broken
        return broken is not None

    def _finding(self, timeline: Timeline, group: str, rank: int) -> Finding | None:
        """Return a finding with its exact run; None if the run does not confirm it."""
        trace = self._runner.run(timeline, exactly=True)
        judged = self._runner.judge(trace)
        broken = self._wanted(judged, group, rank)
        self._kept = None
        if broken is None:
            self._unconfirmed.add(group)
            return None
        self._known.update(other.requirement_id for other in judged.broken)
        return Finding(timeline, broken, tuple(other for other in judged.broken if other is not broken), trace)

    def best_so_far(self) -> Finding | None:
        """Return the most severe finding so far, after an interrupt."""
        if self._kept is None:
            return None
        timeline, broken = self._kept
        return self._finding(timeline, broken.group, broken.rank)


def obvious(world: World) -> Iterator[Timeline]:
    """Yield the obvious timelines: every start, every kind of event alone, two losses, counter wraps."""
    yield from (Timeline(start=start) for start in range(len(world.starts)))
    motor_us = world.profile.requirements.motor_cut_within_us
    lost = next(index for index, duration in enumerate(world.durations) if duration.us > motor_us)
    long = next(index for index, duration in enumerate(world.durations) if duration.us >= LONG_US)
    last = len(world.durations) - 1
    away = None if world.away is None else Piece(world.away, duration=lost)
    if away is not None:
        yield Timeline((away,))
    for index, kind in enumerate(world.kinds):
        duration = long if kind.name in ("stray packets", "link comes and goes") else lost
        yield from (
            Timeline((Piece(index, variant, duration),)) for variant in range(min(len(kind.variants), VARIANTS))
        )
    if away is not None:
        yield Timeline((away, Piece(0, duration=lost), away))
        yield from (Timeline((away,), wrap=wrap) for wrap in range(1, len(world.wraps) + 1))
        yield Timeline((Piece(away.kind, duration=last),))
        yield Timeline((Piece(0, duration=last), away))
    if Side.HANDSET in world.sides:
        yield from _obvious_for_a_handset(world, lost, long)


def _obvious_for_a_handset(world: World, lost: int, long: int) -> Iterator[Timeline]:
    """Yield moves beside each event, events twice, a long wait at power-on, and moves while the counter wraps."""
    indices = {kind.name: index for index, kind in enumerate(world.kinds)}
    throttle, sticks, others = (indices[name] for name in ("throttle stick", "all sticks", "another stick"))
    moved = [Piece(sticks, variant, beside=True) for variant in (2, 3)]
    switched = [
        Piece(others, variant, beside=True) for variant, one in enumerate(world.kinds[others].variants)
        if " switch goes " in one.text or one.text.startswith("the arming switch")
    ]  # fmt: skip
    up, last, wait = len(world.starts) - 1, len(world.durations) - 1, Piece(0, duration=lost)
    yield Timeline(start=up, throttle=len(world.throttles) - 1)
    yield from (Timeline((move,), start=up) for move in (*moved, Piece(throttle, 5), *switched))
    yield from (Timeline((Piece(0, duration=last),), start=start) for start in (up, 0))
    for name in ("handset reset", "handset loop hung", "handset radio busy", "handset off"):
        if name in indices:
            event = Piece(indices[name], duration=lost)
            yield Timeline((event, moved[0]))
            yield Timeline((event, wait, event))
            yield Timeline((event, moved[1], wait, Piece(throttle), wait))
            yield Timeline((Piece(throttle), wait, event))
            yield Timeline((Piece(indices[name], duration=long),))
    if "stick wire broken" in indices:
        for variant in range(min(2, len(world.kinds[indices["stick wire broken"]].variants))):
            broken = Piece(indices["stick wire broken"], variant, long)
            yield Timeline((broken,), start=up)
            yield Timeline((broken,), throttle=2)
            if "handset reset" in indices:
                yield Timeline((broken, Piece(indices["handset reset"], beside=True)), throttle=2)
    yield from (Timeline((moved[wrap % 2], *switched[:1]), wrap=wrap) for wrap in range(1, len(world.wraps) + 1))


def _draw(runner: Runner, keep: Callable[[Timeline], bool], *, guided: bool) -> bool:
    """Let Hypothesis generate timelines; return true if one was kept, false if the budget is used up.

    Guided, it maximises the delay of the throttle cut. That finds gradual faults but explores less, so the first half
    of a budget is unguided.
    """
    from hypothesis import HealthCheck, Phase, Verbosity, given, settings, target
    from hypothesis import seed as seeded

    class FoundError(Exception):
        """A timeline was kept."""

    phases = (Phase.generate, Phase.target) if guided else (Phase.generate,)
    most = runner.budget.runs if runner.budget.runs is not None else 10_000_000

    @seeded(runner.seed + guided)
    @settings(
        max_examples=2 * most + len(runner.seen), database=None, deadline=None, derandomize=False, print_blob=False,
        phases=phases, suppress_health_check=list(HealthCheck), report_multiple_bugs=False, verbosity=Verbosity.quiet,
    )  # fmt: skip
    @given(timelines(runner.world))
    def attempt(drawn: Timeline) -> None:
        timeline = runner.fitted(drawn)
        if keep(timeline):
            raise FoundError
        if guided:
            target(runner.judged(timeline).strain)

    try:
        attempt()
    except FoundError:
        return True
    except SpentError:
        pass
    return False


def timelines(world: World) -> Any:
    """Return the strategy that generates timelines; smaller numbers are simpler timelines."""
    from hypothesis import strategies as st

    def number(count: int) -> Any:
        return st.integers(_OFFSET, _OFFSET + count - 1).map(lambda drawn: drawn - _OFFSET)

    # Short pieces twice as often as long ones, which are slow to run and seldom needed.
    short = sum(duration.us < SHORT_US for duration in world.durations)
    durations = number(len(world.durations) + short).map(lambda drawn: drawn % len(world.durations))
    variants = max(len(kind.variants) for kind in world.kinds)
    starts, wraps = len(world.starts), len(world.wraps)
    piece = st.builds(
        Piece, kind=number(len(world.kinds)), variant=number(variants), duration=durations,
        beside=number(4).map(lambda drawn: drawn == 3),
    )  # fmt: skip
    return st.builds(
        Timeline,
        pieces=st.lists(piece, max_size=MOST_PIECES).map(tuple),
        throttle=number(len(world.throttles)),
        start=number(4 * starts).map(lambda drawn: max(0, drawn - 3 * starts)),
        wrap=number(3 * wraps).map(lambda drawn: max(0, drawn - 2 * wraps)),
        packet_phase=number(PHASES),
        frame_phase=number(PHASES),
    )


@contextlib.contextmanager
def _hypothesis_in_temporary_folder() -> Iterator[None]:
    """Let Hypothesis keep its files in a temporary folder."""
    from hypothesis import configuration

    before = getattr(configuration, "__hypothesis_home_directory", None)
    with tempfile.TemporaryDirectory() as folder:
        configuration.set_hypothesis_home_dir(folder)
        try:
            yield
        finally:
            configuration.set_hypothesis_home_dir(before)
