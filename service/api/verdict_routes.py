"""Verdicts over HTTP: photos or typed numbers of a child and an instrument in, probabilities and a decision out."""

from __future__ import annotations

import base64
from typing import Annotated, Any

from fastapi import APIRouter, UploadFile
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from service.api.callers import Scope, needs
from service.api.measurement_routes import (
    PHOTO_FORM,
    ArmOut,
    InstrumentOut,
    JointArmOut,
    PhotoLimit,
    Pictures,
    Pool,
    read_photos,
)
from service.api.problem_details import RESPONSES
from service.api.verdict_models import VerdictOut
from service.fit.chart import Chart
from service.fit.chart_table import read_chart
from service.fit.errors import FitError
from service.fit.sentences import say
from service.questions.asked import asked
from service.questions.fitting import FitAnswer, FitQuestion, Typed, answer
from service.words.i18n import translator

router = APIRouter(prefix="/api/v1", responses=RESPONSES, dependencies=[needs(Scope.DECIDE)])

MOST_CHART_BYTES = 100_000
"""A chart's file; our choice, a hundred times a large chart."""


class FitForm(Typed):
    """What is known of the child and of the instrument: for each, photos or typed lengths, not both."""

    child_photos: Annotated[
        list[UploadFile], Field(description="One photo of the child, or several of the same child.")
    ] = []  # noqa: RUF012
    instrument_photos: Annotated[
        list[UploadFile], Field(description="One photo of the instrument, or several of it lying still.")
    ] = []  # noqa: RUF012
    chart: Annotated[UploadFile | None, Field(description="Your own chart of sizes (CSV).")] = None


class VerdictAnswer(BaseModel):
    """The measurements and, where both are usable, the verdict."""

    usable: bool = Field(description="False where a photo was refused; its problems say why.")
    child: JointArmOut | ArmOut | None = Field(
        description="What the photo of the child gave, or several photos together; null where the arm was typed."
    )
    child_photos: list[ArmOut] | None = Field(None, description="Where there are several: each photo of the child.")
    instrument: InstrumentOut | None
    verdict: VerdictOut | None = Field(description="What is known, what there is to do, and why.")
    picture_jpeg_base64: str | None = None


@router.post("/verdicts", response_model=VerdictAnswer, summary="Does this instrument fit this child?")
async def verdicts(
    form: Annotated[FitForm, PHOTO_FORM], pool: Pool, limit: PhotoLimit, pictures: Pictures = False
) -> dict[str, Any]:
    """Judge one instrument for one child, from photos, typed numbers or one of each.

    A length is typed as V±U in mm, where U is the expanded (95 %) uncertainty; other units are written behind it.
    """
    typed = {name: getattr(form, name) for name in Typed.model_fields}
    question = asked(
        FitQuestion,
        child_photos=tuple(await read_photos(form.child_photos, limit)),
        instrument_photos=tuple(await read_photos(form.instrument_photos, limit)),
        chart=None if form.chart is None else await _chart(form.chart),
        **typed,
    )
    result = await answer(pool, question)
    return await run_in_threadpool(_told, result, form.language, pictures)


def _told(result: FitAnswer, language: str, pictures: bool) -> dict[str, Any]:
    """The answer's JSON; in a thread, since joining two photos at their own size takes longer than others may wait."""
    body = result.as_json(translator(language), language)
    picture = result.picture_jpeg() if pictures else None
    return body | {"picture_jpeg_base64": None if picture is None else base64.b64encode(picture).decode()}


async def _chart(upload: UploadFile) -> Chart:
    data = await upload.read(MOST_CHART_BYTES + 1)
    try:
        if len(data) <= MOST_CHART_BYTES:
            return read_chart(data.decode("utf-8-sig"), upload.filename or "own chart")
    except UnicodeDecodeError:
        pass
    raise FitError(say("The chart is not a text file of rows separated by commas."))
