"""Which of these instruments suits an arm, and which of these children an instrument suits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, FailFast, Field, GetPydanticSchema, model_validator
from pydantic_core import core_schema

from service.fit.errors import FitError
from service.fit.sentences import say
from service.fit.signs import InstrumentCondition, PlayingSigns
from service.questions.asked import (
    LONGEST_NAME,
    ArmLength,
    BodyLength,
    Label,
    SignAnswers,
    Spelled,
    StringLength,
    TotalLength,
    WithChart,
    WithLosses,
    told,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from service.fit.assessment import InstrumentLengths
    from service.fit.ranking import Ranked
    from service.fit.verdict import Verdict

MOST_INSTRUMENTS = 5000
"""Instruments in one comparison; our choice, a large shop's shelf."""
MOST_CHILDREN = 500
"""Children in one list; our choice, a school."""


Name = Annotated[str, Field(max_length=LONGEST_NAME)]


class InstrumentIn(BaseModel):
    """What is measured on an instrument, and its state."""

    body_length: Annotated[BodyLength | None, told("V±U in mm; this or the total length is needed.")] = None
    total_length: Annotated[TotalLength | None, told("From the top of the scroll to the body's lower edge.")] = None
    string_length: Annotated[StringLength | None, told("From nut to bridge.")] = None
    label: Annotated[Label | None, told("The size it is sold as, e.g. 1/8.")] = None
    name: Annotated[str | None, told("What answers call it.")] = Field(default=None, max_length=LONGEST_NAME)
    pegs_hold: Annotated[bool | None, told("Whether the pegs fit and hold; null: not looked at.")] = None
    bridge_cut: Annotated[bool | None, told("Whether the bridge is low enough for small hands.")] = None
    strings_apart: Annotated[bool | None, told("Whether the bow catches no neighbouring string.")] = None
    whole: Annotated[bool | None, told("Whether nothing is cracked, open or missing.")] = None

    model_config = ConfigDict(
        extra="forbid",
        arbitrary_types_allowed=True,
        json_schema_extra={
            "examples": [{"name": "A", "label": "1/8", "body_length": "255±2", "total_length": "421±3"}]
        },
    )

    def lengths(self) -> InstrumentLengths:
        """Its lengths for the trade's rules.

        Raises
        ------
        LengthError
            If none is given, or they do not go together.
        """
        from service.fit.assessment import InstrumentLengths

        return InstrumentLengths(self.body_length, self.total_length, self.label, self.name, self.string_length)

    def condition(self) -> InstrumentCondition:
        """Its state for the trade's rules."""
        return InstrumentCondition(self.pegs_hold, self.bridge_cut, self.strings_apart, self.whole)


class PresentIn(InstrumentIn, SignAnswers):
    """The instrument that the child plays now, and what is seen while it does; its lengths are read when used."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"body_length": "262±2", "total_length": "433±3", "wrist_free": False}]}
    )

    @model_validator(mode="after")
    def _something_seen(self) -> Self:
        if self.signs() == PlayingSigns():
            raise FitError(say("Say what is seen while the child plays its present instrument: at least one answer."))
        return self


PRESENT = Field(description="The instrument that the child plays now, and what is seen while it does.")


def _read_instrument(value: Any, handler: Callable[[Any], InstrumentIn]) -> tuple[InstrumentLengths, Any]:
    if isinstance(value, tuple):  # as a shelf is read
        return value
    given = handler(value)
    return given.lengths(), given.condition()


if TYPE_CHECKING:
    Instrument = tuple[InstrumentLengths, InstrumentCondition]
else:  # what lengths are made with takes longer to load than every other part of a question
    Instrument = Annotated[
        tuple[Any, InstrumentCondition],
        GetPydanticSchema(
            lambda _, handler: core_schema.no_info_wrap_validator_function(
                _read_instrument, handler.generate_schema(InstrumentIn)
            )
        ),
    ]
"""An instrument's lengths and state; both, or JSON."""


class ComparisonQuestion(WithChart, WithLosses):
    """One arm and the instruments to rank for it."""

    arm_length: Annotated[
        ArmLength, Field(description="The arm: V±U in mm, U the expanded (95%) uncertainty."), Spelled("--arm-mm")
    ]
    instruments: Annotated[
        list[Instrument],
        FailFast(),
        Field(min_length=1, max_length=MOST_INSTRUMENTS),
        told("Those to rank, each with a name to know it by."),
    ]
    present: Annotated[PresentIn | None, PRESENT] = None
    first: Annotated[int, Field(ge=1, le=MOST_INSTRUMENTS, description="How many to name.")] = 10

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "arm_length": "450±6",
                    "instruments": [
                        {"name": "A", "label": "1/8", "body_length": "255±2", "total_length": "421±3"},
                        {"name": "B", "label": "1/8", "body_length": "246±2", "total_length": "406±3"},
                    ],
                }
            ]
        }
    )


Arms = Annotated[
    dict[Name, ArmLength],
    Field(min_length=1, max_length=MOST_CHILDREN),
    told("Each child's arm, V±U in mm, by a name or number that the answer repeats."),
]
"""The arms of a class."""


class ClassQuestion(WithChart, WithLosses):
    """One instrument and the arms of a class."""

    instrument: Annotated[Instrument, told("The one that is to be given out.")]
    arms: Arms
    first: Annotated[int, Field(ge=1, le=MOST_CHILDREN, description="How many to name.")] = MOST_CHILDREN

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "instrument": {"body_length": "255±2", "total_length": "421±3"},
                    "arms": {"P1": "440±8", "P2": "465±8"},
                }
            ]
        }
    )


def ranking(question: ComparisonQuestion) -> tuple[Ranked, ...]:
    """The first of the instruments in the order in which they suit the arm."""
    from service.fit.ranking import rank

    lengths, conditions = zip(*question.instruments, strict=True)
    played = () if question.present is None else ((question.present.lengths(), question.present.signs()),)
    ranked = rank(question.arm_length, lengths, question.sizes, conditions, losses=question.costs, played=played)
    return ranked[: question.first]


def class_verdicts(question: ClassQuestion) -> dict[str, Verdict]:
    """A verdict for each child, those whom the instrument suits best first."""
    from service.fit.ranking import judge_class

    lengths, condition = question.instrument
    found = judge_class(question.arms, lengths, question.sizes, losses=question.costs, condition=condition)
    return dict(list(found.items())[: question.first])
