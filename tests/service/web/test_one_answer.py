"""What is said of one child and one instrument is the same wherever it is read: on pages, in orders, in reports."""

from __future__ import annotations

import random
import re
from datetime import timedelta
from itertools import combinations
from typing import Any

import pytest
from sqlalchemy import event
from sqlalchemy.orm import Session

from calibration.quantity import Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart_table import default_chart
from service.fit.choosing import UNSETTLED
from service.fit.counter import heap_of
from service.fit.decision import PLAYED, Action, Decision
from service.fit.explanation import to_do
from service.fit.growth import DatedArm, predict
from service.fit.order import UNSETTLED_FIRST
from service.fit.signs import SIGN_QUESTIONS
from service.fit.verdict import judge
from service.records.deciding import Known, arm_length, candidates, latest_arm, next_lines
from service.records.shelf import against, give_out, lend, on_shelf, players
from service.records.tables import ArmRecord, Child, Instrument, SignsRecord, VerdictRecord
from service.records.verdicts import keep_verdict, made_of_now
from service.web.teacher.child_view import Choice, child_view, side_by_side
from service.words.i18n import translator
from tests.service.conftest import Place
from tests.service.seeding import NOW, Seeded, arm_result, length, seed
from tests.service.web.test_trade import shown

ENGLISH = translator("en")
CHILDREN, INSTRUMENTS = 8, 14


def made_up(records: Session, seeded: Seeded, chance: random.Random) -> tuple[list[Child], list[Instrument]]:
    """Children of every age, some watched while they played what is near their size, and a shelf without order."""
    own: dict[str, Any] = {"studio_id": seeded.studio_id}
    shelf = []
    for number in range(INSTRUMENTS):
        body = chance.uniform(185, 362)
        lengths = {
            "body_length": length(body, chance.choice([0.6, 1.8])),
            "total_length": length(body / chance.uniform(0.595, 0.612), chance.choice([1.0, 3.0])),
        }
        shelf.append(
            Instrument(
                **own,
                name=f"Shelf {number + 30}",
                lengths=lengths,
                measured_on=NOW.date(),
                measured_by="typed",
                notes={
                    "pegs_hold": chance.choice([None, True, False]),
                    "whole": chance.choice([None, True, True, False]),
                },
                program_version="0.1.0",
            )
        )
    records.add_all(shelf)
    records.flush()
    children = [_child(records, own, chance, shelf) for _ in range(CHILDREN)]
    return children, shelf


def _child(records: Session, own: dict[str, Any], chance: random.Random, shelf: list[Instrument]) -> Child:
    age, known = chance.uniform(3.5, 12.5), chance.random() < 0.8
    child = Child(**own, nickname="Mo", birth_year=NOW.year - int(age) if known else None, created_at=NOW)
    records.add(child)
    records.flush()
    arm_mm = 250 + 27 * age + chance.gauss(0, 14)
    off_mm = chance.choice([0, 0, 0, -70, 70])  # of the last: a mistake that the others contradict
    for months in (9, 1) if off_mm else chance.choice([(0,), (9, 1)]):
        measured_mm = arm_mm - 2 * months + (off_mm if months == 1 else 0)
        lengths = {
            name: each
            for name, each in arm_result(measured_mm, chance.choice([3.0, 9.0])).items()
            if isinstance(each, dict) and "value_mm" in each
        }
        day = NOW - timedelta(days=30 * months)
        records.add(
            ArmRecord(
                **own,
                child_id=child.id,
                measured_on=day.date(),
                lengths=lengths,
                automatic={},
                corrected=False,
                accepted_at=day,
                program_version="0.1.0",
            )
        )
    near = sorted(shelf, key=lambda each: abs(each.lengths["body_length"]["value_mm"] - 0.62 * arm_mm + 25))[:6]
    child.instrument_id = chance.choice([None, *(each.id for each in near[:3])])
    for each in chance.sample(near, chance.choice([0, 1, 2])):
        seen = {name: chance.choices([True, False, None], [3, 1, 1])[0] for name in SIGN_QUESTIONS}
        records.add(SignsRecord(**own, child_id=child.id, instrument_id=each.id, noted_on=NOW.date(), answers=seen))
    records.flush()
    return child


