"""What a person sees of a plan: a table, a chart, plain sentences."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.markup import escape
from rich.table import Table

from lostlink.campaigns.statistics import upper_bound
from lostlink.measure.loss import bursts, loss_rate, loss_runs
from lostlink.planning import fading, latency, link_range
from lostlink.planning.fit import Fit, burst_shares, fragment, simulated, standard_errors
from lostlink.planning.link_range import Point
from lostlink.planning.loss_log import LossLog
from lostlink.planning.timeout import Advice, Rates, Row
from lostlink.profiles.quantities import text_of
from lostlink.show.chart import chart
from lostlink.show.console import console
from lostlink.verdicts import quantity
from lostlink_sims import Profile
from lostlink_sims.air import radio
from lostlink_sims.air.loss import LinkBudget

_LONGEST_YEARS = 1e9


def table(*headings: str) -> Table:
    """Return a table with its first column to the left."""
    made = Table(box=None, pad_edge=False)
    for number, heading in enumerate(headings):
        made.add_column(heading, justify="left" if number == 0 else "right", no_wrap=True)
    return made


def often(per_hour: float) -> str:
    """Return a rate as a person thinks of it."""
    if per_hour >= 0.1:
        return f"{per_hour:.3g} an hour"
    if per_hour * _LONGEST_YEARS * 8766 < 1:
        return "over 1e9 years"
    hours = 1 / per_hour
    if hours < 8766:
        return f"1 in {hours:,.0f} h".replace(",", " ")
    return f"1 in {hours / 8766:.0f} years" if hours < 1e7 else f"1 in {hours / 8766:.0e} years"


def time(value_us: float) -> str:
    """Return a time with its unit, to four digits."""
    return quantity(float(f"{value_us:.4g}"), "µs")


def timeouts(
    link: Profile,
    rows: Sequence[Row],
    rates: Rates,
    advice: Advice,
    *,
    speed_m_s: float,
    flight_us: int,
    max_per_hour: float,
) -> None:
    """Show timeouts side by side, and which of them satisfy both sides."""
    out = console()
    limit_us = link.requirements.cut_within_us
    out.print(
        f"link [bold]{escape(link.name)}[/bold]: a packet every {time(link.handset.packet_interval_us)}, "
        f"{rates.loss:.2%} lost in ordinary use; rates {rates.how}",
        soft_wrap=True,
    )
    flight = text_of(flight_us, "duration")
    made = table("timeout", "lost", "false failsafes", "a flight", "one by one", "cut: mean", "worst", "way",
                 "fall", "")  # fmt: skip
    for row in rows:
        says = [] if row.worst_us <= limit_us else ["late"]
        says += [] if row.upper_per_hour <= max_per_hour else ["often"]
        says += ["yours"] if row.timeout_us == link.receiver.timeout_us else []
        rate = often(row.per_hour)
        if not rates.is_exact:
            rate = f"{row.per_hour:.2g} (< {row.upper_per_hour:.2g}) an hour"
        made.add_row(
            time(row.timeout_us), str(row.packets), rate, f"{row.in_flight:.2g}",
            often(row.independent_per_hour), time(row.mean_us), time(row.worst_us),
            f"{row.blind_m(speed_m_s):.3g} m", f"{row.fall_m:.2g} m", ", ".join(says),
        )  # fmt: skip
    out.print(made)
    out.print(
        f"lost: packets in a row until it fires. a flight: chance of one in {flight}. one by one: with the same "
        f"share lost, each by itself. way: at {speed_m_s:g} m/s until the worst cut; fall: without drag in that time. "
        f"late: cuts later than {time(limit_us)}. often: more than {max_per_hour:g} false failsafes per hour.",
        soft_wrap=True,
    )
    out.print()
    out.print(
        escape(
            chart(
                [row.timeout_us for row in rows],
                {
                    "as it is": [row.per_hour for row in rows],
                    "the same share lost one by one": [row.independent_per_hour for row in rows],
                },
                x_label="timeout", y_label="false failsafes per hour", log_x=True, log_y=True,
                marks={"this profile": link.receiver.timeout_us}, x_text=time, y_text=lambda value: f"{value:.0e}",
            )
        )
    )  # fmt: skip
    out.print()
    _burstiness(rows, link)
    out.print(advice_text(link, rows, advice, max_per_hour), soft_wrap=True)
    out.print(f"Taken as given: {GIVEN}", soft_wrap=True)


GIVEN = (
    "losses as the profile has them, day after day; the model goes on at its speed, or falls without drag (upper "
    "bounds); the worst cut adds all waits: the last packet just before the loss, the next frame just begun."
)


def advice_text(link: Profile, rows: Sequence[Row], advice: Advice, max_per_hour: float) -> str:
    """Return which timeouts do both, in a sentence or two."""
    limit_us = link.requirements.cut_within_us
    if advice.exists:
        assert advice.least_us is not None
        return (
            f"Recommended: {time(advice.least_us)} to {time(advice.most_us)}. Shorter, ordinary loss causes more than "
            f"{max_per_hour:g} false failsafes per hour; longer, the throttle may be cut later than {time(limit_us)} "
            "after the loss."
        )
    if advice.least_us is None:
        return (
            f"No timeout up to {time(rows[-1].timeout_us)} keeps false failsafes below {max_per_hour:g} per hour. "
            "Improve the link first, or accept a higher rate (--max-rate)."
        )
    return (
        f"No timeout does both: {time(advice.least_us)} or more is quiet enough, {time(advice.most_us)} or less cuts "
        "in time. Send more packets per second, improve the link, or change one of the limits."
    )


def _burstiness(rows: Sequence[Row], link: Profile) -> None:
    """Say what bursts change, at the profile's own timeout or the one next to it."""
    row = min(rows, key=lambda one: abs(one.timeout_us - link.receiver.timeout_us))
    if row.independent_per_hour > 0 and row.per_hour > 2 * row.independent_per_hour:
        factor = row.per_hour / row.independent_per_hour
        shown = f"{factor:.2g}" if factor < 1e6 else f"10^{math.floor(math.log10(factor))}"
        console().print(
            f"Bursts matter: at {time(row.timeout_us)} there are {shown} times as many false failsafes as with "
            "the same share of packets lost one by one. A loss percentage alone says little.",
            soft_wrap=True,
        )


