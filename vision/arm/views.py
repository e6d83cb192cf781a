"""One arm from several photos of a child that stands still: depth by parallax, and errors averaged as far as they go.

The idea.  Five points in space, one arm with segments that do not change, are seen by several cameras whose places the
sheets tell.  All that `vision.arm.estimator` knows of one photo is a row here for each of them, with four differences.

* The cameras share a lens (`calibration.common_lens`).
* A child is no statue: from view to view the trunk moves as a whole, the neck a little on it, the arm turns about the
  shoulder and the forearm about the elbow.  How far is a normal distribution each (`Sway`), by the stance: a hand on
  the wall hardly moves to or from it.
* A landmark is wrong in two ways: by a part that is the same in all views, because the same sleeve, build and light
  lead the same network to the same wrong place on the body, and by a part of its own.  Only the second averages away.
  The common one is a place on the body, so it may also lie nearer to the camera than the joint, and parallax then finds
  that place and not the joint.
* A person who places a point in one view errs in the same two ways, but not as the network does: what is common to the
  points of either is apart.  Where the network errs in one view it errs in all, and more than it says: the further from
  where it was seen a person places a point, the less is the network believed about that point in the other views, more
  steeply than one photo's landmarks are that lie far off (`less_believed`).
* What a network says of depth (`vision.arm.depth`) is wrong in all views alike: several count as one.

How much the photos tell is seen in the interval, and in the angle between the lines of sight: where that is small,
several photos are one photo several times, and a step to the side is asked for.  A view that does not go with the
others, because the child has moved or is another, is left out and named; it is never averaged in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from calibration.arrays import Array
from calibration.camera import PosedCamera, Surface
from calibration.common_lens import CommonLens, View, reference_first, solve_common_lens, spread_deg
from calibration.print_scale import agreed_prints
from vision.arm import priors
from vision.arm.body import SeenBody
from vision.arm.depth import ArmDepths
from vision.arm.estimator import (
    BESIDE_MM,
    COORDINATES,
    CORE,
    ELBOW,
    NECK,
    PALM,
    SHOULDER,
    TAIL,
    WRIST,
    ArmProblem,
    Evidence,
    expected_arm_mm,
    most_probable,
    straight_arm_mm,
    straight_arm_slopes,
)
from vision.arm.judge import pose_of, turned_probability
from vision.arm.lengths import arm_lengths
from vision.arm.measure import (
    MOST_BUILD_DEVIATION,
    ArmMeasurement,
    build_deviation,
    evidence_of,
    named_points,
    solve_arm,
    stances_of,
)
from vision.arm.mixture import Mixture
from vision.arm.posture import posture_lengths
from vision.arm.priors import JOINTS, Stance, whitener
from vision.arm.seen import SeenArm
from vision.person.hand import HandPoint
from vision.person.neck_net import Turn
from vision.photo import Corrections
from vision.problems import STATED_BUILD, STEP_ASIDE

COMMON_SHARE = 0.7
"""Of a landmark's variance, what is common to all views of one child.  On 72 sequences of five views of our own tracer
(vision.training.figures.sequences) it is 0.41 to 0.88, 0.5 in the median of the ten coordinates; on eight of the test
scenes' renderer 0.23 to 0.90 and 0.71; of necks 0.4 to 0.5, of palms 0.5 to 0.9.  Of people no sequences are known, and
their cloth and hair stay as they are from view to view: the larger of the two medians is taken for all."""
COMMON_DEPTH_MM = 8.0
"""Standard deviation of how far in front of the joint, or behind it, the place lies that a landmark follows over the
views: half the radius of a child's upper arm; our judgement."""
LEAST_SPREAD_DEG = 8.0
"""Largest angle between lines of sight below which the depths that several photos tell are no surer than those of one:
a landmark's own error of 1.5 % of an arm and a sway of 8 mm are then 70 mm of depth, and usual arms differ by 20; our
choice, half a metre aside at two metres are 14 degrees."""
LEAVING_OUT = 0.001
"""Probability below which a view that goes with the others would fit them as badly; our choice."""
FREEDOM = 10
"""Of a view: two coordinates of five points; its sway is held by as many rows as it has unknowns."""


