"""What one photo shows of a stretched arm: sheets, camera, person, hand and neck, and what is wrong with the picture.

Finding these takes most of the time; everything after it (`vision.arm.measure`) is quick, so that a corrected point or
a stated age gives a new length at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.blank import Blank
from calibration.camera import PosedCamera, Surface
from calibration.checked_camera import reference_camera
from calibration.print_scale import PrintScale
from calibration.problems import Problem, Refused
from calibration.sheet_in_photo import SheetInPhoto
from vision.arm.body import SeenBody, lines_of_sight, stretched_side
from vision.arm.depth import ArmDepths, arm_depths
from vision.arm.picture import picture_problems
from vision.blur import with_blur_named
from vision.person.face import face_disc, seen_from_behind
from vision.person.hand import find_hand
from vision.person.neck import find_neck, look_at_shoulders
from vision.person.pose import Person, find_people
from vision.person.posture import find_posture
from vision.photo import Photo
from vision.problems import NO_PERSON

ARM_OVER_SHOULDER_TO_WRIST = 1.3
"""Neck to palm over shoulder to wrist, for the size of the hand's crop; rendered figures."""


@dataclass(frozen=True, slots=True)
class SeenArm:
    """One arm as it is seen in a photo.

    Attributes
    ----------
    photo : str
        The photo's name.
    body : SeenBody
        The person, and the camera through which they are seen.
    depths : ArmDepths
        How the arm stands to the wall and how far it is from it, as shadow and posture tell.
    faces_px : tuple of (x, y, radius)
        A disc over each head in the photo, px.
    prints : mapping of str to PrintScale
        How large each sheet was printed, by its name.
    problems : tuple of Problem
        What is wrong with the picture itself: where there is any, the photo is not to be used.
    remarks : tuple of Problem
        What is to be said although the photo is usable.
    """

    photo: str
    body: SeenBody
    depths: ArmDepths
    faces_px: tuple[tuple[float, float, float], ...]
    prints: Mapping[str, PrintScale]
    problems: tuple[Problem, ...]
    remarks: tuple[Problem, ...]

    @property
    def sheets(self) -> tuple[SheetInPhoto, ...]:
        """The sheets found."""
        return self.body.camera.sheets


def see_arm(photo: Photo, side: str = "auto", bar_mm: float | None = None, reference: Blank | None = None) -> SeenArm:
    """Find sheets, camera, person, hand and neck, and what is wrong with the picture.

    Parameters
    ----------
    photo : Photo
        The photo.
    side : str
        ``"left"``, ``"right"`` (the person's own) or ``"auto"``: the arm that is stretched out.
    bar_mm : float, optional
        Length of the sheet's check bar, or of its whole print, as the family measured it, mm.
    reference : Blank, optional
        Blank paper or a card instead of the printed sheet.

    Returns
    -------
    SeenArm
        What was found.

    Raises
    ------
    Refused
        If there is no sheet, no person, or no way to solve the camera.
    """
    people = find_people(photo.rgb)
    try:
        checked = reference_camera(photo.rgb, photo.lens, Surface.WALL, bar_mm, reference)
    except Refused as refusal:
        told = with_blur_named(refusal, photo.rgb)
        raise Refused(*told.problems, *(() if people else (NO_PERSON,))) from None
    if not people:
        raise Refused(NO_PERSON)
    person = people[0]
    if side == "auto":
        side = stretched_side(person)
    body = seen_body(photo, person, side, checked.camera)
    joints_px, slopes = lines_of_sight(body)
    return SeenArm(
        photo=photo.name,
        body=body,
        depths=arm_depths(photo.rgb, joints_px, slopes),
        faces_px=tuple(face_disc(someone) for someone in people),
        prints=checked.prints,
        problems=picture_problems(photo, body, len(people), seen_from_behind(photo.rgb, person, body.neck.behind)),
        remarks=checked.remarks,
    )


def seen_body(photo: Photo, person: Person, side: str, camera: PosedCamera) -> SeenBody:
    """A person's body with hand and neck, as seen through a camera.

    Parameters
    ----------
    photo : Photo
        The photo.
    person : Person
        Somebody in it.
    side : str
        ``"left"`` or ``"right"``, the person's own.
    camera : PosedCamera
        Solved from the sheets.
    """
    wrist, shoulder = person.point("wrist", side), person.point("shoulder", side)
    shoulders = look_at_shoulders(photo.rgb, person)
    arm_px = ARM_OVER_SHOULDER_TO_WRIST * float(np.linalg.norm(wrist - shoulder))
    return SeenBody(
        camera=camera,
        side=side,
        landmarks_px=person.points_px,
        visibility=person.visibility,
        neck=find_neck(photo.rgb, person, side, shoulders),
        hand=find_hand(photo.rgb, wrist, arm_px),
        posture=find_posture(photo.rgb, person, side, shoulders),
        turn=None if shoulders is None else shoulders.turn,
    )
