"""``lostlink plan``: timeout, latency, range, and a loss model fitted to recorded packets."""

from __future__ import annotations

import contextlib
import csv
import dataclasses
import io
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import click

from lostlink.commands import shared
from lostlink.errors import UsageError
from lostlink.files import OutputFile, output_files, read_text
from lostlink.planning import fit, latency, link_range, timeout
from lostlink.planning.adequacy import adequacy
from lostlink.planning.loss_log import LossLog, read_loss_log
from lostlink.profiles import input_files, read_link, recorded_losses
from lostlink.report import plan_pages as pages
from lostlink.report.plans import PlanPage, plan_text
from lostlink.show import plan as screen
from lostlink.show.console import cautions

_TIMEOUT_COLUMNS = (
    "timeout_us", "lost_packets", "false_per_hour", "upper_per_hour", "chance_per_flight", "upper_chance_per_flight",
    "independent_per_hour", "mean_cut_us", "worst_cut_us", "blind_m", "fall_m",
)  # fmt: skip


@click.group("plan")
def command() -> None:
    """Plan a link before the first flight: timeout, latency, range, and a loss model fitted to recorded packets.

    \b
    lostlink plan timeout my_link.toml
    lostlink plan latency my_link.toml
    """  # noqa: D301


def _output_options(function: Callable[..., None]) -> Callable[..., None]:
    """Add the options that `_Outputs` takes."""
    csv_option = click.option("--csv", metavar="FILE", help="Write the table as CSV.")
    report_option = click.option("--report", metavar="FILE.html", help="Write the curves as an HTML page.")
    return csv_option(report_option(shared.force_option(function)))


class _Outputs:
    """The files of a plan, ``--csv`` and ``--report``, checked before the work begins."""

    def __init__(self, inputs: list[str | Path], csv: str | None, report: str | None, force: bool) -> None:
        named = {"--csv": csv, "--report": report}
        self._csv, self._report = output_files(named, force=force, inputs=inputs)

    def write(self, header: Sequence[str], rows: Iterable[Sequence[Any]], page: Callable[[], PlanPage]) -> None:
        """Write the table and the page; show the cautions."""
        self._csv.write(lambda: _csv_text(header, rows))
        self._report.write(lambda: plan_text(page()))
        if self._report.path is not None:
            click.echo(f"Page: {self._report.path}")
        cautions()


def _csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([header, *rows])
    return text.getvalue()


@command.command("timeout")
@shared.profile_argument
@click.option("--from", "from_us", metavar="TIME", default="50 ms", show_default=True, help="Shortest timeout.",
              type=shared.Quantity("duration"))  # fmt: skip
@click.option("--to", "to_us", metavar="TIME", default="2 s", show_default=True, help="Longest timeout.",
              type=shared.Quantity("duration"))  # fmt: skip
@click.option("--flight", "flight_us", metavar="TIME", default="10 min", show_default=True, help="Length of a flight.",
              type=shared.Quantity("duration", at_least=1, allowed="more than 0 us"))  # fmt: skip
@click.option("--speed", "speed_m_s", metavar="SPEED", default="10 m/s", show_default=True,
              help="Speed of the model, for the distance without control.",
              type=shared.Quantity("speed", at_least=0, allowed="from 0 m/s"))  # fmt: skip
@click.option("--max-rate", "max_per_hour", metavar="N", default=0.001, show_default=True,
              type=shared.Number(1e-30, 1e6), help="Acceptable false failsafes per hour.")  # fmt: skip
@click.option("--simulate", "simulate_us", metavar="TIME", default="60 min", show_default=True,
              help="Length of the packet simulation where no exact answer is known.",
              type=shared.Quantity("duration", at_least=1, allowed="more than 0 us"))  # fmt: skip
