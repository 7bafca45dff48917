"""Reads Value Change Dump files: IEEE 1364-2005 clause 18, four-state. Pure: bytes in, `Capture` out.

A file consists of tokens separated by white space. The declarations end with ``$enddefinitions``; then come time stamps
(``#5``) and changes (``1!``, ``b01 !``, ``r1.5 !``). Wires of one bit are kept, others are skipped. Values of
nine-state dumps (h, l, u, w, -) are accepted. Undeclared wires, decreasing time stamps and truncated files are errors.
"""

from __future__ import annotations

import io
import re
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from lostlink.captures.signals import LONGEST_PS, UNKNOWN, Capture, Signal, printable, settled
from lostlink.errors import CaptureError

_FS_PER_UNIT: Final = {"s": 10**15, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 1000, "fs": 1}
_FS_PER_PS: Final = 1000
_TIMESCALE = re.compile(r"(1|10|100)\s*(s|ms|us|ns|ps|fs)")
_VALUES: Final = {
    ord(letter): value
    for letters, value in (("0lL", 0), ("1hH", 1), ("xXzZuUwW-", UNKNOWN))
    for letter in letters
}  # fmt: skip
_NOT_WIRES: Final = {"real", "realtime", "event", "string", "parameter"}
_DUMPS: Final = {b"$dumpvars", b"$dumpall", b"$dumpoff", b"$dumpon", b"$end"}
_LONGEST_STAMP: Final = 40


@dataclass(slots=True)
class _Wire:
    names: list[str]
    at_ps: array[int] = field(default_factory=lambda: array("q"))
    value: bytearray = field(default_factory=bytearray)


def looks_like(text: bytes) -> bool:
    """Return whether the beginning of a file looks like a dump."""
    return text.lstrip()[:1] == b"$"


def read(text: bytes, source: str) -> Capture:
    """Read a dump.

    Parameters
    ----------
    text : bytes
        The whole file.
    source : str
        Its name in error texts.

    Raises
    ------
    CaptureError
        If it does not conform to the standard, or is truncated.
    """
    return _VcdReader(text, source).read()


