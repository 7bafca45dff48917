"""From TOML text to a `Profile` or a `Scenario`, with one message that lists everything that is wrong.

The dataclasses of `lostlink_sims` say what there is; this walks the text's tables along them, `models` reads each
value, and `rules` looks at combinations of what could be read. Each problem names file, line, column and key, what is
wrong and what is allowed, and shows the line.
"""

from __future__ import annotations

import ast
import csv
import dataclasses
import io
import re
import tomllib
from dataclasses import MISSING
from pathlib import Path
from typing import Any, TypeVar

from lostlink.errors import ProfileError
from lostlink.extensions import loss_models
from lostlink.files import read_text
from lostlink.profiles import positions
from lostlink.profiles.models import BadValueError, Keys, dotted, example_of, nearest, settings_of, shown, value_of
from lostlink.profiles.rules import CAUSES, impossible, unknown_channels
from lostlink.profiles.writer import END, MARKED
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims._settings import declaration
from lostlink_sims.air.loss import MODELS, Recorded
from lostlink_sims.profile import Channel
from lostlink_sims.scenario import FAULTS

NEWEST_SCHEMA = 1
_AFTER_CARET = 120  # signs of a long line shown behind the place pointed at
_T = TypeVar("_T")
#: A line such as ``timeout = 500 ms``: the quotes are forgotten.
_BARE_QUANTITY = re.compile(r"\s*([\w.-]+)\s*=\s*([+-]?[0-9.]*\s*[A-Za-zµ%][\w%/ -]*?)\s*(?:#.*)?")

#: How `tomllib` names a table in its messages: a tuple of keys.
_TUPLE = re.compile(r"""\((['"]).*\1,?\)""")


class _Source:
    """A text, where its keys stand, and what was found wrong with it."""

    def __init__(self, text: str, name: str, folder: Path | None) -> None:
        self.text, self.name, self.folder = text, name, folder
        self.problems: list[tuple[int, str]] = []
        try:
            self.values = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ProfileError(self._syntax(error)) from None
        except (ValueError, RecursionError) as error:
            why = "nested too deep" if isinstance(error, RecursionError) else str(error).split(";")[0]
            raise ProfileError(
                f"{name}:1:1: this cannot be read: {why}; allowed: a TOML file of ordinary values"
            ) from None
        self._places = positions.places(text)

    def _syntax(self, error: tomllib.TOMLDecodeError) -> str:
        said = str(error)
        match = re.search(r"\(at line (\d+), column (\d+)\)", said)
        if match:
            line, column = int(match[1]), int(match[2])
        else:
            rows = self.text.rstrip().split("\n")
            line, column = len(rows), len(rows[-1]) + 1
        what = _in_words(said.split(" (at ")[0])
        lines = self.text.split("\n")
        if bare := _BARE_QUANTITY.fullmatch(lines[line - 1]):
            what = f'text and quantities stand in quotes, as in {bare[1]} = "{bare[2]}"'
        offset = sum(len(row) + 1 for row in lines[: line - 1]) + column - 1
        return self._message(offset, f'this is not TOML: {what}; allowed: lines such as timeout = "500 ms"')

    def wrong(self, keys: Keys, text: str, *, value: bool = True) -> None:
        """Note a problem with the value (or the key) at `keys`, or with what encloses it if the text is silent."""
        causes = CAUSES.get(tuple(key for key in keys if isinstance(key, str)), ())
        at = next((path for path in (keys, *causes) if path in self._places), keys)
        while at and at not in self._places:
            at, value = at[:-1], False
        place = self._places.get(at)
        offset = 0 if place is None else place.value if value else place.key
        self.problems.append((offset, f"{dotted(keys)}: {text}" if keys else text))

    def cannot_be(self, keys: Keys, text: str) -> None:
        """Note a combination that cannot be; a value that the user never wrote is said to be the default."""
        self.wrong(keys, text if keys in self._places else f"by default, {text}")

    def _message(self, offset: int, text: str) -> str:
        line, column = positions.line_and_column(self.text, offset)
        rows = self.text.split("\n")
        row = rows[line - 1].rstrip("\r") if line <= len(rows) else ""
        blank = "".join("\t" if sign == "\t" else " " for sign in row[: column - 1]).ljust(column - 1)
        row = "".join(sign if _harmless(sign) else "\N{REPLACEMENT CHARACTER}" for sign in row[: column + _AFTER_CARET])
        below = f"\n    {row}\n    {blank}^" if row.strip() else ""
        text = "".join(sign if _harmless(sign) else repr(sign)[1:-1] for sign in text)
        return f"{self.name}:{line}:{column}: {text}{below}"

    def finish(self) -> None:
        """Raise all problems as one error, in the order of the text.

        Raises
        ------
        ProfileError
        """
        if self.problems:
            ordered = sorted(dict.fromkeys(self.problems))
            raise ProfileError("\n".join(self._message(offset, text) for offset, text in ordered))


