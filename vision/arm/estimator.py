"""The arm in space, from what the photo shows and what is known about arms.

The idea.  A photo shows where the neck, shoulder, elbow, wrist and palm lie in the picture, not how far each is in
front of the wall; a wrong depth of 100 mm makes an arm 20 mm wrong.  So the five points are unknowns in space, together
with the camera and the trunk's lean, and everything known about them is a row of one least-squares problem, each row
divided by its standard deviation: landmarks in the picture, the camera's covariance, usual depths, usual proportions,
age or stature where given.  The solution is the most probable arm (MAP), the Jacobian gives its covariance (Laplace's
approximation; e.g. D. MacKay, Information Theory, Inference, and Learning Algorithms, 2003, ch. 27), and because the
solution is linear in the rows near itself, each row's share of the variance is known: that is the budget.

Usual depths differ between an arm against the wall and one floating before it, so both are solved, and weighed by how
well each explains the photo; the answer is the mixture.

The arm length as defined is that of the arm held straight out at 90 degrees.  Seen from the shoulder joint, the neck
point lies inwards by `n` and up by `u`; with the straight arm `a` the length is sqrt((n + a)^2 + u^2), less 0.3 % for
how the shoulder and the palm's skin move.  This does not depend on how the arm was held, only on the joints.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import least_squares

from calibration import anthropometry
from calibration.arrays import Array
from calibration.camera import PosedCamera
from vision.arm import priors as priors
from vision.arm.priors import JOINTS, Stance, whitener

NECK, SHOULDER, ELBOW, WRIST, PALM = range(5)
POSE_PARAMETERS = 6


@dataclass(frozen=True, slots=True)
class Sighting:
    """One point as seen in the photo.

    Attributes
    ----------
    px : (2,) ndarray
        Where, bias removed.
    whitening : (2, 2) ndarray
        Rows that turn a difference in px into independent errors of unit variance.
    cause : str
        Its name in the budget.
    """

    px: Array
    whitening: Array
    cause: str

    @classmethod
    def isotropic(cls, px: Array, deviation_px: float, cause: str) -> Sighting:
        """A point with the same standard deviation in all directions."""
        return cls(np.asarray(px, float), np.eye(2) / deviation_px, cause)


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything the photo and the family say.

    Attributes
    ----------
    camera : PosedCamera
        The solved camera, reference plane z = 0 on the wall.
    body_to_sheet : (3, 3) ndarray
        Turns coordinates of the body's frame (x to the picture's right along the wall, y up, z to the viewer) into the
        sheet's frame: a sheet may hang sideways.
    outward : float
        +1 if the arm points along +x, -1 if along -x.
    sightings : mapping of str to Sighting
        By name of the joint; all five of `vision.arm.priors.JOINTS`.
    trunk_lean_deg : float or None
        Lean of the line from hips to shoulders away from the raised arm, bias removed, in degrees.
    hand_px : float or None
        Distance from the hand model's wrist to its middle knuckle, px.
    age_years, stature_mm : float or None
        What the family says.
    """

    camera: PosedCamera
    body_to_sheet: Array
    outward: float
    sightings: Mapping[str, Sighting]
    trunk_lean_deg: float | None = None
    hand_px: float | None = None
    age_years: float | None = None
    stature_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Solution:
    """The most probable arm under one stance.

    Attributes
    ----------
    stance : Stance
        The stance assumed.
    points_mm : (5, 3) ndarray
        The joints in the body's frame.
    log_evidence : float
        Log probability of the photo under the stance, up to a constant common to all stances.
    lengths : mapping of str to (float, mapping of str to float)
        For each length its value in mm and, by cause, the standard deviation that the cause brings: the root of the
        sum of squares over the cause's rows, never negative.
    """

    stance: Stance
    points_mm: Array
    log_evidence: float
    lengths: Mapping[str, tuple[float, Mapping[str, float]]]


@dataclass
class _Rows:
    """Whitened residuals of one evaluation, with their causes."""

    values: list[float] = field(default_factory=list)
    causes: list[str] = field(default_factory=list)

    def add(self, cause: str, residuals: Array | Sequence[float] | float) -> None:
        values = np.ravel(residuals).tolist()
        self.values += values
        self.causes += [cause] * len(values)


