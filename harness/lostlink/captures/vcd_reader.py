"""Reads Value Change Dump files: IEEE 1364-2005 clause 18, four-state. Pure: an open file in, `Capture` out.

A file consists of tokens separated by white space. The declarations end with ``$enddefinitions``; then come time stamps
(``#5``) and changes (``1!``, ``b01 !``, ``r1.5 !``). Wires of one bit are kept, others are skipped. Values of
nine-state dumps (h, l, u, w, -) are accepted. Undeclared wires, decreasing time stamps and truncated files are errors.

After the first time stamp a block of the file with nothing but correct time stamps and changes is taken as a whole
(`_VcdReader._take`). Any other block is parsed token by token, which alone finds errors.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import cached_property
from typing import BinaryIO, Final, TypeVar

import numpy as np

from lostlink.captures.blocks import BLOCK, EIGHT, LONGEST, Block, OddBlockError, Words, as_eight, count_lines, require
from lostlink.captures.signals import (
    LONGEST_PS,
    PS_PER_UNIT,
    UNKNOWN,
    Capture,
    Ints,
    Levels,
    Values,
    printable,
    refuse_more_edges,
)
from lostlink.errors import CaptureError

_PS_PER_UNIT: Final = {**{unit: Fraction(ps) for unit, ps in PS_PER_UNIT.items()}, "fs": Fraction(1, 1000)}
_TIMESCALE = re.compile(r"(1|10|100)\s*(s|ms|us|ns|ps|fs)")
_VALUES: Final = {
    ord(letter): value
    for letters, value in (("0lL", 0), ("1hH", 1), ("xXzZuUwW-", UNKNOWN))
    for letter in letters
}  # fmt: skip
_NOT_WIRES: Final = {"real", "realtime", "event", "string", "parameter"}
_DUMPS: Final = {b"$dumpvars", b"$dumpall", b"$dumpoff", b"$dumpon", b"$end"}
_LONGEST_STAMP: Final = 40
_HEAD: Final = 1 << 10
"""Size of a block up to the first time stamp, in bytes."""
_SPACES: Final = (b" ", b"\t", b"\r", b"\v", b"\f")

# What a word is, by its first byte; 0, 1 and `UNKNOWN` are changes to that value.
_TIME, _BITS, _REAL, _COMMAND, _VECTOR, _NOTHING = range(UNKNOWN + 1, UNKNOWN + 7)
_KIND: Final = np.full(256, _NOTHING, np.uint8)
for _letters, _kind in ((b"#", _TIME), (b"bB", _BITS), (b"rRsS", _REAL), (b"$", _COMMAND)):
    _KIND[list(_letters)] = _kind
_KIND[list(_VALUES)] = list(_VALUES.values())

_Steps = TypeVar("_Steps", int, Ints)


class _Wire:
    def __init__(self) -> None:
        self.names: list[str] = []
        self.values = Values()


def looks_like(text: bytes) -> bool:
    """Return whether the beginning of a file looks like a dump."""
    return text.lstrip()[:1] == b"$"


def read(file: BinaryIO, source: str) -> Capture:
    """Read a dump.

    Parameters
    ----------
    file : binary file
        At its beginning.
    source : str
        Its name in error texts.

    Raises
    ------
    CaptureError
        If it does not conform to the standard, or is truncated.
    """
    return _VcdReader(file, source).read()


class _VcdReader:
    """Parser of one file; reads the tokens once and counts lines."""

    def __init__(self, file: BinaryIO, source: str) -> None:
        self._file, self._source = file, source
        self._line = self._block_line = 1
        self._whole_lines = True
        self._tokens = self._split()
        self._within = False  # a vector, or a section that ends with $end
        self._step_ps = Fraction(0)
        self._scopes: list[str] = []
        self._wires: dict[bytes, _Wire | None] = {}  # None: declared, but no wire of one bit
        self._first: int | None = None
        self._stamp = 0
        self._now_ps = 0
        self._changed_ps = 0
        self._fresh_stamp = False  # nothing has followed the newest time stamp
        self._notes: list[str] = []

    def _split(self) -> Iterator[bytes]:
        """Yield the tokens of all blocks but those that are taken as a whole."""
        for block in self._blocks():
            first_line = self._block_line
            if not self._is_taken(block):
                for self._line, line in enumerate(io.BytesIO(block), first_line):
                    yield from line.split()
            self._block_line += count_lines(block)
            edges = sum(len(wire.values.value) for wire in self._wires.values() if wire is not None)
            refuse_more_edges(edges, self._source)

    def _blocks(self) -> Iterator[bytes]:
        """Yield the file in blocks that end with a line or, in a longer line, with white space."""
        rest = b""
        while piece := self._file.read(_HEAD if self._first is None else BLOCK):
            self._whole_lines = piece.endswith((b"\n", b"\r"))
            text = rest + piece
            end = 1 + text.rfind(b"\n") or 1 + max(text.rfind(space) for space in _SPACES)
            rest = text[end:]
            if len(rest) > LONGEST:
                self._line = self._block_line
                raise self._fault(f"a word of more than {LONGEST / 1e6:.0f} MB; is it VCD?")
            yield text[:end]
        yield rest

    def _next(self) -> bytes | None:
        """Return the next token, whatever it would be at its place; None at the end of the file."""
        self._within = True
        token = next(self._tokens, None)
        self._within = False
        return token

    def _fault(self, problem: str) -> CaptureError:
        return CaptureError(f"{self._source}, line {self._line}: {problem}")

    def read(self) -> Capture:
        self._declarations()
        self._changes()
        end_ps = self._now_ps
        if self._fresh_stamp and not self._whole_lines:
            end_ps = self._changed_ps
            self._notes.append("the file ends in the middle of a line; its last time stamp was left out")
        wires = (wire for wire in self._wires.values() if wire is not None)
        return Capture(
            source=self._source,
            form="VCD",
            signals=tuple(wire.values.signal(wire.names[0], tuple(wire.names[1:]), end_ps) for wire in wires),
            origin_ps=self._to_ps(self._first or 0),
            end_ps=end_ps,
            unit_ps=max(1, self._to_ps(1)),
            notes=tuple(self._notes),
        )

    # --- declarations ---------------------------------------------------------------------------------------

    def _words(self, keyword: str) -> list[str]:
        words: list[str] = []
        line = self._line
        while (token := self._next()) is not None:
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
        if not self._step_ps:
            raise self._fault("no $timescale before $enddefinitions, such as $timescale 1 us $end")
        if not any(self._wires.values()):
            raise self._fault("no wire of one bit is declared, such as $var wire 1 ! ppm $end")

    def _timescale(self, words: list[str]) -> None:
        match = _TIMESCALE.fullmatch(" ".join(words))
        if match is None:
            raise self._fault(
                f"$timescale {printable(' '.join(words))!r}; allowed: 1, 10 or 100 with s, ms, us, ns, ps or fs"
            )
        if self._step_ps:
            raise self._fault("a second $timescale; delete one")
        self._step_ps = int(match[1]) * _PS_PER_UNIT[match[2]]

    def _var(self, words: list[str]) -> None:
        if len(words) < 4 or not words[1].isdecimal():
            raise self._fault(f"$var {printable(' '.join(words))!r}; allowed: $var type size id name $end")
        code = words[2].encode("latin-1")
        name = printable(".".join([*self._scopes, "".join(words[3:])]))
        if words[0] in _NOT_WIRES or words[1] != "1":
            self._wires.setdefault(code, None)
            return
        wire = self._wires.setdefault(code, _Wire())
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

    def _to_ps(self, steps: _Steps) -> _Steps:
        ps, of_steps = self._step_ps.as_integer_ratio()
        return (steps * ps + of_steps // 2) // of_steps

    def _time(self, token: bytes) -> None:
        digits = token[1:]
        if not digits.isdigit() or len(digits) > _LONGEST_STAMP:
            raise self._fault_at_end(f"time stamp {_shown(token)}; allowed: # and a whole number")
        stamp = int(digits)
        if self._first is None:
            # Values before the first time stamp are those at time 0 (IEEE 1364); without any the capture begins here.
            has_values = any(wire is not None and wire.values.value for wire in self._wires.values())
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
        if self._next() is None:
            problem = f"the file is cut off ({problem}); export it again, or delete its last line"
        self._line = line
        return self._fault(problem)

    def _change(self, code: bytes, value: int) -> None:
        if code not in self._wires:
            raise self._fault_at_end(f"a change of {_shown(code)}, which no $var declares")
        wire = self._wires[code]
        self._fresh_stamp, self._changed_ps = False, self._now_ps
        if wire is not None:
            wire.values.append(self._now_ps, value)

    def _other(self, token: bytes) -> None:
        """Parse a vector, a real, a dump keyword or a comment."""
        lead = token[:1]
        if lead in b"bBrRsS":
            code = self._next()
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

    # --- whole blocks ---------------------------------------------------------------------------------------

    def _is_taken(self, text: bytes) -> bool:
        """Take a block if there are only time stamps, changes and dump commands in it, and no errors."""
        try:
            require(self._first is not None and not self._within)
            self._take(Block(text))
        except OddBlockError:
            return False
        return True

    def _take(self, block: Block) -> None:
        start, stop = block.words()
        kind, code_start = _changes(block, start, stop)
        for at in np.flatnonzero(kind == _COMMAND).tolist():
            require(block.bytes[start[at] : stop[at]].tobytes() in _DUMPS)
        is_time = kind == _TIME
        stamps = block.numbers(start[is_time] + 1, stop[is_time])
        now_ps = np.append(self._now_ps, self._instants_ps(stamps))
        changes = np.flatnonzero(kind <= UNKNOWN)
        which = self._which(block, code_start[changes], stop[changes])
        at_ps = now_ps[np.cumsum(is_time)[changes]]
        # Nothing below can fail.
        self._add(which, at_ps, kind[changes])
        if len(stamps):
            self._stamp, self._now_ps, self._fresh_stamp = int(stamps[-1]), int(now_ps[-1]), True
        if len(changes):
            self._changed_ps = int(at_ps[-1])
            self._fresh_stamp = bool(is_time[changes[-1] :].any())

    def _instants_ps(self, stamps: Ints) -> Ints:
        if not len(stamps):
            return stamps
        first = self._first or 0
        require(int(stamps[0]) >= self._stamp and (stamps[1:] >= stamps[:-1]).all())
        require(self._to_ps(int(stamps[-1]) - first) <= LONGEST_PS)
        return self._to_ps(stamps - first)

    @cached_property
    def _codes(self) -> tuple[Words, list[_Wire | None]]:
        """Codes of up to eight bytes as `Block.eights` gives them, in ascending order, and their wires."""
        wires = {as_eight(code): wire for code, wire in self._wires.items() if len(code) <= EIGHT and b"\0" not in code}
        codes = sorted(wires)
        return np.array(codes, np.uint64), [wires[code] for code in codes]

    def _which(self, block: Block, start: Ints, stop: Ints) -> Ints:
        """Return for each code its index in `_codes`."""
        codes, _ = self._codes
        length = stop - start
        require(len(codes) > 0 and (length <= EIGHT).all())
        code = block.eights(start, length)
        which = np.minimum(np.searchsorted(codes, code), len(codes) - 1)
        require((codes[which] == code).all())
        return which

    def _add(self, which: Ints, at_ps: Ints, value: Levels) -> None:
        _, wires = self._codes
        order = np.argsort(which.astype(np.min_scalar_type(len(wires))), kind="stable")
        count = np.bincount(which, minlength=len(wires))
        end = np.cumsum(count)
        for index in np.flatnonzero(count).tolist():
            wire, mine = wires[index], order[end[index] - count[index] : end[index]]
            if wire is not None:
                wire.values.extend(at_ps[mine], value[mine])


def _changes(block: Block, start: Ints, stop: Ints) -> tuple[Levels, Ints]:
    """Return what each word is, and where the code of a change begins; a vector's change is at its code."""
    kind = _KIND[block.bytes[start]]
    is_vector = (kind == _BITS) | (kind == _REAL)
    code_start = start + 1
    if is_vector.any():
        # Of words in a row that look like vectors every second one is a code.
        place = np.arange(len(kind))
        before = np.maximum.accumulate(np.where(is_vector, -1, place))
        is_vector &= (place - before) % 2 == 1
        require(not is_vector[-1])
        last = _KIND[block.bytes[stop - 1]]
        value = np.where((kind == _BITS) & (stop - start > 1), last, UNKNOWN)[is_vector]
        require((value <= UNKNOWN).all())
        codes = np.flatnonzero(is_vector) + 1
        kind[is_vector] = _VECTOR
        kind[codes] = value
        code_start[codes] -= 1
    require((kind != _NOTHING).all())
    return kind, code_start


def _shown(token: bytes) -> str:
    return repr(printable(token.decode("latin-1")))
