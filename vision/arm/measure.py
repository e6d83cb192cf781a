"""The arm length from one photo.

`measure_arm` is the whole way from a photo to a length; `solve_arm` is its second half, from what was seen
(`vision.arm.seen`) to a length, for corrected points or a changed age.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from calibration.camera import PosedCamera
from calibration.print_scale import UNCHECKED
from calibration.problems import Problem, Refused
from calibration.quantity import COVERAGE, Contribution, Length
from calibration.sheet_in_photo import SheetInPhoto
from vision.arm import priors as priors
from vision.arm.depth import informed, stance_log_likelihood
from vision.arm.estimator import Evidence, Sighting, Solution, solve
from vision.arm.judge import picture_problems, pose_of, pose_problems, turned_probability
from vision.arm.seen import SeenArm, body_frame, see_arm, sightings_of
from vision.person.hand import HandPoint
from vision.photo import Photo

Vector = NDArray[np.float64]

CORRECTION_DEVIATION = {"side_neck": 0.010, "mid_palm": 0.010, "shoulder": 0.03, "elbow": 0.02, "wrist": 0.015}
"""Standard deviation of a point placed by a person, over the straight arm: careful readers repeat a visible neck point
to 0.8 % and a palm to 1.3 % (medians of the distance, real photographs; DEVELOPERS.md)."""
CORRECTED = {"side_neck": "neck", "mid_palm": "palm", "shoulder": "shoulder", "elbow": "elbow", "wrist": "wrist"}
"""Names of the points that a person may correct, and the joints they stand for."""

TURNED_EFFECT = 0.015
"""By how much a trunk turned by some 15 degrees makes the arm length look too short, and as much again of doubt: the
neck's distance from the shoulder is seen foreshortened, and the arm with it (two development scenes: 0.8 and 2.4 %)."""

WRIST_CREASE_SHARE = (0.330, 0.01)
"""Wrist crease to mid palm over the hand's length, and its deviation (figures 0.330, 0.0012; widened by judgement)."""
FINGERTIP_SHARE = (0.659, 0.012)
"""Mid palm to middle fingertip over the hand's length (figures 0.659, 0.0012)."""
ACROMION_SHARE = (1.043, 0.025)
"""Shoulder's bony tip to mid palm over the straight arm (figures 1.043, 0.023)."""
SPINE_SHARE = (0.097, 0.010)
"""Spine (seventh neck vertebra) to mid palm, less the arm length, over the arm length (figures 0.097, 0.006)."""
HAND_LENGTH_SEEN = (0.847, 0.055)
"""Hand model's wrist to middle fingertip over the hand's true length, rendered hands: the model's fingers end early."""
HAND_BREADTH_SEEN = (0.673, 0.035)
"""Hand model's outer knuckles over the hand's true breadth, rendered hands."""
HAND_OVER_ARM = (0.30, 0.035)
"""Hand length over arm length where no hand was found."""


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
    points_px : dict of str to (float, float)
        The points used, px: ``side_neck``, ``shoulder``, ``elbow``, ``wrist``, ``mid_palm``, ``middle_fingertip``.
    wall_probability : float or None
        Probability that the hand lies against the wall.
    faces_px : tuple of (x, y, radius) or None
        A disc over each head in the photo, px; None where nobody looked for them.
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
    points_px: dict[str, tuple[float, float]] = field(default_factory=dict)
    wall_probability: float | None = None
    faces_px: tuple[tuple[float, float, float], ...] | None = None
    sheets: tuple[SheetInPhoto, ...] = ()
    camera: PosedCamera | None = None


