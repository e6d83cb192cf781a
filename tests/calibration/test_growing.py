"""Growing a sheet from its markers: covered corners, wrong markers, and sheets of which too little is seen."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import growing
from calibration.arrays import Grey
from calibration.growing import FEWEST_CORNERS, grow_sheet
from calibration.homography import apply_homography, fit_plane
from calibration.markers import Marker
from calibration.saddle import Saddles
from calibration.sampling import grey_photo
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
    assert sheet.noise_px == pytest.approx(pooled_noise_px(misfit, 16))
    four = growing._judged(SHEET, np.array([0, 5, 36, 41]), exact[[0, 1, 2, 3]], 0.8)
    exactly = apply_homography(four.homography, SHEET.corner_mm[[0, 5, 36, 41], :2])
    assert exactly == pytest.approx(four.corner_px, abs=1e-3)


def test_rough_saddle_points_are_pulled_to_where_they_are(photo: Grey) -> None:
    way = np.array([[1, 0, 2.5], [0, 1, -1.5], [0, 0, 1.0]]) @ WAY
    placed_px, good = growing._rough_saddles(photo, SHEET, way, np.arange(42))
    assert good.all()
    assert error_px(placed_px, SHEET.corner_mm) < 0.4


ASKEW = np.array([[2.1, 0.3, 250.0], [-0.2, -1.8, 320.0], [4e-4, -3e-4, 1.0]])


def test_a_millimetre_along_the_board_in_px() -> None:
    """Half of what two of them are, by OpenCV; without perspective the columns of the matrix."""
    index = np.array([3, 17, 40])
    mm = SHEET.corner_mm[index, :2]
    edges = growing._edges(SHEET, ASKEW, index)
    assert edges.shape == (3, 2, 2)
    for axis, step in enumerate(((1.0, 0.0), (0.0, 1.0))):
        ends = [cv2.perspectiveTransform((mm + sign * np.array(step))[:, None], ASKEW)[:, 0] for sign in (1, -1)]
        np.testing.assert_allclose(edges[:, axis], (ends[0] - ends[1]) / 2)
    flat = np.array([[2.0, 0.3, 5.0], [-0.1, -1.5, 7.0], [0, 0, 1]])
    np.testing.assert_allclose(growing._edges(SHEET, flat, index), np.tile([[2.0, -0.1], [0.3, -1.5]], (3, 1, 1)))


def test_points_are_in_view_within_a_border() -> None:
    points = np.array([(3, 3), (2.9, 3), (3, 2.9), (16.9, 6.9), (17, 5), (5, 7), (10, 5)])
    found = growing._in_view(np.zeros((10, 20), np.uint8), points, 3)
    assert found.tolist() == [True, False, False, True, False, False, True]


QUARTERS = np.array([(-1, 1), (1, -1), (1, 1), (-1, -1)])
"""Upper left, lower right, upper right, lower left: the first two are black where column plus row is even."""


def looks(levels: list[tuple[int, int, int, int]], index: list[int], shift: tuple[float, float] = (0, 0)) -> list[bool]:
    """What is said of saddle points whose quarters have these levels, in the order of `QUARTERS`, near them only."""
    way = placed(SHEET, (330, 400), 2.0)
    at = apply_homography(way, SHEET.corner_mm[index, None, :2] + 2.4 * QUARTERS) + shift
    picture = np.full((800, 660), 128, np.uint8)
    for point, level in zip(at.reshape(-1, 2), np.ravel(levels), strict=True):
        x, y = point.astype(int)
        picture[y - 1 : y + 3, x - 1 : x + 3] = level
    return growing._looks_like_saddle(picture, SHEET, way, np.array(index), np.tile(shift, (len(index), 1))).tolist()


EVEN, ODD = [0, 7, 14, 40], [1, 6, 8, 41]


@pytest.mark.parametrize("shift", [(0.0, 0.0), (3.0, -4.0)])
def test_quarters_are_looked_at_where_they_are(shift: tuple[float, float]) -> None:
    """2.4 mm along both axes, and nowhere else; the colours alternate with column plus row."""
    upper_left_black, upper_left_white = (20, 20, 220, 220), (220, 220, 20, 20)
    assert looks(4 * [upper_left_black], EVEN, shift) == 4 * [True]
    assert looks(4 * [upper_left_white], ODD, shift) == 4 * [True]
    assert looks(4 * [upper_left_white], EVEN, shift) == 4 * [False]
    assert looks(4 * [upper_left_black], ODD, shift) == 4 * [False]


def test_how_much_contrast_a_saddle_point_has() -> None:
    """More than 8 levels, and than 0.4 of the median of those that have any of the right sign."""
    assert looks([(100, 100, 109, 109), (100, 100, 108, 108)], EVEN[:2]) == [True, False]
    strong = (50, 50, 150, 150)
    for contrast, seen in ((39, False), (41, True)):  # the median is 100
        assert looks([strong, strong, (50, 50, 50 + contrast, 50 + contrast)], EVEN[:3]) == [True, True, seen]
    weak = (50, 50, 74, 74)  # under 0.4 of 62, which is the median of the two; over 0.4 of 24, that of three
    assert looks([strong, weak, (80, 80, 80, 80)], EVEN[:3]) == [True, False, False]
    assert looks([strong, weak, (200, 200, 20, 20)], EVEN[:3]) == [True, False, False]
    assert looks([strong, weak, (80, 80, 80, 81)], EVEN[:3]) == [True, True, False]
    assert looks(4 * [(80, 80, 80, 80)], EVEN) == 4 * [False]


@pytest.mark.parametrize(("uneven", "seen"), [(58, True), (62, False)])
def test_how_uneven_quarters_of_one_colour_may_be(uneven: int, seen: bool) -> None:
    """Less than 0.6 of the contrast of 100."""
    half = uneven // 2
    assert looks([(50, 50, 150 - half, 150 + half), (50 - half, 50 + half, 150, 150)], EVEN[:2]) == [seen, seen]
    assert looks([(150 - half, 150 + half, 50, 50), (150, 150, 50 + half, 50 - half)], ODD[:2]) == [seen, seen]


@pytest.mark.parametrize(("apart_mm", "narrow"), [(19.0, True), (20.5, False)])
@pytest.mark.parametrize("count", [5, 40])
def test_two_rows_are_a_plane_from_some_way_apart(apart_mm: float, narrow: bool, count: int) -> None:
    """Points of two rows are half their distance from the middle line; 0.3 squares of 33 mm are 9.9 mm."""
    along = np.linspace(-200, 200, count)
    rows = np.vstack([np.column_stack([along, np.full(count, y)]) for y in (0.0, apart_mm)])
    angle = 0.4
    turned = rows @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) + [70, -30]
    assert growing._too_narrow(turned, 33.0) == narrow
    assert growing._too_narrow(turned * 31 / 33, 31.0) == narrow


@pytest.mark.parametrize(("px_per_mm", "window"), [(2.0, 8), (0.3, 2), (6.0, 15)])
def test_rough_refinement_is_that_of_opencv(px_per_mm: float, window: int) -> None:
    """In a window of 3.8 mm, 2 to 15 px; on noise it does not settle, so that turns and the last step show."""
    way = placed(SHEET, (40.3, 60.2), px_per_mm) if px_per_mm < 1 else placed(SHEET, (500.3, 700.2), px_per_mm)
    size = (140, 160) if px_per_mm < 1 else (1400, 1000)
    grey = cv2.GaussianBlur(np.random.default_rng(4).integers(0, 256, size).astype(np.uint8), (0, 0), 1.0)
    index = np.array([0, 8, 9, 15, 16, 17, 21])
    start = apply_homography(way, SHEET.corner_mm[index, :2])
    inside = (start >= window + 2).all(1) & (start < [size[1] - window - 2, size[0] - window - 2]).all(1)
    assert inside.sum() % 2 == 1 or inside.sum() == 6
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 20, 0.02)
    theirs = start.copy()
    theirs[inside] = cv2.cornerSubPix(grey, start[inside].astype(np.float32), (window, window), (-1, -1), criteria)
    ours, good = growing._rough_saddles(grey, SHEET, way, index)
    np.testing.assert_array_equal(ours, theirs)
    assert not good[~inside].any()


@pytest.mark.parametrize(
    ("moved", "good"), [((8.45, 0.0), True), ((0.0, -8.55), False), ((6.0, 6.0), True), ((6.1, 6.1), False)]
)
def test_a_rough_saddle_point_stays_in_its_window(
    moved: tuple[float, float], good: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a pixel over the window's 8 px at most."""
    monkeypatch.setattr(growing.cv2, "cornerSubPix", lambda grey, start, *_: start + np.float32(moved))
    monkeypatch.setattr(growing, "_looks_like_saddle", lambda *_: np.ones(3, dtype=bool))
    way = placed(SHEET, (330, 400), 2.0)
    index = np.array([0, 20, 41])
    found, seen = growing._rough_saddles(np.zeros((800, 660), np.uint8), SHEET, way, index)
    assert seen.tolist() == 3 * [good]
    np.testing.assert_allclose(found, apply_homography(way, SHEET.corner_mm[index, :2]) + moved, atol=1e-4)


