"""Programs that do what no firmware of a receiver should: findings or one clear error, and nothing is left behind."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import platform
import re
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from lostlink.cli import main
from lostlink.errors import ReceiverCrashError, ReceiverError, RigError
from lostlink.profiles import read_profile
from lostlink.rigs import SimRig, no_fork, open_rig, own_process, watched_process
from lostlink.rigs.receivers import load_receiver
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims import Profile, Scenario, Trace, simulate
from lostlink_sims.scenario import ReceiverReset

ROOT = Path(__file__).parents[2]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ZOO = ROOT / "tests" / "faulty" / "zoo.py"
LOSTLINK = [sys.executable, "-P", "-m", "lostlink"]
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")

SOUND = """
import os, signal, sys, threading, time
from lostlink_sims import ReferenceReceiver

class Mine(ReferenceReceiver):
    calls = 0
"""
#: What a program does, and what is reported.
MISDEEDS = {
    "loops": ("def packet(self, clock_us, payload):\n    while True: pass", r"packet\(\) at 0\.\d+ s: does not return"),
    "loops through all exceptions": (
        "def poll(self, clock_us):\n    while True:\n        try: time.sleep(1)\n        except BaseException: pass",
        r"poll\(\) at 0\.\d+ s: does not return",
    ),
    "loops in its constructor": (
        "def __init__(self, profile):\n    while True: pass",
        r"its constructor at 0\.\d+ s: does not return",
    ),
    "loops in its flag": (
        "@property\ndef failsafe(self):\n    while True: pass\n@failsafe.setter\ndef failsafe(self, value): pass",
        r"its attribute failsafe at 0\.\d+ s: does not return",
    ),
    "exits": (
        "def pulses(self, clock_us):\n    os._exit(0)",
        r"pulses\(\) at 0\.\d+ s: the program exited \(exit code 0\)",
    ),
    "raises KeyboardInterrupt": (
        "def poll(self, clock_us):\n    raise KeyboardInterrupt('it')",
        r"KeyboardInterrupt in poll\(\) at 0\.\d+ s: it",
    ),
    "raises GeneratorExit": (
        "def packet(self, clock_us, payload):\n    raise GeneratorExit",
        r"GeneratorExit in packet\(\) or poll\(\) at 0\.\d+ s",
    ),
    "closes everything": (
        "def poll(self, clock_us):\n    if clock_us > 500_000: os.closerange(0, 20)\n    return super().poll(clock_us)",
        r"poll\(\) at 0\.5\d+ s: the program closed a file that is not its own",
    ),
    "closes everything in its constructor": (
        "def __init__(self, profile):\n    super().__init__(profile)\n    os.closerange(0, 20)",
        r"its constructor at 0\.\d+ s: the program closed a file that is not its own",
    ),
    "replaces every file": (
        "def pulses(self, clock_us):\n    nothing = os.open(os.devnull, os.O_RDWR)\n"
        "    for number in range(20): os.dup2(nothing, number)\n    return super().pulses(clock_us)",
        r"pulses\(\) at 0\.\d+ s: the program closed a file that is not its own",
    ),
    "has a list for its flag": (
        "def power_on(self, clock_us):\n    super().power_on(clock_us)\n    self.failsafe = [1, 2]",
        r"TypeError .* failsafe is \[1, 2\]; it must be True or False",
    ),
    "has a flag that fails at a later look": (
        "looks = 0\n@property\ndef failsafe(self):\n    self.looks += 1\n    return True if self.looks < 2 else 1 / 0\n"
        "@failsafe.setter\ndef failsafe(self, value): pass",
        r"ZeroDivisionError in its attribute failsafe at 0\.\d+ s",
    ),
    "has a number for its flag": (
        "def poll(self, clock_us):\n    wanted = super().poll(clock_us)\n    self.failsafe = 1\n    return wanted",
        r"TypeError .* failsafe is 1; it must be True or False",
    ),
    "kills itself": (
        "def poll(self, clock_us):\n    os.kill(os.getpid(), signal.SIGKILL)",
        r"poll\(\) at 0\.\d+ s: the program died \(SIGKILL\)",
    ),
    "changes the folder": (
        "def power_on(self, clock_us):\n    os.chdir('/')",
        "the program changed the current folder",
    ),
    "forks": (
        "def power_on(self, clock_us):\n    if os.fork() == 0: time.sleep(600)",
        "the program started another process",
    ),
    "forks and both go on": ("def power_on(self, clock_us):\n    os.fork()", "the program started another process"),
    "closes its output": ("def power_on(self, clock_us):\n    os.close(1)", "the program closed a standard stream"),
    "closes its input object": (
        "def power_on(self, clock_us):\n    sys.stdin.close()",
        "the program closed a standard stream",
    ),
    "ten million widths": (
        "def pulses(self, clock_us):\n    return [1500] * 10_000_000",
        r"a frame of 10000000 widths; allowed: at most 64",
    ),
    "wants the past": (
        "def power_on(self, clock_us):\n    from lostlink_sims import board\n    board.MOST_SPINS = 10_000\n"
        "    super().power_on(clock_us)\ndef poll(self, clock_us):\n    return (clock_us - 1) & 0xFFFFFFFF",
        "the next call was wanted at once 10000 times in a row",
    ),
    "wants the past a million times": (
        "def poll(self, clock_us):\n    return (clock_us - 1) & 0xFFFFFFFF",
        "the next call was wanted at once 1000000 times in a row",
    ),
    "returns a text": ("def poll(self, clock_us):\n    return 'soon'", r"TypeError in poll\(\)"),
}
FOR_LONG = (
    "loops in its constructor",
    "loops in its flag",
    "has a number for its flag",
    "wants the past a million times",
)
"""These are near others and take longer, or as long."""


@pytest.fixture(scope="module")
def heron() -> Profile:
    return read_profile(HERON)


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(own_process, "PATIENCE_S", 1.0)


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], str]:
    """Write a receiver of which some methods are replaced; return its name for ``--receiver``."""

    def written(methods: str) -> str:
        file = tmp_path / "mine.py"
        file.write_text(SOUND + textwrap.indent(methods, "    ") + "\n", encoding="utf-8")
        return f"{file}:Mine"

    return written


def flight(profile: Profile, duration_us: int = 1_500_000) -> Scenario:
    return Scenario(duration_us=duration_us, packet_phase_us=0, frame_phase_us=0)


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.long) if name in FOR_LONG else name for name in MISDEEDS]
)
def test_a_misdeed_is_a_finding(
    heron: Profile, write: Callable[[str], str], name: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """``--long``: four more of the kinds that are there."""
    methods, reported = MISDEEDS[name]
    folder = os.getcwd()
    with open_rig(heron, receiver=write(methods)) as rig:
        with pytest.raises(ReceiverCrashError, match=reported) as raised:
            rig.run(flight(heron))
        assert raised.value.trace.crash == str(raised.value)
    assert "Traceback" not in capfd.readouterr().err
    assert os.getcwd() == folder


STANDING_STILL = {
    "text of an exception": (
        "def pulses(self, clock_us):\n    class E(Exception):\n        def __str__(self):\n"
        "            while True: pass\n    raise E"
    ),
    "widths": (
        "def pulses(self, clock_us):\n    class L(list):\n        def __iter__(self):\n"
        "            while True: yield 1500\n    return L([1500])"
    ),
}


@pytest.mark.parametrize("name", STANDING_STILL)
def test_code_that_runs_after_a_call_is_watched_too(
    heron: Profile, write: Callable[[str], str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setattr(own_process, "BETWEEN_S", 1.5)
    reported = r"^at 0\.\d+ s: the program stands still after a call \(waited 1\.5 s\)"
    with open_rig(heron, receiver=write(STANDING_STILL[name])) as rig:
        with pytest.raises(ReceiverCrashError, match=reported) as raised:
            rig.run(flight(heron))
        assert raised.value.trace.crash == str(raised.value)


def test_a_slow_receiver_is_a_finding(
    heron: Profile, write: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each call returns soon enough, all of them would take days."""
    monkeypatch.setattr(own_process, "MOST_RUN_S", 0.5)
    slow = write("def poll(self, clock_us):\n    time.sleep(0.3)\n    return super().poll(clock_us)")
    with (
        open_rig(heron, receiver=slow) as rig,
        pytest.raises(
            ReceiverCrashError, match=r"^at 0\.\d+ s: the program is too slow \(\d+ calls in 2 s\)"
        ) as raised,
    ):
        rig.run(flight(heron))
    assert raised.value.trace.crash == str(raised.value)


