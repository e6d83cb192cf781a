"""The arm's estimate on made-up arms before a made-up camera, where everything is known."""

import numpy as np
import pytest

from tests.vision.arm.made_up import STRAIGHT, camera, evidence, joints
from vision.arm import priors as priors
from vision.arm.estimator import Evidence, Sighting, arm_length_mm, expected_arm_mm, solve, straight_arm_mm
from vision.arm.priors import JOINTS


def true_length(points, outward: float = 1.0, lean_deg: float = 0.0) -> float:
    return float(arm_length_mm(points, outward, lean_deg))


def test_length_by_hand():
    points = joints(depth=np.zeros(5))
    expected = np.hypot(80.0 + STRAIGHT, 77.0) + priors.DEFINITION_OFFSET * STRAIGHT
    assert true_length(points) == pytest.approx(expected)
    assert straight_arm_mm(points) == pytest.approx(STRAIGHT)


@pytest.mark.parametrize("elevation", [-20, -5, 0, 10])
@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_length_does_not_depend_on_how_the_arm_is_held(elevation, outward):
    level = true_length(joints(depth=np.zeros(5)))
    assert true_length(joints(elevation, outward, depth=np.zeros(5)), outward) == pytest.approx(level)


@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_length_does_not_depend_on_the_trunks_lean(outward):
    level = true_length(joints(depth=np.zeros(5)))
    leaning = joints(0.0, outward, lean_deg=5.0, depth=np.zeros(5))
    assert true_length(leaning, outward, 5.0) == pytest.approx(level)


@pytest.mark.parametrize("stance", priors.STANCES, ids=lambda stance: stance.name)
@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_exact_points_at_usual_depths_give_the_length(stance, outward):
    points = joints(-3.0, outward, depth=stance.depth)
    found = solve(evidence(points, outward, trunk_lean_deg=0.0), stance)
    value, budget = found.lengths["arm_length"]
    truth = true_length(points, outward)
    assert value == pytest.approx(truth, abs=0.03 * truth)
    assert abs(value - truth) < 2 * np.sqrt(sum(part**2 for part in budget.values()))


def test_wall_stance_explains_a_wall_arm_better_than_a_reaching_one():
    points = joints(depth=priors.WALL.depth)
    wall, reaching = (solve(evidence(points), stance) for stance in (priors.WALL, priors.REACHING))
    assert abs(wall.lengths["arm_length"][0] - true_length(points)) < 5.0
    assert abs(reaching.lengths["arm_length"][0] - true_length(points)) > 12.0


def test_sheets_plane_alone_would_be_wrong():
    points = joints(depth=priors.FLOATING.depth)
    view = camera()
    flat = view.to_plane(view.project(points[[0, 4]]), 0.0)
    assert np.linalg.norm(flat[1] - flat[0]) - true_length(points) > 30.0


def test_uncertainty_follows_the_evidence():
    points = joints(depth=priors.WALL.depth)

    def deviation(stance=priors.WALL, **more) -> float:
        budget = solve(evidence(points, **more), stance).lengths["arm_length"][1]
        return float(np.sqrt(sum(part**2 for part in budget.values())))

    assert deviation(deviation_px=8.0) > 1.5 * deviation(deviation_px=1.0)
    assert deviation(age_years=8.0, stature_mm=1280.0, deviation_px=20.0) < deviation(deviation_px=20.0)


def test_stated_deviation_is_that_of_simulated_photos():
    """Arms drawn from the priors, landmarks from their noise: errors over stated deviations have unit spread."""
    generator = np.random.default_rng(5)
    scores = []
    for _ in range(60):
        depth = generator.multivariate_normal(priors.WALL.depth, priors.WALL.depth_covariance)
        points = joints(generator.normal(0, 4), depth=depth)
        for joint, (along, across) in enumerate([(0, 0), (0.03, 0.02), (0.02, 0.02), (0.015, 0.015), (0, 0)]):
            points[joint, :2] += 0.2 * generator.normal(size=2) * STRAIGHT * np.array([along, across])
        view = camera()
        true_view = view.with_parameters(generator.multivariate_normal(view.parameters, view.covariance))
        px = true_view.project(points) + generator.normal(0, 4.0, (5, 2))
        sightings = {name: Sighting.isotropic(at, 4.0, name) for name, at in zip(JOINTS, px, strict=True)}
        found = solve(Evidence(view, np.eye(3), 1.0, sightings, trunk_lean_deg=0.0), priors.WALL)
        value, budget = found.lengths["arm_length"]
        scores.append((value - true_length(points)) / np.sqrt(sum(part**2 for part in budget.values())))
    assert abs(np.mean(scores)) < 0.5
    assert 0.6 < np.std(scores) < 1.3


def test_expected_arm_from_age_and_stature():
    """Anchors of the derived table: 0.3861 of the stature at 8 years (Snyder 1977 and arm span literature)."""
    assert expected_arm_mm(None, None) is None
    value, deviation = expected_arm_mm(8.5, 1298.0)
    assert value / 1298.0 == pytest.approx(0.386, abs=0.004)
    assert 0.03 < deviation < 0.04
    _, wide = expected_arm_mm(8.5, None)
    assert wide > deviation
