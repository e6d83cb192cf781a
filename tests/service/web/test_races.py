"""What works once works once also for two who come at the same moment."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from threading import Barrier, BrokenBarrierError
from typing import Any

import httpx
import pytest
from sqlalchemy import func, select

from service.records.tables import OWNER, ArmRecord, RecoveryCode, SignIn, Teacher
from service.web.gate import invitations, second_factor
from service.web.teacher import people, review
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, seed
from tests.service.web.test_accounts import NEW_PASSWORD, post, second_teacher, signing_in, switched_on

TOGETHER_S = 10
"""So long two who race wait for one another; a second one who is held up before passes alone."""


@pytest.fixture
def seeded(place: Place) -> Seeded:
    found = seed(place.house)
    place.client.cookies.set("scrollreach", found.session)
    return found


def together(real: Callable[..., Any], seconds: float = TOGETHER_S) -> Callable[..., Any]:
    """A function that lets two callers go on only when both have come so far."""
    both = Barrier(2)

    def waiting(*arguments: Any, **named: Any) -> Any:
        found = real(*arguments, **named)
        with suppress(BrokenBarrierError):
            both.wait(seconds)
        return found

    return waiting


@dataclass(frozen=True)
class Sent:
    """A form that a browser sends, signed in by a cookie or not."""

    path: str
    form: dict[str, str]
    cookie: str | None = None


def at_once(place: Place, *sent: Sent) -> list[httpx.Response]:
    """Send forms at the same moment, each from a browser of its own; how each was answered."""

    def send(browser: httpx.Client, each: Sent) -> httpx.Response:
        if each.cookie is not None:
            browser.cookies.set("scrollreach", each.cookie)
        return browser.post(each.path, data=each.form)

    with ExitStack() as until_all_were_answered, ThreadPoolExecutor(len(sent)) as threads:
        browsers = [  # they share what they close
            until_all_were_answered.enter_context(
                httpx.Client(transport=place.client._transport, base_url="http://testserver")
            )
            for _ in sent
        ]
        return list(threads.map(send, browsers, sent))


def two(place: Place, path: str, *forms: dict[str, str]) -> list[int]:
    """How forms sent to one page at the same moment were answered."""
    return sorted(answer.status_code for answer in at_once(place, *(Sent(path, form) for form in forms)))


def test_a_code_opens_one_session(place: Place, seeded: Seeded, monkeypatch: pytest.MonkeyPatch) -> None:
    maker, _ = switched_on(place, seeded)
    place.clock.forward(minutes=5)
    form = {"halfway": signing_in(place), "code": maker.at(place.clock.now())}
    monkeypatch.setattr(second_factor, "matching_step", together(second_factor.matching_step))
    assert two(place, "/sign-in/code", form, form) == [303, 401]
    with place.house.store.whole_house() as records:
        assert records.scalar(select(func.count()).select_from(SignIn)) == 2, "the seeded one and one more"


def test_a_recovery_code_is_used_once(place: Place, seeded: Seeded) -> None:
    _, codes = switched_on(place, seeded)
    place.clock.forward(minutes=5)
    form = {"halfway": signing_in(place), "code": codes[0]}
    assert two(place, "/sign-in/code", form, form) == [303, 401]
    with place.house.store.whole_house() as records:
        assert records.scalar(select(func.count()).select_from(RecoveryCode)) == len(codes) - 1


def test_an_invitation_lets_one_in(place: Place, seeded: Seeded, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = post(place, "/studio/invite", seeded).text
    link = re.search(r"/welcome/[\w-]+", shown)
    assert link is not None
    place.client.cookies.clear()
    monkeypatch.setattr(invitations, "password_fault", together(invitations.password_fault))
    new = {"name": "Ben", "password": NEW_PASSWORD, "twice": NEW_PASSWORD}
    forms = [new | {"email": f"{name}@example.org"} for name in ("ben", "mallory")]
    assert two(place, link.group(), *forms) == [303, 404]
    with place.house.store.whole_house() as records:
        assert records.scalar(select(func.count()).select_from(Teacher)) == 2


def test_two_first_links_make_one_studio(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    with place.house.store.whole_house() as session:
        links = [invitations.new_invitation(session, place.clock.now(), role=OWNER) for _ in range(2)]
    new = {"name": "A", "studio": "S", "email": "a@example.org", "password": NEW_PASSWORD, "twice": NEW_PASSWORD}
    assert place.client.post(f"/welcome/{links[0]}", data=new).status_code == 303
    assert place.client.post(f"/welcome/{links[1]}", data=new | {"email": "b@example.org"}).status_code == 404


def test_two_owners_cannot_leave_a_studio_to_nobody(
    place: Place, seeded: Seeded, monkeypatch: pytest.MonkeyPatch
) -> None:
    other, session = second_teacher(place, seeded, OWNER)
    with place.house.store.whole_house() as records:
        holder = records.scalars(select(SignIn).where(SignIn.teacher_id == other)).one().id
    found = together(people._teacher)
    monkeypatch.setattr(people, "_teacher", found)
    token = place.house.signer.form_token

    asked = [(seeded.session, seeded.sign_in_id, other), (session, holder, seeded.teacher_id)]
    sent = [
        Sent(f"/studio/teachers/{teacher_id}/role", {"form_token": token(sign_in_id), "role": "teacher"}, cookie)
        for cookie, sign_in_id, teacher_id in asked
    ]
    answers = sorted(answer.status_code for answer in at_once(place, *sent))
    assert answers == [303, 409]
    with place.house.store.whole_house() as records:
        owners = select(func.count()).select_from(Teacher).where(Teacher.role == OWNER)
        assert records.scalar(owners) == 1


def test_what_is_accepted_by_two_is_in_the_records_once(
    place: Place, seeded: Seeded, monkeypatch: pytest.MonkeyPatch
) -> None:
    with place.house.store.whole_house() as records:
        before = records.scalar(select(func.count()).select_from(ArmRecord))
    place.client.cookies.set("scrollreach", seeded.session)
    seen = as_seen(place.client, seeded.arm_upload_id)
    monkeypatch.setattr(review, "_upload", together(review._upload, 2))

    form = seen | {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    accept = Sent(f"/reviews/{seeded.arm_upload_id}/accept", form, seeded.session)
    went = {answer.headers["location"].partition("?")[0] for answer in at_once(place, accept, accept)}
    assert went == {f"/reviews/{seeded.instrument_upload_id}"}
    with place.house.store.whole_house() as records:
        assert records.scalar(select(func.count()).select_from(ArmRecord)) == before + 1
