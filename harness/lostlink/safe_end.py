"""Ends a run on hardware safely when a signal asks the process to end.

While a rig that drives hardware is open, SIGINT, SIGTERM and SIGHUP (SIGBREAK on Windows) raise `StoppedError`, a
KeyboardInterrupt: the rig is closed (low throttle, held in reset), and the evidence is written. While the rig is being
closed, signals are ignored. The previous handlers are restored at the end. Python installs handlers in the main thread
only.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from types import FrameType
from typing import Any, Final, Protocol, TypeVar

SIGNALS: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)
_AGAIN_S: Final = 5.0
"""Time for the safe end, after which a further signal counts."""


class Closing(Protocol):
    """A rig, as far as its end is concerned."""

    @property
    def about(self) -> dict[str, str]:
        """Facts about it, for the evidence."""
        ...

    def close(self) -> None:
        """Bring the hardware into a safe state."""
        ...


AnyClosing = TypeVar("AnyClosing", bound=Closing)


class StoppedError(KeyboardInterrupt):
    """A signal asked the process to end."""


class _Guard:
    """The signal handlers of this process, and the first signal."""

    def __init__(self) -> None:
        self.number: int | None = None
        self.depth = self.shields = 0
        self._raised_s = 0.0
        self._before: dict[int, Any] = {}
        self._terminals: list[int] = []

    def enter(self) -> None:
        self.depth += 1
        if self.depth > 1 or threading.current_thread() is not threading.main_thread():
            return
        self.number = None
        self._terminals = [number for number in (1, 2) if _is_terminal(number)]
        for number in SIGNALS:
            before = signal.getsignal(number)
            if before not in (None, signal.SIG_IGN):  # unless the caller ignores it (nohup) or handles it in C
                self._before[number] = signal.signal(number, self._stop)

    def forget(self) -> None:
        self.number = None

    def leave(self) -> None:
        self.depth -= 1
        if not self.depth:
            while self._before:
                signal.signal(*self._before.popitem())

    def discard_closed_terminals(self) -> None:
        """Redirect the output of a closed terminal, where writing is an error, to the null device.

        Not in the handler, because pytest replaces these files while it runs.
        """
        for terminal in self._terminals:
            if not _is_terminal(terminal):
                os.dup2(os.open(os.devnull, os.O_WRONLY), terminal)

    def _stop(self, number: int, _: FrameType | None) -> None:
        now_s = time.monotonic()
        is_first = self.number is None
        if is_first:
            self.number = int(number)
        if not self.shields and (is_first or now_s - self._raised_s > _AGAIN_S):
            self._raised_s = now_s
            raise StoppedError(signal.Signals(number).name)


_guard: Final = _Guard()


def _is_terminal(number: int) -> bool:
    try:
        return os.isatty(number)
    except OSError:
        return False


@contextlib.contextmanager
def guarded(*, on: bool = True) -> Iterator[None]:
    """Let signals raise `StoppedError` inside the block; blocks may be nested."""
    if not on:
        yield
        return
    depth = _guard.depth
    try:
        _guard.enter()  # a signal may come as soon as its handler is set
        yield
    finally:
        if _guard.depth > depth:
            _guard.leave()


def forget() -> None:
    """Forget a signal that ended an earlier command of this process."""
    _guard.forget()


@contextlib.contextmanager
def shielded() -> Iterator[None]:
    """Keep signals from ending the block."""
    _guard.shields += 1
    try:
        yield
    finally:
        _guard.shields -= 1


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Let no signal end the block, in which evidence is written, without hardware too."""
    with guarded(), shielded():
        yield


def stopped_by() -> int | None:
    """Return the number of the signal that ended the last guarded block, if one did."""
    return _guard.number


def exit_code_of(error: BaseException | None = None) -> int:
    """Return the exit code of an interrupted run, as in shells: 128 + the signal's number."""
    number = _guard.number if error is None or isinstance(error, StoppedError) else None
    return 128 + int(number or signal.SIGINT)


def statement(rig: Closing) -> str:
    """Return the signal that ended the run and the final state of the hardware; empty without a signal."""
    if _guard.number is None:
        return ""
    name = signal.Signals(_guard.number).name
    return f"stopped by {name}; at the end: {rig.about.get('at the end', 'the rig was closed')}"


def guard(rig: AnyClosing) -> AnyClosing:
    """Guard a rig until it is closed; a signal does not interrupt its `close`."""
    close = rig.close
    _guard.enter()
    is_open = True

    def close_safely() -> None:
        nonlocal is_open
        with shielded():
            try:
                close()
            finally:
                if is_open:
                    is_open = False
                    if _guard.number is not None:
                        _guard.discard_closed_terminals()
                    _say(statement(rig))
                    _guard.leave()

    rig.close = close_safely  # type: ignore[method-assign]
    return rig


def _say(text: str) -> None:
    if text and sys.stderr is not None:
        with contextlib.suppress(OSError, ValueError):
            sys.stderr.write(f"lostlink: {text}\n")
            sys.stderr.flush()
