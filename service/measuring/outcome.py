"""What is asked of a worker about photos, and the outcome that it hands back: plain data between processes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from calibration.blank import Blank
from calibration.problems import Problem
from service.measuring.results import ARM_LENGTHS, INSTRUMENT_LENGTHS, problems_json
from vision.instrument.sheet_height import SheetHeight

ARM, INSTRUMENT = "arm", "instrument"
"""Kinds of photos: of a child, of an instrument."""

KNOWN_AGES_YEARS = (2.0, 20.0)
"""Ages that the build of a child is known for (`vision.arm.priors`); outside of them none is said."""
KNOWN_STATURES_MM = (600.0, 2200.0)
"""Standing heights that are no slip of the pen; ours: well beyond a two-year-old and a tall adult."""


@dataclass(frozen=True)
class ArmQuestion:
    """What to measure in photos of a child: the options of `vision.arm.measure.measure_arm`, and captions to draw."""

    side: str = "auto"
    age_years: float | None = None
    stature_mm: float | None = None
    against_wall: bool | None = None
    bar_mm: float | None = None
    reference: Blank | None = None
    captions: Mapping[str, str] | None = None
    refused_too: bool = True
    """Whether overlay and photo of a refused photo are wanted, too, and not only the picture of what is wrong."""


@dataclass(frozen=True)
class InstrumentQuestion:
    """What is known of photos of an instrument (`vision.instrument.measure.measure_instrument`); captions to draw."""

    bar_mm: float | None = None
    sheet_height: SheetHeight | None = None
    reference: Blank | None = None
    captions: Mapping[str, str] | None = None
    refused_too: bool = True
    """As of an `ArmQuestion`."""


Question = ArmQuestion | InstrumentQuestion

NO_VIEWS: dict[str, Any] = {"photos": 0, "left_out": [], "unused": [], "viewpoints_deg": None}
"""What is said of several photos of an instrument where nothing was measured."""


@dataclass(frozen=True)
class Outcome:
    """What a worker found in one photo.

    Attributes
    ----------
    result : dict
        JSON form of the measurement (see `service.measuring.results`).
    overlay_jpeg : bytes or None
        The photo with what was measured drawn on it; faces, and all that is away from what was measured, blurred.
    photo_jpeg : bytes or None
        The photo without metadata, blurred in the same way, at its own size.
    size_px : tuple of int or None
        (width, height) of the upright photo, the frame of ``points_px``.
    failed : bool
        Nothing was found out, because a worker died, hung or erred: another try may do better.
    refusal_jpeg : bytes or None
        A refused photo with the fault marked on it, faces blurred; only for whoever sent it, and only in memory.
    photos : tuple of Outcome
        Where several photos were measured together: what each of them gave by itself.
    views : tuple of (Outcome or None)
        Where several photos, or a film's frames, were measured together: what is shown of each file, which is a photo
        itself or one frame of a film, with its own `photo_jpeg`, `size_px`, `film_s`, `drawn_px`, and in its result
        ``points_px``; None of a file that did not go in.
    drawn_px : dict
        What a page draws over the photo, lists of points in px: ``sheets``, and an instrument's ``outline``.
    film_s : float or None
        Where the pictures show a frame of a film: how long after the film's first, s.
    """

    result: dict[str, Any]
    overlay_jpeg: bytes | None = None
    photo_jpeg: bytes | None = None
    size_px: tuple[int, int] | None = None
    failed: bool = False
    photos: tuple[Outcome, ...] = ()
    views: tuple[Outcome | None, ...] = ()
    refusal_jpeg: bytes | None = None
    drawn_px: dict[str, Any] = field(default_factory=dict)
    film_s: float | None = None


def refused_arm(name: str, problems: Sequence[Problem]) -> Outcome:
    """The outcome of a photo of a child in which nothing could be measured, for these reasons."""
    return refused(name, problems, {"side": None}, ARM_LENGTHS)


def refused_instrument(
    names: Sequence[str], problems: Sequence[Problem], unused: Sequence[dict[str, Any]] = ()
) -> Outcome:
    """The same for photos of an instrument; `unused` says which of several show too little (`unused_json`)."""
    return refused(" + ".join(names), problems, NO_VIEWS | {"unused": list(unused)}, INSTRUMENT_LENGTHS)


def refused(name: str, problems: Sequence[Problem], extra: dict[str, Any], lengths: tuple[str, ...]) -> Outcome:
    """The outcome of a photo in which nothing could be measured, for these reasons."""
    nothing: dict[str, Any] = dict.fromkeys(lengths)
    head = {"photo": name, "usable": False, "problems": problems_json(problems)}
    return Outcome(head | nothing | {"points_px": {}} | extra)
