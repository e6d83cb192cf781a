"""Least squares of few unknowns: Gauss-Newton steps, damped where they gain less than promised.

Every row is a residual over its standard deviation, so that a step's length is in standard deviations too: what it
changes in the residuals.  (D. Marquardt, J. Soc. Indust. Appl. Math. 11 (1963) 431; how damping follows from what a
step gained: H. B. Nielsen, Damping parameter in Marquardt's method, IMM-REP-1999-05, Technical University of Denmark.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array

NEAR = 1e-3
"""Step, in standard deviations, after which no further one is made: the next would be far smaller."""
LEAST_DAMPING = 1e-3
"""Damping after a first step that led upwards, as a share of the diagonal; our choice."""
FASTEST_FALL = 0.1
"""Of the damping, what a step leaves that gained what it promised: a third would creep where unknowns are hardly told
apart; our choice."""


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
    linearised: Callable[[Array], tuple[Array, Array]],
    start: Array,
    steps: int = 30,
    near: float = NEAR,
    damping: float = 0.0,
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
    damping : float
        Of the first step, as a share of the diagonal: 0 where the start is near, more where a whole step may lead far
        away.

    Returns
    -------
    Minimum
        After so many steps where they did not suffice.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the rows do not tell all unknowns and nothing is damped.
    """
    at, growth = start, 2.0
    rows, slopes = linearised(at)
    for _ in range(steps):
        size = np.linalg.norm(slopes, axis=0)  # unknowns of any units are made alike
        unit = slopes / size
        information, pull = unit.T @ unit, unit.T @ rows
        step = -np.linalg.solve(information + damping * np.eye(len(at)), pull)
        length = float(step @ information @ step) ** 0.5
        there, slopes_there = linearised(at + step / size)
        promised = float(step @ (damping * step - pull))
        if promised <= 0:  # not a step is left
            break
        gain = (rows @ rows - there @ there) / promised
        if not gain > 0 and length > near:
            damping, growth = max(growth * damping, LEAST_DAMPING), 2 * growth
            continue
        at, rows, slopes = at + step / size, there, slopes_there
        damping, growth = damping * max(FASTEST_FALL, 1 - (2 * float(gain) - 1) ** 3), 2.0
        if length < near:
            break
    return Minimum(at, rows)
