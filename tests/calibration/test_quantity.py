"""The measured length: uncertainty, intervals, shared causes, combination."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from calibration.quantity import (
    COVERAGE,
    COVERAGE_FACTOR,
    EXACT_MM,
    Contribution,
    Length,
    combine,
    covariance_matrix_mm2,
    covariance_mm2,
    length_from_json,
    length_json,
)

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


def test_lengths_that_share_some_causes_combine_by_generalised_least_squares() -> None:
    """Weights by hand: 2 by 2 matrices have closed inverses; own causes of one name are one."""
    one = Length(500.0, (Contribution("a", 3.0), Contribution("s", 2.0, "s"), Contribution("t", -1.0, "t")))
    other = Length(
        510.0,
        (Contribution("a", 1.0), Contribution("b", 2.0), Contribution("s", 1.5, "s"), Contribution("t", 2.0, "t")),
    )
    matrix = covariance_matrix_mm2([one, other])
    exact = EXACT_MM**2
    assert matrix == pytest.approx(np.array([[14 + exact, 1.0], [1.0, 11.25 + exact]]), abs=1e-12)
    both = combine([one, other])
    first, second = (11.25 - 1) / 23.25, (14 - 1) / 23.25
    assert both.value_mm == pytest.approx(500 * first + 510 * second, rel=1e-8)
    expected = {
        ("a", None): math.hypot(3 * first, second),
        ("b", None): 2 * second,
        ("s", "s"): 2 * first + 1.5 * second,
        ("t", "t"): -first + 2 * second,
    }
    found = {(part.source, part.key): part.contribution_mm for part in both.budget}
    assert found == pytest.approx(expected, rel=1e-6)


def test_exact_lengths_are_weighed() -> None:
    exact = [Length.stated(value, 0.0) for value in (450.0, 451.0)]
    assert covariance_matrix_mm2(exact) == pytest.approx(np.array([[1e-8, 0.0], [0.0, 1e-8]]))
    assert combine(exact).value_mm == pytest.approx(450.5)
    assert combine([Length.stated(450.0, 5e-5), Length.stated(451.0, 2e-4)]).value_mm == pytest.approx(450.2)
    assert combine(exact[:1]) is exact[0]


def test_a_length_as_json_and_back() -> None:
    length = Length(
        462.1249, (Contribution("scale", 3.14159, SHARED), Contribution("edge", -0.00149)), (455.126, 470.249)
    )
    written = {
        "value_mm": 462.12,
        "standard_uncertainty_mm": 3.14,
        "low_mm": 455.13,
        "high_mm": 470.25,
        "budget": [
            {"source": "scale", "contribution_mm": 3.142, "key": SHARED},
            {"source": "edge", "contribution_mm": -0.001},
        ],
    }
    assert length_json(length) == written
    assert length_json(None) is None
    read = Length(462.12, (Contribution("scale", 3.142, SHARED), Contribution("edge", -0.001)), (455.13, 470.25))
    assert length_from_json(written) == read


def test_ends_within_the_rounding_are_the_symmetric_ones() -> None:
    """0.02 mm at either end; the one end alone, or the other, makes an interval of its own."""
    symmetric = Length.stated(462.0, 4.0)
    low, high = 462 - 4 * 1.959964, 462 + 4 * 1.959964
    for by_low, by_high, same in [
        *((0.015, -0.015, True), (-0.015, 0.015, True)),
        *((0.025, 0.0, False), (-0.025, 0.0, False), (0.0, 0.025, False), (0.0, -0.025, False)),
        *((-5.0, 0.0, False), (0.0, 5.0, False)),
    ]:
        ends = (low + by_low, high + by_high)
        stored = (length_json(symmetric) or {}) | {"low_mm": ends[0], "high_mm": ends[1]}
        assert length_from_json(stored).interval_mm == (None if same else ends)


def test_the_coverage_factor_is_that_of_95_per_cent() -> None:
    assert pytest.approx(1.959963984540054, rel=1e-12) == COVERAGE_FACTOR
    assert (COVERAGE, EXACT_MM) == (0.95, 1e-4)
    skewed = Length(100.0, (Contribution("x", 2.0),), (97.0, 105.0))
    assert (skewed.low_mm, skewed.high_mm, skewed.standard_uncertainty_mm) == (97.0, 105.0, 2.0)
    usual = Length.stated(100.0, 2.0)
    assert (usual.low_mm, usual.high_mm) == pytest.approx((96.080072, 103.919928), abs=1e-6)
    assert usual.budget == (Contribution("as stated", 2.0),)
