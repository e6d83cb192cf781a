"""What a phone hands over: smaller, upright, without its story, and measuring as the photo as it was taken."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator

import numpy as np
import piexif
import pytest
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, Page, Route

from calibration.lens import Frame, StatedLens
from service.measuring.outcome import ArmQuestion, InstrumentQuestion, Outcome
from service.measuring.work import measure_arm_photo, measure_instrument_photos
from tests.service.browser.conftest import PHONE, SAMPLES
from tests.service.conftest import Recorded
from tests.service.seeding import Seeded, seed
from tests.service.serving import Serving, serving
from vision.photo import load_photo

TWELVE_MEGAPIXELS = (3024, 4032)
SMALLER = (1350, 1800)
SAME_MM = 1.0
UPRIGHT, UPSIDE_DOWN, ON_THE_RIGHT, ON_THE_LEFT = 1, 3, 6, 8  # Exif's orientation tag
TURNED = {UPSIDE_DOWN: Image.Transpose.ROTATE_180, ON_THE_RIGHT: Image.Transpose.ROTATE_90}
TURNED[ON_THE_LEFT] = Image.Transpose.ROTATE_270


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, Seeded, Recorded]]:
    """A service that keeps what arrives."""
    pool = Recorded()
    with serving(tmp_path_factory.mktemp("photo"), pool=pool) as service:
        yield service, seed(service.house), pool


def as_taken(
    sample: str,
    turned: int = UPRIGHT,
    size: tuple[int, int] = TWELVE_MEGAPIXELS,
    stated: tuple[int, int] = TWELVE_MEGAPIXELS,
) -> bytes:
    """A sample as a phone's camera saves it: with place and time, turned by a tag; `stated` is the size it says."""
    picture = Image.open(SAMPLES / sample)
    focal = picture.getexif().get_ifd(0x8769)[piexif.ExifIFD.FocalLengthIn35mmFilm]
    picture = picture.resize(size, Image.Resampling.BICUBIC)
    if turned in TURNED:
        picture = picture.transpose(TURNED[turned])
    exif = {
        "0th": {piexif.ImageIFD.Orientation: turned, piexif.ImageIFD.Model: b"Made-up phone"},
        "Exif": {
            piexif.ExifIFD.FocalLengthIn35mmFilm: focal,
            piexif.ExifIFD.PixelXDimension: stated[0],
            piexif.ExifIFD.PixelYDimension: stated[1],
            piexif.ExifIFD.DateTimeOriginal: b"2031:05:01 10:00:00",
        },
        "GPS": {piexif.GPSIFD.GPSLatitude: ((52, 1), (30, 1), (0, 1)), piexif.GPSIFD.GPSLatitudeRef: b"N"},
    }
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=96, exif=piexif.dump(exif))
    return out.getvalue()


def arrived(
    context: BrowserContext, kept: tuple[Serving, Seeded, Recorded], kind: str, name: str, photo: bytes
) -> bytes:
    """Send a photo from the family's page; what the measuring is given."""
    service, seeded, pool = kept
    tab = context.new_page()
    tab.goto(f"{service.address}/f/{seeded.family}/{kind}")
    choose(tab, name, photo)
    tab.get_by_role("button", name="Send the photo").click()
    tab.wait_for_url(re.compile(r"/photo/[0-9a-f]{32}$"))
    tab.close()
    return pool.received[-1]


def choose(tab: Page, name: str, photo: bytes, field: str = "#photo") -> None:
    tab.set_input_files(field, {"name": name, "mimeType": "application/octet-stream", "buffer": photo})


def difference(one: bytes, other: bytes) -> float:
    """Mean difference of two pictures' grey values, each seen upright and small."""
    small = [
        np.asarray(Image.fromarray(load_photo(each).rgb).convert("L").resize((300, 400)), float)
        for each in (one, other)
    ]
    return float(np.abs(small[0] - small[1]).mean())


def arm_mm(outcome: Outcome) -> float:
    return float(outcome.result["arm_length"]["value_mm"])


def body_mm(outcome: Outcome) -> float:
    return float(outcome.result["body_length"]["value_mm"])


def test_a_shrunk_photo_measures_like_the_photo_as_taken(
    phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]
) -> None:
    for kind, sample in (("arm", "child-1.jpg"), ("instrument", "instrument-1.jpg")):
        taken = as_taken(sample)
        sent = arrived(phone, kept, kind, "IMG_1.jpg", taken)
        assert len(sent) < 0.6 * len(taken)
        assert max(load_photo(sent).size_px) == 3600
        assert load_photo(sent).lens.focal35_mm == load_photo(taken).lens.focal35_mm == 25.0
        exif = piexif.load(sent)
        assert exif["GPS"] == {}
        assert set(exif["0th"]) == {piexif.ImageIFD.ExifTag}
        assert piexif.ExifIFD.DateTimeOriginal not in exif["Exif"]
        if kind == "arm":
            lengths = [arm_mm(measure_arm_photo(each, "photo", ArmQuestion())) for each in (sent, taken)]
        else:
            lengths = [
                body_mm(measure_instrument_photos([(each, "photo")], InstrumentQuestion())) for each in (sent, taken)
            ]
        assert abs(lengths[0] - lengths[1]) < SAME_MM, (kind, lengths)


@pytest.mark.parametrize("turned", [UPSIDE_DOWN, ON_THE_RIGHT, ON_THE_LEFT])
def test_a_photo_turned_by_its_tag_arrives_upright(
    phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded], turned: int
) -> None:
    sent = arrived(phone, kept, "arm", "IMG_1.jpg", as_taken("child-1.jpg", turned, SMALLER))
    assert load_photo(sent).size_px == SMALLER
    assert piexif.ImageIFD.Orientation not in piexif.load(sent)["0th"]
    assert load_photo(sent).lens.focal35_mm == 25.0
    assert difference(sent, (SAMPLES / "child-1.jpg").read_bytes()) < 3.0