def test_the_pipe_of_answers_carries_nothing_but_answers(
    heron: Profile, write: Callable[[str], str], tmp_path: Path
) -> None:
    """A program writes a pickle of its own to every descriptor, which would run code in this process."""
    marker = tmp_path / "ran"
    code = f"""
        def power_on(self, clock_us):
            import pickle
            class Bomb:
                def __reduce__(self):
                    return (open, ({str(marker)!r}, "w"))
            for number in range(3, 64):
                try: os.write(number, pickle.dumps(Bomb()))
                except OSError: pass
    """
    with open_rig(heron, receiver=write(textwrap.dedent(code))) as rig, pytest.raises((ReceiverCrashError, RigError)):
        rig.run(flight(heron))
    assert not marker.exists()


def test_integers_of_numpy_are_integers(heron: Profile, write: Callable[[str], str]) -> None:
    """Widths and wake-up times that would overflow; the receivers have the same file, so one process loads them all."""
    for kind in ("uint16", "int16", "uint32"):
        methods = (
            "def pulses(self, clock_us):\n    import numpy\n"
            f"    return [numpy.{kind}(width) for width in super().pulses(clock_us)]\n"
            "def poll(self, clock_us):\n    import numpy\n    wanted = super().poll(clock_us)\n"
            "    return None if wanted is None else numpy.uint32(wanted)"
        )
        with open_rig(heron, receiver=write(methods)) as rig:
            assert digest(rig.run(flight(heron))) == digest(simulate(heron, flight(heron))), kind


