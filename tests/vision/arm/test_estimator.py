"""The arm's estimate on made-up arms before a made-up camera, where everything is known."""

from dataclasses import astuple, replace

import numpy as np
import pytest

from calibration import anthropometry
from tests.vision.arm.made_up import STRAIGHT, camera, evidence, joints, solve
from vision.arm import priors as priors
from vision.arm.build import NOTHING_STATED, StatedBuild
from vision.arm.estimator import ArmProblem, Evidence, Sighting
from vision.arm.joints import arm_length_mm, straight_arm_mm, straight_arm_slopes
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


def drawn_arm(generator: np.random.Generator, lean_deg: float) -> np.ndarray:
    """An arm (5, 3) mm drawn from everything that is believed of arms against the wall."""
    depth = generator.multivariate_normal(priors.WALL.depth, priors.WALL.depth_covariance)
    upper, palm = (np.exp(generator.normal(*one)) for one in (priors.UPPER_TO_FOREARM, priors.PALM_TO_FOREARM))
    shares = np.array([upper, 1.0, palm]) / (upper + 1.0 + palm)
    straight = priors.STRAIGHT_ARM_MM[0] * np.exp(generator.normal(0, 0.1))
    seen = np.sqrt(shares**2 - np.diff(depth[1:]) ** 2)
    inward, up = (straight * generator.normal(*one) for one in priors.NECK_OFFSET)
    e, t = np.radians(generator.normal(0, 4)), np.radians(lean_deg)
    flat = straight * np.cumsum([0.0, *seen])[:, None] * np.array([np.cos(e), np.sin(e)])
    neck = -inward * np.array([np.cos(t), np.sin(t)]) + up * np.array([-np.sin(t), np.cos(t)])
    return np.column_stack([np.vstack([neck, flat]), depth * straight])


def test_a_landmark_far_off_widens_rather_than_shifts(monkeypatch):
    from vision.arm import estimator

    points = joints()
    good = evidence(points, deviation_px=4.0)
    place = good.sightings["elbow"]
    wrong = Sighting(
        place.px + np.array([60.0, 0.0]), place.whitening, place.cause
    )  # on something else, 15 deviations away
    bad = replace(good, sightings={**good.sightings, "elbow": wrong})

    def arm(of):
        value, budget = solve(of, priors.WALL).lengths["shoulder_to_palm"]
        return value, float(np.sqrt(sum(part**2 for part in budget.values())))

    (true, narrow), (robust, wide) = arm(good), arm(bad)
    monkeypatch.setattr(estimator, "TAIL", 1e9)  # a normal distribution
    assert arm(good)[0] == pytest.approx(true, abs=0.5)
    assert abs(robust - true) < 0.5 * abs(arm(bad)[0] - true)
    assert wide > narrow


def test_stated_deviation_is_that_of_simulated_photos():
    """Arms drawn from the priors, landmarks from their noise: errors over stated deviations are unit normal."""
    generator = np.random.default_rng(5)
    view, scores = camera(), []
    for _ in range(150):
        lean_deg = generator.normal(0, priors.TORSO_ROLL_DEG)
        points = drawn_arm(generator, lean_deg)
        true_view = view.with_parameters(view.parameters + view.covariance_root @ generator.normal(size=12))
        px = true_view.project(points) + generator.normal(0, 4.0, (5, 2))
        sightings = {name: Sighting.isotropic(at, 4.0, name) for name, at in zip(JOINTS, px, strict=True)}
        lean_seen_deg = lean_deg + generator.normal(0, priors.TRUNK_AXIS[1])
        found = solve(Evidence(view, np.eye(3), 1.0, sightings, trunk_lean_deg=lean_seen_deg), priors.WALL)
        value, budget = found.lengths["arm_length"]
        truth = true_length(points, lean_deg=lean_deg)
        scores.append((value - truth) / np.sqrt(sum(part**2 for part in budget.values())))
    # of 150 unit normals the mean scatters by 0.08 and the deviation by 0.06: three times that
    assert np.mean(scores) == pytest.approx(0.0, abs=0.25)
    assert np.std(scores) == pytest.approx(1.0, abs=0.18)


def test_expected_arm_from_age_and_stature():
    """Anchors of the derived table: 0.3861 of the stature at 8 years (Snyder 1977 and arm span literature)."""
    assert NOTHING_STATED.expected_arm() is None
    expected = StatedBuild(8.5, 1298.0).expected_arm()
    assert expected.usual_mm / 1298.0 == pytest.approx(0.386, abs=0.004)
    assert 0.03 < expected.log_deviation < 0.04
    assert StatedBuild(8.5).expected_arm().log_deviation > expected.log_deviation


