"""The family's link in a real browser: by finger, by keyboard alone, in German, and without script."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from service.records.tables import ANEW, MEASURED, RECEIVED, PhotoRequest, Upload
from tests.service.browser.conftest import PHONE, SAMPLES
from tests.service.conftest import Recorded
from tests.service.seeding import PASSWORD, Seeded, seed
from tests.service.serving import Serving, serving
from tests.waiting import until

RESULT = re.compile(r"/photo/[0-9a-f]{32}$")
GOOD = {"en": "This photo is good", "de": "Dieses Foto ist gut"}


@pytest.fixture
def measured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded, Recorded]]:
    """A service that notes what it was asked to measure."""
    pool = Recorded()
    with serving(tmp_path_factory.mktemp("family"), pool=pool) as service:
        yield service, seed(service.house), pool


def small_photo() -> bytes:
    out = io.BytesIO()
    Image.open(SAMPLES / "child-1.jpg").resize((600, 800)).save(out, "JPEG")
    return out.getvalue()


def send(tab: Page, language: str = "en") -> None:
    tab.set_input_files("#photo", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    tab.get_by_role("button", name={"en": "Send the photo", "de": "Foto senden"}[language]).click()
    tab.wait_for_url(RESULT)
    assert heading(tab) == GOOD[language]


def heading(tab: Page) -> str:
    return tab.get_by_role("heading", level=1).inner_text()


def signed_in(browser: Browser, service: Serving, seeded: Seeded, script: bool = True) -> Page:
    context = browser.new_context(java_script_enabled=script, viewport={"width": 1280, "height": 900}, locale="en-GB")
    context.add_cookies([{"name": "scrollreach", "value": seeded.session, "url": service.address}])
    return context.new_page()


def family_in(service: Serving, seeded: Seeded, language: str) -> str:
    """The family's link, as new and in a language."""
    with service.house.store.for_studio(seeded.studio_id) as records:
        asked = records.get_one(PhotoRequest, seeded.request_id)
        asked.language, asked.consent_at, asked.bar_mm = language, None, None
    return f"{service.address}/f/{seeded.family}"


def forget_measured_anew(service: Serving, seeded: Seeded, pool: Recorded) -> None:
    """Wait until what was under review has been measured by the bar that was told, and forget that it was."""

    def is_done() -> bool:
        with service.house.store.for_studio(seeded.studio_id) as records:
            return records.scalars(select(Upload).where(Upload.state == ANEW)).first() is None

    until(is_done)
    pool.forget()


