"""A lost connection loses no photo: a family's waits on the phone through a closed page, a teacher's stays chosen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from service.records.tables import SignIn
from tests.service.browser.test_family import small_photo
from tests.service.conftest import Recorded
from tests.service.seeding import PASSWORD, Seeded, seed
from tests.service.serving import Serving, serving
from tests.waiting import until

RESULT = re.compile(r"/photo/[0-9a-f]{32}$")
LOST = "There is no connection just now."
KEPT = """async () => {
  const opened = await new Promise(done => {
    const asked = indexedDB.open('scrollreach', 1);
    asked.onsuccess = () => done(asked.result);
  });
  const asked = opened.transaction('photos').objectStore('photos').getAll();
  return await new Promise(done => { asked.onsuccess = () => done(asked.result.map(each => each.files[0][1].size)); });
}"""


@pytest.fixture
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded, Recorded]]:
    pool = Recorded()
    with serving(tmp_path_factory.mktemp("connection"), pool=pool) as service:
        yield service, seed(service.house), pool


def chosen(phone: BrowserContext, address: str) -> Page:
    tab = phone.new_page()
    tab.goto(address)
    tab.set_input_files("#photo", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    tab.wait_for_selector("img.preview")
    return tab


def test_a_photo_waits_for_the_connection(phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, pool = measured
    tab = chosen(phone, f"{service.address}/f/{seeded.family}/arm")
    phone.set_offline(True)
    tab.get_by_role("button", name="Send the photo").click()
    expect(tab.locator("form [data-status]")).to_contain_text(LOST)
    assert tab.evaluate(KEPT) != []
    phone.set_offline(False)
    tab.wait_for_url(RESULT)
    assert tab.get_by_role("heading", level=1).inner_text() == "This photo is good"
    assert tab.evaluate(KEPT) == []
    assert pool.measured == ["arm"]


def test_a_photo_survives_a_closed_page(phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, pool = measured
    tab = chosen(phone, f"{service.address}/f/{seeded.family}/arm")
    phone.set_offline(True)
    tab.get_by_role("button", name="Send the photo").click()
    expect(tab.locator("form [data-status]")).to_contain_text(LOST)
    tab.close()
    phone.set_offline(False)
    later = phone.new_page()
    later.goto(f"{service.address}/f/{seeded.family}")
    later.get_by_role("link", name="See the result").click()
    later.wait_for_url(RESULT)
    assert (pool.measured, later.evaluate(KEPT)) == (["arm"], [])


def test_what_was_cut_off_in_the_middle_arrives_once(
    phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    tab = chosen(phone, f"{service.address}/f/{seeded.family}/arm")
    cut = []

    def lose_the_answer(route) -> None:  # type: ignore[no-untyped-def]
        if route.request.method == "POST" and not cut:
            cut.append(route.fetch(max_redirects=0).status)  # it arrives, and the phone never hears so
            route.abort("connectionreset")
        else:
            route.continue_()

    tab.route(re.compile("/arm$"), lose_the_answer)
    tab.get_by_role("button", name="Send the photo").click()
    tab.wait_for_url(RESULT)
    assert (cut, pool.measured) == ([303], ["arm"])


def test_without_a_connection_the_page_is_ours(
    phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    tab = phone.new_page()
    tab.goto(f"{service.address}/f/{seeded.family}?language=de")
    tab.evaluate("navigator.serviceWorker.ready.then(() => true)")
    until(lambda: tab.evaluate("caches.match('/f/offline').then(Boolean)"))
    tab.reload()
    phone.set_offline(True)
    tab.goto(f"{service.address}/f/{seeded.family}/arm")
    assert tab.get_by_role("heading", level=1).inner_text() == "Gerade keine Verbindung"
    assert tab.evaluate("getComputedStyle(document.querySelector('.button')).minHeight") == "60px"  # with its looks
    phone.set_offline(False)
    tab.wait_for_selector("#photo", state="attached")  # it goes on by itself


def test_deleting_everything_empties_the_phone_too(
    phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    tab = chosen(phone, f"{service.address}/f/{seeded.family}/arm")
    tab.route(re.compile("/arm$"), lambda route: route.abort() if route.request.method == "POST" else route.continue_())
    tab.get_by_role("button", name="Send the photo").click()
    expect(tab.locator("form [data-status]")).to_contain_text(LOST)
    other = phone.new_page()
    other.route(
        re.compile("/arm$"), lambda route: route.abort() if route.request.method == "POST" else route.continue_()
    )
    tab.close()
    other.goto(f"{service.address}/f/{seeded.family}/delete/")
    other.get_by_role("button", name="Delete everything").click()
    until(lambda: other.evaluate(KEPT) == [])
    assert pool.measured == []


def test_the_link_can_stand_on_the_screen(phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, _ = measured
    tab = phone.new_page()
    tab.goto(f"{service.address}/f/{seeded.family}")
    told = phone.new_cdp_session(tab).send("Page.getAppManifest")
    assert (told["errors"], told["url"]) == ([], f"{service.address}/f/{seeded.family}/app.webmanifest")
    manifest = tab.request.get(told["url"]).json()
    assert manifest["start_url"] == f"/f/{seeded.family}"
    for icon in manifest["icons"]:
        assert tab.request.get(service.address + icon["src"]).headers["content-type"] == "image/png"


def test_another_photo_from_the_same_page_is_another_photo(
    phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    tab = chosen(phone, f"{service.address}/f/{seeded.family}/arm")
    tab.evaluate("() => { const send = document.querySelector('[data-send]'); send.click(); send.click(); }")
    tab.wait_for_url(RESULT)
    assert pool.measured == ["arm"]  # pressed twice
    first = tab.url
    tab.go_back()
    tab.set_input_files("#photo", {"name": "b.jpg", "mimeType": "image/jpeg", "buffer": b"another"})
    tab.get_by_role("button", name="Send the photo").click()
    tab.wait_for_url(RESULT)
    assert tab.url != first
    assert pool.measured == ["arm", "arm"]


def test_after_a_refused_file_the_next_one_is_sent_as_before(phone: BrowserContext, tmp_path: Path) -> None:
    pool = Recorded()
    with serving(tmp_path, pool=pool, upload_megabytes=1) as service:
        seeded = seed(service.house)
        tab = phone.new_page()
        tab.goto(f"{service.address}/f/{seeded.family}/arm")
        large = {"name": "a.png", "mimeType": "image/png", "buffer": b"\x89PNG" + bytes(2 * 2**20)}
        tab.set_input_files("#photo", large)
        tab.get_by_role("button", name="Send the photo").click()
        expect(tab.get_by_role("alert")).to_contain_text("larger than we accept")
        expect(tab.get_by_role("alert")).to_be_in_viewport()
        tab.set_input_files("#photo", {"name": "b.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
        tab.wait_for_selector("img.preview")
        phone.set_offline(True)
        tab.get_by_role("button", name="Send the photo").click()
        expect(tab.locator("form [data-status]")).to_contain_text(LOST)
        phone.set_offline(False)
        tab.wait_for_url(RESULT)
    assert pool.measured == ["arm"]


STILL_HERE = "what you chose is still here"


def at_the_desk(browser: Browser, service: Serving, session: str) -> Page:
    """A teacher's page with a photo of an instrument chosen and not sent yet."""
    context = browser.new_context(base_url=service.address, locale="en-GB")
    context.add_cookies([{"name": "scrollreach", "value": session, "url": service.address}])
    desk = context.new_page()
    desk.goto("/instruments/photo")
    desk.set_input_files("#photo", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    desk.wait_for_selector("img.preview")
    return desk


def test_a_teachers_photo_stays_chosen_without_a_connection(
    browser: Browser, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    desk = at_the_desk(browser, service, seeded.session)
    send, said = desk.get_by_role("button", name="Send the photo"), desk.locator("[data-status]")
    desk.context.set_offline(True)
    send.click()
    expect(said).to_contain_text(LOST)
    expect(desk.locator("img.preview")).to_be_visible()
    desk.context.set_offline(False)
    desk.route("**/instruments/photo", lambda route: route.fulfill(status=503, headers={"Retry-After": "10"}), times=1)
    send.click()
    expect(said).to_contain_text("cannot be taken in just now")
    send.dblclick()
    desk.wait_for_url("**/instruments")
    until(lambda: pool.measured == ["instrument"])
    desk.context.close()


def test_a_teachers_photo_outlives_the_sign_in(browser: Browser, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, pool = measured
    desk = at_the_desk(browser, service, seeded.session)
    with service.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(SignIn, seeded.sign_in_id).revoked_at = service.clock.now()
    send = desk.get_by_role("button", name="Send the photo")
    send.click()
    expect(desk.locator("[data-status]")).to_contain_text(STILL_HERE)
    other = desk.context.new_page()
    other.goto("/sign-in")
    other.get_by_label("E-mail address").fill(seeded.email)
    other.get_by_label("Password").fill(PASSWORD)
    other.get_by_role("button", name="Sign in").click()
    other.wait_for_url("**/children")
    send.click()
    desk.wait_for_url("**/instruments")
    until(lambda: pool.measured == ["instrument"])
    desk.context.close()


def test_two_photos_stay_chosen_on_the_first_page(
    phone: BrowserContext, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, _, pool = measured
    tab = phone.new_page()
    tab.goto(f"{service.address}/")
    for field in ("#child", "#instrument"):
        tab.set_input_files(field, {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    expect(tab.locator("img.preview")).to_have_count(2)
    phone.set_offline(True)
    send = tab.get_by_role("button", name="Measure and judge")
    send.click()
    expect(tab.locator("[data-status]")).to_contain_text(LOST)
    expect(tab.locator("img.preview")).to_have_count(2)
    phone.set_offline(False)
    send.click()
    expect(tab.locator("main section.verdict").first).to_be_visible()
    assert sorted(pool.measured) == ["child", "instrument"]
    tab.set_input_files("#child", {"name": "b.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    expect(tab.locator("img.preview")).to_have_count(1)  # what is asked for now is helped as before
