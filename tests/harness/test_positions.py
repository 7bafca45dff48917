"""Positions in a TOML text, held against `tomllib`."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from lostlink.profiles.positions import find_positions, line_and_column

FIXTURES = Path(__file__).parents[2] / "fixtures" / "profiles"

TEXT = '''\
name = "home"   # a comment with [brackets] and = signs
"quoted.key" = 1
dotted . "in ner" . x = 'a # b'
long = """
one ]
two \\""" } #
"""
raw = \'\'\'it's ''\'\'\'
mixed = [ 1, # one, two
  [2, 3],
  { a = "}", b = [ "]" ] },
]
when = 1979-05-27 07:32:00

[radio]
crc_bytes = 2
[[radio.losses]]
model = "x"
[radio.losses.more]
deep = true
[[radio.losses]]
model = "y"
[ tables . "with space" ]
last=0'''


def leaves(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    if isinstance(value, dict) and value:
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    elif isinstance(value, list) and value:
        for index, item in enumerate(value):
            yield from leaves(item, (*path, index))
    elif path:
        yield path, value


def stands_at(text: str, start: int, value: Any) -> bool:
    """Return whether some piece of `text` that begins at `start` is TOML for `value`."""
    if text[start].isspace():
        return False
    for end in range(start + 1, len(text) + 1):
        if end < len(text) and text[end] not in " \t\r\n,]}#":
            continue  # no value ends before anything else
        try:
            if tomllib.loads(f"v = {text[start:end]}")["v"] == value:
                return True
        except tomllib.TOMLDecodeError:
            continue
    return False


def check(text: str) -> None:
    found = find_positions(text)
    for path, value in leaves(tomllib.loads(text)):
        assert path in found, path
        if value in ({}, []) and text[found[path].value] == "[" and text[found[path].key] == "[":
            continue  # an empty table has a header only
        assert stands_at(text, found[path].value, value), (path, text[found[path].value :][:20])


def test_every_way_to_write_a_key_and_a_value() -> None:
    check(TEXT)


def test_windows_line_ends() -> None:
    check(TEXT.replace("\n", "\r\n"))


def test_arrays_of_tables_within_arrays_of_tables() -> None:
    text = "[[a]]\n[[a.b]]\nx = 1\n[[a.b]]\n[[a]]\n[a.c]\n[[a.b]]\nx = 2\n[a.b.d]\ny = 3\n"
    check(text)
    found = find_positions(text)
    assert line_and_column(text, found["a", 0, "b", 0, "x"].value) == (3, 5)
    assert line_and_column(text, found["a", 1, "b", 0, "x"].value) == (8, 5)
    assert line_and_column(text, found["a", 1, "b", 0, "d", "y"].value) == (10, 5)


@pytest.mark.parametrize("name", sorted(path.name for path in FIXTURES.glob("*.toml")))
def test_shipped_profiles(name: str) -> None:
    check((FIXTURES / name).read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("path", "key", "value"),
    [
        (("name",), (1, 1), (1, 8)),
        (("quoted.key",), (2, 1), (2, 16)),
        (("dotted", "in ner", "x"), (3, 1), (3, 25)),
        (("raw",), (8, 1), (8, 7)),
        (("mixed", 1, 0), (10, 4), (10, 4)),
        (("mixed", 2, "b", 0), (11, 20), (11, 20)),
        (("radio",), (15, 1), (15, 1)),
        (("radio", "losses", 0), (17, 1), (17, 1)),
        (("radio", "losses", 0, "more", "deep"), (20, 1), (20, 8)),
        (("radio", "losses", 1, "model"), (22, 1), (22, 9)),
        (("tables", "with space", "last"), (24, 1), (24, 6)),
    ],
)
def test_line_and_column(path: tuple[str | int, ...], key: tuple[int, int], value: tuple[int, int]) -> None:
    place = find_positions(TEXT)[path]
    assert line_and_column(TEXT, place.value) == value
    if not isinstance(path[-1], int) or path[-2] == "losses":
        assert line_and_column(TEXT, place.key) == key


# --- any text -----------------------------------------------------------------------------------------------------

NAMES = st.one_of(
    st.text("abcXYZ019_-", min_size=1, max_size=4),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=4),
)
WORDS = st.text(st.sampled_from("ab \"'\\#[]{}=,.\nµ"), max_size=8)


def quoted_key(name: str) -> str:
    return name if name and all(c in "abcXYZ019_-" for c in name) else json.dumps(name, ensure_ascii=False)


@st.composite
def strings(draw: st.DrawFn) -> str:
    word = draw(WORDS)
    style = draw(st.sampled_from(["basic", "literal", "long", "long literal"]))
    if style == "literal" and not set(word) & set("'\n"):
        return f"'{word}'"
    if style == "long":
        return '"""\n' + word.replace("\\", "\\\\").replace('"', '\\"') + '"""'
    if style == "long literal" and "''" not in word and not word.endswith("'"):
        return f"'''{word}'''"
    return json.dumps(word, ensure_ascii=False)


SCALARS = st.one_of(
    strings(),
    st.integers(-(10**6), 10**6).map(str),
    st.floats(-1e6, 1e6).map(lambda x: f"{x:.3f}"),
    st.sampled_from(["true", "false", "1979-05-27", "07:32:00", "0xff"]),
)
GAPS = st.sampled_from(["", " ", "\n  ", " # ] } , =\n"])


@st.composite
def arrays(draw: st.DrawFn, inner: st.SearchStrategy[str]) -> str:
    items = draw(st.lists(inner, max_size=3))
    body = "".join(f"{draw(GAPS)}{item}{draw(GAPS)}," for item in items)
    return f"[{body}{draw(GAPS)}]"


@st.composite
def inline_tables(draw: st.DrawFn, inner: st.SearchStrategy[str]) -> str:
    table = draw(st.dictionaries(NAMES, inner, max_size=3))
    return "{ " + ", ".join(f"{quoted_key(key)} = {value}" for key, value in table.items()) + " }"


VALUES = st.recursive(SCALARS, lambda inner: arrays(inner) | inline_tables(inner), max_leaves=6)


@st.composite
def documents(draw: st.DrawFn) -> str:
    def pairs(names: dict[str, str]) -> str:
        lines = ""
        for name, value in names.items():
            dotted = f"{quoted_key(name)} . {quoted_key(draw(NAMES))}" if draw(st.booleans()) else quoted_key(name)
            lines += f"{draw(st.sampled_from(['', '  ']))}{dotted} = {value}{draw(st.sampled_from(['', ' # x']))}\n"
        return lines

    contents = st.dictionaries(NAMES, VALUES, max_size=3)
    text = pairs(draw(contents))
    for number in range(draw(st.integers(0, 3))):
        many = draw(st.integers(0, 2))
        for _ in range(many):
            text += f"[[ table{number} ]]\n{pairs(draw(contents))}"
            if draw(st.booleans()):
                text += f'[table{number} . "s u b"]\n{pairs(draw(contents))}'
        if not many:
            text += f"[table{number}]\n{pairs(draw(contents))}"
    return text


def test_every_leaf_of_any_text_has_its_place(long: bool) -> None:
    """``--long``: of 100 texts."""
    few = settings(max_examples=100 if long else 30, deadline=None)  # a loaded machine is no failure
    few(given(documents())(check_any))()


def check_any(text: str) -> None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:  # a drawn key is there twice: not a text that the index is asked about
        assume(False)
    check(text)
