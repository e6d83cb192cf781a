"""Terms of the verdict's formulas, one by one, against the formula worked by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.stats import norm

from calibration.quantity import COVERAGE_FACTOR, Length
from service.fit.assessment import RATIO_RANGES, InstrumentLengths, assess, body_to_total
from service.fit.chart import Chart, _proportional
from service.fit.evidence import strained_by_size
from service.fit.growth import LAST_AGE, Crossing, DatedArm, _when, predict
from service.fit.lengths import PLAUSIBLE_MM, LengthError, check_proportion, widened
from service.fit.losses import LOSSES
from service.fit.next_step import joint_variance
from service.fit.order import BOWS_MM, _line, _one_range, bow_mm
from service.fit.outlook import month_after
from service.fit.sentences import say
from service.fit.setup import COMFORT_MM, RIBS_MM, Build, set_up
from service.fit.signs import SIGN_CAUSES, InstrumentCondition, SignCause
from service.fit.tape import SLIPS, _swapped, _u_difference
from service.fit.verdict import judge
from service.fit.weighing import play_loss
from tests.service.fit.conftest import instrument, scaled


@pytest.mark.parametrize("shared", [0.0, 0.01])
def test_what_arm_and_instrument_share_counts_twice(chart: Chart, shared: float) -> None:
    """JCGM 100:2008, equation 13: u^2 of a sum is the sum over causes of the squared sum of what each contributes."""
    arm = scaled(450.0, 3.0, shared)
    body, total = scaled(255.0, 1.0, shared), scaled(421.0, 1.5, shared)
    found = assess(chart, arm, [InstrumentLengths(body, total)])
    of_body, of_total = float(found.body_factor[0]), float(found.total_factor[0])
    assert of_body < -0.3
    assert of_total < -0.3
    own = 3.0**2 + (of_body * 1.0) ** 2 + (of_total * 1.5) ** 2
    common = shared * (450.0 + of_body * 255.0 + of_total * 421.0)
    assert float(found.u_margin_mm[0]) == pytest.approx(math.sqrt(own + common**2), rel=1e-6)


def test_half_of_what_is_seen_of_strain_is_seen_at_eight_millimetres() -> None:
    assert strained_by_size(np.array([-8.0, -15.0, -1.0])) == pytest.approx(0.75 * norm.cdf([0.0, 1.0, -1.0]))


def test_the_ratio_s_spread_is_rectangular_at_both_ends() -> None:
    """JCGM 100:2008, 4.3.7: half the range over the root of three."""
    assert RATIO_RANGES == ((0.585, 0.610), (0.600, 0.610))
    for body, (low, high) in ((240.0, RATIO_RANGES[0]), (330.0, RATIO_RANGES[1])):
        ratio, sd = body_to_total(body)
        assert (float(ratio), float(sd)) == pytest.approx(((low + high) / 2, (high - low) / 2 / math.sqrt(3)))


def test_what_playing_costs_where_the_margin_is_known() -> None:
    margins = np.array([-40.0, -10.0, 5.0, 30.0])
    large = play_loss(margins, np.full(4, 20.0), np.zeros(4, dtype=bool), 12.0, LOSSES)
    by_hand = [40 * LOSSES.strain_per_mm + LOSSES.harm, 10 * LOSSES.strain_per_mm, 0.0, 10 * LOSSES.small_per_mm]
    assert large == pytest.approx(by_hand)
    small = play_loss(margins, np.full(4, 20.0), np.ones(4, dtype=bool), 12.0, LOSSES)
    felt = LOSSES.strained * strained_by_size(margins)
    assert small == pytest.approx(felt + np.array([LOSSES.harm, 0.0, 0.0, 10 * LOSSES.small_per_mm]))


@pytest.mark.parametrize(
    ("mask", "cheapest", "kept"),
    [("110110", 4, "000110"), ("110110", 0, "110000"), ("110111", 5, "000111"), ("011110", 2, "011110")],
)
def test_one_unbroken_range_is_ordered(mask: str, cheapest: int, kept: str) -> None:
    one = _one_range(np.array([each == "1" for each in mask]), cheapest)
    assert "".join("1" if each else "0" for each in one) == kept


def test_the_line_of_lengths_goes_on_half_a_size_beyond_the_chart(chart: Chart) -> None:
    lengths = _line(chart, 1.0)
    for line, knots in ((lengths.body, chart.bodies_mm), (lengths.total, chart.totals_mm)):
        assert line[0] == pytest.approx(knots[0] - (knots[1] - knots[0]) / 2)
        assert line[-1] == pytest.approx(knots[-1] + (knots[-1] - knots[-2]) / 2)
        assert np.interp(knots, line, line) == pytest.approx(knots)
        assert np.all(np.diff(line) > 0)


def test_bows_grow_with_the_instrument() -> None:
    """From 370 mm for the smallest to the 745 mm of a full bow; steps as even as the bodies' own."""
    bodies, bows = np.array(BOWS_MM).T
    assert np.all(np.diff(bodies) > 15)
    assert np.all(np.diff(bodies) <= 30)
    assert np.all(np.diff(bows) > 30)
    assert np.all(np.diff(bows) < 75)
    assert (bodies[-1], bows[-1]) == (356.0, 745.0)
    assert bow_mm(356.0) == pytest.approx(745.0, abs=5.0)


