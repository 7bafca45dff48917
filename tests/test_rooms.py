"""Who may import whom: each room only rooms on lower floors, the simulation nothing of the harness, no circles."""

from __future__ import annotations

import ast
import functools
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = {"lostlink_sims": ROOT / "sims" / "lostlink_sims", "lostlink": ROOT / "harness" / "lostlink"}

FLOORS = (
    "errors",
    "files",
    "verdicts extensions children safe_end",
    "requirements",
    "results",
    "profiles",
    "measure scenarios",
    "bench invariants varied",
    "rigs",
    "evidence contracts",
    "suite",
    "plugin campaigns hunt captures watch",
    "planning",
    "report",
    "show",
    "commands",
    "cli",
    "__main__",
)
"""Rooms of the harness, the lowest first. All of them stand on the simulation, and none of one floor on another."""
PURE = ("captures", "campaigns", "hunt", "planning", "watch", "measure", "verdicts")
"""Rooms that show nothing: they never import a screen, the report, a command, or what draws on a terminal."""
KNOWN: dict[tuple[str, str], str] = {}
"""Imports against the rules that are still there, by file and module, with the reason."""


@dataclass(frozen=True)
class Import:
    """One name that a file imports: a module, or a name in one."""

    file: Path
    line: int
    importer: str
    module: str

    def breaks(self, rule: str) -> str:
        return f"{self.file.relative_to(ROOT)}:{self.line}: {self.importer} imports {self.module}; {rule}"


@functools.cache
def modules() -> dict[str, Path]:
    """Return the files of both packages by the names of their modules."""
    found = {}
    for name, folder in PACKAGES.items():
        for file in sorted(folder.rglob("*.py")):
            parts = (name, *file.relative_to(folder).with_suffix("").parts)
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return found


