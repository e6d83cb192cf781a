"""Two web and two worker processes on PostgreSQL and an object store, one of each killed -9: nothing lost or doubled.

Forty photos by default; ``TRY_PHOTOS=200`` sends two hundred.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
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
from tests.service.jobs.machine import serve
from tests.service.jobs.nursery import Life, Nursery
from tests.service.seeding import Seeded, SetClock, seed
from tests.service.shared_places import bucket, free_port, postgres

PHOTOS = int(os.environ.get("TRY_PHOTOS", "40"))
SENDERS = 6
STALLED_S = 180.0
"""Where nothing moves for so long the trial has failed: how busy the machine is decides how long it takes, not whether
it passes."""


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
    life: Life
    address: str


def start(nursery: Nursery, role: str, folder: Path, notes: Path, shared: dict[str, str]) -> Machine:
    port = free_port()
    life = nursery.begin(serve, role, str(folder), port, str(notes), environment=shared)
    return Machine(role, life, f"http://127.0.0.1:{port}")


def wait_until(is_so: Callable[[], bool], seen: Callable[[], object], what: str) -> None:
    """Wait for a condition as long as what is seen goes on changing."""
    last, since = seen(), time.monotonic()
    while not is_so():
        now = seen()
        if now != last:
            last, since = now, time.monotonic()
        assert time.monotonic() - since < STALLED_S, f"{what}: nothing moves at {now}"
        time.sleep(0.1)


def wait_for(machine: Machine) -> None:
    """Wait until a process answers; it works as long as it takes time of the processor."""
    asking = httpx.Client(timeout=30)

    def answers() -> bool:
        assert machine.life.lasts, f"the {machine.role} process ended"
        try:
            return asking.get(f"{machine.address}/api/v1/ready").status_code == 200
        except httpx.HTTPError:
            return False

    ticks = Path(f"/proc/{machine.life.pid}/stat")
    wait_until(answers, lambda: ticks.read_text().split()[13:15] if ticks.exists() else None, machine.role)


def test_photos_sent_while_machines_die_are_each_measured_once(
    house: House, shared: dict[str, str], folder: Path, nursery: Nursery
) -> None:
    seeded = seed(house, "Studio Birke")
    notes = folder / "measured"
    notes.touch()
    machines = [start(nursery, role, folder, notes, shared) for role in ("web", "web", "worker", "worker")]
    try:
        for machine in machines:
            wait_for(machine)
        acknowledged = _sent_and_measured(house, seeded, machines)
    finally:
        for machine in machines:
            machine.life.end()
    sent = Upload.client_key.like("photo-%")
    with house.store.whole_house() as records:
        rows = list(records.execute(select(Upload.client_key, Upload.id).where(sent)))
    assert sorted(key for key, _ in rows) == sorted(set(acknowledged))
    assert all(house.photos.get(upload_id, ORIGINAL) == key.encode() for key, upload_id in rows)
    times = Counter(notes.read_text().split())
    assert set(times) == set(acknowledged)
    again = sum(times.values()) - PHOTOS
    assert again <= 2, "only what the killed worker, with its two places, had measured and not yet kept"


def _sent_and_measured(house: House, seeded: Seeded, machines: list[Machine]) -> list[str]:
    """Send all photos while one process of each kind is killed, until all are measured; the keys acknowledged."""
    webs, workers = machines[:2], machines[2:]
    waiting = list(range(PHOTOS))
    acknowledged: list[str] = []
    token = house.signer.form_token(seeded.family)
    chance = random.Random(20310512)
    given_up = threading.Event()

    def send() -> None:
        phone = httpx.Client(timeout=120)
        while waiting:
            try:
                number = waiting.pop()
            except IndexError:
                return
            key = f"photo-{number}"
            while not given_up.is_set():
                web = chance.choice(webs)
                fields, photo = {"form_token": token, "client_key": key}, {"photo": ("a.jpg", key.encode())}
                try:
                    answer = phone.post(f"{web.address}/f/{seeded.family}/arm", data=fields, files=photo)
                except httpx.HTTPError:
                    continue  # that machine is dead: the phone sends again
                if answer.status_code == 303:
                    acknowledged.append(key)
                    break
                time.sleep(0.2)

    senders = [threading.Thread(target=send) for _ in range(SENDERS)]
    for sender in senders:
        sender.start()
    try:
        wait_until(lambda: len(acknowledged) >= PHOTOS // 4, lambda: len(acknowledged), "sending")
        webs[0].life.end()
        workers[0].life.end()
        wait_until(lambda: not any(each.is_alive() for each in senders), lambda: len(acknowledged), "sending")
    finally:
        given_up.set()

    def states() -> Counter[str]:
        with house.store.whole_house() as records:
            return Counter(records.scalars(select(Upload.state).where(Upload.client_key.like("photo-%"))))

    wait_until(lambda: states() == {MEASURED: PHOTOS}, states, "measuring")
    return acknowledged
