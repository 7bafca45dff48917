"""Reads TOML text to a `Profile` or a `Scenario`, with one error that lists all problems.

The dataclasses of `lostlink_sims` declare tables and keys, `models` converts each value, and `rules` checks the
combinations of valid values. Each problem names file, line, column and key, what is wrong and what is allowed, and
shows the line.
"""

from __future__ import annotations

import ast
import csv
import dataclasses
import errno
import io
import re
import tomllib
from dataclasses import MISSING
from pathlib import Path
from typing import Any, Final, TypeVar

from lostlink.errors import ProfileError
from lostlink.extensions import loss_models
from lostlink.files import read_text
from lostlink.profiles import positions
from lostlink.profiles.models import BadValueError, Keys, dotted, example_of, nearest, settings_of, shown, value_of
from lostlink.profiles.rules import CAUSES, impossible, wrong_channels
from lostlink.profiles.writer import END, MARKED
from lostlink.verdicts import printable
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims._settings import declaration
from lostlink_sims.air.loss import MODELS, Recorded
from lostlink_sims.profile import Channel
from lostlink_sims.scenario import FAULTS

NEWEST_SCHEMA = 1
_AFTER_CARET = 120  # characters shown of a long line after the caret
_T = TypeVar("_T")
#: A line without the quotes, such as ``timeout = 500 ms``.
_BARE_QUANTITY = re.compile(r"\s*([\w.-]+)\s*=\s*([+-]?[0-9.]*\s*[A-Za-zµ%][\w%/ -]*?)\s*(?:#.*)?")

#: A table in the messages of `tomllib`: a tuple of keys.
_TUPLE = re.compile(r"""\((['"]).*\1,?\)""")


class _Source:
    """A text, the positions of its keys, and its problems."""

    def __init__(self, text: str, name: str, folder: Path | None) -> None:
        self.text, self.name, self.folder = text, name, folder
        self.problems: list[tuple[int, str]] = []
        try:
            self.values = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ProfileError(self._syntax(error)) from None
        except (ValueError, RecursionError) as error:
            why = "nested too deep" if isinstance(error, RecursionError) else str(error).split(";")[0]
            raise ProfileError(f"{name}:1:1: this cannot be read: {why}") from None
        self._positions = positions.find_positions(text)

    def _syntax(self, error: tomllib.TOMLDecodeError) -> str:
        message = str(error)
        match = re.search(r"\(at line (\d+), column (\d+)\)", message)
        if match:
            line, column = int(match[1]), int(match[2])
        else:
            rows = self.text.rstrip().split("\n")
            line, column = len(rows), len(rows[-1]) + 1
        what = _in_words(message.split(" (at ")[0])
        lines = self.text.split("\n")
        if bare := _BARE_QUANTITY.fullmatch(lines[line - 1]):
            what = f'text and quantities need quotes: {bare[1]} = "{bare[2]}"'
        offset = sum(len(row) + 1 for row in lines[: line - 1]) + column - 1
        return self._message(offset, f'this is not TOML: {what}; write lines such as timeout = "500 ms"')

    def wrong(self, keys: Keys, text: str, *, value: bool = True) -> None:
        """Add a problem of the value (or the key) at `keys`, or of the enclosing table if the text does not have it."""
        causes = CAUSES.get(tuple(key for key in keys if isinstance(key, str)), ())
        shown = next((path for path in (keys, *causes) if path in self._positions), keys)
        while shown and shown not in self._positions:
            shown, value = shown[:-1], False
        position = self._positions.get(shown)
        offset = 0 if position is None else position.value if value else position.key
        self.problems.append((offset, f"{dotted(keys)}: {text}" if keys else text))

    def invalid(self, keys: Keys, text: str) -> None:
        """Add an invalid combination; a value that is not in the text is named as the default."""
        self.wrong(keys, text if keys in self._positions else f"by default, {text}")

    def _message(self, offset: int, text: str) -> str:
        line, column = positions.line_and_column(self.text, offset)
        rows = self.text.split("\n")
        row = rows[line - 1].rstrip("\r") if line <= len(rows) else ""
        blank = "".join("\t" if sign == "\t" else " " for sign in row[: column - 1]).ljust(column - 1)
        signs = row[: column + _AFTER_CARET]
        row = "".join(sign if printable(sign) == sign else "\N{REPLACEMENT CHARACTER}" for sign in signs)
        below = f"\n    {row}\n    {blank}^" if row.strip() else ""
        return f"{self.name}:{line}:{column}: {printable(text)}{below}"

    def finish(self) -> None:
        """Raise all problems as one error, in the order of the text.

        Raises
        ------
        ProfileError
        """
        if self.problems:
            ordered = sorted(dict.fromkeys(self.problems))
            raise ProfileError("\n".join(self._message(offset, text) for offset, text in ordered))


def _in_words(message: str) -> str:
    """Return a message of `tomllib` without Python's notation."""
    if message.endswith(r"character '\n'"):
        return "a quote is not closed in this line"
    if match := _TUPLE.search(message):
        try:
            keys = ast.literal_eval(match[0])
        except (ValueError, SyntaxError):
            return message
        return message.replace(match[0], f"[{dotted(keys)}]") if isinstance(keys, tuple) else message
    return message


