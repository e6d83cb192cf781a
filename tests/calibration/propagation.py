"""From uncertain inputs to an uncertain result: an outside check of budgets, proven on the Guide's own examples.

Two ways, both of the Guide to the Expression of Uncertainty in Measurement.  `propagate` takes the model for a straight
line about the inputs: the result's covariance is J V J', with J the model's derivatives and V the inputs' covariance
(JCGM 100:2008, 5.2, and JCGM 102:2011 for several results).  `monte_carlo` runs the model on draws of the inputs and
reads the result's distribution off (JCGM 101:2008, 7), which also holds where the model is bent within the
uncertainties; its coverage interval is either the symmetric one or the shortest (JCGM 101:2008, 7.7).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.quantity import COVERAGE

Array = NDArray[np.float64]

_STEP_SHARE = 1e-3  # of a standard uncertainty: small enough for curvature, large enough for rounding


@dataclass(frozen=True)
class Propagated:
    """Results of a model at the inputs' best values.

    Attributes
    ----------
    values : (M,) ndarray of float
        The results.
    covariance : (M, M) ndarray of float
        Their covariance.
    sensitivities : (M, N) ndarray of float
        Derivatives of each result by each input.
    """

    values: Array
    covariance: Array
    sensitivities: Array

    @property
    def standard_uncertainties(self) -> Array:
        """Standard uncertainties (M,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


def propagate(function: Callable[[Array], ArrayLike], values: ArrayLike, covariance: ArrayLike) -> Propagated:
    """Propagate a covariance through a model, to first order.

    Parameters
    ----------
    function : callable
        The model: takes the inputs (N,), returns one result or several (M,).
    values : (N,) array_like of float
        Best values of the inputs.
    covariance : (N, N) or (N,) array_like of float
        Covariance of the inputs, or their variances where they are independent.

    Returns
    -------
    Propagated
        Results, covariance and sensitivities; derivatives are central differences over a thousandth of each input's
        standard uncertainty.  An input without uncertainty has sensitivity 0.

    Raises
    ------
    ValueError
        If a variance is negative.

    Examples
    --------
    >>> product = propagate(lambda x: x[0] * x[1], [2.0, 3.0], [0.01, 0.04])
    >>> float(round(product.standard_uncertainties[0], 6))
    0.5
    """
    best = np.asarray(values, dtype=np.float64)
    matrix = np.asarray(covariance, dtype=np.float64)
    matrix = np.diag(matrix) if matrix.ndim == 1 else matrix
    variances = np.diag(matrix)
    if (variances < 0).any():
        raise ValueError("a variance is never negative")
    centre = np.atleast_1d(np.asarray(function(best), dtype=np.float64))
    sensitivities = np.zeros((len(centre), len(best)))
    for i in np.flatnonzero(variances > 0):
        step = np.zeros(len(best))
        step[i] = _STEP_SHARE * np.sqrt(variances[i])
        change = np.asarray(function(best + step), dtype=np.float64) - np.asarray(function(best - step))
        sensitivities[:, i] = change / (2 * step[i])
    return Propagated(centre, sensitivities @ matrix @ sensitivities.T, sensitivities)


@dataclass(frozen=True)
class Simulated:
    """A result's distribution.

    Attributes
    ----------
    value : float
        Mean of the draws.
    standard_uncertainty : float
        Standard deviation of the draws.
    interval : tuple of float
        Coverage interval (low, high).
    """

    value: float
    standard_uncertainty: float
    interval: tuple[float, float]


def monte_carlo(
    function: Callable[[Array], ArrayLike], draws: ArrayLike, coverage: float = COVERAGE, shortest: bool = False
) -> Simulated:
    """Propagate distributions through a model by simulation.

    Parameters
    ----------
    function : callable
        The model: takes the inputs of all draws (N, K), returns the results (K,).
    draws : (N, K) array_like of float
        K draws of each of the N inputs.
    coverage : float
        Coverage probability of the interval, between 0 and 1.
    shortest : bool
        Whether to give the shortest coverage interval instead of the probabilistically symmetric one.

    Returns
    -------
    Simulated
        Mean, standard deviation and coverage interval.
    """
    results = np.sort(np.asarray(function(np.asarray(draws, dtype=np.float64)), dtype=np.float64))
    covered = int(np.ceil(coverage * len(results)))
    if shortest:
        start = int(np.argmin(results[covered - 1 :] - results[: len(results) - covered + 1]))
    else:
        start = (len(results) - covered) // 2
    interval = (float(results[start]), float(results[start + covered - 1]))
    return Simulated(float(results.mean()), float(results.std(ddof=1)), interval)
