"""Every hostile file and malformed request, sent to a running service, and what others are answered meanwhile.

``python -m tests.load.hostile [--senders N]`` prints each figure beside its bound, and ends with 1 where one is missed.
By default as many send as measure, so that each file is timed by itself and not by the line before it.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import httpx
import numpy as np

from tests.load.clients import Town
from tests.load.town import said, town
from tests.service.hostile import hostile_files
from tests.service.malformed import malformed

LEAST_FILES, LEAST_REQUESTS = 500, 200
LATEST_S, HEALTH_BOUND_S = 15.0, 0.2
"""No answer later; and the 99th percentile of /health, s: the bounds that the service was built for."""
HEALTH_EVERY_S = 0.05
PATIENCE_S = 60.0


@dataclass
class Answers:
    """What came back."""

    seconds: list[tuple[float, str]] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, about: str, seconds: float, kind: str) -> None:
        """Note one answer."""
        with self.lock:
            self.seconds.append((seconds, about))
            self.kinds[kind] += 1
            if kind.startswith("5"):
                self.faults.append(f"{about}: {kind}")


def _sent(place: Town, answers: Answers, about: str, ask: Callable[[httpx.Client], httpx.Response]) -> None:
    """Send until it is not told to come again; each answer is noted."""
    while True:
        begun = time.perf_counter()
        try:
            with httpx.Client(base_url=place.address, timeout=PATIENCE_S) as client:
                answer = ask(client)
        except httpx.TransportError:  # the server hangs up on what it does not read to the end
            answers.note(about, time.perf_counter() - begun, "hung up")
            return
        told = answer.status_code in (429, 503) and int(answer.headers.get("retry-after", "0")) > 0
        answers.note(about, time.perf_counter() - begun, "come again" if told else str(answer.status_code))
        if not told:
            return
        time.sleep(1)


Ask = tuple[str, Callable[[httpx.Client], httpx.Response]]


def _everything(place: Town) -> Iterator[Ask]:
    shown = {"Authorization": f"Bearer {place.key}"}
    for name, content in hostile_files():
        files = {"photos": ("a.jpg", content)}
        yield (
            name,
            lambda client, files=files: client.post("/api/v1/instrument-measurements", files=files, headers=shown),
        )
    for each in malformed():
        yield (
            each.about,
            lambda client, each=each: client.request(
                each.method, each.path, content=each.content, headers=each.headers
            ),
        )


def _work_off(place: Town, answers: Answers, left: list[Ask], lock: threading.Lock) -> None:
    while True:
        with lock:
            if not left:
                return
            about, ask = left.pop()
        _sent(place, answers, about, ask)


def _watch_health(place: Town, stop: threading.Event, waited: list[float]) -> None:
    with httpx.Client(base_url=place.address, timeout=PATIENCE_S) as client:
        while not stop.wait(HEALTH_EVERY_S):
            begun = time.perf_counter()
            client.get("/api/v1/health")
            waited.append(time.perf_counter() - begun)


def main() -> int:
    """Run the trial; the exit status."""
    options = argparse.ArgumentParser(prog="python -m tests.load.hostile", description=__doc__)
    options.add_argument("--senders", type=int, default=os.cpu_count() or 1, help="how many send at the same time")
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="measuring processes")
    asked = options.parse_args()
    files, requests = len(list(hostile_files())), len(list(malformed()))
    answers, stop, lock = Answers(), threading.Event(), threading.Lock()
    with town(asked.workers) as (place, _):
        left = list(_everything(place))[::-1]
        senders = [threading.Thread(target=_work_off, args=(place, answers, left, lock)) for _ in range(asked.senders)]
        waited: list[float] = []
        watcher = threading.Thread(target=_watch_health, args=(place, stop, waited))
        for each in (watcher, *senders):
            each.start()
        for each in senders:
            each.join()
        stop.set()
        watcher.join()
        alive = httpx.get(f"{place.address}/api/v1/ready", timeout=PATIENCE_S).status_code
    p99 = float(np.percentile(waited, 99))
    print("answers:", ", ".join(f"{what}: {count}" for what, count in sorted(answers.kinds.items())))
    print("latest:", ", ".join(f"{about} {seconds:.1f} s" for seconds, about in sorted(answers.seconds)[:-6:-1]))
    latest_s = max(answers.seconds)[0]
    print(f"/health: {len(waited)} times, median {np.median(waited):.3f} s, longest {max(waited):.3f} s")
    return not all(
        (
            said("files, at least", -files, -LEAST_FILES, f"{files}"),
            said("malformed requests, at least", -requests, -LEAST_REQUESTS, f"{requests}"),
            said("errors of ours", len(answers.faults), 0, f"{len(answers.faults)} {answers.faults[:5]}"),
            said("the latest answer, s", latest_s, LATEST_S, f"{latest_s:.2f}"),
            said("/health, 99th percentile, s", p99, HEALTH_BOUND_S, f"{p99:.3f}"),
            said("ready afterwards", alive, 200, f"{alive}"),
        )
    )


if __name__ == "__main__":
    sys.exit(main())
