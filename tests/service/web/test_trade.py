"""The cases of the trade on the pages: typed by a stranger, and on the page of a teacher's child."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import delete, select

from calibration.quantity import length_json
from service.fit.lengths import parse_length
from service.records.tables import ArmRecord, Instrument, SignsRecord
from tests.service.conftest import Place
from tests.service.seeding import NOW, arm_result, seed
from tests.service.trade import ASKED_BACK, CASES, Case

UNSIGNED = [case for case in CASES if not case.signs]


def words_of(text: str) -> str:
    plain = re.sub(r"<[^>]+>", " ", text).replace("\u00a0", " ").replace("&#39;", "'")
    return " ".join(plain.split())


def ask(place: Place, case: Case) -> tuple[int, str]:
    typed = {"arm_length": case.arm, "body_length": case.body, "total_length": case.total, "label": case.label}
    answer = place.client.post("/", data=typed)
    return answer.status_code, words_of(answer.text)


@pytest.mark.parametrize("case", UNSIGNED, ids=lambda case: case.name)
def test_what_is_said_to_whoever_types(place: Place, case: Case) -> None:
    status, said = ask(place, case)
    assert status == 200
    assert all(phrase in said for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in said]


@pytest.mark.parametrize("case", ASKED_BACK, ids=lambda case: case.name)
def test_what_is_asked_back(place: Place, case: Case) -> None:
    status, said = ask(place, case)
    assert status == 422
    assert all(phrase in said for phrase in case.said)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_the_teacher_reads_in_the_review(place: Place, case: Case) -> None:
    """The verdict that a teacher keeps and a family reads in its report, with what was seen while playing."""
    seeded = seed(place.house)
    lengths = {"body_length": parse_length(case.body, "body"), "total_length": parse_length(case.total, "total")}
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.execute(delete(SignsRecord))
        for arm in records.scalars(select(ArmRecord)):
            arm.lengths = arm_result(450.0) | {"arm_length": length_json(parse_length(case.arm))}
        for each in records.scalars(select(Instrument)):
            each.lengths = {name: length_json(length) for name, length in lengths.items()}
            each.label = case.label or None
        if case.signs:
            records.add(
                SignsRecord(
                    studio_id=seeded.studio_id,
                    child_id=seeded.child_id,
                    instrument_id=seeded.instrument_id,
                    noted_on=NOW.date(),
                    answers=case.signs,
                )
            )
    place.client.cookies.set("scrollreach", seeded.session)
    form = {
        "form_token": place.house.signer.form_token(seeded.sign_in_id),
        "instrument_id": seeded.instrument_id,
        "arm_id": seeded.arm_id,
    }
    kept = place.client.post(f"/children/{seeded.child_id}/verdict", data=form)
    assert kept.status_code == 303
    said = words_of(place.client.get(kept.headers["location"]).text)
    assert all(phrase in said for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in said]
