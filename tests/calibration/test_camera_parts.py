"""What a camera is solved from, part by part, against closed forms and other libraries."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calibration import camera as module
from calibration.adjustment import Adjusted, Adjustment, ParallelPrior, same_turns
from calibration.camera import (
    PosedCamera,
    Surface,
    adjustments,
    solve_camera,
)
from calibration.covariance import inverse_root, mixture_root, triangular
from calibration.lens import FRAME_DIAGONAL_MM, NOTHING_STATED, StatedLens
from calibration.pinhole import undistorted
from calibration.problems import Refused
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_bends import bend_px, bends_of
from calibration.sheet_in_photo import SheetInPhoto, pooled_noise_px

Array = NDArray[np.float64]
SIZE = (2000, 1500)  # its diagonal is 2500 px
PER_MM = 2500 / FRAME_DIAGONAL_MM
A4, LETTER = SheetLayout(Paper.A4, 1), SheetLayout(Paper.LETTER, 2)
FOCAL = 1700.0
POSES = np.array([[2.9, 0.2, -0.3, -150.0, 80.0, 1100.0], [2.6, -0.4, 0.25, 180.0, 30.0, 1000.0]])


def seen(layout: SheetLayout, pose: Array, lens: Array, noise_px: float = 0.05, count: int = 42) -> SheetInPhoto:
    """A sheet as OpenCV draws it; of the lens the print's stretch is the sixth."""
    points = layout.corner_mm[:count] * [1 - lens[5] / 2, 1 + lens[5] / 2, 1.0]
    matrix = np.array([[lens[0], 0, lens[1]], [0, lens[0], lens[2]], [0, 0, 1.0]])
    pixels = cv2.projectPoints(points, pose[:3], pose[3:], matrix, np.array([lens[3], lens[4], 0, 0]))[0]
    return SheetInPhoto(layout, np.arange(count), pixels.reshape(-1, 2), np.eye(3), noise_px, 0.8)


LENS = np.array([FOCAL, 1005.0, 743.0, 0.02, -0.004, 0.003])
SHEETS = (seen(A4, POSES[0], LENS), seen(LETTER, POSES[1], LENS, 0.1))
TRUTH = np.concatenate([LENS, *POSES])
FLAT = np.zeros(7)
"""The bends of a flat sheet."""
ADJUSTED = np.concatenate([TRUTH, FLAT, FLAT])


def problem(
    sheets: tuple[SheetInPhoto, ...] = SHEETS, focal35_mm: float | None = 30.0, surface: Surface = Surface.TABLE
) -> Adjustment:
    return next(iter(adjustments(sheets, SIZE, StatedLens(focal35_mm), surface, {})))


def test_a_stated_lens_is_one_adjustment_with_its_prior() -> None:
    (only,) = adjustments(SHEETS, SIZE, StatedLens(30.0), Surface.TABLE, {LETTER.name: 0.97})
    assert only.common == pytest.approx([30 * PER_MM, 999.5, 749.5, 0, 0, 0])
    assert only.common_sd == pytest.approx([0.75 * PER_MM, 20.0, 20.0, 0.015, 0.006, A4.stretch_sd])
    assert only.improbability == pytest.approx(np.log(0.025))
    assert only.noise_px == [0.05, 0.1]
    assert only.parallel == ParallelPrior(50.0, 0.4)
    # a sheet of which nothing is said is in true size
    assert only.corners_mm[0] == pytest.approx(A4.corner_mm)
    assert only.corners_mm[1] == pytest.approx(0.97 * LETTER.corner_mm)
    assert max(np.ptp(problem().common_sd[1:3]), abs(problem().common_sd[1] - 20)) == 0.0


