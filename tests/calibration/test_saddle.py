"""Saddle points of exact blurred crossings, and on real photos of a chessboard with published calibration."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from calibration import saddle
from calibration.saddle import Saddles, fit_saddles

COLUMNS, ROWS, SQUARE_MM = 9, 6, 25.0
PUBLISHED_FOCAL_PX = (
    535.92  # left_intrinsics.yml of OpenCV's samples, at 0.393 px misfit; a re-fit gives 532.8 at 0.196
)


def test_real_chessboard_is_fitted_as_well_as_published(shared: Path) -> None:
    photos = sorted((shared / "real_boards" / "opencv_chess_stereo").glob("left*.jpg"))
    if len(photos) < 10:
        pytest.skip("no real photos of a chessboard in the shared folder")
    board = np.zeros((ROWS * COLUMNS, 3), np.float32)
    board[:, :2] = SQUARE_MM * np.mgrid[:COLUMNS, :ROWS].T.reshape(-1, 2)
    corners = []
    for photo in photos:
        grey = cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE)
        found, rough = cv2.findChessboardCorners(grey, (COLUMNS, ROWS))
        if not found:
            continue
        start = rough.reshape(-1, 2).astype(np.float64)
        grid = start.reshape(ROWS, COLUMNS, 2)
        edges = np.stack([np.gradient(grid, axis=1), np.gradient(grid, axis=0)], axis=2).reshape(-1, 2, 2)
        corners.append(fit_saddles(grey, start, edges, 6.0).place_px.astype(np.float32))
    assert len(corners) >= 12
    misfit_px, matrix, *_ = cv2.calibrateCamera([board] * len(corners), corners, grey.shape[::-1], None, None)
    assert misfit_px < 0.2
    assert matrix[0, 0] == pytest.approx(PUBLISHED_FOCAL_PX, rel=0.01)


def _crossing(
    place_px: tuple[float, float], angles_deg: tuple[float, float], blur_px: float, levels: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Two blurred edges at these angles that cross at a place: grey levels (31, 31), and the edges' directions."""
    columns, rows = np.meshgrid(np.arange(31.0), np.arange(31.0))
    along_x, along_y = (np.array([np.cos(a), np.sin(a)]) for a in np.radians(angles_deg))
    across = []
    for edge, towards in ((along_y, along_x), (along_x, along_y)):
        normal = np.array([-edge[1], edge[0]])
        normal *= np.sign(normal @ towards)
        distance = (columns - place_px[0]) * normal[0] + (rows - place_px[1]) * normal[1]
        across.append(2 * ndtr(distance / blur_px) - 1)
    middle, swing = levels
    return middle + swing * across[0] * across[1], np.stack([along_x, along_y])[None]


@pytest.mark.parametrize("angles_deg", [(0.0, -90.0), (20.0, -60.0), (-35.0, 75.0)])
@pytest.mark.parametrize("blur_px", [0.6, 0.9, 1.8])
@pytest.mark.parametrize("swing", [70.0, -70.0])
def test_a_blurred_crossing_is_placed_exactly(angles_deg: tuple[float, float], blur_px: float, swing: float) -> None:
    place = (15.3, 14.6)
    picture, edges = _crossing(place, angles_deg, blur_px, (120.0, swing))
    found = fit_saddles(np.round(picture).astype(np.uint8), np.array([[15.0, 15.0]]), edges, 6.0)
    np.testing.assert_allclose(found.place_px[0], place, atol=0.01)
    assert found.swing[0] == pytest.approx(swing, rel=0.03)
    assert found.blur_px[0] == pytest.approx(blur_px, rel=0.03)
    assert found.misfit[0] < 0.02


def test_rounding_and_noise_shift_a_crossing_as_theory_says() -> None:
    """Cramer and Rao's bound for the model; the weights, which waste the window's rim, cost up to a half more."""
    generator = np.random.default_rng(7)
    picture, edges = _crossing((15.2, 15.1), (10.0, -80.0), 1.0, (120.0, 60.0))
    moved, _ = _crossing((15.2001, 15.1), (10.0, -80.0), 1.0, (120.0, 60.0))
    slope = (moved - picture) / 1e-4
    columns, rows = np.meshgrid(np.arange(31.0) - 15.2, np.arange(31.0) - 15.1)
    near = np.hypot(columns, rows) < 6
    bound = 4.0 / np.sqrt((slope[near] ** 2).sum())
    places = []
    for _ in range(60):
        noisy = np.clip(picture + generator.normal(0, 4.0, picture.shape), 0, 255).astype(np.uint8)
        places.append(fit_saddles(noisy, np.array([[15.0, 15.0]]), edges, 6.0).place_px[0])
    scatter = np.std(places, axis=0).mean()
    assert bound < scatter * 1.15
    assert scatter < 1.6 * bound


