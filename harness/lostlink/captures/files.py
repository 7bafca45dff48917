"""Opens a capture and decides by its content what it is."""

from __future__ import annotations

import os
import stat
from typing import Final

from lostlink.captures import csv_reader, vcd_reader
from lostlink.captures.signals import Capture
from lostlink.errors import CaptureError

LARGEST_BYTES: Final = 128_000_000
_HEAD: Final = 4096
_ALLOWED: Final = "allowed: VCD, or CSV of edges or samples"
_PACKED: Final = {b"\x1f\x8b": "gzip", b"PK\x03\x04": "zip", b"BZh": "bzip2", b"\xfd7zXZ": "xz"}


def read_capture(path: str, *, unit: str | None = None) -> Capture:
    """Read a capture from a file.

    Parameters
    ----------
    path : str
    unit : {"s", "ms", "us", "ns"}, optional
        Unit of a time column whose header does not say it.

    Raises
    ------
    CaptureError
        If it cannot be read, or is no capture.
    """
    return parse_capture(_content(path), path, unit=unit)


def parse_capture(text: bytes, source: str, *, unit: str | None = None) -> Capture:
    """Read a capture from its content; `source` is what error texts call it.

    Raises
    ------
    CaptureError
        If it is none.
    """
    _refuse_what_is_no_text(text, source)
    if vcd_reader.looks_like(text[:_HEAD]):
        if unit is not None:
            raise CaptureError(f"{source}: is VCD, which says its unit itself; allowed: no --unit")
        return vcd_reader.read(text, source)
    return csv_reader.read(text, source, unit)


def _content(path: str) -> bytes:
    """Return a regular file's content; nothing else is ever opened, so that a pipe cannot block."""
    try:
        found = os.stat(path)
        if not stat.S_ISREG(found.st_mode):
            kind = "a folder" if stat.S_ISDIR(found.st_mode) else "no ordinary file"
            raise CaptureError(f"{path}: is {kind}; allowed: a file with a capture")
        if found.st_size > LARGEST_BYTES:
            raise CaptureError(
                f"{path}: is {found.st_size / 1e6:.0f} MB; allowed: up to {LARGEST_BYTES / 1e6:.0f} MB. "
                "Export edges in place of samples, or a shorter time"
            )
        with open(path, "rb") as file:
            return file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror or error}; {_ALLOWED}") from None
    except ValueError:  # a null byte in the name
        raise CaptureError(f"{path!a}: is no file name; {_ALLOWED}") from None


def _refuse_what_is_no_text(text: bytes, source: str) -> None:
    if not text.strip():
        raise CaptureError(f"{source}: is empty; {_ALLOWED}")
    for magic, name in _PACKED.items():
        if text.startswith(magic):
            raise CaptureError(f"{source}: is packed with {name}; unpack it first. {_ALLOWED}")
    head = text[:_HEAD]
    is_wide = head[:2] in (b"\xff\xfe", b"\xfe\xff")
    if not is_wide and any(byte < 9 or 13 < byte < 32 for byte in head):
        raise CaptureError(f"{source}: is binary; {_ALLOWED}. Export the capture from the analyser's program")
