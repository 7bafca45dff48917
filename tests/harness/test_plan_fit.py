"""``lostlink plan fit``: from a flight's losses to a profile and back, and what a log may look like."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from channels import in_bursts
from click.testing import CliRunner, Result
from numpy.typing import NDArray
from scipy import stats

from lostlink.cli import main
from lostlink.planning import fit
from lostlink.planning.loss_log import read_loss_log
from lostlink.profiles import parse_profile, read_profile
from lostlink_sims import Profile, Scenario, simulate, summarise
from lostlink_sims.air.loss import Bernoulli, GilbertElliott, LossModel, Recorded

PLOVER = Path("fixtures/profiles/plover.toml")


def plan(*words: object) -> Result:
    return CliRunner().invoke(main, ["plan", "fit", *map(str, words)])


def lossy(*models: LossModel) -> Profile:
    profile = Profile()
    return dataclasses.replace(profile, radio=dataclasses.replace(profile.radio, losses=models))


def flown(model: LossModel, seconds: int) -> NDArray[np.bool_]:
    """Return which packets a flight in the event simulation lost."""
    trace = simulate(lossy(model), Scenario(seed=21, duration_us=seconds * 1_000_000))
    return trace.packets.lost[5:-5]


def written(path: Path, header: str, values: list[int]) -> Path:
    path.write_text("\n".join([header, *map(str, values)]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("truth", "name", "parameters"),
    [
        (GilbertElliott(good_to_bad=0.01, bad_to_good=0.2), "gilbert", 2),
        pytest.param(  # gate: test_burst_fit.py
            GilbertElliott(good_to_bad=0.004, bad_to_good=0.05, loss_bad=0.6),
            "gilbert-elliott, three parameters",
            3,
            marks=pytest.mark.long,
        ),
        (
            GilbertElliott(good_to_bad=0.01, bad_to_good=0.06, loss_good=0.02, loss_bad=0.8),
            "gilbert-elliott, four parameters",
            4,
        ),
    ],
)
def test_a_flight_is_fitted_and_flies_again(
    truth: GilbertElliott, name: str, parameters: int, tmp_path: Path, long: bool
) -> None:
    """The event simulation's channel comes back from its own losses, within four standard errors each.

    ``--long``: of two minutes.
    """
    seconds = 120 if long else 60
    lost = flown(truth, seconds)
    log = written(tmp_path / "flight.csv", "lost", lost.astype(int).tolist())
    done = plan(log, "--out", tmp_path / "part.toml")
    assert done.exit_code == 0, done.output
    assert f"Chosen: {name}" in done.output
    text = 'schema = 1\nname = "fitted"\n' + (tmp_path / "part.toml").read_text(encoding="utf-8")
    (model,) = parse_profile(text).radio.losses
    assert isinstance(model, GilbertElliott)
    values = {key: getattr(model, key) for key in ("good_to_bad", "bad_to_good", "loss_good", "loss_bad")}
    found = fit.LossFit(name=name, **values, parameters=parameters, log_likelihood=0.0, packets=len(lost))
    for parameter, error in fit.standard_errors(lost, found).items():
        assert abs(getattr(model, parameter) - getattr(truth, parameter)) < 4 * error
        assert 0 < error < 0.05
    # Flown again, it loses as many. Losses come in bursts: the spread over stretches says how exactly.
    again = summarise(lossy(model), Scenario(seed=5, duration_us=seconds * 1_500_000))
    stretches = [float(part.mean()) for part in np.array_split(lost, 30)]
    assert abs((1 - again.received / again.packets) - lost.mean()) < 6 * stats.sem(stretches)


def test_chance_losses_come_back_as_such(tmp_path: Path, long: bool) -> None:
    """Clopper and Pearson's interval, 99.99 % (scipy). ``--long``: of a minute."""
    lost = flown(Bernoulli(probability=0.08), 60 if long else 6)
    done = plan(written(tmp_path / "flight.csv", "lost", lost.astype(int).tolist()), "--out", tmp_path / "part.toml")
    assert done.exit_code == 0, done.output
    text = 'schema = 1\nname = "fitted"\n' + (tmp_path / "part.toml").read_text(encoding="utf-8")
    (model,) = parse_profile(text).radio.losses
    assert isinstance(model, Bernoulli)
    bounds = stats.binomtest(int(lost.sum()), len(lost)).proportion_ci(0.9999)
    assert bounds.low < 0.08 < bounds.high
    assert model.probability == pytest.approx(lost.mean(), rel=1e-5)