@dataclass(frozen=True, slots=True)
class Sway:
    """How a child moves from view to view: standard deviations.

    Attributes
    ----------
    trunk_mm : (float, float, float)
        The shoulder, and the trunk with it: along the wall, up, from the wall.
    neck_mm : float
        The neck on the trunk, along each axis.
    arm_deg, elbow_deg : (float, float)
        Arm about the shoulder and forearm about the elbow: forwards, and up.
    """

    trunk_mm: tuple[float, float, float]
    neck_mm: float
    arm_deg: tuple[float, float]
    elbow_deg: tuple[float, float]

    @property
    def deviations(self) -> Array:
        """The same (10,) in the order of a view's unknowns: mm, and radians."""
        angles = np.radians([*self.arm_deg, *self.elbow_deg])
        return np.array([*self.trunk_mm, *3 * [self.neck_mm], *angles])


SWAY = {
    "wall": Sway((8.0, 4.0, 3.0), 3.0, (0.4, 1.2), (0.3, 0.6)),
    "floating": Sway((8.0, 4.0, 8.0), 3.0, (1.2, 1.2), (0.6, 0.6)),
    "reaching": Sway((8.0, 4.0, 8.0), 3.0, (1.2, 1.2), (0.6, 0.6)),
    "away": Sway((8.0, 4.0, 8.0), 3.0, (1.2, 1.2), (0.6, 0.6)),
}
"""By the stance: joints move by 9 mm at the shoulder to 14 at the palm of an arm of 450 mm.  People who stand quietly
sway by some 5 to 10 mm at the shoulders within half a minute (from memory, posturography); an arm held out wavers by
about a degree; our judgement."""
_OF_VIEW = 10  # unit errors of a view: what `Sway` lists
_COMMON = 3 * len(JOINTS)


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
    """The least-squares problem of several views under one stance.

    Unknowns, all of unit variance but the last 16: the cameras' common errors (K), what is common to each landmark (two
    in the picture's directions of its whitening, one of depth), the same of each that a person placed in any view, each
    view's sway (10), five points, the trunk's lean.
    """

    def __init__(self, views: Sequence[OneView], stance: Stance) -> None:
        first = views[0].evidence
        leans = [view.evidence.trunk_lean_deg for view in views if view.evidence.trunk_lean_deg is not None]
        self.evidence = replace(first, trunk_lean_deg=float(np.mean(leans)) if leans else None, hand_px=None)
        self.views, self.stance = tuple(views), stance
        self.errors: int = views[0].root.shape[1]
        placed = [name for name in JOINTS if any(view.evidence.sightings[name].by_hand for view in views)]
        self.placed_at = {name: _COMMON + 3 * number for number, name in enumerate(placed)}
        self.common = _COMMON + 3 * len(placed)
        self.camera_size = self.errors + self.common + _OF_VIEW * len(views)
        self.depth_whitener = whitener(stance.depth_covariance)
        self.expected = expected_arm_mm(first.age_years, first.stature_mm)
        self.sway = SWAY[stance.name].deviations
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
        sway = _OF_VIEW * len(self.views) * ["sway between the photos"]
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
        slopes[:, sway_at : sway_at + _OF_VIEW] = (seen @ sways).reshape(10, -1)
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
        slope[sway_at : sway_at + _OF_VIEW] = nearer @ sways[PALM]
        return float(np.log(evidence.hand_px * BESIDE_MM / length)), slope

    def _sway_at(self, number: int) -> int:
        return self.errors + self.common + _OF_VIEW * number

    def _sway_of(self, number: int, unknowns: Array) -> Array:
        """A view's sway (10,), mm and radians."""
        at = self._sway_at(number)
        return np.asarray(self.sway * unknowns[at : at + _OF_VIEW])

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
        sway = rows[first : first + _OF_VIEW * count].reshape(count, -1)
        seen = self.squares(unknowns).reshape(count, -1)
        return np.asarray((sway**2).sum(axis=1) + seen.sum(axis=1))


