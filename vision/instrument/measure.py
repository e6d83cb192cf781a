"""A photo of an instrument beside the sheet into its lengths.

Detection looks at pixels once (sheets, camera, rough maps, exact edges); solving turns what was detected into lengths
and is fast, so that a teacher may drag a point and see the new lengths at once.  Several photos of one instrument are
solved by `vision.instrument.views`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.blank import Blank
from calibration.blank_sheet import is_blank
from calibration.camera import PosedCamera, Surface
from calibration.checked_camera import reference_camera
from calibration.print_scale import PrintScale
from calibration.problems import PRINT_SCALE_DISAGREES, PRINT_SCALE_UNSURE, SHEET_HIDDEN, Problem, Refused
from calibration.quality import sheet_problems
from calibration.quantity import Length
from calibration.sheet_in_photo import SheetInPhoto
from vision.blur import with_blur_named
from vision.instrument.cameras import LeanCamera
from vision.instrument.edges import TracedInstrument, trace
from vision.instrument.evidence import Edges, Setting, Tip, View
from vision.instrument.fit import Fit, RanAway, fit
from vision.instrument.glare import refuse_glare
from vision.instrument.lengths import body_length, bout_of, bout_width, string_length, total_length
from vision.instrument.model import BODY_UNKNOWNS, LENGTH, TOTAL, Pose, pose_of
from vision.instrument.rounding import SCROLL_SPREAD, end_seen, seen_of_scroll
from vision.instrument.seen import InstrumentSeen, refuse_shoulder_rest, see_instrument
from vision.instrument.shape import MODES, outline_prior
from vision.instrument.sheet_height import ON_A_BOOK, SheetHeight
from vision.instrument.sheet_support import lies_on_book
from vision.instrument.shoulder_rest import shows_feet
from vision.photo import Corrections, Photo
from vision.problems import (
    BLANK_ON_BOOK,
    NOT_LYING_FLAT,
    OUTLINE_NOT_FOUND,
    OUTLINE_UNCERTAIN,
    POINTS_APART,
    SHEET_CUT,
    SHEET_ON_BOOK,
    SHEET_ON_INSTRUMENT,
    SHOULDER_REST_MOUNTED,
    VIEW_TOO_STEEP,
)

POINT_NAMES = ("scroll_top", "body_top", "body_bottom")
"""Points that can be corrected by hand."""

_HAND_SIGMA_PX = 1.5
"""Standard uncertainty of an end set by hand under the loupe, along the axis; our judgement."""
_HAND_REACH = 0.12
"""Share of the body's length about an end set by hand in which the edges that were seen no longer count: they are what
the hand corrects; our choice."""
_MOST_APART_SIGMAS = 6.0
"""Standard deviations from where everything else has it, beyond which an end set by hand contradicts that, some 5 % of
the body for its ends; our choice: true ends are within 1.3 in 19 scenes."""
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
_PLAUSIBLE_TOTAL_TO_BODY = (1.58, 1.79)
"""Total over body length of instruments: 1.64 to 1.68 from full to half size and up to 1.72 below (a maker's table of
four sizes), and four per cent more to either side; what lies beyond does not lie flat or is no violin; our choice."""
_WIDEST_SHARE = 0.03
"""Standard uncertainty of a body's length over the length beyond which a photo is refused: its 95 % interval then spans
two sizes.  A photo from straight above without a stated lens, the worst of the good ones, has 0.022.  Our choice."""
_BOOK_MM = 8.0
"""Difference in height from which one of two sheets is taken to lie on something: thin books begin there, and the poses
of two sheets are good to a few millimetres; our choice."""
_TWO_SHEETS_SPREAD_MM = 1.0
"""Standard uncertainty of the table's height under the lower of two sheets beyond what the camera says: paper curls;
our judgement."""
_AXIS_STEP_MM = 20.0
"""Way along the axis by which its direction in the picture is read."""
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


@dataclass(frozen=True)
class InstrumentMeasurement:
    """Lengths of an instrument, or the reasons why there are none.

    Attributes
    ----------
    photo : str
    usable : bool
    problems : tuple of Problem
    body_length, total_length, upper_bout_width, middle_bout_width, lower_bout_width, string_length : Length or None
    points_px : dict of str to tuple of float
        Ends, bouts, nut and bridge where the overlay draws them.
    outline_px : (C, 2) ndarray or None
        The edge of the top plate.
    sheets : tuple of SheetInPhoto
    camera : PosedCamera or None
    detected : DetectedInstrument or None
        For solving again with corrections.
    used, left_out : tuple of int
        Where several photos were measured together: numbers of those that went in, the first of which the points are
        of, and of those that did not go with them or showed too little.
    unseen : dict of int to tuple of Problem
        Where several photos were to be measured together: why some of them show too little, by their numbers.
    viewpoints_deg : float or None
        The largest angle between two lines of sight of photos measured together.
    views : tuple of InstrumentMeasurement
        The same measurement with the points, outline, sheets and camera of each of those that went in together.
    seen : tuple of DetectedInstrument
        What those show.
    """

    photo: str
    usable: bool
    problems: tuple[Problem, ...] = ()
    body_length: Length | None = None
    total_length: Length | None = None
    upper_bout_width: Length | None = None
    middle_bout_width: Length | None = None
    lower_bout_width: Length | None = None
    string_length: Length | None = None
    points_px: dict[str, tuple[float, float]] = field(default_factory=dict)
    outline_px: Array | None = None
    sheets: tuple[SheetInPhoto, ...] = ()
    camera: PosedCamera | None = None
    detected: DetectedInstrument | None = None
    used: tuple[int, ...] = ()
    left_out: tuple[int, ...] = ()
    unseen: dict[int, tuple[Problem, ...]] = field(default_factory=dict)
    viewpoints_deg: float | None = None
    views: tuple[InstrumentMeasurement, ...] = ()
    seen: tuple[DetectedInstrument, ...] = ()


def measure_instrument(
    photo: Photo,
    corrections: Corrections | None = None,
    sheet_height: SheetHeight | None = None,
    bar_mm: float | None = None,
    reference: Blank | None = None,
) -> InstrumentMeasurement:
    """Measure the instrument in a photo.

    Parameters
    ----------
    photo : Photo
    corrections : mapping of str to (x, y), optional
        Points set by hand, px; see `POINT_NAMES`.
    sheet_height : SheetHeight, optional
        How far the (first) sheet lies above what the instrument lies on; None lets the photo tell.
    bar_mm : float, optional
        Length of the sheet's check bar, or of its whole print, as measured with a ruler, mm.
    reference : Blank, optional
        Blank paper or a card instead of the printed sheet.

    Returns
    -------
    InstrumentMeasurement
        Not usable, with problems, where the photo cannot be trusted.
    """
    try:
        return solve_instrument(detect_instrument(photo, sheet_height, bar_mm, reference), corrections)
    except Refused as refusal:
        return InstrumentMeasurement(photo=photo.name, usable=False, problems=refusal.problems)


def detect_instrument(
    photo: Photo,
    sheet_height: SheetHeight | None = None,
    bar_mm: float | None = None,
    reference: Blank | None = None,
    first: str | None = None,
) -> DetectedInstrument:
    """Find sheets, camera and the instrument's edges in a photo.

    Parameters are as of `measure_instrument`; `first` is the name of the sheet that is the frame of reference.

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


