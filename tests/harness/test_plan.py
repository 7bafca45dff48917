"""``lostlink plan``: its four commands, their files, and how they agree with flights."""

from __future__ import annotations

import csv
import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy import stats

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.statistics import upper_bound
from lostlink.cli import main
from lostlink.errors import ProfileError
from lostlink.planning import timeout
from lostlink.planning.loss_log import read_loss_log
from lostlink.profiles import parse_profile, read_profile, write_profile
from lostlink.report.plan_pages import timeout_page
from lostlink.show.chart import chart
from lostlink_sims import Profile
from lostlink_sims.air.loss import Bernoulli, GilbertElliott, LossModel, PeriodicInterferer
from lostlink_sims.batch.engine import BatchEngine

HERON, LAPWING, BITTERN = (Path(f"fixtures/profiles/{name}.toml") for name in ("heron", "lapwing", "bittern"))


def plan(*words: object) -> Result:
    return CliRunner().invoke(main, ["plan", *map(str, words)])


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# --- timeout ---------------------------------------------------------------------------------------------------------


def harsh(timeout_us: int, *models: LossModel) -> Profile:
    profile = read_profile(HERON)
    return dataclasses.replace(
        profile,
        radio=dataclasses.replace(profile.radio, losses=models),
        receiver=dataclasses.replace(profile.receiver, timeout_us=timeout_us, recovery_us=0, recovery_packets=1),
        requirements=dataclasses.replace(
            profile.requirements, cut_within_us=timeout_us + 50_000, motor_cut_within_us=timeout_us + 150_000
        ),
    )


@pytest.mark.parametrize(
    ("timeout_us", "models"),
    [
        (47_000, (Bernoulli(probability=0.4),)),
        (90_000, (GilbertElliott(good_to_bad=0.01, bad_to_good=0.1),)),
        (90_000, (GilbertElliott(good_to_bad=0.02, bad_to_good=0.15, loss_good=0.02, loss_bad=0.9),)),
        (60_000, (PeriodicInterferer(period_us=102_400, burst_us=52_000), Bernoulli(probability=0.3))),
    ],
)
def test_rates_are_those_of_flights(timeout_us: int, models: tuple[LossModel, ...]) -> None:
    """False failsafes in simulated flights lie in the Poisson interval (99.99 %, scipy) of the calculated rate."""
    profile = harsh(timeout_us, *models)
    (row,), rates = timeout.plan(profile, [timeout_us], flight_us=1_000_000, simulate_us=1)
    assert rates.is_exact
    lot = flight_trials(profile, 13, duration_us=8_000_000)
    failsafes, watched_us = 0, 0
    for outcomes in BatchEngine(lot).pieces(0, 1500):
        place, begin_us, end_us = outcomes.episodes.T
        lost_us = outcomes.drawn.lost_us[place]
        linked_us = end_us[np.searchsorted(place, np.arange(len(outcomes.flew)))][place]
        false = (begin_us > linked_us) & (begin_us < lost_us)
        failsafes += int(false.sum())
        # Time in which a failsafe could begin: linked, before the link is taken away.
        until_us = np.minimum(np.append(begin_us[1:], 0), lost_us)
        until_us = np.where(np.append(place[1:], -1) == place, until_us, lost_us)
        watched_us += int(np.maximum(0, until_us - end_us)[end_us < lost_us].sum())
    # The rate is per packet of the whole channel; while a run is under way no other begins.
    interval_us = profile.handset.packet_interval_us
    expected = row.per_hour * (watched_us + failsafes * 1.5 * interval_us) / 3.6e9
    low, high = (stats.chi2.ppf(q, 2 * (failsafes + (q > 0.5))) / 2 for q in (0.00005, 0.99995))
    assert failsafes > 100
    assert low * 0.97 <= expected <= high * 1.03, (failsafes, expected)


def test_no_timeout_keeps_both_limits_of_lapwing() -> None:
    done = plan("timeout", LAPWING)
    assert done.exit_code == 0, done.output
    assert "No timeout keeps both limits" in done.output
    assert "Bursts matter" in done.output
    assert "safe to fly" in done.output


