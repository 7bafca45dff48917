"""Opens a capture and detects its format from its content."""

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
        Unit of a time column without a unit in its header.

    Raises
    ------
    CaptureError
        If the file cannot be read, or is not a capture.
    """
    return parse_capture(_content(path), path, unit=unit)


def parse_capture(text: bytes, source: str, *, unit: str | None = None) -> Capture:
    """Read a capture from its content; `source` is its name in error texts.

    Raises
    ------
    CaptureError
        If it is not a capture.
    """
    _refuse_binary(text, source)
    if vcd_reader.looks_like(text[:_HEAD]):
        if unit is not None:
            raise CaptureError(f"{source}: is VCD, which contains its unit; leave out --unit")
        return vcd_reader.read(text, source)
    return csv_reader.read(text, source, unit)


def _content(path: str) -> bytes:
    """Return the content of a regular file; nothing else is opened, because a pipe could block."""
    try:
        status = os.stat(path)
        if not stat.S_ISREG(status.st_mode):
            kind = "a folder" if stat.S_ISDIR(status.st_mode) else "not a regular file"
            raise CaptureError(f"{path}: is {kind}; give a file with a capture")
        if status.st_size > LARGEST_BYTES:
            raise CaptureError(
                f"{path}: is {status.st_size / 1e6:.0f} MB; allowed: up to {LARGEST_BYTES / 1e6:.0f} MB. "
                "Export edges instead of samples, or a shorter time"
            )
        with open(path, "rb") as file:
            return file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror or error}; {_ALLOWED}") from None
    except ValueError:  # a null byte in the name
        raise CaptureError(f"{path!a}: is not a file name; {_ALLOWED}") from None


def _refuse_binary(text: bytes, source: str) -> None:
    if not text.strip():
        raise CaptureError(f"{source}: is empty; {_ALLOWED}")
    for magic, name in _PACKED.items():
        if text.startswith(magic):
            raise CaptureError(f"{source}: is compressed with {name}; unpack it first")
    head = text[:_HEAD]
    is_wide = head[:2] in (b"\xff\xfe", b"\xfe\xff")
    if not is_wide and any(byte < 9 or 13 < byte < 32 for byte in head):
        raise CaptureError(f"{source}: is binary; {_ALLOWED}. Export the capture from the analyser's program")
