"""The command line: parse, call, show, exit code. Nothing heavy is imported before a command needs it."""

from __future__ import annotations

import contextlib
import datetime as dt
import difflib
import io
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from lostlink.campaigns.command import campaign_command
from lostlink.captures.command import read_command
from lostlink.compare.command import compare_command
from lostlink.explain.command import explain_command
from lostlink.hunt.command import hunt_command
from lostlink.new import new_command
from lostlink.planning.command import plan_command
from lostlink.report.command import report_command
from lostlink.watch.command import watch_command

if TYPE_CHECKING:
    from lostlink.prove import Result
    from lostlink_sims import Profile

BAD_INPUT, RIG_LOST, INTERRUPTED, NOBODY_READS = 2, 3, 130, 141
_RIG_HELP = "Where to run: sim, serial:PORT, emulated:IMAGE or emulated-live:IMAGE."


@contextlib.contextmanager
def _errors_in_words() -> Iterator[None]:
    """Turn the tool's own errors into one message and an exit code, without a traceback."""
    from lostlink.errors import LostlinkError, RigError

    try:
        yield
    except RigError as error:
        click.echo(f"lostlink: {error}", err=True)
        raise SystemExit(RIG_LOST) from None
    except LostlinkError as error:
        click.echo(f"lostlink: {error}", err=True)
        raise SystemExit(BAD_INPUT) from None


class _Main(click.Group):
    """Ends with a code of its own where nobody can read on: 1 would say that a requirement was not met."""

    def main(self, *args: Any, **extra: Any) -> Any:
        """Say in a line that something could not be written."""
        sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  there is none after >&-
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")  # a terminal that knows no micro sign shows "?"
        try:
            return super().main(*args, **extra)
        except OSError as error:
            _be_silent()
            click.echo(f"lostlink: {error.filename or 'output'}: {error.strerror or error}", err=True)
            raise SystemExit(BAD_INPUT) from None

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command and see that all it says is out."""
        try:
            try:
                return super().invoke(ctx)
            finally:
                sys.stdout.flush()
        except BrokenPipeError:
            _be_silent()
            raise SystemExit(NOBODY_READS) from None


def _be_silent() -> None:
    """Let what is still to be written go nowhere, so that Python does not stumble over it at its end."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@click.group(cls=_Main, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lostlink")
def main() -> None:
    """Prove that a radio-control link's failsafe cuts the throttle when the link goes away.

    \b
    Begin with:   lostlink new my_link.toml
                  lostlink prove my_link.toml

    Exit codes: 0 every requirement met, 1 at least one not met, 2 bad input, 3 the rig was lost, 4 none failed but
    at least one is inconclusive or not tested, 130 interrupted, 141 nobody read on (such as after `| head`).

    Whenever hardware is connected: propellers off, flight battery disconnected, model restrained. Keep to local
    radio and aviation rules. Requirements that are met say nothing about whether a model is safe to fly.
    """


