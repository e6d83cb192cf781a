"""Where a camera stands that looks down on something that lies, and its lens: a few views, or a walk round it.

The world is in mm, z up; cameras are ``x_cam = R X + t`` with the first pixel's centre at (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.lens import FRAME_DIAGONAL_MM

MARGIN = 0.04
"""Of the photo's longer side, least distance of what must be seen from its border."""
FILM_S, RATE = 3.0, 10
"""Length of a film, s, and its frames a second."""
FRAME_WANDER, PHOTO_WANDER = 0.004, 0.001
"""Standard deviation of how far a lens's centre wanders in a film's frames, which are steadied, and between photos; of
the picture's longer side."""


@dataclass(frozen=True)
class Lens:
    """What all photos of one camera share: size, 35 mm-equivalent focal length, distortion k1 and k2, centre (px)."""

    size: tuple[int, int]
    focal35_mm: float
    bend: tuple[float, float]
    centre: Array

    @property
    def focal_px(self) -> float:
        """Focal length, px."""
        return self.focal35_mm / FRAME_DIAGONAL_MM * float(np.hypot(*self.size))

    def matrix(self, wander_px: Array) -> Array:
        """Camera matrix (3, 3), the centre moved by (2,)."""
        x, y = self.centre + wander_px
        return np.array([[self.focal_px, 0, x], [0, self.focal_px, y], [0, 0, 1.0]])


@dataclass(frozen=True)
class Standing:
    """Where a camera is: place (mm, world), rotation (rows right, down, ahead), how its centre wandered (px)."""

    place: Array
    turn: Array
    wander_px: Array

    def project(self, points: Array, lens: Lens) -> Array:
        """Points (N, 3) to px (N, 2)."""
        px, _ = cv2.projectPoints(
            np.asarray(points, float),
            cv2.Rodrigues(self.turn)[0],
            -self.turn @ self.place,
            lens.matrix(self.wander_px),
            np.array([*lens.bend, 0.0, 0.0]),
        )
        return np.asarray(px[:, 0], float)


def random_lens(rng: np.random.Generator, film: bool) -> Lens:
    """A phone's lens, or one as films have it."""
    size = (1920, 1080) if film else (1600, 1200) if rng.random() < 0.6 else (1200, 1600)
    focal = rng.uniform(28, 33) if film else rng.uniform(24, 28) if rng.random() < 0.8 else rng.uniform(50, 56)
    bend = (float(rng.normal(0, 0.012)), float(rng.normal(0, 0.006))) if rng.random() < 0.7 else (0.0, 0.0)
    centre = (np.array(size) - 1) / 2 + rng.normal(0, 0.003 * max(size), 2)
    return Lens(size, float(focal), bend, centre)


def steps(must: Array, lens: Lens, rng: np.random.Generator) -> list[Standing]:
    """From above, and from four steps round it.

    Parameters
    ----------
    must : (N, 3) ndarray
        What every view must show, mm.
    lens : Lens
    rng : numpy.random.Generator
    """
    start = rng.uniform(0, 2 * np.pi)
    places = [(rng.uniform(0, 0.12), rng.uniform(0, 2 * np.pi))]
    for quarter in rng.permutation(4):
        places.append((float(rng.uniform(0.2, 0.45)), start + (quarter + rng.uniform(-0.3, 0.3)) * np.pi / 2))
    return [_standing(must, lens, aside, way, PHOTO_WANDER, rng) for aside, way in places]


def walk(must: Array, lens: Lens, seed: int, rng: np.random.Generator) -> list[Standing]:
    """Every frame of a walk to the side and on: the camera sways above one side of it.

    Parameters
    ----------
    must : (N, 3) ndarray
        What every frame must show, mm.
    lens : Lens
    seed : int
        For what is the same in all frames.
    rng : numpy.random.Generator
    """
    start = rng.uniform(0, 2 * np.pi)
    frames = int(FILM_S * RATE)
    shake = rng.uniform(0, 2 * np.pi, 4), rng.uniform(1.5, 7.0, 4)
    standings = []
    for number in range(frames):
        sway = np.sin(shake[0] + shake[1] * number / RATE)
        way = start + 2.0 * number / (frames - 1)
        quiet = np.random.default_rng([seed, 42])
        standings.append(_standing(must, lens, 0.3 + 0.02 * sway[0], way + 0.03 * sway[1], FRAME_WANDER, quiet))
    return standings


def _standing(
    must: Array, lens: Lens, aside: float, way: float, wander_share: float, rng: np.random.Generator
) -> Standing:
    """A camera that stands `aside` (over its height) in the direction `way` and sees what it must."""
    middle = np.array([*(0.5 * (must[:, :2].min(axis=0) + must[:, :2].max(axis=0))), 0.0])
    aim = middle + np.array([*rng.normal(0, 12, 2), 0])
    roll = np.radians(rng.normal(0, 4))
    wander = rng.normal(0, wander_share * max(lens.size), 2)
    extra = float(rng.uniform(1.0, 1.12))
    shake = np.radians(rng.normal(0, 1.0, 2))
    turned = cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0] @ cv2.Rodrigues(np.array([*shake, 0.0]))[0]
    long, landscape = _long_axis(must), lens.size[0] > lens.size[1]
    margin = MARGIN * max(lens.size)
    height = 300.0
    while True:
        offset = height * aside
        place = middle + np.array([offset * np.cos(way), offset * np.sin(way), height])
        standing = Standing(place, np.asarray(turned @ _looking(place, aim, long, landscape)), wander)
        px = standing.project(must, lens)
        if (px > margin).all() and (px < np.array(lens.size) - margin).all():
            if extra == 1.0:
                return standing
            height, extra = height * extra, 1.0
            continue
        height *= 1.02


def _long_axis(must: Array) -> Array:
    """The horizontal direction (2,) in which what must be seen is longest: that of the phone."""
    flat = must[:, :2] - must[:, :2].mean(axis=0)
    return np.asarray(np.linalg.svd(flat, full_matrices=False)[2][0])


def _looking(place: Array, aim: Array, long: Array, landscape: bool) -> Array:
    """Rotation (rows right, down, ahead) of a camera that looks at `aim`, its longer side along `long`."""
    ahead = (aim - place) / np.linalg.norm(aim - place)
    lengthwise = np.array([*long, 0.0])
    lengthwise = lengthwise - ahead * (lengthwise @ ahead)
    lengthwise /= np.linalg.norm(lengthwise)
    aside = np.cross(ahead, lengthwise)
    return np.stack([lengthwise, aside, ahead]) if landscape else np.stack([-aside, lengthwise, ahead])
