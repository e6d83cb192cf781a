"""Measuring over HTTP: photos in, lengths with intervals out."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Form, HTTPException, Query, Request, Response, UploadFile
from pydantic import BaseModel, ConfigDict, Field

from service.api.callers import Scope, needs
from service.api.problem_details import RESPONSES
from service.fit.sentences import Translate
from service.measuring.admission import Rank
from service.measuring.outcome import Outcome
from service.measuring.pool import Measurer
from service.measuring.results import translated
from service.questions.asked import MOST_PHOTOS, Language, Part
from service.questions.measuring import ArmPhotos, InstrumentPhotos, PhotoFile, arms, instruments
from service.settings import LargestFiles
from service.words.i18n import SOURCE_LANGUAGE, translator
from vision.clip_files import is_clip

router = APIRouter(prefix="/api/v1", responses=RESPONSES, dependencies=[needs(Scope.MEASURE)])

SEVERAL = (
    f"One photo or several, at most {MOST_PHOTOS}: JPEG, PNG, WebP or HEIC, or films of seconds (MP4, MOV, WebM); "
    "together at most as large as the largest photo and the largest film, or two photos, that are accepted."
)
Photos = Annotated[list[UploadFile], Field(description=SEVERAL)]
Pictures = Annotated[bool, Query(description="Also return each photo with what was measured drawn on it.")]
PHOTO_FORM = Form(media_type="multipart/form-data")


class ArmForm(ArmPhotos):
    """Photos of children, or several of one child."""

    photos: Photos


class InstrumentForm(InstrumentPhotos):
    """Photos of instruments, or several of one."""

    photos: Photos


class LengthOut(BaseModel):
    """A length in mm with its standard uncertainty, 95 % coverage interval and budget."""

    value_mm: float
    standard_uncertainty_mm: float
    low_mm: float
    high_mm: float
    budget: list[Part]

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "value_mm": 512.4,
                    "standard_uncertainty_mm": 3.1,
                    "low_mm": 506.3,
                    "high_mm": 518.5,
                    "budget": [{"source": "depth of the palm", "contribution_mm": 2.2}],
                }
            ]
        }
    )


class ProblemOut(BaseModel):
    """What is wrong with a photo, and the one thing to do differently."""

    code: str
    message: str
    advice: str


class UnusedOut(ProblemOut):
    """One of several photos that shows too little, and why."""

    number: int = Field(description="Its place among the photos, from 1.")
    photo: str


class MeasurementOut(BaseModel):
    """What was found in one photo."""

    photo: str
    usable: bool
    problems: list[ProblemOut]
    points_px: dict[str, tuple[float, float]]
    picture_jpeg_base64: str | None = None


class ArmOut(MeasurementOut):
    """An arm measured in one photo."""

    side: Literal["left", "right"] | None
    arm_length: LengthOut | None
    neck_to_wrist: LengthOut | None
    neck_to_fingertip: LengthOut | None
    shoulder_to_palm: LengthOut | None
    spine_to_palm: LengthOut | None
    hand_length: LengthOut | None
    hand_breadth: LengthOut | None
    neck_length: LengthOut | None
    shoulder_fall: LengthOut | None
    shoulder_run: LengthOut | None


class InstrumentOut(MeasurementOut):
    """An instrument measured in one photo, or in several together."""

    body_length: LengthOut | None
    total_length: LengthOut | None
    upper_bout_width: LengthOut | None
    middle_bout_width: LengthOut | None
    lower_bout_width: LengthOut | None
    string_length: LengthOut | None
    photos: int = Field(1, description="Photos, or frames of a film, that the lengths were measured from.")
    left_out: list[str] = Field([], description="Photos that do not go with the others, or show too little.")
    unused: list[UnusedOut] = Field([], description="Of several photos those that show too little, and why.")
    viewpoints_deg: float | None = Field(
        None, description="Angle between the places from which photos measured together were taken; null for one."
    )


class AgreementOut(BaseModel):
    """How the arm lengths from several photos of one child scatter."""

    agree: bool
    chi_squared: float
    degrees_of_freedom: int
    probability: float = Field(description="That photos which agree scatter as much or more.")
    birge_ratio: float = Field(description="Scatter over what the uncertainties let expect.")


class JointArmOut(ArmOut):
    """One arm from several photos of one child."""

    photos: int = Field(description="Photos that were usable.")
    agreement: AgreementOut | None = Field(
        description="Null where fewer than two photos were usable, or they were measured together."
    )
    left_out: list[str] = Field(description="Usable photos that do not go with the others.")
    viewpoints_deg: float | None = Field(
        description="Angle between the places from which photos that were measured together were taken; null where "
        "each was measured by itself and the lengths were joined."
    )


class ArmMeasurements(BaseModel):
    """One measurement a photo, in the order sent."""

    measurements: list[JointArmOut | ArmOut]
    together: JointArmOut | None = Field(None, description="With `same` and several photos: what they give together.")


class InstrumentMeasurements(BaseModel):
    """One measurement a photo, in the order sent; a single one where the photos were measured together."""

    measurements: list[InstrumentOut]


async def measuring_pool(request: Request) -> Measurer:
    """Give a route the measuring processes, behind the line for whoever asks."""
    measuring: Mapping[Rank, Measurer] = request.app.state.measuring
    return measuring[getattr(request.state, "rank", Rank.STRANGER)]


async def photo_limit(request: Request) -> LargestFiles:
    """Give a route the largest photo and film that the service's settings accept."""
    largest: LargestFiles = request.app.state.largest
    return largest


