"""Boards that were taken for another sheet, turned, shifted or mirrored."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.detection import find_sheets
from calibration.growing import grow_sheet
from calibration.homography import apply_homography
from calibration.identity import named
from calibration.markers import Marker
from calibration.sampling import grey_photo
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.pretend_photos import photograph, placed

TRUE = SheetLayout(Paper.A4, 1)
WAY = placed(TRUE, (450.0, 350.0), 2.0, 8.0, 0.05)


def misread(layout: SheetLayout, turn: int, shift: tuple[int, int]) -> tuple[np.ndarray, SheetInPhoto | None]:
    """The photo of a sheet, grown from a marker that was read as one of another sheet, turned and shifted."""
    grey = grey_photo(photograph([(TRUE, WAY)]))
    box = TRUE.marker_boxes[7]
    moved = np.roll(box.corners_mm, turn, axis=0) + TRUE.square_mm * np.array(shift)
    other = layout.marker_boxes[7]
    return grey, grow_sheet(grey, layout, [Marker(layout, other.corners_mm, apply_homography(WAY, moved))])


@pytest.mark.parametrize(
    ("layout", "turn", "shift"),
    [
        (SheetLayout(Paper.LETTER, 2), 0, (0, 0)),
        (SheetLayout(Paper.LETTER, 3), 1, (0, 0)),
        (SheetLayout(Paper.A4, 4), 2, (0, 0)),
        (TRUE, 2, (0, 0)),
        (SheetLayout(Paper.LETTER, 1), 0, (1, 1)),
        (TRUE, 0, (-1, 1)),
    ],
)
def test_a_board_is_known_by_all_of_its_markers(layout: SheetLayout, turn: int, shift: tuple[int, int]) -> None:
    grey, wrong = misread(layout, turn, shift)
    if wrong is None:
        pytest.fail("the board was not grown, so that this tests nothing")
    markers = named(grey, wrong)
    assert markers
    assert {marker.layout for marker in markers} == {TRUE}
    for marker, box in zip(markers, TRUE.marker_boxes, strict=True):
        np.testing.assert_allclose(marker.corner_px, apply_homography(WAY, box.corners_mm), atol=1.0)
    assert grow_sheet(grey, TRUE, markers).layout == TRUE


def test_what_it_was_thought_to_be() -> None:
    photo = photograph([(TRUE, WAY)])
    (sheet,) = find_sheets(photo)
    assert named(grey_photo(photo), sheet) == []


def test_a_mirrored_sheet_is_none() -> None:
    """A selfie camera mirrors; markers read backwards name other sheets, and with them another scale."""
    photo = np.ascontiguousarray(photograph([(TRUE, placed(TRUE, (450.0, 350.0), 2.2))], blur_px=1.0)[:, ::-1])
    assert find_sheets(photo) == ()


def test_two_sheets_stay_two() -> None:
    other = SheetLayout(Paper.LETTER, 3)
    ways = [(TRUE, placed(TRUE, (240.0, 300.0), 1.7)), (other, placed(other, (660.0, 320.0), 1.7, 90.0))]
    found = find_sheets(photograph(ways))
    assert {sheet.layout for sheet in found} == {TRUE, other}


def test_hardly_a_pixel_a_module() -> None:
    """A sheet at 0.5 px/mm, whose markers' modules have 2 px: still itself, and never another."""
    small = photograph([(TRUE, placed(TRUE, (300.0, 200.0), 0.5, 3.0))], (600, 400), blur_px=0.8, noise=6.0)
    small = np.asarray(cv2.GaussianBlur(small, (0, 0), 0.6))
    assert {sheet.layout for sheet in find_sheets(small)} <= {TRUE}
