"""Cameras of several views through one lens, on sheets whose corners are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.adjustment import COMMON, K1_SD, K2_SD, same_turns
from calibration.camera import (
    PosedCamera,
    Surface,
    adjustments,
    solve_camera,
)
from calibration.common_lens import STEADIED_SHARE, View, _adjusted, _Joint, reference_first, solve_common_lens
from calibration.lens import CENTRE_SD_SHARE, FOCAL_RELATIVE_SD, StatedLens
from calibration.sheet_bends import BEND_SD_MM
from tests.calibration.test_any_camera import seen, truth

Array = NDArray[np.float64]
SIZE = (1600, 1200)
FOCAL35_MM = 26.0
STATED = StatedLens(FOCAL35_MM)
TILTS = (-14.0, -7.0, 0.0, 7.0, 14.0)
"""Of the line of sight about the vertical: half a metre aside, two metres away."""


def sequence(seed: int, views: int = 5) -> tuple[list[PosedCamera], list[View]]:
    """True cameras and what their photos show: a lens as the priors say, and its principal point wandering."""
    rng = np.random.default_rng(seed)
    lens = truth(SIZE, FOCAL35_MM * (1 + rng.normal(0, FOCAL_RELATIVE_SD)), (0, 0, 0), 2000.0).parameters[:5].copy()
    lens[1:3] += rng.normal(0, CENTRE_SD_SHARE * SIZE[0], 2)
    lens[3:] = rng.normal(0, K1_SD), rng.normal(0, K2_SD)
    cameras, shown = [], []
    for tilt in TILTS[:views]:
        turned = truth(SIZE, FOCAL35_MM, (rng.normal(0, 3), tilt + rng.normal(0, 2), rng.normal(0, 2)), 1900.0)
        parameters = turned.parameters.copy()
        parameters[:5] = lens
        parameters[1:3] += rng.normal(0, STEADIED_SHARE * SIZE[0], 2)
        parameters[9:11] += rng.normal(0, 150.0, 2)
        camera = turned.with_parameters(parameters)
        cameras.append(camera)
        shown.append(View(tuple(seen(camera, 1, 0.0, rng, 0.08)), SIZE, STATED))
    return cameras, shown


def test_one_view_is_solved_as_by_itself() -> None:
    _, views = sequence(3)
    one = solve_common_lens(views[:1], Surface.WALL).cameras[0]
    alone = solve_camera(views[0].sheets, SIZE, STATED, Surface.WALL)
    point = alone.to_plane([[900.0, 500.0]], 150.0)
    spread_mm = np.sqrt(np.diag(alone.covariance)[11])
    # the wander adds a little to the principal point's doubt, and nothing else differs
    assert np.linalg.norm(one.to_plane([[900.0, 500.0]], 150.0) - point) < 0.2
    assert one.parameters[11] == pytest.approx(alone.parameters[11], abs=0.2 * spread_mm)


def test_the_corners_noise_is_judged_by_their_misfits() -> None:
    """Corners that scatter by 0.5 px and are stated at 0.08: what is left over is noise, and chi-squared follows."""
    _, views = sequence(4)
    rng = np.random.default_rng(8)
    for noise_px in (0.5, 1.0):
        rough = [
            replace(
                view,
                sheets=tuple(
                    replace(sheet, corner_px=sheet.corner_px + rng.normal(0, noise_px, sheet.corner_px.shape))
                    for sheet in view.sheets
                ),
            )
            for view in views
        ]
        for camera in solve_common_lens(rough, Surface.WALL).cameras:
            coordinates = 2 * sum(len(sheet.corner_px) for sheet in camera.sheets)
            assert camera.bend_px[0] < 0.5 * noise_px
            assert 0.7 < camera.chi_square / coordinates < 1.2  # a pose's six are used up


def test_what_the_views_say_together_is_as_sure_as_stated() -> None:
    """Where a point off the wall would be seen in each view, and the focal length: errors over what is stated."""
    inside, focal, gain = [], [], []
    for seed in range(40):
        cameras, views = sequence(seed)
        found = solve_common_lens(views, Surface.WALL)
        point = np.array([[300.0, -120.0, 180.0]])
        slopes, errors = [], []
        for camera, solved, root in zip(cameras, found.cameras, found.roots, strict=True):
            px, _, by = solved.project_slopes(point)
            errors.append((px - camera.project(point))[0])
            slopes.append(by[0, :, : len(root)] @ root)
        stacked = np.vstack(slopes)
        # differences between the views are what parallax is made of
        between = np.kron(np.eye(5) - 1 / 5, np.eye(2))
        spread = np.sqrt(np.diag(between @ stacked @ stacked.T @ between.T))
        inside.append(np.abs(between @ np.concatenate(errors)) / spread < 1.96)
        solved = found.cameras[0]
        focal.append((solved.focal_px - cameras[0].focal_px) / solved.focal_standard_uncertainty_px)
        alone = solve_camera(views[0].sheets, SIZE, STATED, Surface.WALL)
        gain.append(alone.focal_standard_uncertainty_px / solved.focal_standard_uncertainty_px)
    assert 0.92 <= np.mean(inside) <= 0.99
    assert 0.6 < np.std(focal) < 1.4
    assert np.median(gain) > 1.15


def test_slopes_are_those_of_differences() -> None:
    _, views = sequence(5, 3)
    parts = [next(iter(adjustments(v.sheets, SIZE, STATED, Surface.WALL, {}))) for v in views]
    problem = _Joint(parts, 4.0)
    at = problem.start()
    slopes = problem.jacobian(at)
    for column in range(problem.size):
        step = np.zeros(problem.size)
        step[column] = 1e-6 * max(1.0, abs(at[column]))
        numeric = (problem.residuals(at + step) - problem.residuals(at - step)) / (2 * step[column])
        np.testing.assert_allclose(slopes[:, column], numeric, rtol=2e-3, atol=2e-3 * np.abs(slopes[:, column]).max())


def test_views_of_other_lenses_share_nothing() -> None:
    _, views = sequence(7, 2)
    other = replace(views[1], lens=StatedLens())
    found = solve_common_lens([views[0], other], Surface.WALL)
    assert (found.roots[0] @ found.roots[1].T == 0).all()
    together = solve_common_lens(views, Surface.WALL)
    assert np.abs(together.roots[0] @ together.roots[1].T).max() > 1.0


def test_a_film_says_nothing_of_its_lens() -> None:
    _, views = sequence(9, 5)
    films = [replace(view, lens=StatedLens(film=True)) for view in views]
    found = solve_common_lens(films, Surface.WALL)
    focal = found.cameras[0]
    true_px = sequence(9, 5)[0][0].focal_px
    assert abs(focal.focal_px - true_px) < 3 * focal.focal_standard_uncertainty_px
    assert COMMON == 6


def test_the_sheet_that_most_views_show_comes_first() -> None:
    camera = truth(SIZE, FOCAL35_MM, (0, 0, 0), 2200.0)
    rng = np.random.default_rng(1)
    both = seen(camera, 2, 250.0, rng, 0.05)
    views = [View((both[1],), SIZE), View(tuple(both), SIZE), View((both[0],), SIZE), View((both[1], both[0]), SIZE)]
    ordered = reference_first([*views, View((both[1],), SIZE)])
    assert ordered[2] is None
    assert [one.sheets[0].layout.index for one in ordered if one is not None] == [2, 2, 2, 2]
    assert reference_first([View((), SIZE)]) == [None]
    with pytest.raises(ValueError, match="must be the same"):
        solve_common_lens(views[:3])
    with pytest.raises(ValueError, match="needs a sheet"):
        solve_common_lens([])


def exact_views() -> tuple[list[PosedCamera], list[View]]:
    """Two true cameras of two sheets and three views of them without noise; one through another lens, one filmed."""
    rng = np.random.default_rng(12)
    cameras = [truth(SIZE, FOCAL35_MM, tilt, 1500.0) for tilt in ((10.0, -20.0, 4.0), (-15.0, 25.0, -70.0))]
    return cameras, [View(tuple(seen(camera, 2, 260.0, rng, 0.0)), SIZE, STATED) for camera in cameras]


def test_residuals_are_those_of_each_view_and_of_what_is_believed_beforehand() -> None:
    """Corners of either view through its own principal point, then the lens, then how far that wanders in each."""
    _, views = exact_views()
    parts = [next(iter(adjustments(v.sheets, SIZE, STATED, Surface.WALL, {}))) for v in views]
    problem = _Joint(parts, 4.0)
    assert problem.size == 6 + 2 * 2 + 2 * 12 + 2 * 7
    at = problem.start()
    at[:6] += [12.0, 3.0, -2.0, 0.01, -0.003, 0.0004]
    at[6:10] = 1.0, -2.0, 5.0, 8.0
    at[34:] = bends = np.linspace(-1.0, 2.0, 14)
    first, second = problem.of_views(at)
    for mine, centre, pose in ((first, (1.0, -2.0), slice(10, 22)), (second, (5.0, 8.0), slice(22, 34))):
        assert mine == pytest.approx(np.concatenate([at[:1], at[1:3] + centre, at[3:6], at[pose], bends]))
    lens, pairs = parts[0], list(zip(parts, (first, second), strict=True))
    expected = [
        *(np.concatenate([p.corner_residuals(m), p.parallel_residuals(m)]) for p, m in pairs),
        np.array([12.0, 3.0, -2.0, 0.01, -0.003, 0.0004]) / lens.common_sd,
        np.array([1.0, -2.0, 5.0, 8.0]) / 4.0,
        bends / np.tile(BEND_SD_MM, 2),
    ]
    found = problem.residuals(at)
    assert found == pytest.approx(np.concatenate(expected))
    numeric = np.column_stack(
        [(problem.residuals(at + step) - problem.residuals(at - step)) / 2e-6 for step in 1e-6 * np.eye(problem.size)]
    )
    sizes = np.abs(numeric).max(axis=0)
    np.testing.assert_allclose(problem.jacobian(at) / sizes, numeric / sizes, atol=2e-4)


def test_views_are_solved_from_where_each_alone_would_be() -> None:
    """Exact corners of the usual lens: the start is the truth, and so is the end; a common lens leaves no misfit."""
    cameras, views = exact_views()
    parts = [next(iter(adjustments(v.sheets, SIZE, STATED, Surface.WALL, {}))) for v in views]
    problem = _Joint(parts, 4.0)
    start = problem.start()
    for camera, own in zip(cameras, problem.of_views(start), strict=True):
        assert own[:12] == pytest.approx(camera.parameters[:12], rel=1e-4, abs=1e-4)
    longer = [replace(view, lens=StatedLens(FOCAL35_MM * 1.1)) for view in views]
    parts = [next(iter(adjustments(v.sheets, SIZE, v.lens, Surface.WALL, {}))) for v in longer]
    other = _Joint(parts, 4.0).start()
    assert other[0] == pytest.approx(1.1 * cameras[0].focal_px)
    alone = parts[1].solve(next(iter(parts[1].starts()))).x
    assert other[22 + 5] == pytest.approx(alone[11] * other[0] / alone[0], rel=1e-6)
    assert other[22 + 11] == pytest.approx(alone[17] * other[0] / alone[0], rel=1e-6)
    assert problem.solve(start).cost < 1e-6


def test_views_of_other_lenses_come_back_in_their_order() -> None:
    """Views 1 and 3 share a lens, view 2 has another: roots in blocks, cameras as given."""
    cameras, views = exact_views()
    apart = replace(views[1], lens=StatedLens(27.0))
    found = solve_common_lens([views[0], apart, views[1]], Surface.WALL)
    for camera, true in zip(found.cameras, (cameras[0], cameras[1], cameras[1]), strict=True):
        assert camera.position_mm == pytest.approx(true.position_mm, rel=2e-2, abs=2.0)
    one, two, three = found.roots
    assert one.shape == two.shape == three.shape
    assert one.shape[0] == 12
    shared = np.abs(one).max(axis=0) > 0
    assert not (np.abs(two[:, shared]).max(axis=0) > 0).any()
    for root, camera in zip(found.roots, found.cameras, strict=True):
        assert root @ root.T == pytest.approx(camera.covariance[:12, :12], rel=1e-6, abs=1e-12)
    together = solve_common_lens([views[0], views[1]], Surface.WALL)
    assert np.abs(one @ three.T) == pytest.approx(np.abs(together.roots[0] @ together.roots[1].T), rel=1e-6, abs=1e-9)
    assert (found.cameras[0].image_size_px, found.cameras[0].sheets) == (SIZE, views[0].sheets)


def test_lenses_that_are_possible_too_are_mixed_in() -> None:
    """The covariance about the best lens is the mean over lenses of their own and of the square of what lies between.

    Independently: normal matrices inverted for each lens, weighted by exp(-cost).
    """
    rng = np.random.default_rng(3)
    cameras = [truth(SIZE, 37.0, tilt, 2600.0) for tilt in ((3.0, -5.0, 40.0), (-4.0, 6.0, 60.0))]
    near = [View(tuple(seen(camera, 1, 0.0, rng, 0.0)), SIZE) for camera in cameras]
    lenses = []
    for parts in zip(*(adjustments(v.sheets, SIZE, StatedLens(), Surface.ANY, {}) for v in near), strict=True):
        lenses.append(_adjusted(_Joint(parts, STEADIED_SHARE * 1600)))
    best = min(lenses, key=lambda lens: lens.cost)
    odds = np.array([np.exp(best.cost - lens.cost) for lens in lenses])
    expected = np.zeros((24, 24))
    for share, lens in zip(odds / odds.sum(), lenses, strict=True):
        adjusted = lens.problem.solve(lens.problem.start()).x
        slopes = lens.problem.jacobian(adjusted)
        scale = np.linalg.norm(slopes, axis=0)
        inverse = np.linalg.inv((slopes / scale).T @ (slopes / scale)) / np.outer(scale, scale)
        parts = zip(lens.problem.parts, lens.problem.select, strict=True)
        select = np.vstack([part.on_surface(chosen @ adjusted, chosen)[1] for part, chosen in parts])
        away = np.concatenate(
            [same_turns(a.parameters, b.parameters) - b.parameters for a, b in zip(lens.views, best.views, strict=True)]
        )
        expected += share * (select @ inverse @ select.T + np.outer(away, away))
    found = solve_common_lens(near, Surface.ANY)
    root = np.vstack(found.roots)
    spread = np.sqrt(np.diag(expected))
    np.testing.assert_allclose(root @ root.T / np.outer(spread, spread), expected / np.outer(spread, spread), atol=2e-3)
    assert np.sort(odds / odds.sum())[-2] > 0.05
