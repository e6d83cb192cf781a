"""Which lines of an instrument bound its body in a photo.

From above, the silhouette of the body is the top plate's edge on the side away from the point below the camera, and the
back plate's edge on the near side, where the ribs come into view.  Both lines are the same outline at two heights, so
each node of each line counts as visible when it is not inside the other line's image.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Mask
from vision.instrument.cameras import Camera
from vision.instrument.model import Pose, outward_normals

_ON_THE_LINE_PX = 0.3
"""A node nearer than that to the other line's image lies on it, and neither of the two can be told apart."""


@dataclass(frozen=True)
class Silhouette:
    """The part of the model's two lines that bounds the body in a photo.

    Attributes
    ----------
    back : (M,) ndarray of bool
    node : (M,) ndarray of int
    point_px, normal_px : (M, 2) ndarray
        Predicted position and outward unit normal.
    """

    back: Mask
    node: NDArray[np.int_]
    point_px: Array
    normal_px: Array


def silhouette(pose: Pose, camera: Camera, usable: Mask) -> Silhouette:
    """Nodes that bound the body in a photo.

    Parameters
    ----------
    pose : Pose
        The model in space.
    camera : Camera
        Of the photo.
    usable : (C,) ndarray of bool
        Nodes of the closed outline to look at.
    """
    lines = [camera.project(pose.top), camera.project(pose.back)]
    rows = []
    for index, (line, other) in enumerate(((lines[0], lines[1]), (lines[1], lines[0]))):
        contour = other.astype(np.float32).reshape(-1, 1, 2)
        nodes = np.flatnonzero(usable)
        inside = np.array([cv2.pointPolygonTest(contour, (x, y), True) for x, y in line[nodes].tolist()])
        nodes = nodes[inside < -_ON_THE_LINE_PX]
        # the image turns the outline's sense round (y down), so the outward normal is on the other hand
        rows.append((np.full(len(nodes), index == 1), nodes, line[nodes], -outward_normals(line)[nodes]))
    back, node, point, normal = (np.concatenate(part) for part in zip(*rows, strict=True))
    return Silhouette(back, node, point, normal)
