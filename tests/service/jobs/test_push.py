"""Browsers are told by push that photos have arrived: for them alone, signed, tried again, and forgotten when gone."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from sqlalchemy import select

from service.jobs import telling
from service.jobs.web_push import (
    CURVE,
    POINT_BYTES,
    SALT_BYTES,
    BrowserKeys,
    encrypted,
    message_key,
    point_of,
)
from service.records.tables import Child, PushSubscription, Teacher
from service.security import Secrets, Signer, from_base64url, to_base64url
from tests.service.conftest import Place
from tests.service.jobs.test_deletion import send
from tests.service.seeding import PASSWORD, Seeded, seed
from tests.service.web.test_shop import receiving
from tests.waiting import until

CONTACT = "mailto:studio@example.org"
HERE = "https://push.example.org/here"


@dataclass(frozen=True)
class Browser:
    """A browser's side of a subscription."""

    key: ec.EllipticCurvePrivateKey
    auth: bytes

    @classmethod
    def fresh(cls) -> Browser:
        return cls(ec.generate_private_key(CURVE), bytes(range(16)))

    def fields(self, endpoint: str) -> dict[str, str]:
        return {"endpoint": endpoint, "point": to_base64url(point_of(self.key)), "auth": to_base64url(self.auth)}

    def read(self, body: bytes) -> bytes:
        """Decrypt a body as a browser does (RFC 8291, 3.4; RFC 8188, 2.1)."""
        salt, point = body[:SALT_BYTES], body[21 : 21 + POINT_BYTES]
        assert (int.from_bytes(body[16:20], "big"), body[20]) == (4096, POINT_BYTES)
        key, nonce = message_key(self.key, point, salt, self.auth, point, point_of(self.key))
        words, _, padding = AESGCM(key).decrypt(nonce, body[21 + POINT_BYTES :], None).rpartition(b"\x02")
        assert padding == b""
        return words


def private_key(text: str) -> ec.EllipticCurvePrivateKey:
    return ec.derive_private_key(int.from_bytes(from_base64url(text), "big"), CURVE)


def test_the_worked_example_of_the_standard() -> None:
    """RFC 8291, section 5 and appendix A."""
    browser = Browser(
        private_key("q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"), from_base64url("BTBZMqHH6r4Tts7J_aSIgg")
    )
    words = b"When I grow up, I want to be a watermelon"
    body = encrypted(
        words,
        BrowserKeys.read(
            "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4",
            "BTBZMqHH6r4Tts7J_aSIgg",
        ),
        from_base64url("DGv6ra1nlYgDCS1FRnbzlw"),
        private_key("yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"),
    )
    assert to_base64url(body) == (
        "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl"
        "7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
    )
    assert browser.read(body) == words


def test_the_key_stays_with_the_secret_and_survives_its_change() -> None:
    old, new = Signer(Secrets(b"a" * 32)), Signer(Secrets(b"b" * 32, b"a" * 32))
    before, after = ([point_of(key) for key in each.push_keys()] for each in (old, new))
    assert after[1:] == before
    assert after[0] != before[0]


@pytest.fixture
def studio(open_place: Callable[..., Place]) -> tuple[Place, Seeded]:
    place = open_place(push_contact=CONTACT)
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    return place, seeded


def ask(place: Place, seeded: Seeded, what: str, **fields: str) -> int:
    token = place.house.signer.form_token(seeded.sign_in_id)
    return place.client.post(f"/account/push/{what}", data={"form_token": token} | fields).status_code


def told(place: Place) -> list[PushSubscription]:
    with place.house.store.whole_house() as session:
        return list(session.scalars(select(PushSubscription)))


def check_signature(authorization: str, audience: str, place: Place) -> None:
    """As a push service does (RFC 8292, 4.2; RFC 7515, 5.2)."""
    scheme, _, rest = authorization.partition(" ")
    parts = dict(each.strip().split("=", 1) for each in rest.split(","))
    said, _, signature = parts["t"].rpartition(".")
    numbers = from_base64url(signature)
    signed = encode_dss_signature(*(int.from_bytes(each, "big") for each in (numbers[:32], numbers[32:])))
    point = ec.EllipticCurvePublicKey.from_encoded_point(CURVE, from_base64url(parts["k"]))
    point.verify(signed, said.encode(), ec.ECDSA(SHA256()))
    header, claims = (json.loads(from_base64url(each)) for each in said.split("."))
    assert (scheme, header) == ("vapid", {"typ": "JWT", "alg": "ES256"})
    assert (claims["aud"], claims["sub"]) == (audience, CONTACT)
    assert 0 < claims["exp"] - place.clock.now().timestamp() <= 24 * 3600
    assert place.house.push is not None
    assert parts["k"] == place.house.push.public_key


