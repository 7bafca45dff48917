"""``lostlink hunt``: a search over fault timelines."""

from __future__ import annotations

from pathlib import Path

import click

from lostlink import safe_end
from lostlink.commands import shared
from lostlink.evidence.folder import write_files
from lostlink.hunt import search
from lostlink.hunt.description import Case, conclusion
from lostlink.hunt.evidence_files import files, prepare
from lostlink.hunt.runner import Budget
from lostlink.profiles import input_files, read_link
from lostlink.rigs import open_rig, receiver_file
from lostlink.show import hunt as screen
from lostlink.show.console import kept_line
from lostlink.verdicts import sides_with


@click.command("hunt")
@shared.profile_argument
@shared.receiver_option
@shared.handset_option
@click.option(
    "--runs", metavar="N", type=click.IntRange(1, 10_000_000), help="Runs to search for a finding.  [default: 1000]"
)
@click.option(
    "--budget",
    "budget_us",
    metavar="TIME",
    help='Time to search, such as "60 s"; the result then varies.',
    type=shared.Quantity("duration", at_least=1, allowed='a time such as "60 s"'),
)
@shared.seed_option
@click.option("--all", "find_all", is_flag=True, help="Continue with other requirements after the first finding.")
@shared.out_option("lostlink-hunt", "Folder for the findings.")
@shared.quiet_option
def command(
    profile: str | None,
    receiver: str | None,
    handset: str | None,
    runs: int | None,
    budget_us: int | None,
    seed: int,
    find_all: bool,
    out: str,
    quiet: bool,
) -> None:
    """Search for a fault timeline that breaks a requirement, and shrink it to the shortest and simplest one.

    Generates timelines (losses, interference, single packets, foreign and damaged packets, hung loops, resets, counter
    wraps, stick moves), runs each in simulation and checks it against invariants; critical ones first. A finding is
    shown as a timeline and saved as a scenario, which runs again in simulation and on a board.

    With --handset the packets of a handset are checked: main loop hung, resets, off and on, radio busy, contacts that
    bounce, broken stick wires, counter wraps, moves at any time. With --receiver both are checked together.

    With --runs the same seed finds the same; with --budget the hunt ends when the time is up. Shrinking a finding
    takes up to 600 further runs, with --budget up to 30 s. Finding nothing proves nothing.

    Exit codes: 0 nothing found, 1 a requirement is broken, 2 bad input, 130 interrupted (the best so far is saved).

    \b
    lostlink hunt my_link.toml --receiver my_receiver.py:MyReceiver
    lostlink hunt my_link.toml --receiver ./my_receiver.so --budget "60 s" --all
    lostlink hunt my_link.toml --handset my_handset.py:MyHandset
    """  # noqa: D301
    search.check_installed()
    link = read_link(profile)
    limits = Budget(
        runs=runs or (1000 if budget_us is None else None), seconds=None if budget_us is None else budget_us / 1e6
    )
    open_rig(link, receiver=receiver, handset=shared.simulated_handset(handset)).close()
    case = Case(profile, receiver, Path(out), handset)
    code, handset_code = receiver_file(receiver), receiver_file(handset)
    with prepare(out, [*input_files(profile, link), code, handset_code]) as folder:
        with screen.hunt_progress(limits) as progress:
            result = search.hunt(
                link, lambda: open_rig(link, receiver=receiver, handset=handset), seed=seed, budget=limits,
                find_all=find_all, progress=progress, sides=sides_with(receiver, handset),
            )  # fmt: skip
        with safe_end.undisturbed():  # what was found is kept
            try:
                if quiet:
                    click.echo(conclusion(result))
                else:
                    screen.show(result, case)
            finally:
                write_files(folder.path, files(result, case))
                folder.complete()
        if not quiet:
            kept_line(folder)
    raise SystemExit(result.exit_code)
