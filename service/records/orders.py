"""Open orders: arms for which a shop has promised an instrument, and which of the shelf suit them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from calibration.quantity import Length, length_from_json
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart
from service.fit.counter import Heap, heap_of
from service.fit.losses import Losses
from service.fit.order import LIKELIER_THAN_NOT
from service.fit.ranking import rank
from service.fit.signs import InstrumentCondition
from service.records.deciding import chart_in_use, condition, instrument_lengths, losses_in_use
from service.records.shelf import on_shelf, with_somebody
from service.records.shop_tables import OpenOrder
from service.records.tables import Instrument

MOST_SUITING = 20
"""Instruments that are named for an order; our choice, more than anybody tries."""


@dataclass(frozen=True)
class Shelf:
    """The shelf made ready to be held against many arms: what stands on it now, not what somebody has."""

    instruments: Sequence[Instrument]
    lengths: Sequence[InstrumentLengths]
    conditions: Sequence[InstrumentCondition]
    chart: Chart
    losses: Losses

    @classmethod
    def of(cls, records: Session) -> Shelf:
        """The shelf of a studio."""
        kept = on_shelf(records)
        away = with_somebody(records, kept)
        there = [each for each in kept if each.id not in away]
        return cls(
            there,
            [instrument_lengths(each) for each in there],
            [condition(each) for each in there],
            chart_in_use(records),
            losses_in_use(records),
        )

    def suiting(self, arm: Length, growth_mm: float) -> list[str]:
        """Instruments that suit an arm now and, as an order has it, still will when it has grown, the best first."""
        ranking = rank(arm, self.lengths, self.chart, self.conditions, losses=self.losses)
        found = [each for each in ranking if heap_of(each) is Heap.SUITS]
        if growth_mm:
            grown = replace(arm, value_mm=arm.value_mm + growth_mm, interval_mm=None)
            later = rank(grown, [each.instrument for each in found], self.chart, losses=self.losses)
            lasting = {each.place for each in later if each.probabilities.too_small <= LIKELIER_THAN_NOT}
            found = [each for number, each in enumerate(found) if number in lasting]
        return [self.instruments[each.place].id for each in found[:MOST_SUITING]]


def arm_of(order: OpenOrder) -> Length:
    """The arm of an order."""
    return length_from_json(order.arm)