def test_recommended_timeouts_keep_both_limits(tmp_path: Path) -> None:
    done = plan("timeout", HERON, "--csv", tmp_path / "plan.csv")
    assert "Recommended: 115 ms to 523 ms" in done.output
    profile = read_profile(HERON)
    advice = timeout.advise(profile, most_per_hour=0.001, longest_us=2_000_000, simulate_us=1)
    assert advice.exists
    assert advice.least_us is not None
    quiet, early = timeout.plan(profile, [advice.least_us, advice.least_us - 5000], flight_us=1, simulate_us=1)[0]
    assert quiet.per_hour <= 0.001 < early.per_hour
    late, later = timeout.plan(profile, [advice.most_us, advice.most_us + 1000], flight_us=1, simulate_us=1)[0]
    assert late.worst_us <= profile.requirements.cut_within_us < later.worst_us
    written = rows(tmp_path / "plan.csv")
    assert [int(row["timeout_us"]) for row in written] == sorted(int(row["timeout_us"]) for row in written)
    assert "500000" in {row["timeout_us"] for row in written}


@pytest.mark.parametrize("path", sorted(Path("fixtures/profiles").glob("*.toml")), ids=lambda path: path.stem)
def test_the_longest_recommended_timeout_is_allowed_by_the_reader(path: Path) -> None:
    """And the next longer one is not."""
    profile = read_profile(path)
    longest_us = timeout._longest_timeout_us(profile)
    for timeout_us, is_allowed in ((longest_us, True), (longest_us + 1000, False)):
        receiver = dataclasses.replace(profile.receiver, timeout_us=timeout_us)
        text = write_profile(dataclasses.replace(profile, receiver=receiver))
        if is_allowed:
            assert parse_profile(text, "longest", path.parent).receiver.timeout_us == timeout_us
        else:
            with pytest.raises(ProfileError, match="cut_within"):
                parse_profile(text, "longer", path.parent)


def test_without_losses_there_is_no_recommendation(tmp_path: Path) -> None:
    assert CliRunner().invoke(main, ["new", str(tmp_path / "mine.toml")]).exit_code == 0
    done = plan("timeout", tmp_path / "mine.toml")
    assert done.exit_code == 0, done.output
    assert "No recommendation: the profile has no ordinary losses" in " ".join(done.output.split())
    assert "lostlink plan fit" in done.output
    assert "Recommended" not in done.output


@pytest.mark.parametrize("kind", ["clusters", "bad minutes"])
def test_the_bound_of_counted_rates_keeps_its_confidence(kind: str) -> None:
    """At most 5 % of the bounds may be below the truth: 1000 records of an hour, drawn here by numpy; z = 3 for chance.

    A bound that takes single runs as independent (Poisson) misses a quarter of them.
    """
    draw = np.random.default_rng(7)
    if kind == "clusters":  # 0.05 clusters a minute
        minutes, truth = draw.poisson(0.05, (1000, 60)) > 0, -math.expm1(-0.05)
    else:  # one minute in twenty is bad, with six runs; the others have hardly any
        minutes = draw.poisson(np.where(draw.random((1000, 60)) < 0.05, 6, 0.02)) > 0
        truth = 0.05 * -math.expm1(-6) + 0.95 * -math.expm1(-0.02)
    missed = sum(upper_bound(int(count), 60, 0.95) < truth for count in minutes.sum(1))
    assert missed <= 50 + 3 * math.sqrt(1000 * 0.05 * 0.95)


def test_worst_cut_is_never_exceeded_and_nearly_reached() -> None:
    """In ten thousand flights."""
    profile = read_profile(HERON)
    _, worst_us = timeout.cut_times_us(profile, profile.receiver.timeout_us, 0.0)
    cuts = [one.cut_us - one.drawn.lost_us for one in BatchEngine(flight_trials(profile, 3)).pieces(0, 10_000)]
    longest_us = int(np.concatenate(cuts).max())
    assert worst_us - 1500 < longest_us <= worst_us


