"""The screen of ``lostlink plan fit``."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lostlink.campaigns.statistics import upper_bound
from lostlink.measure.loss import bursts, loss_rate, loss_runs
from lostlink.planning.adequacy import RISK, Adequacy
from lostlink.planning.fit import CONFIDENCE, LossFit, burst_shares, expected_burst_shares
from lostlink.planning.loss_log import LossLog
from lostlink.show.console import paragraph, show_table, table
from lostlink.verdicts import counted

_LONGEST_BURST = 8
_FEW_BURSTS = 50


def show_no_losses(log: LossLog, source: str) -> None:
    """Show what a log without losses says of them."""
    _show_log(log, source)
    paragraph(
        "No packet was lost, so nothing can be fitted: the share of packets lost is below "
        f"{upper_bound(0, len(log.lost), 0.95):.2g} at 95 % (one-sided, for independent losses). Record a longer log, "
        "or at a greater distance."
    )


def show_fits(log: LossLog, fits: Sequence[LossFit], found: Adequacy, source: str) -> None:
    """Show the recorded losses, the fitted models, and how well the best one explains the log.

    Parameters
    ----------
    fits : sequence of LossFit
        The best first.
    source : str
        File of the log.
    """
    best = fits[0]
    _show_log(log, source)
    _show_models(fits)
    paragraph(f"Chosen: {best.name}: {'; '.join(_parameters(best, found))}.")
    bursts_seen = len(loss_runs(log.lost)[1])
    if bursts_seen < _FEW_BURSTS:
        paragraph(f"{counted(bursts_seen, 'burst')}: too few for a reliable burst length. Record a longer log.")
    _show_correlation(log.lost, best)
    _show_burst_lengths(log.lost, best)
    _show_adequacy(found, best)


def show_fragment(part: str, out_file: str | None, copy: Path | None, *, is_copied: bool) -> None:
    """Show the part of a profile, and the files that were written.

    Parameters
    ----------
    out_file : str or None
        File that the part was written to.
    copy : Path or None
        File of the recorded losses that the part also needs.
    is_copied : bool
        Whether it was written.
    """
    paragraph(f"\n{part}")
    if out_file is not None:
        paragraph(f"{out_file} written: put it into the section [radio] of a profile, in place of the losses there.")
    if copy is not None and is_copied:
        paragraph(f"{copy} written: the losses, which the profile reads from its own folder.")
    elif copy is not None:
        paragraph("A profile cannot read this log: --out FILE.toml writes it with the losses beside it.")


def _show_log(log: LossLog, source: str) -> None:
    losses, lengths = int(log.lost.sum()), loss_runs(log.lost)[1]
    paragraph(
        f"{source}: {'; '.join(log.notes)}; {losses} of {len(log.lost)} lost ({losses / len(log.lost):.3%}), "
        f"in {counted(len(lengths), 'burst')}, the longest of {counted(max(lengths, default=0), 'packet')}"
    )


def _parameters(best: LossFit, found: Adequacy) -> Iterator[str]:
    """Return each free parameter with its interval."""
    for name in best.free:
        limits = _interval_text(found.intervals[name]) if name in found.intervals else "at its limit"
        yield f"{name.replace('_', ' ')} {_percent(getattr(best, name))} ({limits})"


def _interval_text(interval: tuple[float, float]) -> str:
    low, high = map(_percent, interval)
    return f"{low} to {high} at {CONFIDENCE:.0%}"


def _show_adequacy(found: Adequacy, best: LossFit) -> None:
    """Show whether the model can have made the log, and why not."""
    paragraph(
        f"Longest burst: under the model, a log of this length has one of {counted(found.longest, 'packet')} or more "
        f"with probability {_percent(found.longest_chance)}{_verdict(found.is_longest_improbable)}."
    )
    if found.share_chance is None:
        paragraph(
            "Losses over time: the log is too short, compared with its bursts, to show whether the share changes."
        )
    else:
        paragraph(
            f"Losses over time: under the model, they are as uneven with probability {_percent(found.share_chance)}"
            f"{_verdict(found.is_share_changing)}."
        )
    for name in found.undetermined:
        paragraph(
            f"{name.replace('_', ' ').capitalize()}: {_percent(getattr(best, name))}, but "
            f"{_interval_text(found.intervals[name])}: the error is larger than the value, which is thus not known."
        )
    if not found.is_adequate:
        paragraph(
            "No fitted model is offered. The recorded losses are offered instead; a profile repeats them. (The tests "
            f"for the longest burst and for the losses over time each reject a correct model in at most {RISK:.0%} of "
            "logs.)"
        )


def _verdict(is_rejected: bool) -> str:
    return f", below {RISK:.0%}: the model does not explain it" if is_rejected else ""


def _percent(share: float) -> str:
    """Return a share in percent, to three digits."""
    return f"{float(f'{100 * share:.3g}'):g}%" if share >= 1e-12 or not share else "< 1e-10%"


def _show_models(fits: Sequence[LossFit]) -> None:
    made = table(
        "model", "good to\nbad", "bad to\ngood", "loss\ngood", "loss\nbad", "lost", "mean\nburst", "delta\nBIC"
    )
    for fit in fits:
        bernoulli = fit.name == "bernoulli"
        made.add_row(
            fit.name, "-" if bernoulli else f"{fit.good_to_bad:.3%}", "-" if bernoulli else f"{fit.bad_to_good:.2%}",
            f"{fit.loss_good:.3%}", "-" if bernoulli else f"{fit.loss_bad:.2%}", f"{fit.mean_loss:.3%}",
            "-" if math.isinf(fit.mean_burst) else f"{fit.mean_burst:.3g}", f"{fit.criterion - fits[0].criterion:+.1f}",
        )  # fmt: skip
    show_table(made)
    paragraph(
        "delta BIC: Bayesian information criterion above that of the best model. More than 10 rules out a model with "
        "fewer parameters than the best one. A model with more parameters is not needed, but not ruled out."
    )


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
    show_table(made)
    parts = bursts(lost)
    if len(parts.first):
        paragraph(
            f"RFC 3611 bursts (fewer than 16 consecutive packets received inside): {len(parts.first)}, mean length "
            f"{float(np.mean(parts.last - parts.first + 1)):.3g} packets, {parts.burst_density:.1%} of these lost; "
            f"{parts.gap_density:.3%} lost outside."
        )


def _show_burst_lengths(lost: NDArray[np.bool_], best: LossFit) -> None:
    made = table("burst length", "recorded", "model")
    made.add_column("")
    shares = zip(burst_shares(lost, _LONGEST_BURST), expected_burst_shares(best, _LONGEST_BURST), strict=True)
    for length, (share, expected) in enumerate(shares, start=1):
        name = f"{length} or more" if length == _LONGEST_BURST else str(length)
        made.add_row(name, f"{share:.1%}", f"{expected:.1%}", "#" * round(30 * share))
    show_table(made)
