"""Finding sheets: small, turned, half covered, several at once; and the corners' bias."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration import detection
from calibration.arrays import Grey
from calibration.detection import _resized, find_sheets, is_mirrored
from calibration.homography import apply_homography
from calibration.markers import Marker
from calibration.sheet import Paper, SheetLayout, all_layouts
from calibration.sheet_in_photo import SheetInPhoto
from tests.calibration.pretend_photos import photograph, placed

A4 = SheetLayout(Paper.A4, 1)


@pytest.mark.parametrize("turn_deg", [0, 141])
def test_a_sheet_in_the_mirror_is_told_from_one_that_is_not(turn_deg: float) -> None:
    photo = photograph([(A4, placed(A4, (450, 350), 1.1, turn_deg, 0.03))])
    assert not is_mirrored(photo)
    assert is_mirrored(photo[:, ::-1])
    assert not find_sheets(photo[:, ::-1])


@pytest.mark.parametrize("turn_deg", [0, 37, 90, 141, 180, 268])
def test_found_at_any_turn_with_all_corners(turn_deg: float) -> None:
    truth = placed(A4, (450, 350), 1.1, turn_deg, 0.03)
    (sheet,) = find_sheets(photograph([(A4, truth)]))
    assert sheet.layout == A4
    assert len(sheet.corner_index) == 42
    error = sheet.corner_px - apply_homography(truth, sheet.corner_mm[:, :2])
    assert np.sqrt((error**2).mean()) < 0.06


def test_corners_have_no_bias() -> None:
    """A shift of half a pixel, which other refinements have, would show at once; a twentieth is the limit."""
    offsets = []
    for seed in range(12):
        generator = np.random.default_rng(seed)
        centre = (450 + generator.uniform(-1, 1), 350 + generator.uniform(-1, 1))
        truth = placed(A4, centre, generator.uniform(0.8, 1.6), generator.uniform(0, 360), 0.02)
        (sheet,) = find_sheets(photograph([(A4, truth)], seed=seed))
        offsets.append(sheet.corner_px - apply_homography(truth, sheet.corner_mm[:, :2]))
    assert np.abs(np.vstack(offsets).mean(axis=0)).max() < 0.05


def test_stated_noise_is_the_real_noise() -> None:
    # over six photos of some forty corners each the root mean square is known to 5 %; as much again for the model
    truth, ratios = placed(A4, (450, 350), 0.9, 12, 0.02), []
    for seed in range(6):
        (sheet,) = find_sheets(photograph([(A4, truth)], noise=6.0, seed=seed))
        error = sheet.corner_px - apply_homography(truth, sheet.corner_mm[:, :2])
        ratios.append(sheet.noise_px / np.sqrt((error**2).mean()))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.3)


@pytest.mark.parametrize("covered", ["left", "right", "top", "bottom"])
def test_found_at_half_a_pixel_per_mm_with_half_of_it_covered(covered: str) -> None:
    truth = placed(A4, (200, 180), 0.5, 4, 0.02)
    photo = photograph([(A4, truth)], size_px=(400, 360), blur_px=0.6)
    board = A4.board
    middle_x, middle_y = board.centre_mm
    corners = {
        "left": [(-150, 200), (middle_x, 200), (middle_x, -200), (-150, -200)],
        "right": [(middle_x, 200), (150, 200), (150, -200), (middle_x, -200)],
        "top": [(-150, 200), (150, 200), (150, middle_y), (-150, middle_y)],
        "bottom": [(-150, middle_y), (150, middle_y), (150, -200), (-150, -200)],
    }[covered]
    cv2.fillConvexPoly(
        photo, np.round(apply_homography(truth, np.array(corners, float))).astype(np.int32), (120, 90, 80)
    )
    (sheet,) = find_sheets(photo)
    assert sheet.layout == A4
    assert 12 <= len(sheet.corner_index) <= 24
    error = sheet.corner_px - apply_homography(truth, sheet.corner_mm[:, :2])
    assert np.abs(error).max() < 0.5


def test_all_eight_sheets_are_told_apart() -> None:
    places = [(130 + 220 * column, 170 + 330 * row) for row in range(2) for column in range(4)]
    sheets = [
        (layout, placed(layout, place, 0.8, 3 * number))
        for number, (layout, place) in enumerate(zip(all_layouts(), places, strict=True))
    ]
    found = find_sheets(photograph(sheets, size_px=(950, 680)))
    assert {sheet.layout for sheet in found} == set(all_layouts())
    for sheet in found:
        truth = dict(sheets)[sheet.layout]
        error = sheet.corner_px - apply_homography(truth, sheet.corner_mm[:, :2])
        assert np.abs(error).max() < 0.5


def test_nothing_is_found_where_there_is_no_sheet() -> None:
    generator = np.random.default_rng(1)
    texture = cv2.resize(generator.integers(0, 255, (60, 80, 3), np.uint8), (800, 600), interpolation=cv2.INTER_NEAREST)
    assert find_sheets(texture) == ()
    assert find_sheets(np.full((300, 400, 3), 200, np.uint8)) == ()


def test_a_foreign_chessboard_is_not_a_sheet() -> None:
    rows, columns = np.indices((600, 800)) // 40
    board = np.where((rows + columns) % 2 == 0, 20, 230).astype(np.uint8)
    assert find_sheets(np.repeat(board[..., None], 3, axis=2)) == ()


def test_a_real_photo_of_another_board_holds_no_sheet(shared) -> None:  # type: ignore[no-untyped-def]
    photos = sorted((shared / "real_boards" / "opencv_chess_stereo").glob("left0*.jpg"))
    if not photos:
        pytest.skip("no real photos of boards in the shared folder")
    for photo in photos[:4]:
        assert find_sheets(cv2.imread(str(photo), cv2.IMREAD_COLOR)) == ()


def test_photos_are_made_larger_without_blocks_and_smaller_by_means() -> None:
    """Cubic interpolation keeps a slope a slope; a mean over 2 x 2 px is what a pixel twice as large sees."""
    slope = np.repeat(np.arange(0, 240, 8, dtype=np.uint8)[None], 30, axis=0)
    steps = np.diff(_resized(slope, 1.5)[15, 6:-6].astype(int))
    assert steps.min() >= 4
    assert steps.max() <= 7
    noise = np.random.default_rng(1).integers(0, 256, (40, 40)).astype(np.uint8)
    means = noise.reshape(20, 2, 20, 2).mean(axis=(1, 3))
    assert np.abs(_resized(noise, 0.5) - means).max() <= 0.5
    assert _resized(noise, 1.0) is noise


@pytest.mark.parametrize(
    ("scale", "way"),
    [
        (2.0, cv2.INTER_CUBIC),
        (1.3, cv2.INTER_CUBIC),
        (0.7, cv2.INTER_LINEAR),
        (0.5, cv2.INTER_LINEAR),
        (0.45, cv2.INTER_AREA),
    ],
)
def test_how_photos_are_made_larger_and_smaller(scale: float, way: int) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (40, 60)).astype(np.uint8)
    size = (round(60 * scale), round(40 * scale))
    np.testing.assert_array_equal(_resized(noise, scale), cv2.resize(noise, size, interpolation=way))


@pytest.mark.parametrize(
    ("shape", "looks"),
    [
        ((40, 1300), [(1.0, (40, 1300)), (2.0, (80, 2600))]),
        ((5200, 20), [(0.5, (2600, 10)), (1.0, (5200, 20))]),
        ((2600, 10), [(1.0, (2600, 10)), (2.0, (5200, 20))]),
    ],
)
def test_at_which_sizes_markers_are_looked_for(
    shape: tuple[int, int], looks: list[tuple[float, tuple[int, int]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The longer side at 2600 px at most, and once more at twice that size where nothing was found."""
    asked: list[tuple[float, tuple[int, ...]]] = []

    def none(grey: Grey, scale: float) -> list[Marker]:
        asked.append((scale, grey.shape))
        return []

    monkeypatch.setattr(detection, "read_markers", none)
    assert find_sheets(np.zeros(shape, np.uint8)) == ()
    assert asked == looks


