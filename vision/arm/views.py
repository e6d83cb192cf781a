"""One arm from several photos of a child that stands still: depth by parallax, and errors averaged as far as they go.

The idea.  Five points in space, one arm with segments that do not change, are seen by several cameras whose places the
sheets tell.  All that `vision.arm.estimator` knows of one photo is a row for each of them (`vision.arm.views_problem`),
with five differences.

* The cameras share a lens (`calibration.common_lens`).
* A child is no statue: from view to view the trunk moves as a whole, the neck a little on it, the arm turns about the
  shoulder and the forearm about the elbow.  How far is a normal distribution each (`vision.arm.sway`), by the stance: a
  hand on the wall hardly moves to or from it.
* A landmark is wrong in two ways: by a part that is the same in all views, because the same sleeve, build and light
  lead the same network to the same wrong place on the body, and by a part of its own.  Only the second averages away.
  The common one is a place on the body, so it may also lie nearer to the camera than the joint, and parallax then finds
  that place and not the joint.
* A person who places a point in one view errs in the same two ways, but not as the network does: what is common to the
  points of either is apart.  Where the network errs in one view it errs in all, and more than it says: the further from
  where it was seen a person places a point, the less is the network believed about that point in the other views, more
  steeply than one photo's landmarks are that lie far off (`less_believed`).
* What a network says of depth (`vision.arm.depth`) is wrong in all views alike: several count as one.
* A child may have moved more than that, or the sheet may have been hung elsewhere.  With two photos that looks like a
  child far from the wall, or behind it, so the usual stances are solved with a wide sway too.
* An elbow bent towards the camera looks straight in each photo.  Where parallax or shadows tell it, there is no length.

How much the photos tell is seen in the interval, and in the angle between the lines of sight: where that is small,
several photos are one photo several times, and a step to the side is asked for.  A view that does not go with the
others, because the child has moved or is another, is left out and named; it is never averaged in.

A place metres before the sheet or behind it explains nearly any two children as one, with an arm of its own.  So the
arms that the photos say alone have to agree: those of children who stood still, near the wall or 200 mm off it, did in
all of 56 sequences of three views, with probabilities of 0.48 and more; of 392 pairs of two children 14 were explained
as one, 11 by an arm that is not both's, and those agreed with 0.011 at most.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from calibration.agreement import agreement
from calibration.arrays import Array
from calibration.camera import PosedCamera, Surface
from calibration.common_lens import CommonLens, View, reference_first, solve_common_lens, spread_deg
from calibration.print_scale import agreed_prints
from calibration.quantity import Length
from vision.arm import priors
from vision.arm.body import SeenBody
from vision.arm.build import NOTHING_STATED, StatedBuild
from vision.arm.depth import ArmDepths
from vision.arm.estimator import CORE, TAIL, Evidence, most_probable
from vision.arm.joints import PALM
from vision.arm.judge import looks_forward, pose_of, turned_probability
from vision.arm.lengths import arm_lengths
from vision.arm.measure import ArmMeasurement, evidence_of, named_points, solve_arm, stances_of, unlike
from vision.arm.mixture import Mixture
from vision.arm.posture import posture_lengths
from vision.arm.priors import JOINTS
from vision.arm.seen import SeenArm
from vision.arm.sway import MOVED, MOVED_SHARE
from vision.arm.views_problem import OneView, ViewsProblem
from vision.person.hand import HandPoint
from vision.person.neck_net import Turn
from vision.photo import Corrections
from vision.problems import ARM_FORWARD, CHILD_MOVED, ELBOW_BENT, NOT_AS_TOLD, STATED_BUILD, STEP_ASIDE

LEAST_SPREAD_DEG = 8.0
"""Largest angle between lines of sight below which the depths that several photos tell are no surer than those of one:
a landmark's own error of 1.5 % of an arm and a sway of 8 mm are then 70 mm of depth, and usual arms differ by 20; our
choice, half a metre aside at two metres are 14 degrees."""
LEAVING_OUT = 0.001
"""Probability below which a view that goes with the others would fit them as badly; our choice."""
MOVING = (priors.WALL.name, priors.FLOATING.name)
"""Stances in which a child is also looked for that moved between the photos: the usual ones, since each costs time."""
MOST_MOVED = 0.9
"""Probability that it moved, beyond which the photos are not solved as one.  Below, the interval holds both: two photos
of a child well away from the wall look much like two of one that moved."""
MAY_HAVE_MOVED = 0.05
"""Probability from which it is said: the interval then begins to hold both; our choice."""
MOST_BENT = 0.5
"""Probability that the elbow is bent towards the camera, from which the photos are refused.  On 47 sequences of five
views of the test scenes' renderer it is 0.08 at most; with the forearm turned forwards in 23 of them (points alone, by
20, 30 and 40 degrees) 7, 9 and 21 are beyond it, and the interval holds 22 of the other 32.  Of 60 sequences that were
rendered so it is beyond it in one: shadows tell more (`vision.arm.judge.looks_forward`)."""
MOST_BESIDE_ALONE = 1.5
"""Times the arm may be longer or shorter than what each of its photos says alone: a child that stands 0.7 m before the
sheet's plane, or 1 m behind it, two metres from the camera; our choice."""
FREEDOM = 10
"""Of a view: two coordinates of five points; its sway is held by as many rows as it has unknowns."""


