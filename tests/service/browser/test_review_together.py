"""The review of photos that were measured together, and of a film, in a real browser with real measuring."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from service.jobs.workflows import keep_outcome, measured
from service.jobs.workshop import Workshop
from service.measuring.outcome import ArmQuestion, InstrumentQuestion
from service.records.photos import KINDS, ORIGINALS, OVERLAY
from service.records.tables import ArmRecord, Instrument, PhotoRequest, Upload
from tests.service.browser.conftest import PHONE, SAMPLES, teachers_tab
from tests.service.browser.test_review import DESK, MEASURING_MS, in_photo, kept, on_screen, settle, value_mm
from tests.service.full_studio import AGE_YEARS
from tests.service.measuring.test_looking import filmed_instrument
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving
from tests.waiting import finished

SENT = {
    "child": ("arm", lambda: [(SAMPLES / f"child-5-{letter}.jpg").read_bytes() for letter in "abc"]),
    "film": ("arm", lambda: [(SAMPLES / "child-4.mp4").read_bytes()]),
    "violin": ("instrument", lambda: [(SAMPLES / f"instrument-5-{letter}.jpg").read_bytes() for letter in "abc"]),
    "filmed violin": ("instrument", lambda: [filmed_instrument()]),
}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("together")) as service:
        yield service


Studio = tuple[Serving, Seeded, str]


@pytest.fixture(scope="module")
def studios(service: Serving) -> dict[str, Studio]:
    """A studio for each, in which it waits for review."""
    return {what: _waiting(service, what) for what in SENT}


def _waiting(service: Serving, what: str) -> Studio:
    house, (kind, sent) = service.house, SENT[what]
    seeded = seed(house, f"Studio {what.title().replace(' ', '')}")
    upload_id = seeded.arm_upload_id if kind == "arm" else seeded.instrument_upload_id
    files = sent()
    house.photos.delete(upload_id)
    house.photos.put_originals(upload_id, files)
    question = ArmQuestion(age_years=AGE_YEARS) if kind == "arm" else InstrumentQuestion()
    with house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Upload, upload_id).views = len(files)
        records.get_one(PhotoRequest, seeded.request_id).bar_mm = None  # the samples' sheets are true
    outcome = finished(measured(house.pool, files, kind, question))
    keep_outcome(Workshop(house.store, house.photos, house.pool, house.clock, review=True), upload_id, outcome)
    return service, seeded, upload_id


def opened(browser: Browser, studio: Studio, screen: dict = DESK) -> Iterator[Page]:
    """The review, with nothing moved."""
    service, seeded, upload_id = studio
    with service.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Upload, upload_id).corrected = None
    with teachers_tab(browser, (service, seeded), **screen) as tab:
        tab.goto(f"/reviews/{upload_id}")
        yield tab


def moved_px(studio: Studio) -> dict[str, tuple[float, float]]:
    service, seeded, upload_id = studio
    return kept((service, seeded), upload_id)


def drag(tab: Page, point: str, right_px: float) -> None:
    x, y = on_screen(tab, point)
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + right_px, y, steps=12)
    tab.mouse.up()
    settle(tab)


def shown(tab: Page) -> str:
    """Address of the picture that is seen."""
    images = [each for each in tab.locator(".stage img").all() if each.is_visible()]
    assert len(images) == 1
    assert images[0].evaluate("image => image.complete && image.naturalWidth") > 1000
    return str(images[0].get_attribute("src")).rsplit("/", 1)[1]


def test_points_are_moved_in_several_photos_and_taken_back_where_they_were(
    browser: Browser, studios: dict[str, Studio]
) -> None:
    studio = studios["child"]
    for tab in opened(browser, studio):
        automatic = value_mm(tab)
        photos = [tab.get_by_role("radio", name=f"Photo {number}") for number in (1, 2, 3)]
        expect(photos[0]).to_be_checked()
        assert shown(tab) == "photo.jpg"
        expect(tab.get_by_text("measured in 3 photos together")).to_be_visible()
        photos[1].check()
        assert shown(tab) == "photo2.jpg"
        assert tab.get_by_role("group", name="Photo 2").is_visible()
        start = in_photo(tab, "mid_palm@2")
        drag(tab, "mid_palm@2", -40)
        assert set(moved_px(studio)) == {"mid_palm@2"}
        assert moved_px(studio)["mid_palm@2"] == pytest.approx(in_photo(tab, "mid_palm@2"))
        second = value_mm(tab)
        assert second > automatic + 5, "the arm is longer, though two of three photos say what they said"
        expect(tab.locator("[data-found]")).to_contain_text(f"{automatic:.1f}")
        expect(tab.get_by_role("radio", name="Photo 2 point moved")).to_be_checked()
        # by the keys, in another photo; both count
        photos[1].press("ArrowRight")
        expect(photos[2]).to_be_checked()
        assert shown(tab) == "photo3.jpg"
        tab.locator('[data-point="side_neck@3"]').focus()
        tab.keyboard.press("Shift+ArrowRight")
        settle(tab)
        assert set(moved_px(studio)) == {"mid_palm@2", "side_neck@3"}
        third = value_mm(tab)
        assert third != second
        tab.reload()
        assert value_mm(tab) == third
        expect(tab.locator("[data-is-moved]:visible")).to_have_count(2)
        # undone from a third photo: the place where it was is shown
        drag(tab, "wrist", 20)
        photos[1].check()
        tab.get_by_label("Point", exact=True).select_option("mid_palm")
        tab.get_by_role("button", name="Point as found").click()
        settle(tab)
        assert in_photo(tab, "mid_palm@2") == start
        assert set(moved_px(studio)) == {"wrist", "side_neck@3"}
        photos[0].check()
        tab.get_by_role("button", name="Undo").click()
        settle(tab)
        assert shown(tab) == "photo2.jpg", "where the point was moved back"
        assert set(moved_px(studio)) == {"wrist", "side_neck@3", "mid_palm@2"}
        tab.get_by_role("button", name="All as found").click()
        settle(tab)
        assert moved_px(studio) == {}
        assert value_mm(tab) == automatic


def test_moves_that_contradict_one_another_are_not_accepted(browser: Browser, studios: dict[str, Studio]) -> None:
    for tab in opened(browser, studios["child"]):
        drag(tab, "mid_palm", 40)
        tab.get_by_role("radio", name="Photo 2").check()
        drag(tab, "mid_palm@2", -40)
        expect(tab.locator("[data-live]")).to_contain_text("contradict one another")
        expect(tab.get_by_role("button", name="Accept")).to_be_disabled()
        tab.get_by_role("button", name="Undo").click()
        settle(tab)
        expect(tab.get_by_role("button", name="Accept")).to_be_enabled()


def test_on_a_phone_an_instrument_is_corrected_in_one_of_its_photos_and_accepted(
    browser: Browser, studios: dict[str, Studio]
) -> None:
    service, seeded, upload_id = studio = studios["violin"]
    for tab in opened(browser, studio, PHONE):
        automatic, drawn = value_mm(tab), service.house.photos.get(upload_id, OVERLAY)
        for each in tab.get_by_role("radio").all():
            box = each.bounding_box()
            assert box is not None
            assert box["height"] >= 44
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 390
        tab.get_by_role("radio", name="Photo 3").tap()
        tab.get_by_label("Point", exact=True).select_option("body_bottom")
        assert tab.locator(".of-body:visible").count() > 0
        x, y = on_screen(tab, "body_bottom@3")
        touch = tab.context.new_cdp_session(tab)
        for kind, step in [("touchStart", 0), *(("touchMove", step) for step in range(1, 9))]:
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x - 0.6 * step, "y": y}]})
        expect(tab.locator(".loupe:visible")).to_have_count(1)
        expect(tab.locator("[data-is-moved]:visible")).to_have_count(1)
        assert on_screen(tab, "body_bottom@3") == pytest.approx((x - 4.8, y), abs=1.0), (
            "nothing shifts under the finger"
        )
        touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        settle(tab)
        assert set(moved_px(studio)) == {"body_bottom@3"}
        assert abs(value_mm(tab) - automatic) > 0.5
        last = value_mm(tab)
        tab.get_by_role("button", name="Accept").tap()
        expect(tab).not_to_have_url(f"{service.address}/reviews/{upload_id}", timeout=MEASURING_MS)
    with service.house.store.for_studio(seeded.studio_id) as records:
        instrument = records.get_one(Instrument, records.get_one(Upload, upload_id).instrument_id)
        assert instrument.measured_by == "corrected"
        assert instrument.lengths["body_length"]["value_mm"] == last
        assert instrument.automatic["body_length"]["value_mm"] == automatic
    photos = service.house.photos
    assert [kind for kind in KINDS if photos.has(upload_id, kind)] == [OVERLAY]
    assert photos.get(upload_id, OVERLAY) != drawn
    assert upload_id not in {key[0] for key in photos.sights._kept}


@pytest.mark.parametrize(("what", "point", "right_px"), [("film", "mid_palm", 30), ("filmed violin", "body_bottom", 8)])
def test_a_point_is_moved_in_the_frame_of_a_film_and_accepted(
    browser: Browser, studios: dict[str, Studio], what: str, point: str, right_px: float
) -> None:
    service, seeded, upload_id = studio = studios[what]
    photos = service.house.photos
    for tab in opened(browser, studio):
        automatic, drawn = value_mm(tab), photos.get(upload_id, OVERLAY)
        expect(tab.locator("main")).to_contain_text("This was measured in a film as a whole")
        expect(tab.get_by_role("radio")).to_have_count(0)
        assert shown(tab) == "photo.jpg"
        drag(tab, point, right_px)
        assert set(moved_px(studio)) == {point}
        assert abs(value_mm(tab) - automatic) > 1.0
        # forgotten meanwhile: the film is looked at again
        photos.sights.forget(upload_id)
        tab.locator(f'[data-point="{point}"]').focus()
        tab.keyboard.press("ArrowRight")
        settle(tab)
        last = value_mm(tab)
        kinds = {kind for kind in KINDS if photos.has(upload_id, kind)}
        assert kinds == {ORIGINALS[0], "view", OVERLAY}, "of all frames one"
        tab.get_by_role("button", name="Accept").click()
        expect(tab).not_to_have_url(f"{service.address}/reviews/{upload_id}", timeout=MEASURING_MS)
    assert [kind for kind in KINDS if photos.has(upload_id, kind)] == [OVERLAY]
    assert photos.get(upload_id, OVERLAY) != drawn
    if what == "film":
        with service.house.store.for_studio(seeded.studio_id) as records:
            arm = records.query(ArmRecord).filter_by(upload_id=upload_id).one()
        assert (arm.corrected, arm.lengths["arm_length"]["value_mm"]) == (True, last)


def test_without_script_the_points_are_seen_and_accepting_is_there(
    browser: Browser, studios: dict[str, Studio]
) -> None:
    for tab in opened(browser, studios["child"], DESK | {"java_script_enabled": False}):
        picture = tab.get_by_role("img", name="The photo with the measured points drawn on it")
        assert picture.is_visible()
        assert tab.locator(".stage img:visible").count() == 0
        assert tab.get_by_role("button", name="Accept").is_enabled()
