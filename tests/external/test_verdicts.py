"""Verdicts by guarded decision: JCGM 106:2012 (from memory), ILAC-G8:09/2019, 4.2."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from lostlink.evidence.comparison import values
from lostlink.verdicts import Limit, Measurement, Outcome, Requirement, Severity, Verdict, worst


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
    assert Limit(at_most=500).decide(measured(value, 2)) is outcome


@pytest.mark.parametrize(("value", "outcome"), [(12, Outcome.MET), (11, Outcome.INCONCLUSIVE), (7.9, Outcome.NOT_MET)])
def test_lower_limit_with_guard_band(value: float, outcome: Outcome) -> None:
    """The same from below."""
    assert Limit(at_least=10).decide(measured(value, 2)) is outcome


def test_without_uncertainty_the_limit_itself_is_met() -> None:
    """Simple acceptance, w = 0."""
    assert Limit(at_most=500).decide(measured(500, 0)) is Outcome.MET
    assert Limit(at_most=500).decide(measured(500.1, 0)) is Outcome.NOT_MET


def test_a_lower_bound_never_meets_an_upper_limit() -> None:
    """A thing that did not happen while one looked: it may break the limit, but cannot keep it."""
    assert Limit(at_most=500).decide(measured(600, 0, only_at_least=True)) is Outcome.NOT_MET
    assert Limit(at_most=500).decide(measured(400, 0, only_at_least=True)) is Outcome.INCONCLUSIVE
    assert Limit(at_least=500).decide(measured(400, 0, only_at_least=True)) is Outcome.INCONCLUSIVE


def test_both_limits() -> None:
    """The worse of both decides."""
    assert Limit(at_least=1, at_most=10).decide(measured(5, 0)) is Outcome.MET
    assert Limit(at_least=1, at_most=10).decide(measured(0, 0)) is Outcome.NOT_MET
    assert worst([Outcome.MET, Outcome.INCONCLUSIVE]) is Outcome.INCONCLUSIVE


def test_a_check_that_cannot_fail_is_refused() -> None:
    """A measurement without a limit proves nothing."""
    with pytest.raises(ValueError, match="limit"):
        Limit()
    for bound in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="at_most is"):
            Limit(at_most=bound)


def test_what_never_comes_is_infinite() -> None:
    """It breaks every upper limit and meets every lower one; no bound is needed to say so."""
    never = measured(float("inf"), 0)
    assert Limit(at_most=500).decide(never) is Outcome.NOT_MET
    assert Limit(at_least=500).decide(never) is Outcome.MET
    assert str(never) == "infinite"


@pytest.mark.parametrize(
    ("value", "u", "part"),
    [
        (float("nan"), 0, "x: value is not a number"),
        (1, float("nan"), "x: uncertainty is not a number"),
        (1, float("inf"), "x: uncertainty is inf"),
        (1, -1, "x: uncertainty is -1"),
    ],
)
def test_no_measurement_without_a_value(value: float, u: float, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        measured(value, u)


@pytest.mark.parametrize("kind", [np.int64, np.float32, np.uint8, Fraction])
def test_numbers_of_any_kind_are_numbers(kind: type) -> None:
    """They become numbers of Python, which JSON can hold; a whole number stays one."""
    number = kind(7)
    measurement = Measurement(name="x", value=number, uncertainty=number, at_us=number, since_us=number)
    limit = Limit(at_most=number, at_least=number)
    for each in (measurement.value, measurement.uncertainty, limit.at_most, limit.at_least):
        assert type(each) in (int, float)
        assert each == 7
    assert (type(measurement.at_us), type(measurement.since_us)) == (int, int)
    with pytest.raises(TypeError, match="at_most is '5'; allowed: a number"):
        Limit(at_most="5")  # type: ignore[arg-type]


# --- further: the risk that a guard band leaves ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "conform"), [(500, 0.5), (499, 0.841345), (498.355146, 0.95), (498, 0.977250), (497, 0.998650)]
)
def test_chance_that_the_true_value_conforms(value: float, conform: float) -> None:
    """Phi((TL - y) / u), TL 500, u 1 (JCGM 106:2012, from memory): met with w = U = 2 u only from 97.7 % on."""
    assert stats.norm.cdf(500 - value) == pytest.approx(conform, abs=1e-6)
    expected = Outcome.MET if conform >= 0.97724 else Outcome.INCONCLUSIVE
    assert Limit(at_most=500).decide(measured(value, 2.0)) is expected


@pytest.mark.parametrize(("w", "risk"), [(0.0, 0.5), (1.644854, 0.05), (2.0, 0.02275), (2.326348, 0.01)])
def test_risk_of_a_false_acceptance(w: float, risk: float) -> None:
    """At the acceptance limit TL - w the true value breaks the limit with 1 - Phi(w / u) (ILAC-G8:09/2019, 4.2.2)."""
    limit = 500 - w
    assert stats.norm.sf(w) == pytest.approx(risk, rel=1e-4)
    assert Limit(at_most=500).decide(measured(limit - 1e-9, w)) is Outcome.MET
    assert Limit(at_most=500).decide(measured(limit + 1e-9, w)) is not Outcome.MET


def test_false_acceptances_are_counted() -> None:
    """Results scattered by u = 1 about a true value just above the limit: at most 2.275 % are met (JCGM 106)."""
    results = stats.norm(500.0, 1.0).rvs(20_000, random_state=17)
    met = sum(Limit(at_most=500).decide(measured(float(value), 2.0)) is Outcome.MET for value in results)
    assert abs(met / 20_000 - 0.02275) < 4 * (0.02275 * 0.97725 / 20_000) ** 0.5, "seed 17"


@pytest.mark.parametrize(("value", "outcome"), [
    (496, Outcome.MET), (496.001, Outcome.INCONCLUSIVE), (500, Outcome.INCONCLUSIVE), (504, Outcome.INCONCLUSIVE),
    (504.001, Outcome.NOT_MET),
])  # fmt: skip
def test_guard_band_of_an_expanded_uncertainty(value: float, outcome: Outcome) -> None:
    """TL 500, U 4: acceptance limit 496 (JCGM 106:2012, 7 and 8, from memory), rejection above 504."""
    assert Limit(at_most=500).decide(measured(value, 4)) is outcome


@given(value=st.integers(-1000, 1000), u=st.integers(0, 50), wider=st.integers(0, 50), limit=st.integers(-1000, 1000))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_more_doubt_never_makes_a_verdict_surer(value: int, u: int, wider: int, limit: int) -> None:
    """A wider guard band can only turn met or not met into inconclusive; below mirrors above (ILAC-G8, 4.2)."""
    sure, doubtful = (Limit(at_most=limit).decide(measured(value, w)) for w in (u, u + wider))
    assert doubtful in (sure, Outcome.INCONCLUSIVE)
    assert Limit(at_least=-limit).decide(measured(-value, u)) is sure
    if sure is Outcome.MET:
        assert value + u <= limit


@given(st.integers(0, 1000), st.integers(0, 1000), st.integers(1, 200), st.integers(1, 200))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_a_difference_is_one_by_the_en_score_too(before: int, after: int, u: int, other_u: int) -> None:
    """E_n = |x1 - x2| / sqrt(U1^2 + U2^2), above 1 where results differ (ISO 13528:2022, from memory).

    The sum of both uncertainties is never smaller than that root, so `compare` calls no more values different.
    """
    required = Requirement("X", Severity.MAJOR, "", "")
    one = Verdict(requirement=required, outcome=Outcome.MET, value=before, uncertainty=u, unit="ms")
    other = Verdict(requirement=required, outcome=Outcome.MET, value=after, uncertainty=other_u, unit="ms")
    differs = values(one, other).startswith("measured")
    assert not differs or abs(after - before) / np.hypot(u, other_u) > 1
    assert differs or abs(after - before) <= np.sqrt(2) * np.hypot(u, other_u)
