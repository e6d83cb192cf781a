"""A blank sheet of paper or an ID-1 card as the only thing of known size.

Half of families have no printer.  A blank sheet of A4 or Letter paper, or a plastic card, has four corners at known
distances, though paper is cut to +-2 mm only.  Four steps:

1. Pale quadrangles: the photo's darkest channel (white paper is pale in all three) is cut at many levels, and where it
   is steep; outlines of the pieces with four straight sides are candidates.
2. Sides: along each, the steepest fall of the grey level is placed to a fraction of a pixel on many short profiles
   across it; a straight line is fitted that a finger, a shadow or a curled corner on less than two fifths of the side
   does not move.  The corners are where the lines meet, and so lie where a curled corner would be if it were flat.
3. Which paper: under each candidate size a camera is solved (`camera`), and the misfit of four corners (two more
   coordinates than a pose has unknowns) says how probable each is, by Bayes' rule with even odds beforehand.
4. How sure: the paper's tolerance as a rectangular distribution, along both sides, and what a phone's tone curve can
   move edges of white paper (`print_scale.EDGE_SHIFT_PX`).

A side that bows more than a lens does shows paper that is not flat.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import cv2
import numpy as np

from calibration.arrays import Array, Grey, Mask, Picture
from calibration.blank import Blank
from calibration.camera import PosedCamera, Surface, solve_camera
from calibration.homography import fit_homography, signed_area
from calibration.lens import NOTHING_STATED, StatedLens
from calibration.print_scale import EDGE_SHIFT_PX, PrintScale
from calibration.problems import (
    BLANK_BENT,
    BLANK_SHEET_UNLIKE,
    NO_BLANK_SHEET,
    WHICH_PAPER,
    Problem,
    Refused,
)
from calibration.sampling import sample
from calibration.sheet import Box
from calibration.sheet_in_photo import SheetInPhoto


@dataclass(frozen=True)
class BlankLayout:
    """A blank thing as a reference; frame as of a printed sheet: origin at its centre, x right, y up, z towards us."""

    blank: Blank
    index: int = 1

    @property
    def name(self) -> str:
        """Name, e.g. ``"blank-a4-1"``."""
        return f"blank-{self.blank.value}-{self.index}"

    @property
    def page(self) -> Box:
        """Its outline, mm."""
        width, height = self.blank.size_mm
        return Box(-width / 2, -height / 2, width / 2, height / 2)

    @property
    def board(self) -> Box:
        """Its outline: the corners are its points."""
        return self.page

    @cached_property
    def corner_mm(self) -> Array:
        """Corners (4, 3): top left, top right, bottom right, bottom left, mm."""
        return np.column_stack([self.page.corners_mm, np.zeros(4)])

    @property
    def _side_u(self) -> Array:
        """Relative standard uncertainties (2,) of width and height."""
        return np.asarray(self.blank.tolerance_mm / np.sqrt(3) / np.array(self.blank.size_mm))

    @property
    def stretch_sd(self) -> float:
        """Standard deviation of height over width, relative to nominal."""
        return float(np.hypot(*self._side_u))

    @property
    def scale_u(self) -> float:
        """Relative standard uncertainty of the mean of both sides."""
        return float(np.hypot(*self._side_u)) / 2

    @property
    def fewest_good_corners(self) -> int:
        """All four."""
        return 4


def is_blank(camera: PosedCamera) -> bool:
    """Whether a camera was found from blank paper or a card instead of a printed sheet."""
    return isinstance(camera.sheets[0].layout, BlankLayout)


LEVELS = 24
"""Grey levels at which the photo is cut; paper on a wall differs from it by a tenth and more; our choice."""

_EDGE_LEVELS = (6.0, 14.0, 30.0)
"""Thresholds of the edge detector, lower one of its two; faint, usual and strong edges; our choice."""

_SEARCH_SIDE_PX = 1400
"""Quadrangles are looked for at this size at most; our choice between time and far sheets."""

_SMALLEST_SHARE = 0.001
"""Of the photo's area: a sheet of 0.3 px/mm in a photo of 2400 px; smaller ones are not measured anyway."""

_LARGEST_SHARE = 0.5
"""Of the photo's area: what fills more of it leaves no room for what is to be measured; our choice."""

