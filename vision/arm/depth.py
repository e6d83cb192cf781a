"""How far neck, shoulder, elbow, wrist and palm are from the wall, from shadow, posture and viewpoint.

A hand that touches the wall has a narrow dark seam about it; one that floats throws a shadow that is further away and
softer the further it is; a turned trunk shows more of one side.  A network looks at two pictures, the arm with the
trunk and the hand with the wall about it, both turned so that the arm points to the right and scaled by its length,
and is told from where they were seen (slopes of the lines of sight to shoulder and palm, from the solved camera).
It gives the score of each stance of `vision.arm.priors` and, under each, a normal distribution of the five depths in
the stance's own steps along the chain; and the angles of elbow and arm.  They are trained by
`vision/training/train_arm_depth.py` on rendered figures in rendered rooms, other seeds than any scene used for testing.

There are two, of two worlds: one learned from the renderer of the test scenes, the other from our own path tracer, with
other bodies, clothes, rooms and cameras (models/arm_depth.json).  What a network says of a picture is half what was
usual where it learned; that half is taken off, and what is left, the word of the picture alone, is joined with what
`vision.arm.priors` holds to be usual: precisions and weighted means of normal distributions subtract and add (Bayes'
rule).  Where the two differ, their word counts for less; for nothing at worst: whatever they say, under a stance no
depth is less certain than the stance alone makes it, and a hand that touches the wall is near it.

Rooms and people of the world are more varied than rendered ones, so their word is weakened: scores are scaled down, no
stance is excluded, and deviations are as wide as errors were on pictures of a renderer that a network did not learn
from.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision.arm.priors import CHAIN, STANCES, Stance
from vision.networks.session import session

MODEL = Path(__file__).parents[1] / "models" / "arm_depth.onnx"
WORLDS = MODEL.with_suffix(".json")
"""What each network learned from."""
MEMBERS: tuple[int, ...] = (0, 1)
"""Which networks are asked; the benchmark asks the second alone where it wants one that its renderer never taught."""
STANCE_NAMES = tuple(stance.name for stance in STANCES)
"""In the order of the networks' scores."""
TRUST = 0.6
"""Power to which the stances' likelihoods are raised.  In the world learned from 0.9 would do; outside it one stance of
twenty was told wrong; our choice."""
FLOOR = 0.001
"""Least likelihood of a stance, as a share of the sum."""
WIDENED = 1.6
"""Factor on the networks' deviations.  On pictures kept from them, those of one alone are a factor of 1.4 too small.
On twenty scenes of a renderer that they did not learn from, depths of neck and palm were wrong by 9 and 9 mm against
the wall and 12 and 28 mm floating (standard deviations), twice as much as on the renderer that they learned from.  On
sixty others (palm, floating) the first alone is wrong by 19 mm where the usual depth is by 25, the second by 25."""
USUAL_SHARE = 0.3
"""Of the usual deviations, what stays as doubt whatever the network says: our judgement."""


@dataclass(frozen=True, slots=True)
class Framing:
    """A picture that the network looks at: its size, and the length of the straight arm in it."""

    width_px: int
    height_px: int
    arm_px: float


WIDE = Framing(208, 112, 110.0)
"""The arm with the trunk; as in training."""
HAND = Framing(160, 128, 256.0)
"""The hand with the wall about it; as in training."""
_LOG_ROOT = (-2.5, 3.5)
"""Limits of the logarithms on the diagonal of a precision's root: deviations of 12 to 0.03 usual ones.  A network that
says more is not believed; our choice."""
SHOULDER_TO_MIDDLE = 0.30
"""Of the way from shoulder to palm, where the middle of the wide picture lies."""


@dataclass(frozen=True, slots=True)
class Word:
    """What a picture tells of the steps under each stance, whatever is usual: likelihoods of normal form.

    Attributes
    ----------
    precision : (3, 5, 5) ndarray
        Zero in directions of which it tells nothing.
    pull : (3, 5) ndarray
        Precision times the most likely steps.
    """

    precision: Array
    pull: Array

    def joined(self) -> tuple[Array, Array]:
        """Means (3, 5) and covariances (3, 5, 5) of the steps, together with what is usual under each stance."""
        mean, covariance = usual_steps()
        usual = _inverse(covariance)
        joined = _inverse(self.precision + usual)
        return _times(joined, self.pull + _times(usual, mean)), joined

    def blurred(self, error: Array) -> Word:
        """The same where the steps are seen with a further error of covariance (3, 5, 5)."""
        less = _inverse(np.eye(5) + self.precision @ error)
        return Word(less @ self.precision, _times(less, self.pull))


