"""A few seconds of film into a handful of photos: the sharpest frames, with the sheet in them, from different places.

A film is decoded in memory, within limits of bytes, seconds and pixels, and forgotten: what is handed on are some
frames as `vision.photo.Photo`, which nobody writes anywhere.  Only two containers are opened, each by its own reader,
and only the codecs that phones and browsers record with, so that a film cannot name other files or addresses.

What a film does to the camera model.  A phone cuts the frame out of the sensor's picture, by an unknown factor, to 16:9
and to steady it, and writes no focal length: it is free between the lenses that phones have (`FILM_LENSES_MM`), the
same for all frames, and found from the sheet in several views.  Steadying cuts each frame anew: that moves the
principal point from frame to frame, which is allowed for by a wander of 1 % of the longer side (`FILMED_SHARE`).  It
also turns the frame about the camera's middle, which is a turn of the camera and does no harm.  A rolling shutter reads
the lines within some 10 to 20 ms, during which a hand that walks aside at 0.3 m/s goes 3 to 6 mm: frames are chosen
where they are sharpest, which is where the phone moved least, and what is left leans the picture by up to 0.3 %, the
size of what the lens's and the landmarks' deviations hold already.  A frame that was bent by both shows in misfits of
the sheet's corners, by which corners are weighed.  No interval of ours was checked on films of real phones.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from calibration.detection import is_mirrored
from calibration.lens import StatedLens
from calibration.markers import agreeing_markers, read_markers
from calibration.problems import NO_SHEET, PHOTO_MIRRORED, Refused
from vision.clip_files import CHOSEN, MAX_BYTES, reader_of
from vision.photo import MIN_SIDE_PX, Photo
from vision.problems import CLIP_DAMAGED, CLIP_TOO_LARGE, CLIP_TOO_LONG, CLIP_UNREADABLE, PHOTO_TOO_SMALL

if TYPE_CHECKING:
    from av import VideoFrame, VideoStream
    from av.container import InputContainer

LONGEST_S = 20.0
"""Longest accepted film, s; three to five are asked for; our choice."""
MAX_PIXELS = 3840 * 2176
"""Largest accepted frame: 4K."""
MOST_FRAMES = 1300
"""Frames decoded at most: 20 s at 60 a second, and some."""
_PIECES = 30
"""Pieces of equal length, at most, of which each gives its sharpest frame; our choice: six for each frame chosen."""
_FIRST_PIECE_S = 0.05
"""Length of a piece at first; it doubles whenever there are too many, because films do not always say how long they
are."""
_LOOKED_AT_PX = 1100
"""Longer side at which sheets are looked for, to choose frames; our choice, a marker of a sheet two metres away then
has 10 px."""
_FEWEST_MARKERS = 3
"""Markers that have to be read alike in a frame: fewer may be misread, and name another sheet; our choice."""
_SHARP_PX = 960
"""Longer side at which sharpness is compared; our choice, a blur of three pixels of 1080p shows."""
_BLURRED_SHARE = 0.45
"""Of the sharpness of the film's sharpest frames, below which a frame is left out where others are left; our choice."""
_USUAL_FOCAL = 0.8
"""Focal length over the longer side, good enough to tell places apart; that of 28 mm in 16:9."""

_TIME_SHARE = 0.1
"""What the film's whole length counts beside directions of unit length: as six degrees, which is how rough directions
are; our choice."""
_NEIGHBOURS = 2
"""Frames to either side with which a direction is smoothed; our choice."""
_USUAL_RATE = 30.0
"""Frames a second where a film does not say when its frames were taken."""
_CODECS = frozenset({"h264", "hevc", "vp8", "vp9", "av1", "libdav1d", "mpeg4", "mjpeg"})
_BYTE_PLANES = frozenset({"yuv420p", "yuvj420p", "yuv422p", "yuvj422p", "nv12"})
"""Formats of which the first plane is the lightness, one byte a pixel."""
_MOST_STRETCH = 2.0
"""Width of a pixel over its height, or the other way round, above which a film errs: cameras and broadcasts know up to
1.82 (ITU-T H.264, table E-1, has 2.18 for one that nobody films in); from memory."""
_ATTACHED = 0x400
"""Mark of a track that is a cover, and not a film (AV_DISPOSITION_ATTACHED_PIC in FFmpeg's avformat.h)."""
_MATRIX = struct.Struct("<5i")
"""Beginning of a film's matrix as the decoder hands it on: a, b, u, c, d (ISO 14496-12, 6.2.2)."""


