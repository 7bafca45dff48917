"""Reads regular files only; writes files whole or not at all, never over an input.

`OutputFile` is for every option that names an output file. Evidence folders: `lostlink.evidence.folder`.
"""

from __future__ import annotations

import contextlib
import errno
import io
import itertools
import os
import stat
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, TextIO

from lostlink.errors import UsageError


def read_text(path: str | Path) -> str:
    """Return the text of a file, without a byte order mark.

    Raises
    ------
    OSError
        If it cannot be read, or is a folder, a pipe or a device, which could block.
    UnicodeDecodeError
    """
    need_regular_file(path)
    return Path(path).read_text(encoding="utf-8-sig")


def need_regular_file(path: str | Path) -> None:
    """Raise OSError for a folder, a pipe or a device, which could block, and for a file that is missing."""
    status = os.stat(path)
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, "is a folder", str(path))
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "is not a regular file", str(path))


def real_path(path: str | Path) -> Path:
    """Return an absolute path without links.

    Raises
    ------
    OSError
        Also where links lead in a circle.
    """
    try:
        return Path(path).resolve()
    except RuntimeError as error:  # of older versions of Python
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(path)) from error


def free_path(path: Path) -> Path:
    """Return the path, or with a number the first that does not exist."""
    names = itertools.chain([path], (path.with_name(f"{path.name}-{number}") for number in itertools.count(2)))
    return next(name for name in names if not os.path.lexists(name))


def whole_text(text: str) -> str:
    """Return a text with "?" in place of each lone surrogate, which UTF-8 cannot encode."""
    return text.encode("utf-8", "replace").decode("utf-8")


def not_writable(option: str, path: str | Path, error: OSError) -> UsageError:
    """Return the error for a file or folder that cannot be written."""
    return UsageError(f"{option} {path}: {error.strerror or error}; choose a path that can be written")


class _ForgivingFile(io.FileIO):
    """The file of a stream, which stays open; it discards what cannot be written."""

    def __init__(self, stream: TextIO) -> None:
        super().__init__(stream.fileno(), "w", closefd=False)
        self._stream = stream  # which would close the file at its end

    def write(self, data: Any, /) -> int:
        with contextlib.suppress(OSError):
            return super().write(data)
        return len(data)


def forgiving_stream(stream: TextIO) -> TextIO:
    """Return a text stream that discards what cannot be written (a full disk), in place of a standard one.

    Streams that are no file, such as a test's, are returned as they are.
    """
    try:
        file = _ForgivingFile(stream)
    except (OSError, ValueError, AttributeError):
        return stream
    return io.TextIOWrapper(
        io.BufferedWriter(file), encoding=stream.encoding, errors="replace", line_buffering=True, write_through=True
    )


class OutputFile:
    """A file that an option names: checked before the work begins, written at its end, whole or not at all.

    An empty file and a device may be written, because nothing in them can be lost.

    Parameters
    ----------
    option : str
    path : path or None
        None when the option is not given: nothing is checked or written.
    force : bool
        Whether an existing file may be replaced; an input never.
    inputs : iterable of (path or None)
        Files and folders that the command reads.

    Raises
    ------
    UsageError
        If the file is an input, or exists and `force` is not set, or cannot be written.
    """

    def __init__(
        self, option: str, path: str | Path | None, *, force: bool = False, inputs: Iterable[str | Path | None] = ()
    ) -> None:
        self._option, self.path, self._force = option, path, force
        self._inputs = [Path(name) for name in inputs if name is not None]
        self._check()

    def _check(self) -> None:
        if self.path is None:
            return
        target = Path(self.path)
        try:
            if not target.parent.is_dir():
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
            real_path(target)
            if not target.is_file() or not target.stat().st_size:
                return
            real, inputs = real_path(target), [real_path(name) for name in self._inputs]
        except OSError as error:
            raise not_writable(self._option, self.path, error) from error
        if any(real == name or name in real.parents for name in inputs):
            raise UsageError(f"{self._option} {self.path}: is an input of this command; choose another name")
        if not self._force:
            raise UsageError(
                f"{self._option} {self.path}: exists already; choose another name, or --force to overwrite it"
            )

    def write(self, text: Callable[[], str]) -> None:
        """Write the text that `text` returns, after a second check; nothing when the option is not given.

        Raises
        ------
        UsageError
            If the file cannot be written or may no longer be.
        """
        if self.path is None:
            return
        self._check()
        try:
            write_whole(Path(self.path), text())
        except OSError as error:
            raise not_writable(self._option, self.path, error) from error


def output_files(
    named: Mapping[str, str | Path | None], *, force: bool = False, inputs: Iterable[str | Path | None] = ()
) -> list[OutputFile]:
    """Return the output files of several options.

    Parameters
    ----------
    named : dict of str to (path or None)
        The path that each option names.
    force, inputs
        As for `OutputFile`.

    Raises
    ------
    UsageError
        As `OutputFile`, and if two options name the same file.
    """
    inputs, seen = list(inputs), dict[Path, str]()
    files = [OutputFile(option, path, force=force, inputs=inputs) for option, path in named.items()]
    for option, path in named.items():
        if path is None or (Path(path).exists() and not Path(path).is_file()):
            continue  # a device takes both
        other = seen.setdefault(Path(path).resolve(), option)
        if other != option:
            raise UsageError(f"{option} {path}: is the file of {other} too; choose another name")
    return files


def write_whole(path: Path, text: str) -> None:
    """Write a text file; after a failure it is unchanged.

    A device or pipe is written directly. Of a link, the target is written.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    if path.exists() and not path.is_file():
        path.write_text(text, encoding="utf-8", newline="")
        return
    target = real_path(path)
    part = target.with_name(f".{target.name[:100]}-{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            part.chmod(target.stat().st_mode & 0o777)
        part.replace(target)
    except BaseException as error:
        with contextlib.suppress(OSError):
            part.unlink()
        if isinstance(error, OSError):
            error.filename = str(path)  # a full disk does not name it
        raise
