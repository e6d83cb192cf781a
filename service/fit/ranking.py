"""Several instruments for one child, or one instrument for several children.

A teacher reads from the top and acts on the first line, so what can be acted on at once comes first: instruments that
may be played, then those of which something has to be learned first, then those to be repaired, then the others.  Of
what is still to be learned those come first that are already known not to be too large: of these a verdict and an order
name the size, and never of what might strain a child, however little it would cost.  Among equals the expected loss of
playing them counts (`service.fit.weighing`).  Losses within one day are a tie; then the better kept instrument comes
first.  The label plays no part: two of the same label differ.

Whether A suits better than B is a question about two margins that share the arm's error, so it can be certain where
both verdicts are not.  Its probability is the share of a fixed quasi-random sample (Sobol; JCGM 101:2008, 5) of the two
margins, drawn with their covariance and weighed by what was seen while playing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from scipy.special import ndtri

from calibration.arrays import Array
from calibration.quantity import Contribution, Length, covariance_mm2
from service.fit.assessment import Assessment, InstrumentLengths
from service.fit.chart import Chart
from service.fit.choosing import Choices, choose
from service.fit.decision import CLASS_ORDER, STRAIN_RISK, Action, Decision, Probabilities
from service.fit.lengths import linear, widened
from service.fit.losses import LOSSES, Losses
from service.fit.sentences import Percent, Sentence, say
from service.fit.signs import InstrumentCondition, PlayingSigns
from service.fit.verdict import Verdict, judge, nearest_size
from service.fit.weighing import play_loss

TIE_DAYS = 1.0
"""Difference of expected losses that is none, days: what a millimetre too small costs."""

COMPARED = 10
"""How many of the first in a ranking are compared with the next one."""

LIKELIER_THAN_NOT = 0.5
"""Probability above which one instrument is said to suit better than another."""

OPEN, OPEN_AND_LARGE = 1, 2
PREFERENCE = {
    Action.TAKE: 0,
    Action.TRY: 0,
    Action.ASK_SIGNS: OPEN,
    Action.MEASURE: OPEN,
    Action.SET_UP: OPEN,
    Action.REPAIR: 3,
    Action.SMALLER: 4,
    Action.LARGER: 4,
    Action.WAIT: 4,
    Action.STOP: 5,
}
"""What is played comes before what is open, and that before what is to be left."""


def preference(action: Action, too_large: float) -> int:
    """What orders instruments before their losses do: what there is to do with one that is so probably too large."""
    preferred = PREFERENCE[action]
    return OPEN_AND_LARGE if preferred == OPEN and too_large > STRAIN_RISK else preferred


@dataclass(frozen=True, slots=True)
class Comparison:
    """Which of two instruments suits one arm better; the three probabilities add to one."""

    first: float
    second: float
    equal: float

    @property
    def is_equal(self) -> bool:
        """Whether they most likely suit alike."""
        return self.equal >= max(self.first, self.second)

    @property
    def is_better(self) -> bool:
        """Whether the first suits better, more likely than not: less is no sureness that anybody would call one."""
        return self.first > LIKELIER_THAN_NOT

    @property
    def is_worse(self) -> bool:
        """Whether the second suits better, more likely than not; it stands behind for what can go wrong with it."""
        return self.second > LIKELIER_THAN_NOT

    def sentence(self) -> Sentence:
        """The comparison in words, as said of the first."""
        if self.is_equal:
            return say("suits as well as the next")
        if self.is_better:
            return say("suits better than the next: {p} sure", p=Percent(self.first))
        if self.is_worse:
            return say(
                "the next is likelier to suit better ({p}), but more can go wrong with it", p=Percent(self.second)
            )
        return say("hardly to be told from the next")


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
    action : Action
    size : str
        The chart's nearest size.
    cost_days : float
        Expected loss of playing it, days.
    against_next : Comparison or None
        Against the next in the ranking; None for the last and from the place `compared` on.
    """

    place: int
    instrument: InstrumentLengths
    probabilities: Probabilities
    decision: Decision
    action: Action
    size: str
    cost_days: float
    against_next: Comparison | None = None

    @property
    def suits_better(self) -> float | None:
        """Probability that it suits better than the next, ties not counted."""
        return None if self.against_next is None else self.against_next.first

    def as_json(self) -> dict[str, Any]:
        """All of it as JSON."""
        return {
            "place": self.place,
            "name": self.instrument.name,
            "label": self.instrument.label,
            "nearest_size": self.size,
            "decision": self.decision.value,
            "action": self.action.value,
            "probabilities": {name: round(getattr(self.probabilities, name), 4) for name in CLASS_ORDER},
            "cost_days": round(self.cost_days, 2),
            "suits_better_than_next": None if self.against_next is None else round(self.against_next.first, 4),
            "suits_as_well_as_next": None if self.against_next is None else round(self.against_next.equal, 4),
        }


