"""Heaps of the counter: every pair of what there is to do and what is likeliest, by the words of the trade."""

from __future__ import annotations

import pytest

from calibration.quantity import Length
from service.fit.chart import Chart
from service.fit.counter import Heap, heap_of
from service.fit.decision import Action, Decision
from service.fit.explanation import verdict_text
from service.fit.signs import InstrumentCondition
from service.fit.verdict import judge
from tests.service.fit.conftest import instrument


@pytest.mark.parametrize("body", [190.0, 210.0, 232.0, 255.0, 280.0, 310.0, 335.0, 356.0])
@pytest.mark.parametrize("u", [1.0, 4.0, 7.0])
def test_an_instrument_lies_where_its_judgement_says(chart: Chart, body: float, u: float) -> None:
    seen = set()
    for arm in range(270, 660, 10):
        judged = judge(Length.stated(float(arm), u), instrument(body), chart)
        heap, likeliest, to_do = heap_of(judged), judged.probabilities.likeliest, judged.action
        seen.add(heap)
        if heap is Heap.STRETCH:
            assert likeliest is Decision.STRETCH
        if to_do is Action.MEASURE:
            assert heap is Heap.OPEN, "and no stretch, of which the sentence below says that it is not known"
        if to_do is Action.LARGER:
            assert heap is Heap.TOO_SMALL, "a larger one is wanted whatever is likeliest"
        if to_do in (Action.SMALLER, Action.WAIT):
            assert heap in (Heap.TOO_LARGE, Heap.STRETCH)
            assert (heap is Heap.STRETCH) == (likeliest is Decision.STRETCH)
        if heap is Heap.SUITS:
            assert likeliest is Decision.FITS
        if heap is Heap.SMALL:
            assert likeliest is Decision.TOO_SMALL
    assert len(seen) >= 3, f"only {seen}"


def test_what_is_not_whole_lies_with_what_has_to_be_settled(chart: Chart) -> None:
    """Unless its size speaks against it: then nobody repairs it for this child."""
    arm, eighth = Length.stated(450, 3), instrument(255, 421)
    states = {whole: InstrumentCondition(whole=whole) for whole in (None, True, False)}
    heaps = {whole: heap_of(judge(arm, eighth, chart, None, each)) for whole, each in states.items()}
    assert heaps == {None: Heap.SUITS, True: Heap.SUITS, False: Heap.OPEN}
    cracked = judge(arm, eighth, chart, None, states[False])
    assert "Have it repaired before it is played." in verdict_text(cracked)
    assert "something is cracked" in verdict_text(cracked)
    too_small = judge(Length.stated(500, 3), eighth, chart, None, states[False])
    assert heap_of(too_small) is Heap.TOO_SMALL