def test_any_text_of_an_exception_is_a_finding(heron: Profile, write: Callable[[str], str]) -> None:
    """One that cannot be shown, is no Unicode, or is long."""
    methods = "def poll(self, clock_us):\n    class Bad:\n        def __str__(self): raise OSError\n"
    for text in ("Bad()", r"'\ud800'", "'x' * 10**7"):
        with (
            open_rig(heron, receiver=write(f"{methods}    raise ValueError({text})")) as rig,
            pytest.raises(ReceiverCrashError, match=r"ValueError in poll\(\)") as raised,
        ):
            rig.run(flight(heron))
        assert len(str(raised.value).encode()) < 1_000, text


def test_enormous_widths_are_what_a_register_makes_of_them(heron: Profile, write: Callable[[str], str]) -> None:
    with open_rig(heron, receiver=write("def pulses(self, clock_us):\n    return [(1 << 80) + 1500] * 8")) as rig:
        assert rig.run(flight(heron)).frames.widths_us.max() <= 0xFFFF


def test_the_far_future_is_a_missing_call(heron: Profile, write: Callable[[str], str]) -> None:
    """A wake-up time is a value of a 32-bit counter, however large: the packets alone call the program then."""
    with open_rig(
        heron, receiver=write("def poll(self, clock_us):\n    return clock_us + (1 << 80) + (1 << 30)")
    ) as rig:
        assert rig.run(flight(heron)).crash is None


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ("while True: pass", "cannot be loaded: does not return"),
        ("raise KeyboardInterrupt", "cannot be loaded: KeyboardInterrupt"),
        ("import os; os.closerange(0, 20)", "cannot be loaded: the program closed a file that is not its own"),
        ("import os; os._exit(0)", r"cannot be loaded: the program exited \(exit code 0\)"),
        ("import os; os.chdir('/')\nclass Mine:\n    power_on = packet = poll = pulses = len", "changed the current"),
    ],
)
def test_a_file_that_cannot_be_loaded(heron: Profile, tmp_path: Path, text: str, reported: str) -> None:
    file = tmp_path / "mine.py"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ReceiverError, match=reported):
        open_rig(heron, receiver=f"{file}:Mine")


