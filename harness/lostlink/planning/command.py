"""``lostlink plan``: parse, call, show. Nothing heavy is imported before a command runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from lostlink.report.plans import Plan


@click.group("plan")
def plan_command() -> None:
    """Plan a link before it flies: timeouts, latency, range, and a channel fitted to recorded losses.

    \b
    lostlink plan timeout my_link.toml
    lostlink plan latency my_link.toml
    """  # noqa: D301


def quantity(option: str, text: str, kind: Any) -> float:
    """Return what an option says.

    Raises
    ------
    LostlinkError
        If it has no such unit.
    """
    from lostlink.errors import LostlinkError
    from lostlink.profiles.quantities import QuantityError, parse

    try:
        return parse(text, kind)
    except QuantityError as error:
        raise LostlinkError(f"--{option}: {error}") from error


def write_csv(path: str, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Write a table as CSV.

    Raises
    ------
    LostlinkError
        If the file cannot be written.
    """
    import csv

    from lostlink.errors import LostlinkError

    try:
        with open(path, "w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(header)
            writer.writerows(rows)
    except OSError as error:
        raise LostlinkError(f"--csv {path}: {error.strerror}; allowed: a file that can be written") from error


def write_report(path: str, plan: Plan) -> None:
    """Write a plan's page.

    Raises
    ------
    LostlinkError
        If the file cannot be written.
    """
    from pathlib import Path

    from lostlink.errors import LostlinkError
    from lostlink.report.plans import write_plan

    try:
        write_plan(Path(path), plan)
    except OSError as error:
        raise LostlinkError(f"--report {path}: {error.strerror}; allowed: a file that can be written") from error
    click.echo(f"Page: {path}")


def cautions() -> None:
    """Show what every advice comes with."""
    from lostlink.evidence import CAUTIONS

    click.echo()
    for caution in CAUTIONS:
        click.echo(caution)


@plan_command.command("timeout")
@click.argument("profile", required=False)
@click.option("--from", "from_", metavar="TIME", default="50 ms", show_default=True, help="Shortest timeout.")
@click.option("--to", metavar="TIME", default="2 s", show_default=True, help="Longest timeout.")
@click.option("--flight", metavar="TIME", default="10 min", show_default=True, help="Length of a flight.")
@click.option(
    "--speed", metavar="SPEED", default="10 m/s", show_default=True, help="Of the model, for the way it goes."
)
@click.option("--bear", metavar="N", default=0.001, show_default=True, type=click.FloatRange(1e-30, 1e6),
              help="False failsafes an hour that you would bear.")  # fmt: skip
@click.option("--simulate", metavar="TIME", default="60 min", show_default=True,
              help="Packets to simulate where no exact answer is known.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True)
@click.option("--csv", metavar="FILE", help="Write the table as CSV.")
@click.option("--report", metavar="FILE.html", help="Write the curves as a page.")
def timeout_command(
    profile: str | None,
    from_: str,
    to: str,
    flight: str,
    speed: str,
    bear: float,
    simulate: str,
    seed: int,
    csv: str | None,
    report: str | None,
) -> None:
    """Weigh timeouts: false failsafes in ordinary use against the time until a real loss cuts the throttle.

    Exact for losses by chance, in bursts (Gilbert-Elliott), by a steady weak signal and by an interferer, and what
    they make together; recorded losses and fading are counted in a simulation of the packets, with a bound.

    \b
    lostlink plan timeout my_link.toml --from "100 ms" --to "1 s" --flight "15 min"
    """  # noqa: D301
    from lostlink.cli import _errors_in_words, _read

    with _errors_in_words():
        from lostlink.errors import LostlinkError
        from lostlink.planning import timeout

        link = _read(profile)
        low, high = int(quantity("from", from_, "duration")), int(quantity("to", to, "duration"))
        least_us = max(2 * link.handset.packet_interval_us, 1000)
        if not least_us <= low <= high <= 60_000_000:
            raise LostlinkError(
                f"--from {from_} --to {to}: allowed: from two packet intervals ({least_us / 1000:g} ms) up to 60 s"
            )
        flight_us, simulate_us = (
            int(quantity("flight", flight, "duration")),
            int(quantity("simulate", simulate, "duration")),
        )
        speed_m_s = quantity("speed", speed, "speed")
        chosen = timeout.candidates_us(low, high, link.receiver.timeout_us)
        rows, rates = timeout.plan(link, chosen, flight_us=flight_us, simulate_us=simulate_us, seed=seed)
        advice = timeout.advise(link, most_per_hour=bear, longest_us=high, simulate_us=simulate_us, seed=seed)
        if csv is not None:
            write_csv(
                csv,
                ("timeout_us", "lost_packets", "false_per_hour", "upper_per_hour", "chance_per_flight",
                 "independent_per_hour", "mean_cut_us", "worst_cut_us", "blind_m", "fall_m"),
                [(row.timeout_us, row.packets, row.per_hour, row.upper_per_hour, row.in_flight,
                  row.independent_per_hour, row.mean_us, row.worst_us, row.blind_m(speed_m_s), row.fall_m)
                 for row in rows],
            )  # fmt: skip
        from lostlink.planning import screen

        screen.timeouts(link, rows, rates, advice, speed_m_s=speed_m_s, flight_us=flight_us, bear=bear)
        if report is not None:
            from lostlink.planning import pages

            write_report(report, pages.timeouts(link, rows, rates, advice, bear=bear))
    cautions()


@plan_command.command("latency")
@click.argument("profile", required=False)
@click.option("--runs", type=click.IntRange(1, 10_000), default=40, show_default=True, help="Runs of 20 moves each.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True)
@click.option("--csv", metavar="FILE", help="Write the simulated latencies as CSV.")
@click.option("--report", metavar="FILE.html", help="Write the curves as a page.")
def latency_command(profile: str | None, runs: int, seed: int, csv: str | None, report: str | None) -> None:
    """Budget the delay from the throttle stick to its pulse, stage by stage, and hold the simulation beside it.

    \b
    lostlink plan latency my_link.toml
    """  # noqa: D301
    from lostlink.cli import _errors_in_words, _read

    with _errors_in_words():
        from lostlink.planning import latency, screen

        link = _read(profile)
        found = latency.simulated_us(link, runs, seed, with_losses=True)
        clean = latency.simulated_us(link, runs, seed, with_losses=False)
        if csv is not None:
            write_csv(csv, ("latency_us",), [(value,) for value in found.tolist()])
        screen.latencies(link, clean, found, seed)
        if report is not None:
            from lostlink.planning import pages

            write_report(report, pages.latencies(link, clean, found))
    cautions()


@plan_command.command("range")
@click.argument("profile", required=False)
@click.option("--to", metavar="DISTANCE", default="2000 m", show_default=True, help="Farthest distance.")
@click.option("--fading", type=click.Choice(["none", "rayleigh", "rician"]), help="In place of the profile's.")
@click.option("--power", metavar="POWER", help='Into the antenna, in place of the profile\'s, such as "10 dBm".')
@click.option("--keep", metavar="MARGIN", default="10 dB", show_default=True, help="Margin to keep in hand.")
@click.option("--csv", metavar="FILE", help="Write the table as CSV.")
@click.option("--report", metavar="FILE.html", help="Write the curves as a page.")
def range_command(
    profile: str | None,
    to: str,
    fading: str | None,
    power: str | None,
    keep: str,
    csv: str | None,
    report: str | None,
) -> None:
    """Reckon how far a link reaches: power, margin and packet loss against distance, in free space and over ground.

    Uses the profile's link budget, or the usual one where it has none. Range is relative, not a prediction.

    \b
    lostlink plan range my_link.toml --to "1000 m" --fading rician
    """  # noqa: D301
    from lostlink.cli import _errors_in_words, _read

    with _errors_in_words():
        import dataclasses

        from lostlink.errors import LostlinkError
        from lostlink.planning import link_range, screen

        link = _read(profile)
        budget, is_own = link_range.budget_of(link)
        if fading is not None:
            budget = dataclasses.replace(budget, fading=fading)
        if power is not None:
            budget = dataclasses.replace(budget, transmit_power_dbm=quantity("power", power, "power"))
        if not -40 <= budget.transmit_power_dbm <= 40:
            raise LostlinkError(f"--power {power}: out of range; allowed: -40 dBm to 40 dBm")
        most_m, keep_db = quantity("to", to, "length"), quantity("keep", keep, "level")
        if not 20 <= most_m <= 100_000 or not 0 <= keep_db <= 60:
            raise LostlinkError("--to or --keep: out of range; allowed: 20 m to 100 km, and 0 dB to 60 dB")
        places = link_range.distances_m(most_m)
        points = {
            path: [link_range.at(link, dataclasses.replace(budget, path=path), place) for place in places]
            for path in ("free space", "two-ray")
        }
        if csv is not None:
            write_csv(
                csv, ("path", "distance_m", "received_dbm", "margin_db", "loss", "false_per_hour"),
                [(path, one.distance_m, one.received_dbm, one.margin_db, one.loss, one.per_hour)
                 for path, some in points.items() for one in some],
            )  # fmt: skip
        screen.ranges(link, budget, points, is_own=is_own, keep_db=keep_db, most_m=most_m)
        if report is not None:
            from lostlink.planning import pages

            write_report(report, pages.ranges(link, budget, points, keep_db=keep_db, most_m=most_m))
    cautions()


@plan_command.command("fit")
@click.argument("losslog", metavar="LOSSLOG.csv")
@click.option("--counter-bits", type=click.Choice(["8", "16", "32"]), help="Width of a packet counter in the log.")
@click.option("--interval", metavar="TIME", help='From packet to packet, for a log of times, such as "5 ms".')
@click.option("--out", metavar="FILE.toml", help="Write the loss model as a part of a profile.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def fit_command(losslog: str, counter_bits: str | None, interval: str | None, out: str | None, force: bool) -> None:
    """Fit a loss model to recorded packets, and write it for a profile.

    LOSSLOG has a column lost (0 or 1, a row a packet), or counter (of each packet that was received), or time_us,
    time_ms or time_s (when each was received, with --interval); a counter and times together see every gap.

    \b
    lostlink plan fit flight.csv --out losses.toml
    """  # noqa: D301
    from lostlink.cli import _errors_in_words

    with _errors_in_words():
        from pathlib import Path

        from lostlink.errors import LostlinkError
        from lostlink.planning import fit, screen
        from lostlink.planning.loss_log import read_loss_log

        interval_us = None if interval is None else quantity("interval", interval, "duration")
        if interval_us is not None and interval_us <= 0:
            raise LostlinkError(f"--interval {interval}: allowed: more than 0 us")
        bits = None if counter_bits is None else int(counter_bits)
        log = read_loss_log(losslog, counter_bits=bits, interval_us=interval_us)
        if len(log.lost) < 2:
            raise LostlinkError(f"{losslog}: one packet only; allowed: a log of some thousand packets")
        found = fit.fits(log.lost)
        if out is not None and log.lost.any():
            try:
                with open(out, "w" if force else "x", encoding="utf-8") as file:
                    file.write(fit.fragment(found[0], Path(losslog).name))
            except FileExistsError:
                raise LostlinkError(f"--out {out}: is there already; allowed: another name, or --force") from None
            except OSError as error:
                raise LostlinkError(f"--out {out}: {error.strerror}; allowed: a file that can be written") from error
        screen.fitted(log, found, losslog, out)
