"""Finding every reference sheet in a photo, with the saddle points of its board to a few hundredths of a pixel.

The idea, in three steps.

1. Candidates: quadrangles that may be markers come from OpenCV's marker detector, the ones it rejects included.  Each
   is read by correlating its 36 modules with those of all markers in four rotations; this still reads a marker
   whose modules are little more than a pixel wide.
2. Growing: a read marker says which sheet it is on and roughly where the sheet is.  From there the saddle points of
   the board are looked for, nearest first; each must look like a saddle (white and black quarters in the right
   places) and lie where the plane through those found so far puts it.  A marker read wrongly gathers no saddle points.
3. Saddle points are placed by fitting a blurred crossing at full resolution (`saddle`).  Corners of markers are never
   used for measuring: over-exposed paper shifts them.

How well the points are placed is told by how well they fit a plane seen in perspective.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.saddle import Saddles, fit_saddles
from calibration.sheet import COLUMNS, MARKER_MODULES, MARKERS_PER_SHEET, SheetLayout, all_layouts, marker_modules

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]
Indices = NDArray[np.intp]

FEWEST_CORNERS = 8
"""Fewest saddle points that make a sheet; a false reading has none or a few."""

_SINGLE_MARKERS = 12  # of those read best are followed on their own
_LONGEST_SIDE_PX = 2600  # candidates are looked for at this size at most; 5 megapixels pass whole
_READING = 0.62  # least correlation of a read marker, black 0 and white 1; noise reaches 0.55 among 480 templates
_QUARTER_MM = 2.4  # the quarters of a saddle are looked at this far along both axes; markers begin at 3.4 mm
_WINDOW_MM = 3.8  # half width of the refinement window, short of the markers and of the rim's end
_RADIUS_RANGE_PX = (2.5, 7.0)
_WORST_MISFIT = 0.3  # of a fitted saddle, over its swing; 0.02 to 0.15 where nothing covers it, 0.45 on tiny sheets
_ON_PLANE_PX = 0.35
_PRIOR_NOISE_PX, _PRIOR_FREEDOM = 0.04, 6.0  # what is believed of corner noise before looking; measured on our scenes


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
    blur_px : float
        Standard deviation of the blur at the corners, px, motion included.
    """

    layout: SheetLayout
    corner_index: Indices
    corner_px: Array
    homography: Array
    noise_px: float
    misfit_px: float
    blur_px: float

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
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image, dtype=np.uint8)
    fitting = min(1.0, _LONGEST_SIDE_PX / max(grey.shape))
    found: list[SheetInPhoto] = []
    for scale in (fitting, 2 * fitting):
        markers = _read_markers(_resized(grey, scale), scale)
        for layout in all_layouts():
            agreeing = _agreeing([marker for marker in markers if marker.layout == layout])
            if len(agreeing) > 1:
                found += _grow(grey, layout, agreeing)
        for marker in markers[:_SINGLE_MARKERS]:
            if not any(sheet.layout == marker.layout or _covers(sheet, marker.centre_px) for sheet in found):
                found += _grow(grey, marker.layout, [marker])
        if found:
            break
    return tuple(sorted(found, key=lambda sheet: -len(sheet.corner_index)))


def _covers(sheet: SheetInPhoto, point_px: Array) -> bool:
    outline = sheet.outline_px.astype(np.float32).reshape(-1, 1, 2)
    return cv2.pointPolygonTest(outline, (float(point_px[0]), float(point_px[1])), False) > 0


def _resized(grey: Grey, scale: float) -> Grey:
    if scale == 1:
        return grey
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(grey, None, fx=scale, fy=scale, interpolation=way), dtype=np.uint8)


@dataclass(frozen=True)
class _Marker:
    """A marker that was read: its corners (4, 2) in mm of its sheet and in px of the full photo."""

    layout: SheetLayout
    corner_mm: Array
    corner_px: Array

    @property
    def centre_px(self) -> Array:
        return np.asarray(self.corner_px.mean(0))


