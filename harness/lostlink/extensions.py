"""What other packages add: receivers, loss models, rigs and requirements, as entry points.

An installed package names them in its ``pyproject.toml``, and they are known by these names from then on::

    [project.entry-points."lostlink.receivers"]
    my-receiver = "my_package.receivers:MyReceiver"      # --receiver my-receiver

    [project.entry-points."lostlink.loss_models"]
    "tree line" = "my_package.losses:TreeLine"           # model = "tree line" in a profile

    [project.entry-points."lostlink.rigs"]
    my-bench = "my_package.rigs:open_bench"              # --rig my-bench:REST

    [project.entry-points."lostlink.requirements"]
    our-field = "my_package.test_our_field"              # --tests our-field

Each is loaded when its name is used and not before; one that is broken is an error that names it, where it is used.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any, Final

from lostlink.errors import LostlinkError

RECEIVERS: Final = "lostlink.receivers"
LOSS_MODELS: Final = "lostlink.loss_models"
RIGS: Final = "lostlink.rigs"
REQUIREMENTS: Final = "lostlink.requirements"


class ExtensionError(LostlinkError):
    """A package that adds something is broken: mend or remove it."""


def names(group: str) -> list[str]:
    """Return the names that installed packages add to a group."""
    from importlib.metadata import entry_points

    return sorted({point.name for point in entry_points(group=group)})


def load(group: str, name: str) -> Any:
    """Return what an installed package adds under a name, None when none does.

    Raises
    ------
    ExtensionError
        If it cannot be loaded.
    """
    from importlib.metadata import entry_points

    for point in entry_points(group=group, name=name):
        try:
            return point.load()
        except (Exception, SystemExit) as error:
            raise ExtensionError(
                f"{name!r} of {_package(point)} ({point.value}) cannot be loaded: {type(error).__name__}: {error}; "
                f"allowed: an installed package whose entry point in {group} works"
            ) from error
    return None


def _package(point: Any) -> str:
    return f"package {point.dist.name} {point.dist.version}" if point.dist is not None else "a package"


def tests_file(name: str) -> Path | None:
    """Return the file of an installed module with requirements, None when there is none of that name.

    Raises
    ------
    ExtensionError
        If the module is not where its package says.
    """
    from importlib.metadata import entry_points

    for point in entry_points(group=REQUIREMENTS, name=name):
        try:
            found = importlib.util.find_spec(point.value)
        except (ImportError, ValueError):
            found = None
        if found is None or found.origin is None:
            raise ExtensionError(
                f"--tests {name}: {_package(point)} names the module {point.value!r}, which is not there; "
                "allowed: a module with pytest tests"
            )
        return Path(found.origin)
    return None


def loss_models() -> dict[str, Any]:
    """Return all loss models by the names that they have in profiles: our own, then those that packages add.

    Raises
    ------
    ExtensionError
        If one cannot be loaded, or is not a loss model of its name.
    """
    from lostlink_sims.air.loss import MODELS

    models: dict[str, Any] = dict(MODELS)
    for name in names(LOSS_MODELS):
        if name not in models:
            models[name] = _checked(name, load(LOSS_MODELS, name))
    return models


def _checked(name: str, model: Any) -> Any:
    if getattr(model, "model", None) != name or not callable(getattr(model, "sampler", None)):
        raise ExtensionError(
            f"loss model {name!r}: {model!r} is none; allowed: a frozen dataclass with model = {name!r} and sampler()"
        )
    return model
