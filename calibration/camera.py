"""Where the camera stood and how its lens draws, from the sheets in one photo.

The camera is a pinhole with radial distortion (k1, k2), one focal length for both axes.  Unknown are the focal length,
the principal point, the distortion, how much longer than wide the printer made the sheets, and of each sheet its pose
and how it bends: paper is not flat, and a bow of a millimetre that is taken for a plane moves camera and lens by more
than all noise.  All of them are estimated together from all corners, by least squares (Gauss-Newton with damping), each
corner weighted by its noise.  What one photo of a plane cannot tell is filled in by priors: the focal length that the
phone writes into the photo (`lens`), a principal point near the middle, a lens that hardly distorts, paper that hardly
bends, and that sheets on one wall or table are parallel.  The inverse of the normal matrix is the covariance of all
parameters (JCGM 100:2008, 5.2; Hartley and Zisserman, Multiple View Geometry, 2nd ed., 5.2); lengths get their
uncertainty from it.  A small sheet seen from in front hardly tells distance from focal length, and the normal matrix is
then so ill-conditioned (1e13) that its inverse need not be positive.  So what is computed, kept and handed on is a root
of the covariance, from the singular values of the Jacobian: they are the square roots, known to twice as many digits,
and whatever is squared is positive (A. Bjorck, Numerical Methods for Least Squares Problems, 2.8; from memory).

Frame of reference: the frame of the first sheet.  The surface that its lowest corner touches is z = 0, z points from
the wall or table to the viewer.  The size of the print is not part of this: it stretches everything alike and is added
to a length by `print_scale`.
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
from calibration.lens import FRAME_DIAGONAL_MM, NOTHING_STATED, SHORTEST_FOCAL35_MM, PossibleLens, StatedLens
from calibration.pinhole import LENS, POSE, project, project_slopes, rotation, rotation_slopes, same_turn, undistorted
from calibration.problems import NO_SHEET, WRONG_LENS, Refused
from calibration.sheet_bends import BEND_SD_MM, bend_px, bends_of, board_bends
from calibration.sheet_in_photo import SheetInPhoto, pooled_noise_px

K1_SD, K2_SD = 0.015, 0.006
"""Main cameras of phones correct their distortion down to about 0.5 % at the corner (from memory), where r is 0.8."""

MOST_STEPS, NEAR_SD, FIRST_DAMPING, NEAR_DAMPING = 100, 1e-4, 1e-2, 1e-12
"""Steps of an adjustment at most, the length of the last one in standard deviations, and the damping of the first,
which may start far off (from four corners of blank paper) or near: our choice."""
_LOOKS_ALIKE = 1e3
"""Of two poses that a plane may have, one that misses the corners by thirty times as much as the other (the root of
this) is no other view of what is seen; our choice."""

_LEAST_SINGULAR = 1e-12
"""Of a singular value, over the largest: below it, rounding decides; a parameter is then as good as unknown."""

COMMON = LENS + 1
"""Parameters that all sheets have in common: those of the lens, and how much longer than wide the printer made them.
Behind them stand the poses of all sheets, and behind these the bends of the first, of the second, and so on."""


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
        Focal length (px), principal point x and y (px), k1, k2, relative stretch of the print along the page over
        across it; then for each sheet its rotation vector (rad) and translation (mm) into the camera's frame;
        P = 6 + 6 * number of sheets.
    covariance_root : (P, P) ndarray of float
        Lower triangular root L of the covariance of `parameters`, which is L L'.  The root of the covariance of the
        first n parameters is ``covariance_root[:n, :n]``.
    chi_square : float
        Sum of squares of the weighted residuals of the corners, about ``2 * corners - 6 * sheets``.
    bend_px : tuple of float
        How far each sheet's corners are seen from where they are on a sheet of its bends (`sheet_bends`), noise aside,
        px (root mean square): creases, and what else bows and waves are not.
    lens : StatedLens
        What was known of the lens beforehand.
    bow_mm : tuple of float
        How far each sheet's highest corner lies above its lowest, which touches the surface, mm.
    disbelief : float
        Sum of squares of how many standard deviations focal length, principal point and distortion are from what was
        believed of them beforehand: about the number of them that the sheets tell, four at most, where it was right.
    """

    sheets: tuple[SheetInPhoto, ...]
    image_size_px: tuple[int, int]
    parameters: Array
    covariance_root: Array
    chi_square: float
    bend_px: tuple[float, ...]
    lens: StatedLens = NOTHING_STATED
    bow_mm: tuple[float, ...] = ()
    disbelief: float = 0.0

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
        return rotation(self.parameters[COMMON : COMMON + 3])

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
        return project(points, self.parameters[:LENS], self.parameters[COMMON : COMMON + POSE])

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
        seen = project_slopes(points, self.parameters[:LENS], self.parameters[COMMON : COMMON + POSE])
        by_parameters = np.zeros((2 * len(points), len(self.parameters)))
        by_parameters[:, :LENS] = seen.by_lens
        by_parameters[:, COMMON : COMMON + POSE] = seen.by_pose
        by_point = seen.by_pose[:, 3:] @ self.rotation
        return seen.px, by_point.reshape(-1, 2, 3), by_parameters.reshape(len(points), 2, -1)

    def rays(self, points_px: ArrayLike) -> Array:
        """Directions (N, 3), of length 1, in the frame of reference, in which points (N, 2) in px are seen."""
        pixels = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        plane = undistorted((pixels - self.centre_px) / self.focal_px, self.k1, self.k2)
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
        return self.rotation.T @ rotation(pose[:3]), self.rotation.T @ (pose[3:] - self.translation_mm)

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
    lens: StatedLens = NOTHING_STATED,
    surface: Surface | str = Surface.ANY,
    print_scales: Mapping[str, float] | None = None,
) -> PosedCamera:
    """Find the camera's place and lens from all sheets in a photo.

    Parameters
    ----------
    sheets : sequence of SheetInPhoto
        As `find_sheets` gives them; the first becomes the frame of reference.
    image_size_px : (width, height)
        Size of the photo in which they were found, px.
    lens : StatedLens
        What the photo's file says of its lens.
    surface : Surface
        What the sheets are fixed to: on a wall they are coplanar, on a table parallel.
    print_scales : mapping of str to float, optional
        True size over nominal size of the print, by the sheets' names, where it is known not to be 1.

    Returns
    -------
    PosedCamera
        Camera with covariance.

    Raises
    ------
    Refused
        ``no_sheet`` where `sheets` is empty; ``wrong_lens`` where the photo says, or says nothing and the sheets show,
        that it was taken with an ultra-wide lens.
    """
    if not sheets:
        raise Refused(NO_SHEET)
    if lens.focal35_mm is not None and lens.focal35_mm < SHORTEST_FOCAL35_MM:
        raise Refused(WRONG_LENS)
    found = [
        _solved(problem)
        for problem in adjustments(tuple(sheets), image_size_px, lens, Surface(surface), print_scales or {})
    ]
    best = min(found, key=lambda one: one.cost)
    camera = PosedCamera(
        sheets=tuple(sheets),
        image_size_px=image_size_px,
        parameters=best.parameters,
        covariance_root=_mixed_root(best, found),
        chi_square=best.chi_square,
        bend_px=best.bend_px,
        lens=lens,
        bow_mm=best.bow_mm,
        disbelief=best.disbelief,
    )
    longest_mm = camera.focal35_mm * (1 + 2 * camera.focal_standard_uncertainty_px / camera.focal_px)
    if lens.focal35_mm is None and longest_mm < SHORTEST_FOCAL35_MM:
        raise Refused(WRONG_LENS)
    return camera


