"""A photo that the teacher asks for once more is asked of the family too, whatever else was accepted."""

from __future__ import annotations

from service.records.tables import ACCEPTED, AGAIN, ARM, MEASURED, PhotoRequest, Upload
from tests.service.conftest import Place
from tests.service.seeding import SIZE_PX, Seeded, arm_result, seed

WANTED = "The picture is too dark or blurred."


def another_arm(place: Place, seeded: Seeded, state: str) -> None:
    now = place.clock.now()
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.add(
            Upload(
                studio_id=seeded.studio_id,
                request_id=seeded.request_id,
                child_id=seeded.child_id,
                kind=ARM,
                client_key=f"another {now}",
                received_at=now,
                state=state,
                delete_on=now.date(),
                width_px=SIZE_PX[0],
                height_px=SIZE_PX[1],
                result=arm_result(436.0),
            )
        )


def test_asking_again_holds_though_another_photo_was_accepted(place: Place) -> None:
    seeded = seed(place.house)
    another_arm(place, seeded, ACCEPTED)
    place.clock.forward(minutes=5)
    place.client.cookies.set("scrollreach", seeded.session)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "reason": "light"}
    asked = place.client.post(f"/reviews/{seeded.arm_upload_id}/again", data=form)
    assert asked.headers["location"] == f"/requests/{seeded.request_id}"
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Upload, seeded.arm_upload_id).state == AGAIN
        assert records.get_one(PhotoRequest, seeded.request_id).reason == "light"
    family = f"/f/{seeded.family}/arm"
    assert WANTED in place.client.get(asked.headers["location"]).text
    assert WANTED in place.client.get(family).text

    place.clock.forward(minutes=5)
    another_arm(place, seeded, MEASURED)
    assert WANTED not in place.client.get(family).text
