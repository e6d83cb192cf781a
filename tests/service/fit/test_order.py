"""What to order."""

from dataclasses import replace
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart_table import default_chart, read_chart
from service.fit.decision import Action
from service.fit.lengths import TAPE_INSTRUMENT_U_MM
from service.fit.order import Allowance, order, order_sentences
from service.fit.order_drawing import drawing_svg
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
from service.words.i18n import translator
from tests.service.fit.conftest import instrument


@settings(max_examples=40)
@given(st.floats(345, 600), st.floats(0.5, 8), st.floats(0, 1), st.floats(0, 1))
def test_whatever_is_inside_the_limits_may_be_taken_or_tried(arm, u, share_body, share_total):
    """Any corner of the limits, neck short or long, measured by a shop's tape, but for the room around the sizes."""
    chart = default_chart()
    wanted = order(Length.stated(arm, u), chart)
    if not wanted.decided or wanted.body is None or abs(share_body - share_total) > 0.5:
        return
    body = wanted.body.from_mm + share_body * (wanted.body.to_mm - wanted.body.from_mm)
    total = wanted.total.from_mm + share_total * (wanted.total.to_mm - wanted.total.from_mm)
    one = InstrumentLengths(Length.stated(body, TAPE_INSTRUMENT_U_MM), Length.stated(total, TAPE_INSTRUMENT_U_MM))
    verdict = judge(Length.stated(arm, u), one, chart)
    assert verdict.probabilities.too_large <= 0.06
    assert verdict.margin.value_mm > -5 - 2 * u


@settings(max_examples=40)
@given(st.floats(340, 600), st.sampled_from([8 / 1.96, 14 / 1.96]))
def test_the_limits_hold_the_size_that_a_dealer_has(arm, u):
    """From a photo or a tape: the trade's own size, wherever one is to be taken or tried."""
    chart = default_chart()
    wanted = order(Length.stated(arm, u), chart)
    assert wanted.body is not None
    assert any(row.size in wanted.sizes for row in chart.rows)
    for row in chart.rows:
        if row.size in wanted.sizes:
            assert wanted.body.from_mm <= row.body_length_mm <= wanted.body.to_mm
            assert wanted.total.from_mm <= row.total_length_mm <= wanted.total.to_mm


def test_a_refused_instrument_is_not_ordered_again(chart):
    """Too large by its signs or by its lengths: nothing as large as that is in the order."""
    for arm, signs in ((Length.stated(436, 4), PlayingSigns(False, False, None, False)), (Length.stated(424, 2), None)):
        refused = judge(arm, instrument(262, 433), chart, signs)
        assert refused.action is Action.SMALLER
        wanted = order(arm, chart, Allowance(12.0), instead_of=refused)
        assert wanted.body is not None
        assert wanted.body.to_mm < 262
        assert wanted.sizes[-1] == refused.instead.size


def test_nothing_is_ordered_before_pain_is_settled(chart):
    arm = Length.stated(450, 3)
    hurt = judge(arm, instrument(255, 421), chart, PlayingSigns(painless=False))
    wanted = order(arm, chart, instead_of=hurt)
    assert wanted.body is None
    assert "first settle" in wanted.as_json()["message"][0]


def test_a_growth_allowance_asks_for_a_longer_instrument(chart):
    arm = Length.stated(450, 3)
    now, later = order(arm, chart), order(arm, chart, Allowance(12.0))
    assert later.growth_kept
    assert later.body.from_mm > now.body.from_mm
    assert later.body.to_mm == now.body.to_mm
    assert [each.text() for each in order_sentences(later)][1] == "Growth allowed for: 12 mm of arm."
    too_much = order(arm, chart, Allowance(60.0))
    assert not too_much.growth_kept
    assert too_much.body == now.body
    assert "outgrown once the arm has grown by" in order_sentences(too_much)[1].text()


