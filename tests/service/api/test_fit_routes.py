"""The teacher's and the shop's other questions over HTTP."""

import json

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from calibration.quantity import Length
from service.api.fit_routes import router
from service.api.problem_details import install_problem_details
from service.api.verdict_models import VerdictOut
from service.fit.chart_table import default_chart
from service.fit.signs import PlayingSigns
from service.fit.verdict import judge
from service.fit.verdict_json import verdict_json
from tests.service.fit.conftest import instrument

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


@pytest.fixture(scope="module")
def client() -> TestClient:
    app = FastAPI()
    app.include_router(router)
    install_problem_details(app)
    return TestClient(app)


def test_every_example_in_the_description_works(client):
    description = client.app.openapi()
    tried = 0
    for path, operations in description["paths"].items():
        for operation in operations.values():
            if "requestBody" not in operation:
                continue
            schema = operation["requestBody"]["content"]["application/json"]["schema"]["$ref"].rpartition("/")[2]
            for example in description["components"]["schemas"][schema]["examples"]:
                assert client.post(path, json=example).status_code == 200, path
                tried += 1
    assert tried >= 6


@pytest.mark.parametrize(
    ("asked", "prefers", "said"),
    [
        ({"arm_length": "43", "language": "de"}, "nl", "Meinten Sie 43 cm?"),
        ({"arm_length": "43"}, "nl-BE, en;q=0.5", "Bedoelde u 43 cm?"),
        ({"arm_length": "43"}, "tlh", "Did you mean 43 cm?"),
        ({"arm_length": "430", "growth_mm": 500, "language": "fr"}, "", "body.growth_mm: au plus 100"),
        ({"language": "de"}, "", "body.arm_length: wird gebraucht und fehlt"),
        ({"arm_length": "430", "grown": 5, "language": "nl"}, "", "body.grown: zo'n veld is er niet"),
        ({"arm_length": "430", "growth_mm": "x", "language": "es"}, "", "body.growth_mm: no es un número"),
        ({"arm_length": "430", "growth_mm": {}}, "it-CH", "body.growth_mm: non è un numero"),
    ],
)
def test_what_is_wrong_with_a_question_is_said_in_its_language(client, asked, prefers, said):
    answer = client.post("/api/v1/orders", json=asked, headers={"Accept-Language": prefers})
    assert answer.status_code == 422
    assert said in answer.json()["detail"]
    assert said.rpartition(": ")[2] in answer.json()["errors"][0]["message"]


def test_what_is_wrong_is_said_in_its_language_where_only_the_answer_shows_it(client):
    def said(**question):
        answer = client.post("/api/v1/growth-predictions", json={"measurements": []} | question)
        assert answer.status_code == 422
        return answer.json()["detail"]

    assert said() == "At least one measurement with the child's age is needed."
    assert said(language="de") == "Mindestens eine Messung mit dem Alter des Kindes wird gebraucht."
    assert said(sex="x", language="pl") == "body.sex: tylko jedno z: 'girl', 'boy'"


def test_every_answer_is_described_field_by_field(client):
    """What each route makes of its examples is what its model says, no more and no less."""
    tried = set()
    for route in router.routes:
        question = next((each.field_info.annotation for each in route.dependant.body_params), None)
        if route.response_model is None:
            continue
        examples = question.model_config["json_schema_extra"]["examples"] if question else [None]
        for example in examples:
            made = route.endpoint(question.model_validate(example)) if question else route.endpoint()
            made = json.loads(json.dumps(made))
            described = route.response_model.model_validate(made).model_dump(mode="json")
            assert _without_none(described) == _without_none(made), route.path
            assert _names(described) >= _names(made), route.path
            tried.add(route.path)
    assert len(tried) == 8


def _without_none(found):
    if isinstance(found, dict):
        return {name: _without_none(value) for name, value in found.items() if value is not None}
    return [_without_none(each) for each in found] if isinstance(found, list) else found


def _names(found) -> set[str]:
    """Every field's name, at whatever depth."""
    if isinstance(found, dict):
        return set(found) | {name for value in found.values() for name in _names(value)}
    return {name for each in found for name in _names(each)} if isinstance(found, list) else set()


def test_a_class_is_given_its_shelf(client):
    """An eighth for the arm of an eighth; nothing for the arm of a half, for which one is described to a shop."""
    question = {
        "arms": {"P1": "452±6", "P2": "545±8"},
        "instruments": [{"name": "A", "body_length": "255±2", "total_length": "421±3"}],
    }
    first, second = client.post("/api/v1/assignments", json=question).json()["loans"]
    assert (first["child"], first["instrument"], first["action"]) == ("P1", "A", "take")
    assert second["instrument"] is None
    assert second["order"]["sizes"] == ["1/2"]
    empty = client.post("/api/v1/assignments", json=question | {"instruments": []}).json()["loans"]
    assert [each["instrument"] for each in empty] == [None, None]


def test_a_tape_is_checked(client):
    question = {
        "reading": "418±6",
        "arm_length": "455±8",
        "neck_to_wrist": {"value_mm": 417, "standard_uncertainty_mm": 3},
    }
    found = client.post("/api/v1/tape-checks", json=question).json()
    assert found["outcome"] == "inconsistent"
    assert found["likely_slips"] == ["wrist"]
    german = client.post("/api/v1/tape-checks", json=question | {"language": "de"}).json()
    assert "Handgelenk" in " ".join(german["message"])


