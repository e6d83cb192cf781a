"""The line before measuring: in order of rank, never the last place for strangers, told at once where it is full."""

from __future__ import annotations

import asyncio

import pytest

from service.measuring import admission as line
from service.measuring.admission import PHOTOS_OF_ONE, Admission, Busy, Rank
from tests.waiting import finished


class Door:
    """Comes in, waits until it is let out, and writes down who was in when."""

    def __init__(self, admission: Admission) -> None:
        self.admission = admission
        self.entered: list[str] = []
        self.leave: dict[str, asyncio.Event] = {}
        self.tasks: dict[str, asyncio.Task[None]] = {}

    async def come(self, name: str, rank: Rank) -> None:
        self.leave[name] = asyncio.Event()

        async def stay() -> None:
            async with self.admission.place(rank):
                self.entered.append(name)
                await self.leave[name].wait()

        self.tasks[name] = asyncio.create_task(stay())
        await asyncio.sleep(0)
        await asyncio.sleep(0)

    async def go(self, name: str) -> None:
        self.leave[name].set()
        await self.tasks[name]
        await asyncio.sleep(0)
        await asyncio.sleep(0)


def test_families_come_before_shops_and_shops_before_strangers() -> None:
    async def scene() -> list[str]:
        door = Door(Admission(1))
        await door.come("stranger 1", Rank.STRANGER)
        for name, rank in (("stranger 2", Rank.STRANGER), ("shop", Rank.SHOP), ("family", Rank.KNOWN)):
            await door.come(name, rank)
        for name in ("stranger 1", "family", "shop", "stranger 2"):
            await door.go(name)
        return door.entered

    assert finished(scene()) == ["stranger 1", "family", "shop", "stranger 2"]


def test_the_last_place_is_kept_for_families() -> None:
    async def scene() -> list[str]:
        door = Door(Admission(2))
        await door.come("family", Rank.KNOWN)
        await door.go("family")
        await door.come("stranger", Rank.STRANGER)
        await door.come("shop", Rank.SHOP)
        await door.come("another family", Rank.KNOWN)
        entered = list(door.entered)
        for name in ("stranger", "another family", "shop"):
            await door.go(name)
        return entered

    assert finished(scene()) == ["family", "stranger", "another family"]


def test_where_no_family_is_about_every_place_serves() -> None:
    async def scene() -> list[str]:
        door = Door(Admission(2))
        for name in ("one", "two"):
            await door.come(name, Rank.STRANGER)
        entered = list(door.entered)
        for name in ("one", "two"):
            await door.go(name)
        return entered

    assert finished(scene()) == ["one", "two"]


def test_a_full_line_is_told_with_a_time_that_comes_true() -> None:
    async def scene() -> None:
        admission = Admission(1)
        admission.mean_s = 3.0
        door = Door(admission)
        for number in range(1 + PHOTOS_OF_ONE):
            await door.come(f"stranger {number}", Rank.STRANGER)
        with pytest.raises(Busy) as refused:
            async with admission.place(Rank.STRANGER):
                pass
        assert refused.value.retry_after_s == 3 * (1 + PHOTOS_OF_ONE)  # all before it, three seconds each
        await door.come("family", Rank.KNOWN)  # waits, and is not refused
        assert admission.waiting(Rank.KNOWN) == 1
        for task in door.tasks.values():
            task.cancel()
        await asyncio.gather(*door.tasks.values(), return_exceptions=True)
        assert admission.running() == 0

    finished(scene())


def test_a_stranger_whom_others_keep_from_being_called_is_told_to_come_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(line.LONGEST_WAIT_S, Rank.STRANGER, 0.05)

    async def scene() -> None:
        admission = Admission(1)
        door = Door(admission)
        for name, rank in (("shop 1", Rank.SHOP), ("stranger", Rank.STRANGER), ("shop 2", Rank.SHOP)):
            await door.come(name, rank)
        with pytest.raises(Busy) as told:
            await door.tasks["stranger"]
        assert told.value.retry_after_s >= 1
        assert (admission.waiting(Rank.STRANGER), len(admission._line)) == (0, 1)
        for name in ("shop 1", "shop 2"):
            await door.go(name)
        assert door.entered == ["shop 1", "shop 2"]
        assert (admission.running(), admission.waiting(Rank.SHOP)) == (0, 0)

    finished(scene())


def test_who_gives_up_waiting_leaves_the_line() -> None:
    async def scene() -> None:
        admission = Admission(1)
        door = Door(admission)
        await door.come("first", Rank.KNOWN)
        await door.come("gives up", Rank.KNOWN)
        door.tasks["gives up"].cancel()
        await asyncio.sleep(0)
        await door.come("second", Rank.KNOWN)
        await door.go("first")
        await door.go("second")
        assert door.entered == ["first", "second"]
        assert (admission.running(), admission.waiting(Rank.KNOWN)) == (0, 0)

    finished(scene())
