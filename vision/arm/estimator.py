"""The arm in space, from what the photo shows and what is known about arms.

The idea.  A photo shows where the neck, shoulder, elbow, wrist and palm lie in the picture, not how far each is in
front of the wall; a wrong depth of 100 mm makes an arm 20 mm wrong.  So the five points are unknowns in space, together
with the camera and the trunk's lean, and everything known about them is a row of one least-squares problem, each row
divided by its standard deviation: landmarks in the picture, the camera's covariance, usual depths, usual proportions,
age or stature where given.  The solution is the most probable arm (MAP), the Jacobian gives its covariance (Laplace's
approximation; e.g. D. MacKay, Information Theory, Inference, and Learning Algorithms, 2003, ch. 27), and because the
solution is linear in the rows near itself, each row's share of the variance is known: that is the budget.

Landmarks have heavy tails: now and then one is on something else.  So a landmark that lies further from where all
others put it than its deviation allows is believed less the further it lies, as under a t distribution (K. Lange et
al., J. Am. Stat. Assoc. 84, 1989), and its own share of the interval grows with it: it widens the answer rather than
shifts it.

Usual depths differ between an arm against the wall, one floating before it, and the other stances of
`vision.arm.priors`, so each is solved, and weighed by how well it explains the photo; the answer is the mixture.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera
from calibration.least_squares import minimum
from calibration.pinhole import POSE
from vision.arm import priors
from vision.arm.build import NOTHING_STATED, StatedBuild
from vision.arm.joints import (
    PALM,
    arm_length_mm,
    neck_offset_mm,
    reach_mm,
    segments_mm,
    straight_arm_mm,
    straight_arm_slopes,
)
from vision.arm.priors import JOINTS, Stance, whitener

TAIL, CORE = 4.0, 6.0
"""Degrees of freedom of a landmark's t distribution (four is usual, Lange et al.), and the square of its distance over
its deviation up to which it is normal: 95 % of landmarks of a normal distribution lie within (chi-square, two degrees
of freedom), and are believed as much as stated, not more."""
_ROUNDS, _SETTLED = 4, 0.05
"""Most times that landmarks are weighed anew, and the change of the weights below which it ends."""
COORDINATES = 15
"""Coordinates of the five points."""
_STEP_MM, _STEP_DEG = 1e-3, 1e-4
"""Steps of differences: a millionth of the lengths and angles, far above rounding."""
BESIDE_MM = 10.0
"""How far from the palm the point lies that tells the scale of the picture there; about half a palm's breadth."""


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
    by_hand : bool
        Whether a person placed it.
    """

    px: Array
    whitening: Array
    cause: str
    by_hand: bool = False

    @classmethod
    def isotropic(cls, px: Array, deviation_px: float, cause: str, by_hand: bool = False) -> Sighting:
        """A point with the same standard deviation in all directions."""
        return cls(np.asarray(px, float), np.eye(2) / deviation_px, cause, by_hand)


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
    build : StatedBuild
        What the family says of the child.
    """

    camera: PosedCamera
    body_to_sheet: Array
    outward: float
    sightings: Mapping[str, Sighting]
    trunk_lean_deg: float | None = None
    hand_px: float | None = None
    build: StatedBuild = NOTHING_STATED


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


