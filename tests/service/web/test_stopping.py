"""Asked to stop (SIGTERM): who waits for a result is told that the photo is kept, and none is lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx
from sqlalchemy import select

from service.records.tables import RECEIVED, Upload
from service.settings import Settings
from service.web.house import open_house
from tests.service.conftest import Recorded
from tests.service.jobs.test_killed import free_port
from tests.service.seeding import SetClock, seed

PHOTOS = 5
SERVE = """
import sys
from pathlib import Path
import service.web.app as app
from service.settings import Settings
from tests.service.conftest import Recorded
from tests.service.seeding import SetClock
made = app.create_app
app.create_app = lambda settings: made(settings, Recorded(30.0), SetClock())
app.run(Settings(data_folder=Path(sys.argv[1]), port=int(sys.argv[2])))
"""


def test_a_stop_answers_nobody_with_an_error(tmp_path: Path) -> None:
    house = open_house(Settings(data_folder=tmp_path), Recorded(), SetClock())
    seeded = seed(house)
    port = free_port()
    service = subprocess.Popen([sys.executable, "-c", SERVE, str(tmp_path), str(port)], stdout=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            httpx.get(f"{address}/privacy", timeout=1)
            break
        except httpx.HTTPError:
            time.sleep(0.1)
    answers: list[int] = []

    def send(key: str) -> None:
        fields = {"form_token": house.signer.form_token(seeded.family), "client_key": key}
        photo = {"photo": ("a.jpg", f"good {key}".encode())}  # the same photo twice would be one
        answers.append(httpx.post(f"{address}/f/{seeded.family}/arm", data=fields, files=photo, timeout=30).status_code)

    senders = [threading.Thread(target=send, args=(f"photo-{number}",)) for number in range(PHOTOS)]
    for sender in senders:
        sender.start()
    sent = Upload.client_key.like("photo-%")
    while time.monotonic() < until:
        with house.store.whole_house() as records:
            if len(records.scalars(select(Upload.id).where(sent)).all()) == PHOTOS:
                break
        time.sleep(0.05)
    os.kill(service.pid, signal.SIGTERM)
    for sender in senders:
        sender.join(30)
    assert service.wait(30) in (0, -signal.SIGTERM)
    assert answers == [303] * PHOTOS
    with house.store.whole_house() as records:
        assert set(records.scalars(select(Upload.state).where(sent))) == {RECEIVED}
