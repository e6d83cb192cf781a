"""An instrument in any photo, with no sheet: its masks, its outline and its ends in pixels.

Without a sheet there is no scale, but the outline can be fitted all the same: a camera is assumed at the distance that
makes the instrument a full-sized one, with an unknown tilt and an unknown lens.  How the outline and the ends lie to
one another tells both, as far as they matter.  The pixels of the ends do not depend on the assumed scale; millimetres
do, and are not given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.lens import FOCAL_RELATIVE_SD, FRAME_DIAGONAL_MM
from calibration.problems import Refused
from vision.instrument.edges import TracedInstrument, first_guess, map_edges, resolution_px_per_mm, scroll_in_map, trace
from vision.instrument.evidence import Setting, View
from vision.instrument.fit import Fit, RanAway, fit
from vision.instrument.model import BODY_UNKNOWNS, LENGTH, TOTAL_TO_BODY, pose_of
from vision.instrument.rounding import end_seen
from vision.instrument.seen import InstrumentSeen, see_instrument
from vision.instrument.shape import FULL_SIZE_MM
from vision.photo import Photo

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_TILT_SPREAD_DEG = 15.0
_USUAL_FOCAL35_MM, _LENS_SPREAD = 50.0, 0.25
"""Believed where the photo states no lens, and the relative spread: phones' main lenses have 24 to 28 mm, but pictures
on their own are mostly crops, whose angle of view is that of a longer lens.  Our choice, after looking at seventeen."""
_AIMING_REACH_MM = (30.0, 24.0, 16.0, 16.0, 8.0)
_TILTS_DEG = ((0.0, 0.0), (35.0, 0.0), (-35.0, 0.0), (0.0, 35.0), (0.0, -35.0))
"""Where the search for the camera begins, and begins again while the outline found does not cover what the map shows:
views from one side are not reached from straight above, and what is reached may be a slimmer violin seen from another
side."""
_ENOUGH_OVERLAP, _LEAST_OVERLAP = 0.96, 0.89
"""With the map: from which no other beginning is tried, and below which an outline is not believed.  Chosen after
looking at seventeen photographs, each in several ways (`python -m tests.real FOLDER --ways`)."""
_SCROLL_APART = 0.025
"""Way from the scroll's end in the map to the fitted one, over the total length, beyond which an outline is not
believed: a slimmer violin seen from another side has its scroll elsewhere.  Chosen after looking at sixty photographs:
right outlines have it within 0.023, three of four wrong ones beyond 0.031."""
_FRINGE_MM = 5.0
_RIBS_REACH, _FINE_PX = 1.3, 0.25
"""How far below the plate, over the body's length, ribs are looked for, and how finely."""
_NECK_FROM, _NECK_HALF_WIDTH, _BUTTON_HALF_WIDTH = 0.9, 0.2, 0.1
"""Where the instrument goes on beyond its body, over the body's length: from here up and so far from the axis lie neck
and pegs, and so near to it below the body the end button."""


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
        ``scroll_top``, ``body_top`` and ``body_bottom``, as the picture shows them: where ribs are seen below the
        plate, the body ends with them, as it does for whoever labels its outline.
    outline_px : (C, 2) ndarray or None
        The fitted edge of the top plate; None where no outline fits and the ends are those of the masks.
    fitted : Fit or None
        The outline in space, and the camera that goes with it.
    """

    photo: str
    body: Mask
    whole: Mask
    points_px: dict[str, Array]
    outline_px: Array | None
    fitted: Fit | None = None

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
    """A camera of which nothing is known for sure.

    Attributes
    ----------
    usual_px, usual_mm : float
        Focal length believed beforehand, and the distance that goes with it.
    lens_spread : float
        Relative standard uncertainty of both.
    centre_px : (2,) ndarray
    parameters : (3,) ndarray
        Tilts about the picture's axes (rad), and the logarithm of focal length over the usual one.  The distance
        changes with it, so that what lies in the middle keeps its size.
    """

    usual_px: float
    usual_mm: float
    lens_spread: float
    centre_px: Array
    parameters: Array

    @property
    def covariance_root(self) -> Array:
        """Standard deviations of the unknowns, as believed beforehand (3, 3)."""
        return np.diag([*[np.radians(_TILT_SPREAD_DEG)] * 2, self.lens_spread])

    @property
    def position_mm(self) -> Array:
        """Away from the frame's origin, along the tilted axis."""
        return np.asarray(-self._rotation.T @ np.array([0.0, 0.0, self._distance_mm]))

    @property
    def focal_px(self) -> float:
        """Focal length, px."""
        return float(self.usual_px * np.exp(self.parameters[2]))

    @property
    def _distance_mm(self) -> float:
        return float(self.usual_mm * np.exp(self.parameters[2]))

    @property
    def _rotation(self) -> Array:
        tilted = np.asarray(cv2.Rodrigues(np.array([self.parameters[0], self.parameters[1], 0.0]))[0])
        return np.asarray(tilted @ np.diag([1.0, -1.0, -1.0]))

    def project(self, points_mm: Array) -> Array:
        """Pixels of points in space."""
        seen = np.asarray(points_mm) @ self._rotation.T + [0.0, 0.0, self._distance_mm]
        return np.asarray(self.focal_px * seen[:, :2] / seen[:, 2:] + self.centre_px)

    def to_plane(self, points_px: Array, height_mm: float) -> Array:
        """Points in space of pixels, at a height."""
        plane = (np.atleast_2d(points_px) - self.centre_px) / self.focal_px
        rays = np.column_stack([plane, np.ones(len(plane))]) @ self._rotation
        start = self.position_mm
        return np.asarray(start + rays * ((height_mm - start[2]) / rays[:, 2])[:, None])

    def with_parameters(self, parameters: Array) -> AssumedCamera:
        """Return the same camera with other unknowns."""
        return replace(self, parameters=np.asarray(parameters))


