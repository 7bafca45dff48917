"""Logs that hide losses, and ground that hides dips: what advice must not overlook."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from lostlink.cli import main
from lostlink.errors import CaptureError
from lostlink.planning import fit, link_range
from lostlink.planning.loss_log import LossLog, read_loss_log
from lostlink.profiles import parse_profile
from lostlink_sims import Profile
from lostlink_sims.air.loss import GilbertElliott, LinkBudget


def plan(*words: object) -> Result:
    return CliRunner().invoke(main, ["plan", *map(str, words)])


def read(folder: Path, text: str, *, counter_bits: int | None = None, interval_us: float | None = None) -> LossLog:
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    return read_loss_log(str(path), counter_bits=counter_bits, interval_us=interval_us)


def signs(log: LossLog) -> str:
    return "".join("x" if lost else "." for lost in log.lost)


def heard(lost: np.ndarray[tuple[int], np.dtype[np.bool_]], bits: int) -> list[int]:
    return (np.flatnonzero(~lost) % (1 << bits)).tolist()


@pytest.fixture
def gappy() -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """1600 packets with gaps of 3, 140 and 600."""
    lost = np.zeros(1600, np.bool_)
    for begin, length in ((50, 3), (300, 140), (800, 600)):
        lost[begin : begin + length] = True
    return lost


def test_a_long_gap_is_no_restart(tmp_path: Path) -> None:
    """140 packets of 1000 lost in a row, a counter of 8 bits: once told as nothing lost at all."""
    lost = np.zeros(1000, np.bool_)
    lost[300:440] = True
    log = read(tmp_path, "counter\n" + "\n".join(map(str, heard(lost, 8))))
    assert log.lost.tolist() == lost.tolist()
    assert any("more than half the counter range" in note for note in log.notes)
    assert any("cannot show gaps of 256 packets or more" in note for note in log.notes)


@pytest.mark.parametrize("unit", ["us", "ms", "s"])
@pytest.mark.parametrize("counted", [True, False])
def test_times_see_every_gap(
    unit: str, counted: bool, tmp_path: Path, gappy: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> None:
    """With times a counter of 8 bits sees gaps of several wraps; times alone do too, with jitter and drift."""
    places = np.flatnonzero(~gappy)
    jitter = np.random.default_rng(2).uniform(-300, 300, len(places))
    # The recorder's clock is 0.2 % fast: over 600 packets a wrong interval would be off by more than one.
    times = (places * 5000 * 1.002 + jitter + 1e6) / {"us": 1, "ms": 1e3, "s": 1e6}[unit]
    rows = [
        f"{count},{time:.7f}" if counted else f"{time:.7f}" for count, time in zip(heard(gappy, 8), times, strict=True)
    ]
    text = "\n".join([f"counter,time_{unit}" if counted else f"time_{unit}", *rows])
    log = read(tmp_path, text, interval_us=5000, counter_bits=8)
    assert log.lost.tolist() == gappy.tolist()


def test_late_packets_and_restarts(tmp_path: Path) -> None:
    late = read(tmp_path, "counter\n5\n6\n9\n8\n10\n", counter_bits=16)
    assert signs(late) == "..x..."
    assert any("1 packet out of order" in note for note in late.notes)
    again = read(tmp_path, "counter\n500\n501\n0\n1\n3\n", counter_bits=16)
    assert signs(again) == "....x."
    assert any("restart" in note for note in again.notes)
    assert signs(read(tmp_path, "counter\n90\n91\n0\n1\n", counter_bits=8)) == "...."


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_headers_and_marks(mark: str, tmp_path: Path) -> None:
    """Lines above the header, comments, other marks."""
    text = f"my logger\n  # noon\n\nn{mark}Lost{mark}note\n0{mark}0{mark}a\n1{mark}1{mark}\n2{mark}0{mark}b\n"
    assert signs(read(tmp_path, text)) == ".x."


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lost\n" + "0" * 200_000, ":2: not a CSV row"),
        ("counter\n0\n2000000000\n", ":3: more than 50 million"),
        ("time_ms\n0\n5\n", "without the packet interval"),
    ],
)
def test_bad_logs(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=re.escape(said)):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time_ms\n0\n5\n4\n", ":4: time runs backwards"),
        ("time_ms\n0\nnan\n", ":3: time_ms is 'nan'"),
        ("time_ms\n0\nsoon\n", ":3: time_ms is 'soon'"),
        ("time_s\n0\n9e8\n", ":3: more than 50 million"),
    ],
)
def test_bad_times(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=re.escape(said)):
        read(tmp_path, text, interval_us=5000)


def test_the_interval_is_checked(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("time_ms\n0\n5\n15\n", encoding="utf-8")
    for word in ("0 ms", "soon"):
        done = plan("fit", tmp_path / "log.csv", "--interval", word)
        assert (done.exit_code, "--interval" in done.output) == (2, True)
    assert "1 of 4 lost" in plan("fit", tmp_path / "log.csv", "--interval", "5 ms").output


def test_rare_chances_are_written_so_that_a_profile_reads_them() -> None:
    """One burst in millions of packets: no exponent, six digits."""
    rare = fit.LossFit("chain", 3.21e-9, 0.25, 1.2345678e-13, 0.9, 4, 0.0, 10**8)
    text = 'schema = 1\nname = "fitted"\n' + fit.fragment(rare, "a\nlog = 1")
    (model,) = parse_profile(text).radio.losses
    assert isinstance(model, GilbertElliott)
    assert model.good_to_bad == pytest.approx(3.21e-9, rel=1e-5)
    assert model.loss_good == pytest.approx(1.2345678e-13, rel=1e-5)


def test_four_parameters_never_fit_worse_than_three() -> None:
    """Losses that never come twice in a row: the search for four once stopped 11 below that for three."""
    found = {one.parameters: one.log_likelihood for one in fit.fits(np.tile(np.arange(10) == 9, 100))}
    assert found[4] >= found[3] - 0.01


def test_neighbours_of_a_known_log(tmp_path: Path) -> None:
    """Mean burst 7/4, mean gap 33/4 with one more at an end; the trace 20 times (RFC 6534, 7.1 for the chain)."""
    trace = "0010001110000000110000000000000001000000"
    (tmp_path / "log.csv").write_text("lost\n" + "\n".join(trace * 20), encoding="utf-8")
    done = plan("fit", tmp_path / "log.csv")
    row = next(line.split() for line in done.output.splitlines() if line.startswith("recorded  17"))
    assert row[1:4] == ["17.500%", "1.75", "8.25"]
    # P11 = 0.175 - 0.1 = 0.075; (0.075 - 0.175^2) / (0.175 - 0.175^2)
    assert float(row[4]) == pytest.approx((0.075 - 0.175**2) / (0.175 - 0.175**2), abs=6e-4)
    assert "RFC 3611" in done.output


GROUND = LinkBudget(path="two-ray")


def test_no_dip_is_stepped_over() -> None:
    """A plain walk in steps of 10 mm finds the same places."""
    profile, most_m = Profile(), 120.0
    first_kept = first_lost = 0.0
    for place in np.arange(10, 30, 0.01).tolist():  # the first dips
        point = link_range.at(profile, GROUND, place)
        first_kept = first_kept or (place if point.margin_db < 10 else 0.0)
        first_lost = first_lost or (place if point.loss >= 0.01 else 0.0)
        if first_kept and first_lost:
            break
    assert first_kept > 10
    assert first_lost > 10
    kept, lost = link_range.kept_m(profile, GROUND, 10, most_m), link_range.reach_m(profile, GROUND, 0.01, most_m)
    assert kept[0] == pytest.approx(first_kept, rel=0.003)
    assert lost[0] == pytest.approx(first_lost, rel=0.003)


def test_what_is_in_hand_is_in_hand() -> None:
    """Nearer than the first place the margin is kept everywhere; beyond the last one nowhere."""
    profile, most_m = Profile(), 2000.0
    first, last = link_range.kept_m(profile, GROUND, 10, most_m)
    assert first is not None
    assert last is not None
    assert first < 11 < last  # the dip near 10 m that the table's steps do not show
    assert all(link_range.at(profile, GROUND, place).margin_db < 10 for place in np.arange(last, most_m, 1.0).tolist())
    assert link_range.at(profile, GROUND, last * 0.99).margin_db >= 10
    free = dataclasses.replace(GROUND, path="free space")
    # Friis: the place follows from the margin anywhere.
    exact_m = 10 * 10 ** ((link_range.at(profile, free, 10).margin_db - 10) / 20)
    begin, end = link_range.kept_m(profile, free, 10, most_m)
    assert begin == end == pytest.approx(exact_m, rel=0.006)


def test_the_screen_does_not_contradict_itself() -> None:
    """The margin ends before packets are lost."""
    done = plan("range", "fixtures/profiles/heron.toml")
    (line,) = (line for line in done.output.replace("\n", " ").split("two-ray: ")[1:])
    lost_m = float(re.search(r"1% first at (\d+) m", line).group(1))  # type: ignore[union-attr]
    kept_m = float(re.search(r"margin of 10 dB up to (\d+) m", line).group(1))  # type: ignore[union-attr]
    assert kept_m <= lost_m


def test_fading_that_stands_still_is_said(tmp_path: Path) -> None:
    profile = tmp_path / "still.toml"
    profile.write_text(
        'schema = 1\nname = "still"\n[[radio.losses]]\nmodel = "link budget"\nfading = "rician"\nspeed = "0 m/s"\n',
        encoding="utf-8",
    )
    done = plan("range", profile)
    assert done.exit_code == 0, done.output
    assert "does not move" in done.output
    assert "inf" not in done.output
