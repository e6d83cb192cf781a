"""Whether points that a person placed go with what else is seen of the arm.

A person's point is believed to a per cent of the arm, so that a slip of the finger would make an arm of any length.
But the other points, usual proportions and the stance foretell where it lies, and how surely (the posterior predictive
distribution): the placed points are compared with that, all together, in standard deviations, under each stance, and
the less probable a stance is without them, the less it excuses.  What the networks had seen at the same places hardly
counts: a person corrects it because it was wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import chdtri

from calibration.arrays import Array
from vision.arm.depth import ArmDepths
from vision.arm.estimator import CORE, ArmProblem, Evidence, most_probable
from vision.arm.mixture import Mixture
from vision.arm.priors import JOINTS, Stance

FAR_PROBABILITY = 1e-8
"""Probability below which right points would lie as far from where they are foretold: 6.1 standard deviations for one
point, 14 to 20 % of the arm for a palm and 20 to 30 % for a neck.  Landmarks have heavier tails than that counts with,
so it is far out; our choice, after points had been moved in 29 good scenes.  The true ones, in every combination, are
never called far there, nor are 19 labelled arms of photographs of people, in any pose."""
_LEAST_SHARE = 1e-300
"""Of a stance's probability, that it has a logarithm."""
_FORGOTTEN = 0.1
"""Factor on the precision of what was seen at a placed point: a network may be far off where a person corrects it, but
without a word of it a hand could point anywhere; our choice, a seen palm is then known to some 10 % of the arm."""


def contradict(seen: Evidence, placed: Evidence, stances: Sequence[Stance], depths: ArmDepths) -> bool:
    """Whether the points that a person placed lie far from where everything else has them.

    Parameters
    ----------
    seen : Evidence
        As it was seen.
    placed : Evidence
        The same with the points that a person placed.
    stances : sequence of Stance
        How the arm may stand to the wall.
    depths : ArmDepths
        What the photo tells of that.
    """
    joints = [name for name in JOINTS if placed.sightings[name].by_hand]
    if all(_lies_as_seen(seen, placed, name) for name in joints):
        return False
    forgotten = {
        name: replace(one, whitening=one.whitening * _FORGOTTEN) if name in joints else one
        for name, one in seen.sightings.items()
    }
    without = [ArmProblem(replace(seen, sightings=forgotten), stance) for stance in stances]
    solved = [most_probable(problem) for problem in without]
    shares = Mixture.of([solution for solution, _ in solved], depths).weights
    squares = [
        _square(problem, at, ArmProblem(placed, problem.stance), joints) - 2 * np.log(max(share, _LEAST_SHARE))
        for problem, (_, at), share in zip(without, solved, shares, strict=True)
    ]
    return bool(min(squares) > chdtri(2 * len(joints), FAR_PROBABILITY))


def _lies_as_seen(seen: Evidence, placed: Evidence, name: str) -> bool:
    """Whether a point lies where it was seen, as surely as it was: then it says nothing new."""
    was, now = seen.sightings[name], placed.sightings[name]
    return float(np.sum((was.whitening @ (now.px - was.px)) ** 2)) < CORE


def _square(foretelling: ArmProblem, at: Array, full: ArmProblem, joints: Sequence[str]) -> float:
    """Squared distance of placed points from where they are foretold, over the covariance of both."""
    rows, slopes = full.linearised(at)
    places = [full.camera_size + 2 * JOINTS.index(name) + axis for name in joints for axis in (0, 1)]
    known = foretelling.jacobian(at)
    spread = np.linalg.solve(known.T @ known, slopes[places].T)
    covariance = np.eye(len(places)) + slopes[places] @ spread
    return float(rows[places] @ np.linalg.solve(covariance, rows[places]))
