"""A photo that arrives twice by the same form is one upload, with a family's link or for the shelf."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from threading import Barrier

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import select, text
from sqlalchemy.exc import IntegrityError

from service.measuring.outcome import INSTRUMENT
from service.records.database import MIGRATIONS, Store
from service.records.photo_places import LocalFolder
from service.records.photos import ORIGINAL, PhotoFolder
from service.records.tables import AGAIN, PhotoRequest, Upload
from service.records.uploads import NobodyAsks, Sent, keep_upload
from service.security import Secrets
from tests.service.conftest import Place
from tests.service.seeding import NOW, Seeded, plain_picture, seed
from tests.waiting import until

KEY = "c0ffee" * 5


def kept(place: Place, seeded: Seeded, content: bytes = b"a photo", **more: str | None) -> str:
    sent = replace(Sent([content], seeded.studio_id, INSTRUMENT, KEY), **more)  # type: ignore[arg-type]
    return keep_upload(place.house.store, place.house.photos, sent, NOW)


def uploads(place: Place, seeded: Seeded) -> list[str]:
    with place.house.store.for_studio(seeded.studio_id) as records:
        return list(records.scalars(select(Upload.id).where(Upload.client_key == KEY)))


def test_a_shelf_photo_posted_twice_is_one_upload(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "client_key": KEY}
    for _ in range(2):
        photo = {"photo": ("shelf.jpg", plain_picture(5), "image/jpeg")}
        assert place.client.post("/instruments/photo", data=form, files=photo).status_code == 303
    assert len(uploads(place, seeded)) == 1
    assert until(lambda: place.pool.measured) == [INSTRUMENT]  # after its page was answered


def test_a_family_that_sends_the_same_photo_again_is_led_to_the_one_under_review(place: Place) -> None:
    seeded = seed(place.house)
    address = f"/f/{seeded.family}/instrument"
    fields = {"form_token": place.house.signer.form_token(seeded.family), "label": "1/8"}

    def sent(photos: Sequence[bytes], **other: str) -> str:
        files = [("photo", ("violin.jpg", each, "image/jpeg")) for each in photos]
        answer = place.client.post(address, data=fields | other, files=files)
        assert answer.status_code == 303, answer.text[:300]
        return answer.headers["location"]

    one, two = plain_picture(5), plain_picture(6)
    first = sent([one])
    assert sent([two]) != first
    assert sent([one]) == first
    assert len(until(lambda: place.pool.measured)) == 2
    assert sent([one], label="1/4") != first, "the label of an instrument is its photo's"
    assert sent([one, two]) == sent([one, two])
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Upload, first.rsplit("/", 1)[1]).state = AGAIN
    assert sent([one]) != first, "the teacher wants another"


def test_forms_of_two_studios_may_have_the_same_key(place: Place) -> None:
    mine, theirs = seed(place.house, "Studio Linde"), seed(place.house, "Studio Ahorn")
    assert kept(place, mine) != kept(place, theirs)
    assert kept(place, mine) == uploads(place, mine)[0]


@pytest.mark.parametrize("of_a_family", [False, True])
def test_two_at_the_same_moment_are_one(place: Place, monkeypatch: pytest.MonkeyPatch, of_a_family: bool) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        request_id = records.scalars(select(PhotoRequest.id)).first() if of_a_family else None
    both, put = Barrier(2), place.house.photos.put

    def put_together(*photo: object) -> None:
        put(*photo)  # type: ignore[arg-type]
        both.wait(20)  # both have looked for an earlier one and found none

    monkeypatch.setattr(place.house.photos, "put", put_together)
    with ThreadPoolExecutor(2) as threads:
        first, second = threads.map(lambda _: kept(place, seeded, request_id=request_id), range(2))
    assert first == second
    assert uploads(place, seeded) == [first]
    files = {name.partition(".")[0] for name in (each.name for each in (place.folder / "photos").iterdir())}
    assert first in files
    assert place.house.photos.get(first, ORIGINAL) == b"a photo"


def test_what_nobody_asks_for_any_more_is_not_kept(place: Place) -> None:
    seeded = seed(place.house)
    before = set((place.folder / "photos").iterdir())
    with pytest.raises(NobodyAsks):
        kept(place, seeded, request_id="f" * 32)
    assert set((place.folder / "photos").iterdir()) == before


def test_doubled_uploads_of_an_older_database_are_both_kept(tmp_path: Path) -> None:
    store = Store(tmp_path / "records.sqlite")
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with store.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        connection.execute(text("INSERT INTO studio VALUES ('Linde', '2031-05-01', 14, 's')"))
        for upload_id, key in (("a", "k"), ("b", "k"), ("c", "other")):
            connection.execute(
                text(
                    "INSERT INTO upload (id, studio_id, kind, client_key, received_at, state, delete_on)"
                    " VALUES (:id, 's', 'instrument', :key, '2031-05-01', 'measured', '2031-05-15')"
                ),
                {"id": upload_id, "key": key},
            )
    store.migrate()
    with store.for_studio("s") as records:
        found = dict(records.execute(select(Upload.id, Upload.client_key)).all())  # type: ignore[arg-type]
    assert found == {"a": "k", "b": "b", "c": "other"}
    photos = PhotoFolder(LocalFolder(tmp_path / "photos"), Secrets(b"s" * 32))
    known = keep_upload(store, photos, Sent([b"x"], "s", INSTRUMENT, "k"), NOW)
    assert known == "a"
    with pytest.raises(IntegrityError), store.engine.begin() as connection:
        connection.execute(text("UPDATE upload SET client_key = 'k' WHERE id = 'c'"))
