"""Several instruments for one child, and one instrument for a class."""

import time
from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import norm

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths, assess
from service.fit.decision import PLAYED, Action, Decision
from service.fit.errors import LengthError
from service.fit.losses import LOSSES
from service.fit.ranking import TIE_DAYS, Comparison, compare, judge_class, rank
from service.fit.signs import InstrumentCondition, PlayingSigns
from service.fit.verdict import judge
from service.fit.weighing import best_size
from tests.service.fit.conftest import instrument, scaled
from tests.speed.decisions import shelf


def test_the_instrument_that_fits_comes_first(chart):
    listed = [instrument(280, name="large"), instrument(256, name="right"), instrument(217, name="small")]
    ranked = rank(Length.stated(450, 3), listed, chart)
    assert [each.instrument.name for each in ranked] == ["right", "small", "large"]
    assert ranked[0].decision is Decision.FITS
    assert ranked[0].suits_better > 0.95
    assert "suits better than the next" in ranked[0].against_next.sentence().text()
    assert ranked[-1].suits_better is None


def test_the_same_label_twice_is_told_apart(chart):
    first, second = instrument(262, label="1/8", name="A"), instrument(244, label="1/8", name="B")
    short_arm = rank(Length.stated(425, 3), [first, second], chart)
    long_arm = rank(Length.stated(466, 3), [second, first], chart)
    assert short_arm[0].instrument.name == "B"
    assert long_arm[0].instrument.name == "A"
    assert long_arm[0].place == 1


def test_of_what_is_not_to_be_played_the_least_costly_stands_first(chart):
    """Too large or too small makes no difference in itself: what counts is what playing it would cost."""
    listed = [instrument(body) for body in (175, 190, 217, 232, 270, 275, 310)]
    ranked = rank(Length.stated(450, 3), listed, chart)
    left = [each for each in ranked if each.action in (Action.SMALLER, Action.LARGER, Action.WAIT)]
    assert {each.action for each in left} == {Action.SMALLER, Action.LARGER}
    costs = [round(each.cost_days / TIE_DAYS) for each in left]
    assert costs == sorted(costs)
    assert [each.instrument.body.value_mm for each in left] == [232, 270, 217, 190, 275, 175, 310]


@pytest.mark.parametrize(
    ("first", "second", "equal", "words"),
    [
        (0.43, 0.37, 0.2, "hardly to be told from the next"),
        (0.57, 0.23, 0.2, "suits better than the next: 57% sure"),
        (0.3, 0.2, 0.5, "suits as well as the next"),
        (0.23, 0.57, 0.2, "the next is likelier to suit better (57%), but more can go wrong with it"),
    ],
)
def test_nobody_is_said_to_be_sure_of_less_than_a_half(first, second, equal, words):
    assert Comparison(first, second, equal).sentence().text() == words


@pytest.mark.parametrize("expanded_mm", [8, 14, 20])
def test_of_what_is_still_open_nothing_that_might_strain_stands_before_what_does_not(chart, expanded_mm):
    """An arm of 362±20 mm: the size that verdicts and order name, to be measured first, before one to be tried out."""
    sizes = [instrument(row.body_length_mm, row.total_length_mm, 1.0) for row in chart.rows]
    seen = 0
    for mm in range(320, 621):
        ranked = rank(Length.stated(float(mm), expanded_mm / 1.96), sizes, chart, compared=0)
        still_open = [each for each in ranked if each.action in (Action.MEASURE, Action.ASK_SIGNS)]
        strains = [each.probabilities.too_large > 0.025 for each in still_open]
        assert strains == sorted(strains), mm
        seen += len(set(strains)) > 1
    assert seen or expanded_mm < 20


def test_the_first_of_a_shelf_is_what_an_order_names_wherever_nothing_can_be_taken_at_once(chart):
    """An order's instruments are measured with a tape, a shelf's were surer: right at 2.5 % they may part."""
    sizes = [instrument(row.body_length_mm, row.total_length_mm, 1.0) for row in chart.rows]
    for mm in range(320, 621):
        arm = Length.stated(float(mm), 20 / 1.96)
        ranked, named = rank(arm, sizes, chart, compared=0), best_size(chart, arm)
        first = ranked[0]
        if first.action in (Action.MEASURE, Action.ASK_SIGNS) and named is not None:
            at_limit = any(abs(each.probabilities.too_large - 0.025) < 0.002 for each in ranked)
            assert first.place == named or at_limit, mm


def test_a_class_has_those_first_with_whom_nothing_can_go_wrong(chart):
    arms = {str(mm): Length.stated(float(mm), 20 / 1.96) for mm in range(320, 621)}
    row = chart.rows[1]
    verdicts = judge_class(arms, instrument(row.body_length_mm, row.total_length_mm, 1.0), chart)
    still_open = [each for each in verdicts.values() if each.action in (Action.MEASURE, Action.ASK_SIGNS)]
    strains = [each.probabilities.too_large > 0.025 for each in still_open]
    assert strains == sorted(strains)
    assert len(set(strains)) == 2


def test_after_pain_nothing_larger_stands_before_what_fits(chart):
    listed = [instrument(body, name=str(body), u=2) for body in (255, 262, 266, 281)]
    hurt = [None, PlayingSigns(painless=False), None, None]
    ranked = rank(Length.stated(447, 6), listed, chart, signs=hurt)
    assert ranked[0].instrument.name == "255"
    assert ranked[0].action is Action.SET_UP
    assert {each.instrument.name: each.action for each in ranked}["266"] is Action.MEASURE


