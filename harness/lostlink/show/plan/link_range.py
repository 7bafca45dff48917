"""The screen of ``lostlink plan range``."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

from rich.markup import escape

from lostlink.planning import fading, link_range
from lostlink.planning.link_range import RangeCurve, RangePoint
from lostlink.planning.wording import loss_text, rate_text, short_text, time_text
from lostlink.show.chart import chart
from lostlink.show.console import console, paragraph, show_table, table
from lostlink_sims import Profile
from lostlink_sims.air import radio
from lostlink_sims.air.loss import LinkBudget


def show_ranges(
    link: Profile,
    budget: LinkBudget,
    points: Mapping[str, Sequence[RangePoint]],
    curves: Mapping[str, RangeCurve],
    *,
    is_own: bool,
    keep_db: float,
    most_m: float,
) -> None:
    """Show margin, packet loss and false failsafes against distance, and the range.

    Parameters
    ----------
    points : mapping of str to sequence of RangePoint
        By path: "free space" and "two-ray".
    curves : mapping of str to RangeCurve
        By path, at equal distances.
    is_own : bool
        Whether the budget is the profile's own.
    keep_db : float
        Margin to keep.
    most_m : float
        Longest distance.
    """
    console().print(
        f"link [bold]{escape(link.name)}[/bold], {'its own' if is_own else 'the default'} link budget: "
        f"{budget.transmit_power_dbm:g} dBm into the antenna, antenna gains {budget.antenna_gain_db:g} dB, "
        f"{budget.frequency_hz / 1e9:g} GHz, {link.radio.bit_rate_bit_s / 1e6:g} Mbit/s, sensitivity "
        f"{link_range.sensitivity_dbm(link, budget):.1f} dBm (1 % of packets lost), fading: {budget.fading}",
        soft_wrap=True,
    )
    _show_table(budget, points)
    lines = chart(
        curves["free space"].distances_m, {path: curve.margin_db for path, curve in curves.items()},
        x_label="distance", y_label=f"margin above the sensitivity (margin to keep: {keep_db:g} dB)",
        x_text=lambda value: f"{value:.0f} m", y_text=lambda value: f"{value:.0f} dB",
    )  # fmt: skip
    paragraph(f"{lines}\n")
    for path in points:
        on_path = dataclasses.replace(budget, path=path)
        reach = ", ".join(_reach(link, on_path, loss, most_m) for loss in (0.01, 0.1, 0.5))
        kept = _kept(link, on_path, keep_db, most_m)
        paragraph(f"{path}: packets lost {reach}; margin of {keep_db:g} dB {kept}.")
    breaks = ", ".join(f"{name}: {at_m:.0f} m" for name, at_m in link_range.break_points_m(budget).items())
    paragraph(
        f"Over flat ground, path loss grows with the fourth power of the distance beyond the break point ({breaks}). "
        "At shorter distances there are dips and peaks."
    )
    _show_fading(link, budget, points)
    paragraph(_regulations(link, budget))
    paragraph(
        "Range is relative, not a prediction: the bit error rate is that of ideal FSK with an implementation loss. "
        "Small-index GFSK, bodies, trees, antenna orientation and interference cost further decibels."
    )


def _show_table(budget: LinkBudget, points: Mapping[str, Sequence[RangePoint]]) -> None:
    made = table(
        "distance\nm", "free\nspace\ndB", "lost", "false\nfailsafes\nper hour", "over\nground\ndB", "lost",
        "false\nfailsafes\nper hour", "Fresnel\nm", left=0,
    )  # fmt: skip
    for free, ground in zip(points["free space"], points["two-ray"], strict=True):
        fresnel_m = link_range.fresnel_radius_m(free.distance_m, budget.frequency_hz)
        made.add_row(short_text(free.distance_m, 4), *_cells(free), *_cells(ground), short_text(fresnel_m, 2))
    show_table(made)
    paragraph(
        f"free space, over ground (antenna heights {budget.handset_height_m:g} m and {budget.model_height_m:g} m): "
        "margin above the sensitivity. Fresnel: radius of the first Fresnel zone half way; keep it clear.\n"
    )


def _reach(link: Profile, budget: LinkBudget, loss: float, most_m: float) -> str:
    first, last = link_range.reach_m(link, budget, loss, most_m)
    if first is None:
        return f"{loss:.0%} nowhere up to {most_m:g} m"
    if first == last:
        return f"{loss:.0%} from {first:.0f} m"
    return f"{loss:.0%} first at {first:.0f} m, {f'always from {last:.0f} m' if last is not None else 'in dips'}"


def _cells(point: RangePoint) -> tuple[str, str, str]:
    rate = "-" if point.per_hour is None else "no link" if math.isinf(point.per_hour) else rate_text(point.per_hour)
    return f"{point.margin_db:.1f}", loss_text(point.loss), rate


def _kept(link: Profile, budget: LinkBudget, keep_db: float, most_m: float) -> str:
    """Return up to which distances the margin is kept: continuously, and between dips."""
    first, last = link_range.kept_m(link, budget, keep_db, most_m)
    if first is None:
        return f"up to {most_m:g} m"
    near = f"up to {math.floor(first)} m" if first > link_range.NEAREST_M else f"not at {first:g} m"
    if first == last:
        return near if first > link_range.NEAREST_M else "nowhere"
    return f"{near}, and between dips up to {most_m if last is None else math.floor(last):g} m"


def _show_fading(link: Profile, budget: LinkBudget, points: Mapping[str, Sequence[RangePoint]]) -> None:
    if budget.fading == "none":
        paragraph(
            "False failsafes: for independent losses. Near the edge of the range losses come in fades; try "
            "--fading rician."
        )
        return
    paragraph("False failsafes (-): they depend on the duration of fades, which the table does not cover.")
    if budget.speed_m_s == 0:
        paragraph("The model does not move (speed 0 m/s): it may stay in a fade indefinitely.")
        return
    timeout_s = link.receiver.timeout_us / 1e6
    shift_hz = radio.doppler_hz(budget.speed_m_s, budget.frequency_hz)
    for path, row in points.items():
        edge = next((point for point in row if point.loss >= 0.01), None)
        if edge is not None:
            crossings_hz = fading.level_crossings_hz(edge.margin_db, shift_hz, budget.fading, budget.rician_k_db)
            paragraph(
                f"{path}, {edge.distance_m:g} m: at {budget.speed_m_s:g} m/s ({shift_hz:.0f} Hz Doppler) it fades "
                f"below the sensitivity {crossings_hz:.2g} times per second, for {1000 * edge.fade_s:.2g} ms on "
                f"average; the timeout is {1000 * timeout_s:g} ms. A hovering model may stay in a fade while it hovers."
            )


def _regulations(link: Profile, budget: LinkBudget) -> str:
    use = link_range.air_use(link, budget)
    if use.power_dbm > 20:
        limit = "That is more than the 20 dBm (100 mW) of a European limit at 2.4 GHz."
    elif use.power_dbm < 10:
        limit = "Below 10 dBm a European standard sets no duty cycle limit."
    else:
        limit = (
            f"Medium utilisation is {use.utilisation:.1%}, {'within' if use.utilisation <= 0.1 else 'above'} the 10 % "
            "that a European standard allows without listen before talk."
        )
    return (
        f"Air time: {use.air_us} µs every {time_text(link.handset.packet_interval_us)}, duty cycle {use.duty:.1%}; "
        f"radiated power up to {use.power_dbm:g} dBm. {limit} This summarises ETSI EN 300 328 and does not show "
        "compliance: follow the regulations of your country, and licensed practice."
    )
