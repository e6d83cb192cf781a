"""The arm's residuals: their derivatives against differences of themselves; their least squares against a library."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.vision.arm.test_estimator import evidence, joints
from vision.arm import priors
from vision.arm.estimator import ArmProblem, most_probable


@pytest.mark.parametrize(
    "known", [{}, {"hand_px": 62.0, "trunk_lean_deg": 1.5, "age_years": 9.0, "stature_mm": 1320.0}]
)
@pytest.mark.parametrize("outward", [1.0, -1.0])
def test_the_jacobian_is_the_residuals_difference(known, outward):
    sideways = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    given = evidence(joints(4.0, outward), outward, **known)
    problem = ArmProblem(type(given)(**{**_fields(given), "body_to_sheet": sideways}), priors.FLOATING)
    at = problem.start()
    at += np.random.default_rng(1).normal(0, 0.3, len(at))
    slopes = problem.jacobian(at)
    assert slopes.shape == (len(problem.causes()), len(at))
    for column in range(len(at)):
        step = np.zeros(len(at))
        step[column] = 1e-4
        difference = (problem.rows(at + step) - problem.rows(at - step)) / 2e-4
        # rows are in standard deviations; forward differences of the body's rows are good to a few 1e-6 of a mm
        assert np.allclose(slopes[:, column], difference, rtol=1e-4, atol=2e-5), column


@pytest.mark.parametrize("stance", priors.STANCES, ids=lambda stance: stance.name)
def test_the_most_probable_arm_is_the_least_squares_of_its_rows(stance):
    """Landmarks that lie off, a start on the far side of the wall: a solver with a trust region ends at the same."""
    given = evidence(joints(14.0, depth=priors.REACHING.depth), deviation_px=12.0, hand_px=50.0, trunk_lean_deg=-4.0)
    problem = ArmProblem(given, stance)
    badly = problem.start() * np.where(np.arange(len(problem.start())) % 3 == 2, -4.0, 1.6)
    problem.start = lambda: badly
    found, unknowns = most_probable(problem)
    other = least_squares(problem.rows, unknowns + 0.3, problem.jacobian, xtol=1e-12, ftol=1e-14, gtol=1e-12)
    assert np.abs(problem.points(other.x) - found.points_mm).max() < 0.02
    assert problem.cost(unknowns) <= problem.cost(other.x) + 1e-5


def _fields(given) -> dict:
    return {name: getattr(given, name) for name in given.__slots__}
