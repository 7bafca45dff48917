"""Reads what `keep` wrote. A folder may have been damaged or made by a stranger, so everything is looked at first."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from lostlink.evidence.run_writer import RUN_SCHEMA

MOST_ENTRIES: Final = 5_000_000
"""No column is longer: some seven hours of link. A small file must not fill the memory."""
_MOST_US: Final = 1 << 52  # whole in a double, as scripts have it


class RunDataError(ValueError):
    """A run's file is not what `keep` writes; the text says where, what and what is allowed."""


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
        """What was measured; None when nothing could be."""
        return self.data["judged"]  # type: ignore[no-any-return]

    @property
    def duration_us(self) -> int:
        """Length of the run."""
        return int(self.data["duration_us"])

    @property
    def struck(self) -> dict[str, Any] | None:
        """The last fault before the moment judged, or the first of all."""
        faults: list[dict[str, Any]] = self.data["faults"]
        moment_us = self.moment_us
        before = [fault for fault in faults if fault["at_us"] <= moment_us]
        return before[-1] if before else next(iter(faults), None)

    @property
    def moment_us(self) -> int:
        """The instant to look at: where it was measured, or the end."""
        at_us = self.judged["at_us"] if self.judged else None
        return self.duration_us if at_us is None else int(at_us)


def read_run(file: Path) -> Run:
    """Read one run.

    Raises
    ------
    RunDataError
        If the file is not what `keep` writes.
    OSError
        If it cannot be read.
    """
    try:
        data = json.loads(file.read_text(encoding="utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise RunDataError(f"runs/{file.name}: not JSON ({error}); write the evidence again") from error
    try:
        _check(data)
    except RunDataError as error:
        raise RunDataError(f"runs/{file.name}: {error}") from None
    return Run(data["id"], data)


def read_runs(folder: Path) -> tuple[dict[str, Run], list[str]]:
    """Read all runs of an evidence folder; return them by requirement, and what could not be read, in words."""
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


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is not a number")


# --- what is looked at -----------------------------------------------------------------------------------------------

_TEXTS: Final = ("id", "how_seen", "doubt", "polarity")
_COUNTS: Final = ("duration_us", "uncertainty_us", "span_uncertainty_us", "idle_below_us", "separator_us")


def _check(data: Any) -> None:
    _need(isinstance(data, dict), "layout", "an object")
    _need(data.get("schema") == RUN_SCHEMA, "schema", f"{RUN_SCHEMA}, from this version of lostlink")
    for key in _TEXTS:
        _need(isinstance(data.get(key), str), key, "text")
    for key in _COUNTS:
        _need(_is_count(data.get(key)), key, "a whole number from 0")
    _need(data.get("crash") is None or isinstance(data["crash"], str), "crash", "text or null")
    _need(data.get("cut_us") is None or _is_count(data["cut_us"]), "cut_us", "a whole number from 0, or null")
    scenario = data.get("scenario")
    _need(isinstance(scenario, dict) and isinstance(scenario.get("name"), str), "scenario", "name, seed, trial")
    _need(all(_is_int(scenario.get(key), 1 << 63) for key in ("seed", "trial")), "scenario", "name, seed, trial")
    _check_judged(data.get("judged"))
    _check_rows(data)
    _check_columns(data)


def _check_judged(judged: Any) -> None:
    if judged is None:
        return
    _need(isinstance(judged, dict), "judged", "an object or null")
    for key in ("name", "measured", "limit", "unit", "outcome"):
        _need(isinstance(judged.get(key), str), f"judged.{key}", "text")
    for key in ("value", "uncertainty"):
        _need(_is_number(judged.get(key)), f"judged.{key}", "a number")
    for key in ("at_most", "at_least", "at_us", "since_us"):
        _need(judged.get(key) is None or _is_number(judged[key]), f"judged.{key}", "a number or null")


def _check_rows(data: dict[str, Any]) -> None:
    channels = data.get("channels")
    _need(isinstance(channels, list) and 0 < len(channels) <= 64, "channels", "1 to 64 of them")
    for channel in channels or ():
        fine = isinstance(channel, dict) and isinstance(channel.get("name"), str)
        _need(
            fine and channel.get("role") in ("throttle", "arm", ""), "channels", "name, and role throttle, arm or none"
        )
    _need(isinstance(data.get("faults"), list), "faults", "a list")
    for fault in data["faults"]:
        _need(isinstance(fault, dict) and isinstance(fault.get("name"), str), "faults", "a name each")
        _need(isinstance(fault.get("note"), str), "faults", "a note each")
        _need(_is_count(fault.get("at_us")), "faults", "an instant each")
        _need(fault.get("until_us") is None or _is_count(fault["until_us"]), "faults", "an end or null each")
    _need(isinstance(data.get("events"), list), "events", "a list")
    for event in data["events"]:
        _need(_is_pair(event) and _is_int(event[0]) and isinstance(event[1], str), "events", "[instant, words] each")


def _check_columns(data: dict[str, Any]) -> None:
    packets: Any = data.get("packets")
    frames: Any = data.get("frames")
    _need(isinstance(packets, dict), "packets", "columns")
    _need(isinstance(frames, dict), "frames", "columns")
    slots = _length(packets.get("left_us"), "packets.left_us")
    for key in ("delay_us", "fate"):
        _need(_length(packets.get(key), f"packets.{key}") == slots, f"packets.{key}", "as long as left_us")
    fates = packets.get("fates")
    _need(isinstance(fates, list) and all(isinstance(fate, str) for fate in fates), "packets.fates", "a list of text")
    count = _length(frames.get("start_us"), "frames.start_us")
    widths = frames.get("widths_us")
    _need(isinstance(widths, list) and len(widths) == len(data["channels"]), "frames.widths_us", "a column a channel")
    for column in widths:
        _need(_length(column, "frames.widths_us") == count, "frames.widths_us", "as long as start_us")
    cut_short = frames.get("cut_short")
    _need(isinstance(cut_short, list), "frames.cut_short", "a list")
    for pair in cut_short:
        fine = _is_pair(pair) and all(map(_is_count, pair)) and pair[0] < count
        _need(fine, "frames.cut_short", "[frame, instant] each")
    for key in ("failsafe", "motor", "arming"):
        _need(_is_pair(data.get(key)), key, "[instants, values]")
        instants, values = data[key]
        _need(_length(instants, key) == _length(values, key), key, "as many values as instants")


def _length(column: Any, where: str) -> int:
    """Return how many entries a packed column has."""
    _need(isinstance(column, list), where, "a packed column")
    count = 0
    for place, entry in enumerate(column):
        if _is_int(entry):
            count += 1
        else:
            fine = place > 0 and _is_pair(entry) and _is_int(entry[0]) and _is_count(entry[1])
            _need(fine, where, "a packed column: value, step or [step, times]")
            count += entry[1]
        _need(count <= MOST_ENTRIES, where, f"at most {MOST_ENTRIES} entries")
    return count


def _need(fine: bool, where: str, allowed: str) -> None:
    if not fine:
        raise RunDataError(f"{where}: cannot be read; allowed: {allowed}")


def _is_int(value: Any, most: int = _MOST_US) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and -most <= value <= most


def _is_count(value: Any) -> bool:
    return _is_int(value) and value >= 0


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < float(_MOST_US)


def _is_pair(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2
