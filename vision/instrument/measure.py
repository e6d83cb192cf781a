"""A photo of an instrument beside the sheet into its lengths.

What was detected in it (`vision.instrument.detected`) is solved for lengths; that is fast, so that a teacher may drag a
point and see the new lengths at once.  Several photos of one instrument are solved by `vision.instrument.views`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.blank import Blank
from calibration.camera import PosedCamera
from calibration.print_scale import PrintScale
from calibration.problems import PRINT_SCALE_DISAGREES, PRINT_SCALE_UNSURE, Problem, Refused
from calibration.quantity import Length
from calibration.sheet_in_photo import SheetInPhoto
from vision.instrument.cameras import LeanCamera
from vision.instrument.detected import DetectedInstrument, detect_instrument
from vision.instrument.evidence import Edges, Tip, View, axis_direction
from vision.instrument.fit import Fit, RanAway, fit
from vision.instrument.lengths import body_length, bout_of, bout_width, string_length, total_length
from vision.instrument.model import BODY_UNKNOWNS, LENGTH, Pose, pose_of
from vision.instrument.rounding import SCROLL_SPREAD, end_seen, seen_of_scroll
from vision.instrument.shape import MODES, outline_prior
from vision.instrument.sheet_height import SheetHeight
from vision.photo import Corrections, Photo
from vision.problems import (
    NOT_LYING_FLAT,
    OUTLINE_NOT_FOUND,
    OUTLINE_UNCERTAIN,
    POINTS_APART,
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
_PLAUSIBLE_TOTAL_TO_BODY = (1.58, 1.79)
"""Total over body length of instruments: 1.64 to 1.68 from full to half size and up to 1.72 below (a maker's table of
four sizes), and four per cent more to either side; what lies beyond does not lie flat or is no violin; our choice."""
_WIDEST_SHARE = 0.03
"""Standard uncertainty of a body's length over the length beyond which a photo is refused: its 95 % interval then spans
two sizes.  A photo from straight above without a stated lens, the worst of the good ones, has 0.022.  Our choice."""


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
    """The photo's view of the instrument; an end set by hand replaces what was seen there.

    Raises
    ------
    ValueError
        If a correction is of no point that is named in `POINT_NAMES`.
    """
    traced, camera = detected.traced, LeanCamera(detected.camera)
    pose = pose_of(traced.start, detected.setting.table_mm)
    tips = [] if "scroll_top" in corrections else [_rounded(detected, pose)]
    keep = np.ones(len(traced.edges.node), dtype=bool)
    for name, place in corrections.items():
        if name not in POINT_NAMES:
            raise ValueError(f"no point of an instrument is called {name!r}")
        direction = axis_direction(camera, getattr(pose, name), pose.along)
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


def _pair(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])
