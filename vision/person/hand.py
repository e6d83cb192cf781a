"""The hand at the end of an arm: 21 points from a published hand model, on a square crop about the wrist.

On whole photos the model misses most hands; on a square about the body model's wrist, 0.9 of the neck-to-palm length
wide, it finds four in five with a low threshold, and nearly all from 100 px of crop upwards (measured on photographs of
people).  A low threshold also lets wrong things through, so a hand counts only if its wrist lies
where the body's wrist is.  The model is run again on a tighter square about what it found, and the two readings are
averaged: their noise is largely independent.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision.networks.landmark_model import LandmarkModel, tasks

CROP_SIDE = 0.9
"""Side of the first square over the neck-to-palm length."""
TIGHT_SIDES = (2.2, 1.7)
"""Sides of the further squares over the larger extent of the hand found."""
MIN_CROP_PX = 60
"""Nothing is found in smaller crops."""
MAX_CROP_PX = 640
"""Larger crops are reduced; the model itself looks at 224 px."""
MIN_CONFIDENCE = 0.2
"""Of the hand model, low on purpose (see above)."""
SAME_HAND = 0.15
"""Largest distance of two readings' palms that are of one hand, over its extent; our choice."""
MAX_WRIST_GAP = 0.2
"""Largest accepted distance between the two models' wrists, over the first square's side."""


class HandPoint(IntEnum):
    """Indices of the hand model's points that are used."""

    WRIST = 0
    INDEX_KNUCKLE = 5
    MIDDLE_KNUCKLE = 9
    MIDDLE_TIP = 12
    LITTLE_KNUCKLE = 17


@dataclass(frozen=True, slots=True)
class Hand:
    """One hand.

    Attributes
    ----------
    points_px : (21, 2) ndarray
        Landmarks in the photo, px.
    repeat_px : float
        How far the readings of the middle of the palm lie apart (standard deviation, px); 0 for a single reading.
    handedness : str
        "left" or "right": which hand it would be if the palm looked at the camera.
    """

    points_px: Array
    repeat_px: float
    handedness: str

    def point(self, name: HandPoint) -> Array:
        """(2,) px of one landmark."""
        return np.asarray(self.points_px[name])

    @property
    def palm_px(self) -> Array:
        """(2,) px midway between the wrist and the middle finger's knuckle."""
        return _palm(self.points_px)


def _palm(points_px: Array) -> Array:
    middle: Array = 0.5 * (points_px[HandPoint.WRIST] + points_px[HandPoint.MIDDLE_KNUCKLE])
    return middle


def _open(path: str) -> Any:
    BaseOptions, vision = tasks().BaseOptions, tasks().vision  # noqa: N806
    options = vision.HandLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=path), num_hands=2, min_hand_detection_confidence=MIN_CONFIDENCE
    )
    return vision.HandLandmarker.create_from_options(options)


_model = LandmarkModel("hand.task", _open)


def find_hand(rgb: Picture, wrist_px: Array, arm_px: float) -> Hand | None:
    """Find the hand whose wrist the body model puts at `wrist_px`.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The whole picture.
    wrist_px : (2,) ndarray
        The body model's wrist, px.
    arm_px : float
        Length from the neck to the palm in the picture, px.

    Returns
    -------
    Hand or None
        None where no hand is found, or where what was found is not at that wrist.
    """
    side = CROP_SIDE * arm_px
    readings = _read(rgb, wrist_px, side)
    readings = [hand for hand in readings if np.linalg.norm(hand.points_px[0] - wrist_px) < MAX_WRIST_GAP * side]
    if not readings:
        return None
    first = min(readings, key=lambda hand: float(np.linalg.norm(hand.points_px[0] - wrist_px)))
    low, high = first.points_px.min(axis=0), first.points_px.max(axis=0)
    extent = float((high - low).max())
    same = [first]
    for factor in TIGHT_SIDES:
        for hand in _read(rgb, 0.5 * (low + high), factor * extent):
            if (
                np.linalg.norm(hand.palm_px - first.palm_px) < SAME_HAND * extent
                and hand.handedness == first.handedness
            ):
                same.append(hand)
                break
    palms = np.array([hand.palm_px for hand in same])
    repeat = float(np.sqrt(palms.var(axis=0, ddof=1).sum())) if len(same) > 1 else 0.0
    points = np.mean([hand.points_px for hand in same], axis=0)
    return Hand(points, repeat, first.handedness)


def _read(rgb: Picture, centre_px: Array, side_px: float) -> list[Hand]:
    """All hands on one square crop, in the whole picture's pixels."""
    if side_px < MIN_CROP_PX or not np.isfinite(side_px):
        return []
    size = round(min(side_px, MAX_CROP_PX))
    scale = size / side_px
    corner = centre_px - 0.5 * side_px  # the crop's edge, in pixel-centre coordinates
    to_crop = np.array([[scale, 0.0, -0.5 - scale * corner[0]], [0.0, scale, -0.5 - scale * corner[1]]])
    shrink = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    crop = cv2.warpAffine(rgb, to_crop, (size, size), flags=shrink)
    result = _model.detect(crop.astype(np.uint8), lambda found: bool(found.hand_landmarks))
    hands = []
    for points, kinds in zip(result.hand_landmarks, result.handedness, strict=True):
        inside = np.array([[p.x, p.y] for p in points])
        hands.append(Hand(corner + inside * side_px, 0.0, kinds[0].category_name.lower()))
    return hands