def test_a_start_a_pixel_off_is_made_good() -> None:
    picture, edges = _crossing((15.4, 14.7), (0.0, -90.0), 0.8, (120.0, 80.0))
    for start in ((14.4, 14.2), (16.0, 15.5)):
        found = fit_saddles(np.round(picture).astype(np.uint8), np.array([start]), edges, 5.0)
        np.testing.assert_allclose(found.place_px[0], (15.4, 14.7), atol=0.01)


def test_exposure_does_not_shift_a_crossing() -> None:
    """Paper burnt out and black crushed, as by a tone curve: edges move, the saddle point stays."""
    picture, edges = _crossing((15.3, 14.6), (5.0, -85.0), 1.0, (160.0, 140.0))
    found = fit_saddles(np.clip(picture, 30, 235).astype(np.uint8), np.array([[15.0, 15.0]]), edges, 6.0)
    np.testing.assert_allclose(found.place_px[0], (15.3, 14.6), atol=0.02)


def test_where_nothing_is_seen_the_blur_is_the_usual_one_and_stays_in_bounds() -> None:
    flat = np.full((31, 31), 128, np.uint8)
    found = fit_saddles(flat, np.array([[15.0, 15.0]]), np.array([[[1.0, 0.0], [0.0, -1.0]]]), 6.0)
    assert found.blur_px[0] == pytest.approx(0.9, rel=0.01)
    assert found.swing[0] == pytest.approx(0.0, abs=1e-6)
    sharp = np.where(_crossing((15.5, 15.5), (0.0, -90.0), 1.0, (120.0, 90.0))[0] > 120, 210, 30).astype(np.uint8)
    _, edges = _crossing((15.5, 15.5), (0.0, -90.0), 1.0, (120.0, 90.0))
    found = fit_saddles(sharp, np.array([[15.0, 15.0]]), edges, 6.0)
    np.testing.assert_allclose(found.place_px[0], (15.5, 15.5), atol=0.02)
    assert found.blur_px[0] == pytest.approx(0.35, rel=0.05)


def test_a_covered_crossing_fits_badly() -> None:
    picture, edges = _crossing((15.0, 15.0), (0.0, -90.0), 0.8, (120.0, 80.0))
    picture[16:] = 90.0
    assert fit_saddles(picture.astype(np.uint8), np.array([[15.0, 15.0]]), edges, 6.0).misfit[0] > 0.25


def test_a_misfit_is_relative_to_the_swing() -> None:
    """The same picture, pale and ten times as strong, misfits alike; one of hardly any swing is not divided by it."""
    level, edges = _crossing((15.2, 14.7), (10.0, -75.0), 0.9, (0.0, 1.0))
    disturbed = level + np.random.default_rng(1).normal(0, 0.1, level.shape)
    pale, strong, none = (
        fit_saddles(128 + swing * disturbed, np.array([[15.0, 15.0]]), edges, 6.0) for swing in (1.5, 15.0, 0.1)
    )
    assert pale.misfit == pytest.approx(strong.misfit, rel=1e-3)
    assert none.misfit == pytest.approx(0.1 * strong.misfit * np.abs(strong.swing) / 15.0, rel=0.05)


def _speckled() -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.float64], float]:
    """Two crossings of unlike blur and swing under strong noise, and where to begin; the window takes all there is."""
    one, edges = _crossing((15.3, 14.6), (25.0, -50.0), 1.3, (120.0, 60.0))
    two, others = _crossing((14.8, 15.4), (-20.0, 80.0), 0.7, (100.0, -45.0))
    picture = np.hstack([one, two]) + np.random.default_rng(11).normal(0, 12.0, (31, 62))
    start = np.array([[15.0, 15.0], [31 + 15.2, 15.1]])
    return np.round(picture.clip(0, 255)).astype(np.uint8), start, np.concatenate([edges, others]), 4.3


