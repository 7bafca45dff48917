"""Firmware with state outside its library's memory: each run begins as the first one in a new process.

The oracle is a process that has just been started: so begin the sequence of `rand` (C99, 7.20.2.1), static
objects (6.2.4), and what POSIX keeps for a process.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from board.test_statics import PROGRAM, frames_by_power_on, image_of
from faulty.links import LINKS
from harness.test_campaign_flown import as_dicts

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.measuring import measured
from lostlink.campaigns.tally import Rows
from lostlink.campaigns.trials import COMPILED, ONE_BY_ONE, engine_for, run_each
from lostlink.errors import ReceiverCrashError, RigError
from lostlink.rigs import own_process
from lostlink.rigs.own_process import OwnProcessRig
from lostlink_sims import Scenario
from lostlink_sims.batch.flown import Flown
from lostlink_sims.batch.trials import FlightTrials

Compile = Callable[..., Path]
Frames = list[list[int]]
LONG = pytest.mark.long
LINK = LINKS["heron"]

OUTLIVES = {
    "the numbers of rand": "static int number(void) { return rand(); }",
    "the environment": 'static int number(void) { if (getenv("MINE")) return 2; setenv("MINE", "1", 1); return 1; }',
    "mapped memory": "#include <sys/mman.h>\nstatic int number(void) { int *const at = (int *)0x200000000000;"
    " mmap(at, 4096, 3, MAP_PRIVATE | MAP_ANONYMOUS | 0x100000, -1, 0); return (*at)++; }",
    "a signal's handler": "#include <signal.h>\nstatic void nothing(int a) { (void)a; }"
    "static int number(void) { return signal(SIGUSR1, nothing) == SIG_DFL; }",
    "an open file": '#include <fcntl.h>\nstatic int number(void) { return open("/dev/null", O_RDONLY); }',
    "a thread": "#include <dirent.h>\n#include <pthread.h>\n#include <unistd.h>\n"
    "static void *rests(void *a) { for (;;) pause(); return a; }"
    "static int number(void) { static pthread_t t; if (!t) pthread_create(&t, 0, rests, 0);"
    ' int n = 0; DIR *d = opendir("/proc/self/task"); while (readdir(d)) n++; closedir(d); return n; }',
}
"""What loading the library again does not undo."""
LOADED_AGAIN = {
    "a constructor": "static int a; __attribute__((constructor)) static void begin(void) { a = 8; }"
    "static int number(void) { return a++; }",
    "thread-local variables": "static __thread int a = 4; static int number(void) { return a++; }",
    "what atexit calls": "static int a = 3; static void end(void) { a = 0; }"
    "static int number(void) { if (a == 3) atexit(end); return a++; }",
    "allocated memory": "static int *a; static int number(void) { if (!a) a = calloc(1, 4); return (*a)++; }",
    "variables of another library": "int next(void); static int number(void) { return next(); }",
}


@pytest.fixture
def build(compile_c: Compile, tmp_path: Path) -> Callable[[str], Path]:
    def compiled(text: str) -> Path:
        options: list[str | Path] = []
        if "next" in text:
            (tmp_path / "other.c").write_text("int next(void); int next(void) { static int a; return a++; }", "ascii")
            other = compile_c("libapart.so", "-shared", "-fPIC", tmp_path / "other.c", "-Wl,-soname,libapart.so")
            options = [other, f"-Wl,-rpath,{other.parent}"]
        (tmp_path / "program.c").write_text(PROGRAM.format(text), encoding="ascii")
        flags = ("-std=gnu11", "-O1", "-shared", "-fPIC", "-pthread")
        return compile_c(f"apart_{abs(hash(text)):x}.so", *flags, tmp_path / "program.c", *options)

    return compiled


def runs(library: Path, times: int) -> Frames:
    """Return the widths of runs with one rig."""
    with OwnProcessRig(LINK, str(library)) as rig:
        return [rig.run(Scenario(duration_us=200_000)).frames.widths_us.tolist() for _ in range(times)]


@pytest.mark.parametrize("what", [*OUTLIVES, *LOADED_AGAIN])
def test_each_run_is_the_first(build: Callable[[str], Path], what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What outlives the library would be seen: the second run in one process differs."""
    library = build((OUTLIVES | LOADED_AGAIN)[what])
    one, *others = runs(library, 3)
    assert len(one) > 5
    assert [one, *others] == [runs(library, 1)[0]] * 3
    if what in OUTLIVES:
        monkeypatch.setattr(own_process, "why_apart", lambda _: "")
        assert runs(library, 2) != [one, one]


