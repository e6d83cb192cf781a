"""Finding every reference sheet in a photo, with the saddle points of its board to a few hundredths of a pixel.

The idea, in three steps.

1. Candidates: quadrangles that may be markers come from OpenCV's marker detector, the ones it rejects included.  Each
   is read by correlating its 36 modules with those of all markers in four rotations; this still reads a marker
   whose modules are little more than a pixel wide.
2. Growing: a read marker says which sheet it is on and roughly where the sheet is.  From there the saddle points of
   the board are looked for, nearest first; each must look like a saddle (white and black quarters in the right
   places) and lie where the plane through those found so far puts it.  A marker read wrongly gathers no saddle points.
3. Saddle points are placed by OpenCV's sub-pixel refinement, which has no bias on them, at full resolution.  Corners
   of markers are never used for measuring: over-exposed paper shifts them.

How well the points are placed is told by how well they fit a plane seen in perspective.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.sheet import MARKER_MODULES, MARKERS_PER_SHEET, SheetLayout, all_layouts, marker_modules

Array = NDArray[np.float64]

FEWEST_CORNERS = 8
"""Fewest saddle points that make a sheet; a false reading has none or a few."""

_LONGEST_SIDE_PX = 2600  # candidates are looked for at this size at most; 5 megapixels pass whole
_READING = 0.62  # least correlation of a read marker, black 0 and white 1; noise reaches 0.55 among 480 templates
_QUARTER_MM = 2.4  # the quarters of a saddle are looked at this far along both axes; markers begin at 3.4 mm
_WINDOW_MM = 3.8  # half width of the refinement window, short of the markers and of the rim's end
_NOISE_FLOOR_PX = 0.03
_PRIOR_NOISE_PX, _PRIOR_FREEDOM = 0.08, 6.0  # what is believed of corner noise before looking; measured on scenes


@dataclass(frozen=True)
class SheetInPhoto:
    """A sheet that was found.

    Attributes
    ----------
    layout : SheetLayout
        Which sheet it is.
    corner_index : (N,) ndarray of int
        Which of the layout's saddle points were seen.
    corner_px : (N, 2) ndarray of float
        Where they were seen, px; the centre of the first pixel is (0, 0).
    homography : (3, 3) ndarray of float
        Takes mm of the sheet's frame to px, lens distortion ignored; good for drawing and searching.
    noise_px : float
        Standard uncertainty of one coordinate of a corner, px, from the misfit to a plane seen in perspective.
    misfit_px : float
        Root mean square misfit of the corners' coordinates to that plane, px; large where the sheet is bent.
    """

    layout: SheetLayout
    corner_index: NDArray[np.intp]
    corner_px: Array
    homography: Array
    noise_px: float
    misfit_px: float

    @property
    def corner_mm(self) -> Array:
        """The seen saddle points (N, 3) in mm of the sheet's frame."""
        return self.layout.corner_mm[self.corner_index]

    @property
    def px_per_mm(self) -> float:
        """Mean resolution on the board, px/mm (root of the area ratio)."""
        board = self.layout.board
        outline_px = apply_homography(self.homography, board.corners_mm)
        return float(np.sqrt(abs(_area(outline_px)) / (board.width_mm * board.height_mm)))

    @property
    def outline_px(self) -> Array:
        """Corners of the paper (4, 2) in px: top left, top right, bottom right, bottom left of the upright page."""
        return apply_homography(self.homography, self.layout.page.corners_mm)


def find_sheets(image: NDArray[np.uint8]) -> tuple[SheetInPhoto, ...]:
    """Find every reference sheet in a photo.

    Parameters
    ----------
    image : (H, W, 3) or (H, W) ndarray of uint8
        The photo, RGB or grey.

    Returns
    -------
    tuple of SheetInPhoto
        The sheets found, the one with most saddle points first; empty where there is none.  Of two prints of the
        same sheet in one photo only one is found.
    """
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else np.ascontiguousarray(image)
    shrink = min(1.0, _LONGEST_SIDE_PX / max(grey.shape))
    smaller = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else grey
    found: dict[SheetLayout, SheetInPhoto] = {}
    for enlarged in (1.0, 2.0):
        searched = smaller
        if enlarged > 1:
            searched = cv2.resize(smaller, None, fx=enlarged, fy=enlarged, interpolation=cv2.INTER_CUBIC)
        for reading in _readings(searched, shrink * enlarged):
            if reading.layout in found:
                continue
            sheet = _grow(grey, reading)
            if sheet is not None:
                found[reading.layout] = sheet
        if found:
            break
    return tuple(sorted(found.values(), key=lambda sheet: -len(sheet.corner_index)))


