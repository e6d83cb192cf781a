"""Height for age and the arm's share of it."""

import pytest

from calibration.anthropometry import SHARE_CV, arm_share, height_cv, median_arm_mm, median_height_mm
from vision.arm.estimator import expected_arm_mm


@pytest.mark.parametrize(("age", "boy_cm", "girl_cm"), [(13, 156.04, 156.37), (16, 172.9, 162.5)])
def test_heights_above_twelve(age, boy_cm, girl_cm):
    """WHO Reference 2007, medians at 156 and 192 months."""
    assert median_height_mm(age, "boy") == pytest.approx(10 * boy_cm, abs=1)
    assert median_height_mm(age, "girl") == pytest.approx(10 * girl_cm, abs=1)


@pytest.mark.parametrize("age", [3.0, 6.0, 10.0, 12.0, 13.0, 14.5, 16.0])
def test_photos_and_growth_read_one_table(age):
    arm, deviation = expected_arm_mm(age, None)
    assert arm == pytest.approx(float(median_arm_mm(age)))
    assert deviation**2 == pytest.approx(SHARE_CV**2 + float(height_cv(age)) ** 2)
    assert expected_arm_mm(age, 1200.0) == (pytest.approx(1200 * float(arm_share(age))), SHARE_CV)


def test_the_line_ends_below_grown_people():
    """ANSUR II, men: 0.440 of the height from the middle of the back to the middle of the palm, less half a neck."""
    assert 0.395 < float(arm_share(16.0)) < 0.440 - 0.033 + 0.001
    assert float(arm_share(30.0)) == float(arm_share(16.0))