def test_unstated_lenses_are_weighed_by_how_common_they_are() -> None:
    lenses = list(adjustments(SHEETS, SIZE, NOTHING_STATED, Surface.WALL, {}))
    assert [each.common[0] / PER_MM for each in lenses] == pytest.approx([26.0, 52.0, 77.0])
    assert [each.common_sd[0] / PER_MM for each in lenses] == pytest.approx([3.0, 5.0, 8.0])
    density = [0.96 * 26 / 3, 0.03 * 52 / 5, 0.01 * 77 / 8]
    assert [np.exp(-each.improbability) for each in lenses] == pytest.approx(density)
    assert [each.parallel for each in lenses] == [ParallelPrior(3.0, 0.4)] * 3
    for surface in (Surface.TABLE, Surface.ANY):
        density = [0.85 * 26 / 3, 0.11 * 52 / 5, 0.04 * 77 / 8]
        elsewhere = list(adjustments(SHEETS, SIZE, NOTHING_STATED, surface, {}))
        assert [np.exp(-each.improbability) for each in elsewhere] == pytest.approx(density)
    assert elsewhere[0].parallel == ParallelPrior(1e4, 60.0)


def test_a_film_is_cut_out_of_the_picture() -> None:
    lenses = list(adjustments(SHEETS, SIZE, StatedLens(film=True), Surface.WALL, {}))
    assert [each.common[0] / PER_MM for each in lenses] == pytest.approx([31.0, 60.0, 90.0])
    assert [each.common_sd[0] / PER_MM for each in lenses] == pytest.approx([4.0, 9.0, 12.0])


def test_one_of_two_starts_is_the_truth_where_the_lens_is_as_expected() -> None:
    lens = np.array([30 * PER_MM, 999.5, 749.5, 0, 0, 0])
    sheets = tuple(seen(layout, pose, lens) for layout, pose in zip((A4, LETTER), POSES, strict=True))
    near = replace(sheets[1], corner_px=seen(LETTER, POSES[0] + [0, 0, 0, 250, 10, 20], lens).corner_px)
    for pair, poses in ((sheets, POSES), ((sheets[0], near), [POSES[0], POSES[0] + [0, 0, 0, 250, 10, 20]])):
        starts = list(problem(pair).starts())
        assert len(starts) == 2
        assert all(start[:6] == pytest.approx(lens) for start in starts)
        best = min(starts, key=lambda start: float(np.abs(start[6:12] - poses[0]).max()))
        assert best[6:12] == pytest.approx(poses[0], abs=1e-3)
        if pair[1] is near:
            # of the second one's two poses the one is taken that is turned most as the first is
            assert best[12:18] == pytest.approx(poses[1], abs=1e-3)


def test_a_sheet_without_a_pose_is_begun_as_if_seen_from_in_front(monkeypatch: pytest.MonkeyPatch) -> None:
    """Off the middle and only in part, so that its corners' mean is not its origin; tilted by nothing, it is exact."""
    lens = np.array([30 * PER_MM, 999.5, 749.5, 0, 0, 0])
    pose = np.array([np.pi, 0.0, 0.0, -210.0, 95.0, 1300.0])
    sheet = seen(A4, pose, lens, count=20)
    # the spread of all coordinates is told by the board's; a square of corners has the same along both axes
    square = np.array([index for index in range(42) if index % 7 < 6])[:36]
    points = A4.corner_mm[square]
    matrix = np.array([[lens[0], 0, lens[1]], [0, lens[0], lens[2]], [0, 0, 1.0]])
    pixels = cv2.projectPoints(points, pose[:3], pose[3:], matrix, None)[0].reshape(-1, 2)
    sheet = replace(sheet, corner_index=square, corner_px=pixels)
    expected_z = lens[0] * np.std(points[:, :2]) / np.std(pixels)
    middle_mm, middle_px = points.mean(axis=0), pixels.mean(axis=0)
    monkeypatch.setattr(cv2, "solvePnPGeneric", lambda *_args, **_kwargs: (0, (), (), None))
    (start,) = problem((sheet,)).starts()
    assert start[:9] == pytest.approx(np.concatenate([lens, [np.pi, 0, 0]]))
    # at half a turn about x, x goes right and y up in the photo; what lies in the middle is seen in the middle
    at = start[9:12] + middle_mm * [1, -1, -1]
    assert at[2] == pytest.approx(expected_z)
    assert lens[0] * at[:2] / at[2] + lens[1:3] == pytest.approx(middle_px)