@pytest.mark.parametrize("number", range(3))
def test_no_two_views_contradict_one_another(place: Place, number: int) -> None:
    seeded, chance = seed(place.house), random.Random(f"children and instruments {number}")
    with place.house.store.for_studio(seeded.studio_id) as records:
        children, shelf = made_up(records, seeded, chance)
        listed = {child.id: child_view(records, child, NOW, ENGLISH, "en") for child in children}
        for child in children:
            choices = {each.instrument.id: each for each in listed[child.id]["choices"]}
            _compared_two_and_two(records, child, list(choices.values()), chance)
            _at_the_counter(records, child, choices)
            _ordered(listed[child.id], seeded, records, child)
            _not_decided_by_a_mistake(listed[child.id])
        assert {listed[child.id]["doubted"] for child in children} == {False, True}
        _in_class(records, children, chance.sample(shelf, INSTRUMENTS - 4), listed)


def _compared_two_and_two(records: Session, child: Child, choices: list[Choice], chance: random.Random) -> None:
    arm, known = latest_arm(records, child.id), Known.of(records, child)
    assert arm is not None
    for choice in choices:
        verdict = known.verdict(arm_length(arm), choice.instrument)
        assert choice.rank is not None
        assert (choice.rank.action, choice.rank.decision) == (verdict.action, verdict.decision)
    for one, other in chance.sample(list(combinations(choices, 2)), 12):
        beside = side_by_side(records, child, (one.instrument.id, other.instrument.id), ENGLISH, "en")
        assert beside is not None
        assert [each.instrument for each in beside["pair"]] == [one.instrument, other.instrument], beside["against"]
        for alone, listed in zip(beside["pair"], (one, other), strict=True):
            assert alone.rank.action is alone.verdict.action is listed.rank.action


def _at_the_counter(records: Session, child: Child, choices: dict[str, Choice]) -> None:
    record = latest_arm(records, child.id)
    assert record is not None
    shelf = {each.id for each in on_shelf(records)}
    held = against(records, arm_length(record), child=child)
    elsewhere = players(records, child)
    assert [each.instrument.id for each in held] == [
        each for each in choices if each in shelf and each not in elsewhere
    ]
    for each in held:
        listed = choices[each.instrument.id].rank
        assert listed is not None
        assert each.verdict is not None
        assert (each.ranked.action, each.verdict.action, each.heap) == (listed.action,) * 2 + (heap_of(listed),)


def _ordered(view: dict[str, Any], seeded: Seeded, records: Session, child: Child) -> None:
    """Whatever is ordered for certain may be played, had it stood on the shelf; nothing else is said by the report."""
    wanted, used = view["to_order"], view["used_choice"]
    limits = [(name, wanted[name]) for name in ("body_length", "total_length") if wanted["to_order"]]
    for choice in view["choices"]:
        own = choice.instrument.lengths
        inside = [limit["from_mm"] <= own[name]["value_mm"] <= limit["to_mm"] for name, limit in limits]
        if wanted["decided"] and inside and all(inside):
            assert choice.rank.action in PLAYED
    if used is None:
        return
    kept = keep_verdict(
        records,
        child,
        view["latest"],
        used.instrument,
        teacher_id=seeded.teacher_id,
        now=NOW,
        language="en",
        program_version="0.1.0",
    )
    said = kept.outcome["en"]
    assert said["action"] == used.verdict.action
    if used.verdict.action in (Action.SMALLER, Action.LARGER):
        assert said["next"] == wanted["message"]
    if used.verdict.action in UNSETTLED - {Action.REPAIR}:
        assert wanted["message"] == [UNSETTLED_FIRST.text()]
    records.expunge(kept)


