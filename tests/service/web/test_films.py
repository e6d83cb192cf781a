"""A film sent as a photo is: kept, measured, reviewed and deleted; of its pictures only the measured one stays."""

from __future__ import annotations

import pytest

from service.records.photos import ORIGINAL, OVERLAY, VIEW
from service.records.tables import MEASURED, Upload
from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed

FILM = b"\0\0\0\x20ftypqt  " + b"a film as a phone saves it" * 50
MEGABYTE = 2**20


@pytest.fixture
def family(place: Place) -> tuple[Place, Seeded, dict[str, str]]:
    seeded = seed(place.house)
    return place, seeded, {"form_token": place.house.signer.form_token(seeded.family)}


@pytest.mark.parametrize("kind", ["arm", "instrument"])
def test_a_film_goes_the_way_of_a_photo(family: tuple[Place, Seeded, dict[str, str]], kind: str) -> None:
    place, seeded, form = family
    asks = place.client.get(f"/f/{seeded.family}/{kind}").text
    assert 'accept="video/*" capture="environment"' in asks
    assert ".mov" in asks
    sent = place.client.post(f"/f/{seeded.family}/{kind}", data=form, files={"film": ("a.mov", FILM)})
    assert place.pool.received == [FILM]
    answer = place.client.get(sent.headers["location"]).text
    assert "This film is good" in answer
    assert "after 1.3 seconds" in answer
    upload_id = sent.headers["location"].rsplit("/", 1)[1]
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Upload, upload_id).state == MEASURED
    photos = place.house.photos
    assert (photos.has(upload_id, ORIGINAL), photos.has(upload_id, OVERLAY)) == (True, True)
    assert not photos.has(upload_id, VIEW)
    kept = list((place.folder / "photos").rglob("*"))
    assert not any(FILM[:40] in file.read_bytes() for file in kept if file.is_file())

    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    review = place.client.get(f"/reviews/{upload_id}").text
    assert "after 1.3 seconds" in review
    assert "data-bench" not in review
    assert place.client.get(f"/reviews/{upload_id}/overlay.jpg").status_code == 200
    point = "mid_palm" if kind == "arm" else "scroll_top"
    moved = teacher | {"points": f'{{"{point}": [840, 360]}}'}
    assert place.client.post(f"/reviews/{upload_id}/points", data=moved).status_code == 404
    assert place.client.post(f"/reviews/{upload_id}/accept", data=teacher).status_code == 303
    assert not photos.has(upload_id, ORIGINAL)
    assert photos.has(upload_id, OVERLAY)


def test_a_film_may_be_larger_than_a_photo_and_not_too_large(open_place: object) -> None:
    place: Place = open_place(upload_megabytes=1, film_megabytes=2)  # type: ignore[operator]
    seeded = seed(place.house)
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    rest = bytes(MEGABYTE + MEGABYTE // 2)
    for film, status, said in (
        (FILM + rest, 303, ""),
        (FILM + rest + rest[: MEGABYTE // 2], 413, "This film is larger than we accept."),
        (b"\xff\xd8" + rest, 413, "This photo is larger than we accept."),
    ):
        answer = place.client.post(f"/f/{seeded.family}/arm", data=form, files={"film": ("a.mov", film)})
        assert answer.status_code == status
        assert said in answer.text
        assert status == 303 or 'id="film"' in answer.text  # the page to send another one from
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    for film, status in ((FILM + rest, 303), (FILM + rest + rest[: MEGABYTE // 2], 413)):
        answer = place.client.post("/instruments/photo", data=teacher, files={"photo": ("a.mov", film)})
        assert answer.status_code == status
    for film, status in ((FILM + rest, 200), (FILM + rest + rest[: MEGABYTE // 2], 413)):
        answer = place.client.post("/", data={"body_length": "245"}, files={"child_photo": ("a.mov", film)})
        assert answer.status_code == status
