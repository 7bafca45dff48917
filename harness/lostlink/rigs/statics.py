"""A library as it was when it was loaded, without loading it again: its writable memory is restored.

That is the same as loading it anew only if nothing of the program is left elsewhere. It is done for a library (ELF of
64 bits, on Linux) without constructors, destructors and thread-local variables, which imports nothing but functions
that keep nothing of it (`_KEEPS_NOTHING`): no heap, no threads, no files, no handlers. The layout is that of the
System V ABI (gABI 4.1, chapters 4 and 5) and ``elf.h``.
"""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import re
import struct
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

_HEADER: Final = struct.Struct("<16sHHIQQQIHHHHHH")
_SEGMENT: Final = struct.Struct("<IIQQQQQQ")
_SECTION: Final = struct.Struct("<IIQQQQIIQQ")
_SYMBOL: Final = struct.Struct("<IBBHQQ")
_ENTRY: Final = struct.Struct("<QQ")
_ELF64: Final = b"\x7fELF\x02\x01\x01"
_SHARED: Final = 3
_LOAD, _DYNAMIC, _THREAD_LOCAL, _RELRO = 1, 2, 7, 0x6474E552
_WRITABLE: Final = 2
_SYMBOLS: Final = 11
_NEEDED, _INIT, _FINI, _INIT_BYTES, _FINI_BYTES, _PREINIT_BYTES = 1, 12, 13, 27, 28, 33
_POINTER: Final = 8

_LIBRARIES: Final = re.compile(r"(lib(c|m|gcc_s|stdc\+\+)|ld-linux[\w-]*)\.so(\.\d+)*|(libc|ld)[.-]musl-\w+\.so\.1")
_PURE: Final = """
    memcpy memmove memset memcmp memchr memrchr bcmp bzero bcopy strlen strnlen strcmp strncmp strcpy strncpy strcat
    strncat strchr strrchr strstr strspn strcspn abs labs llabs div ldiv lldiv atoi atol snprintf vsnprintf sprintf
    printf puts putchar putc fputc fputs fprintf fwrite stdout stderr abort
    __memcpy_chk __memmove_chk __memset_chk __strcpy_chk __strncpy_chk __strcat_chk __snprintf_chk __vsnprintf_chk
    __sprintf_chk __printf_chk __fprintf_chk __stack_chk_fail __stack_chk_guard __chk_fail __assert_fail
    __errno_location __gmon_start__ __cxa_finalize __cxa_guard_acquire __cxa_guard_release __cxa_pure_virtual
    __gxx_personality_v0 _ZTVN10__cxxabiv117__class_type_infoE _ZTVN10__cxxabiv120__si_class_type_infoE
    _ZTVN10__cxxabiv121__vmi_class_type_infoE _ITM_registerTMCloneTable _ITM_deregisterTMCloneTable
"""
_OF_NUMBERS: Final = """
    sin cos tan asin acos atan atan2 sinh cosh tanh exp exp2 expm1 log log2 log10 log1p pow sqrt cbrt hypot fabs floor
    ceil round lround llround trunc rint lrint nearbyint fmod remainder fmin fmax fma copysign ldexp frexp
"""
_KEEPS_NOTHING: Final = {*_PURE.split(), *(f"{name}{kind}" for name in _OF_NUMBERS.split() for kind in ("", "f", "l"))}


