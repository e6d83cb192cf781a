"""Made-up arms before made-up cameras, where everything is known: evidence for the solver, and a whole seen arm."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto
from vision.arm import priors as priors
from vision.arm.body import WRIST_OF_ARM, SeenBody
from vision.arm.build import StatedBuild
from vision.arm.depth import ArmDepths
from vision.arm.estimator import ArmProblem, Evidence, Sighting, Solution, most_probable
from vision.arm.priors import JOINTS, LandmarkError, Stance
from vision.arm.seen import SeenArm
from vision.person.hand import Hand, HandPoint
from vision.person.neck import NeckPoint
from vision.person.pose import Landmark

STRAIGHT = 410.0
USUAL_STRAIGHT = priors.STRAIGHT_ARM_MM[0]
LENS_DEVIATION = [3.0, 3.0, 3.0, 0.005, 0.002, 0.001]
POSE_DEVIATION = [1e-3, 1e-3, 1e-3, 1.0, 1.0, 2.0]


def camera(distance_mm: float = 1800.0, position: tuple[float, float] = (250.0, 0.0), quarters: int = 0) -> PosedCamera:
    """A camera that looks straight at the wall, known well; its sheet hangs turned by quarters, anticlockwise."""
    flat = SheetInPhoto(
        layout=SheetLayout(Paper.A4, 1),
        corner_index=np.arange(4),
        corner_px=np.zeros((4, 2)),
        homography=np.eye(3),
        noise_px=0.1,
        blur_px=0.1,
    )
    facing = np.diag([1.0, -1.0, -1.0])  # the camera's y points down, its z into the wall
    turn = np.asarray(cv2.Rodrigues(facing @ sheet_from_body(quarters).T)[0]).ravel()
    shift = np.array([-position[0], position[1], distance_mm])
    parameters = np.array([1700.0, 1200.0, 900.0, 0.0, 0.0, 0.0, *turn, *shift])
    deviation = np.array(LENS_DEVIATION + POSE_DEVIATION)
    return PosedCamera((flat,), (2400, 1800), parameters, np.diag(deviation), 0.0, (0.1,))


def sheet_from_body(quarters: int) -> Array:
    """Turns the body's coordinates into those of a sheet that hangs turned by quarters anticlockwise, (3, 3)."""
    return np.linalg.matrix_power(np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), quarters % 4)


def joints(
    elevation_deg: float = 0.0, outward: float = 1.0, lean_deg: float = 0.0, depth: Array = priors.WALL.depth
) -> Array:
    """A straight arm (5, 3) mm at an elevation; the neck 80 mm inwards of and 77 mm above the shoulder."""
    shares = np.array([0.0, 0.455, 0.417, 0.128])
    return _chain(STRAIGHT, shares, (80.0, 77.0), elevation_deg, outward, lean_deg, depth)


def usual_joints(outward: float = 1.0, depth: Array = priors.WALL.depth) -> Array:
    """The arm (5, 3) mm in which everything is as usual, so that no prior pulls at it: the solver must return it."""
    upper, fore, palm = np.exp(priors.UPPER_TO_FOREARM[0]), 1.0, np.exp(priors.PALM_TO_FOREARM[0])
    whole = upper + fore + palm
    (inward, _), (up, _) = priors.NECK_OFFSET
    # the steps in depth shorten what is seen of each part
    shares = np.array([upper, fore, palm]) / whole
    seen = np.sqrt(shares**2 - np.diff(depth[1:]) ** 2)
    neck = (inward * USUAL_STRAIGHT, up * USUAL_STRAIGHT)
    return _chain(USUAL_STRAIGHT, np.array([0.0, *seen]), neck, 0.0, outward, 0.0, depth)


def _chain(
    straight: float,
    shares: Array,
    neck_mm: tuple[float, float],
    elevation_deg: float,
    outward: float,
    lean_deg: float,
    depth: Array,
) -> Array:
    e, t = np.radians(elevation_deg), np.radians(lean_deg)
    flat = straight * np.cumsum(shares)[:, None] * np.array([np.cos(e) * outward, np.sin(e)])
    out, up = np.array([np.cos(t) * outward, np.sin(t)]), np.array([-np.sin(t) * outward, np.cos(t)])
    neck = -neck_mm[0] * out + neck_mm[1] * up
    return np.column_stack([np.vstack([neck, flat]), depth * straight])


def evidence(
    points: Array,
    outward: float = 1.0,
    deviation_px: float = 1.0,
    view: PosedCamera | None = None,
    quarters: int = 0,
    age_years: float | None = None,
    stature_mm: float | None = None,
    **more: float | None,
) -> Evidence:
    """What a photo without noise shows of an arm given in the body's frame."""
    view = view or camera(position=(250.0 * outward, 0.0), quarters=quarters)
    px = view.project(points @ sheet_from_body(quarters).T)
    sightings = {name: Sighting.isotropic(at, deviation_px, name) for name, at in zip(JOINTS, px, strict=True)}
    return Evidence(
        view, sheet_from_body(quarters), outward, sightings, build=StatedBuild(age_years, stature_mm), **more
    )


