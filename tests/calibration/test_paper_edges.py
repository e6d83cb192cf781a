"""Edges of paper along lines that were drawn: where they are, which way they slope, and how far they stand out."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from calibration import paper_edges
from calibration.homography import apply_homography
from calibration.paper_edges import SIDES, edge_candidates
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_in_photo import SheetInPhoto

LAYOUT = SheetLayout(Paper.A4, 1)
PX_PER_MM = 2.0
SIZE = (560, 720)
UPRIGHT = np.array([[PX_PER_MM, 0, 280.0], [0, -PX_PER_MM, 360.0], [0, 0, 1.0]])
TILTED = np.array([[1.8, 0.3, 260.0], [0.25, -1.7, 330.0], [2e-4, -1e-4, 1.0]])

PAPER_MM = np.array([(-104.2, 147.3), (105.8, 149.9), (106.5, -150.1), (-104.9, -148.2)])
"""A sheet cut and fed askew: no two of its sides are as far from the print's middle, and none is level."""


def found(way: NDArray[np.float64]) -> SheetInPhoto:
    return SheetInPhoto(LAYOUT, np.arange(42), np.zeros((42, 2)), way, 0.05, 0.7)


def photo(way: NDArray[np.float64], wall: int = 150, paper: int = 235) -> NDArray[np.uint8]:
    finer = 8
    canvas = np.full((SIZE[1] * finer, SIZE[0] * finer), wall, np.uint8)
    at = (apply_homography(way, PAPER_MM) + 0.5) * finer - 0.5
    cv2.fillConvexPoly(canvas, np.round(at * 16).astype(np.int32), paper, shift=4)
    grey = cv2.GaussianBlur(cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA).astype(np.float64), (0, 0), 0.7)
    grey += np.random.default_rng(1).normal(0, 1.0, grey.shape)
    return np.repeat(np.round(grey).clip(0, 255).astype(np.uint8)[..., None], 3, axis=2)


def outwards_mm(side: str) -> float:
    """How far out a side of `PAPER_MM` is where it passes the print's middle."""
    one, two = {"left": (3, 0), "right": (1, 2), "bottom": (2, 3), "top": (0, 1)}[side]
    axis = 0 if side in ("left", "right") else 1
    (a, b), (c, d) = PAPER_MM[one], PAPER_MM[two]
    start, end, run = (a, c, (b, d)) if axis == 0 else (b, d, (a, c))
    return float(abs(np.interp(0.0, sorted(run), [v for _, v in sorted(zip(run, (start, end), strict=True))])))


@pytest.mark.parametrize("side", SIDES)
def test_each_side_is_found_where_it_was_drawn(side: str) -> None:
    image = photo(UPRIGHT)
    best = edge_candidates(image, found(UPRIGHT), side)[0]
    # a polygon is drawn half a fine pixel too large: 0.03 mm
    assert best.place_mm == pytest.approx(outwards_mm(side) + 0.03, abs=0.06)
    assert best.strength > 10
    # 0.15 px of any edge, and 2 px over how far it stands out; 2 px/mm
    assert best.uncertainty_mm == pytest.approx(np.hypot(0.15, 2.0 / best.strength) / 2)


@pytest.mark.parametrize("side", SIDES)
def test_a_side_half_out_of_the_photo_is_found_by_what_is_left(side: str) -> None:
    image = photo(UPRIGHT)
    part, sheet = image[:400, :330], found(UPRIGHT)
    candidates = edge_candidates(np.ascontiguousarray(part), sheet, side)
    if side in ("right", "bottom"):
        assert candidates == ()
    else:
        assert candidates[0].place_mm == pytest.approx(outwards_mm(side) + 0.03, abs=0.08)


def test_nothing_stands_out_on_an_even_wall() -> None:
    image = np.random.default_rng(2).normal(150, 2, (SIZE[1], SIZE[0], 3)).round().astype(np.uint8)
    assert all(edge_candidates(image, found(UPRIGHT), side) == () for side in SIDES)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("way", [UPRIGHT, TILTED], ids=["upright", "tilted"])
