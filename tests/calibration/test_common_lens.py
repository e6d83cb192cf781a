"""Cameras of several views through one lens, on sheets whose corners are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import (
    CENTRE_SD_SHARE,
    COMMON,
    FOCAL_RELATIVE_SD,
    K1_SD,
    K2_SD,
    PosedCamera,
    Surface,
    adjustments,
    solve_camera,
)
from calibration.common_lens import STEADIED_SHARE, View, _Joint, reference_first, solve_common_lens
from tests.calibration.test_any_camera import seen, truth

Array = NDArray[np.float64]
SIZE = (1600, 1200)
FOCAL35_MM = 26.0
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
        shown.append(View(tuple(seen(camera, 1, 0.0, rng, 0.08)), SIZE, FOCAL35_MM))
    return cameras, shown


def test_one_view_is_solved_as_by_itself() -> None:
    _, views = sequence(3)
    one = solve_common_lens(views[:1], Surface.WALL).cameras[0]
    alone = solve_camera(views[0].sheets, SIZE, FOCAL35_MM, Surface.WALL)
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
            assert camera.misfit_px[0] == pytest.approx(noise_px, rel=0.3)
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
        alone = solve_camera(views[0].sheets, SIZE, FOCAL35_MM, Surface.WALL)
        gain.append(alone.focal_standard_uncertainty_px / solved.focal_standard_uncertainty_px)
    assert 0.92 <= np.mean(inside) <= 0.99
    assert 0.6 < np.std(focal) < 1.4
    assert np.median(gain) > 1.15


def test_slopes_are_those_of_differences() -> None:
    _, views = sequence(5, 3)
    parts = [next(iter(adjustments(v.sheets, SIZE, FOCAL35_MM, Surface.WALL, {}))) for v in views]
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
    other = replace(views[1], focal35_mm=None)
    found = solve_common_lens([views[0], other], Surface.WALL)
    assert (found.roots[0] @ found.roots[1].T == 0).all()
    together = solve_common_lens(views, Surface.WALL)
    assert np.abs(together.roots[0] @ together.roots[1].T).max() > 1.0


def test_a_film_says_nothing_of_its_lens() -> None:
    _, views = sequence(9, 5)
    films = [replace(view, focal35_mm=None, film=True) for view in views]
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
