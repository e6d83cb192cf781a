"""No two screens contradict each other: all decisions, all signs, all sizes, every sentence of every view."""

import re
from datetime import date
from functools import cache
from itertools import pairwise, product

import pytest

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart_table import default_chart
from service.fit.choosing import choose
from service.fit.decision import PLAYED, Action, Decision
from service.fit.explanation import headline, to_do, verdict_text
from service.fit.growth import DatedArm, predict
from service.fit.losses import LOSSES, Losses
from service.fit.order import Allowance, order, order_sentences
from service.fit.outlook import outlook
from service.fit.ranking import rank
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
from tests.service.fit.conftest import instrument

CHART = default_chart()
SIGNS = {
    "not asked": None,
    "all good": PlayingSigns(True, True, True, True, True),
    "wrist pressed": PlayingSigns(wrist_free=False),
    "wrist, rest good": PlayingSigns(False, True, True, True, True),
    "fingers strained": PlayingSigns(True, False, True, True, True),
    "two strings at once": PlayingSigns(bow_clear=False),
    "all bad but pain": PlayingSigns(False, False, False, False, True),
    "pain": PlayingSigns(painless=False),
}
MARGINS_MM = (-60, -20, -8, 0, 4, 25, 120)
WIDTHS_MM = (1.0, 8 / 1.96, 12.0)

CANNOT_BOTH_BE_TRUE = (
    (r"is too small for the child", r"is too large for the child"),
    (r"is too small for the child", r"Take a smaller"),
    (r"is too large for the child", r"Take a larger|It can be played|Try it, and watch"),
    (
        r"This instrument fits the child\.",
        r"Take a smaller|Take a larger|Stop playing|is slightly large|Try it, and watch",
    ),
    (r"It can be played", r"already too small"),
    (r"Take a smaller", r"Take a larger|It can be played|becomes too small|already too small"),
    (r"Take a larger", r"It can be played|begins to fit around|will not become too small"),
    (r"Stop playing", r"It can be played|Wanted: a violin|becomes too small|begins to fit|fits already"),
    (r"See to set-up|First settle", r"Wanted: a violin|becomes too small|begins to fit|fits already|Take a larger"),
    (r"No violin of the chart is small enough", r"Wanted: a violin|Take a smaller|Take a larger|becomes too small"),
    (r"Order nothing yet", r"Wanted: a violin"),
    (r"Measure once more", r"It can be played|Take a smaller|Take a larger|will not become too small"),
    (r"contradicts growth", r"already too small|becomes too small"),
    (r"all good", r"is pressed|cannot be placed without strain|elbow locks|pain or numbness\. Look"),
    (r"slightly larger one is right", r"Take a smaller|is too large for the child"),
)
"""Pairs of things said; whoever reads both would have to doubt one."""


def cases():
    for row, margin, u, seen in product(CHART.rows, MARGINS_MM, WIDTHS_MM, SIGNS):
        arm = row.arm_from_mm + margin
        if 230 <= arm <= 760:
            yield row, Length.stated(arm, u), seen


def sized(row):
    return instrument(row.body_length_mm, row.total_length_mm, 1.0, label=row.size, name="A")


@cache
def judged(row, arm: Length, seen: str):
    return judge(arm, sized(row), CHART, SIGNS[seen])


@cache
def wanted_instead(row, arm: Length, seen: str):
    return order(arm, CHART, Allowance(12.0), instead_of=judged(row, arm, seen))


def said(row, arm: Length, seen: str) -> list[str]:
    """Every sentence of every view of one judgement, as one family and teacher read them."""
    verdict = judged(row, arm, seen)
    texts = verdict_text(verdict, full=True).splitlines()
    if verdict.action not in PLAYED:
        texts += [each.text() for each in order_sentences(wanted_instead(row, arm, seen))]
    if 300 <= arm.value_mm <= 620:
        growth = predict([DatedArm(7.0, arm)], None, CHART, sized(row))
        texts += [each.text() for each in outlook(growth, date(2031, 3, 1), verdict)]
    return texts


@pytest.mark.parametrize("row", CHART.rows, ids=lambda row: row.size)
def test_no_pair_of_sentences_contradicts_itself(row):
    for other, arm, seen in cases():
        if other is not row:
            continue
        everything = "\n".join(said(row, arm, seen))
        for first, second in CANNOT_BOTH_BE_TRUE:
            assert not (re.search(first, everything) and re.search(second, everything)), (
                f"{row.size}, arm {arm.value_mm:.0f} mm, u {arm.standard_uncertainty_mm:.1f}, {seen}: "
                f"“{first}” and “{second}” in\n{everything}"
            )


def test_a_next_size_fits_already_only_where_a_verdict_says_so():
    for row, larger in pairwise(CHART.rows):
        for margin in (-2, 0, 2, 4, 8, 20):
            arm = Length.stated(larger.arm_from_mm + margin, 4.0)
            growth = predict([DatedArm(7.0, arm)], None, CHART, sized(row))
            text = " ".join(each.text() for each in outlook(growth, date(2031, 3, 1)))
            exact = instrument(larger.body_length_mm, larger.total_length_mm, 0.0)
            fits = judge(arm, exact, CHART).decision in (Decision.FITS, Decision.SMALL_OR_FITS)
            assert ("fits already" in text) == fits


