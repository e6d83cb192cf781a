"""Open pages hear of what arrives, and of their own studio only."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import pytest

from service.records.tables import RECEIVED, SignIn, Teacher, Upload
from service.web.teacher.news import LOOK_EVERY_S, SIGNED_OUT, marks
from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed
from tests.waiting import finished


def arrives(place: Place, seeded: Seeded) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.add(
            Upload(
                studio_id=seeded.studio_id,
                request_id=seeded.request_id,
                child_id=seeded.child_id,
                kind="arm",
                client_key="another",
                received_at=place.clock.now(),
                state=RECEIVED,
                delete_on=place.clock.now().date(),
            )
        )


def heard(place: Place, listening: Seeded, arriving: Seeded, wait_s: float) -> list[str]:
    """What an open page hears: the first mark, then whatever comes within a while after a photo arrived."""

    async def listen() -> list[str]:
        events = marks(place.house, listening.studio_id, listening.sign_in_id)
        found = [await anext(events)]
        arrives(place, arriving)
        with suppress(TimeoutError):
            found.append(await asyncio.wait_for(anext(events), wait_s))
        place.house.closing.set()
        return found

    found = finished(listen())
    place.house.closing.clear()
    return found


def test_a_page_hears_that_a_photo_arrived(place: Place) -> None:
    seeded = seed(place.house)
    before, after = heard(place, seeded, seeded, 4 * LOOK_EVERY_S)
    assert before != after
    assert after.startswith("data: ")
    place.client.cookies.set("scrollreach", seeded.session)
    mark = after.removeprefix("data: ").strip()
    assert f'data-mark="{mark}"' in place.client.get("/children").text, "else the page would fetch itself for nothing"


def test_another_studio_hears_nothing(place: Place) -> None:
    seeded, other = seed(place.house), seed(place.house, "Studio Birke")
    assert len(heard(place, other, seeded, 2 * LOOK_EVERY_S)) == 1


def test_nobody_hears_without_signing_in(place: Place) -> None:
    seed(place.house)
    assert place.client.get("/news").headers["location"] == "/sign-in"


def test_listening_ends_when_the_service_stops(place: Place) -> None:
    seeded = seed(place.house)

    async def listen() -> int:
        count = 0
        async for _ in marks(place.house, seeded.studio_id, seeded.sign_in_id):
            count += 1
            place.house.closing.set()
        return count

    assert finished(asyncio.wait_for(listen(), 10)) == 1
    place.house.closing.clear()


def test_a_page_that_listens_keeps_nobody_signed_in(place: Place) -> None:
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    with place.house.store.for_studio(seeded.studio_id) as records:
        before = records.get_one(SignIn, seeded.sign_in_id).seen_at
    place.clock.forward(hours=1)
    place.client.get("/children", headers={"X-Fresh": "1"})
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(SignIn, seeded.sign_in_id).seen_at == before
    place.client.get("/children")
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(SignIn, seeded.sign_in_id).seen_at > before


@pytest.mark.parametrize("how", ["revoked", "unused", "removed"])
def test_a_page_whose_sign_in_has_ended_hears_that_and_nothing_more(place: Place, how: str) -> None:
    seeded = seed(place.house)

    async def listen() -> list[str]:
        events = marks(place.house, seeded.studio_id, seeded.sign_in_id)
        assert (await anext(events)).startswith("data: ")
        with place.house.store.for_studio(seeded.studio_id) as records:
            if how == "revoked":
                records.get_one(SignIn, seeded.sign_in_id).revoked_at = place.clock.now()
            elif how == "unused":
                place.clock.forward(hours=place.house.settings.idle_hours)
            else:
                records.delete(records.get_one(Teacher, seeded.teacher_id))
        return [event async for event in events]

    assert finished(asyncio.wait_for(listen(), 10)) == [SIGNED_OUT]