@pytest.mark.parametrize(
    ("day", "months", "number"),
    [
        (date(2031, 3, 13), 0.5, 3),
        (date(2031, 3, 13), 0.7, 4),
        (date(2031, 3, 29), 0.2, 4),
        (date(2031, 12, 2), 0.5, 12),
    ],
)
def test_a_month_has_thirty_days_and_a_half(day: date, months: float, number: int) -> None:
    assert month_after(day, months).month == number


def test_what_is_to_be_filled_is_the_neck_s_length_without_ribs_and_comfort() -> None:
    neck = Length.stated(75.0, 4.0)
    found = set_up(False, Build(neck))
    low, high = 75.0 - 4.0 - RIBS_MM["large"][1] - COMFORT_MM, 75.0 + 4.0 - RIBS_MM["large"][0] - COMFORT_MM
    assert found.to_fill_mm == pytest.approx((max(low, 0.0), high), abs=2.5)


def test_a_bad_sign_s_other_causes_are_independent() -> None:
    """One less the product of what is left of each."""
    expected = {"wrist_free": 0.19, "fingers_easy": 0.154, "bow_clear": 0.235, "elbow_bent": 0.06, "painless": 0.124575}
    assert {sign: each.other_chance for sign, each in SIGN_CAUSES.items()} == pytest.approx(expected)
    for causes in SIGN_CAUSES.values():
        assert causes.by_size is None or 0.4 <= causes.by_size <= 0.8
        assert causes.size.chance == 0.0
        assert all(isinstance(each, SignCause) and each.code.isidentifier() for each in (causes.size, *causes.others))


def test_a_condition_s_score_is_good_less_bad() -> None:
    assert InstrumentCondition().score == 0
    assert InstrumentCondition(True, True, True).score == 3
    assert InstrumentCondition(True, False, None).score == 0
    assert InstrumentCondition(False, False, None).score == -2


def test_slips_are_named_by_codes() -> None:
    assert all(each.code.isidentifier() and each.sentence.text()[0].isupper() for each in SLIPS)
    assert sum(each.prior for each in SLIPS) < 0.3


@pytest.mark.parametrize(("read", "meant"), [(642.0, 462.0), (426.0, 462.0), (1462.0, 4162.0)])
def test_two_digits_are_swapped_back(read: float, meant: float) -> None:
    photo = Length.stated(meant, 6.0)
    kind, value, weight = _swapped(Length.stated(read, 4.0), photo)
    assert value == meant
    assert weight == pytest.approx(kind.prior * norm.pdf(0.0, scale=math.hypot(4.0, 6.0)))


def test_a_difference_s_uncertainty_without_and_with_what_is_shared() -> None:
    """JCGM 100:2008, 5.2.2: the covariance counts twice."""
    one, two = Length.stated(460.0, 3.0), Length.stated(455.0, 4.0)
    assert _u_difference(one, two) == pytest.approx(5.0)
    parts = [replace(each.budget[0], key="sheet") for each in (one, two)]
    shared = [Length(each.value_mm, (part,)) for each, part in zip((one, two), parts, strict=True)]
    assert _u_difference(*shared) == pytest.approx(1.0)


def test_the_best_combination_of_correlated_readings() -> None:
    """Least variance of w x + (1 - w) y, found by trying weights."""
    w = np.linspace(0, 1, 100001)
    for first, second, shared in ((9.0, 4.0, 2.0), (5.0, 5.0, 1.0), (3.0, 16.0, 2.5)):
        tried = w**2 * first + (1 - w) ** 2 * second + 2 * w * (1 - w) * shared
        assert joint_variance(first, second, shared) == pytest.approx(tried.min(), rel=1e-6)


def test_below_the_chart_everything_shrinks_in_proportion(chart: Chart) -> None:
    knots = chart.bodies_mm
    shortest = chart.shortest_arm_mm(np.array([0.9 * knots[0], knots[0]]), "body")
    assert shortest[0] == pytest.approx(0.9 * shortest[1])
    assert _proportional(np.array([50.0]), np.array([100.0, 200.0]), np.array([30.0, 40.0])) == pytest.approx([15.0])
    first, last = knots[1] - knots[0], knots[-1] - knots[-2]
    place = chart.position(np.array([knots[0] - first, knots[-1] + last / 2]), "body")
    assert place == pytest.approx([-1.0, len(knots) - 0.5])


def test_a_chart_of_two_sizes_has_a_band_that_opens(chart: Chart) -> None:
    two = replace(chart, rows=chart.rows[-2:])
    low, high = two.bodies_mm
    width = two.widths_mm[0]
    found = two.reciprocal_width(np.array([low / 2, low, (low + high) / 2, high]), "body")
    assert found == pytest.approx([2 / width, 1 / width, 0.5 / width, 0.0])