# --- structure ---------------------------------------------------------------------------------------------------


def _build(
    cls: type[_T], table: Any, keys: Keys, source: _Source, *, extra_keys: tuple[str, ...] = (), **parts: Any
) -> _T | None:
    """Return an instance of `cls` from a table; None, with the problems added to the source, if it is invalid.

    Parameters
    ----------
    extra_keys : tuple of str
        Further allowed keys, which are read elsewhere.
    parts
        Fields that are already built.
    """
    if not isinstance(table, dict):
        source.wrong(keys, f"expected a table, got {shown(table)}")
        return None
    known = settings_of(cls)
    values, sound = dict(parts), True
    for key, raw in table.items():
        if key in extra_keys:
            continue
        if key not in known:
            source.wrong((*keys, key), f"unknown key{nearest(key, [*known, *extra_keys])}", value=False)
            sound = False
            continue
        try:
            values[known[key].name] = value_of(known[key], raw)
        except BadValueError as error:
            source.wrong((*keys, key), str(error))
            sound = False
    for key, field in known.items():
        if field.default is MISSING and key not in table:
            setting = declaration(field)
            source.wrong((*keys, key), f"is missing: {setting.doc} Example: {example_of(setting)}", value=False)
            sound = False
    return cls(**values) if sound else None


def _list(table: dict[str, Any], key: str, keys: Keys, source: _Source) -> list[tuple[Any, Keys]]:
    raw = table.get(key, [])
    if not isinstance(raw, list):
        source.wrong((*keys, key), f"expected tables [[{dotted((*keys, key))}]], got {shown(raw)}")
        return []
    return [(item, (*keys, key, number)) for number, item in enumerate(raw)]


def _chosen(kinds: dict[str, Any], word: str, item: Any, keys: Keys, source: _Source) -> Any:
    """Return an instance of the class that a table names by its key `word`; None if it is invalid."""
    if not isinstance(item, dict):
        source.wrong(keys, f'expected a table with {word} = "...", got {shown(item)}')
        return None
    name = item.get(word)
    if name is None:
        source.wrong((*keys, word), f"is missing; allowed: {', '.join(kinds)}", value=False)
        return None
    if not isinstance(name, str) or name not in kinds:
        source.wrong((*keys, word), f"{shown(name)} is not a {word}{nearest(name, kinds)}")
        return None
    return _build(kinds[name], item, keys, source, extra_keys=(word,))


def _losses(radio: Any, source: _Source) -> tuple[Any, ...]:
    if not isinstance(radio, dict):
        return ()
    models = []
    for item, keys in _list(radio, "losses", ("radio",), source):
        name = item.get("model") if isinstance(item, dict) else None
        known = dict(MODELS) if isinstance(name, str) and name in MODELS else loss_models()
        model = _chosen(known, "model", item, keys, source)
        if isinstance(model, Recorded):
            model = _with_pattern(model, keys, source)
        models.append(model)
    return tuple(model for model in models if model is not None)


def _with_pattern(model: Recorded, keys: Keys, source: _Source) -> Recorded | None:
    path = (source.folder or Path()) / model.file
    try:
        return dataclasses.replace(model, pattern=recorded_losses(read_text(path), str(path)))
    except BadValueError as error:
        problem = str(error)
    except UnicodeDecodeError:
        problem = f"{path} is not UTF-8 text; give a CSV file"
    except (OSError, ValueError, csv.Error) as error:
        why = error.strerror if isinstance(error, OSError) else "not a CSV file, or not a valid name"
        problem = f"{path} cannot be read: {why}; give a CSV file, relative to the profile's folder"
    source.wrong((*keys, "file"), problem)
    return None


def recorded_losses(text: str, name: str) -> bytes:
    """Return the losses in a CSV with a column `lost`, a byte 0 or 1 per packet.

    Raises
    ------
    ValueError
        If it is another kind of log (`csv.Error` is possible too).
    """
    rows = csv.reader(io.StringIO(text))
    header = [cell.strip() for cell in next(rows, [])]
    if "lost" not in header:
        raise BadValueError(f"{name}:1: no column 'lost' in the header, got {', '.join(header) or 'nothing'}")
    column, pattern = header.index("lost"), bytearray()
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        cell = row[column].strip() if column < len(row) else ""
        if cell not in ("0", "1"):
            raise BadValueError(f"{name}:{rows.line_num}: lost is {cell!r}; allowed: 0 or 1")
        pattern.append(int(cell))
    if not pattern:
        raise BadValueError(f"{name}: holds no packet; at least one row is needed")
    return bytes(pattern)


def _check_version(source: _Source) -> None:
    version = source.values.get("schema", NEWEST_SCHEMA)
    if type(version) is not int or version != NEWEST_SCHEMA:
        source.wrong(("schema",), f"{shown(version)} is not a known version; allowed: {NEWEST_SCHEMA}, the newest")


# --- the two kinds of files ----------------------------------------------------------------------------------------


