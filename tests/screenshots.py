"""Pictures of every page, phone and desktop, light and dark: ``python -m tests.screenshots OUTDIR [NAME ...]``.

Needs Chromium on the machine. The pages show an invented studio (`tests.service.seeding`).
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, chromium, serving

TOUCH = {"is_mobile": True, "has_touch": True}
SCREENS = {
    "desktop": {"viewport": {"width": 1280, "height": 860}},
    "phone": {
        "viewport": {"width": 390, "height": 844},
        "device_scale_factor": 2,
        "is_mobile": True,
        "has_touch": True,
    },
    "narrow": {"viewport": {"width": 320, "height": 640}} | TOUCH,
}
COLOURS = ("light", "dark")


def pages(seeded: Seeded) -> dict[str, str]:
    """Every page by a short name."""
    family, child = f"/f/{seeded.family}", f"/children/{seeded.child_id}"
    return {
        "quick": "/",
        "privacy": "/privacy",
        "sign-in": "/sign-in",
        "welcome": f"/welcome/{seeded.invitation}",
        "link-closed": "/f/not-a-link",
        "family-begin": family,
        "family-sheet": f"{family}/sheet",
        "family-arm": f"{family}/arm",
        "family-instrument": f"{family}/instrument",
        "family-good": f"{family}/photo/{seeded.arm_upload_id}",
        "family-again": f"{family}/photo/{seeded.refused_upload_id}",
        "family-done": f"{family}/done/",
        "family-delete": f"{family}/delete/",
        "report": f"/r/{seeded.report}",
        "children": "/children",
        "child": child,
        "child-new": "/children/new",
        "child-delete": f"{child}/delete",
        "request-new": f"{child}/request",
        "request": f"/requests/{seeded.request_id}",
        "review-arm": f"/reviews/{seeded.arm_upload_id}",
        "review-instrument": f"/reviews/{seeded.instrument_upload_id}",
        "verdict": f"/verdicts/{seeded.verdict_id}",
        "instruments": "/instruments",
        "instrument": f"/instruments/{seeded.shelf_id}",
        "instrument-photo": "/instruments/photo",
        "charts": "/charts",
        "chart-edit": f"/charts/{seeded.chart_id}",
        "studio": "/studio",
        "studio-delete": "/studio/delete",
    }


def take(browser: Browser, service: Serving, seeded: Seeded, out: Path, names: list[str]) -> int:
    """Photograph the pages; how many pictures were taken."""
    count = 0
    for screen, options in SCREENS.items():
        for colour in COLOURS if screen != "narrow" else COLOURS[:1]:
            context = browser.new_context(color_scheme=colour, locale="en-GB", **options)  # type: ignore[arg-type]
            context.add_cookies([{"name": "scrollreach", "value": seeded.session, "url": service.address}])
            tab = context.new_page()
            for name, path in pages(seeded).items():
                if names and name not in names:
                    continue
                tab.goto(service.address + path)
                tab.screenshot(path=out / f"{name}-{screen}-{colour}.png", full_page=True)
                count += 1
            context.close()
    return count


def main(arguments: list[str]) -> int:
    """Take the pictures; the exit status."""
    browser_file = chromium()
    if not arguments or browser_file is None:
        sys.stderr.write("usage: python -m tests.screenshots OUTDIR [NAME ...]; needs Chromium\n")
        return 2
    out = Path(arguments[0])
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder)) as service, sync_playwright() as playwright:
        seeded = seed(service.house)
        browser = playwright.chromium.launch(executable_path=browser_file)
        count = take(browser, service, seeded, out, arguments[1:])
        browser.close()
    sys.stdout.write(f"{count} pictures in {out}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
