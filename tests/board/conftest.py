"""Builds the C of ``fixtures/board`` for these tests, into a folder that goes away again."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from lostlink.profiles.header import c_header
from lostlink_sims import Profile

BOARD = Path(__file__).parents[2] / "fixtures" / "board"
Make = Callable[..., Path]


def run(*words: str | Path, given: bytes | None = None) -> subprocess.CompletedProcess[bytes]:
    """Run a command; a failure shows what it said."""
    done = subprocess.run([str(word) for word in words], input=given, capture_output=True, check=False)
    assert done.returncode == 0, f"{words[0]} ended with {done.returncode}: {done.stderr.decode(errors='replace')}"
    return done


MISSING = {
    "tools": ("the board's C is not tested", ["cc", "make"]),
    "emulator": ("firmware images are not tested", ["make", "arm-none-eabi-gcc", "qemu-system-arm"]),
}
"""What the tests with a fixture need; what is said where it is missing."""


def missing(fixture: str) -> list[str]:
    """Return which of the programs that a fixture stands for are not here."""
    return [name for name in MISSING[fixture][1] if shutil.which(name) is None]


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Where something is missing, leave one of the tests that need it, which says so, and not a line for each."""
    for fixture in MISSING:
        need_it = [item for item in items if isinstance(item, pytest.Function) and fixture in item.fixturenames]
        if missing(fixture) and need_it:
            others = set(need_it[1:])
            config.hook.pytest_deselected(items=need_it[1:])
            items[:] = [item for item in items if item not in others]


def _skip_without(fixture: str) -> None:
    if absent := missing(fixture):
        pytest.skip(f"{MISSING[fixture][0]}: there is no {' and no '.join(absent)} here")


@pytest.fixture(scope="session")
def tools() -> None:
    """Skip where C cannot be compiled."""
    _skip_without("tools")


@pytest.fixture(scope="session")
def emulator(tools: None) -> None:
    """Skip where images cannot be built or run."""
    _skip_without("emulator")


@pytest.fixture(scope="session")
def make(tools: None, tmp_path_factory: pytest.TempPathFactory) -> Make:
    """Return what builds a target of the board's makefile, such as ``receiver.so``, and tells where it is."""
    build = tmp_path_factory.mktemp("board")

    def target(
        name: str,
        *,
        mistake: str = "",
        profile: Profile | None = None,
        divider: str = "",
        program: Path | None = None,
        define: str = "",
        queue: int | None = None,
    ) -> Path:
        folder, settings = build, []
        if profile is not None:
            folder = build / profile.name
            folder.mkdir(exist_ok=True)
            header = c_header(profile)
            if not (folder / "link.h").exists() or (folder / "link.h").read_text() != header:
                (folder / "link.h").write_text(header)
            settings.append(f"LINK={folder}")
        if divider:
            folder = build / f"divider{divider}"
            folder.mkdir(exist_ok=True)
            settings.append(f"DIVIDER={divider}")
        if define:
            folder = build / define
            folder.mkdir(exist_ok=True)
            settings.append(f"CFLAGS=-O2 -D{define}")
        if queue is not None:
            folder = build / f"queue{queue}"
            folder.mkdir(exist_ok=True)
            settings.append(f"QUEUE={queue}")
        if program is not None:
            settings.append(f"PROGRAM={program}")
        if mistake:
            settings.append(f"MISTAKE={mistake}")
        run("make", "-s", "-C", BOARD, f"BUILD={folder}", *settings, folder / name)
        return folder / name

    return target


@pytest.fixture(scope="session")
def compile_c(tools: None, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Return what compiles C sources with the compiler's flags for a new file, and tells where it is."""
    build = tmp_path_factory.mktemp("compiled")

    def compiled(name: str, *words: str | Path) -> Path:
        run("cc", "-std=c99", "-Wall", "-Wextra", "-Werror", "-iquote", BOARD, "-o", build / name, *words)
        return build / name

    return compiled


@pytest.fixture
def own_terminal() -> Iterator[Callable[[Path], None]]:
    """Return what keeps a board's pseudo-terminal from boards of other tests, also once that board is gone.

    A rig that waits for its board would take another one for it.
    """
    with contextlib.ExitStack() as kept:

        def keep(port: Path) -> None:
            kept.callback(os.close, os.open(port, os.O_RDWR | os.O_NOCTTY))

        yield keep


@pytest.fixture
def first_served() -> Iterator[None]:
    """Let this test and the boards that it starts go before other processes, where the system permits it."""
    usual = os.getpriority(os.PRIO_PROCESS, 0)
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, -10)
    yield
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, usual)
