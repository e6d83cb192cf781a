"""The teacher's and the shop's other questions over HTTP: tape checks, orders, growth, comparisons, charts."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Response
from pydantic import BaseModel, ConfigDict, Field

from calibration.quantity import Contribution, Length
from service.api.problem_details import RESPONSES
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart, chart_from_entries, default_chart
from service.fit.errors import GrowthError
from service.fit.fingers import finger_room
from service.fit.growth import DatedArm, allowance_mm, predict
from service.fit.lengths import check_plausible, parse_length
from service.fit.order import drawing_svg, order
from service.fit.ranking import judge_class, rank
from service.fit.sentences import say
from service.fit.signs import InstrumentCondition
from service.fit.tape import check_tape
from service.fit.verdict_json import verdict_json
from service.words.i18n import translator

router = APIRouter(prefix="/api/v1", responses=RESPONSES)

Language = Literal["en", "de"]
MAX_INSTRUMENTS = 5000
MAX_CHILDREN = 500


class Part(BaseModel):
    """One cause's share of a length's uncertainty; the key names a cause that other lengths share."""

    source: str = Field(max_length=200)
    contribution_mm: float = Field(allow_inf_nan=False)
    key: str | None = Field(default=None, max_length=200)


class MeasuredLength(BaseModel):
    """A length as a measuring route returns it, or a value with one standard uncertainty."""

    value_mm: float = Field(gt=0, allow_inf_nan=False)
    standard_uncertainty_mm: float = Field(ge=0, allow_inf_nan=False)
    budget: list[Part] | None = Field(default=None, max_length=100)

    model_config = ConfigDict(json_schema_extra={"examples": [{"value_mm": 462.0, "standard_uncertainty_mm": 4.0}]})


TypedLength = Annotated[str, Field(max_length=40, examples=["462±10", "18 1/2 in"])]
LengthIn = TypedLength | MeasuredLength
"""``V±U`` with U the expanded (95 %) uncertainty, or a measured length."""


class ChartRowIn(BaseModel):
    """One size of a chart, mm; `arm_to_mm` null reaches up to the next size."""

    size: str = Field(max_length=20)
    arm_from_mm: float
    arm_to_mm: float | None = None
    body_length_mm: float
    total_length_mm: float


class ChartIn(BaseModel):
    """A teacher's own chart."""

    name: str = Field(default="own chart", max_length=80)
    rows: list[ChartRowIn] = Field(max_length=40)
    stretch_mm: float = 12.5
    note: str = Field(default="", max_length=2000)

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "name": "own chart",
                    "rows": [
                        {"size": "1/8", "arm_from_mm": 430, "body_length_mm": 255, "total_length_mm": 421},
                        {"size": "1/4", "arm_from_mm": 470, "body_length_mm": 280, "total_length_mm": 463},
                    ],
                }
            ]
        }
    )


class InstrumentIn(BaseModel):
    """What is measured on an instrument, and its state."""

    body: LengthIn | None = None
    total: LengthIn | None = None
    string: LengthIn | None = None
    label: str | None = Field(default=None, max_length=20)
    name: str | None = Field(default=None, max_length=80)
    pegs_hold: bool | None = None
    bridge_cut: bool | None = None
    strings_apart: bool | None = None

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"name": "A", "label": "1/8", "body": "255±2", "total": "421±3"}]}
    )


class TapeQuestion(BaseModel):
    """A tape reading and the photo's lengths."""

    tape: LengthIn
    photo: LengthIn
    neck_to_wrist: LengthIn | None = None
    neck_to_fingertip: LengthIn | None = None
    shoulder_to_palm: LengthIn | None = None
    spine_to_palm: LengthIn | None = None
    language: Language = "en"

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"tape": "418±10", "photo": "455±8", "neck_to_wrist": "417±8"}]}
    )


class OrderQuestion(BaseModel):
    """An arm, and what to allow for."""

    arm: LengthIn
    growth_mm: float = Field(default=0.0, ge=0, le=100)
    lasting_months: int | None = Field(default=None, ge=1, le=60, description="Instead of growth_mm; needs age_years.")
    age_years: float | None = None
    stretch: bool = False
    chart: ChartIn | None = None
    language: Language = "en"

    model_config = ConfigDict(json_schema_extra={"examples": [{"arm": "450±6", "growth_mm": 12}]})


class ArmAtAge(BaseModel):
    """One dated measurement."""

    age_years: float
    arm: LengthIn


class GrowthQuestion(BaseModel):
    """Measurements of one child, and the present instrument."""

    measurements: list[ArmAtAge] = Field(max_length=100)
    sex: Literal["girl", "boy"] | None = None
    instrument: InstrumentIn | None = None
    months: int = Field(default=24, ge=1, le=60)
    chart: ChartIn | None = None
    language: Language = "en"

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "measurements": [{"age_years": 6.0, "arm": "438±10"}, {"age_years": 6.5, "arm": "449±8"}],
                    "instrument": {"body": "255±2", "total": "421±3"},
                }
            ]
        }
    )


class ComparisonQuestion(BaseModel):
    """One arm and the instruments to rank for it."""

    arm: LengthIn
    instruments: list[InstrumentIn] = Field(min_length=1, max_length=MAX_INSTRUMENTS)
    first: int = Field(default=20, ge=1, le=MAX_INSTRUMENTS)
    chart: ChartIn | None = None
    language: Language = "en"

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "arm": "450±6",
                    "instruments": [
                        {"name": "A", "label": "1/8", "body": "255±2", "total": "421±3"},
                        {"name": "B", "label": "1/8", "body": "246±2", "total": "406±3"},
                    ],
                }
            ]
        }
    )