@main.command()
@click.argument("profile", required=False)
@click.option(
    "--receiver", metavar="FILE.py:NAME", help="Receiver to test, or a shared library; the reference when left out."
)
@click.option("--rig", metavar="RIG", default="sim", show_default=True, help=_RIG_HELP)
@click.option("--baud", metavar="N", type=click.IntRange(300, 10_000_000), help="Bits in a second there (250000).")
@click.option("--props-off", is_flag=True, help="Propellers are off, flight battery disconnected: do not ask.")
@click.option("--thorough", is_flag=True, help="On a board, fly at as many phases as in simulation.")
@click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Names every random stream."
)
@click.option("--only", metavar="IDS", help="Requirements to test, separated by commas (FS-CUT,FS-STAY).")
@click.option("--tests", "tests", metavar="FILE.py", multiple=True, help="Further requirements of your own.")
@click.option("--out", metavar="DIR", default="lostlink-evidence", show_default=True, help="Folder for the evidence.")
@click.option("--quiet", is_flag=True, help="Show the conclusion only.")
def prove(
    profile: str | None,
    receiver: str | None,
    rig: str,
    baud: int | None,
    props_off: bool,
    thorough: bool,
    seed: int,
    only: str | None,
    tests: tuple[str, ...],
    out: str,
    quiet: bool,
) -> None:
    """Run the whole suite on a link and say, requirement by requirement, whether the failsafe works.

    PROFILE is a link profile (TOML); the plain home-built link when left out. The receiver runs in simulation:
    a class of yours with power_on, packet, poll and pulses, compiled firmware as a shared library, or the
    well-behaved reference receiver. With --rig serial:PORT it is a real board, in real time: the radio stays
    simulated, and the board's firmware gets the packets that survive over its serial port. With --rig
    emulated:IMAGE it is a firmware image on an emulated microcontroller, in virtual time (emulated-live:IMAGE: in
    real time).

    \b
    lostlink prove fixtures/profiles/heron.toml
    lostlink prove my_link.toml --receiver my_receiver.py:MyReceiver --seed 7
    lostlink prove my_link.toml --receiver ./my_receiver.so
    lostlink prove my_link.toml --rig serial:/dev/ttyACM0
    lostlink prove my_link.toml --rig emulated:build/receiver.elf
    """
    with _errors_in_words():
        link = _read(profile)
        ids = _ids(only)
        files = _test_files(tests)
        _check_rig(link, rig, receiver, baud, props_off=props_off)
        folder = _folder(out)
        started = dt.datetime.now(dt.UTC)
        from lostlink import evidence, show
        from lostlink.prove import Result, conclusion, run_suite
        from lostlink.report import write_report

        head = evidence.tested(
            link, profile_file=profile, receiver=receiver, rig=rig, seed=seed, only=ids, started=started
        )
        # Should the run be killed, the folder says so.
        evidence.write_evidence(folder, link, Result(interrupted=True), head)
        with show.progress() as told:
            result = run_suite(
                profile, receiver=receiver, rig=rig, baud=baud, thorough=thorough, seed=seed, only=ids,
                evidence=folder, progress=told,
                tests=files,
            )  # fmt: skip
        head["duration_s"] = round((dt.datetime.now(dt.UTC) - started).total_seconds(), 3)
        if rig != "sim":
            head["bench"] = result.rig
        evidence.write_evidence(folder, link, result, head)
        write_report(folder)
    if quiet:
        click.echo(conclusion(result))
    else:
        show.verdicts(result, head, folder)
    _complain(result)
    raise SystemExit(result.exit_code)


def _check_rig(link: Profile, rig: str, receiver: str | None, baud: int | None, *, props_off: bool) -> None:
    """See that the rig can be opened, and that nobody can be hurt by it."""
    from lostlink.errors import ReceiverError
    from lostlink.rigs import drives_hardware, open_rig

    if rig == "sim":
        open_rig(link, receiver=receiver).close()
        return
    if receiver is not None:
        raise ReceiverError(f"--receiver {receiver}: with --rig {rig} the receiver is the board; leave one of them out")
    if not props_off and drives_hardware(rig):
        _ask_for_props_off()
    open_rig(link, where=rig, baud=baud).close()


def _ask_for_props_off() -> None:
    """Show the cautions and have them confirmed in writing, because a board may drive motors."""
    from lostlink.errors import ProfileError
    from lostlink.evidence import CAUTIONS

    for caution in CAUTIONS:
        click.echo(caution, err=True)
    try:
        said = click.prompt("Type 'props off' when that is so", err=True, default="", show_default=False)
    except click.Abort:
        said = ""
    if said.strip().lower() != "props off":
        raise ProfileError("not confirmed, so no board is driven; allowed: type props off, or give --props-off")


def _complain(result: Result) -> None:
    if result.rig_lost:
        click.echo(f"lostlink: {result.rig_lost}", err=True)
    for error in result.errors:
        click.echo(f"lostlink: a test could not be run:\n{error}", err=True)


def _read(path: str | None) -> Profile:
    """Read a profile and check the ids that it waives."""
    from lostlink_sims import Profile

    if path is None:
        return Profile()
    from lostlink.profiles import read_profile

    profile = read_profile(path)
    _known(list(profile.requirements.waived), f"{path}: requirements.waived")
    return profile


def _ids(only: str | None) -> list[str]:
    ids = [name.strip() for name in only.split(",") if name.strip()] if only else []
    _known(ids, "--only")
    return ids