def _not_decided_by_a_mistake(view: dict[str, Any]) -> None:
    """By an arm that the child's others contradict nothing is claimed, played or ordered."""
    if view["doubted"]:
        assert {each.rank.decision for each in view["choices"]} == {Decision.NOT_DECIDED}
        assert {each.rank.action for each in view["choices"]} <= UNSETTLED | {Action.MEASURE}
        assert not view["to_order"]["to_order"]


def _in_class(
    records: Session, children: list[Child], shelf: list[Instrument], listed: dict[str, dict[str, Any]]
) -> None:
    arms = [(child, arm) for child in children if (arm := latest_arm(records, child.id)) is not None]
    for given in give_out(records, arms, shelf):
        view = listed[given.child.id]
        assert given.instrument is None or given.instrument.notes.get("whole") is not False
        if given.wanted is not None:
            assert given.wanted.as_json(ENGLISH, "en") == view["to_order"]
        else:
            choice = next(each for each in view["choices"] if each.instrument is given.instrument)
            assert choice.rank.action is given.action


@pytest.mark.parametrize(("arm_mm", "kept"), [(440.0, True), (466.0, False)])
def test_growth_is_said_to_be_allowed_for_where_it_is(place: Place, arm_mm: float, kept: bool) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).instrument_id = None
        arms = records.query(ArmRecord).filter_by(child_id=seeded.child_id)
        for grown_mm, arm in zip((-16, 0), arms.order_by(ArmRecord.measured_on), strict=True):
            arm.lengths = arm.lengths | {"arm_length": length(arm_mm + grown_mm, 3.0)}
    for path in (f"/children/{seeded.child_id}", f"/counter/children/{seeded.child_id}/slip"):
        words = shown(place, seeded, path)
        assert ("What suits now is outgrown once the arm has grown by" in words) is not kept
        assert ("of arm (months: 6)." in words) is kept


def test_a_report_says_once_when_to_measure_again() -> None:
    """In three months where the instrument is on the small side, or becomes too small within half a year."""
    eighth, chart, found = InstrumentLengths(Length.stated(255, 1), Length.stated(421, 1.5)), default_chart(), set()
    for arm_mm in range(440, 476, 2):
        arm = Length.stated(arm_mm, 3)
        for growth in (None, predict([DatedArm(7.0, arm)], chart=chart, instrument=eighth)):
            verdict = judge(arm, eighth, chart)
            next_ = " ".join(each.text() for each in next_lines(verdict, growth, NOW.date()))
            outgrown = growth and growth.outgrown and growth.outgrown.likely
            soon = "three months" in to_do(verdict).text() or (outgrown is not None and outgrown < 6)
            if verdict.action in PLAYED:
                assert ("Measure again in three months" in next_) is soon
                assert ("Measure again in half a year" in next_) is not soon
                found.add((soon, growth is None))
    assert len(found) == 4


def test_a_large_shelf_asks_the_database_no_more_often_than_a_small_one(place: Place) -> None:
    seeded, asked = seed(place.house), list[int]()
    for more in (1, 60):
        with place.house.store.for_studio(seeded.studio_id) as records:
            child = records.get_one(Child, seeded.child_id)
            for _ in range(more):
                found = records.get_one(Instrument, seeded.shelf_id)
                copied = {"name": "One more", "measured_on": NOW.date(), "measured_by": "typed", "program_version": "0"}
                records.add(Instrument(studio_id=seeded.studio_id, lengths=found.lengths, notes={}, **copied))
            records.flush()
            records.expire_all()
            statements: list[str] = []
            engine = records.get_bind()
            event.listen(engine, "before_cursor_execute", lambda *given, kept=statements: kept.append(given[2]))
            child_view(records, child, NOW, ENGLISH, "en")
            asked.append(len(statements))
    assert asked[1] == asked[0]


