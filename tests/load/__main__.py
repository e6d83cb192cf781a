"""How much the service measures, what twice as much does to families, and whether its memory stays.

``python -m tests.load [--seconds 180] [--clients 50] [--memory 2000] [--ratio]`` prints each figure beside its bound,
and ends with 1 where one is missed.  Capacity is measured with families alone; then come all kinds of visitors at
once, who ask for more than twice of it.
"""

from __future__ import annotations

import argparse
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
import numpy as np

from service.records.tables import ApiKey
from service.security import digest
from service.settings import Settings
from service.web.house import open_house
from tests.load.clients import Seen, Town, Visitor, family, page, pausing_family, shop, stranger, visit
from tests.service.conftest import Recorded
from tests.service.seeding import SetClock, seed
from tests.service.shared_places import free_port

KEY = "a key for the trial of load"
STUDIOS = 4
WARM_S, RAMP = 6.0, 3
FAMILY_BOUND, PAGE_BOUND_S, MEMORY_BOUND, RATIO_BOUND = 2.0, 0.1, 0.05, 1.8
"""Family's 95th percentile over its unloaded one, a page's 95th percentile, growth of memory, two workers over one: the
bounds that the service was built for."""
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


def memory_bytes(pid: int) -> int:
    """Memory of a process and all its children, shared pages shared out (PSS), bytes."""
    total = 0
    for each in _family_of(pid):
        try:
            lines = Path(f"/proc/{each}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        total += next((int(line.split()[1]) * 1024 for line in lines if line.startswith("Pss:")), 0)
    return total


def _family_of(pid: int) -> list[int]:
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in task.read_text().split():
            found += _family_of(int(child))
    return found


def p95(seen: Seen, who: str) -> float:
    """95th percentile of what a kind of visitor waited, s; nan where none came through."""
    waited = seen.seconds.get(who, [])
    return float(np.percentile(waited, 95)) if waited else float("nan")


def mixed(clients: int) -> list[Visitor]:
    """Visitors of all kinds: a few families, a fifth readers of pages, two fifths strangers, the rest the shop.

    Families are one in twenty-five and pause between their photos, so that they alone do not fill the service: what is
    asked is whether strangers and shop, who do, keep them waiting.
    """
    families, fifth = max(1, clients // 25), max(1, clients // 5)
    others = max(1, clients - families - 3 * fifth)
    return [pausing_family] * families + [page] * fifth + [stranger] * (2 * fifth) + [shop] * others


def under_load(seconds: float, clients: int, workers: int) -> bool:
    """Capacity, then twice of it and more; whether every bound is met."""
    with town(workers) as (place, _):
        visit(place, [family], WARM_S)
        alone = visit(place, [family], max(seconds / RAMP, WARM_S))
        full = visit(place, [family] * (workers + 1), max(seconds / RAMP, WARM_S))
        capacity = len(full.seconds.get("family", [])) / max(seconds / RAMP, WARM_S)
        print(f"capacity: {capacity:.2f} photos/s with {workers} workers")
        print(f"a family alone waits {p95(alone, 'family'):.2f} s (95 %)")
        seen = visit(place, mixed(clients), seconds)
    ratio = p95(seen, "family") / p95(alone, "family")
    asked = sum(count for what, count in seen.answers.items() if not what.startswith("page")) / seconds
    print(f"asked for under load: {asked:.2f} photos/s, capacity is {capacity:.2f}")
    print("answers:", ", ".join(f"{what}: {count}" for what, count in sorted(seen.answers.items())))
    return all(
        (
            said("failed requests", len(seen.failed), 0, f"{len(seen.failed)} {seen.failed[:3]}"),
            said("family's p95 over the unloaded", ratio, FAMILY_BOUND, f"{ratio:.2f}"),
            said("a page's p95, s", p95(seen, "page"), PAGE_BOUND_S, f"{p95(seen, 'page'):.3f}"),
        )
    )


def over_many(photos: int, workers: int) -> bool:
    """Whether memory stays the same over many photos, after the first tenth of them."""
    with town(workers) as (place, pid):
        visit(place, [shop] * workers, 3600, max(photos // 10, 4))
        before = memory_bytes(pid)
        visit(place, [shop] * workers, 7200, photos)
        after = memory_bytes(pid)
    growth = after / before - 1
    print(f"memory: {before / 2**20:.0f} MiB, after {photos} photos more {after / 2**20:.0f} MiB")
    return said("growth of memory", growth, MEMORY_BOUND, f"{growth:+.1%}")


def two_over_one(seconds: float) -> bool:
    """Whether two workers measure nearly twice as much as one, on a machine with two processors or more."""
    rates = []
    for workers in (1, 2):
        with town(workers) as (place, _):
            visit(place, [shop] * workers, WARM_S)
            seen = visit(place, [shop] * (workers + 1), seconds)
            rates.append(len(seen.seconds.get("shop", [])) / seconds)
    ratio = rates[1] / rates[0] if rates[0] else float("nan")
    print(f"one worker {rates[0]:.2f}, two {rates[1]:.2f} photos/s")
    return said("two workers over one, at least", -ratio, -RATIO_BOUND, f"{ratio:.2f}")


def said(what: str, found: float, bound: float, words: str) -> bool:
    """Print a figure beside its bound; whether it is met."""
    met = found <= bound
    print(f"{'met   ' if met else 'MISSED'} {what}: {words} (bound {abs(bound):g})", flush=True)
    return met


def main() -> int:
    """Run the trials; the exit status."""
    options = argparse.ArgumentParser(prog="python -m tests.load", description=__doc__)
    options.add_argument("--seconds", type=float, default=180.0, help="how long twice the capacity is asked for")
    options.add_argument("--clients", type=int, default=50, help="visitors at the same time")
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="measuring processes")
    options.add_argument("--memory", type=int, default=0, help="also measure so many photos and watch the memory")
    options.add_argument("--ratio", action="store_true", help="also compare two workers with one")
    asked = options.parse_args()
    met = under_load(asked.seconds, asked.clients, asked.workers)
    if asked.memory:
        met &= over_many(asked.memory, asked.workers)
    if asked.ratio:
        met &= two_over_one(max(asked.seconds / RAMP, WARM_S))
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