def latencies(link: Profile, clean_us: NDArray[np.int64], found_us: NDArray[np.int64], seed: int) -> None:
    """Show the budget, the simulated distributions, and how they agree."""
    out = console()
    planned, lossy = latency.budget(link, with_losses=False), latency.budget(link, with_losses=True)
    assert planned is not None
    out.print(
        f"link [bold]{escape(link.name)}[/bold]: from a move of the throttle to the end of the pulse that shows it"
    )
    made = table("stage", "least", "most", "mean", "sd")
    for stage in planned.stages:
        most_us = stage.fixed_us + stage.spread_us
        made.add_row(stage.what, time(stage.fixed_us), time(most_us), time(stage.mean_us), time(stage.sd_us))
    out.print(made)
    out.print()
    columns = table("", "mean", "sd", "p50", "p95", "p99", "most")
    for name, budget in (("reckoned, nothing lost", planned), ("reckoned, with losses", lossy)):
        if budget is not None and (budget is planned or budget.loss):
            shares = [time(budget.quantile_us(share)) for share in (0.5, 0.95, 0.99)]
            most = "no limit" if budget.most_us is None else time(budget.most_us)
            columns.add_row(name, time(budget.mean_us), time(budget.sd_us), *shares, most)
    for name, values in (("simulated, nothing lost", clean_us), ("simulated, with losses", found_us)):
        shares = [time(float(np.quantile(values, share, method="inverted_cdf"))) for share in (0.5, 0.95, 0.99)]
        columns.add_row(
            f"{name} ({len(values)} moves)", time(float(values.mean())), time(float(values.std())), *shares,
            time(float(values.max())),
        )  # fmt: skip
    out.print(columns)
    out.print()
    out.print(escape(_histogram(clean_us, planned)))
    apart = latency.distance(clean_us, planned)
    out.print(
        f"Largest distance of the two distributions: {apart:.3f}; by chance alone more than "
        f"{1.63 / math.sqrt(len(clean_us)):.3f} in 1 of 100 (Kolmogorov-Smirnov, {len(clean_us)} moves, seed {seed}).",
        soft_wrap=True,
    )
    limit_us = link.requirements.latency_p99_us
    budget = lossy or planned
    p99_us = budget.quantile_us(0.99)
    out.print(
        f"99 % of moves show within {time(p99_us)}; your limit is {time(limit_us)}"
        f"{'' if p99_us <= limit_us else ': too late'}.",
        soft_wrap=True,
    )
    out.print(
        "Where packet and frame clock have a common measure and no drift, one flight keeps its phase, and its own "
        "latencies take a few values only; the figures above are for many flights.",
        soft_wrap=True,
    )


