"""Shared libraries that are loaded from memory, so that no file is left of them."""

from __future__ import annotations

import _ctypes
import contextlib
import ctypes
import itertools
import os
from pathlib import Path
from typing import Final

_numbers: Final = itertools.count()


class Library(ctypes.CDLL):
    """A library that was loaded by `load`."""

    _descriptor: int | None = None


def load(content: bytes, suffix: str, scratch: str) -> Library:
    """Load a library.

    Parameters
    ----------
    content : bytes
        Of the library's file.
    suffix : str
        Of the file's name.
    scratch : str
        Folder for the file on systems that cannot load from memory.

    Raises
    ------
    OSError
        If it cannot be loaded; the text does not name the file.
    """
    if not hasattr(os, "memfd_create"):
        return _load_file(content, Path(scratch) / f"{next(_numbers)}{suffix}")
    # Open as long as the library is loaded: the loader takes another file of the same name for the same library.
    descriptor = os.memfd_create(f"library-{next(_numbers)}")
    try:
        with open(descriptor, "wb", closefd=False) as file:
            file.write(content)
        library = _load(f"/proc/self/fd/{descriptor}")
    except BaseException:
        os.close(descriptor)
        raise
    library._descriptor = descriptor
    return library


def _load_file(content: bytes, copy: Path) -> Library:
    copy.write_bytes(content)
    try:
        return _load(str(copy))
    finally:
        with contextlib.suppress(OSError):  # some systems lock the file of a loaded library
            copy.unlink()


def _load(path: str) -> Library:
    try:
        return Library(path)
    except OSError as error:
        text = error.strerror or str(error)
        raise OSError(text.replace(f"{path}: ", "").replace(path, "the file")) from None


def unload(library: Library) -> None:
    """Unload a library, on systems where that is possible; its destructors run."""
    if os.name == "posix":
        _ctypes.dlclose(library._handle)
    if library._descriptor is not None:
        with contextlib.suppress(OSError):  # a program can close it
            os.close(library._descriptor)
        library._descriptor = None
