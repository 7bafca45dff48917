"""The suite over a rig, as `lostlink prove` runs it, without the command line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from lostlink.profiles import read_link
from lostlink.results import Result
from lostlink.rigs import SIM, open_rig
from lostlink.suite.run import run_suite


def prove(
    profile: str | Path | None,
    *,
    receiver: str | None = None,
    rig: str = SIM,
    baud: int | None = None,
    thorough: bool = False,
    **options: Any,
) -> Result:
    """Open the rig, run the suite on it and return the result."""
    link = read_link(profile)
    opened = open_rig(link, where=rig, receiver=receiver, baud=baud, thorough=thorough)
    named = (("profile", profile), ("receiver", receiver), ("rig", rig), ("baud", baud))
    return run_suite(link, opened, named=named, **options)
