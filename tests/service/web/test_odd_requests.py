"""Odd numbers, foreign encodings, endless and deep bodies: refused at once, never an error of ours."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from tests.service.conftest import Place
from tests.service.malformed import malformed
from tests.service.seeding import Seeded, seed

LONGEST_S = 2.0
"""One answer on a busy machine; the form that names punycode took 9 s, a megabyte of ampersands the same."""


def test_malformed_requests_are_refused_at_once(open_place: Callable[..., Place]) -> None:
    place = open_place(quick_tries=10_000, interface_tries=10_000)
    tried = list(malformed())
    assert len(tried) >= 200
    for each in tried:
        begun = time.monotonic()
        answer = place.client.request(each.method, each.path, content=each.content, headers=each.headers)
        assert answer.status_code < 500, (each.about, answer.status_code)
        assert time.monotonic() - begun < LONGEST_S, each.about


def test_other_encodings_are_refused_before_they_are_read(place: Place) -> None:
    # RFC 9110 section 15.5.16: 415 where the content's encoding is not supported
    body = "é".encode("utf-16")
    for charset, status in (("utf-8", 422), ("UTF-8", 422), ("punycode", 415), ("utf-16", 415)):
        kind = f"application/x-www-form-urlencoded; charset={charset}"
        assert place.client.post("/", content=body, headers={"content-type": kind}).status_code == status


@pytest.fixture
def signed_in(place: Place) -> Seeded:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    return seeded


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/children/new", {"nickname": "x\0y", "birth_year": "²⁰²⁰", "birth_month": "²"}),
        ("/children/new", {"nickname": "٣", "birth_year": "٢٠٢٥"}),
        ("/children/{child}/request", {"days": "²", "arm": "1"}),
        ("/children/{child}/tape", {"reading": "1e308"}),
        ("/studio/settings", {"photo_days": "²", "name": "x"}),
        ("/instruments/new", {"name": "²", "body_length": "255", "total_length": "421"}),
        ("/charts/new", {"name": "²", "stretch": "1e308", "csv": "size,arm_from\n²,1e309\n"}),
        ("/charts/new", {"name": "x", "stretch": "nan"}),
    ],
)
def test_odd_numbers_in_forms_are_no_errors_of_ours(
    place: Place, signed_in: Seeded, path: str, fields: dict[str, str]
) -> None:
    token = place.house.signer.form_token(signed_in.sign_in_id)
    answer = place.client.post(path.format(child=signed_in.child_id), data={"form_token": token} | fields)
    assert answer.status_code in (200, 303, 422)
    for page in ("/children", "/instruments", "/charts", f"/children/{signed_in.child_id}"):
        assert place.client.get(page).status_code == 200


@pytest.mark.parametrize(
    "points",
    [
        "[[[[" * 1900,
        '{"mid_palm":[1e308,1]}',
        '{"mid_palm":[' + "9" * 400 + ",1]}",
        '{"\\ud800":[1,1]}',
        '{"mid_palm":[true,null]}',
        "null",
    ],
)
def test_odd_points_are_nowhere(place: Place, signed_in: Seeded, points: str) -> None:
    token = place.house.signer.form_token(signed_in.sign_in_id)
    path = f"/reviews/{signed_in.arm_upload_id}/points"
    assert place.client.post(path, data={"form_token": token, "points": points}).status_code == 404