_POLYGON_SHARE = 0.02
"""How far an outline may leave its quadrangle, over its perimeter; sub-pixel lines come later; our choice."""

_ROWS, _ENDS_SHARE = 80, 0.12
"""Profiles across a side, and what of it is left out at either end, where corners curl; our choice."""

_REACH_SHARE, _REACH_RANGE_PX = 0.03, (4.0, 14.0)
"""How far a profile reaches to either side of the quadrangle: over the side's length, within limits; our choice."""

_STEP_PX = 0.25
"""Between points of a profile."""

_CENTRE_PX = 1.5
"""The place of a fall is the centroid of what is steep within this of the steepest; twice a sharp photo's blur."""

_LEAST_FALL = 6.0
"""Grey levels by which a side falls outwards at least; noise and texture of walls have 2 to 4 after smoothing (on our
scenes); below it, white lies on white."""

_ON_LINE_PX, _SEEN_SHARE = 0.6, 0.6
"""How near a profile's edge is to its side's line, and how many of them are; our choice."""

_CORNER_PX = 0.12
"""Standard uncertainty of a corner's coordinate; on rendered scenes seen paper edges lie within 0.12 px (one standard
deviation) of the true ones."""

_BOW_SHARE = 0.004
"""Of a side's length, beyond which its bow shows paper that is not flat: a lens of k1 = 0.015 bows a side that fills
half of the photo by 0.2 %, a sheet that stands off by 10 mm at 1.5 m by 0.5 %; our choice."""

_MOST_UNEVEN = 14.0
"""Usual distance of grey levels inside from their middle: blank paper under a lamp has 3 to 8 (on our scenes)."""

_SHADE_DEGREE = 4
"""Degree along either side of what is taken for light on blank paper: an arm's soft shade falls and rises within half
of the sheet, lines of print several times; our choice."""

_WORST_MISFIT = 13.8
"""Chi-squared of four corners under their best size, with two degrees of freedom: 0.1 % of sheets have more."""

_DRAWN_LINES = 64
"""Lines drawn through two places of a side; with half of the places wrong, one in four is right."""

_MOST_ROUGH = 150
"""Rough quadrangles, the largest first, that are looked at: bricks and tiles are smaller and more; our choice."""

_MOST_TRIED = 6
"""Quadrangles, the largest first, that are tried; windows and pictures may be larger than the sheet; our choice."""

_SURE = 0.95
"""Probability from which a paper is taken for told."""


@dataclass(frozen=True)
class Quadrangle:
    """A pale quadrangle with straight sides.

    Attributes
    ----------
    corner_px : (4, 2) ndarray of float
        Where its sides meet, clockwise as seen in the photo, px.
    bow : float
        Largest bow of a side over its length.
    fall : float
        Smallest fall of a side, grey levels.
    """

    corner_px: Array
    bow: float
    fall: float


@dataclass(frozen=True)
class BlankReference:
    """Blank things found in a photo, with the camera that saw them.

    Attributes
    ----------
    camera : PosedCamera
        The camera; its sheets are the blank things, the largest first.
    scales : dict of str to PrintScale
        How exactly each is made, by its name.
    probability : dict of Blank to float
        How probable each size is, by the corners alone.
    remarks : tuple of Problem
        ``sheet_bent``, ``blank_sheet_unlike`` where what was stated does not fit, and nothing else does better.
    """

    camera: PosedCamera
    scales: dict[str, PrintScale]
    probability: dict[Blank, float]
    remarks: tuple[Problem, ...]