@dataclass(frozen=True)
class _Reading:
    """Markers of one sheet that were read: their corners in mm of the sheet and in px of the full photo."""

    layout: SheetLayout
    corner_mm: Array
    corner_px: Array


def _readings(grey: NDArray[np.uint8], scale: float) -> Iterator[_Reading]:
    """Markers in a photo that is `scale` times as large as the original: whole sheets first, then single markers."""
    quads = _quadrangles(grey)
    if not len(quads):
        return
    marker, turn, score = _read(grey, quads)
    order = np.argsort(-score)
    order = order[score[order] > _READING]
    # corners of the quad in the order of the marker's own corners, in px of the full photo
    turned = np.stack([np.roll(quads[i], -turn[i], axis=0) for i in order]) if len(order) else np.empty((0, 4, 2))
    turned = (turned + 0.5) / scale - 0.5
    marker = marker[order]
    sheet = marker // MARKERS_PER_SHEET
    for number in np.unique(sheet):
        layout = all_layouts()[number]
        of_sheet = np.flatnonzero(sheet == number)
        boxes = [layout.marker_boxes[marker[i] - layout.marker_ids.start].corners_mm for i in of_sheet]
        consistent = _consistent(boxes, [turned[i] for i in of_sheet])
        if len(consistent) > 1:
            yield _Reading(
                layout, np.vstack([boxes[i] for i in consistent]), np.vstack([turned[of_sheet[i]] for i in consistent])
            )
        for i in range(min(len(boxes), 6)):
            yield _Reading(layout, boxes[i], turned[of_sheet[i]])


def _consistent(boxes: list[Array], quads: list[Array]) -> list[int]:
    """Largest set of markers that one of them, extended to the whole board, agrees with."""
    best: list[int] = []
    centres_mm = np.array([box.mean(0) for box in boxes])
    centres_px = np.array([quad.mean(0) for quad in quads])
    for box, quad in zip(boxes, quads, strict=True):
        side = np.sqrt(abs(_area(quad)))
        away = np.linalg.norm(apply_homography(_homography(box, quad), centres_mm) - centres_px, axis=1)
        reach = np.linalg.norm(centres_px - quad.mean(0), axis=1)
        agree = np.flatnonzero(away < 0.3 * side + 0.15 * reach)
        if len(agree) > len(best):
            best = list(agree)
    return best


@cache
def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 13
    parameters.adaptiveThreshWinSizeMax = 33
    parameters.adaptiveThreshWinSizeStep = 20
    parameters.minMarkerPerimeterRate = 0.012
    parameters.polygonalApproxAccuracyRate = 0.05
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250), parameters)


def _quadrangles(grey: NDArray[np.uint8]) -> Array:
    """Dark convex quadrangles (K, 4, 2) in px, those included that OpenCV cannot read."""
    accepted, _, rejected = _detector().detectMarkers(grey)
    quads = [np.asarray(quad, dtype=np.float64).reshape(4, 2) for quad in (*accepted, *rejected)]
    return np.stack(quads) if quads else np.empty((0, 4, 2))


@cache
def _templates() -> Array:
    """Modules of all markers in four rotations, (4 * 120, 36), each of mean 0 and norm 1; rotation varies first."""
    turned = np.stack([np.rot90(marker_modules(), -turn, axes=(1, 2)) for turn in range(4)])
    flat = turned.reshape(len(turned) * len(marker_modules()), -1).astype(np.float64)
    flat -= flat.mean(1, keepdims=True)
    return flat / np.linalg.norm(flat, axis=1, keepdims=True)