def _histogram(values_us: NDArray[np.int64], planned: latency.Budget) -> str:
    """Return simulated and reckoned shares, a bar a bin."""
    edges = np.linspace(float(values_us.min()), float(values_us.max()) + 1, 13)
    counts, _ = np.histogram(values_us, edges)
    shares = counts / len(values_us)
    wanted = np.diff([planned.cdf(float(edge)) for edge in edges])
    most = max(shares.max(), wanted.max(), 1e-9)
    lines = ["share of moves: # simulated, | reckoned, nothing lost"]
    for low, share, want in zip(edges, shares, wanted, strict=False):
        bar = list(("#" * round(40 * share / most)).ljust(42))
        bar[min(41, round(40 * want / most))] = "|"
        lines.append(f"{time(float(low)):>10} {''.join(bar).rstrip()}")
    return "\n".join(lines)


# --- range -----------------------------------------------------------------------------------------------------------


def ranges(
    link: Profile,
    budget: LinkBudget,
    points: Mapping[str, Sequence[Point]],
    *,
    is_own: bool,
    keep_db: float,
    most_m: float,
) -> None:
    """Show the link against distance, and how far it reaches."""
    out = console()
    out.print(
        f"link [bold]{escape(link.name)}[/bold], {'its own' if is_own else 'the usual'} link budget: "
        f"{budget.transmit_power_dbm:g} dBm into the antenna, gains {budget.antenna_gain_db:g} dB, "
        f"{budget.frequency_hz / 1e9:g} GHz, {link.radio.bit_rate_bit_s / 1e6:g} Mbit/s, sensitivity "
        f"{link_range.sensitivity_dbm(link, budget):.1f} dBm (1 % of packets lost), fading: {budget.fading}",
        soft_wrap=True,
    )
    made = table(
        "distance", "free space", "lost", "false failsafes", "over ground", "lost", "false failsafes", "Fresnel"
    )
    for free, ground in zip(points["free space"], points["two-ray"], strict=True):
        made.add_row(
            f"{free.distance_m:g} m", *_point(free), *_point(ground),
            f"{link_range.fresnel_radius_m(free.distance_m, budget.frequency_hz):.2g} m",
        )  # fmt: skip
    out.print(made)
    out.print(
        f"free space, over ground (antennas {budget.handset_height_m:g} m and {budget.model_height_m:g} m high): "
        "margin over the sensitivity. Fresnel: keep so much clear around the line of sight, half way.",
        soft_wrap=True,
    )
    out.print()
    places = [point.distance_m for point in points["free space"]]
    out.print(
        escape(
            chart(
                places, {name: [point.margin_db for point in some] for name, some in points.items()},
                x_label="distance", y_label=f"margin over the sensitivity (keep {keep_db:g} dB)", log_x=True,
                x_text=lambda value: f"{value:.0f} m", y_text=lambda value: f"{value:.0f} dB",
            )
        )
    )  # fmt: skip
    out.print()
    for path in points:
        on_path = dataclasses.replace(budget, path=path)
        said = ", ".join(_reach(link, on_path, loss, most_m) for loss in (0.01, 0.1, 0.5))
        kept = _kept(link, on_path, keep_db, most_m)
        out.print(f"{path}: packets lost {said}; {keep_db:g} dB are in hand {kept}.", soft_wrap=True)
    _about_ground_and_fading(link, budget, points)
    _about_rules(link, budget)
    out.print(
        "Range is relative, not a prediction: the bit errors are those of ideal FSK, set right by the implementation "
        "loss; small-index GFSK, bodies, trees, antennas that point away and other users of the band take decibels.",
        soft_wrap=True,
    )


