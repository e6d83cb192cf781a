"""A measured length: one number, how sure it is, and why.

A length is kept as a first-order expansion about its value (JCGM 100:2008, clause 5): each independent cause of error
contributes a signed number of millimetres, namely the sensitivity to that cause times the cause's standard uncertainty.
The combined standard uncertainty is the root of the sum of squares.  A cause that reaches two lengths (the print scale
of one sheet seen in two photos) carries the same ``key`` in both; the covariance of the two lengths is then the sum of
the products of their contributions under the keys they share (JCGM 100:2008, F.1.2.3).  A contribution without a key
is shared with nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, isfinite
from statistics import NormalDist
from typing import Any

from calibration.arrays import Array

COVERAGE = 0.95
"""Coverage probability of every stated interval."""

COVERAGE_FACTOR = NormalDist().inv_cdf(0.5 + COVERAGE / 2)
"""k for a normal distribution at `COVERAGE` (JCGM 100:2008, table G.1: 1.960)."""

EXACT_MM = 1e-4
"""Standard uncertainty of a length that is stated as exact, where exact ones have to be weighed, mm."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One cause's part of a length's uncertainty.

    Attributes
    ----------
    source : str
        The cause in plain words, e.g. ``"height of the top edge"``.
    contribution_mm : float
        Sensitivity times standard uncertainty, in mm; the sign matters only between lengths that share the cause.
    key : str or None
        Identity of the cause where other lengths may share it, e.g. ``"print-scale:a4-1"``.
    """

    source: str
    contribution_mm: float
    key: str | None = None


@dataclass(frozen=True, slots=True)
class Length:
    """A measured length.

    Attributes
    ----------
    value_mm : float
        Best estimate, in mm.
    budget : tuple of Contribution
        The causes of its uncertainty, independent of one another; a key appears once at most.
    interval_mm : tuple of float or None
        95 % coverage interval (low, high) in mm where it was found by simulation and is not symmetric; None means
        value -+ 1.96 standard uncertainties.
    """

    value_mm: float
    budget: tuple[Contribution, ...]
    interval_mm: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not isfinite(self.value_mm) or not isfinite(self.standard_uncertainty_mm):
            raise ValueError("a length and its uncertainty must be finite")

    @classmethod
    def stated(cls, value_mm: float, standard_uncertainty_mm: float, source: str = "as stated") -> Length:
        """A length somebody states with one standard uncertainty (mm), e.g. a tape reading.

        Raises
        ------
        ValueError
            If the standard uncertainty is negative, or one of the two is not finite.

        Examples
        --------
        >>> tape = Length.stated(452.0, 5.0, "tape")
        >>> round(tape.low_mm, 1), round(tape.high_mm, 1)
        (442.2, 461.8)
        """
        if standard_uncertainty_mm < 0:
            raise ValueError("a standard uncertainty is never negative")
        return cls(value_mm, (Contribution(source, standard_uncertainty_mm),))

    @property
    def standard_uncertainty_mm(self) -> float:
        """Combined standard uncertainty, in mm."""
        return hypot(*(part.contribution_mm for part in self.budget))

    @property
    def low_mm(self) -> float:
        """Lower end of the 95 % coverage interval, in mm."""
        if self.interval_mm is not None:
            return self.interval_mm[0]
        return self.value_mm - COVERAGE_FACTOR * self.standard_uncertainty_mm

    @property
    def high_mm(self) -> float:
        """Upper end of the 95 % coverage interval, in mm."""
        if self.interval_mm is not None:
            return self.interval_mm[1]
        return self.value_mm + COVERAGE_FACTOR * self.standard_uncertainty_mm


def covariance_mm2(first: Length, second: Length) -> float:
    """Covariance of two lengths from the causes they share, in mm2.

    Contributions without a key are independent of everything, also of those of the same length.

    Examples
    --------
    >>> body, total = (Length(mm, (Contribution("size of the print", u, "print-scale:a4-1"),)) for mm, u in
    ...                ((285.0, 0.5), (480.0, 0.8)))
    >>> covariance_mm2(body, total)
    0.4
    """
    mine, theirs = _by_key(first), _by_key(second)
    return sum((value * theirs[key] for key, value in mine.items() if key in theirs), start=0.0)


def _by_key(length: Length) -> dict[str, float]:
    summed: dict[str, float] = defaultdict(float)
    for part in length.budget:
        if part.key is not None:
            summed[part.key] += part.contribution_mm
    return dict(summed)


def covariance_matrix_mm2(lengths: Sequence[Length]) -> Array:
    """Covariance (N, N) of N lengths, mm2: their variances, and off the diagonal what they share.

    Lengths stated as exact get a standard uncertainty of `EXACT_MM`, so that the matrix can be inverted.

    Examples
    --------
    >>> covariance_matrix_mm2([Length.stated(450.0, 2.0), Length.stated(452.0, 3.0)]).round(3)
    array([[4., 0.],
           [0., 9.]])
    """
    import numpy as np

    matrix = np.array([[covariance_mm2(a, b) for b in lengths] for a in lengths], dtype=np.float64)
    matrix[np.diag_indices(len(lengths))] = [length.standard_uncertainty_mm**2 + EXACT_MM**2 for length in lengths]
    return matrix


def combine(lengths: Sequence[Length]) -> Length:
    """Best linear unbiased combination of several readings of one length, shared causes not averaged away.

    Weights minimise the combined uncertainty under the readings' full covariance (generalised least squares;
    JCGM 100:2008, F.1.2; M. G. Cox, Metrologia 39 (2002) 589 for the weighted mean).

    Parameters
    ----------
    lengths : sequence of Length
        One or more readings of the same length.

    Returns
    -------
    Length
        The combined length; its budget keeps every cause, independent ones of the same name in one, and shared causes
        keep their keys.

    Raises
    ------
    ValueError
        If `lengths` is empty.

    Examples
    --------
    >>> both = combine([Length.stated(450.0, 3.0), Length.stated(460.0, 4.0)])
    >>> round(both.value_mm, 2), round(both.standard_uncertainty_mm, 2)
    (453.6, 2.4)
    """
    import numpy as np

    if not lengths:
        raise ValueError("nothing to combine")
    if len(lengths) == 1:
        return lengths[0]
    weights = np.linalg.pinv(covariance_matrix_mm2(lengths)) @ np.ones(len(lengths))
    weights /= weights.sum()
    shared: dict[str, tuple[str, float]] = {}
    own: dict[str, float] = {}
    for length, weight in zip(lengths, weights, strict=True):
        for part in length.budget:
            weighted = float(weight) * part.contribution_mm
            if part.key is None:
                own[part.source] = hypot(own.get(part.source, 0.0), weighted)
            else:
                source, so_far = shared.get(part.key, (part.source, 0.0))
                shared[part.key] = (source, so_far + weighted)
    independent = (Contribution(source, value) for source, value in own.items())
    budget = (*independent, *(Contribution(source, value, key) for key, (source, value) in shared.items()))
    value = float(sum(w * length.value_mm for w, length in zip(weights, lengths, strict=True)))
    return Length(value, budget)


def length_json(length: Length | None) -> dict[str, Any] | None:
    """A length as JSON: mm to two decimals, with its 95 % coverage interval and its budget.

    Examples
    --------
    >>> length_json(Length.stated(462.0, 4.0))["low_mm"]
    454.16
    """
    if length is None:
        return None
    return {
        "value_mm": round(length.value_mm, 2),
        "standard_uncertainty_mm": round(length.standard_uncertainty_mm, 2),
        "low_mm": round(length.low_mm, 2),
        "high_mm": round(length.high_mm, 2),
        "budget": [
            {"source": part.source, "contribution_mm": round(part.contribution_mm, 3)}
            | ({"key": part.key} if part.key is not None else {})
            for part in length.budget
        ],
    }


SAME_END_MM = 0.02
"""Ends of an interval this close to the symmetric ones are those, mm: twice the rounding of `length_json`."""


def length_from_json(stored: dict[str, Any]) -> Length:
    """The length that `length_json` wrote, to its rounding.

    Raises
    ------
    KeyError
        If a field is missing.

    Examples
    --------
    >>> length_from_json(length_json(Length.stated(462.0, 4.0))).value_mm
    462.0
    """
    budget = tuple(Contribution(part["source"], part["contribution_mm"], part.get("key")) for part in stored["budget"])
    symmetric = Length(stored["value_mm"], budget)
    ends = (stored["low_mm"], stored["high_mm"])
    same = abs(symmetric.low_mm - ends[0]) < SAME_END_MM and abs(symmetric.high_mm - ends[1]) < SAME_END_MM
    return symmetric if same else Length(stored["value_mm"], budget, ends)
