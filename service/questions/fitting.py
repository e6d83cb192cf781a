"""One child, one instrument, photos or typed numbers: the question that command line, HTTP and pages all ask."""

from __future__ import annotations

import asyncio
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import Field, model_validator

from service.fit.errors import FitError
from service.fit.sentences import Translate, say, unchanged
from service.measuring.outcome import InstrumentQuestion, Outcome
from service.measuring.pool import Measurer
from service.measuring.results import is_all_used, kept_build, kept_length, translated
from service.measuring.same_child import check_distinct, without_lost_frames
from service.questions.asked import (
    MOST_PHOTOS,
    ArmLength,
    BodyLength,
    Label,
    OfTheChild,
    OfTheInstrument,
    Signs,
    Spelled,
    TotalLength,
    WithChart,
    WithLosses,
)
from service.questions.measuring import PhotoFile

if TYPE_CHECKING:
    from service.fit.assessment import InstrumentLengths
    from service.fit.verdict import Verdict


class Typed(OfTheChild, OfTheInstrument, Signs, WithLosses):
    """All of the question but its files: what can be typed of the child and of the instrument."""

    arm_length: Annotated[
        ArmLength | None,
        Field(description="The arm instead of a photo: V±U in mm, U the expanded (95%) uncertainty."),
        Spelled("--arm-mm"),
    ] = None
    body_length: Annotated[
        BodyLength | None, Field(description="Body length instead of a photo: V±U in mm."), Spelled("--body-mm")
    ] = None
    total_length: Annotated[
        TotalLength | None, Field(description="Total length instead of a photo: V±U in mm."), Spelled("--total-mm")
    ] = None
    label: Annotated[Label | None, Field(description="The size it is sold as, e.g. 1/8.", examples=["1/8"])] = None


class FitQuestion(Typed, WithChart):
    """What is known of the child and of the instrument: for each, photos or typed lengths, not both."""

    child_photos: Annotated[
        tuple[PhotoFile, ...],
        Field(max_length=MOST_PHOTOS, description="Photo of the child; several times for several."),
        Spelled("--child"),
    ] = ()
    instrument_photos: Annotated[
        tuple[PhotoFile, ...],
        Field(
            max_length=MOST_PHOTOS,
            description="Photo of the instrument; several times for several of it lying still.",
        ),
        Spelled("--instrument"),
    ] = ()

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        check_distinct(self.child_photos)
        check_distinct(self.instrument_photos)
        if self.arm_length is None and not self.child_photos:
            raise FitError(say("Give a photo of the child or the length of the arm."))
        if self.arm_length is not None and self.child_photos:
            raise FitError(say("Give either photos of the child or the length of the arm, not both."))
        typed = self.body_length is not None or self.total_length is not None
        if not typed and not self.instrument_photos:
            raise FitError(say("Give a photo of the instrument, or its body length or total length."))
        if typed and self.instrument_photos:
            raise FitError(say("Give either photos of the instrument or its lengths, not both."))
        return self


@dataclass(frozen=True)
class FitAnswer:
    """The measurements and, where both are usable, the verdict.

    Attributes
    ----------
    child, instrument : Outcome or None
        What the photos gave, several of one child joined; None where lengths were typed.
    verdict : Verdict or None
        None where nothing usable is known of the child or of the instrument.
    child_photos : tuple of Outcome
        What each photo of the child gave.
    """

    child: Outcome | None
    instrument: Outcome | None
    verdict: Verdict | None
    child_photos: tuple[Outcome, ...] = ()

    @property
    def told(self) -> tuple[Outcome, ...]:
        """All there is to tell, photo by photo, what several gave together behind them."""
        several = self.child_photos if len(self.child_photos) > 1 else ()
        return (*several, *(each for each in (self.child, self.instrument) if each is not None))

    @property
    def all_used(self) -> bool:
        """Whether there is a verdict and no photo was refused or left out."""
        return self.verdict is not None and all(is_all_used(each.result) for each in self.told)

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON."""
        from service.fit.verdict_json import verdict_json

        photos = [translated(each.result, translate) for each in self.child_photos]
        return {
            "usable": self.verdict is not None,
            "child": None if self.child is None else translated(self.child.result, translate),
            **({"child_photos": photos} if len(photos) > 1 else {}),
            "instrument": None if self.instrument is None else translated(self.instrument.result, translate),
            "verdict": None if self.verdict is None else verdict_json(self.verdict, translate, language),
        }

    def picture_jpeg(self) -> bytes | None:
        """The annotated photos side by side as one JPEG; None where there is none."""
        overlays = [each.overlay_jpeg for each in (self.child, self.instrument) if each and each.overlay_jpeg]
        return side_by_side(overlays) if overlays else None


async def answer(pool: Measurer, question: FitQuestion) -> FitAnswer:
    """Measure what was photographed, all photos at a time, and judge.

    Raises
    ------
    FitError
        If lengths are implausible.
    """
    from service.fit.setup import NOT_SEEN
    from service.fit.verdict import judge

    child, instrument = await asyncio.gather(_child(pool, question), _instrument(pool, question))
    photos = () if child is None else tuple(without_lost_frames(child.photos)) or (child,)
    arm = question.arm_length if child is None else kept_length(child.result, "arm_length")
    if arm is None or (instrument is not None and not instrument.result["usable"]):
        return FitAnswer(child, instrument, None, photos)
    verdict = judge(
        arm,
        _lengths(question, instrument),
        question.sizes,
        question.signs(),
        losses=question.costs,
        build=NOT_SEEN if child is None else kept_build(child.result),
    )
    return FitAnswer(child, instrument, verdict, photos)


async def _child(pool: Measurer, question: FitQuestion) -> Outcome | None:
    if len(question.child_photos) > 1:
        return await pool.arm_together(question.child_photos, question.known())
    return await pool.arm(*question.child_photos[0], question.known()) if question.child_photos else None


async def _instrument(pool: Measurer, question: FitQuestion) -> Outcome | None:
    if not question.instrument_photos:
        return None
    known = question.known()
    asked = InstrumentQuestion(question.bar_mm, question.sheet_height, known.reference, known.captions)
    return await pool.instrument_together(question.instrument_photos, asked)


def _lengths(question: FitQuestion, instrument: Outcome | None) -> InstrumentLengths:
    from service.fit.assessment import InstrumentLengths

    if instrument is None:
        return InstrumentLengths(question.body_length, question.total_length, question.label)
    body, total, string = (
        kept_length(instrument.result, name) for name in ("body_length", "total_length", "string_length")
    )
    return InstrumentLengths(body, total, question.label, string_length=string)


def side_by_side(jpegs: list[bytes], height_px: int = 1200) -> bytes:
    """Join pictures from left to right at one height."""
    from PIL import Image

    pictures = [Image.open(io.BytesIO(jpeg)) for jpeg in jpegs]
    scaled = [each.resize((round(each.width * height_px / each.height), height_px)) for each in pictures]
    joined = Image.new("RGB", (sum(each.width for each in scaled), height_px))
    left = 0
    for each in scaled:
        joined.paste(each, (left, 0))
        left += each.width
    buffer = io.BytesIO()
    joined.save(buffer, "JPEG", quality=88)
    return buffer.getvalue()
