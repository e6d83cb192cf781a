"""Growing a sheet from its markers: covered corners, wrong markers, and sheets of which too little is seen."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.growing import FEWEST_CORNERS, grow_sheet
from calibration.homography import apply_homography
from calibration.markers import Marker
from calibration.sampling import Grey, grey_photo
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import pooled_noise_px
from tests.calibration.pretend_photos import photograph, placed

SHEET = SheetLayout(Paper.A4, 2)
WAY = placed(SHEET, (330, 400), 2.0, 12, 0.02)


@pytest.fixture(scope="module")
def photo() -> Grey:
    return grey_photo(photograph([(SHEET, WAY)], size_px=(660, 800), noise=1.0))


def marker(number: int, shift_px: float = 0.0) -> Marker:
    corners = SHEET.marker_boxes[number].corners_mm
    return Marker(SHEET, corners, apply_homography(WAY, corners) + shift_px)


def covered(photo: Grey, corners_mm: list[tuple[float, float]], grey: int = 120) -> Grey:
    changed = photo.copy()
    outline = np.round(apply_homography(WAY, np.array(corners_mm))).astype(np.int32)
    cv2.fillConvexPoly(changed, outline, grey)
    return changed


def error_px(corner_px: NDArray[np.float64], corner_mm: NDArray[np.float64]) -> float:
    return float(np.abs(corner_px - apply_homography(WAY, corner_mm[:, :2])).max())


@pytest.mark.parametrize("number", [0, 7, 14])
def test_one_marker_is_enough(photo: Grey, number: int) -> None:
    sheet = grow_sheet(photo, SHEET, [marker(number, 0.8)])
    assert sheet is not None
    assert list(sheet.corner_index) == list(range(42))
    assert error_px(sheet.corner_px, sheet.corner_mm) < 0.15
    assert sheet.blur_px == pytest.approx(0.75, abs=0.15)  # 0.7, and the pixels' own
    assert sheet.px_per_mm == pytest.approx(2.0, rel=0.02)


def test_a_hidden_corner_is_left_out_and_its_neighbours_are_kept(photo: Grey) -> None:
    x, y, _ = SHEET.corner_mm[16]
    half = 6.0
    patch = [(x - half, y + half), (x + half, y + half), (x + half, y - half), (x - half, y - half)]
    sheet = grow_sheet(covered(photo, patch), SHEET, [marker(0), marker(14)])
    assert sheet is not None
    assert sorted(set(range(42)) - set(sheet.corner_index)) == [16]


def test_a_shadow_over_half_of_the_sheet_is_no_cover(photo: Grey) -> None:
    shaded = photo.copy()
    shaded[:, :330] = (0.6 * shaded[:, :330]).astype(np.uint8)
    sheet = grow_sheet(shaded, SHEET, [marker(7)])
    assert sheet is not None
    assert len(sheet.corner_index) >= 40


def test_a_marker_of_another_place_gathers_no_sheet(photo: Grey) -> None:
    corners = marker(7).corner_px
    wrong = Marker(SHEET, SHEET.marker_boxes[7].corners_mm, corners.mean(0) + 1.45 * (corners - corners.mean(0)))
    assert grow_sheet(photo, SHEET, [wrong]) is None
    assert grow_sheet(np.full_like(photo, 128), SHEET, [marker(7)]) is None


def test_one_row_of_corners_is_no_sheet(photo: Grey) -> None:
    """Eight corners make a sheet if they span a plane; six of one row and a piece of the next do not."""
    below = SHEET.core.top - 8.0
    sheet = grow_sheet(
        covered(photo, [(-120, below), (120, below), (120, -160), (-120, -160)]), SHEET, [marker(0), marker(1)]
    )
    assert sheet is None
    below = SHEET.core.top - SHEET.square_mm - 8.0
    sheet = grow_sheet(
        covered(photo, [(-120, below), (120, below), (120, -160), (-120, -160)]), SHEET, [marker(0), marker(1)]
    )
    assert sheet is not None
    assert FEWEST_CORNERS <= len(sheet.corner_index) <= 12
    assert set(sheet.corner_index) <= set(range(12))


def test_too_pale_a_print_is_no_sheet(photo: Grey) -> None:
    """Contrast below eight grey levels tells white from black no more."""
    pale = np.round(128 + (photo.astype(float) - 128) * 5 / 200).astype(np.uint8)
    assert grow_sheet(pale, SHEET, [marker(7)]) is None


def test_corners_at_the_photo_s_edge_are_left_out(photo: Grey) -> None:
    sheet = grow_sheet(
        photo[:, 200:].copy(),
        SHEET,
        [Marker(SHEET, m.corner_mm, m.corner_px - (200, 0)) for m in (marker(7), marker(9))],
    )
    assert sheet is not None
    assert (sheet.corner_px[:, 0] > 7).all()
    assert 15 <= len(sheet.corner_index) < 42


def test_noise_is_pooled_with_what_is_believed() -> None:
    """Six misfits' worth of 0.04 px: (n s2 + 6 * 0.04^2) / (n + 6)."""
    assert pooled_noise_px(np.full((5, 2), 0.1), 10) == pytest.approx(np.sqrt((10 * 0.1**2 + 6 * 0.04**2) / 16))
    assert pooled_noise_px(np.zeros((40, 2)), 80) == pytest.approx(0.04 * np.sqrt(6 / 86))
