"""What a photo does not say and the teacher does: how high sheet and instrument lie, if a child touches the wall."""

from __future__ import annotations

import pytest

from service.measuring.outcome import ArmQuestion, InstrumentQuestion
from service.records.lookups import Stated, Told, question_of, stated
from service.records.tables import Instrument, Upload
from service.words.writing import day_of
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, seed
from vision.instrument.sheet_height import IN_ITS_CASE, ON_A_BOOK, SheetHeight


@pytest.fixture
def teacher(place: Place) -> tuple[Place, Seeded, dict[str, str]]:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    return place, seeded, {"form_token": place.house.signer.form_token(seeded.sign_in_id)}


def sent(place: Place, seeded: Seeded, kind: str) -> str:
    """The identity of a photo that the family sent."""
    form = {"form_token": place.house.signer.form_token(seeded.family)}
    files = {"photo": ("a.jpg", b"photo", "image/jpeg")}
    answer = place.client.post(f"/f/{seeded.family}/{kind}", data=form, files=files)
    return answer.headers["location"].rsplit("/", 1)[1]


def kept(place: Place, seeded: Seeded, upload_id: str) -> Told:
    with place.house.store.for_studio(seeded.studio_id) as records:
        return Told.of(records.get_one(Upload, upload_id))


@pytest.mark.parametrize(
    ("said", "height"),
    [
        ({"higher": "instrument"}, IN_ITS_CASE),
        ({"higher": "instrument", "height_mm": "3,5 cm"}, SheetHeight(-35.0)),
        ({"higher": "sheet"}, ON_A_BOOK),
        ({"higher": "sheet", "height_mm": "20.5 mm"}, SheetHeight(20.5)),
        ({"height_mm": "20"}, None),
    ],
)
def test_how_high_an_instrument_lies_is_measured_by(
    teacher: tuple[Place, Seeded, dict[str, str]], said: dict[str, str], height: SheetHeight | None
) -> None:
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "instrument")
    address = f"/reviews/{upload_id}"
    assert place.client.post(f"{address}/told", data=form | {"reference": ""} | said).status_code == 303
    question = place.pool.questions[-1]
    assert isinstance(question, InstrumentQuestion)
    assert question.sheet_height == height
    assert kept(place, seeded, upload_id).sheet_height == height
    page = place.client.get(address).text
    assert (f'<option value="{said.get("higher")}" selected>' in page) == ("higher" in said)
    place.client.post(f"{address}/points", data=form | {"points": '{"mid_palm": [840, 360]}'})
    looked = place.pool.looked_by[-1]
    assert isinstance(looked, InstrumentQuestion)
    assert looked.sheet_height == height, "a moved point is solved with what was said"


@pytest.mark.parametrize("wrong", ["0", "-20", "301", "high", "nan"])
def test_a_height_that_cannot_be_changes_nothing(teacher: tuple[Place, Seeded, dict[str, str]], wrong: str) -> None:
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "instrument")
    told = form | {"higher": "sheet", "height_mm": wrong}
    answer = place.client.post(f"/reviews/{upload_id}/told", data=told)
    assert answer.status_code == 422
    assert "Type it in millimetres" in answer.text
    assert '<option value="sheet" selected>' in answer.text
    assert f'value="{wrong}"' in answer.text, "what was typed is still there"
    assert kept(place, seeded, upload_id) == Told()


def test_what_was_said_holds_when_the_family_measures_its_bar_and_is_noted_with_the_lengths(
    teacher: tuple[Place, Seeded, dict[str, str]],
) -> None:
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "instrument")
    place.client.post(f"/reviews/{upload_id}/told", data=form | {"higher": "instrument"})
    family = {"form_token": place.house.signer.form_token(seeded.family), "bar_mm": "149"}
    place.client.post(f"/f/{seeded.family}/sheet", data=family)
    question = place.pool.questions[-1]
    assert isinstance(question, InstrumentQuestion)
    assert (question.bar_mm, question.sheet_height) == (149.0, IN_ITS_CASE)
    seen = as_seen(place.client, upload_id)
    place.client.post(f"/reviews/{upload_id}/accept", data=form | seen | {"name": "Shelf 7"})
    with place.house.store.for_studio(seeded.studio_id) as records:
        upload = records.get_one(Upload, upload_id)
        accepted = records.get_one(Instrument, upload.instrument_id)
        assert accepted.automatic is not None
        assert accepted.automatic["told"] == {"higher": "instrument"}