@pytest.mark.parametrize(("count", "compared"), [(4, 3), (11, 10), (16, 10)])
def test_what_a_page_shows_of_a_shelf_is_compared_with_the_next(chart, count, compared):
    listed = [instrument(body) for body in np.linspace(235, 275, count)]
    ranked = rank(Length.stated(450, 3), listed, chart)
    assert [each.against_next is not None for each in ranked] == [place < compared for place in range(count)]


def test_ranking_says_of_each_what_judging_says(chart):
    arm = scaled(455, 4, 0.003)
    listed = [instrument(body) for body in np.linspace(200, 350, 31)]
    for each in rank(arm, listed, chart):
        alone = judge(arm, each.instrument, chart)
        assert each.decision is alone.decision
        assert each.action is alone.action
        assert each.cost_days == pytest.approx(alone.cost_days)
        assert each.probabilities.fits == pytest.approx(alone.probabilities.fits, abs=1e-12)
        assert each.size == alone.size


def test_of_two_that_suit_alike_the_better_kept_comes_first(chart):
    listed = [instrument(256, name="slipping"), instrument(256.2, name="sound")]
    conditions = [InstrumentCondition(pegs_hold=False), InstrumentCondition(True, True, True)]
    assert rank(Length.stated(450, 3), listed, chart, conditions)[0].instrument.name == "sound"
    far = [instrument(256, name="slipping"), instrument(300, name="sound")]
    assert rank(Length.stated(450, 3), far, chart, conditions)[0].instrument.name == "slipping"


def test_two_that_suit_alike_are_said_to_do_so(chart):
    """Both in mid-band: nothing is made of a difference that no child would feel."""
    ranked = rank(Length.stated(450, 3), [instrument(254, name="A"), instrument(256, name="B")], chart)
    assert ranked[0].against_next.equal > 0.95
    assert ranked[0].against_next.sentence().text() == "suits as well as the next"


def test_what_was_seen_on_one_counts_for_every_larger_one(chart):
    """Strained on a small eighth: no larger one is recommended, and none is better believed than before."""
    arm = Length.stated(440, 4)
    listed = [instrument(247), instrument(255), instrument(262)]
    plain = rank(arm, listed, chart)
    strain = PlayingSigns(wrist_free=False, elbow_bent=False)
    seen = rank(arm, listed, chart, signs=[strain, None, None])
    before = {each.place: each.probabilities for each in plain}
    for each in seen:
        after = each.probabilities
        assert after.stretch + after.too_large >= before[each.place].stretch + before[each.place].too_large - 1e-6
        assert each.action not in (Action.TAKE, Action.TRY, Action.LARGER)
    assert plain[0].action is Action.TAKE


def test_the_next_larger_instrument_does_not_rank_first_after_pain(chart):
    arm = Length.stated(468, 3)
    ranked = rank(arm, [instrument(255), instrument(280)], chart, signs=[PlayingSigns(painless=False), None])
    assert {each.action for each in ranked} <= {Action.STOP, Action.SET_UP, Action.SMALLER}
    assert not any(each.action in PLAYED for each in ranked)


def test_after_pain_a_smaller_one_is_not_taken_either_before_it_is_settled(chart):
    """As an order says nothing is to be ordered yet, a ranking says nothing is to be taken yet."""
    arm, pain = Length.stated(438, 2), PlayingSigns(painless=False)
    listed = [instrument(245), instrument(255)]
    assert rank(arm, listed, chart)[0].action is Action.TAKE
    for hurt in (instrument(255), instrument(280)):
        assert not any(each.action in PLAYED for each in rank(arm, listed, chart, played=[(hurt, pain)]))


def test_comparison_knows_that_the_arms_error_is_common(chart):
    """Arm surely too short for both: the smaller suits better for certain, however badly the arm is known."""
    small, large = instrument(255, u=0.5), instrument(262, u=0.5)
    for u in (2.0, 10.0):
        found = compare(Length.stated(400 if u < 5 else 370, u), small, large, chart)
        assert found.second < 0.02
    assert found.first + found.second + found.equal == pytest.approx(1.0)


def test_comparison_against_the_closed_form(chart):
    """Both too large for certain, so losses differ by the margins' difference, a normal variable."""
    first, second = instrument(288, u=2.0), instrument(290, u=2.0)
    arm = Length.stated(400, 5)
    found = assess(chart, arm, [first, second])
    sd = np.sqrt(np.sum(found.u_margin_mm**2) - 2 * 5.0**2)
    per_mm = LOSSES.strain_per_mm
    expected = norm.cdf((per_mm * (found.margin_mm[0] - found.margin_mm[1]) - 0.5) / (per_mm * sd))
    assert compare(arm, first, second, chart).first == pytest.approx(expected, abs=0.01)


def test_a_common_scale_does_not_blur_a_comparison(chart):
    def one(body: float, key: str):
        return InstrumentLengths(scaled(body, 0.2, 0.02, key), scaled(body / 0.605, 0.3, 0.02, key))

    arm = Length.stated(400, 3)
    common = compare(arm, one(290, "s"), one(292, "s"), chart)
    apart = compare(arm, one(290, "s"), one(292, "t"), chart)
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


def quickest_s(work: Callable[[], object]) -> float:
    """Least processor time of three tries."""
    times = []
    for _ in range(3):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


@pytest.mark.timed
def test_a_large_shelf_is_ranked_quickly(chart):
    listed, arm = shelf(5000), scaled(455, 4, 0.003)
    assert len(rank(arm, listed, chart)) == 5000
    together = quickest_s(lambda: rank(arm, listed, chart))
    alone = quickest_s(lambda: judge(arm, listed[0], chart))
    assert together < 5000 * alone / 20  # some sixty times quicker than one by one
