"""Growing a sheet from its markers: covered corners, wrong markers, and sheets of which too little is seen."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import growing
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


def test_saddle_points_are_looked_for_as_near_to_the_border_as_their_window_allows(photo: Grey) -> None:
    """2 px beyond the rough window of 8 px, 1 px beyond the fine one of 7 px; one point lies within a pixel more."""
    every = apply_homography(WAY, SHEET.corner_mm[:, :2])
    for border, within in ((10, growing._rough_saddles), (8, growing._fine_saddles)):
        middle = every[np.argsort(np.abs(every[:, 0] - 200))[0], 0]
        left = int(np.floor(middle - border - 0.3))
        part = photo[:, left:].copy()
        way = np.array([[1, 0, -left], [0, 1, 0], [0, 0, 1.0]]) @ WAY
        at = every - [left, 0]
        assert ((at[:, 0] > border) & (at[:, 0] < border + 1)).any()
        result = within(part, SHEET, way, np.arange(42))
        found = np.flatnonzero(result[1]) if border == 10 else result[0]
        np.testing.assert_array_equal(found, np.flatnonzero(at[:, 0] >= border))


@pytest.mark.parametrize(("shift_px", "kept"), [(4.2, True), (4.8, False)])
def test_a_saddle_point_further_off_than_half_its_window_is_another(photo: Grey, shift_px: float, kept: bool) -> None:
    """Half of the window's 7 px, and one."""
    way = np.array([[1, 0, shift_px], [0, 1, 0], [0, 0, 1.0]]) @ WAY
    index, _ = growing._fine_saddles(photo, SHEET, way, np.arange(42))
    assert len(index) == (42 if kept else 0)


def test_noise_has_two_coordinates_a_corner_less_a_plane_s_eight() -> None:
    """A homography has eight parameters: of twelve corners' 24 coordinates 16 are free."""
    index = np.arange(12)
    exact = apply_homography(WAY, SHEET.corner_mm[index, :2])
    sheet = growing._judged(SHEET, index, exact + np.random.default_rng(5).normal(0, 0.3, exact.shape), 0.8)
    misfit = apply_homography(sheet.homography, SHEET.corner_mm[index, :2]) - sheet.corner_px
    assert sheet.misfit_px == pytest.approx(np.sqrt((misfit**2).sum() / 16))
    assert sheet.noise_px == pytest.approx(pooled_noise_px(misfit, 16))
    four = growing._judged(SHEET, np.array([0, 5, 36, 41]), exact[[0, 1, 2, 3]], 0.8)
    assert four.misfit_px < 1e-3


def test_rough_saddle_points_are_pulled_to_where_they_are(photo: Grey) -> None:
    way = np.array([[1, 0, 2.5], [0, 1, -1.5], [0, 0, 1.0]]) @ WAY
    placed_px, good = growing._rough_saddles(photo, SHEET, way, np.arange(42))
    assert good.all()
    assert error_px(placed_px, SHEET.corner_mm) < 0.4