def test_the_strip_is_what_lies_along_a_side(side: str, way: NDArray[np.float64]) -> None:
    """In a photo whose colours are its coordinates, each place of the strip says where it was read."""
    across, down = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    image = np.stack([across / 3, down / 3, 0 * down], axis=2).round().astype(np.uint8)
    strip, along, outward = paper_edges._strip(image, found(way), side)
    page = LAYOUT.page
    long = page.height_mm if side in ("left", "right") else page.width_mm
    far = (page.right if side in ("left", "right") else page.top) + outward
    place = {
        "left": lambda row, column: (-column, row),
        "right": lambda row, column: (column, row),
        "bottom": lambda row, column: (row, -column),
        "top": lambda row, column: (row, column),
    }[side]
    rows, columns = range(0, len(along), 7), range(6, len(far) - 6, 5)
    at = apply_homography(way, np.array([place(along[r], far[c]) for r in rows for c in columns]))
    seen = np.array([strip[r, c, :2] for r in rows for c in columns]) * 3
    assert np.abs(seen - at).max() < 3.0
    assert np.abs((seen - at).mean(axis=0)).max() < 0.6
    if way is UPRIGHT:
        assert (along[0], along[-1]) == pytest.approx((6 - long / 2, long / 2 - 6))
        assert len(along) == 160
        # print at 1.035 of its size would be seen, and at 0.92
        assert outward[0] == -5.5
        assert outward[-1] == pytest.approx(15.0, abs=0.21)
        assert np.diff(outward) == pytest.approx(0.2)


def test_rows_are_left_out_only_where_the_photo_ends() -> None:
    """All of a strip that ends at the photo's first and last pixels is used, and nothing of one that goes beyond."""
    page = LAYOUT.page
    low, high = page.right - 5.5, page.right + 15.0 - 0.4 / PX_PER_MM
    sheet = found(np.array([[PX_PER_MM, 0, -PX_PER_MM * low], [0, -PX_PER_MM, 290.0], [0, 0, 1.0]]))
    width = round(PX_PER_MM * (high - low)) + 1
    blank = np.zeros((581, width, 3), np.uint8)
    count = len(paper_edges._strip(blank, sheet, "right")[1])
    assert count == 160
    down = 290.0 - PX_PER_MM * paper_edges._strip(blank, sheet, "right")[1]
    cut = blank[: int(np.ceil(down[50]))]
    kept = paper_edges._strip(np.ascontiguousarray(cut), sheet, "right")[1]
    assert len(kept) == 109
    assert len(paper_edges._strip(np.ascontiguousarray(blank[:, :-2]), sheet, "right")[1]) == 0


def test_changes_are_in_units_of_the_usual_one_and_limited_to_three() -> None:
    """1.4826 of the median of absolute values estimates the standard deviation of a normal distribution."""
    change = np.random.default_rng(3).normal(0, [1.0, 4.0, 0.001], (160, 90, 3))
    change[:, 40] = 100.0
    limited = paper_edges._limited(change)
    assert limited[:, :40, :2].std(axis=(0, 1)) == pytest.approx([0.99, 0.99], abs=0.05)
    assert (limited.max(), limited[:, :40].min()) == (3.0, -3.0)
    assert limited[:, 40] == pytest.approx(3.0)
    # where hardly anything changes, the limit is 0.05 grey levels: rounding is no edge
    assert limited[:, :40, 2].std() == pytest.approx(0.001 / 0.05, rel=0.05)


@pytest.mark.parametrize("number", [0, 5, 8, 16])
def test_a_line_stands_out_by_its_mean_over_what_chance_gives(number: int) -> None:
    rows, columns, step_mm = 120, 60, 0.3
    along = np.linspace(-140.0, 110.0, rows)
    outward = 3.0 + step_mm * np.arange(columns)
    slope = paper_edges._SLOPE_RANGE[number]
    change = np.zeros((rows, columns, 3))
    change[np.arange(rows), 30 + np.round(slope * along / step_mm).astype(int)] = (2.0, 1.0, 0.0)
    score = paper_edges._line_scores(change, along, outward)
    assert np.unravel_index(score.argmax(), score.shape) == (number, 30)
    spread = np.maximum(change.std(axis=(0, 1)), 0.3)
    assert score.max() == pytest.approx(np.sqrt((rows / 2 * (np.array([2, 1, 0]) / spread) ** 2).sum() / 3))
    assert (paper_edges._SLOPE_RANGE[0], paper_edges._SLOPE_RANGE[-1]) == (-0.012, 0.012)