@dataclass(frozen=True, slots=True)
class _Elf:
    """What of a library's file matters here.

    Attributes
    ----------
    segments : list of tuple
        Type, flags, offset, address, physical address, size in the file, size in memory, alignment.
    dynamic : list of (int, int)
        Tag and value.
    strings : bytes
        The names of symbols and libraries.
    symbols : list of tuple
        Name, info, visibility, section, value, size.
    sections : dict of str to (int, int)
        First address and the one after the last, by name.
    """

    segments: list[tuple[int, ...]]
    dynamic: list[tuple[int, int]]
    strings: bytes
    symbols: list[tuple[int, ...]]
    sections: dict[str, tuple[int, int]]

    @classmethod
    def read(cls, content: bytes) -> _Elf:
        """Read a file.

        Raises
        ------
        ValueError, IndexError, struct.error
            If it is not a library of this kind.
        """
        header = _HEADER.unpack_from(content)
        if not header[0].startswith(_ELF64) or header[1] != _SHARED:
            raise ValueError("no shared library of 64 bits")
        segments = _rows(_SEGMENT, content, header[5], header[10])
        sections = _rows(_SECTION, content, header[6], header[12])
        (table,) = (section for section in sections if section[1] == _SYMBOLS)
        (dynamic,) = (segment for segment in segments if segment[0] == _DYNAMIC)
        names, strings = sections[header[13]], sections[table[6]]
        section_names = content[names[4] :][: names[5]]
        return cls(
            segments,
            [(entry[0], entry[1]) for entry in _rows(_ENTRY, content, dynamic[2], dynamic[5] // _ENTRY.size)],
            content[strings[4] :][: strings[5]],
            _rows(_SYMBOL, content, table[4], table[5] // _SYMBOL.size),
            {_text(section_names, one[0]): (one[3], one[3] + one[5]) for one in sections},
        )

    def values(self, tag: int) -> list[int]:
        return [value for known, value in self.dynamic if known == tag]

    def name(self, at: int) -> str:
        return _text(self.strings, at)

    def imports(self) -> set[str]:
        return {self.name(symbol[0]) for symbol in self.symbols if symbol[3] == 0} - {""}


def _rows(row: struct.Struct, content: bytes, offset: int, count: int) -> list[tuple[int, ...]]:
    return [row.unpack_from(content, offset + number * row.size) for number in range(count)]


def _text(strings: bytes, at: int) -> str:
    return strings[at : strings.index(b"\0", at)].decode("utf-8", "replace")


def unfit(content: bytes) -> str:
    """Return why the memory of a library cannot be restored; empty if it can.

    Parameters
    ----------
    content : bytes
        Of the library's file.
    """
    if sys.platform != "linux":
        return "another system"
    try:
        elf = _Elf.read(content)
        if any(segment[0] == _THREAD_LOCAL for segment in elf.segments):
            return "thread-local variables"
        if why := _at_begin_and_end(elf):
            return why
        others = [name for value in elf.values(_NEEDED) if not _LIBRARIES.fullmatch(name := elf.name(value))]
        unknown = others or sorted(elf.imports() - _KEEPS_NOTHING)
    except (ValueError, IndexError, struct.error) as error:
        return str(error)
    return f"needs {', '.join(unknown[:3])}" if unknown else ""


def _at_begin_and_end(elf: _Elf) -> str:
    """Return whether code of the program runs when it is loaded or unloaded.

    The compiler's own start-up code has a section and one entry of the table.
    """
    for what, tag, table, name in (
        ("constructors", _INIT, _INIT_BYTES, ".init"), ("destructors", _FINI, _FINI_BYTES, ".fini"),
    ):  # fmt: skip
        first, after = elf.sections.get(name, (0, 0))
        codes = elf.values(tag)
        if not all(first <= code < after for code in codes) or sum(elf.values(table)) > _POINTER * len(codes):
            return what
    return "constructors" if sum(elf.values(_PREINIT_BYTES)) else ""


class Statics:
    """The writable memory of a library, as it was when it was loaded.

    Parameters
    ----------
    ranges : list of (int, int)
        First address and the one after the last.
    """

    def __init__(self, ranges: list[tuple[int, int]]) -> None:
        self._kept = [(first, ctypes.string_at(first, after - first), after - first) for first, after in ranges]

    @classmethod
    def of(cls, content: bytes, library: Any, function: str) -> Statics | None:
        """Return the memory of a library that was just loaded; None if it must be loaded again.

        Parameters
        ----------
        content : bytes
            Of the library's file.
        library : ctypes.CDLL
        function : str
            Name of one of its functions.
        """
        if unfit(content):
            return None
        elf = _Elf.read(content)
        places = [symbol[4] for symbol in elf.symbols if elf.name(symbol[0]) == function and symbol[3]]
        address = ctypes.cast(getattr(library, function), ctypes.c_void_p).value
        if len(places) != 1 or address is None:
            return None
        ranges = [(address - places[0] + first, address - places[0] + after) for first, after in _writable(elf)]
        return cls(ranges) if all(_is_mapped(*each) for each in ranges) else None

    def restore(self) -> None:
        """Let all variables of the library be as at its start."""
        for first, content, size in self._kept:
            ctypes.memmove(first, content, size)


def _writable(elf: _Elf) -> Iterator[tuple[int, int]]:
    """Yield the pages of the writable segments, without those that the loader protects after relocation."""
    page = mmap.PAGESIZE
    protected = [
        (segment[3] // page * page, (segment[3] + segment[6]) // page * page)
        for segment in elf.segments
        if segment[0] == _RELRO
    ]
    for segment in elf.segments:
        if segment[0] != _LOAD or not segment[1] & _WRITABLE or not segment[6]:
            continue
        first, after = segment[3] // page * page, -(-(segment[3] + segment[6]) // page) * page
        for low, high in protected:
            if first <= low < high <= after:
                yield from ((first, low),) if first < low else ()
                first = high
        if first < after:
            yield first, after


def _is_mapped(first: int, after: int) -> bool:
    """Return whether a range of addresses can be read and written."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/maps").read_text("ascii", "replace").splitlines():
            addresses, rights = line.split()[:2]
            begin, end = (int(number, 16) for number in addresses.split("-"))
            if rights.startswith("rw") and begin <= first < end:
                first = end
            if first >= after:
                return True
    return False
