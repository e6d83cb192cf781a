"""How long an arm or an instrument is: photos of a child or of an instrument, each by itself or joined."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from calibration.blank import Blank
from service.measuring.outcome import InstrumentQuestion, Outcome
from service.measuring.pool import Measurer
from service.measuring.same_child import check_distinct, without_lost_frames
from service.questions.asked import Bar, OfTheChild, OfTheInstrument, Reference
from service.words.lengths import captions

PhotoFile = tuple[bytes, str]
"""A photo's bytes and its name."""


class ArmPhotos(OfTheChild):
    """Photos of children, or several of one child."""

    same: Annotated[
        bool, Field(description="All photos show the same child: give the length from all of them, too.")
    ] = False


class InstrumentPhotos(OfTheInstrument):
    """Photos of instruments, or several of one."""

    same: Annotated[
        bool,
        Field(
            description="All photos show the same instrument, lying still beside the same sheet: measure it from all "
            "together."
        ),
    ] = False
    bar_mm: Bar = None
    reference: Reference = None

    def known(self) -> InstrumentQuestion:
        """The same for the measuring room."""
        return InstrumentQuestion(
            bar_mm=self.bar_mm,
            sheet_height=self.sheet_height,
            reference=None if self.reference is None else Blank(self.reference),
            captions=captions(self.language),
        )


async def arms(pool: Measurer, question: ArmPhotos, files: Sequence[PhotoFile]) -> tuple[list[Outcome], Outcome | None]:
    """Measure the arm in each photo.

    Returns
    -------
    list of Outcome
        One a photo, in their order; where photos of one child are joined, one a frame that was measured of a film.
    Outcome or None
        What all give together, where they show one child and there are several.

    Raises
    ------
    FitError
        If photos of one child hold the same photo twice.
    """
    if question.same:
        check_distinct(files)
    known = question.known()
    if question.same and len(files) > 1:
        joint = await pool.arm_together(files, known)
        return without_lost_frames(joint.photos), joint
    return list(await asyncio.gather(*(pool.arm(*file, known) for file in files))), None


async def instruments(pool: Measurer, question: InstrumentPhotos, files: Sequence[PhotoFile]) -> list[Outcome]:
    """Measure the instrument in each photo; one outcome where all photos show the same.

    Raises
    ------
    FitError
        If photos of one instrument hold the same photo twice.
    """
    if question.same:
        check_distinct(files)
    known = question.known()
    if question.same and len(files) > 1:
        return [await pool.instrument_together(files, known)]
    return list(await asyncio.gather(*(pool.instrument(*file, known) for file in files)))