@pytest.mark.parametrize("slope", [-0.009, 0.0, 0.006])
def test_a_line_s_middle_is_told_to_a_hundredth(slope: float) -> None:
    """The edge is a blurred step, started from two columns beside it; a quarter of the rows is covered."""
    step_mm, place_mm = 0.2, 3.137
    along = np.linspace(-130.0, 142.0, 160)
    outward = np.arange(-5.5, 15.0, step_mm)
    away = (outward[None] - place_mm - slope * along[:, None]) / (2.0 * step_mm)
    strip = np.repeat((200 - 40 * erf(away / np.sqrt(2)))[..., None], 3, axis=2)
    strip[20:55] = 90.0
    peak = round((place_mm - outward[0]) / step_mm - 0.5) + 2
    place = paper_edges._centre_mm(np.diff(strip, axis=1), along, outward, peak, slope)
    assert place == pytest.approx(place_mm, abs=0.012)


def test_two_lines_are_two_candidates() -> None:
    """A paper's edge and, 6 mm outside of it, the edge of a board on which it lies: the strongest first."""
    image = photo(UPRIGHT)
    x = round(280 + PX_PER_MM * 112.0)
    image[:, x:] = np.clip(image[:, x:].astype(int) - 90, 0, 255).astype(np.uint8)
    candidates = edge_candidates(image, found(UPRIGHT), "right")
    places = np.array([each.place_mm for each in candidates])
    strengths = [each.strength for each in candidates]
    assert strengths == sorted(strengths, reverse=True)
    assert sorted(places[:2]) == pytest.approx([outwards_mm("right"), 111.75], abs=0.15)
    assert len(candidates) <= 5


def _level(px_per_mm: float, middle_px: tuple[float, float]) -> SheetInPhoto:
    return found(np.array([[px_per_mm, 0, middle_px[0]], [0, -px_per_mm, middle_px[1]], [0, 0, 1.0]]))


@pytest.mark.parametrize("side", ["right", "top"])
def test_a_strip_is_read_between_pixels_and_smoothed_outwards(side: str) -> None:
    """By numpy: bilinear, then five places outwards with a Gaussian of one place.  OpenCV reads to 1/32 px."""
    image = np.random.default_rng(5).integers(0, 256, (500, 400, 3)).astype(np.uint8)
    image = cv2.GaussianBlur(image, (0, 0), 1.0)
    sheet = _level(0.7, (190.0, 240.0))
    strip, along, outward = paper_edges._strip(image, sheet, side)
    length, nominal = (297.0, 105.0) if side == "right" else (210.0, 148.5)
    assert len(along) == int(length * 0.7 / 1.5) == len(strip)
    far = nominal + outward
    across, up = (far[None] + 0 * along[:, None], along[:, None] + 0 * far[None])
    if side == "top":
        across, up = up, across
    x, y = 190 + 0.7 * across, 240 - 0.7 * up
    left, above = np.floor(x).astype(int), np.floor(y).astype(int)
    right, below = (x - left)[..., None], (y - above)[..., None]
    upper = image[above, left] * (1 - right) + image[above, left + 1] * right
    lower = image[above + 1, left] * (1 - right) + image[above + 1, left + 1] * right
    read = upper * (1 - below) + lower * below
    weights = np.exp(-(np.arange(-2, 3) ** 2) / 2)
    weights /= weights.sum()
    smooth = sum(w * read[:, 2 + k : read.shape[1] - 2 + k] for w, k in zip(weights, range(-2, 3), strict=True))
    assert strip.shape == (len(along), len(outward), 3)
    assert np.abs(strip[:, 2:-2] - smooth).max() < 2.5
    assert np.abs(strip[:, 2:-2] - smooth).mean() < 0.5


def test_a_strip_has_twenty_rows_at_least_and_all_in_the_photo() -> None:
    image = np.zeros((60, 60, 3), np.uint8)
    # 297 mm at 0.08 px/mm are 16 rows of 1.5 px; 20 are taken, between the 6 mm left out at either end
    strip, along, outward = paper_edges._strip(image, _level(0.08, (25.0, 30.0)), "right")
    assert along == pytest.approx(np.linspace(-142.5, 142.5, 20))
    assert outward == pytest.approx(np.arange(-5.5, 15.0, 5.0))
    assert strip.shape == (20, len(outward), 3)
    # one row outside is one too many for such a strip
    top_px = 30 - 0.08 * 142.5
    strip, along, outward = paper_edges._strip(image, _level(0.08, (25.0, 30.0 - top_px - 0.1)), "right")
    assert (strip.shape, along.shape) == ((0, len(outward), 3), (0,))
    assert edge_candidates(image, _level(0.08, (25.0, 30.0 - top_px - 0.1)), "right") == ()
    assert len(paper_edges._strip(image, _level(0.08, (25.0, 30.0 - top_px + 0.1)), "right")[1]) == 20


