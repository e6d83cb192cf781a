"""The check of budgets, on the Guide's examples (JCGM 100:2008, annex H; JCGM 101:2008, 9), and the budgets by it."""

from __future__ import annotations

import numpy as np
import pytest
import uncertainties
from GTC import uncertainty as gtc_uncertainty
from GTC import ureal
from numpy.typing import NDArray

from calibration.quantity import Contribution, Length, combine, covariance_mm2
from tests.calibration.propagation import monte_carlo, propagate

Array = NDArray[np.float64]
ROOT_3 = np.sqrt(3)

# JCGM 100:2008, H.1, end gauge, lengths in nm: standard's length, difference (three parts), the standard's expansion
# coefficient, difference of coefficients, temperature (mean and cycle), difference of temperatures
GAUGE_VALUES = np.array([50_000_623, 215, 0, 0, 11.5e-6, 0, -0.1, 0, 0])
GAUGE_SD = np.array([25, 5.8, 3.9, 6.7, 2e-6 / ROOT_3, 1e-6 / ROOT_3, 0.2, 0.5 / np.sqrt(2), 0.05 / ROOT_3])


def _gauge(x: Array) -> object:
    standard, difference, random, systematic, expansion, other_expansion, mean, cycle, other_temperature = x
    measured = difference + random + systematic
    return standard + measured - standard * (other_expansion * (mean + cycle) + expansion * other_temperature)


def test_end_gauge() -> None:
    """JCGM 100:2008, H.1: l = 50 000 838 nm, u = 32 nm."""
    result = propagate(_gauge, GAUGE_VALUES, GAUGE_SD**2)
    assert result.values[0] == pytest.approx(50_000_838, abs=0.5)
    assert result.standard_uncertainties[0] == pytest.approx(31.664, abs=0.005)


def test_end_gauge_agrees_with_other_libraries() -> None:
    ours = propagate(_gauge, GAUGE_VALUES, GAUGE_SD**2).standard_uncertainties[0]
    first_order = _gauge(np.array([uncertainties.ufloat(v, u) for v, u in zip(GAUGE_VALUES, GAUGE_SD, strict=True)]))
    assert ours == pytest.approx(first_order.std_dev, rel=1e-6)  # type: ignore[attr-defined]
    metrology = _gauge(np.array([ureal(v, u) for v, u in zip(GAUGE_VALUES, GAUGE_SD, strict=True)]))
    assert ours == pytest.approx(gtc_uncertainty(metrology), rel=1e-6)


def test_resistance_and_reactance() -> None:
    """JCGM 100:2008, H.2, table H.4: R, X and Z from V, I and phi, all correlated."""
    sd = np.array([3.2e-3, 9.5e-6, 7.5e-4])
    correlation = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])

    def model(x: Array) -> Array:
        voltage, current, phase = x
        impedance = voltage / current
        return np.array([impedance * np.cos(phase), impedance * np.sin(phase), impedance])

    result = propagate(model, [4.999, 19.661e-3, 1.04446], correlation * np.outer(sd, sd))
    np.testing.assert_allclose(result.values, [127.732, 219.847, 254.260], atol=6e-3)
    np.testing.assert_allclose(result.standard_uncertainties, [0.071, 0.295, 0.236], rtol=0.03)
    spread = result.standard_uncertainties
    found = result.covariance / np.outer(spread, spread)
    np.testing.assert_allclose([found[0, 1], found[0, 2], found[1, 2]], [-0.59, -0.49, 0.99], atol=0.01)


def test_thermometer_line() -> None:
    """JCGM 100:2008, H.3: the correction at 30 degrees from a fitted line is -0.1494 with u 0.0041."""
    sd, correlation = np.array([0.0029, 0.00067]), -0.930
    covariance = np.array([[1, correlation], [correlation, 1]]) * np.outer(sd, sd)
    result = propagate(lambda line: line[0] + line[1] * (30.0 - 20.0), [-0.1712, 0.00218], covariance)
    assert result.values[0] == pytest.approx(-0.1494, abs=5e-5)
    assert result.standard_uncertainties[0] == pytest.approx(0.0041, abs=1.5e-4)