def test_nothing_in_view_is_nothing_seen() -> None:
    away = placed(SHEET, (3000, 400), 2.0)
    grey = np.zeros((800, 660), np.uint8)
    index = np.arange(3)
    found, seen = growing._rough_saddles(grey, SHEET, away, index)
    assert not seen.any()
    np.testing.assert_array_equal(found, apply_homography(away, SHEET.corner_mm[index, :2]))
    chosen, saddles = growing._fine_saddles(grey, SHEET, away, index)
    assert (len(chosen), saddles.place_px.shape) == (0, (0, 2))
    assert (saddles.swing.shape, saddles.blur_px.shape, saddles.misfit.shape) == ((0,), (0,), (0,))


class Fitted:
    """Stands for fitting: saddle points at where they begin, of the misfits given."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, misfit: list[float], good: bool = True) -> None:
        self.misfit, self.radius_px = np.array(misfit), 0.0
        monkeypatch.setattr(growing, "fit_saddles", self)
        monkeypatch.setattr(growing, "_looks_like_saddle", lambda *_: np.full(len(misfit), good))

    def __call__(self, grey: Grey, start: np.ndarray, edges: np.ndarray, radius_px: float) -> Saddles:
        self.radius_px = radius_px
        assert len(start) == len(edges)
        return Saddles(start + 0.25, np.ones(len(start)), np.full(len(start), 0.8), self.misfit)


@pytest.mark.parametrize(("px_per_mm", "radius_px"), [(0.5, 2.5), (1.5, 5.7), (2.0, 7.0)])
def test_the_window_of_the_fit(px_per_mm: float, radius_px: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """3.8 mm, at least 2.5 and at most 7 px."""
    fitted = Fitted(monkeypatch, [0.1, 0.1])
    way = placed(SHEET, (330, 400), px_per_mm)
    index, saddles = growing._fine_saddles(np.zeros((800, 660), np.uint8), SHEET, way, np.array([4, 30]))
    assert fitted.radius_px == pytest.approx(radius_px, rel=1e-6)
    assert index.tolist() == [4, 30]
    np.testing.assert_allclose(saddles.place_px, apply_homography(way, SHEET.corner_mm[[4, 30], :2]) + 0.25)


@pytest.mark.parametrize(
    ("misfit", "kept"),
    [
        ([0.05, 0.06, 0.07, 0.29, 0.31], [0, 1, 2, 3]),
        ([0.38, 0.40, 0.40, 0.54, 0.58], [0, 1, 2, 3]),
        ([0.9, 0.9, 0.9, 0.9, 0.2], [0, 1, 2, 3, 4]),
    ],
)
def test_saddle_points_that_fit_badly_are_left_out(
    misfit: list[float], kept: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over 0.3 of the swing, or over 1.4 of the median where that is more."""
    Fitted(monkeypatch, misfit)
    index, saddles = growing._fine_saddles(np.zeros((800, 660), np.uint8), SHEET, WAY, np.arange(10, 15))
    assert (index - 10).tolist() == kept
    np.testing.assert_array_equal(saddles.misfit, np.array(misfit)[kept])
    Fitted(monkeypatch, misfit, good=False)
    index, _ = growing._fine_saddles(np.zeros((800, 660), np.uint8), SHEET, WAY, np.arange(10, 15))
    assert len(index) == 0


