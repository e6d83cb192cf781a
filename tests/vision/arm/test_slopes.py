"""The arm's residuals: their derivatives against differences of themselves, for every row and unknown."""

import numpy as np
import pytest

from tests.vision.arm.test_estimator import evidence, joints
from vision.arm import priors
from vision.arm.estimator import ArmProblem


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


def _fields(given) -> dict:
    return {name: getattr(given, name) for name in given.__slots__}