def measure_arm(
    photo: Photo,
    side: str = "auto",
    age_years: float | None = None,
    stature_mm: float | None = None,
    against_wall: bool | None = None,
    corrections: Mapping[str, tuple[float, float]] | None = None,
    bar_mm: float | None = None,
) -> ArmMeasurement:
    """Measure the arm in one photo.

    Parameters
    ----------
    photo : Photo
        The photo.
    side : str
        ``"left"``, ``"right"`` (the child's own) or ``"auto"``: the arm that is stretched out.
    age_years, stature_mm : float, optional
        What the family says of the child; sharpens the length a little.
    against_wall : bool, optional
        Whether the back of the hand lay against the wall; None lets the photo tell.
    corrections : mapping of str to (x, y), optional
        Points placed by a person, px: any of ``side_neck``, ``mid_palm``, ``shoulder``, ``elbow``, ``wrist``.
    bar_mm : float, optional
        Length of the sheet's check bar as the family measured it, mm.

    Returns
    -------
    ArmMeasurement
        Never raises for a bad photo: `usable` is then False, and `problems` says why.
    """
    try:
        seen = look(photo, side, bar_mm)
    except Refused as refused:
        return ArmMeasurement(photo.name, False, refused.problems)
    return solve_arm(seen, age_years, stature_mm, against_wall, corrections)


def look(photo: Photo, side: str = "auto", bar_mm: float | None = None) -> SeenArm:
    """What is seen of the arm, and what is wrong with the picture; parameters as of `measure_arm`.

    Raises
    ------
    Refused
        If there is nothing to solve.
    """
    seen = see_arm(photo, side, bar_mm)
    return replace(seen, problems=picture_problems(photo, seen))


def solve_arm(
    seen: SeenArm,
    age_years: float | None = None,
    stature_mm: float | None = None,
    against_wall: bool | None = None,
    corrections: Mapping[str, tuple[float, float]] | None = None,
) -> ArmMeasurement:
    """From what was seen to the lengths; parameters as of `measure_arm`."""
    evidence = _evidence(seen, age_years, stature_mm, corrections or {})
    stances: tuple[priors.Stance, ...] = priors.STANCES
    if against_wall is not None:
        stances = (priors.WALL,) if against_wall else (priors.FLOATING, priors.REACHING)
    told = [informed(stance, seen.depths) for stance in stances]
    solutions = [solve(evidence, stance) for stance in told]
    weights = _weights(seen, stances, solutions)
    best = solutions[int(np.argmax(weights))]
    turn = pose_of(seen, evidence, best).turn
    turned = np.array([turned_probability(turn, stance.name) for stance in stances])
    lengths = _lengths(seen, evidence, solutions, weights, turned)
    share = {found.stance.name: float(weight) for found, weight in zip(solutions, weights, strict=True)}
    faults = (*seen.problems, *pose_problems(seen, evidence, best, share.get(priors.REACHING.name, 0.0)))
    return ArmMeasurement(
        photo=seen.photo,
        usable=not faults,
        problems=(*faults, *seen.remarks),
        side=seen.side,
        points_px=_points(seen, evidence, best),
        wall_probability=share.get(priors.WALL.name, 0.0),
        faces_px=seen.faces_px,
        sheets=seen.sheets,
        camera=seen.camera,
        **({} if faults else lengths),
    )


def _evidence(
    seen: SeenArm, age_years: float | None, stature_mm: float | None, corrections: Mapping[str, tuple[float, float]]
) -> Evidence:
    body_to_sheet, outward, lean_deg = body_frame(seen)
    sightings, arm_px = sightings_of(seen)
    for name, place in corrections.items():
        joint = CORRECTED[name]
        deviation = CORRECTION_DEVIATION[name] * arm_px
        sightings[joint] = Sighting.isotropic(np.array(place, float), deviation, f"{joint} point placed by hand")
    hand_px = None
    if seen.hand is not None:
        hand_px = float(np.linalg.norm(seen.hand.point(HandPoint.WRIST) - seen.hand.point(HandPoint.MIDDLE_KNUCKLE)))
    return Evidence(
        camera=seen.camera,
        body_to_sheet=body_to_sheet,
        outward=outward,
        sightings=sightings,
        trunk_lean_deg=lean_deg + priors.TRUNK_AXIS[0],
        hand_px=hand_px,
        age_years=age_years,
        stature_mm=stature_mm,
    )


