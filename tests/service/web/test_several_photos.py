"""Several photos of one child or one instrument sent as one: kept, measured together, and deleted together."""

from __future__ import annotations

import base64
import html
import json
import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from httpx import Response
from sqlalchemy import select

from service.measuring.looking import MOVED_APART
from service.measuring.outcome import ArmQuestion, InstrumentQuestion, Outcome, refused
from service.measuring.results import ARM_LENGTHS, INSTRUMENT_LENGTHS
from service.records.photos import KINDS, MOST_VIEWS, ORIGINALS, OVERLAY
from service.records.refused import RefusedPictures
from service.records.tables import MEASURED, REFUSED, ArmRecord, Upload
from service.records.uploads import Sent, keep_upload
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import NOW, Seeded, plain_picture, seed
from tests.waiting import until


@pytest.fixture
def family(place: Place) -> tuple[Place, Seeded]:
    return place, seed(place.house)


def send(place: Place, seeded: Seeded, kind: str, photos: list[bytes]) -> str:
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    files = [("photo_chosen", (f"{n}.jpg", photo, "image/jpeg")) for n, photo in enumerate(photos)]
    sent = place.client.post(f"/f/{seeded.family}/{kind}", data=form, files=files)
    assert sent.status_code == 303, sent.text
    return sent.headers["location"]


def upload_at(place: Place, seeded: Seeded, address: str) -> Upload:
    with place.house.store.for_studio(seeded.studio_id) as records:
        return records.get_one(Upload, address.rsplit("/", 1)[1])


@pytest.mark.parametrize("kind", ["arm", "instrument"])
def test_photos_sent_as_one_are_measured_and_deleted_together(family: tuple[Place, Seeded], kind: str) -> None:
    place, seeded = family
    address = send(place, seeded, kind, [b"one", b"two", b"one", b"three"])  # a photo chosen twice is one
    upload = upload_at(place, seeded, address)
    assert (upload.views, upload.state) == (3, MEASURED)
    assert place.house.photos.originals(upload.id) == [b"one", b"two", b"three"]
    if kind == "arm":
        assert sorted(place.pool.received) == [b"one", b"three", b"two"]
        assert upload.result is not None
        assert upload.result["photos"] == 3
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    review = place.client.get(f"/reviews/{upload.id}")
    assert "3 photos together" in review.text
    for picture in ("overlay.jpg", "photo.jpg", "photo2.jpg", "photo3.jpg"):
        assert place.client.get(f"/reviews/{upload.id}/{picture}").status_code == 200
    assert place.client.get(f"/reviews/{upload.id}/photo4.jpg").status_code == 404
    assert (
        place.client.post(f"/reviews/{upload.id}/accept", data=teacher | as_seen(place.client, upload.id)).status_code
        == 303
    )
    assert place.house.photos.originals(upload.id) == []
    assert [kind for kind in KINDS if place.house.photos.has(upload.id, kind)] == [OVERLAY]


def test_an_empty_file_is_no_file_that_was_not_chosen(family: tuple[Place, Seeded]) -> None:
    place, seeded = family
    assert upload_at(place, seeded, send(place, seeded, "arm", [b"one", b""])).views == 2
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    nothing = {"photo": ("", b"", "application/octet-stream")}  # as browsers send a field that was left alone
    sent = place.client.post(f"/f/{seeded.family}/arm", data=form, files=nothing)
    assert "No photo was chosen." in sent.text


def test_of_several_photos_it_is_said_which_one_was_not_used_and_why(family: tuple[Place, Seeded]) -> None:
    place, seeded = family
    address = send(place, seeded, "arm", [b"one", b"bad", b"three"])
    upload = upload_at(place, seeded, address)
    assert upload.state == MEASURED
    page = place.client.get(address).text
    assert "2 of your 3 photos counted; one of them is shown." in page
    why = "Photo 2 was not used. <strong>No sheet.</strong> Show the sheet."
    assert why in page
    place.client.cookies.set("scrollreach", seeded.session)
    review = place.client.get(f"/reviews/{upload.id}").text
    assert "2 of 3 photos counted." in review
    assert why in review


