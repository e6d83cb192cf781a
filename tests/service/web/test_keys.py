"""Keys of the HTTP interface: shown once, kept as digests, revocable, limited; strangers only where it is open."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from sqlalchemy import select

from service.measuring.admission import Rank
from service.records.tables import ApiKey
from service.settings import Settings
from service.web.gate.keys import is_open
from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed

QUESTION = {"arm_length": "450±6"}
ORDERS = "/api/v1/orders"


def made_key(place: Place, seeded: Seeded, a_minute: int = 60) -> str:
    """Make a key as the teacher does."""
    place.client.cookies.set("scrollreach", seeded.session)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "name": "Till", "a_minute": str(a_minute)}
    shown = place.client.post("/studio/keys", data=form).text
    place.client.cookies.clear()
    found = re.findall(r'class="link">([\w-]{43})<', shown)
    assert len(found) == 1
    return str(found[0])


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


@pytest.mark.parametrize(
    ("chosen", "opened"),
    [
        ({}, True),
        ({"host": "0.0.0.0"}, False),
        ({"public_url": "https://fit.example"}, False),
        ({"trusted_proxies": "127.0.0.1"}, False),
        ({"host": "0.0.0.0", "open_interface": "on"}, True),
        ({"open_interface": "off"}, False),
    ],
)
def test_strangers_come_in_only_on_this_machine_or_where_switched_on(chosen: dict[str, str], opened: bool) -> None:
    assert is_open(Settings(**chosen)) is opened  # type: ignore[arg-type]


def test_a_closed_interface_wants_a_key_before_it_reads_anything(open_place: Callable[..., Place]) -> None:
    place = open_place(open_interface="off")
    refused = place.client.post(ORDERS, content=b"[" * 100, headers={"content-type": "application/json"})
    assert refused.status_code == 401  # and not 422: the body was not looked at
    assert refused.headers["www-authenticate"] == "Bearer"  # RFC 9110, section 11.6.1
    assert refused.headers["content-type"] == "application/problem+json"
    for path in ("health", "sheet.pdf", "openapi.json"):
        assert place.client.get(f"/api/v1/{path}").status_code == 200


def test_a_key_lets_in_until_it_is_revoked(open_place: Callable[..., Place]) -> None:
    place = open_place(open_interface="off")
    seeded = seed(place.house)
    key = made_key(place, seeded)
    assert place.client.post(ORDERS, json=QUESTION, headers=bearer(key)).status_code == 200
    assert place.client.post(ORDERS, json=QUESTION, headers=bearer(key[:-1] + "x")).status_code == 401
    with place.house.store.for_studio(seeded.studio_id) as records:
        kept = records.scalars(select(ApiKey)).one()
        assert key not in str(vars(kept))
        assert kept.used_on == place.clock.now().date()
    place.client.cookies.set("scrollreach", seeded.session)
    assert key not in place.client.get("/studio").text, "it is shown once"
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "key_id": kept.id}
    assert place.client.post("/studio/keys/revoke", data=form).status_code == 303
    assert place.client.post(ORDERS, json=QUESTION, headers=bearer(key)).status_code == 401


def test_each_key_has_its_own_limit(open_place: Callable[..., Place]) -> None:
    place = open_place(open_interface="off")
    seeded = seed(place.house)
    few, many = made_key(place, seeded, 3), made_key(place, seeded, 100)
    answers = [place.client.post(ORDERS, json=QUESTION, headers=bearer(few)) for _ in range(4)]
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429]
    assert 0 < int(answers[-1].headers["retry-after"]) <= 60
    assert place.client.post(ORDERS, json=QUESTION, headers=bearer(many)).status_code == 200


def test_strangers_have_a_limit(open_place: Callable[..., Place]) -> None:
    place = open_place(interface_tries=2)
    answers = [place.client.post(ORDERS, json=QUESTION).status_code for _ in range(3)]
    assert answers == [200, 200, 429]


def test_a_key_is_measured_before_strangers(place: Place) -> None:
    seeded = seed(place.house)
    key = made_key(place, seeded)
    ranks: list[Rank] = []
    measuring = place.client.app.state.measuring  # type: ignore[attr-defined]
    place.client.app.state.measuring = {rank: _Noting(measuring[rank], rank, ranks) for rank in Rank}  # type: ignore[attr-defined]
    photo = {"photos": ("a.jpg", b"good")}
    place.client.post("/api/v1/arm-measurements", files=photo)
    place.client.post("/api/v1/arm-measurements", files=photo, headers=bearer(key))
    assert ranks == [Rank.STRANGER, Rank.SHOP]


class _Noting:
    """Notes for which rank it measures."""

    def __init__(self, pool: object, rank: Rank, ranks: list[Rank]) -> None:
        self._pool, self._rank, self._ranks = pool, rank, ranks

    def __getattr__(self, name: str) -> object:
        self._ranks.append(self._rank)
        return getattr(self._pool, name)