def _read(grey: NDArray[np.uint8], quads: Array) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Best marker, its quarter turns clockwise, and the correlation, for each quadrangle."""
    share = (np.arange(MARKER_MODULES) + 0.5) / MARKER_MODULES
    right, down = (axis.ravel()[None, :, None] for axis in np.meshgrid(share, share))
    first, second, third, fourth = (quads[:, None, corner] for corner in range(4))
    at = (first * (1 - right) + second * right) * (1 - down) + (fourth * (1 - right) + third * right) * down
    modules = _sample(grey, at.reshape(-1, 2)).reshape(len(quads), -1)
    modules -= modules.mean(1, keepdims=True)
    spread = np.linalg.norm(modules, axis=1, keepdims=True)
    correlation = (modules / np.maximum(spread, 1e-6)) @ _templates().T
    best = correlation.argmax(1)
    count = len(marker_modules())
    return best % count, best // count, np.where(spread[:, 0] > 30, correlation.max(1), 0)


def _grow(grey: NDArray[np.uint8], reading: _Reading) -> SheetInPhoto | None:
    """Find a sheet's saddle points, nearest to the read markers first."""
    layout = reading.layout
    mm = layout.corner_mm[:, :2]
    homography = _homography(reading.corner_mm, reading.corner_px)
    reach_mm = np.min(np.linalg.norm(mm[:, None] - reading.corner_mm[None], axis=2), axis=1)
    seen = np.zeros(len(mm), dtype=bool)
    corner_px = np.zeros_like(mm)
    for radius_squares in (0.5, 1.5, 2.5, 9.0, 9.0):
        near = np.flatnonzero(reach_mm < radius_squares * layout.square_mm)
        seen[:] = False
        placed, good = _saddles(grey, layout, homography, near)
        corner_px[near[good]] = placed[good]
        seen[near[good]] = True
        if radius_squares < 9 and seen.sum() < 4:
            continue
        if seen.sum() < FEWEST_CORNERS and radius_squares == 9:
            return None
        if seen.sum() >= 6:
            homography, seen = _fit_plane(mm, corner_px, seen)
    index = np.flatnonzero(seen)
    if len(index) < FEWEST_CORNERS or _collinear(mm[index], layout.square_mm):
        return None
    return _judged(layout, index, corner_px[index])


def _saddles(
    grey: NDArray[np.uint8], layout: SheetLayout, homography: Array, index: NDArray[np.intp]
) -> tuple[Array, NDArray[np.bool_]]:
    """Refine the saddle points `index` from where the plane puts them; which of them are saddles indeed."""
    mm = layout.corner_mm[index, :2]
    expected = apply_homography(homography, mm)
    one_mm = np.linalg.norm(
        apply_homography(homography, mm + [1.0, 0.0]) - apply_homography(homography, mm - [1.0, 0.0]), axis=1
    )
    px_per_mm = float(np.median(one_mm)) / 2
    window = int(np.clip(round(_WINDOW_MM * px_per_mm), 2, 15))
    height, width = grey.shape
    border = window + 2
    inside = ((expected >= border) & (expected < [width - border, height - border])).all(1)
    placed = expected.copy()
    if not inside.any():
        return placed, inside
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.002)
    start = np.ascontiguousarray(expected[inside], dtype=np.float32).reshape(-1, 1, 2)
    placed[inside] = cv2.cornerSubPix(grey, start, (window, window), (-1, -1), criteria).reshape(-1, 2)
    moved = np.linalg.norm(placed - expected, axis=1)
    return placed, inside & (moved < window + 0.5) & _looks_like_saddle(grey, layout, homography, index, placed)


