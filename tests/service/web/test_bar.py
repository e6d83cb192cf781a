"""What a family says of the bar after it sent a photo counts for that photo too, until somebody accepts it."""

from __future__ import annotations

import asyncio
import threading

import pytest

from service.jobs import workflows
from service.measuring.outcome import ArmQuestion, Outcome
from service.records.tables import MEASURED, Child, PhotoRequest, Upload
from service.web.family import pages
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, arm_result, seed
from tests.waiting import until


@pytest.fixture
def family(place: Place) -> tuple[Place, Seeded, dict[str, str]]:
    seeded = seed(place.house)
    return place, seeded, {"form_token": place.house.signer.form_token(seeded.family)}


def sent(place: Place, seeded: Seeded, form: dict[str, str], content: bytes = b"photo") -> str:
    """Send a photo of the child; its identity."""
    files = {"photo": ("a.jpg", content, "image/jpeg")}
    answer = place.client.post(f"/f/{seeded.family}/arm", data=form, files=files)
    return answer.headers["location"].rsplit("/", 1)[1]


def sent_alone(place: Place, seeded: Seeded, form: dict[str, str]) -> str:
    """The same, with nothing else to measure."""
    with place.house.store.for_studio(seeded.studio_id) as records:
        for given in ("arm", "instrument"):
            records.get_one(Upload, getattr(seeded, f"{given}_upload_id")).state = "dismissed"
    return sent(place, seeded, form)


def test_a_photo_under_review_is_measured_by_the_bar_that_is_given_later(
    family: tuple[Place, Seeded, dict[str, str]],
) -> None:
    place, seeded, form = family
    upload_id = sent_alone(place, seeded, form)
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "points": '{"mid_palm": [840, 360]}'}
    assert place.client.post(f"/reviews/{upload_id}/points", data=teacher).status_code == 200
    place.pool.bars_mm.clear()

    for typed, taken in (("148", 148.0), ("", None)):
        given = place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": typed})
        assert given.status_code == 303
        upload = measured_anew(place, seeded, upload_id)
        assert place.pool.bars_mm == [taken, taken], "measured, and solved for with the moved point"
        place.pool.bars_mm.clear()
        with place.house.store.for_studio(seeded.studio_id) as records:
            assert records.get_one(PhotoRequest, seeded.request_id).bar_mm == taken
        assert upload.corrected is not None
        assert upload.corrected["arm_length"]["value_mm"] == 446.0

    place.client.post(f"/f/{seeded.family}/sheet", data=form)  # as it was: nothing to measure
    place.client.post(f"/reviews/{upload_id}/accept", data=teacher | as_seen(place.client, upload_id))
    place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": "149"})
    assert place.pool.bars_mm == [None], "what was accepted stays; one more was drawn with its moved point"


def test_what_was_typed_of_the_bar_is_there_to_be_mended(family: tuple[Place, Seeded, dict[str, str]]) -> None:
    place, seeded, form = family
    answer = place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": "15cm"})
    assert answer.status_code == 422
    assert 'value="15cm"' in answer.text
    assert "in mm, or leave" in answer.text


def measured_anew(place: Place, seeded: Seeded, upload_id: str) -> Upload:
    """An upload once nothing is measured in it any more."""

    def found() -> Upload | None:
        with place.house.store.for_studio(seeded.studio_id) as records:
            upload = records.get_one(Upload, upload_id)
            return upload if upload.state == MEASURED else None

    upload: Upload = until(found)
    return upload


