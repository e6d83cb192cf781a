"""The page of a class: who gets which instrument of the shelf, why, and what remains to be ordered."""

from __future__ import annotations

import re
from datetime import timedelta
from html import unescape

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.fit.decision import PLAYED
from service.fit.explanation import ACTIONS
from service.records.deciding import arm_length, latest_arm, verdict_for
from service.records.shelf import give_out, lend, on_shelf
from service.records.shop_tables import Loan
from service.records.tables import ArmRecord, Child, Instrument, SignsRecord
from service.records.verdicts import keep_verdict, made_of_now
from service.web.teacher import classes
from tests.service.conftest import Place
from tests.service.seeding import NOW, Seeded, arm_result, length, seed

LONG_ARM_MM = 560.0


@pytest.fixture
def seeded(place: Place) -> Seeded:
    """A studio in which two arms are measured: one that the shelf has something for, and one that is far too long.

    Neither child plays an instrument of its family's.
    """
    found = seed(place.house)
    place.client.cookies.set("scrollreach", found.session)
    with place.house.store.for_studio(found.studio_id) as records:
        lengths = arm_result(LONG_ARM_MM)
        records.add(
            ArmRecord(
                studio_id=found.studio_id,
                child_id=_named(place, found, "Juno"),
                measured_on=NOW.date(),
                lengths={name: each for name, each in lengths.items() if isinstance(each, dict) and "value_mm" in each},
                automatic=lengths,
                corrected=False,
                accepted_at=NOW - timedelta(days=1),
                program_version="0.1.0",
            )
        )
        records.execute(SignsRecord.__table__.delete())
        records.get_one(Child, found.child_id).instrument_id = None
    return found


def _named(place: Place, seeded: Seeded, name: str) -> str:
    with place.house.store.for_studio(seeded.studio_id) as records:
        return records.scalars(select(Child.id).where(Child.nickname == name)).one()


def words(text: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", text.partition('<form class="leaf"')[0])).split())


def ticks(text: str, name: str) -> list[bool]:
    return [" checked" in each for each in re.findall(rf'<input type="checkbox" name="{name}"[^>]*>', text)]


def test_the_shelf_is_chosen_at_first_and_only_measured_children_are_offered(place: Place, seeded: Seeded) -> None:
    first = place.client.get("/class").text
    assert (ticks(first, "child"), ticks(first, "own")) == ([False] * 2, [True] * 2)
    assert "What to order" not in first
    assert "/counter/lend" not in first
    for path in ("/children", "/instruments"):
        assert 'href="/class"' in place.client.get(path).text


def test_who_gets_which_is_the_one_judgement_and_the_rest_is_ordered_as_the_slip_says(
    place: Place, seeded: Seeded
) -> None:
    shown = words(place.client.get("/class?show=1").text)
    with place.house.store.for_studio(seeded.studio_id) as records:
        arms = [(each, latest_arm(records, each.id)) for each in records.scalars(select(Child))]
        given = give_out(records, [(child, arm) for child, arm in arms if arm is not None], on_shelf(records))
        by_name = {each.child.nickname: each for each in given}
        mo, juno = by_name["Mo"], by_name["Juno"]
        assert mo.instrument is not None
        arm = latest_arm(records, mo.child.id)
        assert arm is not None
        assert mo.action in PLAYED
        assert mo.action is verdict_for(records, mo.child, arm_length(arm), mo.instrument).action
        assert f"Mo → {mo.instrument.name}" in shown
        assert ACTIONS[mo.action].text() in shown
        assert (juno.instrument, juno.action) == (None, None)
        juno_id = juno.child.id
    slip = re.search(r'class="wanted">(.*?)</p>', place.client.get(f"/counter/children/{juno_id}/slip").text)
    assert slip is not None
    assert words(slip[1]) in shown.partition("What to order")[2]
    assert "Wanted: a violin with a body length from" in shown


def test_who_plays_well_on_the_family_s_own_keeps_it_and_needs_nothing(place: Place, seeded: Seeded) -> None:
    def given() -> str:
        return words(place.client.get("/class?show=1").text)

    assert re.search(r"Mo → Shelf \d+", given())
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).instrument_id = seeded.instrument_id
        body_mm = records.get_one(Instrument, seeded.instrument_id).lengths["body_length"]["value_mm"]
    kept = given()
    assert "Mo → Blue case 1/8 It can be played. in use" in kept
    assert "Mo" not in kept.partition("What to order")[2].split()
    assert f'name="pair" value="{seeded.instrument_id}' not in place.client.get("/class?show=1").text
    with place.house.store.for_studio(seeded.studio_id) as records:
        about = {"studio_id": seeded.studio_id, "child_id": seeded.child_id, "instrument_id": seeded.instrument_id}
        signs = SignsRecord(**about, noted_on=NOW.date(), answers={"wrist_free": False, "painless": True})
        records.add(signs)
    assert "Mo → Blue case 1/8 See to set-up and posture first" in given(), "before another of the same size"
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.delete(records.get_one(SignsRecord, signs.id))
    alone = place.client.get("/class", params={"show": "1", "child": seeded.child_id}).text
    assert "Mo → Blue case" in words(alone)
    assert "/counter/lend" not in alone
    with place.house.store.for_studio(seeded.studio_id) as records:
        own = records.get_one(Instrument, seeded.instrument_id)
        small = {
            name: length((body_mm - 60) / each, 1.0) for name, each in (("body_length", 1.0), ("total_length", 0.605))
        }
        own.lengths = own.lengths | small
    assert "Mo → Blue case" not in given(), "it is far too small"