GREY: Grey = np.zeros((10, 10), np.uint8)


def pretended(layout: SheetLayout, left_px: float = 0.0, corners: int = 42) -> SheetInPhoto:
    """A sheet at 1 px/mm whose paper begins `left_px` from the left."""
    way = np.array([[1, 0, left_px + layout.paper.width_mm / 2], [0, -1, 200], [0, 0, 1]])
    return SheetInPhoto(layout, np.arange(corners), np.zeros((corners, 2)), way, 0.04, 0.8)


def marker_at(layout: SheetLayout, x: float, y: float, number: int = 0) -> Marker:
    corners = layout.marker_boxes[number].corners_mm
    return Marker(layout, corners, (corners - corners.mean(0)) * [1.0, -1.0] + [x, y])


class Grown:
    """Stands for growing: gives what it is told to, and keeps what it was asked."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, sheets: dict[SheetLayout, SheetInPhoto]) -> None:
        self.sheets, self.asked = sheets, list[tuple[SheetLayout, int]]()
        monkeypatch.setattr(detection, "grow_sheet", self)

    def __call__(self, grey: Grey, layout: SheetLayout, markers: list[Marker]) -> SheetInPhoto | None:
        assert grey is GREY
        self.asked.append((layout, len(markers)))
        return self.sheets.get(layout)


def test_agreeing_markers_are_followed_and_then_single_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two that agree together, one alone not; of all of them then the twelve that were read best, one by one."""
    grown = Grown(monkeypatch, {})
    one, two, three = all_layouts()[:3]
    pair = [marker_at(two, *(100 + two.marker_boxes[n].corners_mm.mean(0) * [1, -1]), n) for n in (0, 14)]
    alone = marker_at(one, 900, 100)
    apart = [marker_at(three, 1000 * number, 100 + 5000 * (number % 2)) for number in range(11)]
    assert detection._sheets_of(GREY, [alone, *pair, *apart]) == []
    assert grown.asked == [(two, 2), (one, 1), (two, 1), (two, 1)] + 9 * [(three, 1)]


