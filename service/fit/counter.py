"""Heaps on a shop's counter: where an instrument is laid that was held against an arm.

A heap is a view of the one judgement: what there is to do decides, and where that leaves it open, the likeliest class.
"""

from __future__ import annotations

from enum import StrEnum

from service.fit.choosing import UNSETTLED
from service.fit.decision import PLAYED, Action, Decision
from service.fit.ranking import Ranked
from service.fit.verdict import Verdict


class Heap(StrEnum):
    """Where an instrument is laid."""

    SUITS = "suits"
    SMALL = "small"
    """It can be played, and is likelier too small than not."""
    STRETCH = "stretch"
    OPEN = "open"
    TOO_SMALL = "too_small"
    TOO_LARGE = "too_large"


OF_ACTION = {Action.SMALLER: Heap.TOO_LARGE, Action.WAIT: Heap.TOO_LARGE, Action.LARGER: Heap.TOO_SMALL}
"""Actions that say by themselves on which side the instrument lies."""


def heap_of(judged: Verdict | Ranked) -> Heap:
    """The heap of an instrument that was judged.

    Parameters
    ----------
    judged : Verdict or Ranked

    Returns
    -------
    Heap
    """
    if judged.action in UNSETTLED or judged.action is Action.MEASURE:
        return Heap.OPEN
    if judged.action is not Action.LARGER and judged.probabilities.likeliest is Decision.STRETCH:
        return Heap.STRETCH
    if judged.action in PLAYED:
        return Heap.SMALL if judged.probabilities.likeliest is Decision.TOO_SMALL else Heap.SUITS
    return OF_ACTION.get(judged.action, Heap.OPEN)
