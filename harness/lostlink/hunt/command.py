"""``lostlink hunt``: parse, call, show, exit code. Nothing heavy is imported before it runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from lostlink.hunt.runner import Budget


@click.command("hunt")
@click.argument("profile", required=False)
@click.option(
    "--receiver", metavar="FILE.py:NAME", help="Receiver to hunt, or a shared library; the reference when left out."
)
@click.option("--runs", metavar="N", type=click.IntRange(1, 10_000_000), help="Runs to look for a finding (1000).")
@click.option("--budget", metavar="TIME", help='Time to look for one, such as "60 s"; the result then varies.')
@click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Names every random stream."
)
@click.option("--all", "find_all", is_flag=True, help="Go on for other requirements after the first finding.")
@click.option("--out", metavar="DIR", default="lostlink-hunt", show_default=True, help="Folder for what is found.")
@click.option("--quiet", is_flag=True, help="Show the conclusion only.")
def hunt_command(
    profile: str | None,
    receiver: str | None,
    runs: int | None,
    budget: str | None,
    seed: int,
    find_all: bool,
    out: str,
    quiet: bool,
) -> None:
    """Search for a timeline of faults that breaks a requirement, and make it as short and simple as it gets.

    Draws timelines (losses, interference, strays, foreign and damaged packets, hung loops, resets, wraps, stick
    moves), runs each in simulation and judges it by rules that must hold whatever happens; critical ones first. What
    is found is shown as a timeline and saved as a scenario, which runs again in simulation and on a board.

    With --runs the same seed finds the same; with --budget the hunt ends wherever it is. To make a finding small
    takes up to 600 runs more, with --budget up to 30 s. Nothing found is no proof.

    Exit codes: 0 nothing found, 1 a requirement is broken, 2 bad input, 130 interrupted (the best so far is saved).

    \b
    lostlink hunt my_link.toml --receiver my_receiver.py:MyReceiver
    lostlink hunt my_link.toml --receiver ./my_receiver.so --budget "60 s" --all
    """  # noqa: D301
    from lostlink.cli import _errors_in_words, _read

    with _errors_in_words():
        from pathlib import Path

        from lostlink.hunt import folder, report, search
        from lostlink.rigs import open_rig

        search.check_installed()
        link = _read(profile)
        limits = _budget(runs, budget)
        open_rig(link, receiver=receiver).close()
        case = report.Case(profile, receiver, folder.fresh_folder(Path(out)))
        with report.progress(limits) as told:
            found = search.hunt(
                link, lambda: open_rig(link, receiver=receiver), seed=seed, budget=limits, find_all=find_all,
                progress=told,
            )  # fmt: skip
        folder.write(found, case)
    if quiet:
        click.echo(report.conclusion(found))
    else:
        report.show(found, case)
    raise SystemExit(found.exit_code)


def _budget(runs: int | None, budget: str | None) -> Budget:
    """Return how much may be tried; a thousand runs unless told otherwise."""
    from lostlink.errors import ProfileError
    from lostlink.hunt.runner import Budget as Limits
    from lostlink.profiles.quantities import QuantityError, parse

    if budget is None:
        return Limits(runs=1000 if runs is None else runs)
    try:
        budget_us = parse(budget, "duration")
    except QuantityError as error:
        raise ProfileError(f"--budget: {error}") from error
    if budget_us <= 0:
        raise ProfileError(f'--budget {budget}: no time at all; allowed: a time such as "60 s"')
    return Limits(runs=runs, seconds=budget_us / 1_000_000)
