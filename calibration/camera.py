"""Where the camera stood and how its lens draws, from the sheets in one photo.

The camera is a pinhole with radial distortion (k1, k2), one focal length for both axes.  Unknown are the focal length,
the principal point, the distortion, how much longer than wide the printer made the sheets, and one pose per sheet.  All
of them are estimated together from all corners, by least squares (Gauss-Newton with damping), each corner
weighted by its noise.  What one photo of a plane cannot tell is filled in by priors: the focal length that the phone
writes into the photo, a principal point near the middle, a lens that hardly distorts, and that sheets on one wall or
table are parallel.  The inverse of the normal matrix is the covariance of all parameters (JCGM 100:2008, 5.2; Hartley
and Zisserman, Multiple View Geometry, 2nd ed., 5.2); lengths get their uncertainty from it.  A small sheet seen from
in front hardly tells distance from focal length, and the normal matrix is then so ill-conditioned (1e13) that its
inverse need not be positive.  So what is computed, kept and handed on is a root of the covariance, from the singular
values of the Jacobian: they are the square roots, known to twice as many digits, and whatever is squared is positive
(A. Bjorck, Numerical Methods for Least Squares Problems, 2.8; from memory).

Frame of reference: the frame of the first sheet.  Its plane is z = 0, z points from the wall or table to the viewer.
The size of the print is not part of this: it stretches everything alike and is added to a length by `print_scale`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calibration.arrays import Array
from calibration.least_squares import Minimum, minimum
from calibration.problems import NO_SHEET, WRONG_LENS, Refused
from calibration.sheet_in_photo import SheetInPhoto, bend_px, pooled_noise_px

FRAME_DIAGONAL_MM = 43.267
"""Diagonal of the 36 x 24 mm frame; a 35 mm-equivalent focal length has the angle of view over the diagonal in common
with the camera (EXIF 2.3, tag FocalLengthIn35mmFilm; CIPA DCG-001)."""

FOCAL_RELATIVE_SD = 0.025
"""Of the equivalent focal length: rounding to whole mm (0.29 mm, 1.1 %), nominal value, and focusing, which changes it
by 1 to 3 % (from memory, common experience in photogrammetry)."""

UNSTATED_LENSES_MM = ((26.0, 3.0), (52.0, 5.0), (77.0, 8.0))
"""Lenses of phones where the photo does not say: equivalent focal length and its standard deviation, for the main lens,
the main lens at 2x or a short tele lens, and a longer one; common practice, no source."""

FILM_LENSES_MM = ((31.0, 4.0), (60.0, 9.0), (90.0, 12.0))
"""The same for a frame of a film, which never says: phones cut the wide main picture to 16:9 (1.09 times the equivalent
focal length, over the diagonal) and for steadying by up to a quarter of it more; common practice, no source."""

SHORTEST_FOCAL35_MM = 19.0
"""Below it a lens is an ultra-wide one, whose distortion we do not follow; common practice, no source."""

CENTRE_SD_SHARE = 0.01
"""Of the photo's longer side: one standard deviation of the principal point from the middle, along each axis."""

K1_SD, K2_SD = 0.015, 0.006
"""Main cameras of phones correct their distortion down to about 0.5 % at the corner (from memory), where r is 0.8."""

MOST_STEPS, NEAR_SD, FIRST_DAMPING, NEAR_DAMPING = 100, 1e-4, 1e-2, 1e-12
"""Steps of an adjustment at most, the length of the last one in standard deviations, and the damping of the first,
which may start far off (from four corners of blank paper) or near: our choice."""
_LOOKS_ALIKE = 1e3
"""Of two poses that a plane may have, one that misses the corners by thirty times as much as the other (the root of
this) is no other view of what is seen; our choice."""
_FEWEST_JUDGED = 4
"""Corners beyond which misfits tell the corners' noise; four fit nearly any pose."""

_LEAST_SINGULAR = 1e-12
"""Of a singular value, over the largest: below it, rounding decides; a parameter is then as good as unknown."""

_LEAST_TURN = 1e-12
"""Of a rotation, rad: a smaller one has no axis."""