def find_blank(
    image: Picture,
    stated: Blank | None,
    lens: StatedLens = NOTHING_STATED,
    surface: Surface = Surface.ANY,
) -> BlankReference:
    """Find blank paper or a card in a photo, and solve the camera from it.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.
    stated : Blank or None
        What lies there, as the family says; None where they do not know.
    lens : StatedLens
        What the photo's file says of its lens.
    surface : Surface
        What it is fixed to.

    Returns
    -------
    BlankReference
        The camera with the things it was found from.

    Raises
    ------
    Refused
        ``no_blank_sheet`` where none is seen, white on white included; ``which_paper`` where nobody says which it is
        and the photo does not tell; ``blank_sheet_unlike`` where it tells of another; as `solve_camera`.
    """
    size_px = (image.shape[1], image.shape[0])
    quadrangles = blank_quadrangles(image)
    quadrangle, cameras = _largest(quadrangles, size_px, lens, surface)
    probability = _probabilities(cameras)
    likeliest = max(probability, key=lambda blank: probability[blank])
    if stated is None and probability[likeliest] < _SURE:
        raise Refused(WHICH_PAPER)
    blank = stated or likeliest
    if blank not in cameras:
        raise Refused(BLANK_SHEET_UNLIKE)
    remarks = [BLANK_BENT] if quadrangle.bow > _BOW_SHARE else []
    if probability[blank] < 1 - _SURE:  # every length would be that of another paper
        raise Refused(BLANK_SHEET_UNLIKE, *remarks)
    if _cost(cameras[blank]) > _WORST_MISFIT:
        remarks.append(BLANK_SHEET_UNLIKE)
    camera = cameras[blank]
    scales = {sheet.layout.name: _scale(sheet) for sheet in camera.sheets}
    found = BlankReference(camera, scales, probability, tuple(remarks))
    return _with_further(quadrangles, found, surface)


def _largest(
    quadrangles: Sequence[Quadrangle], size_px: tuple[int, int], lens: StatedLens, surface: Surface
) -> tuple[Quadrangle, dict[Blank, PosedCamera]]:
    """The largest quadrangle that may be one of the things, and the camera under each size that is possible."""
    for quadrangle in quadrangles:
        cameras = {}
        for blank in Blank:
            with suppress(Refused):  # a size that needs a lens that phones do not have
                cameras[blank] = _camera(quadrangle, blank, 1, size_px, lens, surface)
        if cameras and min(_cost(camera) for camera in cameras.values()) < _WORST_MISFIT:
            return quadrangle, cameras
    raise Refused(NO_BLANK_SHEET)


def _camera(
    quadrangle: Quadrangle,
    blank: Blank,
    index: int,
    size_px: tuple[int, int],
    lens: StatedLens,
    surface: Surface,
) -> PosedCamera:
    """The camera if the quadrangle were that thing, whichever way it lies."""
    layout = BlankLayout(blank, index)
    top = int(quadrangle.corner_px[:, 1].argmin())
    cameras = []
    for first in (top, top - 1):
        corner_px = np.roll(quadrangle.corner_px, -first, axis=0)
        way = fit_homography(layout.page.corners_mm, corner_px)
        sheet = SheetInPhoto(layout, np.arange(4), corner_px, way, _CORNER_PX, 1.0)
        with suppress(Refused):  # the other way round it may need a lens that phones do not have
            cameras.append(solve_camera([sheet], size_px, lens, surface))
    if not cameras:
        raise Refused(BLANK_SHEET_UNLIKE)
    return min(cameras, key=lambda camera: _cost(camera))


def _cost(camera: PosedCamera) -> float:
    """Chi-squared of corners, of the sides' proportion and of the focal length that the photo states."""
    stretch = float(camera.parameters[5]) / camera.sheets[0].layout.stretch_sd
    focal = camera.lens.misfit(camera.focal35_mm, camera.image_size_px)
    return camera.chi_square + stretch**2 + focal**2


def _probabilities(cameras: dict[Blank, PosedCamera]) -> dict[Blank, float]:
    """How probable each size is, if all are as likely beforehand."""
    costs = np.array([_cost(camera) for camera in cameras.values()])
    weights = np.exp(-0.5 * (costs - costs.min()))
    return dict(zip(cameras, (float(weight) for weight in weights / weights.sum()), strict=True))


def _scale(sheet: SheetInPhoto) -> PrintScale:
    """How exactly a blank thing's size is known: how it is made, and how its edges are seen."""
    layout = sheet.layout
    assert isinstance(layout, BlankLayout)
    sides_px = np.linalg.norm(np.roll(sheet.corner_px, -1, axis=0) - sheet.corner_px, axis=1)
    seen_u = 2 * EDGE_SHIFT_PX / np.sqrt(3) * float((1 / sides_px).mean())
    u = float(np.hypot(layout.scale_u, seen_u))
    return PrintScale(1.0, u, checked=True, measured=1.0, measured_uncertainty=u, blank=True)


