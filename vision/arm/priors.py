"""What is known about arms before a photo is looked at, and how wrong landmarks are: the estimator's numbers.

Every length here is a fraction of the *straight arm*: shoulder joint to elbow to wrist to the palm's skin, summed.
Depths are distances from the wall (the sheet's plane) towards the camera.

Where the numbers come from
---------------------------
* Depths, proportions and the step from the arm's joints to the arm length as defined: means and correlations of some
  four hundred posed mannequin figures of 3 to 12 years, made by the generator of the test scenes with other seeds; no
  picture was looked at.  Standard deviations were then widened by judgement, because real children differ more than
  figures do: the widening is written beside each.  Those figures wore nothing; clothes hold the trunk further off the
  wall, so the shoulder's mean depth is that of 64 scenes, half of them not developed on (unclothed 0.27 and 0.24).
* Landmark noise: measured on photographs of people, where the same models scatter two to five times as much as on
  rendered figures.
* The middle of the palm: on rendered hands the midpoint of wrist and knuckle lies 0.8 % of the arm too near the body,
  on photographs of people hardly.  A bias learned on renders is a bias of renders: half of it is corrected, and some of
  it is kept as an uncertainty that no second photo of the same kind averages away.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array

JOINTS = ("neck", "shoulder", "elbow", "wrist", "palm")
"""Order of the points in every array of five."""


@dataclass(frozen=True, slots=True)
class Stance:
    """How the arm stands to the wall.

    Attributes
    ----------
    name : str
        ``"wall"``: the back of the hand touches it; ``"floating"``: it does not; ``"reaching"``: it is held forward, or
        the elbow is bent forward, by 20 degrees or more; ``"away"``: the child stands away from the wall; ``"bent"``:
        the elbow is bent forward and the hand hardly further from the wall than of a straight arm.
    depth : (5,) ndarray
        Mean distance of each point from the wall, over the straight arm.
    depth_covariance : (5, 5) ndarray
        Their covariance.
    step, step_deviation : (5,) ndarray
        Means and standard deviations of the steps of figures, of which the depths are made: `depth` is `CHAIN` times
        `step`.  The networks of `vision.arm.depth` speak in these units.
    """

    name: str
    depth: Array
    depth_covariance: Array
    step: Array
    step_deviation: Array


CHAIN = np.array(
    [  # from the chain shoulder, neck - shoulder, elbow - shoulder, wrist - elbow, palm - wrist to the five points
        [1.0, 1.0, 0.0, 0.0, 0.0],
        [1.0, 0.0, 0.0, 0.0, 0.0],
        [1.0, 0.0, 1.0, 0.0, 0.0],
        [1.0, 0.0, 1.0, 1.0, 0.0],
        [1.0, 0.0, 1.0, 1.0, 1.0],
    ]
)


def _stance(name: str, mean: list[float], deviation: list[float], correlation: list[list[float]]) -> Stance:
    sd = np.array(deviation)
    covariance = np.array(correlation) * np.outer(sd, sd)
    return Stance(name, CHAIN @ np.array(mean), CHAIN @ covariance @ CHAIN.T, np.array(mean), sd)


PALM = JOINTS.index("palm")


def _with_palm(stance: Stance, distance: float, deviation: float) -> Stance:
    """The stance with this distance of its palm from the wall, and deviation; the other depths follow as they did."""
    covariance = stance.depth_covariance
    follow = covariance[:, PALM] / covariance[PALM, PALM]
    added = (deviation**2 - covariance[PALM, PALM]) * np.outer(follow, follow)
    moved = (distance - stance.depth[PALM]) * follow
    return replace(stance, depth=stance.depth + moved, depth_covariance=covariance + added)


TOUCHING_PALM = 0.096, 0.020
"""Distance of the palm from a wall that the hand touches, and its deviation.  Figures' hands graze it: their palm's
skin is at 0.126, deviation 0.014; that of a hand that lies flat would be at 0.066 (its thickness and a gap: 20 and 7 mm
for an arm of 415; adults' hands are 24 to 30 mm thick; from memory).  How near real children's hands are nobody has
measured: this is half-way, and each of the two one and a half deviations off.  With the figures' own, arms against the
wall came out 2.6, 9.3 and 6.6 mm too short on scenes of three renderers; the mean is not fitted to them."""

FLOATING = _stance(
    "floating",
    [0.285, -0.011, 0.027, 0.048, 0.0425],
    [0.036, 0.013, 0.0225, 0.025, 0.0070],  # figures: 0.0335, 0.0114, 0.0213, 0.0237, 0.0063
    [
        [1.0, -0.57, -0.11, -0.04, -0.06],
        [-0.57, 1.0, 0.02, 0.03, 0.0],
        [-0.11, 0.02, 1.0, 0.82, 0.81],
        [-0.04, 0.03, 0.82, 1.0, 0.96],
        [-0.06, 0.0, 0.81, 0.96, 1.0],
    ],
)
WALL = _with_palm(
    _stance(
        "wall",
        [0.2530, -0.0115, -0.0812, -0.0595, 0.0140],
        [0.021, 0.010, 0.0115, 0.0100, 0.0045],  # figures: 0.0199, 0.0082, 0.0104, 0.0091, 0.0030
        [
            [1.0, -0.36, -0.64, -0.71, -0.60],
            [-0.36, 1.0, 0.19, 0.28, -0.03],
            [-0.64, 0.19, 1.0, 0.46, 0.42],
            [-0.71, 0.28, 0.46, 1.0, 0.84],
            [-0.60, -0.03, 0.42, 0.84, 1.0],
        ],
    ),
    *TOUCHING_PALM,
)
REACHING = _stance(
    "reaching",
    [0.280, -0.013, 0.13, 0.228, 0.086],
    [0.038, 0.015, 0.10, 0.050, 0.012],  # figures: 0.0325, 0.011, 0.0996, 0.0422, 0.0092
    [
        [1.0, -0.40, -0.07, -0.07, -0.11],
        [-0.40, 1.0, -0.07, 0.10, 0.05],
        [-0.07, -0.07, 1.0, 0.0, -0.04],
        [-0.07, 0.10, 0.0, 1.0, 0.96],
        [-0.11, 0.05, -0.04, 0.96, 1.0],
    ],
)
STANCES = (WALL, FLOATING, REACHING)

AWAY_SHOULDER = 0.55, 0.22
"""Distance of the shoulder from the wall, and its deviation, of a child that does not stand with the back to it: from
50 to 400 mm for an arm of 415, where 105 to 120 are usual; our choice."""


def _but_for(floating: Stance, name: str, which: slice, mean: Array | float, covariance: Array | float) -> Stance:
    """A stance as one that floats but for some steps along the chain (S,), which tell nothing of the others."""
    back = np.linalg.inv(CHAIN)
    steps, every = back @ floating.depth, back @ floating.depth_covariance @ back.T
    steps[which] = mean
    every[which], every[:, which] = 0.0, 0.0
    every[which, which] = covariance
    return replace(floating, name=name, depth=CHAIN @ steps, depth_covariance=CHAIN @ every @ CHAIN.T)


def away_from_wall(floating: Stance) -> Stance:
    """The stance of a child that stands some way off the wall: as it floats else, the shoulder anywhere before it.

    Parameters
    ----------
    floating : Stance
        How the arm floats, as it is usual or as a network sees it.
    """
    mean, deviation = AWAY_SHOULDER
    return _but_for(floating, "away", slice(0, 1), mean, deviation**2)


BENT_STEPS = (-0.02, 0.06), (0.175, 0.08), (0.05, 0.024)
"""Steps from shoulder to elbow, elbow to wrist and wrist to palm, and their deviations, of an arm whose elbow is bent
towards the camera: by 28 degrees, deviation 10, the upper arm 3 degrees towards the wall, deviation 8; our choice.
The networks of `vision.arm.depth` take such an arm for a straight one that floats, and from in front it looks straight:
in 11 pictures of the test scenes' renderer with the elbow near the wall and bent forwards by 21 to 44 degrees that were
not refused, it came out 7 to 38 mm too short.  Parallax tells it."""
BENT_CORRELATION = [[1.0, 0.5, 0.5], [0.5, 1.0, 0.95], [0.5, 0.95, 1.0]]
"""Of those steps: the forearm turns with the upper arm, and the hand goes on as the forearm."""


def bent_forward(floating: Stance) -> Stance:
    """The stance of an arm that looks straight, for its elbow is bent towards the camera.

    Parameters
    ----------
    floating : Stance
        How the arm floats, as it is usual or as a network sees it: neck and shoulder are taken from it.
    """
    mean, deviation = np.array(BENT_STEPS).T
    return _but_for(floating, "bent", slice(2, 5), mean, np.array(BENT_CORRELATION) * np.outer(deviation, deviation))


BENT = bent_forward(FLOATING)
"""As it is usual."""

STANCE_PRIOR = {"wall": 0.445, "floating": 0.4005, "reaching": 0.0445, "away": 0.05, "bent": 0.06}
"""Probabilities before the photo is looked at: we ask families for the wall, and not all do as asked; our judgement.
Nothing in one photo tells the last two: they lengthen the interval towards shorter arms, and longer ones.  Several tell
them by parallax."""

# --- proportions ------------------------------------------------------------------------------------------------------

UPPER_TO_FOREARM = (np.log(1.09), 0.045)
"""Log of upper arm over forearm: mean from figures; deviation of children 2-13 y about 4 % (Snyder 1977, acromion to
radiale over radiale to stylion), figures have 2.6 %."""
PALM_TO_FOREARM = (np.log(0.277), 0.05)
"""Log of wrist-to-mid-palm over forearm; figures have 2.5 %, hands of children about 5 % of the forearm (Snyder)."""
NECK_OFFSET = (0.195, 0.03), (0.187, 0.02)
"""Neck point from the shoulder joint, inwards and up, over the straight arm; figures deviate by 0.014 and 0.006."""
STRAIGHT_ARM_MM = (415.0, 0.35)
"""Centre and log deviation of the straight arm of children of 3 to 13 years: wide enough to say nearly nothing."""

DEFINITION_OFFSET = -0.0031
"""Arm length as defined minus the length from the joints at 90 degrees, over the straight arm: the shoulder's own rise
and the palm's skin.  Over elevations of -10..10 degrees it does not vary (fitted on figures)."""
DEFINITION_DEVIATION = 0.0018
"""Its standard deviation; figures have 0.0008, shoulders of children vary more (our judgement)."""

TORSO_ROLL_DEG = 2.0
"""Deviation of the trunk's lean against the sheet's edges: a sheet hung by eye (1.4) and a child's own (1.4)."""
TRUNK_AXIS = (1.1, 1.25)
"""Bias and standard deviation, in degrees, of the line from the hips to the shoulders, leaning away from the raised
arm (rendered figures: 1.1 and 1.1)."""


@dataclass(frozen=True, slots=True)
class LandmarkError:
    """How wrong a landmark is, over the straight arm.

    Attributes
    ----------
    along, down : float
        Bias: outwards along the arm, and down from it.
    along_deviation, across_deviation : float
        Standard deviations along and across the arm.
    """

    along: float
    down: float
    along_deviation: float
    across_deviation: float

    def widened(self, by: float) -> LandmarkError:
        """The same with one more part, over the straight arm, in both deviations."""
        return replace(
            self,
            along_deviation=float(np.hypot(self.along_deviation, by)),
            across_deviation=float(np.hypot(self.across_deviation, by)),
        )


SHOULDER_ERROR = LandmarkError(0.0, 0.0, 0.052, 0.035)
ELBOW_ERROR = LandmarkError(0.0, 0.0, 0.043, 0.029)
WRIST_ERROR = LandmarkError(0.0, 0.0, 0.028, 0.020)
"""Deviations of photographs of people (100 arms of 59), so wide that two hold 95 % of the coordinates.  The biases seen
on rendered figures (elbow 2.6 % inwards, wrist 1.6 % outwards, elbow and shoulder 1.8 % up) make elbow and wrist worse
on people, and are not used."""
STRAIGHT_SHOULDER_ERROR = LandmarkError(0.0, 0.0, 0.034, 0.025)
STRAIGHT_ELBOW_ERROR = LandmarkError(0.0, 0.0, 0.027, 0.018)
STRAIGHT_WRIST_ERROR = LandmarkError(0.0, 0.0, 0.022, 0.016)
"""The same where the arm is straight, nearly level and seen squarely."""
STRAIGHT_DEG, LEVEL_DEG, SQUARE = 15.0, 25.0, 0.5
"""What counts as straight and level, and the least distance of the shoulders over the trunk's length that is seen
squarely; our choice."""
PALM_ERROR = LandmarkError(-0.006, 0.0, 0.022, 0.0135)
OPEN_PALM_ERROR = LandmarkError(-0.006, 0.0, 0.011, 0.010)
"""Midpoint of the hand model's wrist and middle knuckle: on rendered open hands 0.98 % inwards, on the people 0.2 (43
hands) to 1.1 % (13 photographs); deviations are those of people (100 arms of 59 photographs, of whose coordinates two
hold 97 %).  The second is for hands that open to the camera and were read twice alike: where the palm is seen, the
median distance from the label is 1.2 % of the length from neck to palm (43 hands), of which readers' own scatter is a
part (two readings lie 1.3 % apart); all 9 such hands of those photographs lie within 1.4 %.  Hands on edge, fists and
single readings scatter twice as much."""
PALMS_APART = 0.055
"""Distance of the hand model's palm from the middle between the body model's wrist and knuckles, over the straight arm,
from which half of it counts as one more deviation: one of the two saw something else, a thing held or a cuff.  In 39
rendered scenes it is 0.046 at most; of 95 hands, 12 photographs of people each read in eight ways (`--ways` of
`tests.real`), ten are further apart, and nine of those are off by 4 to 16 % of the arm.  Our choice of form."""
OPEN_AREA = 0.22
"""Least area of the triangle of wrist and outer knuckles over the square of the hand's length from wrist to middle
knuckle, in an open hand that faces the camera: rendered ones have 0.27 to 0.33, photographed ones on edge 0.02 to
0.12."""
SMALL_ARM_PX = 60.0
"""Straight arm in the picture below which its size decides how far landmarks are off: deviations grow by the root of
one plus the square of this over the arm (photographs of people 40 to 110 px long; our choice of form)."""
PALM_SYSTEMATIC = 0.0032
"""Standard deviation of what the palm's bias may be on other hands than rendered ones."""
PALM_WITHOUT_HAND_ERROR = LandmarkError(0.0, 0.0, 0.04, 0.03)
"""Mid palm guessed from the body model's wrist and knuckles where no hand was found."""
HAND_SIZE = (np.log(0.161), 0.15)
"""Log of the hand model's wrist-to-knuckle distance over the straight arm, and its deviation: rendered children have
0.06, photographed people 0.19, foreshortened hands among them; our choice between."""


def whitener(covariance: Array) -> Array:
    """Whitening matrix of a covariance: rows times (value - mean) have unit variance."""
    inverse: Array = np.linalg.inv(np.linalg.cholesky(covariance))
    return inverse
