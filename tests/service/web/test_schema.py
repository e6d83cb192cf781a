"""The HTTP interface against its own description: whatever is sent, no answer is a server error."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings

from service.api.callers import Scope
from service.settings import Settings
from service.web.app import create_app
from tests.service.conftest import Place
from tests.service.seeding import seed
from tests.service.web.test_keys import bearer, made_key

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")


def test_no_name_of_an_answer_tells_where_it_stands_in_the_code(place: Place) -> None:
    described = place.client.get("/api/v1/openapi.json").json()
    assert [name for name in described["components"]["schemas"] if "__" in name] == []


def test_no_server_error_for_a_stranger(tmp_path: Path) -> None:
    app = create_app(Settings(data_folder=tmp_path, workers=1, interface_tries=100_000))
    with TestClient(app, raise_server_exceptions=True) as client:  # photos are measured for real
        _try_all(client, {}, {})


def test_no_server_error_for_a_key_that_allows_everything(place: Place) -> None:
    seeded = seed(place.house)
    key = bearer(made_key(place, seeded, 10_000, list(Scope)))
    order = place.client.post("/api/v1/open-orders", json={"reference": "1", "arm_length": "450"}, headers=key).json()
    hook = {"url": "https://receiver.example/", "events": ["order.suited"]}
    known = {
        "instrument_id": seeded.shelf_id,
        "order_id": order["id"],
        "job_id": place.client.post("/api/v1/open-order-checks", headers=key).json()["id"],
        "webhook_id": place.client.post("/api/v1/webhooks", json=hook, headers=key).json()["id"],
    }
    _try_all(place.client, key, known)


def _try_all(client: TestClient, headers: dict[str, str], known: dict[str, str]) -> None:
    # the description is read and asked through the one client: a second start would find the data folder in use
    described = client.get("/api/v1/openapi.json").json()
    tried = set()
    for found in schemathesis.openapi.from_dict(described).get_all_operations():
        operation = found.ok()
        tried.add(operation.label)
        _try(operation, client, headers, known)
    assert tried == {f"{method.upper()} {path}" for path, methods in described["paths"].items() for method in methods}


def _try(operation: Any, client: TestClient, headers: dict[str, str], known: dict[str, str]) -> None:
    drawn = 0

    @given(case=operation.as_strategy())
    @settings(max_examples=6, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    def run(case: Any) -> None:
        nonlocal drawn
        drawn += 1
        if drawn % 2:  # every other time about something that is there
            case.path_parameters = {
                name: known.get(name, value) for name, value in (case.path_parameters or {}).items()
            }
        asked = case.as_transport_kwargs(base_url="http://testserver")
        asked["headers"] = {**asked["headers"], **headers}
        answer = client.request(**asked)
        assert answer.status_code < 500 or operation.path.endswith("/ready"), (operation.label, answer.text)

    run()
