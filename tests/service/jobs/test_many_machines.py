"""Two web and two worker processes on PostgreSQL and an object store, one of each killed -9: nothing lost or doubled.

Forty photos by default; ``TRY_PHOTOS=200`` sends two hundred.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import select

from service.records.columns import Base
from service.records.erase import erase_child
from service.records.photos import ORIGINAL, VIEW
from service.records.tables import MEASURED, Child, Upload
from service.settings import Settings
from service.web.house import House, open_house
from tests.service.conftest import Recorded
from tests.service.seeding import SetClock, seed
from tests.service.shared_places import bucket, free_port, postgres

PHOTOS = int(os.environ.get("TRY_PHOTOS", "40"))
SENDERS = 6
LONGEST_S = 600.0
"""After this the trial has failed, however busy the machine that it runs on."""


@pytest.fixture(scope="module")
def shared() -> Iterator[dict[str, str]]:
    """Environment of machines that share a database and an object store."""
    with postgres() as database, bucket() as (address, said):
        yield said | {"SCROLLREACH_DATABASE_URL": database, "SCROLLREACH_PHOTOS_URL": address}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data folder, of which the machines share the secret."""
    return tmp_path_factory.mktemp("machines")


@pytest.fixture
def house(shared: dict[str, str], folder: Path, monkeypatch: pytest.MonkeyPatch) -> House:
    for name, value in shared.items():
        monkeypatch.setenv(name, value)
    return open_house(Settings(data_folder=folder), Recorded(), SetClock())


def test_the_same_tables_and_rules_hold_on_postgresql(house: House) -> None:
    with house.store.engine.connect() as connection:
        ours = {table.name for table in Base.metadata.sorted_tables}
        context = MigrationContext.configure(
            connection, opts={"include_name": lambda name, kind, _: kind != "table" or name in ours}
        )
        assert compare_metadata(context, Base.metadata) == []
    mine, theirs = seed(house, "Studio Linde"), seed(house, "Studio Ahorn")
    with house.store.for_studio(mine.studio_id) as records:
        assert records.get(Child, theirs.child_id) is None
        assert {child.studio_id for child in records.scalars(select(Child))} == {mine.studio_id}
    assert house.photos.get(mine.arm_upload_id, VIEW) is not None
    assert erase_child(house.store, house.photos, mine.studio_id, mine.child_id)
    assert house.photos.get(mine.arm_upload_id, VIEW) is None
    assert house.photos.has(theirs.arm_upload_id, VIEW)


def test_tries_are_counted_for_all_processes_together(house: House, folder: Path) -> None:
    other = open_house(Settings(data_folder=folder), Recorded(), SetClock())
    most = Settings().sign_in_tries
    allowed = [each.limiter.allows("sign-in", "ada@example.org") for _ in range(most) for each in (house, other)]
    assert allowed == [True] * most + [False] * most
    assert 1 <= house.limiter.retry_after_s("sign-in", "ada@example.org") <= 60
    assert other.limiter.allows("sign-in", "ben@example.org")
    with house.store.engine.connect() as connection:
        assert "ada" not in str(connection.exec_driver_sql("SELECT * FROM tries").all())


@dataclass
class Machine:
    """A process and its address."""

    role: str
    process: subprocess.Popen[bytes]
    address: str

    def kill(self) -> None:
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait()


def start(role: str, folder: Path, notes: Path, shared: dict[str, str]) -> Machine:
    port = free_port()
    command = [sys.executable, "-m", "tests.service.jobs.machine", role, str(folder), str(port), str(notes)]
    process = subprocess.Popen(command, env=os.environ | shared, stderr=subprocess.DEVNULL)
    return Machine(role, process, f"http://127.0.0.1:{port}")


def wait_for(machine: Machine) -> None:
    until = time.monotonic() + 240
    while time.monotonic() < until:
        try:
            if httpx.get(f"{machine.address}/api/v1/health", timeout=2).status_code == 200:
                return
        except httpx.HTTPError:
            time.sleep(0.2)
    raise AssertionError(f"the {machine.role} process did not start")


def test_photos_sent_while_machines_die_are_each_measured_once(
    house: House, shared: dict[str, str], folder: Path
) -> None:
    seeded = seed(house, "Studio Birke")
    notes = folder / "measured"
    notes.touch()
    machines = [start(role, folder, notes, shared) for role in ("web", "web", "worker", "worker")]
    for machine in machines:
        wait_for(machine)
    webs, workers = machines[:2], machines[2:]
    waiting = list(range(PHOTOS))
    acknowledged: list[str] = []
    token = house.signer.form_token(seeded.family)
    chance = random.Random(20310512)
    ends = time.monotonic() + LONGEST_S

    def send() -> None:
        while waiting:
            try:
                number = waiting.pop()
            except IndexError:
                return
            key = f"photo-{number}"
            while time.monotonic() < ends:
                web = chance.choice(webs)
                fields, photo = {"form_token": token, "client_key": key}, {"photo": ("a.jpg", key.encode())}
                try:
                    answer = httpx.post(f"{web.address}/f/{seeded.family}/arm", data=fields, files=photo, timeout=30)
                except httpx.HTTPError:
                    continue  # that machine is dead: the phone sends again
                if answer.status_code == 303:
                    acknowledged.append(key)
                    break
                time.sleep(0.2)

    senders = [threading.Thread(target=send) for _ in range(SENDERS)]
    for sender in senders:
        sender.start()
    while len(acknowledged) < PHOTOS // 4 and time.monotonic() < ends:
        time.sleep(0.05)
    webs[0].kill()
    workers[0].kill()
    for sender in senders:
        sender.join(LONGEST_S)
    sent = Upload.client_key.like("photo-%")
    until = time.monotonic() + 240
    while time.monotonic() < until:
        with house.store.whole_house() as records:
            states = Counter(records.scalars(select(Upload.state).where(sent)))
        if states == {MEASURED: PHOTOS}:
            break
        time.sleep(0.2)
    for machine in (webs[1], workers[1]):
        machine.kill()
    assert states == {MEASURED: PHOTOS}
    with house.store.whole_house() as records:
        rows = list(records.execute(select(Upload.client_key, Upload.id).where(sent)))
    assert sorted(key for key, _ in rows) == sorted(set(acknowledged))
    assert all(house.photos.get(upload_id, ORIGINAL) == key.encode() for key, upload_id in rows)
    times = Counter(notes.read_text().split())
    assert set(times) == set(acknowledged)
    again = sum(times.values()) - PHOTOS
    assert again <= 2, "only what the killed worker, with its two places, had measured and not yet kept"