def test_a_bow_and_a_label_go_with_the_order(chart):
    wanted = order(Length.stated(450, 3), chart).as_json()
    assert wanted["bow_length_mm"] == pytest.approx(495, abs=10)
    assert wanted["label"].startswith("Violin, body 2")


def test_a_stretch_is_ordered_only_when_asked_for_and_only_below_quarter_size(chart):
    arm = Length.stated(450, 2)
    plain, stretched = order(arm, chart), order(arm, chart, stretch=True)
    assert stretched.body.to_mm > plain.body.to_mm
    one = InstrumentLengths(Length.stated(stretched.body.to_mm, 2), Length.stated(stretched.total.to_mm, 2))
    assert judge(arm, one, chart, PlayingSigns(True, True, True, True, True)).action is Action.TAKE
    long_arm = Length.stated(535, 2)
    assert order(long_arm, chart, stretch=True).body == order(long_arm, chart).body


def test_an_arm_not_known_well_enough_is_said_to_be_so(chart):
    wanted = order(Length.stated(450, 30), chart)
    if not wanted.decided:
        assert "not known well enough" in order_sentences(wanted)[1].text()


def test_below_the_chart_nothing_is_ordered(chart):
    """An arm of 320 mm: no violin of the chart is small enough, so no limits, and a way out instead."""
    wanted = order(Length.stated(320, 4), chart)
    assert wanted.body is None
    assert wanted.beyond == "smaller"
    assert "wait some months" in order_sentences(wanted)[0].text()
    assert wanted.as_json()["body_length"] is None


def test_the_sizes_inside_the_limits_are_named(chart):
    assert order(Length.stated(490, 3), chart).sizes == ("1/4",)
    assert order(Length.stated(620, 3), chart).sizes[-1] == "4/4"


def test_the_drawing_is_svg_with_its_words(chart):
    for language, words in (("en", "Body length"), ("de", "Korpuslänge")):
        drawing = drawing_svg(translator(language), language)
        texts = [element.text for element in ElementTree.fromstring(drawing).iter() if element.text]
        assert any(words in text for text in texts)


@pytest.mark.parametrize("arm_mm", range(340, 601, 26))
@pytest.mark.parametrize("label", [row.size for row in default_chart().rows])
@pytest.mark.parametrize("u", [4.0, 11.5])
def test_an_order_holds_the_size_that_was_said_to_be_taken_instead(arm_mm: int, label: str, u: float) -> None:
    """At all sizes, known well or badly, with and without room to grow."""
    chart = default_chart()
    row = next(row for row in chart.rows if row.size == label)
    lengths = InstrumentLengths(Length.stated(row.body_length_mm, 1.0), Length.stated(row.total_length_mm, 1.5))
    verdict = judge(Length.stated(float(arm_mm), u), lengths, chart)
    if verdict.action in (Action.SMALLER, Action.LARGER) and verdict.instead is not None:
        for growth_mm in (0.0, 12.0):
            assert verdict.instead.size in order(verdict.arm, chart, Allowance(growth_mm), instead_of=verdict).sizes


@pytest.mark.parametrize("arm_mm", [430, 450, 470, 500])
def test_after_strain_nothing_longer_than_the_named_size_is_ordered_and_that_one_is(chart, arm_mm: int) -> None:
    for row in chart.rows[3:-1]:
        played = instrument(row.body_length_mm, row.total_length_mm)
        signs = PlayingSigns(wrist_free=False, fingers_easy=False)
        verdict = judge(Length.stated(float(arm_mm), 4.0), played, chart, signs)
        if verdict.action is not Action.SMALLER or verdict.instead is None:
            continue
        wanted = order(verdict.arm, chart, instead_of=verdict)
        named = chart.rows[chart.sizes.index(verdict.instead.size)]
        assert named.size in wanted.sizes
        assert wanted.body.from_mm <= named.body_length_mm <= wanted.body.to_mm < row.body_length_mm
        return
    pytest.fail("no size was to be replaced by a smaller one")


