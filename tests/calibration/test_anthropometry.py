"""Height for age and the arm's share of it."""

import numpy as np
import pytest

from calibration.anthropometry import SHARE_CV, arm_share, height_cv, median_arm_mm, median_height_mm
from vision.arm.build import ExpectedArm, StatedBuild


@pytest.mark.parametrize(("age", "boy_cm", "girl_cm"), [(13, 156.04, 156.37), (16, 172.9, 162.5)])
def test_heights_above_twelve(age, boy_cm, girl_cm):
    """WHO Reference 2007, medians at 156 and 192 months."""
    assert median_height_mm(age, "boy") == pytest.approx(10 * boy_cm, abs=1)
    assert median_height_mm(age, "girl") == pytest.approx(10 * girl_cm, abs=1)


@pytest.mark.parametrize("age", [3.0, 6.0, 10.0, 12.0, 13.0, 14.5, 16.0])
def test_photos_and_growth_read_one_table(age):
    expected = StatedBuild(age).expected_arm()
    assert expected.usual_mm == pytest.approx(float(median_arm_mm(age)))
    assert expected.log_deviation**2 == pytest.approx(SHARE_CV**2 + float(height_cv(age)) ** 2)
    assert StatedBuild(age, 1200.0).expected_arm() == ExpectedArm(pytest.approx(1200 * float(arm_share(age))), SHARE_CV)


def test_the_line_ends_below_grown_people():
    """ANSUR II, men: 0.440 of the height from the middle of the back to the middle of the palm, less half a neck."""
    assert 0.395 < float(arm_share(16.0)) < 0.440 - 0.033 + 0.001
    assert float(arm_share(30.0)) == float(arm_share(16.0))


@pytest.mark.parametrize(
    ("sex", "at_two", "at_five", "at_seam", "at_ten"),
    [
        ("girl", (857.299, 0.03764), (1094.362, 0.04347), (1111.596, 0.04382), (1386.363, 0.04614)),
        ("boy", (871.303, 0.03508), (1099.773, 0.04214), (1118.636, 0.04187), (1377.795, 0.04626)),
    ],
)
def test_the_two_references_meet_by_a_straight_line(sex, at_two, at_five, at_seam, at_ten):
    """WHO 2006 on days 731 and 1827, WHO 2007 at 64 and 120 months; between day 1827 and 64 months a line."""
    for column, of in enumerate((median_height_mm, height_cv)):
        two, five, seam, ten = (entry[column] for entry in (at_two, at_five, at_seam, at_ten))
        # of a younger child the table has lengths lying down: it is taken as one of two years
        assert [float(of(age, sex)) for age in (0.5, 731 / 365.25)] == pytest.approx([two, two], rel=1e-6)
        start, end = 1827 / 365.25, 64 / 12
        assert float(of(start, sex)) == pytest.approx(five, rel=1e-6)
        third = start + (end - start) / 3
        assert float(of(third, sex)) == pytest.approx(five + (seam - five) / 3, rel=1e-6)
        assert float(of(end, sex)) == pytest.approx(seam, rel=1e-6)
        assert float(of(10.0, sex)) == pytest.approx(ten, rel=1e-6)
    assert np.ptp(median_height_mm(np.array([19.0, 40.0]), sex)) == 0.0


def test_without_a_sex_both_count_alike():
    ages = np.array([3.2, 5.1, 11.7])
    for of in (median_height_mm, height_cv):
        assert of(ages) == pytest.approx((of(ages, "girl") + of(ages, "boy")) / 2)
        assert (of(ages, "girl") != of(ages, "boy")).all()


def test_the_arm_s_share_of_the_height():
    """0.3671 + 0.0021 a between 3 and 16 years."""
    ages = np.array([2.0, 3.0, 8.5, 16.0, 18.0])
    share = np.array([0.3734, 0.3734, 0.38495, 0.4007, 0.4007])
    assert arm_share(ages) == pytest.approx(share, abs=1e-9)
    assert median_arm_mm(ages, "girl") == pytest.approx(share * median_height_mm(ages, "girl"))
    assert pytest.approx(0.033766, rel=1e-4) == SHARE_CV
