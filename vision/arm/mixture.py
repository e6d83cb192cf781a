"""One answer from several stances: each is weighed by how well it explains the photo, and the answer is the mixture.

An arm against the wall, one floating before it, and those of the other stances of `vision.arm.priors` are solved apart
(`vision.arm.estimator`).  The weights are the stances' posterior probabilities (Bayes' rule): how well each explains
the landmarks, how well it explains the shadow, and how common it is.  A length's value is the mixture's median and its
interval that of the mixture's quantiles: an unlikely stance that is far off would draw the mean to it; the median
stays.  Within each stance the trunk may be turned without anybody's noticing
(`vision.arm.judge.turned_probability`); the arm is then longer than it looks.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calibration.arrays import Array
from calibration.quantity import COVERAGE, Contribution, Length
from vision.arm import priors
from vision.arm.depth import ArmDepths, stance_log_likelihood
from vision.arm.estimator import Solution

TURNED_EFFECT = 0.024
"""By how much a trunk turned by some 15 degrees makes the arm length look too short, and as much again of doubt: the
neck's distance from the shoulder is seen foreshortened, and the arm with it (two development scenes: 1.1 and 3.8 %)."""
SHARED_KEYS = {"depth of the neck": "arm:body-depth"}
"""Causes that two photos of one child share."""


_FAR = 9.0
"""Standard deviations beyond which nothing of a normal distribution is left in double precision."""
_MOST_HALVINGS, _SAME_MM = 100, 1e-9
"""Steps towards a quantile at most, and the step that ends them, mm; our choice, far below any uncertainty."""


@dataclass(frozen=True)
class Mixture:
    """The stances' solutions with their probabilities.

    Attributes
    ----------
    solutions : tuple of Solution
        One for each stance.
    weights : (S,) ndarray
        Their probabilities; they add up to 1.
    """

    solutions: tuple[Solution, ...]
    weights: Array

    @classmethod
    def of(cls, solutions: Sequence[Solution], depths: ArmDepths, shares: Array | None = None) -> Mixture:
        """Weigh the solutions: by landmarks and proportions, by the shadow, and by how common each stance is.

        `shares` (S,) are further probabilities before the photo is looked at, where a stance has several solutions.
        """
        log = np.array(
            [
                found.log_evidence
                + np.log(priors.STANCE_PRIOR[found.stance.name])
                + stance_log_likelihood(found.stance, depths)
                for found in solutions
            ]
        )
        log += 0.0 if shares is None else np.log(shares)
        weights = np.exp(log - log.max())
        return cls(tuple(solutions), weights / weights.sum())

    @property
    def best(self) -> Solution:
        """The most probable stance's solution."""
        return self.solutions[int(np.argmax(self.weights))]

    def share(self, stance: priors.Stance) -> float:
        """Probability of a stance; 0 for one that was not looked at."""
        is_it = np.array([found.stance.name == stance.name for found in self.solutions])
        return float(self.weights[is_it].sum())

    def mean(self, of: Callable[[Solution], float]) -> float:
        """Mean of a number that each solution has, weighed by the stances' probabilities."""
        return float(self.weights @ np.array([of(found) for found in self.solutions]))

    def length(self, name: str, extra: Sequence[Contribution], turned: Array | None = None) -> Length:
        """One length: the mixture's median, its causes and its 95 % interval, mm.

        Parameters
        ----------
        name : str
            Key of `Solution.lengths`.
        extra : sequence of Contribution
            Causes that all stances share.
        turned : (S,) ndarray, optional
            For each stance the probability that the trunk is turned, and the length with it longer than it looks.
        """
        weights, values = self.weights, np.array([found.lengths[name][0] for found in self.solutions])
        budgets = [found.lengths[name][1] for found in self.solutions]
        added = sum(part.contribution_mm**2 for part in extra)
        variances = np.array([sum(v**2 for v in budget.values()) + added for budget in budgets])
        turned = np.zeros(len(weights)) if turned is None else turned
        longer = TURNED_EFFECT * values
        low, middle, high = mixture_quantiles(
            np.concatenate([values, values + longer]),
            np.sqrt(np.concatenate([variances, variances + longer**2])),
            np.concatenate([(1 - turned) * weights, turned * weights]),
            (0.5 - COVERAGE / 2, 0.5, 0.5 + COVERAGE / 2),
        )
        causes = {
            cause: float(np.sqrt(sum(w * b[cause] ** 2 for w, b in zip(weights, budgets, strict=True))))
            for cause in budgets[0]
        }
        parts = [Contribution(cause, value, SHARED_KEYS.get(cause)) for cause, value in causes.items()]
        if len(weights) > 1:
            between = float(np.sqrt(weights @ (values - middle) ** 2))
            parts.append(Contribution("hand against the wall or not", between))
        if turned.any():
            parts.append(Contribution("trunk turned or not", float(np.sqrt((turned * weights) @ (2 * longer**2)))))
        return Length(middle, (*parts, *extra), (low, high))


def mixture_quantiles(
    values: Array, deviations: Array, weights: Array, shares: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Quantiles of a mixture of normal distributions.

    Parameters
    ----------
    values, deviations, weights : (N,) ndarray
        Mean and standard deviation of each, and its share of the mixture; shares add up to 1.
    shares : (float, float, float)
        The probabilities below the wanted quantiles.
    """
    reach = _FAR * deviations
    ends = float((values - reach).min()), float((values + reach).max())
    low, middle, high = (_quantile(values, deviations, weights, share, *ends) for share in shares)
    return low, middle, high


def _quantile(values: Array, deviations: Array, weights: Array, share: float, low: float, high: float) -> float:
    """Where the mixture's distribution function is `share`: Newton's steps, halved where they leave `low` to `high`."""
    at = float(np.clip(weights @ values, low, high))
    for _ in range(_MOST_HALVINGS):
        away = (at - values) / deviations
        beyond = float(weights @ ndtr(away)) - share
        low, high = (low, at) if beyond > 0 else (at, high)
        density = float(weights @ (np.exp(-0.5 * away**2) / deviations)) / (2 * np.pi) ** 0.5
        step = beyond / density if density > 0 else np.inf
        ahead = at - step if low < at - step < high else (low + high) / 2
        if abs(ahead - at) < _SAME_MM:
            return ahead
        at = ahead
    return at