def trace_instrument(photo: Photo) -> InstrumentTrace:
    """Find the instrument in a photo, sheet or no sheet.

    Raises
    ------
    Refused
        If there is no instrument.
    """
    seen = see_instrument(photo.rgb)
    masks = _at_photo_size(seen, photo.size_px)
    camera = _assumed(photo, seen)
    best, most = None, _LEAST_OVERLAP
    for tilt_deg in _TILTS_DEG:
        try:
            traced, fitted = _fitted(photo, seen, camera, tilt_deg)
        except (Refused, RanAway):
            continue
        outlined = _outlined(photo, seen, traced, fitted, masks[1])
        share = _overlap(outlined.body, masks[0])
        if share >= most and _apart(seen, outlined) < _SCROLL_APART:
            best, most = outlined, share
        if best is not None and most >= _ENOUGH_OVERLAP:
            break
    if best is not None:
        return best
    lower, scroll = seen.ends_px()
    points = {"scroll_top": scroll, "body_top": _top_of_map(seen), "body_bottom": lower}
    return InstrumentTrace(photo.name, *masks, points, None)


def _fitted(
    photo: Photo, seen: InstrumentSeen, camera: AssumedCamera, tilt_deg: tuple[float, float]
) -> tuple[TracedInstrument, Fit]:
    """Outline and camera that fit the photo, the search beginning with a tilted camera.

    Raises
    ------
    Refused, RanAway
        If no outline of a violin is found.
    """
    setting = Setting(camera_free=True)
    start = _aimed(seen, camera, tilt_deg, setting)
    _, fitted = _refined(photo, seen, camera, start, setting)
    return _refined(photo, seen, camera, fitted.views[0].camera.parameters, setting)


def _refined(
    photo: Photo, seen: InstrumentSeen, camera: AssumedCamera, start: Array, setting: Setting
) -> tuple[TracedInstrument, Fit]:
    """The edges as a camera (3,) finds them, and the camera and outline that fit them best."""
    traced = trace(photo.rgb, seen, camera.with_parameters(start), setting)
    return traced, fit(traced.start, [View(camera, traced.edges, (traced.scroll,), start)], setting)


def _outlined(
    photo: Photo, seen: InstrumentSeen, traced: TracedInstrument, fitted: Fit, whole: Mask
) -> InstrumentTrace:
    """What a fitted outline makes of the photo; `whole` is the map's idea of the instrument."""
    pose, found = fitted.pose(), fitted.views[0].camera
    names, length_mm = ("scroll_top", "body_top", "body_bottom"), float(fitted.unknowns[LENGTH])
    seen_ends = [end_seen(each, pose, found.position_mm, length_mm) for each in names]
    points = dict(zip(names, found.project(np.array(seen_ends)), strict=True))
    lines = found.project(pose.top), found.project(pose.back)
    body = _filled(lines, photo.size_px)
    points["body_bottom"] = _end_of(body, points["body_top"], points["body_bottom"])
    bare = lines[0][traced.edges.node[~traced.edges.back]]
    beyond = whole & ~_fringe(body, bare, _FRINGE_MM * traced.px_per_mm) & _may_be_instrument(seen, points, body)
    return InstrumentTrace(photo.name, body, beyond | body, points, lines[0], fitted)


def _end_of(body: Mask, upper: Array, lower: Array) -> Array:
    """Where the axis through two points leaves the body beyond the lower one, px."""
    length = float(np.linalg.norm(lower - upper))
    along = np.arange(length, _RIBS_REACH * length, _FINE_PX)
    places = upper + along[:, None] * (lower - upper) / length
    columns, rows = np.round(places).astype(int).T
    kept = (columns >= 0) & (rows >= 0) & (columns < body.shape[1]) & (rows < body.shape[0])
    within = np.flatnonzero(body[rows[kept], columns[kept]])
    return np.asarray(places[kept][within[-1]]) if len(within) else lower