def test_the_family_goes_on_while_its_photos_are_measured_anew(
    family: tuple[Place, Seeded, dict[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A film takes seconds: nobody waits for it, and every page says that it is being measured."""
    place, seeded, form = family
    upload_id = sent(place, seeded, form)
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id)} | as_seen(place.client, upload_id)
    go_on, begun = threading.Event(), threading.Event()

    async def slow(data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        begun.set()
        await asyncio.to_thread(go_on.wait, 20)
        return Outcome(arm_result(440.0))

    with monkeypatch.context() as patched:
        patched.setattr(place.pool, "arm", slow)
        answer = place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": "148"})
        assert answer.headers["location"] == f"/f/{seeded.family}/done/", "nothing is wanted of it"
        assert begun.wait(20)
        assert "being measured" in place.client.get(f"/f/{seeded.family}/done/").text
        assert "Measuring" in place.client.get(f"/f/{seeded.family}/photo/{upload_id}").text
        review = place.client.get(f"/reviews/{upload_id}").text
        assert "still being measured" in review
        assert 'http-equiv="refresh"' in review
        assert "being measured" in place.client.get(f"/children/{seeded.child_id}").text
        accepted = place.client.post(f"/reviews/{upload_id}/accept", data=teacher)
        assert accepted.headers["location"] == f"/reviews/{upload_id}", "nothing is accepted meanwhile"
        go_on.set()
        result = measured_anew(place, seeded, upload_id).result
    assert result is not None
    assert result["arm_length"]["value_mm"] == 440.0


def test_a_bar_that_is_given_while_a_photo_is_measured_counts_for_it(
    family: tuple[Place, Seeded, dict[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded, form = family
    monkeypatch.setattr(pages, "WAIT_S", 0.0)
    with place.house.store.for_studio(seeded.studio_id) as records:
        seeded_bar_mm = records.get_one(PhotoRequest, seeded.request_id).bar_mm
    begun, go_on, arm = threading.Event(), threading.Event(), place.pool.arm

    async def slow(data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        begun.set()
        await asyncio.to_thread(go_on.wait, 20)
        return await arm(data, name, question)

    monkeypatch.setattr(place.pool, "arm", slow)
    upload_id = sent_alone(place, seeded, form)
    assert begun.wait(20), "it is measured by the bar as it was"
    assert place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": "148"}).status_code == 303
    go_on.set()
    measured_anew(place, seeded, upload_id)
    assert place.pool.bars_mm == [seeded_bar_mm, 148.0]


@pytest.mark.parametrize("failed", [True, False])
def test_what_cannot_be_measured_anew_stays_as_it_was(
    family: tuple[Place, Seeded, dict[str, str]], monkeypatch: pytest.MonkeyPatch, failed: bool
) -> None:
    """A ruler that was read wrongly, or no worker that answers."""
    place, seeded, form = family
    upload_id = sent(place, seeded, form)
    monkeypatch.setattr(workflows, "MOST_TRIES", 1)

    async def refuse(*_: object) -> Outcome:
        return Outcome({"usable": False, "problems": [], "points_px": {}}, refusal_jpeg=b"x", failed=failed)

    monkeypatch.setattr(place.pool, "arm", refuse)
    assert place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": "128"}).status_code == 303
    result = measured_anew(place, seeded, upload_id).result
    assert result is not None
    assert result["arm_length"]["value_mm"] == 436.0
    assert place.house.photos.refused_picture(upload_id) is None
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(PhotoRequest, seeded.request_id).bar_mm == 128.0


def accepted(place: Place, seeded: Seeded, upload_id: str) -> None:
    place.client.cookies.set("scrollreach", seeded.session)
    data = {"form_token": place.house.signer.form_token(seeded.sign_in_id)} | as_seen(place.client, upload_id)
    assert place.client.post(f"/reviews/{upload_id}/accept", data=data).status_code == 303


@pytest.mark.parametrize("kind", ["arm", "instrument"])
@pytest.mark.parametrize(
    ("told", "says"),
    [
        ("148.5", None),  # 149 before: a ruler reads no better
        ("144", "the family&#39;s ruler says otherwise of the printed sheet: 144.0 mm."),
        ("261.6", None),  # the whole of a Letter print in the size of which a bar has 149 mm
        ("268", "the family&#39;s ruler says otherwise of the printed sheet: 268.0 mm."),
        ("", "the family has taken back what its ruler said of the printed sheet."),
    ],
)
def test_a_bar_that_is_told_after_acceptance_is_said_to_the_teacher(
    family: tuple[Place, Seeded, dict[str, str]], kind: str, told: str, says: str | None
) -> None:
    place, seeded, form = family
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Child, seeded.child_id).instrument_id = None
        if not told:
            records.get_one(PhotoRequest, seeded.request_id).bar_mm = 144.0
    accepted(place, seeded, getattr(seeded, f"{kind}_upload_id"))
    assert "a photo was accepted" not in place.client.get(f"/children/{seeded.child_id}").text
    assert place.client.post(f"/f/{seeded.family}/sheet", data=form | {"bar_mm": told}).status_code == 303
    page = place.client.get(f"/children/{seeded.child_id}").text.replace("\u00a0", " ")
    assert ("a photo was accepted" in page) == (says is not None)
    assert (says or "") in page
