"""Explanations: the texts in explanations.toml, completed with constants of the suite and values of a profile.

The source of the suite is parsed, not imported, because an import would load pytest and delay the command. Constants
and the locations of the tests are taken from the source.
"""

from __future__ import annotations

import ast
import functools
import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lostlink.measure import limits
from lostlink.requirements import CATALOGUE
from lostlink.verdicts import Requirement, Side, counted

if TYPE_CHECKING:
    from lostlink_sims import Profile
    from lostlink_sims._settings import Kind

_PACKAGE = Path(__file__).parents[1]
_SUITE = Path(__file__).parent

GROUPS: Final = {
    "FS": "link loss",
    "PW": "power-on and reset",
    "RC": "link return",
    "LK": "normal operation",
    "CH": "channels",
    "FR": "the pulse train",
    "LT": "latency",
    "DF": "comparison with the simulation",
    "HS": "a handset under test",
    "PR": "handset and receiver under test together",
}
"""Meaning of the first letters of an id."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The explanation of one requirement. `filled` replaces the names in braces in its texts.

    Attributes
    ----------
    requirement : Requirement
    why, tested, firmware : str
        Prose.
    measured : tuple of str
        Each measurement with its limit.
    untested : str
        When the verdict is "not tested"; empty if it never is.
    runs : int
        Flights in simulation, for each of `each`.
    or_more : bool
        Whether there may be some more.
    extra : int
        Flights beside these, not for each of `each`.
    extra_if : str
        A key of `CONDITIONS`, when `extra` are flown; empty if always.
    each : str
        A key of `COUNTS`; empty if the number of flights is the same for all profiles.
    mistakes, variants : tuple of str
        In words, and as switches of ``fixtures/board/faulty.c``.
    prepare, shown_with : str
        Commands needed before a variant can be tested, and the profile with which it fails.
    snippet : str
        Lines of C; may be empty.
    related : tuple of str
        Ids.
    where : tuple of str
        File in the suite and name of the test.
    """

    requirement: Requirement
    why: str
    tested: str
    measured: tuple[str, ...]
    runs: int
    mistakes: tuple[str, ...]
    variants: tuple[str, ...]
    firmware: str
    related: tuple[str, ...]
    where: tuple[str, str]
    or_more: bool = False
    each: str = ""
    extra: int = 0
    extra_if: str = ""
    untested: str = ""
    prepare: str = ""
    shown_with: str = "fixtures/profiles/heron.toml"
    snippet: str = ""


@functools.cache
def explanations() -> dict[str, Explanation]:
    """Return all explanations, in the order of the catalogue."""
    texts = tomllib.loads((_SUITE / "explanations.toml").read_text(encoding="utf-8"))
    where = {test.id: (path.name, test.name) for path in _SUITE.glob("test_*.py") for test in marked(path, "requires")}
    return {
        name: Explanation(requirement=required, where=where[name], **{k: _plain(v) for k, v in texts[name].items()})
        for name, required in CATALOGUE.items()
    }