PARAMETERS = ("focal length", "centre x", "centre y", "k1", "k2", "print stretch")
_LENS, COMMON, POSE = 5, len(PARAMETERS), 6
"""Parameters of the lens; those of all sheets together; and of each sheet, its rotation vector and translation."""


class Surface(StrEnum):
    """What the sheets are fixed to, as far as they can be said to be parallel."""

    WALL = "wall"
    TABLE = "table"
    ANY = "any"


_LENS_SHARES = {Surface.WALL: (0.96, 0.03, 0.01), Surface.TABLE: (0.85, 0.11, 0.04), Surface.ANY: (0.85, 0.11, 0.04)}
"""How common the `UNSTATED_LENSES_MM` are; a child with an arm out hardly fits into a tele lens.  Our assumption."""

_PARALLEL_SD = {Surface.WALL: (3.0, 0.4), Surface.TABLE: (50.0, 0.4), Surface.ANY: (1e4, 60.0)}
"""Standard deviations of a further sheet's height over the first one's plane (mm; a book may lie under it on a table)
and of its tilt (degrees, along each axis); our assumption."""


@dataclass(frozen=True)
class PosedCamera:
    """A camera, its place and its lens.

    Attributes
    ----------
    sheets : tuple of SheetInPhoto
        The sheets it was found from; the first is the frame of reference.
    image_size_px : tuple of int
        Width and height of the photo, px.
    parameters : (P,) ndarray of float
        As in `PARAMETERS`: focal length (px), principal point x and y (px), k1, k2, relative stretch of the print along
        the page over across it; then for each sheet its rotation vector (rad) and translation (mm) into the camera's
        frame;
        P = 6 + 6 * number of sheets.
    covariance_root : (P, P) ndarray of float
        Lower triangular root L of the covariance of `parameters`, which is L L'.  The root of the covariance of the
        first n parameters is ``covariance_root[:n, :n]``.
    chi_square : float
        Sum of squares of the weighted residuals of the corners, about ``2 * corners - 6 * sheets``.
    bend_px : tuple of float
        How far each sheet's corners are seen from where a flat one has them, noise aside, px (root mean square).
    """

    sheets: tuple[SheetInPhoto, ...]
    image_size_px: tuple[int, int]
    parameters: Array
    covariance_root: Array
    chi_square: float
    bend_px: tuple[float, ...]

    @cached_property
    def covariance(self) -> Array:
        """Covariance (P, P) of `parameters`, symmetric."""
        return np.asarray(self.covariance_root @ self.covariance_root.T)

    @property
    def focal_px(self) -> float:
        """Focal length, px."""
        return float(self.parameters[0])

    @property
    def focal35_mm(self) -> float:
        """The 35 mm-equivalent focal length, mm."""
        return self.focal_px * FRAME_DIAGONAL_MM / float(np.hypot(*self.image_size_px))

    @property
    def centre_px(self) -> Array:
        """Principal point (2,), px."""
        return self.parameters[1:3]

    @property
    def k1(self) -> float:
        """First coefficient of radial distortion."""
        return float(self.parameters[3])

    @property
    def k2(self) -> float:
        """Second coefficient of radial distortion."""
        return float(self.parameters[4])

    @cached_property
    def rotation(self) -> Array:
        """Rotation (3, 3) from the frame of reference into the camera's frame: x_cam = rotation X + translation."""
        return _rotation(self.parameters[COMMON : COMMON + 3])

    @property
    def translation_mm(self) -> Array:
        """Translation (3,) from the frame of reference into the camera's frame, mm."""
        return self.parameters[COMMON + 3 : COMMON + 6]

    @cached_property
    def position_mm(self) -> Array:
        """Place of the camera (3,) in the frame of reference, mm."""
        return np.asarray(-self.rotation.T @ self.translation_mm)

    def with_parameters(self, parameters: ArrayLike) -> PosedCamera:
        """The same camera with other parameters (P,), to see how a result depends on them."""
        return replace(self, parameters=np.asarray(parameters, dtype=np.float64))

    def project(self, points_mm: ArrayLike) -> Array:
        """Take points (N, 3) in mm of the frame of reference to the photo, (N, 2) in px."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
        return _project(points, self.parameters[:_LENS], self.rotation, self.translation_mm)

    def project_slopes(self, points_mm: ArrayLike) -> tuple[Array, Array, Array]:
        """Take points (N, 3) in mm of the frame of reference to the photo, and say how their pictures move.

        Returns
        -------
        px : (N, 2) ndarray
            As `project` gives them.
        by_point : (N, 2, 3) ndarray
            Derivatives by the point's own coordinates, px/mm.
        by_parameters : (N, 2, P) ndarray
            Derivatives by the camera's `parameters`; those of the print's stretch and of further sheets are zero.
        """
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
        pose = self.parameters[COMMON : COMMON + POSE]
        seen, slopes = cv2.projectPoints(points, pose[:3], pose[3:], *_opencv_lens(self.parameters))
        px, by = np.asarray(seen, dtype=np.float64), np.asarray(slopes, dtype=np.float64)
        by_parameters = np.zeros((2 * len(points), len(self.parameters)))
        by_parameters[:, :_LENS] = _by_lens(by)
        by_parameters[:, COMMON : COMMON + POSE] = by[:, :POSE]
        by_point = by[:, 3:POSE] @ self.rotation
        return px.reshape(-1, 2), by_point.reshape(-1, 2, 3), by_parameters.reshape(len(points), 2, -1)

    def rays(self, points_px: ArrayLike) -> Array:
        """Directions (N, 3), of length 1, in the frame of reference, in which points (N, 2) in px are seen."""
        pixels = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        plane = _undistorted((pixels - self.centre_px) / self.focal_px, self.k1, self.k2)
        in_camera = np.column_stack([plane, np.ones(len(plane))])
        directions = in_camera @ self.rotation
        return np.asarray(directions / np.linalg.norm(directions, axis=1, keepdims=True))

    def to_plane(self, points_px: ArrayLike, height_mm: ArrayLike = 0.0) -> Array:
        """Where what is seen at points (N, 2) in px lies, (N, 3) in mm, if it is `height_mm` above the first sheet.

        `height_mm` is one number or (N,).
        """
        return self.along(self.rays(points_px), height_mm)

    def along(self, directions: Array, height_mm: ArrayLike) -> Array:
        """Where lines of sight (N, 3), as of `rays`, reach `height_mm` above the first sheet; as `to_plane`."""
        start, height = self.position_mm, np.broadcast_to(np.asarray(height_mm, dtype=np.float64), len(directions))
        points = start + directions * ((height - start[2]) / directions[:, 2])[:, None]
        points[:, 2] = height
        return np.asarray(points)

    def to_any_plane(self, points_px: ArrayLike, normal: ArrayLike, offset_mm: float) -> Array:
        """Where what is seen at points (N, 2) in px lies, (N, 3) in mm, if on the plane ``normal . X = offset``."""
        directions, start = self.rays(points_px), self.position_mm
        direction = np.asarray(normal, dtype=np.float64)
        along = (offset_mm - start @ direction) / (directions @ direction)
        return np.asarray(start + directions * along[:, None])

    def sheet_frame(self, number: int) -> tuple[Array, Array]:
        """Rotation (3, 3) and translation (3,) in mm that take sheet `number`'s own frame to the frame of reference."""
        pose = self.parameters[COMMON + POSE * number : COMMON + POSE * (number + 1)]
        return self.rotation.T @ _rotation(pose[:3]), self.rotation.T @ (pose[3:] - self.translation_mm)

    def sheet_heights_mm(self) -> Array:
        """Height (S,) of each sheet's centre above the first sheet's plane, mm."""
        return np.array([self.sheet_frame(number)[1][2] for number in range(len(self.sheets))])

    @property
    def focal_standard_uncertainty_px(self) -> float:
        """Standard uncertainty of the focal length, px."""
        return float(np.sqrt(self.covariance[0, 0]))


