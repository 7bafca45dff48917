"""Reads the files of `run_writer`. A folder may be damaged or from elsewhere, so everything is checked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lostlink.evidence.run_writer import RUN_SCHEMA
from lostlink.evidence.schemas import strict_json
from lostlink.files import read_text

MOST_ENTRIES: Final = 5_000_000
"""Most entries of a column, about seven hours: a small file must not fill the memory."""
_MOST_US: Final = 1 << 52  # exact in a double, the number of the report's scripts


class RunDataError(ValueError):
    """The file of a run is invalid."""


@dataclass(frozen=True, slots=True)
class Run:
    """A run that decided a requirement.

    Attributes
    ----------
    requirement_id : str
    data : dict
        As in the file, checked.
    """

    requirement_id: str
    data: dict[str, Any]

    @property
    def judged(self) -> dict[str, Any] | None:
        """The measurement; None without one."""
        return self.data["judged"]  # type: ignore[no-any-return]

    @property
    def has_packets(self) -> bool:
        """Whether packets were recorded; a capture of pulses has none, and no state of the receiver."""
        return bool(self.data["packets"]["left_us"])

    @property
    def duration_us(self) -> int:
        """Length of the run."""
        return int(self.data["duration_us"])

    @property
    def struck(self) -> dict[str, Any] | None:
        """The last fault before the moment judged, else the first."""
        faults: list[dict[str, Any]] = self.data["faults"]
        before = [fault for fault in faults if fault["at_us"] <= self.moment_us]
        return before[-1] if before else next(iter(faults), None)

    @property
    def moment_us(self) -> int:
        """Instant of the measurement, else of the cut, or the end."""
        at_us = self.judged["at_us"] if self.judged else self.data["cut_us"]
        return self.duration_us if at_us is None else int(at_us)


def read_run(file: Path) -> Run:
    """Read one run.

    Raises
    ------
    RunDataError
        If the file is invalid.
    OSError
        If it cannot be read.
    """
    try:
        data = strict_json(read_text(file))
    except (ValueError, RecursionError) as error:
        raise RunDataError(f"runs/{file.name}: not JSON ({error}); write the evidence again") from error
    try:
        _check(data)
    except RunDataError as error:
        raise RunDataError(f"runs/{file.name}: {error}") from None
    return Run(data["id"], data)


def read_runs(folder: Path) -> tuple[dict[str, Run], list[str]]:
    """Read all runs of an evidence folder; return them by requirement, and a text for each unreadable one."""
    runs, spoiled = {}, []
    for file in sorted((folder / "runs").glob("*.json")):
        try:
            run = read_run(file)
        except RunDataError as error:
            spoiled.append(str(error))
        except OSError as error:
            spoiled.append(f"runs/{file.name}: {error.strerror or error}")
        else:
            runs[run.requirement_id] = run
    return runs, spoiled


# --- the layout ------------------------------------------------------------------------------------------------------

Rule = tuple[Callable[[Any], bool], str]
"""Whether a value is valid, and what is allowed."""


def _is_int(value: Any, most: int = _MOST_US) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and -most <= value <= most


def _is_count(value: Any) -> bool:
    return _is_int(value) and value >= 0


def _is_pair(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2


def _or_null(rule: Rule) -> Rule:
    is_valid, allowed = rule
    return lambda value: value is None or is_valid(value), f"{allowed}, or null"


_TEXT: Final[Rule] = (lambda value: isinstance(value, str), "text")
_COUNT: Final[Rule] = (_is_count, "a whole number from 0")
_INTEGER: Final[Rule] = (lambda value: _is_int(value, 1 << 63), "a whole number")
_NUMBER: Final[Rule] = (lambda value: type(value) in (int, float) and abs(value) < float(_MOST_US), "a number")
_COLUMN: Final[Rule] = (lambda value: isinstance(value, list), "a packed column")
_COLUMNS: Final[Rule] = (_is_pair, "[instants, values]")
_JUDGED: Final[dict[str, Any]] = {
    **dict.fromkeys(("name", "measured", "limit", "unit", "outcome"), _TEXT),
    "uncertainty": _NUMBER,
    **dict.fromkeys(("value", "at_most", "at_least", "at_us", "since_us"), _or_null(_NUMBER)),
}
_LAYOUT: Final[dict[str, Any]] = {
    "schema": (lambda value: value == RUN_SCHEMA, f"{RUN_SCHEMA}, from this version of lostlink"),
    **dict.fromkeys(("id", "how_seen", "doubt", "polarity"), _TEXT),
    **dict.fromkeys(("duration_us", "uncertainty_us", "span_uncertainty_us", "idle_below_us", "separator_us"), _COUNT),
    "crash": _or_null(_TEXT),
    "cut_us": _or_null(_COUNT),
    "scenario": {"name": _TEXT, "seed": _INTEGER, "trial": _INTEGER},
    "channels": [{"name": _TEXT, "role": (lambda value: value in ("throttle", "arm", ""), "throttle, arm or empty")}],
    "faults": [{"name": _TEXT, "note": _TEXT, "at_us": _COUNT, "until_us": _or_null(_COUNT)}],
    "events": [(lambda event: _is_pair(event) and _is_int(event[0]) and isinstance(event[1], str), "[instant, text]")],
    "packets": {"left_us": _COLUMN, "delay_us": _COLUMN, "fate": _COLUMN, "fates": [_TEXT]},
    "frames": {
        "start_us": _COLUMN,
        "widths_us": [_COLUMN],
        "cut_short": [(lambda pair: _is_pair(pair) and all(map(_is_count, pair)), "[frame, instant]")],
    },
    **dict.fromkeys(("failsafe", "motor", "arming"), _COLUMNS),
}
"""A rule, a dict of the layouts of its entries, or a list of the one layout of its entries."""


def _check(data: Any) -> None:
    _check_layout(data, _LAYOUT, "")
    _need("judged" in data, "judged", "an object, or null")
    if data["judged"] is not None:
        _check_layout(data["judged"], _JUDGED, "judged")
    packets, frames, channels = data["packets"], data["frames"], len(data["channels"])
    _need(0 < channels <= 64, "channels", "1 to 64 of them")
    slots = _length(packets["left_us"], "packets.left_us")
    for key in ("delay_us", "fate"):
        _need(_length(packets[key], f"packets.{key}") == slots, f"packets.{key}", "as long as left_us")
    count = _length(frames["start_us"], "frames.start_us")
    _need(len(frames["widths_us"]) == channels, "frames.widths_us", "a column per channel")
    for column in frames["widths_us"]:
        _need(_length(column, "frames.widths_us") == count, "frames.widths_us", "as long as start_us")
    _need(all(frame < count for frame, _ in frames["cut_short"]), "frames.cut_short", "frames of this run")
    for key in ("failsafe", "motor", "arming"):
        instants, values = data[key]
        _need(_length(instants, key) == _length(values, key), key, "as many values as instants")


def _check_layout(value: Any, layout: Any, where: str) -> None:
    if isinstance(layout, dict):
        _need(isinstance(value, dict), where or "layout", "an object")
        for key, inner in layout.items():
            place = f"{where}.{key}" if where else key
            _need(key in value, place, "a value, or null")
            _check_layout(value[key], inner, place)
    elif isinstance(layout, list):
        _need(isinstance(value, list), where, "a list")
        for entry in value:
            _check_layout(entry, layout[0], where)
    else:
        is_valid, allowed = layout
        _need(is_valid(value), where, allowed)


def _length(column: Any, where: str) -> int:
    """Return the number of entries of a packed column."""
    _need(isinstance(column, list), where, "a packed column")
    count = 0
    for index, entry in enumerate(column):
        if _is_int(entry):
            count += 1
        else:
            fine = index > 0 and _is_pair(entry) and _is_int(entry[0]) and _is_count(entry[1])
            _need(fine, where, "a packed column: value, step or [step, times]")
            count += entry[1]
        _need(count <= MOST_ENTRIES, where, f"at most {MOST_ENTRIES} entries")
    return count


def _need(is_valid: bool, where: str, allowed: str) -> None:
    if not is_valid:
        raise RunDataError(f"{where}: cannot be read; allowed: {allowed}")
