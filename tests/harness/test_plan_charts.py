"""Charts of plans: no dip is missing or misplaced, nothing is drawn that is no value, and axes say where they end.

Over flat ground (reflection coefficient -1) both rays cancel where the bounced one is a whole number of wavelengths
longer (Rappaport, Wireless Communications, two-ray model): the dips are found here by that condition alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from lostlink.cli import main
from lostlink.planning import link_range, timeout
from lostlink.planning.first_passage import packets_to_fire
from lostlink.profiles import read_profile
from lostlink.report.distributions import RequirementTimes, _curve
from lostlink.report.plan_pages import range_page
from lostlink.report.plans import Curves, _figure
from lostlink.show.chart import chart
from lostlink_sims import Profile
from lostlink_sims.air.loss import LinkBudget

HERON, BITTERN = Path("fixtures/profiles/heron.toml"), Path("fixtures/profiles/bittern.toml")


def dips_m(one_m: float, other_m: float, frequency_hz: float, most_m: float) -> list[float]:
    """Return the distances from 10 m on at which both rays cancel, the farthest first."""
    wavelength_m = 299_792_458.0 / frequency_hz

    def waves(at_m: float) -> float:
        return (math.hypot(at_m, one_m + other_m) - math.hypot(at_m, one_m - other_m)) / wavelength_m

    orders = range(math.floor(waves(most_m)) + 1, math.floor(waves(10.0)) + 1)
    return [float(brentq(lambda at_m, n=n: waves(at_m) - n, 10.0, most_m, xtol=1e-9)) for n in orders]


def depth_db(at_m: float, one_m: float, other_m: float) -> float:
    """Return how far a dip is below free space: both rays in opposite phase, over the direct distance alone."""
    direct_m, bounced_m = math.hypot(at_m, one_m - other_m), math.hypot(at_m, one_m + other_m)
    return -20 * math.log10(at_m * (1 / direct_m - 1 / bounced_m))


def minima(values: Sequence[float]) -> list[int]:
    return [i for i in range(1, len(values) - 1) if values[i] < values[i - 1] and values[i] <= values[i + 1]]


GROUNDS = [(1.5, 10.0, 2.44e9), (1.5, 30.0, 2.44e9), (2.0, 20.0, 5.8e9), (1.0, 30.0, 8.68e8)]


@pytest.mark.parametrize(("one_m", "other_m", "frequency_hz"), GROUNDS)
def test_each_dip_is_on_the_curve(one_m: float, other_m: float, frequency_hz: float) -> None:
    """As many minima as dips, each at its place (within 0.2 %) and to its bottom (within 0.5 dB)."""
    budget = LinkBudget(
        path="two-ray", handset_height_m=one_m, model_height_m=other_m, frequency_hz=frequency_hz
    )  # fmt: skip
    distances_m = link_range.curve_distances_m(budget, 2000.0)
    curve = link_range.curve_at(Profile(), budget, distances_m)
    free = link_range.curve_at(Profile(), LinkBudget(frequency_hz=frequency_hz), distances_m)
    expected = sorted(dips_m(one_m, other_m, frequency_hz, 2000.0))
    places = minima(curve.margin_db)
    assert len(expected) > 2
    assert [distances_m[place] for place in places] == pytest.approx(expected, rel=2e-3)
    below_db = [free.margin_db[place] - curve.margin_db[place] for place in places]
    assert below_db == pytest.approx([depth_db(at_m, one_m, other_m) for at_m in expected], abs=0.5)
    # Towards a dip there are points on its slopes: no step between two of them is a large part of the dip.
    steps_db = np.abs(np.diff(curve.margin_db))
    assert steps_db.max() < 8
    assert len(distances_m) < 6000


def test_more_dips_than_a_curve_can_show() -> None:
    """Antennas of 50 m and 100 m at 5.8 GHz: one dip in each step is at its place and at its bottom."""
    budget = LinkBudget(path="two-ray", handset_height_m=50.0, model_height_m=100.0, frequency_hz=5.8e9)
    distances_m = link_range.curve_distances_m(budget, 2000.0)
    curve = link_range.curve_at(Profile(), budget, distances_m)
    expected = np.sort(dips_m(50.0, 100.0, 5.8e9, 2000.0))
    assert len(expected) > 1000
    assert len(distances_m) < 6000
    shown = np.array([distances_m[place] for place in minima(curve.margin_db)])
    nearest = np.abs(shown[:, None] - expected).min(1)
    on_dips = shown[nearest < 1e-6 * shown]
    assert len(on_dips) > 200
    assert np.diff(np.log(on_dips)).max() < 3 * math.log(200) / 400


def test_a_search_stops_at_the_first_dip_that_is_too_deep() -> None:
    """Within a millimetre: the plain walk here has steps of a tenth of one, around the dip that the condition gives."""
    budget, profile = LinkBudget(path="two-ray"), Profile()
    deep = [
        at_m
        for at_m in sorted(dips_m(1.5, 10.0, 2.44e9, 2000.0))
        if link_range.at(profile, budget, at_m).margin_db < -20.0
    ]
    first = link_range.kept_m(profile, budget, -20.0, 2000.0)[0]
    walk = np.arange(deep[0] - 0.05, deep[0], 1e-4)
    weak = next(at_m for at_m in walk.tolist() if link_range.at(profile, budget, at_m).margin_db < -20.0)
    assert first == pytest.approx(weak, abs=1e-3)


def lines(curves: Curves) -> dict[str, list[tuple[float, float]]]:
    """Return the points of each line of a chart on a page, by its legend."""
    made = _figure(curves)
    names = {item.renderers[0].id: item.label.value for item in made.legend[0].items}
    found: dict[str, list[tuple[float, float]]] = {}
    for renderer in made.renderers:
        data = renderer.data_source.data
        if renderer.id in names and "y" in data:
            found[names[renderer.id]] = list(zip(data["x"], data["y"], strict=True))
    return found


def range_curves() -> list[Curves]:
    profile, budget = read_profile(HERON), LinkBudget()
    at_m = link_range.curve_distances_m(budget, 2000.0)
    curves = {path: link_range.curve_at(profile, LinkBudget(path=path), at_m) for path in ("free space", "two-ray")}
    points = {path: [link_range.at(profile, LinkBudget(path=path), 100.0)] for path in curves}
    return range_page(profile, budget, points, curves, keep_db=10.0, most_m=2000.0).curves


def test_terminal_and_page_show_the_last_dip() -> None:
    """The last dip is the deepest: its bottom is the end of the axis, at its distance."""
    done = CliRunner().invoke(main, ["plan", "range", str(HERON)])
    assert done.exit_code == 0, done.output
    last_m = dips_m(1.5, 10.0, 2.44e9, 2000.0)[0]
    bottom_db = link_range.at(read_profile(HERON), LinkBudget(path="two-ray"), last_m).margin_db
    rows = [line for line in done.output.splitlines() if line.startswith(f" {bottom_db:.0f} dB |")]
    assert len(rows) == 1
    place = (rows[0].index("o") - rows[0].index("|") - 1) / (72 - rows[0].index("|") - 1)
    assert place == pytest.approx(math.log(last_m / 10) / math.log(200), abs=0.02)
    deep = [x for x, y in lines(range_curves()[0])["two-ray"] if y < bottom_db + 1]
    assert deep
    assert all(abs(x - last_m) < 0.001 * last_m for x in deep)


def test_lost_packets_of_a_dip_are_on_the_page() -> None:
    """Between two dips hardly a packet is lost, in each beyond 18 m nearly all are; none is joined to the next."""
    drawn = lines(range_curves()[1])["two-ray"]
    for dip_m in (at_m for at_m in dips_m(1.5, 10.0, 2.44e9, 2000.0) if at_m > 18):
        assert max(y for x, y in drawn if abs(x - dip_m) < 1e-3 * dip_m) > 0.9


# --- what is drawn ----------------------------------------------------------------------------------------------------


def rates(y: Sequence[float | None], *, log_y: bool = True) -> Curves:
    return Curves(
        title="t", x_label="x", y_label="rate", x=list(range(len(y))), series={"a": y}, marks={}, log_y=log_y
    )  # fmt: skip


def test_what_is_left_out_leaves_a_gap() -> None:
    """A line that goes on over it would be drawn through values that nothing has."""
    drawn = [y for _, y in lines(rates([1.0, 0.1, 0.0, None, math.inf, 0.1, 1.0]))["a"]]
    assert [None if math.isnan(y) else y for y in drawn] == [1.0, 0.1, None, None, None, 0.1, 1.0]


def test_a_value_between_gaps_is_seen() -> None:
    made = _figure(rates([1.0, 1.0, 0.0, 0.5, 0.0, 1.0, 1.0]))
    dots = [one.data_source.data for one in made.renderers if type(one.glyph).__name__ == "Scatter"]
    assert [(list(one["x"]), list(one["y"])) for one in dots] == [([3], [0.5])]


@pytest.mark.parametrize(
    ("values", "label"),
    [
        ([1.0, 1e-3], "rate"),
        ([1.0, 1e-3, 0.0], "rate (below 1e-03: not drawn)"),
        ([1.0, 1e-40], "rate (below 1e-15: not drawn)"),
        ([0.0, 0.0], "rate (0: not drawn)"),
    ],
)
def test_a_logarithmic_axis_says_where_it_ends(values: list[float], label: str) -> None:
    made = _figure(rates(values))
    assert made.yaxis[0].axis_label == label
    assert made.y_range.start <= max(min((y for y in values if y > 0), default=0.1), 1e-15)
    text = chart([1, 2, 3][: len(values)], {"a": values}, x_label="x", y_label="rate", log_y=True)
    said = "not drawn" in text or "nothing to draw" in text
    assert said == ("not drawn" in label)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.lists(st.floats(0, 1e6), min_size=2, max_size=30), st.booleans())
def test_every_point_is_a_value(values: list[float], log_y: bool) -> None:
    """No clamp, no stand-in: what a line has are the values, or gaps."""
    drawn = [y for _, y in lines(rates(values, log_y=log_y))["a"]]
    for value, y in zip(values, drawn, strict=True):
        assert y == value or (math.isnan(y) and log_y and not value > 0)


def test_a_campaign_draws_shares_of_trials_only() -> None:
    """Ten trials: 0.1 is the smallest share above 0. It once ended in a point at 0.03."""
    times = RequirementTimes({"id": "X", "what": "w"}, np.arange(10, 20) * 1000, np.ones(10, np.int64))
    made = _curve(times, None)
    (steps,) = (one.data_source.data for one in made.renderers if type(one.glyph).__name__ == "Step")
    assert set(np.round(np.array(steps["y"]) * 10, 9)) == set(range(1, 11))
    assert "not drawn" in made.yaxis[0].axis_label


@pytest.mark.parametrize("path", [HERON, BITTERN], ids=lambda path: path.stem)
def test_the_rate_curve_has_every_step(path: Path) -> None:
    """Each timeout at which one more packet must be lost, by trying each microsecond around it, and the rates there."""
    profile = read_profile(path)
    rows = timeout.plan(profile, [50_000, 300_000], flight_us=1, simulate_us=60_000_000)
    curve = timeout.rate_curve(profile, rows[1], 50_000, 300_000)
    assert (curve.timeouts_us[0], curve.timeouts_us[-1]) == (50_000, 300_000)
    steps = sorted(set(curve.timeouts_us[1:-1]))
    runs = [packets_to_fire(profile, at_us) for at_us in steps]
    assert runs == list(range(packets_to_fire(profile, 50_000) + 1, packets_to_fire(profile, 300_000) + 1))
    assert [packets_to_fire(profile, at_us - 1) for at_us in steps] == [run - 1 for run in runs]
    for at_us, per_hour in zip(curve.timeouts_us[1::2], curve.per_hour["this link"][1::2], strict=True):
        assert per_hour == rows[1].per_hour[packets_to_fire(profile, at_us - 1) - 1]
    assert ("upper bound at 95 %" in curve.per_hour) == (not rows[1].is_exact)


def test_the_page_of_a_counted_link_claims_no_more_than_was_counted(tmp_path: Path) -> None:
    """No failsafe in an hour of simulated packets is not "<1e-13"."""
    done = CliRunner().invoke(main, ["plan", "timeout", str(BITTERN), "--report", str(tmp_path / "plan.html")])
    assert done.exit_code == 0, done.output
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")
    table = page[page.index("<table") : page.index("</table>")]
    assert "e-" not in table
    assert "0 (&lt;2.9)" in table  # 1 - 0.05^(1/60) of the minutes (rule of three)
    assert "is shown to keep" in " ".join(done.output.split())