def test_markers_of_sheets_that_were_found_are_not_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    one, two, three = all_layouts()[:3]
    grown = Grown(monkeypatch, {one: pretended(one), three: pretended(three, 600)})
    monkeypatch.setattr(detection, "named", lambda grey, sheet: [] if grey is GREY else None)
    pair = [marker_at(one, *(100 + one.marker_boxes[n].corners_mm.mean(0) * [1, -1]), n) for n in (0, 14)]
    on_it, beside_it, far = marker_at(two, 105, 200), marker_at(two, 225, 200), marker_at(one, 900, 900)
    found = detection._sheets_of(GREY, [on_it, *pair, far, beside_it, marker_at(three, 105, 380)])
    assert [sheet.layout for sheet in found] == [one, three]
    assert grown.asked == [(one, 2), (two, 1), (three, 1)]


def test_a_sheet_is_kept_as_what_it_really_is(monkeypatch: pytest.MonkeyPatch) -> None:
    one, two, three = all_layouts()[:3]
    grown = Grown(monkeypatch, {three: pretended(three, 600)})
    markers = [marker_at(three, 700, 200), marker_at(three, 750, 200)]
    says: list[list[Marker] | None] = []
    monkeypatch.setattr(detection, "named", lambda grey, sheet: says.pop())
    found: list[SheetInPhoto] = []

    def kept(sheet: SheetInPhoto | None, said: list[Marker] | None) -> list[tuple[SheetLayout, float]]:
        says.append(said)
        detection._add(found, GREY, sheet)
        return [(one.layout, float(one.outline_px[0, 0])) for one in found]

    assert kept(None, []) == []
    assert kept(pretended(one), None) == []
    assert kept(pretended(one), []) == [(one, 0)]
    assert kept(pretended(two, 100), []) == [(one, 0)]  # its middle is on the first
    assert kept(pretended(one, 300), []) == [(one, 0)]  # the same name
    assert kept(pretended(two, 110), []) == [(one, 0), (two, 110)]  # its middle is beside the first
    assert kept(pretended(two, 900), markers) == [(one, 0), (two, 110), (three, 600)]
    assert grown.asked == [(three, 2)]
    grown.sheets = {}
    assert len(kept(pretended(two, 900), markers)) == 3


def test_the_sheet_with_most_corners_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    sheets = [pretended(layout, corners=corners) for layout, corners in zip(all_layouts(), (9, 42, 20), strict=False)]
    monkeypatch.setattr(detection, "_sheets_of", lambda grey, markers: sheets)
    assert [len(sheet.corner_index) for sheet in find_sheets(GREY)] == [42, 20, 9]