def _in_words(said: str) -> str:
    """Return what `tomllib` said, without Python's notation."""
    if said.endswith(r"character '\n'"):
        return "a quote is not closed in this line"
    if match := _TUPLE.search(said):
        try:
            keys = ast.literal_eval(match[0])
        except (ValueError, SyntaxError):
            return said
        return said.replace(match[0], f"[{dotted(keys)}]") if isinstance(keys, tuple) else said
    return said


def _harmless(sign: str) -> bool:
    """Return whether a sign leaves a terminal as it is, and a message on its line."""
    return sign == "\t" or sign.isprintable()


# --- structure ---------------------------------------------------------------------------------------------------


def _build(
    cls: type[_T], table: Any, keys: Keys, source: _Source, *, extra_keys: tuple[str, ...] = (), **parts: Any
) -> _T | None:
    """Build an instance of `cls` from a table; None, and noted problems, when that cannot be.

    Parameters
    ----------
    extra_keys : tuple of str
        Keys that are allowed and are somebody else's business.
    parts
        Fields that have been built already.
    """
    if not isinstance(table, dict):
        source.wrong(keys, f"expected a table, got {shown(table)}; allowed: a table with keys")
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
            source.wrong(
                (*keys, key),
                f"is missing: {declaration(field).doc} Allowed: such as {example_of(declaration(field))}",
                value=False,
            )
            sound = False
    return cls(**values) if sound else None


def _list(table: dict[str, Any], key: str, keys: Keys, source: _Source) -> list[tuple[Any, Keys]]:
    raw = table.get(key, [])
    if not isinstance(raw, list):
        source.wrong((*keys, key), f"expected tables, got {shown(raw)}; allowed: [[{dotted((*keys, key))}]]")
        return []
    return [(item, (*keys, key, number)) for number, item in enumerate(raw)]


def _chosen(kinds: dict[str, Any], word: str, item: Any, keys: Keys, source: _Source) -> Any:
    """Build an instance of the class that a table names by its key `word`."""
    if not isinstance(item, dict):
        source.wrong(keys, f'expected a table, got {shown(item)}; allowed: a table with {word} = "..."')
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
        text = read_text(path)
        return dataclasses.replace(model, pattern=_pattern(text, str(path)))
    except BadValueError as error:
        source.wrong((*keys, "file"), str(error))
    except UnicodeDecodeError:
        source.wrong((*keys, "file"), f"{path} is not UTF-8 text; allowed: a CSV file, seen from the profile's folder")
    except (OSError, ValueError, csv.Error) as error:
        why = error.strerror if isinstance(error, OSError) else "not a CSV file, or not a valid name"
        source.wrong(
            (*keys, "file"), f"{path} cannot be read: {why}; allowed: a CSV file, seen from the profile's folder"
        )
    return None


def _pattern(text: str, name: str) -> bytes:
    rows = csv.reader(io.StringIO(text))
    header = [cell.strip() for cell in next(rows, [])]
    if "lost" not in header:
        raise BadValueError(
            f"{name}:1: no column 'lost'; allowed: a header line with it, got {', '.join(header) or 'nothing'}"
        )
    column, pattern = header.index("lost"), bytearray()
    for row in rows:
        if not any(cell.strip() for cell in row):
            continue
        cell = row[column].strip() if column < len(row) else ""
        if cell not in ("0", "1"):
            raise BadValueError(f"{name}:{rows.line_num}: lost is {cell!r}; allowed: 0 or 1")
        pattern.append(int(cell))
    if not pattern:
        raise BadValueError(f"{name}: holds no packet; allowed: at least one row")
    return bytes(pattern)


def _check_version(source: _Source) -> None:
    version = source.values.get("schema", NEWEST_SCHEMA)
    if type(version) is not int or version != NEWEST_SCHEMA:
        source.wrong(("schema",), f"{shown(version)} is not a known version; allowed: {NEWEST_SCHEMA}, the newest")


