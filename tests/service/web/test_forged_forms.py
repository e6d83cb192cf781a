"""Every form that another site could post in somebody's name: refused, and nothing changed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from fastapi import FastAPI

from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed, with_order
from tests.service.web.test_strangers import BY_LINK, everything, form, routes

WITHOUT_TOKEN = {"/", "/sign-in", "/sign-in/code", "/recover", "/welcome/{token}"}
"""Forms that are read for nobody who is signed in; the origin alone guards them."""
ELSEWHERE = ({"Origin": "https://elsewhere.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"})


@pytest.fixture
def place(open_place: Callable[..., Place]) -> Place:
    return open_place(open_interface="off")


@pytest.fixture
def seeded(place: Place) -> Seeded:
    found = with_order(place.house, seed(place.house))
    place.client.cookies.set("scrollreach", found.session)
    return found


def forms(app: FastAPI, seeded: Seeded) -> list[tuple[str, str, str]]:
    """Path with its places filled, path as declared, and who holds the token of such a page."""
    found = []
    for route in routes(app):
        if route.method == "POST" and route.path not in WITHOUT_TOKEN:
            by_link = route.path.startswith(BY_LINK)
            found.append(
                (route.filled(seeded, seeded.family), route.path, seeded.family if by_link else seeded.sign_in_id)
            )
    assert len(found) > 40
    return found


def test_a_form_without_its_pages_token_changes_nothing(place: Place, seeded: Seeded) -> None:
    stranger = seed(place.house, "Studio Ahorn")
    before = everything(place, seeded.studio_id)
    kept = place.house.photos.kept(place.clock.now() + timedelta(days=36500))
    for path, declared, holder in forms(place.client.app, seeded):  # type: ignore[arg-type]
        whole = form(place, holder, seeded)
        for token in (None, "", "x" * 5000, stranger.sign_in_id, place.house.signer.form_token(stranger.sign_in_id)):
            sent = {name: value for name, value in whole.items() if name != "form_token"}
            answer = place.client.post(path, data=sent if token is None else sent | {"form_token": token})
            assert answer.status_code == 403, (declared, token, answer.status_code)
    assert everything(place, seeded.studio_id) == before
    assert place.house.photos.kept(place.clock.now() + timedelta(days=36500)) == kept


def test_a_form_from_another_site_changes_nothing(place: Place, seeded: Seeded) -> None:
    before = everything(place, seeded.studio_id)
    every = forms(place.client.app, seeded)  # type: ignore[arg-type]
    every += [(path.format(token=seeded.invitation), path, "") for path in WITHOUT_TOKEN]
    every += [(path, path, "") for path in posts_of_the_interface(place)]
    for path, declared, holder in every:
        for headers in ELSEWHERE:
            answer = place.client.post(path, data=form(place, holder, seeded), headers=headers)
            assert answer.status_code == 403, (declared, headers, answer.status_code)
    assert everything(place, seeded.studio_id) == before


def posts_of_the_interface(place: Place) -> list[str]:
    described = place.client.get("/api/v1/openapi.json").json()["paths"]
    found = [path.replace("{", "").replace("}", "") for path, ways in described.items() if "post" in ways]
    assert len(found) > 15
    return found


def test_a_teachers_session_opens_nothing_of_the_interface(place: Place, seeded: Seeded) -> None:
    for path in posts_of_the_interface(place):
        assert place.client.post(path, json={}).status_code == 401, path