def _read_markers(grey: Grey, scale: float) -> list[_Marker]:
    """Markers in a photo that is `scale` times as large as the original, the best read first."""
    quads = _quadrangles(grey)
    if not len(quads):
        return []
    marker, turn, score = _read(grey, quads)
    markers = []
    for i in np.argsort(-score):
        if score[i] < _READING:
            break
        layout = all_layouts()[marker[i] // MARKERS_PER_SHEET]
        box = layout.marker_boxes[marker[i] - layout.marker_ids.start]
        # corners of the quadrangle in the order of the marker's own corners, in px of the full photo
        corner_px = (np.roll(quads[i], -turn[i], axis=0) + 0.5) / scale - 0.5
        markers.append(_Marker(layout, box.corners_mm, corner_px))
    return markers


def _agreeing(markers: list[_Marker]) -> list[_Marker]:
    """Largest set of markers of one sheet that one of them, extended to the whole board, agrees with."""
    best: list[_Marker] = []
    for marker in markers:
        homography = _homography(marker.corner_mm, marker.corner_px)
        side_px = np.sqrt(abs(_area(marker.corner_px)))
        agreeing = []
        for other in markers:
            expected = apply_homography(homography, other.corner_mm.mean(0, keepdims=True))[0]
            reach_px = np.linalg.norm(other.centre_px - marker.centre_px)
            if np.linalg.norm(expected - other.centre_px) < 0.3 * side_px + 0.15 * reach_px:
                agreeing.append(other)
        best = max(best, agreeing, key=len)
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


def _quadrangles(grey: Grey) -> Array:
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
    return np.asarray(flat / np.linalg.norm(flat, axis=1, keepdims=True))


def _read(grey: Grey, quads: Array) -> tuple[Indices, Indices, Array]:
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


def _grow(grey: Grey, layout: SheetLayout, markers: list[_Marker]) -> list[SheetInPhoto]:
    """Find a sheet's saddle points, nearest to the read markers first; no sheet where there are too few."""
    known_mm = np.vstack([marker.corner_mm for marker in markers])
    homography = _homography(known_mm, np.vstack([marker.corner_px for marker in markers]))
    reach_mm = np.min(np.linalg.norm(layout.corner_mm[:, None, :2] - known_mm[None], axis=2), axis=1)
    for radius_squares in (0.5, 1.5, 2.5, 9.0):
        near = np.flatnonzero(reach_mm < radius_squares * layout.square_mm)
        placed, good = _rough_saddles(grey, layout, homography, near)
        if good.sum() >= 6:
            homography, _ = _fit_plane(layout.corner_mm[near[good], :2], placed[good])
        elif radius_squares == 9.0:
            return []
    seen = np.zeros(len(layout.corner_mm), dtype=bool)
    placed_px, blur_px = np.zeros((len(seen), 2)), np.zeros(len(seen))
    for _ in range(2):
        index, saddles = _fine_saddles(grey, layout, homography, np.flatnonzero(~seen))
        placed_px[index], blur_px[index], seen[index] = saddles.place_px, saddles.blur_px, True
        if seen.sum() < FEWEST_CORNERS:
            return []
        homography, on_plane = _fit_plane(layout.corner_mm[seen, :2], placed_px[seen])
        seen[np.flatnonzero(seen)[~on_plane]] = False
    index = np.flatnonzero(seen)
    if len(index) < FEWEST_CORNERS or _too_narrow(layout.corner_mm[index, :2], layout.square_mm):
        return []
    return [_judged(layout, index, placed_px[index], float(np.median(blur_px[index])))]


def _edges(layout: SheetLayout, homography: Array, index: Indices) -> Array:
    """What 1 mm along x and 1 mm along y are in px at the saddle points `index`: (N, 2, 2)."""
    mm = layout.corner_mm[index, :2]
    return np.stack(
        [(apply_homography(homography, mm + step) - apply_homography(homography, mm - step)) / 2 for step in np.eye(2)],
        axis=1,
    )


def _in_view(grey: Grey, points_px: Array, border_px: float) -> NDArray[np.bool_]:
    height, width = grey.shape
    return np.asarray(((points_px >= border_px) & (points_px < [width - border_px, height - border_px])).all(1))


def _rough_saddles(
    grey: Grey, layout: SheetLayout, homography: Array, index: Indices
) -> tuple[Array, NDArray[np.bool_]]:
    """Pull the saddle points `index` from where the plane puts them to the nearest; which are saddles indeed."""
    placed = apply_homography(homography, layout.corner_mm[index, :2])
    px_per_mm = float(np.median(np.linalg.norm(_edges(layout, homography, index), axis=2)))
    window = int(np.clip(round(_WINDOW_MM * px_per_mm), 2, 15))
    inside = _in_view(grey, placed, window + 2)
    if not inside.any():
        return placed, inside
    start = placed[inside].astype(np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 20, 0.02)
    found = cv2.cornerSubPix(grey, start, (window, window), (-1, -1), criteria).reshape(-1, 2).astype(np.float64)
    moved = np.zeros(len(placed))
    moved[inside] = np.linalg.norm(found - placed[inside], axis=1)
    shift = np.zeros_like(placed)
    shift[inside] = found - placed[inside]
    good = inside & (moved < window + 0.5) & _looks_like_saddle(grey, layout, homography, index, shift)
    return placed + shift, good


def _fine_saddles(grey: Grey, layout: SheetLayout, homography: Array, index: Indices) -> tuple[Indices, Saddles]:
    """Fit the saddle points `index` near where the plane puts them; those that are saddles indeed."""
    expected = apply_homography(homography, layout.corner_mm[:, :2])
    edges = _edges(layout, homography, np.arange(len(expected)))
    radius = float(np.clip(_WINDOW_MM * np.median(np.linalg.norm(edges, axis=2)), *_RADIUS_RANGE_PX))
    index = index[_in_view(grey, expected[index], radius + 1)]
    if not len(index):
        return index, Saddles(np.empty((0, 2)), np.empty(0), np.empty(0), np.empty(0))
    saddles = fit_saddles(grey, expected[index], edges[index], radius)
    shift = saddles.place_px - expected[index]
    good = (np.linalg.norm(shift, axis=1) < 1 + radius / 2) & _looks_like_saddle(grey, layout, homography, index, shift)
    if good.any():
        good &= saddles.misfit < max(_WORST_MISFIT, 1.4 * float(np.median(saddles.misfit[good])))
    return index[good], saddles.chosen(good)


def _looks_like_saddle(
    grey: Grey, layout: SheetLayout, homography: Array, index: Indices, shift_px: Array
) -> NDArray[np.bool_]:
    """Whether the quarters about points, `shift_px` from where the plane puts them, are white and black as printed."""
    mm = layout.corner_mm[index, :2]
    quarters = _QUARTER_MM * np.array([(-1, 1), (1, -1), (1, 1), (-1, -1)])
    at = apply_homography(homography, (mm[:, None] + quarters).reshape(-1, 2)).reshape(-1, 4, 2) + shift_px[:, None]
    level = _sample(grey, at.reshape(-1, 2)).reshape(-1, 4)
    # at a point of even column plus row, counted from the core's upper left corner, the upper left quarter is black
    odd = ((index // (COLUMNS + 1) + index % (COLUMNS + 1)) % 2).astype(bool)
    black = np.where(odd[:, None], level[:, 2:], level[:, :2])
    white = np.where(odd[:, None], level[:, :2], level[:, 2:])
    contrast = white.mean(1) - black.mean(1)
    usual = np.median(contrast[contrast > 0]) if (contrast > 0).any() else 0.0
    uneven = np.maximum(np.ptp(black, axis=1), np.ptp(white, axis=1))
    return np.asarray((contrast > 8) & (contrast > 0.4 * usual) & (uneven < 0.6 * contrast))


def _fit_plane(mm: Array, px: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Homography through points, and which of them lie on it; up to half of them may be elsewhere."""
    homography = np.asarray(cv2.findHomography(mm, px, cv2.LMEDS)[0], dtype=np.float64)
    if homography.shape != (3, 3):
        return _homography(mm, px), np.ones(len(mm), dtype=bool)
    away = np.linalg.norm(apply_homography(homography, mm) - px, axis=1)
    kept = away < max(_ON_PLANE_PX, 5 * float(np.median(away)))
    if kept.sum() < 6:
        return homography, np.ones(len(mm), dtype=bool)
    return _homography(mm[kept], px[kept]), kept


def _judged(layout: SheetLayout, index: Indices, corner_px: Array, blur_px: float) -> SheetInPhoto:
    mm = layout.corner_mm[index, :2]
    homography = _homography(mm, corner_px)
    misfit = apply_homography(homography, mm) - corner_px
    freedom = max(misfit.size - 8, 1)
    return SheetInPhoto(
        layout=layout,
        corner_index=index,
        corner_px=corner_px,
        homography=homography,
        noise_px=pooled_noise_px(misfit, freedom),
        misfit_px=float(np.sqrt((misfit**2).sum() / freedom)),
        blur_px=blur_px,
    )


def pooled_noise_px(misfit_px: Array, freedom: int) -> float:
    """Corner noise from misfits with so many degrees of freedom, pooled with what is believed beforehand, px."""
    squares = float((misfit_px**2).sum()) + _PRIOR_FREEDOM * _PRIOR_NOISE_PX**2
    return float(np.sqrt(squares / (freedom + _PRIOR_FREEDOM)))


def apply_homography(homography: Array, points: Array) -> Array:
    """Take points (N, 2) through a homography (3, 3)."""
    carried = np.asarray(points) @ homography[:, :2].T + homography[:, 2]
    return np.asarray(carried[:, :2] / carried[:, 2:])


def _homography(mm: Array, px: Array) -> Array:
    if len(mm) == 4:
        return np.asarray(cv2.getPerspectiveTransform(mm.astype(np.float32), px.astype(np.float32)), dtype=np.float64)
    homography, _ = cv2.findHomography(mm, px)
    if homography is None:
        return np.array([[0, 0, -1e6], [0, 0, -1e6], [0, 0, 1.0]])
    return np.asarray(homography, dtype=np.float64)


def _sample(grey: Grey, at: Array) -> Array:
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


def _too_narrow(mm: Array, square_mm: float) -> bool:
    """Whether points span less than one square across their long direction."""
    spread = np.linalg.svd(mm - mm.mean(0), compute_uv=False)
    return bool(spread[-1] / np.sqrt(len(mm)) < 0.3 * square_mm)
