"""Several instruments for one child, and one instrument for a class."""

import time

import numpy as np
import pytest
from scipy.stats import norm

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths, assess
from service.fit.decision import Decision
from service.fit.errors import LengthError
from service.fit.ranking import STRAIN_WEIGHT, compare, expected_misfit_mm, judge_class, rank
from service.fit.signs import InstrumentCondition
from service.fit.verdict import judge
from tests.service.fit.conftest import instrument, scaled
from tests.speed.decisions import shelf


def test_the_instrument_that_fits_comes_first(chart):
    listed = [instrument(280, name="large"), instrument(256, name="right"), instrument(217, name="small")]
    ranked = rank(Length.stated(450, 3), listed, chart)
    assert [each.instrument.name for each in ranked] == ["right", "large", "small"]
    assert ranked[0].decision is Decision.FITS
    assert ranked[0].suits_better > 0.95
    assert ranked[-1].suits_better is None


def test_the_same_label_twice_is_told_apart(chart):
    first, second = instrument(262, label="1/8", name="A"), instrument(244, label="1/8", name="B")
    short_arm = rank(Length.stated(425, 3), [first, second], chart)
    long_arm = rank(Length.stated(466, 3), [second, first], chart)
    assert short_arm[0].instrument.name == "B"
    assert long_arm[0].instrument.name == "A"
    assert long_arm[0].place == 1


def test_ranking_says_of_each_what_judging_says(chart):
    arm = scaled(455, 4, 0.003)
    listed = [instrument(body) for body in np.linspace(200, 350, 31)]
    for each in rank(arm, listed, chart):
        alone = judge(arm, each.instrument, chart)
        assert each.decision is alone.decision
        assert each.probabilities.fits == pytest.approx(alone.probabilities.fits, abs=1e-12)
        assert each.size == alone.size


def test_of_two_that_suit_alike_the_better_kept_comes_first(chart):
    listed = [instrument(256, name="slipping"), instrument(256.2, name="sound")]
    conditions = [InstrumentCondition(pegs_hold=False), InstrumentCondition(True, True, True)]
    assert rank(Length.stated(450, 3), listed, chart, conditions)[0].instrument.name == "sound"
    far = [instrument(256, name="slipping"), instrument(300, name="sound")]
    assert rank(Length.stated(450, 3), far, chart, conditions)[0].instrument.name == "slipping"


def test_expected_misfit_against_simulation(chart):
    found = assess(chart, Length.stated(428, 6), [instrument(255), instrument(235)])
    rng = np.random.default_rng(5)
    drawn = found.margin_mm + found.u_margin_mm * rng.normal(size=(400_000, 2))
    width = found.longest_arm_mm - found.shortest_arm_mm
    misfit = STRAIN_WEIGHT * np.maximum(-drawn, 0) + np.maximum(drawn - width, 0)
    np.testing.assert_allclose(expected_misfit_mm(found), misfit.mean(axis=0), rtol=0.03)


def test_comparison_knows_that_the_arms_error_is_common(chart):
    """Arm surely too short for both: the smaller suits better for certain, however badly the arm is known."""
    small, large = instrument(255, u=0.5), instrument(262, u=0.5)
    for u in (2.0, 10.0):
        found = compare(Length.stated(400, u), small, large, chart)
        assert found.first > 0.98
    assert found.first + found.second + found.equal == pytest.approx(1.0)


def test_comparison_against_the_closed_form(chart):
    """Both too large for certain, so misfits differ by the margins' difference, a normal variable."""
    first, second = instrument(278, u=2.0), instrument(280, u=2.0)
    arm = Length.stated(400, 5)
    found = assess(chart, arm, [first, second])
    sd = np.sqrt(np.sum(found.u_margin_mm**2) - 2 * 5.0**2)
    expected = norm.cdf((STRAIN_WEIGHT * (found.margin_mm[0] - found.margin_mm[1]) - 0.5) / (STRAIN_WEIGHT * sd))
    assert compare(arm, first, second, chart).first == pytest.approx(expected, abs=0.01)


def test_a_common_scale_does_not_blur_a_comparison(chart):
    def one(body: float, key: str):
        return InstrumentLengths(scaled(body, 0.2, 0.02, key), scaled(body / 0.605, 0.3, 0.02, key))

    arm = Length.stated(400, 3)
    common = compare(arm, one(270, "s"), one(272, "s"), chart)
    apart = compare(arm, one(270, "s"), one(272, "t"), chart)
    assert common.first > 0.99
    assert apart.first < 0.8


def test_a_class_is_sorted_by_how_well_the_instrument_fits(chart):
    arms = {"P1": Length.stated(500, 4), "P2": Length.stated(452, 4), "P3": Length.stated(432, 4)}
    verdicts = judge_class(arms, instrument(255, 421), chart)
    assert list(verdicts) == ["P2", "P3", "P1"]
    assert verdicts["P1"].decision is Decision.TOO_SMALL


def test_nothing_and_impossible_things(chart):
    assert rank(Length.stated(450, 3), [], chart) == ()
    with pytest.raises(LengthError):
        rank(Length.stated(4500, 3), [instrument(255)], chart)


def test_a_large_shelf_is_ranked_quickly(chart):
    listed, arm = shelf(5000), scaled(455, 4, 0.003)
    rank(arm, listed, chart)
    times = []
    for _ in range(3):
        start = time.process_time()
        ranked = rank(arm, listed, chart)
        times.append(time.process_time() - start)
    assert len(ranked) == 5000
    assert min(times) < 0.15