def clip_photos(data: bytes, name: str, sheets: bool = True) -> tuple[Photo, ...]:
    """Choose the frames of a film that are to be measured.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name; frames are called by it and their time.
    sheets : bool
        Whether frames must show a printed sheet; otherwise they are chosen by time and sharpness alone.

    Returns
    -------
    tuple of Photo
        At most `CHOSEN`, upright, in the order of time.

    Raises
    ------
    Refused
        If the file is no film that can be read, too large, too long, too coarse, or no frame shows a sheet, or
        in the mirror only.
    """
    reader = reader_of(data)
    if reader is None:
        raise Refused(CLIP_UNREADABLE)
    if len(data) > MAX_BYTES:
        raise Refused(CLIP_TOO_LARGE)
    candidates = _sharpest(data, reader)
    if not candidates:
        raise Refused(CLIP_DAMAGED)
    places = [_place(one) if sheets else None for one in candidates]
    if sheets:
        if is_mirrored(max(candidates, key=lambda one: one.sharpness).rgb):
            raise Refused(PHOTO_MIRRORED)
        candidates, places = _with_sheet(candidates, places)
        if not candidates:
            raise Refused(NO_SHEET)
    chosen = _apart(candidates, places)
    lens = StatedLens(film=True)
    return tuple(Photo(f"{name} {one.time_s:.1f} s", one.rgb, lens, film_s=one.time_s) for one in chosen)


@dataclass(frozen=True)
class _Frame:
    """A frame that may be chosen.

    Attributes
    ----------
    time_s : float
        Since the film's first frame.
    sharpness : float
        Mean square of its second differences.
    frame : VideoFrame
        As it is stored.
    stretch : float
        Width of a pixel over its height: to be shown, the frame is drawn out by it.
    """

    time_s: float
    sharpness: float
    frame: VideoFrame
    stretch: float

    @property
    def rgb(self) -> Picture:
        """Pixels (H, W, 3) as they are to be shown: square and upright."""
        stored = np.asarray(self.frame.to_ndarray(format="rgb24"), np.uint8)
        height, width = stored.shape[:2]
        return _turned(_resized(stored, _shown_size(width, height, self.stretch)), _matrix(self.frame))

    def reduced(self, side_px: int) -> Picture:
        """Its lightness (h, w) as it is to be shown, with a longer side of `side_px`."""
        return _turned(_reduced(self.frame, side_px, self.stretch), _matrix(self.frame))


def _matrix(frame: VideoFrame) -> tuple[int, int, int, int]:
    """Signs of a, b, c and d by which a frame is to be shown: x' = a x + c y, y' = b x + d y.

    Those of the nearest turn by quarters, with or without a mirror, as a film of a front camera may ask for.
    """
    a, b, c, d = _stated_matrix(frame)
    upright = abs(a) + abs(d) >= abs(b) + abs(c)
    a, b, c, d = np.sign((a, 0, 0, d) if upright else (0, b, c, 0)).astype(int).tolist()
    return a, b, c, d


def _stated_matrix(frame: VideoFrame) -> tuple[float, float, float, float]:
    try:
        stated = frame.side_data["DISPLAYMATRIX"]  # type: ignore[typeddict-item]  # its stubs know other keys
    except KeyError:
        return 1, 0, 0, 1
    except ValueError:  # beside it lies something that the library has no name for: it still tells the turn
        turn = np.radians(-frame.rotation)
        return np.cos(turn), np.sin(turn), -np.sin(turn), np.cos(turn)
    a, b, _, c, d = _MATRIX.unpack_from(bytes(stated))
    return a, b, c, d


