"""What a fit recovers from perfect and from noisy edges, and that it is the most probable instrument."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.instrument.made_up import assumed, camera, instrument, view_of
from vision.instrument.evidence import Edges, Setting, View
from vision.instrument.fit import fit
from vision.instrument.model import LENGTH, LOW, NECK, SCROLL, SHAPE, TOTAL, pose_of


def test_a_fit_recovers_the_lengths_from_perfect_edges():
    truth = instrument()
    start = instrument(X=23.0, Y=-204.0, YAW=0.11, LENGTH=306.0, TOTAL=507.0, WIDTH=1.0)
    start[SHAPE] = 0.0
    found = fit(start, [view_of(truth, camera())], Setting(), rounds=15)
    assert found.unknowns[LENGTH] == pytest.approx(300.0, abs=0.2)
    assert found.unknowns[TOTAL] == pytest.approx(500.0, abs=0.2)


def test_a_wrong_height_is_what_one_photo_cannot_see():
    truth = instrument(LOW=3.0, NECK=3.0)
    one = fit(instrument(), [view_of(truth, camera())], Setting(), rounds=15)
    # 3 mm at a distance of 0.96 m make 0.3 %: 0.94 mm of 300 mm; the fit knows that it does not know
    error = one.unknowns[LENGTH] - 300.0
    assert 0.3 < abs(error) < 1.3
    assert abs(error) < 2.5 * np.sqrt(one.covariance[LENGTH, LENGTH])


def test_two_photos_find_the_height_themselves():
    truth = instrument(LOW=8.0, NECK=6.0, SCROLL=5.0)
    cameras = camera((0.0, 0.0)), camera((12.0, 9.0))
    views = [view_of(truth, each) for each in cameras]
    found = fit(instrument(), views, Setting(heights_factor=50.0), rounds=20)
    assert found.unknowns[LENGTH] == pytest.approx(300.0, abs=0.15)
    assert found.unknowns[TOTAL] == pytest.approx(500.0, abs=0.3)
    assert found.unknowns[[LOW, NECK, SCROLL]] == pytest.approx([8.0, 6.0, 5.0], abs=1.0)


def test_edges_of_something_else_do_not_count():
    truth = instrument()
    view = view_of(truth, camera(), np.random.default_rng(3), 0.2)
    point = view.edges.point_px.copy()
    point[40:70] += 12.0 * view.edges.normal_px[40:70]
    spoiled = View(
        view.camera, Edges(view.edges.back, view.edges.node, point, view.edges.normal_px, view.edges.sigma_px)
    )
    found = fit(instrument(LENGTH=301.0), [spoiled], Setting(), rounds=15)
    assert found.unknowns[LENGTH] == pytest.approx(300.0, abs=0.6)
    assert found.weight[0][45:65].max() < 0.05


def test_stated_uncertainty_is_that_of_repeated_fits():
    rng = np.random.default_rng(11)
    truth = instrument()
    results = []
    for _ in range(40):
        found = fit(truth, [view_of(truth, camera(), rng, 2.0)], Setting(edge_shift_mm=1e-4), rounds=4)
        results.append(
            (found.unknowns[LENGTH] - 300.0) / np.linalg.norm(found.shares["where the edge is seen"][LENGTH])
        )
    # the root of a mean of 40 squares of unit normals is 1 with a standard deviation of 0.11; the seed is fixed
    assert np.sqrt(np.mean(np.square(results))) == pytest.approx(1.0, abs=0.25)


def test_a_free_camera_is_found_by_the_outline_alone():
    truth, seen_by = instrument(), camera((20.0, -8.0))
    view = replace(view_of(truth, seen_by), camera=assumed(seen_by), camera_start=np.radians([10.0, 0.0, 0.0]))
    fitted = fit(instrument(LENGTH=305.0, TOTAL=505.0), [view], Setting(camera_free=True), rounds=25)
    found = fitted.views[0].camera
    assert np.degrees(found.parameters[:2]) == pytest.approx([20.0, -8.0], abs=2.0)
    ends = [
        each.project(np.array([pose.body_top, pose.body_bottom, pose.scroll_top]))
        for each, pose in ((seen_by, pose_of(truth, 0.0)), (found, fitted.pose()))
    ]
    assert ends[1] == pytest.approx(ends[0], abs=1.5)
