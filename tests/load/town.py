"""A service in processes of its own, with studios and a shop's key, for trials from outside."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import httpx

from service.records.tables import ApiKey
from service.security import digest
from service.settings import Settings
from service.web.house import open_house
from tests.load.clients import Town
from tests.service.conftest import Recorded
from tests.service.seeding import SetClock, seed
from tests.service.shared_places import free_port

KEY = "a key for the trial of load"
STUDIOS = 4
MANY = 1_000_000


@contextmanager
def town(workers: int) -> Iterator[tuple[Town, int]]:
    """A service in processes of its own on a fresh folder; with the number of its first process."""
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name) / "data", free_port()
        now = SetClock(datetime.now(UTC))
        house = open_house(Settings(data_folder=folder), Recorded(), now)
        seeded = [seed(house, f"Studio {number}", now.moment) for number in range(STUDIOS)]
        with house.store.for_studio(seeded[0].studio_id) as records:
            records.add(
                ApiKey(
                    studio_id=seeded[0].studio_id,
                    name="load",
                    token_digest=digest(KEY),
                    a_minute=MANY,
                    scopes="measure",
                    created_at=now.moment,
                )
            )
        house.store.close()
        said = {
            "SCROLLREACH_DATA_FOLDER": str(folder),
            "SCROLLREACH_PORT": str(port),
            "SCROLLREACH_WORKERS": str(workers),
            "SCROLLREACH_STRANGER_SECONDS": str(MANY),
            "SCROLLREACH_FAMILY_TRIES": str(MANY),
            "SCROLLREACH_INTERFACE_TRIES": str(MANY),
        }
        log = (Path(name) / "log").open("wb")
        process = subprocess.Popen(
            [sys.executable, "-m", "service.cli", "serve"], env=os.environ | said, stdout=log, stderr=log
        )
        address = f"http://127.0.0.1:{port}"
        try:
            while not _is_ready(address):
                if process.poll() is not None:
                    raise RuntimeError((Path(name) / "log").read_text())
                time.sleep(0.3)
            yield Town(address, tuple(f"/f/{each.family}" for each in seeded), KEY), process.pid
        finally:
            process.terminate()
            process.wait(60)
            log.close()


def _is_ready(address: str) -> bool:
    try:
        return httpx.get(f"{address}/api/v1/ready", timeout=5).status_code == 200
    except httpx.HTTPError:
        return False


def memory_bytes(pid: int) -> list[int]:
    """Memory of a process and of each of its children, shared pages shared out (PSS), bytes."""
    found = []
    for each in _family_of(pid):
        try:
            lines = Path(f"/proc/{each}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        found.append(next((int(line.split()[1]) * 1024 for line in lines if line.startswith("Pss:")), 0))
    return found


def processor_s(pid: int) -> tuple[float, float]:
    """Processor time that a process has taken, and that its children have, s; of children that ended nothing."""
    taken = []
    for each in _family_of(pid):
        try:
            fields = Path(f"/proc/{each}/stat").read_text().rpartition(")")[2].split()
        except OSError:
            continue
        taken.append((int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"))
    return taken[0], sum(taken[1:])


def _family_of(pid: int) -> list[int]:
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in task.read_text().split():
            found += _family_of(int(child))
    return found


def said(what: str, found: float, bound: float, words: str) -> bool:
    """Print a figure beside its bound; whether it is met."""
    met = found <= bound
    print(f"{'met   ' if met else 'MISSED'} {what}: {words} (bound {abs(bound):g})", flush=True)
    return met
