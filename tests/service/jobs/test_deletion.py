"""Photos go when they should: at once, on acceptance, or on their day by the schedule."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from sqlalchemy import select

from service.jobs.running import sweep
from service.records.photos import ORIGINAL, OVERLAY, VIEW
from service.records.tables import MEASURED, REFUSED, Child, Upload
from service.settings import Settings
from service.web.house import open_house
from tests.service.conftest import Place, Recorded
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, SetClock, seed
from tests.service.serving import serving
from tests.waiting import until


def send(place: Place, seeded: Seeded, content: bytes, key: str = "one") -> str:
    """Send a photo as the family does; the upload's identity."""
    data = {"form_token": place.house.signer.form_token(seeded.family), "client_key": key}
    answer = place.client.post(f"/f/{seeded.family}/arm", data=data, files={"photo": ("a.jpg", content)})
    assert answer.status_code == 303
    return answer.headers["location"].rsplit("/", 1)[1]


def kept(place: Place, upload_id: str) -> set[str]:
    return {kind for kind in (ORIGINAL, VIEW, OVERLAY) if place.house.photos.get(upload_id, kind) is not None}


def test_a_photo_under_review_is_kept_until_its_day(place: Place) -> None:
    seeded = seed(place.house)
    upload_id = send(place, seeded, b"good")
    assert kept(place, upload_id) == {ORIGINAL, VIEW, OVERLAY}
    for days, expected in ((13, {ORIGINAL, VIEW, OVERLAY}), (1, set())):
        place.clock.forward(days=days)
        place.client.portal.call(sweep, place.clock.now())  # type: ignore[union-attr]
        assert kept(place, upload_id) == expected
    with place.house.store.whole_house() as records:
        assert records.get_one(Upload, upload_id).photos_deleted_at == place.clock.now()


def test_without_review_the_original_goes_when_it_is_measured(open_place: Callable[..., Place]) -> None:
    place = open_place(review=False)
    upload_id = send(place, seed(place.house), b"good")
    until(lambda: kept(place, upload_id) == {OVERLAY})


def test_a_refused_photo_goes_at_once(place: Place) -> None:
    upload_id = send(place, seed(place.house), b"bad")
    until(lambda: not kept(place, upload_id))
    with place.house.store.whole_house() as records:
        assert records.get_one(Upload, upload_id).state == REFUSED
    assert kept(place, upload_id) == set()


def test_acceptance_deletes_the_photo_as_it_came(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    data = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    seen = as_seen(place.client, seeded.arm_upload_id)
    assert place.client.post(f"/reviews/{seeded.arm_upload_id}/accept", data=data | seen).status_code == 303
    assert kept(place, seeded.arm_upload_id) == {OVERLAY}


def test_a_form_sent_twice_is_one_upload(place: Place) -> None:
    seeded = seed(place.house)
    assert send(place, seeded, b"good", "same") == send(place, seeded, b"good", "same")
    with place.house.store.whole_house() as records:
        assert len(records.scalars(select(Upload.id).where(Upload.client_key == "same")).all()) == 1
    assert until(lambda: place.pool.measured) == ["arm"]


def test_the_button_deletes_everything_now(place: Place) -> None:
    seeded = seed(place.house)
    upload_id = send(place, seeded, b"good")
    data = {"form_token": place.house.signer.form_token(seeded.family)}
    assert place.client.post(f"/f/{seeded.family}/delete/", data=data).status_code == 200
    assert kept(place, upload_id) | kept(place, seeded.arm_upload_id) == set()
    assert place.client.get(f"/f/{seeded.family}").status_code == 404


def test_a_stray_photo_is_swept_after_an_hour(place: Place) -> None:
    place.house.photos.put("a" * 32, ORIGINAL, b"left behind by a killed process")
    place.client.portal.call(sweep, place.clock.now() - timedelta(days=36500))  # type: ignore[union-attr]
    place.clock.forward(hours=2)
    place.client.portal.call(sweep, place.clock.now())  # type: ignore[union-attr]
    assert kept(place, "a" * 32) == set()


def test_measured_state_is_reached(place: Place) -> None:
    upload_id = send(place, seed(place.house), b"good")
    with place.house.store.whole_house() as records:
        assert records.get_one(Upload, upload_id).state == MEASURED


def test_what_a_killed_process_deleted_leaves_no_trace_after_the_next_start(tmp_path: Path) -> None:
    """Between the deletion and the emptying of the log it may be killed; then the log keeps what stood there before."""
    house = open_house(Settings(data_folder=tmp_path / "killed"), Recorded(), SetClock())
    seeded = seed(house, mark="Quillwort ")
    with house.store.for_studio(seeded.studio_id) as records:
        records.delete(records.get_one(Child, seeded.child_id))
    left = shutil.copytree(tmp_path / "killed", tmp_path / "left")  # as it lies on the disk at this moment
    house.store.close()
    log = left / "records.sqlite-wal"
    assert b"Quillwort" in log.read_bytes()
    with serving(left, pool=Recorded()):
        until(lambda: log.stat().st_size == 0)
