"""Measuring in worker processes, each with its models loaded once; a photo that kills one kills nothing else.

A photo is a stranger's bytes.  It is decoded and measured only in a worker, with a time limit and a memory limit; a
worker that dies or hangs is replaced and the caller is told that this photo could not be read.  What comes back is
plain data: the JSON form of the measurement and JPEG pictures without metadata and with the face blurred.
"""

from __future__ import annotations

import asyncio
import importlib
import io
import logging
import multiprocessing
import pickle
import resource
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pebble import ProcessPool

from calibration.problems import Problem, Refused
from service.measuring.results import ARM_LENGTHS, INSTRUMENT_LENGTHS, arm_json, instrument_json, problems_json

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

log = logging.getLogger("scrollreach")

PHOTO_TIME_LIMIT_S = 60.0
WORKER_MEMORY_LIMIT_BYTES = 6 * 2**30
PHOTOS_BEFORE_RENEWAL = 200
"""A worker is renewed after so many photos: landmark models are known to grow in memory in long-lived servers."""

NEEDED = (
    "mediapipe",
    "vision.arm.measure",
    "vision.instrument.measure",
    "vision.arm.overlay",
    "vision.instrument.overlay",
)
"""Modules that a worker loads before its first photo."""

MEASURING_FAILED = Problem(
    "measuring_failed",
    "This photo could not be read or measured.",
    "Take a new photo with the camera of the phone and send it unchanged.",
)

ARM = "arm"
"""Kind of a photo that shows a child; any other kind shows an instrument."""

Corrections = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class ArmQuestion:
    """What to measure in photos of a child: the options of `vision.arm.measure.measure_arm`."""

    side: str = "auto"
    age_years: float | None = None
    stature_mm: float | None = None
    against_wall: bool | None = None
    corrections: Corrections | None = None
    bar_mm: float | None = None


@dataclass(frozen=True)
class Outcome:
    """What a worker found in one photo.

    Attributes
    ----------
    result : dict
        JSON form of the measurement (see `service.measuring.results`).
    overlay_jpeg : bytes or None
        The photo with what was measured drawn on it; faces, or all that is away from an instrument, blurred.
    photo_jpeg : bytes or None
        The photo without metadata, blurred in the same way, at its own size.
    size_px : tuple of int or None
        (width, height) of the upright photo, the frame of ``points_px``.
    """

    result: dict[str, Any]
    overlay_jpeg: bytes | None = None
    photo_jpeg: bytes | None = None
    size_px: tuple[int, int] | None = None


def measure_arm_photo(data: bytes, name: str, question: ArmQuestion) -> Outcome:
    """Measure the arm in one photo, given as the bytes of its file."""
    from vision.arm.measure import measure_arm
    from vision.arm.overlay import blur_face, draw_arm
    from vision.photo import load_photo

    try:
        photo = load_photo(data, name)
    except Refused as refusal:
        return _refused(name, refusal.problems, {"side": None}, ARM_LENGTHS)
    measurement = measure_arm(
        photo,
        side=question.side,
        age_years=question.age_years,
        stature_mm=question.stature_mm,
        against_wall=question.against_wall,
        corrections=question.corrections,
        bar_mm=question.bar_mm,
    )
    return Outcome(
        arm_json(measurement),
        _jpeg(draw_arm(photo, measurement)),
        _jpeg(blur_face(photo, measurement)),
        _size_px(photo.rgb),
    )


def measure_instrument_photos(
    files: Sequence[tuple[bytes, str]],
    corrections: Corrections | None = None,
    bar_mm: float | None = None,
    sheet_height_mm: float | None = None,
) -> Outcome:
    """Measure one instrument, lying still, from one photo or several together; the pictures are of the first."""
    from vision.instrument.measure import measure_instrument, measure_instrument_together
    from vision.instrument.overlay import blur_surroundings, draw_instrument
    from vision.photo import load_photo

    photos = []
    for data, name in files:
        try:
            photos.append(load_photo(data, name))
        except Refused as refusal:
            return _refused(name, refusal.problems, {}, INSTRUMENT_LENGTHS)
    if len(photos) == 1:
        measurement = measure_instrument(photos[0], corrections, sheet_height_mm, bar_mm)
    else:
        measurement = measure_instrument_together(photos, sheet_height_mm, bar_mm)
    shown = replace(photos[0], rgb=blur_surroundings(photos[0], measurement))
    return Outcome(
        instrument_json(measurement), _jpeg(draw_instrument(shown, measurement)), _jpeg(shown.rgb), _size_px(shown.rgb)
    )


def look_at_photo(data: bytes, kind: str, bar_mm: float | None) -> bytes:
    """What is seen in a photo, or why nothing is: the slow half of measuring, made into bytes for `solve_sight`."""
    from vision.arm.measure import look
    from vision.instrument.measure import detect_instrument
    from vision.photo import load_photo

    try:
        photo = load_photo(data, kind)
        seen = look(photo, bar_mm=bar_mm) if kind == ARM else detect_instrument(photo, bar_mm=bar_mm)
    except Refused as refusal:
        return pickle.dumps(refusal.problems)
    return pickle.dumps(seen)


def solve_sight(sight: bytes, question: ArmQuestion) -> Outcome:
    """Lengths from what was seen, with corrected points: the quick half of measuring; makes no pictures."""
    from vision.arm.measure import solve_arm
    from vision.arm.seen import SeenArm
    from vision.instrument.measure import solve_instrument

    seen = pickle.loads(sight)  # made by `look_at_photo` in a worker of this pool, and kept in memory only
    if isinstance(seen, SeenArm):
        options = question.age_years, question.stature_mm, question.against_wall, question.corrections
        return Outcome(arm_json(solve_arm(seen, *options)))
    try:
        if isinstance(seen, tuple):
            raise Refused(*seen)
        return Outcome(instrument_json(solve_instrument(seen, question.corrections)))
    except Refused as refusal:
        return _refused("", refusal.problems, {}, ())


