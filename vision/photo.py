"""A photo file into pixels: decoded once, turned upright once, everything else about it forgotten.

The number of bytes and the number of pixels are checked before anything is decoded.  The camera's focal length, where
the file states it, is kept as a hint for the calibration; place, time, device and thumbnail are dropped with the rest
of the metadata.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import simplejpeg
from PIL import ExifTags, Image, UnidentifiedImageError

from calibration.arrays import Picture
from calibration.lens import NOTHING_STATED, Frame, StatedLens
from calibration.problems import Refused
from vision.bars import without_bars
from vision.jpeg_cost import MOST_SCANS, scans
from vision.problems import FILE_ANIMATED, FILE_DAMAGED, FILE_TOO_LARGE, FILE_UNREADABLE, PHOTO_TOO_SMALL

MAX_BYTES = 40_000_000
"""Largest accepted file; a 50-megapixel JPEG of a phone has about 20 MB."""
MAX_PIXELS = 64_000_000
"""Largest accepted picture; phones' "high resolution" modes have 48 to 50 megapixels."""
MIN_SIDE_PX = 480
"""Shortest accepted side; below it neither the sheet's squares nor a hand can be read."""
WORKING_SIDE_PX = 4096
"""Longer pictures are reduced at decoding to this side or, JPEGs, to the next eighth below; landmarks gain nothing from
more pixels."""

_EIGHTHS = 8
"""A JPEG's blocks of 8 x 8 pixels can be decoded to 1 .. 8 pixels a side (ITU-T T.81, as libjpeg does it)."""

_TURNS: dict[int, Callable[[Picture], Picture]] = {
    2: lambda rgb: _array(cv2.flip(rgb, 1)),
    3: lambda rgb: _array(cv2.rotate(rgb, cv2.ROTATE_180)),
    4: lambda rgb: _array(cv2.flip(rgb, 0)),
    5: lambda rgb: _array(cv2.transpose(rgb)),
    6: lambda rgb: _array(cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE)),
    7: lambda rgb: _array(cv2.flip(cv2.transpose(rgb), -1)),
    8: lambda rgb: _array(cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE)),
}
"""What turns a picture upright, by EXIF orientation (EXIF 2.32, 4.6.4, tag 0x0112); 1 is upright already."""

FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")
"""Accepted containers (JPEG includes MPO, a JPEG with a second picture behind it, as some phones save)."""

_EXIF_IFD = 0x8769
_FOCAL_35_MM, _LENS_MODEL, _WIDTH, _HEIGHT, _ZOOM = 0xA405, 0xA434, 0xA002, 0xA003, 0xA404  # EXIF 2.32, CIPA DC-008
_PLAUSIBLE_FOCAL35_MM = (8.0, 200.0)
"""35 mm-equivalent focal lengths of phones and cameras; others are mistakes of the file; our choice."""
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1")
"""Kinds of pictures in boxes (ISO 23008-12); of AVIF nothing is read here."""
_LIVE = b"frame of a live picture"
"""A JPEG's comment by which the camera page says that it took a frame of a film that it did not keep."""
_MOST_ZOOM = 30.0
"""Digital zoom ratios above are mistakes of the file; our choice."""
_CUT_SHARE = 0.02
"""Change of the ratio of a picture's sides from which it was cut later, and not merely rounded; our choice."""
_CAMERA_RATIOS = ((4 / 3, 0.007), (3 / 2, 0.01), (16 / 9, 0.01), (1.0, 0.002), (2.1, 0.075))
"""Ratios of sides in which cameras save pictures, and how far theirs may be from these (4080 x 3072 and 2592 x 1936 are
by 0.4 %); the last is any phone's screen, 18:9 to 20:9 and in between.  From memory, common practice."""
_CAMERA_STEP_PX, _WIDE_STEP_PX = 4, 2
"""Sides of pictures of 4:3 as cameras save them are multiples of 4 px, others' of 2 px (from memory, common practice):
of pictures that were cut in the same proportions one in sixteen is."""

Corrections = Mapping[str, tuple[float, float]]
"""Points that a person placed in one photo, px, by their names."""

pillow_heif.register_heif_opener()