class Review:
    """A teacher's review of an upload: what is posted there, and what is kept of it."""

    def __init__(self, place: Place, seeded: Seeded, upload_id: str) -> None:
        self.place, self.seeded, self.id = place, seeded, upload_id
        place.client.cookies.set("scrollreach", seeded.session)
        self.form = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}

    @property
    def page(self) -> str:
        return self.place.client.get(f"/reviews/{self.id}").text

    def move(self, **points: tuple[float, float]) -> Response:
        moved = {name.replace("_in_", "@"): place for name, place in points.items()}
        return self.place.client.post(f"/reviews/{self.id}/points", data=self.form | {"points": json.dumps(moved)})

    def post(self, what: str, **fields: str) -> Response:
        return self.place.client.post(f"/reviews/{self.id}/{what}", data=self.form | fields)

    def change(self, edit: Callable[[Upload], None]) -> Upload:
        with self.place.house.store.for_studio(self.seeded.studio_id) as records:
            upload = records.get_one(Upload, self.id)
            edit(upload)
            return upload

    @property
    def upload(self) -> Upload:
        return self.change(lambda _: None)


@pytest.fixture
def three(family: tuple[Place, Seeded]) -> Review:
    """A review of three photos of a child."""
    place, seeded = family
    return Review(place, seeded, upload_at(place, seeded, send(place, seeded, "arm", [b"one", b"two", b"three"])).id)


def test_points_are_moved_in_each_of_several_photos(three: Review) -> None:
    page = three.page
    assert page.count("data-bench=") == 3
    assert [f'data-bench="{suffix}"' in page for suffix in ("", "@2", "@3")] == [True, True, True]
    assert page.count('type="radio"') == 3
    first = three.move(mid_palm_in_2=(840.0, 360.0)).json()
    assert first["usable"]
    assert "446.0" in first["short"]
    assert set(first["drawn"]) == {"", "@2", "@3"}
    second = three.move(mid_palm_in_2=(840.0, 360.0), mid_palm=(835.0, 360.0), elbow_in_3=(600.0, 370.0)).json()
    assert "451.0" in second["short"], "the points of all photos count at once"
    assert three.place.pool.looked == ["arm"]
    corrected = three.upload.corrected or {}
    assert set(corrected["moved_px"]) == {"mid_palm@2", "mid_palm", "elbow@3"}
    moved = re.search(r'data-moved="([^"]*)"', three.page)
    assert moved
    assert json.loads(html.unescape(moved[1])) == corrected["moved_px"]
    assert three.move().json()["short"].startswith("436.0")
    assert three.upload.corrected is None


def test_what_is_no_point_of_these_photos_is_not_moved(three: Review) -> None:
    for name in (
        "mid_palm_in_4",
        "mid_palm_in_0",
        "mid_palm_in_1",
        "mid_palm_in_two",
        "nose",
        "nose_in_2",
        "@2",
        "mid_palm@",
    ):
        assert three.move(**{name: (1.0, 2.0)}).status_code == 404, name
    assert three.upload.corrected is None


def test_accepting_draws_the_moved_points_and_forgets_all_pictures_but_that(three: Review) -> None:
    three.move(mid_palm_in_3=(842.0, 360.0))
    assert len(three.place.house.photos.sights) == 1
    measured = len(three.place.pool.measured)
    assert three.post("accept", **as_seen(three.place.client, three.id)).status_code == 303
    photos = three.place.house.photos
    assert three.place.pool.measured[measured:] == ["arm"], "solved once, and not measured anew"
    assert [kind for kind in KINDS if photos.has(three.id, kind)] == [OVERLAY]
    assert photos.get(three.id, OVERLAY) == plain_picture(3)
    assert len(photos.sights) == 0
    with three.place.house.store.for_studio(three.seeded.studio_id) as records:
        arm = records.scalars(select(ArmRecord).where(ArmRecord.upload_id == three.id)).one()
    assert arm.corrected
    assert arm.lengths["arm_length"]["value_mm"] == 448.0
    assert arm.automatic["arm_length"]["value_mm"] == 436.0
    assert not {"views", "drawn_px", "photo"} & set(arm.automatic)


