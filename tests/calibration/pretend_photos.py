"""Synthetic photos of sheets whose corners are known to a hundredth of a pixel."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.homography import apply_homography
from calibration.sheet import SheetLayout
from calibration.sheet_drawing import sheet_image

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
_FINER = 4


@cache
def _page(layout: SheetLayout, dpi: int) -> NDArray[np.uint8]:
    return sheet_image(layout, dpi)


def placed(
    layout: SheetLayout, centre_px: tuple[float, float], px_per_mm: float, turn_deg: float = 0.0, tilt: float = 0.0
) -> Array:
    """Homography (3, 3) from mm of the sheet to px; `tilt` is the relative change of scale over 100 mm along x."""
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), np.sin(angle), 0], [np.sin(angle), -np.cos(angle), 0], [0, 0, 1]])
    scale = np.diag([px_per_mm, px_per_mm, 1.0])
    scale[2, 0] = tilt / 100
    shift = np.array([[1, 0, centre_px[0]], [0, 1, centre_px[1]], [0, 0, 1.0]])
    return np.asarray(shift @ turn @ scale)


def photograph(
    sheets: Sequence[tuple[SheetLayout, Array]],
    size_px: tuple[int, int] = (900, 700),
    wall: int = 150,
    blur_px: float = 0.7,
    noise: float = 2.0,
    print_scale: float = 1.0,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """A photo (H, W, 3) of sheets on a plain wall; `print_scale` shrinks what is printed, not the paper."""
    width, height = size_px
    canvas = np.full((height * _FINER, width * _FINER), wall, np.uint8)
    finer = np.array([[_FINER, 0, (_FINER - 1) / 2], [0, _FINER, (_FINER - 1) / 2], [0, 0, 1.0]])
    for layout, homography in sheets:
        page = _page(layout, 200)
        per_mm = np.array([page.shape[1] / layout.paper.width_mm, page.shape[0] / layout.paper.height_mm])
        to_mm = np.array(
            [
                [1 / per_mm[0], 0, 0.5 / per_mm[0] - layout.paper.width_mm / 2],
                [0, -1 / per_mm[1], layout.paper.height_mm / 2 - 0.5 / per_mm[1]],
                [0, 0, 1],
            ]
        )
        paper = apply_homography(finer @ homography, layout.page.corners_mm / print_scale)
        cv2.fillConvexPoly(canvas, np.round(paper).astype(np.int32), 235)
        on_page = np.full(page.shape, 255, np.uint8)
        way = finer @ homography @ to_mm
        size = (canvas.shape[1], canvas.shape[0])
        printed = cv2.warpPerspective(page, way, size, flags=cv2.INTER_AREA, borderValue=255)
        inside = cv2.warpPerspective(on_page, way, size) > 127
        ink = 30 + printed.astype(np.float32) * (205 / 255)
        canvas[inside] = ink.astype(np.uint8)[inside]
    photo = cv2.resize(canvas, size_px, interpolation=cv2.INTER_AREA).astype(np.float64)
    photo = cv2.GaussianBlur(photo, (0, 0), blur_px) + np.random.default_rng(seed).normal(0, noise, photo.shape)
    return np.repeat(np.clip(photo, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def crumbs(at_px: Array, black: NDArray[np.bool_], size_px: tuple[int, int], levels: tuple[int, int]) -> Grey:
    """A picture (H, W) that is right within a pixel of the points only, and the opposite everywhere else.

    Points (..., 2) are dark or pale, `levels`, as `black` (...) has it; about each the picture is of the other level,
    so that whoever looks a little beside a point sees what is wrong.
    """
    picture = np.full((size_px[1], size_px[0]), levels[1], np.uint8)
    points, dark = at_px.reshape(-1, 2), np.broadcast_to(black, at_px.shape[:-1]).ravel()
    for half, turned in ((2.6, True), (1.3, False)):
        for (x, y), is_dark in zip(points, dark, strict=True):
            rows, columns = (slice(int(np.ceil(c - half)), int(np.floor(c + half)) + 1) for c in (y, x))
            picture[rows, columns] = levels[int(is_dark == turned)]
    return picture


def developed(photo: NDArray[np.uint8], seed: int) -> NDArray[np.uint8]:
    """The photo as a phone develops it: S-shaped tone curve, local contrast, sharpening with halos, JPEG.

    Strengths are drawn anew for each seed; our choice, so that edges of paper move by up to 0.6 px, as was seen on
    pictures of another renderer.
    """
    generator = np.random.default_rng(seed)
    steepness = generator.uniform(2.0, 5.0)
    low, high = (1 / (1 + np.exp(-steepness * (level - 0.45))) for level in (0.0, 1.0))
    level = (1 / (1 + np.exp(-steepness * (photo.astype(np.float32) / 255 - 0.45))) - low) / (high - low)
    for radius, strength in (((12, 40), (0.1, 0.45)), ((0.8, 1.6), (0.4, 1.4))):
        smooth = cv2.GaussianBlur(level, (0, 0), generator.uniform(*radius))
        level = level + generator.uniform(*strength) * (level - smooth)
    _, jpeg = cv2.imencode(".jpg", np.clip(255 * level, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 85])
    return np.asarray(cv2.imdecode(jpeg, cv2.IMREAD_COLOR), dtype=np.uint8)
