"""The instrument's model: its outline family, which lines are seen, and what a fit recovers from perfect edges."""

import numpy as np
import pytest

from tests.vision.trace import AssumedCamera
from vision.instrument.cameras import FixedCamera
from vision.instrument.fit import Edges, Setting, Tip, View, fit
from vision.instrument.model import (
    BODY_UNKNOWNS,
    DEPTH,
    LENGTH,
    LOW,
    NECK,
    SCROLL,
    SHAPE,
    TOTAL,
    WIDTH,
    YAW,
    X,
    Y,
    pose_of,
)
from vision.instrument.resting import plate_distance_mm, resting_covariance_mm2, resting_heights_mm
from vision.instrument.shape import FULL_SIZE_MM, MODES, outline_prior
from vision.instrument.silhouette import silhouette

USABLE = np.ones(2 * len(outline_prior().mean) - 2, dtype=bool)


PLACES = {"X": X, "Y": Y, "YAW": YAW, "LENGTH": LENGTH, "TOTAL": TOTAL, "WIDTH": WIDTH, "DEPTH": DEPTH}
PLACES |= {"LOW": LOW, "NECK": NECK, "SCROLL": SCROLL}


def camera(tilt_deg=(0.0, 0.0), centre_px=(1100.0, 800.0)):
    return AssumedCamera(1600.0, np.array(centre_px), np.radians(tilt_deg))


def instrument(**changes):
    unknowns = np.zeros(BODY_UNKNOWNS)
    unknowns[[X, Y, YAW, LENGTH, TOTAL, WIDTH]] = 20.0, -200.0, 0.1, 300.0, 500.0, 1.01
    unknowns[SHAPE.start : SHAPE.start + 4] = 0.7, -0.5, 0.4, -0.6
    for name, value in changes.items():
        unknowns[PLACES[name]] = value
    return unknowns


def view_of(unknowns, view, rng=None, noise_px=0.0):
    """What a perfect edge finder would give for the true unknowns."""
    pose = pose_of(unknowns, 0.0)
    line = silhouette(pose, view, USABLE & ~_corners())
    noise = rng.normal(0.0, noise_px, len(line.node)) if rng is not None else np.zeros(len(line.node))
    point = line.point_px + noise[:, None] * line.normal_px
    edges = Edges(line.back, line.node, point, line.normal_px, np.full(len(line.node), max(noise_px, 0.1)))
    ends = view.project(np.array([pose.scroll_top, pose.body_bottom]))
    direction = (ends[0] - ends[1]) / np.linalg.norm(ends[0] - ends[1])
    return View(FixedCamera(view), edges, (Tip("scroll_top", ends[0], direction, 0.2),))


def _corners():
    prior = outline_prior()
    return np.concatenate([prior.at_corner, prior.at_corner[-2:0:-1]])


def test_outline_has_published_proportions():
    half = outline_prior().mean
    at = lambda low, high: half[(half[:, 1] > low) & (half[:, 1] < high), 0]  # noqa: E731
    # full size: 168, 112 and 206 mm at 355 mm (a maker's table of measurements)
    assert 2 * at(0.7, 0.95).max() == pytest.approx(168 / 355, abs=0.005)
    assert 2 * at(0.44, 0.62).min() == pytest.approx(112 / 355, abs=0.005)
    assert 2 * at(0.05, 0.35).max() == pytest.approx(206 / 355, abs=0.006)


def test_no_mode_moves_an_end_of_the_body():
    prior = outline_prior()
    assert prior.modes.shape[0] == MODES
    assert np.abs(prior.modes[:, [0, -1]]).max() == 0.0
    closed = prior.closed(np.full(MODES, 0.5), 1.0)
    assert closed[:, 1].min() == pytest.approx(0.0, abs=2e-3)
    assert closed[:, 1].max() == pytest.approx(1.0, abs=2e-3)


def test_outline_is_symmetric():
    closed = outline_prior().closed(np.linspace(-1, 1, MODES), 1.02)
    mirrored = np.vstack([closed[:1], closed[:0:-1]]) * [-1.0, 1.0]
    assert np.allclose(closed, mirrored)


def test_resting_heights_agree_with_measured_shares_of_the_body():
    # 0.131 (lower end), 0.1395 (neck) and 0.063 (scroll) of the body length, measured on scenes of all sizes
    for length in (250.0, 310.0, 356.0):
        low, neck, scroll = resting_heights_mm(length) / length
        assert low == pytest.approx(0.131, abs=0.010)
        assert neck == pytest.approx(0.1395, abs=0.004)
        assert scroll == pytest.approx(0.063, abs=0.003)


def test_ribs_agree_with_published_ones():
    # ribs 30, 29, 28 and 26 mm (356, 335, 320, 285 mm bodies), with one edge thickness of about 3.5 mm
    for length, rib in ((356.0, 30.0), (335.0, 29.0), (320.0, 28.0), (285.0, 26.0)):
        assert plate_distance_mm(length) == pytest.approx(rib + 3.5, abs=1.6)


def test_heights_share_what_sinks_together():
    covariance = resting_covariance_mm2(FULL_SIZE_MM)
    assert covariance[0, 1] > 0
    assert np.linalg.eigvalsh(covariance).min() > 0


def test_far_side_shows_the_top_plate_and_near_side_the_back():
    unknowns = instrument(X=250.0, Y=-150.0, YAW=0.0)
    line = silhouette(pose_of(unknowns, 0.0), camera(), USABLE)
    x = outline_prior().closed(np.zeros(MODES), 1.0)[line.node, 0]
    lower_bout = np.abs(x) > 0.25
    # the camera is above x = 0, to the left of this instrument
    assert line.back[lower_bout & (x < 0)].all()
    assert not line.back[lower_bout & (x > 0)].any()


def test_a_fit_recovers_the_lengths_from_perfect_edges():
    truth = instrument()
    start = instrument(X=23.0, Y=-204.0, YAW=0.11, LENGTH=306.0, TOTAL=507.0, WIDTH=1.0)
    start[SHAPE] = 0.0
    found = fit(start, [view_of(truth, camera())], Setting(), rounds=15)
    assert found.unknowns[LENGTH] == pytest.approx(300.0, abs=0.2)
    assert found.unknowns[TOTAL] == pytest.approx(500.0, abs=0.2)


def test_the_parts_of_the_uncertainty_add_up():
    found = fit(instrument(), [view_of(instrument(), camera())], Setting())
    total = sum(share @ share.T for share in found.shares.values())
    assert np.allclose(total, found.covariance, rtol=1e-6, atol=1e-9)


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
    for _ in range(12):
        found = fit(truth, [view_of(truth, camera(), rng, 2.0)], Setting(edge_shift_mm=1e-4), rounds=4)
        results.append(
            (found.unknowns[LENGTH] - 300.0) / np.linalg.norm(found.shares["where the edge is seen"][LENGTH])
        )
    assert 0.4 < np.sqrt(np.mean(np.square(results))) < 1.8


def test_depth_is_the_distance_of_the_two_lines():
    pose = pose_of(instrument(DEPTH=1.0), 0.0)
    assert np.linalg.norm(pose.top - pose.back, axis=1) == pytest.approx(plate_distance_mm(300.0) + 1.0)
