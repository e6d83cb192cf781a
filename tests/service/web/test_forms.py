"""Forms as typed values: what is mistyped is said, what no page of ours could send counts as not said."""

from __future__ import annotations

import pytest
from pydantic import ValidationError
from starlette.datastructures import FormData

from service.settings import MOST_LINK_DAYS, MOST_PHOTO_DAYS
from service.web.forms.models import (
    LONGEST_NICKNAME,
    ChildForm,
    ConsentForm,
    PointsForm,
    RequestForm,
    SheetForm,
    StudioForm,
    answers,
)


@pytest.mark.parametrize("odd", ["13", "0", "-1", "²", "٣", "1e2", "1" * 400, "ten", ""])
def test_odd_numbers_count_as_not_said(odd: str) -> None:
    assert ChildForm.read(FormData({"nickname": "Mo", "birth_month": odd})).birth_month is None
    assert ChildForm.read(FormData({"birth_month": "12"})).birth_month == 12


def test_long_words_are_cut_and_trimmed() -> None:
    assert ChildForm.read(FormData({"nickname": "  " + "M" * 99})).nickname == "M" * LONGEST_NICKNAME
    assert ChildForm.read(FormData({"sex": "other"})).sex is None


def test_days_stay_within_what_the_settings_allow() -> None:
    assert RequestForm.read(FormData({"days": "999"})).days == MOST_LINK_DAYS
    assert RequestForm.read(FormData({"days": "0"})).days is None
    assert StudioForm.read(FormData({"photo_days": str(MOST_PHOTO_DAYS)})).photo_days == MOST_PHOTO_DAYS
    assert StudioForm.read(FormData({"photo_days": str(MOST_PHOTO_DAYS + 1)})).photo_days is None
    assert RequestForm.read(FormData({"language": "xx", "arm": "on"})).language is None


def test_only_a_yes_is_consent() -> None:
    said = [ConsentForm.read(FormData({"adult": text})).adult for text in ("yes", "true", "no", "")]
    assert said == [True, False, False, False]


@pytest.mark.parametrize(
    ("typed", "bar_mm"),
    [
        ("149,5 mm", 149.5),
        ("149.5", 149.5),
        (" 150MM ", 150.0),
        ("278,5", 278.5),
        ("263.4 mm", 263.4),
        ("149½ mm.", 149.5),
        ("١٤٩٫٥ مم", 149.5),  # as Arabic and Japanese phones write it
        ("１４９．５㎜", 149.5),
        ("", None),
    ],
)
def test_the_bar_is_read_as_people_write_it(typed: str, bar_mm: float | None) -> None:
    assert SheetForm.read(FormData({"bar_mm": typed})).bar_mm == bar_mm


@pytest.mark.parametrize(
    "typed", ["15", "15 cm", "5 7/8 in", "150 ells", "177", "210", "320", "nan", "inf", "1e999", "long"]
)
def test_what_cannot_be_the_bar_is_said(typed: str) -> None:
    with pytest.raises(ValidationError):
        SheetForm.read(FormData({"bar_mm": typed}))


@pytest.mark.parametrize(
    "points", ["", "[]", "null", '{"a": [1]}', '{"a": [1e308, 1]}', '{"a": [NaN, 1]}', '{"a": "b"}', "[" * 5000]
)
def test_points_that_are_none_are_refused(points: str) -> None:
    with pytest.raises(ValidationError):
        PointsForm.read(FormData({"points": points}))


def test_points_are_places_in_pixels() -> None:
    assert PointsForm.read(FormData({"points": '{"wrist": [1, 2.5]}'})).points == {"wrist": (1.0, 2.5)}
    assert PointsForm.read(FormData({"points": "{}"})).points == {}
    with pytest.raises(ValidationError):
        PointsForm.read(FormData({"points": "{" + ",".join(f'"{n}": [1, 2]' for n in range(41)) + "}"}))


def test_questions_are_answered_yes_no_or_not() -> None:
    form = FormData({"a": "yes", "b": "no", "c": "perhaps"})
    assert answers(form, ("a", "b", "c", "d")) == {"a": True, "b": False, "c": None, "d": None}