def swayed(points: Array, sway: Array) -> tuple[Array, Array, Array]:
    """The joints of one view, and how they depend on the body and on its sway.

    Turns are small, and taken to first order: 1.5 degrees make a segment of 250 mm 0.1 mm too long.

    Parameters
    ----------
    points : (5, 3) ndarray
        The body's joints, mm.
    sway : (10,) ndarray
        Trunk along x, y, z and neck along x, y, z, mm; arm forwards (about y) and up (about z), forearm the same, rad.

    Returns
    -------
    joints : (5, 3) ndarray
        In this view, mm.
    by_points : (5, 3, 5, 3) ndarray
        Derivatives by the body's joints.
    by_sway : (5, 3, 10) ndarray
        Derivatives by the sway.
    """
    arm, fore = np.array([0.0, *sway[6:8]]), np.array([0.0, *(sway[6:8] + sway[8:])])
    turns = {ELBOW: np.eye(3) + _cross(arm), WRIST: np.eye(3) + _cross(fore), PALM: np.eye(3) + _cross(fore)}
    joints, by_points, by_sway = np.zeros((5, 3)), np.zeros((5, 3, 5, 3)), np.zeros((5, 3, _OF_VIEW))
    joints[SHOULDER] = points[SHOULDER] + sway[:3]
    joints[NECK] = points[NECK] + sway[:3] + sway[3:6]
    by_points[SHOULDER, :, SHOULDER] = by_points[NECK, :, NECK] = np.eye(3)
    by_sway[:, :, :3] = np.eye(3)
    by_sway[NECK, :, 3:6] = np.eye(3)
    for joint, before in ((ELBOW, SHOULDER), (WRIST, ELBOW), (PALM, WRIST)):
        segment = points[joint] - points[before]
        joints[joint] = joints[before] + turns[joint] @ segment
        by_points[joint] = by_points[before]
        by_points[joint, :, joint] += turns[joint]
        by_points[joint, :, before] -= turns[joint]
        by_sway[joint, :, 3:] = by_sway[before, :, 3:]
        by_sway[joint, :, 6:8] -= _cross(segment)[:, 1:]
        if joint != ELBOW:
            by_sway[joint, :, 8:] -= _cross(segment)[:, 1:]
    return joints, by_points, by_sway


