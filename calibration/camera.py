"""Where the camera stood and how its lens draws, from the sheets in one photo.

Everything is estimated together from all corners (`adjustment`), once for each lens that the photo may have been taken
through.  The inverse of the normal matrix is the covariance of all parameters (JCGM 100:2008, 5.2; Hartley and
Zisserman, Multiple View Geometry, 2nd ed., 5.2); lengths get their uncertainty from it.  A small sheet seen from in
front hardly tells distance from focal length, and the normal matrix is then so ill-conditioned (1e13) that what is
computed, kept and handed on is a root of the covariance (`covariance`).

Frame of reference: the frame of the first sheet.  The surface that its lowest corner touches is z = 0, z points from
the wall or table to the viewer.  The size of the print is not part of this: it stretches everything alike and is added
to a length by `print_scale`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from calibration.adjustment import COMMON, NEAR_DAMPING, Adjusted, Adjustment, ParallelPrior, same_turns
from calibration.arrays import Array
from calibration.covariance import inverse_root, mixture_root
from calibration.lens import FRAME_DIAGONAL_MM, NOTHING_STATED, SHORTEST_FOCAL35_MM, StatedLens
from calibration.pinhole import LENS, POSE, project, project_slopes, rotation, undistorted
from calibration.problems import NO_SHEET, WRONG_LENS, Refused
from calibration.sheet_in_photo import SheetInPhoto


class Surface(StrEnum):
    """What the sheets are fixed to, as far as they can be said to be parallel."""

    WALL = "wall"
    TABLE = "table"
    ANY = "any"


_LENS_SHARES = {Surface.WALL: (0.96, 0.03, 0.01), Surface.TABLE: (0.85, 0.11, 0.04), Surface.ANY: (0.85, 0.11, 0.04)}
"""How common the `UNSTATED_LENSES_MM` are; a child with an arm out hardly fits into a tele lens.  Our assumption."""

_PARALLEL = {
    Surface.WALL: ParallelPrior(3.0, 0.4),
    Surface.TABLE: ParallelPrior(50.0, 0.4),  # a book may lie under a sheet
    Surface.ANY: ParallelPrior(1e4, 60.0),
}
"""Our assumption."""


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

    @classmethod
    def of(
        cls,
        adjusted: Adjusted,
        covariance_root: Array,
        sheets: tuple[SheetInPhoto, ...],
        image_size_px: tuple[int, int],
        lens: StatedLens,
    ) -> PosedCamera:
        """An adjusted camera with a root of its covariance that may hold other lenses' too."""
        return cls(
            sheets=sheets,
            image_size_px=image_size_px,
            parameters=adjusted.parameters,
            covariance_root=covariance_root,
            chi_square=adjusted.chi_square,
            bend_px=adjusted.bend_px,
            lens=lens,
            bow_mm=adjusted.bow_mm,
            disbelief=adjusted.disbelief,
        )

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
    best = min(found, key=lambda one: one.cost).adjusted
    root = mixture_root(
        [one.adjusted.root for one in found],
        [same_turns(one.adjusted.parameters, best.parameters) - best.parameters for one in found],
        [one.cost for one in found],
    )
    camera = PosedCamera.of(best, root, tuple(sheets), image_size_px, lens)
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
        yield Adjustment(sheets, corners_mm, image_size_px, possible, _PARALLEL[surface])


@dataclass(frozen=True)
class _Solution:
    """The adjustment for one lens; `cost`: minus the logarithm of its probability, constants aside."""

    adjusted: Adjusted
    cost: float


def _solved(problem: Adjustment) -> _Solution:
    start = min((problem.solve(start) for start in problem.likely_starts()), key=lambda found: found.cost)
    # the corners' noise was judged without a lens; now that the lens is known it is judged again
    problem.judge_noise(start.x)
    parameters = problem.solve(start.x, NEAR_DAMPING).x
    adjusted = problem.adjusted(parameters, inverse_root(problem.jacobian(parameters)))
    return _Solution(adjusted, problem.improbability + start.cost)
