"""One child, one instrument, photos or typed numbers: the question that command line, HTTP and pages all ask."""

from __future__ import annotations

import asyncio
import io
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from calibration.quantity import length_from_json
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart, default_chart
from service.fit.errors import FitError
from service.fit.sentences import Translate, say, unchanged
from service.fit.signs import PlayingSigns
from service.fit.verdict import Verdict, judge
from service.fit.verdict_json import verdict_json
from service.measuring.pool import Measurer
from service.measuring.results import translated
from service.measuring.same_child import check_distinct, together
from service.measuring.work import ArmQuestion, InstrumentQuestion, Outcome

if TYPE_CHECKING:
    from calibration.quantity import Length

PhotoFile = tuple[bytes, str]


@dataclass(frozen=True)
class FitQuestion:
    """What is known of the child and of the instrument: for each, photos or typed lengths.

    Attributes
    ----------
    child_photos : tuple of (bytes, str)
        File and name of each photo of the one child; used where `arm` is None.
    instrument_photos : tuple of (bytes, str)
        Photos of the one instrument, lying still; used where `body` and `total` are None.
    arm, body, total : Length or None
        Typed lengths.
    label : str or None
        The size the instrument is sold as.
    chart : Chart or None
        The teacher's chart; None takes the default one.
    signs : PlayingSigns or None
    arm_options : ArmQuestion
        Side and what else is known for the photo of the child.
    bar_mm : float or None
        Length of the check bar on the sheet beside the instrument, as measured with a ruler, mm.
    """

    child_photos: tuple[PhotoFile, ...] = ()
    instrument_photos: tuple[PhotoFile, ...] = ()
    arm: Length | None = None
    body: Length | None = None
    total: Length | None = None
    label: str | None = None
    chart: Chart | None = None
    signs: PlayingSigns | None = None
    arm_options: ArmQuestion = field(default_factory=ArmQuestion)
    bar_mm: float | None = None

    def __post_init__(self) -> None:
        check_distinct(self.child_photos)
        check_distinct(self.instrument_photos)
        if self.arm is None and not self.child_photos:
            raise FitError(say("Give a photo of the child or the length of the arm."))
        if self.body is None and self.total is None and not self.instrument_photos:
            raise FitError(say("Give a photo of the instrument, or its body length or total length."))


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
    def all_usable(self) -> bool:
        """Whether there is a verdict and no photo was refused."""
        return self.verdict is not None and all(each.result["usable"] for each in self.child_photos)

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON."""
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
    photos, instrument = await asyncio.gather(_child(pool, question), _instrument(pool, question))
    child = together(photos) if len(photos) > 1 else photos[0] if photos else None
    usable = all(outcome is None or outcome.result["usable"] for outcome in (child, instrument))
    if not usable:
        return FitAnswer(child, instrument, None, photos)
    arm = question.arm if child is None else length_from_json(child.result["arm_length"])
    if arm is None:
        raise FitError(say("Give a photo of the child or the length of the arm."))
    verdict = judge(arm, _lengths(question, instrument), question.chart or default_chart(), question.signs)
    return FitAnswer(child, instrument, verdict, photos)


async def _child(pool: Measurer, question: FitQuestion) -> tuple[Outcome, ...]:
    if question.arm is not None:
        return ()
    return tuple(await asyncio.gather(*(pool.arm(*file, question.arm_options) for file in question.child_photos)))


async def _instrument(pool: Measurer, question: FitQuestion) -> Outcome | None:
    if question.body is not None or question.total is not None or not question.instrument_photos:
        return None
    known = InstrumentQuestion(bar_mm=question.bar_mm)
    if len(question.instrument_photos) > 1:
        return await pool.instrument_together(question.instrument_photos, known)
    return await pool.instrument(*question.instrument_photos[0], known)


def _lengths(question: FitQuestion, instrument: Outcome | None) -> InstrumentLengths:
    if instrument is None:
        return InstrumentLengths(question.body, question.total, question.label)
    measured = {
        name: None if instrument.result[name] is None else length_from_json(instrument.result[name])
        for name in ("body_length", "total_length", "string_length")
    }
    return InstrumentLengths(
        measured["body_length"],
        measured["total_length"],
        question.label,
        string_length=measured["string_length"],
    )


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