def test_poses_behind_the_camera_or_not_numbers_are_no_start(monkeypatch: pytest.MonkeyPatch) -> None:
    good, behind, none = np.array([3.0, 0.1, 0.2, 5.0, 6.0, 900.0]), np.full(6, -1.0), np.full(6, np.nan)
    beside = np.array([3.0, 0.1, 0.2, 5.0, 6.0, 0.0])
    poses = [behind, beside, good, none]
    found = (4, [pose[:3, None] for pose in poses], [pose[3:, None] for pose in poses], None)
    monkeypatch.setattr(cv2, "solvePnPGeneric", lambda *_args, **_kwargs: found)
    (start,) = problem(SHEETS[:1]).starts()
    assert start[6:] == pytest.approx(np.append(good, FLAT))


def test_misfits_are_of_what_opencv_draws() -> None:
    """Nothing is left over at the truth; what was moved by hand is left over in its own units."""
    sheets = (SHEETS[0], replace(SHEETS[1], corner_px=SHEETS[1].corner_px + np.array([0.3, -0.2])))
    one, two = problem(sheets).misfits_px(ADJUSTED)
    assert np.abs(one).max() < 1e-9
    assert two == pytest.approx(np.tile([-0.3, 0.2], (42, 1)), abs=1e-9)
    rest = problem(sheets).corner_residuals(ADJUSTED)
    assert rest[84:] == pytest.approx(np.tile([-3.0, 2.0], 42), abs=1e-7)
    every = problem(sheets).residuals(ADJUSTED)
    assert len(every) == 168 + 6 + 3 + 14
    prior = (LENS - problem().common) / [0.75 * PER_MM, 20.0, 20.0, 0.015, 0.006, A4.stretch_sd]
    assert every[168:174] == pytest.approx(prior)


def test_sheets_are_parallel_within_what_they_lie_on() -> None:
    """Height over the first sheet's plane and the slopes of the second one's normal, over their deviations."""
    first, second = (Rotation.from_rotvec(pose[:3]).as_matrix() for pose in POSES)
    third = np.concatenate([Rotation.from_matrix(first @ second).as_rotvec(), [40.0, -30.0, 900.0]])
    sheets = (*SHEETS, seen(SheetLayout(Paper.A4, 3), third, LENS))
    adjustment = problem(sheets, surface=Surface.WALL)
    parameters = np.concatenate([TRUTH, third, FLAT + 0.5, FLAT - 0.2, FLAT + 0.1])
    expected = []
    for pose in (POSES[1], third):
        inner = first.T @ Rotation.from_rotvec(pose[:3]).as_matrix()
        height = (first.T @ (pose[3:] - POSES[0, 3:]))[2]
        expected += [height / 3.0, inner[0, 2] / np.radians(0.4), inner[1, 2] / np.radians(0.4)]
    assert adjustment.parallel_residuals(parameters) == pytest.approx(np.array(expected))
    numerical = np.empty((len(adjustment.residuals(parameters)), len(parameters)))
    for column, step in enumerate(1e-6 * np.maximum(np.abs(parameters), 1e-1)):
        shift = step * np.eye(len(parameters))[column]
        numerical[:, column] = (adjustment.residuals(parameters + shift) - adjustment.residuals(parameters - shift)) / (
            2 * step
        )
    scale = np.linalg.norm(numerical, axis=0)
    np.testing.assert_allclose(adjustment.jacobian(parameters) / scale, numerical / scale, atol=1e-6)


def test_noise_is_judged_by_what_bends_leave() -> None:
    """By misfits over what six parameters of a pose and seven of bends leave."""
    moved = np.random.default_rng(4).normal(0, 0.3, (42, 2))
    for count in (42, 12):
        sheet = seen(A4, POSES[0], LENS, 0.07, count)
        adjustment = problem((replace(sheet, corner_px=sheet.corner_px + moved[:count]),))
        adjustment.judge_noise(np.append(TRUTH[:12], FLAT))
        squares = float((moved[:count] ** 2).sum()) + 6 * 0.04**2
        assert adjustment.noise_px == pytest.approx([np.sqrt(squares / (2 * count - 13 + 6))])
    assert pooled_noise_px(np.zeros((4, 2)), 0) == pytest.approx(0.04)


