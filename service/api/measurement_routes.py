"""Measuring over HTTP: photos in, lengths with intervals out."""

from __future__ import annotations

import asyncio
import base64
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, File, Form, HTTPException, Query, Request, Response, UploadFile
from pydantic import BaseModel, ConfigDict, Field

from service.api.problem_details import RESPONSES
from service.measuring.pool import MeasuringPool
from service.measuring.same_child import check_distinct, together
from service.measuring.work import ArmQuestion, InstrumentQuestion, Outcome

router = APIRouter(prefix="/api/v1", responses=RESPONSES)

MAX_PHOTO_BYTES = 25 * 2**20
MAX_PHOTOS = 8

Photos = Annotated[list[UploadFile], File(description="One photo or several: JPEG, PNG, WebP or HEIC.")]
BarLength = Annotated[float | None, Form(description="Length of the sheet's check bar as measured with a ruler, mm.")]
Side = Annotated[Literal["left", "right", "auto"], Form(description="Which arm, the child's own.")]
AgainstWall = Annotated[
    bool | None, Form(description="Back and back of the hand touch the wall; the photo tells if null.")
]
Age = Annotated[float | None, Form(ge=2, le=20, description="Age of the child in years, if known.")]
Stature = Annotated[float | None, Form(ge=600, le=2200, description="Standing height in mm, if known.")]
Pictures = Annotated[bool, Query(description="Also return each photo with what was measured drawn on it.")]


class Part(BaseModel):
    """One cause's share of a length's uncertainty."""

    source: str
    contribution_mm: float
    key: str | None = None


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


class InstrumentOut(MeasurementOut):
    """An instrument measured in one photo, or in several together."""

    body_length: LengthOut | None
    total_length: LengthOut | None
    upper_bout_width: LengthOut | None
    middle_bout_width: LengthOut | None
    lower_bout_width: LengthOut | None
    string_length: LengthOut | None


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
    agreement: AgreementOut | None = Field(description="Null where fewer than two photos were usable.")


class ArmMeasurements(BaseModel):
    """One measurement a photo, in the order sent."""

    measurements: list[ArmOut]
    together: JointArmOut | None = Field(None, description="With `same` and several photos: what they give together.")


class InstrumentMeasurements(BaseModel):
    """One measurement a photo, in the order sent; a single one where the photos were measured together."""

    measurements: list[InstrumentOut]


def measuring_pool(request: Request) -> MeasuringPool:
    """Give a route the pool that the application started."""
    pool: MeasuringPool = request.app.state.measuring_pool
    return pool


Pool = Annotated[MeasuringPool, Depends(measuring_pool)]


@router.post("/arm-measurements", response_model=ArmMeasurements, summary="Measure a child's arm")
async def arm_measurements(
    photos: Photos,
    pool: Pool,
    side: Side = "auto",
    same: Annotated[
        bool, Form(description="All photos show the same child: also give the length from all of them.")
    ] = False,
    against_wall: AgainstWall = None,
    age_years: Age = None,
    stature_mm: Stature = None,
    bar_mm: BarLength = None,
    pictures: Pictures = False,
) -> dict[str, Any]:
    """Measure the arm in each photo: side of the neck to the middle of the palm, arm stretched out sideways."""
    question = ArmQuestion(side, age_years, stature_mm, against_wall, bar_mm=bar_mm)
    files = await read_photos(photos)
    if same:
        check_distinct(files)
    outcomes = await asyncio.gather(*(pool.arm(data, name, question) for data, name in files))
    joint = together(outcomes).result if same and len(files) > 1 else None
    return {"measurements": [with_picture(outcome, pictures) for outcome in outcomes], "together": joint}


@router.post("/instrument-measurements", response_model=InstrumentMeasurements, summary="Measure an instrument")
async def instrument_measurements(
    photos: Photos,
    pool: Pool,
    same: Annotated[
        bool, Form(description="All photos show one instrument, lying still beside the same sheet.")
    ] = False,
    sheet_height_mm: Annotated[
        float | None, Form(ge=0, le=300, description="Thickness of what the sheet lies on, mm.")
    ] = None,
    bar_mm: BarLength = None,
    pictures: Pictures = False,
) -> dict[str, Any]:
    """Measure body length and total length in each photo, or in all photos together."""
    files = await read_photos(photos)
    if same:
        check_distinct(files)
    question = InstrumentQuestion(bar_mm=bar_mm, sheet_height_mm=sheet_height_mm)
    if same and len(files) > 1:
        outcomes = [await pool.instrument_together(files, question)]
    else:
        outcomes = await asyncio.gather(*(pool.instrument(data, name, question) for data, name in files))
    return {"measurements": [with_picture(outcome, pictures) for outcome in outcomes]}


@router.get(
    "/sheet.pdf",
    summary="The reference sheet to print",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}, "description": "One true-size page."}},
)
def sheet_pdf_page(
    paper: Annotated[Literal["a4", "letter"], Query(description="Paper size.")] = "a4",
    index: Annotated[int, Query(ge=1, le=4, description="Which of the four sheets that go into one photo.")] = 1,
    language: Annotated[Literal["en", "de"], Query(description="Language of the words on it.")] = "en",
) -> Response:
    """Make the reference sheet as a PDF to be printed at 100 %."""
    from calibration.sheet import Paper, SheetLayout
    from calibration.sheet_drawing import sheet_pdf

    layout = SheetLayout(Paper(paper), index)
    disposition = f'inline; filename="sheet-{layout.name}.pdf"'
    return Response(
        sheet_pdf(layout, language), media_type="application/pdf", headers={"Content-Disposition": disposition}
    )


async def read_photos(uploads: list[UploadFile]) -> list[tuple[bytes, str]]:
    """Read uploaded photos as (bytes, name).

    Raises
    ------
    HTTPException
        413 if there are more than `MAX_PHOTOS`, or one is larger than `MAX_PHOTO_BYTES`.
    """
    if len(uploads) > MAX_PHOTOS:
        raise HTTPException(413, f"Send at most {MAX_PHOTOS} photos at a time.")
    files = []
    for upload in uploads:
        data = await upload.read(MAX_PHOTO_BYTES + 1)
        if len(data) > MAX_PHOTO_BYTES:
            raise HTTPException(413, f"A photo may have at most {MAX_PHOTO_BYTES // 2**20} MB.")
        files.append((data, upload.filename or "photo"))
    return files


def with_picture(outcome: Outcome, wanted: bool) -> dict[str, Any]:
    """The JSON form of an outcome, with its annotated picture where wanted."""
    if not wanted or outcome.overlay_jpeg is None:
        return outcome.result
    return outcome.result | {"picture_jpeg_base64": base64.b64encode(outcome.overlay_jpeg).decode()}
