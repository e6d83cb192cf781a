"""The program itself on photographs of violins: a printed sheet is laid into each beside the instrument.

Nobody photographed those violins with the sheet, and without one the program measures nothing.  Where an outline fits,
the camera is known that goes with it (`tests.vision.trace`); through that camera a sheet is drawn onto what the
instrument lies on, the picture made wider where there is no room, and all of it measured as a user's photo is.  Whether
such a photo is refused, and where the ends are then found, is the program's own doing; millimetres mean nothing, since
the camera's distance is an assumption.  Then the sheet is laid in planes that are turned about the body's lower end, as
if the instrument's scroll lay too high or too low: how far its lengths are off then, in per cent of the fitted ones, is
what one photo does not show.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import product
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Mask, Picture
from calibration.lens import FRAME_DIAGONAL_MM, StatedLens
from calibration.problems import Refused
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from tests.real.table import Line, figures, share
from tests.real.violins import are_right
from tests.vision.trace import InstrumentTrace, trace_instrument
from vision.instrument.measure import measure_instrument
from vision.instrument.model import LENGTH, TOTAL
from vision.photo import Photo, load_photo

NO_OUTLINE = "no_outline"
"""Said where no outline fits without a sheet, so that none can be laid in."""
_SHEET = SheetLayout(Paper.A4, 1)
TILTS_DEG = (-10.0, -5.0, 5.0, 10.0)
"""How far the scroll's side of the sheet's plane is turned away from the camera."""
_DPI, _FINER = 150, 2
"""Of the page, and by how much finer than the photo it is drawn."""
_GAP_MM, _EDGE_PX = 25.0, 40
"""Between instrument and sheet, and between sheet and border."""
_ALONG = (0.0, 0.15, -0.1, 0.35)
"""Where beside the body, over its length from its middle, a place is looked for."""
_BLACK, _WHITE = 18.0, 230.0
"""Grey values of ink and paper."""
_SOFT_PX, _NOISE, _QUALITY = 0.7, 1.5, 93
"""What a camera makes of it: blur, noise in grey values, and the JPEG file's quality."""


@dataclass(frozen=True)
class Tilted:
    """What is measured by a sheet in a plane turned by so many degrees: errors, per cent; None where it was refused."""

    tilt_deg: float
    body_error: float | None = None
    total_error: float | None = None


@dataclass(frozen=True)
class LaidReading:
    """One labelled violin with a sheet beside it.

    Attributes
    ----------
    photo : str
    body_error, total_error : float or None
        Of the lengths in the picture, per cent; None where it was refused.
    refused : str
        Codes of the problems.
    tilted : tuple of Tilted
        The same for `TILTS_DEG`, where an outline fits.
    """

    photo: str
    body_error: float | None = None
    total_error: float | None = None
    refused: str = ""
    tilted: tuple[Tilted, ...] = ()

    @property
    def measures(self) -> bool:
        """Whether both lengths are right."""
        return are_right(self.body_error, self.total_error)


def read_laid(index: Sequence[dict[str, Any]], folder: Path) -> list[LaidReading]:
    """Every labelled violin of the photographs that are there, measured with a sheet beside it."""
    return [_read(entry, folder / entry["file"]) for entry in index if (folder / entry["file"]).exists()]


def _read(entry: dict[str, Any], path: Path) -> LaidReading:
    name = entry["file"]
    try:
        photo = load_photo(path)
        traced = trace_instrument(photo)
    except Refused as refusal:
        return LaidReading(name, refused=" ".join(problem.code for problem in refusal.problems))
    if traced.fitted is None:
        return LaidReading(name, refused=NO_OUTLINE)
    tilted = tuple(_tilted(photo, traced, tilt_deg) for tilt_deg in TILTS_DEG)
    measured = measure_instrument(with_sheet(photo, traced))
    if not measured.usable:
        return LaidReading(name, refused=" ".join(problem.code for problem in measured.problems), tilted=tilted)
    scroll, top, bottom = (np.array(measured.points_px[end]) for end in ("scroll_top", "body_top", "body_bottom"))
    return LaidReading(
        name,
        100 * (float(np.linalg.norm(top - bottom)) / entry["body_px"] - 1),
        100 * (float(np.linalg.norm(scroll - bottom)) / entry["total_px"] - 1),
        tilted=tilted,
    )


