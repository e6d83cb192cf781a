"""What to order."""

from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart import default_chart
from service.fit.decision import Decision
from service.fit.lengths import TAPE_INSTRUMENT_U_MM
from service.fit.order import drawing_svg, order, order_sentences
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
from service.words.i18n import translator


@given(st.floats(360, 600), st.floats(0.5, 3), st.floats(0, 1), st.floats(0, 1))
def test_whatever_is_inside_the_limits_fits(arm, u, share_body, share_total):
    """Any corner of the limits, neck short or long, is called a fit when measured by a shop's tape."""
    chart = default_chart()
    wanted = order(Length.stated(arm, u), chart)
    if not wanted.decided:
        return
    body = wanted.body.from_mm + share_body * (wanted.body.to_mm - wanted.body.from_mm)
    total = wanted.total.from_mm + share_total * (wanted.total.to_mm - wanted.total.from_mm)
    one = InstrumentLengths(Length.stated(body, TAPE_INSTRUMENT_U_MM), Length.stated(total, TAPE_INSTRUMENT_U_MM))
    p = judge(Length.stated(arm, u), one, chart).probabilities
    assert p.fits > 0.94
    assert p.stretch + p.too_large < 0.03


@given(st.floats(360, 600), st.floats(0.5, 3))
def test_just_outside_the_limits_nothing_is_called_a_fit(arm, u):
    chart = default_chart()
    wanted = order(Length.stated(arm, u), chart)
    if not wanted.decided or wanted.body.to_mm > 355:
        return
    for step, limits in (
        (-0.6, (wanted.body.from_mm, wanted.total.from_mm)),
        (0.6, (wanted.body.to_mm, wanted.total.to_mm)),
    ):
        one = InstrumentLengths(*(Length.stated(each + step, TAPE_INSTRUMENT_U_MM) for each in limits))
        assert judge(Length.stated(arm, u), one, chart).decision is not Decision.FITS


def test_a_growth_allowance_asks_for_a_longer_instrument(chart):
    arm = Length.stated(450, 3)
    now, later = order(arm, chart), order(arm, chart, growth_mm=12)
    assert later.growth_kept
    assert later.body.from_mm > now.body.from_mm
    assert later.body.to_mm == now.body.to_mm
    too_much = order(arm, chart, growth_mm=60)
    assert not too_much.growth_kept
    assert too_much.body == now.body
    assert "after that much growth" in order_sentences(too_much)[1].text()


def test_a_stretch_is_ordered_only_when_asked_for_and_only_below_quarter_size(chart):
    arm = Length.stated(450, 2)
    plain, stretched = order(arm, chart), order(arm, chart, stretch=True)
    assert stretched.body.to_mm > plain.body.to_mm
    one = InstrumentLengths(Length.stated(stretched.body.to_mm, 2), Length.stated(stretched.total.to_mm, 2))
    assert judge(arm, one, chart, PlayingSigns(True, True, True, True, True)).decision is Decision.STRETCH
    long_arm = Length.stated(535, 2)
    assert order(long_arm, chart, stretch=True).body == order(long_arm, chart).body


def test_an_arm_not_known_well_enough_is_said_to_be_so(chart):
    wanted = order(Length.stated(450, 15), chart)
    assert not wanted.decided
    assert "not known well enough" in order_sentences(wanted)[1].text()
    assert wanted.body.from_mm < 255 < wanted.body.to_mm


@pytest.mark.parametrize(
    ("arm", "beyond", "words"), [(300, "smaller", "shorter than the chart's smallest"), (590, None, "Wanted")]
)
def test_the_ends_of_the_chart(chart, arm, beyond, words):
    wanted = order(Length.stated(arm, 2), chart)
    assert wanted.beyond == beyond
    assert wanted.decided is (beyond is None)
    assert words in " ".join(each.text() for each in order_sentences(wanted))


def test_the_sizes_inside_the_limits_are_named(chart):
    assert order(Length.stated(490, 3), chart).sizes == ("1/4",)
    assert order(Length.stated(620, 3), chart).sizes[-1] == "4/4"


def test_the_drawing_is_svg_with_its_words(chart):
    for language, words in (("en", "Body length"), ("de", "Korpuslänge")):
        drawing = drawing_svg(translator(language), language)
        texts = [element.text for element in ElementTree.fromstring(drawing).iter() if element.text]
        assert any(words in text for text in texts)
