"""How a child's arm goes on over the years: a Gaussian process about the median of its age.

A child differs from the median arm (`calibration.anthropometry`) by a factor that changes slowly while it grows: a tall
child stays tall, and one that grows fast goes on doing so for a while.  The logarithm of that factor is a Gaussian
process with standard deviation sqrt(S^2 + R^2), S the height's coefficient of variation in the tables, R that of the
arm's share (0.034: between-child SD 0.013 of 0.385), and correlation

    0.6 + 0.4 (1 + x) exp(-x),   x = sqrt(3) years / 4.4

between two ages: a part that stays for good and a smooth one (Matern, 3/2) whose rate lasts for some years; 0.98 from
one year to the next and 0.77 over five (correlations of children's heights are 0.95 to 0.98 and about 0.8; from
memory).  It is the hierarchy of population and child in one: without readings the forecast is the published curve, one
reading moves its level, two or more teach it the child's own rate as far as their uncertainties let them (Rasmussen and
Williams, Gaussian Processes for Machine Learning, 2006, equations 2.23, 2.24 and 4.17).  Errors common to two
measurements enter as their covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from calibration.anthropometry import SHARE_CV, Sex, height_cv, median_arm_mm
from calibration.arrays import Array
from calibration.quantity import Length, covariance_matrix_mm2

LASTING_SHARE = 0.6
"""Share of the variance between children that stays for good; ours, so that heights five years apart correlate 0.77."""

RATE_YEARS = 4.4
"""Length scale of the rest, years; ours, so that heights a year apart correlate 0.98."""

CONTRADICTION = 3.0
"""Standard deviations from what the others foretell beyond which a reading contradicts them: three in a thousand right
ones do; ours."""


@dataclass(frozen=True)
class Readings:
    """What was measured of one child's arm.

    Attributes
    ----------
    ages : (N,) ndarray
        Years.
    offsets : (N,) ndarray
        Logarithms of arm over median arm.
    noise : (N, N) ndarray
        Covariance of the offsets' errors of measurement.
    sex : {'girl', 'boy'} or None
    """

    ages: Array
    offsets: Array
    noise: Array
    sex: Sex | None

    @classmethod
    def of(cls, ages: Array, arms: Sequence[Length], sex: Sex | None) -> Readings:
        """Readings at ages (N,) in years."""
        values = np.array([arm.value_mm for arm in arms])
        noise = covariance_matrix_mm2(arms) / np.outer(values, values)
        return cls(ages, np.log(values / median_arm_mm(ages, sex)), noise, sex)

    def only(self, places: Sequence[int]) -> Readings:
        """Those at some places."""
        kept = np.array(places)
        return Readings(self.ages[kept], self.offsets[kept], self.noise[np.ix_(kept, kept)], self.sex)

    def foretell(self, ages: Array) -> tuple[Array, Array]:
        """Mean and standard deviation (M,) of the child's offset at ages (M,) in years, given these readings."""
        cross = kernel(ages, self.ages, self.sex)
        gain = np.linalg.solve(kernel(self.ages, self.ages, self.sex) + self.noise, cross.T).T
        variance = _spread(ages, self.sex) ** 2 - np.sum(gain * cross, axis=1)
        return gain @ self.offsets, np.sqrt(np.maximum(variance, 0.0))

    def agreeing(self) -> list[int]:
        """Places of the readings that are left when the worst that contradicts the others is set aside, over and over.

        Of two alone that contradict one another the earlier is left.
        """
        kept = np.arange(len(self.ages))
        while len(kept) > 1:
            scores = self.only(kept.tolist())._contradictions()
            # Of equals the later one: with two measurements both contradict alike.
            worst = max(range(len(kept)), key=lambda index: (round(float(scores[index]), 6), index))
            if scores[worst] <= CONTRADICTION:
                break
            kept = np.delete(kept, worst)
        found: list[int] = kept.tolist()
        return found

    def _contradictions(self) -> Array:
        """How far each reading lies from what all others foretell, in standard deviations; (N,).

        With Q the inverse of the covariance of the offsets y, a reading lies (Q y)_i / Q_ii off, with the variance
        1 / Q_ii (Rasmussen and Williams, equation 5.12).  What its error shares with others' tells nothing of the
        child, and is taken off again: M, the errors' covariance without its diagonal.
        """
        precision = np.linalg.inv(kernel(self.ages, self.ages, self.sex) + self.noise)
        shared = self.noise - np.diag(np.diagonal(self.noise))
        weighed, gain = precision @ self.offsets, shared @ precision
        own = 1 - np.diagonal(gain)
        off = own * weighed / np.diagonal(precision) + shared @ weighed
        variance = own**2 / np.diagonal(precision) - np.sum(gain * shared, axis=1)
        return np.asarray(np.abs(off) / np.sqrt(np.maximum(variance, np.diagonal(self.noise))))

    def is_unusual(self, place: int) -> bool:
        """Whether a reading is far from other children's of that age."""
        spread = np.hypot(_spread(self.ages[[place]], self.sex)[0], np.sqrt(self.noise[place, place]))
        return bool(abs(self.offsets[place]) > CONTRADICTION * spread)


def _spread(ages: Array, sex: Sex | None) -> Array:
    """(N,) standard deviation of the logarithm of a child's factor at ages (N,) in years."""
    return np.hypot(height_cv(ages, sex), SHARE_CV)


def kernel(first: Array, second: Array, sex: Sex | None) -> Array:
    """Covariance (N, M) of the logarithm of a child's factor at ages (N,) and (M,) in years."""
    apart = np.abs(first[:, None] - second[None, :])
    return np.asarray(np.outer(_spread(first, sex), _spread(second, sex)) * correlation(apart))


def correlation(years: Array | float) -> Array:
    """Correlation of a child's factor at two ages so many years apart; any shape.

    Examples
    --------
    >>> [round(float(correlation(each)), 2) for each in (0.0, 1.0, 5.0)]
    [1.0, 0.98, 0.77]
    """
    x = sqrt(3) * np.asarray(years, dtype=float) / RATE_YEARS
    return np.asarray(LASTING_SHARE + (1 - LASTING_SHARE) * (1 + x) * np.exp(-x))
