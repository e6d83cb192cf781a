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
    return SheetInPhoto(LAYOUT, np.arange(42), np.zeros((42, 2)), way, 0.05, 0.05, 0.7)


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
    assert limited[:, :40, :2].std(axis=(0, 1)) == pytest.approx([0.99, 0.99], abs=0.02)
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
