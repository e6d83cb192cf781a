"""What goes in and out where the shelf is asked for over HTTP."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from service.api.measurement_routes import LengthOut
from service.api.verdict_models import ClassesOut, ReasonOut
from service.fit.counter import Heap
from service.fit.decision import Action, Decision
from service.questions.asked import LONGEST_LABEL, ArmLength, Question, Signs
from service.questions.comparing import InstrumentIn
from service.records import stock
from service.records.shelf import LONGEST_REMARK, LONGEST_SHELF_NAME

Line = Annotated[str, StringConstraints(strip_whitespace=True, pattern=r"^[^\x00-\x1f\x7f]*$")]
"""Words in one line, as a table's cell keeps them: without space around them; control characters are no letters, and
PostgreSQL keeps no zero."""
MOST_SHOWN = 100
"""Instruments that one answer judges in whole; our choice, more than anybody tries."""


class ShelfIn(InstrumentIn):
    """An instrument as it is to stand on the shelf."""

    name: Line = Field(min_length=1, max_length=LONGEST_SHELF_NAME, description="Name or shelf number.")
    label: Line | None = Field(default=None, max_length=LONGEST_LABEL, description="The size it is sold as, e.g. 1/8.")
    remarks: Line = Field(default="", max_length=LONGEST_REMARK, description="Whatever else there is to say of it.")

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"name": "Shelf 12", "label": "1/8", "body_length": "255±2", "total_length": "421±3"}]
        }
    )


class LoanIn(BaseModel):
    """To whom an instrument goes, and until when."""

    borrower: Line = Field(min_length=1, max_length=LONGEST_SHELF_NAME, description="A number of yours, or a name.")
    due_on: date | None = Field(default=None, description="The day on which it is to be back.")

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"borrower": "Loan 118"}]})


class LoanOut(BaseModel):
    """Where an instrument is that is lent out."""

    borrower: str
    lent_on: date
    due_on: date | None
    returned_on: date | None


class ShelfOut(BaseModel):
    """An instrument of the shelf."""

    id: str
    name: str
    label: str | None
    body_length: LengthOut | None
    total_length: LengthOut | None
    string_length: LengthOut | None
    pegs_hold: bool | None
    bridge_cut: bool | None
    strings_apart: bool | None
    whole: bool | None = Field(description="Whether nothing is cracked, open or missing.")
    remarks: str
    measured_on: date
    measured_by: Literal["photo", "corrected", "typed"]
    loan: LoanOut | None = Field(description="Null while it is not lent out.")
    in_use: bool = Field(description="Whether a child of the studio plays it; then it is offered to nobody else.")


class ShelfPage(BaseModel):
    """A page of the shelf, by name."""

    items: list[ShelfOut]
    next_cursor: str | None = Field(description="Null on the last page.")


class ArmOnShelf(Question):
    """An arm that is held against the shelf."""

    arm_length: Annotated[ArmLength, Field(description="The arm: V±U in mm, U the expanded (95 %) uncertainty.")]
    lent: Annotated[bool, Field(description="Also what somebody has just now.")] = False
    first: Annotated[int, Field(ge=1, le=MOST_SHOWN, description="How many to name.")] = 20

    model_config = ConfigDict(json_schema_extra={"examples": [{"arm_length": "450±6"}]})


class ArmOnOne(Signs):
    """An arm that is held against one instrument, and what was seen while it was played."""

    arm_length: Annotated[ArmLength, Field(description="The arm: V±U in mm, U the expanded (95 %) uncertainty.")]

    model_config = ConfigDict(json_schema_extra={"examples": [{"arm_length": "450±6", "wrist_free": True}]})


class OnCounterOut(BaseModel):
    """One instrument against the arm."""

    heap: Heap = Field(description="Suits, a stretch, too large, too small, or not yet clear.")
    instrument: ShelfOut
    nearest_size: str
    decision: Decision
    action: Action
    probabilities: ClassesOut
    cost_days: float
    headline: str
    to_do: str
    reasons: list[ReasonOut]


class CounterOut(BaseModel):
    """The shelf against an arm, what suits it best first."""

    instruments: list[OnCounterOut]


class CellOut(BaseModel):
    """A cell that changes."""

    column: str
    before: str
    after: str


class ChangeOut(BaseModel):
    """What a row of the table does."""

    row: int
    kind: stock.Kind
    name: str
    id: str | None
    cells: list[CellOut]


class TableOut(BaseModel):
    """What a table did to the shelf, or would do."""

    applied: bool
    added: int
    changed: int
    unchanged: int
    changes: list[ChangeOut]
