"""A child's page: what stands on it, and against which photo a tape reading is held."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from service.records.tables import (
    ACCEPTED,
    ANEW,
    FAILED,
    MEASURED,
    RECEIVED,
    ArmRecord,
    Child,
    Deed,
    Instrument,
    PhotoRequest,
    SignIn,
    SignsRecord,
    StudioChart,
    TapeRecord,
    Teacher,
    Upload,
    VerdictRecord,
)
from service.web.gate.guard import REPORT
from tests.service.conftest import Place
from tests.service.full_studio import fill
from tests.service.reviewing import as_seen
from tests.service.seeding import NOW, Seeded, arm_result, instrument_result, length, seed
from tests.service.web.test_trade import sent


def shown(place: Place, seeded: Seeded, path: str) -> str:
    """The words of a page."""
    place.client.cookies.set("scrollreach", seeded.session)
    answer = place.client.get(path)
    assert answer.status_code == 200
    return " ".join(re.sub(r"<[^>]+>", " ", answer.text).replace("\u00a0", " ").split())


def note(place: Place, seeded: Seeded, value_mm: float, days_ago: float) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.add(
            TapeRecord(
                studio_id=seeded.studio_id,
                child_id=seeded.child_id,
                taken_on=(NOW - timedelta(days=days_ago)).date(),
                value_mm=value_mm,
                uncertainty_mm=5.0,
                told_by="teacher",
            )
        )


def test_a_tape_reading_is_held_against_the_photo_of_its_time(place: Place) -> None:
    seeded = seed(place.house)
    note(place, seeded, 419.0, days_ago=310)  # the photo of ten months ago says 418, the last one 433
    note(place, seeded, 380.0, days_ago=700)
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "419 mm. Tape (419 mm) and photo (418 mm) agree" in words
    assert "380 mm. No photo from about that day to compare it with." in words
    assert "Tape (366 mm) and photo (433 mm) do not agree" in words  # the seeded one, of today


def test_what_was_found_stands_beside_what_was_corrected(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        arm = records.query(ArmRecord).filter_by(child_id=seeded.child_id, corrected=True).one()
        arm.automatic = arm_result(427.0)
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert re.search(r"corrected; found: 427 mm Take back ?: 13 Mar 2031 433 mm 425 – 441 mm", words)


def test_until_when_an_instrument_does_is_said_by_the_calendar(place: Place) -> None:
    seeded = seed(place.house)
    before = shown(place, seeded, f"/children/{seeded.child_id}")
    said = re.search(r"becomes too small around (\w+ \d{4})", before)
    assert said
    with place.house.store.for_studio(seeded.studio_id) as records:
        session = records.get_one(SignIn, seeded.sign_in_id)
        session.expires_at, session.seen_at = NOW + timedelta(days=99), NOW + timedelta(days=60)
    place.clock.forward(days=60)  # two months on, with no new measurement, it is still the same month
    assert said[0] in shown(place, seeded, f"/children/{seeded.child_id}")


def test_after_pain_no_page_says_anything_else(place: Place) -> None:
    """Neither a date, nor a bare verdict, nor something to look for or to lend."""
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for noted in records.query(SignsRecord).filter_by(child_id=seeded.child_id):
            noted.answers = noted.answers | {"painless": False}
    child = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "By its lengths this instrument fits the child. " in child
    assert "Stop playing this instrument and ask the teacher." in child
    assert "How long it will do is said as soon as it is to be played." in child
    assert "Order nothing yet" in child
    for words in ("Blue case (1/8): fits", "becomes too small", "Said as soon as", "growth is allowed for"):
        assert words not in child
    counter = shown(place, seeded, f"/counter/children/{seeded.child_id}")
    assert "Order nothing yet: first settle" in counter
    assert "It can be played" not in counter
    assert "The order slip says what to look for" not in counter


@pytest.mark.parametrize(("arm_mm", "colour"), [(441.0, "fits"), (460.0, "too_small")])
def test_of_two_neighbours_the_colour_is_the_likelier_one(place: Place, arm_mm: float, colour: str) -> None:
    """What is most probably too small is green nowhere, though it may still fit."""
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for upload in records.query(Upload).filter_by(child_id=seeded.child_id):
            upload.state = ACCEPTED
        for arm in records.query(ArmRecord).filter_by(child_id=seeded.child_id):
            arm.lengths = arm.lengths | {"arm_length": length(arm_mm, 8.0)}
    place.client.cookies.set("scrollreach", seeded.session)
    place.clock.forward(minutes=1)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "instrument_id": seeded.instrument_id}
    verdict = place.client.post(f"/children/{seeded.child_id}/verdict", data=form).headers["location"].partition("?")[0]
    place.client.post(f"{verdict}/share", data=form | {"note": ""})
    report = place.house.signer.token(REPORT, verdict.rpartition("/")[2])

    def page(path: str) -> str:
        return place.client.get(path).text

    tag = f'<span class="tag {colour}">fits or is a little small</span>'
    assert f'<section class="leaf verdict {colour}" data-decision="small_or_fits">' in page(verdict)
    child = page(f"/children/{seeded.child_id}")
    assert f'<section class="leaf verdict {colour}" aria-labelledby="a-which">' in child
    assert tag in child
    assert tag in page("/children")
    assert f'<div class="{colour} answer">' in page(f"/r/{report}")


def taken_back(place: Place, seeded: Seeded, path: str) -> None:
    data = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    assert place.client.post(f"/children/{seeded.child_id}/{path}/take-back", data=data).status_code == 303


def test_a_tape_reading_and_an_accepted_arm_can_be_taken_back(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        tape = records.query(TapeRecord).filter_by(child_id=seeded.child_id).one()
        arms = records.query(ArmRecord).filter_by(child_id=seeded.child_id).order_by(ArmRecord.measured_on).all()
        upload = records.get_one(Upload, seeded.arm_upload_id)
        upload.state, arms[-1].upload_id = ACCEPTED, upload.id
    assert "366 mm" in shown(place, seeded, f"/children/{seeded.child_id}")
    taken_back(place, seeded, f"tape/{tape.id}")
    taken_back(place, seeded, f"arm/{arms[-1].id}")
    after = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "366 mm" not in after
    assert "To review Photo of the arm" in re.sub(r"[↔♪] ", "", after)
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Upload, seeded.arm_upload_id).state == MEASURED
        assert len(records.query(ArmRecord).filter_by(child_id=seeded.child_id).all()) == len(arms) - 1


def test_what_was_typed_into_a_form_that_is_refused_is_not_lost(place: Place) -> None:
    seeded = seed(place.house)
    typed = {"nickname": "  ", "birth_year": "2024", "birth_month": "4", "sex": "girl"}
    for path in ("/children/new", f"/children/{seeded.child_id}/edit"):
        answer = sent(place, seeded, path, **typed)
        assert answer.status_code == 422
        assert re.findall(r"<option(?: value=\"\w+\")? selected>(\w+)", answer.text) == ["4", "2024", "girls"]
    tape = sent(place, seeded, f"/children/{seeded.child_id}/tape", reading="46.2")
    assert tape.status_code == 422
    assert re.search(r'<input id="reading"[^>]* value="46.2"', tape.text)


def test_shelf_and_children_are_in_order_of_their_numbers(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = records.query(Instrument).filter_by(name="Shelf 14").one()
        kept.name = "Shelf 3"
        bare = Child(studio_id=seeded.studio_id, nickname="Child 12", created_at=NOW)
        records.add_all([bare, Child(studio_id=seeded.studio_id, nickname="Child 3", created_at=NOW)])
        records.flush()
        path = f"/children/{bare.id}"
    for words in (shown(place, seeded, "/instruments"), shown(place, seeded, path)):
        assert words.index("Shelf 3") < words.index("Shelf 12")
    words = shown(place, seeded, "/children")
    assert words.index("Child 3") < words.index("Child 12")


def test_a_name_is_sorted_and_found_whatever_marks_its_letters_have(place: Place) -> None:
    seeded = seed(place.house)
    names = ["Anna", "Çağla", "Dora", "İpek", "Lara", "Łukasz", "Zoe"]
    with place.house.store.for_studio(seeded.studio_id) as records:
        lengths = {"arm_length": length(450, 3)}
        for name in reversed(names):
            child = Child(studio_id=seeded.studio_id, nickname=name, created_at=NOW)
            records.add(child)
            records.flush()
            arm = {"lengths": lengths, "automatic": {}, "corrected": False, "program_version": "0"}
            day = {"measured_on": NOW.date(), "accepted_at": NOW}
            records.add(ArmRecord(studio_id=seeded.studio_id, child_id=child.id, **arm, **day))
    for path in ("/children", "/class", "/counter"):
        page = shown(place, seeded, path)
        assert [page.index(name) for name in names] == sorted(page.index(name) for name in names)
    for typed, found in (("cag", "Çağla"), ("ipek", "İpek"), ("LUK", "Łukasz"), ("İp", "İpek")):
        page = shown(place, seeded, f"/children?q={typed}")
        assert [name for name in names if name in page] == [found]


def test_a_child_whose_photos_have_arrived_is_not_asked_for_photos(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for arm in records.query(ArmRecord):
            records.delete(arm)
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert words.count("Photos have arrived: look at what was measured.") == 2
    assert "Ask the family for photos." not in words


def test_a_length_in_a_form_is_written_as_its_reader_writes_and_stays_a_photos(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    with place.house.store.for_studio(seeded.studio_id) as records:
        instrument = records.query(Instrument).filter(Instrument.measured_by == "photo").first()
        records.query(Teacher).update({"language": "de"})
        address, kept = f"/instruments/{instrument.id}", instrument.lengths
    typed = re.search(r'name="body_length"[^>]*value="([^"]*)"', place.client.get(address).text)
    assert typed is not None
    assert re.fullmatch(r"\d+(,\d)?±\d+(,\d)?", typed[1])
    assert "," in typed[1]
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "name": "Anew", "body_length": typed[1]}
    form["total_length"] = re.search(r'name="total_length"[^>]*value="([^"]*)"', place.client.get(address).text)[1]
    assert place.client.post(address, data=form).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        instrument = records.query(Instrument).filter(Instrument.name == "Anew").one()
        assert (instrument.measured_by, instrument.lengths) == ("photo", kept)


def test_two_of_one_instrument_are_not_compared_and_that_is_said(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    own = seeded.instrument_id
    answer = place.client.get(f"/children/{seeded.child_id}/compare", params={"one": own, "other": own})
    assert answer.status_code == 422
    assert "Choose two different instruments to compare." in answer.text
    assert '<details class="leaf fold" id="instruments" open>' in answer.text, "and where to choose them is unfolded"


@pytest.mark.parametrize(
    ("state", "told"),
    [
        (MEASURED, "Photos have arrived: look at what was measured. Review the photo"),
        (RECEIVED, "What has arrived is being measured; then it can be looked at here."),
        (ANEW, "What has arrived is being measured; then it can be looked at here."),
        (FAILED, "A photo could not be measured, and not for what it shows. It can be measured again. Look at it"),
    ],
)
@pytest.mark.parametrize("first", [True, False])
def test_what_comes_next_is_what_waits_above(place: Place, state: str, told: str, first: bool) -> None:
    """And nobody is told to ask for photos that have arrived."""
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for upload in records.query(Upload).filter_by(child_id=seeded.child_id):
            upload.state = state
        if first:
            records.query(VerdictRecord).delete()
            records.query(ArmRecord).delete()
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert f"What next? {told}" in words
    assert ("Ask the family for photos." in words) is False


def test_two_reviews_that_were_open_at_once_give_two_names(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    family = {"form_token": place.house.signer.form_token(seeded.family)}
    for _ in range(2):
        files = {"photo": ("a.jpg", b"photo", "image/jpeg")}
        assert place.client.post(f"/f/{seeded.family}/instrument", data=family, files=files).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        sent = [each.id for each in records.query(Upload).filter_by(kind="instrument", state=MEASURED)]
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "name": "Instrument of Mo"}
    for upload_id in sent:
        data = form | as_seen(place.client, upload_id)
        assert place.client.post(f"/reviews/{upload_id}/accept", data=data).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        names = [each.name for each in records.query(Instrument).filter_by(child_id=seeded.child_id)]
    assert len(set(names)) == len(names) == len(sent) + 1


def test_an_instrument_of_the_shelf_is_not_called_like_one_that_is_there(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Instrument, seeded.shelf_id).name = "Instrument 3"  # the first was taken off since
        upload = records.get_one(Upload, seeded.instrument_upload_id)
        upload.child_id = upload.request_id = None
    place.client.cookies.set("scrollreach", seeded.session)
    assert 'value="Instrument 4"' in place.client.get(f"/reviews/{seeded.instrument_upload_id}").text


def test_instruments_that_nobody_named_are_told_apart_and_follow_their_child(place: Place) -> None:
    seeded = seed(place.house)

    def begins_with() -> str:
        page = place.client.get(f"/reviews/{seeded.instrument_upload_id}").text
        return re.findall(r'<input id="name"[^>]*value="([^"]*)"', page)[0]

    place.client.cookies.set("scrollreach", seeded.session)
    assert begins_with() == "Instrument of Mo"
    with place.house.store.for_studio(seeded.studio_id) as records:
        own = records.query(Instrument).filter_by(child_id=seeded.child_id).one()
        own.name, own.label = "Instrument of Mo", "1/8"
        kept = records.get_one(VerdictRecord, seeded.verdict_id)
        kept.inputs = kept.inputs | {"instrument": kept.inputs["instrument"] | {"name": own.name}}
    assert begins_with() == "Instrument of Mo 2"
    assert "With this instrument Instrument of Mo (1/8)" in shown(place, seeded, f"/children/{seeded.child_id}")

    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "nickname": "Bee"}
    assert place.client.post(f"/children/{seeded.child_id}/edit", data=form).status_code == 303
    for path in (f"/children/{seeded.child_id}", f"/verdicts/{seeded.verdict_id}", f"/r/{seeded.report}"):
        words = shown(place, seeded, path)
        assert "Instrument of Bee" in words
        assert "Mo" not in words.split(), path
    export = place.client.get(f"/children/{seeded.child_id}/export.csv").text
    assert "Instrument of Mo" not in export


@pytest.mark.parametrize("what", ["pain", "pain with another", "another length", "another arm"])
def test_what_was_noted_after_a_verdict_makes_it_an_old_one(place: Place, what: str) -> None:
    seeded = seed(place.house)
    old = "has been noted otherwise since"
    assert old not in shown(place, seeded, f"/verdicts/{seeded.verdict_id}")
    with place.house.store.for_studio(seeded.studio_id) as records:
        for upload in records.query(Upload).filter_by(state=MEASURED):
            records.delete(upload)  # nothing else is to be done
    newer = (
        "Since the verdict of 12 May 2031 the arm, the instrument, or what was seen while playing, was noted otherwise"
    )
    child = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "Decided on" in child
    assert newer not in child
    assert "Mo measured: decide" not in shown(place, seeded, "/children")
    with place.house.store.for_studio(seeded.studio_id) as records:
        signs = records.query(SignsRecord).one()
        if what == "pain":
            signs.answers = signs.answers | {"painless": False}
        elif what == "pain with another":
            own = {"studio_id": seeded.studio_id, "child_id": seeded.child_id, "instrument_id": seeded.shelf_id}
            records.add(SignsRecord(**own, noted_on=signs.noted_on, answers={"painless": False}))
        elif what == "another length":
            instrument = records.get_one(Instrument, seeded.instrument_id)
            instrument.lengths = instrument.lengths | {"total_length": None}
        else:
            arm = records.get_one(ArmRecord, seeded.arm_id)
            arm.measured_on -= timedelta(days=365)
    assert old in shown(place, seeded, f"/verdicts/{seeded.verdict_id}")
    # the other arm is ten months old, and its family has been asked for photos
    how_far = "waiting for the family" if what == "another arm" else "measured: decide"
    assert f"Mo {how_far}" in shown(place, seeded, "/children")
    child = shown(place, seeded, f"/children/{seeded.child_id}")
    if what == "another arm":
        assert "Decided on" not in child
    else:
        assert f"{newer}: what is said here is newer. The family can still open its report." in child


def test_the_list_says_what_was_decided_of_the_instrument_in_use(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for upload in records.query(Upload).filter_by(state=MEASURED):
            records.delete(upload)  # nothing else is to be done
    decided = shown(place, seeded, "/children")
    assert "Mo measured: decide" not in decided
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "instrument_id": seeded.shelf_id}
    place.clock.forward(minutes=1)
    place.client.post(f"/children/{seeded.child_id}/verdict", data=form)
    assert shown(place, seeded, "/children") == decided, "of an instrument that it does not play"
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(VerdictRecord).filter_by(instrument_id=seeded.shelf_id).delete()
    place.client.post(f"/children/{seeded.child_id}/instrument", data=form)
    assert "Mo measured: decide" in shown(place, seeded, "/children")


@pytest.mark.parametrize("why", ["old", "doubted"])
def test_list_and_page_ask_for_new_photos_where_nothing_is_decided_by_the_arm(place: Place, why: str) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for table in (VerdictRecord, PhotoRequest, Upload):
            for row in records.query(table).filter_by(child_id=seeded.child_id):
                records.delete(row)
        records.get_one(Child, seeded.child_id).instrument_id = None
    assert "Mo measured: decide" in shown(place, seeded, "/children")
    assert "then decide and write the report" in shown(place, seeded, f"/children/{seeded.child_id}")
    with place.house.store.for_studio(seeded.studio_id) as records:
        arm = records.get_one(ArmRecord, seeded.arm_id)
        if why == "doubted":
            arm.lengths = arm.lengths | {"arm_length": length(370.0, 4.0)}  # shorter than ten months ago
        else:
            arm.measured_on -= timedelta(days=200)
    assert "Mo measured: ask for new photos" in shown(place, seeded, "/children")
    assert "Mo measured: ask for new photos" in shown(place, seeded, "/children?state=anew")
    assert "then decide and write the report" not in shown(place, seeded, f"/children/{seeded.child_id}")


def test_another_name_and_another_chart_make_no_verdict_old(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Instrument, seeded.instrument_id).name = "Red case"
        records.get_one(StudioChart, seeded.chart_id).in_use = True
    assert "noted otherwise since" not in shown(place, seeded, f"/verdicts/{seeded.verdict_id}")


def press(place: Place, seeded: Seeded, path: str) -> int:
    data = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    return place.client.post(path, data=data).status_code


def test_a_tape_reading_that_agrees_counts_once_the_teacher_says_so(place: Place) -> None:
    # the values of weighted means by JCGM 100:2008, F.1.2: (433/4² + 440/5²) / (1/4² + 1/5²), u = 1/√(1/4² + 1/5²)
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(TapeRecord).delete()
        for upload in records.query(Upload).filter_by(state=MEASURED):
            records.delete(upload)
    note(place, seeded, 440.0, days_ago=60)
    child = f"/children/{seeded.child_id}"
    before = shown(place, seeded, child)
    assert "433 mm arm; 95% sure: 425 mm to 441 mm" in before
    with place.house.store.for_studio(seeded.studio_id) as records:
        tape = f"{child}/tape/{records.query(TapeRecord).one().id}"
    assert press(place, seeded, f"{tape}/count") == 303
    after = shown(place, seeded, child)
    assert "436 mm arm; 95% sure: 430 mm to 442 mm" in after
    assert "Tape (440 mm) and photo (433 mm) agree" in after, "it is held against the photo alone"
    assert "It counts with the photo." in after
    assert "photo and tape; the photo alone: 433 mm" in after
    assert "Since the verdict of 12 May 2031 the arm, the instrument" in after
    assert f'action="{tape}/count"' not in place.client.get(child).text, "once is enough"
    assert press(place, seeded, f"{child}/verdict") == 404, "of no instrument"
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "instrument_id": seeded.instrument_id}
    verdict = place.client.post(f"{child}/verdict", data=form).headers["location"]
    assert "The arm measures 436 mm (95% sure: 430 mm to 442 mm)" in shown(place, seeded, verdict)

    with place.house.store.for_studio(seeded.studio_id) as records:
        deed = records.query(Deed).filter_by(what="tape-counted").one().id
    assert press(place, seeded, f"/deeds/{deed}/undo") == 303
    assert "433 mm arm; 95% sure: 425 mm to 441 mm" in shown(place, seeded, child)
    assert press(place, seeded, f"{tape}/count") == 303
    assert "436 mm arm" in shown(place, seeded, child)
    taken_back(place, seeded, tape.removeprefix(f"{child}/"))
    assert "433 mm arm; 95% sure: 425 mm to 441 mm" in shown(place, seeded, child)
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert not {"tape_id", "without_tape"} & set(records.get_one(ArmRecord, seeded.arm_id).automatic)


def test_where_a_reading_waits_to_be_counted_nobody_is_told_to_lay_a_tape_along_the_arm(place: Place) -> None:
    seeded = seed(place.house)
    child = f"/children/{seeded.child_id}"
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(SignsRecord).delete()
        records.query(TapeRecord).delete()
        for upload in records.query(Upload).filter_by(state=MEASURED):
            records.delete(upload)
        records.get_one(Instrument, seeded.instrument_id).lengths = {
            "body_length": length(280.0, 0.8),
            "total_length": length(463.0, 0.8),
        }
        arm = records.get_one(ArmRecord, seeded.arm_id)
        arm.lengths = arm.lengths | {"arm_length": length(471.0, 10.0)}
        records.query(ArmRecord).filter(ArmRecord.id != arm.id).delete()
    advised = shown(place, seeded, child)
    assert "Measure once more before you decide: Measure the arm with a tape" in advised
    note(place, seeded, 470.0, days_ago=60)
    waits = shown(place, seeded, child)
    assert "Measure the arm with a tape" not in waits
    assert waits.count("Count the tape reading that agrees with the photo, then decide.") == 2
    assert "counted with it" not in waits
    assert place.client.get(child).text.count('href="#tape"') == 1, "said once with the way there"
    with place.house.store.for_studio(seeded.studio_id) as records:
        tape = records.query(TapeRecord).one().id
    assert press(place, seeded, f"{child}/tape/{tape}/count") == 303
    counted = shown(place, seeded, child)
    assert "Count the tape reading" not in counted
    assert "Measure the arm with a tape once more, best by somebody else" in counted


def test_where_nothing_else_says_that_a_reading_waits_to_be_counted_it_is_noted(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(TapeRecord).delete()
    note(place, seeded, 433.0, days_ago=60)
    waits = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "What would settle it" not in waits
    assert "counted with it, the arm is known better" in waits


@pytest.mark.parametrize(("days", "old"), [(183, False), (184, True)])
def test_an_arm_of_half_a_year_ago_is_said_to_have_grown_wherever_it_is_judged_by(
    place: Place, days: int, old: bool
) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(ArmRecord).filter(ArmRecord.id != seeded.arm_id).delete()
        records.get_one(ArmRecord, seeded.arm_id).measured_on = (NOW - timedelta(days=days)).date()
    grown = "measured more than half a year ago and has grown since"
    for path in ("/children/{}", "/counter/children/{}", "/counter/children/{}/slip"):
        assert (grown in shown(place, seeded, path.format(seeded.child_id))) is old, path
    assert ("Measured more than half a year ago, and grown since: Mo." in shown(place, seeded, "/class?show=1")) is old


def test_of_two_arms_of_one_day_a_tape_reading_is_held_against_the_one_that_holds(place: Place) -> None:
    seeded = seed(place.house)
    child = f"/children/{seeded.child_id}"
    note(place, seeded, 440.0, days_ago=60)
    with place.house.store.for_studio(seeded.studio_id) as records:
        tape = f"{child}/tape/{records.query(TapeRecord).filter_by(value_mm=440.0).one().id}"
    press(place, seeded, f"{tape}/count")
    with place.house.store.for_studio(seeded.studio_id) as records:
        arm = records.get_one(ArmRecord, seeded.arm_id)
        again = {
            name: getattr(arm, name) for name in ("studio_id", "child_id", "measured_on", "corrected", "teacher_id")
        }
        lengths = arm.lengths | {"arm_length": arm_result(437.0)["arm_length"]}
        later = arm.accepted_at + timedelta(hours=1)
        kept = ArmRecord(**again, lengths=lengths, automatic={}, accepted_at=later, program_version="0.1.0")
        records.add(kept)
        records.flush()
        again_id = kept.id
    words = shown(place, seeded, child)
    assert "Tape (440 mm) and photo (437 mm) agree" in words
    assert "It counts with the photo." not in words, "the arm that holds does not hold it"
    assert press(place, seeded, f"{tape}/count") == 303
    assert "It counts with the photo." in shown(place, seeded, child)
    with place.house.store.for_studio(seeded.studio_id) as records:
        holding = [each.id for each in records.query(ArmRecord) if "tape_id" in (each.automatic or {})]
    assert holding == [again_id], "one reading is not counted twice"


def test_a_tape_reading_that_disagrees_or_is_of_another_time_counts_nowhere(place: Place) -> None:
    seeded = seed(place.house)  # with a reading of 366 mm
    note(place, seeded, 419.0, days_ago=310)  # of the arm before the latest
    child = f"/children/{seeded.child_id}"
    assert "/count" not in place.client.get(child).text
    shown(place, seeded, child)
    with place.house.store.for_studio(seeded.studio_id) as records:
        tapes = [each.id for each in records.query(TapeRecord)]
    assert [press(place, seeded, f"{child}/tape/{each}/count") for each in (*tapes, "nothing")] == [404, 404, 404]
    assert "433 mm arm" in shown(place, seeded, child)
    apart = "A tape reading does not agree with the photo of this arm, and none agrees."
    assert apart in shown(place, seeded, child).partition("The arm over time")[0], "where a teacher looks first"
    note(place, seeded, 440.0, days_ago=60)
    assert apart not in shown(place, seeded, child)


def test_a_page_promises_no_outlook_that_no_instrument_brings(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).birth_year = NOW.year - 16
    outside = "Growth can be worked out from 3 to 13 years; 15.4 is outside. 433 mm arm"  # ten months ago
    assert f"Until when? {outside}" in shown(place, seeded, f"/children/{seeded.child_id}")
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).instrument_id = None
    assert f"Until when? {outside}" in shown(place, seeded, f"/children/{seeded.child_id}")


def test_the_best_suited_of_what_does_not_suit_is_said_not_to(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).instrument_id = None
        for grown_mm, arm in zip((-16, 0), records.query(ArmRecord).order_by(ArmRecord.measured_on), strict=True):
            arm.lengths = arm.lengths | {"arm_length": arm_result(617.0 + grown_mm)["arm_length"]}
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "Best suited of those at hand: Shelf 14 (1/8). too small Choose the one in use" in words


def test_an_arm_that_is_none_can_be_taken_back_where_it_was_kept(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = records.get_one(ArmRecord, seeded.arm_id)
        kept.lengths = kept.lengths | {"arm_length": arm_result(1675.7)["arm_length"]}
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "Blue case (1/8) 1,675.7 mm cannot be the length of an arm" in words
    taken_back(place, seeded, f"arm/{seeded.arm_id}")
    assert "1,675.7" not in shown(place, seeded, f"/children/{seeded.child_id}")


def test_a_viola_that_was_kept_is_seen_on_the_shelf_and_said_to_be_none(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Instrument, seeded.shelf_id).label = "Viola 3/4"
    assert "Viola 3/4" in shown(place, seeded, "/instruments")
    assert "“Viola 3/4” is no violin" in shown(place, seeded, f"/children/{seeded.child_id}")
    refused = place.client.get("/counter/arms/450")
    assert refused.status_code == 422
    assert "<h1>This did not work</h1>" in refused.text
    assert "“Viola 3/4” is no violin" in refused.text


def test_an_arms_review_says_which_instrument_it_judges(place: Place) -> None:
    seeded = seed(place.house)
    words = shown(place, seeded, f"/reviews/{seeded.arm_upload_id}")
    assert re.search(r"Blue case \(1/8\) (This instrument|By its lengths this instrument|The numbers)", words)


def test_an_instruments_review_says_what_the_childs_page_says_once_it_is_accepted(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for noted in records.query(SignsRecord).filter_by(child_id=seeded.child_id):
            noted.instrument_id, noted.answers = seeded.shelf_id, {"wrist_free": False}
        arm, shelf = records.get_one(ArmRecord, seeded.arm_id), records.get_one(Instrument, seeded.shelf_id)
        arm.lengths = arm.lengths | {"arm_length": arm_result(476.0)["arm_length"]}
        records.query(ArmRecord).filter(ArmRecord.id != arm.id).delete()
        upload = records.get_one(Upload, seeded.instrument_upload_id)
        new, known = instrument_result(280.0), instrument_result(285.0)
        upload.result = upload.result | {name: new[name] for name in ("body_length", "total_length")}
        shelf.lengths = shelf.lengths | {name: known[name] for name in ("body_length", "total_length")}
    odds = re.compile(r"Too small [^T]{3,80}?too large (&[lg]t; )?\d+%")
    review = odds.search(shown(place, seeded, f"/reviews/{seeded.instrument_upload_id}"))
    data = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "name": "New one"}
    data |= as_seen(place.client, seeded.instrument_upload_id)
    assert place.client.post(f"/reviews/{seeded.instrument_upload_id}/accept", data=data).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        accepted = records.query(Instrument).filter_by(name="New one").one().id
        records.get_one(Child, seeded.child_id).instrument_id = accepted
    page = odds.search(shown(place, seeded, f"/children/{seeded.child_id}"))
    assert review is not None
    assert page is not None
    assert review[0] == page[0]


def test_in_the_studio_that_readme_shows_the_verdict_is_made_of_all_that_was_noted(place: Place) -> None:
    seeded = seed(place.house)
    fill(place.house, seeded)
    words = shown(place, seeded, f"/children/{seeded.child_id}")
    assert "Since the verdict of" not in words
