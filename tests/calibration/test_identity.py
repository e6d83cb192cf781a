"""Boards that were taken for another sheet, turned, shifted or mirrored."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration import identity
from calibration.arrays import Grey
from calibration.blank import Blank
from calibration.blank_sheet import BlankLayout
from calibration.detection import find_sheets
from calibration.growing import grow_sheet
from calibration.homography import apply_homography
from calibration.identity import named
from calibration.markers import Marker
from calibration.sampling import grey_photo
from calibration.sheet import Box, Paper, SheetLayout, is_black, marker_modules
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.pretend_photos import crumbs, photograph, placed

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


def seen_by(layout: SheetLayout, way: np.ndarray) -> SheetInPhoto:
    return SheetInPhoto(layout, np.arange(42), np.zeros((42, 2)), way, 0.04, 0.8)


def middles_mm(box: Box) -> np.ndarray:
    """Middles (4, 4, 2) of a marker's inner modules: a sixth of its side each, row by row from the upper left."""
    module = box.width_mm / 6
    x, y = np.meshgrid(box.left + module * (np.arange(1, 5) + 0.5), box.top - module * (np.arange(1, 5) + 0.5))
    return np.stack([x, y], axis=-1)


ASKEW = np.array([[2.1, 0.3, 250.0], [-0.2, -1.8, 320.0], [4e-4, -3e-4, 1.0]])


def test_modules_of_cells_are_compared_with_every_marker_in_every_turn() -> None:
    """The picture is right in the middles of the modules only; turned templates are turned pictures."""
    layout = SheetLayout(Paper.LETTER, 2)
    boxes, ids = layout.marker_boxes, np.array(layout.marker_ids)
    turns = np.arange(len(ids)) % 4
    inner = marker_modules()[ids][:, 1:-1, 1:-1]
    white = np.stack([np.rot90(one, -turn) for one, turn in zip(inner, turns, strict=True)])
    at = apply_homography(ASKEW, np.stack([middles_mm(box) for box in boxes]))
    cells = np.array([(column, row) for row in range(6) for column in range(5) if not is_black(column, row)])
    found = identity._correlations(crumbs(at, ~white, (540, 620), (30, 220)), seen_by(layout, ASKEW), cells)
    assert found.shape == (15, 4, 120)
    every = [np.array([np.rot90(one, -turn).ravel() for one in marker_modules()[:, 1:-1, 1:-1]]) for turn in range(4)]
    for cell in range(15):
        for turn in range(4):
            theirs = np.corrcoef(white[cell].ravel(), every[turn])[0, 1:]
            np.testing.assert_allclose(found[cell, turn], theirs, atol=1e-9)
        assert found[cell, turns[cell], ids[cell]] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("off_px", "read"),
    [((0, 0), True), ((-0.05, 0), False), ((0.05, 0), False), ((0, -0.05), False), ((0, 0.05), False)],
)
def test_cells_outside_the_photo_are_not_read(off_px: tuple[float, float], read: bool) -> None:
    """The outermost modules' middles are within 0.02 px of the edges of a picture of 35 x 29 px."""
    at_mm = middles_mm(TRUE.marker_boxes[0])
    scale = np.array([33.96, -27.96]) / (33 * 0.78 / 6 * 3)
    shift = 0.02 - scale * at_mm[0, 0] + off_px
    way = np.array([[scale[0], 0, shift[0]], [0, scale[1], shift[1]], [0, 0, 1]])
    grey = np.random.default_rng(3).integers(0, 256, (29, 35)).astype(np.uint8)
    found = identity._correlations(grey, seen_by(TRUE, way), np.array([(1, 0)]))
    assert bool(found.any()) == read


def test_a_cell_that_begins_at_the_first_pixel_is_read() -> None:
    """0.11 of the square, and one and a half modules of the marker, from its corner; here that is the first pixel."""
    begins = np.array([[1, 0]]) + 0.11 + 0.78 * 1.5 / 6
    way = np.diag([1.0, -1.0, 1.0])
    way[:2, 2] = -identity._to_px(seen_by(TRUE, way), begins)[0]
    share = (1 + 0.5) / 6
    exactly = np.array([[1, 0]]) + ((1 - 0.78) / 2 + 0.78 * share)
    way[:2, 2] -= identity._to_px(seen_by(TRUE, way), exactly)[0]
    assert identity._to_px(seen_by(TRUE, way), exactly).tolist() == [[0, 0]]
    grey = np.random.default_rng(3).integers(0, 256, (40, 40)).astype(np.uint8)
    assert identity._correlations(grey, seen_by(TRUE, way), np.array([(1, 0)])).any()


def test_cells_of_hardly_any_contrast_are_not_read() -> None:
    """Sixteen modules, eight of them 2 * a levels higher: the norm about their mean is 4 * a, and 8 is the least."""
    box = TRUE.marker_boxes[0]
    way = placed(TRUE, (200.0, 300.0), 2.0)
    at = apply_homography(way, middles_mm(box))
    for high, read in ((103, False), (104, False), (105, True)):
        picture = crumbs(at, np.arange(16).reshape(4, 4) % 2 == 1, (400, 600), (100, high))
        assert bool(identity._correlations(picture, seen_by(TRUE, way), np.array([(1, 0)])).any()) == read


