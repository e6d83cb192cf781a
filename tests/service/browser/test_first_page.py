"""The first page on a slow line and a slow phone: light, and usable within a second."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Browser

from service.records.tables import PhotoRequest
from tests.service.browser.conftest import PHONE
from tests.service.conftest import Recorded
from tests.service.seeding import seed
from tests.service.serving import serving

LINE = {"offline": False, "latency": 150, "downloadThroughput": 1.6e6 / 8, "uploadThroughput": 0.75e6 / 8}
"""A slow mobile line: 1.6 Mbit/s and 150 ms, as browsers' own tools set it (from memory)."""
SLOWER = 4
USABLE_MS = 1000.0
MOST_BYTES = 60_000
MOST_TRIES = 12
"""The fastest counts: a machine that does other things beside is slower, never faster."""
WHEN_USABLE = """() => {
  const [page] = performance.getEntriesByType("navigation");
  const painted = performance.getEntriesByName("first-contentful-paint")[0].startTime;
  return Math.max(painted, page.domContentLoadedEventEnd);
}"""


def test_the_first_page_is_usable_within_a_second(browser: Browser, tmp_path: Path) -> None:
    with serving(tmp_path, pool=Recorded()) as service:
        seeded = seed(service.house)
        with service.house.store.for_studio(seeded.studio_id) as records:
            records.get_one(PhotoRequest, seeded.request_id).consent_at = None
        waits = []
        for _ in range(MOST_TRIES):
            context = browser.new_context(locale="en-GB", **PHONE)  # type: ignore[arg-type]
            tab = context.new_page()
            tab.goto("about:blank")
            tools = context.new_cdp_session(tab)
            tools.send("Network.enable")
            tools.send("Network.emulateNetworkConditions", LINE)
            tools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
            sizes: list[int] = []
            tools.on("Network.loadingFinished", lambda done, sizes=sizes: sizes.append(done["encodedDataLength"]))
            tab.goto(f"{service.address}/f/{seeded.family}", wait_until="domcontentloaded")
            tab.get_by_label("I am an adult").check()
            waits.append(tab.evaluate(WHEN_USABLE))
            context.close()
            if waits[-1] < USABLE_MS:
                break
        print(f"usable after {min(waits):.0f} ms, {sum(sizes)} bytes")
    assert min(waits) < USABLE_MS
    assert 5_000 < sum(sizes) < MOST_BYTES