def test_the_cost_is_that_of_the_start_and_of_the_lens() -> None:
    """Half the sum of squares before the noise is judged, plus what speaks against the lens."""
    moved = np.random.default_rng(5).normal(0, 0.1, (42, 2))
    sheet = replace(SHEETS[0], corner_px=SHEETS[0].corner_px + moved)
    for adjustment, again in zip(
        adjustments((sheet,), SIZE, NOTHING_STATED, Surface.ANY, {}),
        adjustments((sheet,), SIZE, NOTHING_STATED, Surface.ANY, {}),
        strict=True,
    ):
        solution = module._solved(adjustment)
        least = min(float(again.solve(start).cost) for start in again.starts())
        assert solution.cost == pytest.approx(least + again.improbability)
        assert adjustment.noise_px[0] != again.noise_px[0]
        # the camera is the least of the adjustment with the noise that was judged, moved to the surface
        found = adjustment.solve(min(adjustment.starts(), key=lambda start: adjustment.solve(start).cost)).x
        slopes = adjustment.jacobian(found)
        camera, root = adjustment.on_surface(found, inverse_root(slopes))
        spread = np.sqrt(np.diag(root @ root.T))
        assert (solution.adjusted.parameters - camera) / spread == pytest.approx(np.zeros(12), abs=1e-3)
        outer = np.outer(spread, spread)
        judged = solution.adjusted.root
        np.testing.assert_allclose(judged @ judged.T / outer, root @ root.T / outer, atol=1e-3)


def test_other_lenses_add_their_distance() -> None:
    """The law of total variance, by hand, about the best of three; half a turn and its opposite are one."""
    generator = np.random.default_rng(6)
    roots = generator.normal(0, 1, (3, 12, 12))
    parameters = generator.normal(0, 1, (3, 12))
    parameters[0, 6:9], parameters[1, 6:9] = [3.1, 0.1, 0.0], [3.1, -0.2, 0.1]
    turned = Rotation.from_rotvec(parameters[1, 6:9]).as_rotvec()
    parameters[1, 6:9] = turned * (1 - 2 * np.pi / np.linalg.norm(turned))
    costs = (7.0, 7.9, 9.3)
    weight = np.exp(-np.array(costs))
    weight /= weight.sum()
    away = parameters - parameters[0]
    away[1, 6:9] = turned - parameters[0, 6:9]
    expected = sum(w * (r @ r.T + np.outer(a, a)) for w, r, a in zip(weight, roots, away, strict=True))
    turns = [same_turns(each, parameters[0]) - parameters[0] for each in parameters]
    root = mixture_root(list(roots), turns, costs)
    assert root @ root.T == pytest.approx(np.asarray(expected))
    assert root == pytest.approx(np.tril(root))
    assert (np.diag(root) > 0).all()


def test_turns_are_taken_on_the_same_side_of_half_a_turn() -> None:
    like = np.concatenate([LENS, POSES[0], POSES[1]])
    other = like.copy()
    other[12:15] *= 1 - 2 * np.pi / np.linalg.norm(like[12:15])
    kept = other.copy()
    assert same_turns(other, like) == pytest.approx(like)
    assert (other == kept).all()
    assert (same_turns(like, like) == like).all()
    assert same_turns(like, other) == pytest.approx(other)
    still = like.copy()
    still[6:9] = 0.0
    assert (same_turns(still, like) == still).all()


def test_the_root_of_an_inverse_survives_what_is_hardly_told() -> None:
    """Singular values down to 1e-12 of the largest are taken as they are, smaller ones as that; by another route."""
    generator = np.random.default_rng(7)
    left, right = np.linalg.qr(generator.normal(0, 1, (9, 4)))[0], np.linalg.qr(generator.normal(0, 1, (4, 4)))[0]
    jacobian = left @ np.diag([1.0, 0.1, 1e-3, 1e-5]) @ right.T
    root = inverse_root(jacobian * [1.0, 50.0, 1e-4, 7.0])
    scales = np.array([1.0, 50.0, 1e-4, 7.0])
    expected = right @ np.diag([1.0, 1e2, 1e6, 1e10]) @ right.T / np.outer(scales, scales)
    assert root @ root.T / expected == pytest.approx(np.ones((4, 4)), rel=1e-6)
    # two columns that are alike: their difference is as good as unknown, 1e12 over the largest value, root of 2
    same = inverse_root(np.array([[3.0, 3.0], [4.0, 4.0], [0.0, 0.0]]))
    difference = np.linalg.norm(np.array([1.0, -1.0]) @ same) * 5 / np.sqrt(2)
    assert difference == pytest.approx(1e12 / np.sqrt(2), rel=1e-9)


