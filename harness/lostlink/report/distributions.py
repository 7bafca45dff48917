"""The campaign section of a report: distributions of times, limits and bounds, worst trials."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.statistics import interval
from lostlink.campaigns.times import NEVER_US
from lostlink.evidence.reader import Evidence
from lostlink.report import figures
from lostlink.report.markup import Html, join, tag
from lostlink.report.page import Page, Section, facts, table, text
from lostlink.verdicts import counted, grouped, quantity

MOST_POINTS: Final = 1500
"""Most points of a curve."""
_HEIGHT: Final = 480

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RequirementTimes:
    """One requirement of a campaign.

    Attributes
    ----------
    data : dict
        As in the file.
    values_us, counts : (n,) ndarray of int64
        Times, ascending, and how many trials took each; empty if no time is measured.
    """

    data: dict[str, Any]
    values_us: Ints
    counts: Ints

    @property
    def limit_us(self) -> int | None:
        """Limit of the profile."""
        limit_us: int | None = self.data.get("limit_us")
        return limit_us

    def later_than(self) -> tuple[Ints, NDArray[np.float64]]:
        """Return at most `MOST_POINTS` times, dense in the tail, and the share of trials that took longer than each."""
        came = self.values_us < NEVER_US
        total = int(self.counts.sum())
        later = 1 - np.cumsum(self.counts) / total
        values, later = self.values_us[came], later[came]
        later[-1:] = np.maximum(later[-1:], 0.0)
        if len(values) > MOST_POINTS:
            # Evenly in the logarithm of the rank from the end, near the limit.
            ranks = np.unique(np.geomspace(1, len(values), MOST_POINTS).astype(np.int64))
            keep = np.unique(np.concatenate([len(values) - ranks, [0]]))
            values, later = values[keep], later[keep]
        return values, later


def sections(evidence: Evidence, page: Page) -> list[Section]:
    """Return the section of a campaign; empty if the folder is not of a campaign."""
    folder, campaign = evidence.folder, evidence.campaign
    if campaign is None:
        return []
    requirements = [_requirement_times(data) for data in campaign["requirements"]]
    trials, drawn = campaign["trials"], [text(line) for line in campaign["drawn"]]
    share = f"{100 * campaign['confidence']:g} %"
    parts = [_part(number, times, share, campaign, folder, page) for number, times in enumerate(requirements, 1)]
    parts.append(_losses(campaign.get("losses") or [], page))
    overview = facts([
        ("trials", grouped(trials)), ("confidence", f"{share}, one-sided"),
        ("rule", text(campaign.get("rule"))), ("decision", text(campaign.get("decision"))),
        ("engine", text(campaign.get("engine"))), ("crashes", text(campaign.get("crashes")) or "0"),
    ])  # fmt: skip
    lines = tag("ul", *(tag("li", line) for line in drawn))
    content = join(
        [tag("div", overview, tag("details", tag("summary", "Random parameters"), lines), class_="panel"), *parts]
    )
    return [Section(id="campaign", title="Campaign", note=counted(trials, "trial"), content=content)]


def _requirement_times(data: dict[str, Any]) -> RequirementTimes:
    times = data.get("times") or {"values_us": [], "counts": []}
    values, counts = (np.asarray(times[key], np.int64) for key in ("values_us", "counts"))
    return RequirementTimes(data, values, counts)


def _part(
    number: int, times: RequirementTimes, share: str, campaign: dict[str, Any], folder: Path, page: Page
) -> Html | None:
    """Return one requirement: numbers, chart, worst trials."""
    data = times.data
    judged, failures = data["judged"], data["failures"]
    if not judged:
        return None
    bound = data.get("upper_bound")
    numbers = [
        ("failures", f"{grouped(failures)} of {grouped(judged)} trials"),
        ("bound", f"the failure probability is below {bound:.2g}, at {share}" if bound is not None else ""),
        ("limit", quantity(times.limit_us, "µs") if times.limit_us is not None else ""),
    ]
    drawn = None
    if (times.values_us < NEVER_US).any():
        label = f"{data['id']}: share of trials with a longer time {text(data['what'])}. The table has the values."
        drawn = page.chart(f"campaign-{number}", label, lambda: _curve(times, bound))
    heading = tag("h3", f"{data['id']}: {text(data['what'])}")
    return tag("div", heading, facts(numbers), drawn, _quantiles(times, share), _worst(times, campaign, folder),
               class_="panel")  # fmt: skip


def _quantiles(times: RequirementTimes, share: str) -> Html | None:
    rows = []
    for quantile in times.data.get("quantiles") or []:
        value, upper = quantile.get("value_us"), quantile.get("upper_us")
        rows.append((
            f"p{100 * quantile['share']:g}",
            "never" if value is None else quantity(value, "µs"),
            "not bounded: too few trials" if upper is None else quantity(upper, "µs"),
        ))  # fmt: skip
    if not rows:
        return None
    head = ("percentile", "measured", f"true value at most ({share})")
    return table(f"{times.data['id']}: percentiles of the time", head, rows)


def _worst(times: RequirementTimes, campaign: dict[str, Any], folder: Path) -> Html | None:
    """Return the worst trials, each with the command that replays it in this folder."""
    receiver = campaign["head"]["receiver"]
    rows = []
    for entry in times.data.get("worst") or []:
        scenario, value = text(entry.get("scenario")), entry.get("value_us")
        safe = scenario.startswith("worst/") and ".." not in scenario and (folder / scenario).is_file()
        words = ["lostlink", "replay", scenario, "profile.toml", *(["--receiver", text(receiver)] if receiver else [])]
        took = "" if times.limit_us is None else "never" if value is None else quantity(value, "µs")
        name = f"trial {entry['trial']}"
        link = tag("a", name, href=scenario) if safe else name
        rows.append((link, took, tag("code", shlex.join(words))))
    if not rows:
        return None
    return table(f"{times.data['id']}: the worst trials", ("scenario", "time", "reproduce, in this folder"), rows)


def _losses(rows: list[Any], page: Page) -> Html | None:
    """Return the share of flights with a false failsafe against packet loss, with exact intervals at 95 %."""
    binned: dict[int, list[int]] = {}
    for share, trials, false in rows:
        into = binned.setdefault(_loss_bin(share), [0, 0])
        into[0], into[1] = into[0] + trials, into[1] + false
    if not binned:
        return None
    shown = [
        (share / 10, trials, false, *interval(false, trials, 0.95)) for share, (trials, false) in sorted(binned.items())
    ]
    heading = tag("h3", "Packets lost against false failsafes")
    label = "Share of flights with a false failsafe, by the packets lost in them. The table has the values."
    drawn = page.chart("campaign-losses", label, lambda: _loss_chart(shown)) if len(shown) > 1 else None
    cells = [
        (f"from {share:g} %", str(trials), str(false), f"{100 * false / trials:.3g} %",
         f"{100 * low:.2g} to {100 * high:.2g} %")
        for share, trials, false, low, high in shown
    ]  # fmt: skip
    head = ("packets lost before the link loss", "flights", "false failsafes", "share", "true share (95 %)")
    return tag("div", heading, drawn, table("Packets lost against false failsafes", head, cells), class_="panel")


def _loss_bin(per_mille: int) -> int:
    """Return the lower end of a bin: 0.5 % wide up to 5 %, 2.5 % up to 20 %, then 10 %."""
    begin, width = (0, 5) if per_mille < 50 else (50, 25) if per_mille < 200 else (200, 100)
    return begin + (per_mille - begin) // width * width


def _loss_chart(rows: list[tuple[float, int, int, float, float]]) -> Any:
    colors = figures.TOKENS
    made = figures.curve_figure(_HEIGHT, "packets lost before the link loss, %", "flights with a false failsafe, %")
    x = [share for share, *_ in rows]
    made.segment(x, [100 * low for *_, low, _ in rows], x, [100 * high for *_, high in rows], line_color=colors.band,
                 line_width=3, legend_label="true share, 95 % interval")  # fmt: skip
    made.scatter(x, [100 * false / trials for _, trials, false, *_ in rows], size=9, line_color=colors.throttle,
                 fill_color=colors.throttle, legend_label="measured")  # fmt: skip
    figures.dress_legend(made)
    return made


def _curve(times: RequirementTimes, bound: float | None) -> Any:
    """Return the share of trials that took longer than each time, on a logarithmic scale, with limit and bound."""
    from bokeh.models import Range1d

    colors = figures.TOKENS
    values, later = times.later_than()
    total = int(times.counts.sum())
    least = 0.3 / total
    label = f"share of trials that took longer (below {least:.0e}: not drawn)"
    made = figures.curve_figure(_HEIGHT, f"time {text(times.data['what'])}, ms", label, log_y=True)
    x = values / 1000
    some = later > 0
    levels = [1.0, *later[some].tolist()]
    made.step([x[0], *x[some].tolist(), x[-1]], [*levels, levels[-1]], mode="after", line_width=2.5,
              line_color=colors.throttle, legend_label="measured")  # fmt: skip
    if not some[-1]:  # no trial took longer than the longest: the line ends with the axis, below one trial
        made.segment([x[-1]], [levels[-1]], [x[-1]], [least], line_width=2.5, line_color=colors.throttle,
                     legend_label="measured")  # fmt: skip
    right = max(float(x[-1]), (times.limit_us or 0) / 1000)
    left = float(x[0])
    margin = max(1.0, 0.06 * (right - left))
    if times.limit_us is not None:
        limit = times.limit_us / 1000
        made.segment([limit], [least], [limit], [1.0], line_color=colors.limit, line_width=2, line_dash="dotdash",
                     legend_label=f"limit {quantity(times.limit_us, 'µs')}")  # fmt: skip
    if bound is not None and 0 < bound < 1:
        made.segment([left - margin], [bound], [right + margin], [bound], line_color=colors.band,
                     line_width=2, line_dash="dashed",
                     legend_label=f"bound on failures {bound:.2g}")  # fmt: skip
    uppers = [
        (quantile["upper_us"] / 1000, 1 - quantile["share"])
        for quantile in times.data.get("quantiles") or []
        if quantile.get("upper_us") is not None
    ]
    if uppers:
        made.scatter([at for at, _ in uppers], [share for _, share in uppers], marker="triangle", size=10,
                     fill_color=colors.card, line_color=colors.mark, line_width=1.5,
                     legend_label="upper bound of a quantile")  # fmt: skip
    ends = (left - margin, right + margin)
    made.x_range = Range1d(start=ends[0], end=ends[1], bounds=ends)
    made.y_range = Range1d(start=least, end=1.5)
    figures.dress_legend(made)
    return made
