"""The least-squares problem of one arm in several views; what the views share stands in `views`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera
from vision.arm import priors
from vision.arm.estimator import BESIDE_MM, COORDINATES, ArmProblem, Evidence
from vision.arm.joints import PALM, straight_arm_mm, straight_arm_slopes
from vision.arm.priors import JOINTS, Stance, whitener
from vision.arm.sway import SWAY, SWAYS, Sway, swayed

COMMON_SHARE = 0.7
"""Of a landmark's variance, what is common to all views of one child.  On 72 sequences of five views of our own tracer
(vision.training.figures.sequences) it is 0.41 to 0.88, 0.5 in the median of the ten coordinates; on eight of the test
scenes' renderer 0.23 to 0.90 and 0.71; of necks 0.4 to 0.5, of palms 0.5 to 0.9.  Of people no sequences are known, and
their cloth and hair stay as they are from view to view: the larger of the two medians is taken for all."""
COMMON_DEPTH_MM = 8.0
"""Standard deviation of how far in front of the joint, or behind it, the place lies that a landmark follows over the
views: half the radius of a child's upper arm; our judgement."""
_COMMON_ERRORS = 3 * len(JOINTS)
"""Errors that all views share: two in the picture and one of depth for each landmark."""


@dataclass(frozen=True, slots=True)
class OneView:
    """What one of several views gives: as `Evidence`, and how its camera depends on the errors that all share.

    Attributes
    ----------
    evidence : Evidence
        Camera, sightings and what is known of the child.
    root : (12, K) ndarray
        As `calibration.common_lens.CommonLens.roots`.
    """

    evidence: Evidence
    root: Array