def _inverse(matrices: Array) -> Array:
    return np.asarray(np.linalg.inv(matrices), float)


def _times(matrices: Array, vectors: Array) -> Array:
    """Products of matrices (..., 5, 5) and vectors (..., 5)."""
    return np.asarray((matrices @ vectors[..., None])[..., 0])


@dataclass(frozen=True, slots=True)
class World:
    """What was usual where a network learned.

    Attributes
    ----------
    shares : (3,) ndarray
        How often each of `STANCES` was among its pictures; scores less their logarithms are likelihoods.
    mean, covariance : (3, 5) and (3, 5, 5) ndarray
        Of the steps under each stance, in the stance's units from its `Stance.step`.
    """

    shares: Array
    mean: Array
    covariance: Array

    @classmethod
    def of(cls, told: Mapping[str, Any]) -> World:
        """As `WORLDS` holds it."""
        shares, steps = np.array(told["stances"], float), told["steps"]
        means, covariances = (np.array([steps[s.name][k] for s in STANCES], float) for k in ("mean", "covariance"))
        return cls(shares / shares.sum(), means, covariances)

    def word(self, means: Array, covariances: Array) -> Word:
        """What a network says (3, 5), (3, 5, 5), less what was usual where it learned.

        Directions in which the network says no more than was usual there tell nothing.
        """
        told, pulls = np.zeros_like(covariances), np.zeros_like(means)
        for number, usual in enumerate(self.covariance):
            root = np.linalg.cholesky(usual)
            back = np.linalg.inv(root)
            precision = root.T @ np.linalg.inv(covariances[number]) @ root
            values, axes = np.linalg.eigh(precision)
            more = values > 1.0  # more precise than the usual there
            own = (axes * np.where(more, values - 1.0, 0.0)) @ axes.T
            pull = (axes * more) @ axes.T @ precision @ back @ (means[number] - self.mean[number])
            told[number] = back.T @ own @ back
            pulls[number] = back.T @ pull + told[number] @ self.mean[number]
        return Word(told, pulls)


@cache
def worlds() -> tuple[World, ...]:
    """Of each network of the model file."""
    return tuple(World.of(told) for told in json.loads(WORLDS.read_text())["networks"])


@dataclass(frozen=True, slots=True)
class ArmDepths:
    """What the network says.

    Attributes
    ----------
    stance : (3,) ndarray
        Likelihood of each of `STANCES`, as shares of their sum.
    steps : (3, 5) ndarray
        Under each stance the mean of its steps along the chain, in the stance's units from its `Stance.step`.
    covariance : (3, 5, 5) ndarray
        Their covariance.
    bend_deg, forward_deg : float
        Bend of the elbow, and how far the upper arm is held forward of the trunk's plane, degrees.
    """

    stance: Array
    steps: Array
    covariance: Array
    bend_deg: float
    forward_deg: float

    @property
    def reaching(self) -> float:
        """How likely the hand is far before the body's plane, the arm held forward or its elbow bent; a share."""
        return float(self.stance[STANCE_NAMES.index("reaching")])

    @classmethod
    def usual(cls) -> ArmDepths:
        """Of a picture that nobody looked at: every stance as likely, depths and angles as usual."""
        return cls(np.full(3, 1 / 3), *usual_steps(), 0.0, 0.0)


def arm_depths(rgb: Picture, joints_px: Array, slopes: Array) -> ArmDepths:
    """Stance and depths of a raised arm.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The picture.
    joints_px : (4, 2) ndarray
        Shoulder, elbow, wrist and palm, px.
    slopes : (2, 2) ndarray
        Of the lines of sight to shoulder and to palm: along the wall in the arm's direction, and up, over the way
        towards the wall.

    Returns
    -------
    ArmDepths
        Weakened as the module says.
    """
    pictures = [
        arm_picture(rgb, joints_px, framing).transpose(2, 0, 1)[None].astype(np.float32) for framing in (WIDE, HAND)
    ]
    given = {"wide": pictures[0], "hand": pictures[1], "slopes": slopes.reshape(1, 4).astype(np.float32)}
    asked = list(MEMBERS)
    stance, depth, pose = (np.asarray(part[asked, 0], np.float64) for part in session(MODEL).run(None, given))
    return weakened(stance, depth, pose, [worlds()[member] for member in asked])