class _VcdReader:
    """Parser of one file; reads the tokens once and counts lines."""

    def __init__(self, text: bytes, source: str) -> None:
        self._source = source
        self._line = 1
        self._whole_lines = text.endswith((b"\n", b"\r"))
        self._tokens = self._split(text)
        self._fs_per_step = 0
        self._scopes: list[str] = []
        self._wires: dict[bytes, _Wire | None] = {}  # None: declared, but no wire of one bit
        self._first: int | None = None
        self._stamp = 0
        self._now_ps = 0
        self._changed_ps = 0
        self._fresh_stamp = False  # nothing has followed the newest time stamp
        self._notes: list[str] = []

    def _split(self, text: bytes) -> Iterator[bytes]:
        for self._line, line in enumerate(io.BytesIO(text), 1):
            yield from line.split()

    def _fault(self, problem: str) -> CaptureError:
        return CaptureError(f"{self._source}, line {self._line}: {problem}")

    def read(self) -> Capture:
        self._declarations()
        self._changes()
        end_ps = self._now_ps
        if self._fresh_stamp and not self._whole_lines:
            end_ps = self._changed_ps
            self._notes.append("the file ends in the middle of a line; its last time stamp was left out")
        return Capture(
            source=self._source,
            form="VCD",
            signals=tuple(self._signals(end_ps)),
            origin_ps=self._to_ps(self._first or 0),
            end_ps=end_ps,
            unit_ps=max(1, self._to_ps(1)),
            notes=tuple(self._notes),
        )

    def _signals(self, end_ps: int) -> Iterator[Signal]:
        for wire in self._wires.values():
            if wire is not None:
                at_ps, value = np.array(wire.at_ps, np.int64), np.frombuffer(bytes(wire.value), np.uint8)
                inside = at_ps <= end_ps
                yield settled(wire.names[0], tuple(wire.names[1:]), at_ps[inside], value[inside], end_ps)

    # --- declarations ---------------------------------------------------------------------------------------

    def _words(self, keyword: str) -> list[str]:
        words: list[str] = []
        line = self._line
        for token in self._tokens:
            if token == b"$end":
                return words
            words.append(token.decode("latin-1"))
        self._line = line
        raise self._fault(f"{keyword} has no $end; the file is cut off. Export it again")

    def _declarations(self) -> None:
        sections: dict[bytes, Callable[[list[str]], None]] = {
            b"$timescale": self._timescale,
            b"$scope": lambda words: self._scopes.extend(words[-1:]),
            b"$upscope": lambda _: self._scopes.__delitem__(slice(-1, None)),
            b"$var": self._var,
        }
        for token in self._tokens:
            if token == b"$enddefinitions":
                self._words("$enddefinitions")
                break
            if token[:1] != b"$" or token == b"$end":
                raise self._fault(
                    f"{_shown(token)} where a declaration is expected; "
                    "allowed: $timescale, $scope, $var, $upscope, $comment, then $enddefinitions"
                )
            words = self._words(token.decode("latin-1"))
            if token in sections:
                sections[token](words)
        else:
            raise self._fault("the file ends without $enddefinitions; it is cut off, or not VCD. Export it again")
        if not self._fs_per_step:
            raise self._fault("no $timescale before $enddefinitions, such as $timescale 1 us $end")
        if not any(self._wires.values()):
            raise self._fault("no wire of one bit is declared, such as $var wire 1 ! ppm $end")

    def _timescale(self, words: list[str]) -> None:
        match = _TIMESCALE.fullmatch(" ".join(words))
        if match is None:
            raise self._fault(
                f"$timescale {printable(' '.join(words))!r}; allowed: 1, 10 or 100 with s, ms, us, ns, ps or fs"
            )
        if self._fs_per_step:
            raise self._fault("a second $timescale; delete one")
        self._fs_per_step = int(match[1]) * _FS_PER_UNIT[match[2]]

    def _var(self, words: list[str]) -> None:
        if len(words) < 4 or not words[1].isdecimal():
            raise self._fault(f"$var {printable(' '.join(words))!r}; allowed: $var type size id name $end")
        code = words[2].encode("latin-1")
        name = printable(".".join([*self._scopes, "".join(words[3:])]))
        if words[0] in _NOT_WIRES or words[1] != "1":
            self._wires.setdefault(code, None)
            return
        wire = self._wires.setdefault(code, _Wire([]))
        if wire is not None and name not in wire.names:
            wire.names.append(name)

    # --- changes --------------------------------------------------------------------------------------------

    def _changes(self) -> None:
        time, change, other, values = self._time, self._change, self._other, _VALUES
        for token in self._tokens:
            lead = token[0]
            if lead == 35:  # "#"
                time(token)
            elif lead in values:
                change(token[1:], values[lead])
            else:
                other(token)

    def _to_ps(self, steps: int) -> int:
        return (steps * self._fs_per_step + _FS_PER_PS // 2) // _FS_PER_PS

    def _time(self, token: bytes) -> None:
        digits = token[1:]
        if not digits.isdigit() or len(digits) > _LONGEST_STAMP:
            raise self._fault_at_end(f"time stamp {_shown(token)}; allowed: # and a whole number")
        stamp = int(digits)
        if self._first is None:
            # Values before the first time stamp are those at time 0 (IEEE 1364); without any the capture begins here.
            has_values = any(wire is not None and wire.at_ps for wire in self._wires.values())
            is_near = self._to_ps(stamp) <= LONGEST_PS
            self._first = self._stamp = stamp if not has_values else 0 if is_near else stamp - 1
        if stamp < self._stamp:
            raise self._fault_at_end(f"time runs backwards, from #{self._stamp} to #{stamp}")
        now_ps = self._to_ps(stamp - self._first)
        if now_ps > LONGEST_PS:
            raise self._fault(f"time stamp #{stamp} is more than a day after the first")
        self._stamp, self._now_ps, self._fresh_stamp = stamp, now_ps, True

    def _fault_at_end(self, problem: str) -> CaptureError:
        line = self._line
        if next(self._tokens, None) is None:
            problem = f"the file is cut off ({problem}); export it again, or delete its last line"
        self._line = line
        return self._fault(problem)

    def _change(self, code: bytes, value: int) -> None:
        if code not in self._wires:
            raise self._fault_at_end(f"a change of {_shown(code)}, which no $var declares")
        wire = self._wires[code]
        self._fresh_stamp, self._changed_ps = False, self._now_ps
        if wire is not None:
            wire.at_ps.append(self._now_ps)
            wire.value.append(value)

    def _other(self, token: bytes) -> None:
        """Parse a vector, a real, a dump keyword or a comment."""
        lead = token[:1]
        if lead in b"bBrRsS":
            code = next(self._tokens, None)
            if code is None:
                raise self._fault_at_end(f"{_shown(token)} without the code of its wire")
            value = _VALUES.get(token[-1]) if lead in b"bB" and len(token) > 1 else UNKNOWN
            if value is None:
                raise self._fault(f"{_shown(token)} is not a value; allowed: b and digits 0, 1, x, z")
            self._change(code, value)
        elif token == b"$comment":
            self._words("$comment")
        elif token not in _DUMPS:
            raise self._fault(
                f"{_shown(token)} is not a change; "
                "allowed: #time, 0id, 1id, xid, zid, b... id, r... id, $dumpvars, $dumpoff, $dumpon, $dumpall, $end"
            )


def _shown(token: bytes) -> str:
    return repr(printable(token.decode("latin-1")))