class ArmProblem:
    """The least-squares problem of one stance; unknowns: camera (whitened), five points, the trunk's lean (deg)."""

    def __init__(self, evidence: Evidence, stance: Stance) -> None:
        self.evidence, self.stance = evidence, stance
        self.belief = np.ones(len(JOINTS))  # factor on each landmark's precision root
        # lens and the first sheet's pose; further sheets have done their part once the camera is solved
        size = len(evidence.camera.parameters) - POSE * (len(evidence.camera.sheets) - 1)
        self.camera_size = size
        self.camera_root = evidence.camera.covariance_root[:size, :size]
        self.depth_whitener = whitener(stance.depth_covariance)
        self.expected = evidence.build.expected_arm()
        sightings = [evidence.sightings[name] for name in JOINTS]
        self.places, self.whitening = (
            np.array(each) for each in zip(*((s.px, s.whitening) for s in sightings), strict=True)
        )

    def camera(self, unknowns: Array) -> PosedCamera:
        """The camera as the unknowns have it."""
        parameters = self.evidence.camera.parameters.copy()
        parameters[: self.camera_size] += self.camera_root @ unknowns[: self.camera_size]
        return self.evidence.camera.with_parameters(parameters)

    def points(self, unknowns: Array) -> Array:
        """The joints (5, 3) in the body's frame, mm."""
        return unknowns[self.camera_size : self.camera_size + COORDINATES].reshape(5, 3)

    def start(self) -> Array:
        """Each point on its line of sight, at the stance's usual depth."""
        camera, turn = self.evidence.camera, self.evidence.body_to_sheet
        straight = priors.STRAIGHT_ARM_MM[0]
        points, sight = np.zeros((5, 3)), camera.rays(self.places)
        for _ in range(3):
            points = camera.along(sight, straight * self.stance.depth) @ turn
            straight = float(straight_arm_mm(points))
        return np.concatenate([np.zeros(self.camera_size), points.ravel(), [0.0]])

    def causes(self) -> list[str]:
        """Name of the cause of each row, in the rows' order."""
        sightings = [self.evidence.sightings[name].cause for name in JOINTS for _ in range(2)]
        hand = [] if self.evidence.hand_px is None else ["hand size"]
        lens = ["focal length", *(self.camera_size - 1) * ["sheet corners and lens"]]
        return [*lens, *sightings, *hand, *self.body_causes()]

    def body_causes(self) -> list[str]:
        """The same of the rows that depend on the body alone."""
        known = [*(["age and stature as stated"] if self.expected is not None else []), "trunk lean"]
        seen = [] if self.evidence.trunk_lean_deg is None else ["trunk lean"]
        depths = ["depth of the neck", *4 * ["depth of the arm and palm"]]
        return [*depths, *5 * ["arm proportions"], *known, *seen]

    def rows(self, unknowns: Array) -> Array:
        """Whitened residuals (R,)."""
        return self.linearised(unknowns)[0]

    def jacobian(self, unknowns: Array) -> Array:
        """Derivatives (R, U) of the rows."""
        return self.linearised(unknowns)[1]

    def linearised(self, unknowns: Array) -> tuple[Array, Array]:
        """Rows and their derivatives: the camera and the body's own are independent of one another."""
        if self._last is None or not np.array_equal(self._last[0], unknowns):
            self._last = unknowns.copy(), self._seen_rows(unknowns), self._body_rows(unknowns)
        _, seen, body = self._last
        believed = np.ones(len(seen[0]))
        believed[self.landmark_rows] = np.repeat(self.belief, 2)
        return np.concatenate([believed * seen[0], body[0]]), np.vstack([believed[:, None] * seen[1], body[1]])

    @property
    def landmark_rows(self) -> slice:
        """Where the landmarks' rows are, two for each."""
        return slice(self.camera_size, self.camera_size + 2 * len(self.belief))

    _last: tuple[Array, tuple[Array, Array], tuple[Array, Array]] | None = None

    def weighed(self, unknowns: Array) -> float:
        """Weigh the landmarks anew by how far they lie off; the largest change of their beliefs."""
        before, squares = self.belief, self.squares(unknowns)
        self.belief = np.sqrt(np.minimum(1.0, (TAIL + CORE) / (TAIL + squares)))
        return float(np.abs(self.belief - before).max())

    def cost(self, unknowns: Array) -> float:
        """Minus the logarithm of the probability, up to a constant; normal core and t tail of the landmarks."""
        rows, squares, seen = self.rows(unknowns), self.squares(unknowns), self.landmark_rows
        tail = 0.5 * CORE + 0.5 * (TAIL + CORE) * np.log((TAIL + squares) / (TAIL + CORE))
        landmarks = np.where(self.belief < 1, tail, 0.5 * squares)
        return 0.5 * float(rows @ rows - rows[seen] @ rows[seen]) + float(landmarks.sum())

    def squares(self, unknowns: Array) -> Array:
        """How far each landmark (L,) lies off: square of its distance over its stated deviation."""
        rows = self.rows(unknowns)[self.landmark_rows].reshape(-1, 2)
        return np.asarray((rows**2).sum(axis=1) / self.belief**2)

    def _seen_rows(self, unknowns: Array) -> tuple[Array, Array]:
        """What depends on the camera: its own errors, landmarks in the picture, the hand's size there."""
        evidence, points, size = self.evidence, self.points(unknowns), self.camera_size
        beside = points[PALM] + [0.0, BESIDE_MM, 0.0]
        turn = evidence.body_to_sheet
        px, by_point, by_parameters = self.camera(unknowns).project_slopes(np.vstack([points, beside]) @ turn.T)
        by_point, by_camera = by_point @ turn, by_parameters[:, :, :size] @ self.camera_root
        hand = evidence.hand_px is not None
        values = np.zeros(size + 10 + hand)
        slopes = np.zeros((len(values), len(unknowns)))
        values[:size], slopes[:size, :size] = unknowns[:size], np.eye(size)
        values[size : size + 10] = (self.whitening @ (px[:5] - self.places)[..., None]).ravel()
        slopes[size : size + 10, :size] = (self.whitening @ by_camera[:5]).reshape(10, -1)
        own = self.whitening @ by_point[:5]
        for joint in range(5):
            at = size + 3 * joint
            slopes[size + 2 * joint : size + 2 * joint + 2, at : at + 3] = own[joint]
        if evidence.hand_px is not None:
            mean, deviation = priors.HAND_SIZE
            step = px[5] - px[PALM]
            length = float(np.linalg.norm(step))
            straight, by_straight = straight_arm_slopes(points)
            values[-1] = (np.log(evidence.hand_px * BESIDE_MM / length / straight) - mean) / deviation
            towards = step / length**2
            slopes[-1, :size] = -towards @ (by_camera[5] - by_camera[PALM]) / deviation
            slopes[-1, size : size + COORDINATES] = -by_straight.ravel() / straight / deviation
            palm = size + 3 * PALM
            slopes[-1, palm : palm + 3] -= towards @ (by_point[5] - by_point[PALM]) / deviation
        return values, slopes

    def _body_rows(self, unknowns: Array) -> tuple[Array, Array]:
        """What is known of bodies: a function of the points and the lean alone, its slopes by differences."""
        body = unknowns[self.camera_size :]
        steps = np.diag([*COORDINATES * [_STEP_MM], _STEP_DEG])
        moved = np.vstack([body, body + steps])
        values = self._body(moved[:, :-1].reshape(-1, 5, 3), moved[:, -1])
        slopes = np.zeros((values.shape[1], len(unknowns)))
        slopes[:, self.camera_size :] = ((values[1:] - values[0]) / np.diag(steps)[:, None]).T
        return values[0], slopes

    def _body(self, points: Array, lean_deg: Array) -> Array:
        """Whitened residuals (B, R) of bodies (B, 5, 3) that lean by (B,) degrees."""
        evidence, straight = self.evidence, straight_arm_mm(points)
        depth = (points[..., 2] / straight[:, None] - self.stance.depth) @ self.depth_whitener.T
        upper, fore, palm = np.moveaxis(segments_mm(points), -1, 0)
        inward, up = neck_offset_mm(points, evidence.outward, lean_deg)
        centre, deviation = priors.STRAIGHT_ARM_MM
        columns = [
            (value - mean) / spread
            for value, (mean, spread) in (
                (np.log(upper / fore), priors.UPPER_TO_FOREARM),
                (np.log(palm / fore), priors.PALM_TO_FOREARM),
                (inward / straight, priors.NECK_OFFSET[0]),
                (up / straight, priors.NECK_OFFSET[1]),
                (np.log(straight / centre), (0.0, deviation)),
            )
        ]
        if self.expected is not None:
            arm = arm_length_mm(points, evidence.outward, lean_deg)
            columns.append(np.log(arm / self.expected.usual_mm) / self.expected.log_deviation)
        columns.append(lean_deg / priors.TORSO_ROLL_DEG)
        if evidence.trunk_lean_deg is not None:
            columns.append((lean_deg - evidence.trunk_lean_deg) / priors.TRUNK_AXIS[1])
        return np.column_stack([depth, *columns])


