"""Killed with -9 at random moments during uploads: nothing acknowledged is lost, nothing is doubled.

Four kills by default; ``TRY_KILLS=20`` makes twenty.
"""

from __future__ import annotations

import os
import random
import signal
import socket
import threading
import time
from pathlib import Path

import httpx
from sqlalchemy import func, select

from service.records.tables import MEASURED, Upload
from service.settings import Settings
from service.web.house import House, open_house
from tests.service.conftest import Recorded
from tests.service.jobs.killed_service import serve
from tests.service.jobs.nursery import Life, Nursery
from tests.service.seeding import SetClock, seed

KILLS = int(os.environ.get("TRY_KILLS", "4"))
LONGEST_LIFE_S = 3.0


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


class Family:
    """Sends photos without a pause, each until it is acknowledged, and remembers what was acknowledged."""

    def __init__(self, house: House, token: str, address: str) -> None:
        self.address = f"{address}/f/{token}/arm"
        self.form_token = house.signer.form_token(token)
        self.acknowledged: list[str] = []
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.send, daemon=True)

    def send(self) -> None:
        number = 0
        with httpx.Client(timeout=10) as phone:  # to make one anew for each try kept a processor busy
            while not self.stop.is_set():
                key = f"photo-{number}"
                data = {"form_token": self.form_token, "client_key": key}
                try:
                    answer = phone.post(self.address, data=data, files={"photo": ("a.jpg", key.encode())})
                except httpx.HTTPError:
                    time.sleep(0.02)
                    continue  # not acknowledged: the same photo is sent again
                if answer.status_code == 303:
                    self.acknowledged.append(key)
                    number += 1


def start(nursery: Nursery, folder: Path, port: int) -> Life:
    life = nursery.begin(serve, str(folder), port)
    until = time.monotonic() + 30
    with httpx.Client(timeout=1) as asking:
        while time.monotonic() < until:
            try:
                if asking.get(f"http://127.0.0.1:{port}/api/v1/health").status_code == 200:
                    return life
            except httpx.HTTPError:
                time.sleep(0.03)
    raise AssertionError("the service did not start")


def test_nothing_acknowledged_is_lost_or_doubled(tmp_path: Path, nursery: Nursery) -> None:
    house = open_house(Settings(data_folder=tmp_path), Recorded(), SetClock())
    seeded = seed(house)
    port = free_port()
    family = Family(house, seeded.family, f"http://127.0.0.1:{port}")
    family.thread.start()
    moments = random.Random(20310512)
    for _ in range(KILLS):
        life = start(nursery, tmp_path, port)
        time.sleep(moments.uniform(0, LONGEST_LIFE_S))
        life.end()
    life = start(nursery, tmp_path, port)
    time.sleep(3.0)
    family.stop.set()
    family.thread.join(15)
    sent = Upload.client_key.like("photo-%")
    until = time.monotonic() + 20
    while time.monotonic() < until:
        with house.store.whole_house() as records:
            states = set(records.scalars(select(Upload.state).where(sent)))
        if states == {MEASURED}:
            break
        time.sleep(0.1)
    life.end(signal.SIGTERM)
    with house.store.whole_house() as records:
        keys = list(records.scalars(select(Upload.client_key).where(sent)))
        assert records.scalar(select(func.count()).select_from(Upload).where(sent)) == len(set(keys))
    assert len(family.acknowledged) >= KILLS
    assert set(family.acknowledged) <= set(keys)
    assert states == {MEASURED}