class _Problem:
    """The least-squares problem of one stance; unknowns: camera (whitened), five points, the trunk's lean (deg)."""

    def __init__(self, evidence: Evidence, stance: Stance) -> None:
        self.evidence, self.stance = evidence, stance
        # lens and the first sheet's pose; further sheets have done their part once the camera is solved
        size = len(evidence.camera.parameters) - POSE_PARAMETERS * (len(evidence.camera.sheets) - 1)
        self.camera_size = size
        self.camera_root = evidence.camera.covariance_root[:size, :size]
        self.depth_whitener = whitener(stance.depth_covariance)

    def camera(self, unknowns: Array) -> PosedCamera:
        parameters = self.evidence.camera.parameters.copy()
        parameters[: self.camera_size] += self.camera_root @ unknowns[: self.camera_size]
        return self.evidence.camera.with_parameters(parameters)

    def points(self, unknowns: Array) -> Array:
        return unknowns[self.camera_size : self.camera_size + 15].reshape(5, 3)

    def start(self) -> Array:
        """Each point on its line of sight, at the stance's usual depth."""
        seen = np.array([self.evidence.sightings[name].px for name in JOINTS])
        camera, turn = self.evidence.camera, self.evidence.body_to_sheet
        straight = 400.0
        points = np.zeros((5, 3))
        for _ in range(3):
            points = camera.to_plane(seen, straight * self.stance.depth) @ turn
            straight = straight_arm_mm(points)
        return np.concatenate([np.zeros(self.camera_size), points.ravel(), [0.0]])

    def rows(self, unknowns: Array) -> _Rows:
        evidence, points, rows = self.evidence, self.points(unknowns), _Rows()
        lean_deg = float(unknowns[-1])
        camera = self.camera(unknowns)
        straight = straight_arm_mm(points)
        rows.add("focal length", unknowns[:1])
        rows.add("sheet corners and lens", unknowns[1 : self.camera_size])
        projected = camera.project(points @ evidence.body_to_sheet.T)
        for name, seen in zip(JOINTS, projected, strict=True):
            sighting = evidence.sightings[name]
            rows.add(sighting.cause, sighting.whitening @ (seen - sighting.px))
        depth = self.depth_whitener @ (points[:, 2] / straight - self.stance.depth)
        rows.add("depth of the neck", depth[:1])
        rows.add("depth of the arm and palm", depth[1:])
        self._proportions(rows, points, straight, lean_deg)
        if evidence.hand_px is not None:
            beside = points[PALM] + np.array([0.0, 10.0, 0.0])
            scale = np.linalg.norm(camera.project(beside[None] @ evidence.body_to_sheet.T)[0] - projected[PALM]) / 10.0
            mean, deviation = priors.HAND_SIZE
            rows.add("hand size", (np.log(evidence.hand_px / scale / straight) - mean) / deviation)
        self._family(rows, points, lean_deg)
        rows.add("trunk lean", lean_deg / priors.TORSO_ROLL_DEG)
        if evidence.trunk_lean_deg is not None:
            rows.add("trunk lean", (lean_deg - evidence.trunk_lean_deg) / priors.TRUNK_AXIS[1])
        return rows

    def _proportions(self, rows: _Rows, points: Array, straight: float, lean_deg: float) -> None:
        upper, fore, palm = _segments(points)
        for value, (mean, deviation) in (
            (np.log(upper / fore), priors.UPPER_TO_FOREARM),
            (np.log(palm / fore), priors.PALM_TO_FOREARM),
        ):
            rows.add("arm proportions", (value - mean) / deviation)
        inward, up = neck_offset_mm(points, self.evidence.outward, lean_deg)
        for value, (mean, deviation) in zip((inward, up), priors.NECK_OFFSET, strict=True):
            rows.add("arm proportions", (value / straight - mean) / deviation)
        centre, deviation = priors.STRAIGHT_ARM_MM
        rows.add("arm proportions", (np.log(straight / centre)) / deviation)

    def _family(self, rows: _Rows, points: Array, lean_deg: float) -> None:
        expected = expected_arm_mm(self.evidence.age_years, self.evidence.stature_mm)
        if expected is not None:
            centre, deviation = expected
            arm = arm_length_mm(points, self.evidence.outward, lean_deg)
            rows.add("age and stature as stated", np.log(arm / centre) / deviation)


