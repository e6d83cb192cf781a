"""The one judgement: what is known of each instrument and what there is to do, for one child and N instruments.

A verdict, a ranking, an order and an assignment are views of what is worked out here; none of them judges by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.quantity import Length
from service.fit.assessment import Assessment, InstrumentLengths, Moments, assess_moments, moments
from service.fit.chart import Chart
from service.fit.decision import CLASS_ORDER, DECISIONS, PLAYED, Action, Decision, Probabilities, decide
from service.fit.evidence import Played
from service.fit.lengths import check_plausible, is_along_bent_arm, widened
from service.fit.losses import LOSSES, Losses
from service.fit.next_step import LEAST_GAIN_DAYS, Outlook, Question, outlooks, worth_asking
from service.fit.signs import InstrumentCondition, PlayingSigns
from service.fit.weighing import ACTIONS, NOTHING_SEEN, Items, Seen, Weighed, weigh

UNSETTLED = frozenset((Action.STOP, Action.SET_UP, Action.REPAIR))
"""Actions that wait for nothing that could be measured."""

EVERY_ACTION = frozenset(Action)

MAY_BE_PLAYED = frozenset((*PLAYED, Action.ASK_SIGNS, Action.MEASURE))
"""Actions after which nobody can say that an instrument does not suit."""


@dataclass(frozen=True)
class Choices:
    """One child's N instruments.

    Attributes
    ----------
    chart : Chart
    arm : Length
    found : Assessment
    seen : Seen
    weighed : Weighed
    actions : tuple of Action
        What there is to do with each.
    decided : tuple of Decision
        What is known of each.
    steps : dict of int to tuple of Outlook
        Further measurements worth their trouble, for the places where there are some.
    """

    chart: Chart
    arm: Length
    found: Assessment
    seen: Seen
    weighed: Weighed
    actions: tuple[Action, ...]
    decided: tuple[Decision, ...]
    steps: dict[int, tuple[Outlook, ...]]

    def probabilities(self, place: int, by_lengths: bool = False) -> Probabilities:
        """Of one instrument; `by_lengths` leaves out what was seen while playing."""
        classes = self.found.classes if by_lengths else self.weighed.costs.classes
        return Probabilities(*(float(getattr(classes, name)[place]) for name in CLASS_ORDER))

    def instead(self, place: int) -> int | None:
        """Place in the chart of the size to take instead of this instrument; None if it stays or there is none."""
        row = {Action.SMALLER: self.weighed.smaller, Action.LARGER: self.weighed.larger}.get(self.actions[place])
        return None if row is None or row[place] < 0 else int(row[place])

    def strained_elsewhere(self, place: int) -> bool:
        """Whether strain was seen on another instrument that is not larger than this one."""
        own = self.seen.own[place] if self.seen.own is not None else None
        shortest = self.found.shortest_arm_mm[place]
        return any(
            bool(each.signs.strain) and each.signs is not own and each.shortest_arm_mm <= shortest
            for each in self.seen.played
        )


def choose(
    arm: Length,
    instruments: Sequence[InstrumentLengths],
    chart: Chart,
    signs: Sequence[PlayingSigns | None] | None = None,
    played: Sequence[tuple[InstrumentLengths, PlayingSigns]] = (),
    losses: Losses = LOSSES,
    doubted: bool = False,
    conditions: Sequence[InstrumentCondition | None] | None = None,
) -> Choices:
    """Judge N instruments for one child.

    Parameters
    ----------
    arm : Length
    instruments : sequence of InstrumentLengths, length N
    chart : Chart
    signs : sequence of PlayingSigns or None, length N, optional
        What was seen while the child played each.
    played : sequence of (InstrumentLengths, PlayingSigns)
        What was seen on instruments that are not among them.
    losses : Losses
    doubted : bool
        Whether the child's measurements contradict this arm: then nothing is claimed by it, and nothing done but to
        measure once more.
    conditions : sequence of InstrumentCondition or None, length N, optional
        Their states: what would be played, and is not whole, is repaired first.

    Returns
    -------
    Choices

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    check_plausible(arm.value_mm, "arm")
    arm = widened(arm)
    own = list(signs) if signs is not None else [None] * len(instruments)
    everything = moments(arm, [*instruments, *(each for each, _ in played)])
    found = assess_moments(chart, arm.value_mm, arm.standard_uncertainty_mm**2, everything)
    shortest = found.shortest_arm_mm.tolist()
    known = [*own, *(each for _, each in played)]
    evidence = tuple(Played(mm, each) for mm, each in zip(shortest, known, strict=True) if each is not None)
    found = found.first(len(instruments))
    choices = choose_assessed(chart, arm, found, Seen(evidence, own), losses)
    choices = _repaired_first(choices, conditions) if conditions is not None else choices
    return _measured_once_more(choices) if doubted else choices