def _cross(vector: Array) -> Array:
    """The matrix that makes the cross product with a vector."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def mean_turn(turns: Sequence[Turn | None]) -> Turn | None:
    """How far a trunk looks turned in several views, as one word of it; None where nobody looked."""
    looked = [turn for turn in turns if turn is not None]
    if not looked:
        return None
    return Turn(float(np.mean([turn.deg for turn in looked])), float(np.mean([turn.deviation_deg for turn in looked])))


def mean_depths(depths: Sequence[ArmDepths]) -> ArmDepths:
    """What a network says of several views of one scene, as one word of it: its errors are much the same in all."""
    log = np.mean([np.log(each.stance) for each in depths], axis=0)
    shares = np.exp(log - log.max())
    return ArmDepths(
        shares / shares.sum(),
        np.mean([each.steps for each in depths], axis=0),
        np.mean([each.covariance for each in depths], axis=0),
        float(np.median([each.bend_deg for each in depths])),
        float(np.median([each.forward_deg for each in depths])),
    )


@dataclass(frozen=True)
class ArmViews:
    """One arm from several views.

    Attributes
    ----------
    measurement : ArmMeasurement
        Points, sheets and camera are those of the first view used.
    used, left_out : tuple of int
        Which of the photos went in, and which usable ones do not go with them.
    spread_deg : float
        The largest angle between two lines of sight to the palm.
    seen : tuple of SeenArm
        What was seen in those used, with the sheet that they share first.
    views : tuple of ArmMeasurement
        The same measurement with the points, faces, sheets and camera of each of those used.
    """

    measurement: ArmMeasurement
    used: tuple[int, ...]
    left_out: tuple[int, ...]
    spread_deg: float
    seen: tuple[SeenArm, ...]
    views: tuple[ArmMeasurement, ...]


def solve_views(
    seen: Sequence[SeenArm],
    age_years: float | None = None,
    stature_mm: float | None = None,
    against_wall: bool | None = None,
    corrections: Mapping[int, Corrections] | None = None,
) -> ArmViews | None:
    """One arm from several photos of a child that stands still before the same sheets.

    Parameters
    ----------
    seen : sequence of SeenArm
        What was seen in each photo.
    age_years, stature_mm, against_wall : optional
        As of `vision.arm.measure.measure_arm`.
    corrections : mapping of int to Corrections, optional
        Points placed by a person, by the number of the photo.

    Returns
    -------
    ArmViews or None
        None where fewer than two usable photos go together: photos that were taken at different times, of which each
        may be right by itself.
    """
    placed = corrections or {}
    usable = [
        number for number, one in enumerate(seen) if solve_arm(one, None, None, against_wall, placed.get(number)).usable
    ]
    views = _in_one_frame(seen, usable)
    while len(views) > 1:
        found = _solved(views, placed, None, None, against_wall)
        worst = int(np.argmax(found.misfits))
        if found.misfits[worst] <= chdtri(FREEDOM, LEAVING_OUT / len(views)):
            break
        del views[list(views)[worst]]
    else:
        return None
    if age_years is not None or stature_mm is not None:
        found = _with_build(found, views, placed, age_years, stature_mm, against_wall)
    spread = spread_deg([camera.position_mm for camera in found.cameras], found.palm_mm)
    measurement = found.measurement
    if spread < LEAST_SPREAD_DEG:
        measurement = replace(measurement, problems=(*measurement.problems, STEP_ASIDE))
    used = tuple(views.values())
    shown = tuple(
        replace(
            measurement,
            points_px=named_points(one.body, px),
            faces_px=one.faces_px,
            sheets=camera.sheets,
            camera=camera,
        )
        for one, px, camera in zip(used, found.seen_px, found.cameras, strict=True)
    )
    left_out = tuple(number for number in usable if number not in views)
    return ArmViews(measurement, tuple(views), left_out, spread, used, shown)


@dataclass(frozen=True)
class _Found:
    """The solution of one set of views."""

    measurement: ArmMeasurement
    misfits: Array
    cameras: tuple[PosedCamera, ...]
    palm_mm: Array
    seen_px: list[Array]


def _in_one_frame(seen: Sequence[SeenArm], usable: Sequence[int]) -> dict[int, SeenArm]:
    """The views of the arm that most show, by number, with the sheet that most show first in each."""
    sides = [seen[number].body.side for number in usable]
    mine = [number for number in usable if seen[number].body.side == max(sides, key=sides.count)]
    ordered = reference_first([_view_of(seen[number]) for number in mine])
    return {
        number: _with_sheets(seen[number], view) for number, view in zip(mine, ordered, strict=True) if view is not None
    }


def _with_sheets(seen: SeenArm, view: View) -> SeenArm:
    camera = replace(seen.body.camera, sheets=view.sheets)
    return replace(seen, body=replace(seen.body, camera=camera))


def _view_of(seen: SeenArm) -> View:
    camera = seen.body.camera
    return View(camera.sheets, camera.image_size_px, camera.lens)


def _solved(
    seen: Mapping[int, SeenArm],
    placed: Mapping[int, Corrections],
    age_years: float | None,
    stature_mm: float | None,
    against_wall: bool | None,
) -> _Found:
    views = list(seen.values())
    prints = agreed_prints([one.prints for one in views])
    scales = {name: scale.scale for name, scale in prints.items()}
    lens = solve_common_lens([_view_of(one) for one in views], Surface.WALL, scales)
    bodies = [replace(one.body, camera=camera) for one, camera in zip(views, lens.cameras, strict=True)]
    evidence = [evidence_of(body, age_years, stature_mm, {}) for body in bodies]
    if placed:
        by_hand = [
            evidence_of(body, age_years, stature_mm, placed.get(number, {}))
            for number, body in zip(seen, bodies, strict=True)
        ]
        evidence = less_believed(evidence, by_hand)
    shown = [OneView(each, root) for each, root in zip(evidence, lens.roots, strict=True)]
    depths = mean_depths([one.depths for one in views])
    problems = [ViewsProblem(shown, stance) for stance in stances_of(against_wall, depths)]
    solved = [most_probable(problem) for problem in problems]
    mixture = Mixture.of([solution for solution, _ in solved], depths)
    best = int(np.argmax(mixture.weights))
    held = [pose_of(body, each, mixture.best) for body, each in zip(bodies, evidence, strict=True)]
    turn, trunk = float(np.mean([pose.turn for pose in held])), mean_turn([pose.trunk for pose in held])
    turned = np.array([turned_probability(turn, trunk, solution.stance.name) for solution in mixture.solutions])
    typical = _typical_hand(bodies, lens)
    lengths = arm_lengths(mixture, typical.hand, typical.camera, prints, turned)
    lengths |= posture_lengths(bodies[0], evidence[0].body_to_sheet, mixture, prints)
    remarks = dict.fromkeys(remark for one in views for remark in one.remarks)
    problem, unknowns = problems[best], solved[best][1]
    seen_px = problem.seen_px(unknowns)
    measurement = ArmMeasurement(
        photo=" + ".join(one.photo for one in views),
        usable=True,
        problems=tuple(remarks),
        side=bodies[0].side,
        points_px=named_points(bodies[0], seen_px[0]),
        wall_probability=mixture.share(priors.WALL),
        faces_px=views[0].faces_px,
        sheets=bodies[0].camera.sheets,
        camera=bodies[0].camera,
        **lengths,
    )
    palm = evidence[0].body_to_sheet @ mixture.best.points_mm[PALM]
    return _Found(measurement, problem.misfits(unknowns), lens.cameras, palm, seen_px)


def less_believed(seen: Sequence[Evidence], placed: Sequence[Evidence]) -> list[Evidence]:
    """What each view says once a person has placed points: the network is believed as far as that bears it out.

    A landmark that lies far off in one photo loses precision by a weight (`vision.arm.estimator.ArmProblem.weighed`).
    Here it is by the square of that weight (our choice), because the others err by the same and would outvote the
    person: where the network was wrong by 5 % of the arm alike in five simulated views, and one or two were placed
    right, 95 % intervals by the weight itself held too little (`tests.vision.arm.test_views` simulates it).

    Parameters
    ----------
    seen : sequence of Evidence
        Each view as it was seen.
    placed : sequence of Evidence
        The same with the points that a person placed.
    """
    beliefs = {}
    for name in JOINTS:
        squares = [
            float(np.sum((was.sightings[name].whitening @ (now.sightings[name].px - was.sightings[name].px)) ** 2))
            for was, now in zip(seen, placed, strict=True)
            if now.sightings[name].by_hand
        ]
        if squares:
            beliefs[name] = min(1.0, (TAIL + CORE) / (TAIL + float(np.mean(squares))))
    return [
        replace(
            one,
            sightings={
                name: each if each.by_hand else replace(each, whitening=each.whitening * beliefs.get(name, 1.0))
                for name, each in one.sightings.items()
            },
        )
        for one in placed
    ]


def _typical_hand(bodies: Sequence[SeenBody], lens: CommonLens) -> SeenBody:
    """The body whose hand looks neither large nor small on the wall: the middle one; the first where none is seen."""
    sizes = []
    for body, camera in zip(bodies, lens.cameras, strict=True):
        if body.hand is not None:
            ends = np.array([body.hand.point(HandPoint.WRIST), body.hand.point(HandPoint.MIDDLE_TIP)])
            sizes.append((float(np.linalg.norm(np.diff(camera.to_plane(ends, 0.0), axis=0))), body))
    sizes.sort(key=lambda size: size[0])
    return sizes[len(sizes) // 2][1] if sizes else bodies[0]


def _with_build(
    found: _Found,
    views: Mapping[int, SeenArm],
    placed: Mapping[int, Corrections],
    age_years: float | None,
    stature_mm: float | None,
    against_wall: bool | None,
) -> _Found:
    """The same with age and stature used; a remark instead where the photos contradict them."""
    arm = found.measurement.arm_length
    if arm is None or build_deviation(arm, age_years, stature_mm) > MOST_BUILD_DEVIATION:
        measurement = replace(found.measurement, problems=(*found.measurement.problems, STATED_BUILD))
        return replace(found, measurement=measurement)
    return _solved(views, placed, age_years, stature_mm, against_wall)
