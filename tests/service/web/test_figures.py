"""Figures for Prometheus and the log: to whom they are given, and that nobody is in them."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Callable

import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.logs import AllowedOnly, note_failure
from service.web.metrics import room_of
from tests.service.conftest import Place
from tests.service.seeding import seed
from tests.service.web.test_strangers import routes


def figures(place: Place, **headers: str) -> dict[tuple[str, tuple[str, ...]], float]:
    answer = place.client.get("/metrics", headers=headers)
    assert answer.status_code == 200
    return {
        (each.name, tuple(sorted(each.labels.values()))): each.value
        for family in text_string_to_metric_families(answer.text)  # the library's own reader of the format
        for each in family.samples
    }


def test_answers_are_counted_by_room_and_kind(place: Place) -> None:
    seeded = seed(place.house)
    before = figures(place).get(("scrollreach_answers_total", ("200", "GET", "family")), 0)
    for _ in range(3):
        place.client.get(f"/f/{seeded.family}")
    place.client.get("/f/guess")
    found = figures(place)
    assert found["scrollreach_answers_total", ("200", "GET", "family")] == before + 3
    assert found["scrollreach_answers_total", ("404", "GET", "family")] == 1
    assert found["scrollreach_waiting", ("known",)] == 0
    assert found["scrollreach_database_answers", ()] == 1


def test_every_room_has_a_name(place: Place) -> None:
    named = {route.path.split("/")[1] for route in routes(place.client.app) if room_of(route.path) == "other"}  # type: ignore[arg-type]
    assert named == {"metrics"}


def test_nobody_is_in_the_figures(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    for path in (f"/children/{seeded.child_id}", f"/f/{seeded.family}", "/Mo?name=Mo", "/linde@example.org"):
        place.client.get(path)
    place.client.request("PROPFIND", "/")
    text = place.client.get("/metrics").text
    for each in (seeded.child_id, seeded.family, "Mo", "linde", "PROPFIND", "testclient"):
        assert each not in text, each


@pytest.mark.parametrize(
    "settings", [{"public_url": "https://studio.example"}, {"host": "0.0.0.0"}, {"trusted_proxies": "127.0.0.1"}]
)
def test_where_others_reach_the_service_figures_need_a_token(
    open_place: Callable[..., Place], settings: dict[str, str]
) -> None:
    place = open_place(**settings)
    assert place.client.get("/metrics").status_code == 404
    assert place.client.get("/metrics", headers={"Authorization": "Bearer "}).status_code == 404


def test_a_token_opens_the_figures(open_place: Callable[..., Place]) -> None:
    place = open_place(metrics_token="a long token", public_url="https://studio.example")
    assert place.client.get("/metrics").status_code == 404
    assert place.client.get("/metrics", headers={"Authorization": "Bearer another"}).status_code == 404
    assert figures(place, Authorization="Bearer a long token")


def written(record: logging.LogRecord) -> dict[str, str]:
    found: dict[str, str] = json.loads(AllowedOnly().format(record))
    return found


def test_the_log_holds_what_is_allowed_and_nothing_else(caplog: pytest.LogCaptureFixture) -> None:
    try:
        raise ValueError("the arm of Mo is 436 mm in IMG_2031.jpg")
    except ValueError as error:
        note_failure("a photo could not be measured", error)
        logging.getLogger("uvicorn.error").error("bad request from %s: %s", "Mo", "IMG_2031.jpg", exc_info=True)
        logging.getLogger("scrollreach").error("%s is wrong", "436", extra={"kind": "436 mm", "place": "Mo.jpg:1"})
    first, second, third = (written(each) for each in caplog.records)
    assert first.keys() == {"at", "level", "by", "event", "kind", "place"}
    assert (first["event"], first["kind"]) == ("a photo could not be measured", "ValueError")
    assert re.fullmatch(r"test_figures\.py:\d+", first["place"])
    assert second.keys() == {"at", "level", "by", "from", "kind"}
    assert third.keys() == {"at", "level", "by", "event"}
    text = str((first, second, third))
    assert not [each for each in ("436", "Mo", "IMG", "jpg") if each in text]