def _repaired_first(choices: Choices, conditions: Sequence[InstrumentCondition | None]) -> Choices:
    """The same with what is not whole left to the repairer, wherever its size does not speak against it."""
    broken = {
        place
        for place, (action, state) in enumerate(zip(choices.actions, conditions, strict=True))
        if state is not None and state.whole is False and action in MAY_BE_PLAYED
    }
    actions = tuple(Action.REPAIR if place in broken else each for place, each in enumerate(choices.actions))
    steps = {place: each for place, each in choices.steps.items() if place not in broken}
    return replace(choices, actions=actions, steps=steps)


def _measured_once_more(choices: Choices) -> Choices:
    """The same by an arm that is likely a mistake; what waits for nothing that could be measured goes on waiting."""
    actions = tuple(each if each in UNSETTLED else Action.MEASURE for each in choices.actions)
    return replace(choices, actions=actions, decided=(Decision.NOT_DECIDED,) * len(actions), steps={})


def choose_measured(
    arm: Length,
    instruments: Moments,
    chart: Chart,
    seen: Seen = NOTHING_SEEN,
    losses: Losses = LOSSES,
    measured_again: frozenset[Action] = EVERY_ACTION,
) -> Choices:
    """Judge instruments given as means and covariances; see `choose`.

    With `measured_again` only those with such actions are looked at for whether to measure again: it takes most of the
    time, and whoever passes the others over anyway need not know of them.
    """
    arm = widened(arm)
    found = assess_moments(chart, arm.value_mm, arm.standard_uncertainty_mm**2, instruments)
    return choose_assessed(chart, arm, found, seen, losses, measured_again=measured_again)


def choose_assessed(
    chart: Chart,
    arm: Length,
    found: Assessment,
    seen: Seen,
    losses: Losses = LOSSES,
    arms_mm: Array | None = None,
    measured_again: frozenset[Action] = EVERY_ACTION,
) -> Choices:
    """Judge instruments that are assessed already; see `choose` and `choose_measured`.

    With `arms_mm`, of shape (N,), each instrument is judged for an arm of its own, all of them as uncertain as `arm`.
    """
    items = Items.of(found, arm.value_mm if arms_mm is None else arms_mm, arm.standard_uncertainty_mm)
    weighed = weigh(chart, items, seen, losses)
    actions = [ACTIONS[code] for code in weighed.action.tolist()]
    question = Question(chart, arm, found, items, weighed, seen, losses)
    may_ask = np.array([each in measured_again and each not in UNSETTLED for each in actions], dtype=bool)
    open_ones = np.flatnonzero(worth_asking(question) & may_ask)
    steps = {}
    again = Action.ASK_SIGNS if is_along_bent_arm(arm) else Action.MEASURE  # a better reading asks for a raised arm
    for place, promised in zip(open_ones.tolist(), outlooks(question, open_ones), strict=True):
        worth = tuple(each for each in promised if each.gain_days > LEAST_GAIN_DAYS)
        if worth:
            actions[place] = again
            if again is Action.MEASURE:
                steps[place] = worth
    for place in np.flatnonzero(items.arm_mm >= chart.arms_from_mm[0]).tolist():
        if actions[place] is Action.WAIT:
            # Such an arm may well find a size on the chart: nothing but the uncertainty stands in the way.
            actions[place] = again
    decided = tuple(DECISIONS[code] for code in decide(weighed.costs.classes).tolist())
    return Choices(chart, arm, found, seen, weighed, tuple(actions), decided, steps)