def mean_turn(turns: Sequence[Turn | None]) -> Turn | None:
    """How far a trunk looks turned in several views, as one word of it; None where nobody looked."""
    looked = [turn for turn in turns if turn is not None]
    if not looked:
        return None
    return Turn(float(np.mean([turn.deg for turn in looked])), float(np.mean([turn.deviation_deg for turn in looked])))


def mean_depths(depths: Sequence[ArmDepths]) -> ArmDepths:
    """What a network says of several views of one scene, as one word of it: its errors are much the same in all."""
    log = np.mean([np.log(each.stance) for each in depths], axis=0)
    shares = np.exp(log - log.max())
    return ArmDepths(
        shares / shares.sum(),
        np.mean([each.steps for each in depths], axis=0),
        np.mean([each.covariance for each in depths], axis=0),
        float(np.median([each.bend_deg for each in depths])),
        float(np.median([each.forward_deg for each in depths])),
    )


@dataclass(frozen=True)
class ArmViews:
    """One arm from several views.

    Attributes
    ----------
    measurement : ArmMeasurement
        Points, sheets and camera are those of the first view used.
    used, left_out : tuple of int
        Which of the photos went in, and which usable ones do not go with them.
    spread_deg : float
        The largest angle between two lines of sight to the palm.
    seen : tuple of SeenArm
        What was seen in those used, with the sheet that they share first.
    views : tuple of ArmMeasurement
        The same measurement with the points, faces, sheets and camera of each of those used.
    """

    measurement: ArmMeasurement
    used: tuple[int, ...]
    left_out: tuple[int, ...]
    spread_deg: float
    seen: tuple[SeenArm, ...]
    views: tuple[ArmMeasurement, ...]


