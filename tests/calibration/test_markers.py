"""Reading markers: each of them, at any turn, and none where there is none."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.homography import apply_homography, signed_area
from calibration.markers import Marker, agreeing_markers, read_markers
from calibration.sampling import grey_photo
from calibration.sheet import Paper, SheetLayout
from tests.calibration.pretend_photos import photograph, placed

SHEET = SheetLayout(Paper.LETTER, 3)


@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270, 33])
def test_all_markers_of_a_sheet_are_read_where_they_are(turn_deg: float) -> None:
    way = placed(SHEET, (350, 350), 1.6, turn_deg, 0.02)
    markers = read_markers(grey_photo(photograph([(SHEET, way)], size_px=(700, 700))), 1.0)
    # fifteen that are there, read best; white patches between squares may be read badly after them
    assert len({tuple(marker.corner_mm.ravel()) for marker in markers[:15]}) == 15
    for marker in markers[:15]:
        assert marker.layout == SHEET
        # the detector's corners are good to a pixel; in the wrong order they would be off by a side, 40 px
        assert np.abs(marker.corner_px - apply_homography(way, marker.corner_mm)).max() < 2.0
    assert len(markers) < 25
    assert len(agreeing_markers([marker for marker in markers if marker.layout == SHEET])) == 15


def test_markers_are_given_in_px_of_the_original() -> None:
    way = placed(SHEET, (350, 350), 1.6, 10, 0.02)
    grey = grey_photo(photograph([(SHEET, way)], size_px=(700, 700)))
    twice = cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    for marker in read_markers(twice, 2.0)[:15]:
        error = marker.corner_px - apply_homography(way, marker.corner_mm)
        assert np.abs(error.mean(axis=0)).max() < 1.0


def test_small_markers_are_read() -> None:
    """At 0.5 px a mm a module is 2 px wide."""
    way = placed(SHEET, (110, 120), 0.5, 3)
    markers = read_markers(grey_photo(photograph([(SHEET, way)], size_px=(220, 240), blur_px=0.5)), 1.0)
    assert sum(marker.layout == SHEET for marker in markers) >= 8
    assert all(marker.layout == SHEET for marker in markers[:8])


def test_squares_without_modules_are_no_markers() -> None:
    picture = np.full((300, 300), 230, np.uint8)
    picture[40:120, 40:120] = 20
    picture[160:240, 160:240] = 225
    assert read_markers(picture, 1.0) == []
    assert read_markers(np.full((200, 200), 230, np.uint8), 1.0) == []


def test_a_marker_read_wrongly_is_left_out() -> None:
    way = placed(SHEET, (350, 350), 1.6, 10, 0.02)
    boxes = SHEET.marker_boxes[:5]
    good = [Marker(SHEET, box.corners_mm, apply_homography(way, box.corners_mm)) for box in boxes]
    side_px = np.sqrt(abs(signed_area(good[0].corner_px)))
    wrong = replace(good[4], corner_px=good[4].corner_px + 1.5 * side_px)
    assert agreeing_markers([*good[:4], wrong]) == good[:4]
    assert agreeing_markers([wrong, *good[:4]]) == good[:4]
    near = replace(good[4], corner_px=good[4].corner_px + 0.1 * side_px)
    assert agreeing_markers([*good[:4], near]) == [*good[:4], near]
    assert agreeing_markers([]) == []
