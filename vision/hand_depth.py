"""How far the hand is from the wall, from its shadow.

A hand that touches the wall has a narrow dark seam about it; one that floats throws a shadow that is further away and
softer the further it is.  A small network looks at the forearm, the hand and the wall about them, turned so that
the arm points to the right and scaled by the arm's length, and gives the likelihood of each of twelve bands of distance
(over the straight arm).  It is trained by `vision/training/train_hand_depth.py` on rendered figures in rendered rooms,
other seeds than any scene used for testing.  Rooms of the world are more varied than rendered ones, so its word is
weakened: likelihoods are raised to a power below one, and no band is ever excluded.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib.resources import files

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

from vision.arm_priors import Stance

BANDS = np.exp(np.linspace(np.log(0.085), np.log(1.0), 13))
"""Edges of the bands, distance of the palm from the wall over the straight arm; the outer bands reach on."""
WIDTH_PX, HEIGHT_PX, ARM_PX = 112, 80, 125.0
"""Size of the network's picture, and length of the straight arm in it."""
TRUST = 0.8
"""Power to which likelihoods are raised."""
FLOOR = 0.002
"""Least likelihood of a band, as a share of the sum.  Both numbers: of those tried, as good as any for the probability
of the wall on 26 development scenes and 38 others."""


@cache
def _session() -> onnxruntime.InferenceSession:
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.log_severity_level = 3
    model = (files("vision") / "models" / "hand_depth.onnx").read_bytes()
    return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def hand_depth(rgb: NDArray[np.uint8], joints_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Likelihood of each band of distance.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        The picture.
    joints_px : (4, 2) ndarray
        Shoulder, elbow, wrist and palm, px.

    Returns
    -------
    (12,) ndarray
        Relative likelihoods, summing to one.
    """
    picture = arm_picture(rgb, joints_px)
    batch = picture.transpose(2, 0, 1)[None].astype(np.float32)
    (scores,) = _session().run(None, {"picture": batch})
    return likelihoods(np.asarray(scores[0], np.float64))


def likelihoods(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weakened likelihoods (12,) from the network's scores (12,)."""
    weak = TRUST * (scores - scores.max())
    shares = np.exp(weak) / np.exp(weak).sum() + FLOOR
    return np.asarray(shares / shares.sum())


def arm_picture(rgb: NDArray[np.uint8], joints_px: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Forearm and hand, (80, 112, 3) uint8, the arm pointing right, up staying up; parameters as of `hand_depth`."""
    shoulder, elbow, wrist, palm = np.asarray(joints_px, float)
    straight = sum(float(np.linalg.norm(b - a)) for a, b in ((shoulder, elbow), (elbow, wrist), (wrist, palm)))
    centre = 0.25 * elbow + 0.45 * wrist + 0.30 * palm
    right = (palm - elbow) / np.linalg.norm(palm - elbow)
    down = np.array([-right[1], right[0]])
    if down[1] < 0:
        down = -down
    scale = 2 * ARM_PX / straight  # drawn at twice the size, then averaged
    turn = scale * np.array([right, down])
    move = np.array([WIDTH_PX, HEIGHT_PX]) - turn @ centre
    flags = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    size = (2 * WIDTH_PX, 2 * HEIGHT_PX)
    drawn = cv2.warpAffine(rgb, np.column_stack([turn, move]), size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(drawn, (WIDTH_PX, HEIGHT_PX), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def stance_log_likelihood(shares: NDArray[np.float64], stance: Stance) -> float:
    """Log likelihood of a stance, up to a constant: its usual depths of the palm weighed by the bands' likelihoods."""
    _, usual, weight = _palm_depth(shares, stance)
    return float(np.log(weight.sum() / usual.sum()))


def informed(stance: Stance, shares: NDArray[np.float64]) -> Stance:
    """The stance with its depths drawn to what the shadow says of the palm.

    The palm's usual depth times the bands' likelihoods gives a new mean and variance for it; the other depths follow
    by their correlation with it (conditional normal distribution, with the palm's new variance put back).

    Parameters
    ----------
    stance : Stance
        How the arm is assumed to stand to the wall.
    shares : (12,) ndarray
        As `hand_depth` gives them.
    """
    depth, _, weight = _palm_depth(shares, stance)
    mean = float((weight * depth).sum() / weight.sum())
    variance = float((weight * (depth - mean) ** 2).sum() / weight.sum())
    with_palm = stance.depth_covariance[:, -1] / stance.depth_covariance[-1, -1]
    shift = variance - stance.depth_covariance[-1, -1]
    return replace(
        stance,
        depth=stance.depth + with_palm * (mean - stance.depth[-1]),
        depth_covariance=stance.depth_covariance + np.outer(with_palm, with_palm) * shift,
    )


def _palm_depth(
    shares: NDArray[np.float64], stance: Stance
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Depths of the palm (81,), how usual each is in the stance, and that times the likelihood of its band."""
    mean, deviation = stance.depth[-1], float(np.sqrt(stance.depth_covariance[-1, -1]))
    depth = np.linspace(mean - 4 * deviation, mean + 4 * deviation, 81)
    usual = np.exp(-0.5 * ((depth - mean) / deviation) ** 2)
    band = np.clip(np.searchsorted(BANDS, depth) - 1, 0, len(BANDS) - 2)
    return depth, usual, usual * shares[band]
