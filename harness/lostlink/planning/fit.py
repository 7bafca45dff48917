"""Fit a loss model to a recorded packet log: independent losses, or bursts with two, three or four parameters.

The likelihood of a Gilbert-Elliott chain (`likelihood`) is maximised from several starting points. The Bayesian
information criterion (Schwarz, Ann. Stat. 6:461, 1978) selects the model. Standard errors come from the curvature at
the maximum. Whether the selected model can have made the log is checked in `adequacy`.
"""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.statistics import interval
from lostlink.measure.loss import gilbert_estimate, loss_runs
from lostlink.planning.first_passage import Channel, run_rates
from lostlink.planning.likelihood import Runs, log_likelihood
from lostlink.profiles.writer import toml_text
from lostlink.verdicts import counted, printable
from lostlink_sims.air.loss import Recorded

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

CONFIDENCE: Final = 0.95
"""Of intervals."""
_NORMAL_95: Final = 1.959964
_LEAST_LOSSES: Final = 20
"""Fewer losses do not show bursts."""
_LIMIT: Final = 1e-9
_FLAT: Final = 0.01
"""A likelihood with less curvature in a logit does not determine the parameter."""


@dataclass(frozen=True, slots=True)
class LossFit:
    """A model with its parameters.

    Attributes
    ----------
    name : str
    good_to_bad, bad_to_good, loss_good, loss_bad : float
    parameters : int
        Number of free parameters.
    log_likelihood : float
    packets : int
    """

    name: str
    good_to_bad: float
    bad_to_good: float
    loss_good: float
    loss_bad: float
    parameters: int
    log_likelihood: float
    packets: int

    @property
    def criterion(self) -> float:
        """Bayesian information criterion (smaller is better)."""
        return self.parameters * math.log(self.packets) - 2 * self.log_likelihood

    @property
    def free(self) -> list[str]:
        """The names of the free parameters."""
        chain = ["good_to_bad", "bad_to_good", "loss_bad", "loss_good"]
        return ["loss_good"] if self.name == "bernoulli" else chain[: self.parameters]

    @property
    def mean_loss(self) -> float:
        """Share of packets lost in the long run."""
        if self.name == "bernoulli":
            return self.loss_good
        bad = self.good_to_bad / (self.good_to_bad + self.bad_to_good)
        return bad * self.loss_bad + (1 - bad) * self.loss_good

    @property
    def mean_burst(self) -> float:
        """Mean length of a run of losses: x / (x - P(two consecutive losses))."""
        if self.name == "bernoulli":
            return 1 / (1 - self.loss_good) if self.loss_good < 1 else math.inf
        loss = self.channel.at(0)[0]
        both = float(((self.channel.stationary * loss) @ self.channel.move) @ loss)
        return self.mean_loss / (self.mean_loss - both) if self.mean_loss > both else math.inf

    @property
    def channel(self) -> Channel:
        """The model as a Markov chain."""
        if self.name == "bernoulli":
            return Channel.bernoulli(self.loss_good)
        return Channel.gilbert_elliott(self.good_to_bad, self.bad_to_good, self.loss_good, self.loss_bad)


def fits(lost: Bools) -> list[LossFit]:
    """Return all models that the log can distinguish, the best first.

    Parameters
    ----------
    lost : (n,) ndarray of bool
    """
    models = [_bernoulli(lost)]
    if int(lost.sum()) >= _LEAST_LOSSES and len(lost) > int(lost.sum()):
        runs = Runs.of(lost)
        two = _gilbert(runs, lost)
        three = _hidden(runs, lost, two)
        models += [two, three, _hidden(runs, lost, three)]
    return sorted(models, key=lambda fit: fit.criterion)


def _log_likelihood(runs: Runs, fit: LossFit) -> float:
    return log_likelihood(runs, fit.channel.move, fit.channel.at(0)[0])


