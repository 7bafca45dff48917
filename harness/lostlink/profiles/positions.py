"""Positions of keys and values in a TOML text, which `tomllib` does not give.

Only for texts that `tomllib` has accepted: nothing is checked.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_PLAIN = re.compile(r"[^,\]}\n#]*")
_STRINGS = tuple(
    re.compile(pattern, re.DOTALL)
    for pattern in (r'"""(?:\\.|(?!""").)*"{3,5}', r"'''(?:(?!''').)*'{3,5}", r'"(?:\\.|[^"\\\n])*"', r"'[^'\n]*'")
)
_ESCAPE = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", re.DOTALL)
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


@dataclass(frozen=True, slots=True)
class Position:
    """Offsets of a key (or table header) and of its value in the text."""

    key: int
    value: int


def line_and_column(text: str, offset: int) -> tuple[int, int]:
    """Return line and column of an offset, both from 1."""
    return text.count("\n", 0, offset) + 1, offset - (text.rfind("\n", 0, offset) + 1) + 1


def find_positions(text: str) -> dict[Path, Position]:
    """Return the position of every table, key and array element of a valid TOML text."""
    return _Walker(text).walk()


class _Walker:
    def __init__(self, text: str) -> None:
        self._text = text
        self._offset = 0
        self._positions: dict[Path, Position] = {}
        self._tables: dict[Path, int] = {}  # arrays of tables, by path: elements so far

    def walk(self) -> dict[Path, Position]:
        table: Path = ()
        while True:
            self._skip(_BLANK)
            if self._offset >= len(self._text):
                return self._positions
            start = self._offset
            if self._text.startswith("[[", start):
                table = self._resolved(self._key(2), start, last_is_array=True)
                self._offset += 2
                self._positions[table] = Position(start, start)
            elif self._text[start] == "[":
                table = self._resolved(self._key(1), start, last_is_array=False)
                self._offset += 1
                self._positions.setdefault(table, Position(start, start))
            else:
                self._pair(table)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._offset)
        assert match is not None
        self._offset = match.end()
        return match[0]

    def _key(self, opening: int) -> list[str]:
        self._offset += opening
        parts = []
        while True:
            self._skip(_SPACE)
            if self._text[self._offset] in "\"'":
                raw = self._string()
                parts.append(raw[1:-1] if raw[0] == "'" else _ESCAPE.sub(_unescape, raw[1:-1]))
            else:
                parts.append(self._skip(_BARE))
            self._skip(_SPACE)
            if not self._text.startswith(".", self._offset):
                return parts
            self._offset += 1

    def _resolved(self, parts: list[str], start: int, *, last_is_array: bool) -> Path:
        """Return a header's path with the index in each array of tables."""
        path: Path = ()
        for number, part in enumerate(parts):
            path += (part,)
            if number == len(parts) - 1 and last_is_array:
                self._positions.setdefault(path, Position(start, start))
                self._tables[path] = self._tables.get(path, -1) + 1
            if path in self._tables:
                path += (self._tables[path],)
        return path

    def _pair(self, table: Path) -> None:
        start = self._offset
        path = table + tuple(self._key(0))
        self._offset += 1  # "="
        self._skip(_SPACE)
        for end in range(len(table) + 1, len(path)):
            self._positions.setdefault(path[:end], Position(start, start))
        self._positions[path] = Position(start, self._offset)
        self._value(path)

    def _string(self) -> str:
        for pattern in _STRINGS:
            if match := pattern.match(self._text, self._offset):
                self._offset = match.end()
                return match[0]
        raise ValueError(f"no string at offset {self._offset}")

    def _value(self, path: Path) -> None:
        first = self._text[self._offset]
        if first in "\"'":
            self._string()
        elif first == "[":
            self._offset += 1
            number = 0
            while self._next("]"):
                self._positions[(*path, number)] = Position(self._offset, self._offset)
                self._value((*path, number))
                number += 1
        elif first == "{":
            self._offset += 1
            while self._next("}"):
                self._pair(path)
        else:
            self._skip(_PLAIN)

    def _next(self, closing: str) -> bool:
        """Go to the next element; return False after the closing bracket."""
        self._skip(_BLANK)
        if self._text[self._offset] == ",":
            self._offset += 1
            self._skip(_BLANK)
        if self._text[self._offset] == closing:
            self._offset += 1
            return False
        return True


def _unescape(match: re.Match[str]) -> str:
    code = match[1]
    return chr(int(code[1:], 16)) if code[0] in "uU" and len(code) > 1 else _ESCAPED.get(code, code)
