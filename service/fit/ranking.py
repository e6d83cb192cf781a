"""Several instruments for one child, or one instrument for several children.

Instruments are ranked by their expected misfit: the millimetres of arm by which an instrument asks too much or gives
too little, averaged over what the measurements leave open.  Too much counts double, as the decision rule's risk on that
side is half.  For a normal margin d with standard uncertainty u the mean of max(0, -d) is u (f(z) - z F(-z)) with
z = d / u, f and F the standard normal density and distribution (integrate by parts).  Misfits within one millimetre are
a tie; then the better kept instrument comes first.  The label plays no part: two of the same label differ.

Whether A suits better than B is a question about two margins that share the arm's error, so it can be certain where
both verdicts are not.  Its probability is the share of a fixed quasi-random sample (Sobol; JCGM 101:2008, 5) of the two
margins, drawn with their covariance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from calibration.quantity import Contribution, Length, covariance_mm2
from service.fit.assessment import Assessment, InstrumentLengths, assess
from service.fit.chart import Chart
from service.fit.decision import CLASS_ORDER, DECISIONS, RULE, Decision, DecisionRule, Probabilities, decide
from service.fit.lengths import check_plausible, linear, widened
from service.fit.signs import InstrumentCondition
from service.fit.verdict import Verdict, judge, nearest_size

Array = NDArray[np.float64]

STRAIN_WEIGHT = 2.0
"""How much a millimetre too large counts against one too small; the ratio of the decision rule's two risks."""

TIE_MM = 1.0
COMPARED = 10