def test_only_what_is_ticked_is_given(place: Place, seeded: Seeded) -> None:
    one = place.client.get("/class", params={"show": "1", "child": seeded.child_id, "own": seeded.shelf_id}).text
    assert "Juno" not in words(one)
    assert "Shelf 14" not in words(one)
    assert (sum(ticks(one, "child")), sum(ticks(one, "own"))) == (1, 1)
    other = seed(place.house, "Studio Ahorn")
    mixed = place.client.get("/class", params={"show": "1", "child": [seeded.child_id, other.child_id]}).text
    assert other.child_id not in mixed


def test_strain_that_was_seen_keeps_an_instrument_from_a_child(place: Place, seeded: Seeded) -> None:
    before = words(place.client.get("/class?show=1").text)
    (name,) = re.findall(r"Mo → (Shelf \d+)", before)
    with place.house.store.for_studio(seeded.studio_id) as records:
        given = next(each for each in on_shelf(records) if each.name == name)
        records.add(
            SignsRecord(
                studio_id=seeded.studio_id,
                child_id=seeded.child_id,
                instrument_id=given.id,
                noted_on=NOW.date(),
                answers={"painless": False},
            )
        )
    assert f"Mo → {name}" not in words(place.client.get("/class?show=1").text)


def test_a_loan_is_one_tap_and_comes_back_to_the_class(place: Place, seeded: Seeded) -> None:
    shown = place.client.get("/class", params={"show": "1", "child": seeded.child_id}).text
    form = re.search(r'<form id="lend" method="post" action="/counter/lend">(.*?)</form>', shown)
    button = re.search(r'<button [^>]*form="lend"[^>]*>', shown)
    assert form is not None
    assert button is not None
    fields = {name: unescape(text) for name, text in re.findall(r'name="(\w+)" value="([^"]*)"', form[1] + button[0])}
    assert fields["pair"].endswith(seeded.child_id)
    lent = place.client.post("/counter/lend", data=fields)
    assert lent.status_code == 303
    assert lent.headers["location"].startswith(f"/class?show=1&child={seeded.child_id}&own=")
    after = place.client.get(lent.headers["location"]).text
    assert "Instrument lent out." in after
    assert after.count("Lent out: <bdi>Mo</bdi>") == 2, "marked where instruments are chosen, too"
    assert "/counter/lend" not in after
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.scalars(select(Loan.borrower)).all() == ["Mo"]


def test_a_loan_of_what_is_not_here_or_to_nobody_is_none(place: Place, seeded: Seeded) -> None:
    other = seed(place.house, "Studio Ahorn")
    token = place.house.signer.form_token(seeded.sign_in_id)
    for pair in (f"{seeded.shelf_id} {other.child_id}", f"{other.shelf_id} {seeded.child_id}", seeded.shelf_id, " "):
        lent = place.client.post("/counter/lend", data={"form_token": token, "pair": pair, "back": "/class?show=1"})
        assert lent.status_code in (404, 422), pair
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.scalars(select(Loan)).all() == []


BYTES_A_CHILD = 2000
"""What a page about many may hold for each of them; what an address names all of them by is there once."""


def test_a_page_about_a_large_class_is_small(place: Place, seeded: Seeded) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        for number in range(60):
            child = Child(studio_id=seeded.studio_id, nickname=f"Child {number}", birth_year=2024, created_at=NOW)
            records.add(child)
            records.flush()
            records.add(measured(seeded, child, 380.0 + 3 * number))
            records.add(on_the_shelf(seeded, f"Shelf {number + 100}", 200.0 + 2.4 * number))
    shown = place.client.get("/class?show=1").text
    assert shown.count('form="lend"') > 30
    assert len(shown.encode()) < 60 * BYTES_A_CHILD