def _turned(picture: Picture, matrix: tuple[int, int, int, int]) -> Picture:
    """A frame turned, and mirrored, as its film says."""
    a, b, c, d = matrix
    turned = cv2.transpose(picture) if b or c else picture
    across, down = a + c < 0, b + d < 0
    if across or down:
        turned = cv2.flip(turned, -1 if across and down else int(across))
    return np.ascontiguousarray(turned, dtype=np.uint8)


def _shown_size(width: int, height: int, stretch: float) -> tuple[int, int]:
    """Width and height with square pixels: the side that has fewer than it shows is drawn out."""
    return (round(width * stretch), height) if stretch >= 1 else (width, round(height / stretch))


def _resized(picture: Picture, size: tuple[int, int]) -> Picture:
    if size == (picture.shape[1], picture.shape[0]):
        return picture
    smaller = size[0] * size[1] < picture.shape[0] * picture.shape[1]
    way = cv2.INTER_AREA if smaller else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(picture, size, interpolation=way), np.uint8)


def _sharpest(data: bytes, reader: str) -> list[_Frame]:
    """The sharpest frame of each of at most `_PIECES` pieces of the film."""
    best: dict[int, _Frame] = {}
    piece_s = _FIRST_PIECE_S
    for one in _decoded(data, reader):
        _keep(best, int(one.time_s / piece_s), one)
        if len(best) > _PIECES:
            piece_s *= 2
            kept, best = best, {}
            for one in kept.values():
                _keep(best, int(one.time_s / piece_s), one)
    return [best[piece] for piece in sorted(best)]


def _keep(best: dict[int, _Frame], piece: int, one: _Frame) -> None:
    if piece not in best or one.sharpness > best[piece].sharpness:
        best[piece] = one


def _decoded(data: bytes, reader: str) -> Iterator[_Frame]:
    """Every frame, in the order of time.

    Raises
    ------
    Refused
        As `clip_photos`.
    """
    import av

    try:
        with av.open(io.BytesIO(data), "r", format=reader) as container:
            stream = _picture_stream(container)
            context = stream.codec_context
            if context.name not in _CODECS:
                raise Refused(CLIP_UNREADABLE)
            stretch = _stretch(stream)
            _check_size(context.width, context.height, stretch)
            if (container.duration or 0) > LONGEST_S * av.time_base:
                raise Refused(CLIP_TOO_LONG)
            stream.thread_type = "AUTO"
            first_s: float | None = None
            for number, frame in enumerate(container.decode(stream)):
                _check_size(frame.width, frame.height, stretch)
                time_s = number / _USUAL_RATE if frame.time is None else frame.time
                first_s = time_s if first_s is None else first_s
                if number >= MOST_FRAMES or time_s - first_s > LONGEST_S:
                    raise Refused(CLIP_TOO_LONG)
                yield _Frame(max(time_s - first_s, 0.0), _sharpness(frame), frame, stretch)
    except (av.FFmpegError, ValueError, OSError, EOFError) as error:
        raise Refused(CLIP_DAMAGED) from error


def _picture_stream(container: InputContainer) -> VideoStream:
    """The film in a file, which may have smaller ones or a cover beside it.

    Raises
    ------
    Refused
        If there is none.
    """
    best = container.streams.best("video")
    film = next((stream for stream in container.streams.video if stream is best), None)
    if film is None or film.disposition.value & _ATTACHED:
        raise Refused(CLIP_UNREADABLE)
    return film


def _stretch(stream: VideoStream) -> float:
    """Width of a pixel over its height, as container or codec state it; 1 where they state none that can be."""
    stated = float(stream.sample_aspect_ratio or 1)
    return stated if 1 / _MOST_STRETCH <= stated <= _MOST_STRETCH else 1.0


def _check_size(width: int, height: int, stretch: float) -> None:
    shown = _shown_size(width, height, stretch)
    if shown[0] * shown[1] > MAX_PIXELS:
        raise Refused(CLIP_TOO_LARGE)
    if min(width, height) < MIN_SIDE_PX:
        raise Refused(PHOTO_TOO_SMALL)