def solve_instrument(detected: DetectedInstrument, corrections: Corrections | None = None) -> InstrumentMeasurement:
    """Lengths from what one photo shows, with points set by hand where given.

    Raises
    ------
    Refused
        If the lengths cannot be those of an instrument lying flat, or are too uncertain.
    """
    try:
        fitted = fit(detected.traced.start, [view_of(detected, corrections or {})], detected.setting)
    except RanAway as error:
        raise Refused(POINTS_APART if corrections else OUTLINE_NOT_FOUND) from error
    return measurement_of(detected.photo, detected, fitted, detected.prints)


def view_of(detected: DetectedInstrument, corrections: Corrections) -> View:
    """The photo's view of the instrument; an end set by hand replaces what was seen there."""
    traced, camera = detected.traced, LeanCamera(detected.camera)
    pose = pose_of(traced.start, detected.setting.table_mm)
    tips = [] if "scroll_top" in corrections else [_rounded(detected, pose)]
    keep = np.ones(len(traced.edges.node), dtype=bool)
    for name, place in corrections.items():
        if name not in POINT_NAMES:
            raise ValueError(f"no point of an instrument is called {name!r}")
        end = getattr(pose, name)
        near = camera.project(np.array([end, end - _AXIS_STEP_MM * pose.along]))
        direction = (near[0] - near[1]) / np.linalg.norm(near[0] - near[1])
        tips.append(Tip(name, np.asarray(place, dtype=float), direction, _HAND_SIGMA_PX, by_hand=True))
        keep &= ~edges_about(name, traced.edges)
    return View(camera, traced.edges.where(keep), tuple(tips))


