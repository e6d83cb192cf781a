"""Cutting an instrument out of a plain ground by colour, where no network is at hand.

The picture's border shows the ground.  What differs from the border's colours is the first guess, which GrabCut
(Rother, Kolmogorov and Blake 2004) refines.  Sheets are ground.  This is the baseline that the network is measured
against.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.problems import Refused
from vision.instrument_seen import InstrumentSeen
from vision.problems import NO_INSTRUMENT

_SIDE_PX = 640
_ROUNDS = 3


def cut_out(rgb: NDArray[np.uint8], sheets_px: Sequence[NDArray[np.float64]] = ()) -> InstrumentSeen:
    """Instrument by colour; body and whole are the same map.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
    sheets_px : sequence of (4, 2) ndarray
        Corners of sheets, which are not the instrument.

    Raises
    ------
    Refused
        If nothing differs enough from the ground.
    """
    shrink = max(rgb.shape[:2]) / _SIDE_PX
    size = (round(rgb.shape[1] / shrink), round(rgb.shape[0] / shrink))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    ground = np.zeros(small.shape[:2], dtype=np.uint8)
    margin = max(size) // 40
    ground[:margin], ground[-margin:], ground[:, :margin], ground[:, -margin:] = 1, 1, 1, 1
    paper = np.zeros_like(ground)
    for corners in sheets_px:
        centre = corners.mean(axis=0)
        grown = (centre + 1.16 * (corners - centre)) / shrink
        cv2.fillPoly(paper, [np.round(grown).astype(np.int32)], 1)
    lab = cv2.cvtColor(small, cv2.COLOR_RGB2LAB).astype(np.float32)
    samples = lab[(ground == 1) & (paper == 0)]
    _, _, centres = cv2.kmeans(
        samples[:: max(len(samples) // 4000, 1)].copy(), 6, None, (3, 20, 1.0), 2, cv2.KMEANS_PP_CENTERS
    )
    distance = np.linalg.norm(lab[:, :, None] - centres[None, None], axis=3).min(axis=2)
    distance[(ground == 1) | (paper == 1)] = 0
    level = np.clip(distance * 4, 0, 255).astype(np.uint8)
    threshold, _ = cv2.threshold(level[paper == 0].reshape(-1, 1), 0, 255, cv2.THRESH_OTSU)
    guess = _largest((level > threshold).astype(np.uint8))
    if guess is None:
        raise Refused(NO_INSTRUMENT)
    trimap = np.where(guess > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    trimap[(ground == 1) | (paper == 1)] = cv2.GC_BGD
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(np.ascontiguousarray(small), trimap, None, *models, _ROUNDS, cv2.GC_INIT_WITH_MASK)
    mask = _largest(((trimap == cv2.GC_FGD) | (trimap == cv2.GC_PR_FGD)).astype(np.uint8))
    if mask is None:
        raise Refused(NO_INSTRUMENT)
    whole = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.7)
    nothing = np.zeros_like(whole)
    return InstrumentSeen(whole, whole, nothing, nothing, shrink)


def _largest(mask: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    """Largest connected part, thin bridges cut; None where it is a mere speck."""
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, statistics, _ = cv2.connectedComponentsWithStats(opened)
    if len(statistics) < 2:
        return None
    best = 1 + int(statistics[1:, cv2.CC_STAT_AREA].argmax())
    if statistics[best, cv2.CC_STAT_AREA] < 0.005 * mask.size:
        return None
    part: NDArray[np.uint8] = (labels == best).astype(np.uint8)
    return part