def parse_profile(text: str, source: str = "<text>", folder: Path | None = None) -> Profile:
    """Return the profile of a TOML text; missing keys have their defaults.

    Parameters
    ----------
    source : str
        Name of the text in errors.
    folder : Path, optional
        Folder of the files that the profile names.

    Raises
    ------
    ProfileError
        Lists all problems.
    """
    toml = _Source(text, source, folder)
    values = toml.values
    tables = {
        field.name: type(field.default)
        for field in dataclasses.fields(Profile)
        if "setting" not in field.metadata and field.name != "channels"
    }
    _check_version(toml)
    parts: dict[str, Any] = {}
    unsound: set[str] = set()
    for name, cls in tables.items():
        if name in values:
            extra: dict[str, Any] = {"losses": _losses(values[name], toml)} if name == "radio" else {}
            parts[name] = _build(cls, values[name], (name,), toml, extra_keys=tuple(extra), **extra)
            unsound |= {name} if parts[name] is None else set()
    if "channels" in values:
        before = len(toml.problems)
        built = [_build(Channel, item, keys, toml) for item, keys in _list(values, "channels", (), toml)]
        parts["channels"] = tuple(channel for channel in built if channel is not None)
        unsound |= {"channels"} if len(toml.problems) > before else set()
    head = _build(Profile, values, (), toml, extra_keys=("schema", "channels", *tables)) or Profile()
    profile = dataclasses.replace(head, **{name: part for name, part in parts.items() if name not in unsound})
    if values.keys() <= {"schema", "name", "channels", *tables}:  # else a table may be here under a wrong name
        for keys, problem in impossible(profile, unsound):
            toml.invalid(keys, problem)
    toml.finish()
    return profile


def parse_scenario(text: str, profile: Profile, source: str = "<text>") -> Scenario:
    """Return the scenario of a TOML text, for a link with the profile's channels.

    Raises
    ------
    ProfileError
        Lists all problems.
    """
    toml = _Source(text, source, None)
    _check_version(toml)
    moves = [_build(Move, item, keys, toml) for item, keys in _list(toml.values, "moves", (), toml)]
    faults = [_chosen(dict(FAULTS), "fault", item, keys, toml) for item, keys in _list(toml.values, "faults", (), toml)]
    scenario = _build(
        Scenario, toml.values, (), toml, extra_keys=("schema", "moves", "faults"), moves=tuple(moves),
        faults=tuple(faults),
    )  # fmt: skip
    for keys, problem in wrong_channels(moves, faults, profile):
        toml.wrong(keys, problem)
    toml.finish()
    assert scenario is not None
    return scenario


_WRITTEN_BY: Final = {"profile": "lostlink new FILE writes a profile", "scenario": "prove and hunt save scenarios"}


def _read(path: str | Path, kind: str) -> str:
    """Return the text of a profile or scenario."""
    advice = _WRITTEN_BY[kind]
    unreadable = {errno.ENOENT: f"there is no such file; {advice}", errno.EISDIR: "is a folder; give a TOML file"}
    try:
        text = read_text(path)
    except UnicodeDecodeError as error:
        before = error.object[: error.start].decode("utf-8-sig")
        line, column = positions.line_and_column(before, len(before))
        raise ProfileError(f"{path}:{line}:{column}: is not UTF-8 text; save the file as UTF-8") from None
    except ValueError:
        raise ProfileError(f"{str(path)!r}: is not a path") from None
    except OSError as error:
        raise ProfileError(f"{path}: {unreadable.get(error.errno or 0, f'cannot be read: {error.strerror}')}") from None
    if not text.strip():
        raise ProfileError(f"{path}: is empty; {advice}")
    if not text.endswith("\n") or (MARKED in text and f"\n{END}\n" not in f"{text}\n"):
        raise ProfileError(
            f"{path}: the end is missing, so the file may have been cut; restore it, or end the last line with a line "
            f"break{f' and add the line {END}' if MARKED in text else ''}"
        )
    return text


def read_profile(path: str | Path) -> Profile:
    """Return the profile in a file.

    Raises
    ------
    ProfileError
        If the file cannot be read; else lists all problems in it.
    """
    return parse_profile(_read(path, "profile"), str(path), Path(path).parent)


def read_link(path: str | Path | None) -> Profile:
    """Return the profile in a file; the default link without a file.

    Raises
    ------
    ProfileError
        As `read_profile` does.
    """
    return Profile() if path is None else read_profile(path)


def input_files(path: str | Path | None, profile: Profile | None) -> list[str | Path]:
    """Return the files that a profile was read from: its own, and the loss logs that it names."""
    if path is None or profile is None:
        return []
    logs = (model.file for model in profile.radio.losses if isinstance(model, Recorded))
    return [Path(path), *(Path(path).parent / log for log in logs)]


def read_scenario(path: str | Path, profile: Profile) -> Scenario:
    """Return the scenario in a file.

    Raises
    ------
    ProfileError
        If the file cannot be read; else lists all problems in it.
    """
    return parse_scenario(_read(path, "scenario"), profile, str(path))