Pool = Annotated[Measurer, Depends(measuring_pool)]
PhotoLimit = Annotated[LargestFiles, Depends(photo_limit)]


@router.post("/arm-measurements", response_model=ArmMeasurements, summary="Measure a child's arm")
async def arm_measurements(
    form: Annotated[ArmForm, PHOTO_FORM], pool: Pool, limit: PhotoLimit, pictures: Pictures = False
) -> dict[str, Any]:
    """Measure the arm in each photo: side of the neck to the middle of the palm, arm stretched out sideways."""
    outcomes, joint = await arms(pool, form, await read_photos(form.photos, limit))
    translate = translator(form.language)
    return {
        "measurements": [with_picture(outcome, pictures, translate) for outcome in outcomes],
        "together": None if joint is None else translated(joint.result, translate),
    }


@router.post("/instrument-measurements", response_model=InstrumentMeasurements, summary="Measure an instrument")
async def instrument_measurements(
    form: Annotated[InstrumentForm, PHOTO_FORM], pool: Pool, limit: PhotoLimit, pictures: Pictures = False
) -> dict[str, Any]:
    """Measure body length and total length in each photo, or in all photos together."""
    outcomes = await instruments(pool, form, await read_photos(form.photos, limit))
    return {"measurements": [with_picture(each, pictures, translator(form.language)) for each in outcomes]}


@router.get(
    "/sheet.pdf",
    summary="The reference sheet to print",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}, "description": "One true-size page."}},
)
def sheet_pdf_page(
    paper: Annotated[Literal["a4", "letter"], Query(description="Paper size.")] = "a4",
    index: Annotated[int, Query(ge=1, le=4, description="Which of the four sheets that go into one photo.")] = 1,
    language: Annotated[Language, Query(description="Language of the words on it.")] = SOURCE_LANGUAGE,
) -> Response:
    """Make the reference sheet as a PDF to be printed at 100%."""
    from calibration.sheet import Paper, SheetLayout
    from calibration.sheet_drawing import sheet_pdf

    layout = SheetLayout(Paper(paper), index)
    disposition = f'inline; filename="sheet-{layout.name}.pdf"'
    return Response(
        sheet_pdf(layout, language), media_type="application/pdf", headers={"Content-Disposition": disposition}
    )


async def read_photos(uploads: Sequence[UploadFile], largest: LargestFiles) -> list[PhotoFile]:
    """Read uploaded photos as (bytes, name).

    Raises
    ------
    HTTPException
        413 if there are more than `MOST_PHOTOS`, or one is larger than its kind may be.
    """
    if len(uploads) > MOST_PHOTOS:
        raise HTTPException(413, f"Send at most {MOST_PHOTOS} photos at a time.")
    files = []
    for upload in uploads:
        data = await upload.read(largest.any_bytes + 1)
        if len(data) > (most_bytes := largest.of(data)):
            kind = "film" if is_clip(data) else "photo"
            raise HTTPException(413, f"A {kind} may have at most {most_bytes // 2**20} MB.")
        files.append((data, upload.filename or "photo"))
    return files


def with_picture(outcome: Outcome, wanted: bool, translate: Translate) -> dict[str, Any]:
    """The JSON form of an outcome, with its annotated picture where wanted."""
    result = translated(outcome.result, translate)
    if not wanted or outcome.overlay_jpeg is None:
        return result
    return result | {"picture_jpeg_base64": base64.b64encode(outcome.overlay_jpeg).decode()}
