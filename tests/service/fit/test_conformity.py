"""The worked examples of JCGM 106:2012 and risk values computed by other programs."""

import numpy as np
import pytest
from scipy.stats import norm

from service.fit.conformity import guard_factor
from tests.fit_risks import conformance_probability, global_risks


def test_breakdown_voltage():
    """JCGM 106:2012, 7.3.3: limit -5.40 V from above, measured -5.47 V, u 0.05 V: p = 0.92."""
    assert conformance_probability(-5.47, 0.05, high=-5.40) == pytest.approx(0.9192, abs=5e-5)


def test_oil_viscosity():
    """JCGM 106:2012, 7.4: 12.5 to 16.3 mm2/s, measured 13.6, u 1.8: p = 0.66."""
    assert conformance_probability(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.6626, abs=5e-5)


def test_without_uncertainty_a_limit_is_a_limit():
    assert conformance_probability(1.0, 0.0, low=1.0) == 1.0
    assert conformance_probability(0.99, 0.0, low=1.0) == 0.0


@pytest.mark.parametrize(("risk", "factor"), [(0.05, 1.6449), (0.025, 1.9600), (0.01, 2.3263)])
def test_guard_factors(risk, factor):
    """Eurachem/CITAC, Use of uncertainty information in compliance assessment, 2021, annex A: g = 1.64 u for 5 %."""
    assert guard_factor(risk) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize(
    ("acceptance", "consumer", "producer"),
    [((1499.82, 1500.18), 0.0099, 0.0690), ((1499.80, 1500.20), 0.0189, 0.0372)],
)
def test_resistors(acceptance, consumer, producer):
    """JCGM 106:2012, 9.5.3: population N(1500, 0.12) ohm, u 0.04, limits 1499.80 to 1500.20."""
    risks = global_risks((1500.0, 0.12), 0.04, (1499.80, 1500.20), acceptance)
    assert risks.conforming == pytest.approx(0.904, abs=5e-4)
    assert risks.consumer == pytest.approx(consumer, abs=5e-5)
    assert risks.producer == pytest.approx(producer, abs=5e-5)


@pytest.mark.parametrize(
    ("in_tolerance", "false_accept"),
    [(0.6, 4.8386), (0.7, 3.9223), (0.8, 2.8558), (0.9, 1.6000), (0.95, 0.8710), (0.99, 0.1999)],
)
def test_false_accepts_of_a_quarter_uncertainty(in_tolerance, false_accept):
    """Values that suncal, an uncertainty calculator, tests itself with: u a quarter of the process sd; in percent."""
    sd = 1 / norm.ppf((1 + in_tolerance) / 2)
    risks = global_risks((0.0, sd), sd / 4, (-1.0, 1.0), (-1.0, 1.0))
    assert 100 * risks.consumer == pytest.approx(false_accept, abs=2e-3)


def test_global_risks_against_simulation():
    rng = np.random.default_rng(7)
    true = rng.normal(0, 4, 400_000)
    read = true + rng.normal(0, 1, true.size)
    risks = global_risks((0.0, 4.0), 1.0, (-8.0, 8.0), (-8.0, 8.0))
    assert risks.consumer == pytest.approx(np.mean((abs(read) <= 8) & (abs(true) > 8)), abs=6e-4)
    assert risks.producer == pytest.approx(np.mean((abs(read) > 8) & (abs(true) <= 8)), abs=6e-4)