def test_a_triangular_root_is_cholesky_s() -> None:
    root = np.random.default_rng(8).normal(0, 1, (5, 9)) * np.array([[1.0], [20.0], [0.1], [3.0], [1.0]])
    assert triangular(root) == pytest.approx(np.linalg.cholesky(root @ root.T))


@pytest.mark.parametrize(("k1", "k2"), [(0.05, -0.02), (-0.06, 0.015), (0.0, 0.0), (0.1, 0.15)])
def test_distortion_is_undone(k1: float, k2: float) -> None:
    """What OpenCV's model makes of a point is taken back to it, by few steps where the curve is steep too."""
    points = np.array([[0.0, 0.0], [0.3, -0.2], [-0.6, 0.5], [0.9, 0.4], [1e-7, 0.0]])
    square = (points**2).sum(axis=1, keepdims=True)
    assert undistorted(points * (1 + k1 * square + k2 * square**2), k1, k2) == pytest.approx(points, abs=1e-9)


@pytest.mark.parametrize("far", [1.4, 1.78, 1.86, 2.0, 2.3])
def test_no_step_runs_away_where_the_curve_turns_back(far: float) -> None:
    """Newton's six steps on r - 0.1 r^3 = far, which r = 1.826 makes no larger; slopes within a tenth count as that."""
    radius = far
    for _ in range(6):
        slope = 1 - 0.3 * radius**2
        radius -= (radius - 0.1 * radius**3 - far) / (slope if abs(slope) > 0.1 else 0.1)
    assert undistorted(np.array([[0.6 * far, 0.8 * far]]), -0.1, 0.0)[0] == pytest.approx([0.6 * radius, 0.8 * radius])


def solved(focal_px: float, uncertainty_px: float, monkeypatch: pytest.MonkeyPatch) -> PosedCamera:
    """`solve_camera` of one lens whose solution is given."""
    parameters, root = np.concatenate([[focal_px], TRUTH[1:12]]), np.eye(12)
    root[0, 0] = uncertainty_px
    (sheet,) = SHEETS[:1]
    only = module._Solution(Adjusted(parameters, root, 0.0, (0.0,), (0.0,), 0.0), 0.0)
    monkeypatch.setattr(module, "_solved", lambda _: only)
    return solve_camera([sheet], SIZE)