def edges_about(end: str, edges: Edges) -> NDArray[np.bool_]:
    """Which of the edges (M,) lie about an end of the body, so that a hand which sets the end corrects them."""
    y = outline_prior().closed(np.zeros(MODES), 1.0)[edges.node, 1]
    if end == "scroll_top":
        return np.zeros(len(y), dtype=bool)
    return np.asarray(y >= 1.0 - _HAND_REACH if end == "body_top" else y <= _HAND_REACH)


def _rounded(detected: DetectedInstrument, pose: Pose) -> Tip:
    """The scroll's end, the less sure the more it is seen on its rounding."""
    scroll, length = detected.traced.scroll, float(detected.traced.start[LENGTH])
    _, way_mm = seen_of_scroll(pose.scroll_top, pose.along, pose.up, detected.camera.position_mm, length)
    sigma_px = np.hypot(scroll.sigma_px, SCROLL_SPREAD * way_mm * detected.traced.px_per_mm)
    return replace(scroll, sigma_px=float(sigma_px))


def measurement_of(
    name: str, detected: DetectedInstrument, fitted: Fit, prints: Mapping[str, PrintScale]
) -> InstrumentMeasurement:
    """What was fitted as a measurement, drawn on the first photo, which is `detected`.

    Raises
    ------
    Refused
        As `solve_instrument`.
    """
    if (fitted.apart_sigmas > _MOST_APART_SIGMAS).any():
        raise Refused(POINTS_APART)
    body, total = body_length(fitted, prints), total_length(fitted, prints)
    ratio = total.value_mm / body.value_mm
    if not _PLAUSIBLE_TOTAL_TO_BODY[0] < ratio < _PLAUSIBLE_TOTAL_TO_BODY[1]:
        raise Refused(POINTS_APART if len(fitted.apart_sigmas) else NOT_LYING_FLAT)
    if body.standard_uncertainty_mm > _WIDEST_SHARE * body.value_mm:
        of_print = [remark for remark in (PRINT_SCALE_DISAGREES, PRINT_SCALE_UNSURE) if remark in detected.remarks]
        raise Refused(of_print[0] if of_print else OUTLINE_UNCERTAIN)
    measurement = InstrumentMeasurement(
        photo=name,
        usable=True,
        problems=detected.remarks,
        body_length=body,
        total_length=total,
        upper_bout_width=bout_width(fitted, "upper", prints),
        middle_bout_width=bout_width(fitted, "middle", prints),
        lower_bout_width=bout_width(fitted, "lower", prints),
        string_length=_strings(detected, fitted, prints),
        detected=detected,
    )
    return in_view(measurement, detected, fitted, 0)


def in_view(
    measurement: InstrumentMeasurement, detected: DetectedInstrument, fitted: Fit, number: int
) -> InstrumentMeasurement:
    """The measurement drawn on one of the fitted photos, of which `detected` is what it shows."""
    return replace(
        measurement,
        points_px=_places_px(detected, fitted, number),
        outline_px=fitted.views[number].camera.project(fitted.pose().top),
        sheets=detected.camera.sheets,
        camera=detected.camera,
    )


def _strings(detected: DetectedInstrument, fitted: Fit, prints: Mapping[str, PrintScale]) -> Length | None:
    """Vibrating length; None where nut or bridge is not seen."""
    points, sigma = detected.points_px, detected.sigma_px
    if "nut" not in points or "bridge" not in points:
        return None
    camera = fitted.views[0].camera
    sigma_px = (sigma["nut"], sigma["bridge"])
    return string_length(fitted, camera, points["nut"], points["bridge"], sigma_px, prints)


def _places_px(detected: DetectedInstrument, fitted: Fit, number: int) -> dict[str, tuple[float, float]]:
    """Ends and bouts as fitted, where a photo's camera sees them end, nut and bridge as seen there, px."""
    pose, camera = fitted.pose(), fitted.views[number].camera
    camera_mm, length = camera.position_mm, float(fitted.unknowns[LENGTH])
    places = {name: end_seen(name, pose, camera_mm, length) for name in POINT_NAMES}
    for which in ("upper", "middle", "lower"):
        along, width = bout_of(fitted.unknowns[:BODY_UNKNOWNS], which)
        places[f"{which}_bout_left"] = pose.at(-width / 2, along, 0.0)
        places[f"{which}_bout_right"] = pose.at(width / 2, along, 0.0)
    px = camera.project(np.array(list(places.values())))
    seen = {name: detected.points_px[name] for name in ("nut", "bridge") if name in detected.points_px}
    return {name: _pair(place) for name, place in (*zip(places, px, strict=True), *seen.items())}


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


def _pair(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])