def far_off(offsets_px) -> ArmProblem:
    """The problem of an arm whose landmarks lie off to the right by so many pixels, of one pixel's deviation each."""
    given = evidence(joints(), 1.0)
    moved = {
        name: Sighting.isotropic(given.sightings[name].px + np.array([off, 0.0]), 1.0, name)
        for name, off in zip(JOINTS, offsets_px, strict=True)
    }
    return ArmProblem(replace(given, sightings=moved), priors.WALL)


def test_landmarks_are_believed_as_under_a_t_distribution_beyond_a_normal_core():
    """Four degrees of freedom, and normal up to a squared distance of 6: weights 10 / (4 + square), by hand."""
    problem = far_off([0.0, 2.0, 2.4, 2.5, 6.0])
    assert (problem.belief == 1.0).all()
    at = np.concatenate([np.zeros(12), joints().ravel(), [0.0]])
    squares = np.array([0.0, 4.0, 5.76, 6.25, 36.0])
    assert problem.squares(at) == pytest.approx(squares, abs=1e-9)
    plain = problem.rows(at)
    whole, landmarks = plain @ plain, plain[12:22] @ plain[12:22]
    assert problem.cost(at) == pytest.approx(0.5 * whole)
    expected = np.sqrt([1.0, 1.0, 1.0, 10.0 / 10.25, 10.0 / 40.0])
    assert problem.weighed(at) == pytest.approx(0.5)  # of the palm, from 1 to 0.5
    assert problem.belief == pytest.approx(expected)
    assert problem.weighed(at) == pytest.approx(0.0, abs=1e-12)
    assert problem.squares(at) == pytest.approx(squares, abs=1e-9)
    assert problem.rows(at)[12:22] == pytest.approx(np.repeat(expected, 2) * plain[12:22])
    # minus the logarithm: half the square in the core; beyond it 3 + 5 log((4 + square) / 10), which meets it at 6
    tails = 0.5 * (4.0 + 5.76) + 3.0 + 5 * np.log(1.025) + 3.0 + 5 * np.log(4.0)
    assert problem.cost(at) == pytest.approx(0.5 * (whole - landmarks) + tails)


def test_a_camera_of_two_sheets_has_twelve_unknowns():
    """Lens, print and the first sheet's pose: further sheets have done their part once the camera is solved."""
    given = evidence(joints(), 1.0)
    one = given.camera
    two = replace(
        one,
        sheets=one.sheets * 2,
        parameters=np.concatenate([one.parameters, one.parameters[6:]]),
        covariance_root=np.eye(18),
    )
    for view in (one, two):
        problem = ArmProblem(replace(given, camera=view), priors.WALL)
        assert problem.camera_size == 12
        assert len(problem.start()) == 12 + 15 + 1


def test_it_starts_at_the_stances_usual_depth_of_the_arm_as_it_looks():
    """On the lines of sight: depths are told three times from the straight arm that is seen at the last ones."""
    problem = far_off([0.0, 2.0, 2.4, 2.5, 6.0])
    view, straight = problem.evidence.camera, 415.0
    for _ in range(3):
        px = np.array([problem.evidence.sightings[name].px for name in JOINTS])
        points = view.to_plane(px, straight * priors.WALL.depth)
        straight = np.linalg.norm(np.diff(points[1:], axis=0), axis=1).sum()
    start = problem.start()
    np.testing.assert_allclose(problem.points(start), points, atol=1e-9)
    assert not start[:12].any()
    assert start[-1] == 0.0


def test_the_slopes_of_the_straight_arm_are_those_of_differences():
    points = joints(7.0, depth=priors.REACHING.depth)
    value, slopes = straight_arm_slopes(points)
    assert value == pytest.approx(float(straight_arm_mm(points)), rel=1e-12)
    for place in np.ndindex(5, 3):
        step = np.zeros((5, 3))
        step[place] = 1e-3
        numeric = (straight_arm_mm(points + step) - straight_arm_mm(points - step)) / 2e-3
        assert slopes[place] == pytest.approx(float(numeric), abs=1e-7), place


def test_what_is_expected_of_an_age_or_a_stature_alone():
    """By hand of the table (`calibration.anthropometry`): the middle of childhood is eight years."""
    share, height = anthropometry.arm_share(8.0), anthropometry.median_height_mm(8.0)
    of_stature, of_age = StatedBuild(stature_mm=1300.0).expected_arm(), StatedBuild(8.0).expected_arm()
    assert astuple(of_stature) == pytest.approx((share * 1300.0, anthropometry.SHARE_CV))
    spread = np.hypot(anthropometry.SHARE_CV, anthropometry.height_cv(8.0))
    assert astuple(of_age) == pytest.approx((share * height, spread))
    assert StatedBuild(5.0, 1300.0).expected_arm().usual_mm == pytest.approx(anthropometry.arm_share(5.0) * 1300.0)
