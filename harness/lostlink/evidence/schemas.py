"""The layouts of the JSON files of an evidence folder; a file is checked as a whole when it is read."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any, Final

from lostlink.errors import EvidenceError, ExitCode
from lostlink.files import read_text
from lostlink.verdicts import Outcome, Severity, Side, printable

SCHEMA: Final = 1
ALLOWED: Final = "allowed: the --out folder of lostlink prove, campaign, read or watch --failsafe-test"
LONGEST_VALUE: Final = 60
"""Characters shown of a wrong value."""
MOST_TRIALS: Final = 2**32
"""Of a campaign."""
MOST_US: Final = 2**62
"""Above every time of a campaign, also that of an event that never came."""
ANSWER_CODES: Final = {"shown": ExitCode.MET, "refuted": ExitCode.NOT_MET, "undecided": ExitCode.UNDECIDED}
"""Exit codes of a campaign with a claim, by the answer to it."""

_TEXT: Final = {"type": "string"}
_NAME: Final = {"type": "string", "minLength": 1}
_COUNT: Final = {"type": "integer", "minimum": 0, "maximum": MOST_TRIALS}
_NUMBER: Final = {"type": "number", "minimum": -sys.float_info.max, "maximum": sys.float_info.max}
_SEED: Final = {"type": "integer", "minimum": 0, "maximum": 2**63 - 1}
_TIME_US: Final = {
    "type": ["integer", "null"], "minimum": 0, "maximum": MOST_US, "description": "None: never, or not bounded.",
}  # fmt: skip
_SHARE: Final = {"type": "number", "minimum": 0, "maximum": 1}

VERDICTS_SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "lostlink verdicts",
    "type": "object",
    "required": ["schema", "conclusion", "exit_code", "tested", "verdicts"],
    "additionalProperties": False,
    "properties": {
        "schema": {"const": SCHEMA, "description": "Version of this layout."},
        "conclusion": {**_TEXT, "description": "The outcome in one sentence."},
        "exit_code": {"enum": [code.value for code in ExitCode if code is not ExitCode.OUTPUT_CLOSED]},
        "cautions": {"type": "array", "items": _TEXT},
        "tested": {
            "type": "object",
            "required": ["profile", "profile_sha256", "receiver", "rig", "seed", "versions", "date"],
            "additionalProperties": False,
            "properties": {
                "profile": {**_TEXT, "description": "Name of the link."},
                "profile_file": {"type": ["string", "null"]},
                "profile_sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"},
                "receiver": {**_TEXT, "description": "The receiver under test."},
                "receiver_sha256": {"type": ["string", "null"], "description": "Of the receiver's file."},
                "handset": {**_TEXT, "description": "The handset under test."},
                "handset_sha256": {"type": ["string", "null"], "description": "Of the handset's file."},
                "proves": {
                    "type": "array",
                    "items": {"enum": [side.value for side in Side]},
                    "description": "What is under test; left out, the receiver.",
                },
                "rig": {**_TEXT, "description": "Where it ran: sim, serial: and a port, or emulated: and an image."},
                "bench": {
                    "type": "object",
                    "additionalProperties": _TEXT,
                    "description": "Description by the rig: board, line, clock, lateness, discarded runs.",
                },
                "seed": _SEED,
                "only": {"type": "array", "items": _TEXT, "description": "Requested ids; empty for all."},
                "versions": {"type": "object", "additionalProperties": _TEXT},
                "date": {**_TEXT, "description": "Start, UTC, ISO 8601."},
                "duration_s": _NUMBER,
            },
        },
        "verdicts": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["id", "severity", "sentence", "outcome"],
                "additionalProperties": False,
                "properties": {
                    "id": _NAME,
                    "severity": {"enum": [severity.value for severity in Severity]},
                    "sentence": {**_NAME, "description": "What must be true."},
                    "fault": {**_TEXT, "description": "What is wrong when it is not met."},
                    "outcome": {"enum": [outcome.value for outcome in Outcome]},
                    "measured": {**_TEXT, "description": "The result closest to, or beyond, its limit."},
                    "limit": _TEXT,
                    "how_seen": _TEXT,
                    "runs": {**_COUNT, "description": "Scenarios run."},
                    "checks": {**_COUNT, "description": "Measurements judged."},
                    "varied": {
                        "type": "object",
                        "required": ["flights", "values", "combinations_flown", "combinations", "strength", "left_out"],
                        "additionalProperties": False,
                        "description": "The varied flights that concern it.",
                        "properties": {
                            "flights": _COUNT,
                            "values": {
                                "type": "object",
                                "additionalProperties": {"type": "object", "additionalProperties": _COUNT},
                                "description": "By dimension of a flight, flights that had each value.",
                            },
                            "combinations_flown": _COUNT,
                            "combinations": {**_COUNT, "description": "Possible ones of `strength` values."},
                            "strength": {**_COUNT, "minimum": 1},
                            "throttle_combinations_flown": _COUNT,
                            "throttle_combinations": {
                                **_COUNT,
                                "description": "Possible ones of `throttle_strength` values, of what decides when the "
                                "throttle is cut and how long it stays so.",
                            },
                            "throttle_strength": _COUNT,
                            "left_out": {
                                "type": "object",
                                "additionalProperties": _COUNT,
                                "description": "Flights that the rig cannot fly, by reason.",
                            },
                        },
                    },
                    "reason": _TEXT,
                    "replay": {**_TEXT, "description": "The command that reproduces it."},
                    "value": {**_NUMBER, "description": "The measured result as a number, in its unit."},
                    "uncertainty": {**_NUMBER, "minimum": 0, "description": "Half-width, in the same unit."},
                    "unit": _TEXT,
                },
            },
        },
    },
}

CAMPAIGN_SCHEMA: Final[dict[str, Any]] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "lostlink campaign",
    "type": "object",
    "required": ["schema", "conclusion", "head", "drawn", "confidence", "trials", "requirements"],
    "properties": {
        "schema": {"const": SCHEMA, "description": "Version of this layout."},
        "conclusion": _TEXT,
        "head": {
            "type": "object",
            "required": ["profile_sha256", "receiver", "lot", "engine", "trials_a_job"],
            "properties": {"receiver": {"type": ["string", "null"]}},
            "description": "What must be equal for a campaign to be continued.",
        },
        "engine": _TEXT,
        "drawn": {"type": "array", "items": _TEXT, "description": "Random parameters."},
        "confidence": {"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1},
        "rule": {"type": ["string", "null"]},
        "decision": {"type": ["string", "null"]},
        "answer": {"enum": [*ANSWER_CODES, None], "description": "To the claim; null without a decision."},
        "trials": _COUNT,
        "crashes": _COUNT,
        "losses": {
            "type": "array",
            "items": {"type": "array", "items": _COUNT, "minItems": 3, "maxItems": 3},
            "description": "Per mille of packets lost, flights, flights with a false failsafe.",
        },
        "requirements": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["id", "what", "judged", "failures"],
                "properties": {
                    "id": _NAME,
                    "what": _TEXT,
                    "judged": _COUNT,
                    "failures": _COUNT,
                    "upper_bound": {**_SHARE, "description": "Of the failure probability, one-sided."},
                    "limit_us": _TIME_US,
                    "worst": {
                        "type": "array",
                        "items": {
                            "type": "object",
                            "required": ["trial", "seed", "scenario"],
                            "properties": {
                                "trial": _COUNT, "seed": _SEED, "value_us": _TIME_US,
                                "scenario": {"type": "string", "maxLength": 200},
                            },
                        },
                    },
                    "quantiles": {
                        "type": "array",
                        "items": {
                            "type": "object",
                            "required": ["share", "value_us", "upper_us"],
                            "properties": {"share": _SHARE, "value_us": _TIME_US, "upper_us": _TIME_US},
                        },
                    },
                    "times": {
                        "type": "object",
                        "required": ["values_us", "counts"],
                        "properties": {
                            "values_us": {"type": "array", "items": {"type": "integer"}},
                            "counts": {"type": "array", "items": {"type": "integer", "minimum": 1}},
                        },
                        "description": "Each measured time, ascending, and in how many trials.",
                    },
                },
            },
        },
    },
}  # fmt: skip


def read_json(path: Path, schema: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return a JSON file of an evidence folder.

    Parameters
    ----------
    path : Path
    schema : dict, optional
        Its layout, to check it by.

    Raises
    ------
    EvidenceError
        If it cannot be read, is not JSON, has an unknown version, or another layout.
    """
    try:
        data = strict_json(read_text(path))
        json.dumps(data, ensure_ascii=False).encode()  # an escape can make a lone surrogate
    except OSError as error:
        raise EvidenceError(f"{path}: {error.strerror or error}; {ALLOWED}") from error
    except (ValueError, RecursionError) as error:
        raise EvidenceError(f"{path}: not JSON ({error}); {ALLOWED}") from error
    if not isinstance(data, dict) or "schema" not in data:
        raise EvidenceError(f"{path}: not evidence of lostlink; {ALLOWED}")
    if data["schema"] != SCHEMA or isinstance(data["schema"], bool):
        raise EvidenceError(f"{path}: unknown schema {data['schema']!r}; this version reads schema {SCHEMA}")
    if schema is not None:
        _check(path, data, schema)
    return data