def solve(evidence: Evidence, stance: Stance) -> Solution:
    """Find the most probable arm under one stance.

    Parameters
    ----------
    evidence : Evidence
        What is seen and known.
    stance : Stance
        How the arm is assumed to stand to the wall.

    Returns
    -------
    Solution
        Points, lengths and their budgets.
    """
    problem = _Problem(evidence, stance)

    def residuals(unknowns: Array) -> Array:
        return np.array(problem.rows(unknowns).values)

    start = problem.start()
    scale = np.concatenate([np.ones(problem.camera_size), np.full(15, 10.0), [1.0]])
    fit = least_squares(residuals, start, x_scale=scale, method="trf", max_nfev=30, xtol=1e-6, ftol=1e-8)
    rows = problem.rows(fit.x)
    jacobian = np.asarray(fit.jac)
    information = jacobian.T @ jacobian
    response = np.linalg.solve(information, jacobian.T)  # change of the unknowns for a unit change of each row
    _, log_information = np.linalg.slogdet(information)
    _, log_depths = np.linalg.slogdet(stance.depth_covariance)
    log_evidence = -float(fit.cost) - 0.5 * log_information - 0.5 * log_depths
    lengths = {
        name: _length(measure, problem, fit.x, response, rows.causes) for name, measure in _measures(evidence).items()
    }
    return Solution(stance, problem.points(fit.x), log_evidence, lengths)


def _measures(evidence: Evidence) -> dict[str, Callable[[Array, float], float]]:
    out = evidence.outward
    return {
        "arm_length": lambda points, lean: arm_length_mm(points, out, lean),
        "neck_to_wrist": lambda points, lean: _reach(points, out, lean, sum(_segments(points)[:2])),
        "shoulder_to_palm": lambda points, _: straight_arm_mm(points),
    }


def _length(
    measure: Callable[[Array, float], float], problem: _Problem, unknowns: Array, response: Array, causes: list[str]
) -> tuple[float, dict[str, float]]:
    """Value and, by cause, the standard deviation it brings: sensitivities chained through the solution."""

    def value(at: Array) -> float:
        return measure(problem.points(at), float(at[-1]))

    here = value(unknowns)
    gradient = np.zeros(len(unknowns))
    for index in range(problem.camera_size, len(unknowns)):
        moved = unknowns.copy()
        moved[index] += 1e-3
        gradient[index] = (value(moved) - here) / 1e-3
    shares = gradient @ response
    budget: dict[str, float] = {}
    for cause in dict.fromkeys(causes):
        mine = shares[[index for index, name in enumerate(causes) if name == cause]]
        budget[cause] = float(np.sqrt((mine**2).sum()))
    return here, budget


def _segments(points: Array) -> tuple[float, float, float]:
    """Lengths of the upper arm, the forearm, and wrist to palm, mm."""
    steps = np.linalg.norm(np.diff(points[SHOULDER:], axis=0), axis=1)
    return float(steps[0]), float(steps[1]), float(steps[2])


def straight_arm_mm(points: Array) -> float:
    """Length from the shoulder joint to the palm with the arm straight, mm; `points` (5, 3) mm."""
    return sum(_segments(points))


def neck_offset_mm(points: Array, outward: float, lean_deg: float) -> tuple[float, float]:
    """How far the neck point lies inwards of and above the shoulder joint, along the trunk's own axes, mm."""
    lean = np.radians(lean_deg)
    out = np.array([np.cos(lean) * outward, np.sin(lean)])  # leaning away from the arm raises its side
    up = np.array([-np.sin(lean) * outward, np.cos(lean)])
    offset = points[NECK, :2] - points[SHOULDER, :2]
    return float(-offset @ out), float(offset @ up)


def _reach(points: Array, outward: float, lean_deg: float, from_shoulder_mm: float) -> float:
    inward, up = neck_offset_mm(points, outward, lean_deg)
    return float(np.hypot(inward + from_shoulder_mm, up))


def arm_length_mm(points: Array, outward: float, lean_deg: float) -> float:
    """Arm length as defined (side of the neck to mid palm, arm straight out at 90 degrees), mm.

    Parameters
    ----------
    points : (5, 3) ndarray
        The joints in the body's frame, mm, however the arm was held.
    outward : float
        +1 or -1: which way the arm points along x.
    lean_deg : float
        Lean of the trunk away from the arm, degrees.
    """
    straight = straight_arm_mm(points)
    return _reach(points, outward, lean_deg, straight) + priors.DEFINITION_OFFSET * straight


def expected_arm_mm(age_years: float | None, stature_mm: float | None) -> tuple[float, float] | None:
    """Arm length expected from age and stature, and its log deviation; None where neither is given.

    Without an age the middle of childhood is taken; without a stature, the median of the age.
    """
    if age_years is None and stature_mm is None:
        return None
    age = MIDDLE_AGE if age_years is None else age_years
    deviation = anthropometry.SHARE_CV
    if stature_mm is None:
        stature_mm = float(anthropometry.median_height_mm(age))
        deviation = float(np.hypot(deviation, anthropometry.height_cv(age)))
    return float(anthropometry.arm_share(age)) * stature_mm, deviation


MIDDLE_AGE = 8.0
"""Age taken where only the stature is known, years: the middle of 3 to 13, where the share is within 1 % for all."""
