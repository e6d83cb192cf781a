"""Which child of a class gets which instrument of a shelf, and what remains to be ordered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import ConfigDict, FailFast, Field

from service.questions.asked import WithChart, WithLosses, told
from service.questions.comparing import Arms, Instrument

if TYPE_CHECKING:
    from service.fit.assigning import Loan

MOST_LENT = 500
"""Instruments to give out at once; our choice, as many as children: the time grows with the square of both."""


class AssignQuestion(WithChart, WithLosses):
    """The arms of a class and the instruments of a shelf."""

    arms: Arms
    instruments: Annotated[
        list[Instrument],
        FailFast(),
        Field(max_length=MOST_LENT),
        told("The shelf; none: what to order for each child."),
    ]

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "arms": {"P1": "452±6", "P2": "545±8"},
                    "instruments": [{"name": "A", "label": "1/8", "body_length": "255±2", "total_length": "421±3"}],
                }
            ]
        }
    )


def answer(question: AssignQuestion) -> tuple[Loan, ...]:
    """What each child gets: the assignment of least expected loss."""
    from service.fit.assigning import assign

    shelf, conditions = zip(*question.instruments, strict=True) if question.instruments else ((), ())
    return assign(question.arms, shelf, question.sizes, losses=question.costs, conditions=conditions)