class MeasuringPool:
    """Worker processes that measure photos; use as a context manager.

    Parameters
    ----------
    workers : int or None
        Number of processes; None takes one a core.
    """

    def __init__(self, workers: int | None = None) -> None:
        self._first_answer: Future[None] | None = None
        self._closed = False
        self._workers = workers or multiprocessing.cpu_count()
        self._pool = self._new_pool()

    def _new_pool(self) -> ProcessPool:
        return ProcessPool(
            max_workers=self._workers,
            max_tasks=PHOTOS_BEFORE_RENEWAL,
            initializer=_prepare_worker,
            context=multiprocessing.get_context("spawn"),
        )

    def _schedule(self, work: Callable[..., Any], *arguments: Any, timeout_s: float | None = None) -> Future[Any]:
        """Hand work to a worker; a pool that broke because an idle worker was killed is replaced."""
        try:
            return self._pool.schedule(work, args=arguments, timeout=timeout_s)
        except RuntimeError:
            if self._closed:
                raise
            log.error("the measuring processes were lost and are started anew")
            self._pool.stop()
            self._pool = self._new_pool()
            return self._pool.schedule(work, args=arguments, timeout=timeout_s)

    def __enter__(self) -> MeasuringPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the workers; what is being measured is abandoned."""
        self._closed = True
        self._pool.stop()
        self._pool.join()

    def start(self) -> Future[None]:
        """Start the workers now, so that the first photo need not wait for them; gives their first answer."""
        if self._first_answer is None:
            self._first_answer = self._schedule(_answer_ready)
        return self._first_answer

    async def is_ready(self) -> bool:
        """Whether a worker has started and answers."""
        answer = self.start()
        return answer.done() and answer.exception() is None

    async def arm(self, data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        """Measure the arm in one photo; never raises for what the photo holds."""
        return await self._run(
            measure_arm_photo, name, {"side": None}, ARM_LENGTHS, data, name, question or ArmQuestion()
        )

    async def instrument(
        self,
        data: bytes,
        name: str,
        corrections: Corrections | None = None,
        bar_mm: float | None = None,
        sheet_height_mm: float | None = None,
    ) -> Outcome:
        """Measure the instrument in one photo; never raises for what the photo holds."""
        arguments = ([(data, name)], corrections, bar_mm, sheet_height_mm)
        return await self._run(measure_instrument_photos, name, {}, INSTRUMENT_LENGTHS, *arguments)

    async def instrument_together(
        self, files: Sequence[tuple[bytes, str]], bar_mm: float | None = None, sheet_height_mm: float | None = None
    ) -> Outcome:
        """Measure one instrument from several photos of it lying still."""
        name = " + ".join(name for _, name in files)
        arguments = (list(files), None, bar_mm, sheet_height_mm)
        return await self._run(measure_instrument_photos, name, {}, INSTRUMENT_LENGTHS, *arguments)

    async def look(self, data: bytes, kind: str, bar_mm: float | None = None) -> bytes | None:
        """What is seen in a photo, for `solve`; None where the worker failed."""
        try:
            sight: bytes = await self._answer(look_at_photo, data, kind, bar_mm)
        except Exception as error:
            log.error("a photo could not be looked at: %s", type(error).__name__)
            return None
        return sight

    async def solve(self, sight: bytes, question: ArmQuestion) -> Outcome:
        """Lengths from what was seen, with corrected points."""
        return await self._run(solve_sight, "", {}, (), sight, question)

    async def _run(
        self,
        work: Callable[..., Outcome],
        name: str,
        extra: dict[str, Any],
        lengths: tuple[str, ...],
        *arguments: Any,
    ) -> Outcome:
        try:
            outcome: Outcome = await self._answer(work, *arguments)
        except Exception as error:
            # Whatever a stranger's photo does to the code that reads it, the answer is the same and nothing else stops.
            log.error("a photo could not be measured: %s", type(error).__name__)
            return _refused(name, (MEASURING_FAILED,), extra, lengths)
        return outcome

    async def _answer(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """What a worker answers; asked once more where the pool broke under work that was not its fault."""
        try:
            return await asyncio.wrap_future(self._schedule(work, *arguments, timeout_s=PHOTO_TIME_LIMIT_S))
        except BrokenProcessPool:
            return await asyncio.wrap_future(self._schedule(work, *arguments, timeout_s=PHOTO_TIME_LIMIT_S))


def _answer_ready() -> None:
    """Run in a worker as the first thing it is asked."""


def _prepare_worker() -> None:
    """Bound a worker's memory, so that a hostile photo cannot take the machine's; load what measuring needs.

    Loading takes longer than measuring, and nobody should wait for it with a photo in the hand.  What cannot be loaded
    here says so where it is used: a worker that dies of it now would be started again and again.
    """
    resource.setrlimit(resource.RLIMIT_AS, (WORKER_MEMORY_LIMIT_BYTES, WORKER_MEMORY_LIMIT_BYTES))
    for name in NEEDED:
        with suppress(Exception):
            importlib.import_module(name)


def _refused(name: str, problems: Sequence[Problem], extra: dict[str, Any], lengths: tuple[str, ...]) -> Outcome:
    nothing: dict[str, Any] = dict.fromkeys(lengths)
    head = {"photo": name, "usable": False, "problems": problems_json(problems)}
    return Outcome(head | nothing | {"points_px": {}} | extra)


def _size_px(rgb: NDArray[np.uint8]) -> tuple[int, int]:
    height, width = rgb.shape[:2]
    return width, height


def _jpeg(rgb: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=88)
    return buffer.getvalue()