def solve_camera(
    sheets: Sequence[SheetInPhoto],
    image_size_px: tuple[int, int],
    focal35_mm: float | None = None,
    surface: Surface | str = Surface.ANY,
    print_scales: Mapping[str, float] | None = None,
    film: bool = False,
) -> PosedCamera:
    """Find the camera's place and lens from all sheets in a photo.

    Parameters
    ----------
    sheets : sequence of SheetInPhoto
        As `find_sheets` gives them; the first becomes the frame of reference.
    image_size_px : (width, height)
        Size of the photo in which they were found, px.
    focal35_mm : float or None
        35 mm-equivalent focal length as the phone states it.
    surface : Surface
        What the sheets are fixed to: on a wall they are coplanar, on a table parallel.
    print_scales : mapping of str to float, optional
        True size over nominal size of the print, by the sheets' names, where it is known not to be 1.
    film : bool
        Whether it is a frame of a film.

    Returns
    -------
    PosedCamera
        Camera with covariance.

    Raises
    ------
    Refused
        ``no_sheet`` where `sheets` is empty; ``wrong_lens`` where the photo says, or the sheets show, that it was taken
        with an ultra-wide lens.
    """
    if not sheets:
        raise Refused(NO_SHEET)
    if focal35_mm is not None and 0 < focal35_mm < SHORTEST_FOCAL35_MM:
        raise Refused(WRONG_LENS)
    lenses = [
        _solved(problem)
        for problem in adjustments(tuple(sheets), image_size_px, focal35_mm, Surface(surface), print_scales or {}, film)
    ]
    best = min(lenses, key=lambda lens: lens.cost)
    camera = PosedCamera(
        sheets=tuple(sheets),
        image_size_px=image_size_px,
        parameters=best.parameters,
        covariance_root=_mixed_root(best, lenses),
        chi_square=float((best.problem.corner_residuals(best.parameters) ** 2).sum()),
        bend_px=best.problem.bends_px(best.parameters),
    )
    if camera.focal35_mm * (1 + 2 * camera.focal_standard_uncertainty_px / camera.focal_px) < SHORTEST_FOCAL35_MM:
        raise Refused(WRONG_LENS)
    return camera


