"""Growth told by the calendar, from the day of the last measurement on."""

from __future__ import annotations

from datetime import date

import pytest

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.decision import PLAYED
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
        "The next larger size, 1/4 with a body of about 280 mm, begins to fit around January 2032 (March 2031 to "
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
        "The next larger size, 1/8 with a body of about 255 mm, fits already.",
    ]


@pytest.mark.parametrize(("likely", "words"), [(0, "already too small"), (None, "will not become too small")])
def test_what_has_come_and_what_never_comes(likely: float | None, words: str) -> None:
    assert words in outlook(growth(Crossing(0, likely, None)), DAY)[0].text()


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
