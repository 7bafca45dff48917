"""Whether a fitted model can have made its log: exact distributions, planted faults, and what the command offers."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
from channels import Bools, in_bursts, independent
from click.testing import CliRunner, Result

from lostlink.cli import main
from lostlink.planning.adequacy import adequacy, central_moments
from lostlink.planning.first_passage import Channel, run_chances
from lostlink.planning.fit import fits, intervals
from lostlink.profiles import parse_profile
from lostlink_sims.air.loss import GilbertElliott, Recorded

BURSTY = ((0.9, 0.1), (0.3, 0.7)), (0.05, 0.7)
"""Moves between good and bad, and loss in each, for enumerations."""


def probability(lost: tuple[bool, ...]) -> float:
    """Return the probability of a log of BURSTY, summed over all ways of the hidden state."""
    moves, losses = BURSTY
    total = 0.0
    for states in itertools.product((0, 1), repeat=len(lost)):
        chance = (0.75, 0.25)[states[0]]  # steady: 0.3 / 0.4 and 0.1 / 0.4
        for before, after in itertools.pairwise(states):
            chance *= moves[before][after]
        for state, was_lost in zip(states, lost, strict=True):
            chance *= losses[state] if was_lost else 1 - losses[state]
        total += chance
    return total


LOGS = {lost: probability(lost) for lost in itertools.product((False, True), repeat=9)}
CHANNEL = Channel.gilbert_elliott(0.1, 0.3, 0.05, 0.7)


@pytest.mark.parametrize("run", [1, 2, 3, 5, 9])
def test_longest_run_by_enumeration(run: int) -> None:
    """Of all 512 logs of nine packets."""
    longest = {lost: max(map(len, "".join("x" if one else " " for one in lost).split()), default=0) for lost in LOGS}
    expected = sum(chance for lost, chance in LOGS.items() if longest[lost] >= run)
    assert run_chances(CHANNEL, [run], 9)[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("loss", "run", "packets", "chance"),
    [(0.5, 3, 10, 0.5078125), (0.5, 3, 20, 0.7870283), (0.2, 5, 12_000, 0.9538276), (0.3, 10, 180_000, 0.5247975)],
)
def test_longest_run_of_independent_losses(loss: float, run: int, packets: int, chance: float) -> None:
    """Geometric distribution of order r (Philippou et al., Stat. Probab. Lett. 1, 1983); 504 tribonacci of 1024."""
    assert run_chances(Channel.bernoulli(loss), [run], packets)[0] == pytest.approx(chance, rel=1e-6)


def test_longest_run_packet_by_packet() -> None:
    """Against the whole chain of state and run, 20 000 steps, here; also of several lengths at once."""
    moves, losses = np.array([[0.99, 0.01], [0.1, 0.9]]), np.array([0.01, 0.6])
    runs = [4, 9, 20]
    found = run_chances(Channel.gilbert_elliott(0.01, 0.1, 0.01, 0.6), runs, 20_000)
    for run, chance in zip(runs, found, strict=True):
        alive, ended = np.zeros((2, run)), 0.0
        alive[:, 0] = np.array([0.1, 0.01]) / 0.11
        for packet in range(20_000):
            alive = alive if packet == 0 else moves.T @ alive
            ended += float(alive[:, -1] @ losses)
            lost = alive[:, :-1] * losses[:, None]
            alive = np.column_stack([alive.sum(1) * (1 - losses), lost])
        assert chance == pytest.approx(ended, rel=1e-9)


def test_a_link_that_loses_everything() -> None:
    assert run_chances(Channel.bernoulli(1.0), [5], 5)[0] == 1
    assert run_chances(Channel.bernoulli(1.0), [5], 4)[0] == 0


def test_moments_by_enumeration() -> None:
    mean = sum(chance * sum(lost) for lost, chance in LOGS.items())
    expected = [sum(chance * (sum(lost) - mean) ** order for lost, chance in LOGS.items()) for order in range(5)]
    assert central_moments(CHANNEL, 9) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("packets", "variance"), [(100, 37.0319), (1000, 384.942)])
def test_variance_of_the_number_of_losses(packets: int, variance: float) -> None:
    """Markov chain with good to bad 0.01 and bad to good 0.2 (Hasslinger & Hohlfeld, 2008: the closed form)."""
    assert central_moments(Channel.gilbert_elliott(0.01, 0.2), packets)[2] == pytest.approx(variance, rel=1e-5)


# --- planted faults ---------------------------------------------------------------------------------------------------


def draw(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


def with_outage(lost: Bools, packets: int) -> Bools:
    """Return a log with one outage in its middle."""
    lost = lost.copy()
    lost[len(lost) // 2 : len(lost) // 2 + packets] = True
    return lost


def plan_fit(path: Path, *words: object) -> Result:
    return CliRunner().invoke(main, ["plan", "fit", str(path), *map(str, words)])


def written(path: Path, lost: Bools, header: str = "lost") -> Path:
    values = lost.astype(int) if header == "lost" else np.flatnonzero(~lost) % 65_536
    path.write_text("\n".join([header, *map(str, values.tolist())]) + "\n", encoding="utf-8")
    return path


def outage() -> Bools:
    return with_outage(in_bursts(draw(1), 8_000, 0.004, 0.3), 60)


def drift() -> Bools:
    return draw(2).random(20_000) < np.linspace(0.02, 0.04, 20_000)


def one_bad_stretch() -> Bools:
    lost = independent(draw(3), 20_000, 0.01)
    lost[8_000:9_000] |= independent(draw(4), 1_000, 0.3)
    return lost


PLANTED = {
    "outage": (outage, "Longest burst: .* 6\\d packets .* below 1%: the model does not explain it"),
    "drift": (drift, "Losses over time: .* below 1%: the model does not explain it"),
    "bad stretch": (one_bad_stretch, "Good to bad: .*: the error is larger than the value"),
    "three losses": (
        lambda: with_outage(np.zeros(1000, np.bool_), 3),
        "Loss good: .* the error is larger than the value",
    ),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_model_that_cannot_have_made_the_log(name: str, tmp_path: Path) -> None:
    """The recorded losses are offered, and a profile reads them back."""
    lost, said = PLANTED[name][0](), PLANTED[name][1]
    log = written(tmp_path / "flight.csv", lost)
    done = plan_fit(log, "--out", tmp_path / "part.toml")
    assert done.exit_code == 0, done.output
    assert [line for line in done.output.splitlines() if re.search(said, line)], done.output
    assert "No fitted model is offered" in done.output
    assert 'model = "recorded"' in done.output
    text = 'schema = 1\nname = "fitted"\n' + (tmp_path / "part.toml").read_text(encoding="utf-8")
    (model,) = parse_profile(text, folder=tmp_path).radio.losses
    assert isinstance(model, Recorded)
    assert model.file == "flight.csv"
    assert model.pattern == lost.tobytes()


def test_a_log_of_counters_is_offered_as_losses(tmp_path: Path) -> None:
    """A profile reads a row per packet only: they are written beside the part, never over another file."""
    lost = outage()
    log = written(tmp_path / "flight.csv", lost, "counter")
    (tmp_path / "part.lost.csv").write_text("mine", encoding="utf-8")
    done = plan_fit(log, "--out", tmp_path / "part.toml")
    assert (done.exit_code, "part.lost.csv: exists already" in done.output) == (2, True)
    assert not (tmp_path / "part.toml").exists()
    assert (tmp_path / "part.lost.csv").read_text(encoding="utf-8") == "mine"
    done = plan_fit(log, "--out", tmp_path / "part.toml", "--force")
    assert done.exit_code == 0, done.output
    text = 'schema = 1\nname = "fitted"\n' + (tmp_path / "part.toml").read_text(encoding="utf-8")
    (model,) = parse_profile(text, folder=tmp_path).radio.losses
    assert isinstance(model, Recorded)
    assert model.pattern == lost[np.argmin(lost) : len(lost) - np.argmin(lost[::-1])].tobytes()


def test_a_log_in_another_folder_is_named_from_the_profile(tmp_path: Path) -> None:
    for folder in ("logs", "links"):
        (tmp_path / folder).mkdir()
    log = written(tmp_path / "logs" / "flight.csv", outage())
    assert plan_fit(log, "--out", tmp_path / "links" / "part.toml").exit_code == 0
    assert 'file = "../logs/flight.csv"' in (tmp_path / "links" / "part.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("words", [(), ("--out", "/dev/null")])
def test_a_log_of_counters_without_a_file_to_write(words: tuple[str, ...], tmp_path: Path) -> None:
    done = plan_fit(written(tmp_path / "flight.csv", outage(), "counter"), *words)
    assert done.exit_code == 0, done.output
    assert "--out FILE.toml writes it with the losses" in done.output


def test_a_sound_model_is_offered(tmp_path: Path) -> None:
    done = plan_fit(written(tmp_path / "flight.csv", in_bursts(draw(1), 8_000, 0.004, 0.3)))
    assert "does not explain" not in done.output
    assert "Longest burst: " in done.output
    assert 'model = "gilbert-elliott"' in done.output


@pytest.mark.parametrize("lost", [[1] * 300, [0] * 500 + [1] * 500, [0, 1] * 200])
def test_logs_at_the_limits(lost: list[int], tmp_path: Path) -> None:
    """All lost, lost for good, alternating: an answer, whatever is offered."""
    done = plan_fit(written(tmp_path / "flight.csv", np.array(lost, np.bool_)))
    assert done.exit_code == 0, done.output
    assert not re.search(r"\b(nan|inf)\b", done.output)


def test_a_link_that_never_comes_back_is_not_modelled() -> None:
    lost = np.arange(1000) >= 500
    assert not adequacy(lost, fits(lost)[0]).is_adequate


def test_parameters_of_a_rare_channel_have_wide_intervals() -> None:
    """One stay in the bad state: its probability is known within a factor of some ten; Poisson, scipy: 0.025 to 5.6."""
    lost = one_bad_stretch()
    low, high = intervals(lost, fits(lost)[0])["good_to_bad"]
    assert low < 1 / 20_000 / 3
    assert high > 3 / 20_000


def test_the_fit_survives_a_profile(tmp_path: Path) -> None:
    """What is offered for a sound log is about the model that was drawn."""
    truth = {"good_to_bad": 0.01, "bad_to_good": 0.1, "loss_bad": 0.6}
    lost = in_bursts(draw(7), 20_000, 0.01, 0.1, 0.0, 0.6)
    path = tmp_path / "part.toml"
    assert plan_fit(written(tmp_path / "flight.csv", lost), "--out", path).exit_code == 0
    (model,) = parse_profile('schema = 1\nname = "fitted"\n' + path.read_text(encoding="utf-8")).radio.losses
    assert isinstance(model, GilbertElliott)
    for name, (low, high) in intervals(lost, fits(lost)[0]).items():
        assert low < getattr(model, name) < high
        assert abs(getattr(model, name) - truth[name]) < high - low
