"""Photo files: what is decoded, what is refused, what is forgotten."""

import io
import struct

import numpy as np
import piexif
import pytest
from PIL import ExifTags, Image, ImageOps

from calibration.lens import StatedLens
from calibration.problems import Refused
from vision import photo as photo_module
from vision.jpeg_cost import scans
from vision.photo import load_photo

WIDTH, HEIGHT = 640, 480


def picture() -> Image.Image:
    """Draw a landscape picture, red at the left, blue at the right."""
    pixels = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    pixels[:, : WIDTH // 2, 0] = 200
    pixels[:, WIDTH // 2 :, 2] = 200
    return Image.fromarray(pixels)


def encoded(image: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def exif(
    orientation: int = 1, focal35: int | None = 26, size: tuple[int, int] | None = (WIDTH, HEIGHT), lens: str = ""
) -> bytes:
    details = {piexif.ExifIFD.PixelXDimension: size[0], piexif.ExifIFD.PixelYDimension: size[1]} if size else {}
    if focal35 is not None:
        details[piexif.ExifIFD.FocalLengthIn35mmFilm] = focal35
    if lens:
        details[piexif.ExifIFD.LensModel] = lens.encode()
    gps = {piexif.GPSIFD.GPSLatitudeRef: b"N"}
    return piexif.dump({"0th": {piexif.ImageIFD.Orientation: orientation}, "Exif": details, "GPS": gps})


def raw_exif(tags: dict[int, tuple[int, bytes]]) -> bytes:
    """Metadata with these tags (kind, four or eight bytes of value) in the Exif directory, whatever they mean."""
    values_at = 26 + 2 + 12 * len(tags) + 4
    directory, values = struct.pack(">H", len(tags)), b""
    for tag, (kind, value) in sorted(tags.items()):
        count = len(value) if kind in (2, 7) else 1
        place = value if len(value) <= 4 else struct.pack(">I", values_at + len(values))
        directory += struct.pack(">HHI", tag, kind, count) + place
        values += value if len(value) > 4 else b""
    head = b"MM\0*" + struct.pack(">IHHHIII", 8, 1, 0x8769, 4, 1, 26, 0)
    return b"Exif\0\0" + head + directory + bytes(4) + values


def codes(content: bytes) -> list[str]:
    with pytest.raises(Refused) as caught:
        load_photo(content)
    return [problem.code for problem in caught.value.problems]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_every_container_gives_the_same_picture(kind):
    photo = load_photo(encoded(picture(), kind), name="child.jpg")
    assert photo.rgb.shape == (HEIGHT, WIDTH, 3)
    assert photo.rgb.dtype == np.uint8
    assert photo.name == "child.jpg"
    assert np.allclose(photo.rgb[240, 100], (200, 0, 0), atol=12)
    assert np.allclose(photo.rgb[240, 540], (0, 0, 200), atol=12)


@pytest.mark.parametrize(
    ("orientation", "red_at"), [(1, (240, 100)), (3, (240, 540)), (6, (100, 240)), (8, (540, 240))]
)
def test_orientation_is_applied_once(orientation, red_at):
    photo = load_photo(encoded(picture(), exif=exif(orientation)))
    assert photo.rgb[red_at][0] > 150
    assert photo.lens.focal35_mm == 26


def test_heic_rotation_is_applied_once():
    photo = load_photo(encoded(picture(), "HEIF", exif=exif(6)))
    assert photo.rgb.shape == (WIDTH, HEIGHT, 3)
    assert photo.rgb[100, 240][0] > 150


def test_focal_length_is_a_hint_that_may_be_missing():
    assert load_photo(encoded(picture(), exif=exif(focal35=None))).lens.focal35_mm is None
    assert load_photo(encoded(picture())).lens.focal35_mm is None
    assert load_photo(encoded(picture(), exif=exif(focal35=3000))).lens.focal35_mm is None


@pytest.mark.parametrize(
    ("size", "taken", "frame"),
    [
        ((640, 480), None, "whole"),
        ((480, 640), None, "whole"),
        ((640, 480), (4032, 3024), "whole"),
        ((640, 480), (3024, 4032), "whole"),
        ((640, 480), (4080, 3072), "whole"),
        ((640, 480), (2592, 1936), "whole"),
        ((640, 480), (640, 640), "cut"),  # of another shape when it was taken
        ((1278, 958), None, "cut"),  # 4:3, but in no camera's steps
        ((640, 480), (3127, 2345), "cut"),
        ((641, 481), (4032, 3024), "whole"),  # made smaller on its way
        ((1280, 854), None, "whole"),  # 3:2
        ((1280, 720), None, "whole"),  # 16:9
        ((1280, 721), None, "cut"),
        ((640, 640), None, "whole"),
        ((1280, 640), None, "whole"),
        ((1280, 584), None, "whole"),  # a screen of 19.7:9
        ((1280, 800), None, "cut"),
        ((1280, 1120), None, "cut"),
    ],
)
def test_a_picture_that_was_cut_is_known_by_its_sides(size, taken, frame):
    """Sizes as cameras save them from memory; any other proportion or step is of a picture that was cut later."""
    content = encoded(Image.new("RGB", size, (90, 90, 90)), exif=exif(size=taken))
    lens = load_photo(content).lens
    assert lens.focal35_mm == 26
    assert lens.frame == frame


@pytest.mark.parametrize(("size", "frame"), [((1277, 957), "whole"), ((1280, 800), "cut"), ((1280, 721), "whole")])
def test_of_a_picture_without_metadata_only_the_proportion_is_known(size, frame):
    """A messenger makes pictures smaller: their sides are multiples of nothing."""
    lens = load_photo(encoded(Image.new("RGB", size, (90, 90, 90)))).lens
    assert (lens.focal35_mm, lens.frame) == (None, frame)


@pytest.mark.parametrize(
    ("stated", "zoom"), [((2, 1), 2.0), ((0, 1), 1.0), ((0, 0), 1.0), ((90, 1), 1.0), ((5, 4), 1.25)]
)
def test_a_digital_zoom_is_read_where_it_may_be_one(stated, zoom):
    details = piexif.load(exif())
    details["Exif"][piexif.ExifIFD.DigitalZoomRatio] = stated
    lens = load_photo(encoded(picture(), exif=piexif.dump(details))).lens
    assert (lens.focal35_mm, lens.zoom) == (26, zoom)


def test_front_camera_is_known_from_the_file():
    assert load_photo(encoded(picture(), exif=exif(lens="front camera 2.7mm"))).front_lens
    assert not load_photo(encoded(picture(), exif=exif(lens="back camera 4.2mm"))).front_lens


def test_cmyk_grey_palette_alpha_and_16_bit_become_rgb():
    assert load_photo(encoded(picture().convert("CMYK"))).rgb.shape == (HEIGHT, WIDTH, 3)
    assert load_photo(encoded(picture().convert("L"))).rgb.shape == (HEIGHT, WIDTH, 3)
    assert load_photo(encoded(picture().convert("P"), "PNG")).rgb[240, 100, 0] > 150
    clear = Image.new("RGBA", (WIDTH, HEIGHT), (0, 0, 0, 0))
    assert (load_photo(encoded(clear, "PNG")).rgb == 255).all()
    deep = Image.fromarray(np.full((HEIGHT, WIDTH), 128 * 256, np.uint16))
    assert (load_photo(encoded(deep, "PNG")).rgb == 128).all()


def test_second_picture_behind_a_jpeg_is_ignored():
    content = encoded(picture(), "MPO", save_all=True, append_images=[picture().rotate(180)])
    assert load_photo(content).rgb[240, 100, 0] > 150


def test_animations_are_refused():
    frames = [picture().rotate(180)]
    assert codes(encoded(picture(), "WEBP", save_all=True, append_images=frames)) == ["file_animated"]
    assert codes(encoded(picture(), "PNG", save_all=True, append_images=frames)) == ["file_animated"]
    assert codes(encoded(picture(), "GIF", save_all=True, append_images=frames)) == ["file_unreadable"]


def test_damaged_and_foreign_files_are_refused():
    jpeg = encoded(picture())
    assert codes(jpeg[: len(jpeg) // 2]) == ["file_damaged"]
    assert codes(b"") == ["file_damaged"]
    assert codes(b"%PDF-1.4 not a photo") == ["file_unreadable"]
    assert codes(b"<svg xmlns='http://www.w3.org/2000/svg'/>") == ["file_unreadable"]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
@pytest.mark.parametrize("share", [0.1, 0.6, 0.95])
def test_a_file_that_ends_early_is_said_to_be_incomplete(kind, share):
    """Whoever is told to send it as the phone saved it has done so already."""
    noise = np.random.default_rng(1).integers(0, 256, (HEIGHT, WIDTH, 3), np.uint8)
    content = encoded(Image.fromarray(noise), kind)
    assert codes(content[: int(share * len(content))]) == ["file_damaged"]


def test_a_whole_file_of_another_kind_is_no_incomplete_one():
    heic = encoded(picture(), "HEIF")
    assert codes(heic.replace(b"hvc1", b"xxxx").replace(b"hvcC", b"xxxx")) == ["file_unreadable"]
    assert codes(encoded(picture(), "AVIF")) == ["file_unreadable"]


@pytest.mark.parametrize(
    ("tag", "kind", "value"),
    [
        (0xA404, 2, b"1.0x"),  # a text where a number belongs
        (0xA404, 5, struct.pack(">II", 0, 0)),
        (0xA002, 2, b"wide"),
        (0xA002, 11, struct.pack(">f", np.nan)),
        (0xA002, 9, struct.pack(">i", -5)),
        (0xA434, 7, b"\xff\xfe\0\0"),
    ],
)
def test_a_damaged_tag_takes_no_other_with_it(tag, kind, value):
    """Without its focal length a photo is measured less surely, and a later cut goes unseen."""
    tags = {0xA003: (4, struct.pack(">I", 640)), 0xA405: (3, struct.pack(">HH", 26, 0)), tag: (kind, value)}
    if tag != 0xA002:
        tags[0xA002] = (4, struct.pack(">I", 640))  # square when it was taken
    lens = load_photo(encoded(picture(), exif=raw_exif(tags))).lens
    assert lens.focal35_mm == 26
    assert lens.zoom == 1.0
    assert lens.frame == ("cut" if tag != 0xA002 else "whole")


@pytest.mark.parametrize(
    ("kind", "value"), [(2, b"26 m"), (5, struct.pack(">II", 0, 0)), (8, struct.pack(">hh", -26, 0))]
)
def test_a_focal_length_that_is_no_number_is_none(kind, value):
    assert load_photo(encoded(picture(), exif=raw_exif({0xA405: (kind, value)}))).lens == StatedLens()


def test_missing_file_is_refused(tmp_path):
    with pytest.raises(Refused, match="file_unreadable"):
        load_photo(tmp_path / "none.jpg")


def test_limits_hold_before_decoding(monkeypatch):
    jpeg = encoded(picture())

    def decode(_):
        raise AssertionError("decoded before the limits were checked")

    monkeypatch.setattr(photo_module, "_pixels", decode)
    monkeypatch.setattr(photo_module, "MAX_PIXELS", 1000)
    assert codes(jpeg) == ["file_too_large"]
    monkeypatch.setattr(photo_module, "MAX_BYTES", len(jpeg) - 1)
    assert codes(jpeg) == ["file_too_large"]


def test_thumbnails_are_refused():
    assert codes(encoded(picture().resize((300, 200)))) == ["photo_too_small"]


def test_a_bomb_is_refused_by_its_header():
    bomb = encoded(Image.new("1", (30_000, 30_000)), "PNG")
    assert len(bomb) < 1_000_000
    assert codes(bomb) == ["file_too_large"]


def test_large_pictures_are_reduced(monkeypatch):
    monkeypatch.setattr(photo_module, "WORKING_SIDE_PX", 500)
    assert load_photo(encoded(picture(), "PNG")).size_px == (500, 375)
    # 6/8 is the largest scale of a JPEG's blocks that keeps 640 pixels within 500
    assert load_photo(encoded(picture())).size_px == (480, 360)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("mode", ["RGB", "L"])
def test_pictures_are_turned_as_pillow_turns_them(orientation, mode):
    noise = np.random.default_rng(orientation).integers(0, 256, (15, 20, 3), np.uint8)
    image = Image.fromarray(noise).resize((WIDTH, HEIGHT)).convert(mode)
    exif = image.getexif()
    exif[ExifTags.Base.Orientation] = orientation
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90, exif=exif)
    reference = ImageOps.exif_transpose(Image.open(io.BytesIO(out.getvalue()))).convert("RGB")
    assert np.array_equal(load_photo(out.getvalue()).rgb, np.asarray(reference))


def test_thousands_of_scans_are_refused_before_they_are_decoded():
    progressive = encoded(picture(), progressive=True)
    last = progressive.rindex(b"\xff\xda")
    bomb = progressive[:last] + progressive[last:-2] * 500 + b"\xff\xd9"
    assert 5 < scans(progressive) < 20  # libjpeg's own script has 10 scans for colour pictures
    assert scans(encoded(picture())) == 1
    assert codes(bomb) == ["file_damaged"]
    assert load_photo(progressive).rgb.shape == (HEIGHT, WIDTH, 3)


def test_a_frame_of_a_live_picture_is_cut_as_a_film_is():
    photo = load_photo(encoded(picture(), comment=b"frame of a live picture"))
    assert photo.lens == StatedLens(film=True)
    assert not photo.film  # it was sent by itself
    assert load_photo(encoded(picture(), comment=b"another remark")).lens == StatedLens()
