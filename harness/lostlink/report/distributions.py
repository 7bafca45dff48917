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
from lostlink.report.page import Page, Section, chart, facts, table, text
from lostlink.verdicts import counted, grouped, quantity

MOST_POINTS: Final = 1500
"""Most points of a curve."""
_HEIGHT: Final = 480

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RequirementTimes:
    """One requirement of a campaign, as the file has it.

    Attributes
    ----------
    data : dict
    values_us, counts : (n,) ndarray of int64
        Times, ascending, and how many trials took each; empty where no time is measured.
    """

    data: dict[str, Any]
    values_us: Ints
    counts: Ints

    @property
    def limit_us(self) -> int | None:
        """What the profile allows."""
        limit = self.data.get("limit_us")
        return limit if isinstance(limit, int) else None

    def later_than(self) -> tuple[Ints, NDArray[np.float64]]:
        """Return times, and the share of trials that took longer than each; thinned out, ends and tail kept whole."""
        came = self.values_us < NEVER_US
        total = int(self.counts.sum())
        later = 1 - np.cumsum(self.counts) / total
        values, later = self.values_us[came], later[came]
        later[-1:] = np.maximum(later[-1:], 0.0)
        if len(values) > MOST_POINTS:
            # Evenly in the logarithm of the rank from the end: that is where the limit is.
            ranks = np.unique(np.geomspace(1, len(values), MOST_POINTS).astype(np.int64))
            keep = np.unique(np.concatenate([len(values) - ranks, [0]]))
            values, later = values[keep], later[keep]
        return values, later


def sections(evidence: Evidence, page: Page) -> list[Section]:
    """Return the section of a campaign, or none when the folder is not of one."""
    folder, campaign = evidence.folder, evidence.campaign
    if campaign is None:
        return []
    try:
        requirements = [_requirement_times(one) for one in campaign["requirements"]]
        trials, drawn = int(campaign["trials"]), [text(line) for line in campaign["drawn"]]
        share = f"{100 * float(campaign['confidence']):g} %"
        parts = [
            part for index, one in enumerate(requirements) if (part := _part(index, one, share, campaign, folder, page))
        ]
    except (OSError, ValueError, KeyError, TypeError, OverflowError) as error:
        words = f"campaign.json: cannot be read ({type(error).__name__}: {error})"
        return [Section(id="campaign", title="Campaign", content=tag("p", words))]
    if (losses := _losses(campaign.get("losses") or [], page)) is not None:
        parts.append(losses)
    flown = facts([
        ("trials", grouped(trials)), ("confidence", f"{share}, one-sided"),
        ("rule", text(campaign.get("rule"))), ("decision", text(campaign.get("decision"))),
        ("engine", text(campaign.get("engine"))), ("crashes", text(campaign.get("crashes")) or "0"),
    ])  # fmt: skip
    lines = tag("ul", *(tag("li", line) for line in drawn))
    content = join(
        [tag("div", flown, tag("details", tag("summary", "Random parameters"), lines), class_="panel"), *parts]
    )
    return [Section(id="campaign", title="Campaign", note=counted(trials, "trial"), content=content)]


def _requirement_times(data: dict[str, Any]) -> RequirementTimes:
    times = data.get("times") or {"values_us": [], "counts": []}
    values, counts = (np.asarray(times[key], np.int64) for key in ("values_us", "counts"))
    if values.shape != counts.shape or values.ndim != 1 or (counts < 1).any() or (np.diff(values) <= 0).any():
        raise ValueError(f"times of {data['id']}")
    return RequirementTimes(data, values, counts)


def _part(
    index: int, times: RequirementTimes, share: str, campaign: dict[str, Any], folder: Path, page: Page
) -> Html | None:
    """Return one requirement: numbers, chart, worst trials."""
    data = times.data
    judged, failures = int(data["judged"]), int(data["failures"])
    if not judged:
        return None
    bound = data.get("upper_bound")
    numbers = [
        ("failures", f"{grouped(failures)} of {grouped(judged)} trials"),
        ("bound", f"the failure probability is below {float(bound):.2g}, at {share}" if bound is not None else ""),
        ("limit", quantity(times.limit_us, "µs") if times.limit_us is not None else ""),
    ]
    drawn = None
    if len(times.values_us) and (times.values_us < NEVER_US).any() and page.plotting is not None:
        block = f"campaign-{index + 1}"
        page.data[block] = figures.item(_curve(times, bound))
        label = f"{data['id']}: share of trials with a longer time {text(data['what'])}. The table has the values."
        drawn = chart(block, label, _HEIGHT)
    heading = tag("h3", f"{data['id']}: {text(data['what'])}")
    return tag("div", heading, facts(numbers), drawn, _quantiles(times, share), _worst(times, campaign, folder),
               class_="panel")  # fmt: skip


def _quantiles(times: RequirementTimes, share: str) -> Html | None:
    rows = []
    for quantile in times.data.get("quantiles") or []:
        value, upper = quantile.get("value_us"), quantile.get("upper_us")
        rows.append((
            f"p{100 * float(quantile['share']):g}",
            "never" if value is None else quantity(int(value), "µs"),
            "not bounded: too few trials" if upper is None else quantity(int(upper), "µs"),
        ))  # fmt: skip
    if not rows:
        return None
    head = ("percentile", "measured", f"true value at most ({share})")
    return table(f"{times.data['id']}: percentiles of the time", head, rows)


