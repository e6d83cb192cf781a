"""Signing in: cookie flags, limits, revocation, invitations that work once; headers on every page."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from argon2 import PasswordHasher, extract_parameters
from argon2.profiles import RFC_9106_LOW_MEMORY

from service.records.tables import Teacher
from service.security import CONTENT_SECURITY_POLICY
from service.settings import Settings, described
from service.web.gate.invitations import first_invitation
from tests.service.conftest import Place
from tests.service.seeding import PASSWORD, seed

NEW = {"studio": "Studio Birke", "name": "Ben", "email": "ben@example.org", "password": PASSWORD, "twice": PASSWORD}


def sign_in(place: Place, email: str, password: str) -> int:
    place.client.cookies.clear()
    return int(place.client.post("/sign-in", data={"email": email, "password": password}).status_code)


def test_right_and_wrong_passwords(place: Place) -> None:
    seeded = seed(place.house)
    assert sign_in(place, seeded.email, PASSWORD) == 303
    assert sign_in(place, seeded.email, PASSWORD + "x") == 401
    assert sign_in(place, "nobody@example.org", PASSWORD) == 401


def test_passwords_are_hashed_slowly(slow_hasher: PasswordHasher) -> None:
    assert extract_parameters(slow_hasher.hash(PASSWORD)) == RFC_9106_LOW_MEMORY


def test_tries_are_limited_for_one_address(place: Place) -> None:
    seeded = seed(place.house)
    answers = [sign_in(place, seeded.email, "wrong") for _ in range(6)]
    assert answers == [401] * 5 + [429]
    assert sign_in(place, seeded.email, PASSWORD) == 429


def test_the_cookie_is_kept_from_scripts_and_other_sites(open_place: Callable[..., Place]) -> None:
    place = open_place(secure_cookies=True)
    seeded = seed(place.house)
    answer = place.client.post("/sign-in", data={"email": seeded.email, "password": PASSWORD})
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith("__host-scrollreach=")
    assert all(flag in cookie for flag in ("httponly", "samesite=lax", "secure", "path=/"))
    device = answer.headers.get_list("set-cookie")[1].lower()
    assert device.startswith("__secure-scrollreach-device=")
    assert all(flag in device for flag in ("httponly", "samesite=lax", "secure", "path=/sign-in"))
    assert "max-age" in answer.headers["strict-transport-security"]


def test_signing_out_revokes_the_session(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    token = place.house.signer.form_token(seeded.sign_in_id)
    place.client.post("/sign-out", data={"form_token": token})
    place.client.cookies.set("scrollreach", seeded.session)
    assert place.client.get("/children").headers["location"] == "/sign-in"


def test_the_first_invitation_works_once_and_only_first(place: Place) -> None:
    place.clock.moment = datetime.now(UTC)  # the command that prints the link has no other clock
    settings = place.house.settings
    first, second = (str(first_invitation(settings, "")) for _ in range(2))
    assert place.client.post(first, data=NEW | {"password": "short", "twice": "short"}).status_code == 422
    assert place.client.post(first, data=NEW).status_code == 303
    assert place.client.post(first, data=NEW).status_code == 404
    assert place.client.get(second).status_code == 404
    assert first_invitation(settings, "") is None


def test_every_answer_carries_the_policy(place: Place) -> None:
    for path in ("/", "/privacy", "/sign-in", "/nothing", "/f/x", "/static/style.css", "/api/v1/health"):
        headers = place.client.get(path).headers
        assert headers["content-security-policy"] == CONTENT_SECURITY_POLICY
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
    assert place.client.get("/privacy").headers["cache-control"] == "no-store"


def test_the_quick_page_can_be_switched_off(open_place: Callable[..., Place]) -> None:
    place = open_place(quick_page=False)
    assert place.client.get("/").status_code == 404
    assert place.client.post("/").status_code == 404


def test_every_setting_is_listed_with_its_variable_and_meaning() -> None:
    lines = described(Settings())
    assert {line.name for line in lines} == set(Settings.model_fields)
    assert all(line.variable == "SCROLLREACH_" + line.name.upper() and line.description for line in lines)


def test_that_a_session_has_ended_is_said_in_the_teachers_language(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Teacher, seeded.teacher_id).language = "de"
    place.client.cookies.set("scrollreach", seeded.session)
    place.clock.forward(hours=place.house.settings.idle_hours)
    answer = place.client.post("/children/new", data={"nickname": "Mo"}, headers={"accept-language": "en"})
    assert answer.status_code == 401
    assert "Ihre Sitzung ist zu Ende." in answer.text


def test_a_form_of_another_site_is_refused_in_the_readers_language(place: Place) -> None:
    foreign = {"sec-fetch-site": "cross-site", "accept-language": "de"}
    answer = place.client.post("/sign-in", data={"email": "a@example.org"}, headers=foreign)
    assert (answer.status_code, answer.text) == (403, "Dieses Formular wurde von einer anderen Website gesendet.")
