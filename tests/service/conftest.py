"""Fixtures of the service's tests."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from argon2.profiles import CHEAPEST
from fastapi.testclient import TestClient
from sqlalchemy import Engine, event

from calibration.blank_sheet import Blank
from service import security
from service.jobs import running
from service.measuring.outcome import ArmQuestion, InstrumentQuestion, Outcome, Question
from service.measuring.same_child import together
from service.records import database
from service.settings import Settings
from service.web.house import House
from tests.service.jobs.nursery import Nursery
from tests.service.seeding import SIZE_PX, SetClock, arm_result, instrument_result, plain_picture
from tests.service.serving import application
from vision.clip_files import is_clip
from vision.photo import Corrections

FILM_S = 1.3
"""Which frame of every film the recorded pictures show, s."""
REFUSED = {
    "usable": False,
    "problems": [{"code": "no_sheet", "message": "No sheet.", "advice": "Show the sheet."}],
    "points_px": {},
}


@dataclass
class Recorded:
    """Gives recorded measurements, for tests of what happens around measuring; a file that says bad is refused."""

    pause_s: float = 0.0
    measured: list[str] = field(default_factory=list)
    looked: list[str] = field(default_factory=list)
    received: list[bytes] = field(default_factory=list)
    bars_mm: list[float | None] = field(default_factory=list)
    references: list[Blank | None] = field(default_factory=list)
    questions: list[Question | None] = field(default_factory=list)
    looked_by: list[Question] = field(default_factory=list)

    async def is_ready(self) -> bool:
        return True

    def forget(self) -> None:
        """Forget what was measured so far, and by which bars."""
        self.measured.clear()
        self.bars_mm.clear()

    async def arm(self, data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        await asyncio.sleep(self.pause_s)
        self._note(question)
        return self._outcome(data, name, arm_result(436.0))

    async def arm_together(self, files: Sequence[tuple[bytes, str]], question: ArmQuestion | None = None) -> Outcome:
        return together([await self.arm(*file, question) for file in files])

    async def instrument(self, data: bytes, name: str, question: InstrumentQuestion | None = None) -> Outcome:
        await asyncio.sleep(self.pause_s)
        self._note(question)
        return self._outcome(data, name, instrument_result(243.0))

    async def instrument_together(
        self, files: Sequence[tuple[bytes, str]], question: InstrumentQuestion | None = None
    ) -> Outcome:
        views = [await self.instrument(*file, question) for file in files]
        return replace(views[0], views=tuple(views), result=views[0].result | {"photos": len(files)})

    async def look(self, files: Sequence[bytes], question: Question) -> bytes | None:
        await asyncio.sleep(self.pause_s)
        kind = "arm" if isinstance(question, ArmQuestion) else "instrument"
        self.looked.append(kind)
        self.looked_by.append(question)
        return json.dumps([kind, [FILM_S if is_clip(data) else None for data in files]]).encode()

    async def solve(
        self,
        sight: bytes,
        question: Question,
        moved: Mapping[int, Corrections] | None = None,
        picture: bytes | None = None,
    ) -> Outcome:
        """Each palm that was moved makes the arm longer by as many mm as it lies further to the right than 830 px."""
        await asyncio.sleep(self.pause_s)
        self._note(question)
        kind, films_s = json.loads(sight)
        self.measured.append(kind)
        palms = [points["mid_palm"][0] for points in (moved or {}).values() if "mid_palm" in points]
        arm = arm_result(436.0 + sum(x - 830 for x in palms))
        result = arm if isinstance(question, ArmQuestion) else instrument_result(243.0)
        views = tuple(Outcome({"points_px": result["points_px"]}, film_s=film_s) for film_s in films_s)
        return Outcome(result, None if picture is None else plain_picture(3), size_px=SIZE_PX, views=views)

    def _note(self, question: Question | None) -> None:
        self.bars_mm.append(question.bar_mm if question else None)
        self.references.append(question.reference if question else None)
        self.questions.append(question)

    def _outcome(self, data: bytes, name: str, result: dict[str, object]) -> Outcome:
        self.measured.append(name)
        self.received.append(data)
        if data.startswith(b"bad"):
            return Outcome({"photo": name} | REFUSED, plain_picture(1), plain_picture(2), SIZE_PX)
        if not is_clip(data):
            return Outcome(result, plain_picture(1), plain_picture(2), SIZE_PX)
        frame = Outcome(result, plain_picture(1), plain_picture(2), SIZE_PX, film_s=FILM_S)
        return replace(frame, views=(frame,))


@dataclass
class Place:
    """A service within the test, its clock, and its data folder."""

    client: TestClient
    clock: SetClock
    pool: Recorded
    folder: Path

    @property
    def house(self) -> House:
        house: House = self.client.app.state.house  # type: ignore[attr-defined]
        return house


@pytest.fixture(scope="session", autouse=True)
def _no_hour_begins() -> Iterator[None]:
    """Deletions are scheduled for a moment of the year that no test waits for: beside a test they would change rows.

    And a thousand services that are opened and closed need not wait for their engine's listener at each end.
    """
    with pytest.MonkeyPatch.context() as changed:
        changed.setattr(running, "EVERY_HOUR", "0 0 1 1 *")
        changed.setattr(running, "STOP_LOOK_S", 0.01)
        yield


@pytest.fixture(scope="session", autouse=True)
def own_pragmas() -> Iterator[tuple[str, ...]]:
    """The service's own, for whom the disk matters; the other tests do not wait for it.

    What was written outlives a process that is killed; to wait for the disk as well helps where the power fails.
    """

    def unhurried(connection: Any, _: object) -> None:
        if isinstance(connection, sqlite3.Connection):
            connection.execute("PRAGMA synchronous=OFF")

    own = database.PRAGMAS
    event.listen(Engine, "connect", unhurried)
    with pytest.MonkeyPatch.context() as changed:
        changed.setattr(os, "fsync", lambda _: None)
        changed.setattr(database, "PRAGMAS", tuple(each for each in own if "synchronous" not in each))
        yield own
    event.remove(Engine, "connect", unhurried)


@pytest.fixture(scope="session", autouse=True)
def slow_hasher() -> Iterator[PasswordHasher]:
    """The service's own, for whom its slowness matters; the other tests sign in a hundred times by a quick one."""
    own, cheap = security._hasher, PasswordHasher.from_parameters(CHEAPEST)
    with pytest.MonkeyPatch.context() as changed:
        changed.setattr(security, "_hasher", cheap)
        changed.setattr(security, "_NOBODYS", cheap.hash("nobody's password"))
        yield own