def adjustments(
    sheets: tuple[SheetInPhoto, ...],
    image_size_px: tuple[int, int],
    lens: StatedLens,
    surface: Surface,
    print_scales: Mapping[str, float],
) -> Iterator[Adjustment]:
    """One adjustment for each lens that the photo may have been taken with."""
    corners_mm = [sheet.corner_mm * print_scales.get(sheet.layout.name, 1.0) for sheet in sheets]
    for possible in lens.possible(image_size_px, _LENS_SHARES[surface]):
        yield Adjustment(sheets, corners_mm, image_size_px, possible, _PARALLEL_SD[surface])


class Adjustment:
    """The least-squares problem: residuals of corners and priors, each over its standard deviation."""

    def __init__(
        self,
        sheets: tuple[SheetInPhoto, ...],
        corners_mm: list[Array],
        image_size_px: tuple[int, int],
        lens: PossibleLens,
        parallel_sd: tuple[float, float],
    ) -> None:
        per_mm = float(np.hypot(*image_size_px)) / FRAME_DIAGONAL_MM
        focal_px, focal_sd_px = lens.focal35_mm * per_mm, lens.sd_mm * per_mm
        centre_sd_px = lens.centre_sd_share * max(image_size_px)
        self.sheets, self.corners_mm = sheets, corners_mm
        self.common = np.array([focal_px, (image_size_px[0] - 1) / 2, (image_size_px[1] - 1) / 2, 0.0, 0.0, 0.0])
        self.common_sd = np.array([focal_sd_px, centre_sd_px, centre_sd_px, K1_SD, K2_SD, sheets[0].layout.stretch_sd])
        self.bends = [bends_of(sheet) for sheet in sheets]
        self.noise_px = [sheet.noise_px for sheet in sheets]
        self.parallel_sd = parallel_sd
        self.improbability = float(np.log(lens.sd_mm / lens.focal35_mm / lens.share))

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
            normal = rotation(first[:3])[:, 2]
            others = [max(poses, key=lambda pose: float(normal @ rotation(pose[:3])[:, 2])) for poses in choices[1:]]
            yield np.concatenate([self.common, first, *others, *(np.zeros(bends.shape[1]) for bends in self.bends)])

    def _from_in_front(self, sheet: SheetInPhoto) -> Array:
        """Pose (6,) of a sheet if it were seen from exactly in front, for one that gives no better start."""
        middle_mm, middle_px = sheet.corner_mm.mean(axis=0), sheet.corner_px.mean(axis=0)
        spread_mm, spread_px = np.std(sheet.corner_mm[:, :2]), np.std(sheet.corner_px)
        distance_mm = self.common[0] * spread_mm / spread_px
        upright = np.array([np.pi, 0.0, 0.0])
        at_mm = np.append((middle_px - self.common[1:3]) / self.common[0], 1.0) * distance_mm
        return np.concatenate([upright, at_mm - rotation(upright) @ middle_mm])

    def solve(self, start: Array, damping: float = FIRST_DAMPING) -> Minimum:
        """Least squares from one starting point."""
        return minimum(lambda at: (self.residuals(at), self.jacobian(at)), start, MOST_STEPS, NEAR_SD, damping)

    def likely_starts(self) -> list[Array]:
        """Starting points from which the least sum of squares may be reached."""
        starts = list(self.starts())
        costs = [float((self.residuals(start) ** 2).sum()) for start in starts]
        return [start for start, cost in zip(starts, costs, strict=True) if cost <= _LOOKS_ALIKE * min(costs)]

    def judge_noise(self, parameters: Array) -> None:
        """Take the corners' noise from their misfits to the adjusted camera, less what pose and bends used up."""
        self.noise_px = [
            pooled_noise_px(misfit, misfit.size - POSE - bends.shape[1]) if bends.size else sheet.noise_px
            for sheet, bends, misfit in zip(self.sheets, self.bends, self.misfits_px(parameters), strict=True)
        ]

    def residuals(self, parameters: Array) -> Array:
        """All residuals."""
        common = (parameters[:COMMON] - self.common) / self.common_sd
        return np.concatenate(
            [
                self.corner_residuals(parameters),
                common,
                self.parallel_residuals(parameters),
                parameters[self.posed :] / self.bend_sd_mm,
            ]
        )

    def corner_residuals(self, parameters: Array) -> Array:
        """Residuals of the corners."""
        misfits = self.misfits_px(parameters)
        return np.concatenate([misfit.ravel() / noise for misfit, noise in zip(misfits, self.noise_px, strict=True)])

    def misfits_px(self, parameters: Array) -> list[Array]:
        """How far each sheet's corners (N, 2) would be seen from where they are seen, px."""
        return [
            project(corners, parameters[:LENS], pose) - sheet.corner_px
            for sheet, corners, pose in self._posed(parameters)
        ]

    @property
    def posed(self) -> int:
        """How many parameters a camera has: all but the sheets' bends, which stand behind them."""
        return COMMON + POSE * len(self.sheets)

    def own_bends(self, number: int) -> slice:
        """Where the bends of a sheet stand among the parameters."""
        start = self.posed + sum(bends.shape[1] for bends in self.bends[:number])
        return slice(start, start + self.bends[number].shape[1])

    @cached_property
    def bend_sd_mm(self) -> Array:
        """Standard deviations of all sheets' bends, mm."""
        return np.concatenate([BEND_SD_MM[: bends.shape[1]] for bends in self.bends])

    def bows_mm(self, parameters: Array) -> tuple[float, ...]:
        """How far each sheet's highest corner lies above its lowest, mm."""
        return tuple(
            float(np.ptp(board_bends(sheet.layout) @ parameters[self.own_bends(number)]))
            for number, sheet in enumerate(self.sheets)
        )

    def on_surface(self, parameters: Array, root: Array) -> tuple[Array, Array]:
        """What a camera has of the parameters (P,) and of their root (P, K), each sheet's plane moved to its surface.

        That is where a bent sheet's lowest corner touches it; the plane that was adjusted lies amid the bends.
        """
        moved, root_moved = parameters[: self.posed].copy(), root[: self.posed].copy()
        for number, sheet in enumerate(self.sheets):
            own, bends = self.own_bends(number), board_bends(sheet.layout)
            lowest = bends[np.argmin(bends @ parameters[own])]
            start = COMMON + POSE * number
            outwards = rotation(parameters[start : start + 3])[:, 2]
            moved[start + 3 : start + POSE] += outwards * (lowest @ parameters[own])
            root_moved[start + 3 : start + POSE] += np.outer(outwards, lowest @ root[own])
        return moved, root_moved

    def disbelief(self, parameters: Array) -> float:
        """As `PosedCamera.disbelief`."""
        return float((((parameters[:COMMON] - self.common) / self.common_sd)[:LENS] ** 2).sum())

    def bends_px(self, parameters: Array) -> tuple[float, ...]:
        """How far each sheet is from what its bends make of it, px."""
        misfits = zip(self.sheets, self.misfits_px(parameters), strict=True)
        return tuple(bend_px(sheet.corner_mm, misfit) for sheet, misfit in misfits)

    def jacobian(self, parameters: Array) -> Array:
        """Derivatives of `residuals` by the parameters."""
        blocks = []
        for number, (_, corners, pose) in enumerate(self._posed(parameters)):
            seen = project_slopes(corners, parameters[:LENS], pose)
            by_point = seen.by_pose[:, 3:] @ rotation(pose[:3])
            block = np.zeros((len(by_point), len(parameters)))
            block[:, :LENS] = seen.by_lens
            # a corner that is printed further up and further in moves as the sheet's own axes do in the photo
            rightwards, upwards, outwards = by_point.T
            half = parameters[5] / 2
            block[:, 5] = upwards * np.repeat(corners[:, 1] / (1 + half) / 2, 2)
            block[:, 5] -= rightwards * np.repeat(corners[:, 0] / (1 - half) / 2, 2)
            column = COMMON + POSE * number
            block[:, column : column + POSE] = seen.by_pose
            block[:, self.own_bends(number)] = outwards[:, None] * np.repeat(self.bends[number], 2, axis=0)
            blocks.append(block / self.noise_px[number])
        common = np.zeros((COMMON, len(parameters)))
        common[:, :COMMON] = np.diag(1 / self.common_sd)
        bends = np.zeros((len(parameters) - self.posed, len(parameters)))
        bends[:, self.posed :] = np.diag(1 / self.bend_sd_mm)
        return np.vstack([*blocks, common, self._parallel_jacobian(parameters), bends])

    def _posed(self, parameters: Array) -> Iterator[tuple[SheetInPhoto, Array, Array]]:
        """Each sheet, its corners in mm as the printer stretched and as it is bent, and its pose."""
        stretch = np.array([1.0 - parameters[5] / 2, 1.0 + parameters[5] / 2, 1.0])
        bent = [corners * stretch for corners in self.corners_mm]
        for number, bends in enumerate(self.bends):
            bent[number][:, 2] += bends @ parameters[self.own_bends(number)]
        return zip(self.sheets, bent, self._poses(parameters), strict=True)

    def _poses(self, parameters: Array) -> Array:
        """Each sheet's rotation vector and translation (S, 6)."""
        return parameters[COMMON : self.posed].reshape(-1, POSE)

    def parallel_residuals(self, parameters: Array) -> Array:
        """Height and tilt of the further sheets over the first one's plane."""
        height_sd_mm, tilt_sd_deg = self.parallel_sd
        poses = self._poses(parameters)
        first, parts = rotation(poses[0, :3]), [np.empty(0)]
        for pose in poses[1:]:
            tilt = (first.T @ rotation(pose[:3]))[:2, 2]
            height = first[:, 2] @ (pose[3:] - poses[0, 3:])
            parts.append(np.array([height / height_sd_mm, *(tilt / np.radians(tilt_sd_deg))]))
        return np.concatenate(parts)

    def _parallel_jacobian(self, parameters: Array) -> Array:
        """Derivatives of `parallel_residuals`: three rows for each further sheet."""
        height_sd_mm, tilt_sd_deg = self.parallel_sd
        poses = self._poses(parameters)
        first, by_first = rotation_slopes(poses[0, :3])
        normal, by_normal = first[:, 2], by_first[:, :, 2]
        jacobian = np.zeros((3 * (len(poses) - 1), len(parameters)))
        for number, pose in enumerate(poses[1:], start=1):
            turn, by_turn = rotation_slopes(pose[:3])
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
    """The adjustment for one lens, on the surface; `cost`: minus the logarithm of its probability, constants aside."""

    parameters: Array
    root: Array
    cost: float
    chi_square: float
    bend_px: tuple[float, ...]
    bow_mm: tuple[float, ...]
    disbelief: float


def _solved(problem: Adjustment) -> _Solution:
    start = min((problem.solve(start) for start in problem.likely_starts()), key=lambda found: found.cost)
    # the corners' noise was judged without a lens; now that the lens is known it is judged again
    problem.judge_noise(start.x)
    parameters = problem.solve(start.x, NEAR_DAMPING).x
    on_surface, root = problem.on_surface(parameters, inverse_root(problem.jacobian(parameters)))
    return _Solution(
        parameters=on_surface,
        root=root,
        cost=problem.improbability + start.cost,
        chi_square=float((problem.corner_residuals(parameters) ** 2).sum()),
        bend_px=problem.bends_px(parameters),
        bow_mm=problem.bows_mm(parameters),
        disbelief=problem.disbelief(parameters),
    )


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
    """The same parameters (P,) with rotation vectors on the side of half a turn on which those of `like` (P,) are."""
    changed = parameters.copy()
    for column in range(COMMON, len(parameters), POSE):
        changed[column : column + 3] = same_turn(parameters[column : column + 3], like[column : column + 3])
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
