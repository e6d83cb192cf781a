"""What is asked: one model for command line, HTTP and pages."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import click
import pytest

from calibration.quantity import Length
from service.cli.measuring_commands import fit
from service.fit.errors import FitError
from service.fit.signs import SIGN_QUESTIONS, PlayingSigns
from service.questions.asked import BAR_PLAUSIBLE_MM, Question, Signs, asked
from service.questions.comparing import InstrumentIn
from service.questions.fitting import FitQuestion
from service.questions.growing import GrowthQuestion
from service.questions.ordering import OrderQuestion
from service.settings import Settings
from service.web.app import create_app

MEASURED = {"value_mm": 450, "standard_uncertainty_mm": 3}


def test_the_signs_asked_are_the_signs_judged() -> None:
    own = [name for name in Signs.model_fields if name not in Question.model_fields]
    assert own == [each.name for each in fields(PlayingSigns)] == list(SIGN_QUESTIONS)
    answers = {name: number % 2 == 0 for number, name in enumerate(own)}
    assert asked(Signs, **answers).signs() == PlayingSigns(**answers)


def test_an_instrument_keeps_every_length_and_answer() -> None:
    given = InstrumentIn.model_validate(
        {"body_length": "255±2", "total_length": "421", "string_length": "235", "label": "1/8", "pegs_hold": False}
    )
    lengths = given.lengths()
    found = [length.value_mm if length else None for length in (lengths.body, lengths.total, lengths.string_length)]
    assert found == [255, 421, 235]
    assert (lengths.label, lengths.name, given.condition().pegs_hold) == ("1/8", None, False)


def test_a_label_is_read_without_the_space_around_it() -> None:
    assert asked(FitQuestion, arm_length="450", body_length="255", label=" 1/8 ").label == "1/8"


@pytest.mark.parametrize(
    "given",
    [
        "450±5.88",  # 5.88 mm is 1.96 times 3 mm (JCGM 100:2008, 6.2)
        MEASURED,
        MEASURED | {"budget": [{"source": "depth", "contribution_mm": 3}]},
        Length.stated(450, 3),
    ],
)
def test_a_length_is_typed_measured_or_given(given: object) -> None:
    arm = asked(OrderQuestion, arm_length=given).arm_length
    assert arm.value_mm == 450
    assert arm.standard_uncertainty_mm == pytest.approx(3, abs=0.001)


@pytest.mark.parametrize(
    "given",
    [
        "450±235.2",  # 1.96 times 120 mm
        MEASURED | {"standard_uncertainty_mm": 120},
        MEASURED | {"budget": [{"source": "depth", "contribution_mm": 120}]},
    ],
)
def test_an_uncertainty_that_is_a_slip_is_refused_however_it_is_given(given: object) -> None:
    with pytest.raises(FitError, match="more than half of 450 mm"):
        asked(OrderQuestion, arm_length=given)


@pytest.mark.parametrize("given", [450, 450.0, 450.125])
def test_a_plain_number_is_a_length_in_mm(given: float) -> None:
    arm = asked(OrderQuestion, arm_length=given).arm_length
    assert arm.value_mm == given
    assert arm.standard_uncertainty_mm == asked(OrderQuestion, arm_length="450").arm_length.standard_uncertainty_mm


@pytest.mark.parametrize(
    ("question", "typed", "said"),
    [
        (OrderQuestion, {"arm_length": 45}, "Did you mean 45 cm?"),
        (OrderQuestion, {"arm_length": "45"}, "Did you mean 45 cm?"),
        (OrderQuestion, {"arm_length": Length.stated(4500, 1)}, "cannot be the length of an arm"),
        (OrderQuestion, {"arm_length": "450", "age_years": 6.0}, "go together"),
        (FitQuestion, {"arm_length": "450", "body_length": "250", "age": 7}, "age"),
        (FitQuestion, {"arm_length": "450", "body_length": "250", "bar_mm": 15}, "bar_mm"),
        (FitQuestion, {"arm_length": "450", "instrument_photos": ((b"1", "a"), (b"1", "b"))}, "a and b are the same"),
        (GrowthQuestion, {"measurements": [{"age_years": 6, "arm_length": "44"}]}, "Did you mean 44 cm?"),
    ],
)
def test_the_first_fault_is_a_sentence(question: type[Question], typed: dict[str, object], said: str) -> None:
    with pytest.raises(FitError) as fault:
        asked(question, **typed)
    assert said in str(fault.value)


def test_limits_are_the_same_on_the_command_line_and_over_http(tmp_path: Path) -> None:
    description = create_app(Settings(data_folder=tmp_path)).openapi()["components"]["schemas"]["FitForm"]["properties"]
    options = {each.name: each for each in fit.params}
    for name, low, high in (("age_years", 2, 20), ("stature_mm", 600, 2200), ("bar_mm", *BAR_PLAUSIBLE_MM)):
        (number,) = (each for each in description[name]["anyOf"] if each["type"] == "number")
        assert (number["minimum"], number["maximum"]) == (low, high)
        kind = options[name].type
        assert isinstance(kind, click.FloatRange)
        assert (kind.min, kind.max) == (low, high)
    for name in SIGN_QUESTIONS:
        assert getattr(options[name], "help", None) == description[name]["description"]