def _bernoulli(lost: Bools) -> LossFit:
    count, n = int(lost.sum()), len(lost)
    share = count / n
    logs = (count * math.log(share) if count else 0.0) + ((n - count) * math.log1p(-share) if count < n else 0.0)
    return LossFit("bernoulli", 0.0, 1.0, share, share, 1, logs, n)


def _gilbert(runs: Runs, lost: Bools) -> LossFit:
    """Return the two-parameter chain, whose bad state loses every packet, from the counted transitions."""
    a, b = gilbert_estimate(lost)
    a, b = min(max(a, 1e-12), 1 - 1e-12), min(max(b, 1e-12), 1 - 1e-12)
    fit = LossFit("gilbert", a, b, 0.0, 1.0, 2, 0.0, len(lost))
    return dataclasses.replace(fit, log_likelihood=_log_likelihood(runs, fit))


def _hidden(runs: Runs, lost: Bools, smaller: LossFit) -> LossFit:
    """Return the best chain with a hidden state and one parameter more than `smaller`: three or four.

    One start is the smaller model, so it cannot be worse.
    """
    from scipy.optimize import minimize

    size = smaller.parameters + 1
    inside = (smaller.good_to_bad, smaller.bad_to_good, smaller.loss_bad, smaller.loss_good)
    starts = [[*start, float(lost.mean()) / 5][:size] for start in _STARTS]
    starts.append([min(max(value, _LIMIT), 1 - _LIMIT) for value in inside[:size]])
    found = (
        minimize(
            lambda x: -_log_likelihood(runs, _from_logits(x, len(lost))), [_logit(value) for value in start],
            method="L-BFGS-B", bounds=[(-30.0, 30.0)] * size,
            options={"eps": 1e-5, "gtol": 0.02, "ftol": 1e-4 / len(lost)},
        )
        for start in starts
    )  # fmt: skip
    least = min(found, key=lambda one: float(one.fun))
    best = _from_logits(least.x, len(lost), -float(least.fun))
    if best.loss_good > best.loss_bad:
        best = dataclasses.replace(
            best, good_to_bad=best.bad_to_good, bad_to_good=best.good_to_bad, loss_good=best.loss_bad,
            loss_bad=best.loss_good,
        )  # fmt: skip
    return best


_STARTS: Final = ((0.01, 0.1, 0.5), (0.05, 0.3, 0.8), (0.002, 0.03, 0.9))


def _logit(share: float) -> float:
    return math.log(share / (1 - share))


def _from_logits(x: Any, packets: int, log_likelihood: float = 0.0) -> LossFit:
    """Return the chain whose parameters have the logits `x`."""
    a, b, bad, *good = (1 / (1 + math.exp(-float(logit))) for logit in x)
    name = f"gilbert-elliott, {'four' if good else 'three'} parameters"
    return LossFit(name, a, b, good[0] if good else 0.0, bad, len(x), log_likelihood, packets)


def standard_errors(lost: Bools, fit: LossFit) -> dict[str, float]:
    """Return the standard error of each free parameter, from the observed information.

    It is 0 for a parameter at its limit 1, where the likelihood is flat, and infinite for one that the log does not
    determine.
    """
    names = fit.free
    if fit.name == "bernoulli":
        return {"loss_good": math.sqrt(fit.loss_good * (1 - fit.loss_good) / fit.packets)}
    shares = np.array([getattr(fit, name) for name in names])
    errors = np.where(shares > _LIMIT, 0.0, math.inf)
    inside = np.flatnonzero((shares > _LIMIT) & (shares < 1 - _LIMIT))
    slopes = (shares * (1 - shares))[inside]
    curve = _curvature(Runs.of(lost), fit, [names[i] for i in inside.tolist()])
    known = np.diag(curve) > _FLAT
    errors[inside[~known & (shares[inside] < 0.5)]] = math.inf
    with contextlib.suppress(np.linalg.LinAlgError):
        variances = np.linalg.inv(curve[np.ix_(known, known)]).diagonal()
        is_maximum = bool((variances > 0).all())
        errors[inside[known]] = np.sqrt(variances) * slopes[known] if is_maximum else math.inf
        return dict(zip(names, errors.tolist(), strict=True))
    return dict.fromkeys(names, math.inf)


