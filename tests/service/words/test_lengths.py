"""What measured lengths, numbers and days are called."""

import time
from datetime import UTC, date, datetime

import pytest

from service.api.measurement_routes import ArmOut, InstrumentOut
from service.measuring.results import ARM_LENGTHS, INSTRUMENT_LENGTHS
from service.words.lengths import LENGTHS, captions
from service.words.writing import day_of, unbroken, written_day, written_mm, written_moment, written_number


def test_every_measured_length_has_a_name_and_a_place_in_the_interface() -> None:
    assert tuple(LENGTHS) == (*ARM_LENGTHS, *INSTRUMENT_LENGTHS)
    for answer, lengths in ((ArmOut, ARM_LENGTHS), (InstrumentOut, INSTRUMENT_LENGTHS)):
        assert {name for name in answer.model_fields if name in LENGTHS} == set(lengths)


@pytest.mark.parametrize(
    ("language", "day", "moment", "length", "number"),
    [
        # CLDR 47, by hand: dates of en-GB and de, decimal signs, groups of thousands.
        ("en", "1 May 2031", "1 May 2031, 14:05", "1,204.5\u00a0mm", "0.8"),
        # one piece within its line, however the words beside it run
        (
            "ar",
            "\u206701\u200f/05\u200f/2031\u2069",
            "\u206701\u200f/05\u200f/2031\u2069، \u20672:05 م\u2069",
            "1,204.5\u00a0مم",
            "0.8",
        ),
        ("de", "01.05.2031", "01.05.2031, 14:05", "1.204,5\u00a0mm", "0,8"),
        ("ja", "2031/05/01", "2031/05/01 14:05", "1,204.5\u00a0mm", "0.8"),
    ],
)
def test_days_and_numbers_are_written_as_the_reader_does(language, day, moment, length, number) -> None:
    assert written_day(date(2031, 5, 1), language) == day
    assert written_moment(datetime(2031, 5, 1, 14, 5, tzinfo=UTC), language) == moment
    assert written_mm(1204.5, language, 1) == length
    assert written_number(0.84, language, 1) == number


def test_days_and_times_are_those_of_where_the_service_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    evening = datetime(2031, 5, 11, 23, 30, tzinfo=UTC)
    try:
        for zone, day, moment in (
            ("UTC", date(2031, 5, 11), "11 May 2031, 23:30"),
            ("JST-9", date(2031, 5, 12), "12 May 2031, 08:30"),  # POSIX 8.3: nine hours east
            ("PST8", date(2031, 5, 11), "11 May 2031, 15:30"),
        ):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            assert day_of(evening) == day
            assert written_moment(evening, "en") == moment
            assert written_day(evening, "en") == moment.partition(",")[0]
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_number_keeps_its_unit() -> None:
    assert unbroken("from 12 mm to 13 mm, 95 % sure; 5 men") == "from 12\u00a0mm to 13\u00a0mm, 95\u00a0% sure; 5 men"
    assert unbroken("8 1/2 by 11 inches, a 1/8") == "8\u00a01/2 by 11 inches, a 1/8"
    assert unbroken("fits > 99%, a < b, too large < 1%") == "fits >\u00a099%, a < b, too large <\u00a01%"


def test_a_picture_has_the_decimal_sign_of_its_words() -> None:
    """CLDR 47: German and Polish have a comma; Polish letters are not in the picture's font."""
    assert (captions("de")["body_length"], captions("de")["point"]) == ("Korpus", ",")
    assert captions("pl") == {code: text for code, text in captions("en").items() if code != "point"}


def test_a_number_beside_others_has_all_its_decimals() -> None:
    assert [written_number(each, "de", 1, all_of_them=True) for each in (3.0, 5.24, 1402.0)] == [
        "3,0",
        "5,2",
        "1.402,0",
    ]
    assert written_number(3.0, "de", 1) == "3"
