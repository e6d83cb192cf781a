"""What a worker does with photos: decode and measure them; in plain data in and out.

These functions run in a process of their own (`service.measuring.pool`).  What they hand back is the JSON form of the
measurement and JPEG pictures without metadata and with the face blurred.  `service.measuring.looking` has what a
review asks for: to look once, and to solve as often as a point is moved.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from calibration.blank import Blank
from calibration.problems import Problem, Refused
from service.measuring.outcome import (
    ArmQuestion,
    InstrumentQuestion,
    Outcome,
    refused_arm,
    refused_instrument,
)
from service.measuring.results import arm_json, instrument_json, problems_json

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from vision.arm.measure import ArmMeasurement
    from vision.arm.views import ArmViews
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
    from vision.arm.overlay import draw_arm, without_others
    from vision.arm.seen import see_arm
    from vision.photo import load_photo

    try:
        photo = load_photo(source, name) if isinstance(source, bytes) else source
    except Refused as refusal:
        return ArmView(refused_arm(name, refusal.problems), None)
    sight = None
    try:
        seen = see_arm(photo, question.side, question.bar_mm, question.reference)
        measurement = solve_arm(seen, *known_of(question))
        sight = pickle.dumps(seen)
    except Refused as refusal:
        measurement = ArmMeasurement(photo=photo.name, usable=False, problems=refusal.problems)
    photo = replace(photo, rgb=without_others(photo, measurement))  # from here on nobody needs the rest, nor its memory
    wanted = measurement.usable or question.refused_too
    outcome = Outcome(
        arm_json(measurement),
        jpeg(draw_arm(photo, measurement, captions=question.captions)) if wanted else None,
        jpeg(photo.rgb) if wanted else None,
        _size_px(photo.rgb),
        refusal_jpeg=_refusal_jpeg(photo, measurement, ()),
        drawn_px=shown_arm(measurement).drawn_px,
        film_s=photo.film_s,
    )
    return ArmView(outcome, sight)


def known_of(question: ArmQuestion) -> tuple[float | None, float | None, bool | None]:
    """What is said of the child, in the order in which `vision.arm` takes it."""
    return question.age_years, question.stature_mm, question.against_wall


def solve_arm_views(views: Sequence[ArmView], question: ArmQuestion) -> Outcome | None:
    """One arm from several photos of a child that stood still; None where fewer than two go together.

    The result has, beside the lengths, the numbers of the photos used (``used``) and left out (``left_out``), and the
    angle between the places they were taken from (``viewpoints_deg``).  The picture is drawn on the first one used;
    `Outcome.views` says where the points are in each.
    """
    from vision.arm.overlay import draw_arm
    from vision.arm.views import solve_views

    looked = [number for number, view in enumerate(views) if view.sight is not None]
    seen = [pickle.loads(views[number].sight or b"") for number in looked]  # made by `measure_arm_view` in this pool
    found = solve_views(seen, *known_of(question))
    if found is None:
        return None
    first = views[looked[found.used[0]]].outcome
    photo = picture_of(first.photo_jpeg or b"", first.result["photo"])  # its face is blurred already
    overlay = draw_arm(photo, found.measurement, captions=question.captions)
    shown = tuple(shown_arm(view) for view in found.views)
    return Outcome(
        arm_views_json(found, looked),
        jpeg(overlay),
        first.photo_jpeg,
        first.size_px,
        drawn_px=shown[0].drawn_px,
        film_s=first.film_s,
        views=shown,
    )


def arm_views_json(found: ArmViews, numbers: Sequence[int]) -> dict[str, Any]:
    """The JSON form of an arm from several photos; `numbers` are those of the photos that were given."""
    return arm_json(found.measurement) | {
        "used": [numbers[number] for number in found.used],
        "left_out": [numbers[number] for number in found.left_out],
        "viewpoints_deg": round(found.spread_deg, 1),
    }


def shown_arm(measurement: ArmMeasurement) -> Outcome:
    """What a page draws over a photo of an arm."""
    from vision.arm.overlay import sheet_outlines_px

    drawn = _drawn_px(sheet_outlines_px(measurement))
    return Outcome({"points_px": arm_json(measurement)["points_px"]}, drawn_px=drawn)


def picture_of(jpeg: bytes, name: str) -> Photo:
    """A picture that was made here, as a photo to draw on."""
    import numpy as np
    from PIL import Image

    from vision.photo import Photo

    return Photo(name, np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB")))


def measure_instrument_photos(files: Sequence[tuple[bytes, str]], question: InstrumentQuestion) -> Outcome:
    """Measure one instrument, lying still, from one photo, several together, or a film.

    The pictures are of the first photo that went in.  Beside the lengths the result has how many photos went in
    (``photos``), the names of those left out (``left_out``; of a film none), which of several show too little, and why
    (``unused``: each one's number, from 1, and its first problem), and the angle between the places they were taken
    from (``viewpoints_deg``).
    """
    from vision.instrument.measure import measure_instrument
    from vision.instrument.views import measure_instrument_together

    photos: list[Photo] = []
    file_of: list[int] = []
    for file, (data, name) in enumerate(files):
        try:
            photos += photos_in(data, name, question.reference)
        except Refused as refusal:
            why = [unused_json(file, name, refusal.problems)] if len(files) > 1 else []
            return refused_instrument([each for _, each in files], refusal.problems, why)
        file_of += (len(photos) - len(file_of)) * [file]
    known = question.sheet_height, question.bar_mm, question.reference
    if len(photos) == 1:
        measurement = measure_instrument(photos[0], None, *known)
    else:
        measurement = measure_instrument_together(photos, *known)
    names = [photos[number].name for number in measurement.left_out if not photos[number].film]
    result = instrument_json(measurement) | instrument_views_json(measurement, names)
    if len(files) == 1:
        result["photo"] = files[0][1]
    elif not any(photo.film for photo in photos):  # a film gives several pictures: one of them is no photo by itself
        result["unused"] = [unused_json(n, photos[n].name, why) for n, why in measurement.unseen.items()]
    return replace(_shown_together(measurement, photos, file_of, question), result=result)


def _shown_together(
    measurement: InstrumentMeasurement, photos: list[Photo], file_of: Sequence[int], question: InstrumentQuestion
) -> Outcome:
    """The pictures of photos that were measured together, without the result; empties `photos`.

    Parameters
    ----------
    measurement : InstrumentMeasurement
    photos : list of Photo
        Emptied: several of a size in memory are what a worker needs most of.
    file_of : sequence of int
        Number of the file that each of `photos` is from.
    question : InstrumentQuestion
    """
    from vision.instrument.overlay import blur_surroundings, draw_instrument

    views = measurement.views or (measurement,)
    used = measurement.used or (_first_at_fault(measurement),)
    first = photos[used[0]]
    refusal_jpeg = _refusal_jpeg(first, measurement, None)
    if not measurement.usable and not question.refused_too:
        return Outcome({}, size_px=_size_px(first.rgb), refusal_jpeg=refusal_jpeg, film_s=first.film_s)
    first_of: dict[int, int] = {}  # of each file that went in the first of its pictures
    for number, photo in enumerate(used):
        first_of.setdefault(file_of[photo], number)
    files = file_of[-1] + 1
    shown: list[Outcome | None] = [None] * files
    for file, number in list(first_of.items())[1:]:
        clean = blur_surroundings(photos[used[number]], views[number])
        shown[file] = _with_picture(shown_instrument(views[number]), clean, photos[used[number]].film_s)
    photos.clear()
    first = replace(first, rgb=blur_surroundings(first, views[0]))
    mine = _with_picture(shown_instrument(views[0]), first.rgb, first.film_s)
    shown[file_of[used[0]]] = mine
    return replace(
        mine,
        overlay_jpeg=jpeg(draw_instrument(first, views[0], question.captions)),
        refusal_jpeg=refusal_jpeg,
        views=tuple(shown) if measurement.usable and (files > 1 or first.film) else (),
    )


def unused_json(number: int, name: str, problems: Sequence[Problem]) -> dict[str, Any]:
    """What is said of one of several photos, of this number from 0, that shows too little."""
    return {"number": number + 1, "photo": name} | problems_json(problems[:1])[0]


def _first_at_fault(refused: InstrumentMeasurement) -> int:
    """Number of the photo that is shown where none was measured: the first for which what is said of all holds."""
    return next((number for number, why in refused.unseen.items() if why == refused.problems), 0)


def photos_in(data: bytes, name: str, reference: Blank | None) -> Sequence[Photo]:
    """The photo in a file, or the chosen frames of a film.

    Raises
    ------
    Refused
        If it cannot be read.
    """
    from vision.clip import clip_photos
    from vision.clip_files import is_clip
    from vision.photo import load_photo

    return clip_photos(data, name, reference is None) if is_clip(data) else [load_photo(data, name)]


def instrument_views_json(measurement: InstrumentMeasurement, left_out: Sequence[str]) -> dict[str, Any]:
    """What is said of several photos of one instrument, as JSON; `left_out` are the names of those left out."""
    angle = measurement.viewpoints_deg
    return {
        "photos": len(measurement.used) or int(measurement.usable),
        "left_out": list(left_out),
        "unused": [],
        "viewpoints_deg": None if angle is None else round(angle, 1),
    }


def shown_instrument(measurement: InstrumentMeasurement) -> Outcome:
    """What a page draws over a photo of an instrument."""
    drawn = _drawn_px([sheet.outline_px for sheet in measurement.sheets], measurement.outline_px)
    return Outcome({"points_px": instrument_json(measurement)["points_px"]}, drawn_px=drawn)


def _with_picture(shown: Outcome, clean: NDArray[np.uint8], film_s: float | None) -> Outcome:
    return replace(shown, photo_jpeg=jpeg(clean), size_px=_size_px(clean), film_s=film_s)


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
    return jpeg(draw_refusal(photo, measurement.problems[0].code, measurement.points_px, outlines, faces_px))


MOST_OUTLINE_POINTS = 160
"""Of an outline that a page draws: our choice, one every few millimetres."""


def _drawn_px(sheets: Sequence[NDArray[np.float64]], outline: NDArray[np.float64] | None = None) -> dict[str, Any]:
    step = 1 if outline is None else -(-len(outline) // MOST_OUTLINE_POINTS)
    drawn: dict[str, Any] = {"sheets": [each.round(1).tolist() for each in sheets]}
    return drawn if outline is None else drawn | {"outline": outline[::step].round(1).tolist()}


def _size_px(rgb: NDArray[np.uint8]) -> tuple[int, int]:
    height, width = rgb.shape[:2]
    return width, height


def jpeg(rgb: NDArray[np.uint8]) -> bytes:
    """A picture as a JPEG file without metadata."""
    import numpy as np
    import simplejpeg

    # the same encoder without Pillow's copy of the picture in its own memory
    return bytes(
        simplejpeg.encode_jpeg(np.ascontiguousarray(rgb), quality=88, colorspace="RGB", colorsubsampling="420")
    )
