"""What a program could change in the process that it shares with the simulation."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import Any, BinaryIO

from lostlink.rigs import firmware


class Surroundings:
    """The current folder, the standard streams and the processes, which the program of a board cannot change."""

    def __init__(self) -> None:
        self._folder = self._current()

    @staticmethod
    def _current() -> str:
        try:
            return os.getcwd()
        except OSError:  # it was deleted
            return ""

    def changed(self) -> str:
        """Return what was changed; empty if nothing was."""
        if self._current() != self._folder:
            with contextlib.suppress(OSError):
                os.chdir(self._folder)
            return "the program changed the current folder"
        try:
            for number in range(3):
                os.fstat(number)
            is_closed = any(stream.closed for stream in (sys.stdin, sys.stdout, sys.stderr))
        except (OSError, AttributeError):
            is_closed = True
        if is_closed:
            return "the program closed a standard stream"
        if os.name == "posix":
            with contextlib.suppress(ChildProcessError):
                os.waitpid(-1, os.WNOHANG)
                return "the program started another process"
        return ""


class Pipes:
    """The pipes to the parent process, which a program can close or replace by their numbers."""

    def __init__(self, read: BinaryIO, write: BinaryIO, calls: Any) -> None:
        self._numbers, self._calls = (read.fileno(), write.fileno()), calls
        self._known = self._identities()

    def _identities(self) -> list[tuple[int, int]]:
        states = map(os.fstat, self._numbers)
        return [(state.st_dev, state.st_ino) for state in states]

    def end_if_lost(self) -> None:
        """End the process if no answer can be given."""
        with contextlib.suppress(OSError):
            if self._identities() == self._known:
                return
        self._calls[2] = 1
        os._exit(1)


class LossFinder(firmware.Watch):
    """Ends the process in the call that loses a pipe; looking after every call takes too long for all runs."""

    def __init__(self, calls: Any, pipes: Pipes) -> None:
        super().__init__(calls)
        self._pipes = pipes

    def end(self) -> None:
        """Note that the call has returned."""
        self._pipes.end_if_lost()
        super().end()