def solve_views(
    seen: Sequence[SeenArm],
    age_years: float | None = None,
    stature_mm: float | None = None,
    against_wall: bool | None = None,
    corrections: Mapping[int, Corrections] | None = None,
) -> ArmViews | None:
    """One arm from several photos of a child that stands still before the same sheets.

    Parameters
    ----------
    seen : sequence of SeenArm
        What was seen in each photo.
    age_years, stature_mm, against_wall : optional
        As of `vision.arm.measure.measure_arm`.
    corrections : mapping of int to Corrections, optional
        Points placed by a person, by the number of the photo.

    Returns
    -------
    ArmViews or None
        None where fewer than two usable photos go together: photos that were taken at different times, of which each
        may be right by itself.
    """
    given = _Given(corrections or {}, against_wall)
    placed = given.placed
    alone = [solve_arm(one, None, None, against_wall, placed.get(number)).arm_length for number, one in enumerate(seen)]
    usable = [number for number, arm in enumerate(alone) if arm is not None]
    views = _in_one_frame(seen, usable)
    found = _going_together(views, given)
    if found is None:
        return None
    build = StatedBuild(age_years, stature_mm)
    if build != NOTHING_STATED and found.moved <= MOST_MOVED:
        found = _with_build(found, views, replace(given, build=build))
    as_seen, moved = _as_seen(found, against_wall)
    unlike_told = unlike(against_wall, as_seen)
    if unlike_told:  # then one that stood still may look as if it moved, by what is told
        found = replace(found, moved=moved)
    arms = [arm for number in views if (arm := alone[number]) is not None]
    agree = _is_like(found.measurement.arm_length, arms) and (placed or unlike_told or agreement(arms).holds)
    if found.moved > MOST_MOVED or not agree:
        return None
    spread = spread_deg([camera.position_mm for camera in found.cameras], found.palm_mm)
    measurement = found.measurement
    if as_seen.share(priors.BENT) > MOST_BENT:
        measurement = measurement.refused(ELBOW_BENT)
    elif looks_forward(mean_depths([one.depths for one in seen])):  # also of photos that alone are refused for it
        measurement = measurement.refused(ARM_FORWARD)
    if unlike_told:
        measurement = replace(measurement, problems=(NOT_AS_TOLD, *measurement.problems))
    if spread < LEAST_SPREAD_DEG:
        measurement = replace(measurement, problems=(*measurement.problems, STEP_ASIDE))
    used = tuple(views.values())
    left_out = tuple(number for number in usable if number not in views)
    return ArmViews(measurement, tuple(views), left_out, spread, used, _in_each(measurement, used, found))


@dataclass(frozen=True)
class _Given:
    """What is given beside the photos: points that a person placed, by the photo's number, and what the family says."""

    placed: Mapping[int, Corrections]
    against_wall: bool | None
    build: StatedBuild = NOTHING_STATED


@dataclass(frozen=True)
class _Found:
    """The solution of one set of views."""

    measurement: ArmMeasurement
    misfits: Array
    cameras: tuple[PosedCamera, ...]
    palm_mm: Array
    seen_px: list[Array]
    moved: float
    shown: list[OneView]
    depths: ArmDepths
    mixture: Mixture
    shares: Array


def _going_together(views: dict[int, SeenArm], given: _Given) -> _Found | None:
    """The solution of views that go together, of which those that do not are taken out; None where one is left."""
    while len(views) > 1:
        found = _solved(views, given)
        worst = int(np.argmax(found.misfits))
        if found.misfits[worst] <= chdtri(FREEDOM, LEAVING_OUT / len(views)):
            return found
        del views[list(views)[worst]]
    return None


def _in_each(measurement: ArmMeasurement, used: Sequence[SeenArm], found: _Found) -> tuple[ArmMeasurement, ...]:
    """The same measurement with the points, faces, sheets and camera of each view."""
    return tuple(
        replace(
            measurement,
            points_px=named_points(one.body, px),
            faces_px=one.faces_px,
            body_px=one.body.landmarks_px,
            sheets=camera.sheets,
            camera=camera,
        )
        for one, px, camera in zip(used, found.seen_px, found.cameras, strict=True)
    )


def _is_like(arm: Length | None, alone: Sequence[Length]) -> bool:
    """Whether an arm from several photos is about as long as each of them says alone."""
    return arm is not None and all(
        1 / MOST_BESIDE_ALONE < arm.value_mm / one.value_mm < MOST_BESIDE_ALONE for one in alone
    )


