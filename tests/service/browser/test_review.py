"""The review in a real browser with real measuring: points moved by mouse, finger, keys and buttons, and taken back."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from urllib.parse import parse_qs

import pytest
from playwright.sync_api import Browser, Locator, Page, Request, Route, expect

from service.records.photos import ORIGINAL, OVERLAY
from service.records.tables import MEASURED, ArmRecord, Upload
from tests.service.browser.test_walk import PHONE
from tests.service.full_studio import use_real_photos
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving

DESK = {"viewport": {"width": 1280, "height": 900}}
MEASURING_MS = 20_000
Place = tuple[float, float]
IN_VIEW = """() => {
  const here = document.activeElement;
  if (here === document.body) return null;
  const { left, top, width, height } = here.getBoundingClientRect();
  const [x, y] = [left + width / 2, top + height / 2];
  const over = document.elementFromPoint(x, y);
  const in_view = over !== null && (here.contains(over) || here.closest("svg")?.contains(over));
  return [here.dataset.point || here.textContent.trim(), in_view];
}"""
"""What the keyboard is on, and whether its middle is seen."""


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded]]:
    with serving(tmp_path_factory.mktemp("review")) as service:
        seeded = seed(service.house)
        use_real_photos(service.house, seeded)
        yield service, seeded


@pytest.fixture
def open_review(browser: Browser, studio: tuple[Serving, Seeded]) -> Iterator[Page]:
    yield from _opened(browser, studio, DESK, studio[1].arm_upload_id)


@pytest.fixture
def phone_review(browser: Browser, studio: tuple[Serving, Seeded]) -> Iterator[Page]:
    yield from _opened(browser, studio, PHONE, studio[1].instrument_upload_id)


def _opened(browser: Browser, studio: tuple[Serving, Seeded], screen: dict, upload_id: str) -> Iterator[Page]:
    service, seeded = studio
    with service.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Upload, upload_id).corrected = None
    context = browser.new_context(**screen)
    context.add_cookies([{"name": "scrollreach", "value": seeded.session, "url": service.address}])
    tab = context.new_page()
    faults: list[str] = []
    tab.on("pageerror", lambda error: faults.append(str(error)))
    tab.on("console", lambda message: faults.append(message.text) if "Content Security" in message.text else None)
    tab.goto(f"{service.address}/reviews/{upload_id}")
    yield tab
    context.close()
    assert faults == []


def on_screen(tab: Page, name: str) -> Place:
    """Where a point is on the screen."""
    point = tab.locator(f'[data-point="{name}"]')
    point.scroll_into_view_if_needed()
    box = point.locator(".dot").bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def settle(tab: Page) -> None:
    """Wait until the last move is answered."""
    expect(tab.locator("[data-live]")).to_have_attribute("aria-busy", "false", timeout=MEASURING_MS)


def in_photo(tab: Page, name: str) -> Place:
    """Where a point is in the photo."""
    numbers = re.findall(r"[-\d.]+", tab.locator(f'[data-point="{name}"]').get_attribute("transform") or "")
    return float(numbers[0]), float(numbers[1])


def length(tab: Page) -> Locator:
    return tab.locator("[data-length]")


def value_mm(tab: Page) -> float:
    return float(length(tab).get_attribute("data-length") or "nan")


def kept(studio: tuple[Serving, Seeded], upload_id: str) -> dict[str, Place]:
    """The moved points that the service keeps."""
    service, seeded = studio
    with service.house.store.for_studio(seeded.studio_id) as records:
        corrected = records.get_one(Upload, upload_id).corrected or {}
    return {name: (x, y) for name, (x, y) in corrected.get("moved_px", {}).items()}


def asked_points(request: Request) -> dict[str, Place]:
    parts = re.findall(r'name="points"\r\n\r\n([^\r]*)', request.post_data or "")
    return json.loads(parts[0] if parts else parse_qs(request.post_data or "")["points"][0])


def test_a_mouse_drags_a_point(open_review: Page, studio: tuple[Serving, Seeded]) -> None:
    tab = open_review
    under_way: set[Request] = set()
    most_at_once: list[int] = []
    asked: list[dict[str, Place]] = []

    def sent(request: Request) -> None:
        if request.method == "POST":
            under_way.add(request)
            most_at_once.append(len(under_way))
            asked.append(asked_points(request))

    tab.on("request", sent)
    tab.on("response", lambda response: under_way.discard(response.request))
    before, start = value_mm(tab), in_photo(tab, "mid_palm")
    x, y = on_screen(tab, "mid_palm")
    loupe = tab.locator(".loupe")
    expect(loupe).to_be_hidden()
    tab.mouse.move(x + 4, y)  # taken beside its middle: it must not jump
    tab.mouse.down()
    assert in_photo(tab, "mid_palm") == start
    tab.mouse.move(x + 44, y, steps=40)
    expect(loupe).to_be_visible()
    drawn = loupe.evaluate("loupe => new Set(loupe.getContext('2d').getImageData(0, 0, 60, 60).data).size")
    assert drawn > 20  # it shows the photo, not an empty disc
    tab.mouse.up()
    expect(loupe).to_be_hidden()
    expect(length(tab)).not_to_have_attribute("data-length", str(before), timeout=MEASURING_MS)
    expect(tab.locator(".live .busy")).to_have_count(0)
    settle(tab)
    end = in_photo(tab, "mid_palm")
    assert end[0] - start[0] > 20
    assert value_mm(tab) > before + 5
    settle(tab)
    assert max(most_at_once) == 1
    assert len(asked) < 40  # not one question a step
    assert asked[-1]["mid_palm"] == pytest.approx(end)
    assert kept(studio, studio[1].arm_upload_id)["mid_palm"] == pytest.approx(end)
    assert set(asked[-1]) == {"mid_palm"}  # the other points stay the program's


def test_a_finger_drags_a_point_under_a_loupe(phone_review: Page, studio: tuple[Serving, Seeded]) -> None:
    tab = phone_review
    before = value_mm(tab)
    x, y = on_screen(tab, "body_bottom")
    touch = tab.context.new_cdp_session(tab)

    def finger(kind: str, *places: Place) -> None:
        points = [{"x": left, "y": top} for left, top in places]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    scrolled = tab.evaluate("scrollY")
    finger("touchStart", (x + 12, y + 10))  # a finger lands beside the point
    for step in range(1, 11):
        finger("touchMove", (x + 12, y + 10 - 0.4 * step))  # within what a length is made of
    expect(tab.locator(".loupe")).to_be_visible()
    box = tab.locator(".loupe").bounding_box()
    assert box is not None
    assert 0 <= box["x"] <= 390 - box["width"]
    away = (box["x"] + box["width"] / 2 - x - 12, box["y"] + box["height"] / 2 - y - 6)
    assert max(map(abs, away)) > box["width"] / 2  # not under the finger
    pane = tab.locator(".pane").bounding_box()
    assert pane is not None
    assert pane["y"] <= box["y"] <= pane["y"] + pane["height"] - box["height"]  # neither words nor buttons are hidden
    finger("touchEnd")
    expect(length(tab)).not_to_have_attribute("data-length", str(before), timeout=MEASURING_MS)
    expect(tab.locator(".loupe")).to_be_hidden()
    assert tab.evaluate("scrollY") == scrolled  # the page did not move with the finger
    assert set(kept(studio, studio[1].instrument_upload_id)) == {"body_bottom"}
    tab.locator('[data-live][aria-busy="false"]').wait_for(
        timeout=MEASURING_MS
    )  # the last place of the finger is answered
    readout = tab.locator("[data-readout]")
    expect(readout).to_contain_text(f"{value_mm(tab):.1f}")
    expect(readout).to_contain_text(re.compile("too small|fits|stretch|too large|not decided"))
    shown = readout.bounding_box()
    assert shown is not None
    assert shown["y"] >= 0  # in sight while the finger is on the photo
    finger("touchStart", (x + 120, y + 60))  # away from any point the page scrolls as ever
    for step in range(1, 11):
        finger("touchMove", (x + 120, y + 60 - 12 * step))
    finger("touchEnd")
    tab.wait_for_function(f"scrollY > {scrolled} + 40")


def test_on_a_phone_accepting_is_in_reach_and_everything_measured_is_seen(phone_review: Page) -> None:
    tab = phone_review
    accept = tab.get_by_role("button", name="Accept")
    for _ in range(2):
        box = accept.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= tab.viewport_size["height"]  # type: ignore[index]
        tab.get_by_text("Everything measured").click()
    for cell in tab.locator("[data-more] .lengths td").all():
        box = cell.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390


@pytest.mark.parametrize("screen", [DESK, PHONE], ids=["desktop", "phone"])
def test_outline_and_sheet_are_drawn_and_an_instrument_is_accepted_without_scrolling(
    browser: Browser, studio: tuple[Serving, Seeded], screen: dict[str, object]
) -> None:
    _, seeded = studio
    for tab in _opened(browser, studio, screen, seeded.instrument_upload_id):
        accept, body = tab.get_by_role("button", name="Accept").bounding_box(), tab.locator(".of-body").first
        assert accept is not None
        assert accept["y"] + accept["height"] <= tab.viewport_size["height"]  # type: ignore[index]
        assert len((body.get_attribute("points") or "").split()) > 50
        assert tab.locator(".of-sheet").count() >= 2
        box, pane = body.bounding_box(), tab.locator(".pane").bounding_box()
        assert box is not None
        assert pane is not None
        assert box["height"] > 0.4 * pane["height"], "large, and not small between strips"


def test_arrow_keys_move_a_point_by_pixels(open_review: Page, studio: tuple[Serving, Seeded]) -> None:
    tab = open_review
    start = in_photo(tab, "side_neck")
    tab.locator('[data-point="side_neck"]').focus()
    tab.keyboard.press("ArrowRight")
    assert in_photo(tab, "side_neck") == pytest.approx((start[0] + 1, start[1]))
    tab.keyboard.press("Shift+ArrowUp")
    assert in_photo(tab, "side_neck") == pytest.approx((start[0] + 1, start[1] - 10))
    expect(tab.locator("[data-found]")).to_be_visible(timeout=MEASURING_MS)
    settle(tab)
    assert kept(studio, studio[1].arm_upload_id)["side_neck"] == pytest.approx((start[0] + 1, start[1] - 10))


def test_the_keyboard_alone_goes_along_the_arm_moves_a_point_and_takes_it_back(open_review: Page) -> None:
    tab = open_review
    here = "document.activeElement.dataset.point || document.activeElement.textContent.trim()"
    listed = tab.get_by_label("Point", exact=True).locator("option").evaluate_all("all => all.map(each => each.value)")
    tab.get_by_role("link", name="Mo").focus()
    met = []
    for _ in listed:
        tab.keyboard.press("Tab")
        met.append(tab.evaluate(here))
    assert met == listed
    tab.keyboard.press("Shift+ArrowRight")
    settle(tab)
    moved = value_mm(tab)
    while tab.evaluate(here) != "Undo":
        tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    settle(tab)
    assert value_mm(tab) != moved
    assert tab.evaluate(here) == "mid_palm"  # and not nowhere: the button has nothing more to take back


@pytest.mark.parametrize("screen", [(320, 256), (390, 600)])  # 400 % of a small screen, and a phone with a keyboard
def test_what_the_keyboard_is_on_is_never_hidden(open_review: Page, screen: tuple[int, int]) -> None:
    tab, hidden, seen = open_review, [], 0
    tab.set_viewport_size({"width": screen[0], "height": screen[1]})
    tab.reload()
    tab.get_by_role("link", name="Mo").focus()
    while (found := tab.evaluate(IN_VIEW)) is not None:
        words, in_view = found
        hidden += [] if in_view else [words]
        seen += 1
        tab.keyboard.press("Tab")
    assert hidden == []
    assert seen > 20


def test_what_was_moved_is_kept_shown_and_taken_back(open_review: Page, studio: tuple[Serving, Seeded]) -> None:
    tab, upload_id = open_review, studio[1].arm_upload_id
    automatic, palm, wrist = value_mm(tab), in_photo(tab, "mid_palm"), in_photo(tab, "wrist")
    undo, one, every = (tab.get_by_role("button", name=name) for name in ("Undo", "Point as found", "All as found"))
    for button in (undo, one, every):
        expect(button).to_be_disabled()
    tab.get_by_label("Point", exact=True).select_option("mid_palm")
    for _ in range(12):
        tab.get_by_role("button", name="to the right").click()
    tab.get_by_label("Point", exact=True).select_option("wrist")
    tab.get_by_role("button", name="up", exact=True).click()
    expect(tab.locator("[data-found]")).to_contain_text(f"{automatic:.1f}", timeout=MEASURING_MS)
    expect(tab.locator(".ghost:not(.gone)")).to_have_count(2)  # both places are shown
    settle(tab)
    moved = value_mm(tab)
    assert moved != automatic
    tab.reload()
    assert value_mm(tab) == moved
    assert in_photo(tab, "mid_palm") == pytest.approx((palm[0] + 12, palm[1]))
    assert set(kept(studio, upload_id)) == {"mid_palm", "wrist"}
    tab.get_by_label("Point", exact=True).select_option("wrist")
    one.click()
    assert in_photo(tab, "wrist") == wrist
    settle(tab)
    assert set(kept(studio, upload_id)) == {"mid_palm"}
    undo.click()  # takes back that it was taken back
    settle(tab)
    assert set(kept(studio, upload_id)) == {"mid_palm", "wrist"}
    every.click()
    expect(length(tab)).to_have_attribute("data-length", str(automatic), timeout=MEASURING_MS)
    settle(tab)
    assert kept(studio, upload_id) == {}
    assert in_photo(tab, "mid_palm") == palm


def test_the_photo_is_shown_large_and_whole(open_review: Page) -> None:
    tab = open_review
    photo, pane = tab.locator(".stage img"), tab.locator(".pane")
    width = lambda part: part.bounding_box()["width"]  # noqa: E731
    assert width(photo) > 1.5 * width(pane)  # at first what lies around the points
    for _ in range(4):
        tab.get_by_role("button", name="further away", exact=True).click()
    assert width(photo) <= 1.01 * width(pane)
    tab.get_by_role("button", name="nearer", exact=True).click()
    assert width(photo) > 1.5 * width(pane)


def test_a_lost_answer_is_asked_for_again_and_a_refused_one_is_told(open_review: Page) -> None:
    tab = open_review
    before = value_mm(tab)
    lost: list[str] = []

    def lose(route: object) -> None:
        if len(lost) < 2:
            lost.append("once")
            route.abort()  # type: ignore[attr-defined]
        else:
            route.continue_()  # type: ignore[attr-defined]

    tab.route("**/points", lose)
    tab.locator('[data-point="mid_palm"]').focus()
    tab.keyboard.press("Shift+ArrowRight")
    expect(length(tab)).not_to_have_attribute("data-length", str(before), timeout=MEASURING_MS)
    assert len(lost) == 2
    tab.unroute("**/points")
    tab.route("**/points", lambda route: route.fulfill(status=404))
    tab.keyboard.press("Shift+ArrowRight")
    expect(tab.locator("[data-failure]")).to_be_visible()
    expect(tab.get_by_role("button", name="Accept")).to_be_disabled()  # nobody knows what these points would give
    tab.unroute("**/points")
    tab.keyboard.press("Shift+ArrowRight")
    settle(tab)
    expect(tab.get_by_role("button", name="Accept")).to_be_enabled()


def test_what_cannot_be_measured_is_not_accepted(phone_review: Page, studio: tuple[Serving, Seeded]) -> None:
    tab = phone_review
    tab.locator('[data-point="body_bottom"]').focus()
    for _ in range(45):
        tab.keyboard.press("Shift+ArrowDown")
    settle(tab)
    expect(tab.locator("[data-live]")).to_contain_text("cannot be measured like this")
    accept = tab.get_by_role("button", name="Accept")
    expect(accept).to_be_disabled()
    colour = "button => getComputedStyle(button).backgroundColor"
    as_off = accept.evaluate(colour)
    tab.get_by_role("button", name="All as found").click()
    settle(tab)
    expect(accept).to_be_enabled()
    assert accept.evaluate(colour) != as_off, "and it looks like what it is"
    assert kept(studio, studio[1].instrument_upload_id) == {}


def test_nothing_is_accepted_before_the_last_move_was_measured_nor_where_it_cannot_be(
    phone_review: Page, studio: tuple[Serving, Seeded]
) -> None:
    tab = phone_review
    held: list[Route] = []
    tab.route("**/points", lambda route: held.append(route))
    tab.locator('[data-point="body_bottom"]').focus()
    tab.keyboard.press("Shift+ArrowDown")
    for _ in range(2):
        tab.get_by_role("button", name="Accept").click()
    while not held:
        tab.wait_for_timeout(20)
    told = {
        "usable": False,
        "html": "It cannot be measured like this",
        "more": "",
        "short": "",
        "seen": "",
        "drawn": {},
    }
    held[0].fulfill(json=told)
    settle(tab)
    tab.wait_for_timeout(300)
    assert tab.url.endswith(f"/reviews/{studio[1].instrument_upload_id}")
    with studio[0].house.store.for_studio(studio[1].studio_id) as records:
        assert records.get_one(Upload, studio[1].instrument_upload_id).state == MEASURED


def test_accepting_keeps_both_and_draws_the_moved_point(browser: Browser, studio: tuple[Serving, Seeded]) -> None:
    service, seeded = studio
    upload_id, photos = seeded.arm_upload_id, service.house.photos
    for tab in _opened(browser, studio, DESK, upload_id):
        automatic, drawn = value_mm(tab), photos.get(upload_id, OVERLAY)
        x, y = on_screen(tab, "mid_palm")
        tab.mouse.move(x, y)
        tab.mouse.down()
        tab.mouse.move(x + 25, y, steps=10)
        tab.mouse.up()
        tab.get_by_role("button", name="Accept").click()  # at once: the last move still counts
        tab.wait_for_url(f"**/reviews/{seeded.instrument_upload_id}?done=*", timeout=MEASURING_MS)  # the next photo
        tab.goto(f"{service.address}/children/{seeded.child_id}#arm")
        assert "corrected; found: " in tab.locator("#arm").inner_text()
    with service.house.store.for_studio(seeded.studio_id) as records:
        arm = records.query(ArmRecord).filter_by(upload_id=upload_id).one()
        corrected = records.get_one(Upload, upload_id).corrected
    assert arm.automatic["arm_length"]["value_mm"] == automatic
    assert arm.lengths["arm_length"]["value_mm"] == corrected["arm_length"]["value_mm"] > automatic + 3
    assert not photos.has(upload_id, ORIGINAL)
    assert photos.get(upload_id, OVERLAY) not in (None, drawn)
    assert upload_id not in {key[0] for key in photos.sights._kept}


def test_one_tap_on_a_reason_asks_again(browser: Browser, studio: tuple[Serving, Seeded]) -> None:
    service, seeded = studio
    for tab in _opened(browser, studio, PHONE, seeded.instrument_upload_id):
        tab.get_by_role("button", name="lay the instrument flat").tap()
        tab.wait_for_url("**/requests/*")
        assert "lay the instrument flat" in tab.locator(".note.care").inner_text()
    with service.house.store.for_studio(seeded.studio_id) as records:
        assert records.get_one(Upload, seeded.instrument_upload_id).again_reason == "instrument"
    assert not service.house.photos.has(seeded.instrument_upload_id, ORIGINAL)
