"""Measuring in worker processes, each with its models loaded once; a photo that kills one kills nothing else.

A photo is a stranger's bytes.  It is decoded and measured only in a worker, with a time limit and a memory limit; a
worker that dies or hangs is replaced and the caller is told that this photo could not be read.  What comes back is
plain data: the JSON form of the measurement and JPEG pictures without metadata and with the face blurred.
"""

from __future__ import annotations

import asyncio
import importlib
import multiprocessing
import resource
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Protocol

from pebble import CONSTS, ProcessPool

from calibration.problems import Problem
from service.logs import note_failure
from service.measuring.forking import forking
from service.measuring.looking import gather_arms, look_at_arm, look_at_instruments, solve_sight
from service.measuring.outcome import (
    ARM,
    ArmQuestion,
    InstrumentQuestion,
    Outcome,
    Question,
    refused,
    refused_arm,
    refused_instrument,
)
from service.measuring.same_child import of_clip, together
from service.measuring.work import (
    ArmView,
    ClipFrames,
    choose_frames,
    measure_arm_photo,
    measure_arm_view,
    measure_instrument_photos,
    solve_arm_views,
)
from vision.clip_files import CHOSEN, is_clip

if TYPE_CHECKING:
    from service.measuring.looking import Moved
    from vision.photo import Photo

PHOTO_TIME_LIMIT_S = 12.0
"""Longest for one photo, s: some forty times what a good one takes (README), and what a family can bear."""
OWN_PHOTO_TIME_LIMIT_S = 120.0
"""The same for photos of whoever types the command, s: nobody else waits, and the computer may be slow or busy."""
STOPPING_S = 0.5
"""How long a worker whose photo ran out of time may take to end before it is killed, s: it holds nothing that would
have to be put away, and what the library allows by itself, three seconds, came on top of the limit."""
CONSTS.term_timeout = STOPPING_S
WORKER_MEMORY_LIMIT_BYTES = 6 * 2**30
"""Address space of a worker, bytes; our choice."""
PHOTOS_BEFORE_RENEWAL = 200
"""A worker is renewed after so many photos: landmark models are known to grow in memory in long-lived servers."""

MEASURING_FAILED = Problem(
    "measuring_failed",
    "This photo could not be read or measured.",
    "Take a new photo with the camera of the phone and send it unchanged.",
)


