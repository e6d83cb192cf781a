"""What to order for an arm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Self

from pydantic import ConfigDict, Field, model_validator

from service.fit.errors import FitError
from service.fit.sentences import say
from service.questions.asked import ArmLength, Spelled, WithChart, WithLosses, Years
from service.questions.comparing import PRESENT, PresentIn

if TYPE_CHECKING:
    from service.fit.order import Allowance, Order
    from service.fit.verdict import Verdict


class OrderQuestion(WithChart, WithLosses):
    """An arm, and what to allow for."""

    arm_length: Annotated[
        ArmLength, Field(description="The arm: V±U in mm, U the expanded (95%) uncertainty."), Spelled("--arm-mm")
    ]
    growth_mm: Annotated[
        float | None, Field(ge=0, le=100, allow_inf_nan=False, description="Growth of the arm to allow for, mm.")
    ] = None
    lasting_months: Annotated[
        int | None, Field(ge=1, le=60, description="Or: how many months it shall fit; needs the age.")
    ] = None
    age_years: Annotated[
        Years | None,
        Field(description="Age of the child in years, for the months it shall fit."),
        Spelled("--age"),
    ] = None
    stretch: Annotated[bool, Field(description="Allow a stretch below quarter size; the playing signs are good.")] = (
        False
    )

    present: Annotated[PresentIn | None, PRESENT] = None

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"arm_length": "450±6", "growth_mm": 12},
                {
                    "arm_length": "436±8",
                    "present": {"body_length": "262±2", "total_length": "433±3", "wrist_free": False},
                },
            ]
        }
    )

    @model_validator(mode="after")
    def _one_allowance(self) -> Self:
        if (self.lasting_months is None) != (self.age_years is None):
            raise FitError(say("The months it shall fit and the child's age go together: give both, or neither."))
        if self.lasting_months is not None and self.growth_mm is not None:
            raise FitError(say("Give either the growth to allow for or the months it shall fit."))
        return self


def answer(question: OrderQuestion) -> Order:
    """Limits of body and total length that any shop can check.

    Raises
    ------
    GrowthError
        If the age is outside of what the references of growth cover.
    """
    from service.fit.order import order

    return order(
        question.arm_length,
        question.sizes,
        _growth(question),
        question.stretch,
        losses=question.costs,
        instead_of=_present(question),
    )


def _growth(question: OrderQuestion) -> Allowance:
    """The growth to allow for; up to where the references end, where the months go on."""
    from service.fit.order import Allowance

    months, age = question.lasting_months, question.age_years
    if months is None or age is None:
        return Allowance(question.growth_mm or 0.0)
    from service.fit.growth import LAST_AGE, DatedArm, predict

    growth = predict([DatedArm(age, question.arm_length)], months=months)
    return Allowance(growth.grown_mm(months), months, LAST_AGE if growth.cut else None)


def _present(question: OrderQuestion) -> Verdict | None:
    """The instrument that is to be replaced, judged; None where nothing is known of one."""
    from service.fit.verdict import judge

    present = question.present
    if present is None:
        return None
    return judge(question.arm_length, present.lengths(), question.sizes, present.signs(), losses=question.costs)