def _overlap(one: Mask, other: Mask) -> float:
    """Intersection over union."""
    return float((one & other).sum() / max((one | other).sum(), 1))


def _apart(seen: InstrumentSeen, outlined: InstrumentTrace) -> float:
    """Way between the scroll's ends of map and outline over the total length."""
    lower, scroll = seen.ends_px()
    return float(np.linalg.norm(outlined.points_px["scroll_top"] - scroll) / np.linalg.norm(scroll - lower))


def _assumed(photo: Photo, seen: InstrumentSeen) -> AssumedCamera:
    """The camera believed beforehand: above the table, as far as makes the instrument a full-sized one."""
    width, height = photo.size_px
    per_mm = float(np.hypot(width, height)) / FRAME_DIAGONAL_MM
    stated_mm = photo.lens.focal35_mm
    focal_px = (stated_mm or _USUAL_FOCAL35_MM) * per_mm
    lower, scroll = seen.ends_px()
    distance_mm = focal_px * TOTAL_TO_BODY * FULL_SIZE_MM / float(np.linalg.norm(scroll - lower))
    spread = FOCAL_RELATIVE_SD if stated_mm else _LENS_SPREAD
    return AssumedCamera(focal_px, distance_mm, spread, np.array([width - 1, height - 1]) / 2, np.zeros(3))


def _aimed(seen: InstrumentSeen, camera: AssumedCamera, tilt_deg: tuple[float, float], setting: Setting) -> Array:
    """The camera's unknowns as the map's outline shows them, (3,).

    Raises
    ------
    Refused, RanAway
        If no outline of a violin fits the map.
    """
    now = camera.with_parameters(np.array([*np.radians(tilt_deg), 0.0]))
    start = first_guess(seen, now, setting)
    for reach_mm in _AIMING_REACH_MM:
        px_per_mm = resolution_px_per_mm(start, now, setting)
        pose = pose_of(start, setting.table_mm)
        edges = map_edges(seen, pose, now, reach_mm * px_per_mm, px_per_mm)
        view = View(camera, edges, (scroll_in_map(seen, pose, now),), now.parameters)
        fitted = fit(start, [view], setting, rounds=4)
        start, now = fitted.unknowns[:BODY_UNKNOWNS], camera.with_parameters(fitted.views[0].camera.parameters)
    return now.parameters


def _may_be_instrument(seen: InstrumentSeen, points_px: dict[str, Array], body: Mask) -> Mask:
    """Pixels beyond the body where neck, head, chin rest and end button can be; a bow's frog or a case cannot."""
    lower, upper, scroll = (points_px[name] for name in ("body_bottom", "body_top", "scroll_top"))
    length = float(np.linalg.norm(upper - lower))
    axis = (scroll - lower) / np.linalg.norm(scroll - lower)
    rows, columns = np.mgrid[: body.shape[0], : body.shape[1]]
    along = ((columns - lower[0]) * axis[0] + (rows - lower[1]) * axis[1]) / length
    aside = np.abs((rows - lower[1]) * axis[0] - (columns - lower[0]) * axis[1]) / length
    neck = (along > _NECK_FROM) & (aside < _NECK_HALF_WIDTH)
    button = (along < 0.05) & (aside < _BUTTON_HALF_WIDTH)
    chin_rest = cv2.warpAffine(seen.chin_rest, seen.to_photo, body.shape[::-1], flags=cv2.INTER_LINEAR) > 0.5
    grown = cv2.dilate(chin_rest.astype(np.uint8), np.ones((5, 5), np.uint8), iterations=max(round(0.005 * length), 1))
    allowed: Mask = neck | button | (grown > 0)
    return allowed


def _filled(lines_px: Sequence[Array], size_px: tuple[int, int]) -> Mask:
    """Pixels within any of the closed lines."""
    mask = np.zeros(size_px[::-1], dtype=np.uint8)
    for line in lines_px:
        cv2.fillPoly(mask, [np.round(line * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def _fringe(body: Mask, bare_px: Array, width_px: float) -> Mask:
    """Pixels just outside the body where its edge is bare: what the map shows there is its own inexactness."""
    near = np.zeros(body.shape, dtype=np.uint8)
    for x, y in np.round(bare_px).astype(int):
        cv2.circle(near, (int(x), int(y)), max(round(width_px), 1), 1, -1)
    return (near > 0) & ~body


def _at_photo_size(seen: InstrumentSeen, size_px: tuple[int, int]) -> tuple[Mask, Mask]:
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