def blank_quadrangles(image: Picture) -> list[Quadrangle]:
    """Pale quadrangles with straight, contrasting sides, the largest first.

    Parameters
    ----------
    image : (H, W, 3) ndarray of uint8
        The photo, RGB.

    Returns
    -------
    list of Quadrangle
        Corners to a fraction of a pixel.
    """
    pale = np.asarray(image.min(axis=2), dtype=np.uint8)
    found: list[Quadrangle] = []
    rough_ones = sorted(_rough_quadrangles(pale), key=lambda rough: -signed_area(rough))
    for rough in rough_ones[:_MOST_ROUGH]:
        if len(found) == _MOST_TRIED:
            break
        if any(_alike(rough, other.corner_px) for other in found) or not _even_inside(pale, rough):
            continue
        quadrangle = _refined(pale, rough)
        if quadrangle is not None:
            found.append(quadrangle)
    return sorted(found, key=lambda each: -abs(signed_area(each.corner_px)))


def _rough_quadrangles(pale: Grey) -> Iterator[Array]:
    """Quadrangles (4, 2) in px, clockwise in the photo, at all levels, the palest first."""
    scale = min(1.0, _SEARCH_SIDE_PX / max(pale.shape))
    small = cv2.resize(pale, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = cv2.medianBlur(small, 3)
    cuts = [(small > int(level)).view(np.uint8) for level in np.linspace(250, 50, LEVELS)]
    for threshold in _EDGE_LEVELS:
        steep = cv2.Canny(cv2.GaussianBlur(small, (0, 0), 1.2), threshold, 3 * threshold)
        cuts.append(np.asarray(cv2.dilate(steep, np.ones((3, 3), np.uint8)), dtype=np.uint8))
    for cut in cuts:
        outlines, _ = cv2.findContours(cut, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for outline in outlines:
            area = cv2.contourArea(outline)
            if not _SMALLEST_SHARE * small.size < area < _LARGEST_SHARE * small.size:
                continue
            hull = cv2.convexHull(outline)  # turns from the x axis to the y axis
            corners = cv2.approxPolyDP(hull, _POLYGON_SHARE * cv2.arcLength(hull, True), True).reshape(-1, 2)
            if len(corners) == 4 and area > 0.85 * cv2.contourArea(corners):
                yield (corners.astype(np.float64) + 0.5) / scale - 0.5


def _alike(one: Array, other: Array) -> bool:
    """Whether two quadrangles are the same, seen at two levels."""
    side = np.sqrt(abs(signed_area(other)))
    return bool(np.linalg.norm(one.mean(axis=0) - other.mean(axis=0)) < 0.1 * side) and bool(
        abs(abs(signed_area(one)) / abs(signed_area(other)) - 1) < 0.2
    )


def _refined(pale: Grey, rough: Array) -> Quadrangle | None:
    """Sub-pixel lines along the four sides, and where they meet; None where a side is not seen."""
    corners = rough
    for wider in (2.0, 1.0, 1.0):
        lines, bows, falls = [], [], []
        for one, two in pairwise([*corners, corners[0]]):
            side = _side(pale, one, two, wider)
            if side is None:
                return None
            lines.append(side[0])
            bows.append(side[1])
            falls.append(side[2])
        corners = np.array([_meeting(lines[number - 1], lines[number]) for number in range(4)])
        if not np.isfinite(corners).all():
            return None
    return Quadrangle(corners, max(bows), min(falls))


def _side(pale: Grey, one: Array, two: Array, wider: float) -> tuple[tuple[Array, Array], float, float] | None:
    """A side's line (a point and its direction), its bow over its length, and the fall across it."""
    length = float(np.linalg.norm(two - one))
    if length < 8:
        return None
    along = (two - one) / length
    outwards = np.array([along[1], -along[0]])  # clockwise in the photo, whose y axis points down
    reach = wider * float(np.clip(_REACH_SHARE * length, *_REACH_RANGE_PX))
    share = np.linspace(_ENDS_SHARE, 1 - _ENDS_SHARE, _ROWS)
    offsets = np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX)
    base = one + share[:, None] * (two - one)
    at = base[:, None] + offsets[None, :, None] * outwards
    level = cv2.GaussianBlur(sample(pale, at.reshape(-1, 2)).reshape(_ROWS, -1), (1, 3), 0)
    width = round(1.0 / _STEP_PX)
    fall = level[:, : -2 * width] - level[:, 2 * width :]
    where = offsets[width:-width]
    steepest = fall.argmax(axis=1)
    near = np.abs(where[None] - where[steepest][:, None]) <= _CENTRE_PX
    weight = np.where(near, np.maximum(fall, 0.0), 0.0)
    drop = fall.max(axis=1)
    places = (weight * where).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    line, on_line = _line(share, places, drop > _LEAST_FALL)
    if on_line.mean() < _SEEN_SHARE:
        return None
    curve = np.polyfit(share[on_line], places[on_line], 2)
    bow = abs(float(curve[0])) / 4 / length
    ends = [one + along * length * s + outwards * np.polyval(line, s) for s in (0.0, 1.0)]
    return (ends[0], ends[1] - ends[0]), bow, float(np.median(drop[on_line]))


def _line(share: Array, places: Array, seen: Mask) -> tuple[Array, Mask]:
    """Straight line through most of the places (random samples, then least squares), and which lie on it."""
    which = np.flatnonzero(seen)
    if len(which) < 8:
        return np.zeros(2), np.zeros(len(share), dtype=bool)
    generator = np.random.default_rng(1)
    pairs = generator.choice(which, (_DRAWN_LINES, 2))
    a, b = pairs[pairs[:, 0] != pairs[:, 1]].T
    slope = (places[b] - places[a]) / (share[b] - share[a])
    away = places - places[a, None] - slope[:, None] * (share - share[a, None])
    near = seen & (np.abs(away) < _ON_LINE_PX)
    best = near[near.sum(axis=1).argmax()]
    for _ in range(2):
        if best.sum() < 8:
            break
        line = np.polyfit(share[best], places[best], 1)
        best = seen & (np.abs(places - np.polyval(line, share)) < _ON_LINE_PX)
    return (np.polyfit(share[best], places[best], 1), best) if best.sum() >= 8 else (np.zeros(2), best & False)


def _meeting(one: tuple[Array, Array], two: tuple[Array, Array]) -> Array:
    """Where two lines meet; not finite where they are parallel."""
    (start, way), (other, across) = one, two
    turn = way[0] * across[1] - way[1] * across[0]
    if abs(turn) < 1e-9:
        return np.full(2, np.nan)
    away = other - start
    return np.asarray(start + way * (away[0] * across[1] - away[1] * across[0]) / turn)


def _even_inside(pale: Grey, corner_px: Array) -> bool:
    """Whether the inside is as even as blank paper."""
    share = np.linspace(0.1, 0.9, 20)
    right, down = (axis.ravel() for axis in np.meshgrid(share, share))
    weights = np.stack([(1 - right) * (1 - down), right * (1 - down), right * down, (1 - right) * down])
    level = sample(pale, weights.T @ corner_px)
    # soft light and shade, a lamp's slope or the shade of an arm, are no pattern
    design = np.polynomial.legendre.legvander2d(2 * right - 1, 2 * down - 1, (_SHADE_DEGREE, _SHADE_DEGREE))
    rest = level - design @ np.linalg.lstsq(design, level, rcond=None)[0]
    return bool(1.4826 * np.median(np.abs(rest)) < _MOST_UNEVEN / 2 and np.quantile(np.abs(rest), 0.9) < _MOST_UNEVEN)


def _with_further(quadrangles: Sequence[Quadrangle], found: BlankReference, surface: Surface) -> BlankReference:
    """Add further blank things of the same size that lie in the same plane, each of which makes it surer."""
    first = found.camera.sheets[0]
    layout = first.layout
    assert isinstance(layout, BlankLayout)
    sheets: Sequence[SheetInPhoto] = found.camera.sheets
    camera = found.camera
    for quadrangle in quadrangles:
        if any(_alike(quadrangle.corner_px, sheet.corner_px) for sheet in sheets):
            continue
        try:
            alone = _camera(quadrangle, layout.blank, len(sheets) + 1, camera.image_size_px, camera.lens, surface)
        except Refused:
            continue
        if _cost(alone) > _WORST_MISFIT:
            continue
        together = solve_camera([*sheets, alone.sheets[0]], camera.image_size_px, camera.lens, surface)
        if together.chi_square < _WORST_MISFIT * (len(sheets) + 1):
            camera, sheets = together, together.sheets
    scales = {sheet.layout.name: _scale(sheet) for sheet in sheets}
    return replace(found, camera=camera, scales=scales)
