"""What one photo shows of a stretched arm: sheets, camera, person, hand and neck, still in pixels.

Finding these takes most of the time; everything after it (`vision.arm.measure`) is quick, so that a corrected point or
a stated age gives a new length at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PosedCamera, Surface
from calibration.checked_camera import checked_camera
from calibration.detection import find_sheets
from calibration.print_scale import PrintScale
from calibration.problems import NO_SHEET, Problem, Refused
from calibration.sheet_in_photo import SheetInPhoto
from vision.arm import priors as priors
from vision.arm.depth import ArmDepths, arm_depths
from vision.arm.estimator import Sighting
from vision.arm.priors import LandmarkError
from vision.person.face import face_disc, looks_at_camera
from vision.person.hand import Hand, find_hand
from vision.person.neck import NeckPoint, find_neck
from vision.person.pose import Landmark, Person, find_people, of_side
from vision.photo import Photo
from vision.problems import NO_PERSON

Vector = NDArray[np.float64]

SIDES = ("left", "right")
ARM_OVER_SHOULDER_TO_WRIST = 1.3
"""Neck to palm over shoulder to wrist, for the size of the hand's crop; rendered figures."""
WRIST_OF_ARM = 0.87
"""Shoulder to wrist over the straight arm, as landmarks show it; rendered figures."""


@dataclass(frozen=True, slots=True)
class SeenArm:
    """One arm as it is seen in a photo.

    Attributes
    ----------
    photo : str
        The photo's name.
    image_size_px : tuple of int
        Width and height, px.
    camera : PosedCamera
        Solved from the sheets; z = 0 is the wall.
    side : str
        ``"left"`` or ``"right"``, the person's own.
    landmarks_px : (33, 2) ndarray
        The body model's points, px.
    visibility : (33,) ndarray
        The body model's belief that each is seen.
    neck : NeckPoint
        The side of the neck.
    hand : Hand or None
        The hand at the arm's end.
    faces_px : tuple of (x, y, radius)
        A disc over each head in the photo, px.
    face_seen : bool
        Whether the person's face is seen.
    prints : mapping of str to PrintScale
        How large each sheet was printed, by its name.
    remarks : tuple of Problem
        What is to be said although the photo is usable.
    depths : ArmDepths
        How the arm stands to the wall and how far it is from it, as shadow and posture tell.
    problems : tuple of Problem
        What is wrong with the picture itself.
    """

    photo: str
    image_size_px: tuple[int, int]
    camera: PosedCamera
    side: str
    landmarks_px: Vector
    visibility: Vector
    neck: NeckPoint
    hand: Hand | None
    faces_px: tuple[tuple[float, float, float], ...]
    face_seen: bool
    prints: Mapping[str, PrintScale] = field(default_factory=dict)
    remarks: tuple[Problem, ...] = ()
    depths: ArmDepths = field(default_factory=ArmDepths.usual)
    problems: tuple[Problem, ...] = ()

    @property
    def sheets(self) -> tuple[SheetInPhoto, ...]:
        """The sheets found."""
        return self.camera.sheets

    @property
    def people(self) -> int:
        """How many people are in the photo."""
        return len(self.faces_px)

    def landmark(self, name: str, side: str | None = None) -> Vector:
        """(2,) px of a body landmark of the arm's side, or of the side named."""
        return np.asarray(self.landmarks_px[of_side(name, side or self.side)])

    @property
    def other_side(self) -> str:
        """The side of the other arm."""
        return "right" if self.side == "left" else "left"


def see_arm(photo: Photo, side: str = "auto", bar_mm: float | None = None) -> SeenArm:
    """Find sheets, camera, person, hand and neck.

    Parameters
    ----------
    photo : Photo
        The photo.
    side : str
        ``"left"``, ``"right"`` (the person's own) or ``"auto"``: the arm that is stretched out.
    bar_mm : float, optional
        Length of the sheet's check bar as the family measured it, mm.

    Returns
    -------
    SeenArm
        What was found.

    Raises
    ------
    Refused
        If there is no sheet, no person, or no way to solve the camera.
    """
    sheets = find_sheets(photo.rgb)
    people = find_people(photo.rgb)
    missing = [problem for problem, there in ((NO_SHEET, sheets), (NO_PERSON, people)) if not there]
    if missing:
        raise Refused(*missing)
    checked = checked_camera(photo.rgb, sheets, photo.focal35_mm, Surface.WALL, bar_mm)
    person = people[0]
    if side == "auto":
        side = stretched_side(person)
    wrist, shoulder = person.point("wrist", side), person.point("shoulder", side)
    arm_px = ARM_OVER_SHOULDER_TO_WRIST * float(np.linalg.norm(wrist - shoulder))
    hand = find_hand(photo.rgb, wrist, arm_px)
    seen = SeenArm(
        photo=photo.name,
        image_size_px=photo.size_px,
        camera=checked.camera,
        side=side,
        landmarks_px=person.points_px,
        visibility=person.visibility,
        neck=find_neck(photo.rgb, person, side),
        prints=checked.prints,
        remarks=checked.remarks,
        hand=hand,
        faces_px=tuple(face_disc(someone) for someone in people),
        face_seen=looks_at_camera(photo.rgb, person),
    )
    joints_px, slopes = lines_of_sight(seen)
    return replace(seen, depths=arm_depths(photo.rgb, joints_px, slopes))