def _looks_like_saddle(
    grey: NDArray[np.uint8], layout: SheetLayout, homography: Array, index: NDArray[np.intp], placed: Array
) -> NDArray[np.bool_]:
    """Whether the quarters about each point are white and black as printed."""
    mm = layout.corner_mm[index, :2]
    shift = placed - apply_homography(homography, mm)
    quarters = _QUARTER_MM * np.array([(-1, 1), (1, -1), (1, 1), (-1, -1)])
    at = apply_homography(homography, (mm[:, None] + quarters).reshape(-1, 2)).reshape(-1, 4, 2) + shift[:, None]
    level = _sample(grey, at.reshape(-1, 2)).reshape(-1, 4)
    # at a point of even column plus row, counted from the core's upper left corner, the upper left quarter is black
    columns = round(layout.core.width_mm / layout.square_mm) + 1
    odd = ((index // columns + index % columns) % 2).astype(bool)
    black = np.where(odd[:, None], level[:, 2:], level[:, :2])
    white = np.where(odd[:, None], level[:, :2], level[:, 2:])
    contrast = white.mean(1) - black.mean(1)
    usual = np.median(contrast[contrast > 0]) if (contrast > 0).any() else 0.0
    uneven = np.maximum(np.ptp(black, axis=1), np.ptp(white, axis=1))
    return (contrast > 8) & (contrast > 0.4 * usual) & (uneven < 0.6 * contrast)


def _fit_plane(mm: Array, px: Array, seen: NDArray[np.bool_]) -> tuple[Array, NDArray[np.bool_]]:
    """Homography through the seen points, and which of them lie on it."""
    side = np.sqrt(abs(np.linalg.det(_homography(mm[seen], px[seen])[:2, :2])))
    homography, inliers = cv2.findHomography(mm[seen], px[seen], cv2.LMEDS)
    if homography is None:
        return _homography(mm[seen], px[seen]), seen
    del inliers, side
    away = np.linalg.norm(apply_homography(homography, mm) - px, axis=1)
    limit = max(0.35, 5 * float(np.median(away[seen])))
    kept = seen & (away < limit)
    if kept.sum() < 6:
        return homography, seen
    return _homography(mm[kept], px[kept]), kept


def _judged(layout: SheetLayout, index: NDArray[np.intp], corner_px: Array) -> SheetInPhoto:
    mm = layout.corner_mm[index, :2]
    homography = _homography(mm, corner_px)
    misfit = apply_homography(homography, mm) - corner_px
    squares, freedom = float((misfit**2).sum()), max(misfit.size - 8, 1)
    pooled = (squares + _PRIOR_FREEDOM * _PRIOR_NOISE_PX**2) / (freedom + _PRIOR_FREEDOM)
    return SheetInPhoto(
        layout=layout,
        corner_index=index,
        corner_px=corner_px,
        homography=homography,
        noise_px=max(_NOISE_FLOOR_PX, float(np.sqrt(pooled))),
        misfit_px=float(np.sqrt(squares / freedom)),
    )


def apply_homography(homography: Array, points: Array) -> Array:
    """Take points (N, 2) through a homography (3, 3)."""
    carried = np.asarray(points) @ homography[:, :2].T + homography[:, 2]
    return np.asarray(carried[:, :2] / carried[:, 2:])


def _homography(mm: Array, px: Array) -> Array:
    homography, _ = cv2.findHomography(mm, px)
    if homography is None:
        return np.array([[0, 0, -1e6], [0, 0, -1e6], [0, 0, 1.0]])
    return np.asarray(homography, dtype=np.float64)


def _sample(grey: NDArray[np.uint8], at: Array) -> Array:
    """Grey levels at points (N, 2), interpolated; the picture's edge repeats outside."""
    maps = np.ascontiguousarray(at, dtype=np.float32).reshape(-1, 1, 2)
    pieces = [
        cv2.remap(grey, part, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for part in np.array_split(maps, len(maps) // 30000 + 1)
    ]
    return np.vstack(pieces).ravel().astype(np.float64)


def _area(outline: Array) -> float:
    x, y = outline.T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2


def _collinear(mm: Array, square_mm: float) -> bool:
    """Whether points span less than one square across their long direction."""
    spread = np.linalg.svd(mm - mm.mean(0), compute_uv=False)
    return bool(spread[-1] / np.sqrt(len(mm)) < 0.3 * square_mm)
