"""The body in a photo of a stretched arm: landmarks, neck and hand without their usual errors, and the body's own axes.

Everything here is still in pixels, but for the camera through which they are seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera
from vision.arm import priors
from vision.arm.estimator import Sighting
from vision.arm.priors import LandmarkError
from vision.person.hand import Hand, HandPoint
from vision.person.neck import NeckPoint
from vision.person.neck_net import Turn
from vision.person.pose import Landmark, Person, of_side
from vision.person.posture import SeenPosture

SIDES = ("left", "right")
WRIST_OF_ARM = 0.87
"""Shoulder to wrist over the straight arm, as landmarks show it; rendered figures."""


@dataclass(frozen=True, slots=True)
class SeenBody:
    """One person with an arm stretched out, as seen through a camera.

    Attributes
    ----------
    camera : PosedCamera
        Solved from the sheets; z = 0 is the wall.
    side : str
        ``"left"`` or ``"right"``, the person's own: the arm that is measured.
    landmarks_px : (33, 2) ndarray
        The body model's points, px.
    visibility : (33,) ndarray
        The body model's belief that each is seen.
    neck : NeckPoint
        The side of the neck.
    hand : Hand or None
        The hand at the arm's end.
    posture : SeenPosture or None
        Neck and shoulder where the arm hangs; None where nobody looked.
    turn : Turn or None
        How far the trunk is turned to the line of sight; None where nobody looked.
    """

    camera: PosedCamera
    side: str
    landmarks_px: Array
    visibility: Array
    neck: NeckPoint
    hand: Hand | None
    posture: SeenPosture | None = None
    turn: Turn | None = None

    def landmark(self, name: str) -> Array:
        """(2,) px of a body landmark of the arm's side."""
        return np.asarray(self.landmarks_px[of_side(name, self.side)])


def sightings_of(body: SeenBody) -> tuple[dict[str, Sighting], float]:
    """The five joints as they are seen, usual errors removed, and the straight arm's length in the picture, px."""
    reach = body.landmark("wrist") - body.landmark("shoulder")
    arm_px = float(np.linalg.norm(reach)) / WRIST_OF_ARM
    along = reach / np.linalg.norm(reach)
    hips = body.landmarks_px[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP]].mean(axis=0)
    down = np.array([-along[1], along[0]])
    if down @ (hips - body.landmark("shoulder")) < 0:
        down = -down

    grown = float(np.hypot(1.0, priors.SMALL_ARM_PX / arm_px))

    def sighting(px: Array, error: LandmarkError, cause: str) -> Sighting:
        whitening = np.array([along / error.along_deviation, down / error.across_deviation]) / (grown * arm_px)
        return Sighting(px - arm_px * (error.along * along + error.down * down), whitening, cause)

    knuckles = 0.5 * (body.landmark("index") + body.landmark("little"))
    guess = 0.5 * (body.landmark("wrist") + knuckles)
    if body.hand is not None:
        error = priors.OPEN_PALM_ERROR if faces_camera(body.hand) else priors.PALM_ERROR
        apart = float(np.linalg.norm(body.hand.palm_px - guess)) / arm_px
        if apart > priors.PALMS_APART:
            error = error.widened(apart / 2)
        palm = sighting(body.hand.palm_px, error, "palm point")
    else:
        palm = sighting(guess, priors.PALM_WITHOUT_HAND_ERROR, "palm point (hand not seen)")
    cause = "shoulder, elbow and wrist points"
    shoulder, elbow, wrist = _joint_errors(body)
    return {
        "neck": Sighting.isotropic(
            body.neck.px,
            body.neck.deviation_px,
            "neck point" if body.neck.seen else "neck point (covered)",
        ),
        "shoulder": sighting(body.landmark("shoulder"), shoulder, cause),
        "elbow": sighting(body.landmark("elbow"), elbow, cause),
        "wrist": sighting(body.landmark("wrist"), wrist, cause),
        "palm": palm,
    }, arm_px