def test_changes_are_limited_by_hand() -> None:
    row = np.array([[1.0, -8.0], [-2.0, 0.02], [30.0, 16.0], [-4.0, -0.04], [-2.0, 24.0], [2.0, 0.0]])
    change = np.stack([row, 9 * row, -row, 5 * row])  # every fourth row tells what is usual
    # medians of sizes: 2 and (0.04 + 8) / 2
    expected = np.clip(change / (1.4826 * np.array([2.0, 4.02])), -3, 3)
    assert paper_edges._limited(change) == pytest.approx(expected)
    assert (expected[0, 2, 0], expected[0, 5, 1]) == (3.0, 0.0)
    assert paper_edges._limited(np.array([[[-9.0], [0.001], [0.02]]])).ravel() == pytest.approx([-3.0, 0.02, 0.4])


def test_scores_of_all_lines_by_adding_row_by_row() -> None:
    """Where a line leaves the strip its last column goes on."""
    generator = np.random.default_rng(6)
    rows, columns, step_mm = 61, 23, 0.317
    change = generator.normal(0, [1.0, 2.0, 0.05], (rows, columns, 3))
    along = np.linspace(-90.0, 141.0, rows)
    scores = paper_edges._line_scores(change, along, -2.0 + step_mm * np.arange(columns))
    assert scores.shape == (17, columns)
    spread = np.maximum(change.reshape(-1, 3).std(axis=0), 0.3)
    for number, slope in enumerate(np.linspace(-0.012, 0.012, 17)):
        for column in range(columns):
            at = [min(max(column + round(slope * far / step_mm), 0), columns - 1) for far in along]
            mean = change[np.arange(rows), at].mean(axis=0)
            expected = np.sqrt(((mean * np.sqrt(rows / 2) / spread) ** 2).sum() / 3)
            assert scores[number, column] == pytest.approx(expected)


def _centre_by_rows(
    change: NDArray[np.float64], along: NDArray[np.float64], start_mm: float, step_mm: float, peak: int, slope: float
) -> float:
    """`_centre_mm` anew: rows read by interpolation, the middle half of their sorted values, weights by agreement."""
    centre = float(peak)
    for _ in range(4):
        places = centre + np.arange(-5, 6)
        rows = [
            [np.interp(places + slope * far / step_mm, np.arange(len(row)), row[:, c]) for c in range(3)]
            for row, far in zip(change, along, strict=True)
        ]
        ordered = np.sort(np.array(rows), axis=0)
        quarter = len(ordered) // 4
        usual = ordered[quarter:-quarter].mean(axis=0).T
        weights = np.maximum(usual @ usual[3:8].sum(axis=0), 0)
        if weights.sum() == 0:
            break
        centre += float(weights @ np.arange(-5, 6) / weights.sum())
    return start_mm + step_mm * (0.5 + centre)


@pytest.mark.parametrize(("peak", "slope"), [(14, 0.004), (14, -0.011), (1, 0.009), (27, 0.012)])
@pytest.mark.parametrize("size", [1.0, 1e-3])
def test_a_line_s_middle_is_as_by_another_way(peak: int, slope: float, size: float) -> None:
    """An edge of two lobes unlike in colour, under noise; near the strip's ends as well, and however faint."""
    generator = np.random.default_rng(7)
    along, outward = np.linspace(-70.0, 93.0, 37), np.arange(-5.5, 3.3, 0.3)
    change = generator.normal(0, 1.0, (37, 29, 3))
    for row, far in enumerate(along):
        line = np.arange(29) - peak - 0.7 - slope * far / 0.3
        change[row] += np.exp(-(line**2) / 4)[:, None] * [8.0, 5.0, -3.0]
        change[row] -= np.exp(-((line - 3.5) ** 2) / 2)[:, None] * [3.0, 0.0, 1.0]
    place = paper_edges._centre_mm(size * change, along, outward, peak, slope)
    # what the next round would move is less than a hundredth of a column
    assert place == pytest.approx(_centre_by_rows(change, along, -5.5, 0.3, peak, slope), abs=0.003)


def test_where_nothing_changes_a_line_stays_where_it_was() -> None:
    outward = np.arange(-5.5, 15.0, 0.25)
    place = paper_edges._centre_mm(np.zeros((40, len(outward) - 1, 3)), np.linspace(-9, 9, 40), outward, 30, 0.01)
    assert place == pytest.approx(-5.5 + 0.25 * 30.5)


