"""A film sent as a photo is: kept, measured, reviewed and deleted; of its pictures only the measured one stays."""

from __future__ import annotations

import pytest

from service.records.photos import ORIGINAL, OVERLAY, VIEW
from service.records.tables import MEASURED, Upload
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, plain_picture, seed

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
    assert photos.get(upload_id, VIEW) == plain_picture(2), "the frame that is drawn on, to move points in"
    kept = list((place.folder / "photos").rglob("*"))
    assert not any(FILM[:40] in file.read_bytes() for file in kept if file.is_file())

    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    review = place.client.get(f"/reviews/{upload_id}").text
    assert "after 1.3 seconds" in review
    assert review.count("data-bench=") == 1
    assert place.client.get(f"/reviews/{upload_id}/photo.jpg").content == plain_picture(2)
    assert place.client.get(f"/reviews/{upload_id}/photo2.jpg").status_code == 404
    point = "mid_palm" if kind == "arm" else "scroll_top"
    for key, status in ((point, 200), (f"{point}@2", 404)):
        moved = teacher | {"points": f'{{"{key}": [840, 360]}}'}
        assert place.client.post(f"/reviews/{upload_id}/points", data=moved).status_code == status
    assert (
        place.client.post(f"/reviews/{upload_id}/accept", data=teacher | as_seen(place.client, upload_id)).status_code
        == 303
    )
    assert not photos.has(upload_id, ORIGINAL)
    assert not photos.has(upload_id, VIEW)
    assert photos.get(upload_id, OVERLAY) == plain_picture(3), "drawn anew"


def test_a_point_moves_in_the_frame_that_is_kept_only(
    family: tuple[Place, Seeded, dict[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another release may choose other frames: then nothing is solved on a picture that is not theirs."""
    place, seeded, form = family
    sent = place.client.post(f"/f/{seeded.family}/arm", data=form, files={"film": ("a.mov", FILM)})
    address = "/reviews/" + sent.headers["location"].rsplit("/", 1)[1]
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    moved = teacher | {"points": '{"mid_palm": [840, 360]}'}

    monkeypatch.setattr("tests.service.conftest.FILM_S", 0.9)
    assert place.client.post(f"{address}/points", data=moved).status_code == 404
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Upload, address.rsplit("/", 1)[1]).corrected is None
    assert place.client.post(f"{address}/told", data=teacher | {"reference": ""}).status_code == 303
    assert place.client.post(f"{address}/points", data=moved).json()["usable"], "measured again it is theirs"


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