def test_limits_of_a_body_hold_no_viola() -> None:
    """A full violin's body has 356 mm; violas begin near 380."""
    assert 356 < PLAUSIBLE_MM["body"][1] < 380
    assert all(low < high for low, high in PLAUSIBLE_MM.values())


@pytest.mark.parametrize(
    ("kind", "usual"),
    [
        *[("arm", mm) for mm in (330, 480, 620)],
        *[("body", mm) for mm in (180, 255, 356)],
        *[("total", mm) for mm in (310, 421, 590)],
        *[("string", mm) for mm in (180, 240, 330)],
        *[("tape", mm) for mm in (260, 480)],
    ],
)
def test_a_slip_of_the_unit_is_outside_the_limits(kind: str, usual: float) -> None:
    """Centimetres or inches written as millimetres, and a decimal point that was lost."""
    low, high = PLAUSIBLE_MM[kind]
    assert low < usual < high
    assert not any(low < usual * factor < high for factor in (0.1, 1 / 25.4, 10.0))


@pytest.mark.parametrize(("body", "total"), [(255.0, 340.0), (255.0, 500.0), (421.0, 255.0)])
def test_lengths_that_no_violin_has_together_are_refused(body: float, total: float) -> None:
    with pytest.raises(LengthError, match="do not go together"):
        check_proportion(body, total)


@pytest.mark.parametrize("likely", [4.0, 7.0])
def test_a_crossing_is_said_with_both_its_ends(likely: float) -> None:
    coming = say("In about {likely} months ({span}).")
    said = _when(Crossing(2.0, likely, 9.0), coming, say("never"), say("now")).text()
    assert said == f"In about {likely:g} months (2 to 9)."
    assert _when(Crossing(2.0, likely, None), coming, say("never"), say("now")).text().endswith("(2 or later).")
    assert _when(Crossing(0.0, 1.0, 2.0), coming, say("never"), say("now")).text() == "now", "and not in 1 months"


def test_a_widened_length_keeps_its_value_and_reaches_its_factor() -> None:
    length = Length.stated(460.0, 5.0)
    wide = widened(length)
    assert wide.value_mm == 460.0
    assert wide.standard_uncertainty_mm >= length.standard_uncertainty_mm
    assert pytest.approx(1.96, abs=1e-3) == COVERAGE_FACTOR


def test_growth_is_foretold_to_the_end_of_the_tables_only() -> None:
    """The tables end at fifteen years; half a year's growth counts twice in a year's rate."""
    late = predict([DatedArm(13.0, Length.stated(610.0, 4.0))], months=30)
    assert late.points[-1].months == 24
    assert LAST_AGE == 15.0
    half = predict([DatedArm(8.0, Length.stated(490.0, 4.0))], months=6)
    assert half.rate_mm_per_year == pytest.approx(2 * (half.points[-1].likely_mm - half.points[0].likely_mm))
    assert half.points[0].low_mm < half.points[0].likely_mm < half.points[0].high_mm


def test_the_largest_label_holds_whatever_is_larger(chart: Chart) -> None:
    """Nothing stands above the chart's last size, nothing below its first."""
    for body, total, label, other in ((366.0, 604.0, "4/4", "3/4"), (180.0, 297.0, "1/32", "1/16")):
        right, wrong = (
            judge(Length.stated(590.0, 4.0), instrument(body, total, label=each), chart).label_right
            for each in (label, other)
        )
        assert right == pytest.approx(1.0, abs=1e-3)
        assert wrong == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("shared", [0.0, 0.01])
def test_the_place_in_the_chart_is_the_mean_of_both_lengths_places(chart: Chart, shared: float) -> None:
    """JCGM 100:2008, equation 13, for the mean of two places, each of its own length, with a print in common."""
    body, total = scaled(255.0, 1.0, shared), scaled(421.0, 1.5, shared)
    arm = Length.stated(450.0, 5.0)

    def place(of_body: float, of_total: float) -> float:
        return float(assess(chart, arm, [instrument_of(of_body, of_total)]).place[0])

    def instrument_of(of_body: float, of_total: float) -> InstrumentLengths:
        return InstrumentLengths(replace(body, value_mm=of_body), replace(total, value_mm=of_total))

    found = assess(chart, arm, [instrument_of(255.0, 421.0)])
    by_body = (place(255.5, 421.0) - place(254.5, 421.0)) / 1.0
    by_total = (place(255.0, 421.5) - place(255.0, 420.5)) / 1.0
    own = (by_body * 1.0) ** 2 + (by_total * 1.5) ** 2
    common = shared * (by_body * 255.0 + by_total * 421.0)
    assert min(by_body, by_total) > 0.005  # sizes lie some 20 mm of body and 35 mm of total apart
    assert float(found.u_place[0]) == pytest.approx(math.sqrt(own + common**2), rel=0.02)
