"""What was seen in a photo under review: it answers moved points, and is gone with the photo."""

from __future__ import annotations

import asyncio
import json
import os
import pickle
import re
import runpy
import signal
from pathlib import Path

import numpy as np
import pytest

from service.measuring.looking import look_at_arm, look_at_instruments, solve_sight
from service.measuring.outcome import ArmQuestion, InstrumentQuestion
from service.measuring.pool import MeasuringPool, _prepare_worker
from service.measuring.results import arm_json, instrument_json
from service.measuring.sights import Sights
from service.records.erase import erase_child
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import Seeded, seed
from tests.waiting import finished
from vision.arm.measure import measure_arm
from vision.instrument.measure import measure_instrument
from vision.photo import load_photo

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"


def arrays(value: object) -> list[np.ndarray]:
    """Every array in a value made of dataclasses, mappings and sequences."""
    if isinstance(value, np.ndarray):
        return [value]
    if isinstance(value, dict):
        return [found for each in value.values() for found in arrays(each)]
    if isinstance(value, (list, tuple)):
        return [found for each in value for found in arrays(each)]
    if hasattr(value, "__dataclass_fields__"):
        return [found for name in value.__dataclass_fields__ for found in arrays(getattr(value, name))]
    return []


@pytest.mark.parametrize(("photo", "kind"), [("child-1.jpg", "arm"), ("instrument-3.jpg", "instrument")])
def test_solving_what_was_seen_says_what_measuring_again_would_say(photo: str, kind: str) -> None:
    data = (SAMPLES / photo).read_bytes()
    sight = (
        look_at_arm(data, ArmQuestion(bar_mm=150.0))
        if kind == "arm"
        else look_at_instruments([data], InstrumentQuestion(150.0))
    )

    def measured(points: dict[str, tuple[float, float]] | None) -> dict:
        if kind == "arm":
            return arm_json(measure_arm(load_photo(data, kind), age_years=7.0, corrections=points, bar_mm=150.0))
        return instrument_json(measure_instrument(load_photo(data, kind), points, bar_mm=150.0))

    automatic = measured(None)
    name = "mid_palm" if kind == "arm" else "body_bottom"
    x, y = automatic["points_px"][name]
    moved = {name: (x + 6.0, y + 1.0)}
    question = ArmQuestion(age_years=7.0) if kind == "arm" else InstrumentQuestion()
    outcome = solve_sight(sight, question, {0: moved})
    solved, again = outcome.result, measured(moved)
    lengths = [key for key, each in again.items() if isinstance(each, dict) and "value_mm" in each]
    assert len(lengths) >= 5
    for key in lengths:
        for part in ("value_mm", "low_mm", "high_mm"):
            assert solved[key][part] == pytest.approx(again[key][part], abs=0.02)
    main = "arm_length" if kind == "arm" else "body_length"
    assert abs(solved[main]["value_mm"] - automatic[main]["value_mm"]) > 0.2
    assert [each is not None and set(each.drawn_px) for each in outcome.views] == [
        {"sheets"} if kind == "arm" else {"sheets", "outline"}
    ]
    assert outcome.overlay_jpeg is None
    assert len(sight) < 200_000
    assert max(array.size for array in arrays(pickle.loads(sight))) < 5_000  # places, no picture


def test_why_nothing_is_seen_is_a_sight_too() -> None:
    sight = look_at_arm((SAMPLES / "instrument-1.jpg").read_bytes(), ArmQuestion())
    found = solve_sight(sight, ArmQuestion()).result
    assert not found["usable"]
    assert found["problems"]


def test_a_lost_worker_costs_nothing() -> None:
    data = (SAMPLES / "instrument-3.jpg").read_bytes()

    async def moves() -> list[bool]:
        with MeasuringPool(1) as pool:
            sight = await pool.look([data], InstrumentQuestion())
            assert sight is not None
            first = await pool.solve(sight, InstrumentQuestion())
            for process in list(pool._pool._pool_manager.worker_manager.workers.values()):
                os.kill(process.pid, signal.SIGKILL)
            await asyncio.sleep(0.3)
            second = await pool.solve(sight, InstrumentQuestion())
            return [first.result["usable"], second.result["usable"]]

    assert finished(moves()) == [True, True]