@dataclass(frozen=True, slots=True)
class Ranked:
    """One instrument in a ranking.

    Attributes
    ----------
    place : int
        Place in the list that was given, from 0.
    instrument : InstrumentLengths
    probabilities : Probabilities
    decision : Decision
    size : str
        The chart's nearest size.
    misfit_mm : float
        Expected misfit, mm.
    suits_better : float or None
        Probability that it suits better than the next in the ranking, ties not counted; None for the last and from the
        place `compared` on.
    """

    place: int
    instrument: InstrumentLengths
    probabilities: Probabilities
    decision: Decision
    size: str
    misfit_mm: float
    suits_better: float | None = None

    def as_json(self) -> dict[str, Any]:
        """All of it as JSON."""
        return {
            "place": self.place,
            "name": self.instrument.name,
            "label": self.instrument.label,
            "nearest_size": self.size,
            "decision": self.decision.value,
            "probabilities": {name: round(getattr(self.probabilities, name), 4) for name in CLASS_ORDER},
            "misfit_mm": round(self.misfit_mm, 2),
            "suits_better_than_next": None if self.suits_better is None else round(self.suits_better, 4),
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """Which of two instruments suits one arm better; the three probabilities add to one."""

    first: float
    second: float
    equal: float


def rank(
    arm: Length,
    instruments: Sequence[InstrumentLengths],
    chart: Chart,
    conditions: Sequence[InstrumentCondition | None] | None = None,
    rule: DecisionRule = RULE,
    compared: int = COMPARED,
) -> tuple[Ranked, ...]:
    """Rank instruments for one child, the best first.

    Parameters
    ----------
    arm : Length
    instruments : sequence of InstrumentLengths, length N
    chart : Chart
    conditions : sequence of InstrumentCondition or None, length N, optional
        Their states, which decide ties.
    rule : DecisionRule
    compared : int
        How many of the first are compared with the next one.

    Returns
    -------
    tuple of Ranked, length N

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    check_plausible(arm.value_mm, "arm")
    if not instruments:
        return ()
    found = assess(chart, arm, instruments)
    misfit = expected_misfit_mm(found)
    scores = np.array([0 if each is None else each.score for each in conditions or [None] * len(instruments)])
    order = np.lexsort((misfit, -scores, np.round(misfit / TIE_MM)))
    codes = decide(found.classes, found.small, rule)
    columns = [getattr(found.classes, name).tolist() for name in CLASS_ORDER]
    places, misfits = found.place.tolist(), misfit.tolist()
    ranked = [
        Ranked(
            index,
            instruments[index],
            Probabilities(*(column[index] for column in columns)),
            DECISIONS[codes[index]],
            nearest_size(chart, places[index]),
            misfits[index],
        )
        for index in order.tolist()
    ]
    for number in range(min(compared, len(ranked) - 1)):
        pair = compare(arm, ranked[number].instrument, ranked[number + 1].instrument, chart)
        ranked[number] = replace(ranked[number], suits_better=pair.first)
    return tuple(ranked)


def compare(arm: Length, first: InstrumentLengths, second: InstrumentLengths, chart: Chart) -> Comparison:
    """Probability that the first instrument suits this arm better than the second.

    Parameters
    ----------
    arm : Length
    first, second : InstrumentLengths
    chart : Chart

    Returns
    -------
    Comparison
    """
    arm = _named_causes(widened(arm))
    found = assess(chart, arm, [first, second])
    margins = [_margin(arm, each, found, index) for index, each in enumerate((first, second))]
    spread = np.array([[covariance_mm2(a, b) for b in margins] for a in margins])
    spread[np.diag_indices(2)] = found.u_margin_mm**2
    largest = (1 - 1e-9) * np.sqrt(spread[0, 0] * spread[1, 1])
    spread[0, 1] = spread[1, 0] = np.clip(spread[0, 1], -largest, largest)
    drawn = found.margin_mm + _sample() @ np.linalg.cholesky(spread + 1e-9 * np.eye(2)).T
    misfit = _misfit_mm(drawn, found.longest_arm_mm - found.shortest_arm_mm)
    difference = misfit[:, 0] - misfit[:, 1]
    better, worse = float(np.mean(difference < -TIE_MM / 2)), float(np.mean(difference > TIE_MM / 2))
    return Comparison(better, worse, 1 - better - worse)


def judge_class(
    arms: Mapping[str, Length], instrument: InstrumentLengths, chart: Chart, rule: DecisionRule = RULE
) -> dict[str, Verdict]:
    """One instrument for a class: the verdict of each child, those it suits best first.

    Parameters
    ----------
    arms : mapping of str to Length
        Arm of each child by whatever the teacher calls the child.
    instrument : InstrumentLengths
    chart : Chart
    rule : DecisionRule

    Returns
    -------
    dict of str to Verdict
    """
    verdicts = {name: judge(arm, instrument, chart, rule=rule) for name, arm in arms.items()}
    return dict(sorted(verdicts.items(), key=lambda pair: -pair[1].probabilities.fits))


def expected_misfit_mm(found: Assessment) -> Array:
    """(N,) mean misfit, mm, over the normal distributions of the margins."""
    with np.errstate(invalid="ignore"):
        outgrown = (found.longest_arm_mm - found.shortest_arm_mm - found.margin_mm) / found.u_outgrown_mm
        excess = found.u_outgrown_mm * _mean_below(outgrown)
    return STRAIN_WEIGHT * found.u_margin_mm * _mean_below(found.margin_mm / found.u_margin_mm) + np.nan_to_num(excess)


def _mean_below(z: Array) -> Array:
    """Mean of max(0, -x) for x normal with mean z and standard deviation 1."""
    return np.asarray(np.exp(-z * z / 2) / np.sqrt(2 * np.pi) - z * ndtr(-z))


def _misfit_mm(margin: Array, width: Array) -> Array:
    return np.asarray(STRAIN_WEIGHT * np.maximum(-margin, 0) + np.maximum(margin - width, 0))


def _margin(arm: Length, instrument: InstrumentLengths, found: Assessment, index: int) -> Length:
    terms = [(1.0, arm)]
    if instrument.body is not None:
        terms.append((float(found.body_factor[index]), widened(instrument.body)))
    if instrument.total is not None:
        terms.append((float(found.total_factor[index]), widened(instrument.total)))
    return linear(terms)


def _named_causes(arm: Length) -> Length:
    """The arm with a key for every cause, so that its whole error is common to two margins."""
    named = (
        Contribution(part.source, part.contribution_mm, part.key or f"this arm:{number}")
        for number, part in enumerate(arm.budget)
    )
    return Length(arm.value_mm, tuple(named))


@cache
def _sample() -> Array:
    """(2048, 2) quasi-random standard normal points, always the same."""
    return np.asarray(ndtri(qmc.Sobol(2, rng=np.random.default_rng(2048)).random(2048)))
