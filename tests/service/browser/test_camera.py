"""The camera page in a browser whose camera is a film: what it says of each fault, what it takes, what it sends."""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
import pytest
from fastapi.responses import FileResponse, Response, StreamingResponse
from playwright.sync_api import Browser, Page, Route, expect
from playwright.sync_api import TimeoutError as PlaywrightTimeout

from calibration.blank_sheet import Blank
from calibration.lens import StatedLens
from service.measuring.results import kept_length
from service.records.tables import PhotoRequest, Upload
from service.web.family import camera
from tests.service.browser import films
from tests.service.browser.conftest import PHONE
from tests.service.conftest import Recorded
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, chromium, serving
from vision.photo import load_photo

RESULT = re.compile(r"/photo/[0-9a-f]{32}$")
LOADING_MS = 60_000
SLOWEST_RATE = 1.0
"""Checks a second on a machine that runs other tests as well; `python -m tests.speed.camera` prints the rate of one
that does not, to be held against the five that are wanted of a mid phone."""
SHEETS_OF_CHILD_2 = [(1150, 530, 1360, 760), (1350, 620, 1610, 800)]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded, Recorded]]:
    pool = Recorded()
    with serving(tmp_path_factory.mktemp("camera"), pool=pool) as service:
        yield service, seed(service.house), pool