def _curvature(runs: Runs, fit: LossFit, names: list[str]) -> Floats:
    """Return the second derivatives of the negative log-likelihood by the logits of some parameters."""
    logits = np.array([_logit(getattr(fit, name)) for name in names])
    steps = np.eye(len(names)) * 1e-3

    def at(move: Floats) -> float:
        shares = 1 / (1 + np.exp(-(logits + move)))
        return -_log_likelihood(runs, dataclasses.replace(fit, **dict(zip(names, shares.tolist(), strict=True))))

    curve = np.empty((len(names), len(names)))
    for i, j in itertools.combinations_with_replacement(range(len(names)), 2):
        one, other = steps[i], steps[j]
        curve[i, j] = curve[j, i] = (at(one + other) - at(one - other) - at(other - one) + at(-one - other)) / 4e-6
    return curve


def intervals(lost: Bools, fit: LossFit) -> dict[str, tuple[float, float]]:
    """Return a confidence interval at 95 % of each free parameter that is not at its limit 1.

    The share of independent losses has the exact one of Clopper and Pearson; other parameters are taken as normally
    distributed in the logit, which keeps the interval between 0 and 1.
    """
    if fit.name == "bernoulli":
        return {"loss_good": interval(int(lost.sum()), len(lost), CONFIDENCE)}
    found = {}
    for name, error in standard_errors(lost, fit).items():
        share = getattr(fit, name)
        if math.isinf(error):
            found[name] = (0.0, 1.0)
        elif error:
            width = min(_NORMAL_95 * error / (share * (1 - share)), 600.0)
            low, high = (1 / (1 + math.exp(-(_logit(share) + way))) for way in (-width, width))
            found[name] = (low, high)
    return found


def burst_shares(lost: Bools, most: int) -> Floats:
    """Return the share of loss runs that are 1, 2, ... `most` long, the last one or longer, (most,)."""
    _, lengths = loss_runs(lost)
    counts = np.bincount(np.minimum(np.asarray(lengths), most), minlength=most + 1)[1:]
    shares: Floats = counts / max(1, counts.sum())
    return shares


def expected_burst_shares(fit: LossFit, most: int) -> Floats:
    """Return the probabilities of the same lengths under a model, in the long run."""
    rates = run_rates(fit.channel, most)
    shares: Floats = -np.diff(rates / rates[0], append=0.0) if rates[0] > 0 else np.eye(most)[-1]
    return shares


def fragment(fit: LossFit, source: str) -> str:
    """Return the model as a part of a profile."""
    lines = [
        f"# Fitted to {printable(source)}: {counted(fit.packets, 'packet')}, {fit.mean_loss:.4%} lost.",
        "[[radio.losses]]",
    ]
    if fit.name == "bernoulli":
        lines += ['model = "bernoulli"', f'probability = "{_percent(fit.loss_good)}"']
    else:
        keys = ("good_to_bad", "bad_to_good", "loss_good", "loss_bad")
        lines += ['model = "gilbert-elliott"', *(f'{key} = "{_percent(getattr(fit, key))}"' for key in keys)]
    return "\n".join([*lines, ""])


def recorded_fragment(file: str, source: str, packets: int) -> str:
    """Return recorded losses as a part of a profile.

    Parameters
    ----------
    file : str
        The log that the profile reads, relative to the profile's folder.
    source : str
        The log that it came from.
    """
    return "\n".join([
        f"# Recorded in {printable(source)}: {counted(packets, 'packet')}; no fitted model is offered for them.",
        "[[radio.losses]]", f'model = "{Recorded.model}"', f"file = {toml_text(file)}", "",
    ])  # fmt: skip


def _percent(share: float) -> str:
    digits = np.format_float_positional(100 * min(1.0, share), precision=6, fractional=False, trim="-")
    return f"{digits} %"  # profiles do not allow exponents