def measured(seeded: Seeded, child: Child, arm_mm: float) -> ArmRecord:
    return ArmRecord(
        studio_id=seeded.studio_id,
        child_id=child.id,
        measured_on=NOW.date(),
        lengths={"arm_length": length(arm_mm, 3.0)},
        automatic={},
        corrected=False,
        accepted_at=NOW,
        program_version="0.1.0",
    )


def on_the_shelf(seeded: Seeded, name: str, body_mm: float) -> Instrument:
    return Instrument(
        studio_id=seeded.studio_id,
        name=name,
        label="1/8",
        lengths={"body_length": length(body_mm, 1.0), "total_length": length(body_mm / 0.605, 1.5)},
        measured_on=NOW.date(),
        measured_by="typed",
        notes={},
        program_version="0.1.0",
    )


def test_a_loan_to_a_child_follows_its_name_unless_another_has_that_too(place: Place, seeded: Seeded) -> None:
    def borrower_after(nickname: str) -> str:
        form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "nickname": nickname}
        assert place.client.post(f"/children/{seeded.child_id}/edit", data=form).status_code == 303
        with place.house.store.for_studio(seeded.studio_id) as records:
            return records.scalars(select(Loan.borrower)).one()

    with place.house.store.for_studio(seeded.studio_id) as records:
        lend(records, records.get_one(Instrument, seeded.shelf_id), "Mo", NOW.date(), None)
    assert borrower_after("Momo") == "Momo"
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(Child).filter_by(nickname="Juno").one().nickname = "Momo"
    assert borrower_after("Jo") == "Momo"


@pytest.mark.parametrize("back", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", ""])
def test_a_loan_leads_to_no_other_site(place: Place, seeded: Seeded, back: str) -> None:
    token = place.house.signer.form_token(seeded.sign_in_id)
    data = {"form_token": token, "instrument_id": seeded.shelf_id, "borrower": "Mo", "back": back}
    assert place.client.post("/counter/lend", data=data).headers["location"].startswith("/counter?done=")


def test_without_arms_or_instruments_the_page_says_so(place: Place, seeded: Seeded) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        for each in on_shelf(records):
            records.delete(each)
    shown = place.client.get("/class?show=1").text
    assert "Nothing is on the shelf just now." in shown
    assert words(shown).partition("What to order")[2].count("Order slip") == 2
    with place.house.store.for_studio(seeded.studio_id) as records:
        for arm in records.scalars(select(ArmRecord)):
            records.delete(arm)
    assert "No child's arm is measured yet." in unescape(place.client.get("/class?show=1").text)


def test_what_cannot_be_ticked_is_counted(place: Place, seeded: Seeded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(classes, "MOST_TICKS", 1)
    shown = place.client.get("/class?show=1").text
    assert (len(ticks(shown, "child")), len(ticks(shown, "own"))) == (1, 1)
    assert shown.count("1 more are not shown.") == 2


def test_what_is_cracked_goes_to_nobody_and_the_counter_says_why(place: Place, seeded: Seeded) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        child = records.get_one(Child, seeded.child_id)
        child.instrument_id = None
        for own in on_shelf(records):
            own.notes = {"whole": False, "words": "crack beside the post"}
        is_current = is_current_without_the_question(records, seeded)
    assert "→" not in words(place.client.get("/class?show=1").text)
    counter = words(place.client.get(f"/counter/children/{seeded.child_id}").text)
    assert "Have it repaired before it is played." in counter
    assert "crack beside the post" in counter
    assert "Best suited of those at hand: Shelf" not in place.client.get(f"/children/{seeded.child_id}").text
    assert is_current


def is_current_without_the_question(records: Session, seeded: Seeded) -> bool:
    """Whether a verdict is made of now that was kept before anybody asked whether an instrument is whole."""
    child, arm = records.get_one(Child, seeded.child_id), latest_arm(records, seeded.child_id)
    own = records.get_one(Instrument, seeded.instrument_id)
    assert arm is not None
    kept = keep_verdict(
        records, child, arm, own, teacher_id=seeded.teacher_id, now=NOW, language="en", program_version="0.1.0"
    )
    told = kept.inputs["instrument"]
    del told["condition"]["whole"]
    kept.inputs = kept.inputs | {"instrument": told}
    return made_of_now(records, kept)
