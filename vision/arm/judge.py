"""Whether the pose of a measured arm can be trusted.

A fault that the estimate corrects by itself (an arm a little low, a trunk a little turned) is no fault here: the
interval is wide enough.  A fault beyond that refuses the photo, with the one thing to do differently.  Thresholds were
set on the development scenes so that good photos pass with room to spare; each says what it separates.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from calibration.arrays import Array
from calibration.blank_sheet import is_blank
from calibration.problems import Problem
from vision import problems
from vision.arm.body import SeenBody
from vision.arm.depth import ArmDepths
from vision.arm.estimator import Evidence, Solution
from vision.arm.joints import ELBOW, PALM, SHOULDER, WRIST, straight_arm_mm
from vision.person.neck_net import Turn
from vision.person.pose import Landmark

BENT_DEG = 14.5
"""Bend at the elbow across the line of sight, landmarks' bias removed: straight arms read -6 to 14 (132 readings of
development scenes and of others), bent ones (25 to 50 degrees in space, part of it towards the camera) 13 to 49."""
LOW_DEG, HIGH_DEG = -20.0, 22.0
"""Elevation of the arm above the horizontal; within it the correction is good to the stated uncertainty."""
NOT_OUT_DEG = 60.0
"""Beyond it the arm is not held out at all."""
FORWARD_PROBABILITY = 0.6
"""Probability that the hand is far in front of the body's plane, from which the photo is refused."""
BENT_AS_TOLD_DEG = 15.0
"""Bend at the elbow in space as the network of `vision.arm.depth` tells it: straight arms reach 6, bent ones (25 to 49
degrees) begin at 25 (84 scenes, part of them developed on)."""
FORWARD_AS_TOLD_DEG = 14.0
"""The same for an arm held forward: good ones reach 8, faulty ones (22 to 34 degrees) begin at 18."""
REACHING_AS_TOLD = 0.35
"""How likely the hand is far before the body's plane, as the same networks tell it from shadow, from which the arm is
held forward or its elbow bent towards the camera, whatever its points allow; a picture that nobody looked at gives a
third.  Good arms give 0.2 at most: 26 scenes developed on, 80 pictures of hands 10 to 50 mm off the wall, and 16 of
Cycles, which neither network learned from."""
STEEP_DEG = 40.0
"""Angle between the line of sight to the arm and the wall's normal."""
FAR_MM = 1300.0
"""From the arm's middle to the nearest sheet's centre."""
TURNED = 0.22
"""Sideways offset of the nose from the middle of the shoulders, in space, over the straight arm, from which the trunk
counts as turned where nothing tells more of it: good scenes reach 0.11, trunks turned by 16 and 20 degrees give 0.10.
A head that looks along the arm, by up to 60 degrees, gives up to 0.30: 25 of 278 views of Cycles with straight trunks
were refused for the nose alone."""
TRUNK_TURNED_DEG = 9.0
"""Angle between trunk and wall, as the network of `vision.person.neck_net` tells it, from which the trunk counts as
turned: half a deviation is added.  On 39 scenes of a renderer that it did not learn from it is wrong by 2.6 degrees
(root mean square), and good trunks (up to 5 degrees) give up to 6."""
TRUNK_WIDENED, TRUNK_LEAST_DEG = 1.3, 2.0
"""Factor on the deviation that it states (those 39 scenes), and what is added to it: our choice."""
TURN_SPREAD, TURN_SPREAD_TURNED = 0.04, 0.08
"""Standard deviation of that offset where the trunk is straight (64 good scenes, part of them developed on: 0.039) and
where it is turned by some 15 degrees (nose 0.25 in front, times the sine, and the head's own turn)."""
HEADS_TURNED, HEAD_SPREAD = 0.15, 0.14
"""How many children look aside, at their hand above all, and the deviation of that offset that this adds, whatever the
trunk does; our choice."""
STRAIGHT_TRUNK_DEG, TURNED_TRUNK_DEG = 3.0, (15.0, 5.0)
"""Angle of a straight trunk to the wall, its deviation about nothing, and the same of a turned one to either side: good
scenes have up to 5 degrees, and `vision.arm.mixture.TURNED_EFFECT` is of some 15; our choice."""
TURNED_SHARE = {"wall": 0.005, "floating": 0.03, "reaching": 0.03, "away": 0.03, "bent": 0.03}
"""How often a trunk is turned without anybody's noticing, by the arm's stance: with back and hand against the wall it
hardly can be; our judgement."""


@dataclass(frozen=True, slots=True)
class Pose:
    """How the arm is held, as seen.

    Attributes
    ----------
    elevation_deg : float
        Shoulder to palm above the horizontal of the trunk's frame.
    bend_deg : float
        Forearm above the upper arm's line, across the line of sight.
    turn : float
        Sideways offset of the nose from the middle of the shoulders, over the straight arm.
    trunk : Turn or None
        How far the trunk is turned to the wall, as its look tells; None where nobody looked.
    """

    elevation_deg: float
    bend_deg: float
    turn: float
    trunk: Turn | None