def _reach(link: Profile, budget: LinkBudget, loss: float, most_m: float) -> str:
    first, last = link_range.reach_m(link, budget, loss, most_m)
    if first is None:
        return f"{loss:.0%} nowhere up to {most_m:g} m"
    if first == last:
        return f"{loss:.0%} from {first:.0f} m on"
    return f"{loss:.0%} first at {first:.0f} m, {f'for good from {last:.0f} m on' if last is not None else 'in dips'}"


def _point(point: Point) -> tuple[str, str, str]:
    lost = f"{point.loss:.3%}" if point.loss >= 1e-5 else "< 0.001%"
    rate = "-" if point.per_hour is None else "no link" if math.isinf(point.per_hour) else often(point.per_hour)
    return f"{point.margin_db:.1f} dB", lost, rate


def _kept(link: Profile, budget: LinkBudget, keep_db: float, most_m: float) -> str:
    """Return as words where the margin is what shall be kept: first without a break, then between dips."""
    first, last = link_range.kept_m(link, budget, keep_db, most_m)
    if first is None:
        return f"up to {most_m:g} m"
    near = f"up to {math.floor(first)} m" if first > link_range.NEAREST_M else f"not at {first:g} m"
    if first == last:
        return near if first > link_range.NEAREST_M else "nowhere"
    return f"{near}, and between the dips up to {most_m if last is None else math.floor(last):g} m"


def _about_ground_and_fading(link: Profile, budget: LinkBudget, points: Mapping[str, Sequence[Point]]) -> None:
    out = console()
    breaks = ", ".join(f"{name}: {place:.0f} m" for name, place in link_range.break_points_m(budget).items())
    out.print(f"Over flat ground the loss grows with the fourth power of the distance from here on ({breaks}); nearer, "
              "it goes up and down.", soft_wrap=True)  # fmt: skip
    if budget.fading == "none":
        out.print("False failsafes: if losses came one by one. Near the edge they come in fades; try --fading rician.",
                  soft_wrap=True)  # fmt: skip
        return
    out.print("False failsafes (-) hang on how long fades last, which the table cannot say.", soft_wrap=True)
    if budget.speed_m_s == 0:
        out.print(
            "The model stands still (speed 0 m/s): it may stay in a fade for as long as it stands.", soft_wrap=True
        )
        return
    timeout_s = link.receiver.timeout_us / 1e6
    for path, some in points.items():
        edge = next((point for point in some if point.loss >= 0.01), None)
        if edge is not None:
            shift_hz = radio.doppler_hz(budget.speed_m_s, budget.frequency_hz)
            times = fading.level_crossings_hz(edge.margin_db, shift_hz, budget.fading, budget.rician_k_db)
            out.print(
                f"{path}, {edge.distance_m:g} m: at {budget.speed_m_s:g} m/s ({shift_hz:.0f} Hz Doppler) it fades "
                f"below the sensitivity {times:.2g} times a second, for {1000 * edge.fade_s:.2g} ms in the mean; the "
                f"timeout is {1000 * timeout_s:g} ms. A model that hovers may stay in a fade for as long as it hovers.",
                soft_wrap=True,
            )


def _about_rules(link: Profile, budget: LinkBudget) -> None:
    use = link_range.air_use(link, budget)
    text = (
        f"On the air: {use.air_us} µs in every {time(link.handset.packet_interval_us)}, {use.duty:.1%}; radiated up to "
        f"{use.power_dbm:g} dBm. "
    )
    if use.power_dbm > 20:
        text += "That is more than the 20 dBm (100 mW) that a European rule allows at 2.4 GHz. "
    elif use.power_dbm < 10:
        text += "Below 10 dBm a European rule sets no limit on the share of time. "
    else:
        fits = "within" if use.utilisation <= 0.1 else "above"
        text += f"Power times share is {use.utilisation:.1%}, {fits} the 10 % of a European rule where nobody listens. "
    text += (
        "This is a summary of ETSI EN 300 328, no claim of compliance: read the rules where you are, and ask those "
        "licensed for it."
    )
    console().print(text, soft_wrap=True)


# --- a fitted channel ------------------------------------------------------------------------------------------------


