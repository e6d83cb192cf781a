"""The verdict as the HTTP interface describes it, field by field; `service.fit.verdict_json` makes it."""

from __future__ import annotations

from pydantic import BaseModel, Field

from service.api.measurement_routes import LengthOut
from service.fit.decision import Action, Decision


class ClassesOut(BaseModel):
    """Probabilities of the four classes; they add to one."""

    too_small: float
    fits: float
    stretch: float
    too_large: float


class ReasonOut(BaseModel):
    """One sentence with its stable code."""

    code: str
    text: str


class StepOut(ReasonOut):
    """A further measurement, with the chance that it settles the matter."""

    minutes: float
    settles: float
    gain_days: float


class CauseOut(BaseModel):
    """What may be behind a bad playing sign."""

    sign: str
    code: str
    text: str
    probability: float


class RuleOut(BaseModel):
    """How sure a claim must be."""

    confidence: float
    strain_risk: float


class LossesOut(BaseModel):
    """What a wrong choice costs, days."""

    strain_per_mm: float
    strained: float
    harm: float
    small_per_mm: float
    exchange: float
    waiting: float


class SizeOut(BaseModel):
    """A size of the chart."""

    size: str
    body_length_mm: float
    total_length_mm: float


class InstrumentJudged(BaseModel):
    """The instrument as it was judged."""

    label: str | None
    name: str | None
    body_length: LengthOut | None
    total_length: LengthOut | None
    nearest_size: str
    label_right: float | None
    mislabelled: bool
    unusual_neck: bool
    below_quarter_size: bool


class ArmNeeded(BaseModel):
    """Arms that the instrument suits, mm; `to_mm` null where the band is open."""

    from_mm: float
    to_mm: float | None
    stretch_from_mm: float


class GuardOut(BaseModel):
    """Guard bands, and the measured arms for which "fits" is said, mm."""

    low_mm: float
    high_mm: float | None
    accept_from_mm: float | None
    accept_to_mm: float | None


class FingerRoomOut(BaseModel):
    """Where the fingers stand in first position."""

    string_length: LengthOut
    measured: bool
    from_nut_mm: list[float]
    first_to_fourth_finger: LengthOut
    first_to_fourth_by_hand_breadth: float | None
    message: list[str]


class SetUpOut(BaseModel):
    """What to try at chin and shoulder, by common practice; null where the photo does not show it."""

    neck_length: LengthOut | None
    shoulder_fall: LengthOut | None
    shoulder_run: LengthOut | None
    shoulder_slope_deg: tuple[float, float, float] | None = Field(description="Low, likely and high end, degrees.")
    to_fill_mm: tuple[float, float] | None
    chin_rest_mm: tuple[float, float] | None
    shoulder_rest_mm: tuple[float, float] | None
    message: list[str]


class VerdictOut(BaseModel):
    """What is known of an instrument for a child, what there is to do, and why."""

    decision: Decision = Field(description="What is claimed, at its confidence.")
    action: Action = Field(description="What there is to do: the one thing of least expected loss.")
    probabilities: ClassesOut = Field(description="With what was seen while playing.")
    by_lengths: ClassesOut = Field(description="By the measured lengths alone.")
    claim: list[Decision]
    confidence: float | None
    risk: float | None
    rule: RuleOut
    losses: LossesOut
    prior_sd_mm: float = Field(description="Standard deviation of arm minus shortest arm before measuring, mm.")
    by_signs: bool
    doubted: bool = Field(
        description="Whether measurements of this arm contradict one another; then nothing is claimed by it."
    )
    strained: float
    cost_days: float
    instead: SizeOut | None
    causes: list[CauseOut]
    arm_length: LengthOut
    instrument: InstrumentJudged
    arm_needed: ArmNeeded
    margin: LengthOut
    guard_band: GuardOut
    chart: str
    set_up: SetUpOut
    finger_room: FingerRoomOut | None
    headline: str
    to_do: str
    reasons: list[ReasonOut]
    details: list[ReasonOut]
    questions: list[ReasonOut]
    next_steps: list[StepOut]
    cautions: list[ReasonOut]
