"""Refusals in the log: each kind with who it was by an identity alone, nothing else, and not without a bound."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from service.logs import AllowedOnly
from service.records.tables import TEACHER, ApiKey, Teacher
from service.security import digest
from service.web.gate.refusals import MOST_A_MINUTE, NoteRefusals
from tests.service.conftest import Place
from tests.service.seeding import NOW, Seeded, seed

KEY = "a key that may only read the shelf"


@pytest.fixture
def place(open_place: Callable[..., Place]) -> Place:
    return open_place(open_interface="off", sign_in_tries=2)


@pytest.fixture
def seeded(place: Place) -> Seeded:
    found = seed(place.house)
    with place.house.store.for_studio(found.studio_id) as records:
        records.add(
            ApiKey(
                id="b" * 32,
                studio_id=found.studio_id,
                name="till",
                token_digest=digest(KEY),
                a_minute=60,
                scopes="shelf:read",
                created_at=NOW,
            )
        )
    return found


def noted(caplog: pytest.LogCaptureFixture) -> list[dict[str, str]]:
    lines: list[dict[str, str]] = [json.loads(AllowedOnly().format(each)) for each in caplog.records]
    return [{name: each.get(name, "") for name in ("why", "room", "status", "who")} for each in lines if "why" in each]


def test_each_kind_of_refusal_is_noted(place: Place, seeded: Seeded, caplog: pytest.LogCaptureFixture) -> None:
    ask, teacher, link = place.client, f"teacher {seeded.teacher_id}", f"link {seeded.request_id}"
    ask.cookies.set("scrollreach", seeded.session)
    ask.post("/children/new", data={"form_token": "forged"})
    ask.post("/children/new", data={}, headers={"Origin": "https://elsewhere.example"})
    ask.get(f"/children/{'0' * 32}")
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Teacher, seeded.teacher_id).role = TEACHER
    ask.get("/studio/export.json")
    ask.cookies.clear()
    ask.post("/children/new", data={})
    ask.get(f"/f/{seeded.family[:-1]}{'A' if seeded.family[-1] != 'A' else 'B'}")
    ask.post(f"/f/{seeded.family}/arm", data={"form_token": "forged"})
    ask.get("/api/v1/shelf")
    ask.get("/api/v1/shelf", headers={"Authorization": "Bearer guessed"})
    ask.post("/api/v1/orders", json={"arm_length": "450"}, headers={"Authorization": f"Bearer {KEY}"})
    ask.post("/sign-in", content=b"a", headers={"content-type": "application/x-www-form-urlencoded; charset=utf-7"})
    for _ in range(3):
        ask.post("/sign-in", data={"email": seeded.email, "password": "not this one"})
    assert [tuple(each.values()) for each in noted(caplog)] == [
        ("form_token", "teacher", "403", teacher),
        ("foreign_origin", "teacher", "403", ""),
        ("not_theirs", "teacher", "404", teacher),
        ("owners_only", "owner", "403", teacher),
        ("not_let_in", "teacher", "401", ""),
        ("link_closed", "family", "404", ""),
        ("form_token", "family", "403", link),
        ("not_let_in", "interface", "401", ""),
        ("not_let_in", "interface", "401", ""),
        ("not_allowed", "interface", "403", f"key {'b' * 32}"),
        ("not_utf8", "sign-in", "415", ""),
        ("not_let_in", "sign-in", "401", teacher),
        ("not_let_in", "sign-in", "401", teacher),
        ("too_many", "sign-in", "429", ""),
    ]


def test_the_log_of_refusals_says_nothing_of_anybody(
    place: Place, seeded: Seeded, caplog: pytest.LogCaptureFixture
) -> None:
    place.client.post("/sign-in", data={"email": seeded.email, "password": "a secret sentence"})
    place.client.get("/api/v1/shelf", headers={"Authorization": "Bearer guessed"})
    place.client.get(f"/f/{seeded.family}x")
    text = "".join(AllowedOnly().format(each) for each in caplog.records)
    for each in (seeded.email, "secret sentence", "guessed", seeded.family, "testclient", "Linde"):
        assert each not in text, each
    logging.getLogger("scrollreach").warning("refused", extra={"why": "a b", "who": "teacher Ada", "room": "/f/x"})
    assert not {"why", "who", "room"} & json.loads(AllowedOnly().format(caplog.records[-1])).keys()


def test_what_strangers_do_not_find_is_no_refusal(place: Place, caplog: pytest.LogCaptureFixture) -> None:
    place.client.get("/robots.txt")
    place.client.get("/")
    assert noted(caplog) == []


def test_a_flood_of_refusals_does_not_fill_the_log(caplog: pytest.LogCaptureFixture) -> None:
    clock = [0.0]
    app = FastAPI()

    @app.get("/refused", status_code=403)
    def refused() -> None:
        return None

    app.add_middleware(NoteRefusals, room=lambda path: "other", now=lambda: clock[0])
    client = TestClient(app)
    for _ in range(MOST_A_MINUTE + 7):
        client.get("/refused")
    assert len(noted(caplog)) == MOST_A_MINUTE
    clock[0] = 61.0
    client.get("/refused")
    assert len(noted(caplog)) == MOST_A_MINUTE + 1
    counts = [json.loads(AllowedOnly().format(each)).get("count") for each in caplog.records]
    assert [each for each in counts if each] == ["7"]
