"""Films made here, as phones write them: upright pictures, or lying ones that the file says how to turn."""

from __future__ import annotations

import io
import struct
from fractions import Fraction

import av
import numpy as np

from calibration.arrays import Picture


def film(
    frames: list[Picture],
    times_s: list[float] | None = None,
    form: str = "mp4",
    codec: str = "h264",
    pix_fmt: str = "yuv420p",
    pixel: Fraction = Fraction(1),
) -> bytes:
    """The frames as a film, at 10 a second if no times are given; `pixel` is a pixel's width over its height."""
    buffer = io.BytesIO()
    with av.open(buffer, "w", format=form) as container:
        stream = container.add_stream(codec, rate=10)
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = pix_fmt
        stream.codec_context.sample_aspect_ratio = pixel
        stream.codec_context.time_base = Fraction(1, 1000)
        if codec == "h264":
            stream.options = {"preset": "ultrafast", "crf": "18"}
        for number, picture in enumerate(frames):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            frame.time_base = Fraction(1, 1000)
            frame.pts = round(1000 * (number / 10 if times_s is None else times_s[number]))
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return buffer.getvalue()


def held(data: bytes, quarters: int) -> bytes:
    """The same film, said to be turned by so many quarters clockwise, as phones held upright (1) write it."""
    return shown_by(data, {1: (0, 1, -1, 0), 2: (-1, 0, 0, -1), 3: (0, -1, 1, 0)}[quarters])


def shown_by(data: bytes, matrix: tuple[int, int, int, int]) -> bytes:
    """The same film with a, b, c, d in the matrix of its track header (ISO 14496-12, 8.3.2)."""
    a, b, c, d = (part << 16 for part in matrix)
    at = data.index(b"tkhd") + 4 + 40
    return data[:at] + struct.pack(">9i", a, b, 0, c, d, 0, 0, 0, 1 << 30) + data[at + 36 :]


def frames_of(data: bytes) -> list[Picture]:
    """Every frame of a film, as it is stored."""
    with av.open(io.BytesIO(data)) as container:
        return [np.asarray(frame.to_ndarray(format="rgb24"), np.uint8) for frame in container.decode(video=0)]


def lying(data: bytes, form: str) -> bytes:
    """The same film stored lying, as phones held upright store it, and said to be turned."""
    return held(film([np.rot90(frame) for frame in frames_of(data)], form=form), 1)