def test_a_size_named_between_two_by_a_poor_reading_is_ordered_as_a_guess(chart):
    """An arm of 515 give or take 14 between a quarter and a half: the half is named, the order waits for a reading."""
    verdict = judge(Length.stated(515, 14 / 1.96), instrument(335, 553, 1.0), chart)
    assert (verdict.action, verdict.instead.size) == (Action.SMALLER, "1/2")
    wanted = order(verdict.arm, chart, instead_of=verdict)
    assert "1/2" in wanted.sizes
    assert not wanted.decided
    assert "these limits are a first guess" in order_sentences(wanted)[1].text()
    assert wanted.body.from_mm <= 310 <= wanted.body.to_mm < 335


@pytest.mark.parametrize(
    ("arm", "u", "shop_u", "open_by", "words"),
    [
        (519, 10, 2.0, "arm", "the arm is not known well enough"),
        (325, 1, 2.0, "playing", "shows only while the child plays"),
        (563, 2, 5.0, "instrument", "the lengths have to be measured more exactly"),
    ],
)
def test_a_first_guess_names_what_is_open_as_the_verdict_on_such_an_instrument_does(
    chart, arm, u, shop_u, open_by, words
):
    """An arm that is known to a millimetre is not what an order waits for."""
    wanted = order(Length.stated(arm, u), chart, shop_u_mm=shop_u)
    assert not wanted.decided
    assert wanted.open_by == wanted.as_json()["open_by"] == open_by
    assert words in order_sentences(wanted)[1].text()
    row = chart.rows[chart.sizes.index(wanted.sizes[0])]
    own = instrument(row.body_length_mm, row.total_length_mm)
    measured = replace(
        own,
        body=Length.stated(own.body.value_mm, shop_u),
        total=Length.stated(own.total.value_mm, shop_u),
    )
    verdict = judge(Length.stated(arm, u), measured, chart)
    if open_by == "playing":
        assert verdict.action is Action.ASK_SIGNS
    else:
        assert verdict.action is Action.MEASURE
        assert (verdict.steps[0].step.arm_u_mm is None) == (open_by == "instrument")


def test_every_order_that_is_no_guess_is_open_by_nothing(chart):
    for mm in range(320, 700, 3):
        for u in (1.0, 4.0, 10.0):
            wanted = order(Length.stated(mm, u), chart)
            is_guess = wanted.body is not None and not wanted.decided and wanted.beyond is None
            assert (wanted.open_by is not None) == is_guess


@pytest.mark.parametrize("arm", [525, 560, 600, 700])
def test_above_a_chart_that_ends_nothing_is_ordered(arm):
    """A chart of two sizes up to arms of 510 mm: whatever it has is too small, and the arm is known well enough."""
    small = read_chart(
        "size,arm_from,arm_to,body_length,total_length\n1/8,432,470,255,421\n1/4,470,510,280,463\n", "own"
    )
    assert order(Length.stated(514, 2), small).sizes == ("1/4",)
    wanted = order(Length.stated(arm, 2), small)
    assert (wanted.body, wanted.beyond) == (None, "larger")
    (said,) = order_sentences(wanted)
    assert "longer than the chart's largest size" in said.text()


def test_at_the_chart_s_first_arm_something_is_ordered(chart):
    """Where the first size begins to fit there is one to take or try, and nobody is told to wait."""
    first = chart.arms_from_mm[0]
    assert order(Length.stated(first + 6, 2), chart).sizes == ("1/32",)
    below = [order(Length.stated(first - step, 2), chart) for step in (1, 4, 12)]
    assert [each.body is None for each in below] == [each.beyond == "smaller" for each in below]
    assert below[-1].body is None
    large = [order(Length.stated(arm, 30), chart) for arm in (345, 362, 399)]  # hardly known, but not below the chart
    assert all(each.body is not None for each in large)