def _known(ids: list[str], where: str) -> None:
    from lostlink.errors import ProfileError
    from lostlink.requirements import CATALOGUE

    for name in ids:
        if name not in CATALOGUE and "-" in name and name.split("-")[0] not in {key.split("-")[0] for key in CATALOGUE}:
            continue  # a requirement of the user's own
        if name not in CATALOGUE:
            near = difflib.get_close_matches(name.upper(), CATALOGUE, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise ProfileError(f"{where}: no requirement {name!r}{hint} allowed: {', '.join(CATALOGUE)}")


def _test_files(tests: tuple[str, ...]) -> list[Path]:
    """Return the files with further requirements: the user's own, or those of installed packages by name."""
    from lostlink import extensions
    from lostlink.errors import ProfileError

    files = []
    for name in tests:
        file = Path(name) if Path(name).is_file() else extensions.tests_file(name)
        if file is None:
            known = extensions.names(extensions.REQUIREMENTS)
            besides = f", or those of an installed package: {', '.join(known)}" if known else ""
            raise ProfileError(
                f"--tests {name}: there is no such file; allowed: a Python file with pytest tests{besides}"
            )
        files.append(file.resolve())
    return files


def _folder(out: str) -> Path:
    from lostlink.errors import ProfileError
    from lostlink.evidence import fresh_folder

    try:
        return fresh_folder(Path(out))
    except OSError as error:
        raise ProfileError(f"--out {out}: {error.strerror}; allowed: a folder that can be written") from error


@main.command()
@click.option("--scenario", is_flag=True, help="The schema of scenario files in place of profiles.")
def schema(scenario: bool) -> None:
    """Write the JSON Schema of profiles (or scenarios) to standard output, for editors.

    \b
    lostlink schema > lostlink.schema.json
    """
    import json

    from lostlink.profiles import profile_schema, scenario_schema

    click.echo(json.dumps(scenario_schema() if scenario else profile_schema(), indent=2, ensure_ascii=False))


@main.command()
@click.argument("scenario", metavar="SCENARIO.toml")
@click.argument("profile", required=False)
@click.option(
    "--receiver", metavar="FILE.py:NAME", help="Receiver to run, or a shared library; the reference when left out."
)
@click.option("--rig", metavar="RIG", default="sim", show_default=True, help=_RIG_HELP)
@click.option("--baud", metavar="N", type=click.IntRange(300, 10_000_000), help="Bits in a second there (250000).")
@click.option("--props-off", is_flag=True, help="Propellers are off, flight battery disconnected: do not ask.")
@click.option("--vcd", metavar="FILE", help="Write the wires as VCD.")
@click.option("--csv", metavar="FILE", help="Write the events as CSV.")
def replay(
    scenario: str,
    profile: str | None,
    receiver: str | None,
    rig: str,
    baud: int | None,
    props_off: bool,
    vcd: str | None,
    csv: str | None,
) -> None:
    """Run one scenario, such as a saved failing run, and show what happened.

    \b
    lostlink replay lostlink-evidence/failing/FS-CUT.scenario.toml my_link.toml
    """
    with _errors_in_words():
        from lostlink import exports, show
        from lostlink.errors import ProfileError
        from lostlink.profiles import read_scenario
        from lostlink.rigs import drives_hardware, open_rig

        link = _read(profile)
        if drives_hardware(rig) and not props_off:
            _ask_for_props_off()
        place = open_rig(link, where=rig, receiver=receiver, baud=baud)
        try:
            trace = place.run(read_scenario(scenario, link))
        finally:
            place.close()
        for path, text in ((vcd, exports.vcd_text), (csv, exports.csv_text)):
            if path is not None:
                try:
                    Path(path).write_text(text(trace), encoding="utf-8")
                except OSError as error:
                    raise ProfileError(f"{path}: {error.strerror}; allowed: a file that can be written") from error
    show.run(trace)


@main.command()
@click.argument("profile", required=False)
def header(profile: str | None) -> None:
    """Write a profile's facts as a C header to standard output, for firmware that is to be tested against it.

    \b
    lostlink header my_link.toml > link.h
    """
    with _errors_in_words():
        from lostlink.profiles.header import c_header

        click.echo(c_header(_read(profile)), nl=False)


@main.command()
@click.argument("port", nargs=-1)
@click.option("--baud", metavar="N", type=click.IntRange(300, 10_000_000), default=250_000, show_default=True)
def ports(port: tuple[str, ...], baud: int) -> None:
    """Show the serial ports that are there, what answers on each, and why one cannot be opened.

    PORT may name others, such as socket://host:port. To open a port restarts some boards: propellers off.

    \b
    lostlink ports
    """
    with _errors_in_words():
        from lostlink import show
        from lostlink.bench import ports as looking

        found = looking.look([(name, "") for name in port] or looking.present(), baud)
    show.ports(found)
    raise SystemExit(0 if any(one.answers for one in found) or not port else RIG_LOST)


main.add_command(watch_command)
main.add_command(read_command)
main.add_command(new_command)
main.add_command(plan_command)
main.add_command(compare_command)
main.add_command(explain_command)
main.add_command(hunt_command)
main.add_command(campaign_command)
main.add_command(report_command)


if __name__ == "__main__":
    sys.exit(main())