def test_correlated_inputs_agree_with_another_library() -> None:
    rng = np.random.default_rng(1)
    root = rng.normal(size=(3, 3))
    covariance = root @ root.T * 1e-4
    values = [1.3, 2.1, 0.7]

    def model(x: Array) -> object:
        return x[0] * x[1] / x[2] + x[0] ** 2

    theirs = model(np.array(uncertainties.correlated_values(values, covariance)))
    ours = propagate(model, values, covariance).standard_uncertainties[0]
    assert ours == pytest.approx(theirs.std_dev, rel=1e-6)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("sds", "shape", "u", "half"),
    [
        # JCGM 101:2008, 9.2.2 (four normal), 9.2.3 (four rectangular), 9.2.4 (one of them ten times as wide)
        ((1, 1, 1, 1), "normal", 2.0, 3.92),
        ((1, 1, 1, 1), "rectangular", 2.0, 3.88),
        ((1, 1, 1, 10), "rectangular", 10.1, 17.0),
    ],
)
def test_sums(sds: tuple[float, ...], shape: str, u: float, half: float) -> None:
    generator = np.random.default_rng(2)
    wide = np.array(sds)[:, None]
    size = (4, 400_000)
    draws = wide * (generator.normal(size=size) if shape == "normal" else generator.uniform(-ROOT_3, ROOT_3, size))
    result = monte_carlo(lambda x: x.sum(axis=0), draws)
    assert result.value == pytest.approx(0, abs=0.05)
    assert result.standard_uncertainty == pytest.approx(u, rel=0.01)
    assert result.interval == pytest.approx((-half, half), rel=0.01)


@pytest.mark.parametrize(
    ("first", "value", "u", "low", "high"),
    [
        # JCGM 101:2008, 9.4.2, comparison loss in 1e-6; inputs 0.005 wide, shortest intervals
        (0.0, 50, 50, 0, 150),
        (0.010, 150, 112, 0, 367),
        (0.050, 2551, 502, 1593, 3547),
    ],
)
def test_comparison_loss(first: float, value: float, u: float, low: float, high: float) -> None:
    draws = np.random.default_rng(3).normal([[first], [0.0]], 0.005, (2, 600_000))
    result = monte_carlo(lambda x: 1e6 * (x**2).sum(axis=0), draws, shortest=True)
    assert result.value == pytest.approx(value, rel=0.01)
    assert result.standard_uncertainty == pytest.approx(u, rel=0.01)
    assert result.interval == pytest.approx((low, high), rel=0.012, abs=1.5)


def test_first_order_fails_where_the_supplement_says_so() -> None:
    """JCGM 101:2008, 9.4.2.2: at x1 = 0 the first-order uncertainty is 0, which is why simulation exists."""
    result = propagate(lambda x: (x**2).sum(), [0.0, 0.0], [0.005**2, 0.005**2])
    assert result.standard_uncertainties[0] == pytest.approx(0, abs=1e-9)


def test_negative_variance_is_an_error() -> None:
    with pytest.raises(ValueError, match="never negative"):
        propagate(lambda x: x[0], [1.0], [-1.0])


READINGS = (
    Length(451.0, (Contribution("own", 3.0), Contribution("print", 2.0, "print"), Contribution("build", 1.5, "build"))),
    Length(447.0, (Contribution("own", 5.0), Contribution("print", 1.0, "print"))),
    Length(
        449.0, (Contribution("own", 2.0), Contribution("print", -1.0, "other"), Contribution("build", 3.0, "build"))
    ),
)


def _error(causes: Array) -> Array:
    """Errors (3, ...) of `READINGS` for causes (own, own, own, print, build, other) in standard uncertainties."""
    first, second, third, printed, build, other = causes
    return np.array([3 * first + 2 * printed + 1.5 * build, 5 * second + printed, 2 * third - other + 3 * build])


def test_covariances_of_lengths_are_the_propagated_ones() -> None:
    found = propagate(_error, np.zeros(6), np.ones(6))
    ours = [[covariance_mm2(a, b) for b in READINGS] for a in READINGS]
    for place, length in enumerate(READINGS):
        ours[place][place] = length.standard_uncertainty_mm**2
    np.testing.assert_allclose(ours, found.covariance, atol=1e-9)


def test_a_combined_length_is_the_propagated_one() -> None:
    """Weights from the readings' covariance, then the weighted sum's uncertainty, by both ways."""
    covariance = propagate(_error, np.zeros(6), np.ones(6)).covariance
    weights = np.linalg.solve(covariance, np.ones(3))
    weights /= weights.sum()
    both = combine(READINGS)
    assert both.value_mm == pytest.approx(weights @ [451.0, 447.0, 449.0])
    first_order = propagate(lambda causes: weights @ _error(causes), np.zeros(6), np.ones(6))
    assert both.standard_uncertainty_mm == pytest.approx(first_order.standard_uncertainties[0], rel=1e-6)
    draws = np.random.default_rng(5).normal(size=(6, 400_000))
    simulated = monte_carlo(lambda causes: both.value_mm + weights @ _error(causes), draws)
    assert (both.low_mm, both.high_mm) == pytest.approx(simulated.interval, abs=0.05)
    wrong = combine([Length.stated(each.value_mm, each.standard_uncertainty_mm) for each in READINGS])
    assert wrong.high_mm - wrong.low_mm < 0.95 * (simulated.interval[1] - simulated.interval[0])