def test_squares_are_counted_from_the_upper_left_corner() -> None:
    layout = SheetLayout(Paper.LETTER, 4)
    places = np.array([[(0.0, 0.0), (1.0, 0.0)], [(0.0, 1.0), (4.5, -2.0)]])
    corners_mm = [[(-81.95, 125.7), (-50.95, 125.7)], [(-81.95, 94.7), (57.55, 187.7)]]  # squares of 31 mm
    found = identity._to_px(seen_by(layout, ASKEW), places)
    np.testing.assert_allclose(found, apply_homography(ASKEW, np.array(corners_mm)))


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_a_quarter_turn_is_clockwise_where_y_runs_down(turn: int) -> None:
    angle = np.pi / 2 * turn
    matrix = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    places = np.array([(1.0, 2.0), (-3.0, 0.5), (4.0, -7.0)])
    np.testing.assert_allclose(identity._turned(places, turn), places @ matrix.T, atol=1e-12)


@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_every_shift_that_puts_markers_onto_white_squares_is_tried(turn: int) -> None:
    """Against trying far too many shifts one by one, with correlations drawn by lot."""
    layout = SheetLayout(Paper.LETTER, 3)
    cells = [(c, r) for r in range(-2, 9) for c in range(-3, 7) if not is_black(c, r)]
    seen = np.random.default_rng(turn).uniform(-1, 1, (len(cells), 4, 120))
    own = [(c, r) for r in range(6) for c in range(5) if not is_black(c, r)]
    ways = {0: (1, 0, 0, 1), 1: (0, -1, 1, 0), 2: (-1, 0, 0, -1), 3: (0, 1, -1, 0)}
    a, b, c, d = ways[turn]
    expected = {}
    for right in range(-25, 26):
        for down in range(-25, 26):
            places = [(a * x + b * y + right, c * x + d * y + down) for x, y in own]
            if all(place in cells for place in places):
                numbers = [cells.index(place) for place in places]
                expected[right, down] = np.mean([seen[n, turn, 90 + marker] for marker, n in enumerate(numbers)])
    found = {one.shift: one.correlation for one in identity._hypotheses(layout, turn, cells, seen)}
    assert found.keys() == expected.keys()
    assert len(found) > 8
    for shift, correlation in expected.items():
        assert found[shift] == pytest.approx(correlation, abs=1e-12)


@pytest.mark.parametrize(("turn", "shift"), [(0, (0, 0)), (0, (2, -1)), (1, (5, 0)), (2, (3, 6)), (3, (-1, 4))])
def test_markers_of_a_hypothesis_are_placed_by_the_plane(turn: int, shift: tuple[int, int]) -> None:
    """Squares turn about the middle of the first one, whose middle then moves by the shift."""
    thought, layout = SheetLayout(Paper.LETTER, 1), SheetLayout(Paper.A4, 2)
    markers = identity._markers(seen_by(thought, ASKEW), identity._Hypothesis(layout, turn, shift, 0.9))
    for marker, box in zip(markers, layout.marker_boxes, strict=True):
        squares = np.column_stack([box.corners_mm[:, 0] + 87, 133.5 - box.corners_mm[:, 1]]) / 33 - 0.5
        for _ in range(turn):
            squares = np.column_stack([-squares[:, 1], squares[:, 0]])
        places = (squares + 0.5 + shift) * 31 * [1, -1] + [-81.95, 125.7]
        np.testing.assert_allclose(marker.corner_px, apply_homography(ASKEW, places), atol=1e-9)
        np.testing.assert_array_equal(marker.corner_mm, box.corners_mm)
        assert marker.layout == layout


OTHER = SheetLayout(Paper.LETTER, 3)


@pytest.mark.parametrize(
    ("own", "best", "said"),
    [
        (0.51, 0.99, "itself"),
        (0.49, 0.60, "itself"),
        (0.49, 0.62, "another"),
        (0.31, 0.42, "itself"),
        (0.31, 0.44, "another"),
        (0.29, 0.41, "none"),
        (0.29, 0.43, "another"),
        (0.0, 0.41, "none"),
        (0.0, 0.43, "another"),
    ],
)
def test_when_a_board_is_another_one_or_none(
    own: float, best: float, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sure above 0.5; another one must be better by 0.12 than it, and than the 0.3 below which it is none of ours."""
    looked: list[np.ndarray] = []

    def correlations(grey: Grey, sheet: SheetInPhoto, cells: np.ndarray) -> np.ndarray:
        looked.append(cells)
        found = np.zeros((len(cells), 4, 120))
        if len(looked) == 1:
            found[:, 1:] = 0.9
            found[np.arange(0, 15, 2), 0, np.arange(0, 15, 2)] = own  # every other marker is covered, and says nothing
            return found
        number = {tuple(cell): place for place, cell in enumerate(cells)}
        for marker, (column, row) in enumerate((c, r) for r in range(6) for c in range(5) if (c + r) % 2):
            found[number[-row - 1, column + 3], 1, OTHER.marker_ids[marker]] = best
        return found

    monkeypatch.setattr(identity, "_correlations", correlations)
    markers = identity.named(np.zeros((4, 4), np.uint8), seen_by(TRUE, WAY))
    assert looked[0].tolist() == [[c, r] for r in range(6) for c in range(5) if (c + r) % 2]
    if said != "another":
        assert markers == ([] if said == "itself" else None)
    else:
        assert markers is not None
        assert {marker.layout for marker in markers} == {OTHER}
        expected = identity._markers(seen_by(TRUE, WAY), identity._Hypothesis(OTHER, 1, (-1, 3), best))
        np.testing.assert_allclose([m.corner_px for m in markers], [m.corner_px for m in expected])
    if len(looked) > 1:
        every = [(c, r) for r in range(-6, 12) for c in range(-6, 11) if (c + r) % 2]
        assert sorted(map(tuple, looked[1])) == sorted(every)


def test_what_is_no_printed_sheet_is_not_named() -> None:
    sheet = SheetInPhoto(BlankLayout(Blank.A4, 1), np.arange(4), np.zeros((4, 2)), np.eye(3), 0.04, 0.8)
    assert named(np.zeros((4, 4), np.uint8), sheet) == []
