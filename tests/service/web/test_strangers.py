"""Every route as every kind of stranger: nothing of a studio is seen, nothing of it is changed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute, iter_route_contexts
from sqlalchemy import select

from service.records.columns import Base
from service.records.tables import PhotoRequest, SignIn, VerdictRecord
from service.web.gate.guard import FAMILY, REPORT
from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed, with_order

OPEN = {
    "/",
    "/privacy",
    "/start",
    "/certificate.crt",
    "/app.webmanifest",
    "/sign-in",
    "/welcome/{token}",
    "/api/v1/openapi.json",
    "/static/vendor/{package}/{name}",
    "/news",  # endless; `test_news` asks as strangers do
}
"""Pages for everybody; what they show belongs to nobody. A new route has to be guarded or named here."""
BY_LINK = ("/f/{token}", "/r/{token}")


@dataclass(frozen=True)
class Route:
    """A method and a path of the application."""

    method: str
    path: str

    @property
    def by_link(self) -> bool:
        return self.path.startswith(BY_LINK)

    def filled(self, victim: Seeded, token: str) -> str:
        upload = victim.instrument_upload_id if "{picture}" not in self.path else victim.arm_upload_id
        return self.path.format(
            token=token,
            kind="arm",
            upload_id=upload,
            picture="photo.jpg",
            child_id=victim.child_id,
            instrument_id=victim.instrument_id,
            chart_id=victim.chart_id,
            request_id=victim.request_id,
            verdict_id=victim.verdict_id,
            arm_id=victim.arm_id,
            tape_id=victim.tape_id,
            teacher_id=victim.teacher_id,
            arm="450",
            deed_id=victim.deed_id,
            order_id=victim.order_id,
        )


def routes(app: FastAPI) -> Iterator[Route]:
    for found in iter_route_contexts(app.routes):
        route = found.route if hasattr(found, "route") else found
        if isinstance(route, APIRoute):
            path = getattr(found, "path", route.path)
            if path not in OPEN and not path.startswith("/api/"):
                yield from (Route(method, path) for method in sorted(route.methods or ()))


def everything(place: Place, studio_id: str) -> str:
    """All rows of a studio, as text."""
    with place.house.store.for_studio(studio_id) as records:
        rows = []
        for table in Base.metadata.sorted_tables:
            if "studio_id" in table.c:
                found = records.execute(select(table).where(table.c.studio_id == studio_id)).mappings()
                rows.append([table.name, sorted(str(dict(row)) for row in found)])
    return json.dumps(rows)


def form(place: Place, holder: str, victim: Seeded) -> dict[str, str]:
    """A form with a token that fits its holder, and fields that would change something."""
    return {
        "form_token": place.house.signer.form_token(holder),
        "adult": "yes",
        "nickname": "Taken",
        "name": "Taken",
        "reason": "light",
        "reading": "460",
        "instrument_id": victim.instrument_id,
        "chart_id": victim.chart_id,
        "teacher_id": victim.teacher_id,
        "sign_in_id": victim.sign_in_id,
        "points": '{"mid_palm": [1, 2]}',
        "password": "a calm long sentence",
        "language": "de",
        "bar_mm": "151",
    }


def photos_kept(place: Place, victim: Seeded) -> set[str]:
    own = {victim.arm_upload_id, victim.instrument_upload_id}
    return own & place.house.photos.kept(place.clock.now() + timedelta(days=36500))


MARK = "Quillwort "
"""Before everything that the victim typed."""


@pytest.fixture
def victim(place: Place) -> Seeded:
    return with_order(place.house, seed(place.house, "Studio Linde", mark=MARK), MARK)


def assert_nothing(place: Place, victim: Seeded, route: Route, path: str, holder: str, cookie: str | None) -> None:
    before, kept = everything(place, victim.studio_id), photos_kept(place, victim)
    cookies = {"scrollreach": cookie} if cookie else {}
    place.client.cookies.clear()
    for name, value in cookies.items():
        place.client.cookies.set(name, value)
    data = form(place, holder, victim) if route.method == "POST" else None
    answer = place.client.request(route.method, path, data=data)
    assert answer.status_code < 500, (route, answer.status_code)
    assert "image/" not in answer.headers.get("content-type", ""), route
    assert MARK.strip() not in answer.text, route
    assert everything(place, victim.studio_id) == before, route
    assert photos_kept(place, victim) == kept, route


def test_routes_are_found(place: Place) -> None:
    found = list(routes(place.client.app))  # type: ignore[arg-type]
    assert len(found) > 60
    assert {"/children/{child_id}", "/reviews/{upload_id}/{picture}", "/f/{token}/{kind}"} <= {r.path for r in found}


def test_the_owners_get_in(place: Place, victim: Seeded) -> None:
    """Without this, the tests below would pass on a service that answers nobody."""
    place.client.cookies.set("scrollreach", victim.session)
    assert "Blue case" in place.client.get(f"/children/{victim.child_id}").text
    assert place.client.get(f"/reviews/{victim.arm_upload_id}/photo.jpg").headers["content-type"] == "image/jpeg"
    place.client.cookies.clear()
    assert place.client.get(f"/f/{victim.family}").status_code == 200
    picture = f"/f/{victim.family}/photo/{victim.arm_upload_id}/overlay.jpg"
    assert place.client.get(picture).headers["content-type"] == "image/jpeg"
    assert "Lovely to see" in place.client.get(f"/r/{victim.report}").text


def test_anonymous_gets_nothing(place: Place, victim: Seeded) -> None:
    for route in routes(place.client.app):  # type: ignore[arg-type]
        assert_nothing(place, victim, route, route.filled(victim, "guess"), "nobody", None)


def test_a_teacher_of_another_studio_gets_nothing(place: Place, victim: Seeded) -> None:
    stranger = seed(place.house, "Studio Ahorn")
    skipped = {"/sign-out", "/studio/delete", "/account/revoke"}  # these end the stranger's own session; tried last
    every = sorted(routes(place.client.app), key=lambda route: route.path in skipped)  # type: ignore[arg-type]
    for route in every:
        path = route.filled(victim, "guess")
        assert_nothing(place, victim, route, path, stranger.sign_in_id, stranger.session)


@pytest.mark.parametrize("state", ["expired", "revoked"])
def test_an_ended_session_gets_nothing(place: Place, victim: Seeded, state: str) -> None:
    with place.house.store.for_studio(victim.studio_id) as records:
        session = records.get_one(SignIn, victim.sign_in_id)
        if state == "expired":
            session.expires_at = place.clock.now()
        else:
            session.revoked_at = place.clock.now()
    for route in routes(place.client.app):  # type: ignore[arg-type]
        path = route.filled(victim, "guess")
        assert_nothing(place, victim, route, path, victim.sign_in_id, victim.session)


@pytest.mark.parametrize("state", ["expired", "revoked", "for a report", "of another family"])
def test_a_wrong_link_gets_nothing(place: Place, victim: Seeded, state: str) -> None:
    token = victim.family
    if state == "of another family":
        token = seed(place.house, "Studio Ahorn").family
    elif state == "for a report":
        token = place.house.signer.token(REPORT, victim.request_id)
    else:
        with place.house.store.for_studio(victim.studio_id) as records:
            asked = records.get_one(PhotoRequest, victim.request_id)
            if state == "expired":
                asked.expires_at = place.clock.now()
            else:
                asked.revoked_at = place.clock.now()
    own = {
        "/f/{token}/delete/",
        "/f/{token}/done/",
    }  # of another family: these change that family's own rows, tried last
    every = sorted(routes(place.client.app), key=lambda route: route.path in own)  # type: ignore[arg-type]
    for route in (each for each in every if each.by_link):
        if state == "expired" and route == Route("POST", "/f/{token}/delete/"):
            continue  # it deletes what was sent through it, and shows nothing
        assert_nothing(place, victim, route, route.filled(victim, token), token, None)


@pytest.mark.parametrize("state", ["expired", "revoked", "never shared", "for photos"])
def test_a_wrong_report_link_gets_nothing(place: Place, victim: Seeded, state: str) -> None:
    token = victim.report
    with place.house.store.for_studio(victim.studio_id) as records:
        verdict = records.get_one(VerdictRecord, victim.verdict_id)
        if state == "expired":
            verdict.report_expires_at = place.clock.now()
        elif state == "revoked":
            verdict.report_revoked_at = place.clock.now()
        elif state == "never shared":
            verdict.report_expires_at = None
        else:
            token = place.house.signer.token(FAMILY, victim.verdict_id)
    for route in (each for each in routes(place.client.app) if each.path.startswith("/r/")):  # type: ignore[arg-type]
        assert_nothing(place, victim, route, route.filled(victim, token), token, None)


def test_forms_of_the_owner_need_the_owners_token(place: Place, victim: Seeded) -> None:
    for route in routes(place.client.app):  # type: ignore[arg-type]
        if route.method != "POST":
            continue
        token = victim.family if route.path.startswith("/f/") else victim.report
        path = route.filled(victim, token)
        assert_nothing(place, victim, route, path, "another page", victim.session)


def test_forms_from_another_site_are_refused(place: Place, victim: Seeded) -> None:
    place.client.cookies.set("scrollreach", victim.session)
    data = form(place, victim.sign_in_id, victim)
    for headers in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        answer = place.client.post(f"/children/{victim.child_id}/edit", data=data, headers=headers)
        assert answer.status_code == 403
    assert place.client.post(f"/children/{victim.child_id}/edit", data=data).status_code == 303
