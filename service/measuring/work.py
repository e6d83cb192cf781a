"""What a worker does with a photo: decode and measure it, look at it, solve what was seen; in plain data in and out.

These functions run in a process of their own (`service.measuring.pool`).  What they hand back is the JSON form of the
measurement and JPEG pictures without metadata and with the face blurred.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from calibration.blank import Blank
from calibration.problems import Problem, Refused
from service.measuring.results import ARM_LENGTHS, INSTRUMENT_LENGTHS, arm_json, instrument_json, problems_json

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from vision.arm.measure import ArmMeasurement
    from vision.instrument.measure import InstrumentMeasurement
    from vision.photo import Photo

NEEDED = (
    "vision.arm.measure",
    "vision.instrument.measure",
    "vision.arm.overlay",
    "vision.instrument.overlay",
    "vision.arm.views",
    "vision.instrument.views",
    "vision.clip",
)
"""Modules that a worker loads before its first photo."""

ARM = "arm"
"""Kind of a photo that shows a child; any other kind shows an instrument."""

Corrections = Mapping[str, tuple[float, float]]


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
    corrections: Corrections | None = None
    bar_mm: float | None = None
    reference: Blank | None = None
    captions: Mapping[str, str] | None = None
    refused_too: bool = True
    """Whether overlay and photo of a refused photo are wanted, too, and not only the picture of what is wrong."""


@dataclass(frozen=True)
class InstrumentQuestion:
    """What is known of photos of an instrument (`vision.instrument.measure.measure_instrument`); captions to draw."""

    corrections: Corrections | None = None
    bar_mm: float | None = None
    sheet_height_mm: float | None = None
    reference: Blank | None = None
    captions: Mapping[str, str] | None = None
    refused_too: bool = True
    """As of an `ArmQuestion`."""


Question = ArmQuestion | InstrumentQuestion

NO_VIEWS: dict[str, Any] = {"photos": 0, "left_out": [], "viewpoints_deg": None}
"""What is said of several photos of an instrument where nothing was measured."""


@dataclass(frozen=True)
class Outcome:
    """What a worker found in one photo.

    Attributes
    ----------
    result : dict
        JSON form of the measurement (see `service.measuring.results`).
    overlay_jpeg : bytes or None
        The photo with what was measured drawn on it; faces, or all that is away from an instrument, blurred.
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
    refusal_jpeg: bytes | None = None
    drawn_px: dict[str, Any] = field(default_factory=dict)
    film_s: float | None = None


@dataclass(frozen=True)
class ArmView:
    """One of several photos of a child: what it gave by itself, and what was seen in it.

    Attributes
    ----------
    outcome : Outcome
    sight : bytes or None
        A `vision.arm.seen.SeenArm`: places and camera, no pixel; None where the photo was refused before.
    """

    outcome: Outcome
    sight: bytes | None


@dataclass(frozen=True)
class ClipFrames:
    """The frames of a film that are to be measured, or why there are none."""

    frames: tuple[Photo, ...] = ()
    problems: tuple[Problem, ...] = ()


def choose_frames(data: bytes, name: str, sheets: bool) -> ClipFrames:
    """Choose the frames of a film; `sheets` says whether they show a printed sheet."""
    from vision.clip import clip_photos

    try:
        return ClipFrames(clip_photos(data, name, sheets))
    except Refused as refusal:
        return ClipFrames(problems=refusal.problems)


def measure_arm_photo(data: bytes, name: str, question: ArmQuestion) -> Outcome:
    """Measure the arm in one photo, given as the bytes of its file."""
    return measure_arm_view(data, name, question).outcome


def measure_arm_view(source: bytes | Photo, name: str, question: ArmQuestion) -> ArmView:
    """The same for one of several photos, or for a frame of a film."""
    from vision.arm.measure import ArmMeasurement, solve_arm
    from vision.arm.overlay import blur_face, draw_arm, sheet_outlines_px
    from vision.arm.seen import see_arm
    from vision.photo import load_photo

    try:
        photo = load_photo(source, name) if isinstance(source, bytes) else source
    except Refused as refusal:
        return ArmView(refused(name, refusal.problems, {"side": None}, ARM_LENGTHS), None)
    known = question.age_years, question.stature_mm, question.against_wall, question.corrections
    sight = None
    try:
        seen = see_arm(photo, question.side, question.bar_mm, question.reference)
        measurement = solve_arm(seen, *known)
        sight = pickle.dumps(seen)
    except Refused as refusal:
        measurement = ArmMeasurement(photo=photo.name, usable=False, problems=refusal.problems)
    photo = replace(photo, rgb=blur_face(photo, measurement))  # from here on nobody needs the face, nor its memory
    wanted = measurement.usable or question.refused_too
    outcome = Outcome(
        arm_json(measurement),
        _jpeg(draw_arm(photo, measurement, blur_face=False, captions=question.captions)) if wanted else None,
        _jpeg(photo.rgb) if wanted else None,
        _size_px(photo.rgb),
        refusal_jpeg=_refusal_jpeg(photo, measurement, ()),
        drawn_px=_drawn_px(sheet_outlines_px(measurement)),
        film_s=photo.film_s,
    )
    return ArmView(outcome, sight)


