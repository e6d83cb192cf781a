"""The family's one link shows how far everything is, and in the end the report; it says no more than has happened."""

from __future__ import annotations

import time
from datetime import timedelta

import pypdfium2
import pytest
from sqlalchemy import event

from service.measuring.results import problems_json
from service.records.photos import ORIGINAL
from service.records.tables import ACCEPTED, MEASURED, RECEIVED, ArmRecord, Child, PhotoRequest, Upload, VerdictRecord
from service.records.wanted import photo_states
from service.web.family import pages
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, seed
from tests.service.web.test_trade import shown as teacher_reads
from vision.problems import HAND_OFF_WALL, STATED_BUILD


@pytest.fixture
def family(place: Place) -> tuple[Place, Seeded, str]:
    seeded = seed(place.house)
    return place, seeded, f"/f/{seeded.family}"


def states(place: Place, seeded: Seeded) -> dict[str, str]:
    with place.house.store.for_studio(seeded.studio_id) as records:
        return photo_states(records, records.get_one(PhotoRequest, seeded.request_id))


def set_state(place: Place, seeded: Seeded, upload_id: str, state: str) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Upload, upload_id).state = state


def test_each_photo_says_how_far_it_is(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    assert states(place, seeded) == {"arm": MEASURED, "instrument": MEASURED}
    set_state(place, seeded, seeded.arm_upload_id, ACCEPTED)
    set_state(place, seeded, seeded.instrument_upload_id, RECEIVED)
    assert states(place, seeded) == {"arm": ACCEPTED, "instrument": RECEIVED}
    page = place.client.get(link).text
    assert "accepted by the teacher" in page
    assert "being measured" in page


@pytest.mark.parametrize(("step", "told"), [("sheet", {"bar_mm": "149"}), ("paper", {"reference": "card"})])
def test_sheet_and_paper_lead_to_what_is_wanted_and_else_to_where_everything_stands(
    family: tuple[Place, Seeded, str], step: str, told: dict[str, str]
) -> None:
    place, seeded, link = family
    form = {"form_token": place.house.signer.form_token(seeded.family)} | told
    assert place.client.post(f"{link}/{step}", data=form).headers["location"] == f"{link}/done/"
    set_state(place, seeded, seeded.instrument_upload_id, "dismissed")
    assert place.client.post(f"{link}/{step}", data=form).headers["location"] == f"{link}/instrument"


def test_the_family_sees_the_length_that_was_accepted(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    files = {"photo": ("a.jpg", b"photo", "image/jpeg")}
    result = place.client.post(f"{link}/arm", data=form, files=files).headers["location"]
    upload_id = result.rsplit("/", 1)[1]
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "points": '{"mid_palm": [840, 360]}'}
    place.client.post(f"/reviews/{upload_id}/points", data=teacher)
    moved = place.client.get(result).text
    assert "436" in moved, "until it is accepted what the picture shows"
    assert "The teacher looks at it" in moved
    teacher |= as_seen(place.client, upload_id)
    deed = place.client.post(f"/reviews/{upload_id}/accept", data=teacher).headers["location"].partition("done=")[2]
    accepted = place.client.get(result).text
    assert "446" in accepted
    assert "The teacher looks at it" not in accepted
    place.client.post(f"/deeds/{deed}/undo", data=teacher)
    undone = place.client.get(result).text
    assert "446" in undone, "the picture was drawn anew"
    assert "The teacher looks at it" in undone


def test_what_stays_with_the_teacher_is_said_when_all_else_is_deleted(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    set_state(place, seeded, seeded.arm_upload_id, ACCEPTED)
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    page = f"/children/{seeded.child_id}"
    wish = "On 12 May 2031 the family deleted what it had sent. What was accepted before is still kept here"
    assert wish not in teacher_reads(place, seeded, page)
    gone = place.client.post(f"{link}/delete/", data=form).text
    assert "Everything is deleted" in gone
    assert "belong to the teacher" in gone
    assert wish in teacher_reads(place, seeded, page)
    assert "a family deleted what it sent" in teacher_reads(place, seeded, "/studio/history")


def test_where_nothing_was_accepted_nothing_stays(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    assert "belong to the teacher" not in place.client.post(f"{link}/delete/", data=form).text


def test_a_teacher_reads_where_the_photos_went_of_which_none_was_accepted(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    with place.house.store.for_studio(seeded.studio_id) as records:
        for table in (VerdictRecord, ArmRecord):
            for row in records.query(table).filter_by(child_id=seeded.child_id):
                records.delete(row)
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    place.client.post(f"{link}/delete/", data=form)
    page = teacher_reads(place, seeded, f"/children/{seeded.child_id}")
    assert "Links to the family On 12 May 2031 the family deleted what it had sent." in page
    assert "still kept here" not in page


def test_what_the_teacher_wants_again_is_said_until_a_new_one_comes(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    place.clock.forward(minutes=5)
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "reason": "light"}
    place.client.post(f"/reviews/{seeded.arm_upload_id}/again", data=teacher)
    assert states(place, seeded)["arm"] == "again"
    for page in ("", "/done/"):
        assert "wanted once more" in place.client.get(link + page).text
    place.clock.forward(minutes=5)
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    place.client.post(f"{link}/arm", data=form, files={"photo": ("a.jpg", b"new", "image/jpeg")})
    assert states(place, seeded)["arm"] == MEASURED
    assert "wanted once more" not in place.client.get(link).text


def test_how_far_it_is_is_read_without_what_was_measured(family: tuple[Place, Seeded, str]) -> None:
    place, _, link = family
    statements: list[str] = []

    def note(_c: object, _k: object, statement: str, *_: object) -> None:
        statements.append(statement)

    event.listen(place.house.store.engine, "before_cursor_execute", note)
    try:
        assert place.client.get(link).status_code == 200
    finally:
        event.remove(place.house.store.engine, "before_cursor_execute", note)
    of_uploads = [each for each in statements if "FROM upload" in each]
    assert of_uploads
    assert not any("upload.result" in each or "upload.corrected" in each for each in of_uploads)


def test_a_result_is_shown_when_it_comes_and_not_at_the_next_look(
    family: tuple[Place, Seeded, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded, link = family
    monkeypatch.setattr(pages, "LOOK_EVERY_S", pages.WAIT_S)
    place.pool.pause_s = 0.2  # longer than it takes to look the first time
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    begun = time.monotonic()
    sent = place.client.post(f"{link}/arm", data=form, files={"photo": ("a.jpg", b"new", "image/jpeg")})
    assert time.monotonic() - begun < pages.WAIT_S / 2
    assert 'http-equiv="refresh"' not in place.client.get(sent.headers["location"]).text


def test_a_report_that_was_sent_opens_from_the_link(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    page = place.client.get(f"{link}/done/").text
    assert "The teacher has sent you a report." in page
    opened = place.client.get(f"{link}/report")
    assert opened.headers["location"] == f"/r/{seeded.report}"
    assert place.client.get(opened.headers["location"]).status_code == 200


@pytest.mark.parametrize("why", ["revoked", "expired", "older than the request", "never sent"])
def test_no_report_is_promised_or_shown_where_there_is_none(family: tuple[Place, Seeded, str], why: str) -> None:
    place, seeded, link = family
    now = place.clock.now()
    with place.house.store.for_studio(seeded.studio_id) as records:
        verdict = records.get_one(VerdictRecord, seeded.verdict_id)
        if why == "revoked":
            verdict.report_revoked_at = now
        elif why == "expired":
            verdict.report_expires_at = now - timedelta(seconds=1)
        elif why == "older than the request":
            verdict.made_at = now - timedelta(days=1)
        else:
            verdict.report_expires_at = None
    for page in ("", "/done/"):
        shown = place.client.get(link + page).text
        assert "has sent you a report" not in shown
        assert "you will get a report" not in shown
    assert place.client.get(f"{link}/report").headers["location"] == link


def test_the_report_calls_an_unnamed_instrument_in_its_own_language(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, _ = family
    with place.house.store.for_studio(seeded.studio_id) as records:
        verdict = records.get_one(VerdictRecord, seeded.verdict_id)
        child = records.get_one(Child, verdict.child_id).nickname
        kept = verdict.inputs["instrument"] | {"name": f"Instrument of {child}", "label": None}
        verdict.inputs = verdict.inputs | {"instrument": kept}
        verdict.report_language = "de"
    report = place.client.get(f"/r/{seeded.report}").text
    assert f"<br><strong>Instrument von {child}</strong></p>" in report, "and not the instrument's instrument"
    pdf = place.client.get(f"/r/{seeded.report}/report.pdf").content
    (page,) = pypdfium2.PdfDocument(pdf)
    assert f"\nInstrument von {child}\n" in page.get_textpage().get_text_range().replace("\r", "")
    assert f"Instrument of {child}" not in report


def test_of_a_link_that_has_run_out_a_family_is_promised_no_more_than_it_can_do(
    family: tuple[Place, Seeded, str],
) -> None:
    place, seeded, link = family
    assert "as long as this link is open you can delete everything at any moment" in place.client.get(link).text
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(PhotoRequest, seeded.request_id).expires_at = place.clock.now()
        records.get_one(VerdictRecord, seeded.verdict_id).report_expires_at = place.clock.now()
    deletes = "The teacher can also delete what was sent through this one."
    for path, is_said in ((link, True), (f"{link}/arm", True), (f"/r/{seeded.report}", False)):
        answer = place.client.get(path)
        assert answer.status_code == 404
        assert (deletes in answer.text) == is_said


def test_each_instrument_is_reviewed_with_its_own_label(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    place.client.cookies.set("scrollreach", seeded.session)
    sent = {}
    for label in ("1/8", "1/4", ""):
        files = {"photo": ("a.jpg", f"photo of {label}".encode(), "image/jpeg")}
        answer = place.client.post(f"{link}/instrument", data=form | {"label": label}, files=files)
        sent[label] = answer.headers["location"].rpartition("/")[2]
    for label, upload_id in sent.items():
        assert f'placeholder="1/8" value="{label}"' in place.client.get(f"/reviews/{upload_id}").text


def test_a_label_that_a_family_takes_back_is_gone(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    form = {"form_token": place.house.signer.form_token(seeded.family)}

    def label_after(number: int, kind: str, **said: str) -> str | None:
        files = {"photo": ("a.jpg", f"photo {number}".encode(), "image/jpeg")}
        assert place.client.post(f"{link}/{kind}", data=form | said, files=files).status_code == 303
        with place.house.store.for_studio(seeded.studio_id) as records:
            return records.get_one(PhotoRequest, seeded.request_id).label

    assert label_after(1, "instrument", label="1/8") == "1/8"
    assert label_after(2, "arm") == "1/8", "nothing was asked of it"
    assert label_after(3, "instrument", label="") is None


def test_a_family_reads_nothing_of_what_the_teacher_stated(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, link = family
    with place.house.store.for_studio(seeded.studio_id) as records:
        upload = records.get_one(Upload, seeded.arm_upload_id)
        assert upload.result is not None
        upload.result = upload.result | {"problems": problems_json([STATED_BUILD, HAND_OFF_WALL])}
    shown = place.client.get(f"{link}/photo/{seeded.arm_upload_id}").text
    assert "The hand does not touch the wall" in shown
    assert "date of birth" not in shown


def test_a_teacher_reads_of_a_closed_link_whether_it_ran_out_by_itself(family: tuple[Place, Seeded, str]) -> None:
    place, seeded, _ = family
    place.client.cookies.set("scrollreach", seeded.session)
    for revoked_at, is_said in ((None, True), (place.clock.now(), False)):
        with place.house.store.for_studio(seeded.studio_id) as records:
            asked = records.get_one(PhotoRequest, seeded.request_id)
            asked.expires_at, asked.revoked_at = place.clock.now(), revoked_at
        shown = place.client.get(f"/requests/{seeded.request_id}").text
        assert "This link is closed." in shown
        assert ("Open until</dt><dd>12 May 2031" in shown) == is_said


@pytest.mark.parametrize("closed", [False, True], ids=["run out", "closed by the teacher"])
def test_by_a_link_that_has_run_out_a_family_deletes_what_it_sent_and_sees_nothing(
    family: tuple[Place, Seeded, str], closed: bool
) -> None:
    place, seeded, link = family
    with place.house.store.for_studio(seeded.studio_id) as records:
        asked = records.get_one(PhotoRequest, seeded.request_id)
        asked.expires_at, asked.language = place.clock.now(), "de"
        asked.revoked_at = place.clock.now() if closed else None
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    for path in (link, f"{link}/arm", f"{link}/done/"):
        shown = place.client.get(path)
        assert shown.status_code == 404
        assert (f'href="{link}/delete/">Jetzt alles löschen</a>' in shown.text) is not closed
    assert place.client.post(f"{link}/done/", data=form).status_code == 404
    assert place.client.get(f"{link}/delete/").status_code == (404 if closed else 200)
    assert place.client.post(f"{link}/delete/", data={"form_token": "guessed"}).status_code == (404 if closed else 403)
    assert place.house.photos.has(seeded.arm_upload_id, ORIGINAL)
    assert place.client.post(f"{link}/delete/", data=form).status_code == (404 if closed else 200)
    assert place.house.photos.has(seeded.arm_upload_id, ORIGINAL) is closed
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert (records.get(PhotoRequest, seeded.request_id) is not None) is closed
    assert "/delete/" not in place.client.get(link).text


@pytest.mark.parametrize("step", ["", "/sheet", "/paper", "/arm", "/instrument", "/camera/arm", "/done/", "/delete/"])
def test_the_pages_of_two_children_of_one_family_can_be_told_apart(
    family: tuple[Place, Seeded, str], step: str
) -> None:
    place, _, link = family
    page = place.client.get(f"{link}{step}").text
    assert "This is about Mo." in page
    assert "<title>Mo · " in page
