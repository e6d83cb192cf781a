"""Growth told by the calendar, from the day of the last measurement on."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.decision import PLAYED, Action, Decision
from service.fit.growth import Crossing, DatedArm, Growth, predict
from service.fit.outlook import month_after, outlook
from service.fit.verdict import judge

DAY = date(2031, 3, 13)


def growth(outgrown: Crossing | None, next_fits: Crossing | None = None) -> Growth:
    return Growth((), 24.0, outgrown, "1/4", next_fits, (), False, next_body_mm=280.0)


def test_months_are_counted_from_the_measurement() -> None:
    lines = outlook(growth(Crossing(4, 8, 12), Crossing(None, 10.5, None)), DAY)
    assert [each.text() for each in lines] == [
        "This instrument becomes too small around November 2031 (July 2031 to March 2032).",
        "The next larger size, 1/4 with a body of about 280 mm, begins to fit around January 2032 (March 2031 or "
        "later).",
    ]


def test_an_instrument_under_a_wrong_label_is_not_mixed_up_with_the_next_size(chart) -> None:
    """Sold as an eighth, as long as a tenth, for an arm that an eighth fits too: both are told by their measures."""
    tenth = InstrumentLengths(Length.stated(235.0, 1.0), Length.stated(388.0, 1.5), label="1/8")
    arm = Length.stated(434.0, 3.0)
    verdict = judge(arm, tenth, chart)
    assert verdict.mislabelled
    assert verdict.action in PLAYED
    lines = [each.text() for each in outlook(predict([DatedArm(6.0, arm)], None, chart, tenth), DAY, verdict)]
    assert lines[1:] == [
        "Sold as 1/8, this instrument measures like a 1/10; the measures count here.",
        "The next larger size, 1/8 with a body of about 255 mm, begins to fit about now.",
    ]


@pytest.mark.parametrize(("likely", "words"), [(0, "too small about now"), (None, "will not become too small")])
def test_what_has_come_and_what_never_comes(likely: float | None, words: str) -> None:
    assert words in outlook(growth(Crossing(0, likely, None)), DAY)[0].text()


def test_only_what_is_known_is_said_to_be_so_already() -> None:
    now = Crossing(0, 0, 0)
    known = replace(growth(now, now), known=Decision.TOO_SMALL, next_known=Decision.FITS)
    assert [each.text() for each in outlook(known, DAY)] == [
        "This instrument is already too small.",
        "The next larger size, 1/4 with a body of about 280 mm, fits already.",
    ]


def test_it_is_said_from_when_an_instrument_that_is_too_large_fits(chart) -> None:
    eighth = InstrumentLengths(Length.stated(255.0, 1.0), Length.stated(421.0, 1.5))
    arm = Length.stated(410.0, 3.0)
    verdict = judge(arm, eighth, chart)
    assert verdict.action is Action.SMALLER
    (told,) = outlook(predict([DatedArm(6.0, arm)], None, chart, eighth), DAY, verdict)
    assert told.text() == "This instrument begins to fit around March 2032 (December 2031 to August 2032)."
    half = InstrumentLengths(Length.stated(310.0, 1.0), Length.stated(512.0, 1.5))
    (never,) = outlook(predict([DatedArm(6.0, arm)], None, chart, half), DAY, judge(arm, half, chart))
    assert never.text() == "This instrument will not fit within the next two years."


def test_an_instrument_that_is_to_be_replaced_by_a_larger_one_is_said_to_be_too_small(chart) -> None:
    sixteenth = InstrumentLengths(Length.stated(217.0, 1.0), Length.stated(359.0, 1.5))
    arm = Length.stated(450.0, 3.0)
    verdict = judge(arm, sixteenth, chart)
    assert verdict.action is Action.LARGER
    (told,) = outlook(predict([DatedArm(7.0, arm)], None, chart, sixteenth), DAY, verdict)
    assert told.text() == "This instrument is already too small."


@pytest.mark.parametrize(
    ("day", "months", "written"),
    [
        (date(2031, 1, 1), 0, "January 2031"),
        (date(2031, 1, 31), 1, "February 2031"),
        (date(2031, 12, 20), 0.5, "January 2032"),
        (date(2031, 6, 2), 30, "December 2033"),
    ],
)
def test_a_month_after_a_day(day: date, months: float, written: str) -> None:
    assert month_after(day, months).text("en") == written


def test_nothing_is_said_where_nothing_is_known() -> None:
    assert outlook(growth(None), DAY) == []
