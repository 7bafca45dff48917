"""``lostlink replay``: one scenario."""

from __future__ import annotations

import click

from lostlink.commands import shared
from lostlink.evidence import exports
from lostlink.files import output_files
from lostlink.profiles import input_files, read_link, read_scenario
from lostlink.rigs import check_options, drives_hardware, open_rig, receiver_file, rig_file
from lostlink.show.run import run


@click.command("replay")
@click.argument("scenario", metavar="SCENARIO.toml")
@shared.profile_argument
@shared.receiver_option
@shared.handset_option
@shared.rig_option
@shared.baud_option
@shared.props_off_option
@click.option("--vcd", metavar="FILE", help="Write the signals as VCD.")
@click.option("--csv", metavar="FILE", help="Write the events as CSV.")
@shared.force_option
def command(
    scenario: str,
    profile: str | None,
    receiver: str | None,
    handset: str | None,
    rig: str,
    baud: int | None,
    props_off: bool,
    vcd: str | None,
    csv: str | None,
    force: bool,
) -> None:
    """Run one scenario, such as a saved failure, and show what happened.

    \b
    lostlink replay lostlink-evidence/failing/FS-CUT.scenario.toml my_link.toml
    """  # noqa: D301
    code, handset_code = receiver_file(receiver), receiver_file(handset)
    check_options(rig, receiver=receiver, handset=handset, baud=baud, props_off=props_off)
    link = read_link(profile)
    inputs = (scenario, *input_files(profile, link), code, handset_code, rig_file(rig))
    vcd_file, csv_file = output_files({"--vcd": vcd, "--csv": csv}, force=force, inputs=inputs)
    saved = read_scenario(scenario, link)
    if drives_hardware(rig, handset) and not props_off:
        shared.confirm_props_off(handset)
    with open_rig(link, where=rig, receiver=receiver, handset=handset, baud=baud) as opened:
        trace = opened.run(saved)
    run(trace)
    vcd_file.write(lambda: exports.vcd_text(trace))
    csv_file.write(lambda: exports.csv_text(trace))