@pytest.mark.parametrize("uncertainty_mm", [0.1, 0.5])
def test_a_lens_is_refused_where_it_is_surely_below_19_mm(
    uncertainty_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Surely: by two standard uncertainties."""
    limit = 19 - 2 * uncertainty_mm
    camera = solved((limit + 0.02) * PER_MM, uncertainty_mm * PER_MM, monkeypatch)
    assert camera.focal35_mm == pytest.approx(limit + 0.02)
    assert camera.focal_standard_uncertainty_px == pytest.approx(uncertainty_mm * PER_MM)
    with pytest.raises(Refused):
        solved((limit - 0.02) * PER_MM, uncertainty_mm * PER_MM, monkeypatch)


@pytest.mark.parametrize(("stated_mm", "refused"), [(18.9, True), (19.1, False), (None, False)])
def test_a_lens_that_is_said_to_be_short_is_refused(stated_mm: float | None, refused: bool) -> None:
    sheets = [seen(A4, POSES[0], np.array([19.5 * PER_MM if stated_mm else 26 * PER_MM, 999.5, 749.5, 0, 0, 0]))]
    if refused:
        with pytest.raises(Refused):
            solve_camera(sheets, SIZE, StatedLens(stated_mm))
    else:
        assert solve_camera(sheets, SIZE, StatedLens(stated_mm)).focal35_mm > 19


def test_what_a_camera_says_of_its_misfits() -> None:
    moved = np.random.default_rng(9).normal(0, 0.1, (42, 2))
    sheets = [SHEETS[0], replace(SHEETS[1], corner_px=SHEETS[1].corner_px + moved)]
    camera = solve_camera(sheets, SIZE, StatedLens(FOCAL / PER_MM), "any", {LETTER.name: 1.0})
    (adjustment,) = adjustments(tuple(sheets), SIZE, StatedLens(FOCAL / PER_MM), Surface.ANY, {})
    for _ in range(2):
        lens = min((adjustment.solve(at) for at in adjustment.starts()), key=lambda each: each.cost).x
        adjustment.judge_noise(lens)
    matrix = np.array([[lens[0], 0, lens[1]], [0, lens[0], lens[2]], [0, 0, 1.0]])
    drawn = []
    for number, sheet in enumerate(sheets):
        pose, bent = lens[6 + 6 * number : 12 + 6 * number], lens[18 + 7 * number : 25 + 7 * number]
        points = sheet.corner_mm * [1 - lens[5] / 2, 1 + lens[5] / 2, 1.0]
        points[:, 2] = bends_of(sheet) @ bent
        pixels = cv2.projectPoints(points, pose[:3], pose[3:], matrix, np.array([*lens[3:5], 0, 0]))[0]
        drawn.append(pixels.reshape(-1, 2) - sheet.corner_px)
    creases = [bend_px(sheet.corner_mm, each) for sheet, each in zip(sheets, drawn, strict=True)]
    assert camera.bend_px == pytest.approx(creases, abs=2e-4)
    noise = [np.sqrt(((each**2).sum() + 6 * 0.04**2) / (84 - 7)) for each in drawn]
    expected = sum((each**2).sum() / one**2 for each, one in zip(drawn, noise, strict=True))
    assert camera.chi_square == pytest.approx(expected, rel=1e-3)


def whole() -> PosedCamera:
    root = np.tril(np.random.default_rng(10).normal(0, 1, (18, 18)))
    return PosedCamera(SHEETS, SIZE, TRUTH, root, 0.0, (0.0, 0.0))


def test_points_are_taken_to_the_photo_as_opencv_does() -> None:
    camera = whole()
    points = np.array([[120.0, -90.0, 40.0], [-300.0, 200.0, 0.0], [10.0, 20.0, -60.0]])
    matrix = np.array([[FOCAL, 0, LENS[1]], [0, FOCAL, LENS[2]], [0, 0, 1.0]])
    pixels = cv2.projectPoints(points, POSES[0, :3], POSES[0, 3:], matrix, np.array([LENS[3], LENS[4], 0, 0]))[0]
    assert camera.project(points) == pytest.approx(pixels.reshape(-1, 2))
    assert camera.to_plane(pixels, points[:, 2]) == pytest.approx(points, abs=1e-6)
    assert camera.to_plane(pixels[1]) == pytest.approx(points[1:2], abs=1e-6)
    rays = camera.rays(pixels)
    towards = points - camera.position_mm
    assert rays == pytest.approx(towards / np.linalg.norm(towards, axis=1, keepdims=True), abs=1e-9)
    assert np.linalg.norm(rays, axis=1) == pytest.approx(1.0)


def test_a_camera_s_numbers() -> None:
    camera = whole()
    rotation = Rotation.from_rotvec(POSES[0, :3]).as_matrix()
    assert camera.focal35_mm == pytest.approx(FOCAL / PER_MM)
    assert (camera.focal_px, *camera.centre_px, camera.k1, camera.k2) == tuple(LENS[:5])
    assert camera.rotation == pytest.approx(rotation)
    assert rotation @ camera.position_mm + POSES[0, 3:] == pytest.approx(np.zeros(3), abs=1e-9)
    assert camera.covariance == pytest.approx(camera.covariance_root @ camera.covariance_root.T)
    assert camera.focal_standard_uncertainty_px == pytest.approx(abs(camera.covariance_root[0, 0]))


def test_a_further_sheet_s_frame_takes_its_corners_to_the_first_one_s() -> None:
    camera = whole()
    turn, shift = camera.sheet_frame(1)
    points = LETTER.corner_mm
    stretched = points * [1 - LENS[5] / 2, 1 + LENS[5] / 2, 1.0]
    assert camera.project(stretched @ turn.T + shift) == pytest.approx(SHEETS[1].corner_px)
    assert camera.sheet_frame(0)[0] == pytest.approx(np.eye(3), abs=1e-12)
    assert camera.sheet_heights_mm() == pytest.approx([0.0, shift[2]], abs=1e-9)
    assert abs(shift[2]) > 10