def _tilted(photo: Photo, traced: InstrumentTrace, tilt_deg: float) -> Tilted:
    assert traced.fitted is not None
    measured, unknowns = measure_instrument(with_sheet(photo, traced, tilt_deg)), traced.fitted.unknowns
    body, total = measured.body_length, measured.total_length
    if body is None or total is None:
        return Tilted(tilt_deg)
    errors = body.value_mm / unknowns[LENGTH] - 1, total.value_mm / unknowns[TOTAL] - 1
    return Tilted(tilt_deg, *(100 * float(error) for error in errors))


def with_sheet(photo: Photo, traced: InstrumentTrace, tilt_deg: float = 0.0) -> Photo:
    """The photo with a printed sheet beside its instrument, and the lens stated.

    Parameters
    ----------
    photo : Photo
    traced : InstrumentTrace
        Its outline, which was fitted.
    tilt_deg : float
        How far the scroll's side of the sheet's plane is turned away from the camera.
    """
    assert traced.fitted is not None
    corners, missing = _place(photo, traced, tilt_deg)
    across, down = missing
    wider = cv2.copyMakeBorder(photo.rgb, down, down, across, across, cv2.BORDER_REPLICATE)  # the middle stays so
    rgb = _drawn(np.asarray(wider, np.uint8), corners + missing)
    focal_px = traced.fitted.views[0].camera.focal_px  # type: ignore[attr-defined]  # an AssumedCamera
    return Photo(photo.name, rgb, StatedLens(float(focal_px * FRAME_DIAGONAL_MM / np.hypot(*rgb.shape[:2]))))


def _place(photo: Photo, traced: InstrumentTrace, tilt_deg: float) -> tuple[Array, tuple[int, int]]:
    """Corners (4, 2) of the sheet, px, where it hides nothing, and what the border lacks on either side, px."""
    assert traced.fitted is not None
    pose, camera = traced.fitted.pose(), traced.fitted.views[0].camera
    length_mm = float(traced.fitted.unknowns[LENGTH])
    page = _SHEET.page
    right = np.array([*pose.across[:2], 0.0]) / np.linalg.norm(pose.across[:2])
    up = np.array([-right[1], right[0], 0.0])
    foot, middle = pose.body_bottom * [1, 1, 0], pose.at(0.0, 0.5 * length_mm, 0.0) * [1, 1, 0]
    turn = np.asarray(cv2.Rodrigues(-np.radians(tilt_deg) * right)[0])
    aside_mm = 0.3 * length_mm + _GAP_MM + page.width_mm / 2
    width, height = photo.size_px
    best, least = None, np.inf
    for side, along in product((1, -1), _ALONG):
        centre = middle + side * aside_mm * right + along * length_mm * up
        signs = ((-1, 1), (1, 1), (1, -1), (-1, -1))
        sheet = np.array([centre + x * page.width_mm / 2 * right + y * page.height_mm / 2 * up for x, y in signs])
        px = camera.project((sheet - foot) @ turn.T + foot)
        over = np.ceil(np.maximum(np.maximum(-px.min(axis=0), px.max(axis=0) - [width, height]) + _EDGE_PX, 0))
        cost = float(over.sum()) / (width + height) + 1e3 * _hidden(traced.whole, px)
        if cost < least:
            best, least = (px, (int(over[0]), int(over[1]))), cost
    assert best is not None
    return best


