"""No page has a fault that axe-core finds against WCAG 2.2, levels A and AA: on phone and desktop, light and dark.

The standard is the W3C Recommendation "Web Content Accessibility Guidelines (WCAG) 2.2", https://www.w3.org/TR/WCAG22/.
A program sees a part of it only: names, roles, contrasts, sizes, languages. No person is replaced by these tests.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import Any, NamedTuple

import pyotp
import pytest
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Browser, Page, expect

from service.records.shop_tables import Webhook
from service.records.tables import AGAIN, FAILED, OWNER, RECEIVED, TEACHER, Teacher, Upload
from tests.screenshots import further_pages, pages
from tests.service.browser.conftest import SAMPLES
from tests.service.conftest import Recorded
from tests.service.full_studio import Full, fill
from tests.service.seeding import NOW, PASSWORD, Seeded, seed
from tests.service.serving import Serving, serving

RULES = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
"""All that axe-core knows of the success criteria of levels A and AA, by its own tags, and what it advises besides."""
COLOURS = {"type": "rule", "values": ["color-contrast"]}
NARROW, WIDE = (320, 640), (1280, 860)
"""At 320 CSS px nothing scrolls sideways (1.4.10)."""
LOOKS = ((NARROW, "light", RULES), (NARROW, "dark", COLOURS), (WIDE, "dark", RULES), (WIDE, "light", COLOURS))
"""Each layout by every rule, and each in both colour schemes."""
FEWEST_RULES = 20
"""So many rules find something in order on the barest page; fewer, and it was not looked at."""
REACHED = {
    *("aria-allowed-attr", "autocomplete-valid", "button-name", "color-contrast"),
    *("definition-list", "document-title", "html-has-lang", "image-alt", "label", "link-name", "list", "meta-viewport"),
    *("role-img-alt", "scrollable-region-focusable", "select-name", "summary-name", "svg-img-alt", "target-size"),
}
"""Rules that find something in order on some page: what they are about is not walked past."""
RUN = """// style sheets are loaded for rules of another level alone
async runOnly => {
  const { violations, passes } = await axe.run({ runOnly, resultTypes: ["violations"], preload: false });
  const worst = ({ id, nodes: [{ html, failureSummary }] }) => [id, html.slice(0, 200), failureSummary];
  return { faults: violations.map(worst), passed: passes.map(({ id }) => id) };
}"""
UNFOLD = "document.querySelectorAll('details:not(.tongue)').forEach(each => { each.open = true; })"
"""All but the list of languages: it lies over what is below, and is looked at by itself."""
NOT_REQUIRED = "document.querySelectorAll('[required]').forEach(each => { each.required = false; })"


class Place(NamedTuple):
    """A running service, and what is in it."""

    service: Serving
    seeded: Seeded
    full: Full

    @property
    def every_page(self) -> dict[str, str]:
        return pages(self.seeded) | further_pages(self.seeded, self.full)

    def set(self, kind: type[Teacher | Upload], identity: str, **changed: Any) -> None:
        with self.service.house.store.for_studio(self.seeded.studio_id) as records:
            row = records.get_one(kind, identity)
            for name, value in changed.items():
                setattr(row, name, value)


class Checked:
    """Faults found page by page, and the rules that found something in order."""

    def __init__(self) -> None:
        self.faults: list[tuple[str, ...]] = []
        self.passed: set[str] = set()

    def look(self, tab: Page, name: str, looks: tuple[tuple[tuple[int, int], str, Any], ...] = LOOKS) -> None:
        tab.evaluate(UNFOLD)
        for (width, height), scheme, rules in looks:
            tab.set_viewport_size({"width": width, "height": height})
            tab.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            found = tab.evaluate(RUN, rules)
            self.faults += [(name, f"{width} px", scheme, *fault) for fault in found["faults"]]
            self.passed.update(found["passed"])
            if rules is RULES and len(found["passed"]) < FEWEST_RULES:
                self.faults.append((name, "hardly a rule ran", str(len(found["passed"]))))
            if tab.evaluate("document.documentElement.scrollWidth") > width:
                self.faults.append((name, f"{width} px", "scrolls sideways"))

    def found_nothing(self) -> None:
        assert not self.faults, "\n".join(" | ".join(each) for each in self.faults)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("accessibility")
    with serving(folder, pool=Recorded(), push_contact="mailto:studio@example.org") as service:
        seeded = seed(service.house)
        yield Place(service, seeded, fill(service.house, seeded))


def opened(browser: Browser, place: Place, **cookie: str) -> Page:
    """A tab with the checker in every page of it; that the pages keep their own policy is for `test_pages`."""
    context = browser.new_context(base_url=place.service.address, bypass_csp=True, locale="en-GB")
    context.add_init_script(AXE_SCRIPT)
    context.add_cookies(
        [{"name": name, "value": value, "url": place.service.address} for name, value in cookie.items()]
    )
    return context.new_page()


@pytest.fixture
def teacher(browser: Browser, place: Place) -> Iterator[Page]:
    tab = opened(browser, place, scrollreach=place.seeded.session)
    yield tab
    tab.context.close()


@pytest.fixture
def stranger(browser: Browser, place: Place) -> Iterator[Page]:
    tab = opened(browser, place)
    yield tab
    tab.context.close()


def test_pages_as_they_are_opened(teacher: Page, place: Place) -> None:
    checked = Checked()
    for name, path in place.every_page.items():
        teacher.goto(path, wait_until="domcontentloaded")
        checked.look(teacher, name)
    checked.found_nothing()
    assert checked.passed >= REACHED


def test_pages_from_right_to_left(teacher: Page, place: Place) -> None:
    checked = Checked()
    place.set(Teacher, place.seeded.teacher_id, language="ar")
    for name, path in place.every_page.items():
        teacher.goto(f"{path}{'&' if '?' in path else '?'}language=ar", wait_until="domcontentloaded")
        checked.look(teacher, name, LOOKS[:1])
    place.set(Teacher, place.seeded.teacher_id, language="en")
    checked.found_nothing()


def test_buttons_in_a_list_say_what_they_are_about(teacher: Page) -> None:
    teacher.goto("/studio")
    for name in ("Till", "Workshop"):
        teacher.get_by_label("What the key is for").fill(name)
        teacher.get_by_role("button", name="Make a key").click()
        expect(teacher.get_by_role("button", name=name)).to_have_accessible_name(f"Revoke : {name}")


def of_strangers(tab: Page, place: Place) -> Iterator[str]:
    """What somebody without a sign-in comes to beyond pages that are opened; each state by words that are seen then."""
    tab.goto("/")
    tab.locator(".tongue summary").click()
    yield "Deutsch"
    for photo, words in ((b"good", "Nothing of these photos was stored."), (b"bad", "No sheet.")):
        tab.goto("/")
        for field in ("#child", "#instrument"):
            tab.set_input_files(field, {"name": "photo.png", "mimeType": "image/png", "buffer": photo})
        tab.get_by_role("button", name="Measure and judge").click()
        yield words
    tab.goto("/recover")
    for field, words in (
        ("email", "ada@example.org"),
        ("code", "ABCD-EFGH"),
        ("password", PASSWORD),
        ("twice", PASSWORD),
    ):
        tab.locator(f"#{field}").fill(words)
    tab.get_by_role("button", name="Set the password").click()
    yield "do not fit together"
    tab.goto(f"/welcome/{place.seeded.invitation}")
    for field, words in (
        ("name", "Oda"),
        ("email", "oda@example.org"),
        ("password", PASSWORD),
        ("twice", PASSWORD[::-1]),
    ):
        tab.locator(f"#{field}").fill(words)
    tab.get_by_role("button", name="Begin").click()
    yield "The two passwords differ."
    tab.goto("/welcome/not-an-invitation")
    yield "This link is not open"


def sign_in(tab: Page, place: Place, password: str = PASSWORD) -> None:
    tab.goto("/sign-in")
    tab.get_by_label("E-mail address").fill(place.seeded.email)
    tab.get_by_label("Password").fill(password)
    tab.get_by_role("button", name="Sign in").click()


def of_a_second_factor(tab: Page, place: Place) -> Iterator[str]:
    sign_in(tab, place, "not the right one")
    yield "E-mail address and password do not fit together."
    sign_in(tab, place)
    tab.wait_for_url("**/children")
    tab.goto("/account")
    part = tab.locator("section", has=tab.get_by_role("heading", name="Second factor", exact=True))
    part.get_by_label("Present password").fill("not the right one")
    part.get_by_role("button", name="Set it up").click()
    yield "The present password is not right."
    part.get_by_label("Present password").fill(PASSWORD)
    part.get_by_role("button", name="Set it up").click()
    yield "Let the app scan this code"
    maker = pyotp.TOTP(tab.locator("code.key").inner_text().replace(" ", ""))
    tab.get_by_label("Code", exact=True).fill(maker.at(place.service.clock.now()))
    tab.get_by_role("button", name="Switch it on").click()
    yield "Your recovery codes"
    tab.get_by_role("button", name="Sign out", exact=True).click()
    sign_in(tab, place)
    yield "The password is right."
    tab.get_by_label("Code").fill("000000")
    tab.get_by_role("button", name="Sign in").click()
    yield "This code does not fit"


def of_a_family(tab: Page, place: Place) -> Iterator[str]:
    family, photo = f"/f/{place.seeded.family}", place.seeded.instrument_upload_id
    tab.goto(family)
    tab.locator(".tongue summary").click()
    yield "Deutsch"
    tab.goto(family)
    tab.evaluate(NOT_REQUIRED)
    tab.locator("[name=adult]").uncheck()
    tab.get_by_role("button", name="Begin").click()
    yield "Please tick the box first"
    tab.goto(f"{family}/sheet")
    tab.locator("#bar").fill("90")
    tab.get_by_role("button", name="Next").click()
    yield "That does not sound like the bar"
    tab.goto(f"{family}/paper")
    tab.evaluate(NOT_REQUIRED)
    tab.get_by_role("button", name="Next").click()
    yield "Please choose what you lay into the photo."
    tab.goto(f"{family}/arm")
    tab.set_input_files("#photo", SAMPLES / "child-1.jpg")
    expect(tab.locator("[data-preview] img")).to_be_visible()
    yield "Take it again"
    tab.context.set_offline(True)
    tab.get_by_role("button", name="Send the photo").click()
    expect(tab.get_by_role("button", name="Try now")).to_be_visible()
    yield "There is no connection just now."
    tab.context.set_offline(False)
    tab.goto(f"{family}/arm")
    expect(tab.locator("[data-outbox] .note.good")).to_be_visible()
    yield "See the result"
    for state, reason, *said in (
        (RECEIVED, None, "Measuring", "being measured"),
        (FAILED, None, "Your photo is kept", "with the teacher"),
        (AGAIN, None, "Please take the photo once more.", "wanted once more"),
        (AGAIN, "light", "The picture is too dark or blurred.", "wanted once more", "One photo once more, please"),
    ):
        place.set(Upload, photo, state=state, again_reason=reason, photos_deleted_at=NOW if state == AGAIN else None)
        for path, words in zip((f"/photo/{photo}", "/done/", ""), said, strict=False):
            tab.goto(f"{family}{path}")
            yield words
    tab.goto(f"{family}/camera/arm")
    for state, words in (("live", "Hold still."), ("shown", "Send the photos")):  # the way there is for `test_camera`
        tab.locator("[data-said]").evaluate("each => { each.textContent = 'Good. Hold still.'; }")
        tab.locator("[data-camera]").evaluate("(each, state) => { each.dataset.state = state; }", state)
        yield words
    tab.goto(f"{family}/camera/arm")
    tab.get_by_role("button", name="Start the camera").click()
    tab.locator("[data-state=failed]").wait_for()
    yield "The camera cannot be used here."
    tab.goto("/f/offline")
    tab.context.set_offline(True)
    yield "This page needs the network."
    with tab.expect_event("load"):  # it goes on by itself
        tab.context.set_offline(False)
    tab.goto(f"{family}/delete/")
    tab.get_by_role("button", name="Delete everything").click()
    yield "Everything is deleted"


def of_a_teacher(tab: Page, place: Place) -> Iterator[str]:
    child = f"/children/{place.seeded.child_id}"
    with place.service.house.store.for_studio(place.seeded.studio_id) as records:
        own = {"studio_id": place.seeded.studio_id, "events": "", "created_at": NOW}
        records.add(Webhook(**own, url="https://one.example.org", failing_since=NOW))
        records.add(Webhook(**own, url="https://two.example.org", disabled_at=NOW))
        other = records.query(Teacher).filter(Teacher.id != place.seeded.teacher_id).one().id
    tab.goto("/studio")
    tab.get_by_role("button", name="Invite a teacher").click()
    yield "The new link"
    tab.get_by_role("button", name="Make a key").click()
    yield "The new key"
    tab.goto(f"/studio/teachers/{other}/remove")
    yield "The account is deleted and signed out everywhere"
    tab.goto("/children/new")
    tab.evaluate(NOT_REQUIRED)
    tab.get_by_role("button", name="Save").click()
    yield "Please write a nickname"
    tab.goto("/charts/new")
    tab.locator("[name=arm_from-0]").fill("much")
    tab.get_by_role("button", name="Only show the picture").click()
    yield "“much” is not a number"
    tab.goto("/instruments/new")
    tab.locator("#name").fill("Shelf 30")
    tab.locator("#body").fill("long")
    tab.get_by_role("button", name="Save").click()
    yield "is not a length"
    tab.goto("/account")
    for state in ("install", "refused", "failed", "on"):  # how the page comes there is for `test_push`
        tab.locator(f"[data-when~={state}]").first.evaluate("each => { each.hidden = false; }")
    yield "Switched on for this browser."
    tab.goto(f"{child}/edit")
    tab.get_by_role("button", name="Save").click()
    tab.wait_for_url(f"**{child}*")
    yield "Child changed."
    tab.goto(f"/reviews/{place.seeded.instrument_upload_id}")
    tab.locator("[data-step=ArrowRight]").click()
    tab.locator("[data-found]").wait_for()
    yield "Corrected by hand"
    tab.locator("[data-live]").evaluate("each => { each.classList.add('busy'); }")
    yield "Corrected by hand"
    for state, words in ((RECEIVED, "still being measured"), (FAILED, "measuring it failed several times")):
        place.set(Upload, place.seeded.instrument_upload_id, state=state)
        tab.goto(f"/reviews/{place.seeded.instrument_upload_id}")
        yield words
    tab.goto(f"{child}/edit")
    tab.locator("main [name=form_token]").first.evaluate("each => { each.value = 'of somewhere else'; }")
    tab.get_by_role("button", name="Save").click()
    yield "This form is no longer valid"
    tab.goto(f"{child}/edit")
    for name in ("signed-out", "no-connection"):  # how it comes to be said is for `test_signed_out`
        tab.locator(f"template[data-{name}]").evaluate("it => document.querySelector('main').prepend(it.content)")
    yield "You are no longer signed in here."
    place.set(Teacher, place.seeded.teacher_id, role=TEACHER)
    tab.goto("/studio")
    yield "For owners of the studio"
    place.set(Teacher, place.seeded.teacher_id, role=OWNER)


def test_pages_as_they_answer(teacher: Page, stranger: Page, place: Place) -> None:
    checked = Checked()
    for tab, states in (
        (teacher, of_a_teacher(teacher, place)),
        (
            stranger,
            chain(of_strangers(stranger, place), of_a_family(stranger, place), of_a_second_factor(stranger, place)),
        ),
    ):
        for words in states:
            expect(
                tab.get_by_text(words).filter(visible=True).first
            ).to_be_visible()  # else the page of before is looked at
            tab.wait_for_load_state("domcontentloaded")
            checked.look(tab, words, LOOKS[::2])
    checked.found_nothing()


PAGE = '<html lang="en"><head><title>A title</title></head><body><main><h1>A heading</h1>{}</main></body></html>'
FAULTS = {
    "button-name": "<button></button>",
    "color-contrast": "<style>@media (prefers-color-scheme: dark) { h1 { color: #ddd; background: #fff; } }</style>",
    "hardly a rule ran": "",
    "image-alt": "<img src='data:,'>",
    "label": "<input type='text'>",
    "meta-refresh": "<meta http-equiv='refresh' content='60'>",
    "scrolls sideways": "<div style='width: 400px'>Wide</div>",
    "target-size": "<button style='width: 9px; height: 9px; padding: 0'>a</button>" * 2,
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_would_be_found(stranger: Page, fault: str) -> None:
    checked = Checked()
    stranger.set_content(PAGE.format(FAULTS[fault]))
    checked.look(stranger, "page")
    assert any(fault in each for each in checked.faults)
