"""More than five hundred files that nobody took with a camera, from seeds: cut, broken, lying, and dear to look at."""

from __future__ import annotations

import io
import random
import struct
import zlib
from collections.abc import Iterator

import numpy as np
import piexif
from PIL import Image

from tests.service.seeding import plain_picture


def encoded(image: Image.Image, form: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, form, **options)  # type: ignore[arg-type]
    return out.getvalue()


def png_that_claims(width: int, height: int) -> bytes:
    """A PNG header that promises a picture of any size, with a few bytes behind it."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    packed = zlib.compress(b"\0" * 1_000_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def with_scans(progressive: bytes, count: int) -> bytes:
    """A progressive JPEG whose last scan is there many times over."""
    last = progressive.rindex(b"\xff\xda")
    return progressive[:last] + progressive[last:-2] * count + b"\xff\xd9"


def checkerboard(square_px: int) -> Image.Image:
    """A picture all of corners such as the sheet's: a few kilobytes that ask for much looking."""
    rows, columns = np.indices((3000, 4000)) // square_px
    return Image.fromarray(((rows + columns) % 2 * 255).astype(np.uint8))


def hostile_files() -> Iterator[tuple[str, bytes]]:
    chance = random.Random(7)
    photo = plain_picture()
    picture = Image.open(io.BytesIO(photo))
    for form, options in (("JPEG", {}), ("JPEG", {"progressive": True}), ("PNG", {}), ("WEBP", {})):
        whole = photo if form == "JPEG" and not options else encoded(picture, form, **options)
        named = f"progressive {form}" if options else form
        for part in range(1, 40):
            yield f"truncated {named} {part}", whole[: len(whole) * part // 40]
        for number in range(78):
            broken = bytearray(whole)
            for _ in range(40):
                broken[chance.randrange(2, len(broken))] = chance.randrange(256)
            yield f"broken {named} {number}", bytes(broken)
    for number, magic in enumerate(
        (b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF\0\0\0\0WEBPVP8 ", b"GIF89a", b"%PDF")
    ):
        yield f"magic {number}", magic + chance.randbytes(2000)
    for number, text in enumerate(
        (b"<svg/>", b"<?php exit();", b"#!/bin/sh\nexit", b"PK\x03\x04" * 50, b"\0" * 5000, b"a")
    ):
        yield f"not a picture {number}", text
    for width, height in ((60_000, 60_000), (2**31 - 1, 1), (1, 2**31 - 1), (0, 0), (100_000, 500), (500, 100_000)):
        yield f"claims {width} x {height}", png_that_claims(width, height)
    small = Image.open(io.BytesIO(photo)).resize((640, 480))
    for square in (4, 8, 16):
        yield f"checkerboard of {square} px", encoded(checkerboard(square), "PNG")
    yield "bomb", encoded(Image.new("1", (9000, 9000)), "PNG")
    yield "panorama", encoded(Image.new("RGB", (12_000, 500)), "JPEG")
    blank = encoded(Image.new("RGB", (3000, 2000), "white"), "JPEG", progressive=True)
    yield "thousands of scans", with_scans(blank, 20_000)
    yield "tiny", encoded(Image.new("RGB", (1, 1)), "PNG")
    yield "cmyk", encoded(small.convert("CMYK"), "JPEG")
    yield "grey", encoded(small.convert("L"), "JPEG")
    yield "palette", encoded(small.convert("P"), "PNG")
    yield "transparent", encoded(small.convert("RGBA"), "PNG")
    yield "16 bit", encoded(Image.fromarray(np.full((500, 600), 40_000, np.uint16)), "PNG")
    yield "bmp", encoded(small, "BMP")
    yield "tiff", encoded(small, "TIFF")
    yield "gif", encoded(small, "GIF")
    for form in ("GIF", "WEBP", "PNG"):
        frames = [small.rotate(angle) for angle in (0, 20)]
        yield f"animated {form}", encoded(frames[0], form, save_all=True, append_images=frames[1:])
    for number, focal in enumerate((0, 1, 65535, 9)):
        exif = piexif.dump({"Exif": {piexif.ExifIFD.FocalLengthIn35mmFilm: focal}, "0th": {274: number}})
        yield f"absurd focal length {focal}", encoded(small, "JPEG", exif=exif)
    for number in range(8):
        yield f"absurd exif {number}", encoded(small, "JPEG", exif=b"Exif\0\0" + chance.randbytes(400))
