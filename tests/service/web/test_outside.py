"""What a request says of itself is not believed: its Host, its X-Forwarded-For; nobody locks the teacher out."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.service.conftest import Place
from tests.service.seeding import PASSWORD, seed


@pytest.mark.parametrize(
    ("host", "settings", "begins"),
    [
        ("evil.example", {}, "http://127.0.0.1:8000/f/"),
        ("localhost:8000", {}, "http://localhost:8000/f/"),
        ("studio.example", {"allowed_hosts": "studio.example, other.example"}, "http://studio.example/f/"),
        ("evil.example", {"public_url": "https://fit.example/"}, "https://fit.example/f/"),
    ],
)
def test_links_lead_where_we_are(
    open_place: Callable[..., Place], host: str, settings: dict[str, str], begins: str
) -> None:
    place = open_place(**settings)
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    shown = place.client.get(f"/requests/{seeded.request_id}", headers={"host": host}).text
    assert begins in shown
    assert "evil.example" not in shown


def test_guesses_lock_strangers_out_and_not_the_teacher(place: Place) -> None:
    seeded = seed(place.house)
    right = {"email": seeded.email, "password": PASSWORD}
    assert place.client.post("/sign-in", data=right).status_code == 303
    device = place.client.cookies["scrollreach-device"]
    place.client.cookies.clear()
    for _ in range(6):
        guessed = place.client.post("/sign-in", data=right | {"password": "wrong"})
    assert guessed.status_code == 429
    assert 0 < int(guessed.headers["retry-after"]) <= 60
    place.client.cookies.set("scrollreach-device", device)
    assert place.client.post("/sign-in", data=right).status_code == 303
    place.client.cookies.set("scrollreach-device", device[:-1] + ("A" if device[-1] != "A" else "B"))
    assert place.client.post("/sign-in", data=right).status_code == 429, "a forged mark"


def test_a_device_is_limited_as_well(place: Place) -> None:
    seeded = seed(place.house)
    place.client.post("/sign-in", data={"email": seeded.email, "password": PASSWORD})
    tries = [place.client.post("/sign-in", data={"email": seeded.email, "password": "x"}).status_code for _ in range(6)]
    assert tries[-1] == 429


def test_reviewed_pictures_are_kept_by_no_cache(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    for picture in ("photo.jpg", "overlay.jpg"):
        headers = place.client.get(f"/reviews/{seeded.arm_upload_id}/{picture}").headers
        assert headers["cache-control"] == "private, no-store"