def _weights(seen: SeenArm, stances: Sequence[priors.Stance], solutions: Sequence[Solution]) -> Vector:
    """Posterior probabilities of the stances: how well each explains landmarks and shadow, and how common it is."""
    log = np.array([found.log_evidence + np.log(priors.STANCE_PRIOR[found.stance.name]) for found in solutions])
    log += [stance_log_likelihood(stance, seen.depths) for stance in stances]
    weights = np.exp(log - log.max())
    return np.asarray(weights / weights.sum())


def _mixed(
    solutions: Sequence[Solution], weights: Vector, name: str, extra: Sequence[Contribution], turned: Vector
) -> Length:
    """One length from the stances' solutions: the mixture's median, causes and 95 % interval.

    `turned` is for each stance the probability that the trunk is turned, and the length with it longer than it looks.
    """
    values = np.array([found.lengths[name][0] for found in solutions])
    budgets = [found.lengths[name][1] for found in solutions]
    added = sum(part.contribution_mm**2 for part in extra)
    variances = np.array([sum(v**2 for v in budget.values()) + added for budget in budgets])
    longer = TURNED_EFFECT * values
    mixture = (
        np.concatenate([values, values + longer]),
        np.sqrt(np.concatenate([variances, variances + longer**2])),
        np.concatenate([(1 - turned) * weights, turned * weights]),
    )
    # an unlikely stance that is far off would draw the mean to it; the median stays
    low, middle, high = _quantiles(*mixture, (0.5 - COVERAGE / 2, 0.5, 0.5 + COVERAGE / 2))
    causes = {
        cause: np.sqrt(sum(w * b[cause] ** 2 for w, b in zip(weights, budgets, strict=True))) for cause in budgets[0]
    }
    parts = [Contribution(cause, float(value), _KEYS.get(cause)) for cause, value in causes.items()]
    between = float(np.sqrt(weights @ (values - middle) ** 2))
    if between > 0:
        parts.append(Contribution("hand against the wall or not", between))
    if turned.any():
        parts.append(Contribution("trunk turned or not", float(np.sqrt((turned * weights) @ (2 * longer**2)))))
    parts.extend(extra)
    return Length(middle, tuple(parts), (low, high))


_KEYS = {"depth of the neck": "arm:body-depth"}
"""Causes that two photos of one child share."""