def pose_of(body: SeenBody, evidence: Evidence, solution: Solution) -> Pose:
    """How the arm is held, from the solved points and the face."""
    points, out = solution.points_mm, evidence.outward
    upper, fore, whole = (
        points[ELBOW] - points[SHOULDER],
        points[WRIST] - points[ELBOW],
        points[PALM] - points[SHOULDER],
    )
    straight = float(straight_arm_mm(points))
    middle = body.landmarks_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]]
    depth = points[SHOULDER, 2]
    shoulders = (body.camera.to_plane(middle, depth) @ evidence.body_to_sheet).mean(axis=0)
    nose_depth = depth + NOSE_FORWARD * straight
    nose = (body.camera.to_plane(body.landmarks_px[[Landmark.NOSE]], nose_depth) @ evidence.body_to_sheet)[0]
    return Pose(
        elevation_deg=_above(whole, out),
        bend_deg=_above(fore, out) - _above(upper, out),
        turn=float((nose - shoulders)[0] * out / straight),
        trunk=_to_the_wall(body.turn, body.camera.position_mm @ evidence.body_to_sheet - shoulders),
    )


def _to_the_wall(turn: Turn | None, sight: Array) -> Turn | None:
    """The trunk's angle to the wall from that to the line of sight, whose direction to the camera is (3,)."""
    if turn is None:
        return None
    return Turn(
        turn.deg + float(np.degrees(np.arctan2(sight[0], sight[2]))),
        float(np.hypot(TRUNK_WIDENED * turn.deviation_deg, TRUNK_LEAST_DEG)),
    )


NOSE_FORWARD = 0.25
"""Nose in front of the shoulder joints, over the straight arm; rendered figures."""


def _above(step: Array, outward: float) -> float:
    """Angle of a step above the outward horizontal, seen from the front, degrees."""
    return float(np.degrees(np.arctan2(step[1], step[0] * outward)))


def turned_probability(turn: float, trunk: Turn | None, stance: str) -> float:
    """Probability that the trunk is turned further than the estimate allows for (Bayes' rule).

    The nose turns with the trunk, but with the head alone as well; the trunk's own look bears it out or not.

    Parameters
    ----------
    turn : float
        As `Pose.turn`.
    trunk : Turn or None
        As `Pose.trunk`.
    stance : str
        Name of the arm's stance.
    """
    share = TURNED_SHARE[stance]
    odds = share / (1 - share) * _nose_density(turn, TURN_SPREAD_TURNED) / _nose_density(turn, TURN_SPREAD)
    odds *= 1.0 if trunk is None else _looks_turned(trunk)
    return odds / (1 + odds)


def _nose_density(turn: float, spread: float) -> float:
    """How likely the nose lies there, the head turned or not."""
    aside = NormalDist(0, float(np.hypot(spread, HEAD_SPREAD)))
    return (1 - HEADS_TURNED) * NormalDist(0, spread).pdf(turn) + HEADS_TURNED * aside.pdf(turn)


def _looks_turned(trunk: Turn) -> float:
    """How much likelier the trunk looks like this if it is turned than if it is straight."""
    middle, spread = TURNED_TRUNK_DEG
    straight = NormalDist(0, float(np.hypot(STRAIGHT_TRUNK_DEG, trunk.deviation_deg)))
    turned = NormalDist(middle, float(np.hypot(spread, trunk.deviation_deg)))
    return 0.5 * (turned.pdf(trunk.deg) + turned.pdf(-trunk.deg)) / straight.pdf(trunk.deg)


def _is_turned(pose: Pose) -> bool:
    """Whether the trunk is turned too far: by its own look, or where nobody looked by the nose."""
    if pose.trunk is None:
        return abs(pose.turn) > TURNED
    return abs(pose.trunk.deg) > TRUNK_TURNED_DEG + 0.5 * pose.trunk.deviation_deg


def looks_forward(depths: ArmDepths) -> bool:
    """Whether shadows say that the arm is held forward, or its elbow bent towards the camera."""
    return depths.reaching > REACHING_AS_TOLD


def pose_problems(
    body: SeenBody, depths: ArmDepths, evidence: Evidence, solution: Solution, reaching: float
) -> tuple[Problem, ...]:
    """Faults of the pose.

    Parameters
    ----------
    body : SeenBody
        What was seen of the person.
    depths : ArmDepths
        How the arm is bent and held, as shadow and posture tell.
    evidence, solution : Evidence, Solution
        The most probable arm.
    reaching : float
        Probability that the hand is far in front of the body's plane.

    Returns
    -------
    tuple of Problem
        Empty where the arm length can be trusted.
    """
    pose = pose_of(body, evidence, solution)
    found = []
    if abs(pose.elevation_deg) > NOT_OUT_DEG:
        return (problems.NO_ARM_OUT,)
    if pose.bend_deg > BENT_DEG or depths.bend_deg > BENT_AS_TOLD_DEG:
        found.append(problems.ELBOW_BENT)
    elif reaching > FORWARD_PROBABILITY or depths.forward_deg > FORWARD_AS_TOLD_DEG or looks_forward(depths):
        found.append(problems.ARM_FORWARD)
    if pose.elevation_deg < LOW_DEG:
        found.append(problems.ARM_TOO_LOW)
    elif pose.elevation_deg > HIGH_DEG and problems.ELBOW_BENT not in found:
        found.append(problems.ARM_TOO_HIGH)
    if _is_turned(pose):
        found.append(problems.TORSO_TURNED)
    arm = solution.points_mm[1:].mean(axis=0) @ evidence.body_to_sheet.T
    sight = body.camera.position_mm - arm
    if np.degrees(np.arccos(sight[2] / np.linalg.norm(sight))) > STEEP_DEG:
        found.append(problems.CAMERA_TILTED)
    centres = np.array([body.camera.sheet_frame(number)[1] for number in range(len(body.camera.sheets))])
    if np.linalg.norm(centres[:, :2] - arm[:2], axis=1).min() > FAR_MM:
        found.append(problems.BLANK_TOO_FAR if is_blank(body.camera) else problems.SHEET_TOO_FAR)
    return tuple(found)