def _reduced(frame: VideoFrame, side_px: int, stretch: float = 1.0) -> Picture:
    """The frame's lightness (h, w), not turned, with a longer side of `side_px` once it is drawn out by `stretch`.

    Where the film holds it as a plane of bytes, it is that plane, which may leave the darkest and brightest sixteenth
    unused: neither markers nor a comparison of sharpness ask for more.
    """
    grey = _lightness(frame)
    width, height = _shown_size(grey.shape[1], grey.shape[0], stretch)
    scale = min(side_px / max(width, height), 1.0)
    return _resized(grey, (round(width * scale), round(height * scale)))


def _lightness(frame: VideoFrame) -> Picture:
    if frame.format.name not in _BYTE_PLANES:
        return np.asarray(frame.to_ndarray(format="gray"), np.uint8)
    plane = frame.planes[0]
    samples: Picture = np.frombuffer(plane, np.uint8)  # type: ignore[call-overload]  # a plane is a buffer
    return samples.reshape(plane.height, plane.line_size)[:, : plane.width]


def _sharpness(frame: VideoFrame) -> float:
    edges = cv2.Laplacian(_reduced(frame, _SHARP_PX), cv2.CV_16S)
    return float(np.mean(np.square(edges, dtype=np.float32)))


def _place(one: _Frame) -> Array | None:
    """Direction (3,) from the sheet to the camera, roughly; None where no sheet is seen."""
    grey = one.reduced(_LOOKED_AT_PX)
    markers = read_markers(grey, 1.0)
    layouts = {marker.layout for marker in markers}
    agreeing = max(
        (agreeing_markers([m for m in markers if m.layout == each]) for each in layouts), key=len, default=[]
    )
    if len(agreeing) < _FEWEST_MARKERS:
        return None
    corners_mm = np.vstack([marker.corner_mm for marker in agreeing])
    corners_px = np.vstack([marker.corner_px for marker in agreeing])
    height, width = grey.shape
    focal = _USUAL_FOCAL * max(width, height)
    matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    flat = np.column_stack([corners_mm, np.zeros(len(corners_mm))])
    found, rotation, shift = cv2.solvePnP(flat, corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    if not found:
        return None
    place = -np.asarray(cv2.Rodrigues(rotation)[0]).T @ np.asarray(shift).ravel()
    return np.asarray(place / np.linalg.norm(place))


def _with_sheet(candidates: list[_Frame], places: list[Array | None]) -> tuple[list[_Frame], list[Array | None]]:
    seen = [(one, place) for one, place in zip(candidates, places, strict=True) if place is not None]
    return [one for one, _ in seen], [place for _, place in seen]


def _apart(candidates: list[_Frame], places: list[Array | None]) -> list[_Frame]:
    """At most `CHOSEN` of the sharp frames, as far apart as they can be: in place, else in time."""
    least = _BLURRED_SHARE * float(np.quantile([one.sharpness for one in candidates], 0.9))
    kept = [number for number, one in enumerate(candidates) if one.sharpness >= least]
    if len(kept) <= CHOSEN:
        kept = sorted(sorted(range(len(candidates)), key=lambda n: -candidates[n].sharpness)[: max(CHOSEN, len(kept))])
    times = np.array([candidates[number].time_s for number in kept])
    span_s = max(float(np.ptp(times)), 1e-6)
    directions = _smoothed([places[number] for number in kept])
    spots = np.column_stack([_TIME_SHARE * times / span_s, directions])
    chosen = [int(np.argmax([candidates[number].sharpness for number in kept]))]
    while len(chosen) < min(CHOSEN, len(kept)):
        nearest = np.min([np.linalg.norm(spots - spots[number], axis=1) for number in chosen], axis=0)
        chosen.append(int(np.argmax(nearest)))
    return [candidates[kept[number]] for number in sorted(chosen)]


def _smoothed(places: list[Array | None]) -> Array:
    """Directions (N, 3) to the camera, each the median of its neighbours: from a small sheet they are rough."""
    rough = np.array([np.zeros(3) if place is None else place for place in places])
    reach = range(len(rough))
    return np.array([np.median(rough[max(0, n - _NEIGHBOURS) : n + _NEIGHBOURS + 1], axis=0) for n in reach])
