"""Heaps on a shop's counter: what suits, what is a stretch, what is too large or too small, what is not yet clear.

A heap is a view of the one judgement: what there is to do decides, and where that leaves it open, the likeliest class.
"""

from __future__ import annotations

from enum import StrEnum

from service.fit.decision import PLAYED, Action, Decision
from service.fit.verdict import Verdict


class Heap(StrEnum):
    """Where an instrument is laid."""

    SUITS = "suits"
    STRETCH = "stretch"
    OPEN = "open"
    TOO_SMALL = "too_small"
    TOO_LARGE = "too_large"


OF_ACTION = {Action.SMALLER: Heap.TOO_LARGE, Action.WAIT: Heap.TOO_LARGE, Action.LARGER: Heap.TOO_SMALL}
"""Actions that say by themselves on which side the instrument lies."""


def heap_of(verdict: Verdict) -> Heap:
    """The heap of an instrument that was judged.

    Parameters
    ----------
    verdict : Verdict

    Returns
    -------
    Heap
    """
    if verdict.action is not Action.LARGER and verdict.probabilities.likeliest is Decision.STRETCH:
        return Heap.STRETCH
    if verdict.action in PLAYED:
        return Heap.SUITS
    return OF_ACTION.get(verdict.action, Heap.OPEN)