def test_fall_and_way() -> None:
    """g t^2 / 2: 0.5 s 1.225831 m, 1 s 4.903325 m; v t (kinematics without drag, standard g)."""
    for worst_us, fall_m in ((500_000, 1.225831), (1_000_000, 4.903325)):
        row = timeout.TimeoutRow(1, 1, 0, 0, 0, 0, 0, 0, worst_us)
        assert row.fall_m == pytest.approx(fall_m, rel=1e-6)
        assert row.blind_m(15) == 15 * worst_us / 1e6


def test_a_fading_channel_is_counted_with_a_bound() -> None:
    done = plan("timeout", BITTERN, "--simulate", "5 min")
    assert done.exit_code == 0, done.output
    assert "counted in" in done.output
    assert "seed 1" in done.output


# --- the others ------------------------------------------------------------------------------------------------------


def test_latency(tmp_path: Path) -> None:
    done = plan("latency", HERON, "--runs", 5, "--csv", tmp_path / "moves.csv")
    assert done.exit_code == 0, done.output
    assert "wait for the next frame" in done.output
    assert "Kolmogorov-Smirnov" in done.output
    assert len(rows(tmp_path / "moves.csv")) == 100


def test_range(tmp_path: Path) -> None:
    done = plan("range", HERON, "--to", "500 m", "--power", "20 dBm", "--csv", tmp_path / "range.csv")
    assert done.exit_code == 0, done.output
    for said in ("the default link budget", "relative, not a prediction", "does not show compliance", "Fresnel"):
        assert said in done.output
    written = rows(tmp_path / "range.csv")
    assert {row["path"] for row in written} == {"free space", "two-ray"}
    margins = [float(row["margin_db"]) for row in written if row["path"] == "free space"]
    # 20 log10 of the distance: 10 m to 100 m is 20 dB (Friis).
    assert margins[0] - margins[6] == pytest.approx(20, abs=1e-9)
    fading = plan("range", BITTERN)
    assert "its own link budget" in fading.output
    assert "Doppler" in fading.output
    loud = plan("range", HERON, "--power", "27 dBm")
    assert "more than the 20 dBm" in loud.output


def log(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_fit(tmp_path: Path) -> None:
    done = plan("fit", "fixtures/losses/pond.csv", "--out", tmp_path / "part.toml")
    assert done.exit_code == 0, done.output
    assert "33 of 2000 lost" in done.output
    assert (tmp_path / "part.toml").read_text(encoding="utf-8").count("[[radio.losses]]") == 1
    again = plan("fit", "fixtures/losses/pond.csv", "--out", tmp_path / "part.toml")
    assert (again.exit_code, "exists already" in again.output) == (2, True)


def test_a_log_without_losses_bounds_them(tmp_path: Path) -> None:
    """3/n (rule of three): 1000 packets, below 0.00299125."""
    done = plan("fit", log(tmp_path / "calm.csv", "lost\n" + "0\n" * 1000), "--out", tmp_path / "part.toml")
    assert done.exit_code == 0
    assert "below 0.003" in done.output
    assert not (tmp_path / "part.toml").exists()


def test_counters(tmp_path: Path) -> None:
    """Gaps are losses, the counter wraps, packets come twice, a handset restarts."""
    found = read_loss_log(
        str(log(tmp_path / "a.csv", "# a comment\ntime,counter\n1,253\n2,254\n3,1\n4,1\n5,4\n6,0\n7,1\n"))
    )
    assert "".join("x" if lost else "." for lost in found.lost) == "..xx.xx..."
    assert any("twice" in note for note in found.notes)
    assert any("went back" in note for note in found.notes)
    wide = read_loss_log(str(log(tmp_path / "b.csv", "counter\n65534\n2\n")), counter_bits=16)
    assert int(wide.lost.sum()) == 3


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "holds no line"),
        ("lost\n", "holds no packet"),
        ("lost\n0\n2\n", "bad.csv:3: lost is 2"),
        ("lost\n0\nx\n", "bad.csv:3: lost is 'x'"),
        ("time,value\n1,2\n", "no column lost or counter"),
        ("counter\n5\n-1\n", "bad.csv:3"),
        ("counter\n1\n4294967296\n", "does not fit"),
        ("lost\n0\n", "only one packet"),
    ],
)
def test_bad_logs(text: str, said: str, tmp_path: Path) -> None:
    done = plan("fit", log(tmp_path / "bad.csv", text))
    assert done.exit_code == 2
    assert said in done.output
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    "words",
    [
        ("timeout", HERON, "--from", "1 ms"),
        ("timeout", HERON, "--from", "2 s", "--to", "1 s"),
        ("timeout", HERON, "--speed", "fast"),
        ("timeout", HERON, "--csv", "/nowhere/at/all.csv"),
        ("range", HERON, "--to", "1 m"),
        ("range", HERON, "--power", "99 dBm"),
        ("fit", "nobody.csv"),
        ("latency", "nobody.toml"),
    ],
)
def test_bad_words(words: tuple[object, ...]) -> None:
    done = plan(*words)
    assert done.exit_code == 2, done.output
    assert done.output.startswith("lostlink: ")
    cures = ("allowed", "choose a path that can be written", "lostlink new FILE writes a profile")
    assert any(cure in done.output for cure in cures)


