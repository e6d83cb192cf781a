"""Looking at what is under review, and solving from what was seen: the slow and the quick half of measuring.

These functions run in a worker (`service.measuring.pool`).  What was seen is bytes to everybody else: places, cameras
and likelihoods of the photos and frames that went in, no pixel of them.  A photo, several together and a film are seen
in the same way, so that a point that was moved in one picture is solved for with all the others.  Nothing is left out
then that went in before: where the pictures contradict one another with the point as it was moved, that is said.
"""

from __future__ import annotations

import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from calibration.problems import Problem, Refused
from service.measuring.outcome import (
    ARM,
    INSTRUMENT,
    NO_VIEWS,
    ArmQuestion,
    InstrumentQuestion,
    Outcome,
    Question,
    refused,
)
from service.measuring.results import arm_json, instrument_json, problems_json
from service.measuring.same_child import NO_PHOTO_USABLE, VIEW_LEFT_OUT, of_clip, together
from service.measuring.work import (
    arm_views_json,
    instrument_views_json,
    jpeg,
    known_of,
    photos_in,
    picture_of,
    shown_arm,
    shown_instrument,
)

if TYPE_CHECKING:
    from vision.arm.measure import ArmMeasurement
    from vision.arm.seen import SeenArm
    from vision.instrument.detected import DetectedInstrument
    from vision.instrument.measure import InstrumentMeasurement
    from vision.photo import Corrections, Photo

    Moved = Mapping[int, Corrections]
    """Points that a person moved, by the number of the file in whose picture."""

MOVED_APART = Problem(
    "moved_apart",
    "With the points as they were moved the pictures contradict one another.",
    "If a point is wrong in other pictures as well, move it there too.",
)


Frame = TypeVar("Frame")


@dataclass(frozen=True)
class Seen(Generic[Frame]):
    """What was seen in the photos of one child or one instrument.

    Attributes
    ----------
    frames : tuple of SeenArm or DetectedInstrument
        Of each photo, or frame of a film, that goes in.
    shown : tuple of (int or None)
        For each file the number of the frame that is its picture; None of a file that does not go in.
    films_s : tuple of (float or None)
        For each frame of a film how long after the film's first, s.
    at_rest : bool
        Whether several views are of one child that stood still, and not of days of which each gives a length.
    left_out : tuple of str
        Names of the photos that do not go in.
    problems : tuple of Problem
        Why nothing is seen.
    """

    frames: tuple[Frame, ...] = ()
    shown: tuple[int | None, ...] = ()
    films_s: tuple[float | None, ...] = ()
    at_rest: bool = False
    left_out: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()

    @property
    def film(self) -> bool:
        """Whether it is a film by itself."""
        return len(self.shown) == 1 and self.films_s[0] is not None

    def placed(self, moved: Moved) -> dict[int, Corrections]:
        """The points that were moved, by the number of the frame."""
        frames = {self.shown[file]: points for file, points in moved.items() if file < len(self.shown)}
        return {number: points for number, points in frames.items() if number is not None}


def look_at_arm(source: bytes | Photo, question: ArmQuestion) -> bytes:
    """What is seen of a child in one photo or frame, or why nothing is, made into bytes."""
    from vision.arm.seen import see_arm
    from vision.photo import load_photo

    try:
        photo = load_photo(source, ARM) if isinstance(source, bytes) else source
        seen = see_arm(photo, question.side, question.bar_mm, question.reference)
    except Refused as refusal:
        return pickle.dumps(Seen(problems=refusal.problems))
    return pickle.dumps(Seen((seen,), (0,), (photo.film_s,)))


def gather_arms(files: Sequence[Sequence[bytes]]) -> bytes:
    """What was seen of one child in several photos and frames, those that go in: as `MeasuringPool.arm_together`."""
    from vision.arm.measure import solve_arm
    from vision.arm.views import solve_views

    looked = [(pickle.loads(one), file) for file, frames in enumerate(files) for one in frames]  # made by `look_at_arm`
    usable = [(one, file) for one, file in looked if one.frames and solve_arm(one.frames[0]).usable]
    if not usable:
        why = [problem for one, _ in looked[:1] for problem in one.problems]
        return pickle.dumps(Seen(problems=tuple(why) or (NO_PHOTO_USABLE,)))
    found = solve_views([one.frames[0] for one, _ in usable]) if len(usable) > 1 else None
    used = list(range(len(usable))) if found is None else list(found.used)
    file_of = [usable[number][1] for number in used]
    frames = [usable[number][0].frames[0] for number in used] if found is None else found.seen
    left_out = () if found is None else tuple(usable[number][0].frames[0].photo for number in found.left_out)
    films_s = tuple(usable[number][0].films_s[0] for number in used)
    return pickle.dumps(
        Seen(tuple(frames), _shown(file_of, len(files)), films_s, at_rest=found is not None, left_out=left_out)
    )


def look_at_instruments(files: Sequence[bytes], question: InstrumentQuestion) -> bytes:
    """What is seen of one instrument in one photo, several or a film, or why nothing is, made into bytes."""
    from vision.instrument.detected import detect_instrument
    from vision.instrument.views import see_together, solve_seen

    known = question.sheet_height, question.bar_mm, question.reference
    try:
        decoded = [
            (photo, file)
            for file, data in enumerate(files)
            for photo in photos_in(data, INSTRUMENT, question.reference)
        ]
        photos = [photo for photo, _ in decoded]
        if len(photos) == 1:
            alone = detect_instrument(photos[0], *known)
            return pickle.dumps(Seen((alone,), (0,), (photos[0].film_s,)))
        found = solve_seen(see_together(photos, *known), photos[0].film)
    except Refused as refusal:
        return pickle.dumps(Seen(problems=refusal.problems))
    left_out = tuple(photos[number].name for number in found.left_out if not photos[number].film)
    shown = _shown([decoded[number][1] for number in found.used], len(files))
    films_s = tuple(photos[number].film_s for number in found.used)
    return pickle.dumps(Seen(found.seen, shown, films_s, at_rest=True, left_out=left_out))