@shared.seed_option
@_output_options
def timeout_command(
    profile: str | None,
    from_us: int,
    to_us: int,
    flight_us: int,
    speed_m_s: float,
    max_per_hour: float,
    simulate_us: int,
    seed: int,
    **files: Any,
) -> None:
    """Compare timeouts: false failsafes in ordinary use against the time from a real loss to the throttle cut.

    Exact for independent losses, bursts (Gilbert-Elliott), a constant weak signal, an interferer, and their
    combination. Recorded losses and fading are counted in a simulation of the packets, with a bound.

    \b
    lostlink plan timeout my_link.toml --from "100 ms" --to "1 s" --flight "15 min"
    """  # noqa: D301
    link = read_link(profile)
    outputs = _Outputs(input_files(profile, link), **files)
    least_us = max(2 * link.handset.packet_interval_us, 1000)
    if not least_us <= from_us <= to_us <= 60_000_000:
        raise UsageError(
            f"--from and --to: out of range or order; allowed: two packet intervals ({least_us / 1000:g} ms) to 60 s"
        )
    chosen = timeout.candidates_us(from_us, to_us, link.receiver.timeout_us)
    rows, rates = timeout.plan(link, chosen, flight_us=flight_us, simulate_us=simulate_us, seed=seed)
    advice = timeout.advise(link, most_per_hour=max_per_hour, longest_us=to_us, simulate_us=simulate_us, seed=seed)
    columns = (
        (row.timeout_us, row.packets, row.per_hour, row.upper_per_hour, row.in_flight, row.in_flight_upper,
         row.independent_per_hour, row.mean_us, row.worst_us, row.blind_m(speed_m_s), row.fall_m)
        for row in rows
    )  # fmt: skip
    curve = timeout.rate_curve(link, rates, chosen[0], chosen[-1])
    screen.show_timeouts(
        link, rows, rates, curve, advice, speed_m_s=speed_m_s, flight_us=flight_us, max_per_hour=max_per_hour
    )
    outputs.write(
        _TIMEOUT_COLUMNS, columns,
        lambda: pages.timeout_page(link, rows, rates, curve, advice, max_per_hour=max_per_hour),
    )  # fmt: skip


@command.command("latency")
@shared.profile_argument
@click.option(
    "--runs",
    type=click.IntRange(1, 10_000),
    default=40,
    show_default=True,
    help="Simulated flights of 20 throttle steps each.",
)
@shared.seed_option
@_output_options
def latency_command(profile: str | None, runs: int, seed: int, **files: Any) -> None:
    """Budget the delay from the throttle stick to its pulse, stage by stage, and compare it with the simulation.

    \b
    lostlink plan latency my_link.toml
    """  # noqa: D301
    link = read_link(profile)
    outputs = _Outputs(input_files(profile, link), **files)
    lossy_us = latency.simulated_us(link, runs, seed, with_losses=True)
    clean_us = latency.simulated_us(link, runs, seed, with_losses=False)
    screen.show_latencies(link, clean_us, lossy_us, seed)
    rows = ((value,) for value in lossy_us.tolist())
    outputs.write(("latency_us",), rows, lambda: pages.latency_page(link, clean_us, lossy_us))


@command.command("range")
@shared.profile_argument
@click.option("--to", "to_m", metavar="DISTANCE", default="2000 m", show_default=True, help="Longest distance.",
              type=shared.Quantity("length", at_least=20, at_most=100_000, allowed="20 m to 100 km"))  # fmt: skip
@click.option("--fading", type=click.Choice(["none", "rayleigh", "rician"]), help="Instead of the profile's.")
@click.option("--power", "power_dbm", metavar="POWER", help='Instead of the profile\'s, such as "10 dBm".',
              type=shared.Quantity("power", at_least=-40, at_most=40, allowed="-40 dBm to 40 dBm"))  # fmt: skip
@click.option("--keep", "keep_db", metavar="MARGIN", default="10 dB", show_default=True,
              help="Margin to keep above the sensitivity.",
              type=shared.Quantity("level", at_least=0, at_most=60, allowed="0 dB to 60 dB"))  # fmt: skip
