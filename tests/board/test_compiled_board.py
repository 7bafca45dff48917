"""Compiled firmware under the driver in C gives what the same firmware gives when Python makes each call.

The oracles are `lostlink_sims.board.Board` and, with everything in the queue of SimPy, `sims.event_board`.
"""

from __future__ import annotations

import copy
import dataclasses
import itertools
import random
from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from faulty.links import LINKS
from sims import event_board
from sims.test_spans import columns, links, scenario, tied

from lostlink.rigs import firmware, main_loop, native
from lostlink.rigs.native import compiler
from lostlink.rigs.own_process import OwnProcessRig
from lostlink.rigs.sim import SimRig
from lostlink.suite.run import run_suite
from lostlink_sims import Profile, Scenario, Trace, board, simulate
from lostlink_sims.world import simulate_on

Make = Callable[..., Path]
Compile = Callable[..., Path]
LONG = pytest.mark.long
CHARACTERS = 5
SHIPPED = ("bittern", "dunlin", "heron", "lapwing", "plover", "wren")


class Program:
    """A library in this process, called by the driver or by Python."""

    def __init__(self, library: Path, scratch: Path, driver: native.Driver) -> None:
        self.words = array("q", [0, -1])
        self.image = firmware.Image(library, str(scratch))
        self.driver = driver

    def watch(self, stop_at: int = 0) -> firmware.Watch:
        self.words[0], self.words[1] = 0, -1
        return firmware.Watch(memoryview(self.words), stop_at, "it stops here")

    def compiled(
        self, link: Profile, flown: Scenario, stop_at: int = 0, *,
        limits_loop: bool = False, handset: firmware.Image | None = None,
    ) -> Trace:  # fmt: skip
        watch = self.watch(stop_at)
        return simulate_on(
            lambda env, log, phase_us: native.CompiledBoard(
                env, link, log, phase_us, flown.receiver_clock_us,
                image=self.image, watch=watch, driver=self.driver, limits_loop=limits_loop,
            ),
            link, flown, None if handset is None else native.driven_factory(handset, watch, self.driver),
        )  # fmt: skip

    def by_python(self, link: Profile, flown: Scenario, stop_at: int = 0, *, limits_loop: bool = False) -> Trace:
        factory = firmware.factory(self.image, self.watch(stop_at))
        return simulate(link, flown, main_loop.limited(factory) if limits_loop else factory)

    def by_events(self, link: Profile, flown: Scenario) -> Trace:
        return event_board.simulate_by_events(link, flown, firmware.factory(self.image, self.watch()))


@pytest.fixture(scope="module")
def driver(tools: None, tmp_path_factory: pytest.TempPathFactory) -> native.Driver:
    return native.Driver(native.compiled_driver(), str(tmp_path_factory.mktemp("driver")))


@pytest.fixture(scope="module")
def program(
    compile_c: Compile, driver: native.Driver, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[int], Program]:
    """Return what loads ``odd.c`` with a character."""
    source = Path(__file__).with_name("odd.c")

    def load(character: int) -> Program:
        library = compile_c(f"odd{character}.so", "-O2", "-shared", "-fPIC", f"-DCHARACTER={character}", source)
        return Program(library, tmp_path_factory.mktemp("odd"), driver)

    loaded: dict[int, Program] = {}
    return lambda character: loaded.get(character) or loaded.setdefault(character, load(character))


def parts(trace: Trace) -> tuple[Any, ...]:
    """Return all that a trace holds, with the text of a crash."""
    return columns(trace), trace.crash, trace.crash_us, trace.summary, trace.notes, trace.fates


