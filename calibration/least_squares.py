"""Least squares of few unknowns: Gauss-Newton steps, damped where they lead upwards (Levenberg and Marquardt).

Every row is a residual over its standard deviation, so that a step's length is in standard deviations too: what it
changes in the residuals.  (D. Marquardt, J. Soc. Indust. Appl. Math. 11 (1963) 431.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array

NEAR = 1e-3
"""Step, in standard deviations, after which no further one is made: the next would be far smaller."""
_DAMPING = (1e-3, 10.0)
"""First damping of a step that led upwards, as a share of the diagonal, and its growth; our choice."""


@dataclass(frozen=True, slots=True)
class Minimum:
    """Where a sum of squares is least.

    Attributes
    ----------
    x : (U,) ndarray
        The unknowns.
    rows : (R,) ndarray
        The residuals there.
    """

    x: Array
    rows: Array

    @property
    def cost(self) -> float:
        """Half the sum of squares."""
        return 0.5 * float(self.rows @ self.rows)


def minimum(
    linearised: Callable[[Array], tuple[Array, Array]], start: Array, steps: int = 30, near: float = NEAR
) -> Minimum:
    """The least sum of squares near a starting point.

    Parameters
    ----------
    linearised : callable
        Takes unknowns (U,), gives the rows (R,) there and their derivatives (R, U).
    start : (U,) ndarray
    steps : int
        At most.
    near : float
        Length of the last step, in standard deviations.
    """
    at, damping = start, 0.0
    rows, slopes = linearised(at)
    for _ in range(steps):
        size = np.linalg.norm(slopes, axis=0)  # unknowns of any units are made alike
        unit = slopes / size
        information = unit.T @ unit
        step = -np.linalg.solve(information + damping * np.eye(len(at)), unit.T @ rows)
        length = float(step @ information @ step) ** 0.5
        step /= size
        there, slopes_there = linearised(at + step)
        if not there @ there <= rows @ rows and length > near:
            damping = max(damping * _DAMPING[1], _DAMPING[0])
            continue
        at, rows, slopes, damping = at + step, there, slopes_there, damping / _DAMPING[1] ** 2
        if length < near:
            break
    return Minimum(at, rows)