def _candidates_of(
    scores: dict[int, float], shift_mm: float, px_per_mm: float, monkeypatch: pytest.MonkeyPatch, side: str = "top"
) -> list[tuple[float, float, float]]:
    """What is made of lines with these scores, by column, whose middles lie `shift_mm` outside of their columns.

    Columns lie 0.2 mm apart, the first one's middle 5.4 mm inwards.
    """
    outward = np.arange(-5.5, 15.0, 0.2)
    table = np.full((17, len(outward) - 1), 0.5)
    for column, score in scores.items():
        table[column % 17, column] = score
        table[(column + 3) % 17, column] = score - 0.2

    def centre(_change: object, _along: object, _outward: object, peak: int, slope: float) -> float:
        assert slope == pytest.approx(-0.012 + 0.0015 * (peak % 17))
        return float((outward[peak] + outward[peak + 1]) / 2 + shift_mm)

    monkeypatch.setattr(paper_edges, "_strip", lambda *_: (np.zeros((20, len(outward), 3)), np.zeros(20), outward))
    monkeypatch.setattr(paper_edges, "_line_scores", lambda *_: table)
    monkeypatch.setattr(paper_edges, "_centre_mm", centre)
    blank = np.zeros((9, 9, 3), np.uint8)
    lines = edge_candidates(blank, _level(px_per_mm, (0.0, 0.0)), side)
    return [(line.place_mm, line.strength, line.uncertainty_mm) for line in lines]


def _columns(lines: list[tuple[float, float, float]], shift_mm: float) -> list[int]:
    return [round((place - 148.5 - shift_mm + 5.4) / 0.2) for place, _, _ in lines]


def test_lines_are_taken_from_the_strongest_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Five at most, of more than five deviations; 2.5 px about each are taken with it: 6 columns at 2 px/mm."""
    lines = _candidates_of({8: 6.0, 20: 30.0, 26: 29.0, 27: 12.0, 13: 28.0, 14: 27.0}, 0.0, 2.0, monkeypatch)
    assert _columns(lines, 0.0) == [20, 13, 27]
    assert [strength for _, strength, _ in lines] == [30.0, 28.0, 12.0]
    assert lines[0] == pytest.approx((148.5 - 5.4 + 4.0, 30.0, np.hypot(0.15, 2.0 / 30.0) / 2))
    assert lines[2][2] == pytest.approx(np.hypot(0.15, 2.0 / 12.0) / 2)
    assert len(_candidates_of({8: 5.1, 30: 4.9}, 0.0, 2.0, monkeypatch)) == 1
    assert _columns(_candidates_of(dict.fromkeys(range(5, 100, 10), 9.0), 0.0, 2.0, monkeypatch), 0.0) == [
        *(5, 15, 25, 35, 45)
    ]


def test_lines_beside_a_line_and_beside_its_middle_are_taken_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The middle of the first lies 9 columns further out, so what it takes is columns 14 to 26 and 23 to 35."""
    scores = {20: 30.0, 13: 13.0, 14: 14.0, 26: 15.0, 23: 16.0, 35: 17.0, 36: 18.0}
    assert _columns(_candidates_of(scores, 1.8, 2.0, monkeypatch), 1.8) == [20, 36, 13]
    scores = {60: 30.0, 34: 13.0, 35: 14.0, 45: 15.0, 46: 12.0, 54: 16.0, 53: 7.0, 66: 16.0, 67: 18.0}
    assert _columns(_candidates_of(scores, -4.0, 2.0, monkeypatch), -4.0)[:2] == [60, 67]
    # at the strip's beginning
    assert _columns(_candidates_of({3: 30.0, 0: 20.0, 9: 19.0, 10: 18.0, 101: 9.0}, 0.0, 2.0, monkeypatch), 0.0) == [
        *(3, 10, 101)
    ]


def test_two_columns_at_least_are_taken_with_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 20 px/mm 2.5 px are half a column; at 5 px/mm they are two and a half, rounded to two."""
    for px_per_mm in (20.0, 5.1):
        lines = _candidates_of({50: 30.0, 48: 20.0, 52: 19.0, 47: 18.0, 53: 17.0}, 0.0, px_per_mm, monkeypatch)
        assert _columns(lines, 0.0) == [50, 47, 53]
    assert _candidates_of({50: 30.0}, 0.0, 2.0, monkeypatch, "right")[0][0] == pytest.approx(105 - 5.4 + 10.0)


def test_places_are_counted_from_the_paper_s_own_edge() -> None:
    sheet = found(UPRIGHT)
    assert [paper_edges._nominal_mm(sheet, side) for side in SIDES] == [105.0, 105.0, 148.5, 148.5]
