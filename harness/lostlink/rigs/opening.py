"""Opens the rig that the user named: a rig of this package from a table, of another from its entry point."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any, Final, cast

from lostlink import extensions, safe_end
from lostlink.errors import ReceiverError, UsageError
from lostlink.rigs.base import Rig
from lostlink.rigs.firmware import is_library
from lostlink.rigs.own_process import OwnProcessRig
from lostlink.rigs.sim import SimRig
from lostlink.varied.covering import TRIPLES, USUAL
from lostlink.verdicts import Side, sides_with
from lostlink_sims import Profile

SIM: Final = "sim"
BOARD: Final = "serial:"
"""What ``--handset`` begins with where it is a board."""

_RIGS: Final = {
    "serial": ("lostlink.rigs.serial", "SerialRig", "PORT"),
    "emulated": ("lostlink.rigs.emulated", "EmulatedRig", "IMAGE"),
    "emulated-live": ("lostlink.rigs.emulated_live", "LiveRig", "IMAGE"),
}
"""Name to module, class, and REST in ``--rig NAME:REST``. A module is imported when its rig is opened."""
_HANDSET_BOARD: Final = ("lostlink.rigs.serial_handset", "SerialHandsetRig")
_OPTIONS: Final = {
    "sim": ("--thorough", "--jobs"), "serial": ("--baud", "--thorough"), "emulated": ("--thorough", "--jobs"),
    "emulated-live": ("--thorough",),
}  # fmt: skip
"""Options of rigs; other rigs have none."""


def is_handset_board(handset: str | None) -> bool:
    """Return whether ``--handset`` names the port of a board."""
    return handset is not None and handset.startswith(BOARD)


def drives_hardware(where: str, handset: str | None = None) -> bool:
    """Return whether a motor may start on a rig; true for a package's rig that does not declare it.

    A receiver could hear a handset board.

    Raises
    ------
    RigError
        If the rig is unknown.
    """
    return is_handset_board(handset) or (where != SIM and bool(getattr(_rig(where), "drives_hardware", True)))


def sides_of(where: str, receiver: str | None, handset: str | None) -> frozenset[Side]:
    """Return what is under test on a rig; the receiver where a package's rig does not declare it.

    Raises
    ------
    UsageError
        If the rig is unknown.
    """
    return sides_with(receiver, handset) if where == SIM else getattr(_rig(where), "sides", Rig.sides)


def check_options(
    where: str,
    *,
    receiver: str | None = None,
    handset: str | None = None,
    baud: int | None = None,
    thorough: bool = False,
    props_off: bool = False,
    jobs: int | None = None,
) -> None:
    """Reject options that have no effect on a rig, and an unknown rig.

    Raises
    ------
    ReceiverError
        If ``--receiver`` is given for a rig that brings its own receiver.
    RigError
        If the rig is unknown.
    UsageError
        If another option has no effect there.
    """
    if where != SIM and receiver is not None:
        raise ReceiverError(
            f"--receiver {receiver}: with --rig {where} the receiver is the board; leave one of them out"
        )
    if where != SIM and handset is not None:
        raise UsageError(f"--handset {handset}: a receiver on a rig is tested by itself; leave out --rig {where}")
    if is_handset_board(handset) and receiver is not None:
        raise UsageError(f"--handset {handset}: a handset board is tested by itself; leave out --receiver {receiver}")
    for option, port in (("--rig", where), ("--handset", handset)):
        if port in ("serial", BOARD):
            raise UsageError(f"{option} {port}: names no port; `lostlink ports` lists them")
    kind = "serial" if is_handset_board(handset) else where.partition(":")[0]
    taken = [*_OPTIONS.get(kind, ()), *(["--props-off"] if drives_hardware(where, handset) else [])]
    given = {"--baud": baud is not None, "--thorough": thorough, "--props-off": props_off, "--jobs": jobs is not None}
    for option in given:
        if given[option] and option not in taken:
            given_as = f"--handset {handset}" if is_handset_board(handset) else f"--rig {where}"
            raise UsageError(f"{option}: does nothing with {given_as}; leave it out")


def open_rig(
    profile: Profile,
    *,
    where: str = SIM,
    receiver: str | None = None,
    handset: str | None = None,
    baud: int | None = None,
    thorough: bool = False,
) -> Rig:
    """Open the rig that the user named.

    Parameters
    ----------
    profile : Profile
    where : str
        ``sim``, ``serial:PORT`` with any port or URL, ``emulated:IMAGE`` or ``emulated-live:IMAGE``, or ``NAME:REST``
        for a rig of an installed package.
    receiver : str, optional
        For ``sim``: ``FILE.py:Name`` or a shared library. [default: reference receiver]
    handset : str, optional
        For ``sim``: ``FILE.py:Name`` or a shared library. Without a receiver only the handset is under test, else
        both. ``serial:PORT`` for a board.
    baud : int, optional
        For a serial port.
    thorough : bool
        Run all varied flights, in simulation so many that three values each occur together in every way; on a board
        run as many phases as in simulation.

    Raises
    ------
    ReceiverError
        If the receiver cannot be loaded, or the rig brings its own.
    RigError
        If the rig is unknown or cannot be opened.
    """
    check_options(where, receiver=receiver, handset=handset)
    if handset is not None and is_handset_board(handset):
        with safe_end.guarded():
            board: Rig = _class_of(*_HANDSET_BOARD)(profile, handset.removeprefix(BOARD), baud=baud, thorough=thorough)
            return safe_end.guard(board)
    if where == SIM:
        is_plain = receiver is None and handset is None
        simulated = SimRig(profile) if is_plain else OwnProcessRig(profile, receiver, handset)
        simulated.varied_strength = TRIPLES if thorough else USUAL
        return simulated
    name, _, rest = where.partition(":")
    rig = _rig(where)
    is_hardware = bool(getattr(rig, "drives_hardware", True))
    opened: Rig
    with safe_end.guarded(on=is_hardware):
        if name in _RIGS:
            opened = rig(profile, rest, baud=baud, thorough=thorough)
        else:
            opened = rig(profile, rest)
            opened.name = where
        return safe_end.guard(opened) if is_hardware else opened


def _rig(where: str) -> Callable[..., Any]:
    """Return the class, or the factory of a package, that opens a rig."""
    name = where.partition(":")[0]
    if name in _RIGS:
        module, class_name, _ = _RIGS[name]
        return _class_of(module, class_name)
    factory = extensions.load(extensions.RIGS, name)
    if factory is None:
        known = [f"{name}:{rest}" for name, (_, _, rest) in _RIGS.items()]
        known += [f"{name}:..." for name in extensions.names(extensions.RIGS)]
        raise UsageError(f"--rig {where}: unknown rig; allowed: {', '.join([SIM, *known])}")
    return cast(Callable[..., Any], factory)


def _class_of(module: str, class_name: str) -> Callable[..., Any]:
    return cast(Callable[..., Any], getattr(importlib.import_module(module), class_name))


def rig_file(where: str) -> str | None:
    """Return the image that ``--rig`` names; None for other rigs."""
    name, _, rest = where.partition(":")
    return rest if rest and name.startswith("emulated") else None


def receiver_file(receiver: str | None) -> str | None:
    """Return the file in ``--receiver`` or ``--handset``; None where it names none."""
    if receiver is not None and is_handset_board(receiver):
        return None
    if receiver is None or is_library(receiver):
        return receiver
    return receiver.rpartition(":")[0] or None