def solve_arm_views(views: Sequence[ArmView], question: ArmQuestion) -> Outcome | None:
    """One arm from several photos of a child that stood still; None where fewer than two go together.

    The result has, beside the lengths, the numbers of the photos used (``used``) and left out (``left_out``), and the
    angle between the places they were taken from (``viewpoints_deg``).  The picture is drawn on the first one used.
    """
    import numpy as np
    from PIL import Image

    from vision.arm.overlay import draw_arm, sheet_outlines_px
    from vision.arm.views import solve_views
    from vision.photo import Photo

    looked = [number for number, view in enumerate(views) if view.sight is not None]
    seen = [pickle.loads(views[number].sight or b"") for number in looked]  # made by `measure_arm_view` in this pool
    found = solve_views(seen, question.age_years, question.stature_mm, question.against_wall)
    if found is None:
        return None
    used = [looked[number] for number in found.used]
    first = views[used[0]].outcome
    clean = Image.open(io.BytesIO(first.photo_jpeg or b""))  # its face is blurred already
    photo = Photo(first.result["photo"], np.asarray(clean))
    overlay = draw_arm(photo, found.measurement, blur_face=False, captions=question.captions)
    result = arm_json(found.measurement) | {
        "used": used,
        "left_out": [looked[number] for number in found.left_out],
        "viewpoints_deg": round(found.spread_deg, 1),
    }
    drawn = _drawn_px(sheet_outlines_px(found.measurement))
    return Outcome(result, _jpeg(overlay), first.photo_jpeg, first.size_px, drawn_px=drawn, film_s=first.film_s)


def measure_instrument_photos(files: Sequence[tuple[bytes, str]], question: InstrumentQuestion) -> Outcome:
    """Measure one instrument, lying still, from one photo, several together, or a film.

    Moved points belong to one photo, so they are used only where there is one.  The pictures are of the first photo
    that went in.  Beside the lengths the result has how many photos went in (``photos``), the names of those left out
    (``left_out``; of a film none) and the angle between the places they were taken from (``viewpoints_deg``).
    """
    from vision.clip import clip_photos
    from vision.clip_files import is_clip
    from vision.instrument.measure import measure_instrument
    from vision.instrument.overlay import blur_surroundings, draw_instrument
    from vision.instrument.views import measure_instrument_together
    from vision.photo import load_photo

    photos: list[Photo] = []
    for data, name in files:
        try:
            if is_clip(data):
                photos.extend(clip_photos(data, name, question.reference is None))
            else:
                photos.append(load_photo(data, name))
        except Refused as refusal:
            return refused(name, refusal.problems, NO_VIEWS, INSTRUMENT_LENGTHS)
    if len(photos) == 1:
        measurement = measure_instrument(
            photos[0], question.corrections, question.sheet_height_mm, question.bar_mm, question.reference
        )
    else:
        measurement = measure_instrument_together(photos, question.sheet_height_mm, question.bar_mm, question.reference)
    result = instrument_json(measurement) | _of_views(photos, measurement)
    if len(files) == 1:
        result["photo"] = files[0][1]
    first = photos[measurement.used[0]] if measurement.used else photos[0]
    overlay_jpeg = photo_jpeg = None
    refusal_jpeg = _refusal_jpeg(first, measurement, None)
    if measurement.usable or question.refused_too:
        shown = replace(first, rgb=blur_surroundings(first, measurement))
        first = shown
        photos.clear()  # several of a size in memory are what a worker needs most of
        overlay_jpeg, photo_jpeg = _jpeg(draw_instrument(shown, measurement, question.captions)), _jpeg(shown.rgb)
    return Outcome(
        result,
        overlay_jpeg,
        photo_jpeg,
        _size_px(first.rgb),
        drawn_px=_drawn_px([sheet.outline_px for sheet in measurement.sheets], measurement.outline_px),
        refusal_jpeg=refusal_jpeg,
        film_s=first.film_s,
    )