def lines_of_sight(seen: SeenArm) -> tuple[Vector, Vector]:
    """Shoulder, elbow, wrist and palm in the picture, and whence shoulder and palm are seen.

    Returns
    -------
    joints_px : (4, 2) ndarray
        The points, their usual errors removed, px.
    slopes : (2, 2) ndarray
        Of the lines of sight to shoulder and palm, as `vision.arm.depth.arm_depths` wants them.
    """
    sightings, _ = sightings_of(seen)
    joints_px = np.array([sightings[name].px for name in priors.JOINTS[1:]])
    body_to_sheet, outward, _ = body_frame(seen)
    eye = seen.camera.position_mm
    steps = (seen.camera.to_plane(joints_px[[0, 3]], 0.0) - eye) @ body_to_sheet
    return joints_px, steps[:, :2] * np.array([outward, 1.0]) / eye[2]


def sightings_of(seen: SeenArm) -> tuple[dict[str, Sighting], float]:
    """The five joints as they are seen, usual errors removed, and the straight arm's length in the picture, px."""
    reach = seen.landmark("wrist") - seen.landmark("shoulder")
    arm_px = float(np.linalg.norm(reach)) / WRIST_OF_ARM
    along = reach / np.linalg.norm(reach)
    hips = seen.landmarks_px[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP]].mean(axis=0)
    down = np.array([-along[1], along[0]])
    if down @ (hips - seen.landmark("shoulder")) < 0:
        down = -down

    def sighting(px: Vector, error: LandmarkError, cause: str) -> Sighting:
        whitening = np.array([along / error.along_deviation, down / error.across_deviation]) / arm_px
        return Sighting(px - arm_px * (error.along * along + error.down * down), whitening, cause)

    if seen.hand is not None:
        palm = sighting(seen.hand.palm_px, priors.PALM_ERROR, "palm point")
    else:
        knuckles = 0.5 * (seen.landmark("index") + seen.landmark("little"))
        palm = sighting(
            0.5 * (seen.landmark("wrist") + knuckles), priors.PALM_WITHOUT_HAND_ERROR, "palm point (hand not seen)"
        )
    body = "shoulder, elbow and wrist points"
    return {
        "neck": Sighting.isotropic(
            seen.neck.px - arm_px * (priors.NECK_BIAS[0] * along + priors.NECK_BIAS[1] * down),
            seen.neck.deviation_px,
            "neck point" if seen.neck.seen else "neck point (covered)",
        ),
        "shoulder": sighting(seen.landmark("shoulder"), priors.SHOULDER_ERROR, body),
        "elbow": sighting(seen.landmark("elbow"), priors.ELBOW_ERROR, body),
        "wrist": sighting(seen.landmark("wrist"), priors.WRIST_ERROR, body),
        "palm": palm,
    }, arm_px


def stretched_side(person: Person) -> str:
    """The side whose wrist lies further out from the trunk, across it."""
    trunk = person.points_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]].mean(axis=0) - person.points_px[
        [Landmark.LEFT_HIP, Landmark.RIGHT_HIP]
    ].mean(axis=0)
    across = np.array([-trunk[1], trunk[0]])

    def reach(side: str) -> float:
        return abs(float((person.point("wrist", side) - person.point("shoulder", side)) @ across))

    return max(SIDES, key=reach)


def body_frame(seen: SeenArm) -> tuple[Vector, float, float]:
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
    trunk = seen.camera.to_plane(seen.landmarks_px[names], depth_mm)
    arm = seen.camera.to_plane(np.array([seen.landmark("shoulder"), seen.landmark("wrist")]), depth_mm)
    up = trunk[:2].mean(axis=0) - trunk[2:].mean(axis=0)
    quarters = int(np.round(np.degrees(np.arctan2(-up[0], up[1])) / 90.0)) % 4
    cosine, sine = np.cos(np.pi / 2 * quarters), np.sin(np.pi / 2 * quarters)
    body_to_sheet = np.round(np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]]))
    up, reach = up @ body_to_sheet, (arm[1] - arm[0]) @ body_to_sheet
    outward = 1.0 if reach[0] > 0 else -1.0
    return body_to_sheet, outward, float(np.degrees(np.arctan2(-up[0] * outward, up[1])))
