"""Loads the program that ``--receiver FILE.py:Name`` or ``--handset FILE.py:Name`` names, and watches its calls."""

from __future__ import annotations

import difflib
import importlib.machinery
import importlib.util
import inspect
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lostlink import extensions
from lostlink.errors import ReceiverError
from lostlink.rigs.firmware import FIRST_HANDSET_STEP, RECEIVER, Watch
from lostlink_sims import Profile
from lostlink_sims.handset_program import HandsetFactory
from lostlink_sims.receiver import ReceiverFactory

METHODS: Final = ("power_on", "packet", "poll", "pulses")
HANDSET_METHODS: Final = ("power_on", "turn", "packet")
HANDSET_OPTIONAL: Final = ("interrupt", "sent", "radio", "alarm")
PYTHON_STEPS: Final = (
    "its constructor",
    *(f"{name}()" for name in METHODS),
    "its attribute failsafe",
    "loading the receiver's file",
)
"""What is running, by the index of the step."""
HANDSET_STEPS: Final = (
    "the handset's constructor",
    *(f"the handset's {name}()" for name in (*HANDSET_METHODS, *HANDSET_OPTIONAL)),
    "loading the handset's file",
)
"""The same for a handset, from `FIRST_HANDSET_STEP` on."""


@dataclass(frozen=True, slots=True)
class _Kind:
    """A kind of program: its option, noun, methods, what else its class has, and its group of entry points."""

    option: str
    noun: str
    methods: tuple[str, ...]
    more: str
    group: str


_RECEIVER: Final = _Kind("--receiver", "receiver", METHODS, " and the attribute failsafe", extensions.RECEIVERS)
_HANDSET: Final = _Kind("--handset", "handset", HANDSET_METHODS, "", extensions.HANDSETS)

Loader = Callable[[], Any]
"""Loads a program's file anew and returns its class, so that nothing of an earlier run is left in its globals."""


def load_receiver(spec: str) -> ReceiverFactory:
    """Return the receiver class that `spec` names.

    Raises
    ------
    ReceiverError
        If the file or the name is missing, the file does not run, or the name is not a receiver.
    """
    receiver: ReceiverFactory = receiver_loader(spec)()
    return receiver


def handset_loader(spec: str) -> Loader:
    """Return a function that loads the handset that `spec` names; see `receiver_loader`."""
    return _loader(spec, _HANDSET)


def receiver_loader(spec: str) -> Loader:
    """Return a function that loads the receiver that `spec` names, from the file as it is now.

    A receiver of an installed package is loaded once.

    Raises
    ------
    ReceiverError
        If the file is missing or cannot be read; the function raises it as `load_receiver` does.
    """
    return _loader(spec, _RECEIVER)