def adjustments(
    sheets: tuple[SheetInPhoto, ...],
    image_size_px: tuple[int, int],
    focal35_mm: float | None,
    surface: Surface,
    print_scales: Mapping[str, float],
    film: bool = False,
) -> Iterator[Adjustment]:
    """One adjustment for the lens that the photo states, or one for each lens that it may have been taken with."""
    corners_mm = [sheet.corner_mm * print_scales.get(sheet.layout.name, 1.0) for sheet in sheets]
    if focal35_mm is not None and focal35_mm > 0:
        lenses: Sequence[tuple[float, float]] = [(focal35_mm, FOCAL_RELATIVE_SD * focal35_mm)]
        shares: Sequence[float] = [1.0]
    else:
        lenses = FILM_LENSES_MM if film else UNSTATED_LENSES_MM
        shares = _LENS_SHARES[surface]
    for share, (equivalent_mm, spread_mm) in zip(shares, lenses, strict=True):
        improbability = float(np.log(spread_mm / equivalent_mm / share))
        per_mm = float(np.hypot(*image_size_px)) / FRAME_DIAGONAL_MM
        focal_px = (equivalent_mm * per_mm, spread_mm * per_mm)
        yield Adjustment(sheets, corners_mm, image_size_px, focal_px, _PARALLEL_SD[surface], improbability)


