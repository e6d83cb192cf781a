"""What one photo shows of an instrument beside the sheet: sheets, camera, table and exact edges, ready to be solved.

Pixels are looked at once, here; a photo that does not show enough, or shows it from the side, is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.blank import Blank
from calibration.blank_sheet import is_blank
from calibration.camera import PosedCamera, Surface
from calibration.checked_camera import reference_camera
from calibration.print_scale import PrintScale
from calibration.problems import SHEET_HIDDEN, Problem, Refused
from calibration.quality import sheet_problems
from vision.blur import with_blur_named
from vision.instrument.cameras import LeanCamera
from vision.instrument.edges import TracedInstrument, trace
from vision.instrument.evidence import Setting
from vision.instrument.glare import refuse_glare
from vision.instrument.model import LENGTH, TOTAL, pose_of
from vision.instrument.seen import InstrumentSeen, refuse_shoulder_rest, see_instrument
from vision.instrument.sheet_height import ON_A_BOOK, SheetHeight
from vision.instrument.sheet_support import lies_on_book
from vision.instrument.shoulder_rest import shows_feet
from vision.photo import Photo
from vision.problems import (
    BLANK_ON_BOOK,
    OUTLINE_NOT_FOUND,
    SHEET_CUT,
    SHEET_ON_BOOK,
    SHEET_ON_INSTRUMENT,
    SHOULDER_REST_MOUNTED,
    VIEW_TOO_STEEP,
)

_STEEPEST_DEG = 38.0
"""Angle between the line of sight to the body's middle and the vertical, beyond which the ribs hide too much and
heights weigh too much; our choice."""
_ON_BODY_MM, _NECK_MM, _NECK_SHARE = 5.0, 4.0, 0.7
"""How far within the body's outline, and from the neck's middle line over this share of its way to the scroll, a corner
that is seen lies on the instrument: one of a sheet below would be hidden there.  Our choice; a neck is 20 mm wide."""
_LEAST_OVERLAP = 0.92
"""Intersection over union of the fitted top and the body in the map below which what lies there has no violin's shape,
or the fit went astray.  Set between 16 photographs into which a sheet was laid (0.962 at least), the benchmark's scenes
(0.951), and sample photos whose body was made pear-shaped (up to 0.91) or elliptic."""
_BOOK_MM = 8.0
"""Difference in height from which one of two sheets is taken to lie on something: thin books begin there, and the poses
of two sheets are good to a few millimetres; our choice."""
_TWO_SHEETS_SPREAD_MM = 1.0
"""Standard uncertainty of the table's height under the lower of two sheets beyond what the camera says: paper curls;
our judgement."""
_SMALL_STEP = 0.01
"""Of a standard deviation: step of a derivative."""


@dataclass(frozen=True)
class DetectedInstrument:
    """What one photo shows, ready to be solved.

    Attributes
    ----------
    photo : str
    size_px : tuple of int
        Width and height.
    camera : PosedCamera
    prints : mapping of str to PrintScale
        How large each sheet was printed; the camera's millimetres are true ones.
    setting : Setting
        Level of the table.
    traced : TracedInstrument
    points_px : dict of str to (2,) ndarray
        Nut and bridge, as far as seen, with their uncertainty in `sigma_px`.
    sigma_px : dict of str to float
    remarks : tuple of Problem
        What is not as it should be, but does not stop the measuring.
    stated : SheetHeight or None
        What is said of how high the sheet lies.
    """

    photo: str
    size_px: tuple[int, int]
    camera: PosedCamera
    prints: Mapping[str, PrintScale]
    setting: Setting
    traced: TracedInstrument
    points_px: dict[str, Array]
    sigma_px: dict[str, float]
    remarks: tuple[Problem, ...] = ()
    stated: SheetHeight | None = None


def detect_instrument(
    photo: Photo,
    sheet_height: SheetHeight | None = None,
    bar_mm: float | None = None,
    reference: Blank | None = None,
    first: str | None = None,
) -> DetectedInstrument:
    """Find sheets, camera and the instrument's edges in a photo.

    Parameters are as of `vision.instrument.measure.measure_instrument`; `first` is the name of the sheet that is the
    frame of reference.

    Raises
    ------
    Refused
        If one of them is missing or cannot be trusted.
    """
    try:
        checked = reference_camera(photo.rgb, photo.lens, Surface.TABLE, bar_mm, reference, first)
    except Refused as refusal:
        raise with_blur_named(refusal, photo.rgb) from None
    camera, sheets = checked.camera, checked.camera.sheets
    problems = sheet_problems(camera)
    if any(_outside(sheet.outline_px, photo.size_px) for sheet in sheets):
        problems = (SHEET_CUT, *(problem for problem in problems if problem is not SHEET_HIDDEN))
    if problems:
        raise Refused(*problems)
    seen = see_instrument(photo.rgb)
    refuse_glare(photo.rgb, seen)
    refuse_shoulder_rest(seen)
    setting, remarks = _table(photo, camera, sheet_height)
    lean = LeanCamera(camera)
    traced = trace(photo.rgb, seen, lean, setting)
    if lies_on(traced, camera, setting):
        raise Refused(SHEET_ON_INSTRUMENT)
    if shows_feet(photo.rgb, traced, lean, setting):
        raise Refused(SHOULDER_REST_MOUNTED)
    _judge_view(traced, camera, setting)
    _judge_shape(traced, seen, lean, setting)
    return DetectedInstrument(
        photo=photo.name,
        size_px=photo.size_px,
        camera=camera,
        prints=checked.prints,
        setting=setting,
        traced=traced,
        points_px=seen.points_px,
        sigma_px=seen.sigma_px,
        remarks=(*checked.remarks, *remarks),
        stated=sheet_height,
    )


def _table(photo: Photo, camera: PosedCamera, stated: SheetHeight | None) -> tuple[Setting, tuple[Problem, ...]]:
    """Level of the table in the first sheet's frame, and a remark where it had to be guessed."""
    if stated is not None and stated.mm < 0:  # then the lowest of several sheets is not what the instrument lies on
        return _under(stated), ()
    heights_mm = camera.sheet_heights_mm()
    if np.ptp(heights_mm) > _BOOK_MM:  # a sheet clearly above another one lies on a book
        lowest = int(heights_mm.argmin())
        spread_mm = float(np.hypot(_TWO_SHEETS_SPREAD_MM, _height_spread_mm(camera, lowest)))
        return Setting(table_mm=float(heights_mm[lowest]), table_spread_mm=spread_mm), ()
    if stated is not None:
        return _under(stated), ()
    if all(lies_on_book(photo.rgb, camera, number) for number in range(len(camera.sheets))):
        return _under(ON_A_BOOK), (BLANK_ON_BOOK if is_blank(camera) else SHEET_ON_BOOK,)
    return Setting(), ()


