"""Opens a capture and detects its format from its content."""

from __future__ import annotations

import codecs
import io
import os
import stat
from typing import BinaryIO, Final

from lostlink.captures import csv_reader, vcd_reader
from lostlink.captures.blocks import BLOCK
from lostlink.captures.signals import Capture
from lostlink.errors import CaptureError

_HEAD: Final = 4096
_ALLOWED: Final = "allowed: VCD, or CSV of edges or samples"
_CONTROL: Final = bytes([*range(9), *range(14, 32)])
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
    try:
        status = _status(path)
        if not stat.S_ISREG(status.st_mode):  # a pipe could block
            kind = "a folder" if stat.S_ISDIR(status.st_mode) else "not a regular file"
            raise CaptureError(f"{path}: is {kind}; give a file with a capture")
        with open(path, "rb") as file:
            return _parse(file, path, unit)
    except OSError as error:
        raise CaptureError(f"{path}: {error.strerror or error}; {_ALLOWED}") from None


def _status(path: str) -> os.stat_result:
    try:
        return os.stat(path)
    except ValueError:  # a null byte in the name
        raise CaptureError(f"{path!a}: is not a file name; {_ALLOWED}") from None


def parse_capture(text: bytes, source: str, *, unit: str | None = None) -> Capture:
    """Read a capture from its content; `source` is its name in error texts.

    Raises
    ------
    CaptureError
        If it is not a capture.
    """
    return _parse(io.BytesIO(text), source, unit)


def _parse(file: BinaryIO, source: str, unit: str | None) -> Capture:
    head = file.read(_HEAD)
    _refuse_binary(head, file, source)
    file.seek(0)
    if vcd_reader.looks_like(head):
        if unit is not None:
            raise CaptureError(f"{source}: is VCD, which contains its unit; leave out --unit")
        return vcd_reader.read(file, source)
    return csv_reader.read(file, source, unit)


def _refuse_binary(head: bytes, file: BinaryIO, source: str) -> None:
    if not head.strip() and not any(block.strip() for block in iter(lambda: file.read(BLOCK), b"")):
        raise CaptureError(f"{source}: is empty; {_ALLOWED}")
    for magic, name in _PACKED.items():
        if head.startswith(magic):
            raise CaptureError(f"{source}: is compressed with {name}; unpack it first")
    is_wide = head[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    if not is_wide and head != head.translate(None, _CONTROL):
        raise CaptureError(f"{source}: is binary; {_ALLOWED}. Export the capture from the analyser's program")
