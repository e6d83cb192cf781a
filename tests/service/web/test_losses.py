"""What a wrong choice costs is a studio's own setting, and every view follows it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from sqlalchemy import select

import service
from service.fit.decision import Action
from service.fit.losses import LOSS_WORDS, LOSSES
from service.records.deciding import arm_length, latest_arm, losses_in_use, verdict_for
from service.records.export import studio_export
from service.records.shelf import against
from service.records.tables import ArmRecord, Child, Instrument, Studio
from tests.service.conftest import Place
from tests.service.seeding import Seeded, arm_result, length, seed

WEIGHING = ("judge", "rank", "order", "judge_class", "assign", "choose")
"""Functions whose answers hang on the losses."""


def at_the_edge_of_a_quarter(place: Place) -> Seeded:
    """A child of 470 mm, give or take 8, and a quarter-size violin that asks for 470 mm."""
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for arm in records.scalars(select(ArmRecord)):
            arm.lengths = arm_result(470.0)
        for each in records.scalars(select(Instrument)):
            each.lengths = {"body_length": length(280.0, 1.0), "total_length": length(463.0, 1.5)}
            each.label = "1/4"
    place.client.cookies.set("scrollreach", seeded.session)
    return seeded


def weigh(place: Place, seeded: Seeded, **losses: str) -> int:
    usual = {name: f"{getattr(LOSSES, name):g}" for name in LOSS_WORDS}
    token = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    return place.client.post("/studio/losses", data=token | usual | losses).status_code


@pytest.mark.parametrize(
    ("exchange", "action", "words"), [("0", Action.SMALLER, "Take a smaller instrument"), ("40", Action.TRY, "Try it")]
)
def test_every_view_follows_the_studio_s_losses(place: Place, exchange: str, action: Action, words: str) -> None:
    """Who can exchange at no cost takes the smaller, who cannot tries this one."""
    seeded = at_the_edge_of_a_quarter(place)
    assert weigh(place, seeded, exchange=exchange) == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        child, instrument = records.get_one(Child, seeded.child_id), records.get_one(Instrument, seeded.shelf_id)
        arm = latest_arm(records, child.id)
        assert arm is not None
        assert losses_in_use(records).exchange == float(exchange)
        assert verdict_for(records, child, arm_length(arm), instrument).action is action
        assert {each.verdict.action for each in against(records, arm_length(arm))} == {action}
        assert {each.ranked.action for each in against(records, arm_length(arm))} == {action}
        assert studio_export(records)["losses"]["exchange"] == float(exchange)
    assert words in place.client.get(f"/children/{seeded.child_id}").text
    assert f'value="{exchange}"' in place.client.get("/studio").text


def test_one_studio_s_losses_are_not_another_s(place: Place) -> None:
    mine, other = at_the_edge_of_a_quarter(place), seed(place.house, "other")
    weigh(place, mine, exchange="40")
    with place.house.store.for_studio(other.studio_id) as records:
        assert losses_in_use(records) == LOSSES


def test_the_usual_losses_are_not_kept(place: Place) -> None:
    """So that a studio without wishes of its own follows what the program weighs later on."""
    seeded = at_the_edge_of_a_quarter(place)
    for losses in ({}, {"exchange": "", "strained": ""}):
        weigh(place, seeded, harm="90")
        weigh(place, seeded, **losses)
        with place.house.store.for_studio(seeded.studio_id) as records:
            assert records.get_one(Studio, seeded.studio_id).losses is None


@pytest.mark.parametrize("typed", ["-1", "much", "1e9", "nan", "inf"])
def test_what_is_no_cost_is_asked_back_and_nothing_changes(place: Place, typed: str) -> None:
    seeded = at_the_edge_of_a_quarter(place)
    token = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    answer = place.client.post("/studio/losses", data=token | {"exchange": typed, "harm": "90"})
    assert answer.status_code == 422
    assert LOSS_WORDS["exchange"].text() in answer.text
    assert 'role="alert"' in answer.text
    assert f'value="{typed}"' in answer.text
    assert 'value="90"' in answer.text
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert losses_in_use(records) == LOSSES


def test_a_comma_is_a_point(place: Place) -> None:
    seeded = at_the_edge_of_a_quarter(place)
    assert weigh(place, seeded, waiting="0,5") == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert losses_in_use(records).waiting == 0.5


def test_no_view_weighs_by_losses_of_its_own() -> None:
    """Every call of what weighs, outside of the trade's own room, says by which losses."""
    root = Path(service.__file__).parent
    asked = 0
    for path in root.rglob("*.py"):
        if path.is_relative_to(root / "fit"):
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in WEIGHING:
                asked += 1
                assert any(each.arg == "losses" for each in node.keywords), f"{path.name}:{node.lineno}"
    assert asked >= 9
