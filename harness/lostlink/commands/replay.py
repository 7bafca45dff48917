"""``lostlink replay``: one scenario."""

from __future__ import annotations

import click

from lostlink.commands import shared
from lostlink.evidence import exports
from lostlink.profiles import read_link, read_scenario
from lostlink.rigs import check_receiver_option, drives_hardware, open_rig, safe_end
from lostlink.show.run import run


@click.command("replay")
@click.argument("scenario", metavar="SCENARIO.toml")
@shared.profile_argument
@shared.receiver_option
@shared.rig_option
@shared.baud_option
@shared.props_off_option
@click.option("--vcd", metavar="FILE", help="Write the signals as VCD.")
@click.option("--csv", metavar="FILE", help="Write the events as CSV.")
def command(
    scenario: str,
    profile: str | None,
    receiver: str | None,
    rig: str,
    baud: int | None,
    props_off: bool,
    vcd: str | None,
    csv: str | None,
) -> None:
    """Run one scenario, such as a saved failure, and show what happened.

    \b
    lostlink replay lostlink-evidence/failing/FS-CUT.scenario.toml my_link.toml
    """  # noqa: D301
    link = read_link(profile)
    saved = read_scenario(scenario, link)
    check_receiver_option(rig, receiver)
    is_hardware = drives_hardware(rig)
    if is_hardware and not props_off:
        shared.confirm_props_off()
    with safe_end.guarded(on=is_hardware), open_rig(link, where=rig, receiver=receiver, baud=baud) as where:
        trace = where.run(saved)
    inputs = [name for name in (scenario, profile) if name]
    for option, path, text in (("--vcd", vcd, exports.vcd_text), ("--csv", csv, exports.csv_text)):
        if path is not None:
            shared.write_output(option, path, text(trace), inputs=inputs)
    run(trace)