class Looked:
    """Stands for looking: so many rough saddle points are good, and the fine ones those told, some of them off."""

    def __init__(
        self, monkeypatch: pytest.MonkeyPatch, good: int, fine: list[int], off: dict[int, float] | None = None
    ) -> None:
        self.good, self.fine, self.off = good, fine, off or {}
        self.near, self.planes, self.left = list[int](), list[np.ndarray](), list[list[int]]()
        monkeypatch.setattr(growing, "_rough_saddles", self.rough)
        monkeypatch.setattr(growing, "_fine_saddles", self.finely)

    def rough(
        self, grey: Grey, layout: SheetLayout, plane: np.ndarray, index: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        self.near.append(len(index))
        self.planes.append(plane)
        good = np.zeros(len(index), dtype=bool)
        good[np.linspace(0, len(index) - 1, min(self.good, len(index))).astype(int)] = True
        placed_px = apply_homography(ASKEW, layout.corner_mm[index, :2])
        placed_px[~good] += 50.0
        return placed_px, good

    def finely(
        self, grey: Grey, layout: SheetLayout, plane: np.ndarray, index: np.ndarray
    ) -> tuple[np.ndarray, Saddles]:
        self.planes.append(plane)
        self.left.append(index.tolist())
        index = np.array([one for one in index if one in self.fine], dtype=int)
        at = apply_homography(ASKEW, layout.corner_mm[index, :2])
        for number, off in self.off.items():
            at[index == number] += off
        return index, Saddles(at, np.ones(len(index)), 0.5 + 0.01 * index, np.zeros(len(index)))

    def grown(self, *numbers: int) -> object:
        return grow_sheet(np.zeros((4, 4), np.uint8), SHEET, [marker(number) for number in numbers])


def test_saddle_points_are_looked_for_nearest_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: a marker begins 0.11 squares within its own, so 1.11 and 2.11 from the next ones along either axis."""
    looked = Looked(monkeypatch, 99, list(range(42)))
    looked.grown(7)  # in column 0, row 3: three more columns and two more rows either way are near
    assert looked.near == [4, 4 + 2 + 4, 10 + 2 + 4 + 2 + 2 + 2, 42]


@pytest.mark.parametrize(("good", "taken"), [(5, False), (6, True)])
def test_six_saddle_points_tell_the_plane_better_than_markers(
    good: int, taken: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked = Looked(monkeypatch, good, list(range(42)))
    sheet = looked.grown(3, 7)
    assert (sheet is not None) == taken
    # the markers are those of another plane, by which the first turn looks
    np.testing.assert_allclose(looked.planes[0] / looked.planes[0][2, 2], WAY, rtol=1e-3, atol=1e-5)
    if taken:
        np.testing.assert_allclose(looked.planes[-1], ASKEW, rtol=1e-6, atol=1e-9)
    else:
        assert len(looked.planes) == 4
        np.testing.assert_array_equal(looked.planes[3], looked.planes[0])


def test_points_off_the_plane_are_left_out_and_looked_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    fine = [0, 2, 5, 9, 14, 16, 20, 27, 30, 35, 37, 41]
    looked = Looked(monkeypatch, 99, fine, {14: 9.0})
    sheet = looked.grown(7)
    kept = [one for one in fine if one != 14]
    assert list(sheet.corner_index) == kept
    assert looked.left == [list(range(42)), [one for one in range(42) if one not in kept]]
    np.testing.assert_allclose(sheet.corner_px, apply_homography(ASKEW, SHEET.corner_mm[kept, :2]))
    assert sheet.blur_px == pytest.approx(0.5 + 0.01 * np.median(kept))
    plane, _ = fit_plane(SHEET.corner_mm[fine, :2], apply_homography(ASKEW, SHEET.corner_mm[fine, :2]))
    np.testing.assert_allclose(looked.planes[-1], plane, atol=1e-6)


@pytest.mark.parametrize(
    ("fine", "off", "grown"),
    [
        ([0, 3, 10, 17, 20, 29, 36, 41], {}, True),
        ([0, 3, 10, 17, 20, 29, 36], {}, False),
        ([0, 3, 10, 17, 20, 29, 36, 41], {20: 9.0}, False),
        ([0, 3, 10, 17, 20, 29, 36, 41, 8], {20: 9.0}, True),
        ([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11], {}, True),
        ([0, 6, 12, 18, 24, 30, 36, 1], {}, False),
        ([0, 6, 12, 18, 24, 30, 36, 1, 37], {}, True),
    ],
)
def test_eight_points_off_one_line_make_a_sheet(
    fine: list[int], off: dict[int, float], grown: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = Looked(monkeypatch, 99, fine, off).grown(7)
    assert (sheet is not None) == grown


@pytest.mark.parametrize(("x_px", "pulled"), [(9.9, 0), (10.1, 1), (649.9, 1), (650.1, 0)])
def test_only_what_its_window_and_two_pixels_leave_room_for_is_pulled(
    x_px: float, pulled: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The window reaches 8 px; the picture is 660 px wide."""
    asked: list[int] = []

    def refined(grey: Grey, start: np.ndarray, *_: object) -> np.ndarray:
        asked.append(len(start))
        return start

    monkeypatch.setattr(growing.cv2, "cornerSubPix", refined)
    way = np.array([[2.0, 0, x_px + 2 * 87], [0, -2.0, 300 + 2 * 133.5], [0, 0, 1]])
    growing._rough_saddles(np.zeros((800, 660), np.uint8), SHEET, way, np.array([0]))
    assert asked == pulled * [1]


@pytest.mark.parametrize(("x_px", "fitted"), [(7.9, 0), (8.1, 1), (651.9, 1), (652.1, 0)])
def test_only_what_its_window_and_a_pixel_leave_room_for_is_fitted(
    x_px: float, fitted: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The window reaches 7 px; the picture is 660 px wide."""
    Fitted(monkeypatch, fitted * [0.1])
    way = np.array([[2.0, 0, x_px + 2 * 87], [0, -2.0, 300 + 2 * 133.5], [0, 0, 1]])
    index, _ = growing._fine_saddles(np.zeros((800, 660), np.uint8), SHEET, way, np.array([0]))
    assert index.tolist() == fitted * [0]
