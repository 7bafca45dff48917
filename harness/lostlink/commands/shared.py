"""What several commands need: options, quantities, and the confirmation before hardware is driven."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from lostlink import extensions
from lostlink.children import MOST_PROCESSES
from lostlink.errors import UsageError
from lostlink.profiles.quantities import QuantityError, parse
from lostlink.results import CAUTIONS

_CONFIRMATION: Final = "props off"
_F = TypeVar("_F", bound=Callable[..., Any])


class Quantity(click.ParamType):  # type: ignore[type-arg]  # generic in newer versions only
    """A number with a unit, such as "500 ms", converted to the base unit of its kind.

    Parameters
    ----------
    kind : str
        A key of `lostlink.profiles.quantities.UNITS`.
    at_least, at_most : float, optional
        In the base unit.
    allowed : str
        The range as text, for the error message.
    """

    name = "quantity"

    def __init__(
        self, kind: str, *, at_least: float | None = None, at_most: float | None = None, allowed: str = ""
    ) -> None:
        self.kind, self.at_least, self.at_most, self.allowed = kind, at_least, at_most, allowed

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float | int:
        """Return the value in the base unit.

        Raises
        ------
        UsageError
            If it has no such unit or is out of range.
        """
        if not isinstance(value, str):
            return value  # type: ignore[no-any-return]
        option = param.opts[0] if param is not None else "value"
        try:
            number = parse(value, self.kind)
        except QuantityError as error:
            raise UsageError(f"{option}: {error}") from error
        too_small = self.at_least is not None and number < self.at_least
        if too_small or (self.at_most is not None and number > self.at_most):
            raise UsageError(f"{option} {value}: out of range; allowed: {self.allowed}")
        return number


class Number(click.FloatRange):
    """A number in a range; "nan" is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number."""
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a number", param, ctx)
        return number


# --- options ---------------------------------------------------------------------------------------------------------

profile_argument = click.argument("profile", required=False)
receiver_option = click.option(
    "--receiver",
    metavar="FILE.py:NAME",
    help="Receiver under test, or a shared library.  [default: reference receiver]",
)
handset_option = click.option(
    "--handset",
    metavar="FILE.py:NAME",
    help="Handset under test, a shared library, or serial:PORT of its board; together with --receiver, the pair.  "
    "[default: none]",
)
rig_option = click.option(
    "--rig",
    metavar="RIG",
    default="sim",
    show_default=True,
    help="Where to run: sim, serial:PORT, emulated:IMAGE or emulated-live:IMAGE.",
)
baud_option = click.option(
    "--baud", metavar="N", type=click.IntRange(300, 10_000_000), help="Serial baud rate.  [default: 250000]"
)
props_off_option = click.option(
    "--props-off", is_flag=True, help="Confirm: propellers off, flight battery disconnected, model restrained."
)
jobs_option = click.option(
    "--jobs", type=click.IntRange(1, MOST_PROCESSES), metavar="N", help="Processes.  [default: number of cores]"
)
seed_option = click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Random seed."
)
quiet_option = click.option("--quiet", is_flag=True, help="Show the conclusion only.")
force_option = click.option("--force", is_flag=True, help="Overwrite an existing file.")


def out_option(default: str | None, text: str = "Folder for the evidence.") -> Callable[[_F], _F]:
    """Return the option ``--out``."""
    return click.option("--out", metavar="DIR", default=default, show_default=default is not None, help=text)


def test_files(tests: Sequence[str]) -> list[Path]:
    """Return the files with custom requirements: paths, or names under which installed packages add them.

    Raises
    ------
    UsageError
        If a file does not exist, or is not a Python file.
    """
    files = []
    for name in tests:
        file = Path(name) if Path(name).is_file() else extensions.tests_file(name)
        if file is None:
            known = extensions.names(extensions.REQUIREMENTS)
            installed = f", or the name of an installed package's tests: {', '.join(known)}" if known else ""
            raise UsageError(f"--tests {name}: no such file; give a Python file with pytest tests{installed}")
        if file.suffix != ".py":
            raise UsageError(f"--tests {name}: not a Python file; give a Python file with pytest tests")
        files.append(file.resolve())
        if any(mark in str(files[-1]) for mark in ("::", "[")):
            raise UsageError(f"--tests {name}: pytest takes no path with '::' or '['; rename file or folder")
    return files


# --- hardware --------------------------------------------------------------------------------------------------------


def simulated_handset(handset: str | None) -> str | None:
    """Return what ``--handset`` names for a command that runs in simulation only.

    Raises
    ------
    UsageError
        If it is a board.
    """
    from lostlink.rigs import is_handset_board

    if is_handset_board(handset):
        raise UsageError(f"--handset {handset}: this command runs in simulation only; name a file of the program")
    return handset


def confirm_props_off(handset: str | None = None) -> None:
    """Show the cautions and ask for a typed confirmation, because a board may drive motors.

    Raises
    ------
    UsageError
        If it is not given.
    """
    from lostlink.rigs import is_handset_board

    for caution in CAUTIONS:
        click.echo(caution, err=True)
    if is_handset_board(handset):
        click.echo("The handset's own radio is off, or sends into a load.", err=True)
    try:
        answer = click.prompt(f'Type "{_CONFIRMATION}" to continue', err=True, default="", show_default=False)
    except click.Abort as abort:
        if isinstance(abort.__context__, KeyboardInterrupt):
            raise
        click.echo(err=True)
        answer = ""
    if answer.strip().lower() != _CONFIRMATION:
        raise UsageError(f'not confirmed, so no board is driven; type "{_CONFIRMATION}", or give --props-off')
