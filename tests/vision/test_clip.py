"""Films made here, frame by frame: which frames are chosen, and what is refused."""

from __future__ import annotations

import io
import struct
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from av.stream import Disposition
from PIL import Image

from calibration.arrays import Picture
from calibration.detection import find_sheets
from calibration.problems import NO_SHEET, PHOTO_MIRRORED, Refused
from calibration.sheet import Paper, SheetLayout
from tests.calibration.pretend_photos import photograph, placed
from tests.vision.filming import film, held, shown_by
from vision import clip
from vision.clip import clip_photos
from vision.clip_files import CHOSEN, is_clip
from vision.problems import CLIP_DAMAGED, CLIP_TOO_LARGE, CLIP_TOO_LONG, CLIP_UNREADABLE, PHOTO_TOO_SMALL

SIZE = (960, 720)
SHEET = SheetLayout(Paper.A4, 1)


def sheet_frame(step: float, blurred: float = 0.0) -> Picture:
    """A sheet on a wall, seen from a step aside (-1 .. 1), blurred by so many px."""
    way = placed(SHEET, (480.0 + 30 * step, 360.0), 2.0, 3 * step, 0.04 * step)
    picture = photograph([(SHEET, way)], SIZE, noise=1.0)
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), blurred) if blurred else picture, np.uint8)


STEPS = list(np.linspace(-1, 1, 15))


@pytest.fixture(scope="module")
def walk() -> list[Picture]:
    """A parent who steps aside; each third frame is blurred."""
    return [sheet_frame(step, 4.0 if number % 3 == 2 else 0.0) for number, step in enumerate(STEPS)]


def test_sharp_frames_from_different_places_are_chosen(walk: list[Picture]) -> None:
    photos = clip_photos(film(walk), "walk.mp4")
    assert len(photos) == CHOSEN
    numbers = [round(10 * float(photo.name.split()[1])) for photo in photos]
    assert numbers == sorted(numbers)
    assert not any(number % 3 == 2 for number in numbers)
    assert numbers[0] <= 1
    assert numbers[-1] == 13  # 14 is blurred
    assert all(photo.film and photo.lens.focal35_mm is None for photo in photos)
    assert photos[-1].name == "walk.mp4 1.3 s"
    assert photos[-1].film_s == pytest.approx(1.3)
    # they are the frames that went in, to what the codec leaves of them
    for photo, number in zip(photos, numbers, strict=True):
        assert np.abs(photo.rgb.astype(float) - walk[number]).mean() < 4
        assert find_sheets(photo.rgb)[0].layout == SHEET


@pytest.mark.parametrize("form", ["mp4", "mov"])
@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_frames_are_turned_upright(walk: list[Picture], quarters: int, form: str) -> None:
    photo = clip_photos(held(film(walk[:3], form=form), quarters), f"a.{form}")[0]
    expected = np.rot90(walk[0], -quarters)
    assert photo.rgb.shape == expected.shape
    assert np.abs(photo.rgb.astype(float) - expected).mean() < 4


@pytest.mark.parametrize("form", ["mp4", "mov", "matroska"])
def test_frames_of_pixels_that_are_not_square_are_drawn_out(walk: list[Picture], form: str) -> None:
    """As cameras write 1440 x 1080 for 16:9, and some messengers what they made narrower."""
    narrow = [np.asarray(cv2.resize(each, (720, 720), interpolation=cv2.INTER_AREA), np.uint8) for each in walk[:3]]
    photo = clip_photos(film(narrow, form=form, pixel=Fraction(4, 3)), "a")[0]
    assert photo.size_px == SIZE
    assert np.abs(photo.rgb.astype(float) - walk[0]).mean() < 5
    assert find_sheets(photo.rgb)[0].layout == SHEET


def test_frames_are_drawn_out_before_they_are_turned(walk: list[Picture]) -> None:
    lying = np.ascontiguousarray(np.rot90(walk[0]))
    flat = np.asarray(cv2.resize(lying, (720, 720), interpolation=cv2.INTER_AREA), np.uint8)
    photo = clip_photos(held(film([flat] * 3, pixel=Fraction(3, 4)), 1), "a")[0]
    assert photo.size_px == SIZE
    assert np.abs(photo.rgb.astype(float) - walk[0]).mean() < 5