class ClassQuestion(BaseModel):
    """One instrument and the arms of a class."""

    instrument: InstrumentIn
    arms: dict[str, LengthIn] = Field(min_length=1, max_length=MAX_CHILDREN)
    chart: ChartIn | None = None
    language: Language = "en"

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"instrument": {"body": "255±2", "total": "421±3"}, "arms": {"P1": "440±8", "P2": "465±8"}}]
        }
    )


class Answer(BaseModel):
    """An answer whose fields depend on the question; lengths in mm, probabilities from 0 to 1."""

    model_config = ConfigDict(extra="allow")


@router.post("/tape-checks", response_model=Answer, summary="Does the tape agree with the photo?")
def tape_checks(question: TapeQuestion) -> dict[str, Any]:
    """Compare a tape reading with the photo's arm, and name the likely slip where they disagree."""
    names = ("neck_to_wrist", "neck_to_fingertip", "shoulder_to_palm", "spine_to_palm")
    others = {name: _length(getattr(question, name), "tape") for name in names if getattr(question, name) is not None}
    check = check_tape(_length(question.tape, "tape"), _length(question.photo, "arm"), others)
    return check.as_json(translator(question.language), question.language)


@router.post("/orders", response_model=Answer, summary="What to order for this arm?")
def orders(question: OrderQuestion) -> dict[str, Any]:
    """Limits of body and total length that any shop can check, and what to ask the shop to measure."""
    arm, growth_mm = _length(question.arm, "arm"), question.growth_mm
    if question.lasting_months is not None:
        if question.age_years is None:
            raise GrowthError(say("At least one measurement with the child's age is needed."))
        growth_mm = allowance_mm(arm, question.age_years, question.lasting_months)
    wanted = order(arm, _chart(question.chart), growth_mm, question.stretch)
    return wanted.as_json(translator(question.language), question.language)


@router.get(
    "/order-drawing.svg",
    response_class=Response,
    responses={200: {"content": {"image/svg+xml": {}}}},
    summary="Where a shop measures",
)
def order_drawing(language: Language = "en") -> Response:
    """Drawing of body length and total length to send with an order."""
    return Response(drawing_svg(translator(language), language), media_type="image/svg+xml")


@router.post("/growth-predictions", response_model=Answer, summary="How will the arm grow?")
def growth_predictions(question: GrowthQuestion) -> dict[str, Any]:
    """The arm over the coming months, when the present instrument is outgrown, and measurements that look wrong."""
    history = [DatedArm(each.age_years, _length(each.arm, "arm")) for each in question.measurements]
    instrument = _instrument(question.instrument) if question.instrument is not None else None
    found = predict(history, question.sex, _chart(question.chart), instrument, question.months)
    return found.as_json(translator(question.language), question.language)


@router.post("/comparisons", response_model=Answer, summary="Which of these instruments suits this arm?")
def comparisons(question: ComparisonQuestion) -> dict[str, Any]:
    """Rank instruments for one child; neighbours with the probability that the first suits better."""
    instruments = [_instrument(each) for each in question.instruments]
    conditions = [
        InstrumentCondition(each.pegs_hold, each.bridge_cut, each.strings_apart) for each in question.instruments
    ]
    ranked = rank(_length(question.arm, "arm"), instruments, _chart(question.chart), conditions)
    translate = translator(question.language)
    found = []
    for each in ranked[: question.first]:
        room = finger_room(each.instrument)
        told = None if room is None else room.as_json(translate, question.language)
        found.append(each.as_json() | {"finger_room": told})
    return {"ranking": found}


@router.post("/class-verdicts", response_model=Answer, summary="Which of these children does this instrument suit?")
def class_verdicts(question: ClassQuestion) -> dict[str, Any]:
    """One instrument for a class of children, those it suits best first."""
    arms = {name: _length(each, "arm") for name, each in question.arms.items()}
    verdicts = judge_class(arms, _instrument(question.instrument), _chart(question.chart))
    translate = translator(question.language)
    return {
        "children": [
            {"name": name} | verdict_json(each, translate, question.language) for name, each in verdicts.items()
        ]
    }


@router.get("/charts/default", response_model=Answer, summary="The default chart of sizes")
def chart_default() -> dict[str, Any]:
    """Common practice among teachers and shops, no source."""
    return default_chart().as_json()


@router.post("/charts", response_model=Answer, summary="Check a chart of sizes")
def charts(chart: ChartIn) -> dict[str, Any]:
    """Check a teacher's chart and return it complete; the error says which row is wrong and why."""
    return _chart(chart).as_json()


def _length(given: LengthIn, kind: str) -> Length:
    if isinstance(given, str):
        return parse_length(given, kind)
    check_plausible(given.value_mm, kind)
    if given.budget is None:
        return Length.stated(given.value_mm, given.standard_uncertainty_mm)
    return Length(
        given.value_mm, tuple(Contribution(part.source, part.contribution_mm, part.key) for part in given.budget)
    )


def _instrument(given: InstrumentIn) -> InstrumentLengths:
    body = _length(given.body, "body") if given.body is not None else None
    total = _length(given.total, "total") if given.total is not None else None
    string = _length(given.string, "string") if given.string is not None else None
    return InstrumentLengths(body, total, given.label, given.name, string)


def _chart(given: ChartIn | None) -> Chart:
    if given is None:
        return default_chart()
    return chart_from_entries([row.model_dump() for row in given.rows], given.name, "mm", given.stretch_mm, given.note)
