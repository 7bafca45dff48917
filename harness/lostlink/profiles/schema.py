"""JSON Schema (2020-12) of profile and scenario files, for editors. Derived from the declarations."""

from __future__ import annotations

import dataclasses
from typing import Any

from lostlink.extensions import loss_models
from lostlink.profiles.models import settings_of
from lostlink.profiles.quantities import EXAMPLE, UNITS, text_of
from lostlink_sims import Move, Profile, Scenario
from lostlink_sims._settings import declaration
from lostlink_sims.profile import Channel
from lostlink_sims.scenario import FAULTS

_DRAFT = "https://json-schema.org/draft/2020-12/schema"


def _units(kind: str) -> str:
    """Return the units of a kind as alternatives of a pattern; a duration may be given as a rate."""
    units = "|".join([*UNITS[kind], *(UNITS["frequency"] if kind == "duration" else ())])
    return units.replace("µ", "[µμ]")  # micro sign and Greek letter


def _setting(field: dataclasses.Field[Any]) -> dict[str, Any]:
    setting = declaration(field)
    schema: dict[str, Any] = {"description": setting.doc}
    kind, default = setting.kind, field.default
    if kind in UNITS:
        schema |= {
            "type": "string",
            "pattern": rf"^\s*[+-]?[0-9]+(\.[0-9]+)?\s*({_units(kind)})\s*$",
            "examples": [EXAMPLE[kind]],
        }
        if kind == "share":
            schema = {"description": setting.doc, "oneOf": [
                {"type": "string", "pattern": r"^\s*[+-]?[0-9]+(\.[0-9]+)?\s*%?\s*$", "examples": [EXAMPLE[kind]]},
                {"type": "number", "minimum": setting.least, "maximum": setting.most},
            ]}  # fmt: skip
        if isinstance(default, (int, float)):
            schema["default"] = text_of(default, kind)
        return schema
    if kind == "flag":
        schema["type"] = "boolean"
    elif kind == "count":
        schema["type"] = "number" if isinstance(default, float) else "integer"
        schema |= {
            name: limit for name, limit in (("minimum", setting.least), ("maximum", setting.most)) if limit is not None
        }
    elif kind == "choice":
        schema |= {"type": "string", "enum": list(setting.choices)}
    elif isinstance(default, tuple):
        schema |= {"type": "array", "items": {"type": "string"}}
    elif field.name == "arm_channel":
        schema |= {"oneOf": [{"type": "string", "minLength": 1}, {"const": False}]}
    else:
        schema |= {"type": "string", "minLength": 1}
    if isinstance(default, (bool, int, float, str)):
        schema["default"] = default
    return schema


def _table(cls: type, **extra: Any) -> dict[str, Any]:
    settings = settings_of(cls)
    properties = {**extra, **{key: _setting(field) for key, field in settings.items()}}
    required = [name for name, part in extra.items() if "const" in part and name != "schema"]
    required += [key for key, field in settings.items() if field.default is dataclasses.MISSING]
    schema = {
        "type": "object",
        "description": (cls.__doc__ or "").split("\n")[0],
        "properties": properties,
        "additionalProperties": False,
    }
    return {**schema, "required": required} if required else schema


def _one_of(kinds: dict[str, Any], word: str) -> dict[str, Any]:
    options = [_table(cls, **{word: {"const": name}}) for name, cls in kinds.items()]
    return {"type": "array", "items": {"oneOf": options}}


def profile_schema() -> dict[str, Any]:
    """Return the schema of profile files."""
    parts: dict[str, Any] = {"schema": {"const": 1, "description": "Version of this layout."}}
    for field in dataclasses.fields(Profile):
        if field.name == "channels":
            parts["channels"] = {"type": "array", "minItems": 1, "items": _table(Channel)}
        elif "setting" not in field.metadata:
            extra = {"losses": _one_of(loss_models(), "model")} if field.name == "radio" else {}
            parts[field.name] = _table(type(field.default), **extra)
    return {"$schema": _DRAFT, "title": "lostlink profile", **_table(Profile, **parts)}


def scenario_schema() -> dict[str, Any]:
    """Return the schema of scenario files."""
    parts = {"moves": {"type": "array", "items": _table(Move)}, "faults": _one_of(dict(FAULTS), "fault")}
    return {"$schema": _DRAFT, "title": "lostlink scenario", **_table(Scenario, **parts)}
