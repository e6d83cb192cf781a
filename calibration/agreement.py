"""Whether several readings of one length agree within their uncertainties.

Readings that agree scatter about their common value as their uncertainties say: with V their covariance (shared causes
included) and r their distances from the generalised mean, chi2 = r' V^-1 r follows the chi-squared distribution with
one degree of freedom less than there are readings.  Readings are taken to agree unless a value as large as that found
has a probability below 5 % (M. G. Cox, The evaluation of key comparison data, Metrologia 39 (2002) 589, procedure A).
The Birge ratio, sqrt(chi2 / degrees of freedom), says by what factor the uncertainties would have to be widened for the
readings to agree (R. T. Birge, Phys. Rev. 40 (1932) 207; O. Bodnar and C. Elster, Metrologia 51 (2014) 516).  We do not
widen them: a photo that does not agree with the others shows another child or another pose, and no factor mends that.
All three sources are named from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import chdtrc

from calibration.quantity import Length, covariance_matrix_mm2

LEAST_PROBABILITY = 0.05
"""Probability of the scatter found below which readings are said to disagree (Cox 2002, procedure A)."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How readings of one length scatter.

    Attributes
    ----------
    chi_squared : float
        Squared distances from the common value, in units of their covariance.
    degrees_of_freedom : int
        Number of readings less one.
    probability : float
        Probability that readings which agree scatter as much or more.
    """

    chi_squared: float
    degrees_of_freedom: int
    probability: float

    @property
    def holds(self) -> bool:
        """Whether the readings agree."""
        return self.probability >= LEAST_PROBABILITY

    @property
    def birge_ratio(self) -> float:
        """Scatter over what the uncertainties allow; about 1 where they are right."""
        return sqrt(self.chi_squared / self.degrees_of_freedom)


def agreement(readings: Sequence[Length]) -> Agreement:
    """Compare readings of one length.

    Parameters
    ----------
    readings : sequence of Length
        Two or more; causes that they share carry the same keys.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        If there are fewer than two readings.

    Examples
    --------
    >>> found = agreement([Length.stated(450.0, 3.0), Length.stated(460.0, 4.0)])
    >>> round(found.chi_squared, 3), round(found.probability, 3), found.holds
    (4.0, 0.046, False)
    """
    if len(readings) < 2:
        raise ValueError("one reading agrees with nothing")
    values = np.array([each.value_mm for each in readings])
    inverse = np.linalg.pinv(covariance_matrix_mm2(readings), hermitian=True)
    weights = inverse.sum(axis=0)
    distances = values - weights @ values / weights.sum()
    chi_squared = max(float(distances @ inverse @ distances), 0.0)
    freedom = len(readings) - 1
    return Agreement(chi_squared, freedom, float(chdtrc(freedom, chi_squared)))
