"""Builds the driver with the compiler of this computer, if it has one; nothing is left on disk.

It is built once: a process that starts others hands the result to them (`known_driver`, `provide`).
"""

from __future__ import annotations

import contextlib
import os
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from lostlink.children import run_quietly

_SOURCES: Final = (Path(__file__).with_name("driver.c"), Path(__file__).with_name("handset_driver.c"))
_OPTIONS: Final = ("-std=c99", "-O2", "-shared", "-fPIC")
_BUILD_S: Final = 60.0
_MOST_BYTES: Final = 1 << 24
_driver: list[bytes] = []


def compiled_driver() -> bytes:
    """Return the driver as a shared library; empty where it cannot be built."""
    if not _driver:
        _driver.append(_built())
    return _driver[0]


def known_driver() -> bytes | None:
    """Return the driver, if this process has asked for it so far."""
    return _driver[0] if _driver else None


def provide(driver: bytes | None) -> None:
    """Use the driver that another process of this computer knows."""
    _driver[:] = [] if driver is None else [driver]


def _built() -> bytes:
    for compiler in _compilers():
        with contextlib.suppress(OSError), _output() as path:
            if run_quietly([*compiler, *_OPTIONS, "-o", path, *map(str, _SOURCES)], _BUILD_S):
                driver = Path(path).read_bytes()
                if 0 < len(driver) < _MOST_BYTES:
                    return driver
    return b""


def _compilers() -> Iterator[list[str]]:
    """Yield the command that ``CC`` names; without it, usual ones."""
    named = os.environ.get("CC", "")
    with contextlib.suppress(ValueError):  # an open quote
        for command in [shlex.split(named)] if named.strip() else [["cc"], ["gcc"], ["clang"]]:
            if (path := shutil.which(command[0])) is not None:
                yield [path, *command[1:]]


@contextlib.contextmanager
def _output() -> Iterator[str]:
    """Yield the name of a file for the compiler: in memory if the system supports it, so that it goes with us."""
    if sys.platform == "linux":
        descriptor = os.memfd_create("driver")
        try:
            yield f"/proc/{os.getpid()}/fd/{descriptor}"
        finally:
            os.close(descriptor)
        return
    with tempfile.TemporaryDirectory(prefix="lostlink-") as folder:
        yield str(Path(folder) / "driver.so")
