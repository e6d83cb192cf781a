"""The people in a photo: body landmarks of each, and the outline of where they stand.

Landmarks come from a published body model (33 points, BlazePose topology; see models/SOURCES.md).  They are what the
model believes, biased and noisy; `vision.arm.priors` says by how much.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Picture
from vision.networks.crops import halved
from vision.networks.landmark_model import LandmarkModel, tasks

MAX_PEOPLE = 3
"""Of more, nobody needs to know who they are: the photo is refused from two on."""
LOOKING_SIDE_PX = 1280
"""Longer pictures are reduced to this side for the model, which sees a person in 256 pixels (BlazePose, Bazarevsky et
al. 2020); the mask it gives is as large as what it was shown.  Landmarks are as good."""


class Landmark(IntEnum):
    """Indices of the body model's points (left and right are the person's own)."""

    NOSE = 0
    LEFT_EYE = 2
    RIGHT_EYE = 5
    LEFT_EAR = 7
    RIGHT_EAR = 8
    MOUTH_LEFT = 9
    MOUTH_RIGHT = 10
    LEFT_SHOULDER = 11
    RIGHT_SHOULDER = 12
    LEFT_ELBOW = 13
    RIGHT_ELBOW = 14
    LEFT_WRIST = 15
    RIGHT_WRIST = 16
    LEFT_LITTLE = 17
    RIGHT_LITTLE = 18
    LEFT_INDEX = 19
    RIGHT_INDEX = 20
    LEFT_HIP = 23
    RIGHT_HIP = 24


def of_side(name: str, side: str) -> Landmark:
    """The landmark `name` ("shoulder", "elbow", "wrist", "hip", "ear", "eye", ...) of a side ("left" or "right")."""
    return Landmark[f"{side}_{name}".upper()]


@dataclass(frozen=True, slots=True)
class Person:
    """One person.

    Attributes
    ----------
    points_px : (33, 2) ndarray
        Landmarks in the photo, px.
    visibility : (33,) ndarray
        The model's belief that each is seen, 0..1.
    mask : (h, w) float32 ndarray or None
        Probability that a pixel belongs to the person, in the picture reduced to `LOOKING_SIDE_PX`.
    """

    points_px: Array
    visibility: Array
    mask: Floats | None = None

    def point(self, name: str, side: str) -> Array:
        """(2,) px of a landmark of one side."""
        return np.asarray(self.points_px[of_side(name, side)])

    @property
    def torso_px(self) -> float:
        """Distance from the middle of the shoulders to the middle of the hips, px."""
        shoulders = self.points_px[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]].mean(axis=0)
        hips = self.points_px[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP]].mean(axis=0)
        return float(np.linalg.norm(shoulders - hips))


def _open(path: str) -> Any:
    BaseOptions, vision = tasks().BaseOptions, tasks().vision  # noqa: N806
    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=path), num_poses=MAX_PEOPLE, output_segmentation_masks=True
    )
    return vision.PoseLandmarker.create_from_options(options)


_model = LandmarkModel("pose_heavy.task", _open)


def find_people(rgb: Picture) -> tuple[Person, ...]:
    """Find the people in a picture, the largest first.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The picture.

    Returns
    -------
    tuple of Person
        At most `MAX_PEOPLE`; two readings of the same person are given once.
    """
    height, width = rgb.shape[:2]
    shown = rgb
    if max(height, width) > LOOKING_SIDE_PX:
        shrink = LOOKING_SIDE_PX / max(height, width)
        size = round(shrink * width), round(shrink * height)
        shown = np.asarray(cv2.resize(halved(rgb, 1 / shrink), size, interpolation=cv2.INTER_AREA), np.uint8)
    result = _model.detect(shown, lambda found: bool(found.pose_landmarks))
    people = []
    masks = result.segmentation_masks or []
    for flat, mask in zip(result.pose_landmarks, masks, strict=True):
        people.append(
            Person(
                # the model's coordinates run over the picture's edges, ours over pixel centres
                np.array([[p.x * width - 0.5, p.y * height - 0.5] for p in flat]),
                np.array([p.visibility for p in flat]),
                np.array(mask.numpy_view()).reshape(shown.shape[:2]),
            )
        )
    people.sort(key=lambda person: -person.torso_px)
    distinct: list[Person] = []
    for person in people:
        if all(_apart(person, other) for other in distinct):
            distinct.append(person)
    return tuple(distinct)


def _apart(first: Person, second: Person) -> bool:
    """Whether two readings are two people: their trunks do not lie on one another."""
    trunk = [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER, Landmark.LEFT_HIP, Landmark.RIGHT_HIP]
    gap = np.linalg.norm(first.points_px[trunk].mean(axis=0) - second.points_px[trunk].mean(axis=0))
    return bool(gap > 0.5 * max(first.torso_px, second.torso_px))