def test_shared_causes_are_taken_from_budgets(client):
    def length(value: float) -> dict:
        part = {"source": "print scale", "contribution_mm": 0.01 * value, "key": "print-scale:a4-1"}
        return {"value_mm": value, "standard_uncertainty_mm": 0.01 * value, "budget": [part]}

    question = {
        "arm_length": length(450),
        "instruments": [{"name": "A", "body_length": length(255), "total_length": length(421)}],
    }
    shared = client.post("/api/v1/comparisons", json=question).json()["ranking"][0]
    question["arm_length"] = {"value_mm": 450, "standard_uncertainty_mm": 4.5}
    apart = client.post("/api/v1/comparisons", json=question).json()["ranking"][0]
    assert shared["probabilities"]["fits"] > apart["probabilities"]["fits"]


def test_own_charts_are_checked_and_used(client):
    rows = [
        {"size": "S", "arm_from_mm": 400, "body_length_mm": 240, "total_length_mm": 400},
        {"size": "L", "arm_from_mm": 440, "body_length_mm": 260, "total_length_mm": 430},
    ]
    complete = client.post("/api/v1/charts", json={"rows": rows}).json()
    assert complete["rows"][0]["arm_to_mm"] == 440
    assert complete["rows"][1]["arm_to_mm"] is None
    assert client.post("/api/v1/orders", json={"arm_length": "420±4", "chart": {"rows": rows}}).json()["sizes"] == ["S"]
    answer = client.post("/api/v1/charts", json={"rows": rows[:1]})
    assert answer.status_code == 422
    assert "at least two sizes" in answer.json()["detail"]
    assert client.get("/api/v1/charts/default").json()["name"] == "common practice"


def test_own_losses_are_weighed(client):
    """On the edge of a quarter size: who can exchange at no cost takes the smaller, who cannot tries this one."""
    quarter = {"name": "A", "body_length": "280±2", "total_length": "463±3"}
    for losses, action in (("exchange=0", "smaller"), ("exchange=40", "try")):
        question = {"arm_length": "470±8", "instruments": [quarter], "losses": losses}
        assert client.post("/api/v1/comparisons", json=question).json()["ranking"][0]["action"] == action


def test_what_is_seen_on_the_present_instrument_counts(client):
    present = {"body_length": "255±2", "total_length": "421±3", "painless": False}
    question = {"arm_length": "450±6", "present": present}
    order = client.post("/api/v1/orders", json=question).json()
    assert not order["to_order"]
    assert "first settle" in order["message"][0]
    listed = {"instruments": [{"name": "A", "body_length": "262±2", "total_length": "433±3"}]}
    compared = client.post("/api/v1/comparisons", json=question | listed).json()["ranking"][0]
    assert compared["action"] == "set_up"
    silent = client.post("/api/v1/orders", json=question | {"present": {"body_length": "255±2"}})
    assert silent.status_code == 422
    assert "at least one answer" in silent.json()["detail"]


def test_the_drawing_is_a_picture(client):
    answer = client.get("/api/v1/order-drawing.svg?language=de")
    assert answer.headers["content-type"] == "image/svg+xml"
    assert "Gesamtlänge" in answer.text


@pytest.mark.parametrize(
    ("path", "question", "said"),
    [
        ("orders", {"arm_length": "45"}, "Did you mean 45 cm?"),
        ("orders", {"arm_length": {"value_mm": 4500, "standard_uncertainty_mm": 1}}, "cannot be the length of an arm"),
        ("orders", {"arm_length": "450", "losses": "strain=3"}, "“strain” is not a loss; there are"),
        ("orders", {}, "arm_length: needed, and not given"),
        ("orders", {"arm_length": "450", "growth": 3}, "growth: no such field"),
        ("orders", {"arm_length": "450", "language": "xx"}, "language: one of en, de, fr"),
        ("orders", {"arm_length": "450", "lasting_months": 3}, "go together"),
        ("growth-predictions", {"measurements": [{"age_years": 30, "arm_length": "600"}]}, "from 3 to 13 years"),
        ("growth-predictions", {"measurements": []}, "At least one measurement"),
        ("orders", {"arm_length": {"value_mm": 450}}, "body.arm_length.standard_uncertainty_mm: needed, and not given"),
        ("orders", {"arm_length": [450]}, "body.arm_length: not a text"),
        ("comparisons", {"arm_length": "450", "instruments": [{"name": "A"}]}, "Neither body length nor total length"),
        (
            "class-verdicts",
            {"arms": {"P": "450"}, "instrument": {"body_length": "421", "total_length": "255"}},
            "421 mm is longer than any violin",
        ),
    ],
)
def test_what_is_wrong_is_said_in_plain_words(client, path, question, said):
    answer = client.post(f"/api/v1/{path}", json=question)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("application/problem+json")
    assert said in answer.json()["detail"]
    assert len(answer.json().get("errors", [said])) == 1, "one fault is said once"


def test_the_description_of_a_verdict_is_complete():
    """Field by field what `verdict_json` makes, no more and no less."""
    verdict = judge(Length.stated(450, 3), instrument(255, 421, label="1/8"), default_chart(), PlayingSigns(False))
    found = verdict_json(verdict)
    assert set(found) == set(VerdictOut.model_fields)
    described = VerdictOut.model_validate(found).model_dump(mode="json", exclude_none=True)
    assert described["action"] == "set_up"
    assert described["causes"][0]["sign"] == "wrist_free"
