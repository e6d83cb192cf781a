"""The measured length: uncertainty, intervals, shared causes, combination."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from calibration.quantity import COVERAGE_FACTOR, Contribution, Length, combine, covariance_mm2

SHARED = "print-scale:a4-1"


def reading(value: float, own: float, scale: float, key: str | None = SHARED) -> Length:
    return Length(value, (Contribution("landmarks", own), Contribution("print scale", scale, key)))


def test_combined_uncertainty_is_the_root_sum_of_squares() -> None:
    # JCGM 100:2008, H.1: contributions 25, 16.6, 6.7, 5.8, 3.9, 2.9 nm give 31.7 nm.
    parts = tuple(Contribution(str(nm), nm) for nm in (25.0, 16.6, 6.7, 5.8, 3.9, 2.9))
    assert Length(50_000_838.0, parts).standard_uncertainty_mm == pytest.approx(31.7, abs=0.1)


def test_coverage_factor_is_the_tabulated_one() -> None:
    # JCGM 100:2008, table G.1, last line, 95 %: 1.960.
    assert pytest.approx(1.960, abs=5e-4) == COVERAGE_FACTOR


def test_interval_is_symmetric_unless_simulated() -> None:
    assert (Length.stated(100, 2).low_mm, Length.stated(100, 2).high_mm) == pytest.approx((96.08, 103.92), abs=0.01)
    skewed = Length(100.0, (Contribution("x", 2.0),), (97.0, 105.0))
    assert (skewed.low_mm, skewed.high_mm) == (97.0, 105.0)


@pytest.mark.parametrize(("value", "uncertainty"), [(math.nan, 1.0), (1.0, math.inf), (1.0, -1.0)])
def test_impossible_lengths_are_not_made(value: float, uncertainty: float) -> None:
    with pytest.raises(ValueError, match=r"finite|negative"):
        Length.stated(value, uncertainty)


def test_covariance_comes_from_shared_causes_only() -> None:
    assert covariance_mm2(reading(500, 3, 1.5), reading(240, 0.7, 0.8)) == pytest.approx(1.2)
    assert covariance_mm2(reading(500, 3, 1.5), reading(240, 0.7, 0.8, "print-scale:a4-2")) == 0.0
    assert covariance_mm2(reading(500, 3, 1.5, None), reading(240, 0.7, 0.8, None)) == 0.0


def test_combining_does_not_average_a_shared_cause_away() -> None:
    both = combine([reading(500, 4, 3), reading(504, 4, 3)])
    assert both.value_mm == pytest.approx(502)
    assert both.standard_uncertainty_mm == pytest.approx(math.hypot(4 / math.sqrt(2), 3))
    assert covariance_mm2(both, both) == pytest.approx(9)


@given(st.lists(st.tuples(st.floats(300, 700), st.floats(0.5, 20)), min_size=1, max_size=6))
def test_independent_readings_combine_as_a_weighted_mean(pairs: list[tuple[float, float]]) -> None:
    combined = combine([Length.stated(value, u) for value, u in pairs])
    # Oracle: the inverse-variance weighted mean, carried through the `uncertainties` package.
    weights = [u**-2 for _, u in pairs]
    mean = sum(w * ufloat(value, u) for w, (value, u) in zip(weights, pairs, strict=True)) / sum(weights)
    assert combined.value_mm == pytest.approx(mean.nominal_value, rel=1e-6)
    assert combined.standard_uncertainty_mm == pytest.approx(mean.std_dev, rel=1e-5)


def test_nothing_cannot_be_combined() -> None:
    with pytest.raises(ValueError, match="nothing to combine"):
        combine([])


def test_an_exact_length_may_be_stated_and_one_surer_than_exact_may_not() -> None:
    assert Length.stated(450.0, 0.0).standard_uncertainty_mm == 0.0
    with pytest.raises(ValueError, match="uncertainty"):
        Length.stated(450.0, -0.1)
