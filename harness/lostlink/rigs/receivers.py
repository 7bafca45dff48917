"""Loads the receiver that ``--receiver FILE.py:Name`` names."""

from __future__ import annotations

import difflib
import importlib.machinery
import importlib.util
import inspect
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from lostlink import extensions
from lostlink.errors import ReceiverError
from lostlink.rigs.firmware import LOADING, Watch
from lostlink_sims import Profile
from lostlink_sims.receiver import ReceiverFactory

METHODS: Final = ("power_on", "packet", "poll", "pulses")
PYTHON_STEPS: Final = (
    "its constructor",
    *(f"{name}()" for name in METHODS),
    "its attribute failsafe",
    "loading the file",
)
"""What is running, by the index of the step."""


Loader = Callable[[], ReceiverFactory]
"""Loads a receiver's file anew, so that nothing of an earlier run is left in its globals."""


def load_receiver(spec: str) -> ReceiverFactory:
    """Return the receiver class that `spec` names.

    Raises
    ------
    ReceiverError
        If the file or the name is missing, the file does not run, or the name is not a receiver.
    """
    return receiver_loader(spec)()


def receiver_loader(spec: str) -> Loader:
    """Return a function that loads the receiver that `spec` names, from the file as it is now.

    A receiver of an installed package is loaded once.

    Raises
    ------
    ReceiverError
        If the file is missing or cannot be read; the function raises it as `load_receiver` does.
    """
    path_text, colon, name = spec.rpartition(":")
    if not colon or not path_text or not name:
        installed = _installed(spec)
        return lambda: installed
    path = Path(path_text)
    if not path.is_file():
        raise ReceiverError(f"--receiver {spec}: there is no file {path}; allowed: a Python file that can be read")
    load = _module_loader(path, spec)

    def loader() -> ReceiverFactory:
        module = load()
        if not hasattr(module, name):
            classes = [key for key, value in vars(module).items() if inspect.isclass(value)]
            near = difflib.get_close_matches(name, classes, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ";"
            raise ReceiverError(
                f"--receiver {spec}: {path} has no {name!r}{hint} allowed: {', '.join(classes) or 'a class'}"
            )
        return _checked(getattr(module, name), name, spec)

    return loader


def _installed(spec: str) -> ReceiverFactory:
    """Return the receiver of an installed package."""
    receiver = extensions.load(extensions.RECEIVERS, spec)
    if receiver is None:
        known = extensions.names(extensions.RECEIVERS)
        installed = f", or one of an installed package: {', '.join(known)}" if known else ""
        raise ReceiverError(
            f"--receiver {spec}: no name; allowed: FILE.py:Name, such as my_receiver.py:MyReceiver{installed}"
        )
    return _checked(receiver, spec, spec)


def _checked(receiver: Any, name: str, spec: str) -> ReceiverFactory:
    missing = [method for method in METHODS if not callable(getattr(receiver, method, None))]
    if not callable(receiver) or missing:
        raise ReceiverError(
            f"--receiver {spec}: {name} is not a receiver, it lacks {', '.join(missing) or 'a constructor'}; "
            f"allowed: a class with {', '.join(METHODS)} and the attribute failsafe"
        )
    factory: ReceiverFactory = receiver
    return factory


class _WatchedReceiver:
    """A receiver whose calls the parent process can see."""

    def __init__(self, factory: ReceiverFactory, profile: Profile, watch: Watch) -> None:
        program = _watched_call(factory, watch, 0)(profile)
        self.live_output = bool(getattr(program, "live_output", False))
        for step, method in enumerate(METHODS, 1):
            setattr(self, method, _watched_call(getattr(program, method), watch, step))
        self._flag = _watched_call(lambda: program.failsafe, watch, len(METHODS) + 1)

    @property
    def failsafe(self) -> Any:
        return self._flag()


def _watched_call(call: Callable[..., Any], watch: Watch, step: int) -> Callable[..., Any]:
    begin, end = watch.begin, watch.end

    def watched_call(*arguments: Any) -> Any:
        begin(step)
        try:
            returned = call(*arguments)
        except (Exception, SystemExit):
            end()
            raise
        except BaseException as error:  # raised by the program: the process gets no Ctrl-C
            end()
            raise _caught(error) from error
        end()
        return returned

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
            loaded.append(_watched_call(load, watch, LOADING)())
        return _WatchedReceiver(loaded[0], profile, watch)

    build.live_output = live_output  # type: ignore[attr-defined]
    return build


def _module_loader(path: Path, spec: str) -> Callable[[], Any]:
    """Return a function that runs the file, as it is now, as a new module."""
    loading = importlib.util.spec_from_file_location(f"lostlink_receiver_{path.stem}", path)
    if loading is None or not isinstance(loading.loader, importlib.machinery.SourceFileLoader):
        raise ReceiverError(f"--receiver {spec}: {path} is not a Python file: its name must end in .py")
    try:
        code = loading.loader.get_code(loading.name)
    except SyntaxError as error:
        raise ReceiverError(
            f"{path}:{error.lineno}:{error.offset}: {error.msg}; the receiver cannot be read"
        ) from error
    except (OSError, ValueError) as error:
        raise ReceiverError(f"--receiver {spec}: {path} cannot be read: {error}") from error
    assert code is not None

    def load() -> Any:
        module = importlib.util.module_from_spec(loading)
        sys.modules[loading.name] = module  # dataclasses and pickle look up the module of a class
        try:
            exec(code, module.__dict__)
        except (Exception, SystemExit) as error:
            line = _line_in(error, path)
            raise ReceiverError(
                f"{path}:{line}: {type(error).__name__}: {error}; the receiver cannot be loaded"
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
