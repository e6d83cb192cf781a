"""Covariances by their roots.

A root of a covariance matrix C is any R with C = R R'.  Where a matrix is so ill-conditioned that its inverse need not
be positive, a root from singular values still is: they are the square roots, known to twice as many digits, and
whatever is squared is positive (A. Bjorck, Numerical Methods for Least Squares Problems, 2.8; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.arrays import Array

_LEAST_SINGULAR = 1e-12
"""Of a singular value, over the largest: below it, rounding decides; a parameter is then as good as unknown."""


def inverse_root(jacobian: Array) -> Array:
    """Root (P, P) of the inverse of the normal matrix J' J, by singular values, with columns made alike first.

    Parameters
    ----------
    jacobian : (R, P) ndarray of float
        Derivatives of residuals, each over its standard deviation.
    """
    scale = np.linalg.norm(jacobian, axis=0)
    _, values, vectors = np.linalg.svd(jacobian / scale, full_matrices=False)
    return np.asarray(vectors.T / np.maximum(values, _LEAST_SINGULAR * values[0]) / scale[:, None])


def triangular(root: Array) -> Array:
    """Lower triangular root (P, P), with a diagonal that is not negative, of what `root` (P, K) is a root of."""
    upper = np.asarray(np.linalg.qr(root.T, mode="r"))
    return np.asarray((upper * np.where(np.diag(upper) < 0, -1.0, 1.0)[:, None]).T)


def mixture_root(roots: Sequence[Array], away: Sequence[Array], costs: Sequence[float]) -> Array:
    """Root of the covariance about a solution where others are possible too (law of total variance).

    Parameters
    ----------
    roots : sequence of (P, K) ndarray of float
        Of each solution's own covariance.
    away : sequence of (P,) ndarray of float
        How far each lies from the one that is kept.
    costs : sequence of float
        Minus the logarithm of each one's probability, but for a constant.

    Returns
    -------
    (P, P) ndarray of float
        Lower triangular.
    """
    weights = np.exp(min(costs) - np.array(costs))
    weights /= weights.sum()
    parts = [
        np.sqrt(weight) * np.column_stack([root, off]) for weight, root, off in zip(weights, roots, away, strict=True)
    ]
    return triangular(np.hstack(parts))