def test_what_somebody_else_has_is_not_at_hand(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).instrument_id = None
        blue = records.get_one(Instrument, seeded.instrument_id)
        records.get_one(Instrument, seeded.shelf_id).lengths = blue.lengths
        blue.child_id = records.query(Child).filter_by(nickname="Juno").one().id
        best, then = child_view(records, records.get_one(Child, seeded.child_id), NOW, ENGLISH, "en")["choices"][:2]
        names = best.instrument.name, then.instrument.name
        own = best.instrument.id
    page, class_ = f"/children/{seeded.child_id}", "/class?show=1"
    assert f"Best suited of those at hand: {names[0]} (" in shown(place, seeded, page)
    assert f"Mo → {names[0]} " in shown(place, seeded, class_)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(Child).filter_by(nickname="Juno").one().instrument_id = own
    for path in (page, class_):
        assert "in use: Juno" in shown(place, seeded, path)
    assert f"Mo → {names[0]} " not in shown(place, seeded, class_)
    assert f"Mo → {names[0]} " in shown(place, seeded, f"{class_}&own={own}"), "whoever chooses it, chooses it"
    assert f"Best suited of those at hand: {names[1]} (" in shown(place, seeded, page)
    assert names[0] not in shown(place, seeded, f"/counter/children/{seeded.child_id}")
    assert re.search(rf"offered to nobody else: {names[0]} 1/\d+ in use: Juno", shown(place, seeded, "/counter"))
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(Child).filter_by(nickname="Juno").one().instrument_id = None
        lend(records, records.get_one(Instrument, own), "Number 118", NOW.date(), None)
    for path in (page, class_):
        assert "Lent out: Number 118" in shown(place, seeded, path)
    assert f"Mo → {names[0]} " not in shown(place, seeded, class_)
    assert f"Best suited of those at hand: {names[1]} (" in shown(place, seeded, page)


@pytest.mark.parametrize("born", [2023, None])
def test_a_measurement_that_contradicts_the_one_before_decides_nothing(place: Place, born: int | None) -> None:
    """With an age or without: a teacher takes the wrong one back, and what was decided by it is an old verdict."""
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        child = records.get_one(Child, seeded.child_id)
        child.birth_year = born
        records.query(ArmRecord).filter_by(child_id=child.id).delete()
        first, last = (_measured(records, child, arm_mm, day) for day, arm_mm in enumerate((489.0, 447.0)))
        assert child_view(records, child, NOW, ENGLISH, "en")["doubted"]
        own = candidates(records, child)[0]
        kept = keep_verdict(
            records, child, last, own, teacher_id=seeded.teacher_id, now=NOW, language="en", program_version="0.1.0"
        )
        assert kept.outcome["en"]["action"] == "measure"
        assert "contradict one another" in kept.outcome["en"]["reasons"][2]["text"]
        assert kept.outcome["en"]["next"]
        assert not [each for each in kept.outcome["en"]["details"] if each["code"] == "probabilities"]
        assert made_of_now(records, kept)
        (given,) = give_out(records, [(child, last)], on_shelf(records))
        assert given.instrument is None
        assert given.wanted is not None
        assert given.wanted.body is None
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "contradicts others of this child" in words
    assert "Too small " not in words, "odds of a mistake"
    assert "Too small " not in shown(place, seeded, f"/counter/children/{seeded.child_id}")
    assert "Order nothing yet: measure once more first." in shown(
        place, seeded, f"/counter/children/{seeded.child_id}/slip"
    )
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.delete(records.get_one(ArmRecord, first.id))
        records.flush()
        assert not made_of_now(records, records.get_one(VerdictRecord, kept.id))
    assert "contradicts others of this child" not in shown(place, seeded, f"/children/{seeded.child_id}")


def _measured(records: Session, child: Child, arm_mm: float, day: int) -> ArmRecord:
    moment = NOW - timedelta(days=9 - day)
    arm = ArmRecord(
        studio_id=child.studio_id,
        child_id=child.id,
        measured_on=moment.date(),
        lengths={"arm_length": length(arm_mm, 6.0)},
        automatic={},
        corrected=False,
        accepted_at=moment,
        program_version="0.1.0",
    )
    records.add(arm)
    records.flush()
    return arm
