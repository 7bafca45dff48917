"""The mutation score of the suite; see ``ci/mutants --help``.

A mutant is an example with one line changed: `receiver.c`, the reference receiver or `handset.c`. One that the suite
does not find is equivalent, which `mutants.toml` states with the reason, or it shows what the suite does not test.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import dataclasses
import functools
import hashlib
import io
import itertools
import json
import os
import random
import re
import resource
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
import types
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from universalmutator import mutator

from lostlink.children import end_with
from lostlink.profiles import read_link
from lostlink.profiles.header import c_header
from lostlink.requirements import of_sides
from lostlink.rigs import firmware
from lostlink.rigs.sim import SimRig
from lostlink.suite.run import SUITE, run_suite
from lostlink.varied import LINK
from lostlink.verdicts import Outcome, Side
from lostlink_sims import Profile, Scenario, Trace
from lostlink_sims.receiver import ReceiverFactory

ROOT: Final = Path(__file__).parents[1]
LISTED: Final = Path(__file__).with_name("mutants.toml")
JOURNAL: Final = ROOT / "build" / "mutants.jsonl"
_ONE_BYTE: Final[dict[str, tuple[dict[str, Any], str]]] = {
    "id": ({"link_id": 42, "mapping": "a * 255 // 1023"}, "truncate"),
    "counter": ({"packet_counter": True, "mapping": "a * 255 // 1024"}, "round"),
    "check": ({"check_byte": True, "mapping": "round(a * 255 / 1023)"}, "centred"),
}
_BYTES: Final = (2, 0, 1)
"""Where those links have the bytes of their three channels."""
_C_RULES: Final = ("universal.rules", "c_like.rules", "c.rules")


@dataclass(frozen=True, slots=True)
class Example:
    """A source whose mutants are judged.

    Attributes
    ----------
    source : Path
    rules : tuple of str
        Of the mutation tool.
    side : Side
        What it is.
    profiles : tuple of str
        A mutant is killed if a requirement is not met on one of them.
    quick : tuple of str
        These requirements find nearly all mutants that can be found, in a second.
    late : tuple of str
        These take long, or find what no requirement of behaviour does.
    """

    source: Path
    rules: tuple[str, ...]
    side: Side
    profiles: tuple[str, ...]
    quick: tuple[str, ...]
    late: tuple[str, ...]

    @property
    def is_c(self) -> bool:
        """Whether it is compiled."""
        return self.source.suffix == ".c"


_OF_RECEIVERS: Final = (
    Side.RECEIVER,
    ("heron", "plover", "lapwing", "bittern", "id", "counter", "check"),
    ("FS-CUT", "RC-TIME", "CH-ENDS", "FS-STALE", "FS-INTRUDER", "FS-DAMAGED", "FS-HANG", "RC-STRAY"),
    ("FS-VARIED", "DF-AGREE"),
)
"""Heron: counter, id and check byte. Plover: return on low throttle, rounding, a watchdog. Lapwing: a hold time, no
unused channels. Bittern: damaged packets arrive, an exact centre. The others are the default link with one of the
three bytes, each with its own mapping, exact widths, and three channels of eight used, whose bytes are in another order
than the frame's; with the check byte the pulses
cease in failsafe. The varied flights take half of
the suite's time; agreement with the reference is asked last."""
_OF_HANDSETS: Final = (
    Side.HANDSET,
    ("heron", "dunlin", "bittern", "plover", "id", "counter", "check"),
    ("HS-VALUE", "HS-START", "HS-RATE", "HS-SWITCH", "HS-MARK", "HS-HANG"),
    ("HS-LONG",),
)
"""Heron: a main loop that sends. Dunlin: a timer that sends, calibrated sticks, one of them wired the other way round,
wires whose break can be told. Bittern: a switch with three positions. Plover: a reversed control. The others are the
default link with one of the three bytes, each with its own rule from reading to code."""
EXAMPLES: Final = {
    "c": Example(ROOT / "fixtures" / "board" / "receiver.c", _C_RULES, *_OF_RECEIVERS),
    "python": Example(
        ROOT / "sims" / "lostlink_sims" / "receiver.py", ("universal.rules", "python.rules"), *_OF_RECEIVERS
    ),
    "handset": Example(ROOT / "fixtures" / "board" / "handset.c", _C_RULES, *_OF_HANDSETS),
}
RUN_CPU_S: Final = 10
"""Processor time of a run (usually a tenth of a second) after which the receiver loops."""
MUTANT_CPU_S: Final = 600
MEMORY_BYTES: Final = 4 << 30

