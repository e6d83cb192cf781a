"""Starting the durable work on several machines at once, and forgetting what has ended."""

from __future__ import annotations

import asyncio

from dbos import DBOS

from service.jobs import running
from service.records.photos import OVERLAY
from tests.service.conftest import Place
from tests.service.jobs.test_deletion import kept, send
from tests.service.seeding import seed
from tests.waiting import until

AT_ONCE = 8


def test_machines_that_start_together_schedule_one_deletion(place: Place) -> None:
    async def start_together() -> list[str]:
        for each in await DBOS.list_schedules_async():
            await DBOS.delete_schedule_async(each["schedule_name"])
        await asyncio.gather(*(running._schedule_deletions() for _ in range(AT_ONCE)))
        return [each["schedule_name"] for each in await DBOS.list_schedules_async()]

    assert place.client.portal is not None
    assert place.client.portal.call(start_together) == ["delete-photos-on-their-day"]


def test_what_ended_leaves_no_identity_of_a_photo_behind(place: Place) -> None:
    seeded = seed(place.house)
    refused, due = send(place, seeded, b"bad"), send(place, seeded, b"good", key="two")
    until(lambda: not kept(place, refused) and OVERLAY in kept(place, due))

    async def delete_forget_and_list() -> list[str]:
        place.clock.forward(days=15)
        await running.sweep(place.clock.now())  # under a name that the library gives, as the schedule's runs
        await running.forget_ended()
        return [each.workflow_id for each in await DBOS.list_workflows_async()]

    assert place.client.portal is not None
    assert place.client.portal.call(delete_forget_and_list) == []
    assert not kept(place, due)
