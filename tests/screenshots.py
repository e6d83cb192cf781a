"""Pictures of every page: ``python -m tests.screenshots OUTDIR [NAME ...]``; README's: ``... --readme``.

Phone and desktop, each light, dark, in Arabic and (for the teacher) in German, and a screen 320 px wide.

Needs Chromium on the machine. The pages show an invented studio (`tests.service.seeding`).
"""

from __future__ import annotations

import argparse
import io
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from service.records.tables import Teacher
from tests.service.full_studio import Full, fill
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
SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
README_FOLDER = SAMPLES / "pages"
README_PAGES = {
    "family-arm.png": (390, None),
    "family-instrument.png": (390, None),
    "review-arm.jpg": (1100, 900),
    "child.png": (900, 1500),
    "report.jpg": (900, None),
}
"""README's pictures: width and, where a page is long, height of what is shown, px."""
README_VERDICT, README_VERDICT_WIDTH = "verdict.jpg", 1100


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
        "family-paper": f"{family}/paper",
        "family-arm": f"{family}/arm",
        "family-instrument": f"{family}/instrument",
        "family-camera": f"{family}/camera/arm",
        "family-good": f"{family}/photo/{seeded.arm_upload_id}",
        "family-again": f"{family}/photo/{seeded.refused_upload_id}",
        "family-done": f"{family}/done/",
        "family-delete": f"{family}/delete/",
        "report": f"/r/{seeded.report}",
        "children": "/children",
        "child": child,
        "compare": f"{child}/compare?one={seeded.instrument_id}&other={seeded.shelf_id}",
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
        "counter": "/counter",
        "counter-arm": "/counter/arms/430±6",
        "counter-child": f"/counter/children/{seeded.child_id}",
        "counter-slip": f"/counter/children/{seeded.child_id}/slip",
        "counter-orders": "/counter/orders",
        "counter-labels": "/counter/labels",
        "counter-table": "/counter/table",
        "class": "/class",
        "class-given": "/class?show=1",
        "charts": "/charts",
        "chart-edit": f"/charts/{seeded.chart_id}",
        "account": "/account",
        "recover": "/recover",
        "studio": "/studio",
        "history": "/studio/history",
        "deeds": "/deeds",
        "studio-delete": "/studio/delete",
    }


def further_pages(seeded: Seeded, full: Full) -> dict[str, str]:
    """Pages of the full studio: a report in German, a child of whom nothing is known, forms, and what is not here."""
    return {
        "report-german": f"/r/{full.report}",
        "child-long-name": f"/children/{full.long_child_id}",
        "child-nothing-known": f"/children/{full.bare_child_id}",
        "child-edit": f"/children/{seeded.child_id}/edit",
        "instrument-new": "/instruments/new",
        "instrument-delete": f"/instruments/{seeded.shelf_id}/delete",
        "chart-new": "/charts/new",
        "not-here": "/children/nobody",
    }


def take(
    browser: Browser,
    screen: str,
    look: str,
    address: str,
    session: str,
    shown: dict[str, str],
    out: Path,
    language: str | None = None,
) -> int:
    """Photograph pages on one screen, in a language where one is named; how many pictures were taken."""
    colour = look if look in COLOURS else "light"
    context = browser.new_context(color_scheme=colour, locale="en-GB", **SCREENS[screen])  # type: ignore[arg-type]
    context.add_cookies([{"name": "scrollreach", "value": session, "url": address}])
    tab = context.new_page()
    for name, path in shown.items():
        asked = f"{'&' if '?' in path else '?'}language={language}" if language else ""
        tab.goto(address + path + asked)
        tab.screenshot(path=out / f"{name}-{screen}-{look}.png", full_page=True)
    context.close()
    return len(shown)


