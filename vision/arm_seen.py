"""What one photo shows of a stretched arm: sheets, camera, person, hand and neck, still in pixels.

Finding these takes most of the time; everything after it (`vision.arm`) is quick, so that a corrected point or a stated
age gives a new length at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration.camera import PosedCamera, Surface
from calibration.checked_camera import checked_camera
from calibration.detection import SheetInPhoto, find_sheets
from calibration.print_scale import PrintScale
from calibration.problems import NO_SHEET, Problem, Refused
from vision import arm_priors as priors
from vision.face import face_disc, looks_at_camera
from vision.hand import Hand, find_hand
from vision.hand_depth import hand_depth
from vision.neck import NeckPoint, find_neck
from vision.photo import Photo
from vision.pose import Landmark, Person, find_people, of_side
from vision.problems import NO_PERSON

Vector = NDArray[np.float64]

SIDES = ("left", "right")
ARM_OVER_SHOULDER_TO_WRIST = 1.3
"""Neck to palm over shoulder to wrist, for the size of the hand's crop; rendered figures."""


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
    hand_depth : (12,) ndarray or None
        Likelihood of each of `vision.hand_depth.BANDS` for the palm's distance from the wall.
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
    hand_depth: Vector | None = None
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
    palm = hand.palm_px if hand is not None else wrist + 0.25 * (wrist - person.point("elbow", side))
    return SeenArm(
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
        hand_depth=hand_depth(photo.rgb, np.array([shoulder, person.point("elbow", side), wrist, palm])),
    )


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
