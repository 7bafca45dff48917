"""Fitted loss models against closed forms and known channels."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from channels import in_bursts

from lostlink.planning import fit
from lostlink.planning.fit import LossFit
from lostlink.planning.likelihood import Runs, log_likelihood
from lostlink.profiles import parse_profile
from lostlink_sims.air.loss import GilbertElliott

TRACE = np.array([int(sign) for sign in "0010001110000000110000000000000001000000"], np.bool_)


def chain(a: float, b: float, good: float, bad: float, packets: int = 0) -> LossFit:
    return LossFit("chain", a, b, good, bad, 4, 0.0, packets)


def test_two_parameters_are_counted() -> None:
    """n01 / (n00 + n01) = 4/32, n10 / (n10 + n11) = 4/7: maximum likelihood for a two-state chain."""
    found = next(one for one in fit.fits(np.tile(TRACE, 10)) if one.name == "gilbert")
    # 10 times the transitions of the trace, and 9 more from its last packet to its first, both received.
    assert found.good_to_bad == pytest.approx(10 * 4 / (10 * 32 + 9))
    assert found.bad_to_good == pytest.approx(4 / 7)


@pytest.mark.parametrize(
    ("good", "bad", "loss", "burst"), [(0, 0.8, 0.0380952, 2.77778), (0.01, 0.8, 0.0476190, 2.07117), (0, 1, 1 / 21, 5)]
)
def test_mean_loss_and_burst(good: float, bad: float, loss: float, burst: float) -> None:
    """x / (x - P11), a 0.01, b 0.2 (matrix form; Gilbert 1960, RFC 6534 for the last)."""
    model = chain(0.01, 0.2, good, bad)
    assert model.mean_loss == pytest.approx(loss, rel=1e-5)
    assert model.mean_burst == pytest.approx(burst, rel=1e-5)


def test_worked_example_of_a_report() -> None:
    """Pieper & Voran, NTIA TM-23-565: p 1/6, r 1/14, no error 0.95 in G and 0.45 in B: loss 0.6, mean burst 3."""
    model = chain(1 / 6, 1 / 14, 1 - 0.95, 1 - 0.45)
    # The report's k, h are chances of no error: k 0.05 in G, h 0.55 in B gives its printed 0.6 and 3.0.
    told = chain(1 / 6, 1 / 14, 1 - 0.05, 1 - 0.55)
    assert told.mean_loss == pytest.approx(0.6)
    assert told.mean_burst == pytest.approx(3.0)
    assert model.mean_loss == pytest.approx(0.4)


def test_likelihood_by_hand() -> None:
    """Against the sum over all ways of the hidden state, for every log of six packets: the sums add up to 1."""
    total = 0.0
    for signs in itertools.product([False, True], repeat=6):
        lost = np.array(signs)
        chance = 0.0
        for states in itertools.product([0, 1], repeat=6):
            here = (0.3, 0.1)[states[0]] / 0.4
            for before, after in itertools.pairwise(states):
                here *= ((0.9, 0.1), (0.3, 0.7))[before][after]
            for state, was_lost in zip(states, signs, strict=True):
                here *= (0.05, 0.7)[state] if was_lost else (0.95, 0.3)[state]
            chance += here
        move, loss = np.array([[0.9, 0.1], [0.3, 0.7]]), np.array([0.05, 0.7])
        assert log_likelihood(Runs.of(lost), move, loss) == pytest.approx(math.log(chance), rel=1e-12)
        total += chance
    assert total == pytest.approx(1)


@pytest.mark.parametrize(
    ("truth", "name"),
    [
        pytest.param(chain(0.01, 0.2, 0.0, 1.0), "gilbert", marks=pytest.mark.long),  # gate: test_plan_fit.py
        (chain(0.01, 0.2, 0.0, 0.7), "gilbert-elliott, three parameters"),
        (chain(0.02, 0.1, 0.01, 0.6), "gilbert-elliott, four parameters"),
    ],
)
def test_known_channels_are_found(truth: LossFit, name: str, long: bool) -> None:
    """The right number of parameters, each within four standard errors (``--long``: of 40 000 packets)."""
    parameters = truth.good_to_bad, truth.bad_to_good, truth.loss_good, truth.loss_bad
    lost = in_bursts(np.random.default_rng(11), 40_000 if long else 10_000, *parameters)
    best = fit.fits(lost)[0]
    assert best.name == name
    errors = fit.standard_errors(lost, best)
    assert set(errors) >= {"good_to_bad", "bad_to_good"}
    for parameter, error in errors.items():
        assert abs(getattr(best, parameter) - getattr(truth, parameter)) < 4 * error
        assert error < 0.1
    text = 'schema = 1\nname = "fitted"\n' + fit.fragment(best, "a log")
    (model,) = parse_profile(text).radio.losses
    assert isinstance(model, GilbertElliott)
    assert model.good_to_bad == pytest.approx(best.good_to_bad, rel=1e-4)
    assert model.loss_bad == pytest.approx(best.loss_bad, rel=1e-4)


def test_losses_by_chance_are_not_taken_for_bursts(long: bool) -> None:
    """``--long``: of 30 000 packets."""
    lost = np.random.default_rng(4).random(30_000 if long else 3_000) < 0.03
    best = fit.fits(lost)[0]
    assert best.name == "bernoulli"
    assert abs(best.loss_good - 0.03) < 4 * fit.standard_errors(lost, best)["loss_good"]


def test_the_criterion_is_schwarz() -> None:
    lost = np.zeros(1000, np.bool_)
    lost[::50] = True
    alone = next(one for one in fit.fits(lost) if one.name == "bernoulli")
    by_hand = 20 * math.log(0.02) + 980 * math.log(0.98)
    assert alone.criterion == pytest.approx(math.log(1000) - 2 * by_hand)


def test_lengths_of_bursts() -> None:
    """Sequence of RFC 3357, 5.4.3: lengths 1, 1, 1, 2. Gilbert's chain: P(>= k) = (1 - b)^(k - 1) (RFC 6534, 7.1).

    For b = 0.2, 0.4096 of the bursts have 5 packets or more and 0.134218 have 10 or more.
    """
    lost = np.array([int(sign) for sign in "0100101011"], np.bool_)
    assert fit.burst_shares(lost, 3).tolist() == [0.75, 0.25, 0.0]
    assert fit.burst_shares(lost, 1).tolist() == [1.0]
    shares = fit.expected_burst_shares(chain(0.01, 0.2, 0.0, 1.0), 10)
    assert shares[4:].sum() == pytest.approx(0.4096, rel=1e-9)
    assert shares[9] == pytest.approx(0.134218, rel=1e-5)  # ten or more
    assert shares[:9] == pytest.approx([0.2 * 0.8**k for k in range(9)], rel=1e-9)


def test_errors_of_counted_transitions() -> None:
    """A counted transition is a binomial share of variance a (1 - a) / n (Anderson & Goodman, 1957, from memory)."""
    lost = np.tile(TRACE, 50)
    before, after = lost[:-1], lost[1:]
    two = next(one for one in fit.fits(lost) if one.name == "gilbert")
    errors = fit.standard_errors(lost, two)
    for name, start, turns in (("good_to_bad", ~before, after), ("bad_to_good", before, ~after)):
        share, n = turns[start].mean(), start.sum()
        assert getattr(two, name) == pytest.approx(share, rel=1e-6)
        assert errors[name] == pytest.approx(math.sqrt(share * (1 - share) / n), rel=0.01)
