"""Whatever a teacher does can be taken back, and what was changed since is not trampled on."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from threading import Timer
from typing import Any

import pytest
from sqlalchemy import select

from service.jobs.running import sweep
from service.records.columns import StudioRow
from service.records.deeds import LOG_DAYS, UNDO_DAYS
from service.records.export import row_json
from service.records.tables import ArmRecord, AuditEntry, Child, Deed, Instrument, SignIn, Upload
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, seed, with_order

CHART = {
    f"{column}-{row}": text
    for row, cells in enumerate((("1/8", "430", "470", "255", "421"), ("1/4", "470", "510", "280", "463")))
    for column, text in zip(("size", "arm_from", "arm_to", "body_length", "total_length"), cells, strict=True)
}

DEEDS: dict[str, tuple[str, dict[str, str]]] = {
    "arm-accepted": ("/reviews/{arm_upload_id}/accept", {}),
    "instrument-accepted": ("/reviews/{instrument_upload_id}/accept", {"name": "Blue case", "label": "1/8"}),
    "photo-dismissed": ("/reviews/{arm_upload_id}/dismiss", {}),
    "asked-again": ("/reviews/{arm_upload_id}/again", {"reason": "light"}),
    "arm-taken-back": ("/children/{child_id}/arm/{arm_id}/take-back", {}),
    "tape-taken-back": ("/children/{child_id}/tape/{tape_id}/take-back", {}),
    "tape-noted": ("/children/{child_id}/tape", {"reading": "431"}),
    "signs-noted": ("/children/{child_id}/signs", {"instrument_id": "{shelf_id}", "wrist_free": "no"}),
    "instrument-in-use": ("/children/{child_id}/instrument", {"instrument_id": "{shelf_id}"}),
    "child-changed": ("/children/{child_id}/edit", {"nickname": "Momo", "birth_year": "2026"}),
    "decided": ("/children/{child_id}/verdict", {"instrument_id": "{shelf_id}"}),
    "report-sent": ("/verdicts/{verdict_id}/share", {"note": "Another word."}),
    "report-closed": ("/verdicts/{verdict_id}/unshare", {}),
    "link-closed": ("/requests/{request_id}/close", {}),
    "instrument-made": ("/instruments/new", {"name": "Shelf 99", "body_length": "255", "total_length": "421"}),
    "instrument-changed": (
        "/instruments/{shelf_id}",
        {"name": "Shelf 98", "body_length": "255", "total_length": "421"},
    ),
    "instrument-deleted": ("/instruments/{instrument_id}/delete", {}),
    "order-deleted": ("/counter/orders/{order_id}/delete", {}),
    "chart-made": ("/charts/new", CHART | {"name": "New one", "use": "1"}),
    "chart-changed": ("/charts/{chart_id}", CHART | {"name": "Renamed"}),
    "chart-used": ("/charts/use", {"chart_id": "{chart_id}"}),
    "chart-deleted": ("/charts/{chart_id}/delete", {}),
}


def everything(place: Place, seeded: Seeded) -> dict[str, dict[str, Any]]:
    """Every row of the studio but deeds; a deleted photo stays deleted."""
    found = {}
    with place.house.store.for_studio(seeded.studio_id) as records:
        for kind in StudioRow.__subclasses__():
            if kind not in (Deed, AuditEntry):
                for row in records.scalars(select(kind)):
                    found[row.id] = row_json(row) | {"photos_deleted_at": None}
    return found


def do(place: Place, seeded: Seeded, what: str) -> Deed:
    path, form = DEEDS[what]
    ids = vars(seeded)
    data = {name: text.format(**ids) for name, text in form.items()}
    token = place.house.signer.form_token(seeded.sign_in_id)
    place.client.cookies.set("scrollreach", seeded.session)
    if path.endswith("/accept"):
        data |= as_seen(place.client, path.format(**ids).split("/")[2])
    answer = place.client.post(path.format(**ids), data=data | {"form_token": token})
    assert answer.status_code == 303, (what, answer.text[:500])
    with place.house.store.for_studio(seeded.studio_id) as records:
        return records.scalars(select(Deed).where(Deed.what == what, Deed.id != seeded.deed_id)).one()


def take_back(place: Place, seeded: Seeded, deed: Deed) -> str:
    token = place.house.signer.form_token(seeded.sign_in_id)
    answer = place.client.post(f"/deeds/{deed.id}/undo", data={"form_token": token})
    assert answer.status_code == 303, answer.text[:300]
    return answer.headers["location"]


@pytest.mark.parametrize("what", DEEDS)
def test_undone_is_as_if_it_had_not_been_done(place: Place, what: str) -> None:
    seeded = with_order(place.house, seed(place.house))
    before = everything(place, seeded)
    deed = do(place, seeded, what)
    assert everything(place, seeded) != before, "else undoing is no proof"
    assert deed.teacher_id == seeded.teacher_id
    assert take_back(place, seeded, deed) == "/deeds"
    assert everything(place, seeded) == before


def test_what_was_changed_since_is_kept(place: Place) -> None:
    seeded = seed(place.house)
    first = do(place, seeded, "instrument-in-use")
    token = place.house.signer.form_token(seeded.sign_in_id)
    form = {"form_token": token, "instrument_id": seeded.instrument_id}
    place.client.post(f"/children/{seeded.child_id}/instrument", data=form)
    before = everything(place, seeded)
    where = take_back(place, seeded, first)
    assert everything(place, seeded) == before
    assert "Undo the later change first" in place.client.get(where).text


def count(place: Place, seeded: Seeded, noted: Deed) -> Deed:
    """Let a reading that was noted count with the photo."""
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    reading = noted.changes["rows"][0]["id"]
    answer = place.client.post(f"/children/{seeded.child_id}/tape/{reading}/count", data=form)
    with place.house.store.for_studio(seeded.studio_id) as records:
        return records.get_one(Deed, re.findall("done=([0-9a-f]{32})", answer.headers["location"])[0])


def test_a_reading_that_counts_with_the_photo_stays_until_it_counts_no_more(place: Place) -> None:
    seeded = seed(place.house)
    noted = do(place, seeded, "tape-noted")
    alone = everything(place, seeded)
    counted = count(place, seeded, noted)
    both = everything(place, seeded)
    assert both != alone, "else nothing was counted"
    assert "Undo the later change first" in place.client.get(take_back(place, seeded, noted)).text
    assert everything(place, seeded) == both
    assert take_back(place, seeded, counted) == "/deeds"
    assert everything(place, seeded) == alone
    assert take_back(place, seeded, noted) == "/deeds"
    assert noted.changes["rows"][0]["id"] not in everything(place, seeded)


def test_an_arm_comes_back_without_a_reading_that_is_gone_meanwhile(place: Place) -> None:
    seeded = seed(place.house)
    before = everything(place, seeded)
    noted = do(place, seeded, "tape-noted")
    count(place, seeded, noted)
    arm = do(place, seeded, "arm-taken-back")
    assert take_back(place, seeded, noted) == "/deeds"
    assert take_back(place, seeded, arm) == "/deeds"
    assert everything(place, seeded) == before


def test_an_accepted_instrument_on_which_signs_were_noted_stays(place: Place) -> None:
    seeded = seed(place.house)
    deed = do(place, seeded, "instrument-accepted")
    with place.house.store.for_studio(seeded.studio_id) as records:
        upload = records.get_one(Upload, seeded.instrument_upload_id)
        made = upload.instrument_id
    token = place.house.signer.form_token(seeded.sign_in_id)
    form = {"form_token": token, "instrument_id": made, "wrist_free": "yes"}
    assert place.client.post(f"/children/{seeded.child_id}/signs", data=form).status_code == 303
    take_back(place, seeded, deed)
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get(Instrument, made) is not None


def test_after_accepting_comes_the_next_photo_with_a_way_back(place: Place) -> None:
    seeded = seed(place.house)
    token = place.house.signer.form_token(seeded.sign_in_id)
    place.client.cookies.set("scrollreach", seeded.session)
    first, second = (
        {"form_token": token} | as_seen(place.client, each)
        for each in (seeded.arm_upload_id, seeded.instrument_upload_id)
    )
    answer = place.client.post(f"/reviews/{seeded.arm_upload_id}/accept", data=first)
    assert answer.headers["location"].startswith(f"/reviews/{seeded.instrument_upload_id}?done=")
    shown = place.client.get(answer.headers["location"]).text
    assert "Arm accepted." in shown
    assert 'action="/deeds/' in shown
    last = place.client.post(f"/reviews/{seeded.instrument_upload_id}/accept", data=second)
    assert last.headers["location"].startswith(f"/children/{seeded.child_id}?done=")


def test_another_studio_undoes_nothing(place: Place) -> None:
    seeded, other = seed(place.house), seed(place.house, "Studio Birke")
    deed = do(place, seeded, "tape-noted")
    before = everything(place, seeded)
    place.client.cookies.set("scrollreach", other.session)
    token = place.house.signer.form_token(other.sign_in_id)
    assert place.client.post(f"/deeds/{deed.id}/undo", data={"form_token": token}).status_code == 404
    assert "Undo" not in place.client.get(f"/children?done={deed.id}").text
    assert everything(place, seeded) == before


@pytest.mark.parametrize(
    "forget",
    [
        lambda place, seeded: place.client.post(
            f"/f/{seeded.family}/delete/", data={"form_token": place.house.signer.form_token(seeded.family)}
        ),
        lambda place, seeded: (
            place.clock.forward(days=UNDO_DAYS),
            place.client.portal.call(sweep, place.clock.now()),
        ),
    ],
    ids=["the family deletes", "its days are over"],
)
def test_what_a_deed_holds_is_forgotten(place: Place, forget: Callable[[Place, Seeded], Any]) -> None:
    seeded = seed(place.house)
    deed = do(place, seeded, "arm-accepted")
    forget(place, seeded)
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Deed, deed.id).changes == {}
        records.get_one(SignIn, seeded.sign_in_id).seen_at = place.clock.now()  # who is idle for long is signed out
    take_back(place, seeded, deed)
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert len(records.scalars(select(ArmRecord)).all()) == 3


def test_no_deed_tells_of_a_deleted_child(place: Place) -> None:
    """Neither by the nickname under which it borrowed, nor by rows that went with an instrument."""
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        nickname = records.get_one(Child, seeded.child_id).nickname
    signs = do(place, seeded, "signs-noted")
    token = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    place.client.post("/counter/lend", data=token | {"instrument_id": seeded.shelf_id, "borrower": nickname})
    do(place, seeded, "child-changed")
    place.client.post(f"/instruments/{seeded.shelf_id}/delete", data=token)
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = {deed.what: str(deed.changes) for deed in records.scalars(select(Deed))}
    assert nickname in kept["instrument-lent"]
    assert signs.changes["rows"][0]["id"] in kept["instrument-deleted"]

    place.client.post(f"/children/{seeded.child_id}/delete", data=token)
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = {deed.what: deed.changes for deed in records.scalars(select(Deed))}
    assert (kept["instrument-lent"], kept["instrument-deleted"]) == ({}, {})


def test_the_log_forgets_and_goes_with_the_child(place: Place) -> None:
    seeded = seed(place.house)
    deed = do(place, seeded, "tape-noted")
    other = do(place, seeded, "chart-used")
    token = place.house.signer.form_token(seeded.sign_in_id)
    place.client.post(f"/children/{seeded.child_id}/delete", data={"form_token": token})
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get(Deed, deed.id) is None
        assert records.get(Child, seeded.child_id) is None
        assert records.get(Deed, other.id) is not None
    place.clock.forward(days=LOG_DAYS)
    place.client.portal.call(sweep, place.clock.now())  # type: ignore[union-attr]
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get(Deed, other.id) is None


def test_undoing_waits_for_what_is_written_at_the_moment(place: Place) -> None:
    seeded = seed(place.house)
    deed = do(place, seeded, "child-changed")
    assert place.house.store.engine.url.database is not None
    other = sqlite3.connect(place.house.store.engine.url.database, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    ending = Timer(0.5, lambda: other.execute("COMMIT"))
    ending.start()
    token = place.house.signer.form_token(seeded.sign_in_id)
    answer = place.client.post(f"/deeds/{deed.id}/undo", data={"form_token": token})
    ending.join()
    other.close()
    assert (answer.status_code, answer.headers["location"]) == (303, "/deeds")
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Child, seeded.child_id).nickname == "Mo"