def test_bar_and_reason_go_to_and_fro(browser: Browser, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, pool = measured
    phone = browser.new_context(locale="de-DE", **PHONE).new_page()  # type: ignore[arg-type]
    phone.goto(family_in(service, seeded, "de"))
    phone.get_by_label("Ich bin erwachsen").check()
    phone.get_by_role("button", name="Beginnen").click()
    bar = phone.get_by_label("Wie lang ist der Balken")
    bar.fill("1500")
    phone.get_by_role("button", name="Weiter").click()
    assert "Das kann nicht stimmen" in phone.get_by_role("alert").inner_text()
    bar.fill("148,5 mm")
    phone.get_by_role("button", name="Weiter").click()
    phone.wait_for_url("**/done/")
    forget_measured_anew(service, seeded, pool)
    for kind in ("arm", "instrument"):
        phone.goto(f"{service.address}/f/{seeded.family}/{kind}")
        send(phone, "de")
    assert pool.bars_mm == [148.5, 148.5]
    phone.get_by_role("button", name="Fertig").click()

    desk = signed_in(browser, service, seeded)
    desk.goto(f"{service.address}/requests/{seeded.request_id}")
    assert "148.5\u00a0mm" in desk.inner_text("main")
    for _ in range(2):  # the photo of the arm that was there before, and the new one
        desk.goto(f"{service.address}/children/{seeded.child_id}")
        desk.get_by_role("link", name="Photo of the arm").first.click()
        desk.get_by_text("Ask for it again").click()
        desk.get_by_role("button", name="The arm is not quite straight").click()
    assert "The arm is not quite straight" in desk.inner_text("main")

    reason = "Der Arm ist nicht ganz gerade oder nicht ganz zur Seite gestreckt."
    phone.reload()
    phone.goto(f"{service.address}/f/{seeded.family}")
    assert heading(phone) == "Bitte ein Foto noch einmal"
    assert reason in phone.inner_text("main")
    phone.get_by_role("button", name="Beginnen").click()
    assert phone.url.endswith("/arm")  # the sheet was printed before
    assert reason in phone.inner_text("main")
    send(phone, "de")
    assert pool.bars_mm == [148.5] * 3
    phone.get_by_role("button", name="Fertig").click()
    phone.goto(f"{service.address}/f/{seeded.family}")
    assert reason not in phone.inner_text("main")


def test_the_keyboard_alone_is_enough(browser: Browser, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, pool = measured
    tab = browser.new_context(locale="en-GB").new_page()
    tab.on("filechooser", lambda _: None)  # from here on the browser hands its file chooser over
    tab.goto(family_in(service, seeded, "en"))

    def tab_to(name: str, role: str) -> None:
        for _ in range(30):
            tab.keyboard.press("Tab")
            here = tab.locator(":focus")
            if here.count() and here.evaluate("(e, r) => e.matches(r)", role) and name in said(here.element_handle()):
                ring = here.evaluate(
                    "e => [e, e.parentElement.querySelector('label') || e].map(x => getComputedStyle(x).outlineStyle)"
                )
                assert "solid" in ring, name
                return
        raise AssertionError(f"{name} is not reached by the tab key")

    def said(element: object) -> str:
        return str(
            element.evaluate("e => (e.labels && e.labels[0] ? e.labels[0].innerText : e.innerText || e.value)")  # type: ignore[attr-defined]
        )

    tab_to("I am an adult", "input")
    tab.keyboard.press("Space")
    tab_to("Begin", "button")
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/sheet")
    tab_to("How long is the bar", "input")
    tab.keyboard.type("150")
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/done/")  # photos of both were there before
    forget_measured_anew(service, seeded, pool)
    tab.goto(f"{service.address}/f/{seeded.family}/arm")
    tab_to("Take the photo", "input")
    with tab.expect_file_chooser() as chooser:
        tab.keyboard.press("Enter")
    chooser.value.set_files({"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    tab.wait_for_selector("img.preview")
    assert tab.locator(":focus").inner_text() == "Send the photo"
    tab.keyboard.press("Enter")
    tab.wait_for_url(RESULT)
    assert pool.measured == ["arm"]
    tab_to("Finished", "button")
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/done/")


def test_the_language_is_changed_where_one_stands(browser: Browser, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, seeded, _ = measured
    tab = browser.new_context(locale="en-GB", **PHONE).new_page()  # type: ignore[arg-type]
    tab.goto(f"{service.address}/f/{seeded.family}/instrument")
    tab.get_by_text("Language: English").click()
    tab.get_by_role("button", name="Deutsch").click()
    assert (heading(tab), tab.url.rsplit("/", 1)[1]) == ("Foto des Instruments", "instrument")
    tab.get_by_role("link", name="2 Kind").click()
    tab.get_by_text("Sprache: Deutsch").click()
    tab.get_by_role("button", name="English").click()
    assert heading(tab) == "Photo of the child"
    for place in ("camera/arm", f"photo/{seeded.arm_upload_id}"):
        for before, after in (("Language: English", "Deutsch"), ("Sprache: Deutsch", "English")):
            tab.goto(f"{service.address}/f/{seeded.family}/{place}")
            tab.get_by_text(before).click()
            tab.get_by_role("button", name=after).click()
            assert tab.url.endswith(f"/{place}")


def test_without_script_the_family_does_everything(
    browser: Browser, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = measured
    phone = browser.new_context(java_script_enabled=False, locale="en-GB", **PHONE).new_page()  # type: ignore[arg-type]
    phone.goto(family_in(service, seeded, "de"))
    phone.locator("summary").first.click()
    phone.get_by_role("button", name="English").click()
    phone.get_by_label("I am an adult").check()
    phone.get_by_role("button", name="Begin").click()
    phone.get_by_label("How long is the bar").fill("149.5")
    phone.get_by_role("button", name="Next").click()
    phone.wait_for_url("**/done/")
    forget_measured_anew(service, seeded, pool)
    phone.goto(f"{service.address}/f/{seeded.family}/arm")
    phone.get_by_role("button", name="Send the photo").click()
    assert phone.get_by_role("alert").inner_text() == "No photo was chosen."
    send(phone)
    phone.goto(f"{service.address}/f/{seeded.family}/instrument")
    phone.get_by_label("Which size").select_option("1/8")
    phone.set_input_files("#photo-chosen", {"name": "b.jpg", "mimeType": "image/jpeg", "buffer": b"bad"})
    phone.get_by_role("button", name="Send the photo").click()
    phone.wait_for_url(RESULT)
    assert heading(phone) == "Please take it again"
    phone.get_by_role("link", name="Take it again").click()
    send(phone)
    phone.get_by_role("link", name="Take it again").click()
    phone.set_input_files("#photo", {"name": "b.jpg", "mimeType": "image/jpeg", "buffer": b"bad again"})
    phone.get_by_role("button", name="Send the photo").click()
    phone.wait_for_url(RESULT)
    assert "An earlier photo was good and stays." in phone.inner_text("main")
    assert (pool.measured, pool.bars_mm) == (["arm", *["instrument"] * 3], [149.5] * 4)
    phone.get_by_role("button", name="Finished").click()
    assert heading(phone) == "Thank you"
    phone.get_by_role("link", name="Delete everything now").click()
    phone.get_by_role("link", name="Keep it").click()
    phone.get_by_role("link", name="Delete everything now").click()
    phone.get_by_role("button", name="Delete everything").click()
    assert heading(phone) == "Everything is deleted"
    phone.goto(f"{service.address}/f/{seeded.family}")
    assert heading(phone) == "This link is not open"


def test_without_script_the_teacher_does_everything_but_drag(
    browser: Browser, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = measured
    desk = browser.new_context(java_script_enabled=False, locale="en-GB").new_page()
    press = lambda name: desk.get_by_role("button", name=name).first.click()  # noqa: E731
    follow = lambda name: desk.get_by_role("link", name=name).first.click()  # noqa: E731
    unfold = lambda name: desk.locator("summary", has_text=name).click()  # noqa: E731
    desk.set_default_timeout(8_000)
    desk.goto(service.address + "/sign-in")
    desk.get_by_label("E-mail address").fill(seeded.email)
    desk.get_by_label("Password", exact=True).fill(PASSWORD)
    press("Sign in")

    # a child, a request, its end
    follow("New child")
    desk.get_by_label("Nickname").fill("Pip")
    desk.get_by_label("Month", exact=True).select_option("3")
    desk.get_by_label("Year", exact=True).select_option("2024")
    press("Save")
    follow("Ask for photos")
    desk.get_by_label("Photo of the instrument").uncheck()
    desk.get_by_label("Language of the family").select_option("de")
    press("Make the link")
    assert desk.locator("#link").inner_text().startswith(service.address + "/f/")
    press("Close the link now")
    assert "This link is closed." in desk.inner_text("main")

    # review: ask again with a reason, accept
    desk.goto(f"{service.address}/reviews/{seeded.instrument_upload_id}")
    desk.get_by_text("Ask for it again").click()
    press("The picture is too dark or blurred.")
    assert "The picture is too dark or blurred." in desk.inner_text("main")
    desk.goto(f"{service.address}/reviews/{seeded.arm_upload_id}")
    assert desk.locator("noscript img, img.photo").first.is_visible()
    press("Accept")

    # the child's page: instrument, signs, tape, verdict, report
    desk.goto(f"{service.address}/children/{seeded.child_id}")
    unfold("Which instrument")
    desk.get_by_label("Instrument in use").select_option(value=seeded.shelf_id)
    desk.locator("form[action$='/instrument'] button").click()
    unfold("What was seen while playing")
    unfold("Note what was seen")
    for fieldset in desk.locator("form[action$='/signs'] fieldset").all():
        fieldset.get_by_label("yes").check()
    desk.locator("form[action$='/signs'] button").click()
    unfold("Check a tape reading")
    desk.get_by_label("The tape says").fill("43.4 cm")
    desk.locator("form[action$='/tape'] button").click()
    assert "agree" in desk.inner_text("main")
    press(re.compile("Decide .*write the report"))
    desk.get_by_label("A word from you").fill("See you on Thursday.")
    desk.get_by_label("Language of the report").select_option("de")
    press("Save and share")
    report = desk.locator("a.link").inner_text()
    phone = browser.new_context(java_script_enabled=False, **PHONE).new_page()  # type: ignore[arg-type]
    phone.goto(report)
    assert "See you on Thursday." in phone.inner_text("main")
    press("Close the link")
    phone.reload()
    assert "See you on Thursday." not in phone.inner_text("main")

    # instruments: typed, measured in a photo, deleted
    desk.goto(service.address + "/instruments")
    follow("Type lengths")
    desk.get_by_label("Name or shelf number").fill("Shelf 99")
    desk.get_by_label("Body length").fill("25.4 cm")
    desk.get_by_label("Total length").fill("420±2")
    press("Save")
    desk.goto(service.address + "/instruments/photo")
    desk.set_input_files("#photo", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    press("Send the photo")
    desk.goto(service.address + "/instruments")
    follow("Shelf 99")
    follow("Delete the instrument")
    press("Delete")
    desk.goto(service.address + "/instruments")
    assert "Shelf 99" not in desk.inner_text("main")

    # the chart: shown, kept, used, deleted
    follow("Sizes")
    follow("Make our own chart")
    desk.get_by_label("Name of the chart").fill("Ours")
    press("Only show the picture")
    assert desk.get_by_label("Name of the chart").input_value() == "Ours"
    assert desk.locator("[data-chart-picture] svg").is_visible()
    press("Save and use")
    desk.goto(service.address + "/charts")
    assert "In use: Ours" in desk.inner_text("main")
    press("Use this one")
    press(re.compile("Delete ?: Ours"))
    assert "Ours" not in desk.inner_text("main").split()

    # the studio, and the end of everything
    follow("Studio")
    desk.get_by_label("Days after which").fill("9")
    press("Save")
    assert desk.get_by_label("Days after which").input_value() == "9"
    press("Invite a teacher")
    assert "/welcome/" in desk.inner_text("main")
    desk.goto(f"{service.address}/children/{seeded.child_id}/delete")
    press("Delete everything")
    assert "Mo" not in desk.inner_text("main").split()
    press("Sign out")
    desk.goto(service.address + "/children")
    assert desk.url.endswith("/sign-in")


@pytest.mark.parametrize("page", ["photo", "done", "review"])
def test_a_page_that_waits_stays_until_there_is_something_else_to_read(
    browser: Browser, measured: tuple[Serving, Seeded, Recorded], page: str
) -> None:
    # WCAG 2.2, 2.2.1: what loads itself anew every few seconds is read out from its top each time
    service, seeded, _ = measured
    upload = seeded.instrument_upload_id
    path = {
        "photo": f"/f/{seeded.family}/photo/{upload}",
        "done": f"/f/{seeded.family}/done/",
        "review": f"/reviews/{upload}",
    }[page]

    def put(state: str) -> None:
        with service.house.store.for_studio(seeded.studio_id) as records:
            records.get_one(Upload, upload).state = state

    put(RECEIVED)
    tab = signed_in(browser, service, seeded)
    loaded: list[str] = []
    looks: list[str] = []
    tab.on("load", lambda it: loaded.append(it.url))
    tab.on("response", lambda answer: looks.append(answer.url) if answer.request.resource_type == "fetch" else None)
    tab.clock.install()
    tab.goto(service.address + path)

    def in_a_moment() -> None:
        tab.clock.run_for(500)
        tab.wait_for_timeout(20)  # answers come in time that passes by itself

    while looks.count(tab.url) < 2:
        assert len(loaded) < 2
        in_a_moment()
    put(MEASURED)

    def is_loaded_anew() -> bool:
        in_a_moment()
        return len(loaded) > 1

    until(is_loaded_anew)
    expect(tab.locator("main")).not_to_contain_text("being measured")
    tab.context.close()


def test_a_shelf_photo_is_followed_named_and_dismissed(
    browser: Browser, measured: tuple[Serving, Seeded, Recorded]
) -> None:
    service, _, pool = measured
    context = browser.new_context(base_url=service.address, locale="en-GB")
    session = seed(service.house, "Studio Esche").session
    context.add_cookies([{"name": "scrollreach", "value": session, "url": service.address}])
    desk = context.new_page()

    def send(content: bytes) -> None:
        desk.goto("/instruments/photo")
        desk.set_input_files("#photo", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": content})
        desk.get_by_role("button", name="Send the photo").click()

    pool.pause_s = 1.0
    send(small_photo())
    expect(desk.get_by_text("(being measured)")).to_be_visible()
    expect(desk.get_by_text("(being measured)")).to_have_count(0, timeout=15_000)  # without a hand on the page
    pool.pause_s = 0.0
    desk.get_by_role("link", name="Photo of").click()
    desk.get_by_label("Name or shelf number").fill("Shelf 99")
    desk.get_by_label("Size on its label").fill("1/8")
    desk.get_by_role("button", name="Accept").click()
    desk.wait_for_url("**/reviews/*?done=*")  # a child's photo waits too
    desk.goto("/instruments")
    expect(desk.get_by_role("row").filter(has_text="Shelf 99")).to_contain_text("1/8")

    send(b"bad")
    expect(desk.get_by_text("No sheet. Show the sheet.")).to_be_visible(timeout=15_000)
    desk.get_by_role("button", name="Dismiss").click()
    expect(desk.get_by_role("heading", name="To review")).to_have_count(0)
    send(small_photo())
    expect(desk.get_by_text("(being measured)")).to_have_count(0, timeout=15_000)
    desk.get_by_role("link", name="Photo of").click()
    desk.get_by_text("Dismiss it").click()
    desk.get_by_role("button", name="Delete the photo").click()
    desk.wait_for_url("**/instruments?done=*")
    expect(desk.get_by_role("heading", name="To review")).to_have_count(0)
    context.close()


def test_without_script_the_quick_page_answers(browser: Browser, measured: tuple[Serving, Seeded, Recorded]) -> None:
    service, _, _ = measured
    tab = browser.new_context(java_script_enabled=False, locale="en-GB", **PHONE).new_page()  # type: ignore[arg-type]
    tab.goto(service.address)
    tab.set_input_files("#child", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
    tab.get_by_text("I know its lengths").click()
    tab.get_by_label("Body length").fill("243")
    tab.get_by_label("Total length").fill("402")
    tab.get_by_role("button", name="Measure and judge").click()
    assert "This instrument" in tab.inner_text("main") or "Not decided yet" in tab.inner_text("main")
    assert tab.locator("img.photo").first.evaluate("e => e.naturalWidth") > 0
