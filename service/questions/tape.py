"""Whether a tape reading agrees with the photo."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import ConfigDict, Field

from service.measuring.results import OTHER_LENGTHS
from service.questions.asked import ArmLength, Question, Spelled, TapeLength, told

if TYPE_CHECKING:
    from service.fit.tape import TapeCheck


class TapeQuestion(Question):
    """A tape reading and the photo's lengths."""

    reading: Annotated[TapeLength, told("What the tape said, V±U in mm; a number alone is a careful reading.")]
    arm_length: Annotated[
        ArmLength, Field(description="The arm: V±U in mm, U the expanded (95%) uncertainty."), Spelled("--arm-mm")
    ]
    neck_to_wrist: Annotated[
        TapeLength | None, Field(description="Neck to wrist from the same photo, V±U in mm."), Spelled("--wrist-mm")
    ] = None
    neck_to_fingertip: Annotated[
        TapeLength | None,
        Field(description="Neck to fingertip from the same photo, V±U in mm."),
        Spelled("--fingertip-mm"),
    ] = None
    shoulder_to_palm: Annotated[
        TapeLength | None,
        Field(description="Shoulder to palm from the same photo, V±U in mm."),
        Spelled("--shoulder-mm"),
    ] = None
    spine_to_palm: Annotated[
        TapeLength | None, Field(description="Spine to palm from the same photo, V±U in mm."), Spelled("--spine-mm")
    ] = None

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"reading": "418±10", "arm_length": "455±8", "neck_to_wrist": "417±8"}]}
    )


def answer(question: TapeQuestion) -> TapeCheck:
    """Compare the reading with the photo's arm, and name the likely slip where they disagree."""
    from service.fit.tape import check_tape

    others = {name: found for name in OTHER_LENGTHS if (found := getattr(question, name)) is not None}
    return check_tape(question.reading, question.arm_length, others)
