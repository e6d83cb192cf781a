"""Reading markers: each of them, at any turn, and none where there is none."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.homography import apply_homography, signed_area
from calibration.markers import Marker, _quadrangles, _read, agreeing_markers, read_markers
from calibration.sampling import grey_photo
from calibration.sheet import Paper, SheetLayout, marker_modules
from tests.calibration.pretend_photos import crumbs, photograph, placed

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


def in_quad(quad: np.ndarray, right: np.ndarray, down: np.ndarray) -> np.ndarray:
    """Places in a quadrangle by OpenCV: linear in each of the two ways, so along the left and right side first."""
    left = quad[0] + down[..., None] * (quad[3] - quad[0])
    return np.asarray(left + right[..., None] * (quad[1] + down[..., None] * (quad[2] - quad[1]) - left))


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_modules_are_read_in_their_middles(turn: int) -> None:
    """The picture is right within a pixel of the modules' middles, and wrong beside them; quadrangles are askew."""
    numbers = np.array([0, 33, 77, 119])
    quads = np.array([[(10, 20), (130, 8), (150, 120), (22, 170)]]) + np.arange(4)[:, None, None] * [180.0, 7.0]
    share = (np.arange(6) + 0.5) / 6
    right, down = np.meshgrid(share, share)
    white = np.rot90(marker_modules()[numbers], -turn, axes=(1, 2))
    at = np.stack([in_quad(quad, right, down) for quad in quads])
    picture = crumbs(at, ~white, (720, 220), (40, 200))
    marker, turns, score = _read(picture, quads)
    assert list(marker) == list(numbers)
    assert list(turns) == [turn] * 4
    assert score.min() > 0.99


def test_what_has_hardly_any_contrast_is_not_read() -> None:
    """Norm about the mean of 36 modules, n of them white: contrast * sqrt(n (36 - n) / 36); 30 is the least."""
    modules = marker_modules()[5]
    white = int(modules.sum())
    per_level = np.sqrt(white * (36 - white) / 36)
    for contrast in (int(30 / per_level), int(30 / per_level) + 1):
        picture = (100 + contrast * np.kron(modules, np.ones((9, 9)))).astype(np.uint8)
        quad = np.array([[(-0.5, -0.5), (53.5, -0.5), (53.5, 53.5), (-0.5, 53.5)]])
        marker, turn, score = _read(picture, quad)
        assert (marker[0], turn[0]) == (5, 0)
        assert score[0] == pytest.approx(1.0 if contrast * per_level > 30 else 0.0, abs=1e-6)
    _, _, score = _read(np.full((54, 54), 90, np.uint8), quad)
    assert score[0] == 0


@pytest.mark.parametrize(("side_px", "seen"), [(10, True), (6, False)])
def test_the_smallest_marker_that_is_looked_for(side_px: int, seen: bool) -> None:
    """Of a perimeter of 0.012 of the photo's longer side: 31 px in 2600 px."""
    picture = np.full((60, 2600), 230, np.uint8)
    picture[20 : 20 + side_px, 1300 : 1300 + side_px] = 20
    assert len(_quadrangles(picture)) == int(seen)


def test_nothing_to_read_is_an_empty_list_of_quadrangles() -> None:
    assert _quadrangles(np.full((80, 90), 230, np.uint8)).shape == (0, 4, 2)


def test_quadrangles_of_a_drawn_picture() -> None:
    """Kept from OpenCV's detector with the windows and the accuracy it is given here: a change must be meant."""
    noise = np.random.default_rng(12).integers(0, 256, (240, 320)).astype(np.uint8)
    blots = cv2.convertScaleAbs(cv2.GaussianBlur(noise, (0, 0), 5.0), alpha=20 / 3, beta=128 - 850)
    quads = _quadrangles(blots)
    assert (len(quads), float(quads.sum())) == (297, pytest.approx(334490, rel=1e-4))


@pytest.mark.parametrize("way_px", [(150.0, 40.0), (12.0, -60.0)])
@pytest.mark.parametrize(("share", "agrees"), [(0.98, True), (1.02, False)])
def test_markers_agree_within_sides_and_way(way_px: tuple[float, float], share: float, agrees: bool) -> None:
    """0.3 of a side and 0.15 of the way between them, as they are seen; here 40 px a side and 2 px/mm."""
    square = np.array([(0.0, 0.0), (20.0, 0.0), (20.0, -20.0), (0.0, -20.0)])
    here = Marker(SHEET, square, 100 + square * [2.0, -2.0])
    aside = np.array([-way_px[1], way_px[0]]) / np.hypot(*way_px)
    # a displacement across the way makes the way longer by little: solved by two turns of the equation
    off_px = 0.0
    for _ in range(60):
        off_px = share * (0.3 * 40 + 0.15 * np.hypot(np.hypot(*way_px), off_px))
    there_mm = square + np.array(way_px) / [2.0, -2.0]
    there = Marker(SHEET, there_mm, here.corner_px + np.array(way_px) + off_px * aside)
    assert agreeing_markers([here, there]) == ([here, there] if agrees else [here])


def test_of_two_sets_as_large_the_first_stays() -> None:
    way = placed(SHEET, (350, 350), 1.6, 10, 0.02)
    boxes = [SHEET.marker_boxes[number] for number in (0, 14, 1, 13)]
    seen = [Marker(SHEET, box.corners_mm, apply_homography(way, box.corners_mm)) for box in boxes]
    away = [replace(marker, corner_px=marker.corner_px + 400.0) for marker in seen[2:]]
    assert agreeing_markers([*seen[:2], *away]) == seen[:2]
    assert agreeing_markers([*away, *seen[:2]]) == away
