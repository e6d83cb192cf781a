"""A photo that the teacher asks for once more is asked of the family too, whatever else was accepted."""

from __future__ import annotations

from service.measuring.outcome import ARM
from service.records.tables import ACCEPTED, AGAIN, MEASURED, Upload
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
    assert asked.headers["location"].startswith(f"/requests/{seeded.request_id}?done=")
    with place.house.store.for_studio(seeded.studio_id) as records:
        sent = records.get_one(Upload, seeded.arm_upload_id)
        assert (sent.state, sent.again_reason) == (AGAIN, "light")
    family = f"/f/{seeded.family}/arm"
    assert WANTED in place.client.get(asked.headers["location"]).text
    assert WANTED in place.client.get(family).text

    place.clock.forward(minutes=5)
    another_arm(place, seeded, MEASURED)
    assert WANTED not in place.client.get(family).text


def test_teacher_and_family_read_the_same_until_it_is_answered(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    token = place.house.signer.form_token(seeded.sign_in_id)
    place.clock.forward(minutes=5)
    place.client.post(f"/reviews/{seeded.arm_upload_id}/again", data={"form_token": token, "reason": "light"})
    place.clock.forward(minutes=5)
    place.client.post(
        f"/reviews/{seeded.instrument_upload_id}/again", data={"form_token": token, "reason": "instrument"}
    )
    other = "Please lay the instrument flat on its back, right beside the sheet."
    pages = {
        where: place.client.get(where).text
        for where in (f"/children/{seeded.child_id}", f"/requests/{seeded.request_id}")
    }
    for text in pages.values():
        assert WANTED in text, "each kind keeps its own reason"
        assert other in text
    assert "has sent everything" not in pages[f"/requests/{seeded.request_id}"]
    assert "asked for a photo once more" in place.client.get("/children").text

    place.clock.forward(minutes=5)
    another_arm(place, seeded, MEASURED)
    for where in pages:
        text = place.client.get(where).text
        assert WANTED not in text
        assert other in text
    assert other in place.client.get(f"/f/{seeded.family}/instrument").text