def _loader(spec: str, kind: _Kind) -> Loader:
    path_text, colon, name = spec.rpartition(":")
    if not colon or not path_text or not name:
        installed = _installed(spec, kind)
        return lambda: installed
    path = Path(path_text)
    named = f"{kind.option} {spec}"
    if not path.is_file():
        raise ReceiverError(f"{named}: there is no file {path}; allowed: a Python file that can be read")
    load = _module_loader(path, named, kind.noun)

    def loader() -> Any:
        module = load()
        if not hasattr(module, name):
            classes = [key for key, value in vars(module).items() if inspect.isclass(value)]
            near = difflib.get_close_matches(name, classes, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ";"
            raise ReceiverError(f"{named}: {path} has no {name!r}{hint} allowed: {', '.join(classes) or 'a class'}")
        return _checked(getattr(module, name), name, spec, kind)

    return loader


_SOURCES: Final = (".c", ".cc", ".cpp", ".h", ".ino")


def _installed(spec: str, kind: _Kind) -> Any:
    """Return the program of an installed package."""
    if Path(spec).suffix.lower() in _SOURCES:
        library = Path(spec).with_suffix(".so").name
        raise ReceiverError(
            f"{kind.option} {spec}: a source file; compile it, and give the library ./{library}: "
            f"cc -std=c99 -O2 -shared -fPIC -I FOLDER {spec} -o {library}, where FOLDER has {kind.noun}.h "
            "(fixtures/board), beside the link.h of: lostlink header PROFILE > link.h"
        )
    program = extensions.load(kind.group, spec)
    if program is None:
        known = extensions.names(kind.group)
        installed = f", or one of an installed package: {', '.join(known)}" if known else ""
        example = f"my_{kind.noun}.py:My{kind.noun.capitalize()}"
        raise ReceiverError(f"{kind.option} {spec}: no name; allowed: FILE.py:Name, such as {example}{installed}")
    return _checked(program, spec, spec, kind)


def _checked(program: Any, name: str, spec: str, kind: _Kind) -> Any:
    missing = [method for method in kind.methods if not callable(getattr(program, method, None))]
    if not callable(program) or missing:
        raise ReceiverError(
            f"{kind.option} {spec}: {name} is not a {kind.noun}, it lacks {', '.join(missing) or 'a constructor'}; "
            f"allowed: a class with {', '.join(kind.methods)}{kind.more}"
        )
    return program


class _WatchedReceiver:
    """A receiver whose calls the parent process can see."""

    def __init__(self, program: Any, watch: Watch) -> None:
        self._program = program
        self.live_output = bool(getattr(program, "live_output", False))
        for step, method in enumerate(METHODS, 1):
            setattr(self, method, _watched_call(getattr(program, method), watch, step))
        self._flag = _watched_call(lambda: program.failsafe, watch, len(METHODS) + 1)

    @property
    def failsafe(self) -> Any:
        return self._flag()


class _WithPlainFlag(_WatchedReceiver):
    """One whose flag is an attribute that no code of the program computes, so that reading it is not a call."""

    @property
    def failsafe(self) -> Any:
        return self._program.failsafe


def _is_plain(program: Any, name: str) -> bool:
    kind: Any = type(program)
    computes = kind.__getattribute__ is not object.__getattribute__ or hasattr(kind, "__getattr__")
    return not computes and not hasattr(inspect.getattr_static(kind, name, None), "__get__")


def _watched_call(call: Callable[..., Any], watch: Watch, step: int) -> Callable[..., Any]:
    """Return a call that is noted; what `Watch.begin` and `Watch.end` do is written out here, for speed."""
    if type(watch) is not Watch:
        return _watched_in_detail(call, watch, step)
    calls, stop_at, begin = watch.calls, watch.stop_at, watch.begin

    def watched_call(*arguments: Any) -> Any:
        number = calls[0] + 1
        if number == stop_at:
            begin(step)
        calls[0] = number
        calls[1] = step
        try:
            returned = call(*arguments)
        except (Exception, SystemExit):
            calls[1] = -1
            raise
        except BaseException as error:  # raised by the program: the process gets no Ctrl-C
            calls[1] = -1
            raise _caught(error) from error
        calls[1] = -1
        return returned

    return watched_call


def _watched_in_detail(call: Callable[..., Any], watch: Watch, step: int) -> Callable[..., Any]:
    def watched_call(*arguments: Any) -> Any:
        watch.begin(step)
        try:
            return call(*arguments)
        except (Exception, SystemExit):
            raise
        except BaseException as error:
            raise _caught(error) from error
        finally:
            watch.end()

    return watched_call


def _caught(error: BaseException) -> Exception:
    """Return an exception of the same name that the simulation catches."""
    caught: Exception = type(type(error).__name__, (Exception,), {})(*error.args)
    return caught


def watched(load: Loader, watch: Watch, *, live_output: bool) -> ReceiverFactory:
    """Return a factory of a run's receivers: loaded anew at its first power-on, with all calls noted by a watch."""
    loaded: list[ReceiverFactory] = []

    def build(profile: Profile) -> Any:
        if not loaded:
            loaded.append(_watched_call(load, watch, RECEIVER.loading)())
        program = _watched_call(loaded[0], watch, 0)(profile)
        return (_WithPlainFlag if _is_plain(program, "failsafe") else _WatchedReceiver)(program, watch)

    build.live_output = live_output  # type: ignore[attr-defined]
    return build


class _WatchedHandset:
    """A handset whose calls the parent process can see."""

    def __init__(self, factory: HandsetFactory, profile: Profile, watch: Watch) -> None:
        program = _watched_call(factory, watch, FIRST_HANDSET_STEP)(profile)
        for step, method in enumerate((*HANDSET_METHODS, *HANDSET_OPTIONAL), FIRST_HANDSET_STEP + 1):
            if method in HANDSET_METHODS or hasattr(program, method):
                setattr(self, method, _watched_call(getattr(program, method), watch, step))


def watched_handset(load: Loader, watch: Watch) -> HandsetFactory:
    """Return a factory of a run's handsets, as `watched` does for receivers."""
    loaded: list[HandsetFactory] = []

    def build(profile: Profile) -> Any:
        if not loaded:
            loaded.append(_watched_call(load, watch, FIRST_HANDSET_STEP + len(HANDSET_STEPS) - 1)())
        return _WatchedHandset(loaded[0], profile, watch)

    return build


def _module_loader(path: Path, named: str, noun: str) -> Callable[[], Any]:
    """Return a function that runs the file, as it is now, as a new module."""
    loading = importlib.util.spec_from_file_location(f"lostlink_{noun}_{path.stem}", path)
    if loading is None or not isinstance(loading.loader, importlib.machinery.SourceFileLoader):
        raise ReceiverError(f"{named}: {path} is not a Python file: its name must end in .py")
    try:
        code = loading.loader.get_code(loading.name)
    except SyntaxError as error:
        if error.lineno is None:  # null bytes
            raise ReceiverError(f"{named}: {path} cannot be read: {error.msg}; allowed: Python source") from error
        raise ReceiverError(f"{path}:{error.lineno}:{error.offset}: {error.msg}; the {noun} cannot be read") from error
    except (OSError, ValueError) as error:
        raise ReceiverError(f"{named}: {path} cannot be read: {error}") from error
    assert code is not None

    def load() -> Any:
        module = importlib.util.module_from_spec(loading)
        sys.modules[loading.name] = module  # dataclasses and pickle look up the module of a class
        try:
            exec(code, module.__dict__)
        except (Exception, SystemExit) as error:
            line = _line_in(error, path)
            raise ReceiverError(
                f"{path}:{line}: {type(error).__name__}: {error}; the {noun} cannot be loaded"
            ) from error
        return module

    return load


def _line_in(error: BaseException, path: Path) -> int:
    """Return the line of `path` in the traceback of an error."""
    line, trace = 1, error.__traceback__
    while trace is not None:
        if Path(trace.tb_frame.f_code.co_filename).name == path.name:
            line = trace.tb_lineno
        trace = trace.tb_next
    return line