def weakened(stance: Array, depth: Array, pose: Array, learned: Sequence[World]) -> ArmDepths:
    """The networks' outputs as one, less sure than they are.

    Parameters
    ----------
    stance : (N, 3) ndarray
        Scores of the stances from each of N networks.
    depth : (N, 3, 20) ndarray
        Under each stance five mean steps and the fifteen numbers of the root of their precision, row by row, diagonal
        as logarithm.
    pose : (N, 3, 2) ndarray
        Turn of the trunk (not used: too seldom told from a straight one), bend of the elbow and forward angle of the
        arm, in units of ten degrees, and logarithms of their deviations.
    learned : sequence of World
        Where each network learned.
    """
    log = stance - np.log([world.shares for world in learned])
    log = TRUST * (log - log.max(axis=1, keepdims=True)).mean(axis=0)
    shares = np.exp(log - log.max())
    shares = shares / shares.sum() + FLOOR
    roots = np.zeros((*depth.shape[:2], 5, 5))
    rows, columns = np.tril_indices(5)
    roots[..., rows, columns] = depth[..., 5:]
    diagonal = np.arange(5)
    roots[..., diagonal, diagonal] = np.exp(np.clip(roots[..., diagonal, diagonal], *_LOG_ROOT))
    own = WIDENED**2 * np.linalg.inv(roots.swapaxes(-1, -2) @ roots)
    words = [world.word(mean, cov) for world, mean, cov in zip(learned, depth[..., :5], own, strict=True)]
    alone = np.array([word.joined()[0] for word in words])
    apart = alone - alone.mean(axis=0)
    # the mean square of two networks' distances from their mean is what one expects of the variance of that mean
    between = (apart[..., :, None] * apart[..., None, :]).mean(axis=0)
    both = Word(*(np.mean([getattr(word, part) for word in words], axis=0) for part in ("precision", "pull")))
    means, covariances = both.blurred(between).joined()
    _, usual = usual_steps()
    covariance = (1 - USUAL_SHARE**2) * covariances + USUAL_SHARE**2 * usual
    _, bend, forward = 10 * pose[..., 0].mean(axis=0)
    return ArmDepths(shares / shares.sum(), means, covariance, float(bend), float(forward))


@cache
def usual_steps() -> tuple[Array, Array]:
    """Means (3, 5) and covariances (3, 5, 5) of the steps, as `vision.arm.priors` has them, in each stance's units."""
    back = np.linalg.inv(CHAIN)
    means = np.array([(back @ s.depth - s.step) / s.step_deviation for s in STANCES])
    covariances = [back @ s.depth_covariance @ back.T / np.outer(s.step_deviation, s.step_deviation) for s in STANCES]
    return means, np.array(covariances)


def arm_picture(rgb: Picture, joints_px: Array, framing: Framing) -> Picture:
    """The arm pointing right, up staying up, (height, width, 3) uint8; parameters as of `arm_depths`."""
    shoulder, elbow, wrist, palm = np.asarray(joints_px, float)
    straight = sum(float(np.linalg.norm(b - a)) for a, b in ((shoulder, elbow), (elbow, wrist), (wrist, palm)))
    wide = framing is WIDE
    back = shoulder if wide else elbow
    centre = shoulder + SHOULDER_TO_MIDDLE * (palm - shoulder) if wide else 0.5 * (wrist + palm)
    right = (palm - back) / np.linalg.norm(palm - back)
    down = np.array([-right[1], right[0]])
    if down[1] < 0:
        down = -down
    scale = 2 * framing.arm_px / straight  # drawn at twice the size, then averaged
    turn = scale * np.array([right, down])
    size = (2 * framing.width_px, 2 * framing.height_px)
    move = np.array([framing.width_px - 0.5, framing.height_px - 0.5]) - turn @ centre
    flags = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    drawn = cv2.warpAffine(rgb, np.column_stack([turn, move]), size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    half = (framing.width_px, framing.height_px)
    return np.asarray(cv2.resize(drawn, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def informed(stance: Stance, depths: ArmDepths) -> Stance:
    """The stance with its depths as the network sees them."""
    number = _told_as(stance)
    to_depth = CHAIN * stance.step_deviation
    return replace(
        stance,
        depth=CHAIN @ stance.step + to_depth @ depths.steps[number],
        depth_covariance=to_depth @ depths.covariance[number] @ to_depth.T,
    )


def stance_log_likelihood(stance: Stance, depths: ArmDepths) -> float:
    """Log likelihood of a stance, up to a constant."""
    return float(np.log(depths.stance[_told_as(stance)]))


def _told_as(stance: Stance) -> int:
    """Number of the stance as which the networks speak of one.

    They take a child off the wall for a floating arm, and an elbow bent towards the camera.
    """
    return STANCE_NAMES.index("floating" if stance.name in ("away", "bent") else stance.name)
