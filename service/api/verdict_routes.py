"""Verdicts over HTTP: photos or typed numbers of a child and an instrument in, probabilities and a decision out."""

from __future__ import annotations

import base64
from typing import Annotated, Any, Literal

from fastapi import APIRouter, File, Form, UploadFile
from pydantic import BaseModel, Field

from service.api.measurement_routes import (
    AgainstWall,
    Age,
    ArmOut,
    BarLength,
    InstrumentOut,
    JointArmOut,
    Pictures,
    Pool,
    Side,
    Stature,
    read_photos,
)
from service.api.problem_details import RESPONSES
from service.fit.chart import read_chart
from service.fit.errors import FitError
from service.fit.lengths import parse_length
from service.fit.sentences import say
from service.fit.signs import PlayingSigns
from service.measuring.work import ArmQuestion
from service.questions.fitting import FitQuestion, answer
from service.words.i18n import translator

router = APIRouter(prefix="/api/v1", responses=RESPONSES)

TypedLength = Annotated[str | None, Form(examples=["462±10", "18 1/2 in"])]
Sign = Annotated[bool | None, Form()]


class VerdictAnswer(BaseModel):
    """The measurements and, where both are usable, the verdict."""

    usable: bool = Field(description="False where a photo was refused; its problems say why.")
    child: JointArmOut | ArmOut | None = Field(
        description="What the photo of the child gave, or several photos together; null where the arm was typed."
    )
    child_photos: list[ArmOut] | None = Field(None, description="Where there are several: each photo of the child.")
    instrument: InstrumentOut | None
    verdict: dict[str, Any] | None = Field(
        description="Decision, probabilities, rule, guard band, reasons and cautions.",
        examples=[
            {"decision": "fits", "probabilities": {"too_small": 0.01, "fits": 0.97, "stretch": 0.02, "too_large": 0}}
        ],
    )
    picture_jpeg_base64: str | None = None


@router.post("/verdicts", response_model=VerdictAnswer, summary="Does this instrument fit this child?")
async def verdicts(
    pool: Pool,
    child_photo: Annotated[
        list[UploadFile] | None, File(description="One photo of the child, or several of the same child.")
    ] = None,
    instrument_photos: Annotated[
        list[UploadFile] | None, File(description="One photo of the instrument, or several of it lying still.")
    ] = None,
    arm_mm: TypedLength = None,
    body_mm: TypedLength = None,
    total_mm: TypedLength = None,
    label: Annotated[str | None, Form(max_length=20, examples=["1/8"])] = None,
    chart: Annotated[UploadFile | None, File(description="Your own chart (CSV).")] = None,
    side: Side = "auto",
    against_wall: AgainstWall = None,
    age_years: Age = None,
    stature_mm: Stature = None,
    bar_mm: BarLength = None,
    wrist_free: Sign = None,
    fingers_easy: Sign = None,
    bow_clear: Sign = None,
    elbow_bent: Sign = None,
    painless: Sign = None,
    language: Annotated[Literal["en", "de"], Form()] = "en",
    pictures: Pictures = False,
) -> dict[str, Any]:
    """Judge one instrument for one child, from photos, typed numbers or one of each.

    A length is typed as V±U in mm, where U is the expanded (95 %) uncertainty; other units are written behind it.
    """
    question = FitQuestion(
        child_photos=tuple(await read_photos(child_photo or [])),
        instrument_photos=tuple(await read_photos(instrument_photos or [])),
        arm=parse_length(arm_mm, "arm") if arm_mm else None,
        body=parse_length(body_mm, "body") if body_mm else None,
        total=parse_length(total_mm, "total") if total_mm else None,
        label=label or None,
        chart=read_chart(await _chart_text(chart), chart.filename or "own chart") if chart is not None else None,
        signs=PlayingSigns(wrist_free, fingers_easy, bow_clear, elbow_bent, painless),
        arm_options=ArmQuestion(side, age_years, stature_mm, against_wall, bar_mm=bar_mm),
        bar_mm=bar_mm,
    )
    result = await answer(pool, question)
    body = result.as_json(translator(language), language)
    picture = result.picture_jpeg() if pictures else None
    return body | {"picture_jpeg_base64": None if picture is None else base64.b64encode(picture).decode()}


MAX_CHART_BYTES = 100_000


async def _chart_text(upload: UploadFile) -> str:
    data = await upload.read(MAX_CHART_BYTES + 1)
    try:
        if len(data) <= MAX_CHART_BYTES:
            return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    raise FitError(say("The chart is not a text file of rows separated by commas."))