def _in_one_frame(seen: Sequence[SeenArm], usable: Sequence[int]) -> dict[int, SeenArm]:
    """The views of the arm that most show, by number, with the sheet that most show first in each."""
    sides = [seen[number].body.side for number in usable]
    mine = [number for number in usable if seen[number].body.side == max(sides, key=sides.count)]
    ordered = reference_first([_view_of(seen[number]) for number in mine])
    return {
        number: _with_sheets(seen[number], view) for number, view in zip(mine, ordered, strict=True) if view is not None
    }


def _with_sheets(seen: SeenArm, view: View) -> SeenArm:
    camera = replace(seen.body.camera, sheets=view.sheets)
    return replace(seen, body=replace(seen.body, camera=camera))


def _view_of(seen: SeenArm) -> View:
    camera = seen.body.camera
    return View(camera.sheets, camera.image_size_px, camera.lens)


def _solved(seen: Mapping[int, SeenArm], given: _Given) -> _Found:
    views = list(seen.values())
    prints = agreed_prints([one.prints for one in views])
    scales = {name: scale.scale for name, scale in prints.items()}
    lens = solve_common_lens([_view_of(one) for one in views], Surface.WALL, scales)
    bodies = [replace(one.body, camera=camera) for one, camera in zip(views, lens.cameras, strict=True)]
    evidence = _evidence(dict(zip(seen, bodies, strict=True)), given)
    shown = [OneView(each, root) for each, root in zip(evidence, lens.roots, strict=True)]
    depths = mean_depths([one.depths for one in views])
    stances = stances_of(given.against_wall, depths)
    problems, shares = _problems(shown, stances)
    solved = [most_probable(problem) for problem in problems]
    mixture = Mixture.of([solution for solution, _ in solved], depths, shares)
    best = int(np.argmax(mixture.weights[: len(stances)]))  # of a child that stood still
    typical = _typical_hand(bodies, lens)
    lengths = arm_lengths(mixture, typical.hand, typical.camera, prints, _turned(bodies, evidence, mixture))
    lengths |= posture_lengths(bodies[0], evidence[0].body_to_sheet, mixture, prints)
    moved = _moved(mixture, shares)
    remarks = dict.fromkeys(remark for one in views for remark in one.remarks)
    if moved > MAY_HAVE_MOVED:
        remarks[CHILD_MOVED] = None
    problem, unknowns = problems[best], solved[best][1]
    seen_px = problem.seen_px(unknowns)
    measurement = ArmMeasurement(
        photo=" + ".join(one.photo for one in views),
        usable=True,
        problems=tuple(remarks),
        side=bodies[0].side,
        points_px=named_points(bodies[0], seen_px[0]),
        wall_probability=mixture.share(priors.WALL),
        faces_px=views[0].faces_px,
        body_px=bodies[0].landmarks_px,
        sheets=bodies[0].camera.sheets,
        camera=bodies[0].camera,
        **lengths,
    )
    palm = evidence[0].body_to_sheet @ mixture.best.points_mm[PALM]
    return _Found(
        measurement, problem.misfits(unknowns), lens.cameras, palm, seen_px, moved, shown, depths, mixture, shares
    )


def _evidence(bodies: Mapping[int, SeenBody], given: _Given) -> list[Evidence]:
    """What each view says, with the points that a person placed in it."""
    seen = [evidence_of(body, build=given.build) for body in bodies.values()]
    if not given.placed:
        return seen
    placed = [evidence_of(body, given.placed.get(number), given.build) for number, body in bodies.items()]
    return less_believed(seen, placed)


def _turned(bodies: Sequence[SeenBody], evidence: Sequence[Evidence], mixture: Mixture) -> Array:
    """Probability (S,) that the trunk is turned, by each solution of a mixture and all views."""
    held = [pose_of(body, each, mixture.best) for body, each in zip(bodies, evidence, strict=True)]
    turn, trunk = float(np.mean([pose.turn for pose in held])), mean_turn([pose.trunk for pose in held])
    return np.array([turned_probability(turn, trunk, solution.stance.name) for solution in mixture.solutions])