def test_the_bar_never_stands_against_the_headline():
    """What the headline claims holds at its confidence in the very probabilities that the bar draws."""
    for row, arm, seen in cases():
        verdict = judged(row, arm, seen)
        p = verdict.probabilities
        if verdict.claim:
            assert p.of(verdict.claim) >= 0.95
        if verdict.action in PLAYED:
            assert p.too_large <= 0.025
            assert p.too_small < 0.95
        if verdict.action in (Action.SMALLER, Action.WAIT):
            # bad signs may ask for a smaller one where a stretch cannot be ruled out, never where it is claimed to fit
            assert verdict.claim != (Decision.FITS,)
        if verdict.action is Action.LARGER:
            assert p.too_small > 0.02
        assert headline(verdict).text()
        assert to_do(verdict).text()


def test_there_is_always_one_clear_thing_to_do():
    """And from a photo or a tape, to decide nothing at all is the exception."""
    actions = [
        judged(row, arm, seen).action
        for row, arm, seen in cases()
        if seen == "not asked" and arm.standard_uncertainty_mm < 10
    ]
    assert set(actions) >= {Action.TAKE, Action.TRY, Action.SMALLER, Action.LARGER, Action.MEASURE}
    assert sum(each is Action.MEASURE for each in actions) / len(actions) < 0.15


def test_an_order_names_what_is_to_be_taken_instead_and_never_what_was_just_refused():
    for row, arm, seen in cases():
        verdict = judged(row, arm, seen)
        if verdict.action not in (Action.SMALLER, Action.LARGER):
            continue
        wanted = wanted_instead(row, arm, seen)
        if wanted.body is None:
            continue
        assert verdict.instead is None or verdict.instead.size in wanted.sizes
        if verdict.action is Action.SMALLER:
            assert wanted.body.to_mm < row.body_length_mm
        else:
            assert wanted.body.from_mm > row.body_length_mm


GRID_MM = range(320, 621)
"""Arms at which every place is asked which size comes next, mm."""


def named_instead(arm: Length, losses: Losses = LOSSES) -> set[str]:
    """What the verdicts on an instrument of each size say to take instead."""
    choices = choose(arm, [sized(row) for row in CHART.rows], CHART, losses=losses)
    places = [choices.instead(place) for place in range(len(CHART.rows))]
    return {CHART.sizes[place] for place in places if place is not None}


@pytest.mark.parametrize("expanded_mm", [8, 14, 20])
def test_which_size_comes_next_has_one_answer_whatever_is_played_now(expanded_mm):
    """The verdicts on all sizes, and the order without any."""
    for mm in GRID_MM:
        arm = Length.stated(float(mm), expanded_mm / 1.96)
        named, wanted = named_instead(arm), order(arm, CHART)
        assert len(named) <= 1, mm
        assert named <= set(wanted.sizes), mm
        assert named or not wanted.decided, mm


@pytest.mark.parametrize("expanded_mm", [8, 14, 20])
def test_order_and_growth_lead_where_the_verdict_on_what_is_played_leads(expanded_mm):
    """Not only beyond an instrument that does not suit: an order beside one that does is for the same size as well."""
    for number, (mm, row) in enumerate(product(GRID_MM, CHART.rows)):
        if number % 11:
            continue
        arm = Length.stated(float(mm), expanded_mm / 1.96)
        verdict, alone = judged(row, arm, "not asked"), order(arm, CHART).sizes
        wanted = order(arm, CHART, instead_of=verdict)
        assert wanted.body is None or wanted.sizes == alone, (mm, row.size)
        if verdict.action is Action.LARGER and verdict.instead is not None:
            growth = predict([DatedArm(7.0, arm)], None, CHART, sized(row))
            assert growth.next_size == verdict.instead.size, (mm, row.size)


@pytest.mark.parametrize("mm", range(500, 530, 3))
def test_a_teacher_s_own_losses_move_verdict_order_and_growth_together(mm):
    arm, losses, eighth = Length.stated(float(mm), 4.0), Losses(small_per_mm=20.0), sized(CHART.rows[3])
    (named,) = named_instead(arm, losses)
    assert named in order(arm, CHART, losses=losses).sizes
    assert predict([DatedArm(7.0, arm)], None, CHART, eighth, losses=losses).next_size == named


def test_an_arm_of_512_is_given_a_half_with_an_outgrown_eighth_and_without():
    arm = Length.stated(512, 8 / 1.96)
    outgrown = judge(arm, eighth(), CHART)
    assert (outgrown.action, outgrown.instead.size) == (Action.LARGER, "1/2")
    assert "1/2" in order(arm, CHART, instead_of=outgrown).sizes
    assert "1/2" in order(arm, CHART).sizes
    assert predict([DatedArm(7.0, arm)], None, CHART, eighth()).next_size == "1/2"