def _worst(times: RequirementTimes, campaign: dict[str, Any], folder: Path) -> Html | None:
    """Return the worst trials, each with the command that replays it from within the folder."""
    receiver = (campaign.get("head") or {}).get("receiver")
    rows = []
    for one in times.data.get("worst") or []:
        scenario, value = text(one.get("scenario")), one.get("value_us")
        safe = scenario.startswith("worst/") and ".." not in scenario and (folder / scenario).is_file()
        words = ["lostlink", "replay", scenario, "profile.toml", *(["--receiver", text(receiver)] if receiver else [])]
        took = "" if times.limit_us is None else "never" if value is None else quantity(int(value), "µs")
        link = tag("a", f"trial {int(one['trial'])}", href=scenario) if safe else f"trial {int(one['trial'])}"
        rows.append((link, took, tag("code", shlex.join(words))))
    if not rows:
        return None
    return table(f"{times.data['id']}: the worst trials", ("scenario", "time", "reproduce, in this folder"), rows)


def _losses(rows: list[Any], page: Page) -> Html | None:
    """Return loss against false failsafe: how often flights of a loss share had one, with exact intervals at 95 %."""
    binned: dict[int, list[int]] = {}
    for share, trials, false in rows:
        into = binned.setdefault(_loss_bin(int(share)), [0, 0])
        into[0], into[1] = into[0] + int(trials), into[1] + int(false)
    if not binned:
        return None
    shown = []
    for share, (trials, false) in sorted(binned.items()):
        low, high = interval(false, trials, 0.95)
        shown.append((share / 10, trials, false, low, high))
    heading = tag("h3", "Packets lost against false failsafes")
    drawn = None
    if page.plotting is not None and len(shown) > 1:
        page.data["campaign-losses"] = figures.item(_loss_chart(shown))
        drawn = chart("campaign-losses", "Share of flights with a false failsafe, by the packets lost in them. The "
                      "table has the values.", _HEIGHT)  # fmt: skip
    cells = [
        (
            f"from {share:g} %",
            str(trials),
            str(false),
            f"{100 * false / trials:.3g} %",
            f"{100 * low:.2g} to {100 * high:.2g} %",
        )
        for share, trials, false, low, high in shown
    ]
    head = ("packets lost before the link loss", "flights", "false failsafes", "share", "true share (95 %)")
    return tag("div", heading, drawn, table("Packets lost against false failsafes", head, cells), class_="panel")


def _loss_bin(per_mille: int) -> int:
    """Return the lower end of a bin: 0.5 % wide up to 5 %, 2.5 % up to 20 %, then 10 %."""
    begin, width = (0, 5) if per_mille < 50 else (50, 25) if per_mille < 200 else (200, 100)
    return begin + (per_mille - begin) // width * width


def _loss_chart(rows: list[tuple[float, int, int, float, float]]) -> Any:
    from bokeh.plotting import figure

    colors = figures.TOKENS
    made = figure(
        height=_HEIGHT, sizing_mode="stretch_width", min_width=200, toolbar_location=None, tools="",
        x_axis_label="packets lost before the link loss, %", y_axis_label="flights with a false failsafe, %",
    )  # fmt: skip
    figures.furnish(made, colors)
    x = [share for share, *_ in rows]
    made.segment(x, [100 * low for *_, low, _ in rows], x, [100 * high for *_, high in rows], line_color=colors.band,
                 line_width=3, legend_label="true share, 95 % interval")  # fmt: skip
    made.scatter(x, [100 * false / trials for _, trials, false, *_ in rows], size=9, line_color=colors.throttle,
                 fill_color=colors.throttle, legend_label="measured")  # fmt: skip
    figures.dress_legend(made, colors)
    return made


def _curve(times: RequirementTimes, bound: float | None) -> Any:
    """Return the chart: how many trials took longer than each time, on a logarithmic scale, with limit and bound."""
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    colors = figures.TOKENS
    values, later = times.later_than()
    total = int(times.counts.sum())
    least = 0.3 / total
    made = figure(
        height=_HEIGHT, sizing_mode="stretch_width", min_width=200, y_axis_type="log", toolbar_location=None, tools="",
        x_axis_label=f"time {text(times.data['what'])}, ms", y_axis_label="share of trials that took longer",
    )  # fmt: skip
    figures.furnish(made, colors)
    x = values / 1000
    # Nothing lies beyond the longest: the curve falls to the floor, which is less than one trial.
    made.step([x[0], *x.tolist()], [1.0, *np.maximum(later, least).tolist()], mode="after", line_width=2.5,
              line_color=colors.throttle, legend_label="measured")  # fmt: skip
    right = max(float(x[-1]), (times.limit_us or 0) / 1000)
    left = float(x[0])
    air = max(1.0, 0.06 * (right - left))
    if times.limit_us is not None:
        limit = times.limit_us / 1000
        made.segment([limit], [least], [limit], [1.0], line_color=colors.limit, line_width=2, line_dash="dotdash",
                     legend_label=f"limit {quantity(times.limit_us, 'µs')}")  # fmt: skip
    if bound is not None and 0 < float(bound) < 1:
        made.segment([left - air], [float(bound)], [right + air], [float(bound)], line_color=colors.band, line_width=2,
                     line_dash="dashed", legend_label=f"bound on failures {float(bound):.2g}")  # fmt: skip
    uppers = [(int(q["upper_us"]) / 1000, 1 - float(q["share"])) for q in times.data.get("quantiles") or []
              if q.get("upper_us") is not None]  # fmt: skip
    if uppers:
        made.scatter([at for at, _ in uppers], [share for _, share in uppers], marker="triangle", size=10,
                     fill_color=colors.card, line_color=colors.mark, line_width=1.5,
                     legend_label="upper bound of a quantile")  # fmt: skip
    made.x_range = Range1d(start=left - air, end=right + air, bounds=(left - air, right + air))
    made.y_range = Range1d(start=least, end=1.5)
    figures.dress_legend(made, colors)
    return made