def strict_json(text: str) -> Any:
    """Return the data of a JSON text in which no key is repeated and each number is finite.

    Raises
    ------
    ValueError
        If it is not such a text.
    RecursionError
        If it is nested too deep.
    """
    return json.loads(text, parse_constant=_refused, parse_float=_finite, object_pairs_hook=_without_repeats)


def _refused(name: str) -> float:
    raise ValueError(f"{name} is not a number of JSON")


def _finite(digits: str) -> float:
    value = float(digits)
    if math.isinf(value):
        raise ValueError(f"{digits[:LONGEST_VALUE]} is too large a number")
    return value


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) < len(pairs):
        names = [name for name, _ in pairs]
        repeated = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"{repeated[:LONGEST_VALUE]!r} is there twice")
    return table


def _check(path: Path, data: dict[str, Any], schema: dict[str, Any]) -> None:
    from jsonschema import Draft202012Validator  # on use: slow to import
    from jsonschema.exceptions import best_match

    error = best_match(Draft202012Validator(schema).iter_errors(data))
    if error is not None:
        shown = repr(error.instance)
        message = error.message if len(shown) <= LONGEST_VALUE else error.message.replace(shown, "the value")
        position = printable(error.json_path).removeprefix("$").removeprefix(".")
        raise EvidenceError(f"{path}: {position + ': ' if position else ''}{message}; {ALLOWED}")