# --- the same traces and the same calls ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=LONG) for seed in range(2, 41))])
def test_the_driver_and_python_give_the_same(
    program: Callable[[int], Program], seed: int, long: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Any faults, links, programs; and those that end the run. ``--long``: twice as many of forty seeds."""
    monkeypatch.setattr(board, "MOST_SPINS", 300)
    crashes = 0
    for number, (name, link) in enumerate(list(links())[:: 1 if long else 2]):
        numbers = random.Random(f"{name} {seed} in C")
        flown, tested = scenario(numbers, link), program((number + seed) % CHARACTERS)
        expected, calls = parts(tested.by_python(link, flown)), list(tested.words)
        assert parts(tested.compiled(link, flown)) == expected, (name, seed, flown)
        assert list(tested.words) == calls, (name, seed, flown)
        crashes += expected[1] is not None
    assert 0 < crashes < 60


def test_the_driver_and_events_give_the_same(program: Callable[[int], Program], long: bool) -> None:
    """Of links by random faults, with packets, iterations and frames at one instant."""
    link, some = tied()
    flights = [(f"{number} tied", link, flown) for number, flown in enumerate(some)]
    for name, link in list(links())[:: 1 if long else 7]:
        flights.append((name, link, scenario(random.Random(f"{name} by events"), link)))
    for number, (name, link, flown) in enumerate(flights):
        for character in range(4) if number < 3 else [number % 4]:
            tested = program(character)
            expected, calls = columns(tested.by_events(link, flown)), list(tested.words)
            assert columns(tested.compiled(link, flown)) == expected, (name, character, flown)
            assert list(tested.words) == calls, (name, character, flown)


def test_a_microsecond_and_the_order_at_one_instant_are_seen(
    program: Callable[[int], Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The comparison fails when the queue is a microsecond late, or the order is another one."""
    link, flights = tied()
    tested = program(0)
    usual = event_board.ORDER | {}
    for table, values in (
        ("LATE_US", {"loop": 1, "frame": 0}), ("LATE_US", {"loop": 0, "frame": 1}),
        ("ORDER", usual | {"loop": 1.5}), ("ORDER", usual | {"frame": 1.5}), ("ORDER", {"loop": 4, "frame": 3}),
    ):  # fmt: skip
        with monkeypatch.context() as patch:
            patch.setattr(event_board, table, values)
            assert any(
                columns(tested.compiled(link, flown)) != columns(tested.by_events(link, flown)) for flown in flights
            ), (table, values)


class Noted(firmware.Watch):
    """Keeps the step of each call."""

    def __init__(self, calls: Any) -> None:
        super().__init__(calls)
        self.steps: list[int] = []

    def begin(self, step: int) -> None:
        self.steps.append(step)
        super().begin(step)


def calls_of_each_step(tested: Program, link: Profile, flown: Scenario) -> list[int]:
    """Return the numbers of the first calls, and of some of each function."""
    noted = Noted(tested.watch().calls)
    simulate(link, flown, firmware.factory(tested.image, noted))
    steps = np.array(noted.steps)
    numbers = set(range(1, 9)) | {len(steps)}
    for step in set(noted.steps):
        of_step = np.flatnonzero(steps == step) + 1
        numbers |= set(of_step[:: max(1, len(of_step) // 6)].tolist())
    return sorted(numbers)


@pytest.mark.parametrize("latch", ["frame", "live"])
def test_a_run_ends_before_the_call_that_does_not_return(program: Callable[[int], Program], latch: str) -> None:
    """Before each function, in each place: the same trace until then, the same text, the same number of the call."""
    link, flights = tied()
    link = dataclasses.replace(link, output=dataclasses.replace(link.output, latch=latch))
    flown, tested = flights[1], program(0)
    places = set()
    for number in calls_of_each_step(tested, link, flown):
        expected, calls = parts(tested.by_python(link, flown, number)), list(tested.words)
        assert parts(tested.compiled(link, flown, number)) == expected, number
        assert list(tested.words) == calls
        assert calls[0] == number
        places.add(str(expected[1]).partition(" at ")[0].partition(" in ")[2])
    assert places == {
        board.IN_CONSTRUCTOR, board.IN_POWER_ON, board.IN_TURN, board.IN_PACKET, board.IN_PULSES
    }  # fmt: skip


def test_a_spinning_loop_is_limited_in_the_same_way(
    program: Callable[[int], Program], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As for a hunt; one that wants too many iterations ends the run."""
    link, flown, tested = LINKS["heron"], Scenario(duration_us=400_000), program(4)
    expected, calls = parts(tested.by_python(link, flown, limits_loop=True)), list(tested.words)
    assert parts(tested.compiled(link, flown, limits_loop=True)) == expected
    assert list(tested.words) == calls
    monkeypatch.setattr(main_loop, "MOST_TURNS", 400)
    ends = []
    for run in (tested.by_python, tested.compiled):
        with pytest.raises(main_loop.BusyError):
            run(link, flown, limits_loop=True)
        ends.append(list(tested.words))
    assert ends[0] == ends[1]


class BothWays(SimRig):
    """Flies each scenario with the driver and by Python."""

    def __init__(self, profile: Profile, program: Program) -> None:
        super().__init__(profile, firmware.factory(program.image, program.watch()))
        self.program, self.flown, self.different = program, 0, [""][:0]

    def run(self, scenario: Scenario) -> Trace:
        """Fly it both ways."""
        trace = super().run(scenario)
        calls = list(self.program.words)
        same = parts(self.program.compiled(self.profile, scenario)) == parts(trace)
        self.flown += 1
        if not same or list(self.program.words) != calls:
            self.different.append(scenario.name)
        self.program.watch()
        return trace


@pytest.mark.parametrize("name", ["heron", *(pytest.param(name, marks=LONG) for name in SHIPPED if name != "heron")])
def test_the_flights_of_the_suite(make: Make, driver: native.Driver, tmp_path: Path, name: str, long: bool) -> None:
    """Of eight requirements; ``--long``: of all."""
    link = LINKS[name]
    library = make("receiver.so", profile=link)
    rig = BothWays(link, Program(library, tmp_path, driver))
    only = (
        ()
        if long
        else ("FS-CUT", "FS-HANG", "FS-FOREIGN", "FS-SILENT", "PW-BROWNOUT", "RC-TIME", "LK-FALSE", "CH-STEPS")
    )
    result = run_suite(link, rig, only=only)
    assert not result.errors
    assert rig.flown > (300 if long else 30)
    assert not rig.different


@pytest.mark.parametrize("name", ["heron", *(pytest.param(name, marks=LONG) for name in SHIPPED if name != "heron")])
def test_a_pair_of_compiled_programs(make: Make, program: Callable[[int], Program], tmp_path: Path, name: str) -> None:
    """A handset under test beside the receiver: the same trace, and the same calls of both, also of a run that ends."""
    link, tested = LINKS[name], program(0)
    handset = firmware.Image(make("handset.so", profile=link), str(tmp_path), firmware.HANDSET)

    def by_python(flown: Scenario, stop_at: int = 0) -> tuple[tuple[Any, ...], list[int]]:
        watch = tested.watch(stop_at)
        factories = firmware.factory(tested.image, watch), firmware.handset_factory(handset, watch)
        return parts(simulate(link, flown, *factories)), list(tested.words)

    calls = 0
    for number in range(3):
        flown = scenario(random.Random(f"{name} {number} as a pair"), link)
        ends = by_python(flown)[1][0]
        calls += ends
        for stop_at in (0, ends // 3, ends):
            expected = by_python(flown, stop_at)
            trace = parts(tested.compiled(link, flown, stop_at, handset=handset))
            assert (trace, list(tested.words)) == expected, (number, stop_at)
    assert calls > 1000


# --- the driver and its compiler -------------------------------------------------------------------------------------

DRIVER, HANDSET_DRIVER = (Path(native.__file__).with_name(name) for name in ("driver.c", "handset_driver.c"))


FLIGHT: Final = Scenario(duration_us=500_000)


@pytest.fixture
def library(make: Make) -> Path:
    return make("receiver.so")


@pytest.fixture(scope="module")
def expected(make: Make, driver: native.Driver, tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, ...]:
    """Return a flight by calls of Python."""
    program = Program(make("receiver.so"), tmp_path_factory.mktemp("python"), driver)
    return parts(program.by_python(LINKS["heron"], FLIGHT))


def flown(library: Path) -> tuple[Any, ...]:
    """Return the same flight in the process of a receiver."""
    with OwnProcessRig(LINKS["heron"], str(library)) as rig:
        return parts(rig.run(FLIGHT))


def test_the_driver_is_standard_c(compile_c: Compile) -> None:
    """C99 for any computer, without a warning."""
    compile_c("driver.o", "-pedantic", "-Wconversion", "-Wshadow", "-O2", "-c", DRIVER)


@pytest.mark.parametrize(
    "command", ["no-such-compiler", *(pytest.param(word, marks=LONG) for word in ("false", "true", "'open"))]
)
def test_without_a_compiler(
    library: Path, expected: tuple[Any, ...], command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None, one that fails, one that writes nothing: the same trace, by calls of Python."""
    monkeypatch.setattr(compiler, "_driver", [])
    monkeypatch.setenv("CC", command)
    assert native.compiled_driver() == b""
    assert flown(library) == expected


def test_a_driver_that_cannot_be_loaded(
    library: Path, expected: tuple[Any, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such as one from another computer."""
    monkeypatch.setattr(compiler, "_driver", [])
    native.provide(b"no library")
    assert flown(library) == expected


def test_a_driver_of_another_version(compile_c: Compile, tmp_path: Path) -> None:
    """Its structure has another size, or it is none."""
    text = DRIVER.read_text(encoding="utf-8").replace("int64_t start_us[FRAMES]", "int64_t more, start_us[FRAMES]")
    (tmp_path / "driver.c").write_text(text, encoding="utf-8")
    (tmp_path / "none.c").write_text("int none;", encoding="utf-8")
    for name, said, others in (("driver", "bytes, not", [HANDSET_DRIVER]), ("none", "driver_bytes", [])):
        other = compile_c(
            f"{name}.so", "-shared", "-fPIC", "-I", DRIVER.parent, tmp_path / f"{name}.c", *others
        ).read_bytes()
        with pytest.raises(OSError, match=said):
            native.Driver(other, str(tmp_path))


def test_the_driver_is_used(
    library: Path, expected: tuple[Any, ...], compile_c: Compile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error of a microsecond in it is seen in the trace."""
    line, text = "b->now_us + pause_us(b, total_us);", DRIVER.read_text(encoding="utf-8")
    assert text.count(line) == 1
    (tmp_path / "late.c").write_text(text.replace(line, f"1 + {line}"), encoding="utf-8")
    late = compile_c("late.so", "-O2", "-shared", "-fPIC", "-I", DRIVER.parent, tmp_path / "late.c", HANDSET_DRIVER)
    for driver, is_late in ((native.compiled_driver(), False), (late.read_bytes(), True)):
        monkeypatch.setattr(compiler, "_driver", [driver])
        assert (flown(library) != expected) == is_late


ORDERS: Final = {
    "b->at_us[b->next] <= due_us": "b->at_us[b->next] < due_us",
    "else if (b->loop_at_us <= b->frame_at_us)": "else if (b->loop_at_us < b->frame_at_us)",
    "else if (due_us >= until_us)": "else if (due_us > until_us)",
    "at_us <= b->now_us)": "at_us < b->now_us)",
}
"""Lines of the driver in which a microsecond or the order at one instant would be another one."""


@pytest.mark.parametrize("line", ORDERS)
def test_another_order_in_the_driver_is_seen(
    program: Callable[[int], Program], compile_c: Compile, tmp_path: Path, line: str
) -> None:
    """Each change of one of its comparisons is another trace, or other calls, of some flight with ties."""
    text = DRIVER.read_text(encoding="utf-8")
    assert text.count(line) == 1
    (tmp_path / "other.c").write_text(text.replace(line, ORDERS[line]), encoding="utf-8")
    words = "-O2", "-shared", "-fPIC", "-I", DRIVER.parent, tmp_path / "other.c", HANDSET_DRIVER
    other = native.Driver(compile_c("other.so", *words).read_bytes(), "")
    link, flights = tied()
    seen = False
    for latch in ("frame", "live"):
        flown_on = dataclasses.replace(link, output=dataclasses.replace(link.output, latch=latch))
        for character, one in itertools.product((0, 1), flights):
            tested = program(character)
            expected, calls = parts(tested.by_python(flown_on, one)), list(tested.words)
            changed = copy.copy(tested)
            changed.driver = other
            seen |= parts(changed.compiled(flown_on, one)) != expected or list(tested.words) != calls
    assert seen


def test_nothing_is_left_of_the_build(tools: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No file, and one build in a process."""
    monkeypatch.setattr(compiler, "_driver", [])
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    assert native.compiled_driver()
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setenv("CC", "false")
    assert native.compiled_driver()