def _shown(file_of: Sequence[int], files: int) -> tuple[int | None, ...]:
    """For each file the first of its frames that goes in; `file_of` says of which file each frame is."""
    return tuple(file_of.index(file) if file in file_of else None for file in range(files))


def solve_sight(sight: bytes, question: Question, moved: Moved | None = None, picture: bytes | None = None) -> Outcome:
    """Lengths from what was seen, with points that were moved: the quick half of measuring.

    Parameters
    ----------
    sight : bytes
        As `look_at_arm`, `gather_arms` or `look_at_instruments` made it.
    question : Question
        What is known.
    moved : Moved, optional
        Points that were moved.
    picture : bytes, optional
        The copy that is shown of the first file that went in, faces or surroundings blurred; then it is drawn on.

    Returns
    -------
    Outcome
        Of a photo by itself as measuring it would say; `Outcome.views` has what is drawn over each picture.
    """
    seen = pickle.loads(sight)  # made in a worker of this pool, and kept in memory only
    if seen.problems:
        return refused("", seen.problems, NO_VIEWS, ())
    placed = seen.placed(moved or {})
    if isinstance(question, ArmQuestion):
        return _solve_arms(seen, question, placed, picture)
    return _solve_instruments(seen, question, placed, picture)


def _solve_arms(
    seen: Seen[SeenArm], question: ArmQuestion, placed: Mapping[int, Corrections], picture: bytes | None
) -> Outcome:
    from vision.arm.measure import solve_arm
    from vision.arm.overlay import draw_arm
    from vision.arm.views import solve_views

    frames, known = seen.frames, known_of(question)
    alone: Sequence[ArmMeasurement] = [solve_arm(one, *known, placed.get(n)) for n, one in enumerate(frames)]
    outcomes = [Outcome(arm_json(one)) for one in alone]
    unusable = [each for each in outcomes if not each.result["usable"]]
    found = None
    if len(seen.shown) == 1 and not seen.film:
        joint = outcomes[0]
    elif unusable:  # the others are not measured without it
        joint = unusable[0]
    else:
        found = solve_views(frames, *known, placed) if len(frames) > 1 else None
        if found is not None and len(found.used) < len(frames):
            found = None
        if found is None and seen.at_rest and placed:  # without, it is what is said of the child that does not fit
            joint = refused("", (MOVED_APART,), {"side": None}, ())
        else:
            at_rest = None if found is None else Outcome(arm_views_json(found, range(len(frames))))
            joint = together(outcomes, at_rest)
            joint = of_clip(joint, ARM) if seen.film else _with_left_out(joint, seen.left_out, VIEW_LEFT_OUT)
    views = alone if found is None else found.views
    overlay = None
    if picture is not None:
        overlay = jpeg(draw_arm(picture_of(picture, ARM), views[0], captions=question.captions))
    shown = _of_files(seen, [shown_arm(one) for one in views])
    return Outcome(joint.result, overlay, views=shown)


def _solve_instruments(
    seen: Seen[DetectedInstrument],
    question: InstrumentQuestion,
    placed: Mapping[int, Corrections],
    picture: bytes | None,
) -> Outcome:
    from vision.instrument.measure import solve_instrument
    from vision.instrument.overlay import draw_instrument
    from vision.instrument.views import solve_together
    from vision.problems import INSTRUMENT_LEFT_OUT, PHOTOS_NOT_OF_ONE_INSTRUMENT

    frames = seen.frames
    try:
        if len(frames) == 1:
            found = solve_instrument(frames[0], placed.get(0))
        else:
            found = solve_together(frames, placed)
            if found.left_out:
                raise Refused(MOVED_APART)
    except Refused as refusal:
        contradict = PHOTOS_NOT_OF_ONE_INSTRUMENT in refusal.problems
        return refused("", (MOVED_APART,) if contradict else refusal.problems, NO_VIEWS, ())
    views: Sequence[InstrumentMeasurement] = found.views or (found,)
    joint = _with_left_out(
        Outcome(instrument_json(found) | instrument_views_json(found, ())), seen.left_out, INSTRUMENT_LEFT_OUT
    )
    overlay = None
    if picture is not None:
        overlay = jpeg(draw_instrument(picture_of(picture, ""), views[0], question.captions))
    return Outcome(joint.result, overlay, views=_of_files(seen, [shown_instrument(one) for one in views]))


def _with_left_out(joint: Outcome, left_out: Sequence[str], remark: Problem) -> Outcome:
    """The same, with what was said of photos that did not go in."""
    if not left_out or not joint.result["usable"]:
        return joint
    problems = problems_json([remark]) + joint.result["problems"]
    changed: dict[str, Any] = {"problems": problems, "left_out": list(left_out)}
    return replace(joint, result=joint.result | changed)


def _of_files(seen: Seen[Any], of_frames: Sequence[Outcome]) -> tuple[Outcome | None, ...]:
    """What is drawn over each file's picture."""
    return tuple(
        None if number is None else replace(of_frames[number], film_s=seen.films_s[number]) for number in seen.shown
    )