def take_all(browser: Browser, service: Serving, out: Path, names: list[str]) -> int:
    """Photograph every page of a full and of an empty studio; how many pictures were taken."""
    seeded = seed(service.house)
    full = fill(service.house, seeded)

    def wanted(shown: dict[str, str]) -> dict[str, str]:
        return {name: path for name, path in shown.items() if not names or name in names}

    every = wanted(pages(seeded) | further_pages(seeded, full))
    count = 0
    for screen in SCREENS:
        for look in COLOURS if screen != "narrow" else COLOURS[:1]:
            count += take(browser, screen, look, service.address, seeded.session, every, out)
        nothing = wanted({"children-none": "/children", "instruments-none": "/instruments"})
        count += take(browser, screen, "light", service.address, full.empty_session, nothing, out)
    signed_in = {name: path for name, path in every.items() if not path.startswith(("/f/", "/r/"))}
    for look, language, shown in (("german", "de", signed_in), ("arabic", "ar", every)):
        with service.house.store.for_studio(seeded.studio_id) as records:
            records.get_one(Teacher, seeded.teacher_id).language = language
        for screen in SCREENS:
            count += take(browser, screen, look, service.address, seeded.session, shown, out, language)
    return count


def take_for_readme(browser: Browser, service: Serving) -> int:
    """Photograph README's pages into their place; how many pictures were taken."""
    seeded = seed(service.house)
    fill(service.house, seeded)
    for file, (width, height) in README_PAGES.items():
        name = file.partition(".")[0]
        context = browser.new_context(viewport={"width": width, "height": height or 844}, locale="en-GB")
        context.add_cookies([{"name": "scrollreach", "value": seeded.session, "url": service.address}])
        tab = context.new_page()
        tab.goto(service.address + pages(seeded)[name])
        if name == "review-arm":  # with a point in the hand
            box = tab.locator('[data-point="mid_palm"] .dot').bounding_box()
            assert box is not None
            x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            tab.mouse.move(x, y)
            tab.mouse.down()
            tab.mouse.move(x + 14, y - 6, steps=4)
            tab.locator("[data-live]:not(.busy) [data-found]").wait_for(timeout=30_000)
        picture = Image.open(io.BytesIO(tab.screenshot(full_page=height is None))).convert("RGB")
        picture.save(README_FOLDER / file, optimize=True, quality=88)
        context.close()
    return len(README_PAGES)


def draw_verdict_for_readme() -> None:
    """Make the picture of README's first command anew."""
    with tempfile.TemporaryDirectory() as folder:
        drawn = Path(folder) / README_VERDICT
        photos = ["--child", str(SAMPLES / "child-1.jpg"), "--instrument", str(SAMPLES / "instrument-1.jpg")]
        command = [sys.executable, "-m", "service.cli", "fit", *photos, "--label", "1/4", "--picture", str(drawn)]
        subprocess.run(command, check=True, capture_output=True)
        picture = Image.open(drawn).convert("RGB")
    height = round(picture.height * README_VERDICT_WIDTH / picture.width)
    small = picture.resize((README_VERDICT_WIDTH, height), Image.Resampling.LANCZOS)
    small.save(README_FOLDER / README_VERDICT, optimize=True, quality=88)


def main(arguments: list[str]) -> int:
    """Take the pictures; the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.screenshots", description=__doc__)
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("out", type=Path, nargs="?", metavar="OUTDIR", help="folder of the pictures")
    where.add_argument("--readme", action="store_true", help="take README's in their place")
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these pages")
    options = parser.parse_args(arguments)
    browser_file = chromium()
    if browser_file is None:
        parser.error("there is no Chromium on this machine")
    for_readme: bool = options.readme
    out: Path = README_FOLDER if for_readme else options.out
    out.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as folder,
        serving(Path(folder), push_contact="mailto:studio@example.org") as service,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=browser_file)
        count = take_for_readme(browser, service) if for_readme else take_all(browser, service, out, options.names)
        browser.close()
    if for_readme:
        draw_verdict_for_readme()
    sys.stdout.write(f"{count} pictures in {out}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