def _reference(
    grey: NDArray[np.uint8], start: NDArray[np.float64], edges: NDArray[np.float64], radius_px: float
) -> NDArray[np.float64]:
    """Middle, swing, place, log of the blur and relative misfit by scipy's least squares, weights renewed each time."""
    (x0, y0), reach = np.round(start), int(np.ceil(radius_px))
    across, down = np.meshgrid(x0 + np.arange(-reach, reach + 1), y0 + np.arange(-reach, reach + 1))
    columns, rows = across.clip(0, grey.shape[1] - 1), down.clip(0, grey.shape[0] - 1)
    level = grey[rows.astype(int), columns.astype(int)].astype(float)
    normals = []
    for edge, towards in ((edges[1], edges[0]), (edges[0], edges[1])):
        normal = np.array([-edge[1], edge[0]]) / np.hypot(*edge)
        normals.append(normal * np.sign(normal @ towards))

    def model(guess: NDArray[np.float64]) -> NDArray[np.float64]:
        u, v = (((across - guess[2]) * n[0] + (down - guess[3]) * n[1]) / np.exp(guess[4]) for n in normals)
        return np.asarray(guess[0] + guess[1] * (2 * ndtr(u) - 1) * (2 * ndtr(v) - 1))

    guess = np.array([level.mean(), 0.0, *start, np.log(0.9)])
    corner = level[across * 0 + (normals[0][0] * (across - x0) + normals[0][1] * (down - y0) > 0) > 0].mean()
    guess[1] = 1.0 if corner > guess[0] else -1.0
    for _ in range(25):
        weight = np.exp(-((across - guess[2]) ** 2 + (down - guess[3]) ** 2) / (2 * (radius_px / 2) ** 2))
        pull = 1e-3 * weight.sum() * guess[1] ** 2

        def misfits(new: NDArray[np.float64], weight=weight, pull=pull) -> NDArray[np.float64]:  # type: ignore[no-untyped-def]
            return np.append((np.sqrt(weight) * (level - model(new))).ravel(), np.sqrt(pull) * (np.log(0.9) - new[4]))

        guess = least_squares(misfits, guess, xtol=1e-12, ftol=1e-12, gtol=1e-12).x
    rest = level - model(guess)
    return np.append(guess, np.sqrt((weight * rest**2).sum() / weight.sum()) / abs(guess[1]))