def test_a_photo_cropped_after_it_was_taken_is_still_known_as_cropped(
    phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]
) -> None:
    taken = as_taken("child-1.jpg", size=SMALLER, stated=(4032, 4032))
    sent = arrived(phone, kept, "arm", "IMG_1.jpg", taken)
    assert load_photo(taken).lens == load_photo(sent).lens == StatedLens(25.0, Frame.CUT)
    assert sent != taken


def test_a_digital_zoom_and_a_cut_that_metadata_do_not_show_are_kept(
    phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]
) -> None:
    """The picture that arrives is smaller, and its own sides say nothing of those it was cut to."""
    exif = piexif.load(as_taken("child-1.jpg", size=(2811, 3748)))
    exif["Exif"][piexif.ExifIFD.DigitalZoomRatio] = (3, 2)
    for side in (piexif.ExifIFD.PixelXDimension, piexif.ExifIFD.PixelYDimension):
        del exif["Exif"][side]
    out = io.BytesIO()
    piexif.insert(piexif.dump(exif), as_taken("child-1.jpg", size=(2811, 3748)), out)
    sent = arrived(phone, kept, "arm", "IMG_1.jpg", out.getvalue())
    assert load_photo(out.getvalue()).lens == load_photo(sent).lens == StatedLens(25.0, Frame.CUT, zoom=1.5)
    assert max(load_photo(sent).size_px) == 3600


def test_a_selfie_stays_a_selfie(phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]) -> None:
    picture = (SAMPLES / "child-1.jpg").read_bytes()
    exif = piexif.load(picture)
    exif["Exif"][piexif.ExifIFD.LensModel] = b"made-up phone front camera 2.7mm"
    out = io.BytesIO()
    piexif.insert(piexif.dump(exif), picture, out)
    photo = load_photo(arrived(phone, kept, "arm", "IMG_1.jpg", out.getvalue()))
    assert photo.front_lens
    assert photo.lens.focal35_mm == 25.0


def test_a_small_photo_loses_its_story_too(phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]) -> None:
    picture = (SAMPLES / "instrument-1.jpg").read_bytes()
    sent = arrived(phone, kept, "instrument", "IMG_1.jpg", picture)
    assert piexif.ExifIFD.DateTimeOriginal in piexif.load(picture)["Exif"]
    assert piexif.ExifIFD.DateTimeOriginal not in piexif.load(sent)["Exif"]
    assert load_photo(sent).size_px == load_photo(picture).size_px


def test_what_is_no_jpeg_is_sent_as_it_is(phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]) -> None:
    picture = Image.open(SAMPLES / "child-1.jpg").resize((600, 800))
    for form, name in (("PNG", "IMG_1.png"), ("HEIF", "IMG_1.heic"), ("WEBP", "IMG_1.webp")):
        out = io.BytesIO()
        picture.save(out, form)
        assert arrived(phone, kept, "arm", name, out.getvalue()) == out.getvalue(), form
    broken = b"\xff\xd8\xff\xe1 no photo at all"
    assert arrived(phone, kept, "arm", "IMG_2.jpg", broken) == broken


def test_without_script_a_large_photo_is_sent_as_it_is(
    browser: Browser, kept: tuple[Serving, Seeded, Recorded]
) -> None:
    context = browser.new_context(java_script_enabled=False, **PHONE)  # type: ignore[arg-type]
    taken = as_taken("child-1.jpg", ON_THE_RIGHT, SMALLER)
    assert arrived(context, kept, "arm", "IMG_1.jpg", taken) == taken
    assert load_photo(taken).size_px[0] < load_photo(taken).size_px[1]
    context.close()


def test_what_was_chosen_is_shown_and_the_last_choice_counts(
    phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, pool = kept
    tab = phone.new_page()
    tab.goto(f"{service.address}/f/{seeded.family}/arm")
    send = tab.get_by_role("button", name="Send the photo")
    assert not send.is_visible()  # nothing to send yet
    choose(tab, "IMG_1.jpg", (SAMPLES / "child-2.jpg").read_bytes())
    tab.wait_for_selector("img.preview")
    assert send.is_visible()
    out = io.BytesIO()
    Image.open(SAMPLES / "child-1.jpg").resize((600, 800)).save(out, "HEIF")
    choose(tab, "holiday.heic", out.getvalue(), "#photo-chosen")
    assert tab.locator(".preview.name").inner_text() == "holiday.heic"  # this browser cannot show such a file
    send.click()
    tab.wait_for_url(re.compile(r"/photo/[0-9a-f]{32}$"))
    assert pool.received[-1] == out.getvalue()
    tab.close()


def test_a_photo_chosen_before_the_script_arrives_is_shown_too(
    phone: BrowserContext, kept: tuple[Serving, Seeded, Recorded]
) -> None:
    service, seeded, _ = kept
    tab = phone.new_page()
    held: list[Route] = []
    tab.route("**/photo.js*", lambda route: held.append(route))
    tab.goto(f"{service.address}/f/{seeded.family}/arm", wait_until="commit")
    tab.wait_for_selector("#photo", state="attached")
    choose(tab, "IMG_1.jpg", (SAMPLES / "child-2.jpg").read_bytes())
    for _ in range(100):
        if held:
            break
        tab.wait_for_timeout(50)
    assert not tab.locator(".preview").count()
    held[0].continue_()
    tab.wait_for_selector("img.preview")
    tab.close()