def test_a_pixel_that_cannot_be_is_not_believed(walk: list[Picture]) -> None:
    assert clip_photos(film(walk[:3], pixel=Fraction(9, 1)), "a")[0].size_px == SIZE


@pytest.mark.parametrize("matrix", [(-1, 0, 0, 1), (1, 0, 0, -1), (0, 1, 1, 0), (0, -1, -1, 0)])
def test_a_film_that_says_how_to_mirror_it_is_mirrored(walk: list[Picture], matrix: tuple[int, int, int, int]) -> None:
    a, b, _, _ = matrix
    ways = {(-1, 0): np.fliplr, (1, 0): np.flipud, (0, 1): _transposed, (0, -1): lambda p: np.rot90(_transposed(p), 2)}
    stored = [np.ascontiguousarray(ways[a, b](each)) for each in walk[:3]]
    photo = clip_photos(shown_by(film(stored), matrix), "a")[0]
    assert np.abs(photo.rgb.astype(float) - walk[0]).mean() < 4


def _transposed(picture: Picture) -> Picture:
    return picture.swapaxes(0, 1)


def test_a_mirrored_film_is_said_to_be_mirrored(walk: list[Picture]) -> None:
    """Nobody looks for a sheet that is in the picture."""
    with pytest.raises(Refused) as refusal:
        clip_photos(film([np.ascontiguousarray(each[:, ::-1]) for each in walk[:3]]), "a")
    assert refusal.value.problems == (PHOTO_MIRRORED,)


@pytest.mark.parametrize(("form", "codec"), [("webm", "libvpx"), ("matroska", "h264"), ("mov", "mpeg4")])
def test_other_containers_and_codecs(walk: list[Picture], form: str, codec: str) -> None:
    data = film(walk[::3], form=form, codec=codec)
    assert is_clip(data)
    assert len(clip_photos(data, "a")) == CHOSEN


@pytest.mark.parametrize("codec", ["h264", "libx265"])
def test_ten_bits_a_channel(walk: list[Picture], codec: str) -> None:
    """As phones film with a wide range of light."""
    photos = clip_photos(film(walk[::5], form="mov", codec=codec, pix_fmt="yuv420p10le"), "a.mov")
    assert np.abs(photos[0].rgb.astype(float) - walk[0]).mean() < 4
    assert find_sheets(photos[-1].rgb)[0].layout == SHEET


def test_uneven_times_and_many_frames(walk: list[Picture], monkeypatch: pytest.MonkeyPatch) -> None:
    times = [0.0, 0.04, 0.08, 2.0, 2.5, 9.0]
    frames = [walk[number] for number in (0, 1, 3, 4, 6, 7)]
    names = [photo.name for photo in clip_photos(film(frames, times), "a")]
    assert names[-1] == "a 9.0 s"
    monkeypatch.setattr(clip, "_PIECES", 6)  # pieces double until they are few enough
    assert len(clip_photos(film([walk[0]] * 40), "a")) == CHOSEN


def test_what_stands_still_is_chosen_over_its_time(walk: list[Picture]) -> None:
    names = [float(photo.name.split()[1]) for photo in clip_photos(film([walk[6]] * 20), "a")]
    assert max(names) - min(names) > 1.0


