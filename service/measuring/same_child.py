"""One arm from several photos of one child.

Where the child stood still before the sheet, the photos are measured together (`vision.arm.views`): that is one result,
and a photo that does not go with the others is left out and named.  Where they were taken at different times, each
gives a length of its own; these are joined by weights that follow from their covariance, so that what all photos share
(the printed sheet, the child's build, the definition) is not averaged away.  Before that they are compared
(`calibration.agreement`): photos that differ by more than their uncertainties allow give no length, for one of them
shows another child, a bent arm or another sheet, and the mean would hide it.  Left and right arm are taken to be
equally long.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from calibration.problems import Problem
from calibration.quantity import Length, combine, length_from_json, length_json
from service.fit.errors import FitError
from service.fit.lengths import widened
from service.fit.sentences import say
from service.measuring.outcome import Outcome
from service.measuring.results import ARM_LENGTHS, problems_json
from vision.problems import NOT_AS_TOLD

if TYPE_CHECKING:
    from calibration.agreement import Agreement

PHOTOS_DISAGREE = Problem(
    "photos_disagree",
    "The arm lengths from these photos differ by more than photos of one child should.",
    "Look whether all show the same child with the arm straight and the same sheet, and take the odd one again.",
)

VIEW_LEFT_OUT = Problem(
    "view_left_out",
    "Not all photos go with one another, and what does not was left out: the child had moved, or it is another child.",
    "If all photos show the same child, take them again one after the other while the child stands still.",
)

NO_PHOTO_USABLE = Problem(
    "no_photo_usable",
    "None of the photos of the child could be measured.",
    "Take a new photo as the notes beside each photo say.",
)


def check_distinct(files: Sequence[tuple[bytes, str]]) -> None:
    """Refuse the same photo given twice: its errors would be taken for independent ones.

    Raises
    ------
    FitError
        If two of the files, given as (bytes, name), are the same.
    """
    seen: dict[bytes, str] = {}
    for data, name in files:
        if data in seen:
            raise FitError(
                say("{one} and {other} are the same photo. Give each photo once.", one=seen[data], other=name)
            )
        seen[data] = name


def together(
    outcomes: Sequence[Outcome], views: Outcome | None = None, file_of: Sequence[int] | None = None
) -> Outcome:
    """Join what several photos of one child gave.

    Parameters
    ----------
    outcomes : sequence of Outcome
        One a photo, as `MeasuringPool.arm` gives them.
    views : Outcome, optional
        What `service.measuring.work.solve_arm_views` made of them, where the child stood still.
    file_of : sequence of int, optional
        Of which file each is, where films are among them; without it each is a file of its own.

    Returns
    -------
    Outcome
        Its result has the form of one photo's, with the joint lengths and without points; ``photos`` counts those that
        went in and ``agreement`` says how they scatter (null for fewer than two, and where they were measured
        together); ``left_out`` names usable photos that do not go with the others, ``viewpoints_deg`` is the angle
        between the places that photos measured together were taken from, else null.  Pictures are those of the first
        photo that was usable; `Outcome.photos` holds what each gave, `Outcome.views` what is shown of each file.
    """
    files = range(len(outcomes)) if file_of is None else file_of
    if views is not None:
        return _measured_together(outcomes, views, files)
    from calibration.agreement import agreement  # statistics take long to load, and most questions need none

    usable = [each for each in outcomes if each.result["usable"]]
    sides = {each.result["side"] for each in usable}
    arms = [_length(each, "arm_length") for each in usable]
    found = agreement(arms) if len(arms) > 1 else None
    problem = NO_PHOTO_USABLE if not usable else PHOTOS_DISAGREE if found is not None and not found.holds else None
    lengths = {name: None if problem else _joint(usable, name) for name in ARM_LENGTHS}
    result: dict[str, Any] = {
        "photo": " + ".join(each.result["photo"] for each in usable or outcomes),
        "usable": problem is None,
        "problems": _said_of_child(usable) if problem is None else problems_json([problem]),
        **lengths,
        "points_px": {},
        "side": sides.pop() if len(sides) == 1 else None,
        "photos": len(usable),
        "agreement": None if found is None else _agreement_json(found),
        "left_out": [],
        "viewpoints_deg": None,
    }
    shown = usable[0] if usable else Outcome({})
    return Outcome(
        result,
        shown.overlay_jpeg,
        shown.photo_jpeg,
        shown.size_px,
        failed=not usable and any(each.failed for each in outcomes),
        photos=tuple(outcomes),
        views=_views({number: each for number, each in enumerate(outcomes) if each.result["usable"]}, files),
        film_s=shown.film_s,
    )


def _said_of_child(usable: Sequence[Outcome]) -> list[dict[str, Any]]:
    """Remarks of every photo: what one of them shows better the joint length does not suffer from.

    Except that a photo looks otherwise than what is said of all of them: others that tell less take nothing from that.
    """
    every = [each.result["problems"] for each in usable]
    said = {remark["code"]: remark for remarks in every for remark in remarks}
    return [
        remark
        for code, remark in said.items()
        if code == NOT_AS_TOLD.code or all(remark in remarks for remarks in every)
    ]


def unused(photos: Sequence[Outcome]) -> list[dict[str, Any]]:
    """Photos that could not be measured beside others that were: each one's number, from 1, and why; not with films.

    A film gives several pictures, so that with one among them a picture's number is not a photo's.
    """
    if any(each.film_s is not None for each in photos) or not any(each.result["usable"] for each in photos):
        return []
    numbered = enumerate((each.result for each in photos), start=1)
    return [{"number": n} | each["problems"][0] for n, each in numbered if not each["usable"] and each["problems"]]


def without_lost_frames(looked: Sequence[Outcome]) -> list[Outcome]:
    """What photos and films gave, without the refused frames of films of which others were measured.

    A frame is chosen by this program, and is no photo that was refused.
    """

    def film(frame: Outcome) -> str:
        return str(frame.result["photo"]).rsplit(" ", 2)[0]  # named after its film and the second, `vision.clip`

    measured = {film(each) for each in looked if each.film_s is not None and each.result["usable"]}
    return [each for each in looked if each.result["usable"] or each.film_s is None or film(each) not in measured]


def _views(used: Mapping[int, Outcome], file_of: Sequence[int]) -> tuple[Outcome | None, ...]:
    """What is shown of each file: the first of its pictures that went in, by their numbers in `used`."""
    found: list[Outcome | None] = [None] * (max(file_of, default=-1) + 1)
    for number, shown in used.items():
        file = file_of[number]
        found[file] = shown if found[file] is None else found[file]
    return tuple(found)


def of_clip(joint: Outcome, name: str) -> Outcome:
    """What a film gave, under its own name; where nothing could be measured, what is wrong with most of its frames."""
    result = joint.result | {"photo": name}
    refusal = None
    if not any(each.result["usable"] for each in joint.photos):
        faults = [each.result["problems"] for each in joint.photos]
        result["problems"] = max(faults, key=faults.count)
        refusal = joint.photos[faults.index(result["problems"])].refusal_jpeg
    elif len(joint.photos) > 1 and joint.result["left_out"]:
        result["left_out"] = []
        result["problems"] = [each for each in result["problems"] if each["code"] != VIEW_LEFT_OUT.code]
    return replace(joint, result=result, photos=(), refusal_jpeg=refusal)


def _measured_together(outcomes: Sequence[Outcome], views: Outcome, file_of: Sequence[int]) -> Outcome:
    names = [each.result["photo"] for each in outcomes]
    left_out = [names[number] for number in views.result["left_out"]]
    used = [names[number] for number in views.result["used"]]
    problems = problems_json([VIEW_LEFT_OUT] if left_out else []) + views.result["problems"]
    result = {name: value for name, value in views.result.items() if name != "used"} | {
        "photo": " + ".join(used),
        "problems": problems,
        "photos": len(used),
        "agreement": None,
        "left_out": left_out,
    }
    mine = [outcomes[number] for number in views.result["used"]]
    for name in ARM_LENGTHS if result["usable"] else ():  # what is measured photo by photo only
        if result.get(name) is None:
            result[name] = _joint([each for each in mine if each.result.get(name) is not None], name)
    shown = {
        number: replace(outcomes[number], result=view.result, drawn_px=view.drawn_px)
        for number, view in zip(views.result["used"], views.views, strict=False)
        if view is not None
    }
    return replace(views, result=result, photos=tuple(outcomes), views=_views(shown, file_of))


def _joint(usable: Sequence[Outcome], name: str) -> dict[str, Any] | None:
    known = [each for each in usable if each.result[name] is not None]
    if len(known) == 1:
        return dict(known[0].result[name])
    return length_json(combine([_length(each, name) for each in known])) if known else None


def _length(outcome: Outcome, name: str) -> Length:
    return widened(length_from_json(outcome.result[name]))


def _agreement_json(found: Agreement) -> dict[str, Any]:
    numbers = asdict(found) | {"birge_ratio": found.birge_ratio}
    return {name: round(value, 4) for name, value in numbers.items()} | {"agree": found.holds}
