"""Faults of a picture of an arm, and of who is in it: whatever is wrong before the arm is solved.

Thresholds were set on the development scenes so that good photos pass with room to spare; each says what it separates.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration import quality as sheet_quality
from calibration.arrays import Array
from calibration.problems import Problem
from vision import problems
from vision.arm.body import SeenBody
from vision.person.pose import Landmark
from vision.photo import Photo
from vision.quality import quality

DARKEST = 45.0
"""95th percentile of the grey values about the arm: below it shirt, arm and wall are one; our choice."""
LEAST_CONTRAST = 18.0
"""5th to 95th percentile of the grey values about the arm; our choice."""
ABOUT_ARM = 0.3
"""Share of the shoulder-to-wrist length by which the box about the arm is larger than it: hand, neck and wall."""
WIDEST_EDGE = 0.045, 10.0
"""Edges wider than this share of the shoulder-to-wrist length, and than this many px, make landmarks wander; sharp
scenes stay below 0.027, a blur of 1.5 % of the arm gives 0.04."""
SHORTEST_ARM_PX = 90.0
"""Shoulder to wrist; the hand's crop then has 100 px, where nearly all hands are found (photographs of people)."""
BORDER = 0.005
"""Landmarks nearer to the photo's border than this share of its width count as cut off."""
SEEN = 0.3
"""Least visibility of shoulder, elbow and wrist."""
TRUNK = 0.8
"""Share of the way from the trunk's middle to shoulders and hips within which what is seen is in front of it; our
choice."""
MOST_BEFORE_TRUNK = 2
"""Corners of sheets that landmarks may put there though the sheet hangs beside or behind; our choice."""
HELD_MM = 30.0
"""How near the other hand is to a sheet that it holds; in 111 good pictures of two renderers it is 300 mm away and
more.  Our choice."""


def picture_problems(photo: Photo, body: SeenBody, people: int, behind: bool) -> tuple[Problem, ...]:
    """Faults of the picture and of who is in it.

    Parameters
    ----------
    photo : Photo
        The photo.
    body : SeenBody
        The person found in it.
    people : int
        How many people were found.
    behind : bool
        Whether the person is seen from behind.

    Returns
    -------
    tuple of Problem
        Empty where there is none.
    """
    found = list(sheet_quality.sheet_problems(body.camera))
    arm = np.array([body.landmark(name) for name in ("shoulder", "elbow", "wrist")])
    reach = float(np.linalg.norm(arm[2] - arm[0]))
    if photo.front_lens:
        found.append(problems.SELFIE_LENS)
    if worn_or_held(body):
        found.append(problems.SHEET_ON_PERSON)
    if people > 1:
        found.append(problems.SEVERAL_PEOPLE)
    if reach < SHORTEST_ARM_PX:
        found.append(problems.PERSON_TOO_SMALL)
        return tuple(found)
    margin = ABOUT_ARM * reach
    low, high = arm.min(axis=0) - margin, arm.max(axis=0) + margin
    about = quality(photo.rgb, (low[0], low[1], high[0], high[1]))
    if about.brightness < DARKEST or about.contrast < LEAST_CONTRAST:
        found.append(problems.PHOTO_TOO_DARK)
    elif about.edge_width_px > max(WIDEST_EDGE[0] * reach, WIDEST_EDGE[1]):
        found.append(problems.PHOTO_BLURRED)
    needed = [body.landmark("shoulder"), body.landmark("elbow"), body.landmark("wrist"), body.neck.px]
    needed.append(body.landmarks_px[Landmark.NOSE])
    if body.hand is not None:
        needed.extend(body.hand.points_px)
    size = np.array(photo.size_px)
    margin = BORDER * size[0]
    if any((point < margin).any() or (point > size - 1 - margin).any() for point in needed):
        found.append(problems.PERSON_CUT)
    elif (
        min(body.visibility[Landmark[f"{body.side}_{name}".upper()]] for name in ("shoulder", "elbow", "wrist")) < SEEN
    ):
        found.append(problems.NO_ARM_OUT)
    elif body.hand is None:
        found.append(problems.HAND_HIDDEN)
    if behind:
        found.append(problems.BACK_VIEW)
    return tuple(found)


def worn_or_held(body: SeenBody) -> bool:
    """Whether a sheet is in front of the person's trunk, or in the hand that is not stretched out.

    A sheet that hung behind the trunk would have its corners hidden.

    Parameters
    ----------
    body : SeenBody
        The person, and the camera with its sheets.
    """
    marks, sheets = body.landmarks_px, body.camera.sheets
    corners = marks[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER, Landmark.RIGHT_HIP, Landmark.LEFT_HIP]]
    middle = corners.mean(axis=0)
    trunk = middle + TRUNK * (corners - middle)
    before = sum(_within_px(trunk, corner) > 0 for sheet in sheets for corner in sheet.corner_px)
    other = "RIGHT" if body.side == "left" else "LEFT"
    hand = [marks[Landmark[f"{other}_{name}"]] for name in ("WRIST", "INDEX", "LITTLE")]
    seen = body.visibility[Landmark[f"{other}_WRIST"]] > SEEN
    held = any(_within_px(sheet.outline_px, point) > -HELD_MM * sheet.px_per_mm for sheet in sheets for point in hand)
    return before > MOST_BEFORE_TRUNK or bool(seen and held)


def _within_px(outline_px: Array, point_px: Array) -> float:
    """How far a point lies within an outline, px; negative outside."""
    around = outline_px.astype(np.float32).reshape(-1, 1, 2)
    return cv2.pointPolygonTest(around, (float(point_px[0]), float(point_px[1])), True)
