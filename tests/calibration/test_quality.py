"""Sheets that are bent, hidden or too small are called so, and good ones are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.blank import Blank
from calibration.blank_sheet import BlankLayout
from calibration.camera import PosedCamera, solve_camera
from calibration.detection import find_sheets
from calibration.lens import FRAME_DIAGONAL_MM, StatedLens
from calibration.quality import _BENT_MM, _BENT_PX, sheet_problems
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_bends import bend_px
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.pretend_photos import photograph, placed

SIZE = (2400, 1800)
LAYOUT = SheetLayout(Paper.A4, 1)


def _sheet(bow_mm: float, which: NDArray[np.intp]) -> SheetInPhoto:
    """Corners as a camera 1.5 m away and 15 degrees off the perpendicular sees a sheet that is bowed across."""
    angle = np.radians(195)  # half a turn about x: the camera looks at the sheet's face
    focal = 26 * np.hypot(*SIZE) / FRAME_DIAGONAL_MM
    parameters = np.array([focal, 1199.5, 899.5, 0, 0, 0, angle, 0, 0, 100.0, 50.0, 1500.0])
    camera = PosedCamera((), SIZE, parameters, np.zeros((12, 12)), 0.0, ())
    corners = LAYOUT.corner_mm[which].copy()
    corners[:, 2] = bow_mm * (1 - (corners[:, 1] / 105) ** 2)
    pixels = camera.project(corners) + np.random.default_rng(1).normal(0, 0.03, (len(which), 2))
    return SheetInPhoto(LAYOUT, which, pixels, np.diag([1.13, 1.13, 1.0]), 0.03, 0.8)


@pytest.mark.parametrize(
    ("bow_mm", "corners", "codes"),
    [(0, 42, []), (4, 42, []), (14, 42, ["sheet_bent"]), (0, 9, ["sheet_hidden"])],
)
def test_bent_and_hidden_sheets(bow_mm: float, corners: int, codes: list[str]) -> None:
    camera = solve_camera([_sheet(bow_mm, np.arange(corners))], SIZE, StatedLens(26.0), "wall")
    assert [problem.code for problem in sheet_problems(camera)] == codes


def test_a_noisy_photo_does_not_bend_a_sheet() -> None:
    """Noise of twice the limit scatters the corners of a flat sheet; a bow of 14 mm under it is still told."""
    rng = np.random.default_rng(3)
    told = []
    for bow_mm in (0.0, 14.0):
        sheet = _sheet(bow_mm, np.arange(42))
        scale = sheet.px_per_mm
        noise_px = 2 * max(_BENT_PX, _BENT_MM * scale) if bow_mm == 0 else 0.1
        rough = replace(sheet, corner_px=sheet.corner_px + rng.normal(0, noise_px, (42, 2)))
        told.append([problem.code for problem in sheet_problems(solve_camera([rough], SIZE, StatedLens(26.0), "wall"))])
    assert told == [[], ["sheet_bent"]]


def test_what_is_smooth_is_a_bend_and_what_is_rough_is_not() -> None:
    """Against numpy's least squares: a bow and a wave stay whole, noise leaves what chance makes smooth."""
    corners = LAYOUT.corner_mm
    x, y = corners[:, 0] / 90, corners[:, 1] / 120
    bow, wave = 0.2 * (x**2 - 0.4), 0.2 * (y**3 - 0.5 * y)
    for smooth in (np.column_stack([bow, wave]), np.column_stack([0 * bow, bow + wave])):
        assert bend_px(corners, smooth) == pytest.approx(np.sqrt((smooth**2).mean()), rel=1e-9)
    powers = [x**i * y**j for i in range(4) for j in range(4 - i)]
    noise = np.random.default_rng(5).normal(0, 0.2, (200, len(corners), 2))
    flat = np.array(
        [each - np.column_stack(powers[:3]) @ np.linalg.lstsq(np.column_stack(powers[:3]), each)[0] for each in noise]
    )
    bends = np.array([bend_px(corners, each) for each in flat])
    assert np.percentile(bends, 95) < 0.4 * 0.2
    few = np.arange(12)  # too few corners to tell: all of it
    assert bend_px(corners[few], flat[0][few]) == pytest.approx(np.sqrt((flat[0][few] ** 2).mean()))


def _posed(*sheets: tuple[int, float, float, float]) -> PosedCamera:
    """A camera of sheets of so many corners, so many px/mm, so much blur and so much bend in px."""
    found = tuple(
        SheetInPhoto(LAYOUT, np.arange(corners), np.zeros((corners, 2)), np.diag([scale, scale, 1.0]), 0.0, blur)
        for corners, scale, blur, _ in sheets
    )
    return PosedCamera(found, SIZE, np.zeros(12), np.zeros((12, 12)), 0.0, tuple(bend for *_, bend in sheets))


GOOD = (42, 1.0, 1.0, 0.05)


@pytest.mark.parametrize(
    ("sheets", "codes"),
    [
        ([GOOD], []),
        ([(12, 1.0, 1.0, 0.05)], []),
        ([(11, 1.0, 1.0, 0.05)], ["sheet_hidden"]),
        ([(11, 1.0, 1.0, 0.05), GOOD], []),
        ([(42, 0.301, 0.7, 0.05)], []),
        ([(42, 0.299, 0.7, 0.05)], ["sheet_too_small"]),
        ([(42, 0.299, 0.7, 0.05), GOOD], []),
        ([(42, 2.0, 4.9, 0.05)], []),
        ([(42, 2.0, 5.1, 0.05)], ["sheet_blurred"]),
        ([(42, 2.0, 5.1, 0.05), GOOD], []),
        ([(42, 0.5, 1.0, 0.149)], []),
        ([(42, 0.5, 1.0, 0.151)], ["sheet_bent"]),
        ([(42, 3.0, 1.0, 0.59)], []),
        ([(42, 3.0, 1.0, 0.61)], ["sheet_bent"]),
        ([GOOD, (42, 3.0, 1.0, 0.61)], ["sheet_bent"]),
        ([(9, 0.2, 0.6, 1.0), (3, 0.1, 0.4, 1.0)], ["sheet_hidden", "sheet_too_small", "sheet_blurred", "sheet_bent"]),
    ],
)
def test_limits_of_the_sheets(sheets: list[tuple[int, float, float, float]], codes: list[str]) -> None:
    """Twelve corners, 0.3 px/mm, 2.5 mm of blur, and 0.15 px or 0.2 mm of bend; one bad sheet may be bent only."""
    assert [problem.code for problem in sheet_problems(_posed(*sheets))] == codes


def test_tiny_sheet() -> None:
    photo = photograph([(LAYOUT, placed(LAYOUT, (110, 100), 0.28, 3))], size_px=(220, 200), blur_px=0.4, noise=1.0)
    sheets = find_sheets(photo)
    assert sheets
    codes = [problem.code for problem in sheet_problems(solve_camera(sheets, (220, 200), StatedLens(26.0)))]
    assert "sheet_too_small" in codes


def test_paper_and_card_are_called_neither_printed_nor_sheets() -> None:
    """What of a printed sheet is blur that was measured is smallness of a blank thing, whose blur was not."""
    posed = _posed((4, 0.39, 1.0, 0.2))
    sheets = tuple(replace(sheet, layout=BlankLayout(Blank.CARD)) for sheet in posed.sheets)
    problems = sheet_problems(replace(posed, sheets=sheets))
    assert [problem.code for problem in problems] == ["sheet_too_small", "sheet_bent"]
    assert all(problem.message.startswith("The paper or card ") for problem in problems)