def _of_views(photos: Sequence[Photo], measurement: InstrumentMeasurement) -> dict[str, Any]:
    """What is said of several photos of one instrument, as JSON."""
    angle = measurement.viewpoints_deg
    return {
        "photos": len(measurement.used) or int(measurement.usable),
        "left_out": [photos[number].name for number in measurement.left_out if not photos[number].film],
        "viewpoints_deg": None if angle is None else round(angle, 1),
    }


def _refusal_jpeg(
    photo: Photo,
    measurement: ArmMeasurement | InstrumentMeasurement,
    faces_px: Sequence[tuple[float, float, float]] | None,
) -> bytes | None:
    """A refused photo with its fault marked; none of a photo that is good."""
    from vision.refusal import draw_refusal

    if measurement.usable or not measurement.problems:
        return None
    outlines = [sheet.outline_px for sheet in measurement.sheets]
    return _jpeg(draw_refusal(photo, measurement.problems[0].code, measurement.points_px, outlines, faces_px))


def look_at_photo(data: bytes, kind: str, bar_mm: float | None, reference: Blank | None = None) -> bytes:
    """What is seen in a photo, or why nothing is: the slow half of measuring, made into bytes for `solve_sight`."""
    from vision.arm.seen import see_arm
    from vision.instrument.measure import detect_instrument
    from vision.photo import load_photo

    try:
        photo = load_photo(data, kind)
        see = see_arm if kind == ARM else detect_instrument
        seen = see(photo, bar_mm=bar_mm, reference=reference)
    except Refused as refusal:
        return pickle.dumps(refusal.problems)
    return pickle.dumps(seen)


def solve_sight(sight: bytes, question: Question) -> Outcome:
    """Lengths from what was seen, with corrected points: the quick half of measuring; makes no pictures."""
    from vision.arm.measure import solve_arm
    from vision.arm.overlay import sheet_outlines_px
    from vision.arm.seen import SeenArm
    from vision.instrument.measure import solve_instrument

    seen = pickle.loads(sight)  # made by `look_at_photo` in a worker of this pool, and kept in memory only
    if isinstance(seen, SeenArm) and isinstance(question, ArmQuestion):
        options = question.age_years, question.stature_mm, question.against_wall, question.corrections
        arm = solve_arm(seen, *options)
        return Outcome(arm_json(arm), drawn_px=_drawn_px(sheet_outlines_px(arm)))
    try:
        if isinstance(seen, tuple):
            raise Refused(*seen)
        found = solve_instrument(seen, question.corrections)
        outlines = [sheet.outline_px for sheet in found.sheets]
        alone = NO_VIEWS | {"photos": 1}
        return Outcome(instrument_json(found) | alone, drawn_px=_drawn_px(outlines, found.outline_px))
    except Refused as refusal:
        return refused("", refusal.problems, NO_VIEWS, ())


def refused(name: str, problems: Sequence[Problem], extra: dict[str, Any], lengths: tuple[str, ...]) -> Outcome:
    """The outcome of a photo in which nothing could be measured, for these reasons."""
    nothing: dict[str, Any] = dict.fromkeys(lengths)
    head = {"photo": name, "usable": False, "problems": problems_json(problems)}
    return Outcome(head | nothing | {"points_px": {}} | extra)


MOST_OUTLINE_POINTS = 160
"""Of an outline that a page draws: our choice, one every few millimetres."""


def _drawn_px(sheets: Sequence[NDArray[np.float64]], outline: NDArray[np.float64] | None = None) -> dict[str, Any]:
    step = 1 if outline is None else -(-len(outline) // MOST_OUTLINE_POINTS)
    drawn: dict[str, Any] = {"sheets": [each.round(1).tolist() for each in sheets]}
    return drawn if outline is None else drawn | {"outline": outline[::step].round(1).tolist()}


def _size_px(rgb: NDArray[np.uint8]) -> tuple[int, int]:
    height, width = rgb.shape[:2]
    return width, height


def _jpeg(rgb: NDArray[np.uint8]) -> bytes:
    import numpy as np
    import simplejpeg

    # the same encoder without Pillow's copy of the picture in its own memory
    return bytes(
        simplejpeg.encode_jpeg(np.ascontiguousarray(rgb), quality=88, colorspace="RGB", colorsubsampling="420")
    )
