"""A family without a printer says what lies in its photos; the photo is measured, and looked at again, by that."""

from __future__ import annotations

import pytest

from calibration.blank_sheet import Blank
from service.measuring.outcome import ArmQuestion, Outcome
from service.records.tables import PhotoRequest, Upload
from service.web.family import pages
from tests.service.conftest import REFUSED, Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, seed
from tests.waiting import until


@pytest.fixture
def family(place: Place) -> tuple[Place, Seeded, dict[str, str]]:
    seeded = seed(place.house)
    return place, seeded, {"form_token": place.house.signer.form_token(seeded.family)}


@pytest.mark.parametrize("reference", ["a4", "letter", "card"])
def test_a_photo_is_measured_by_what_the_family_chose(
    family: tuple[Place, Seeded, dict[str, str]], reference: str
) -> None:
    place, seeded, form = family
    base = f"/f/{seeded.family}"
    assert f'href="{base}/paper"' in place.client.get(f"{base}/sheet").text
    chosen = place.client.post(f"{base}/paper", data=form | {"reference": reference})
    assert chosen.status_code == 303
    asks = place.client.get(f"{base}/arm").text
    assert "dark towel" in asks
    assert "Tape the sheet" not in asks
    sent = place.client.post(f"{base}/arm", data=form, files={"photo": ("a.jpg", b"photo", "image/jpeg")})
    assert place.pool.references == [Blank(reference)]
    assert place.pool.bars_mm == [None]  # the bar of a sheet says nothing of a blank paper
    page = place.client.get(sent.headers["location"]).text
    assert "instead of the printed sheet" in page
    with place.house.store.for_studio(seeded.studio_id) as records:
        upload = records.get_one(Upload, sent.headers["location"].rsplit("/", 1)[1])
        assert upload.reference == reference

    place.client.cookies.set("scrollreach", seeded.session)
    moved = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "points": '{"mid_palm": [840, 360]}'}
    assert place.client.post(f"/reviews/{upload.id}/points", data=moved).status_code == 200
    assert [each.reference for each in place.pool.looked_by] == [Blank(reference)]
    assert "instead of the printed sheet" in place.client.get(f"/reviews/{upload.id}").text

    place.client.post(f"{base}/sheet", data=form | {"bar_mm": "149"})  # printed after all
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(PhotoRequest, seeded.request_id).reference is None
    place.client.post(f"{base}/arm", data=form, files={"photo": ("b.jpg", b"another", "image/jpeg")})
    assert (place.pool.references[-1], place.pool.bars_mm[-1]) == (None, 149.0)


def test_a_choice_that_no_page_offers_is_asked_for_again(family: tuple[Place, Seeded, dict[str, str]]) -> None:
    place, seeded, form = family
    for wrong in ({}, {"reference": "a5"}):
        answer = place.client.post(f"/f/{seeded.family}/paper", data=form | wrong)
        assert answer.status_code == 422
        assert "Please choose" in answer.text
    assert "paper" in pages.PLACES


def test_the_shelf_and_the_open_page_ask_it_too(family: tuple[Place, Seeded, dict[str, str]]) -> None:
    place, seeded, _ = family
    place.client.cookies.set("scrollreach", seeded.session)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "reference": "letter"}
    files = {"photo": ("a.jpg", b"photo", "image/jpeg")}
    place.client.post("/instruments/photo", data=form, files=files)
    quick = {"arm_length": "440", "reference": "a4"}
    place.client.post("/", data=quick, files={"instrument_photo": ("a.jpg", b"photo", "image/jpeg")})
    until(lambda: len(place.pool.references) == 2)  # the shelf's photo is measured after its page was answered
    assert sorted(place.pool.references) == [Blank.A4, Blank.LETTER]


def test_a_photo_without_the_sheet_leads_to_blank_paper(family: tuple[Place, Seeded, dict[str, str]]) -> None:
    place, seeded, form = family
    base = f"/f/{seeded.family}"
    for reference, words in ((None, "I have no printer"), ("a4", "Choose another paper or card")):
        if reference:
            place.client.post(f"{base}/paper", data=form | {"reference": reference})
        photo = {"photo": ("a.jpg", f"bad {reference}".encode(), "image/jpeg")}
        sent = place.client.post(f"{base}/arm", data=form, files=photo)
        page = place.client.get(sent.headers["location"]).text
        assert words in page
        assert f'href="{base}/paper"' in page


def test_the_teacher_says_what_lies_in_a_photo(
    family: tuple[Place, Seeded, dict[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, seeded, form = family
    place.client.post(f"/f/{seeded.family}/paper", data=form | {"reference": "a4"})
    sent = place.client.post(f"/f/{seeded.family}/arm", data=form, files={"photo": ("a.jpg", b"photo", "image/jpeg")})
    address = f"/reviews/{sent.headers['location'].rsplit('/', 1)[1]}"
    place.client.cookies.set("scrollreach", seeded.session)
    teacher = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    assert '<option value="a4" selected>' in place.client.get(address).text

    def kept() -> tuple[str | None, bool, float]:
        with place.house.store.for_studio(seeded.studio_id) as records:
            upload = records.get_one(Upload, address.rsplit("/", 1)[1])
            assert upload.result is not None
            return upload.reference, upload.corrected is not None, upload.result["arm_length"]["value_mm"]

    place.client.post(f"{address}/points", data=teacher | {"points": '{"mid_palm": [840, 360]}'})
    before = kept()
    assert before[:2] == ("a4", True)

    async def refuse(data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        return Outcome({"photo": name} | REFUSED)

    with monkeypatch.context() as patched:
        patched.setattr(place.pool, "arm", refuse)
        answer = place.client.post(f"{address}/told", data=teacher | {"reference": "letter"})
    assert answer.status_code == 422
    assert "Show the sheet." in answer.text
    assert kept() == before
    assert place.client.get(address).status_code == 200

    answer = place.client.post(f"{address}/told", data=teacher | {"reference": "letter"})
    assert answer.status_code == 303
    assert place.pool.references[-1] == Blank.LETTER
    assert kept()[:2] == ("letter", True)  # moved points stay
    place.client.post(f"{address}/points", data=teacher | {"points": '{"mid_palm": [840, 360]}'})
    assert place.pool.looked_by[-1].reference == Blank.LETTER
    place.client.post(f"{address}/told", data=teacher | {"reference": ""})  # the printed sheet after all
    assert place.pool.references[-1] is None
    assert kept()[0] is None
    seen = as_seen(place.client, address.rsplit("/", 1)[1])
    assert place.client.post(f"{address}/accept", data=teacher | seen).status_code == 303
    assert place.client.post(f"{address}/told", data=teacher | {"reference": "a4"}).status_code == 404