CC: Final = os.environ.get("CC", "cc")

KILLED: Final = "killed"
SURVIVED: Final = "survived"
EQUIVALENT: Final = "equivalent"
NOT_COMPILED: Final = "not compiled"


@dataclass(frozen=True, slots=True)
class Mutant:
    """A source with one line changed.

    Attributes
    ----------
    language : str
    line : int
    scope : str
        The function that the line is in.
    before, after : str
        The line, without comments; `after` may be several.
    nth : int
        Which of the lines with this text in this scope, from 1.
    """

    language: str
    line: int
    scope: str
    before: str
    after: str
    nth: int = 1

    @property
    def key(self) -> tuple[str, str, str, int, str]:
        """What it is called in the list of equivalent ones: stable while the function is edited elsewhere."""
        return self.language, self.scope, self.before.strip(), self.nth, _words(self.after)

    @property
    def text(self) -> str:
        """The source of the mutant."""
        lines = plain_lines(self.language)
        return "".join([*lines[: self.line - 1], self.after, *lines[self.line :]])

    def diff(self) -> str:
        """Return the change, with file and line."""
        path = EXAMPLES[self.language].source.relative_to(ROOT)
        changed = [f"- {self.before.rstrip()}", *(f"+ {row}" for row in self.after.rstrip().splitlines())]
        return "\n".join([f"{path}:{self.line} ({self.scope})", *changed])


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of a mutant.

    Attributes
    ----------
    fate : str
        `KILLED`, `SURVIVED`, `EQUIVALENT` or `NOT_COMPILED`.
    why : str
        What killed it and where, or why it is equivalent.
    """

    fate: str
    why: str = ""
    seconds: float = 0.0


def _words(text: str) -> str:
    return " ".join(text.split())


# --- making mutants ---------------------------------------------------------------------------------------------


@functools.cache
def plain_lines(language: str) -> list[str]:
    """Return the lines of a source; those of C without comments, beside which the tool changes nothing."""
    text = EXAMPLES[language].source.read_text(encoding="utf-8")
    if EXAMPLES[language].is_c:
        text = re.sub(r"[ ]*/\*.*?\*/", lambda found: "\n" * found[0].count("\n"), text, flags=re.DOTALL)
    return text.splitlines(keepends=True)


def mutants(language: str) -> list[Mutant]:
    """Return all mutants of a source, in the order of its lines."""
    lines = plain_lines(language)
    scopes = _c_scopes(lines) if EXAMPLES[language].is_c else _python_scopes("".join(lines))
    with contextlib.redirect_stdout(io.StringIO()):
        made = mutator.mutants_regexp(lines, ruleFiles=[*EXAMPLES[language].rules], ignorePatterns=[])
    found = []
    for number, after, *_ in made:
        scope, before = scopes[number - 1], lines[number - 1]
        if scope:
            same = [i for i, row in enumerate(lines[:number]) if scopes[i] == scope and row.strip() == before.strip()]
            found.append(Mutant(language, number, scope, before, after, len(same)))
    return sorted(dict.fromkeys(found), key=lambda mutant: mutant.line)


def _c_scopes(lines: Sequence[str]) -> list[str]:
    """Return for each line the function, type or table that it is in."""
    scopes, scope = [], ""
    for row in lines:
        if begin := re.match(r"(?:static |const |typedef )*\w+ (?:\w+ )*\*?(\w+)", row):
            scope = begin[1]
        scopes.append(scope if row.strip() else "")
    return scopes


def _python_scopes(text: str) -> list[str]:
    """Return for each line its function, class or table; none for texts, imports and the protocol, which do nothing."""
    scopes = [""] * (text.count("\n") + 1)

    def enter(node: ast.AST, outer: str) -> None:
        for child in ast.iter_child_nodes(node):
            name = outer
            if isinstance(child, ast.ClassDef | ast.FunctionDef):
                name = f"{outer}.{child.name}".lstrip(".")
            elif isinstance(child, ast.Assign | ast.AnnAssign) and not outer:
                name = ast.unparse(child.target if isinstance(child, ast.AnnAssign) else child.targets[0])
            if name != "Receiver" and isinstance(child, ast.stmt):
                assert child.end_lineno is not None
                for number in range(child.lineno, child.end_lineno + 1):
                    scopes[number - 1] = name
                enter(child, name)

    tree = ast.parse(text)
    enter(tree, "")
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            scopes[node.lineno - 1 : node.end_lineno] = [""] * ((node.end_lineno or node.lineno) - node.lineno + 1)
    return scopes


# --- programs: what a source compiles to -------------------------------------------------------------------------


def link(name: str) -> Profile:
    """Return the profile that is called so in an `Example`."""
    if name not in _ONE_BYTE:
        return read_link(ROOT / "fixtures" / "profiles" / f"{name}.toml")
    plain, (byte, mapping) = read_link(None), _ONE_BYTE[name]
    ceases = name == "check"
    output, noticed_us = ("no pulses", plain.flight_controller.signal_timeout_us) if ceases else ("presets", 0)
    used = ("roll", plain.flight_controller.throttle, plain.flight_controller.arm_channel)
    channels = [channel for channel in plain.channels if channel.name in used]
    return dataclasses.replace(
        plain,
        handset=dataclasses.replace(plain.handset, **byte),
        receiver=dataclasses.replace(plain.receiver, mapping=mapping, failsafe_output=output),
        channels=tuple(
            dataclasses.replace(channel, packet_byte=byte) for channel, byte in zip(channels, _BYTES, strict=True)
        ),
        requirements=dataclasses.replace(
            plain.requirements,
            value_tolerance_us=0,
            motor_cut_within_us=plain.requirements.motor_cut_within_us + noticed_us,
        ),
    )


@functools.cache
def links() -> dict[str, Profile]:
    """Return the profiles of all examples."""
    return {name: link(name) for example in EXAMPLES.values() for name in example.profiles}


@functools.cache
def _header(name: str) -> str:
    return c_header(links()[name])


class CProgram:
    """Object files of a C source, one for each profile.

    Two sources with the same optimised object are the same program on that profile.
    """

    def __init__(self, text: str, folder: Path, example: Example) -> None:
        self._folder, self._example = folder, example
        (folder / example.source.name).write_text(text, encoding="utf-8")

    def digest(self, name: str) -> str:
        """Return the digest of the object for a profile.

        Raises
        ------
        ValueError
            If it does not compile.
        """
        header = self._folder / f"{name}.h"
        header.write_text(_header(name), encoding="utf-8")
        flags = ["-std=c99", "-O2", "-w", "-fPIC", "-fvisibility=hidden", "-include", header.name]
        source = self._example.source
        words = [CC, *flags, "-iquote", str(source.parent), "-c", source.name, "-o", f"{name}.o"]
        done = subprocess.run(words, cwd=self._folder, capture_output=True, check=False)
        if done.returncode:
            raise ValueError(done.stderr.decode(errors="replace"))
        return hashlib.sha256((self._folder / f"{name}.o").read_bytes()).hexdigest()

    def rig(self, name: str) -> SimRig:
        """Return the rig with the program for a profile."""
        library = self._folder / f"{name}.so"
        words = [CC, "-shared", f"{name}.o", "-o", library.name]
        subprocess.run(words, cwd=self._folder, check=True, capture_output=True)
        interface = firmware.HANDSET if self._example.side == Side.HANDSET else firmware.RECEIVER
        image, watch = firmware.Image(library, str(self._folder), interface), firmware.Watch([0, 0])
        if self._example.side == Side.HANDSET:
            return _LimitedRig(links()[name], handset=firmware.handset_factory(image, watch))
        return _LimitedRig(links()[name], firmware.factory(image, watch))


def _names(tree: ast.AST) -> set[str]:
    nodes = list(ast.walk(tree))
    return {node.id for node in nodes if isinstance(node, ast.Name)} | {
        node.attr for node in nodes if isinstance(node, ast.Attribute)
    }


class PythonProgram:
    """The syntax tree of a Python source, without comments and annotations, and the class in it.

    Raises
    ------
    ValueError
        If it does not compile, or has a name that the original has not: the tool replaces parts of words.
    """

    def __init__(self, text: str, folder: Path, example: Example) -> None:
        try:
            tree = ast.parse(text)
            self._code = compile(text, str(folder / "mutant.py"), "exec")
        except (SyntaxError, ValueError) as error:
            raise ValueError(str(error)) from None
        if unknown := _names(tree) - _names(ast.parse(example.source.read_text(encoding="utf-8"))):
            raise ValueError(f"unknown: {', '.join(sorted(unknown))}")
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.Module) and ast.get_docstring(node) is not None:
                node.body[:1] = [] if len(node.body) > 1 else [ast.Pass()]
            if isinstance(node, ast.AnnAssign):
                node.annotation = ast.Constant(0)
            if isinstance(node, ast.FunctionDef):
                node.returns = None
            if isinstance(node, ast.arg):
                node.annotation = None
        self._digest = hashlib.sha256(ast.dump(tree).encode()).hexdigest()

    def digest(self, _: str) -> str:
        """Return the digest of the program, the same for all profiles."""
        return self._digest

    def rig(self, name: str) -> SimRig:
        """Return the rig with the receiver for a profile.

        Raises
        ------
        ValueError
            If the module cannot be loaded.
        """
        module = types.ModuleType("lostlink_mutant")
        try:
            exec(self._code, vars(module))
            factory: ReceiverFactory = module.ReferenceReceiver
        except Exception as error:
            raise ValueError(f"cannot be loaded: {error!r}") from None
        return _LimitedRig(links()[name], factory)


def program_of(text: str, language: str, folder: Path) -> CProgram | PythonProgram:
    """Return the program that a source of an example becomes.

    Raises
    ------
    ValueError
        If it does not compile.
    """
    example = EXAMPLES[language]
    return (CProgram if example.is_c else PythonProgram)(text, folder, example)


# --- judging a mutant --------------------------------------------------------------------------------------------


class _LimitedRig(SimRig):
    """Ends the process when a run takes too long: the receiver loops."""

    def run(self, scenario: Scenario) -> Trace:
        signal.setitimer(signal.ITIMER_VIRTUAL, RUN_CPU_S)
        try:
            return super().run(scenario)
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)


@dataclass(frozen=True, slots=True)
class Stage:
    """A part of the suite on a profile.

    Attributes
    ----------
    profile : str
    only : tuple of str
    stride : int
        Of the varied flights, one in so many is flown.
    """

    profile: str
    only: tuple[str, ...]
    stride: int = 1


def stages(language: str) -> list[Stage]:
    """Return the whole suite on each profile, the parts that are cheap and find most first."""
    example = EXAMPLES[language]
    rest = tuple(name for name in of_sides(example.side) if name not in (*example.quick, *example.late))
    parts = [(example.quick, 1), (rest, 1), *(((name,), 1) for name in example.late)]
    if "FS-VARIED" in example.late:
        parts.insert(1, (("FS-VARIED",), 8))
    return [Stage(profile, only, stride) for only, stride in parts for profile in example.profiles]


def quick_stages(language: str) -> list[Stage]:
    """Return the part of the suite that finds most."""
    return [stage for stage in stages(language) if stage.only == EXAMPLES[language].quick]


class _Child:
    """A process that judges one mutant, which may crash or loop in it."""

    def __init__(self, work: Callable[[], Fate]) -> None:
        self._since_s = time.monotonic()
        self._read, write = os.pipe()
        parent = os.getpid()
        self._process = os.fork()
        if self._process == 0:
            code = 1
            try:
                end_with(parent)
                nothing = os.open(os.devnull, os.O_RDWR)
                for number in range(3):
                    os.dup2(nothing, number)
                resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
                resource.setrlimit(resource.RLIMIT_CPU, (MUTANT_CPU_S, MUTANT_CPU_S))
                resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
                answer = work()
                os.write(write, json.dumps([answer.fate, answer.why]).encode())
                code = 0
            finally:
                os._exit(code)
        os.close(write)

    def fate(self, options: int = os.WNOHANG) -> Fate | None:
        """Return what became of the mutant; None while the process runs."""
        ended, status = os.waitpid(self._process, options)
        if not ended:
            return None
        with open(self._read, "rb") as pipe:
            said = pipe.read()
        took_s = round(time.monotonic() - self._since_s, 2)
        if said:
            fate, why = json.loads(said)
            return Fate(fate, why, took_s)
        if os.WIFSIGNALED(status):
            number = os.WTERMSIG(status)
            loops = number in (signal.SIGVTALRM, signal.SIGXCPU)
            return Fate(KILLED, "loops" if loops else f"dies ({signal.Signals(number).name})", took_s)
        return Fate(KILLED, "ends its process", took_s)

    def end(self) -> None:
        """End the process."""
        os.kill(self._process, signal.SIGKILL)
        os.waitpid(self._process, 0)
        os.close(self._read)


def judge_stage(program: CProgram | PythonProgram, stage: Stage, seed: int) -> Fate:
    """Run a part of the suite; it stops at the first requirement that is not met or inconclusive."""
    profile = links()[stage.profile]
    try:
        rig = program.rig(stage.profile)
    except ValueError as error:
        return Fate(NOT_COMPILED, str(error)[:200])
    rig.varied_stride = stage.stride
    result = run_suite(profile, rig, only=stage.only, seed=seed, stops_early=True)
    for verdict in result.verdicts:
        if verdict.outcome in (Outcome.NOT_MET, Outcome.INCONCLUSIVE):
            return Fate(KILLED, f"{verdict.requirement.id} {verdict.outcome.value} on {stage.profile}")
    if result.errors or result.rig_lost:
        return Fate(KILLED, f"error on {stage.profile}: {[*result.errors, result.rig_lost][0][-200:]}")
    return Fate(SURVIVED)


def judge(text: str, language: str, digests: Mapping[str, str], parts: Sequence[Stage], seed: int = 1) -> Fate:
    """Compile a source and return whether the suite finds it, each part of it in a process of its own.

    Parameters
    ----------
    text : str
    language : str
    digests : mapping
        Those of the unchanged program by profile; where the digest is the same there is nothing to find.
    parts : sequence of Stage
    seed : int
    """
    with tempfile.TemporaryDirectory(prefix="lostlink-mutant-") as folder:
        changed: dict[str, bool] = {}
        try:
            program = program_of(text, language, Path(folder))
            for stage in parts:
                name = stage.profile
                if name not in changed:
                    changed[name] = program.digest(name) != digests.get(name)
                if changed[name]:
                    # Two libraries of one process would share a name, and the second would be the first.
                    fate = _Child(functools.partial(judge_stage, program, stage, seed)).fate(0)
                    assert fate is not None
                    if fate.fate != SURVIVED:
                        return fate
        except ValueError as error:
            return Fate(NOT_COMPILED, str(error)[:200])
    return Fate(SURVIVED) if any(changed.values()) else Fate(EQUIVALENT, "the same program after compilation")


@functools.cache
def original(language: str) -> dict[str, str]:
    """Return the digests of the unchanged program, by profile."""
    with tempfile.TemporaryDirectory(prefix="lostlink-mutant-") as folder:
        program = program_of("".join(plain_lines(language)), language, Path(folder))
        return {name: program.digest(name) for name in EXAMPLES[language].profiles}


def compiles(mutant: Mutant) -> bool:
    """Return whether a mutant compiles, for the first profile."""
    with tempfile.TemporaryDirectory(prefix="lostlink-mutant-") as folder:
        try:
            program = program_of(mutant.text, mutant.language, Path(folder))
            program.digest(EXAMPLES[mutant.language].profiles[0])
        except ValueError:
            return False
        return True


def warm_up() -> None:
    """Load everything that judging needs before the first fork, and compute the rows of varied flights."""
    for profile in links().values():
        LINK.rows(profile, 1)
    run_suite(links()["heron"], SimRig(links()["heron"]), only=["CH-ENDS"])


def run_all(
    todo: Sequence[Mutant],
    jobs: int,
    done: Callable[[Mutant, Fate], None] = lambda mutant, fate: None,
    parts: Sequence[Stage] = (),
) -> dict[Mutant, Fate]:
    """Judge mutants by parts of the suite [default: all], `jobs` at a time; `done` is called for each."""
    fates: dict[Mutant, Fate] = {}
    waiting = list(reversed(todo))
    running: dict[Mutant, _Child] = {}
    try:
        while waiting or running:
            while waiting and len(running) < jobs:
                mutant = waiting.pop()
                language = mutant.language
                running[mutant] = _Child(
                    functools.partial(judge, mutant.text, language, original(language), parts or stages(language))
                )
            for mutant, child in list(running.items()):
                if (fate := child.fate()) is not None:
                    del running[mutant]
                    fates[mutant] = fate
                    done(mutant, fate)
            time.sleep(0.01)  # noqa: TID251
    finally:
        for child in running.values():
            child.end()
    return fates


# --- the list of equivalent mutants and the journal --------------------------------------------------------------


def listed(path: Path = LISTED) -> dict[tuple[str, str, str, int, str], str]:
    """Return the reason by the key of each mutant that is listed as equivalent."""
    rows = tomllib.loads(path.read_text(encoding="utf-8")).get("equivalent", [])
    return {
        (row["language"], row["scope"], row["line"], row.get("nth", 1), _words(mutant)): row["reason"]
        for row in rows for mutant in row["mutants"]
    }  # fmt: skip


def suite_digest() -> str:
    """Return the digest of everything that decides: all loaded modules, the suite, the profiles, the stages."""
    files = {*SUITE.glob("*"), *(ROOT / "fixtures" / "profiles").glob("*")}
    for name, module in list(sys.modules.items()):
        if name.partition(".")[0] in ("lostlink", "lostlink_sims") and getattr(module, "__file__", None):
            files.add(Path(str(module.__file__)))
    digest = hashlib.sha256(repr(([*map(stages, EXAMPLES)], links())).encode())
    for file in sorted(file for file in files if file.is_file()):
        digest.update(file.read_bytes())
    return digest.hexdigest()


class Journal:
    """The mutants that are finished, one a line, by digest of source, mutant and suite."""

    def __init__(self, path: Path) -> None:
        self._path, self._suite = path, suite_digest()
        self._sources = {name: hashlib.sha256(one.source.read_bytes()).hexdigest() for name, one in EXAMPLES.items()}
        self._known: dict[str, Fate] = {}
        path.parent.mkdir(parents=True, exist_ok=True)
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        for row in text.splitlines():
            with contextlib.suppress(ValueError, KeyError):  # a line that was not completed
                entry = json.loads(row)
                self._known[entry["key"]] = Fate(entry["fate"], entry["why"], entry["seconds"])

    def _key(self, mutant: Mutant) -> str:
        parts = [self._sources[mutant.language], self._suite, str(mutant.line), mutant.after]
        return hashlib.sha256("\0".join(parts).encode()).hexdigest()

    def fate(self, mutant: Mutant) -> Fate | None:
        """Return what became of a mutant; None if it is not finished."""
        return self._known.get(self._key(mutant))

    def add(self, mutant: Mutant, fate: Fate) -> None:
        """Write a finished mutant."""
        row = {"key": self._key(mutant), "fate": fate.fate, "why": fate.why, "seconds": fate.seconds}
        row |= {"language": mutant.language, "line": mutant.line, "after": mutant.after}
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


# --- the command -------------------------------------------------------------------------------------------------


def sample(language: str, number: int, seed: int) -> list[Mutant]:
    """Return a random sample of the mutants that compile, less the listed ones, in the order of the lines; 0: all."""
    every = mutants(language)
    if not number:
        return every
    reasons = listed()
    shuffled = random.Random(f"mutants {seed}").sample(every, len(every))
    chosen = itertools.islice((one for one in shuffled if one.key not in reasons and compiles(one)), number)
    return sorted(chosen, key=lambda mutant: mutant.line)


def wrong_in_list(fates: dict[Mutant, Fate]) -> list[Mutant]:
    """Return the mutants that are listed as equivalent and were killed."""
    reasons = listed()
    return [mutant for mutant, fate in fates.items() if fate.fate == KILLED and mutant.key in reasons]


def survivors(fates: dict[Mutant, Fate]) -> list[Mutant]:
    """Return the mutants that survived and are not listed as equivalent."""
    reasons = listed()
    return [mutant for mutant, fate in fates.items() if fate.fate == SURVIVED and mutant.key not in reasons]


def say(text: str = "") -> None:
    """Show a line."""
    print(text, flush=True)  # noqa: T201


def report(language: str, fates: dict[Mutant, Fate]) -> int:
    """Show the figures, the survivors and the errors of the list; return how many of the latter two there are."""
    counts = Counter(fate.fate for fate in fates.values())
    alive, wrong = survivors(fates), wrong_in_list(fates)
    by_list = counts[SURVIVED] - len(alive)
    judged = counts[KILLED] + len(alive)
    for mutant in alive:
        say(f"\nsurvived: {mutant.diff()}")
    for mutant in wrong:
        say(f"\nerror in {LISTED.name}: listed as equivalent, but {fates[mutant].why}: {mutant.diff()}")
    by = Counter(fate.why.partition(" ")[0] for fate in fates.values() if fate.fate == KILLED)
    say(f"\n{EXAMPLES[language].source.name}: {len(fates)} mutants")
    say(f"  killed        {counts[KILLED]:5}  by {', '.join(f'{name} {number}' for name, number in by.most_common())}")
    say(f"  survived      {len(alive):5}")
    say(f"  equivalent    {counts[EQUIVALENT] + by_list:5}  {counts[EQUIVALENT]} compile to the same, {by_list} listed")
    say(f"  not compiled  {counts[NOT_COMPILED]:5}")
    say(f"  score         {100 * counts[KILLED] / judged if judged else 100:5.1f} %")
    return len(alive) + len(wrong)


def main() -> int:
    """Judge mutants; return 1 if one survived or the list is wrong."""
    parser = argparse.ArgumentParser(
        prog="ci/mutants", description="Mutation score of the suite: changes each line of the examples.",
        epilog="Example: ci/mutants --language c --sample 100. Exit code 1: a mutant survived, or the list of "
        "equivalent ones is wrong.",
    )  # fmt: skip
    parser.add_argument("--language", choices=sorted(EXAMPLES), help="one of the examples [default: all]")
    parser.add_argument(
        "--sample",
        metavar="N",
        type=int,
        default=0,
        help="a random sample of each that compile and are not listed [default: all]",
    )
    parser.add_argument("--seed", metavar="N", type=int, default=1, help="seed of the sample [default: 1]")
    quick_help = "only the part that finds most; what it does not find is shown, and judged wholly without this option"
    parser.add_argument("--quick", action="store_true", help=quick_help)
    parser.add_argument("--lines", metavar="A-B", help="only mutants of these lines")
    parser.add_argument("--jobs", metavar="N", type=int, default=os.cpu_count(), help="processes [default: cores]")
    parser.add_argument("--journal", metavar="FILE", type=Path, default=JOURNAL, help="[default: %(default)s]")
    options = parser.parse_args()
    warm_up()
    journal = Journal(options.journal)
    problems = 0
    for language in [options.language] if options.language else EXAMPLES:
        wanted, quick = sample(language, options.sample, options.seed), quick_stages(language)
        name = EXAMPLES[language].source.name
        if options.lines:
            first, _, last = options.lines.partition("-")
            wanted = [mutant for mutant in wanted if int(first) <= mutant.line <= int(last or first)]
        fates = {mutant: fate for mutant in wanted if (fate := journal.fate(mutant)) is not None}
        todo = [mutant for mutant in wanted if mutant not in fates]
        if todo:  # a sample's mutants are found on the first profile, nearly all
            sound = judge("".join(plain_lines(language)), language, {}, quick[:1] if options.sample else quick)
            if sound.fate != SURVIVED:
                say(f"{name}: the example itself is {sound.fate}: {sound.why}")
                return 2
        say(f"{name}: {len(wanted)} mutants, {len(fates)} of them finished before")
        since_s = time.monotonic()

        def done(mutant: Mutant, fate: Fate) -> None:
            if not (options.quick and fate.fate == SURVIVED):
                journal.add(mutant, fate)
            if fate.fate == SURVIVED:
                say(f"  {time.monotonic() - since_s:6.0f} s  survived  {mutant.diff()}")  # noqa: B023

        fates |= run_all(todo, options.jobs, done, quick if options.quick else ())
        problems += report(language, {mutant: fates[mutant] for mutant in wanted})
    return int(bool(problems))


if __name__ == "__main__":
    sys.exit(main())
