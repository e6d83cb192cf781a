"""How often the camera page looks: ``python -m tests.speed.camera``; a phone is played by the browser's false camera.

Prints checks a second and what sheet and person take, medians over some seconds.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from statistics import median

from playwright.sync_api import sync_playwright

from tests.service.browser import films
from tests.service.browser.conftest import PHONE
from tests.service.conftest import Recorded
from tests.service.seeding import seed
from tests.service.serving import chromium, serving

SECONDS = 8
NOTE_WHAT_WAS_SEEN = """
globalThis.took = [];
const Plain = globalThis.Worker;
globalThis.Worker = class extends Plain {
  set onmessage(heard) {
    super.onmessage = (event) => {
      if (event.data.seen) took.push([performance.now(), event.data.seen.took.sheetMs, event.data.seen.took.personMs]);
      heard(event);
    };
  }
};
"""


def main() -> None:
    """Let the page look at a film that never rests, and say how often it did."""
    argparse.ArgumentParser(prog="python -m tests.speed.camera", description=__doc__).parse_args()
    file = chromium()
    if file is None:
        sys.exit("no Chromium on this machine")
    with tempfile.TemporaryDirectory() as folder:
        film = films.film(Path(folder) / "film.mjpeg", [films.sample("child-1")], shaken=True)
        camera = ["--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream"]
        with serving(Path(folder) / "data", pool=Recorded()) as service, sync_playwright() as playwright:
            seeded = seed(service.house)
            browser = playwright.chromium.launch(
                executable_path=file, args=[*camera, f"--use-file-for-fake-video-capture={film}"]
            )
            tab = browser.new_context(**PHONE).new_page()  # type: ignore[arg-type]
            tab.add_init_script(NOTE_WHAT_WAS_SEEN)
            tab.goto(f"{service.address}/f/{seeded.family}/camera/arm")
            tab.get_by_role("button", name="Start the camera").click()
            tab.wait_for_selector("[data-camera][data-rate]", timeout=120_000)
            begun = tab.evaluate("took.length")
            tab.wait_for_timeout(SECONDS * 1000)
            took = tab.evaluate("took")[begun:]
            browser.close()
    moments, sheet_ms, person_ms = zip(*took, strict=True)
    rate = (len(moments) - 1) / (moments[-1] - moments[0]) * 1000
    print(f"{rate:.1f} checks a second; sheet {median(sheet_ms):.0f} ms, person {median(person_ms):.0f} ms")


if __name__ == "__main__":
    main()
