"""The adjustment of a camera to the corners of sheets: its unknowns, what is believed of them, and its residuals.

Unknown are the focal length, the principal point, the distortion, how much longer than wide the printer made the
sheets, and of each sheet its pose and how it bends.  All are estimated together from all corners by least squares, each
corner weighted by its noise (a bundle adjustment of one view; Hartley and Zisserman, Multiple View Geometry, 2nd ed.,
appendix 6).  What one photo of a plane cannot tell is filled in by priors: the focal length that the phone writes into
the photo (`lens`), a principal point near the middle, a lens that hardly distorts, paper that hardly bends
(`sheet_bends`), and that sheets on one wall or table are parallel.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.least_squares import Minimum, minimum
from calibration.lens import FRAME_DIAGONAL_MM, PossibleLens
from calibration.pinhole import LENS, POSE, project, project_slopes, rotation, rotation_slopes, same_turn
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

COMMON = LENS + 1
"""Parameters that all sheets have in common: those of the lens, and how much longer than wide the printer made them.
Behind them stand the poses of all sheets, and behind these the bends of the first, of the second, and so on."""


@dataclass(frozen=True)
class ParallelPrior:
    """How nearly further sheets lie in the first one's plane.

    Attributes
    ----------
    height_sd_mm : float
        Standard deviation of a further sheet's height over that plane, mm.
    tilt_sd_deg : float
        Of its tilt along each axis, degrees.
    """

    height_sd_mm: float
    tilt_sd_deg: float


@dataclass(frozen=True)
class Adjusted:
    """An adjusted camera, its sheets' planes moved to the surface.

    Attributes
    ----------
    parameters : (P,) ndarray of float
        As of `PosedCamera`.
    root : (P, K) ndarray of float
        Root of their covariance.
    chi_square, bend_px, bow_mm, disbelief
        As of `PosedCamera`.
    """

    parameters: Array
    root: Array
    chi_square: float
    bend_px: tuple[float, ...]
    bow_mm: tuple[float, ...]
    disbelief: float


class Adjustment:
    """The least-squares problem: residuals of corners and priors, each over its standard deviation.

    Parameters
    ----------
    sheets : tuple of S SheetInPhoto
        The first is the frame of reference.
    corners_mm : list of (N, 3) ndarray of float
        Of each sheet the corners that were seen, in the size that its print is known to have, mm.
    image_size_px : (width, height)
        Of the photo, px.
    lens : PossibleLens
        What is believed of focal length and principal point.
    parallel : ParallelPrior
        What is believed of further sheets.

    All methods take the P = 6 + 6 S + B parameters of the problem: those that all sheets have in common, the poses of
    the S sheets, and the B bends of all of them.
    """

    def __init__(
        self,
        sheets: tuple[SheetInPhoto, ...],
        corners_mm: list[Array],
        image_size_px: tuple[int, int],
        lens: PossibleLens,
        parallel: ParallelPrior,
    ) -> None:
        per_mm = float(np.hypot(*image_size_px)) / FRAME_DIAGONAL_MM
        focal_px, focal_sd_px = lens.focal35_mm * per_mm, lens.sd_mm * per_mm
        centre_sd_px = lens.centre_sd_share * max(image_size_px)
        self.sheets, self.corners_mm = sheets, corners_mm
        self.common = np.array([focal_px, (image_size_px[0] - 1) / 2, (image_size_px[1] - 1) / 2, 0.0, 0.0, 0.0])
        self.common_sd = np.array([focal_sd_px, centre_sd_px, centre_sd_px, K1_SD, K2_SD, sheets[0].layout.stretch_sd])
        self.bends = [bends_of(sheet) for sheet in sheets]
        self.noise_px = [sheet.noise_px for sheet in sheets]
        self.parallel = parallel
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

    def adjusted(self, parameters: Array, root: Array) -> Adjusted:
        """What was found at parameters (P + B,) whose covariance has a root (P + B, K)."""
        on_surface, root_there = self.on_surface(parameters, root)
        believed = (parameters[:COMMON] - self.common) / self.common_sd
        return Adjusted(
            parameters=on_surface,
            root=root_there,
            chi_square=float((self.corner_residuals(parameters) ** 2).sum()),
            bend_px=tuple(
                bend_px(sheet.corner_mm, misfit)
                for sheet, misfit in zip(self.sheets, self.misfits_px(parameters), strict=True)
            ),
            bow_mm=self._bows_mm(parameters),
            disbelief=float((believed[:LENS] ** 2).sum()),
        )

    def _bows_mm(self, parameters: Array) -> tuple[float, ...]:
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

    def jacobian(self, parameters: Array) -> Array:
        """Derivatives (R, P) of `residuals` by the parameters."""
        common = np.zeros((COMMON, len(parameters)))
        common[:, :COMMON] = np.diag(1 / self.common_sd)
        bends = np.zeros((len(parameters) - self.posed, len(parameters)))
        bends[:, self.posed :] = np.diag(1 / self.bend_sd_mm)
        return np.vstack([self.corner_jacobian(parameters), common, self.parallel_jacobian(parameters), bends])

    def corner_jacobian(self, parameters: Array) -> Array:
        """Derivatives of `corner_residuals`: two rows for each corner."""
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
        return np.vstack(blocks)

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
        height_sd_mm, tilt_sd = self.parallel.height_sd_mm, np.radians(self.parallel.tilt_sd_deg)
        poses = self._poses(parameters)
        first, parts = rotation(poses[0, :3]), [np.empty(0)]
        for pose in poses[1:]:
            tilt = (first.T @ rotation(pose[:3]))[:2, 2]
            height = first[:, 2] @ (pose[3:] - poses[0, 3:])
            parts.append(np.array([height / height_sd_mm, *(tilt / tilt_sd)]))
        return np.concatenate(parts)

    def parallel_jacobian(self, parameters: Array) -> Array:
        """Derivatives of `parallel_residuals`: three rows for each further sheet."""
        height_sd_mm, tilt_sd = self.parallel.height_sd_mm, np.radians(self.parallel.tilt_sd_deg)
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
                rows[1 + axis, COMMON : COMMON + 3] = by_first[:, :, axis] @ turn[:, 2] / tilt_sd
                rows[1 + axis, mine : mine + 3] = by_turn[:, :, 2] @ first[:, axis] / tilt_sd
        return jacobian


def same_turns(parameters: Array, like: Array) -> Array:
    """The same parameters (P,) with rotation vectors on the side of half a turn on which those of `like` (P,) are."""
    changed = parameters.copy()
    for column in range(COMMON, len(parameters), POSE):
        changed[column : column + 3] = same_turn(parameters[column : column + 3], like[column : column + 3])
    return changed