# --- charts ----------------------------------------------------------------------------------------------------------


def test_chart_places() -> None:
    """Ends and middle of both axes, a sign for each series, marks, legend."""
    lines = chart(
        [1, 10, 100], {"rising": [1, 10, 100], "falling": [100, 10, 1]}, x_label="x", y_label="y", log_y=True,
        marks={"here": 10}, width=40, height=9,
    ).splitlines()  # fmt: skip
    body = [line.split("|", 1)[1] for line in lines[1:10]]
    assert body[0][0] == "o"
    assert body[0].rstrip()[-1] == "*"
    assert body[8][0] == "*"
    middle = body[4].index("o")
    assert all(row[middle] == ":" for row in body if row is not body[4])
    assert "* rising   o falling   : here 10" in lines[-1]


def test_chart_of_odd_values() -> None:
    odd = chart([1, 2, 3], {"a": [0, math.nan, math.inf]}, x_label="x", y_label="chance", log_y=True)
    assert odd == "chance: nothing to draw"
    flat = chart([1, 2], {"a": [5, 5]}, x_label="x", y_label="y")
    assert flat.count("*") == 3
    some = chart([1, 2, 3], {"a": [0, 1, 10]}, x_label="x", y_label="y", log_y=True)
    assert "(1 value below 1: not drawn)" in some
    assert "(1 value not finite: not drawn)" in chart([1, 2, 3], {"a": [math.inf, 1, 10]}, x_label="x", y_label="y")
    with pytest.raises(ValueError, match="argument 2 is longer"):
        chart([1], {"a": [1, 2]}, x_label="x", y_label="y")


def test_curves_are_of_calculated_values(tmp_path: Path) -> None:
    """Nothing is drawn in place of a value that is too small, and the axis says where it ends."""
    profile = read_profile(HERON)
    rows_, rates = timeout.plan(profile, [50_000, 500_000, 2_000_000], flight_us=1, simulate_us=1)
    curve = timeout.rate_curve(profile, rates, 50_000, 2_000_000)
    page = timeout_page(profile, rows_, rates, curve, timeout.Advice(1, 2), max_per_hour=0.001)
    drawn = page.curves[0].series["if losses were independent"]
    assert [drawn[0], drawn[-1]] == [rows_[0].independent_per_hour, rows_[-1].independent_per_hour]
    assert min(row.independent_per_hour for row in rows_) < 1e-12
    done = plan("timeout", HERON, "--report", tmp_path / "plan.html")
    assert done.exit_code == 0, done.output
    assert "not drawn)" in (tmp_path / "plan.html").read_text(encoding="utf-8")