def test_what_cannot_be_loaded_beforehand_stops_no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise RuntimeError("a network is missing")

    monkeypatch.setattr("service.measuring.work.NEEDED", ("no.such.module", "json"))
    monkeypatch.setattr("vision.loading.load", fail)
    frozen: list[bool] = []
    monkeypatch.setattr("gc.freeze", lambda: frozen.append(True))
    runpy.run_module("service.measuring.loaded")
    assert frozen == [True]


def test_a_worker_is_bounded_in_memory_and_has_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    limits: list[object] = []
    threads: list[int] = []
    monkeypatch.setattr("service.measuring.pool.resource.setrlimit", lambda *limit: limits.append(limit))
    monkeypatch.setattr("cv2.setNumThreads", threads.append)
    _prepare_worker()
    assert (len(limits), threads) == (1, [1])


def test_a_worker_begins_with_what_measuring_needs() -> None:
    loaded = "{'vision.arm.measure', 'vision.instrument.measure', 'mediapipe'} <= set(__import__('sys').modules)"
    with MeasuringPool(1) as pool:
        assert pool._pool.schedule(eval, args=[loaded]).result(60) is True


def test_sights_are_few_and_short_lived_and_looked_for_once() -> None:
    looks: list[str] = []

    def look(name: str):
        async def see() -> bytes:
            looks.append(name)
            await asyncio.sleep(0.01)
            return name.encode()

        return see

    async def story() -> None:
        sights = Sights(kept_s=0.15, most=2)
        both = await asyncio.gather(*(sights.of("a", None, look("a"), lambda: True) for _ in range(2)))
        assert (both, looks) == ([b"a", b"a"], ["a"])
        await sights.of("a", 150.0, look("a with its bar"), lambda: True)
        assert looks[-1] == "a with its bar"
        await sights.of("b", None, look("b"), lambda: True)
        assert len(sights) == 2
        await sights.of("gone", None, look("gone"), lambda: False)  # deleted while it was looked at
        assert "gone" not in {key[0] for key in sights._kept}
        await asyncio.sleep(0.2)
        assert len(sights) == 0

    finished(story())


def move(place: Place, seeded: Seeded, x: float) -> dict:
    place.client.cookies.set("scrollreach", seeded.session)
    page = place.client.get(f"/reviews/{seeded.arm_upload_id}").text
    token = re.search(r'name="form_token" value="([^"]+)"', page)
    assert token
    points = json.dumps({"mid_palm": [x, 360.0]})
    form = {"form_token": token[1], "points": points}
    return place.client.post(f"/reviews/{seeded.arm_upload_id}/points", data=form).json()


def test_the_photo_is_looked_at_once_for_all_moves(place: Place) -> None:
    seeded = seed(place.house)
    for x in (831.0, 834.0, 840.0):
        answer = move(place, seeded, x)
        assert answer["usable"]
        assert f"{436 + x - 830:.1f}" in answer["short"]
    assert place.pool.looked == ["arm"]
    assert len(place.house.photos.sights) == 1


@pytest.mark.parametrize("way", ["accept", "again", "erase", "day"])
def test_what_was_seen_goes_with_the_photo(place: Place, way: str) -> None:
    seeded = seed(place.house)
    move(place, seeded, 834.0)
    sights = place.house.photos.sights
    assert len(sights) == 1
    page = place.client.get(f"/reviews/{seeded.arm_upload_id}").text
    token = re.search(r'name="form_token" value="([^"]+)"', page)
    assert token
    form = {"form_token": token[1], "reason": "light", **as_seen(place.client, seeded.arm_upload_id)}
    if way == "erase":
        erase_child(place.house.store, place.house.photos, seeded.studio_id, seeded.child_id)
    elif way == "day":
        from service.jobs.running import sweep

        place.clock.forward(days=15)
        place.client.portal.call(sweep, place.clock.now())
    else:
        assert place.client.post(f"/reviews/{seeded.arm_upload_id}/{way}", data=form).status_code == 303
    assert len(sights) == 0
    again = place.client.post(
        f"/reviews/{seeded.arm_upload_id}/points", data=form | {"points": '{"mid_palm": [835, 360]}'}
    )
    assert again.status_code in (401, 403, 404) or not again.json()["usable"]
