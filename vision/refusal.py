"""A refused photo with its fault marked, for the parent who took it: their own picture says more than a drawing.

What was found of arm and sheet is drawn thin, the place of the fault is ringed in red, and where a fault has no place
of its own the whole picture is framed.  Faces are made unrecognisable as in every other picture that is shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision import drawing
from vision.drawing import CYAN, RED
from vision.networks.crops import halved
from vision.person.face import face_disc
from vision.person.pose import find_people
from vision.photo import Photo

Point = tuple[float, float]

LONGEST_SIDE_PX = 1400
"""Of the picture; ours: sharp on a phone, and some 150 kB."""
ARM = ("shoulder", "elbow", "wrist", "mid_palm")
PLACES = {
    "elbow_bent": "elbow",
    "arm_too_low": "wrist",
    "arm_too_high": "wrist",
    "arm_forward": "mid_palm",
    "hand_hidden": "mid_palm",
    "no_arm_out": "mid_palm",
}
"""At which point of the arm a fault is looked at."""
OF_THE_SHEET = ("sheet_", "print_scale", "blank_sheet", "which_paper", "bar_length")
"""How the names of faults begin that are looked at on the sheet."""
RING = 45.0
"""Radius of a mark, thousandths of the picture's longer side: about a hand."""


def draw_refusal(
    photo: Photo,
    code: str,
    points_px: Mapping[str, Point],
    outlines_px: Sequence[Array] = (),
    faces_px: Sequence[tuple[float, float, float]] | None = None,
) -> Picture:
    """Mark in a refused photo what is wrong with it.

    Parameters
    ----------
    photo : Photo
        The photo.
    code : str
        Code of the problem that it is refused for.
    points_px : mapping of str to (x, y)
        Points of an arm that were found, px.
    outlines_px : sequence of (N, 2) ndarray
        Outlines of the sheets that were found, px.
    faces_px : sequence of (x, y, radius), optional
        Where the faces are, px; looked for if not given.

    Returns
    -------
    (H, W, 3) uint8 ndarray
        The picture, its longer side at most `LONGEST_SIDE_PX`.
    """
    if faces_px is None:
        faces_px = tuple(face_disc(person) for person in find_people(photo.rgb))
    picture = photo.rgb.copy()
    for x, y, radius in faces_px:
        drawing.blurred_disc(picture, (x, y), radius)
    height, width = picture.shape[:2]
    scale = min(1.0, LONGEST_SIDE_PX / max(height, width))
    size = round(width * scale), round(height * scale)
    smaller = cv2.resize(halved(picture, 1 / scale), size, interpolation=cv2.INTER_AREA)
    picture = np.asarray(smaller, np.uint8)
    place = PLACES.get(code, "")
    if place in points_px and set(ARM) <= points_px.keys():
        drawing.line(picture, scale * np.array([points_px[name] for name in ARM]), CYAN, 2.0)
        x, y = points_px[place]
        drawing.ring(picture, (x * scale, y * scale), RED, RING)
    elif code.startswith(OF_THE_SHEET) and outlines_px:
        for outline in outlines_px:
            drawing.line(picture, scale * outline, RED, 5.0, closed=True)
    else:
        drawing.framed(picture)
    return picture
