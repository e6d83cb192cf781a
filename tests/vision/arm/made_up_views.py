"""A made-up child before several made-up cameras, where everything is known: what is seen of one arm in each photo."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera, Surface, solve_camera
from calibration.lens import StatedLens
from tests.calibration.test_any_camera import seen, truth
from tests.vision.arm.made_up import STRAIGHT, joints
from vision.arm.body import SeenBody
from vision.arm.depth import ArmDepths
from vision.arm.priors import FLOATING, HAND_SIZE, Stance
from vision.arm.seen import SeenArm
from vision.person.hand import Hand, HandPoint
from vision.person.neck import NeckPoint
from vision.person.pose import Landmark

SIZE, FOCAL35_MM = (1600, 1200), 26.0
BELOW_SHEET_MM = np.array([-150.0, -260.0, 0.0])
AWAY_MM = 1900.0


def camera_at(place_mm: Sequence[float], tilt_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> PosedCamera:
    """A camera at a place before the first sheet, that looks at the wall's normal but for a tilt."""
    one = truth(SIZE, FOCAL35_MM, tilt_deg, AWAY_MM)
    parameters = one.parameters.copy()
    parameters[9:12] = -one.rotation @ np.asarray(place_mm, float)
    return one.with_parameters(parameters)


def aside(step_mm: float, up_mm: float = -150.0) -> PosedCamera:
    """A camera two metres away, a step aside, turned back to the sheet."""
    return camera_at((step_mm + 100.0, up_mm, AWAY_MM), (0.0, float(np.degrees(np.arctan2(step_mm, AWAY_MM))), 0.0))


def child(stance: Stance = FLOATING, outward: float = 1.0) -> dict[str, Array]:
    """Everything that is seen of a child in the sheet's frame, mm: joints (5, 3), body's points, an open hand."""
    points = joints(-3.0, outward, depth=stance.depth) + BELOW_SHEET_MM * [outward, 1.0, 1.0]
    shoulder, elbow, wrist, palm = points[1:]
    side, far = ("LEFT", "RIGHT") if outward > 0 else ("RIGHT", "LEFT")
    other = shoulder - [290.0 * outward, 0.0, 0.0]
    middle = (shoulder + other) / 2
    body = np.tile(middle, (33, 1))
    places = {
        f"{side}_SHOULDER": shoulder,
        f"{side}_ELBOW": elbow,
        f"{side}_WRIST": wrist,
        f"{far}_SHOULDER": other,
    }
    beside = {
        f"{side}_HIP": (middle, (80.0, -420.0, 0.0)),
        f"{far}_HIP": (middle, (-80.0, -420.0, 0.0)),
        "NOSE": (middle, (0.0, 220.0, 0.25 * STRAIGHT)),
        f"{side}_INDEX": (palm, (40.0, 20.0, 0.0)),
        f"{side}_LITTLE": (palm, (40.0, -30.0, 0.0)),
    }
    places |= {name: place + np.array(step) * [outward, 1.0, 1.0] for name, (place, step) in beside.items()}
    for name, place in places.items():
        body[Landmark[name]] = place
    half = 0.5 * np.exp(HAND_SIZE[0]) * STRAIGHT
    hand = np.zeros((21, 3))
    hand[HandPoint.WRIST, 0] = -half
    hand[HandPoint.MIDDLE_KNUCKLE, 0] = half
    hand[HandPoint.MIDDLE_TIP, 0] = half + 70.0
    hand[HandPoint.INDEX_KNUCKLE] = [half, 20.0, 0.0]
    hand[HandPoint.LITTLE_KNUCKLE] = [half, -30.0, 0.0]
    return {"joints": points, "body": body, "hand": palm + hand * [outward, 1.0, 1.0]}


def seen_views(
    cameras: Sequence[PosedCamera],
    moved_mm: Sequence[Array | float] | None = None,
    hands: Sequence[float] | None = None,
    stance: Stance = FLOATING,
    outward: float = 1.0,
) -> list[SeenArm]:
    """What each camera's photo shows of one child, without noise.

    Parameters
    ----------
    cameras : sequence of PosedCamera
        Where each photo is taken from.
    moved_mm : sequence of (3,) ndarray or float
        How far the whole child stands aside in each photo.
    hands : sequence of float
        How large the hand looks in each; 0 where none was found.
    """
    rng = np.random.default_rng(6)
    moved_mm = [0.0] * len(cameras) if moved_mm is None else moved_mm
    hands = [1.0] * len(cameras) if hands is None else hands
    views = []
    for number, (true, moved, large) in enumerate(zip(cameras, moved_mm, hands, strict=True)):
        shown = child(stance, outward)
        side = "left" if outward > 0 else "right"
        sheets = seen(true, 1, 0.0, rng, 0.05)
        solved = solve_camera(sheets, SIZE, StatedLens(FOCAL35_MM), Surface.WALL)
        palm = shown["joints"][4]
        hand = None
        if large:
            places = palm + large * (shown["hand"] - palm) + moved
            hand = Hand(true.project(places), 0.0, side)
        neck = NeckPoint(true.project(shown["joints"][:1] + moved)[0], 3.0, seen=True)
        body = SeenBody(solved, side, true.project(shown["body"] + moved), np.ones(33), neck, hand)
        views.append(SeenArm(f"{number}", body, ArmDepths.usual(), ((9.0 + number, 1.0, 5.0),), {}, (), ()))
    return views