def _hidden(whole: Mask, corners_px: Array) -> float:
    """Share of the instrument that a sheet would hide."""
    sheet = cv2.fillConvexPoly(np.zeros(whole.shape, np.uint8), np.round(corners_px).astype(np.int32), 1)
    return float((whole & (sheet > 0)).sum() / max(whole.sum(), 1))


def _drawn(rgb: Picture, corners_px: Array) -> Picture:
    """The page drawn into a photo as a camera would see it."""
    page = sheet_image(_SHEET, _DPI)
    height, width = page.shape
    left, top = np.floor(corners_px.min(axis=0)).astype(int) - 4
    right, bottom = np.ceil(corners_px.max(axis=0)).astype(int) + 5
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, rgb.shape[1]), min(bottom, rgb.shape[0])
    size = (right - left, bottom - top)
    on_page = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32) - 0.5
    in_window = _FINER * (corners_px - [left, top] + 0.5) - 0.5
    turn = cv2.getPerspectiveTransform(on_page, in_window.astype(np.float32))
    fine = (size[0] * _FINER, size[1] * _FINER)
    px_wide = float(np.linalg.norm(corners_px[1] - corners_px[0])) * _FINER
    smooth = cv2.GaussianBlur(page, (0, 0), max(0.4 * width / px_wide, 0.3))

    def seen(of: Array) -> Array:
        warped = cv2.resize(cv2.warpPerspective(of, turn, fine), size, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.GaussianBlur(warped, (0, 0), _SOFT_PX), float)[..., None] / 255

    ink, paper = seen(smooth), seen(np.full_like(page, 255))
    grey = _BLACK * paper + (_WHITE - _BLACK) * ink + paper * np.random.default_rng(1).normal(0, _NOISE, ink.shape)
    out = rgb.copy()
    window = out[top:bottom, left:right]
    window[:] = np.clip(window * (1 - paper) + grey, 0, 255).astype(np.uint8)
    stored = cv2.imencode(".jpg", cv2.cvtColor(out, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])[1]
    return np.asarray(cv2.cvtColor(cv2.imdecode(stored, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), np.uint8)


def laid_line(one: LaidReading) -> str:
    """One photograph, printed."""
    errors = (one.body_error, one.total_error)
    return f"{one.photo:24} with a sheet laid in  " + (
        one.refused or "  ".join(f"{error:+6.2f}" for error in errors if error is not None)
    )


def laid_lines(readings: Sequence[LaidReading]) -> list[Line]:
    """The table's lines about violins with a sheet laid in."""
    why = Counter(each.refused for each in readings if each.refused)
    lines = [
        Line(
            "violin with a sheet: refused",
            "; ".join([share([bool(each.refused) for each in readings]), *(f"{code} {n}" for code, n in why.items())]),
        ),
        Line("violin with a sheet: both lengths within 2 %", share([each.measures for each in readings])),
    ]
    for title, errors in (
        ("body", [each.body_error for each in readings]),
        ("total", [each.total_error for each in readings]),
    ):
        found = [abs(error) for error in errors if error is not None]
        if found:
            lines.append(Line(f"violin with a sheet: {title} length", figures(found)))
    return lines + [_tilted_line(readings, number) for number in range(len(TILTS_DEG))]


def _tilted_line(readings: Sequence[LaidReading], number: int) -> Line:
    every = [each.tilted[number] for each in readings if each.tilted]
    seen = [(each.body_error, each.total_error) for each in every if each.body_error is not None]
    means = " / ".join(f"{mean:+.1f}" for mean in np.mean(np.array(seen, float), axis=0)) if seen else "-"
    refused = share([each.body_error is None for each in every])
    return Line(f"violin on a slope, {TILTS_DEG[number]:+.0f} deg: refused", f"{refused}; else body / total {means} %")


def as_json(readings: Sequence[LaidReading]) -> list[dict[str, Any]]:
    """Plain values of every violin."""
    return [asdict(reading) for reading in readings]
