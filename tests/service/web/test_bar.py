"""What a family says of the bar after it sent a photo counts for that photo too, until somebody accepts it."""

from __future__ import annotations

import pytest

from service.measuring.admission import Busy
from service.records.tables import MEASURED, PhotoRequest, Upload
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, seed


@pytest.fixture
def family(place: Place) -> tuple[Place, Seeded, dict[str, str]]:
    seeded = seed(place.house)
    return place, seeded, {"form_token": place.house.signer.form_token(seeded.family)}


def sent(place: Place, seeded: Seeded, form: dict[str, str], content: bytes = b"photo") -> str:
    """Send a photo of the child; its identity."""
    files = {"photo": ("a.jpg", content, "image/jpeg")}
    answer = place.client.post(f"/f/{seeded.family}/arm", data=form, files=files)
    return answer.headers["location"].rsplit("/", 1)[1]


def test_a_photo_under_review_is_measured_by_the_bar_that_is_given_later(
    family: tuple[Place, Seeded, dict[str, str]],
) -> None:
    place, seeded, form = family
    with place.house.store.for_studio(seeded.studio_id) as records:
        for given in ("arm", "instrument"):  # what is seeded has no photo that could be measured
            records.get_one(Upload, getattr(seeded, f"{given}_upload_id")).state = "dismissed"
    upload_id = sent(place, seeded, form)
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "points": '{"mid_palm": [840, 360]}'}
    assert place.client.post(f"/reviews/{upload_id}/points", data=teacher).status_code == 200
    place.pool.bars_mm.clear()

    for typed, taken in (("148", 148.0), ("", None)):
        assert place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": typed}).status_code == 303
        assert place.pool.bars_mm == [taken, taken], "measured, and solved for with the moved point"
        place.pool.bars_mm.clear()
        with place.house.store.for_studio(seeded.studio_id) as records:
            assert records.get_one(PhotoRequest, seeded.request_id).bar_mm == taken
            upload = records.get_one(Upload, upload_id)
            assert upload.state == MEASURED
            assert upload.corrected is not None
            assert upload.corrected["arm_length"]["value_mm"] == 446.0

    place.client.post(f"/f/{seeded.family}/sheet", data=form)  # as it was: nothing to measure
    place.client.post(f"/reviews/{upload_id}/accept", data=teacher | as_seen(place.client, upload_id))
    place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": "149"})
    assert place.pool.bars_mm == [None], "what was accepted stays; one more was drawn with its moved point"


def test_the_family_goes_on_where_nothing_can_be_measured_now(
    family: tuple[Place, Seeded, dict[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded, form = family
    upload_id = sent(place, seeded, form)

    async def busy(*_: object) -> None:
        raise Busy(30)

    monkeypatch.setattr(place.pool, "arm", busy)
    monkeypatch.setattr(place.pool, "instrument", busy)
    answer = place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": "148"})
    assert answer.status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(PhotoRequest, seeded.request_id).bar_mm == 148.0
        assert records.get_one(Upload, upload_id).state == MEASURED