@pytest.fixture(scope="session")
def nursery() -> Iterator[Nursery]:
    """Where processes come from that serve and are killed."""
    nursery = Nursery()
    yield nursery
    nursery.close()


@pytest.fixture(scope="session")
def opened_before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data folder of a service that was opened once and closed: its tables need not be made for each test."""
    folder = tmp_path_factory.mktemp("opened") / "data"
    with TestClient(application(Settings(data_folder=folder), Recorded(), SetClock())):
        pass
    return folder


@pytest.fixture
def open_place(tmp_path: Path, opened_before: Path) -> Iterator[Callable[..., Place]]:
    """A function that starts a service with the settings it is given."""
    clients: list[TestClient] = []

    def start(**settings: object) -> Place:
        clock, pool = SetClock(), Recorded()
        if not (tmp_path / "data").exists():
            shutil.copytree(opened_before, tmp_path / "data")
        chosen: dict[str, object] = {"data_folder": tmp_path / "data"} | settings
        app = application(Settings(**chosen), pool, clock)  # type: ignore[arg-type]
        client = TestClient(app, follow_redirects=False)
        client.__enter__()
        clients.append(client)
        return Place(client, clock, pool, tmp_path / "data")

    yield start
    for client in clients:
        client.__exit__(None, None, None)


@pytest.fixture
def place(open_place: Callable[..., Place]) -> Place:
    """A service with the settings it comes with."""
    return open_place()
