"""The screen of ``lostlink plan fit``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.statistics import upper_bound
from lostlink.measure.loss import bursts, loss_rate, loss_runs
from lostlink.planning.fit import LossFit, burst_shares, fragment, simulated, standard_errors
from lostlink.planning.loss_log import LossLog
from lostlink.show.console import console, paragraph, table
from lostlink.verdicts import counted

_LONGEST_BURST = 8
_FEW_BURSTS = 50


def show_fits(log: LossLog, fits: Sequence[LossFit], source: str, out_file: str | None) -> None:
    """Show the recorded losses, the fitted models, and how well they fit.

    Parameters
    ----------
    fits : sequence of LossFit
        The best first.
    source : str
        File of the log.
    out_file : str or None
        File that the loss model was written to.
    """
    lost = log.lost
    _, lengths = loss_runs(lost)
    losses = int(lost.sum())
    paragraph(
        f"{source}: {'; '.join(log.notes)}; {losses} of {len(lost)} lost ({losses / len(lost):.3%}), "
        f"in {counted(len(lengths), 'burst')}, the longest of {counted(max(lengths, default=0), 'packet')}"
    )
    if not losses:
        paragraph(
            "No packet was lost, so nothing can be fitted: the share of packets lost is below "
            f"{upper_bound(0, len(lost), 0.95):.2g} at 95 % (one-sided, for independent losses). Record a longer log, "
            "or at a greater distance."
        )
        return
    best = fits[0]
    _show_models(fits)
    parameters = ", ".join(
        f"{name.replace('_', ' ')} {getattr(best, name):.3%} ± {error:.2%}"
        for name, error in standard_errors(lost, best).items()
    )
    unknown = "a parameter is at its limit, standard errors unknown"
    paragraph(f"Chosen: {best.name}: {f'{parameters} (one standard error)' if parameters else unknown}.")
    if len(lengths) < _FEW_BURSTS:
        paragraph(f"{counted(len(lengths), 'burst')}: too few for a reliable burst length. Record a longer log.")
    _show_correlation(lost, best)
    _show_burst_lengths(lost, best)
    paragraph(f"\n{fragment(best, Path(source).name)}")
    if out_file is not None:
        paragraph(f"{out_file} written: put it into the section [radio] of a profile, in place of the losses there.")


def _show_models(fits: Sequence[LossFit]) -> None:
    made = table("model", "good to bad", "bad to good", "loss good", "loss bad", "lost", "mean burst", "delta BIC")
    for fit in fits:
        bernoulli = fit.name == "bernoulli"
        made.add_row(
            fit.name, "-" if bernoulli else f"{fit.good_to_bad:.3%}", "-" if bernoulli else f"{fit.bad_to_good:.2%}",
            f"{fit.loss_good:.3%}", "-" if bernoulli else f"{fit.loss_bad:.2%}", f"{fit.mean_loss:.3%}",
            f"{fit.mean_burst:.3g}", f"{fit.criterion - fits[0].criterion:+.1f}",
        )  # fmt: skip
    console().print(made)
    paragraph("delta BIC: Bayesian information criterion above that of the best model; more than 10 rules a model out.")


def _show_correlation(lost: NDArray[np.bool_], best: LossFit) -> None:
    """Show mean burst and gap, lag-1 correlation, and bursts after RFC 3611, of log and model."""
    _, lengths = loss_runs(lost)
    of_log = (loss_rate(lost), float(np.mean(lengths)))
    made = table("", "lost", "mean burst", "mean gap", "lag-1 correlation")
    for name, (share, burst) in (("recorded", of_log), ("model", (best.mean_loss, best.mean_burst))):
        if not 0 < share < 1 or math.isinf(burst):
            continue
        both = share - share / burst  # two consecutive packets lost
        made.add_row(
            name, f"{share:.3%}", f"{burst:.3g}", f"{(1 - share) * burst / share:.4g}",
            f"{(both - share * share) / (share - share * share):+.3f}",
        )  # fmt: skip
    console().print(made)
    parts = bursts(lost)
    if len(parts.first):
        paragraph(
            f"RFC 3611 bursts (fewer than 16 consecutive packets received inside): {len(parts.first)}, mean length "
            f"{float(np.mean(parts.last - parts.first + 1)):.3g} packets, {parts.burst_density:.1%} of these lost; "
            f"{parts.gap_density:.3%} lost outside."
        )


def _show_burst_lengths(lost: NDArray[np.bool_], best: LossFit) -> None:
    model = simulated(best, max(200_000, len(lost)), np.random.default_rng(1))
    made = table("burst length", "recorded", "model", "")
    shares = zip(burst_shares(lost, _LONGEST_BURST), burst_shares(model, _LONGEST_BURST), strict=True)
    for length, (share, expected) in enumerate(shares, start=1):
        name = f"{length} or more" if length == _LONGEST_BURST else str(length)
        made.add_row(name, f"{share:.1%}", f"{expected:.1%}", f"{'#' * round(30 * share):<30}")
    console().print(made)