class Adjustment:
    """The least-squares problem: residuals of corners and priors, each over its standard deviation."""

    def __init__(
        self,
        sheets: tuple[SheetInPhoto, ...],
        corners_mm: list[Array],
        image_size_px: tuple[int, int],
        focal_px: tuple[float, float],
        parallel_sd: tuple[float, float],
        improbability: float,
    ) -> None:
        centre_sd_px = CENTRE_SD_SHARE * max(image_size_px)
        self.sheets, self.corners_mm = sheets, corners_mm
        self.common = np.array([focal_px[0], (image_size_px[0] - 1) / 2, (image_size_px[1] - 1) / 2, 0.0, 0.0, 0.0])
        self.common_sd = np.array([focal_px[1], centre_sd_px, centre_sd_px, K1_SD, K2_SD, sheets[0].layout.stretch_sd])
        self.noise_px = [sheet.noise_px for sheet in sheets]
        self.parallel_sd = parallel_sd
        self.improbability = improbability

    def starts(self) -> Iterator[Array]:
        """Starting points: a plane seen from nearly in front has two poses that look alike, so there are two."""
        matrix = np.array([[self.common[0], 0, self.common[1]], [0, self.common[0], self.common[2]], [0, 0, 1.0]])
        choices = []
        for sheet, corners in zip(self.sheets, self.corners_mm, strict=True):
            _, rotations, translations, _ = cv2.solvePnPGeneric(
                corners, sheet.corner_px, matrix, None, flags=cv2.SOLVEPNP_IPPE
            )
            poses = [np.concatenate([r.ravel(), t.ravel()]) for r, t in zip(rotations, translations, strict=True)]
            kept = [pose for pose in poses if np.isfinite(pose).all() and pose[5] > 0]
            choices.append(kept or [self._from_in_front(sheet)])
        for first in choices[0]:
            normal = _rotation(first[:3])[:, 2]
            others = [max(poses, key=lambda pose: float(normal @ _rotation(pose[:3])[:, 2])) for poses in choices[1:]]
            yield np.concatenate([self.common, first, *others])

    def _from_in_front(self, sheet: SheetInPhoto) -> Array:
        """Pose (6,) of a sheet if it were seen from exactly in front, for one that gives no better start."""
        middle_mm, middle_px = sheet.corner_mm.mean(axis=0), sheet.corner_px.mean(axis=0)
        spread_mm, spread_px = np.std(sheet.corner_mm[:, :2]), np.std(sheet.corner_px)
        distance_mm = self.common[0] * spread_mm / spread_px
        upright = np.array([np.pi, 0.0, 0.0])
        at_mm = np.append((middle_px - self.common[1:3]) / self.common[0], 1.0) * distance_mm
        return np.concatenate([upright, at_mm - _rotation(upright) @ middle_mm])

    def solve(self, start: Array, damping: float = FIRST_DAMPING) -> Minimum:
        """Least squares from one starting point."""
        return minimum(lambda at: (self.residuals(at), self.jacobian(at)), start, MOST_STEPS, NEAR_SD, damping)

    def likely_starts(self) -> list[Array]:
        """Starting points from which the least sum of squares may be reached."""
        starts = list(self.starts())
        costs = [float((self.residuals(start) ** 2).sum()) for start in starts]
        return [start for start, cost in zip(starts, costs, strict=True) if cost <= _LOOKS_ALIKE * min(costs)]

    def judge_noise(self, parameters: Array) -> None:
        """Take the corners' noise from their misfits to the adjusted camera; each sheet's pose used up six of them."""
        self.noise_px = [
            pooled_noise_px(misfit, misfit.size - POSE) if len(misfit) > _FEWEST_JUDGED else sheet.noise_px
            for sheet, misfit in zip(self.sheets, self.misfits_px(parameters), strict=True)
        ]

    def residuals(self, parameters: Array) -> Array:
        """All residuals."""
        common = (parameters[:COMMON] - self.common) / self.common_sd
        return np.concatenate([self.corner_residuals(parameters), common, self.parallel_residuals(parameters)])

    def corner_residuals(self, parameters: Array) -> Array:
        """Residuals of the corners."""
        misfits = self.misfits_px(parameters)
        return np.concatenate([misfit.ravel() / noise for misfit, noise in zip(misfits, self.noise_px, strict=True)])

    def misfits_px(self, parameters: Array) -> list[Array]:
        """How far each sheet's corners (N, 2) would be seen from where they are seen, px."""
        return [
            _project(corners, parameters[:_LENS], _rotation(pose[:3]), pose[3:]) - sheet.corner_px
            for sheet, corners, pose in self._posed(parameters)
        ]

    def bends_px(self, parameters: Array) -> tuple[float, ...]:
        """How far each sheet is from flat, px."""
        misfits = zip(self.sheets, self.misfits_px(parameters), strict=True)
        return tuple(bend_px(sheet.corner_mm, misfit) for sheet, misfit in misfits)

    def jacobian(self, parameters: Array) -> Array:
        """Derivatives of `residuals` by the parameters."""
        lens = _opencv_lens(parameters)
        blocks = []
        for number, (_, corners, pose) in enumerate(self._posed(parameters)):
            by = np.asarray(cv2.projectPoints(corners, pose[:3], pose[3:], *lens)[1], dtype=np.float64)
            block = np.zeros((len(by), len(parameters)))
            block[:, :_LENS] = _by_lens(by)
            # a corner that is printed further up and further in moves as the sheet's own axes do in the photo
            rightwards, upwards = (by[:, 3:6] @ _rotation(pose[:3])[:, :2]).T
            half = parameters[5] / 2
            block[:, 5] = upwards * np.repeat(corners[:, 1] / (1 + half) / 2, 2)
            block[:, 5] -= rightwards * np.repeat(corners[:, 0] / (1 - half) / 2, 2)
            column = COMMON + POSE * number
            block[:, column : column + POSE] = by[:, :POSE]
            blocks.append(block / self.noise_px[number])
        common = np.zeros((COMMON, len(parameters)))
        common[:, :COMMON] = np.diag(1 / self.common_sd)
        return np.vstack([*blocks, common, self._parallel_jacobian(parameters)])

    def _posed(self, parameters: Array) -> Iterator[tuple[SheetInPhoto, Array, Array]]:
        """Each sheet, its corners in mm as the printer stretched them, and its pose."""
        stretch = np.array([1.0 - parameters[5] / 2, 1.0 + parameters[5] / 2, 1.0])
        poses = parameters[COMMON:].reshape(-1, POSE)
        return zip(self.sheets, [corners * stretch for corners in self.corners_mm], poses, strict=True)

    def parallel_residuals(self, parameters: Array) -> Array:
        """Height and tilt of the further sheets over the first one's plane."""
        height_sd_mm, tilt_sd_deg = self.parallel_sd
        poses = parameters[COMMON:].reshape(-1, POSE)
        first, parts = _rotation(poses[0, :3]), [np.empty(0)]
        for pose in poses[1:]:
            tilt = (first.T @ _rotation(pose[:3]))[:2, 2]
            height = first[:, 2] @ (pose[3:] - poses[0, 3:])
            parts.append(np.array([height / height_sd_mm, *(tilt / np.radians(tilt_sd_deg))]))
        return np.concatenate(parts)

    def _parallel_jacobian(self, parameters: Array) -> Array:
        """Derivatives of `parallel_residuals`: three rows for each further sheet."""
        height_sd_mm, tilt_sd_deg = self.parallel_sd
        poses = parameters[COMMON:].reshape(-1, POSE)
        first, by_first = _turned(poses[0, :3])
        normal, by_normal = first[:, 2], by_first[:, :, 2]
        jacobian = np.zeros((3 * (len(poses) - 1), len(parameters)))
        for number, pose in enumerate(poses[1:], start=1):
            turn, by_turn = _turned(pose[:3])
            rows = jacobian[3 * (number - 1) : 3 * number]
            mine = COMMON + POSE * number
            rows[0, COMMON : COMMON + 3] = by_normal @ (pose[3:] - poses[0, 3:]) / height_sd_mm
            rows[0, COMMON + 3 : COMMON + 6] = -normal / height_sd_mm
            rows[0, mine + 3 : mine + 6] = normal / height_sd_mm
            for axis in range(2):
                rows[1 + axis, COMMON : COMMON + 3] = by_first[:, :, axis] @ turn[:, 2] / np.radians(tilt_sd_deg)
                rows[1 + axis, mine : mine + 3] = by_turn[:, :, 2] @ first[:, axis] / np.radians(tilt_sd_deg)
        return jacobian