@pytest.mark.parametrize("arm", [372.0, 410.0, 440.0, 468.0, 500.0, 556.0])
@pytest.mark.parametrize("seen", SIGNS)
def test_a_ranking_says_of_each_what_its_own_verdict_says(arm, seen):
    """And what is to be left never stands before what is to be taken."""
    sizes = [instrument(row.body_length_mm, row.total_length_mm, 1.0) for row in CHART.rows]
    place = min(range(8), key=lambda each: abs(CHART.rows[each].arm_from_mm + 15 - arm))
    signs = [SIGNS[seen] if each == place else None for each in range(8)]
    ranked = rank(Length.stated(arm, 4.0), sizes, CHART, signs=signs)
    played = [] if SIGNS[seen] is None else [(sizes[place], SIGNS[seen])]
    for each in ranked:
        others = [] if each.place == place else played
        alone = judge(Length.stated(arm, 4.0), each.instrument, CHART, signs[each.place], played=others)
        assert (each.decision, each.action) == (alone.decision, alone.action)
    wanted = [each.action in PLAYED for each in ranked]
    assert wanted == sorted(wanted, reverse=True)
    if SIGNS[seen] is not None and SIGNS[seen].strain:
        as_large = [each for each in ranked if sizes[each.place].body.value_mm >= sizes[place].body.value_mm]
        assert not any(each.action in PLAYED or each.action is Action.LARGER for each in as_large)


# The cases as they were met, in words of the trade.


def half(**more):
    return instrument(310, 512, 1.0, **more)


def eighth(**more):
    return instrument(255, 421, 1.0, **more)


def test_an_arm_of_500_against_a_half_gets_the_smaller_and_nothing_else():
    verdict = judge(Length.stated(500, 5 / 1.96), half(), CHART)
    assert verdict.decision is Decision.STRETCH_OR_LARGE
    assert verdict.action is Action.SMALLER
    assert verdict.instead.size == "1/4"
    assert "not decided" not in verdict_text(verdict, full=True)


def test_a_pressed_wrist_in_mid_band_is_not_blamed_on_the_size():
    verdict = judge(Length.stated(451, 2.5), eighth(), CHART, PlayingSigns(wrist_free=False))
    assert verdict.decision is Decision.FITS
    assert verdict.action is Action.SET_UP
    assert [each.cause.code for each in verdict.causes["wrist_free"]][-1] == "size"
    assert verdict.probabilities.fits > 0.99


def test_a_pressed_wrist_and_a_locked_elbow_at_the_edge_are_the_size():
    signs = PlayingSigns(wrist_free=False, elbow_bent=False)
    verdict = judge(Length.stated(424, 3), eighth(), CHART, signs)
    assert verdict.action is Action.SMALLER
    assert verdict.causes["elbow_bent"][0].cause.code == "size"


def test_good_signs_with_a_far_too_large_instrument_are_answered():
    """A small eighth of 240 / 405 for an arm of 372 that plays with ease."""
    verdict = judge(Length.stated(372, 4), instrument(240, 405, 1.0), CHART, SIGNS["all good"])
    assert verdict.action is Action.SMALLER
    assert "strain comes late" in verdict_text(verdict)


def test_even_odds_between_fits_and_stretch_are_no_slightly_large():
    verdict = judge(Length.stated(432.5, 4), eighth(), CHART)
    assert verdict.decision is Decision.FITS_OR_STRETCH
    assert "Sure of “fits or is slightly large”" in verdict_text(verdict)


def test_two_strings_at_once_look_to_bridge_and_bow_before_the_size():
    verdict = judge(Length.stated(450, 3), eighth(), CHART, PlayingSigns(bow_clear=False))
    assert [each.cause.code for each in verdict.causes["bow_clear"]] == ["bridge", "bow", "small"]
    small = judge(Length.stated(530, 3), eighth(), CHART, PlayingSigns(bow_clear=False))
    assert small.causes["bow_clear"][0].cause.code == "small"


def test_below_the_chart_there_is_a_way_out():
    verdict = judge(Length.stated(318, 4), instrument(192, 317, 1.0), CHART)
    assert verdict.action is Action.WAIT
    assert "wait, or ask the teacher" in to_do(verdict).text()


def test_a_true_total_length_is_no_surprise():
    """Small violins run longer for their body: what a body alone promised is kept when its total length comes."""
    arm = Length.stated(445, 4)
    by_body = judge(arm, InstrumentLengths(Length.stated(255, 1.0), None), CHART)
    for ratio in (0.585, 0.5975, 0.61):
        both = judge(arm, instrument(255, 255 / ratio, 1.0), CHART)
        difference = abs(both.margin.value_mm - by_body.margin.value_mm)
        assert difference < 2 * by_body.margin.standard_uncertainty_mm


def test_the_prior_is_named():
    assert "within 40 mm" in verdict_text(judge(Length.stated(450, 3), eighth(), CHART), full=True)
