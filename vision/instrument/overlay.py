"""The measured instrument drawn into its photo, for a teacher to judge at a glance on a phone.

Outline, axis, ends and widths as measured; the three ends that decide the lengths are shown magnified; underneath,
where captions are given, both lengths with their 95 % intervals.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from calibration.arrays import Array, Picture
from vision import drawing
from vision.drawing import CYAN, GREEN, YELLOW
from vision.instrument.measure import POINT_NAMES, InstrumentMeasurement
from vision.photo import Photo
from vision.surroundings import only_about

INSET_SIDE, INSET_TIMES = 170.0, 2.6
"""Side of a magnified detail in thousandths of the photo's longer side, and its magnification."""

_CORNERS = ("top left", "top right", "bottom left", "bottom right")


def draw_instrument(
    photo: Photo, measurement: InstrumentMeasurement, captions: Mapping[str, str] | None = None
) -> Picture:
    """Draw what was measured.

    Parameters
    ----------
    photo : Photo
        The photo, the first one where several were measured together.
    measurement : InstrumentMeasurement
        What was made of it; a refused one is framed in red.
    captions : mapping of str to str, optional
        What the lines are called, by ``"body_length"`` and ``"total_length"``; then each stands underneath in its
        line's colour, with its 95 % interval in mm.

    Returns
    -------
    (H', W, 3) uint8 ndarray
        The photo with the drawing; taller than the photo where there are captions.
    """
    picture = photo.rgb.copy()
    if measurement.body_length is None or measurement.total_length is None or measurement.outline_px is None:
        drawing.framed(picture)
        return picture
    points = {name: np.array(place) for name, place in measurement.points_px.items()}
    for sheet in measurement.sheets:
        drawing.line(picture, sheet.outline_px, GREEN, 1.5, closed=True)
    drawing.line(picture, measurement.outline_px, CYAN, 1.2, closed=True)
    for which in ("upper", "middle", "lower"):
        drawing.line(picture, np.array([points[f"{which}_bout_left"], points[f"{which}_bout_right"]]), CYAN, 1.0)
    drawing.line(picture, np.array([points["scroll_top"], points["body_top"]]), GREEN, 2.0)
    drawing.line(picture, np.array([points["body_top"], points["body_bottom"]]), YELLOW, 2.5)
    for name in POINT_NAMES:
        drawing.ring(picture, points[name], GREEN if name == "scroll_top" else YELLOW, 7.0)
    for name in ("nut", "bridge"):
        if name in points:
            drawing.ring(picture, points[name], CYAN, 4.0)
    _details(picture, photo.rgb, points, measurement)
    lines = [
        (drawing.caption(name, length, 1, captions), colour)
        for name, length, colour in (
            ("body_length", measurement.body_length, YELLOW),
            ("total_length", measurement.total_length, GREEN),
        )
        if captions
    ]
    return drawing.banner(picture, lines)


def blur_surroundings(photo: Photo, measurement: InstrumentMeasurement) -> Picture:
    """The photo with everything away from instrument and sheets made unrecognisable, (H, W, 3) uint8.

    Parameters
    ----------
    photo : Photo
        The photo, the first one where several were measured together.
    measurement : InstrumentMeasurement
        What was made of it; of a refused photo nothing stays recognisable.
    """
    if measurement.outline_px is None:
        return only_about(photo.rgb, None)
    ends = np.array(list(measurement.points_px.values()))
    sheets = (sheet.outline_px for sheet in measurement.sheets)
    return only_about(photo.rgb, np.vstack([measurement.outline_px, ends, *sheets]))


def _details(
    picture: Picture,
    clean: Picture,
    points: dict[str, Array],
    measurement: InstrumentMeasurement,
) -> None:
    """The three ends magnified, each in a corner that hides neither instrument nor sheet, as far as there is one."""
    assert measurement.outline_px is not None
    busy = np.vstack([measurement.outline_px, points["scroll_top"][None], *(s.outline_px for s in measurement.sheets)])
    size = INSET_SIDE * drawing.unit_px(picture)
    height, width = picture.shape[:2]
    free = [corner for corner in _CORNERS if not _hides(busy, corner, size, width, height)]
    axis, unit = np.array([points["scroll_top"], points["body_bottom"]]), drawing.unit_px(clean)
    for name, corner in zip(POINT_NAMES, free, strict=False):
        detail, origin = drawing.part_about(clean, points[name], INSET_SIDE, INSET_TIMES)
        drawing.line(detail, measurement.outline_px - origin, CYAN, 0.4, True, unit)
        drawing.line(detail, axis - origin, YELLOW, 0.4, False, unit)
        drawing.ring(detail, points[name] - origin, YELLOW, 7.0, unit)
        drawing.magnified(picture, detail, points[name] - origin, corner, INSET_SIDE, INSET_TIMES)


def _hides(places_px: Array, corner: str, size_px: float, width: int, height: int) -> bool:
    """Whether an inset in a corner would lie over any of the places or of the lines between neighbours."""
    between = np.vstack(
        [places_px + share * (np.roll(places_px, -1, axis=0) - places_px) for share in (0.0, 0.33, 0.67)]
    )
    x = between[:, 0] if "left" in corner else width - between[:, 0]
    y = between[:, 1] if "top" in corner else height - between[:, 1]
    return bool(((x < size_px) & (y < size_px)).any())
