"""Work for the speed benchmark: a teacher moves a measured point, from the request to the new length and verdict."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

import httpx

from service.measuring.pool import MeasuringPool
from service.records.photos import ORIGINAL
from service.records.tables import Upload
from service.settings import Settings
from service.web.house import open_house
from tests.service.seeding import Seeded, seed


def seeded_folder(folder: Path, child: Path, instrument: Path) -> Seeded:
    """Fill a data folder with an invented studio in which two real photos wait for review."""
    pool = MeasuringPool(1)
    house = open_house(Settings(data_folder=folder), pool)
    pool.close()
    seeded = seed(house, now=datetime.now(UTC))
    with house.store.for_studio(seeded.studio_id) as records:
        for upload_id, photo in ((seeded.arm_upload_id, child), (seeded.instrument_upload_id, instrument)):
            house.photos.put(upload_id, ORIGINAL, photo.read_bytes())
            upload = records.get_one(Upload, upload_id)
            upload.width_px, upload.height_px = 4000, 3000
    house.store.close()
    return seeded


def moving_task(
    address: str, seeded: Seeded, upload_id: str, name: str, start_px: tuple[float, float]
) -> Callable[[], None]:
    """A task that moves one point one pixel further each time it is called."""
    browser = httpx.Client(base_url=address, cookies={"scrollreach": seeded.session}, timeout=60)
    page = browser.get(f"/reviews/{upload_id}").raise_for_status().text
    token = re.search(r'name="form_token" value="([^"]+)"', page)
    if token is None:
        raise RuntimeError("the review page has no form")
    form, steps = {"form_token": token[1]}, count()

    def move() -> None:
        points = {name: (start_px[0] + next(steps), start_px[1])}
        answer = browser.post(f"/reviews/{upload_id}/points", data=form | {"points": json.dumps(points)})
        if not answer.raise_for_status().json()["usable"]:
            raise RuntimeError("the moved point could not be measured")

    return move