def _under(sheet: SheetHeight) -> Setting:
    return Setting(table_mm=-sheet.mm, table_spread_mm=sheet.spread_mm)


def _height_spread_mm(camera: PosedCamera, number: int) -> float:
    """Standard uncertainty of a sheet's height over the first one, from the camera's covariance."""
    spreads = np.sqrt(np.diag(camera.covariance))
    moved = [camera.with_parameters(camera.parameters + step) for step in np.diag(_SMALL_STEP * spreads)]
    change = np.array([each.sheet_heights_mm()[number] for each in moved]) - camera.sheet_heights_mm()[number]
    slopes = change / (_SMALL_STEP * spreads)
    return float(np.sqrt(slopes @ camera.covariance @ slopes))


def _judge_view(traced: TracedInstrument, camera: PosedCamera, setting: Setting) -> None:
    """Refuse views from the side."""
    pose = pose_of(traced.start, setting.table_mm)
    to_camera = camera.position_mm - pose.at(0.0, 0.5 * traced.start[LENGTH], 0.0)
    if np.degrees(np.arccos(to_camera[2] / np.linalg.norm(to_camera))) > _STEEPEST_DEG:
        raise Refused(VIEW_TOO_STEEP)


def lies_on(traced: TracedInstrument, camera: PosedCamera, setting: Setting) -> bool:
    """Whether a sheet lies on the instrument: a corner is seen where the body, or the neck's middle, would hide it.

    Parameters
    ----------
    traced : TracedInstrument
        The instrument.
    camera : PosedCamera
        With its sheets.
    setting : Setting
        Level of the table.
    """
    pose, length = pose_of(traced.start, setting.table_mm), float(traced.start[LENGTH])
    ends = length, length + _NECK_SHARE * (float(traced.start[TOTAL]) - length)
    neck = [pose.at(x, y, 0.0) for x, y in zip((-1, 1, 1, -1), np.repeat(ends, 2), strict=True)]
    shown = [camera.project(each).astype(np.float32).reshape(-1, 1, 2) for each in (pose.top, np.array(neck))]
    within_px = (_ON_BODY_MM * traced.px_per_mm, -_NECK_MM * traced.px_per_mm)
    return any(
        cv2.pointPolygonTest(outline, (float(x), float(y)), True) > within
        for outline, within in zip(shown, within_px, strict=True)
        for sheet in camera.sheets
        for x, y in sheet.corner_px
    )


def _judge_shape(traced: TracedInstrument, seen: InstrumentSeen, camera: LeanCamera, setting: Setting) -> None:
    """Refuse an outline that is not the one of the body in the map."""
    if seen.overlap(camera.project(pose_of(traced.start, setting.table_mm).top)) < _LEAST_OVERLAP:
        raise Refused(OUTLINE_NOT_FOUND)


def _outside(points_px: Array, size_px: tuple[int, int]) -> bool:
    return bool((points_px < -0.5).any() or (points_px > np.array(size_px) - 0.5).any())