@pytest.mark.parametrize(("bits", "first"), [(8, 250), (16, 65_500), (32, 4_294_967_290)])
def test_a_counter_tells_the_same_as_the_losses(bits: int, first: int, tmp_path: Path) -> None:
    """The counters of the packets that came through, wraps and all, give the losses back, to the last packet heard."""
    lost = flown(GilbertElliott(good_to_bad=0.02, bad_to_good=0.2), 60)
    heard = np.flatnonzero(~lost)
    assert np.diff(heard).max() < 100
    counters = ((first + heard) % (1 << bits)).tolist()
    found = read_loss_log(str(written(tmp_path / "counters.csv", "counter", counters)), counter_bits=bits)
    assert found.lost.tolist() == lost[heard[0] : heard[-1] + 1].tolist()


def test_the_part_goes_into_a_profile(tmp_path: Path) -> None:
    """Appended to a whole profile, the part adds one model to the others; what was there stays."""
    part = tmp_path / "part.toml"
    assert plan("fixtures/losses/pond.csv", "--out", part).exit_code == 0
    before = read_profile(PLOVER)
    text = PLOVER.read_text(encoding="utf-8") + "\n" + part.read_text(encoding="utf-8")
    after = parse_profile(text, folder=PLOVER.parent)
    assert after.radio.losses[:-1] == before.radio.losses
    assert isinstance(after.radio.losses[-1], GilbertElliott)
    assert dataclasses.replace(after, radio=before.radio) == before


def test_one_recording_two_readers() -> None:
    """A log that a profile replays is read alike here."""
    (pattern,) = (model.pattern for model in read_profile(PLOVER).radio.losses if isinstance(model, Recorded))
    assert read_loss_log("fixtures/losses/pond.csv").lost.astype(int).tolist() == list(pattern)


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.long) for seed in (1, 2, 3))])
def test_more_parameters_never_fit_worse(seed: int) -> None:
    """Each model holds the one before: its likelihood at the maximum cannot be smaller."""
    draw = np.random.default_rng(seed)
    lost = in_bursts(draw, 8000, 0.02, float(draw.uniform(0.05, 0.5)), 0.01, float(draw.uniform(0.5, 0.9)))
    found = {one.parameters: one.log_likelihood for one in fit.fits(lost)}
    assert found[2] <= found[3] + 0.01
    assert found[1] <= found[3] + 0.01
    assert found[3] <= found[4] + 0.01


def test_all_lost_and_few_lost(tmp_path: Path) -> None:
    dead = plan(written(tmp_path / "dead.csv", "lost", [1] * 300), "--out", tmp_path / "dead.toml")
    assert dead.exit_code == 0, dead.output
    assert 'probability = "100 %"' in (tmp_path / "dead.toml").read_text(encoding="utf-8")
    few = plan(written(tmp_path / "few.csv", "lost", [0] * 500 + [1] * 3 + [0] * 500))
    assert few.exit_code == 0, few.output
    assert "1 burst: too few" in few.output
    assert "gilbert" not in few.output.split("Chosen")[0]  # three losses say nothing of bursts


def test_the_shipped_counter_log() -> None:
    """What its first line says it was drawn from comes back, within four standard errors; its counter wraps."""
    log = read_loss_log("fixtures/losses/marsh.csv")
    assert len(log.lost) == 2500
    assert "16-bit counter" in log.notes[0]
    best = fit.fits(log.lost)[0]
    truth = {"good_to_bad": 0.02, "bad_to_good": 0.25, "loss_bad": 0.85}
    errors = fit.standard_errors(log.lost, best)
    assert set(errors) == set(truth)
    for name, error in errors.items():
        assert abs(getattr(best, name) - truth[name]) < 4 * error
