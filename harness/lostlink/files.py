"""Files: only regular ones are read; written whole or not at all, never over an input or what is not meant.

`check_output` is the guard of every option that names an output file. Folders of evidence: `lostlink.evidence.folder`.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterable
from pathlib import Path

from lostlink.errors import UsageError


def read_text(path: str | Path) -> str:
    """Return the text of a file; a mark of the byte order is left out.

    Raises
    ------
    OSError
        If it cannot be read, or is a folder, a pipe or a device, which could block.
    UnicodeDecodeError
    """
    status = os.stat(path)
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, "is a folder", str(path))
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "is not a regular file", str(path))
    return Path(path).read_text(encoding="utf-8-sig")


def not_writable(option: str, path: str | Path, error: OSError) -> UsageError:
    """Return the error for a file or folder that cannot be written."""
    return UsageError(f"{option} {path}: {error.strerror or error}; choose a path that can be written")


def check_output(option: str, path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = ()) -> None:
    """Refuse an output file that would replace something.

    An empty file and a device may be written: there is nothing in them to lose.

    Parameters
    ----------
    force : bool
        Whether an existing file may be replaced; an input never.
    inputs : iterable of path
        Files and folders that the command reads.

    Raises
    ------
    UsageError
        If the file is an input, or exists and `force` is not set.
    """
    target = Path(path)
    try:
        if not target.parent.is_dir():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        if not target.is_file() or not target.stat().st_size:
            return
        real = target.resolve()
        if any(real == Path(name).resolve() or Path(name).resolve() in real.parents for name in inputs):
            raise UsageError(f"{option} {path}: is an input of this command; choose another name")
    except OSError as error:
        raise not_writable(option, path, error) from error
    if not force:
        raise UsageError(f"{option} {path}: exists already; choose another name, or --force to overwrite it")


def write_output(
    option: str, path: str | Path, text: str, *, force: bool = False, inputs: Iterable[str | Path] = ()
) -> None:
    """Write a file that an option names, whole or not at all.

    Raises
    ------
    UsageError
        If the file cannot be written, or `check_output` refuses it.
    """
    check_output(option, path, force=force, inputs=inputs)
    try:
        write_whole(Path(path), text)
    except OSError as error:
        raise not_writable(option, path, error) from error


def write_whole(path: Path, text: str) -> None:
    """Write a text file so that after a failure it is as it was before.

    A device or pipe is written directly. A link is followed to its file.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    if path.exists() and not path.is_file():
        path.write_text(text, encoding="utf-8", newline="")
        return
    target = path.resolve()
    part = target.with_name(f".{target.name[:100]}-{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            part.chmod(target.stat().st_mode & 0o777)
        part.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