@pytest.fixture
def filmed(tmp_path: Path, browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens a phone whose camera shows the given views; the session's own browser has no camera."""
    opened: list[Browser] = []
    file = chromium()

    def open_phone(*views: np.ndarray, shaken: bool = False, allowed: bool = True) -> Page:
        film = films.film(tmp_path / "film.mjpeg", views, shaken)
        arguments = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-video-capture={film}"]
        arguments.append("--use-fake-ui-for-media-stream" if allowed else "--deny-permission-prompts")
        phone = browser.browser_type.launch(executable_path=file, args=arguments)
        opened.append(phone)
        tab: Page = phone.new_context(locale="en-GB", **PHONE).new_page()  # type: ignore[arg-type]
        return tab

    yield open_phone
    for each in opened:
        each.close()


def start(tab: Page, service: Serving, seeded: Seeded, kind: str = "arm") -> None:
    tab.goto(f"{service.address}/f/{seeded.family}/{kind}")
    tab.get_by_role("link", name="Let the camera help").click()
    tab.get_by_role("button", name="Start the camera").click()


def hears(tab: Page, hint: str) -> str:
    """Wait until the page says this, and say it in its words: found and read in one look, since the film goes on."""
    try:
        return tab.locator(f'[data-camera][data-hint="{hint}"] [data-said]').inner_text(timeout=LOADING_MS)
    except PlaywrightTimeout:
        stage = tab.locator("[data-camera]").evaluate("each => JSON.stringify({...each.dataset, words: undefined})")
        pytest.fail(f"{hint} was not said, but “{tab.locator('[data-said]').inner_text()}”: {stage}")


def test_a_good_view_is_taken_shown_and_measured_within_its_interval(
    filmed: Callable[..., Page], tmp_path_factory: pytest.TempPathFactory
) -> None:
    with serving(tmp_path_factory.mktemp("measured"), photo_seconds=60) as service:
        seeded = seed(service.house)
        tab = filmed(films.sample("child-1"))
        faults: list[str] = []
        sent: list[str] = []
        elsewhere: list[str] = []
        tab.on("console", lambda message: faults.append(message.text) if "Content Security" in message.text else None)
        tab.on("pageerror", lambda error: faults.append(str(error)))
        tab.on("request", lambda asked: sent.append(asked.url) if asked.method == "POST" else None)
        tab.context.on(
            "request", lambda asked: elsewhere.append(asked.url) if service.address not in asked.url else None
        )
        start(tab, service, seeded)
        assert hears(tab, "next").startswith("Taken. Now one step to the side")
        tab.get_by_role("button", name="Enough").click()
        assert "Nothing has been sent yet." in tab.locator("[data-said]").inner_text()
        expect(tab.locator("[data-taken] img")).to_have_count(1)
        assert sent == []
        loaded = "caches.match('/static/vendor/pose-0.10.21/pose_lite.task').then(Boolean)"
        assert tab.evaluate(loaded)  # the next time it is there already
        tab.get_by_role("button", name="Send the photos").click()
        tab.wait_for_url(RESULT, timeout=LOADING_MS)
        tab.wait_for_selector("h1:not(:text('Measuring'))", timeout=LOADING_MS)
        assert tab.get_by_role("heading", level=1).inner_text() == "This photo is good"
        with service.house.store.for_studio(seeded.studio_id) as records:
            result = records.get_one(Upload, tab.url.rsplit("/", 1)[1]).result
    assert result is not None
    arm = kept_length(result, "arm_length")
    assert arm is not None
    truth = films.TRUTH["child-1"]["arm_length_mm"]
    assert arm.low_mm < truth < arm.high_mm
    assert (faults, elsewhere) == ([], [])


def test_views_from_new_places_are_sent_as_one(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    whole = films.sample("child-1")
    pool.received.clear()
    tab = filmed(whole, films.nearer(whole, 0.8, (0.55, 0.5)), films.nearer(whole, 0.62, (0.55, 0.5)))
    start(tab, service, seeded)
    expect(tab.locator("[data-taken] img")).to_have_count(3, timeout=LOADING_MS)
    tab.get_by_role("button", name="Enough").click()
    tab.get_by_role("button", name="Send the photos").click()
    tab.wait_for_url(RESULT)
    with service.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Upload, tab.url.rsplit("/", 1)[1]).views == 3
    assert len(set(pool.received)) == 3
    # phones cut a live picture from the camera's as they do a film's frames
    assert [load_photo(sent).lens for sent in pool.received] == [StatedLens(film=True)] * 3


def test_it_looks_often_enough(filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, _ = measured
    tab = filmed(films.sample("child-1"), shaken=True)
    start(tab, service, seeded)
    assert hears(tab, "still") == "Good. Hold still."
    tab.wait_for_timeout(4000)
    rate = float(tab.get_attribute("[data-camera]", "data-rate") or 0)
    print(f"{rate} checks a second")
    assert rate >= SLOWEST_RATE
    expect(tab.locator("[data-taken] img")).to_have_count(0)  # nobody holds still


def test_the_camera_is_not_started_before_its_script_listens(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    tab = filmed(films.sample("child-1"))
    held: list[Route] = []
    tab.route("**/camera/page.js", lambda asked: held.append(asked))
    tab.goto(f"{service.address}/f/{seeded.family}/camera/arm", wait_until="commit")
    begin = tab.get_by_role("button", name="Start the camera")
    expect(begin).to_be_disabled()
    while not held:
        tab.wait_for_timeout(20)
    held[0].continue_()
    begin.click()
    expect(tab.locator("[data-camera]")).not_to_have_attribute("data-state", "start")


def test_taken_again_nothing_of_before_is_left_to_send(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    tab = filmed(films.sample("child-1"))
    start(tab, service, seeded)
    hears(tab, "next")
    tab.get_by_role("button", name="Enough").click()
    expect(tab.get_by_role("button", name="Take them again")).to_be_visible()
    left = """() => { const all = (each) => document.querySelectorAll(each);
      all("[data-anew]")[0].click();
      return [all("[data-taken] img").length, all("[data-enough]")[0].hidden]; }"""
    assert tab.evaluate(left) == [0, True]  # at once, before another one is taken
    hears(tab, "next")
    expect(tab.get_by_role("button", name="Enough")).to_be_visible()


def test_a_camera_that_is_taken_away_is_said_and_loses_no_photo(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    taken_away = """() => { for (const track of document.querySelector("video").srcObject.getTracks()) {
      track.stop(); track.dispatchEvent(new Event("ended")); } }"""
    tab = filmed(films.darkened(films.sample("child-1"), 0.25))
    start(tab, service, seeded)
    hears(tab, "dark")
    tab.evaluate(taken_away)
    expect(tab.locator("[data-said]")).to_have_text(re.compile("The camera cannot be used here"))
    tab.get_by_role("button", name="Start the camera").click()
    hears(tab, "dark")

    tab = filmed(films.sample("child-1"))
    start(tab, service, seeded)
    hears(tab, "next")
    tab.evaluate(taken_away)
    expect(tab.locator("[data-said]")).to_have_text("This is the photo. Nothing has been sent yet.")
    tab.get_by_role("button", name="Send the photos").click()
    tab.wait_for_url(RESULT)


def test_what_could_not_be_loaded_is_loaded_when_there_is_a_connection(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    tab = filmed(films.darkened(films.sample("child-1"), 0.25))
    tab.goto(f"{service.address}/f/{seeded.family}/camera/arm")
    tab.context.set_offline(True)
    tab.get_by_role("button", name="Start the camera").click()
    expect(tab.locator("[data-said]")).to_have_text(re.compile("could not be loaded"))
    tab.context.set_offline(False)
    tab.get_by_role("button", name="Start the camera").click()
    assert hears(tab, "dark").startswith(SAID["dark"])


def test_it_says_how_much_has_been_loaded(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded], monkeypatch: pytest.MonkeyPatch
) -> None:
    service, seeded, _ = measured
    rest_may_come = Event()

    def by_halves(path: Path, **how: Any) -> Response:
        content = path.read_bytes()

        async def halves() -> AsyncIterator[bytes]:
            yield content[: len(content) // 2]
            while not rest_may_come.is_set():
                await asyncio.sleep(0.02)
            yield content[len(content) // 2 :]

        return StreamingResponse(halves(), **how) if path.suffix == ".task" else FileResponse(path, **how)

    monkeypatch.setattr(camera, "FileResponse", by_halves)
    tab = filmed(films.darkened(films.sample("child-1"), 0.25))
    tab.goto(f"{service.address}/f/{seeded.family}")
    tab.evaluate("navigator.serviceWorker.ready.then(() => true)")  # what it keeps goes through it
    tab.goto(f"{service.address}/f/{seeded.family}/camera/arm")
    tab.get_by_role("button", name="Start the camera").click()
    try:
        expect(tab.locator("[data-said]")).to_have_text(re.compile("Getting ready: (49|50)%"), timeout=LOADING_MS)
    finally:
        rest_may_come.set()
    hears(tab, "dark")


def upright_faults() -> dict[str, np.ndarray]:
    child = films.sample("child-1")
    return {
        "dark": films.darkened(child, 0.25),
        "step_back": films.nearer(child, 0.5, (0.42, 0.5)),
        "sheet_cut": films.nearer(child, 0.55, (0.55, 0.36)),
        "elbow": films.sample("child-elbow-bent"),
        "no_person": films.sample("instrument-1"),
    }


def level_faults() -> dict[str, np.ndarray]:
    child = films.sample("child-2")
    return {
        "no_sheet": films.without_sheets(child, SHEETS_OF_CHILD_2),
        "arm_low": films.arm_lowered("child-2", 32.0),
    }


SAID = {
    "no_sheet": "The sheet is not seen yet.",
    "arm_low": "The arm is too low.",
    "dark": "It is too dark.",
    "elbow": "The elbow is bent.",
    "step_back": "Step back until head and hand are in the picture.",
    "sheet_cut": "The sheet is cut off.",
    "no_person": "The child is not seen yet.",
}


@pytest.mark.parametrize("faults", [upright_faults, level_faults])
def test_each_fault_is_said_and_nothing_is_taken(
    filmed: Callable[..., Page],
    measured: tuple[Serving, Seeded, Recorded],
    faults: Callable[[], dict[str, np.ndarray]],
) -> None:
    service, seeded, _ = measured
    wrong = faults()
    tab = filmed(*wrong.values())  # one film of all of them, that begins anew at its end
    start(tab, service, seeded)
    for fault in wrong:
        assert hears(tab, fault).startswith(SAID[fault])
    expect(tab.locator("[data-taken] img")).to_have_count(0)


def test_the_instrument_is_taken_by_its_sheet(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    pool.measured.clear()
    tab = filmed(films.sample("instrument-2"))
    start(tab, service, seeded, "instrument")
    hears(tab, "next")
    tab.get_by_role("button", name="Enough").click()
    tab.get_by_label("Which size").select_option("3/4")
    tab.get_by_role("button", name="Send the photos").click()
    tab.wait_for_url(RESULT)
    assert pool.measured == ["instrument"]
    with service.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(PhotoRequest, seeded.request_id).label == "3/4"


def test_blank_paper_is_not_looked_for_but_the_child_is(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    pool.references.clear()
    with service.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(PhotoRequest, seeded.request_id).reference = "a4"
    tab = filmed(level_faults()["no_sheet"])
    start(tab, service, seeded)
    hears(tab, "next")
    tab.get_by_role("button", name="Enough").click()
    tab.get_by_role("button", name="Send the photos").click()
    tab.wait_for_url(RESULT)
    with service.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(PhotoRequest, seeded.request_id).reference = None
    assert pool.references == [Blank.A4]


def test_without_permission_the_ordinary_way_is_offered(
    filmed: Callable[..., Page], measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    tab = filmed(films.sample("child-1"), allowed=False)
    start(tab, service, seeded)
    expect(tab.locator("[data-said]")).to_have_text(re.compile("The camera cannot be used here"))
    tab.get_by_role("link", name="Take a photo the ordinary way").click()
    expect(tab.locator("#photo")).to_have_count(1)


def test_where_the_camera_cannot_help_nothing_is_offered(
    browser: Browser, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    for script in (True, False):
        context = browser.new_context(java_script_enabled=script, **PHONE)  # type: ignore[arg-type]
        context.add_init_script("delete globalThis.OffscreenCanvas")
        tab = context.new_page()
        tab.goto(f"{service.address}/f/{seeded.family}/arm")
        expect(tab.locator("[data-camera-offer]")).to_be_hidden()
        context.close()


def test_the_offer_of_the_camera_moves_nothing(browser: Browser, measured: tuple[Serving, Seeded, Recorded]) -> None:
    """What follows it stands where it stands from the first frame on that is drawn, however late its script comes."""
    service, seeded, _ = measured
    context = browser.new_context(**PHONE)  # type: ignore[arg-type]
    tab = context.new_page()
    tab.add_init_script(
        """globalThis.tops = [];
        const look = () => {
          const form = document.querySelector("form[data-keep]");
          if (form) tops.push(form.getBoundingClientRect().top);
          requestAnimationFrame(look);
        };
        requestAnimationFrame(look);"""
    )

    def late(route: Route) -> None:
        time.sleep(0.4)
        route.continue_()

    tab.route("**/camera/offer.js", late)
    tab.goto(f"{service.address}/f/{seeded.family}/arm")
    expect(tab.locator("[data-camera-offer] a")).to_be_visible()
    assert len(set(tab.evaluate("tops"))) == 1
    context.close()


def test_webassembly_runs_on_the_camera_page_alone(
    measured: tuple[Serving, Seeded, Recorded], browser: Browser
) -> None:
    service, seeded, _ = measured
    tab = browser.new_page()
    for path, allowed in (("", False), ("/arm", False), ("/camera/arm", True)):
        answer = tab.goto(f"{service.address}/f/{seeded.family}{path}")
        assert answer is not None
        assert ("wasm-unsafe-eval" in answer.headers["content-security-policy"]) is allowed
        assert "unsafe-eval'" not in answer.headers["content-security-policy"].replace("'wasm-unsafe-eval'", "")
    tab.close()


def test_what_is_loaded_is_within_its_bounds(measured: tuple[Serving, Seeded, Recorded], browser: Browser) -> None:
    service, _, _ = measured
    tab = browser.new_page()
    sizes = []
    for name in ("vision_bundle.js", "vision_wasm_internal.js", "vision_wasm_internal.wasm", "pose_lite.task"):
        answer = tab.request.get(f"{service.address}/static/vendor/pose-0.10.21/{name}")
        assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
        sizes.append(len(answer.body()))
    assert tab.request.get(f"{service.address}/static/vendor/pose-0.10.21/vision_wasm_internal.wasm").headers[
        "content-type"
    ] == ("application/wasm")
    assert 10e6 < sum(sizes) < 20e6
    for wrong in ("..%2f..%2fstyle.css", "pose-0.10.21/..%2fx", "nothing/here"):
        assert tab.request.get(f"{service.address}/static/vendor/{wrong}").status == 404
    tab.close()