def test_the_command_ends_with_a_finding(
    write: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    receiver = write("def power_on(self, clock_us):\n    os.chdir('/')\n    os.fork()")
    words = ["prove", str(HERON), "--receiver", receiver, "--only", "CH-VALUE", "--out", "out"]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 1, done.output
    assert "the program started another process" in done.stdout
    assert (tmp_path / "out" / "verdicts.json").exists()


# --- the same as in this process -----------------------------------------------------------------------------------


def digest(trace: Trace) -> str:
    """Return a digest of all that a trace holds."""
    columns = [
        trace.packets.left_us, trace.packets.arrived_us, trace.packets.fate, trace.packets.attempts,
        trace.packets.payload, trace.foreign_us, trace.frames.start_us, trace.frames.count, trace.frames.widths_us,
        trace.frames.until_us, trace.widths_us, trace.failsafe.at_us, trace.failsafe.value, trace.motor.at_us,
        trace.motor.value, trace.arming.at_us, trace.arming.value,
    ]  # fmt: skip
    columns_digest = hashlib.sha256(b"".join(np.ascontiguousarray(column).tobytes() for column in columns))
    columns_digest.update(repr((trace.notes, trace.summary, trace.crash, trace.doubt, trace.fates)).encode())
    return columns_digest.hexdigest()


def crashed_or_not(run: Callable[[Scenario], Trace], scenario: Scenario) -> Trace:
    try:
        return run(scenario)
    except ReceiverCrashError as error:
        trace: Trace = error.trace
        return trace


@pytest.mark.parametrize(
    "name",
    [
        "Sound",
        "CrashesOnShortPacket",
        "RemembersThroughReset",
        *(pytest.param(name, marks=pytest.mark.long) for name in ("HoldsForEver", "LiveRead", "TooEager")),
    ],
)
def test_the_trace_is_the_same_as_in_process(heron: Profile, name: str) -> None:
    """Byte for byte, also of a program that raises an exception; ``--long``: of three more."""
    from lostlink_sims.scenario import ForeignHandset, LinkCut, ReceiverReset

    spec = f"{ZOO}:{name}"
    inside = SimRig(heron, load_receiver(spec))
    begin = next(ScenarioBuilder(heron, 7, name).flights(1))
    with open_rig(heron, receiver=spec) as rig:
        for fault in (
            LinkCut(at_us=begin.at_us, for_us=900_000),
            ReceiverReset(at_us=begin.at_us),
            ForeignHandset(at_us=begin.at_us, for_us=500_000, payload_bytes=3),
        ):
            scenario = begin.into(fault)
            assert digest(crashed_or_not(rig.run, scenario)) == digest(crashed_or_not(inside.run, scenario))


# --- nothing is left behind ----------------------------------------------------------------------------------------


def descendants(pid: int) -> set[int]:
    """Return the processes that a process has started, and those that they have."""
    found = set()
    for entry in Path(f"/proc/{pid}/task").iterdir():
        for child in (entry / "children").read_text().split():
            found |= {int(child)} | descendants(int(child))
    return found


def is_running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def wait_until(holds: Callable[[], object], seconds: float = 20) -> bool:
    until_s, pause = time.monotonic() + seconds, threading.Event()
    while not holds():
        if time.monotonic() > until_s:
            return False
        pause.wait(0.02)
    return True


@pytest.fixture
def killed(tmp_path: Path) -> Callable[[str], None]:
    """Let the command run until a program says that it loops, kill the command, and see that nothing is left."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()

    def run(receiver: str) -> None:
        marker = tmp_path / "loops"
        words = ["prove", str(HERON), "--receiver", receiver, "--only", "CH-VALUE", "--out", "out"]
        environment = os.environ | {"TMPDIR": str(scratch), "LOOPS": str(marker)}
        command = subprocess.Popen([*LOSTLINK, *words], cwd=tmp_path, env=environment, stderr=subprocess.DEVNULL)
        try:
            assert wait_until(marker.exists), "the program was not run"
            children = descendants(command.pid)
            assert children
        finally:
            command.send_signal(signal.SIGKILL)
            command.wait()
        assert wait_until(lambda: not any(map(is_running, children)), 5)
        assert list(scratch.iterdir()) == []

    return run


@LINUX
def test_nothing_is_left_of_a_killed_command(write: Callable[[str], str], killed: Callable[[str], None]) -> None:
    killed(write("def poll(self, clock_us):\n    open(os.environ['LOOPS'], 'w').close()\n    while True: pass"))


@pytest.mark.skipif(
    not (sys.platform == "linux" and platform.machine() in no_fork._MACHINES),
    reason="the system cannot forbid processes",
)
def test_a_receiver_can_start_threads_but_no_process(
    heron: Profile, write: Callable[[str], str], tmp_path: Path
) -> None:
    """So that none is left, even where the command is killed."""
    thread = "import threading\nthread = threading.Thread(target=int)\nthread.start()\nthread.join()"
    left = tmp_path / "left"
    for code in ("os.fork()", "subprocess.run(['touch', LEFT])", "os.posix_spawn('/bin/touch', ['touch', LEFT], {})"):
        methods = f"import subprocess\nLEFT = {str(left)!r}\n{thread}\n{code.replace('LEFT', repr(str(left)))}"
        receiver = write("def power_on(self, clock_us):\n" + textwrap.indent(methods, "    "))
        with (
            open_rig(heron, receiver=receiver) as rig,
            pytest.raises(ReceiverCrashError, match=r"power_on\(\) at .* the program started another process"),
        ):
            rig.run(flight(heron))
    assert not left.exists()


@LINUX
@pytest.mark.parametrize("middle", ["", "if os.fork(): os._exit(0)"], ids=["child", "grandchild"])
def test_a_process_that_leaves_its_group_is_found_and_ended(
    heron: Profile, write: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, middle: str
) -> None:
    """Where the system cannot forbid processes."""
    allow = "import lostlink.rigs.receiver_process as process; process.forbid_processes = bool; "
    monkeypatch.setattr(watched_process, "_PROGRAM", allow + watched_process._PROGRAM)
    left = tmp_path / "left"
    code = f"if os.fork() == 0:\n    os.setsid()\n    {middle}\n    open({str(left)!r}, 'w').write(str(os.getpid()))"
    code = f"{code}\n    time.sleep(600)\nwhile not os.path.exists({str(left)!r}): time.sleep(0.01)"
    receiver = write("def power_on(self, clock_us):\n" + textwrap.indent(code, "    "))
    with (
        open_rig(heron, receiver=receiver) as rig,
        pytest.raises(ReceiverCrashError, match="the program started another process"),
    ):
        rig.run(flight(heron))
    pid = int(left.read_text())
    assert wait_until(lambda: not is_running(pid), 5)


def library(tmp_path: Path, text: str) -> Path:
    source, built = tmp_path / "mine.c", tmp_path / "mine.so"
    functions = (
        "#include <stdint.h>\n#include <stdlib.h>\n#include <unistd.h>\n#include <fcntl.h>\n#include <stdbool.h>\n"
        "#ifndef INTERFACE\n#define INTERFACE return 1;\n#endif\n"
        "void receiver_power_on(void *m, uint32_t t) {}\n"
        "void receiver_packet(void *m, uint32_t t, const uint8_t *p, uint8_t n) {}\n"
        "bool receiver_turn(void *m, uint32_t t, uint32_t *w) { return false; }\n"
        "uint8_t receiver_pulses(void *m, uint32_t t, uint16_t *w, uint8_t n) { return 0; }\n"
        "bool receiver_failsafe(const void *m) { return true; }\n"
    )
    source.write_text(functions + text, encoding="ascii")
    subprocess.run(["cc", "-w", "-shared", "-fPIC", "-o", str(built), str(source)], check=True)
    return built


LOOP_AT_LOADING = (
    '__attribute__((constructor)) static void begin(void) { char *f = getenv("LOOPS");'
    " if (f) close(open(f, O_CREAT | O_WRONLY, 0600)); for (;;) ; }\n"
)
VERSION = "uint32_t receiver_interface(void) { return 1; }\n"


@LINUX
def test_nothing_is_left_of_a_library_that_loops(tmp_path: Path, killed: Callable[[str], None]) -> None:
    """In the dynamic loader no thread of Python can run, so the system must end the process."""
    killed(str(library(tmp_path, LOOP_AT_LOADING + VERSION)))


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        (LOOP_AT_LOADING + VERSION, "cannot be loaded: does not return"),
        pytest.param(
            "uint32_t receiver_interface(void) { for (;;) ; }\n",
            "cannot be loaded: does not return",
            marks=pytest.mark.long,
        ),
        ("uint32_t receiver_interface(void) { abort(); }\n", r"cannot be loaded: the program died \(SIGABRT\)"),
        ("uint32_t receiver_interface(void) { _exit(0); }\n", r"cannot be loaded: the program exited \(exit code 0\)"),
        ("", "has no function receiver_interface"),
    ],
    ids=["constructor loops", "version loops", "version crashes", "version exits", "version missing"],
)
@LINUX
def test_loading_a_library_is_watched(
    heron: Profile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, reported: str
) -> None:
    """``--long``: also a loop after loading."""
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setenv("TMPDIR", str(scratch))
    monkeypatch.setattr("tempfile.tempdir", None)
    before = descendants(os.getpid())
    with pytest.raises(ReceiverError, match=reported):
        open_rig(heron, receiver=str(library(tmp_path, text)))
    assert descendants(os.getpid()) <= before
    assert list(scratch.iterdir()) == []


@LINUX
@pytest.mark.parametrize(
    ("ends", "reported"),
    [
        ("for (;;) ;", r"does not return \(waited 1 s\)"),
        ("_exit(0);", r"the program exited \(exit code 0\)"),
        ("abort();", r"the program died \(SIGABRT\)"),
        ("fork();", "the program started another process"),
    ],
    ids=["loops", "exits", "crashes", "forks"],
)
def test_a_destructor_of_a_library_is_watched(heron: Profile, tmp_path: Path, ends: str, reported: str) -> None:
    """It runs when the library is loaded anew at a reset."""
    destructor = f"__attribute__((destructor)) static void end(void) {{ {ends} }}\n"
    with (
        open_rig(heron, receiver=str(library(tmp_path, destructor + VERSION))) as rig,
        pytest.raises(ReceiverCrashError, match=f"loading the receiver's file at .*{reported}"),
    ):
        rig.run(dataclasses.replace(flight(heron), faults=(ReceiverReset(at_us=500_000),)))


# --- the current folder --------------------------------------------------------------------------------------------

TRAPS = ("signal", "numpy", "runpy", "multiprocessing", "pickle", "mmap", "lostlink", "distributed")


@pytest.fixture
def trap(tmp_path: Path) -> Path:
    """Give a folder with modules that other programs import by name."""
    folder = tmp_path / "trap"
    folder.mkdir()
    for name in TRAPS:
        text = f"open({str(folder / 'imported')!r}, 'a').write({name!r})\nraise SystemExit('trapped')\n"
        (folder / f"{name}.py").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    "who", [*(pytest.param(name, marks=pytest.mark.long) for name in ("library", "python")), "suite", "jobs", "cluster"]
)
def test_no_child_imports_from_the_current_folder(trap: Path, tmp_path: Path, who: str) -> None:
    """Neither workers nor the processes of their receivers; ``--long``: those of ``lostlink prove`` too."""
    words = {
        "library": ["prove", "--only", "FS-SAYS", "--receiver", "LIBRARY"],
        "python": ["prove", "--only", "CH-VALUE", "--receiver", f"{ZOO}:Sound"],
        "suite": ["prove", "--only", "CH-VALUE,FS-SAYS", "--jobs", "2"],
        "jobs": ["campaign", "--trials", "33", "--jobs", "2", "--receiver", f"{ZOO}:Sound"],
        "cluster": ["campaign", "--trials", "20", "--cluster", "local:1"],
    }[who]
    if who == "cluster":
        pytest.importorskip("distributed")
    if who == "library":
        words[-1] = str(library(tmp_path, VERSION))
    # Not `python -m`, which would import from here itself; the command that is installed does not.
    script = tmp_path / "command.py"
    script.write_text("from lostlink.cli import main\nif __name__ == '__main__':\n    main()\n", encoding="utf-8")
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    command = [sys.executable, str(script), *words, str(HERON), "--out", str(tmp_path / "out")]
    done = subprocess.run(command, cwd=trap, env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert not (trap / "imported").exists(), (trap / "imported").read_text()
    assert (tmp_path / "out" / "verdicts.json").exists(), done.stdout + done.stderr


def test_all_processes_are_started_by_one_module() -> None:
    """Pickles are read from pipes that we made, in three files."""
    package = ROOT / "harness" / "lostlink"
    starts = re.compile(
        r"\b(subprocess\.(run|call|check_\w+|Popen)\(|os\.(fork|spawn\w*|posix_spawn\w*|system|popen)\()"
    )
    loads = re.compile(r"\bpickle\.loads?\(|\bUnpickler\b|allow_pickle")
    sources = {str(path.relative_to(package)): path.read_text(encoding="utf-8") for path in package.rglob("*.py")}
    assert {name for name, text in sources.items() if starts.search(text)} == {"children.py"}
    assert {name for name, text in sources.items() if loads.search(text)} == {
        "rigs/receiver_process.py",
        "rigs/watched_process.py",
        "suite/processes.py",
    }