def _quantiles(
    values: Vector, deviations: Vector, weights: Vector, shares: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Quantiles of a mixture of normal distributions."""
    normal = NormalDist()

    def below(at: float) -> float:
        return float(sum(w * normal.cdf((at - v) / s) for w, v, s in zip(weights, values, deviations, strict=True)))

    ends = float((values - 9 * deviations).min()), float((values + 9 * deviations).max())
    low, middle, high = (float(brentq(lambda at, share=share: below(at) - share, *ends)) for share in shares)
    return low, middle, high


def _lengths(
    seen: SeenArm, evidence: Evidence, solutions: Sequence[Solution], weights: Vector, turned: Vector
) -> dict[str, Length | None]:
    straight = float(weights @ np.array([found.lengths["shoulder_to_palm"][0] for found in solutions]))
    name = seen.sheets[0].layout.name
    printed = seen.prints.get(name, UNCHECKED)

    def shared(length_mm: float) -> list[Contribution]:
        return [
            printed.contribution(length_mm, name),
            Contribution("where a hand's middle lies", priors.PALM_SYSTEMATIC * straight, "arm:palm-model"),
            Contribution("definition of the arm length", priors.DEFINITION_DEVIATION * straight, "arm:definition"),
        ]

    arm = _mixed(solutions, weights, "arm_length", shared(straight * 1.2), turned)
    hand = _hand_lengths(seen, evidence, solutions, weights, arm)
    hand_length = hand["hand_length"]
    assert hand_length is not None
    length = hand_length.value_mm
    crease, tip = WRIST_CREASE_SHARE, FINGERTIP_SHARE
    return {
        "arm_length": arm,
        "neck_to_wrist": _shifted(arm, -crease[0] * length, hand_length, -crease[0], crease[1] * length),
        "neck_to_fingertip": _shifted(arm, tip[0] * length, hand_length, tip[0], tip[1] * length),
        "shoulder_to_palm": _scaled(
            _mixed(solutions, weights, "shoulder_to_palm", shared(straight), np.zeros(len(weights))),
            *ACROMION_SHARE,
            "the shoulder's bony tip",
        ),
        "spine_to_palm": _scaled(arm, 1 + SPINE_SHARE[0], SPINE_SHARE[1], "the spine behind the neck"),
        **hand,
    }


def _hand_lengths(
    seen: SeenArm, evidence: Evidence, solutions: Sequence[Solution], weights: Vector, arm: Length
) -> dict[str, Length | None]:
    """Length and breadth of the hand, in the plane through the palm."""
    if seen.hand is None:
        mean, deviation = HAND_OVER_ARM
        guess = Length(
            mean * arm.value_mm, (Contribution("hand not seen, usual share of the arm", deviation * arm.value_mm),)
        )
        return {"hand_length": guess, "hand_breadth": None}
    depth = float(weights @ np.array([found.points_mm[4, 2] for found in solutions]))
    names = [HandPoint.WRIST, HandPoint.MIDDLE_KNUCKLE, HandPoint.MIDDLE_TIP, HandPoint.INDEX_KNUCKLE]
    wrist, knuckle, tip, index = seen.camera.to_plane(seen.hand.points_px[names], depth)
    little = seen.camera.to_plane(seen.hand.points_px[[HandPoint.LITTLE_KNUCKLE]], depth)[0]
    long = float(np.linalg.norm(knuckle - wrist) + np.linalg.norm(tip - knuckle))
    broad = float(np.linalg.norm(index - little))

    def length(seen_mm: float, share: tuple[float, float]) -> Length:
        value = seen_mm / share[0]
        return Length(
            value,
            (
                Contribution("landmarks of the hand", value * share[1] / share[0]),
                Contribution("distance of the hand", value * 0.02),
            ),
        )

    return {"hand_length": length(long, HAND_LENGTH_SEEN), "hand_breadth": length(broad, HAND_BREADTH_SEEN)}


def _shifted(arm: Length, by_mm: float, hand: Length, share: float, own_mm: float) -> Length:
    """The arm length moved along the hand by a share of its length."""
    parts = (
        Contribution("length of the hand", share * hand.standard_uncertainty_mm),
        Contribution("place on the hand", own_mm),
    )
    interval = None if arm.interval_mm is None else _moved(arm, by_mm, parts)
    return Length(arm.value_mm + by_mm, (*arm.budget, *parts), interval)


def _scaled(length: Length, factor: float, deviation: float, source: str) -> Length:
    own = Contribution(source, deviation * length.value_mm)
    parts = tuple(Contribution(p.source, factor * p.contribution_mm, p.key) for p in length.budget)
    value = factor * length.value_mm
    interval = None if length.interval_mm is None else _moved(length, value - length.value_mm, (own,))
    return Length(value, (*parts, own), interval)


def _moved(length: Length, by_mm: float, added: Sequence[Contribution]) -> tuple[float, float]:
    """A skew interval moved, and widened by further independent causes."""
    low, high = length.value_mm - length.low_mm, length.high_mm - length.value_mm
    extra = 1.96 * float(np.sqrt(sum(part.contribution_mm**2 for part in added)))
    middle = length.value_mm + by_mm
    return middle - float(np.hypot(low, extra)), middle + float(np.hypot(high, extra))


def _points(seen: SeenArm, evidence: Evidence, best: Solution) -> dict[str, tuple[float, float]]:
    px = seen.camera.project(best.points_mm @ evidence.body_to_sheet.T)
    named = dict(zip(("side_neck", "shoulder", "elbow", "wrist", "mid_palm"), px, strict=True))
    if seen.hand is not None:
        named["middle_fingertip"] = seen.hand.point(HandPoint.MIDDLE_TIP)
    return {name: (float(at[0]), float(at[1])) for name, at in named.items()}