@dataclass(frozen=True)
class _Solution:
    """The adjustment for one lens; `cost` is minus the logarithm of its probability, but for a constant."""

    problem: Adjustment
    parameters: Array
    root: Array
    cost: float


def _solved(problem: Adjustment) -> _Solution:
    start = min((problem.solve(start) for start in problem.likely_starts()), key=lambda found: found.cost)
    # the corners' noise was judged without a lens; now that the lens is known it is judged again
    problem.judge_noise(start.x)
    parameters = problem.solve(start.x, NEAR_DAMPING).x
    root = inverse_root(problem.jacobian(parameters))
    return _Solution(problem, parameters, root, problem.improbability + start.cost)


def _mixed_root(best: _Solution, lenses: list[_Solution]) -> Array:
    """Root of the covariance about the best solution where other lenses are possible too (law of total variance)."""
    weights = np.exp([best.cost - lens.cost for lens in lenses])
    weights /= weights.sum()
    parts = []
    for weight, lens in zip(weights, lenses, strict=True):
        away = same_turns(lens.parameters, best.parameters) - best.parameters
        parts.append(np.sqrt(weight) * np.column_stack([lens.root, away]))
    return triangular(np.hstack(parts))


def same_turns(parameters: Array, like: Array) -> Array:
    """The same parameters with rotation vectors on the side of half a turn on which those of `like` are."""
    changed = parameters.copy()
    for column in range(COMMON, len(parameters), POSE):
        vector, other = parameters[column : column + 3], like[column : column + 3]
        opposite = vector * (1 - 2 * np.pi / max(float(np.linalg.norm(vector)), _LEAST_TURN))
        if np.linalg.norm(opposite - other) < np.linalg.norm(vector - other):
            changed[column : column + 3] = opposite
    return changed