def most_probable(problem: ArmProblem, start: Array | None = None) -> tuple[Solution, Array]:
    """Find the most probable arm under one stance, and what each cause of doubt brings to each length.

    Parameters
    ----------
    problem : ArmProblem
        What is seen and known, and how the arm is assumed to stand to the wall.
    start : (U,) ndarray, optional
        Unknowns near which the solution lies, as of nearly the same problem.

    Returns
    -------
    Solution
        Points, lengths and their budgets.
    (U,) ndarray
        The unknowns.
    """
    evidence, stance = problem.evidence, problem.stance
    at = problem.start() if start is None else start
    if start is not None:
        problem.weighed(at)
    for _ in range(_ROUNDS):
        at = minimum(problem.linearised, at).x
        if problem.weighed(at) < _SETTLED:
            break
    jacobian = problem.jacobian(at)
    information = jacobian.T @ jacobian
    # change of the unknowns for a unit change of each row
    response = np.asarray(np.linalg.solve(information, jacobian.T), float)
    _, log_information = np.linalg.slogdet(information)
    _, log_depths = np.linalg.slogdet(stance.depth_covariance)
    log_evidence = -problem.cost(at) - 0.5 * log_information - 0.5 * log_depths
    of_rows = problem.causes()
    causes = {cause: number for number, cause in enumerate(dict.fromkeys(of_rows))}
    numbers = [causes[cause] for cause in of_rows]
    lengths = {}
    for name, measure in _measures(evidence).items():
        value, shares = _length(measure, problem, at, response)
        deviations = np.sqrt(np.bincount(numbers, shares**2))
        lengths[name] = value, dict(zip(causes, deviations.tolist(), strict=True))
    return Solution(stance, problem.points(at), log_evidence, lengths), at


def _measures(evidence: Evidence) -> dict[str, Callable[[Array, Array], Array]]:
    out = evidence.outward
    return {
        "arm_length": lambda points, lean: arm_length_mm(points, out, lean),
        "neck_to_wrist": lambda points, lean: reach_mm(points, out, lean, segments_mm(points)[..., :2].sum(axis=-1)),
        "shoulder_to_palm": lambda points, _: straight_arm_mm(points),
    }


def _length(
    measure: Callable[[Array, Array], Array], problem: ArmProblem, unknowns: Array, response: Array
) -> tuple[float, Array]:
    """Value, and what each row (R,) brings to its standard deviation: sensitivities chained through the solution."""
    body = unknowns[problem.camera_size :]
    moved = np.vstack([body, body + _STEP_MM * np.eye(len(body))])
    values = measure(moved[:, :-1].reshape(-1, 5, 3), moved[:, -1])
    gradient = (values[1:] - values[0]) / _STEP_MM
    return float(values[0]), gradient @ response[problem.camera_size :]
