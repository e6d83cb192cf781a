"""What a family says of a child's build, and which arm that makes likely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import anthropometry
from calibration.quantity import Length

MIDDLE_AGE = 8.0
"""Age taken where only the stature is known, years: the middle of 3 to 13, where the share is within 1 % for all."""
MOST_DEVIATION = 2.5
"""Standard deviations beyond which a stated age or stature contradicts the photo: 1.2 % of right ones do; ours."""


@dataclass(frozen=True, slots=True)
class ExpectedArm:
    """An arm that is expected before the photo is looked at.

    Attributes
    ----------
    usual_mm : float
        Its median, mm.
    log_deviation : float
        Standard deviation of its logarithm between children.
    """

    usual_mm: float
    log_deviation: float


@dataclass(frozen=True, slots=True)
class StatedBuild:
    """Age and stature as stated; None where not.

    Attributes
    ----------
    age_years, stature_mm : float or None
    """

    age_years: float | None = None
    stature_mm: float | None = None

    def expected_arm(self) -> ExpectedArm | None:
        """The arm of children of this build (`calibration.anthropometry`); None where neither is stated.

        Without an age the middle of childhood is taken; without a stature, the median of the age.
        """
        if self.age_years is None and self.stature_mm is None:
            return None
        age = MIDDLE_AGE if self.age_years is None else self.age_years
        share, deviation = float(anthropometry.arm_share(age)), anthropometry.SHARE_CV
        if self.stature_mm is not None:
            return ExpectedArm(share * self.stature_mm, deviation)
        height_mm = float(anthropometry.median_height_mm(age))
        return ExpectedArm(share * height_mm, float(np.hypot(deviation, anthropometry.height_cv(age))))

    def deviation(self, arm: Length) -> float:
        """How far an arm is from what is expected, in standard deviations; above 0 where it is longer.

        The deviation is that of the logarithms' difference: between children and by the photo's own uncertainty.

        Parameters
        ----------
        arm : Length
            As measured without age and stature.

        Returns
        -------
        float
            0 where neither is stated.
        """
        expected = self.expected_arm()
        if expected is None:
            return 0.0
        deviation = np.hypot(expected.log_deviation, arm.standard_uncertainty_mm / arm.value_mm)
        return float(np.log(arm.value_mm / expected.usual_mm) / deviation)

    def contradicts(self, arm: Length) -> bool:
        """Whether an arm is too far from what is expected to be of a child of this build."""
        return abs(self.deviation(arm)) > MOST_DEVIATION


NOTHING_STATED = StatedBuild()
"""Nothing is said of the child."""