class ViewsProblem(ArmProblem):
    """The least-squares problem of several views under one stance; `sway` is that of a child standing still so if None.

    Unknowns, all of unit variance but the last 16: the cameras' common errors (K), what is common to each landmark (two
    in the picture's directions of its whitening, one of depth), the same of each that a person placed in any view, each
    view's sway (10), five points, the trunk's lean.
    """

    def __init__(self, views: Sequence[OneView], stance: Stance, sway: Sway | None = None) -> None:
        first = views[0].evidence
        leans = [view.evidence.trunk_lean_deg for view in views if view.evidence.trunk_lean_deg is not None]
        self.evidence = replace(first, trunk_lean_deg=float(np.mean(leans)) if leans else None, hand_px=None)
        self.views, self.stance = tuple(views), stance
        self.errors: int = views[0].root.shape[1]
        placed = [name for name in JOINTS if any(view.evidence.sightings[name].by_hand for view in views)]
        self.placed_at = {name: _COMMON_ERRORS + 3 * number for number, name in enumerate(placed)}
        self.common = _COMMON_ERRORS + 3 * len(placed)
        self.camera_size = self.errors + self.common + SWAYS * len(views)
        self.depth_whitener = whitener(stance.depth_covariance)
        self.expected = first.build.expected_arm()
        self.sway = (sway or SWAY[stance.name]).deviations
        self.belief = np.ones(len(JOINTS) * len(views))

    def weighed(self, unknowns: Array) -> float:
        """Leave every landmark its weight: a view that does not go with the others is left out as a whole."""
        return 0.0

    def start(self) -> Array:
        """Each point where the views see it on the mean, at the stance's usual depth."""
        straight = priors.STRAIGHT_ARM_MM[0]
        points = np.zeros((5, 3))
        for _ in range(3):
            each = []
            for view in self.views:
                seen = np.array([view.evidence.sightings[name].px for name in JOINTS])
                each.append(
                    view.evidence.camera.to_plane(seen, straight * self.stance.depth) @ view.evidence.body_to_sheet
                )
            points = np.mean(each, axis=0)
            straight = float(straight_arm_mm(points))
        return np.concatenate([np.zeros(self.camera_size), points.ravel(), [0.0]])

    def causes(self) -> list[str]:
        """Name of the cause of each row, in the rows' order."""
        lens = ["focal length", *(self.errors - 1) * ["sheet corners and lens"]]
        common = [self._cause(name, by_hand=False) for name in JOINTS for _ in range(3)]
        common += [self._cause(name, by_hand=True) for name in self.placed_at for _ in range(3)]
        sway = SWAYS * len(self.views) * ["sway between the photos"]
        own = [view.evidence.sightings[name].cause for view in self.views for name in JOINTS for _ in range(2)]
        return [*lens, *common, *sway, *own, *len(self._hands()) * ["hand size"], *self.body_causes()]

    def _cause(self, name: str, by_hand: bool) -> str:
        """Name of the cause of what is common to a landmark: the first view's that it is of, if there is any."""
        seen = [view.evidence.sightings[name] for view in self.views]
        return next((one.cause for one in seen if one.by_hand == by_hand), seen[0].cause)

    def _common_at(self, evidence: Evidence) -> Array:
        """Where each of a view's landmarks (5,) has its three common errors among the unknowns."""
        by_hand = [evidence.sightings[name].by_hand for name in JOINTS]
        own = [
            self.placed_at[name] if hand else 3 * number
            for number, (name, hand) in enumerate(zip(JOINTS, by_hand, strict=True))
        ]
        return np.asarray(self.errors + np.array(own))

    def _hands(self) -> list[float]:
        """One row for the hand's size, where any view shows a hand."""
        return [1.0] if any(view.evidence.hand_px is not None for view in self.views) else []

    def _seen_rows(self, unknowns: Array) -> tuple[Array, Array]:
        """What depends on the cameras: their errors, landmarks' common errors, sway, landmarks, the hand's size."""
        prior, size = self.camera_size, self.camera_size + 2 * len(JOINTS) * len(self.views)
        values = np.zeros(size)
        slopes = np.zeros((size, len(unknowns)))
        values[:prior], slopes[:prior, :prior] = unknowns[:prior], np.eye(prior)
        sizes = []
        for number, view in enumerate(self.views):
            at = prior + 2 * len(JOINTS) * number
            hand = self._view_rows(number, view, unknowns, values[at : at + 10], slopes[at : at + 10])
            if hand is not None:
                sizes.append(hand)
        if not sizes:
            return values, slopes
        value, slope = self._hand_row(unknowns, sizes)
        return np.append(values, value), np.vstack([slopes, slope])

    def _view_rows(
        self, number: int, view: OneView, unknowns: Array, values: Array, slopes: Array
    ) -> tuple[float, Array] | None:
        """Fill in a view's ten rows; gives the logarithm of the hand's size there (mm) and its derivatives."""
        evidence, points = view.evidence, self.points(unknowns)
        common_at = self._common_at(evidence)
        sway_at = self._sway_at(number)
        joints, by_points, by_sway = swayed(points, self._sway_of(number, unknowns))
        common = unknowns[common_at[:, None] + np.arange(3)]
        marked = joints + np.outer(COMMON_DEPTH_MM * common[:, 2], [0.0, 0.0, 1.0])
        wanted = np.vstack([marked, joints[PALM], joints[PALM] + [0.0, BESIDE_MM, 0.0]])
        turn = evidence.body_to_sheet
        px, by_point, by_parameters = self._camera_of(view, unknowns).project_slopes(wanted @ turn.T)
        by_point, by_errors = by_point @ turn, by_parameters[:, :, : len(view.root)] @ view.root
        # derivatives of the joints (5, 3) by all points and by the sway's unit errors
        own, sways = by_points.reshape(5, 3, COORDINATES), by_sway * self.sway
        whitening = np.array([evidence.sightings[name].whitening for name in JOINTS]) / np.sqrt(1 - COMMON_SHARE)
        places = np.array([evidence.sightings[name].px for name in JOINTS])
        mixed = np.sqrt(COMMON_SHARE / (1 - COMMON_SHARE))
        values[:] = (np.einsum("jab,jb->ja", whitening, px[:5] - places) + mixed * common[:, :2]).ravel()
        seen = whitening @ by_point[:5]
        slopes[:, : self.errors] = (whitening @ by_errors[:5]).reshape(10, -1)
        slopes[:, self.camera_size : self.camera_size + COORDINATES] = (seen @ own).reshape(10, -1)
        slopes[:, sway_at : sway_at + SWAYS] = (seen @ sways).reshape(10, -1)
        for joint, at in enumerate(common_at):
            rows = slice(2 * joint, 2 * joint + 2)
            slopes[rows, at : at + 2] = mixed * np.eye(2)
            slopes[rows, at + 2] = COMMON_DEPTH_MM * seen[joint, :, 2]
        if evidence.hand_px is None:
            return None
        step = px[6] - px[5]
        length = float(np.linalg.norm(step))
        towards = step / length**2
        slope = np.zeros(len(unknowns))
        slope[: self.errors] = -towards @ (by_errors[6] - by_errors[5])
        nearer = -towards @ (by_point[6] - by_point[5])
        slope[self.camera_size : self.camera_size + COORDINATES] = nearer @ own[PALM]
        slope[sway_at : sway_at + SWAYS] = nearer @ sways[PALM]
        return float(np.log(evidence.hand_px * BESIDE_MM / length)), slope

    def _sway_at(self, number: int) -> int:
        return self.errors + self.common + SWAYS * number

    def _sway_of(self, number: int, unknowns: Array) -> Array:
        """A view's sway (10,), mm and radians."""
        at = self._sway_at(number)
        return np.asarray(self.sway * unknowns[at : at + SWAYS])

    def _camera_of(self, view: OneView, unknowns: Array) -> PosedCamera:
        """A view's camera as the unknowns have it."""
        shift = view.root @ unknowns[: self.errors]
        parameters = view.evidence.camera.parameters.copy()
        parameters[: len(shift)] += shift
        return view.evidence.camera.with_parameters(parameters)

    def seen_px(self, unknowns: Array) -> list[Array]:
        """Where each view shows the joints (5, 2), as the child stood there, px."""
        points = self.points(unknowns)
        return [
            self._camera_of(view, unknowns).project(
                swayed(points, self._sway_of(number, unknowns))[0] @ view.evidence.body_to_sheet.T
            )
            for number, view in enumerate(self.views)
        ]

    def _hand_row(self, unknowns: Array, sizes: list[tuple[float, Array]]) -> tuple[float, Array]:
        """The hand's size over the arm, on the mean of the views: how children's hands differ does not average away."""
        mean, deviation = priors.HAND_SIZE
        straight, by_straight = straight_arm_slopes(self.points(unknowns))
        slope = np.mean([each[1] for each in sizes], axis=0)
        slope[self.camera_size : self.camera_size + COORDINATES] -= by_straight.ravel() / straight
        return (float(np.mean([each[0] for each in sizes])) - np.log(straight) - mean) / deviation, slope / deviation

    def misfits(self, unknowns: Array) -> Array:
        """For each view (V,) the sum of squares of its own rows: landmarks and sway."""
        rows, first = self.rows(unknowns), self.errors + self.common
        count = len(self.views)
        sway = rows[first : first + SWAYS * count].reshape(count, -1)
        seen = self.squares(unknowns).reshape(count, -1)
        return np.asarray((sway**2).sum(axis=1) + seen.sum(axis=1))