@_output_options
def range_command(
    profile: str | None,
    to_m: float,
    fading: str | None,
    power_dbm: float | None,
    keep_db: float,
    **files: Any,
) -> None:
    """Estimate the range: power, margin and packet loss against distance, in free space and over ground.

    Uses the profile's link budget, or the default one where it has none. Range is relative, not a prediction.

    \b
    lostlink plan range my_link.toml --to "1000 m" --fading rician
    """  # noqa: D301
    link = read_link(profile)
    outputs = _Outputs(input_files(profile, link), **files)
    budget, is_own = link_range.budget_of(link)
    if fading is not None:
        budget = dataclasses.replace(budget, fading=fading)
    if power_dbm is not None:
        budget = dataclasses.replace(budget, transmit_power_dbm=power_dbm)
    points = {
        path: [
            link_range.at(link, dataclasses.replace(budget, path=path), distance_m)
            for distance_m in link_range.distances_m(to_m)
        ]
        for path in ("free space", "two-ray")
    }
    at_m = link_range.curve_distances_m(budget, to_m)
    curves = {path: link_range.curve_at(link, dataclasses.replace(budget, path=path), at_m) for path in points}
    screen.show_ranges(link, budget, points, curves, is_own=is_own, keep_db=keep_db, most_m=to_m)
    rows = (
        (path, point.distance_m, point.received_dbm, point.margin_db, point.loss, point.per_hour)
        for path, row in points.items() for point in row
    )  # fmt: skip
    outputs.write(
        ("path", "distance_m", "received_dbm", "margin_db", "loss", "false_per_hour"), rows,
        lambda: pages.range_page(link, budget, points, curves, keep_db=keep_db, most_m=to_m),
    )  # fmt: skip


@command.command("fit")
@click.argument("losslog", metavar="LOSSLOG.csv")
@click.option("--counter-bits", type=click.Choice(["8", "16", "32"]), help="Width of a packet counter in the log.")
@click.option("--interval", "interval_us", metavar="TIME", help='Packet interval, for a log of times, such as "5 ms".',
              type=shared.Quantity("duration", at_least=1, allowed="more than 0 us"))  # fmt: skip
@click.option("--out", metavar="FILE.toml", help="Write the loss model as a profile section.")
@shared.force_option
def fit_command(losslog: str, counter_bits: str | None, interval_us: int | None, out: str | None, force: bool) -> None:
    """Fit a loss model to recorded packets, and write it for a profile.

    LOSSLOG has a column lost (0 or 1, a row per packet), or counter (of each packet that was received), or time_us,
    time_ms or time_s (when each was received, with --interval). A counter and times together show every gap.

    Where no model can have made the log, the recorded losses themselves are written, with a CSV beside FILE.toml if a
    profile cannot read LOSSLOG.

    \b
    lostlink plan fit flight.csv --out losses.toml
    """  # noqa: D301
    file = OutputFile("--out", out, force=force, inputs=[losslog])
    log = read_loss_log(losslog, counter_bits=int(counter_bits) if counter_bits else None, interval_us=interval_us)
    if len(log.lost) < 2:
        raise UsageError(f"{losslog}: only one packet; give a log of some thousand packets")
    fits = fit.fits(log.lost)
    if not log.lost.any():
        screen.show_no_losses(log, losslog)
        return
    found = adequacy(log.lost, fits[0])
    name, copy = Path(losslog).name, None
    if found.is_adequate:
        part = fit.fragment(fits[0], name)
    else:
        recorded, copy = _recorded_file(losslog, log, out)
        part = fit.recorded_fragment(recorded, name, len(log.lost))
    is_file = out is not None and (Path(out).is_file() or not Path(out).exists())  # or a device
    if copy is not None and is_file:
        rows = ((int(lost),) for lost in log.lost.tolist())
        OutputFile("--out", copy, force=force, inputs=[losslog]).write(lambda: _csv_text(("lost",), rows))
    file.write(lambda: part)
    screen.show_fits(log, fits, found, losslog)
    screen.show_fragment(part, out, copy, is_copied=is_file)


def _recorded_file(losslog: str, log: LossLog, out: str | None) -> tuple[str, Path | None]:
    """Return the file that a recorded model names, and the copy that it needs if a profile cannot read the log."""
    folder = Path() if out is None else Path(out).parent
    with contextlib.suppress(ValueError, OSError, csv.Error):
        if recorded_losses(read_text(losslog), losslog) == log.lost.tobytes():
            return Path(os.path.relpath(losslog, folder)).as_posix(), None
    copy = Path(out or losslog).with_suffix(".lost.csv")
    return copy.name, copy