def _plain(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(value)
    return value.strip("\n") if isinstance(value, str) else value


# --- parsing the suite -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Marked:
    """A test with its requirement, location and docstring."""

    id: str
    severity: str
    sentence: str
    name: str
    line: int
    docstring: str


_PARAMETERS = ("requirement_id", "severity", "sentence")  # of `lostlink.requirements.requirement`


def marked(path: Path, decorator: str) -> Iterator[Marked]:
    """Yield the tests of a file that carry a decorator such as ``@requires("FS-CUT")``.

    Raises
    ------
    SyntaxError, UnicodeDecodeError, ValueError, OSError
        If the file is not Python, or cannot be read.
    """
    for node in ast.walk(ast.parse(path.read_bytes())):
        if not isinstance(node, ast.FunctionDef):
            continue
        for mark in node.decorator_list:
            if isinstance(mark, ast.Call) and _name(mark.func) == decorator:
                given = dict(zip(_PARAMETERS, mark.args, strict=False))
                given.update((word.arg or "", word.value) for word in mark.keywords)
                name, severity, sentence = (_text(given.get(key)) for key in _PARAMETERS)
                yield Marked(name, severity, sentence, node.name, node.lineno, ast.get_docstring(node) or "")


def _text(node: ast.expr | None) -> str:
    return str(node.value) if isinstance(node, ast.Constant) else ""


def _name(node: ast.expr) -> str:
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


@functools.cache
def constants(path: Path) -> dict[str, Any]:
    """Return the constants of a module that are literals."""
    values = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        value = getattr(node, "value", None)
        if isinstance(target, ast.Name) and isinstance(value, ast.expr):
            try:
                values[target.id] = ast.literal_eval(value)
            except ValueError:
                continue
    return values


# --- values of a profile -----------------------------------------------------------------------------------------


def setting_text(key: str, profile: Profile) -> str:
    """Return the value in a profile of a key such as ``receiver.timeout``, with its unit.

    For ``channels.failsafe`` a value for each channel, for ``channels.reversed`` the names of those channels.
    """
    table, _, name = key.partition(".")
    if table != "channels":
        return _value_text(getattr(profile, table), name)
    values = [(channel.name, _value_text(channel, name)) for channel in profile.channels]
    if {value for _, value in values} <= {"true", "false"}:
        return ", ".join(channel for channel, value in values if value == "true") or "none"
    return ", ".join(f"{channel} {value}" for channel, value in values)


def _value_text(part: Any, name: str) -> str:
    from lostlink.profiles.models import settings_of
    from lostlink.profiles.writer import value_text

    field = settings_of(type(part))[name]
    value = getattr(part, field.name)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return (value_text(field, value) or "none").strip('"')


def _foreign_packets(profile: Profile) -> int:
    from lostlink_sims.profile import PAYLOAD_LIMIT_BYTES

    other_lengths = [n for n in (profile.payload_bytes - 1, profile.payload_bytes + 1) if 1 <= n <= PAYLOAD_LIMIT_BYTES]
    return len(other_lengths) + (profile.handset.link_id is not None)


def _sticks(profile: Profile) -> list[int]:
    return [index for index, channel in enumerate(profile.channels) if channel.kind == "stick"]


def _rails(profile: Profile, *always: str) -> int:
    from lostlink_sims.handset_program import tells_break

    throttle = profile.channels[profile.throttle_index]
    return len({rail for rail in ("low", "high") if tells_break(throttle, rail)}.union(always))


def _tested_rails(profile: Profile) -> int:
    from lostlink_sims.handset_program import idle_rail

    return _rails(profile, idle_rail(profile.channels[profile.throttle_index]))


def _tells_low_stop(profile: Profile) -> bool:
    from lostlink_sims.handset_program import idle_rail, tells_break

    throttle = profile.channels[profile.throttle_index]
    return tells_break(throttle, idle_rail(throttle))


COUNTS: Final[dict[str, Callable[[Profile], int]]] = {
    "channel": lambda profile: len(profile.channels),
    "stick": lambda profile: len(_sticks(profile)),
    "stick of those": lambda profile: sum(i < 2 or i == profile.throttle_index for i in _sticks(profile)),
    "kind of foreign packet": _foreign_packets,
    "rail at which a break can be told": _rails,
    "rail that is tested": _tested_rails,
}
"""For what some tests repeat their flights, and the number of these in a profile."""

CONDITIONS: Final[dict[str, Callable[[Profile], bool]]] = {
    "": lambda profile: True,
    "with a watchdog": lambda profile: profile.handset.watchdog_us > 0,
    "where a broken throttle wire can be told from the low stop": _tells_low_stop,
}
"""When some tests have flights more."""


def flights(explained: Explanation, profile: Profile) -> int:
    """Return the number of flights of a test in simulation."""
    times = COUNTS[explained.each](profile) if explained.each else 1
    return explained.runs * times + explained.extra * CONDITIONS[explained.extra_if](profile)


# --- filled texts ------------------------------------------------------------------------------------------------

_BRACES = re.compile(r"\{([A-Za-z0-9_.]+)\}")


def _safe_gap_us(profile: Profile) -> int:
    from lostlink.scenarios import ScenarioBuilder

    return ScenarioBuilder(profile, 1, "").safe_gap_us


_DERIVED: Final[dict[str, tuple[Callable[[Profile], float], Kind]]] = {
    "gap": (_safe_gap_us, "duration"),
    "rate_limit": (limits.interval_error_us, "duration"),
    "mean_limit": (limits.mean_error_us, "duration"),
    "pause_limit": (limits.pause_us, "duration"),
    "fresh_limit": (limits.fresh_us, "duration"),
    "age_limit": (limits.age_us, "duration"),
    "back_limit": (limits.back_us, "duration"),
    "settle_limit": (limits.settle_us, "duration"),
    "stand_limit": (limits.stand_us, "duration"),
    "stop_limit": (limits.hang_stop_us, "duration"),
    "code_limit": (limits.value_us, "width"),
    "battery_limit": (lambda profile: profile.battery_tolerance_mv, "voltage"),
    "ends_limit": (limits.ends_codes, "count"),
}
"""Values that follow from several keys of a profile."""


def filled(text: str, profile: Profile | None) -> str:
    """Return a text with the names in braces replaced, keys by ``key = value`` in round brackets, else ``value (key)``.

    Without a profile, by the key alone.
    """

    def put(match: re.Match[str]) -> str:
        name = match[1]
        if name in _DERIVED:
            return "" if profile is None else f", here {_derived_text(name, profile)}"
        if "." not in name:
            return _constant_text(name)
        if profile is None:
            return name
        before = text[: match.start()]
        inside = before.count("(") > before.count(")")
        value = setting_text(name, profile)
        return f"{name} = {value}" if inside else f"{value} ({name})"

    return _BRACES.sub(put, text)


def _constant_text(name: str) -> str:
    from lostlink.profiles.quantities import text_of

    files = [*_SUITE.glob("*.py"), Path(limits.__file__)]
    values = {constants(path)[name] for path in files if name in constants(path)}
    (value,) = values
    each = value if isinstance(value, tuple) else (value,)
    *most, last = (text_of(one, "duration") if name.endswith("_US") else str(one) for one in each)
    return f"{', '.join(most)} and {last}" if most else last


def _derived_text(name: str, profile: Profile) -> str:
    from lostlink.profiles.quantities import text_of

    calculate, kind = _DERIVED[name]
    value = calculate(profile)
    return str(value) if kind == "count" else text_of(value, kind)


def flights_text(explained: Explanation, profile: Profile | None) -> str:
    """Return the number of flights of a test in words; those of a handset under test are called runs."""
    word = "flight" if explained.requirement.side is Side.RECEIVER else "run"
    more = " or more" if explained.or_more else ""
    each = f" for each {explained.each}" if explained.each else ""
    if profile is None:
        also = f", and {explained.extra} more {explained.extra_if}".rstrip() if explained.extra else ""
        return f"{counted(explained.runs, word)}{each}{also}{more}{',' if each or also else ''} in simulation"
    count = flights(explained, profile)
    flown = counted(count, word) if count else f"no {word}"
    also = f" and {explained.extra} more" if explained.extra and each else ""
    return f"{flown}{more} in simulation" + (f", {explained.runs}{each}{also}" if each else "")
