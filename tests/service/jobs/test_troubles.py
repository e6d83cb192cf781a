"""Workers that die, a locked database, a full disk: what was acknowledged is measured, or kept and shown."""

from __future__ import annotations

import errno
import os
import signal
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing import active_children
from pathlib import Path

import httpx
import pytest
from sqlalchemy import select

from service.jobs import keeper as keeping
from service.jobs.presence import Presence
from service.measuring.outcome import ArmQuestion, Outcome
from service.measuring.pool import MeasuringPool
from service.records.photos import ORIGINAL
from service.records.tables import ANEW, FAILED, MEASURED, Upload
from tests.service.conftest import Place, Recorded
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving
from tests.waiting import until

LOCKED_S = float(os.environ.get("TRY_LOCKED_S", "7"))
"""Seconds a database is held locked: longer than it is waited for; set to 60 for the whole trial."""


@dataclass
class Failing(Recorded):
    """Fails some times, as a worker does that dies, and then measures."""

    failures: int = 0

    async def arm(self, data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        outcome = await super().arm(data, name, question)
        if self.failures > 0:
            self.failures -= 1
            return replace(outcome, result=outcome.result | {"usable": False}, failed=True)
        return outcome


def state_of(service: Serving, upload_id: str) -> str:
    with service.house.store.whole_house() as records:
        return records.get_one(Upload, upload_id).state


RECOVERED_S = 120
"""After a trouble has passed everything is measured within two minutes, without a restart."""


def becomes(service: Serving, upload_id: str, state: str, within_s: float = 20) -> None:
    until(lambda: state_of(service, upload_id) == state, within_s)


def send(service: Serving, seeded: Seeded, content: bytes = b"good", key: str = "one") -> httpx.Response:
    fields = {"form_token": service.house.signer.form_token(seeded.family), "client_key": key}
    address = f"{service.address}/f/{seeded.family}/arm"
    return httpx.post(address, data=fields, files={"photo": ("a.jpg", content)}, timeout=60)


def sent(service: Serving, seeded: Seeded, content: bytes = b"good", key: str = "one") -> str:
    answer = send(service, seeded, content, key)
    assert answer.status_code == 303
    return answer.headers["location"].rsplit("/", 1)[1]


def test_a_photo_whose_worker_dies_is_tried_again(tmp_path: Path) -> None:
    with serving(tmp_path, pool=Failing(failures=2)) as service:
        upload_id = sent(service, seed(service.house))
        becomes(service, upload_id, MEASURED)
        assert service.house.photos.get(upload_id, ORIGINAL) == b"good"


def test_a_photo_that_fails_each_time_is_kept_and_shown_to_the_teacher(tmp_path: Path) -> None:
    pool = Failing(failures=4)
    with serving(tmp_path, pool=pool) as service:
        seeded = seed(service.house)
        with service.house.store.whole_house() as records:
            records.get_one(Upload, seeded.arm_upload_id).state = "refused"  # so that this photo is the only one
        upload_id = sent(service, seeded)
        becomes(service, upload_id, FAILED, 30)
        assert service.house.photos.get(upload_id, ORIGINAL) == b"good"
        family = httpx.get(f"{service.address}/f/{seeded.family}/photo/{upload_id}").text
        assert "Your photo is kept" in family
        assert "Finished: tell the teacher" in family, (
            "the family need not send it again: the instrument is there already"
        )
        teacher = httpx.Client(base_url=service.address, cookies={"scrollreach": seeded.session})
        assert "measuring failed" in teacher.get(f"/children/{seeded.child_id}").text
        assert "Measure it again" in teacher.get(f"/reviews/{upload_id}").text
        token = {"form_token": service.house.signer.form_token(seeded.sign_in_id)}
        assert teacher.post(f"/reviews/{upload_id}/retry", data=token).status_code == 303
        becomes(service, upload_id, MEASURED)


def test_a_killed_worker_costs_no_photo(tmp_path: Path) -> None:
    """The real processes, killed while they measure: the photo is refused for what it shows, not for the kill."""
    with MeasuringPool(1) as pool, serving(tmp_path, pool=pool) as service:
        pool.start().result(60)
        seeded = seed(service.house)
        before = {child.pid for child in active_children()}
        threading.Timer(0.05, lambda: [os.kill(child, signal.SIGKILL) for child in before if child]).start()
        upload_id = sent(service, seeded)
        becomes(service, upload_id, "refused", 60)  # the file is no photo, and that was found out
        with service.house.store.whole_house() as records:
            upload = records.get_one(Upload, upload_id)
            assert upload.result is not None
            assert [each["code"] for each in upload.result["problems"]] == ["file_unreadable"]


def wait_until_kept(service: Serving, key: str) -> None:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        with service.house.store.whole_house() as records:
            if records.scalars(select(Upload.id).where(Upload.client_key == key)).first():
                return
        time.sleep(0.02)
    pytest.fail("it was not kept")


def locked(file: Path) -> Callable[[], None]:
    """Lock a database for everybody else; call what is given back to end it."""
    connection = sqlite3.connect(file, isolation_level=None)
    connection.execute("BEGIN EXCLUSIVE")

    def release() -> None:
        connection.execute("ROLLBACK")
        connection.close()

    return release


@pytest.mark.parametrize("files", [["records.sqlite"], ["jobs.sqlite"], ["records.sqlite", "jobs.sqlite"]])
def test_a_locked_database_loses_nothing_and_holds_nobody(
    tmp_path: Path, files: list[str], caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "EVERY_S", 1.0)
    monkeypatch.setattr(keeping, "OVERDUE_S", 1.0)
    pool = Recorded(pause_s=2.0)
    with (
        serving(tmp_path, pool=pool) as service,
        ThreadPoolExecutor(2) as senders,
        httpx.Client(base_url=service.address, timeout=10) as asking,
    ):
        seeded = seed(service.house)
        answer = senders.submit(send, service, seeded)
        wait_until_kept(service, "one")
        releases = [locked(tmp_path / file) for file in files]
        begun, slowest = time.monotonic(), 0.0
        late = senders.submit(send, service, seeded, b"late", "late") if "records.sqlite" in files else None
        while time.monotonic() - begun < LOCKED_S or not (late is None or late.done()):
            asked = time.monotonic()
            asking.get("/api/v1/health")
            slowest = max(slowest, time.monotonic() - asked)
            time.sleep(0.1)
            service.clock.forward(seconds=time.monotonic() - asked)  # a photo waits too long only if time passes
        pool.pause_s = 0.0
        for release in releases:
            release()
        assert slowest < 3.0, slowest  # whoever waited for the database would wait five
        assert answer.result().status_code == 303
        assert late is None or (late.result().status_code == 503 and "retry-after" in late.result().headers)
        becomes(service, answer.result().headers["location"].rsplit("/", 1)[1], MEASURED, RECOVERED_S)
        becomes(service, sent(service, seeded, b"late", "late"), MEASURED, RECOVERED_S)
        assert "436" not in caplog.text  # the length that was measured
        assert "value_mm" not in caplog.text


def test_a_full_disk_is_said_and_what_waits_is_measured_when_there_is_room(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    seeded = seed(place.house)
    real = type(place.house.photos).put

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(type(place.house.photos), "put", full)
    fields = {"form_token": place.house.signer.form_token(seeded.family), "client_key": "one"}
    path, photo = f"/f/{seeded.family}/arm", {"photo": ("a.jpg", b"good")}
    refused = place.client.post(path, data=fields, files=photo)
    assert refused.status_code == 503
    assert int(refused.headers["retry-after"]) > 0
    assert "Nothing can be kept just now" in refused.text
    assert "Many people" not in refused.text
    monkeypatch.setattr(type(place.house.photos), "put", real)
    assert place.client.post(path, data=fields, files=photo).status_code == 303


def test_health_tells_what_is_wrong(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper = place.client.app.state.keeper  # type: ignore[attr-defined]
    assert place.client.get("/api/v1/health").json() == {"status": "well", "faults": []}
    monkeypatch.setattr(keeping, "LEAST_FREE_BYTES", 2**62)
    answer = place.client.get("/api/v1/health")
    assert (answer.status_code, answer.json()["faults"]) == (503, ["disk"])
    monkeypatch.setattr(keeping, "LEAST_FREE_BYTES", 0)
    place.house.store.engine.dispose()
    (place.folder / "records.sqlite").write_bytes(b"no database" * 100)
    place.client.portal.call(keeper.look)  # type: ignore[union-attr]
    assert place.client.get("/api/v1/health").json()["faults"] == ["database"]


def test_one_look_that_fails_is_not_the_last(open_place: Callable[..., Place], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "EVERY_S", 0.05)
    place, asked = open_place(), []

    async def broken() -> bool:
        asked.append(1)
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(place.pool, "is_ready", broken)
    until(lambda: len(asked) > 1)


def test_what_waits_is_taken_up_off_the_loop(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """The lock that says who takes it up is asked of a database, which may keep it waiting."""
    seeded, held_in = seed(place.house), []
    with place.house.store.whole_house() as records:
        records.get_one(Upload, seeded.arm_upload_id).state = ANEW  # and nobody works at it

    @contextmanager
    def alone(_: Presence) -> Iterator[bool]:
        held_in.append(threading.current_thread().name)
        yield True
        held_in.append(threading.current_thread().name)

    monkeypatch.setattr(Presence, "alone", alone)
    keeper = place.client.app.state.keeper  # type: ignore[attr-defined]
    place.client.portal.call(keeper.look)  # type: ignore[union-attr]
    assert len(held_in) == 2
    assert all(name.startswith("AnyIO worker") for name in held_in)
    until(lambda: place.pool.measured)