def rank(
    arm: Length,
    instruments: Sequence[InstrumentLengths],
    chart: Chart,
    conditions: Sequence[InstrumentCondition | None] | None = None,
    compared: int = COMPARED,
    signs: Sequence[PlayingSigns | None] | None = None,
    losses: Losses = LOSSES,
    played: Sequence[tuple[InstrumentLengths, PlayingSigns]] = (),
    doubted: bool = False,
) -> tuple[Ranked, ...]:
    """Rank instruments for one child, the best first.

    Parameters
    ----------
    arm : Length
    instruments : sequence of InstrumentLengths, length N
    chart : Chart
    conditions : sequence of InstrumentCondition or None, length N, optional
        Their states, which decide ties; what is not whole is repaired first.
    compared : int
        How many of the first are compared with the next one.
    signs : sequence of PlayingSigns or None, length N, optional
        What was seen while the child played each; it counts for all of them.
    losses : Losses
    played : sequence of (InstrumentLengths, PlayingSigns)
        What was seen on instruments that are not among them.
    doubted : bool
        Whether other measurements of the child contradict this arm.

    Returns
    -------
    tuple of Ranked, length N

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    if not instruments:
        return ()
    choices = choose(arm, instruments, chart, signs, played, losses, doubted, conditions)
    cost = choices.weighed.costs.play
    scores = np.array([0 if each is None else each.score for each in conditions or [None] * len(instruments)])
    classes = choices.weighed.costs.classes
    judged = zip(choices.actions, classes.too_large.tolist(), strict=True)
    preferred = np.array([preference(action, too_large) for action, too_large in judged])
    order = np.lexsort((cost, -scores, np.round(cost / TIE_DAYS), preferred)).tolist()
    columns = [getattr(classes, name).tolist() for name in CLASS_ORDER]
    places, costs = choices.found.place.tolist(), cost.tolist()
    return tuple(
        Ranked(
            index,
            instruments[index],
            Probabilities(*(column[index] for column in columns)),
            choices.decided[index],
            choices.actions[index],
            nearest_size(chart, places[index]),
            costs[index],
            _compared(choices, instruments, (index, order[number + 1]), losses)
            if number < min(compared, len(order) - 1)
            else None,
        )
        for number, index in enumerate(order)
    )


def compare(
    arm: Length, first: InstrumentLengths, second: InstrumentLengths, chart: Chart, losses: Losses = LOSSES
) -> Comparison:
    """Probability that the first instrument suits this arm better than the second.

    Parameters
    ----------
    arm : Length
    first, second : InstrumentLengths
    chart : Chart
    losses : Losses

    Returns
    -------
    Comparison
    """
    return _compared(choose(arm, [first, second], chart, losses=losses), [first, second], (0, 1), losses)


def judge_class(
    arms: Mapping[str, Length],
    instrument: InstrumentLengths,
    chart: Chart,
    losses: Losses = LOSSES,
    condition: InstrumentCondition | None = None,
) -> dict[str, Verdict]:
    """One instrument for a class: the verdict of each child, those it suits best first.

    Parameters
    ----------
    arms : mapping of str to Length
        Arm of each child by whatever the teacher calls the child.
    instrument : InstrumentLengths
    chart : Chart
    losses : Losses
    condition : InstrumentCondition, optional
        The instrument's state.

    Returns
    -------
    dict of str to Verdict
    """
    verdicts = {name: judge(arm, instrument, chart, None, condition, losses) for name, arm in arms.items()}

    def suits_best(named: tuple[str, Verdict]) -> tuple[int, float]:
        verdict = named[1]
        return preference(verdict.action, verdict.probabilities.too_large), verdict.cost_days

    return dict(sorted(verdicts.items(), key=suits_best))


def _compared(
    choices: Choices, instruments: Sequence[InstrumentLengths], pair: tuple[int, int], losses: Losses
) -> Comparison:
    found, index = choices.found, list(pair)
    arm = _named_causes(choices.arm)
    margins = [_margin(arm, instruments[each], found, each) for each in pair]
    spread = np.array([[covariance_mm2(a, b) for b in margins] for a in margins])
    spread[np.diag_indices(2)] = found.u_margin_mm[index] ** 2
    largest = (1 - 1e-9) * np.sqrt(spread[0, 0] * spread[1, 1])
    spread[0, 1] = spread[1, 0] = np.clip(spread[0, 1], -largest, largest)
    drawn = found.margin_mm[index] + _sample() @ np.linalg.cholesky(spread + 1e-9 * np.eye(2)).T
    width = (found.longest_arm_mm - found.shortest_arm_mm)[index]
    cost = play_loss(drawn, width, found.small[index], choices.chart.stretch_mm, losses)
    weight = np.ones(len(drawn))
    for each in choices.seen.played:
        weight *= each.likelihood(drawn.mean(axis=1) + found.shortest_arm_mm[index].mean())
    weight /= weight.sum()
    difference = cost[:, 0] - cost[:, 1]
    better, worse = (float(weight[side].sum()) for side in (difference < -TIE_DAYS / 2, difference > TIE_DAYS / 2))
    return Comparison(better, worse, max(1 - better - worse, 0.0))


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
    from scipy.stats import qmc  # takes as long to load as all the rest of this room

    return np.asarray(ndtri(qmc.Sobol(2, rng=np.random.default_rng(2048)).random(2048)))