def test_a_busy_push_service_is_asked_again_and_one_that_lost_a_browser_never(
    open_place: Callable[..., Place], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(telling, "TELL_AFTER_S", 0.4)
    monkeypatch.setattr(telling, "PUSH_PAUSES_S", (0.2, 0.2))
    place = open_place(push_contact=CONTACT, webhooks_private=True)
    place.clock.forward(minutes=10)
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Teacher, seeded.teacher_id).language = "de"
        names = {each.nickname for each in records.scalars(select(Child))}
    browser = Browser.fresh()
    with receiving() as busy, receiving() as lost, receiving() as gone:
        busy.answers, lost.answers, gone.answers = [503, 429], [404], [410]
        for service in (busy, lost, gone):
            assert ask(place, seeded, "on", **browser.fields(f"{service.address}/send/a")) == 200
        send(place, seeded, b"good")
        until(lambda: len(told(place)) == 1)
        until(lambda: len(busy.received) == 3)
    assert (len(lost.received), len(gone.received)) == (1, 1)
    body, headers = busy.received[-1]
    words = browser.read(body).decode()
    assert {browser.read(each) for each, _ in busy.received} == {words.encode()}
    assert json.loads(words) == {"words": "Fotos sind angekommen", "lang": "de", "path": "/children"}
    assert not [each for each in names if each in words]
    assert (headers["content-encoding"], headers["ttl"]) == ("aes128gcm", "86400")
    check_signature(headers["authorization"], busy.address, place)


def test_it_ends_with_the_sign_in_and_follows_a_later_one(studio: tuple[Place, Seeded]) -> None:
    place, seeded = studio
    ask(place, seeded, "on", **Browser.fresh().fields(HERE))
    place.client.post("/sign-in", data={"email": seeded.email, "password": PASSWORD})
    token = place.client.get("/account").text.split('name="form_token" value="')[1].split('"')[0]
    assert [each.sign_in_id for each in told(place)] == [seeded.sign_in_id], "no script ran yet"
    seen = place.client.post("/account/push/seen", data={"form_token": token, "endpoint": HERE})
    assert seen.json() == {"on": True}
    place.client.post("/account/revoke", data={"form_token": token, "password": PASSWORD})
    assert len(told(place)) == 1, "signing the others out leaves this one"
    place.client.post("/sign-out", data={"form_token": token})
    assert told(place) == []


def test_which_browsers_are_told(studio: tuple[Place, Seeded]) -> None:
    place, seeded = studio
    mine = Browser.fresh().fields(HERE)
    inside = ("http://push.example.org/a", "https://10.0.0.7/a", "https://[::1]/a", "https://till.local/a", "", "x")
    odd = [{"endpoint": each} for each in (*inside, f"https://push.example.org/{'a' * 1000}")]
    odd += [{"point": each} for each in ("AAAA", "ä", mine["point"][:-1], to_base64url(b"\x04" + b"\x01" * 64))]
    assert {ask(place, seeded, "on", **(mine | each)) for each in (*odd, {"auth": "AAAA"})} == {422}
    assert told(place) == []
    assert [ask(place, seeded, "on", **mine) for _ in range(2)] == [200, 200]
    assert len(told(place)) == 1
    other = seed(place.house, "Studio Esche")
    place.client.cookies.set("scrollreach", other.session)
    assert ask(place, other, "off", endpoint=HERE) == 200
    assert len(told(place)) == 1, "another teacher switches nothing off"
    assert ask(place, other, "on", **mine) == 200
    assert [each.teacher_id for each in told(place)] == [other.teacher_id], "whoever switches it on here is told"
    assert ask(place, other, "off", endpoint=HERE) == 200
    assert told(place) == []
    for number in range(12):
        place.clock.forward(minutes=1)
        ask(place, other, "on", **(mine | {"endpoint": f"{HERE}/{number}"}))
    assert {each.endpoint for each in told(place)} == {f"{HERE}/{number}" for number in range(2, 12)}, "the latest ten"
