"""The HTTP interface, with its real measuring processes, on the sample photos."""

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from service.settings import Settings
from service.web.app import create_app

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
TRUTH = json.loads((SAMPLES / "truth.json").read_text())


def photo(name: str) -> tuple[str, bytes, str]:
    return name, (SAMPLES / name).read_bytes(), "image/jpeg"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    settings = Settings(data_folder=tmp_path_factory.mktemp("data"), workers=1)
    with TestClient(create_app(settings)) as client:
        yield client


def test_an_arm_is_measured(client: TestClient) -> None:
    files = [("photos", photo("child-2.jpg")), ("photos", photo("child-elbow-bent.jpg"))]
    answer = client.post("/api/v1/arm-measurements", files=files, data={"side": "left"})
    assert answer.status_code == 200, answer.text
    good, bent = answer.json()["measurements"]
    assert good["usable"]
    assert good["arm_length"]["low_mm"] < TRUTH["child-2"]["arm_length_mm"] < good["arm_length"]["high_mm"]
    assert bent["problems"][0]["code"] == "elbow_bent"


def test_photos_of_one_child_are_compared(client: TestClient) -> None:
    files = [("photos", photo("child-1.jpg")), ("photos", photo("child-3.jpg"))]
    answer = client.post("/api/v1/arm-measurements", files=files, data={"same": "true"}).json()
    assert all(each["usable"] for each in answer["measurements"])
    assert answer["together"]["problems"][0]["code"] == "photos_disagree"
    assert answer["together"]["agreement"]["birge_ratio"] > 2
    verdict = client.post(
        "/api/v1/verdicts", files=[("child_photos", file) for _, file in files], data={"body_length": "278±2"}
    ).json()
    assert not verdict["usable"]
    assert verdict["child"]["photos"] == len(verdict["child_photos"]) == 2
    assert client.post("/api/v1/arm-measurements", files=files[:1] * 2, data={"same": "true"}).status_code == 422
    assert client.post("/api/v1/arm-measurements", files=files[:1]).json()["together"] is None


def test_a_verdict_from_a_photo_and_typed_numbers(client: TestClient) -> None:
    answer = client.post(
        "/api/v1/verdicts?pictures=true",
        files=[("instrument_photos", photo("instrument-1.jpg"))],
        data={"arm_length": "490±8", "label": "1/4", "language": "de"},
    )
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert body["usable"]
    assert body["child"] is None
    assert body["verdict"]["instrument"]["nearest_size"] == "1/4"
    assert body["picture_jpeg_base64"].startswith("/9j/")


def test_own_losses_are_weighed(client: TestClient) -> None:
    typed = {"arm_length": "470±8", "body_length": "280±2", "total_length": "463±3", "losses": "exchange=40"}
    verdict = client.post("/api/v1/verdicts", data=typed).json()["verdict"]
    assert (verdict["action"], verdict["losses"]["exchange"]) == ("try", 40)


def test_the_sheet_is_a_pdf(client: TestClient) -> None:
    answer = client.get("/api/v1/sheet.pdf", params={"paper": "letter", "index": 2})
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("path", "options", "status", "word"),
    [
        ("/api/v1/verdicts", {"data": {"arm_length": "46", "body_length": "253"}}, 422, "Did you mean 46 cm"),
        ("/api/v1/verdicts", {"data": {"arm_length": "460"}}, 422, "photo of the instrument"),
        ("/api/v1/verdicts", {"data": {"arm_length": "460", "body_length": "253", "losses": "x=1"}}, 422, "not a loss"),
        ("/api/v1/verdicts", {"data": {"arm_length": "460", "body_length": "253", "language": "xx"}}, 422, "language"),
        ("/api/v1/verdicts", {"data": {"arm_length": "460", "body_length": "253", "age": "7"}}, 422, "age"),
        ("/api/v1/arm-measurements", {"data": {"side": "left"}}, 422, "photos"),
        ("/api/v1/arm-measurements", {"files": [("photos", ("a.jpg", b"x"))] * 9}, 413, "at most 8"),
        ("/api/v1/nothing", {}, 404, "Not Found"),
    ],
)
def test_errors_are_problem_details(
    client: TestClient, path: str, options: dict[str, object], status: int, word: str
) -> None:
    # RFC 9457, section 3: members type, title, status and detail; media type application/problem+json.
    answer = client.post(path, **options)  # type: ignore[arg-type]
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == status
    assert word in answer.json()["detail"]


def test_health_and_readiness(client: TestClient) -> None:
    assert client.get("/api/v1/health").json() == {"status": "well", "faults": []}
    deadline = time.monotonic() + 60
    while client.get("/api/v1/ready").status_code != 200:
        assert time.monotonic() < deadline, "no measuring process became ready"
        time.sleep(0.2)


def test_the_description_names_every_route_and_gives_examples(client: TestClient) -> None:
    description = client.get("/api/v1/openapi.json").json()
    wanted = {"/api/v1/arm-measurements", "/api/v1/instrument-measurements", "/api/v1/verdicts", "/api/v1/sheet.pdf"}
    assert wanted <= set(description["paths"])
    assert description["components"]["schemas"]["LengthOut"]["examples"]


def test_every_field_that_is_asked_for_is_described(client: TestClient) -> None:
    """Whoever writes a program has the description alone, and not the pages' captions."""
    description = client.get("/api/v1/openapi.json").json()
    schemas = description["components"]["schemas"]
    bodies = [way.get("requestBody") for ways in description["paths"].values() for way in ways.values()]
    wanted, asked = _named(bodies), set()
    while wanted:
        asked.add(name := wanted.pop())
        wanted |= _named(schemas[name]) - asked
    assert {"AssignQuestion", "ChartRowIn", "InstrumentIn", "MeasuredLength", "WebhookIn"} <= asked
    fields = {(name, field): said for name in asked for field, said in schemas[name].get("properties", {}).items()}
    assert [where for where, said in fields.items() if "description" not in said] == []


def _named(part: Any) -> set[str]:
    """Schemas that a part of the description names, at whatever depth."""
    if isinstance(part, dict):
        own = {part["$ref"].rpartition("/")[2]} if "$ref" in part else set()
        return own | {name for each in part.values() for name in _named(each)}
    return {name for each in part for name in _named(each)} if isinstance(part, list) else set()