# --- the two kinds of files ----------------------------------------------------------------------------------------


def parse_profile(text: str, source: str = "<text>", folder: Path | None = None) -> Profile:
    """Return the profile that a TOML text describes; what it leaves out has its default.

    Parameters
    ----------
    source : str
        How error texts name the text.
    folder : Path, optional
        Where files that the profile names are looked for.

    Raises
    ------
    ProfileError
        With everything that is wrong.
    """
    place = _Source(text, source, folder)
    values = place.values
    tables = {
        field.name: type(field.default)
        for field in dataclasses.fields(Profile)
        if "setting" not in field.metadata and field.name != "channels"
    }
    _check_version(place)
    parts: dict[str, Any] = {}
    unsound: set[str] = set()
    for name, cls in tables.items():
        if name in values:
            extra: dict[str, Any] = {"losses": _losses(values[name], place)} if name == "radio" else {}
            parts[name] = _build(cls, values[name], (name,), place, extra_keys=tuple(extra), **extra)
            unsound |= {name} if parts[name] is None else set()
    if "channels" in values:
        before = len(place.problems)
        built = [_build(Channel, item, keys, place) for item, keys in _list(values, "channels", (), place)]
        parts["channels"] = tuple(channel for channel in built if channel is not None)
        unsound |= {"channels"} if len(place.problems) > before else set()
    head = _build(Profile, values, (), place, extra_keys=("schema", "channels", *tables)) or Profile()
    profile = dataclasses.replace(head, **{name: part for name, part in parts.items() if name not in unsound})
    if values.keys() <= {"schema", "name", "channels", *tables}:  # else a table may be here under a wrong name
        for keys, problem in impossible(profile, unsound):
            place.cannot_be(keys, problem)
    place.finish()
    return profile


def parse_scenario(text: str, profile: Profile, source: str = "<text>") -> Scenario:
    """Return the scenario that a TOML text describes, for a link with the profile's channels.

    Raises
    ------
    ProfileError
        With everything that is wrong.
    """
    place = _Source(text, source, None)
    _check_version(place)
    moves = [_build(Move, item, keys, place) for item, keys in _list(place.values, "moves", (), place)]
    faults = [
        _chosen(dict(FAULTS), "fault", item, keys, place) for item, keys in _list(place.values, "faults", (), place)
    ]
    scenario = _build(
        Scenario,
        place.values,
        (),
        place,
        extra_keys=("schema", "moves", "faults"),
        moves=tuple(moves),
        faults=tuple(faults),
    )
    for keys, problem in unknown_channels(moves, faults, profile):
        place.wrong(keys, problem)
    place.finish()
    assert scenario is not None
    return scenario


def _read(path: str | Path) -> str:
    try:
        text = read_text(path)
    except FileNotFoundError:
        raise ProfileError(
            f"{path}: there is no such file; allowed: a TOML file (lostlink new FILE writes a profile)"
        ) from None
    except IsADirectoryError:
        raise ProfileError(f"{path}: is a folder; allowed: a TOML file") from None
    except UnicodeDecodeError as error:
        before = error.object[: error.start].decode("utf-8-sig")
        line, column = positions.line_and_column(before, len(before))
        raise ProfileError(f"{path}:{line}:{column}: is not UTF-8 text; allowed: a TOML file in UTF-8") from None
    except ValueError:
        raise ProfileError(f"{str(path)!r}: is not a path; allowed: a TOML file") from None
    except OSError as error:
        raise ProfileError(f"{path}: cannot be read: {error.strerror}; allowed: a TOML file") from None
    if not text.strip():
        raise ProfileError(f"{path}: is empty; allowed: a TOML file (lostlink new FILE writes a profile)")
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
        If the file cannot be read, or with everything that is wrong in it.
    """
    return parse_profile(_read(path), str(path), Path(path).parent)


def read_link(path: str | Path | None) -> Profile:
    """Return the profile in a file; the plain link where no file is named.

    Raises
    ------
    ProfileError
        As `read_profile` does.
    """
    return Profile() if path is None else read_profile(path)


def read_scenario(path: str | Path, profile: Profile) -> Scenario:
    """Return the scenario in a file.

    Raises
    ------
    ProfileError
        If the file cannot be read, or with everything that is wrong in it.
    """
    return parse_scenario(_read(path), profile, str(path))
