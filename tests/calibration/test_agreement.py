"""Whether readings of one length agree."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from calibration.agreement import agreement
from calibration.quantity import Contribution, Length


def reading(value_mm: float, own_mm: float, shared_mm: float = 0.0) -> Length:
    return Length(value_mm, (Contribution("own", own_mm), Contribution("shared", shared_mm, "shared")))


def test_two_readings_are_compared_by_their_difference() -> None:
    """With two readings chi2 is the squared difference over its variance; p is that of a normal deviate."""
    found = agreement([reading(450, 3), reading(460, 4)])
    assert found.chi_squared == pytest.approx(4.0, abs=1e-6)
    assert found.birge_ratio == pytest.approx(2.0, abs=1e-6)
    assert found.probability == pytest.approx(2 * stats.norm.sf(2.0), abs=1e-6)
    assert not found.holds


def test_several_readings_are_compared_as_in_the_weighted_mean() -> None:
    """Cox 2002, procedure A: chi2 = sum of (x - weighted mean)^2 / u^2 for independent readings."""
    values, u = np.array([451.0, 447.0, 455.0, 449.5]), np.array([3.0, 2.0, 5.0, 4.0])
    mean = np.average(values, weights=u**-2)
    found = agreement([reading(float(v), float(s)) for v, s in zip(values, u, strict=True)])
    assert found.chi_squared == pytest.approx(float((((values - mean) / u) ** 2).sum()), rel=1e-6)
    assert found.degrees_of_freedom == 3
    assert found.birge_ratio == pytest.approx(math.sqrt(found.chi_squared / 3))
    assert found.probability == pytest.approx(stats.chi2(3).sf(found.chi_squared), rel=1e-6)
    assert found.holds


def test_the_same_reading_twice_differs_by_nothing() -> None:
    found = agreement([reading(450, 3), reading(450, 3)])
    assert found.chi_squared == pytest.approx(0.0, abs=1e-9)
    assert found.probability == pytest.approx(1.0)


def test_a_shared_cause_excuses_no_difference() -> None:
    apart = agreement([reading(450, 2, 10), reading(457, 2, 10)])
    assert not apart.holds
    assert apart.chi_squared == pytest.approx(7**2 / 8, rel=1e-4)
    assert agreement([reading(450, math.hypot(2, 10)), reading(457, math.hypot(2, 10))]).holds


def test_readings_that_agree_are_seldom_said_not_to() -> None:
    rng = np.random.default_rng(4)
    disagree = 0
    for _ in range(2000):
        common = rng.normal(0, 5)
        disagree += not agreement([reading(450 + common + rng.normal(0, u), u, 5) for u in (3.0, 6.0, 4.0)]).holds
    assert disagree / 2000 == pytest.approx(0.05, abs=0.015)


def test_one_reading_agrees_with_nothing() -> None:
    with pytest.raises(ValueError, match="one reading"):
        agreement([reading(450, 3)])


def test_readings_disagree_below_five_per_cent() -> None:
    """A normal deviate of 1.95 has a probability of 5.1 %, one of 1.97 of 4.9 % (both sides)."""
    assert agreement([reading(450, 3), reading(450 + 1.95 * 5, 4)]).holds
    assert not agreement([reading(450, 3), reading(450 + 1.97 * 5, 4)]).holds
    assert not agreement([reading(450 + 1.97 * 5, 3), reading(450, 4)]).holds


def test_readings_that_share_unequal_parts() -> None:
    """Independently: chi-squared of the residuals of a fit of one constant, whitened by a Cholesky factor."""
    own, shared, values = np.array([3.0, 2.0, 4.0]), np.array([1.0, -2.0, 5.0]), np.array([450.0, 455.0, 447.0])
    found = agreement([reading(*each) for each in zip(values.tolist(), own.tolist(), shared.tolist(), strict=True)])
    factor = np.linalg.cholesky(np.diag(own**2) + np.outer(shared, shared))
    white, ones = np.linalg.solve(factor, values), np.linalg.solve(factor, np.ones(3))
    rest = np.linalg.lstsq(ones[:, None], white, rcond=None)[1]
    assert found.chi_squared == pytest.approx(float(rest[0]), rel=1e-6)
