"""Fit a loss model to a recorded packet log: independent losses, or bursts with two, three or four parameters.

The likelihood of a Gilbert-Elliott chain is that of a hidden Markov model (forward recursion over runs of equal
packets), maximised from several starting points. The Bayesian information criterion (Schwarz, Ann. Stat. 6:461, 1978)
selects the model. Standard errors come from the curvature at the maximum. The state changes before each packet, and
the chain starts in its stationary state.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lostlink.measure.loss import gilbert_estimate, loss_runs
from lostlink.verdicts import counted

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

_LEAST_LOSSES: Final = 20
"""Fewer losses do not show bursts."""


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
        move, loss = _matrices(self)
        bad = self.good_to_bad / (self.good_to_bad + self.bad_to_good)
        here = np.array([1 - bad, bad]) * loss
        both = float(((here @ move) * loss).sum())
        return self.mean_loss / (self.mean_loss - both) if self.mean_loss > both else math.inf


def _matrices(fit: LossFit) -> tuple[Floats, Floats]:
    move = np.array([[1 - fit.good_to_bad, fit.good_to_bad], [fit.bad_to_good, 1 - fit.bad_to_good]])
    return move, np.array([fit.loss_good, fit.loss_bad])


def fits(lost: Bools) -> list[LossFit]:
    """Return all models that the log can distinguish, the best first.

    Parameters
    ----------
    lost : (n,) ndarray of bool
    """
    models = [_bernoulli(lost)]
    if int(lost.sum()) >= _LEAST_LOSSES and len(lost) > int(lost.sum()):
        three = _hidden(lost, None)
        models += [_gilbert(lost), three, _hidden(lost, three)]
    return sorted(models, key=lambda fit: fit.criterion)


def _bernoulli(lost: Bools) -> LossFit:
    count, n = int(lost.sum()), len(lost)
    share = count / n
    logs = (count * math.log(share) if count else 0.0) + ((n - count) * math.log1p(-share) if count < n else 0.0)
    return LossFit("bernoulli", 0.0, 1.0, share, share, 1, logs, n)


def _gilbert(lost: Bools) -> LossFit:
    """Return the two-parameter chain, whose bad state loses every packet, from the counted transitions."""
    a, b = gilbert_estimate(lost)
    a, b = min(max(a, 1e-12), 1 - 1e-12), min(max(b, 1e-12), 1 - 1e-12)
    fit = LossFit("gilbert", a, b, 0.0, 1.0, 2, 0.0, len(lost))
    return LossFit("gilbert", a, b, 0.0, 1.0, 2, _log_likelihood(_runs(lost), fit), len(lost))


def _runs(lost: Bools) -> list[tuple[bool, int]]:
    """Return the log as runs of equal packets: whether lost, and the length."""
    edges = np.flatnonzero(np.diff(lost)) + 1
    bounds = [0, *edges.tolist(), len(lost)]
    return [(bool(lost[begin]), end - begin) for begin, end in itertools.pairwise(bounds)]


def _log_likelihood(runs: list[tuple[bool, int]], fit: LossFit) -> float:
    move, loss = _matrices(fit)
    bad = fit.good_to_bad / (fit.good_to_bad + fit.bad_to_good)
    steps = {True: move * loss, False: move * (1 - loss)}
    was_lost, length = runs[0]
    emit = (loss if was_lost else 1 - loss).tolist()
    g, b = (1 - bad) * emit[0], bad * emit[1]
    rest = [(was_lost, length - 1), *runs[1:]] if length > 1 else runs[1:]
    powers = {
        kind: _powers(steps[kind], sorted({length for was_lost, length in rest if was_lost is kind}))
        for kind in (True, False)
    }
    total = 0.0
    for was_lost, length in rest:
        gg, gb, bg, bb, scale = powers[was_lost][length]
        g, b = g * gg + b * bg, g * gb + b * bb
        size = g + b
        if size <= 0:
            return -math.inf
        g, b, total = g / size, b / size, total + scale + math.log(size)
    return total


_Powers = dict[int, tuple[float, float, float, float, float]]


def _powers(matrix: Floats, lengths: list[int]) -> _Powers:
    """Return powers of a 2x2 matrix, each as its four entries over a scale and the logarithm of the scale.

    A matrix without negative entries has two real eigenvalues, so its powers have two terms.
    """
    (gg, gb), (bg, bb) = matrix.tolist()
    half, root = (gg + bb) / 2, math.sqrt(((gg - bb) / 2) ** 2 + gb * bg)
    high, low = half + root, half - root
    if high <= 0:
        return dict.fromkeys(lengths, (0.0, 0.0, 0.0, 0.0, 0.0))
    if root < 1e-9 * high:  # equal eigenvalues: M^n = high^n I + n high^(n-1) (M - high I)
        first = ((gg - high) / high, gb / high, bg / high, (bb - high) / high)
        return {
            n: (1 + n * first[0], n * first[1], n * first[2], 1 + n * first[3], n * math.log(high)) for n in lengths
        }
    n = np.array(lengths, np.float64)
    ratio = low / high
    shrunk = np.sign(ratio) ** n * np.abs(ratio) ** n
    entries = [
        ((entry - unit * low) - shrunk * (entry - unit * high)) / (2 * root)
        for entry, unit in ((gg, 1), (gb, 0), (bg, 0), (bb, 1))
    ]
    scale = n * math.log(high)
    rows = np.maximum(np.stack(np.broadcast_arrays(*entries, scale)), np.array([[0.0]] * 4 + [[-np.inf]]))
    return dict(zip(lengths, (tuple(row) for row in rows.T.tolist()), strict=True))


def _hidden(lost: Bools, three: LossFit | None) -> LossFit:
    """Return the best chain with a hidden state: three parameters, or four with losses in the good state too.

    One start of the four-parameter fit is the three-parameter fit, so it cannot be worse.
    """
    from scipy.optimize import minimize

    runs, share = _runs(lost), float(lost.mean())
    best: LossFit | None = None
    starts = [[a, b, bad] if three is None else [a, b, bad, share / 5] for a, b, bad in _STARTS]
    if three is not None:
        inside = (min(max(x, 1e-9), 1 - 1e-9) for x in (three.good_to_bad, three.bad_to_good, three.loss_bad, 0.0))
        starts.append(list(inside))
    for start in starts:
        found = minimize(
            lambda x: -_log_likelihood(runs, _from_logits(x, len(lost))), [_logit(share) for share in start],
            method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-4, "maxfev": 1200},
        )  # fmt: skip
        fit = _from_logits(found.x, len(lost), -float(found.fun))
        if best is None or fit.log_likelihood > best.log_likelihood:
            best = fit
    assert best is not None
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
    a, b, bad, *good = (1 / (1 + math.exp(-max(-30.0, min(30.0, float(logit))))) for logit in x)
    name = f"gilbert-elliott, {'four' if good else 'three'} parameters"
    return LossFit(name, a, b, good[0] if good else 0.0, bad, len(x), log_likelihood, packets)


def standard_errors(lost: Bools, fit: LossFit) -> dict[str, float]:
    """Return the standard error of each free parameter, from the observed information; empty at the limits 0 or 1."""
    if fit.name == "bernoulli":
        return {"loss_good": math.sqrt(fit.loss_good * (1 - fit.loss_good) / fit.packets)}
    names = ["good_to_bad", "bad_to_good", *(["loss_bad"] if fit.parameters > 2 else [])]
    names += ["loss_good"] if fit.parameters > 3 else []
    runs, size = _runs(lost), len(names)
    center = np.array([getattr(fit, name) for name in names])
    if ((center < 1e-9) | (center > 1 - 1e-9)).any():
        return {}
    step = 1e-3
    logits = np.array([_logit(value) for value in center])

    def at(move: Floats) -> float:
        shares = 1 / (1 + np.exp(-(logits + move)))
        return _log_likelihood(runs, dataclasses.replace(fit, **dict(zip(names, shares.tolist(), strict=True))))

    curve = np.empty((size, size))
    unit = np.eye(size) * step
    for i in range(size):
        for j in range(size):
            curve[i, j] = (
                at(unit[i] + unit[j]) - at(unit[i] - unit[j]) - at(unit[j] - unit[i]) + at(-unit[i] - unit[j])
            ) / (4 * step * step)
    try:
        variance = np.diag(np.linalg.inv(-curve))
    except np.linalg.LinAlgError:
        return {}
    if (variance <= 0).any():
        return {}
    return dict(zip(names, (np.sqrt(variance) * center * (1 - center)).tolist(), strict=True))


def simulated(fit: LossFit, packets: int, rng: np.random.Generator) -> Bools:
    """Return a random log of the fitted model."""
    if fit.name == "bernoulli":
        independent: Bools = rng.random(packets) < fit.loss_good
        return independent
    bad = np.empty(packets, np.bool_)
    index, state = 0, bool(rng.random() < fit.good_to_bad / (fit.good_to_bad + fit.bad_to_good))
    while index < packets:
        length = int(rng.geometric(fit.bad_to_good if state else fit.good_to_bad))
        bad[index : index + length] = state
        index, state = index + length, not state
    lost: Bools = rng.random(packets) < np.where(bad, fit.loss_bad, fit.loss_good)
    return lost


def burst_shares(lost: Bools, most: int) -> Floats:
    """Return the share of loss runs that are 1, 2, ... `most` long, the last one or longer, (most,)."""
    _, lengths = loss_runs(lost)
    counts = np.bincount(np.minimum(np.asarray(lengths), most), minlength=most + 1)[1:]
    shares: Floats = counts / max(1, counts.sum())
    return shares


def fragment(fit: LossFit, source: str) -> str:
    """Return the model as a part of a profile."""
    name = "".join(character if character.isprintable() else "?" for character in source)  # stays on its line
    lines = [f"# Fitted to {name}: {counted(fit.packets, 'packet')}, {fit.mean_loss:.4%} lost.", "[[radio.losses]]"]
    if fit.name == "bernoulli":
        lines += ['model = "bernoulli"', f'probability = "{_percent(fit.loss_good)}"']
    else:
        keys = ("good_to_bad", "bad_to_good", "loss_good", "loss_bad")
        lines += ['model = "gilbert-elliott"', *(f'{key} = "{_percent(getattr(fit, key))}"' for key in keys)]
    return "\n".join([*lines, ""])


def _percent(share: float) -> str:
    digits = np.format_float_positional(100 * min(1.0, share), precision=6, fractional=False, trim="-")
    return f"{digits} %"  # profiles do not allow exponents