def test_only_what_the_page_showed_is_accepted(three: Review) -> None:
    """Two teachers have the page open; one moves a point, the other presses the button under the length before it."""
    seen = as_seen(three.place.client, three.id)
    moved = three.move(mid_palm=(840.0, 360.0)).json()
    assert moved["seen"] != seen["seen"]
    for field in (seen, {}):
        answer = three.post("accept", **field)
        assert answer.status_code == 409
        assert "corrected or measured anew since you looked" in answer.text
        assert "446.0" in answer.text, "and the page shows what would be accepted"
        assert three.upload.state == MEASURED
    three.move()  # all as found
    assert as_seen(three.place.client, three.id) == seen
    assert three.post("accept", seen=moved["seen"]).status_code == 409
    assert three.post("accept", **seen).status_code == 303
    assert three.post("accept", **seen).status_code == 303, "pressed twice"
    with three.place.house.store.for_studio(three.seeded.studio_id) as records:
        arm = records.scalars(select(ArmRecord).where(ArmRecord.upload_id == three.id)).one()
    assert arm.lengths["arm_length"]["value_mm"] == 436.0


def test_after_a_refused_move_there_is_nothing_to_accept(three: Review, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = three.move(mid_palm=(840.0, 360.0)).json()

    async def refuse(*_: object) -> Outcome:
        return refused("", (MOVED_APART,), {"side": None}, ())

    with monkeypatch.context() as patched:
        patched.setattr(three.place.pool, "solve", refuse)
        answer = three.move(mid_palm=(940.0, 360.0)).json()
    assert (answer["usable"], answer["seen"]) == (False, "")
    assert three.post("accept", seen=answer["seen"]).status_code == 409
    assert three.upload.corrected["moved_px"] == {"mid_palm": [840.0, 360.0]}, "as before, and so does the page say"
    assert as_seen(three.place.client, three.id)["seen"] == kept["seen"]


def test_a_point_moved_further_than_was_held_possible_is_asked_about(three: Review) -> None:
    near = three.move(mid_palm=(832.0, 360.0)).json()["html"]
    assert "data-beyond" not in near
    far = three.move(mid_palm=(870.0, 360.0)).json()["html"]
    assert 'data-beyond="arm_length"' in far
    words = far.replace("\u00a0", " ")
    assert "as they were moved it is 476.0 mm; the program held 430.1 mm to 441.9 mm possible" in words
    assert "data-beyond" in three.page, "as long as it stands so"
    assert "data-beyond" not in three.move().json()["html"]


def test_what_was_forgotten_is_looked_at_again(three: Review) -> None:
    three.move(mid_palm=(840.0, 360.0))
    three.place.house.photos.sights.forget(three.id)
    assert three.move(mid_palm_in_2=(841.0, 360.0)).json()["usable"]
    assert three.place.pool.looked == ["arm", "arm"]


def test_a_photo_that_was_left_out_is_said_and_has_no_points(three: Review) -> None:
    def leave_out(upload: Upload) -> None:
        result = dict(upload.result or {})
        upload.result = result | {"views": [result["views"][0], None, result["views"][2]]}

    three.change(leave_out)
    page = three.page
    assert page.count("data-bench=") == 2
    assert 'data-bench="@2"' not in page
    assert re.search(r'value=""\s+disabled.*?left out', page, re.S)
    assert three.move(mid_palm_in_2=(840.0, 360.0)).status_code == 404


def test_what_was_measured_before_points_could_be_moved_is_measured_again(three: Review) -> None:
    def as_before(upload: Upload) -> None:
        upload.result = {name: each for name, each in (upload.result or {}).items() if name != "views"}

    three.change(as_before)
    assert "data-bench=" not in three.page
    assert "measure it again to move one" in three.page
    assert three.move(mid_palm=(840.0, 360.0)).status_code == 404
    assert three.post("told", reference="").status_code == 303
    assert three.page.count("data-bench=") == 3


def test_more_photos_than_are_measured_together_are_left(family: tuple[Place, Seeded]) -> None:
    place, seeded = family
    address = send(place, seeded, "arm", [f"photo {n}".encode() for n in range(MOST_VIEWS + 2)])
    assert upload_at(place, seeded, address).views == MOST_VIEWS
    many = Sent([b"x"] * (MOST_VIEWS + 1), seeded.studio_id, "arm", "k")
    with pytest.raises(ValueError, match="1 to 5"):
        keep_upload(place.house.store, place.house.photos, many, NOW)
    assert len(ORIGINALS) == MOST_VIEWS


def test_deleting_takes_every_photo(family: tuple[Place, Seeded]) -> None:
    place, seeded = family
    upload = upload_at(place, seeded, send(place, seeded, "arm", [b"one", b"two"]))
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    assert place.client.post(f"/f/{seeded.family}/delete/", data=form).status_code == 200
    assert place.house.photos.originals(upload.id) == []


def test_a_refused_photo_is_shown_to_its_family_for_a_while(
    family: tuple[Place, Seeded], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded = family
    picture = plain_picture(7)

    async def refuse(data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        problem = {"code": "elbow_bent", "message": "The elbow is bent.", "advice": "Stretch it."}
        nothing = {"photo": name, "usable": False, "problems": [problem], "points_px": {}, "side": None}
        return Outcome(nothing, plain_picture(1), refusal_jpeg=picture)

    monkeypatch.setattr(place.pool, "arm", refuse)
    for photos in ([b"a"], [b"b", b"c"]):
        address = send(place, seeded, "arm", photos)
        upload = upload_at(place, seeded, address)
        assert upload.state == REFUSED
        page = place.client.get(address).text
        assert "The elbow is bent." in page
        assert f"{address}/overlay.jpg" in page
        assert place.client.get(f"{address}/overlay.jpg").content == picture
        # nothing of it stays on the disk; the photo goes when its result is kept, which is a moment after it is shown
        until(lambda kept=upload.id: not any(kept in each.name for each in place.folder.rglob("*")))  # type: ignore[misc]
        place.house.photos.delete(upload.id)
        assert place.client.get(f"{address}/overlay.jpg").status_code == 404
        assert "overlay.jpg" not in place.client.get(address).text


def test_refused_pictures_go_by_age_and_by_number() -> None:
    clock = [0.0]
    pictures = RefusedPictures(kept_s=10, most=2, now=lambda: clock[0])
    for name in ("a", "b", "c"):
        pictures.put(name, name.encode())
    assert [pictures.get(name) for name in ("a", "b", "c")] == [None, b"b", b"c"]
    pictures.forget("b")
    clock[0] = 9.9
    assert (pictures.get("b"), pictures.get("c")) == (None, b"c")
    clock[0] = 10.0
    assert pictures.get("c") is None


def test_the_open_page_and_the_shelf_take_several_photos(family: tuple[Place, Seeded]) -> None:
    place, seeded = family
    files = [("child_photo", (f"{n}.jpg", f"child {n}".encode(), "image/jpeg")) for n in range(3)]
    files += [("instrument_photo", ("i.jpg", b"instrument", "image/jpeg"))]
    assert place.client.post("/", data={}, files=files).status_code == 200
    assert sorted(place.pool.received) == [b"child 0", b"child 1", b"child 2", b"instrument"]
    place.client.cookies.set("scrollreach", seeded.session)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    shelf = [("photo", (f"{n}.jpg", f"shelf {n}".encode(), "image/jpeg")) for n in range(2)]
    assert place.client.post("/instruments/photo", data=form, files=shelf).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        sent = records.scalars(select(Upload).where(Upload.request_id.is_(None), Upload.child_id.is_(None))).all()
    assert [each.views for each in sent] == [2]


def test_the_open_page_says_which_photo_was_not_used(family: tuple[Place, Seeded]) -> None:
    place, _ = family
    files = [("child_photo", (f"{n}.jpg", data, "image/jpeg")) for n, data in enumerate([b"one", b"bad", b"three"])]
    page = place.client.post("/", data={"body_length": "245"}, files=files).text
    assert "Photo 2 was not used. <strong>No sheet.</strong> Show the sheet." in page
    assert "was not used" not in place.client.post("/", data={"body_length": "245"}, files=files[::2]).text


def test_where_one_photo_of_an_instrument_refuses_all_it_is_said_which(
    family: tuple[Place, Seeded], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded = family
    blurred = {"code": "photo_blurred", "message": "This is blurred.", "advice": "Hold still."}

    async def refuse(files: object, question: object = None) -> Outcome:
        nothing = {"photo": "a + b", "usable": False, "problems": [blurred], "points_px": {}}
        return Outcome(
            nothing | {"unused": [blurred | {"number": 2, "photo": "b"}]} | dict.fromkeys(INSTRUMENT_LENGTHS)
        )

    monkeypatch.setattr(place.pool, "instrument_together", refuse)
    told = re.compile(r"Photo 2\W.*?This is blurred\.\W.*?Hold still\.", re.DOTALL)
    address = send(place, seeded, "instrument", [b"one", b"two"])
    assert upload_at(place, seeded, address).state == REFUSED
    pages = [place.client.get(address).text]
    files = [("instrument_photo", (f"{n}.jpg", data, "image/jpeg")) for n, data in enumerate([b"one", b"two"])]
    pages.append(place.client.post("/", data={"arm_length": "445"}, files=files).text)
    place.client.cookies.set("scrollreach", seeded.session)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    shelf = [("photo", (f"{n}.jpg", f"shelf {n}".encode(), "image/jpeg")) for n in range(2)]
    assert place.client.post("/instruments/photo", data=form, files=shelf).status_code == 303
    until(lambda: "This is blurred." in place.client.get("/instruments").text)  # it is measured in the background
    pages.append(place.client.get("/instruments").text)
    for page in pages:
        assert told.search(page)
        assert page.count("This is blurred.") == 1


def test_the_open_page_says_which_photo_of_an_instrument_was_not_used(
    family: tuple[Place, Seeded], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, _ = family
    why = {"number": 3, "photo": "c", "code": "photo_blurred", "message": "This is blurred.", "advice": "Hold still."}
    measured = place.pool.instrument_together

    async def without_the_third(files: list[tuple[bytes, str]], question: InstrumentQuestion | None = None) -> Outcome:
        found = await measured(files, question)
        return replace(found, result=found.result | {"unused": [why]})

    monkeypatch.setattr(place.pool, "instrument_together", without_the_third)
    files = [
        ("instrument_photo", (f"{n}.jpg", data, "image/jpeg")) for n, data in enumerate([b"one", b"two", b"three"])
    ]
    page = place.client.post("/", data={"arm_length": "445"}, files=files).text
    assert "Photo 3 was not used. <strong>This is blurred.</strong> Hold still." in page


def test_the_open_page_shows_where_a_refused_photo_is_wrong(
    family: tuple[Place, Seeded], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, _ = family
    picture = plain_picture(7)

    async def refuse(data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        problem = {"code": "elbow_bent", "message": "The elbow is bent.", "advice": "Stretch it."}
        nothing = {"photo": name, "usable": False, "problems": [problem], "points_px": {}, "side": None}
        return Outcome(nothing | dict.fromkeys(ARM_LENGTHS), refusal_jpeg=picture)

    monkeypatch.setattr(place.pool, "arm", refuse)
    for photos in ([b"a"], [b"a", b"b"]):
        files = [("child_photo", (f"{n}.jpg", photo, "image/jpeg")) for n, photo in enumerate(photos)]
        page = place.client.post("/", data={"body_length": "245"}, files=files).text
        assert "The elbow is bent." in page
        assert base64.b64encode(picture).decode() in page