def _joint_errors(body: SeenBody) -> tuple[LandmarkError, LandmarkError, LandmarkError]:
    """How wrong shoulder, elbow and wrist may be: less where the arm is straight, level and seen squarely."""
    upper = body.landmark("elbow") - body.landmark("shoulder")
    fore = body.landmark("wrist") - body.landmark("elbow")
    shoulders = body.landmarks_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]]
    hips = body.landmarks_px[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP]]
    trunk = shoulders.mean(axis=0) - hips.mean(axis=0)
    straight = _angle_deg(upper, fore) < priors.STRAIGHT_DEG
    level = abs(90.0 - _angle_deg(upper + fore, trunk)) < priors.LEVEL_DEG
    square = np.linalg.norm(shoulders[0] - shoulders[1]) > priors.SQUARE * np.linalg.norm(trunk)
    if straight and level and square:
        return priors.STRAIGHT_SHOULDER_ERROR, priors.STRAIGHT_ELBOW_ERROR, priors.STRAIGHT_WRIST_ERROR
    return priors.SHOULDER_ERROR, priors.ELBOW_ERROR, priors.WRIST_ERROR


def faces_camera(hand: Hand) -> bool:
    """Whether a hand opens to the camera and was read twice alike."""
    wrist, middle, index, little = (
        hand.point(name)
        for name in (HandPoint.WRIST, HandPoint.MIDDLE_KNUCKLE, HandPoint.INDEX_KNUCKLE, HandPoint.LITTLE_KNUCKLE)
    )
    (ax, ay), (bx, by) = index - wrist, little - wrist
    area = 0.5 * abs(ax * by - ay * bx)
    return bool(hand.repeat_px > 0 and area > priors.OPEN_AREA * np.sum((middle - wrist) ** 2))


def _angle_deg(first: Array, second: Array) -> float:
    """Angle between two directions in the picture."""
    cosine = first @ second / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-9)
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def body_frame(body: SeenBody) -> tuple[Array, float, float]:
    """The body's frame on the wall, which way the arm points in it, and the trunk's lean.

    A sheet may hang sideways or upside down: its axes are turned by quarters until y points up along the trunk.

    Returns
    -------
    body_to_sheet : (3, 3) ndarray
        Turns the body's coordinates into the sheet's.
    outward : float
        +1 if the arm points along the body frame's x, -1 otherwise.
    lean_deg : float
        Lean of the trunk's landmarks away from the arm, degrees, as seen (bias not removed).
    """
    depth_mm = priors.FLOATING.depth[1] * priors.STRAIGHT_ARM_MM[0]
    names = [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER, Landmark.LEFT_HIP, Landmark.RIGHT_HIP]
    trunk = body.camera.to_plane(body.landmarks_px[names], depth_mm)
    arm = body.camera.to_plane(np.array([body.landmark("shoulder"), body.landmark("wrist")]), depth_mm)
    up = trunk[:2].mean(axis=0) - trunk[2:].mean(axis=0)
    quarters = int(np.round(np.degrees(np.arctan2(-up[0], up[1])) / 90.0)) % 4
    cosine, sine = np.cos(np.pi / 2 * quarters), np.sin(np.pi / 2 * quarters)
    body_to_sheet = np.round(np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]]))
    up, reach = up @ body_to_sheet, (arm[1] - arm[0]) @ body_to_sheet
    outward = 1.0 if reach[0] > 0 else -1.0
    return body_to_sheet, outward, float(np.degrees(np.arctan2(-up[0] * outward, up[1])))


def lines_of_sight(body: SeenBody) -> tuple[Array, Array]:
    """Shoulder, elbow, wrist and palm in the picture, and whence shoulder and palm are body.

    Returns
    -------
    joints_px : (4, 2) ndarray
        The points, their usual errors removed, px.
    slopes : (2, 2) ndarray
        Of the lines of sight to shoulder and palm, as `vision.arm.depth.arm_depths` wants them.
    """
    sightings, _ = sightings_of(body)
    joints_px = np.array([sightings[name].px for name in priors.JOINTS[1:]])
    body_to_sheet, outward, _ = body_frame(body)
    eye = body.camera.position_mm
    steps = (body.camera.to_plane(joints_px[[0, 3]], 0.0) - eye) @ body_to_sheet
    return joints_px, steps[:, :2] * np.array([outward, 1.0]) / eye[2]


def stretched_side(person: Person) -> str:
    """The side whose wrist lies further out from the trunk, across it."""
    trunk = person.points_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]].mean(axis=0) - person.points_px[
        [Landmark.LEFT_HIP, Landmark.RIGHT_HIP]
    ].mean(axis=0)
    across = np.array([-trunk[1], trunk[0]])

    def reach(side: str) -> float:
        return abs(float((person.point("wrist", side) - person.point("shoulder", side)) @ across))

    return max(SIDES, key=reach)
