"""An instrument in any photo, with no sheet: its masks, its outline and its ends in pixels.

Without a sheet there is no scale, but the outline can be fitted all the same: a camera is assumed one metre above the
table, looking down with an unknown tilt, and the instrument is as large as the picture then makes it.  The pixels of
its ends do not depend on that assumption by much; its millimetres do, and are not given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import FRAME_DIAGONAL_MM
from calibration.problems import Refused
from vision.instrument.edges import trace
from vision.instrument.fit import Setting, View, fit
from vision.instrument.seen import InstrumentSeen, see_instrument
from vision.photo import Photo

Array = NDArray[np.float64]

_TILT_SPREAD_DEG = 12.0
_DISTANCE_MM = 1000.0
_FRINGE_MM = 5.0
_USUAL_FOCAL35_MM = 26.0  # main cameras of phones; common practice, no source


@dataclass(frozen=True)
class InstrumentTrace:
    """What a photo shows of an instrument, in pixels.

    Attributes
    ----------
    photo : str
    body, whole : (H, W) ndarray of bool
        Pixels of the body (plates, and ribs where they are seen), and of the instrument with its chin rest, without
        shoulder rest and bow.
    points_px : dict of str to (2,) ndarray
        ``scroll_top``, ``body_top`` and ``body_bottom``.
    outline_px : (C, 2) ndarray or None
        The fitted edge of the top plate; None where no outline fits and the ends are those of the masks.
    """

    photo: str
    body: NDArray[np.bool_]
    whole: NDArray[np.bool_]
    points_px: dict[str, Array]
    outline_px: Array | None

    @property
    def body_length_px(self) -> float:
        """Distance of the body's ends in the picture, px."""
        return float(np.linalg.norm(self.points_px["body_top"] - self.points_px["body_bottom"]))

    @property
    def total_length_px(self) -> float:
        """Distance from the end of the scroll to the body's lower end in the picture, px."""
        return float(np.linalg.norm(self.points_px["scroll_top"] - self.points_px["body_bottom"]))


@dataclass(frozen=True)
class AssumedCamera:
    """A camera one metre above a table; the two unknowns are its tilts about the picture's axes (rad).

    Attributes
    ----------
    focal_px : float
    centre_px : (2,) ndarray
    tilt : (2,) ndarray
    """

    focal_px: float
    centre_px: Array
    tilt: Array

    @property
    def parameters(self) -> Array:
        """The tilts (2,)."""
        return self.tilt

    @property
    def covariance_root(self) -> Array:
        """Standard deviations of the tilts, as believed beforehand (2, 2)."""
        return np.diag([np.radians(_TILT_SPREAD_DEG)] * 2)

    @property
    def position_mm(self) -> Array:
        """One metre above the frame's origin, seen along the tilted axis."""
        return np.asarray(-self._rotation.T @ np.array([0.0, 0.0, _DISTANCE_MM]))

    @property
    def _rotation(self) -> Array:
        tilted = np.asarray(cv2.Rodrigues(np.array([self.tilt[0], self.tilt[1], 0.0]))[0])
        return np.asarray(tilted @ np.diag([1.0, -1.0, -1.0]))

    def project(self, points_mm: Array) -> Array:
        """Pixels of points in space."""
        seen = np.asarray(points_mm) @ self._rotation.T + [0.0, 0.0, _DISTANCE_MM]
        return np.asarray(self.focal_px * seen[:, :2] / seen[:, 2:] + self.centre_px)

    def to_plane(self, points_px: Array, height_mm: float) -> Array:
        """Points in space of pixels, at a height."""
        plane = (np.atleast_2d(points_px) - self.centre_px) / self.focal_px
        rays = np.column_stack([plane, np.ones(len(plane))]) @ self._rotation
        start = self.position_mm
        return np.asarray(start + rays * ((height_mm - start[2]) / rays[:, 2])[:, None])

    def with_parameters(self, parameters: Array) -> AssumedCamera:
        """Return the same camera with other tilts."""
        return AssumedCamera(self.focal_px, self.centre_px, np.asarray(parameters))


def trace_instrument(photo: Photo) -> InstrumentTrace:
    """Find the instrument in a photo, sheet or no sheet.

    Raises
    ------
    Refused
        If there is no instrument.
    """
    seen = see_instrument(photo.rgb)
    width, height = photo.size_px
    focal_px = (photo.focal35_mm or _USUAL_FOCAL35_MM) * float(np.hypot(width, height)) / FRAME_DIAGONAL_MM
    camera = AssumedCamera(focal_px, np.array([width - 1, height - 1]) / 2, np.zeros(2))
    masks = _at_photo_size(seen, photo.size_px)
    setting = Setting()
    try:
        traced = trace(photo.rgb, seen, camera, setting)
        fitted = fit(traced.start, [View(camera, traced.edges, (traced.scroll,))], setting)
    except Refused:
        lower, scroll = seen.ends_px()
        return InstrumentTrace(
            photo.name, *masks, {"scroll_top": scroll, "body_top": _top_of_map(seen), "body_bottom": lower}, None
        )
    pose = fitted.pose()
    camera_found = fitted.views[0].camera
    places = camera_found.project(np.array([pose.scroll_top, pose.body_top, pose.body_bottom]))
    points = dict(zip(("scroll_top", "body_top", "body_bottom"), places, strict=True))
    lines = camera_found.project(pose.top), camera_found.project(pose.back)
    body = _filled(lines, photo.size_px)
    bare = lines[0][traced.edges.node[~traced.edges.back]]
    whole = (masks[1] & ~_fringe(body, bare, _FRINGE_MM * traced.px_per_mm)) | body
    return InstrumentTrace(photo.name, body, whole, points, lines[0])


def _filled(lines_px: Sequence[Array], size_px: tuple[int, int]) -> NDArray[np.bool_]:
    """Pixels within any of the closed lines."""
    mask = np.zeros(size_px[::-1], dtype=np.uint8)
    for line in lines_px:
        cv2.fillPoly(mask, [np.round(line * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def _fringe(body: NDArray[np.bool_], bare_px: Array, width_px: float) -> NDArray[np.bool_]:
    """Pixels just outside the body where its edge is bare: what the map shows there is its own inexactness."""
    near = np.zeros(body.shape, dtype=np.uint8)
    for x, y in np.round(bare_px).astype(int):
        cv2.circle(near, (int(x), int(y)), max(round(width_px), 1), 1, -1)
    return (near > 0) & ~body


def _at_photo_size(seen: InstrumentSeen, size_px: tuple[int, int]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    body, whole = (
        cv2.warpAffine(each, seen.to_photo, size_px, flags=cv2.INTER_LINEAR) > 0.5 for each in (seen.body, seen.whole)
    )
    return body, whole


def _top_of_map(seen: InstrumentSeen) -> Array:
    """Upper end of the body on the axis, from the map alone."""
    if "body_top" in seen.points_px:
        return seen.points_px["body_top"]
    lower, scroll = seen.ends_px()
    return lower + 0.605 * (scroll - lower)