def seen_arm(
    points: Array, outward: float = 1.0, quarters: int = 0, depths: ArmDepths | None = None, hand: bool = True
) -> SeenArm:
    """What is seen of an arm: landmarks as wrong as they usually are, so that nothing is left when that is removed.

    The trunk is as wide as an adult's share and leans as little as its landmarks are usually wrong.
    """
    view, turn = camera(position=(250.0 * outward, 0.0), quarters=quarters), sheet_from_body(quarters)

    def px(places: Array) -> Array:
        return view.project(np.atleast_2d(places) @ turn.T)

    side = "left" if outward > 0 else "right"  # a child facing the camera has its left at the picture's right
    neck, shoulder, elbow, wrist, palm = px(points)
    landmarks = np.zeros((33, 2))
    true = dict(zip(("shoulder", "elbow", "wrist"), (shoulder, elbow, wrist), strict=True))
    errors = {"shoulder": priors.SHOULDER_ERROR, "elbow": priors.ELBOW_ERROR, "wrist": priors.WRIST_ERROR}
    other = points[1] - [2 * 0.35 * STRAIGHT * outward, 0.0, 0.0]
    lean = -np.radians(priors.TRUNK_AXIS[0])
    middle = 0.5 * (points[1] + other)
    biased = dict(true)
    for _ in range(20):  # the errors are shares of the arm as its own wrong landmarks show it
        reach = biased["wrist"] - biased["shoulder"]
        arm_px = np.linalg.norm(reach) / WRIST_OF_ARM
        along = reach / np.linalg.norm(reach)
        down = down_of(biased["shoulder"], biased["wrist"], px(middle - [0.0, 300.0, 0.0])[0])
        biased = {name: true[name] + wrong(error, along, down, arm_px) for name, error in errors.items()}
    for name, place in biased.items():
        landmarks[Landmark[f"{side}_{name}".upper()]] = place
    far = "right" if side == "left" else "left"
    landmarks[Landmark[f"{far}_shoulder".upper()]] = px(other)[0]
    # hips below the middle of the shoulders as seen, leaning by as much as is usually wrong
    shoulders = view.to_plane(landmarks[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]], _FRAME_DEPTH_MM) @ turn
    hips = shoulders.mean(axis=0) - 420.0 * np.array([-np.sin(lean) * outward, np.cos(lean), 0.0])
    for hip, offset in ((Landmark.LEFT_HIP, 80.0), (Landmark.RIGHT_HIP, -80.0)):
        landmarks[hip] = px(hips + np.array([offset, 0.0, 0.0]))[0]
    nose = shoulders.mean(axis=0) + np.array([0.0, 220.0, 0.0])
    nose[2] = points[1, 2] + 0.25 * STRAIGHT
    landmarks[Landmark.NOSE] = px(nose)[0]
    landmarks[Landmark[f"{side}_index".upper()]] = palm + 0.1 * arm_px * along
    landmarks[Landmark[f"{side}_little".upper()]] = palm + 0.1 * arm_px * along + 0.1 * arm_px * down
    found = _hand(points, palm + wrong(priors.PALM_ERROR, along, down, arm_px), px, side) if hand else None
    body = SeenBody(view, side, landmarks, np.ones(33), NeckPoint(neck, 2.0, seen=True), found)
    return SeenArm("made up", body, depths or ArmDepths.usual(), ((0.0, 0.0, 50.0),), {}, (), ())


_FRAME_DEPTH_MM = float(priors.FLOATING.depth[1]) * USUAL_STRAIGHT
"""Depth at which the body's axes are read."""


def down_of(shoulder: Array, wrist: Array, hips: Array) -> Array:
    """Unit direction in the picture across the arm, on the hips' side."""
    along = (wrist - shoulder) / np.linalg.norm(wrist - shoulder)
    down = np.array([-along[1], along[0]])
    return down if down @ (hips - shoulder) > 0 else -down


def wrong(error: LandmarkError, along: Array, down: Array, arm_px: float) -> Array:
    """How far a landmark usually lies from where it should, px."""
    return arm_px * (error.along * along + error.down * down)


def _hand(points: Array, palm_px: Array, px: Callable[[Array], Array], side: str) -> Hand:
    """An open hand of usual size about the palm, along the forearm, its palm to the camera."""
    step = (points[4] - points[3]) * [1.0, 1.0, 0.0]
    towards = step / np.linalg.norm(step)
    up = np.array([0.0, 1.0, 0.0])
    straight = float(np.linalg.norm(np.diff(points[1:], axis=0), axis=1).sum())
    half = 0.5 * np.exp(priors.HAND_SIZE[0]) * straight
    places = np.tile(points[4], (21, 1))
    places[HandPoint.WRIST] -= half * towards
    places[HandPoint.MIDDLE_KNUCKLE] += half * towards
    places[HandPoint.MIDDLE_TIP] += half * towards + 70.0 * towards
    places[HandPoint.INDEX_KNUCKLE] += half * towards + 20.0 * up
    places[HandPoint.LITTLE_KNUCKLE] += half * towards - 30.0 * up
    seen = px(places)
    middle = 0.5 * (seen[HandPoint.WRIST] + seen[HandPoint.MIDDLE_KNUCKLE])
    return Hand(seen + (palm_px - middle), 0.0, side)


def solve(evidence: Evidence, stance: Stance) -> Solution:
    """The most probable arm under one stance."""
    return most_probable(ArmProblem(evidence, stance))[0]
