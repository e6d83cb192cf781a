"""How the arm will grow, and when the present instrument is outgrown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from service.questions.asked import ArmLength, WithChart, WithLosses, Years, told
from service.questions.comparing import Instrument

if TYPE_CHECKING:
    from service.fit.growth import Growth


class ArmAtAge(BaseModel):
    """One dated measurement."""

    age_years: Annotated[Years, told("Age of the child on that day, e.g. 6.5.")]
    arm_length: Annotated[ArmLength, told("V±U in mm, U the expanded (95 %) uncertainty.")]

    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True)


class GrowthQuestion(WithChart, WithLosses):
    """Measurements of one child, and the present instrument."""

    measurements: Annotated[list[ArmAtAge], Field(max_length=100), told("At least one, in any order.")]
    sex: Annotated[
        Literal["girl", "boy"] | None, Field(description="Whether the child is a girl or a boy, if known.")
    ] = None
    instrument: Annotated[Instrument | None, told("The present one; the answer says when it is outgrown.")] = None
    months: Annotated[int, Field(ge=1, le=60, description="How many months to look ahead.")] = 24

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "measurements": [
                        {"age_years": 6.0, "arm_length": "438±10"},
                        {"age_years": 6.5, "arm_length": "449±8"},
                    ],
                    "instrument": {"body_length": "255±2", "total_length": "421±3"},
                }
            ]
        }
    )


def answer(question: GrowthQuestion) -> Growth:
    """The arm over the coming months, when the present instrument is outgrown, and measurements that look wrong.

    Raises
    ------
    GrowthError
        If there is no measurement, or an age is outside of what the references of growth cover.
    """
    from service.fit.growth import DatedArm, predict

    history = [DatedArm(each.age_years, each.arm_length) for each in question.measurements]
    instrument = question.instrument[0] if question.instrument is not None else None
    return predict(history, question.sex, question.sizes, instrument, question.months, question.costs)