def test_a_film_that_cannot_be_measured_is_refused(walk: list[Picture], monkeypatch: pytest.MonkeyPatch) -> None:
    good = film(walk[:4])
    blank = film([np.full((720, 960, 3), 128, np.uint8)] * 4)
    small = film([np.ascontiguousarray(walk[0][:400, :400])] * 3)
    for data, problem in (
        (b"\xff\xd8\xff\xe0 no film", CLIP_UNREADABLE),
        (good[: len(good) // 3], CLIP_DAMAGED),
        (good[:40] + bytes(len(good) - 40), CLIP_DAMAGED),
        (blank, NO_SHEET),
        (small, PHOTO_TOO_SMALL),
        (film([walk[0]] * 3, [0.0, 10.0, 30.0]), CLIP_TOO_LONG),
        (film([walk[0]] * 3, form="matroska", codec="ffv1"), CLIP_UNREADABLE),
    ):
        with pytest.raises(Refused) as refusal:
            clip_photos(data, "a")
        assert refusal.value.problems == (problem,), problem
    assert len(clip_photos(blank, "a", sheets=False)) == 4
    monkeypatch.setattr(clip, "MAX_PIXELS", 960 * 719)
    with pytest.raises(Refused) as refusal:
        clip_photos(good, "a")
    assert refusal.value.problems == (CLIP_TOO_LARGE,)
    monkeypatch.setattr(clip, "MAX_BYTES", len(good) - 1)
    with pytest.raises(Refused) as refusal:
        clip_photos(good, "a")
    assert refusal.value.problems == (CLIP_TOO_LARGE,)
    monkeypatch.undo()
    monkeypatch.setattr(clip, "MOST_FRAMES", 3)
    with pytest.raises(Refused) as refusal:
        clip_photos(good, "a")
    assert refusal.value.problems == (CLIP_TOO_LONG,)


def test_of_several_tracks_the_film_is_taken(walk: list[Picture]) -> None:
    """A small preview may come first; players show the track that is meant to be shown."""
    buffer = io.BytesIO()
    small = [np.full((480, 640, 3), 128, np.uint8)] * 3
    with av.open(buffer, "w", format="mp4") as container:
        streams = []
        for pictures in (small, walk[:3]):
            streams.append(container.add_stream("h264", rate=10, options={"preset": "ultrafast", "crf": "18"}))
            streams[-1].height, streams[-1].width = pictures[0].shape[:2]
            streams[-1].pix_fmt = "yuv420p"
        streams[1].disposition = Disposition.default
        for stream, pictures in zip(streams, (small, walk[:3]), strict=True):
            for picture in pictures:
                container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
            container.mux(stream.encode())
    assert {photo.size_px for photo in clip_photos(buffer.getvalue(), "a")} == {SIZE}


def test_sound_with_a_cover_is_no_film() -> None:
    """Whose cover would be measured as one."""
    cover = io.BytesIO()
    Image.fromarray(sheet_frame(0.0)).save(cover, "JPEG")
    box = lambda kind, content: struct.pack(">I", len(content) + 8) + kind + content  # noqa: E731
    picture = box(b"covr", box(b"data", struct.pack(">II", 13, 0) + cover.getvalue()))
    handler = box(b"hdlr", bytes(8) + b"mdirappl" + bytes(9))
    tags = box(b"udta", box(b"meta", bytes(4) + handler + box(b"ilst", picture)))
    with pytest.raises(Refused) as refusal:
        clip_photos(box(b"ftyp", b"M4A \0\0\2\0isom") + box(b"moov", tags), "a")
    assert refusal.value.problems == (CLIP_UNREADABLE,)


def test_sound_alone_is_no_film() -> None:
    buffer = io.BytesIO()
    with av.open(buffer, "w", format="mp4") as container:
        stream = container.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 44100
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    with pytest.raises(Refused) as refusal:
        clip_photos(buffer.getvalue(), "a")
    assert refusal.value.problems == (CLIP_UNREADABLE,)


def test_films_are_told_from_pictures() -> None:
    assert is_clip(b"\0\0\0 ftypisom" + bytes(8))
    assert is_clip(b"\0\0\0 ftypqt  " + bytes(8))
    assert is_clip(b"\x1aE\xdf\xa3" + bytes(8))
    for still in (b"heic", b"mif1", b"avif"):
        assert not is_clip(b"\0\0\0 ftyp" + still)
    for data in (b"\xff\xd8\xff\xe0\0\x10JFIF", b"\x89PNG\r\n\x1a\n", b"RIFF1234WEBP", b"", b"#EXTM3U"):
        assert not is_clip(data)
