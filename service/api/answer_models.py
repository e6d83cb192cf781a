"""Answers to the teacher's and the shop's other questions as the HTTP interface describes them, field by field.

What makes each of them is named beside it; a test compares what is described with what is made.
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, Field

from service.api.measurement_routes import LengthOut
from service.api.verdict_models import ClassesOut, FingerRoomOut, VerdictOut
from service.fit.decision import Action, Decision
from service.fit.tape import Agreement


class SlipOut(BaseModel):
    """A usual slip that would explain the reading."""

    code: str
    text: str
    predicted_mm: float = Field(description="What the tape would show with this slip, mm.")
    probability: float


class TapeOut(BaseModel):
    """How a tape reading and a photo stand to each other (`service.fit.tape.TapeCheck`)."""

    outcome: Agreement
    en: float = Field(description="En score: difference over its expanded uncertainty, k = 2.")
    zeta: float = Field(description="Zeta score: difference over its standard uncertainty.")
    tape: LengthOut
    photo: LengthOut
    probability_right: float
    slips: list[SlipOut]
    likely_slips: list[str]
    combined: LengthOut | None = Field(description="Both readings together, where they agree.")
    message: list[str]


class LimitsOut(BaseModel):
    """Least and largest length, mm."""

    from_mm: float
    to_mm: float


class OrderOut(BaseModel):
    """An instrument described for a shop (`service.fit.order.Order`)."""

    body_length: LimitsOut | None
    total_length: LimitsOut | None
    sizes: list[str]
    decided: bool = Field(description="Whether all inside the limits may be taken or tried; else a first guess.")
    open_by: Literal["arm", "playing", "instrument"] | None = Field(
        description="Of a first guess: what has to be known better first, the arm, how the child plays an instrument "
        "of that size, or lengths that are measured more exactly than with a tape."
    )
    stretch: bool
    growth_mm: float = Field(description="Growth of the arm that was to be allowed for.")
    growth_months: int | None = Field(description="In how many months; null where a length was asked for.")
    growth_ends_at_years: float | None = Field(
        description="Where the figures of growth end before these months are over: up to which age it is allowed for."
    )
    growth_kept: bool = Field(description="Whether the limits allow for it; where not, they are for now.")
    bow_length_mm: float | None
    beyond_chart: Literal["smaller", "larger"] | None
    label: str | None
    to_order: bool
    message: list[str]


class GrowthPointOut(BaseModel):
    """Arm expected some months after the last measurement, mm: in 8 of 10 children between low and high."""

    months: float
    low_mm: float
    likely_mm: float
    high_mm: float


class CrossingOut(BaseModel):
    """Months until an arm length is passed by a fast tenth, a half, and nine tenths of children; null: not in time."""

    early: float | None
    likely: float | None
    late: float | None


class GrowthOut(BaseModel):
    """What growth brings (`service.fit.growth.Growth`)."""

    points: list[GrowthPointOut]
    rate_mm_per_year: float
    fits_in_months: CrossingOut | None
    outgrown_in_months: CrossingOut | None
    next_size: str | None
    next_body_length_mm: float | None
    next_fits_in_months: CrossingOut | None
    suspect_measurements: list[int] = Field(
        description="Measurements that contradict growth: their places as given, from 0."
    )
    unusual: bool
    unexplained_mm_per_year: float | None
    message: list[str]


class RankedOut(BaseModel):
    """One instrument in a ranking (`service.fit.ranking.Ranked`)."""

    place: int = Field(description="Place in the list that was given, from 0.")
    name: str | None
    label: str | None
    nearest_size: str
    decision: Decision
    action: Action
    probabilities: ClassesOut
    cost_days: float
    suits_better_than_next: float | None
    suits_as_well_as_next: float | None
    finger_room: FingerRoomOut | None


class ComparisonOut(BaseModel):
    """Instruments for one child, the best first."""

    ranking: list[RankedOut]


class ChildOut(VerdictOut):
    """The verdict of one child of a class."""

    name: str


class ClassOut(BaseModel):
    """One instrument for a class, the children whom it suits best first."""

    children: list[ChildOut]


class AssignedOut(BaseModel):
    """What one child gets: an instrument of the shelf, or an order (`service.fit.assigning.Loan`)."""

    child: str
    instrument: str | None
    action: Action | None
    order: OrderOut | None
    text: str


class AssignmentOut(BaseModel):
    """What each child of a class gets, in the given order."""

    loans: list[AssignedOut]


class ChartRowOut(BaseModel):
    """One size of a chart, mm; `arm_to_mm` null where the band is open."""

    size: str
    arm_from_mm: float
    arm_to_mm: float | None
    body_length_mm: float
    total_length_mm: float


class ChartOut(BaseModel):
    """A chart of sizes, complete (`service.fit.chart.Chart`)."""

    name: str
    note: str
    stretch_mm: float
    rows: list[ChartRowOut]
