"""Places where a scenario is run. Each has one method, ``run(scenario) -> Trace``.

A rig that must be opened and closed is a context manager as well. A test asks for what it needs by way of the
profile and the scenario, never for a rig's name.
"""

from __future__ import annotations

from lostlink.errors import RigError
from lostlink.rigs.base import Rig
from lostlink.rigs.firmware import is_library
from lostlink.rigs.sim import SimRig
from lostlink_sims import Profile

__all__ = ["Rig", "SimRig", "drives_hardware", "open_rig"]

SERIAL = "serial:"
EMULATED = ("emulated", "emulated-live")
_BUILT_IN = ("sim", "serial:PORT", *(f"{kind}:IMAGE" for kind in EMULATED))


def drives_hardware(where: str) -> bool:
    """Return whether a rig may set something in motion."""
    return where != "sim" and where.partition(":")[0] not in EMULATED


def open_rig(
    profile: Profile,
    *,
    where: str = "sim",
    receiver: str | None = None,
    baud: int | None = None,
    thorough: bool = False,
) -> Rig:
    """Open the rig that the user named.

    Parameters
    ----------
    profile : Profile
    where : str
        ``sim``, ``serial:PORT`` with any port or URL, ``emulated:IMAGE`` or ``emulated-live:IMAGE``, or ``NAME:REST``
        for a rig that a package adds.
    receiver : str, optional
        For ``sim``: ``FILE.py:Name`` or a shared library; the reference receiver when left out.
    baud : int, optional
        For a serial port.
    thorough : bool
        On a bench, fly at as many phases as in simulation.

    Raises
    ------
    ReceiverError
        If the receiver cannot be loaded.
    RigError
        If there is no such rig, or it cannot be opened.
    """
    if where.startswith(SERIAL):
        from lostlink.bench.line import DEFAULT_BAUD
        from lostlink.rigs.serial import SerialRig

        return SerialRig(profile, where.removeprefix(SERIAL), baud or DEFAULT_BAUD, thorough=thorough)
    kind, _, rest = where.partition(":")
    if kind in EMULATED:
        from lostlink.rigs import emulated

        if kind == emulated.LOCKSTEP:
            return emulated.EmulatedRig(profile, rest)
        return emulated.LiveRig(profile, rest, thorough=thorough)
    if where != "sim":
        return _installed(profile, where)
    if receiver is not None and is_library(receiver):
        from lostlink.rigs.compiled import CompiledRig

        return CompiledRig(profile, receiver)
    from lostlink.receivers import load_receiver

    return SimRig(profile, load_receiver(receiver))


def _installed(profile: Profile, where: str) -> Rig:
    """Open a rig that an installed package adds: its factory is called with the profile and what follows the colon."""
    from lostlink import extensions

    name, _, rest = where.partition(":")
    factory = extensions.load(extensions.RIGS, name)
    if factory is None:
        known = [f"{one}:..." for one in extensions.names(extensions.RIGS)]
        raise RigError(f"--rig {where}: there is no such rig; allowed: {', '.join([*_BUILT_IN, *known])}")
    rig: Rig = factory(profile, rest)
    return rig