@pytest.mark.parametrize("what", LOADED_AGAIN)
def test_each_power_on_is_the_first(build: Callable[[str], Path], what: str, tmp_path: Path) -> None:
    first, *others = frames_by_power_on(image_of(build(LOADED_AGAIN[what]), tmp_path))
    assert len(set(first)) > 1
    assert all(other[:10] == first[:10] for other in others)


def rows(flights: FlightTrials, flown: Flown) -> list[dict[str, int]]:
    count = len(flown.crashed)
    return as_dicts(Rows.joined(measured(flights, np.arange(count), flights.drawn(0, count), flown)))


def test_a_campaign_of_such_firmware(build: Callable[[str], Path]) -> None:
    """One flight after the other, each as by itself; the conclusion says why it takes longer."""
    flights = flight_trials(LINK, 3)
    library = str(build(OUTLIVES["the numbers of rand"]))
    assert engine_for(flights, library) == (ONE_BY_ONE, "a receiver of your own: needs rand")
    with OwnProcessRig(LINK, library) as rig:
        flown = rig.fly_trials(flights, 0, 4)
        assert rows(flights, flown) == as_dicts(run_each(flights, rig.run, np.arange(4)))
        begins = [flown.frames.widths_us[begin:][:8].tolist() for begin in np.cumsum([0, *widths(flown)[:-1]])]
    assert begins == [begins[0]] * 4
    assert engine_for(flights, str(build("static int number(void) { return 1; }"))) == (
        COMPILED, "a receiver of your own",
    )  # fmt: skip


def widths(flown: Flown) -> list[int]:
    """Return the number of widths of each trial."""
    parts = np.split(flown.frames.count.astype(np.int64), flown.begins[1:-1])
    return [int(part.sum()) for part in parts]


ENDS = {
    "abort()": "died (SIGABRT)", "_exit(0)": "exited (exit code 0)", "_exit(77)": "does not return",
    "raise(SIGINT)": "", "fork()": "started another process", "for (;;) ;": "does not return",
    "for (int a = 0; a < 60; a++) close(a)": "closed a file that is not its own",
}  # fmt: skip


@pytest.mark.parametrize("does", [next(iter(ENDS)), *(pytest.param(one, marks=LONG) for one in list(ENDS)[1:])])
def test_the_end_of_a_run_apart_is_a_finding(
    build: Callable[[str], Path], does: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of any other firmware; the next run is the first one again."""
    monkeypatch.setattr(own_process, "PATIENCE_S", 1.0)
    monkeypatch.setattr(own_process, "BETWEEN_S", 2.0)
    text = "#include <signal.h>\n#include <unistd.h>\nstatic int number(void) "
    library = build(text + f"{{ static int a; if (rand() && ++a == 9) {{ {does}; }} return a; }}")
    with OwnProcessRig(LINK, str(library)) as rig:
        sound = rig.run(Scenario(duration_us=150_000)).frames.widths_us.tolist()
        if ENDS[does]:
            with pytest.raises(ReceiverCrashError) as caught:
                rig.run(Scenario(duration_us=400_000))
            assert ENDS[does] in str(caught.value)
        else:
            rig.run(Scenario(duration_us=400_000))
        assert rig.run(Scenario(duration_us=150_000)).frames.widths_us.tolist() == sound


def test_an_end_that_is_not_repeated_is_an_error(
    compile_c: Compile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Firmware that ends the process in some flight after others, but not when that flight is flown by itself."""
    monkeypatch.setattr(own_process, "why_apart", lambda _: "")
    text = 'static int number(void) { static int a; if (!a++ && getenv("F")) abort(); return setenv("F", "1", 1); }'
    (tmp_path / "program.c").write_text(PROGRAM.format(text), encoding="ascii")
    library = compile_c("apart_once.so", "-std=gnu11", "-O1", "-shared", "-fPIC", tmp_path / "program.c")
    flights = flight_trials(LINK, 3)
    with OwnProcessRig(LINK, str(library)) as rig, pytest.raises(RigError, match=r"trial \d+: the program died"):
        rig.fly_trials(flights, 0, 20)