def fitted(log: LossLog, found: Sequence[Fit], source: str, out_file: str | None) -> None:
    """Show what was recorded, which models fit it, and how well."""
    out, lost = console(), log.lost
    _, lengths = loss_runs(lost)
    count = int(lost.sum())
    out.print(f"{escape(source)}: {'; '.join(log.notes)}; {count} of {len(lost)} lost ({count / len(lost):.3%}), "
              f"in {len(lengths)} periods, the longest {max(lengths, default=0)} packets", soft_wrap=True)  # fmt: skip
    if not count:
        bound = upper_bound(0, len(lost), 0.95)
        out.print(
            f"Nothing was lost, so there is no channel to fit: the share of packets lost is below {bound:.2g}, at 95 % "
            "(one-sided, if losses came one by one). Record for longer, or farther away.",
            soft_wrap=True,
        )
        return
    best = found[0]
    made = table(
        "model", "good to bad", "bad to good", "lost in good", "lost in bad", "lost", "mean burst", "criterion"
    )
    for fit in found:
        bernoulli = fit.name == "bernoulli"
        made.add_row(
            fit.name, "-" if bernoulli else f"{fit.good_to_bad:.3%}", "-" if bernoulli else f"{fit.bad_to_good:.2%}",
            f"{fit.loss_good:.3%}", "-" if bernoulli else f"{fit.loss_bad:.2%}", f"{fit.mean_loss:.3%}",
            f"{fit.mean_burst:.3g}", f"{fit.criterion - best.criterion:+.1f}",
        )  # fmt: skip
    out.print(made)
    out.print("criterion: Schwarz's, over that of the best; 10 more is a clear no.")
    errors = standard_errors(lost, best)
    said = ", ".join(
        f"{name.replace('_', ' ')} {getattr(best, name):.3%} ± {error:.2%}" for name, error in errors.items()
    )
    out.print(f"Chosen: {best.name}: {said or 'a parameter lies at its end, errors unknown'} (one standard error).",
              soft_wrap=True)  # fmt: skip
    if len(lengths) < 50:
        out.print(
            f"{len(lengths)} periods of loss are few: bursts are hardly known. Record for longer.", soft_wrap=True
        )
    _about_bursts(lost, best)
    model = burst_shares(simulated(best, max(200_000, len(lost)), np.random.default_rng(1)), 8)
    bars = table("length of a burst", "recorded", "model", "")
    for length, (share, want) in enumerate(zip(burst_shares(lost, 8), model, strict=True), start=1):
        bars.add_row(
            f"{length}{' or more' if length == 8 else ''}",
            f"{share:.1%}",
            f"{want:.1%}",
            f"{'#' * round(30 * share):<30}",
        )
    out.print(bars)
    out.print()
    out.print(escape(fragment(best, Path(source).name)), soft_wrap=True)
    if out_file is not None:
        out.print(f"{escape(out_file)} written: put it into the part \\[radio] of a profile, in place of its losses.")


def _about_bursts(lost: NDArray[np.bool_], best: Fit) -> None:
    """Show what a log and its model say of neighbours: mean burst and gap, lag-1 correlation, bursts of RFC 3611."""
    _, lengths = loss_runs(lost)
    of_log = (loss_rate(lost), float(np.mean(lengths)))
    made = table("", "lost", "mean burst", "mean gap", "lag-1 correlation")
    for name, (share, burst) in (("recorded", of_log), ("model", (best.mean_loss, best.mean_burst))):
        if not 0 < share < 1 or math.isinf(burst):
            continue
        both = share - share / burst  # lost twice in a row
        made.add_row(
            name, f"{share:.3%}", f"{burst:.3g}", f"{(1 - share) * burst / share:.4g}",
            f"{(both - share * share) / (share - share * share):+.3f}",
        )  # fmt: skip
    console().print(made)
    parts = bursts(lost)
    if len(parts.first):
        console().print(
            f"Bursts with fewer than 16 packets received in a row inside (RFC 3611): {len(parts.first)}, of "
            f"{float(np.mean(parts.last - parts.first + 1)):.3g} packets in the mean, {parts.burst_density:.1%} of "
            f"them lost; {parts.gap_density:.3%} lost outside.",
            soft_wrap=True,
        )