def inverse_root(jacobian: Array) -> Array:
    """Root (P, P) of the inverse of the normal matrix, by singular values, with columns scaled to be alike first."""
    scale = np.linalg.norm(jacobian, axis=0)
    _, values, vectors = np.linalg.svd(jacobian / scale, full_matrices=False)
    return np.asarray(vectors.T / np.maximum(values, _LEAST_SINGULAR * values[0]) / scale[:, None])


def triangular(root: Array) -> Array:
    """Lower triangular root (P, P), with a diagonal that is not negative, of what `root` (P, K) is a root of."""
    upper = np.asarray(np.linalg.qr(root.T, mode="r"))
    return np.asarray((upper * np.where(np.diag(upper) < 0, -1.0, 1.0)[:, None]).T)


def _turned(vector: Array) -> tuple[Array, Array]:
    """Rotation (3, 3) about a vector by its length in rad, and its derivatives (3, 3, 3) by the vector's parts."""
    rotation, derivatives = cv2.Rodrigues(np.asarray(vector, dtype=np.float64))
    return np.asarray(rotation), np.asarray(derivatives, dtype=np.float64).reshape(3, 3, 3)


def _rotation(vector: Array) -> Array:
    """Rotation (3, 3) about a vector by its length in rad (Rodrigues)."""
    return np.asarray(cv2.Rodrigues(np.asarray(vector, dtype=np.float64))[0])


def _project(points_mm: Array, lens: Array, rotation: Array, translation_mm: Array) -> Array:
    focal, centre_x, centre_y, k1, k2 = lens
    in_camera = points_mm @ rotation.T + translation_mm
    plane = in_camera[:, :2] / in_camera[:, 2:]
    square = plane[:, :1] ** 2 + plane[:, 1:] ** 2
    return np.asarray(focal * plane * (1 + square * (k1 + k2 * square)) + [centre_x, centre_y])


def _opencv_lens(parameters: Array) -> tuple[Array, Array]:
    """Camera matrix (3, 3) and distortion (4,) as OpenCV wants them."""
    focal, centre_x, centre_y, k1, k2 = parameters[:_LENS]
    matrix = np.array([[focal, 0, centre_x], [0, focal, centre_y], [0, 0, 1.0]])
    return matrix, np.array([k1, k2, 0.0, 0.0])


def _by_lens(by: Array) -> Array:
    """Derivatives (2 N, 5) by our lens, which has one focal length, from those of `cv2.projectPoints`."""
    return np.column_stack([by[:, 6] + by[:, 7], by[:, 8:12]])


def _undistorted(distorted: Array, k1: float, k2: float) -> Array:
    """Invert the radial distortion: Newton's method on the radius."""
    far = np.linalg.norm(distorted, axis=1, keepdims=True)
    radius = far.copy()
    for _ in range(6):
        square = radius**2
        value = radius * (1 + square * (k1 + k2 * square)) - far
        slope = 1 + square * (3 * k1 + 5 * k2 * square)
        radius = radius - value / np.where(np.abs(slope) > 0.1, slope, 0.1)
    return np.asarray(distorted * np.where(far > 0, radius / np.maximum(far, 1e-12), 1.0))
