"""Keys of the HTTP interface: shown once, kept as digests, revocable, limited; strangers only where it is open."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterable
from unittest.mock import Mock

import pytest
from sqlalchemy import select
from starlette.requests import Request

from service.api.callers import FIRST_SCOPES, Scope
from service.measuring.admission import Busy, Rank
from service.records.tables import ApiKey
from service.settings import Settings
from service.web.gate.arrival import FORM_BYTES
from service.web.gate.keys import FOR_EVERYBODY, PREFIX, is_open
from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed
from tests.waiting import until

QUESTION = {"arm_length": "450±6"}
ORDERS = "/api/v1/orders"


def made_key(place: Place, seeded: Seeded, a_minute: int = 60, scopes: Iterable[Scope] = FIRST_SCOPES) -> str:
    """Make a key as the teacher does."""
    place.client.cookies.set("scrollreach", seeded.session)
    form = {"form_token": place.house.signer.form_token(seeded.sign_in_id), "name": "Till", "a_minute": str(a_minute)}
    form |= {f"may-{scope.value}": "1" for scope in scopes}
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
    revoked = place.client.post("/studio/keys/revoke", data=form)
    assert "The key is revoked." in place.client.get(revoked.headers["location"]).text
    assert place.client.post(ORDERS, json=QUESTION, headers=bearer(key)).status_code == 401


@pytest.mark.parametrize(
    ("shown", "prefers", "said"),
    [
        ({}, "en", "This needs a key"),
        ({}, "de-AT", "Das braucht einen Schlüssel"),
        (bearer("no key of ours"), "en", "This key is not valid"),
        (bearer("no key of ours"), "fr", "Cette clé n'est pas valable"),
    ],
)
def test_a_missing_key_and_one_that_is_not_valid_are_told_apart_in_the_readers_language(
    open_place: Callable[..., Place], shown: dict[str, str], prefers: str, said: str
) -> None:
    refused = open_place(open_interface="off").client.post(
        ORDERS, json=QUESTION, headers=shown | {"accept-language": prefers}
    )
    assert refused.status_code == 401
    assert refused.json()["detail"].startswith(said)


def test_a_key_allows_what_it_was_made_for_and_nothing_else(open_place: Callable[..., Place]) -> None:
    place = open_place(open_interface="off")
    seeded = seed(place.house)
    measuring = made_key(place, seeded, scopes=[Scope.MEASURE])
    refused = place.client.post(ORDERS, json=QUESTION, headers=bearer(measuring))
    assert refused.status_code == 403
    assert refused.headers["content-type"] == "application/problem+json"
    # RFC 6750, section 3.1
    assert refused.headers["www-authenticate"] == 'Bearer error="insufficient_scope", scope="decide"'
    photo = {"photos": ("a.jpg", b"good")}
    measured = place.client.post("/api/v1/arm-measurements", files=photo, headers=bearer(measuring))
    assert measured.status_code == 200
    place.client.cookies.set("scrollreach", seeded.session)
    shown = place.client.get("/studio").text
    assert "measure photos" in shown.split("Till")[1].split("requests a minute")[0]


def test_every_route_but_those_about_nobody_declares_what_it_needs(place: Place) -> None:
    paths = place.client.get(f"{PREFIX}openapi.json").json()["paths"]
    declared = {
        path.removeprefix(PREFIX): [scope for each in asked.get("security", []) for scope in each.get("key", [])]
        for path, methods in paths.items()
        for asked in methods.values()
    }
    known = {scope.value for scope in Scope}
    undeclared = {path for path, scopes in declared.items() if not scopes or not known.issuperset(scopes)}
    assert undeclared <= FOR_EVERYBODY


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


def test_what_is_drawn_for_everybody_has_a_limit(open_place: Callable[..., Place]) -> None:
    place = open_place(interface_tries=2, open_interface="off")
    answers = [place.client.get(f"{PREFIX}sheet.pdf") for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert 0 < int(answers[-1].headers["retry-after"]) <= 60
    assert [place.client.get(f"{PREFIX}health").status_code for _ in range(3)] == [200] * 3


def test_the_description_is_not_made_on_the_loop(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    made_in: list[str] = []
    monkeypatch.setattr(place.client.app, "openapi", lambda: made_in.append(threading.current_thread().name) or {})
    assert place.client.get(f"{PREFIX}openapi.json").json() == {}
    assert made_in == [name for name in made_in if name.startswith("AnyIO worker")]
    assert made_in


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


def test_photos_for_which_there_is_no_room_are_refused_before_they_are_read(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(rank: Rank) -> None:
        if rank is Rank.STRANGER:
            raise Busy(7)

    read = Mock(side_effect=AssertionError("its body was read"))
    monkeypatch.setattr(place.house.admission, "check_room", full)
    monkeypatch.setattr(Request, "form", read)
    photo = {"photos": ("a.jpg", b"0" * (FORM_BYTES + 1))}
    for path in ("arm-measurements", "instrument-measurements"):
        refused = place.client.post(f"/api/v1/{path}", files=photo, headers={"accept-language": "de"})
        assert (refused.status_code, refused.headers["retry-after"]) == (503, "7")
        assert refused.json()["detail"].startswith("Gerade warten viele Fotos.")
        assert refused.headers["content-type"] == "application/problem+json"
    monkeypatch.undo()
    key = made_key(place, seed(place.house))
    monkeypatch.setattr(place.house.admission, "check_room", full)
    assert place.client.post("/api/v1/arm-measurements", files=photo, headers=bearer(key)).status_code == 200


def test_strangers_are_limited_by_what_their_photos_cost(open_place: Callable[..., Place]) -> None:
    place = open_place(stranger_seconds=10)
    place.pool.pause_s = 0.3
    files = {"photos": ("a.jpg", b"a photo")}
    assert place.client.post("/api/v1/arm-measurements", files=files).status_code == 200
    assert place.house.limiter.work_late_s("testclient") is None
    until(lambda: _work_of(place, "testclient") >= 3)  # else what was measured is counted in tenths of a second
    place.house.limiter.work_done("testclient", 9.7)  # few photos that take their time
    late = place.client.post("/api/v1/arm-measurements", files=files)
    assert late.status_code == 429
    assert 0 < int(late.headers["retry-after"]) <= 600
    assert place.client.post("/").status_code == 429, "the quick page is the same work"
    place.house.limiter.work_done("elsewhere", 1.0)
    assert place.house.limiter.work_late_s("elsewhere") is None


def _work_of(place: Place, who: str) -> int:
    limiter = place.house.limiter
    left = limiter._work.get_window_stats(limiter._work_of_strangers, "work", who).remaining
    return limiter._work_of_strangers.amount - left
