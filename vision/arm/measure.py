"""The arm length from one photo.

`measure_arm` is the whole way from a photo to a length; `solve_arm` is its second half, from what was seen
(`vision.arm.seen`) to a length, for corrected points or a changed age.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calibration.arrays import Array
from calibration.blank import Blank
from calibration.camera import PosedCamera
from calibration.problems import BLANK_SHEET_UNLIKE, Problem, Refused
from calibration.quantity import Length
from calibration.sheet_in_photo import SheetInPhoto
from vision.arm import priors
from vision.arm.body import SeenBody, body_frame, sightings_of
from vision.arm.build import NOTHING_STATED, StatedBuild
from vision.arm.depth import ArmDepths, informed
from vision.arm.estimator import ArmProblem, Evidence, Sighting, Solution, most_probable
from vision.arm.judge import pose_of, pose_problems, turned_probability
from vision.arm.lengths import arm_lengths
from vision.arm.mixture import Mixture
from vision.arm.placed import contradict
from vision.arm.posture import posture_lengths
from vision.arm.seen import SeenArm, see_arm
from vision.person.hand import HandPoint
from vision.photo import Corrections, Photo
from vision.problems import HAND_OFF_WALL, NOT_AS_TOLD, POINTS_APART, STANDS_AWAY, STATED_BUILD

CORRECTION_DEVIATION = {"side_neck": 0.010, "mid_palm": 0.010, "shoulder": 0.03, "elbow": 0.02, "wrist": 0.015}
"""Standard deviation of a point placed by a person, over the straight arm: careful readers repeat a visible neck point
to 0.8 % and a palm to 1.3 % (medians of the distance of two readings, real photographs)."""
CORRECTED = {"side_neck": "neck", "mid_palm": "palm", "shoulder": "shoulder", "elbow": "elbow", "wrist": "wrist"}
"""Names of the points that a person may correct, and the joints they stand for."""
TOUCHES = 0.3
"""Probability that the hand touches the wall, up to which it is said that it does not: one of 214 views of our own
tracer in which it does is below, 172 of 188 are in which it does not, and all 114 of children away from the wall.  Set
with these in sight; at a half six would be told wrongly."""
UNLIKE = 0.1
"""Probability below which the photo contradicts what is told of the hand and the wall: one of 109 views of our own
tracer in which it touches is below, 131 of 171 in which it does not are; none of those is above one less this, 85 of
the others are.  Told wrongly, arms are 30 mm off, and one in four intervals holds."""


@dataclass(frozen=True)
class ArmMeasurement:
    """What one photo says about an arm.

    Attributes
    ----------
    photo : str
        The photo's name.
    usable : bool
        Whether there is an arm length.
    problems : tuple of Problem
        What is wrong; may hold remarks although the photo is usable.
    side : str or None
        ``"left"`` or ``"right"``, the child's own.
    arm_length, neck_to_wrist, neck_to_fingertip, shoulder_to_palm, spine_to_palm, hand_length, hand_breadth : Length
        None where not measured.
    neck_length, shoulder_fall, shoulder_run : Length
        Chin to the height of the shoulder's tip; side of the neck to that tip, down and across; None where hidden.
    points_px : dict of str to (float, float)
        The points used, px: ``side_neck``, ``shoulder``, ``elbow``, ``wrist``, ``mid_palm``, ``middle_fingertip``.
    wall_probability : float or None
        Probability that the hand lies against the wall.
    faces_px : tuple of (x, y, radius) or None
        A disc over each head in the photo, px; None where nobody looked for them.
    body_px : (33, 2) ndarray or None
        The body model's points of the child, px; None where there is no child.
    sheets : tuple of SheetInPhoto
        The sheets found.
    camera : PosedCamera or None
        The camera.
    """

    photo: str
    usable: bool
    problems: tuple[Problem, ...] = ()
    side: str | None = None
    arm_length: Length | None = None
    neck_to_wrist: Length | None = None
    neck_to_fingertip: Length | None = None
    shoulder_to_palm: Length | None = None
    spine_to_palm: Length | None = None
    hand_length: Length | None = None
    hand_breadth: Length | None = None
    neck_length: Length | None = None
    shoulder_fall: Length | None = None
    shoulder_run: Length | None = None
    points_px: dict[str, tuple[float, float]] = field(default_factory=dict)
    wall_probability: float | None = None
    faces_px: tuple[tuple[float, float, float], ...] | None = None
    body_px: Array | None = None
    sheets: tuple[SheetInPhoto, ...] = ()
    camera: PosedCamera | None = None

    def refused(self, fault: Problem) -> ArmMeasurement:
        """The same without any length, for a fault."""
        nothing: dict[str, Any] = {name: None for name, value in vars(self).items() if isinstance(value, Length)}
        return replace(self, usable=False, problems=(fault, *self.problems), **nothing)


def measure_arm(
    photo: Photo,
    side: str = "auto",
    age_years: float | None = None,
    stature_mm: float | None = None,
    against_wall: bool | None = None,
    corrections: Corrections | None = None,
    bar_mm: float | None = None,
    reference: Blank | None = None,
) -> ArmMeasurement:
    """Measure the arm in one photo.

    Parameters
    ----------
    photo : Photo
        The photo.
    side : str
        ``"left"``, ``"right"`` (the child's own) or ``"auto"``: the arm that is stretched out.
    age_years, stature_mm : float, optional
        What the family says of the child; sharpens the length a little, and is not used where the photo contradicts it.
    against_wall : bool, optional
        Whether the back of the hand lay against the wall; None lets the photo tell.
    corrections : mapping of str to (x, y), optional
        Points placed by a person, px: any of ``side_neck``, ``mid_palm``, ``shoulder``, ``elbow``, ``wrist``.
    bar_mm : float, optional
        Length of the sheet's check bar, or of its whole print, as the family measured it, mm.
    reference : Blank, optional
        Blank paper or a card instead of the printed sheet.

    Returns
    -------
    ArmMeasurement
        Never raises for a bad photo: `usable` is then False, and `problems` says why.
    """
    try:
        seen = see_arm(photo, side, bar_mm, reference)
    except Refused as refused:
        return ArmMeasurement(photo=photo.name, usable=False, problems=refused.problems)
    return solve_arm(seen, age_years, stature_mm, against_wall, corrections)


def solve_arm(
    seen: SeenArm,
    age_years: float | None = None,
    stature_mm: float | None = None,
    against_wall: bool | None = None,
    corrections: Corrections | None = None,
) -> ArmMeasurement:
    """From what was seen to the lengths; parameters as of `measure_arm`.

    A stated age or stature that contradicts the photo is most likely a slip of the pen: the photo is then solved
    without it, and a remark says so.  But an arm too long for them whose hand does not touch the wall more likely
    belongs to a child that stands away from it, and is refused.
    """
    build = StatedBuild(age_years, stature_mm)
    evidence = evidence_of(seen.body, corrections)
    apart = _placed_apart(seen, evidence, against_wall) if corrections else ()
    unstated, solved_at = _solved(seen, evidence, against_wall, apart)
    if unstated.arm_length is None or build == NOTHING_STATED:
        return unstated
    if build.contradicts(unstated.arm_length):
        if HAND_OFF_WALL in unstated.problems and build.deviation(unstated.arm_length) > 0:
            return _solved(seen, evidence, against_wall, (STANDS_AWAY,), solved_at)[0]
        return replace(unstated, problems=(*unstated.problems, STATED_BUILD))
    # what is stated moves the arm little: it is sought from where it was found without
    return _solved(seen, replace(evidence, build=build), against_wall, (), solved_at)[0]


def _placed_apart(seen: SeenArm, placed: Evidence, against_wall: bool | None) -> tuple[Problem, ...]:
    """What is wrong with points that a person placed, if anything."""
    stances = stances_of(against_wall, seen.depths)
    return (POINTS_APART,) if contradict(evidence_of(seen.body), placed, stances, seen.depths) else ()


def _solved(
    seen: SeenArm,
    evidence: Evidence,
    against_wall: bool | None,
    apart: tuple[Problem, ...],
    starts: Sequence[Array | None] = (),
) -> tuple[ArmMeasurement, list[Array]]:
    """The measurement, and the unknowns of each stance's solution; `starts` are those of a like one.

    `apart` is what else is wrong: with points that a person placed, or with where the child stands.
    """
    body = seen.body
    stances = stances_of(None, seen.depths)
    solved = [
        most_probable(ArmProblem(evidence, stance), start)
        for stance, start in zip(stances, starts or [None] * len(stances), strict=True)
    ]
    as_seen = mixture = Mixture.of([solution for solution, _ in solved], seen.depths)
    if against_wall is not None:
        told = [stance.name for stance in stances_of(against_wall, seen.depths)]
        mixture = Mixture.of([each for each in as_seen.solutions if each.stance.name in told], seen.depths)
    held = pose_of(body, evidence, mixture.best)
    turned = np.array([turned_probability(held.turn, held.trunk, each.stance.name) for each in mixture.solutions])
    pose = pose_problems(body, seen.depths, evidence, mixture.best, mixture.share(priors.REACHING))
    faults = tuple(dict.fromkeys((*apart, *seen.problems, *pose)))  # picture and pose may find the same
    remarks = seen.remarks if faults else (*seen.remarks, *_of_the_wall(against_wall, as_seen, mixture))
    scale_first = BLANK_SHEET_UNLIKE in seen.remarks  # then everything else was judged by a wrong scale
    lengths = {} if faults else arm_lengths(mixture, body.hand, body.camera, seen.prints, turned)
    lengths |= {} if faults else posture_lengths(body, evidence.body_to_sheet, mixture, seen.prints)
    measured = ArmMeasurement(
        photo=seen.photo,
        usable=not faults,
        problems=(*remarks, *faults) if scale_first else (*faults, *remarks),
        side=body.side,
        points_px=points_of(body, evidence, mixture.best),
        wall_probability=mixture.share(priors.WALL),
        faces_px=seen.faces_px,
        body_px=body.landmarks_px,
        sheets=seen.sheets,
        camera=body.camera,
        **lengths,
    )
    return measured, [at for _, at in solved]


def _of_the_wall(told: bool | None, as_seen: Mixture, believed: Mixture) -> list[Problem]:
    """What is to be said of hand and wall: the photo's own word on it, and what was made of that by what was told."""
    off = believed.share(priors.WALL) <= TOUCHES
    return [*([NOT_AS_TOLD] if unlike(told, as_seen) else []), *([HAND_OFF_WALL] if off else [])]


def unlike(told: bool | None, as_seen: Mixture) -> bool:
    """Whether what is told of the hand and the wall is contradicted by what is seen, `as_seen` without it."""
    share = as_seen.share(priors.WALL)
    return {None: False, True: share < UNLIKE, False: share > 1 - UNLIKE}[told]


def stances_of(against_wall: bool | None, depths: ArmDepths) -> list[priors.Stance]:
    """The stances that agree with what the family says, as the networks see them.

    A hand off the wall may float or be held far forward, or the child stands away from the wall, or bends the elbow.
    """
    told = {None: priors.STANCES, True: (priors.WALL,), False: (priors.FLOATING, priors.REACHING)}
    seen = [informed(stance, depths) for stance in told[against_wall]]
    floating = informed(priors.FLOATING, depths)
    return seen if against_wall else [*seen, priors.away_from_wall(floating), priors.bent_forward(floating)]


def evidence_of(
    body: SeenBody, corrections: Corrections | None = None, build: StatedBuild = NOTHING_STATED
) -> Evidence:
    """What the solver is given: what was seen, with points placed by a person, and what the family says.

    Parameters
    ----------
    body : SeenBody
        What was seen.
    corrections : mapping of str to (x, y), optional
        Points placed by a person, px, by the names in `CORRECTED`.
    build : StatedBuild
        As stated.
    """
    body_to_sheet, outward, lean_deg = body_frame(body)
    sightings, arm_px = sightings_of(body)
    for name, place in (corrections or {}).items():
        joint = CORRECTED[name]
        deviation = CORRECTION_DEVIATION[name] * arm_px
        cause = f"{joint} point placed by hand"
        sightings[joint] = Sighting.isotropic(np.array(place, float), deviation, cause, by_hand=True)
    hand_px = None
    if body.hand is not None:
        hand_px = float(np.linalg.norm(body.hand.point(HandPoint.WRIST) - body.hand.point(HandPoint.MIDDLE_KNUCKLE)))
    return Evidence(
        camera=body.camera,
        body_to_sheet=body_to_sheet,
        outward=outward,
        sightings=sightings,
        trunk_lean_deg=lean_deg + priors.TRUNK_AXIS[0],
        hand_px=hand_px,
        build=build,
    )


def points_of(body: SeenBody, evidence: Evidence, best: Solution) -> dict[str, tuple[float, float]]:
    """The points used, px, by the names of `ArmMeasurement.points_px`."""
    return named_points(body, body.camera.project(best.points_mm @ evidence.body_to_sheet.T))


def named_points(body: SeenBody, px: Array) -> dict[str, tuple[float, float]]:
    """Joints (5, 2) and the fingertip, px, by the names of `ArmMeasurement.points_px`."""
    named = dict(zip(("side_neck", "shoulder", "elbow", "wrist", "mid_palm"), px, strict=True))
    if body.hand is not None:
        named["middle_fingertip"] = body.hand.point(HandPoint.MIDDLE_TIP)
    return {name: (float(at[0]), float(at[1])) for name, at in named.items()}