def test_a_noisy_crossing_is_fitted_as_by_another_solver(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(saddle, "_SMALL_STEP_PX", 0.0)
    monkeypatch.setattr(saddle, "_TURNS", 60)
    grey, start, edges, radius_px = _speckled()
    found = fit_saddles(grey, start, edges, radius_px)
    for number in range(2):
        expected = _reference(grey, start[number], edges[number], radius_px)
        assert found.place_px[number] == pytest.approx(expected[2:4], abs=1e-5)
        assert found.blur_px[number] == pytest.approx(np.exp(expected[4]), rel=1e-5)
        assert found.swing[number] == pytest.approx(expected[1], rel=1e-5)
        assert found.misfit[number] == pytest.approx(expected[5], rel=1e-5)


@pytest.mark.parametrize("corner", [(0, 0), (30, 0), (0, 30), (30, 30)])
def test_beyond_the_photo_its_last_pixels_go_on(corner: tuple[int, int]) -> None:
    """Cut 3 px beside the crossing, the photo is fitted as one whose rim was repeated outwards."""
    picture, edges = _crossing((15.3, 14.6), (25.0, -50.0), 1.0, (120.0, 70.0))
    grey = np.round(picture + np.random.default_rng(12).normal(0, 8.0, picture.shape)).astype(np.uint8)
    left, top = (0 if side else 12 for side in corner)
    cut = np.ascontiguousarray(grey[top : top + 19, left : left + 17])
    wide = np.pad(cut, 6, mode="edge")
    start = np.array([[15.0 - left, 15.0 - top]])
    short, long = fit_saddles(cut, start, edges, 5.5), fit_saddles(wide, start + 6, edges, 5.5)
    assert short.place_px == pytest.approx(long.place_px - 6, abs=1e-9)
    assert (short.swing[0], short.misfit[0]) == pytest.approx((long.swing[0], long.misfit[0]))


def test_a_step_is_that_of_the_stacked_equations() -> None:
    """Gauss-Newton with the pull on the blur and a millionth of the trace on the diagonal, as rows of their own."""
    generator = np.random.default_rng(13)
    weight, rest = generator.uniform(0.1, 1, (3, 40)), generator.normal(0, 5, (3, 40))
    design, swing, log_blur = generator.normal(0, 2, (3, 40, 5)), np.array([30.0, -3.0, 0.5]), np.array([0.4, -0.5, 0])
    design[2, :, 3:] = 0.0  # of these nothing is told but what pulls and steadies
    steps = saddle._step(weight, design, rest, swing, log_blur)
    for number in range(3):
        root = np.sqrt(weight[number])
        pull = np.sqrt(1e-3 * weight[number].sum() * swing[number] ** 2)
        rows = np.vstack([root[:, None] * design[number], pull * np.eye(5)[4:]])
        steady = np.sqrt(1e-6 * np.trace(rows.T @ rows)) * np.eye(5)
        aim = np.concatenate([root * rest[number], [pull * (np.log(0.9) - log_blur[number])], np.zeros(5)])
        expected = np.linalg.lstsq(np.vstack([rows, steady]), aim, rcond=None)[0]
        assert steps[number] == pytest.approx(expected, rel=1e-7, abs=1e-12)


def test_levels_are_a_weighted_straight_line() -> None:
    generator = np.random.default_rng(14)
    weight, level = generator.uniform(0.1, 1, (2, 30)), generator.uniform(0, 255, (2, 30))
    pattern = generator.uniform(-1, 1, (2, 30))
    middle, swing = saddle._levels(weight, level, pattern)
    for number in range(2):
        slope, offset = np.polyfit(pattern[number], level[number], 1, w=np.sqrt(weight[number]))
        assert (middle[number], swing[number]) == pytest.approx((offset, slope))
    # where the pattern is even, no swing is told; the least spread is 1e-9
    middle, swing = saddle._levels(weight, level, 1e-6 * pattern)
    away = 1e-6 * (pattern - np.average(pattern[0], weights=weight[0]))
    assert swing[0] == pytest.approx((weight[0] * level[0] * away[0]).sum() / 1e-9, rel=1e-6)
    assert middle[0] == pytest.approx(np.average(level[0], weights=weight[0]), rel=1e-3)


def test_normals_are_of_the_edges_and_point_along_the_axes() -> None:
    edges = np.array([[[2.0, 0.0], [0.0, -3.0]], [[3.0, 4.0], [-1.0, 0.0]], [[0.0, 5.0], [1.0, 1.0]]])
    across_y, across_x = saddle._normals(edges)
    half = np.sqrt(0.5)
    assert across_y == pytest.approx(np.array([[1.0, 0.0], [0.0, 1.0], [-half, half]]))
    assert across_x == pytest.approx(np.array([[0.0, -1.0], [-0.8, 0.6], [1.0, 0.0]]))


def test_a_turn_moves_by_no_more_than_its_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.7 px along each axis, and 0.3 of the blur's logarithm, from the usual 0.9 px; the blur ends at 4 px."""
    picture, edges = _crossing((16.6, 13.5), (0.0, -90.0), 1.5, (120.0, 80.0))
    blurred, _ = _crossing((15.0, 15.0), (0.0, -90.0), 6.0, (120.0, 80.0))
    monkeypatch.setattr(saddle, "_TURNS", 1)
    far = fit_saddles(np.round(picture).astype(np.uint8), np.array([[15.0, 15.0]]), edges, 6.0)
    assert far.place_px[0] == pytest.approx((15.7, 14.3))
    monkeypatch.setattr(saddle, "_SMALL_STEP_PX", 0.0)
    for turns, blur_px in ((1, 0.9 * np.exp(0.3)), (2, 0.9 * np.exp(0.6)), (12, 4.0)):
        monkeypatch.setattr(saddle, "_TURNS", turns)
        soft = fit_saddles(np.round(blurred).astype(np.uint8), np.array([[15.0, 15.0]]), edges, 10.0)
        assert soft.blur_px[0] == pytest.approx(blur_px)
    needle = np.where(picture > 120, 200, 40).astype(np.uint8)
    monkeypatch.setattr(saddle, "_TURNS", 1)
    sharp = fit_saddles(needle, np.array([[16.0, 14.0]]), edges, 6.0)
    assert sharp.blur_px[0] == pytest.approx(0.9 * np.exp(-0.3))


def test_turns_end_when_nine_of_ten_steps_are_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """At 0.003 px, and after eight turns in any case."""
    sizes: list[NDArray[np.float64]] = []

    def steps(*arguments: NDArray[np.float64]) -> NDArray[np.float64]:
        step = np.zeros((len(arguments[0]), 5))
        step[:, 2] = sizes.pop(0)
        return step

    monkeypatch.setattr(saddle, "_step", steps)
    grey, start, edges, radius_px = _speckled()
    start, edges = np.repeat(start, 10, axis=0), np.repeat(edges, 10, axis=0)

    def turns(*each: float) -> int:
        sizes[:] = [np.full(20, size) for size in each]
        fit_saddles(grey, start, edges, radius_px)
        return len(each) - len(sizes)

    # half of all steps, those along y, are zero: nine of ten is eight of ten along x
    assert turns(0.0031, 0.0031, 0.0029, 0.1) == 3
    assert turns(-0.0031, 0.0029, 0.1) == 2
    assert turns(*[0.1] * 9) == 8
    sizes[:] = [np.where(np.arange(20) < 5, 0.1, 0.0), np.where(np.arange(20) < 3, 0.1, 0.0), np.zeros(20)]
    fit_saddles(grey, start, edges, radius_px)
    assert len(sizes) == 1


def test_some_are_chosen_in_all_their_parts() -> None:
    every = Saddles(np.arange(6.0).reshape(3, 2), np.arange(3.0), 10 + np.arange(3.0), 20 + np.arange(3.0))
    some = every.chosen(np.array([True, False, True]))
    assert some.place_px.tolist() == [[0, 1], [4, 5]]
    assert (some.swing.tolist(), some.blur_px.tolist(), some.misfit.tolist()) == ([0, 2], [10, 12], [20, 22])
