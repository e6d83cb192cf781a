"""A class and a shelf: who gets which instrument, and what remains to be ordered.

Every child could be given every instrument at the expected loss of playing it (`service.fit.weighing`); a child
without one costs an order, `Losses.exchange`, and playing what is ordered: so nothing is ordered for a child that a
verdict lets play an instrument that nobody else needs more.  The assignment of least total loss is a linear assignment
problem (H. W. Kuhn, Naval Research Logistics Quarterly 2 (1955) 83), solved by `scipy.optimize.linear_sum_assignment`.
An instrument that is not to be taken or tried, or is not whole, is given to nobody, whatever it would save.  How it is
kept weighs as much as a tie in a ranking (`service.fit.ranking`), and decides where two suit alike.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart
from service.fit.choosing import Choices, choose
from service.fit.decision import PLAYED, Action
from service.fit.explanation import ACTION_NAMES
from service.fit.losses import LOSSES, Losses
from service.fit.order import Order, order, order_sentences
from service.fit.ranking import TIE_DAYS
from service.fit.sentences import Sentence, Translate, say, unchanged
from service.fit.signs import CONDITION_QUESTIONS, InstrumentCondition, PlayingSigns
from service.fit.weighing import ordering_loss

FORBIDDEN_DAYS = 1e6
"""Loss of giving out what is not to be played, days: more than all others together."""

KEPT_SPAN = 2 * len(CONDITION_QUESTIONS)
"""From the worst score of an instrument's state to the best one."""

Watched = Sequence[tuple[InstrumentLengths, PlayingSigns]]
"""What was seen while a child played, on instruments of the shelf (the same objects) and on others."""


@dataclass(frozen=True)
class Loan:
    """What one child gets.

    Attributes
    ----------
    child : str
    instrument : InstrumentLengths or None
        None where nothing on the shelf is to be taken or tried.
    action : Action or None
        Take or try, with an instrument.
    wanted : Order or None
        What to order, without one.
    """

    child: str
    instrument: InstrumentLengths | None
    action: Action | None
    wanted: Order | None

    def sentence(self) -> Sentence:
        """In words."""
        if self.instrument is not None and self.action is not None:
            return say(
                "{child}: {instrument}, {action}",
                child=self.child,
                instrument=self.instrument.name or self.instrument.label or "",
                action=ACTION_NAMES[self.action],
            )
        assert self.wanted is not None
        return say("{child}: {order}", child=self.child, order=order_sentences(self.wanted)[0])

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "child": self.child,
            "instrument": None if self.instrument is None else self.instrument.name,
            "action": None if self.action is None else self.action.value,
            "order": None if self.wanted is None else self.wanted.as_json(translate, language),
            "text": self.sentence().text(translate, language),
        }


def assign(
    arms: Mapping[str, Length],
    shelf: Sequence[InstrumentLengths],
    chart: Chart,
    losses: Losses = LOSSES,
    watched: Mapping[str, Watched] | None = None,
    doubted: Collection[str] = (),
    conditions: Sequence[InstrumentCondition | None] | None = None,
) -> tuple[Loan, ...]:
    """Give the instruments of a shelf to the children of a class at the least expected loss.

    Parameters
    ----------
    arms : mapping of str to Length
        Arm of each child by whatever the teacher calls the child.
    shelf : sequence of InstrumentLengths
    chart : Chart
    losses : Losses
    watched : mapping of str to sequence of (InstrumentLengths, PlayingSigns), optional
        What was seen while a child played; it counts for the instruments, not for an order.
    doubted : collection of str
        Children whose measurements contradict one another: they get nothing, and nothing is ordered for them.
    conditions : sequence of InstrumentCondition or None, optional
        State of each instrument.

    Returns
    -------
    tuple of Loan
        One for each child, in the given order.

    Raises
    ------
    LengthError
        If an arm is implausible.
    """
    names, seen, states = list(arms), watched or {}, conditions or [None] * len(shelf)
    judged = [
        _judged(arms[name], shelf, chart, losses, seen.get(name, ()), name in doubted, states)
        for name in names
        if shelf
    ]
    kept_days = np.array([0.0 if each is None else each.score * TIE_DAYS / KEPT_SPAN for each in states])
    cost = np.full((len(names), len(shelf) + len(names)), losses.exchange)
    for row, choices in enumerate(judged):
        cost[row, len(shelf) :] = ordering_loss(chart, choices.arm, losses)
        played = np.array([each in PLAYED for each in choices.actions])
        cost[row, : len(shelf)] = np.where(played, choices.weighed.costs.play - kept_days, FORBIDDEN_DAYS)
    rows, columns = linear_sum_assignment(cost)
    given = {int(row): int(column) for row, column in zip(rows, columns, strict=True) if column < len(shelf)}
    return tuple(
        Loan(name, shelf[given[row]], judged[row].actions[given[row]], None)
        if row in given
        else Loan(name, None, None, order(arms[name], chart, losses=losses, doubted=name in doubted))
        for row, name in enumerate(names)
    )


def _judged(
    arm: Length,
    shelf: Sequence[InstrumentLengths],
    chart: Chart,
    losses: Losses,
    watched: Watched,
    doubted: bool,
    conditions: Sequence[InstrumentCondition | None],
) -> Choices:
    own = [next((signs for lengths, signs in watched if lengths is each), None) for each in shelf]
    elsewhere = [each for each in watched if not any(each[0] is lengths for lengths in shelf)]
    return choose(arm, shelf, chart, own, elsewhere, losses, doubted, conditions)