class Measurer(Protocol):
    """What measures photos: `MeasuringPool`, or what stands in for it in a test."""

    async def is_ready(self) -> bool:
        """Whether photos can be measured now."""

    async def arm(self, data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        """Measure the arm in one photo."""

    async def arm_together(self, files: Sequence[tuple[bytes, str]], question: ArmQuestion | None = None) -> Outcome:
        """Measure one child's arm from several photos."""

    async def instrument(self, data: bytes, name: str, question: InstrumentQuestion | None = None) -> Outcome:
        """Measure the instrument in one photo."""

    async def instrument_together(
        self, files: Sequence[tuple[bytes, str]], question: InstrumentQuestion | None = None
    ) -> Outcome:
        """Measure one instrument from several photos of it lying still."""

    async def look(self, files: Sequence[bytes], question: Question) -> bytes | None:
        """What is seen in a photo, in several together or in a film, for `solve`; None where that failed."""

    async def solve(
        self, sight: bytes, question: Question, moved: Moved | None = None, picture: bytes | None = None
    ) -> Outcome:
        """Lengths from what was seen, with points that were moved, drawn on a picture if there is one."""


class MeasuringPool:
    """Worker processes that measure photos; use as a context manager.

    Parameters
    ----------
    workers : int or None
        Number of processes; None takes one a core.
    photo_seconds : float
        Longest that one photo may be worked at.
    """

    def __init__(self, workers: int | None = None, photo_seconds: float = PHOTO_TIME_LIMIT_S) -> None:
        self._photo_seconds = photo_seconds
        self._first_answer: Future[None] | None = None
        self._closed = False
        self._workers = workers or multiprocessing.cpu_count()
        self._pool = self._new_pool()

    def _new_pool(self) -> ProcessPool:
        return ProcessPool(
            max_workers=self._workers,
            max_tasks=PHOTOS_BEFORE_RENEWAL,
            initializer=_prepare_worker,
            context=forking(),
        )

    def _schedule(self, work: Callable[..., Any], *arguments: Any, timeout_s: float | None = None) -> Future[Any]:
        """Hand work to a worker; a pool that broke because an idle worker was killed is replaced."""
        try:
            return self._pool.schedule(work, args=arguments, timeout=timeout_s)
        except RuntimeError:
            if self._closed:
                raise
            note_failure("the measuring processes were lost and are started anew")
            self._pool.stop()  # type: ignore[no-untyped-call]
            self._pool = self._new_pool()
            return self._pool.schedule(work, args=arguments, timeout=timeout_s)

    def __enter__(self) -> MeasuringPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the workers; what is being measured is abandoned."""
        self._closed = True
        self._pool.stop()  # type: ignore[no-untyped-call]
        self._pool.join()

    def start(self) -> Future[None]:
        """Start the workers now, so that the first photo need not wait for them; gives their first answer.

        Where that failed they are asked anew.
        """
        if self._first_answer is None or _has_failed(self._first_answer):
            self._first_answer = self._schedule(_answer_ready)
        return self._first_answer

    async def is_ready(self) -> bool:
        """Whether a worker has started and answers."""
        return self.start().done()

    async def arm(self, data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        """Measure the arm in one photo, or in a film; never raises for what it holds."""
        if is_clip(data):
            return of_clip(await self.arm_together([(data, name)], question), name)
        failed = refused_arm(name, (MEASURING_FAILED,))
        return await self._run(failed, measure_arm_photo, data, name, question or ArmQuestion())

    async def arm_together(self, files: Sequence[tuple[bytes, str]], question: ArmQuestion | None = None) -> Outcome:
        """Measure one child's arm from several photos; never raises for what they hold.

        Parameters
        ----------
        files : sequence of (bytes, str)
            Each photo's or film's bytes and its name; of a film some frames count as photos.
        question : ArmQuestion, optional
            What is known of the child.

        Returns
        -------
        Outcome
            As `service.measuring.same_child.together` makes it: one result, and what each photo gave in `photos`.
        """
        # what one photo lacks another may have: a refused one may be drawn as well
        asked = replace(question or ArmQuestion(), refused_too=True)
        looked = await asyncio.gather(*(self._arm_views(data, name, asked) for data, name in files))
        views = [view for each in looked for view in each]
        file_of = [file for file, each in enumerate(looked) for _ in each]
        outcomes = [view.outcome for view in views]
        if sum(outcome.result["usable"] for outcome in outcomes) < 2:
            return together(outcomes, None, file_of)
        try:
            return together(outcomes, await self._answer(solve_arm_views, views, asked), file_of)
        except Exception as error:
            note_failure("photos could not be measured together", error)
            return replace(together(outcomes, None, file_of), failed=True)

    async def _arm_views(self, data: bytes, name: str, question: ArmQuestion) -> list[ArmView]:
        """What one photo gives, or each frame chosen of a film."""
        if not is_clip(data):
            return [await self._arm_view(data, name, question)]
        try:  # decoding a film in 4K takes as long as several photos
            chosen: ClipFrames = await self._answer(
                choose_frames, data, name, question.reference is None, photos=CHOSEN
            )
        except Exception as error:
            note_failure("a film could not be read", error)
            chosen = ClipFrames(problems=(MEASURING_FAILED,))
        if chosen.problems:
            failed = MEASURING_FAILED in chosen.problems
            return [ArmView(replace(refused_arm(name, chosen.problems), failed=failed), None)]
        return list(await asyncio.gather(*(self._arm_view(one, one.name, question) for one in chosen.frames)))

    async def _arm_view(self, source: bytes | Photo, name: str, question: ArmQuestion) -> ArmView:
        try:
            view: ArmView = await self._answer(measure_arm_view, source, name, question)
        except Exception as error:
            note_failure("a photo could not be measured", error)
            return ArmView(replace(refused_arm(name, (MEASURING_FAILED,)), failed=True), None)
        return view

    async def instrument(self, data: bytes, name: str, question: InstrumentQuestion | None = None) -> Outcome:
        """Measure the instrument in one photo; never raises for what the photo holds."""
        return await self.instrument_together([(data, name)], question)

    async def instrument_together(
        self, files: Sequence[tuple[bytes, str]], question: InstrumentQuestion | None = None
    ) -> Outcome:
        """Measure one instrument from several photos of it lying still."""
        failed = refused_instrument([name for _, name in files], (MEASURING_FAILED,))
        asked, photos = question or InstrumentQuestion(), _photos_of(data for data, _ in files)
        return await self._run(failed, measure_instrument_photos, list(files), asked, photos=photos)

    async def look(self, files: Sequence[bytes], question: Question) -> bytes | None:
        """What is seen in a photo, in several together or in a film, for `solve`; None where the worker failed."""
        try:
            if isinstance(question, InstrumentQuestion):
                sight: bytes = await self._answer(look_at_instruments, list(files), question, photos=_photos_of(files))
                return sight
            looked = await asyncio.gather(*(self._look_at_arms(data, question) for data in files))
            if len(files) == 1 and not is_clip(files[0]):
                return looked[0][0]
            gathered: bytes = await self._answer(gather_arms, looked)
        except Exception as error:
            note_failure("a photo could not be looked at", error)
            return None
        return gathered

    async def _look_at_arms(self, data: bytes, question: ArmQuestion) -> list[bytes]:
        """What is seen in one photo, or in each frame chosen of a film."""
        sources: Sequence[bytes | Photo] = [data]
        if is_clip(data):
            chosen: ClipFrames = await self._answer(choose_frames, data, ARM, question.reference is None, photos=CHOSEN)
            sources = chosen.frames
        return list(await asyncio.gather(*(self._answer(look_at_arm, source, question) for source in sources)))

    async def solve(
        self, sight: bytes, question: Question, moved: Moved | None = None, picture: bytes | None = None
    ) -> Outcome:
        """Lengths from what was seen, with points that were moved, drawn on a picture if there is one."""
        failed = refused("", (MEASURING_FAILED,), {}, ())
        return await self._run(failed, solve_sight, sight, question, moved, picture)

    async def _run(self, failed: Outcome, work: Callable[..., Outcome], *arguments: Any, photos: int = 1) -> Outcome:
        """The outcome of a worker's work, or `failed` where it gave none."""
        try:
            outcome: Outcome = await self._answer(work, *arguments, photos=photos)
        except Exception as error:
            # Whatever a stranger's photo does to the code that reads it, the answer is the same and nothing else stops.
            note_failure("a photo could not be measured", error)
            return replace(failed, failed=True)
        return outcome

    async def _answer(self, work: Callable[..., Any], *arguments: Any, photos: int = 1) -> Any:
        """What a worker answers in the time for so many photos.

        It is asked once more where the pool broke under work that was not its fault.
        """
        timeout_s = photos * self._photo_seconds
        try:
            return await asyncio.wrap_future(self._schedule(work, *arguments, timeout_s=timeout_s))
        except BrokenProcessPool:
            return await asyncio.wrap_future(self._schedule(work, *arguments, timeout_s=timeout_s))


def _photos_of(files: Iterable[bytes]) -> int:
    """How many photos files take the time of: a film that of the frames chosen."""
    return sum(CHOSEN if is_clip(data) else 1 for data in files)


def _has_failed(answer: Future[None]) -> bool:
    return answer.cancelled() or (answer.done() and answer.exception() is not None)


def _answer_ready() -> None:
    """Run in a worker as the first thing it is asked."""


def _prepare_worker() -> None:
    """Bound a worker's memory, so that a hostile photo cannot take the machine's; one thread, since each has a core."""
    resource.setrlimit(resource.RLIMIT_AS, (WORKER_MEMORY_LIMIT_BYTES, WORKER_MEMORY_LIMIT_BYTES))
    with suppress(Exception):  # what cannot be loaded says so where it is used
        importlib.import_module("cv2").setNumThreads(1)
        importlib.import_module("vision.networks.memory").keep_large_apart()
