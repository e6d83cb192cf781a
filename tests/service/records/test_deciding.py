"""Deciding from the records: what a child's instruments are judged by is read once, however many there are."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import event
from sqlalchemy.orm import Session

from calibration.quantity import Length
from service.records.shelf import against
from service.records.stock import apply, plan
from service.records.tables import Child, Instrument, SignsRecord
from service.settings import Settings
from service.web.house import House, open_house
from service.web.teacher.child_view import child_view
from service.words.i18n import translator
from tests.service.conftest import Recorded
from tests.service.seeding import NOW, SetClock, seed

STRAINED = {"wrist_free": False, "fingers_easy": True, "bow_clear": True, "elbow_bent": True, "painless": True}


def shelve(records: Session, child: Child, first: int, last: int) -> None:
    """Put instruments on the shelf, every other one played by the child."""
    rows = "".join(f"Further {number},{260 + number}±2\n" for number in range(first, last))
    for own in apply(records, child.studio_id, plan(records, f"name,body_length\n{rows}"), date(2026, 5, 1), "0.1.0"):
        if int(own.name.split()[1]) % 2:
            noted = {"studio_id": child.studio_id, "child_id": child.id, "noted_on": NOW.date(), "answers": STRAINED}
            records.add(SignsRecord(instrument_id=own.id, **noted))
    records.flush()


def queries(house: House, studio_id: str, child_id: str, asked: Callable[[Session, Child], object]) -> int:
    """How often the records are asked for something."""
    counted: list[str] = []

    def count(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        counted.append(statement)

    with house.store.for_studio(studio_id) as records:
        child = records.get_one(Child, child_id)
        event.listen(house.store.engine, "before_cursor_execute", count)
        try:
            asked(records, child)
        finally:
            event.remove(house.store.engine, "before_cursor_execute", count)
    return len(counted)


@pytest.mark.parametrize(
    "asked",
    [
        lambda records, child: child_view(records, child, NOW, translator("en"), "en"),
        lambda records, child: against(records, Length.stated(450.0, 3.0), child=child),
    ],
    ids=["the child's page", "the counter"],
)
def test_a_longer_shelf_costs_no_more_queries(tmp_path: Path, asked: Callable[[Session, Child], object]) -> None:
    house = open_house(Settings(data_folder=tmp_path), Recorded(), SetClock())
    seeded = seed(house)
    counts = []
    for first, last in ((0, 4), (4, 24)):
        with house.store.for_studio(seeded.studio_id) as records:
            shelve(records, records.get_one(Child, seeded.child_id), first, last)
        counts.append(queries(house, seeded.studio_id, seeded.child_id, asked))
    assert counts[0] == counts[1] > 0
    with house.store.whole_house() as records:
        assert records.query(Instrument).count() >= 24