def test_a_height_says_nothing_of_a_child(teacher: tuple[Place, Seeded, dict[str, str]]) -> None:
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "arm")
    place.client.post(f"/reviews/{upload_id}/told", data=form | {"higher": "sheet", "height_mm": "20"})
    with place.house.store.for_studio(seeded.studio_id) as records:
        upload = records.get_one(Upload, upload_id)
        question = question_of(records, upload, day_of(place.clock.now()))
        assert Stated.of(question) == stated(records, upload), "else it would be measured again and again"


@pytest.mark.parametrize(("said", "touches"), [("yes", True), ("no", False), ("", None)])
def test_whether_a_child_touches_the_wall_is_measured_by(
    teacher: tuple[Place, Seeded, dict[str, str]], said: str, touches: bool | None
) -> None:
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "arm")
    assert place.client.post(f"/reviews/{upload_id}/told", data=form | {"touches": said}).status_code == 303
    question = place.pool.questions[-1]
    assert isinstance(question, ArmQuestion)
    assert question.against_wall is touches
    assert kept(place, seeded, upload_id).against_wall is touches
    assert (f'<option value="{said}" selected>' in place.client.get(f"/reviews/{upload_id}").text) == bool(said)


def test_points_that_were_moved_are_solved_for_by_what_is_said_then(
    teacher: tuple[Place, Seeded, dict[str, str]],
) -> None:
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "arm")
    address = f"/reviews/{upload_id}"
    place.client.post(f"{address}/points", data=form | {"points": '{"mid_palm": [840, 360]}'})
    assert place.client.post(f"{address}/told", data=form | {"touches": "no"}).status_code == 303
    assert "Corrected by hand" in place.client.get(address).text
    looked = place.pool.looked_by[-1]
    assert isinstance(looked, ArmQuestion)
    assert looked.against_wall is False


def test_what_no_arm_can_be_is_not_accepted(teacher: tuple[Place, Seeded, dict[str, str]]) -> None:
    """Kept, it would leave the child a page that cannot be shown."""
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "arm")
    address = f"/reviews/{upload_id}"
    moved = place.client.post(f"{address}/points", data=form | {"points": '{"mid_palm": [1300, 360]}'})
    assert (moved.json()["seen"], "906\u00a0mm cannot be" in moved.json()["html"]) == ("", True)
    page = place.client.get(address)
    assert 'autocomplete="off" disabled>Accept' in page.text
    refused = place.client.post(f"{address}/accept", data=form | as_seen(place.client, upload_id))
    assert refused.status_code == 422
    assert "906\u00a0mm cannot be the length of an arm" in refused.text
    back = place.client.post(f"{address}/points", data=form | {"points": "{}"})
    assert back.json()["seen"]
    accepted = place.client.post(f"{address}/accept", data=form | {"seen": back.json()["seen"]})
    assert accepted.status_code == 303


def test_a_viola_is_not_put_on_the_shelf(teacher: tuple[Place, Seeded, dict[str, str]]) -> None:
    """Kept, it would leave the whole studio a shelf that cannot be shown."""
    place, seeded, form = teacher
    upload_id = sent(place, seeded, "instrument")
    named = form | {"name": "Shelf 7", "label": "Viola 3/4"}
    refused = place.client.post(f"/reviews/{upload_id}/accept", data=named | as_seen(place.client, upload_id))
    assert refused.status_code == 422
    assert "“Viola 3/4” is no violin" in refused.text
    assert 'value="Viola 3/4"' in refused.text, "what was typed is still there"
    lengths = {"body_length": "335", "total_length": "555"}
    for path in ("new", seeded.shelf_id):
        assert "“Viola 3/4” is no violin" in place.client.post(f"/instruments/{path}", data=named | lengths).text
    assert place.client.get("/instruments").status_code == 200