@dataclass(frozen=True, slots=True)
class Photo:
    """A decoded photo.

    Attributes
    ----------
    name : str
        File name, without folders.
    rgb : (H, W, 3) uint8 ndarray
        Pixels, upright, sRGB.
    lens : StatedLens
        What the file says of the lens: 35 mm-equivalent focal length, digital zoom, whether the picture was cut later;
        and whether it is a frame of a film.
    front_lens : bool
        The file says that it was taken with the phone's front (selfie) camera.
    film_s : float or None
        Where it is a frame of a film (`vision.clip`): how long after the film's first, s.

    Raises
    ------
    ValueError
        If there are no pixels, or they are not of three colours.
    """

    name: str
    rgb: Picture
    lens: StatedLens = NOTHING_STATED
    front_lens: bool = False
    film_s: float | None = None

    def __post_init__(self) -> None:
        if self.rgb.ndim != 3 or self.rgb.shape[2] != 3 or self.rgb.size == 0:
            raise ValueError("a photo is an (H, W, 3) array of pixels, with at least one")

    @property
    def film(self) -> bool:
        """Whether it is a frame of a film."""
        return self.film_s is not None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height, in px."""
        return self.rgb.shape[1], self.rgb.shape[0]


def load_photo(source: str | Path | bytes, name: str | None = None) -> Photo:
    """Decode a photo.

    Parameters
    ----------
    source : path or bytes
        The file, or its content.
    name : str, optional
        Name to call it by; the file's name by default.

    Returns
    -------
    Photo
        Upright pixels and the focal length the file states.

    Raises
    ------
    Refused
        If the file is not a readable still photo, is damaged, too large, or too small.
    """
    content = source if isinstance(source, bytes) else _read(Path(source))
    if name is None:
        name = "photo" if isinstance(source, bytes) else Path(source).name
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # odd metadata is common and nothing a parent could act on
        return _decode(content, name)


def _decode(content: bytes, name: str) -> Photo:
    if len(content) > MAX_BYTES:
        raise Refused(FILE_TOO_LARGE)
    image = _open(content)
    if image.width * image.height > MAX_PIXELS:
        raise Refused(FILE_TOO_LARGE)
    if image.format in ("JPEG", "MPO") and scans(content) > MOST_SCANS:
        raise Refused(FILE_DAMAGED)
    if min(image.size) < MIN_SIDE_PX:
        raise Refused(PHOTO_TOO_SMALL)
    # phones put a second picture (depth, burst, video still) behind a JPEG or HEIC: the first one is the photo
    if image.format not in ("MPO", "HEIF") and getattr(image, "n_frames", 1) > 1:
        raise Refused(FILE_ANIMATED)
    lens, front_lens = _lens(image)
    rgb = _pixels(image, content)
    if lens.focal35_mm is None and not lens.film:  # a screenshot states none
        rgb, lens = _shown_photo(rgb, lens)
    return Photo(name, rgb, lens, front_lens)


def _shown_photo(rgb: Picture, lens: StatedLens) -> tuple[Picture, StatedLens]:
    """The photo that a screenshot shows between bars, and what its own sides say; others as they are."""
    photo = without_bars(rgb)
    if photo.shape == rgb.shape:
        return rgb, lens
    size_px = (photo.shape[1], photo.shape[0])
    if min(size_px) < MIN_SIDE_PX:
        raise Refused(PHOTO_TOO_SMALL)
    return np.ascontiguousarray(photo), replace(lens, frame=_frame(size_px, (0, 0), stated=False))


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise Refused(FILE_TOO_LARGE)
        return path.read_bytes()
    except OSError as error:
        raise Refused(FILE_UNREADABLE) from error


def _open(content: bytes) -> Image.Image:
    """Read the header only."""
    try:
        return Image.open(io.BytesIO(content), formats=FORMATS)
    except Image.DecompressionBombError as error:
        raise Refused(FILE_TOO_LARGE) from error
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, EOFError, RuntimeError) as error:
        raise Refused(FILE_DAMAGED if _ends_early(content) else FILE_UNREADABLE) from error


def _ends_early(content: bytes) -> bool:
    """Whether a file that cannot be opened is the beginning of a picture of an accepted kind, or nothing at all."""
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return len(content) < 8 + int.from_bytes(content[4:8], "little")  # RFC 9649, 2.4
    if content[4:8] == b"ftyp" and content[8:12] in _HEIF_BRANDS:
        return _boxes_end(content) > len(content)
    return not content or content.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"))


def _boxes_end(content: bytes) -> int:
    """Where the last box that begins in a file ends, by what its header says (ISO 14496-12, 4.2)."""
    at = 0
    while at + 8 <= len(content):
        size = int.from_bytes(content[at : at + 4], "big")
        if size == 1:
            size = int.from_bytes(content[at + 8 : at + 16], "big")
        if size < 8:  # to the end of the file, or nonsense
            return len(content)
        at += size
    return at


def _lens(image: Image.Image) -> tuple[StatedLens, bool]:
    """What the file says of the lens, and whether the front camera was used."""
    if image.info.get("comment") == _LIVE:
        return StatedLens(film=True), False
    try:
        details = image.getexif().get_ifd(_EXIF_IFD)
    except Exception:  # damaged metadata comes in every shape, and we can do without it
        details = {}
    focal_mm, zoom = _number(details, _FOCAL_35_MM), _number(details, _ZOOM) or 1.0
    front = "front" in str(details.get(_LENS_MODEL, "")).lower()
    taken = (round(_number(details, _WIDTH)), round(_number(details, _HEIGHT)))
    stated = _PLAUSIBLE_FOCAL35_MM[0] <= focal_mm <= _PLAUSIBLE_FOCAL35_MM[1]
    frame = _frame(image.size, taken, stated)
    return StatedLens(focal_mm if stated else None, frame, zoom if 1.0 <= zoom <= _MOST_ZOOM else 1.0), front


def _number(details: Mapping[int, object], tag: int) -> float:
    """What a tag says, by itself: one that is damaged takes none of the others with it; 0 where it says nothing."""
    try:
        number = float(details.get(tag, 0.0))  # type: ignore[arg-type]  # whatever else it is goes the same way
    except (TypeError, ValueError, ArithmeticError):
        return 0.0
    return number if np.isfinite(number) else 0.0


def _frame(size_px: tuple[int, int], taken_px: tuple[int, int], stated: bool) -> Frame:
    """Whether a picture is all that the camera took, by its own size and by that of the picture as it was taken.

    A messenger, which leaves no focal length behind, makes pictures smaller, and their sides are multiples of nothing.
    """
    as_taken = taken_px if min(taken_px) > 0 else size_px
    if abs(_ratio(as_taken) / _ratio(size_px) - 1) > _CUT_SHARE:
        return Frame.CUT
    near = [abs(_ratio(as_taken) / ratio - 1) < share for ratio, share in _CAMERA_RATIOS]
    step_px = (_CAMERA_STEP_PX if near[0] else _WIDE_STEP_PX) if stated else 1
    return Frame.WHOLE if any(near) and all(side % step_px == 0 for side in as_taken) else Frame.CUT


def _ratio(size_px: tuple[int, int]) -> float:
    return max(size_px) / min(size_px)


def _pixels(image: Image.Image, content: bytes) -> Picture:
    """Upright (H, W, 3) uint8 pixels."""
    try:
        turn = _TURNS.get(image.getexif().get(ExifTags.Base.Orientation, 1))
    except Exception:  # damaged metadata comes in every shape, and we can do without it
        turn = None
    try:
        rgb = _quickly(image, content)
        if rgb is None:
            rgb = np.asarray(_as_rgb(image), dtype=np.uint8)
    except Exception as error:  # decoders raise whatever the damage leads them to
        raise Refused(FILE_DAMAGED) from error
    longest = max(rgb.shape)
    if longest > WORKING_SIDE_PX:
        shrink = WORKING_SIDE_PX / longest
        rgb = _array(cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA))
    return np.ascontiguousarray(rgb if turn is None else turn(rgb))


def _quickly(image: Image.Image, content: bytes) -> Picture | None:
    """Pixels (H, W, 3) of an ordinary JPEG, at reduced size where full size is too large; None for everything else.

    Pillow holds a picture in its own memory first and copies it twice on the way to an array, which takes three times
    as long as decoding.  Whatever this decoder hesitates at is left to Pillow, which says what is damaged.
    """
    if image.format not in ("JPEG", "MPO") or image.mode not in ("RGB", "L"):
        return None
    eighths = min(_EIGHTHS, max(1, _EIGHTHS * WORKING_SIDE_PX // max(image.size)))
    least = [-(-side * eighths // _EIGHTHS) for side in image.size]
    try:
        return np.asarray(simplejpeg.decode_jpeg(content, "RGB", min_width=least[0], min_height=least[1], min_factor=1))
    except ValueError:
        return None


def _array(picture: object) -> Picture:
    """What OpenCV returns, as the array it is."""
    return np.asarray(picture, dtype=np.uint8)


def _as_rgb(image: Image.Image) -> Image.Image:
    if image.mode.startswith("I;16") or image.mode == "I":  # 16-bit grey; convert() would clip it to white
        return Image.fromarray((np.asarray(image).astype(np.uint32) >> 8).astype(np.uint8)).convert("RGB")
    if image.has_transparency_data:
        image = image.convert("RGBA")
        return Image.alpha_composite(Image.new("RGBA", image.size, "white"), image).convert("RGB")
    return image.convert("RGB")
