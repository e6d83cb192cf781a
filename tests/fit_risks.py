"""What risk a decision takes in a whole population (JCGM 106:2012, ISO/IEC Guide 98-4), to hold simulations against.

A measured value y with standard uncertainty u stands for a normal distribution of the true value.  The *conformance
probability* is its share inside the limits (clause 7.2 to 7.4).  The *global* risks are those of a population measured
in the same way (clause 9.5): the consumer's risk that an accepted object does not conform, the producer's that a
conforming one is rejected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calibration.arrays import Array


def conformance_probability(value: float, u: float, low: float = -math.inf, high: float = math.inf) -> float:
    """Probability that the true value lies between `low` and `high` (JCGM 106:2012, 7.3, 7.4).

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty, in one unit.
    low, high : float
        Limits in that unit; infinite for a one-sided limit.

    Returns
    -------
    float
    """
    if u == 0:
        return float(low <= value <= high)
    return float(ndtr((high - value) / u) - ndtr((low - value) / u))


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """Risks of a population.

    Attributes
    ----------
    conforming : float
        Share of the population inside the limits.
    consumer : float
        Share that is accepted though it does not conform.
    producer : float
        Share that is rejected though it conforms.
    """

    conforming: float
    consumer: float
    producer: float


def global_risks(
    process: tuple[float, float],
    u: float,
    limits: tuple[float, float],
    acceptance: tuple[float, float],
    nodes: int = 4001,
) -> GlobalRisks:
    """Global consumer's and producer's risk of a normal population (JCGM 106:2012, 9.5.2, equations 17 and 19).

    Parameters
    ----------
    process : tuple of float
        Mean and standard deviation of the true values.
    u : float
        Standard uncertainty of one measurement.
    limits, acceptance : tuple of float
        Limits for the true value, and for the measured value to be accepted; infinite where one-sided.
    nodes : int
        Points of the integration.

    Returns
    -------
    GlobalRisks
    """
    mean, sd = process
    z = np.linspace(-8.5, 8.5, nodes)
    true = mean + sd * z
    accepted = ndtr((acceptance[1] - true) / u) - ndtr((acceptance[0] - true) / u)
    # A limit inside a step of the grid would cost accuracy, so each part is integrated from limit to limit.
    density = np.exp(-z * z / 2) / math.sqrt(2 * math.pi)

    def part(low: float, high: float, share: Array) -> float:
        start, end = max((low - mean) / sd, z[0]), min((high - mean) / sd, z[-1])
        if end <= start:
            return 0.0
        grid = np.linspace(start, end, nodes)
        return float(np.trapezoid(np.interp(grid, z, share * density), grid))

    conforming = conformance_probability(mean, sd, *limits)
    outside = part(-math.inf, limits[0], accepted) + part(limits[1], math.inf, accepted)
    return GlobalRisks(conforming, outside, conforming - part(*limits, accepted))