def is_for_types_only(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


def statements(node: ast.AST) -> Iterator[ast.Import | ast.ImportFrom]:
    """Return all imports that may happen, also those inside functions."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import | ast.ImportFrom):
            yield child
        elif is_for_types_only(child):
            assert isinstance(child, ast.If)
            for other in child.orelse:
                yield from statements(other)
        else:
            yield from statements(child)


def imports_in(tree: ast.AST, importer: str, file: Path) -> Iterator[Import]:
    for node in statements(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            inside = [f"{node.module}.{alias.name}" for alias in node.names]
            names = [name if name in modules() else str(node.module) for name in inside]
        yield from (Import(file, node.lineno, importer, name) for name in dict.fromkeys(names))


@functools.cache
def imports() -> tuple[Import, ...]:
    """Return every import in both packages."""
    return tuple(
        found
        for importer, file in modules().items()
        for found in imports_in(ast.parse(file.read_text(encoding="utf-8")), importer, file)
    )


def room(module: str) -> str:
    """Return the package or top module of the harness; empty for `lostlink` itself, which is below all."""
    return module.split(".")[1] if "." in module else ""


@functools.cache
def floors() -> dict[str, int]:
    return {name: number for number, names in enumerate(FLOORS, 1) for name in names.split()} | {"": 0}


def is_harness(module: str) -> bool:
    return module.split(".")[0] == "lostlink"


def wrong_floor(found: Import) -> str:
    """Return what is wrong with an import within the harness, or nothing."""
    importer, imported = room(found.importer), room(found.module)
    if importer == imported or floors()[imported] < floors()[importer]:
        return ""
    return found.breaks(f"the room {imported} is not on a lower floor than {importer} (FLOORS in this test)")


def test_every_room_has_a_floor() -> None:
    rooms = {room(name) for name in modules() if is_harness(name)}
    assert rooms == set(floors())


def test_imports_go_down() -> None:
    """Also inside functions; what only a type checker reads does not count."""
    within = [one for one in imports() if is_harness(one.importer) and is_harness(one.module)]
    wrong = {(one.importer, one.module): wrong_floor(one) for one in within if wrong_floor(one)}
    assert not [text for edge, text in wrong.items() if edge not in KNOWN]
    assert set(KNOWN) <= set(wrong), "an exception in KNOWN is not needed any more"


def test_an_import_upwards_would_be_seen() -> None:
    """At the top, in a function, and of a submodule by its package; not where only types are checked."""
    text = (
        "from lostlink.show import console\n"
        "def f():\n    import lostlink.commands.prove\n"
        "if TYPE_CHECKING:\n    from lostlink.cli import main\n"
    )
    found = list(imports_in(ast.parse(text), "lostlink.hunt.search", ROOT / "search.py"))
    assert [(one.line, one.module) for one in found] == [(1, "lostlink.show.console"), (3, "lostlink.commands.prove")]
    assert wrong_floor(found[0]) == (
        "search.py:1: lostlink.hunt.search imports lostlink.show.console; "
        "the room show is not on a lower floor than hunt (FLOORS in this test)"
    )
    assert wrong_floor(found[1])


def test_no_circles_between_files() -> None:
    """Files in the order of their imports; where none is left without an import of another, there is a circle."""
    needs: dict[str, set[str]] = {name: set() for name in modules()}
    for one in imports():
        if one.module in needs:
            needs[one.importer].add(one.module)
    while free := [name for name, others in needs.items() if not others & set(needs)]:
        for name in free:
            del needs[name]
    circle = {name: sorted(others & set(needs)) for name, others in needs.items()}
    assert not circle, f"these files import each other, in a circle: {circle}"


def test_the_simulation_knows_no_harness() -> None:
    rule = "the simulation never imports the harness"
    assert not [one.breaks(rule) for one in imports() if not is_harness(one.importer) and is_harness(one.module)]


def test_pure_rooms_show_nothing() -> None:
    wrong = [
        one.breaks(f"{room(one.importer)} shows nothing")
        for one in imports()
        if is_harness(one.importer) and room(one.importer) in PURE
        if one.module.split(".")[0] in ("click", "rich")
        or (is_harness(one.module) and room(one.module) in ("show", "report", "commands"))
    ]
    assert not wrong


# --- the simulation ---------------------------------------------------------------------------------------------------

SIMULATION = sorted(PACKAGES["lostlink_sims"].rglob("*.py"))
IMPURE = {"time", "datetime", "random", "os", "pathlib", "io", "logging", "socket", "threading"}


@pytest.mark.parametrize("file", SIMULATION, ids=lambda file: str(file.relative_to(PACKAGES["lostlink_sims"])))
def test_the_simulation_is_pure(file: Path) -> None:
    """It imports numpy and simpy only, never the harness, no clock, no files, no printing."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    imported = {one.module.split(".")[0] for one in imports_in(tree, file.stem, file)}
    assert not imported - {"numpy", "simpy", "lostlink_sims"} - set(sys.stdlib_module_names)
    assert not imported & IMPURE
    calls = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not calls & {"print", "open", "input"}


# --- what a start loads -----------------------------------------------------------------------------------------------

HEAVY = "{'numpy', 'simpy', 'rich', 'scipy', 'vcd', 'serial', 'lostlink_sims'}"


@pytest.mark.parametrize(
    ("load", "heavy"),
    [
        ("from lostlink.cli import main; main(['--help'], standalone_mode=False)", f"{HEAVY} | {{'pytest'}}"),
        ("import lostlink.plugin", HEAVY),
    ],
    ids=["help", "plugin"],
)
def test_nothing_heavy_is_imported(load: str, heavy: str) -> None:
    """What makes a start slow waits for the command that needs it; the plugin is in every pytest run."""
    code = f"import sys; {load}; found = ({heavy}) & set(sys.modules); sys.exit(f'imported: {{found}}' if found else 0)"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert run.returncode == 0, run.stderr


# --- what a package offers --------------------------------------------------------------------------------------------


def test_packages_say_what_they_offer() -> None:
    """Each has ``__all__``."""
    packages = {name: file for name, file in modules().items() if file.name == "__init__.py"}
    missing = {name for name, file in packages.items() if "__all__" not in file.read_text(encoding="utf-8")}
    assert not missing