def _problems(shown: Sequence[OneView], stances: Sequence[priors.Stance]) -> tuple[list[ViewsProblem], Array]:
    """What is solved for these stances, a child that stood still first, and how common still and moved ones are."""
    usual = [stance for stance in stances if stance.name in MOVING]
    still = [ViewsProblem(shown, stance) for stance in stances]
    moved = [ViewsProblem(shown, stance, MOVED) for stance in usual]
    return [*still, *moved], np.repeat([1 - MOVED_SHARE, MOVED_SHARE], [len(still), len(moved)])


def _moved(mixture: Mixture, shares: Array) -> float:
    """Probability that the child moved between the photos; `shares` are those of the mixture's solutions."""
    return float(mixture.weights[shares == MOVED_SHARE].sum())


def _as_seen(found: _Found, against_wall: bool | None) -> tuple[Mixture, float]:
    """What the views say where nobody says how the hand is to the wall, and the probability that the child moved.

    The stances that agree with what is told are solved already, so that it takes little more than without it.
    """
    if against_wall is None:
        return found.mixture, found.moved
    told = {solution.stance.name for solution in found.mixture.solutions}
    others, shares = _problems(found.shown, [one for one in stances_of(None, found.depths) if one.name not in told])
    solutions = [*found.mixture.solutions, *(most_probable(problem)[0] for problem in others)]
    every = np.concatenate([found.shares, shares])
    mixture = Mixture.of(solutions, found.depths, every)
    return mixture, _moved(mixture, every)


def less_believed(seen: Sequence[Evidence], placed: Sequence[Evidence]) -> list[Evidence]:
    """What each view says once a person has placed points: the network is believed as far as that bears it out.

    A landmark that lies far off in one photo loses precision by a weight (`vision.arm.estimator.ArmProblem.weighed`).
    Here it is by the square of that weight (our choice), because the others err by the same and would outvote the
    person: where the network was wrong by 5 % of the arm alike in five simulated views, and one or two were placed
    right, 95 % intervals by the weight itself held too little (`tests.vision.arm.test_views` simulates it).

    Parameters
    ----------
    seen : sequence of Evidence
        Each view as it was seen.
    placed : sequence of Evidence
        The same with the points that a person placed.
    """
    beliefs = {}
    for name in JOINTS:
        squares = [
            float(np.sum((was.sightings[name].whitening @ (now.sightings[name].px - was.sightings[name].px)) ** 2))
            for was, now in zip(seen, placed, strict=True)
            if now.sightings[name].by_hand
        ]
        if squares:
            beliefs[name] = min(1.0, (TAIL + CORE) / (TAIL + float(np.mean(squares))))
    return [
        replace(
            one,
            sightings={
                name: each if each.by_hand else replace(each, whitening=each.whitening * beliefs.get(name, 1.0))
                for name, each in one.sightings.items()
            },
        )
        for one in placed
    ]


def _typical_hand(bodies: Sequence[SeenBody], lens: CommonLens) -> SeenBody:
    """The body whose hand looks neither large nor small on the wall: the middle one; the first where none is seen."""
    sizes = []
    for body, camera in zip(bodies, lens.cameras, strict=True):
        if body.hand is not None:
            ends = np.array([body.hand.point(HandPoint.WRIST), body.hand.point(HandPoint.MIDDLE_TIP)])
            sizes.append((float(np.linalg.norm(np.diff(camera.to_plane(ends, 0.0), axis=0))), body))
    sizes.sort(key=lambda size: size[0])
    return sizes[len(sizes) // 2][1] if sizes else bodies[0]


def _with_build(found: _Found, views: Mapping[int, SeenArm], given: _Given) -> _Found:
    """The same with age and stature used; a remark instead where the photos contradict them."""
    arm = found.measurement.arm_length
    if arm is None or given.build.contradicts(arm):
        measurement = replace(found.measurement, problems=(*found.measurement.problems, STATED_BUILD))
        return replace(found, measurement=measurement)
    return _solved(views, given)
