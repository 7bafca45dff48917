"""Extensions: receivers, loss models, rigs and requirements that other packages add as entry points.

An installed package names them in its ``pyproject.toml``::

    [project.entry-points."lostlink.receivers"]
    my-receiver = "my_package.receivers:MyReceiver"      # --receiver my-receiver

    [project.entry-points."lostlink.loss_models"]
    "tree line" = "my_package.losses:TreeLine"           # model = "tree line" in a profile

    [project.entry-points."lostlink.rigs"]
    my-bench = "my_package.rigs:open_bench"              # --rig my-bench:REST

    [project.entry-points."lostlink.requirements"]
    our-field = "my_package.test_our_field"              # --tests our-field

Each is loaded when its name is used. A broken one is an error that names it.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any, Final

from lostlink.errors import LostlinkError

RECEIVERS: Final = "lostlink.receivers"
HANDSETS: Final = "lostlink.handsets"
LOSS_MODELS: Final = "lostlink.loss_models"
RIGS: Final = "lostlink.rigs"
REQUIREMENTS: Final = "lostlink.requirements"


class ExtensionError(LostlinkError):
    """A package that adds something is broken: correct or remove it."""


def _points(**chosen: str) -> Any:
    from importlib.metadata import entry_points

    return entry_points(**chosen)


def names(group: str) -> list[str]:
    """Return the names that installed packages add to a group."""
    return sorted({point.name for point in _points(group=group)})


def load(group: str, name: str) -> Any:
    """Return what an installed package adds under a name; None if none does.

    Raises
    ------
    ExtensionError
        If it cannot be loaded.
    """
    for point in _points(group=group, name=name):
        try:
            return point.load()
        except (Exception, SystemExit) as error:
            raise ExtensionError(
                f"{name!r} of {_package(point)} ({point.value}) cannot be loaded: {type(error).__name__}: {error}; "
                f"correct its entry point in {group}, or remove the package"
            ) from error
    return None


def _package(point: Any) -> str:
    return f"package {point.dist.name} {point.dist.version}" if point.dist is not None else "a package"


def tests_file(name: str) -> Path | None:
    """Return the file of an installed module with requirements; None if no package adds that name.

    Raises
    ------
    ExtensionError
        If the module is missing.
    """
    for point in _points(group=REQUIREMENTS, name=name):
        try:
            spec = importlib.util.find_spec(point.value)
        except (ImportError, ValueError):
            spec = None
        if spec is None or spec.origin is None:
            raise ExtensionError(
                f"--tests {name}: {_package(point)} names the module {point.value!r}, which is missing; "
                "give a module with pytest tests"
            )
        return Path(spec.origin)
    return None


def loss_models() -> dict[str, Any]:
    """Return all loss models by their names in profiles: the built-in ones, then those that packages add.

    Raises
    ------
    ExtensionError
        If one cannot be loaded, or is not a loss model of its name.
    """
    from lostlink_sims.air.loss import MODELS

    models: dict[str, Any] = dict(MODELS)
    for name in names(LOSS_MODELS):
        if name not in models:
            model = load(LOSS_MODELS, name)
            if getattr(model, "model", None) != name or not callable(getattr(model, "sampler", None)):
                raise ExtensionError(
                    f"loss model {name!r}: {model!r} is not a loss model; allowed: a frozen dataclass with "
                    f"model = {name!r} and sampler()"
                )
            models[name] = model
    return models
