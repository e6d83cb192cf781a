"""The measured arm drawn into its photo, for a teacher to judge at a glance on a phone.

The two points that decide the length are shown magnified as well.  Faces, and whatever is away from child and
sheets, are made unrecognisable first (`without_others`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from calibration.arrays import Array, Picture
from vision import drawing
from vision.arm.measure import ArmMeasurement
from vision.drawing import CYAN, GREEN, YELLOW
from vision.person.face import face_disc
from vision.person.pose import find_people
from vision.photo import Photo
from vision.surroundings import only_about

INSET_SIDE, INSET_TIMES = 190.0, 2.6
"""Side of a magnified detail in thousandths of the photo's longer side, and its magnification."""


def draw_arm(photo: Photo, measurement: ArmMeasurement, captions: Mapping[str, str] | None = None) -> Picture:
    """Draw what was measured.

    Parameters
    ----------
    photo : Photo
        The photo, as of `without_others`.
    measurement : ArmMeasurement
        What `measure_arm` made of it; a refused one is framed in red.
    captions : mapping of str to str, optional
        As of `vision.drawing.caption`; then the line's name stands underneath with its 95 % interval in mm.

    Returns
    -------
    (H', W, 3) uint8 ndarray
        The photo with the sheets, the joints, the measured line and details; taller than the photo where there are
        captions.
    """
    picture = photo.rgb.copy()
    _sheets(picture, measurement)
    points = {name: np.array(place) for name, place in measurement.points_px.items()}
    if {"side_neck", "mid_palm", "shoulder", "elbow", "wrist"} <= points.keys():
        chain = np.array([points[name] for name in ("shoulder", "elbow", "wrist", "mid_palm")])
        drawing.line(picture, chain, CYAN, 1.5)
        for name in ("shoulder", "elbow", "wrist"):
            drawing.ring(picture, points[name], CYAN, 5.0)
        drawing.line(picture, np.array([points["side_neck"], points["mid_palm"]]), YELLOW, 3.5)
        for name in ("side_neck", "mid_palm"):
            drawing.ring(picture, points[name], YELLOW, 9.0)
        _details(picture, photo.rgb, points)
    if measurement.arm_length is None:
        drawing.framed(picture)
        return picture
    said = [drawing.caption("arm_length", measurement.arm_length, 0, captions)] if captions else []
    return drawing.banner(picture, [(each, YELLOW) for each in said])


def without_faces(photo: Photo, measurement: ArmMeasurement) -> Picture:
    """The photo with all faces made unrecognisable, (H, W, 3) uint8, at its own size.

    Parameters
    ----------
    photo : Photo
        The photo.
    measurement : ArmMeasurement
        If it knows where the faces are they are not looked for again.
    """
    faces = measurement.faces_px
    if faces is None:
        faces = tuple(face_disc(person) for person in find_people(photo.rgb))
    return _blurred(photo.rgb.copy(), faces)


def _blurred(picture: Picture, faces: Iterable[tuple[float, float, float]]) -> Picture:
    for x, y, radius in faces:
        drawing.blurred_disc(picture, (x, y), radius)
    return picture


def without_others(photo: Photo, measurement: ArmMeasurement) -> Picture:
    """The photo with all faces, and all that is away from child and sheets, made unrecognisable, (H, W, 3) uint8.

    Whoever stands farther off, or hangs framed on the wall, is not found as surely as the child is.

    Parameters
    ----------
    photo : Photo
        The photo.
    measurement : ArmMeasurement
        What was made of it; where no child was found in it, faces alone are looked for.
    """
    if measurement.body_px is None:
        return without_faces(photo, measurement)
    points = np.array(list(measurement.points_px.values())).reshape(-1, 2)
    sheets = (sheet.outline_px for sheet in measurement.sheets)
    near = only_about(photo.rgb, np.vstack([measurement.body_px, points, *sheets]))
    return _blurred(near, measurement.faces_px or ())


def sheet_outlines_px(measurement: ArmMeasurement) -> list[Array]:
    """Corners (4, 2) of each sheet where the solved camera puts them, px; none where no camera was solved."""
    if measurement.camera is None:
        return []
    found = []
    for number, sheet in enumerate(measurement.sheets):
        rotation, shift = measurement.camera.sheet_frame(number)
        found.append(measurement.camera.project(sheet.layout.page.corners_mm @ rotation.T[:2] + shift))
    return found


def _sheets(picture: Picture, measurement: ArmMeasurement) -> None:
    for outline in sheet_outlines_px(measurement):
        drawing.line(picture, outline, GREEN, 2.0, closed=True)


def _details(picture: Picture, clean: Picture, points: dict[str, Array]) -> None:
    """The neck and the palm magnified, in the upper corners on their own sides of the picture."""
    palm_left = points["mid_palm"][0] < points["side_neck"][0]
    places = {"mid_palm": "bottom left" if palm_left else "bottom right"}
    places["side_neck"] = "bottom right" if palm_left else "bottom left"
    for name, corner in places.items():
        detail, origin = drawing.part_about(clean, points[name], INSET_SIDE, INSET_TIMES)
        drawing.ring(detail, points[name] - origin, YELLOW, 4.0, drawing.unit_px(clean))
        drawing.magnified(picture, detail, points[name] - origin, corner, INSET_SIDE, INSET_TIMES)
