"""Starting the durable work on several machines at once."""

from __future__ import annotations

import asyncio

from dbos import DBOS

from service.jobs import running
from tests.service.conftest import Place

AT_ONCE = 8


def test_machines_that_start_together_schedule_one_deletion(place: Place) -> None:
    async def start_together() -> list[str]:
        for each in await DBOS.list_schedules_async():
            await DBOS.delete_schedule_async(each["schedule_name"])
        await asyncio.gather(*(running._schedule_deletions() for _ in range(AT_ONCE)))
        return [each["schedule_name"] for each in await DBOS.list_schedules_async()]

    assert place.client.portal is not None
    assert place.client.portal.call(start_together) == ["delete-photos-on-their-day"]
