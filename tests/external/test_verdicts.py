"""Verdicts by guarded decision: JCGM 106:2012 (from memory), ILAC-G8:09/2019, 4.2."""

from __future__ import annotations

import pytest
from lostlink.verdicts import Measurement, Outcome, decide, worst


def measured(value: float, u: float, *, only_at_least: bool = False) -> Measurement:
    return Measurement(name="x", value=value, unit="ms", uncertainty=u, only_at_least=only_at_least)


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (497.9, Outcome.MET),
        (498, Outcome.MET),
        (499, Outcome.INCONCLUSIVE),
        (501, Outcome.INCONCLUSIVE),
        (502, Outcome.INCONCLUSIVE),
        (502.1, Outcome.NOT_MET),
    ],
)
def test_upper_limit_with_guard_band(value: float, outcome: Outcome) -> None:
    """Limit 500, guard band 2: met up to 498, not met above 502 (ILAC-G8, 4.2.3, its conditional zones are doubts)."""
    assert decide(measured(value, 2), at_most=500) is outcome


@pytest.mark.parametrize(("value", "outcome"), [(12, Outcome.MET), (11, Outcome.INCONCLUSIVE), (7.9, Outcome.NOT_MET)])
def test_lower_limit_with_guard_band(value: float, outcome: Outcome) -> None:
    """The same from below."""
    assert decide(measured(value, 2), at_least=10) is outcome


def test_without_uncertainty_the_limit_itself_is_met() -> None:
    """Simple acceptance, w = 0."""
    assert decide(measured(500, 0), at_most=500) is Outcome.MET
    assert decide(measured(500.1, 0), at_most=500) is Outcome.NOT_MET


def test_a_lower_bound_never_meets_an_upper_limit() -> None:
    """A thing that did not happen while one looked: it may break the limit, but cannot keep it."""
    assert decide(measured(600, 0, only_at_least=True), at_most=500) is Outcome.NOT_MET
    assert decide(measured(400, 0, only_at_least=True), at_most=500) is Outcome.INCONCLUSIVE
    assert decide(measured(400, 0, only_at_least=True), at_least=500) is Outcome.INCONCLUSIVE


def test_both_limits() -> None:
    """The worse of both decides."""
    assert decide(measured(5, 0), at_least=1, at_most=10) is Outcome.MET
    assert decide(measured(0, 0), at_least=1, at_most=10) is Outcome.NOT_MET
    assert worst([Outcome.MET, Outcome.INCONCLUSIVE]) is Outcome.INCONCLUSIVE


def test_a_check_that_cannot_fail_is_refused() -> None:
    """A measurement without a limit proves nothing."""
    with pytest.raises(ValueError, match="limit"):
        decide(measured(1, 0))
