"""A teacher lets a device tell of photos: the switch where it is allowed, and what the worker shows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select

from service.records.tables import PushSubscription
from tests.service.browser.conftest import PHONE, teachers_tab
from tests.service.conftest import Recorded
from tests.service.jobs import test_push
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, chromium, serving
from tests.waiting import until

SUBSCRIBED = """fields => {
  // A browser without a network has no push service; everything around its answer is real.
  const given = {
    endpoint: fields.endpoint,
    toJSON: () => ({ endpoint: fields.endpoint, keys: { p256dh: fields.point, auth: fields.auth } }),
    unsubscribe: async () => { sessionStorage.removeItem("subscribed"); return true; },
  };
  PushManager.prototype.getSubscription = async () => (sessionStorage.getItem("subscribed") ? given : null);
  PushManager.prototype.subscribe = async options => {
    if (!options.userVisibleOnly || !options.applicationServerKey) throw new Error("a browser would refuse this");
    sessionStorage.setItem("subscribed", options.applicationServerKey);
    return given;
  };
}"""
SHOWN = """async () => (await (await navigator.serviceWorker.getRegistration("/f/")).getNotifications())
  .map(each => [each.title, each.lang, each.data.path])"""


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded]]:
    with serving(tmp_path_factory.mktemp("push"), pool=Recorded(), push_contact="mailto:studio@example.org") as service:
        yield service, seed(service.house)


@pytest.fixture
def whole_browser(browser: Browser) -> Iterator[Browser]:
    """One that shows messages, which the engine alone refuses to."""
    file = chromium(whole=True)
    if file is None:
        pytest.skip("no whole Chromium on this machine: no message can be shown")
    with browser.browser_type.launch(executable_path=file) as whole:
        yield whole


@contextmanager
def device(browser: Browser, studio: tuple[Serving, Seeded], before: str = "", allowed: bool = True) -> Iterator[Page]:
    """The account's page in a browser that lets messages be shown, or not."""
    with teachers_tab(browser, studio, **PHONE) as tab:
        if allowed:
            tab.context.grant_permissions(["notifications"])
        tab.add_init_script(before)
        tab.goto("/account")
        yield tab


def test_the_switch_and_what_the_worker_shows(whole_browser: Browser, studio: tuple[Serving, Seeded]) -> None:
    service, _ = studio
    fields = test_push.Browser.fresh().fields(test_push.HERE)
    with device(whole_browser, studio, f"({SUBSCRIBED})({json.dumps(fields)})") as tab:
        part = tab.locator("#device")
        expect(part.get_by_role("paragraph")).to_have_count(1)
        part.get_by_role("button", name="Switch it on").click()
        expect(part.get_by_role("button", name="Switch it off")).to_be_focused()
        with service.house.store.whole_house() as session:
            assert [each.endpoint for each in session.scalars(select(PushSubscription))] == [fields["endpoint"]]
        assert service.house.push is not None
        assert tab.evaluate("sessionStorage.getItem('subscribed')") == service.house.push.public_key

        talk = tab.context.new_cdp_session(tab)
        registrations: list[str] = []
        talk.on(
            "ServiceWorker.workerRegistrationUpdated",
            lambda told: registrations.extend(each["registrationId"] for each in told["registrations"]),
        )
        talk.send("ServiceWorker.enable")
        until(lambda: tab.evaluate("true") and registrations)
        said = {"words": "Photos have arrived", "lang": "en", "path": "/children"}
        push = {"origin": service.address, "registrationId": registrations[-1], "data": json.dumps(said)}
        talk.send("ServiceWorker.deliverPushMessage", push)
        until(lambda: tab.evaluate(SHOWN) == [["Photos have arrived", "en", "/children"]])

        part.get_by_role("button", name="Switch it off").click()
        expect(part.get_by_role("button", name="Switch it on")).to_be_focused()
        with service.house.store.whole_house() as session:
            assert session.scalars(select(PushSubscription)).all() == []


@pytest.mark.parametrize(
    ("before", "said"),
    [
        ("delete globalThis.PushManager", "This browser cannot do that"),
        ("delete globalThis.PushManager; navigator.standalone = false", "once these pages stand on the home screen"),
        ("Object.defineProperty(Notification, 'permission', { value: 'denied' })", "told to show no messages"),
    ],
    ids=["unable", "install", "refused"],
)
def test_it_says_why_a_browser_cannot(browser: Browser, studio: tuple[Serving, Seeded], before: str, said: str) -> None:
    with device(browser, studio, before, allowed=False) as tab:
        expect(tab.locator("#device [role=status]")).to_contain_text(said)
        expect(tab.locator("#device button:visible")).to_have_count(0)
        told = tab.context.new_cdp_session(tab).send("Page.getAppManifest")
        assert (told["errors"], json.loads(told["data"])["start_url"]) == ([], "/children")
