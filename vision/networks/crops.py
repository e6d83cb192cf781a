"""Crops for a network: an upright window of any size anywhere in a photo, at the size the network was trained at."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Picture
from calibration.sampling import window

MID_GREY = (114, 114, 114)
"""Colour of what lies beyond the photo; as in training."""
_LEAST_SHRINK, _MOST_LEFT = 2, 1.25
"""A crop is cut out of the photo halved as often as leaves it to be reduced so many times at least, by whole blocks of
pixels, and from those by this at most; our choice."""


def upright_crop(centre: Array, up: Array, scale: float, size: tuple[int, int]) -> Array:
    """Affine map from a crop to the photo.

    Parameters
    ----------
    centre : (2,) ndarray
        Where the crop's middle lies, px of the photo.
    up : (2,) ndarray
        The direction in the photo that is up in the crop, length 1.
    scale : float
        Photo px a crop px.
    size : tuple of int
        Width and height of the crop, px.

    Returns
    -------
    (2, 3) ndarray
        From px of the crop to px of the photo.
    """
    right = np.array([-up[1], up[0]])
    linear = scale * np.column_stack([right, -up])
    middle = (np.array(size) - 1) / 2
    return np.column_stack([linear, centre - linear @ middle])


def halved(rgb: Picture, factor: float) -> Picture:
    """A picture reduced by the largest power of two that is not above `factor`.

    The mean of two by two pixels takes a tenth of the time of a mean over any other area.
    """
    while factor >= 2:
        rgb = np.asarray(
            cv2.resize(rgb, (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA), np.uint8
        )
        factor /= 2
    return rgb


def take_crop(rgb: Picture, to_photo: Array, size: tuple[int, int]) -> Floats:
    """Cut a crop out of a photo, averaging where it shrinks.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
    to_photo : (2, 3) ndarray
        From px of the crop to px of the photo.
    size : tuple of int
        Width and height of the crop, px.

    Returns
    -------
    (1, 3, h, w) ndarray of float32
        0 to 255; mid-grey where the photo ends.
    """
    scale = float(np.hypot(*to_photo[:, 0]))
    shrink = max(1, int(np.floor(scale)))
    shown, moved = rgb, to_photo
    if shrink > 1:  # only what the crop shows is shrunk, by whole blocks of pixels
        corners = np.array([(0.0, 0.0), (size[0], 0.0), (0.0, size[1]), size])
        left, top, right, bottom = window(corners @ to_photo[:, :2].T + to_photo[:, 2], rgb, 2 * shrink)
        left, top = left - left % shrink, top - top % shrink
        columns, rows = max(1, (right - left) // shrink), max(1, (bottom - top) // shrink)
        part = rgb[top : top + rows * shrink, left : left + columns * shrink]
        shown = np.asarray(cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8)
        moved = _reduced(to_photo, shrink, (left, top))
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    crop = cv2.warpAffine(shown, moved, size, flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=MID_GREY)
    return np.ascontiguousarray(crop.transpose(2, 0, 1)[None], np.float32)


def _reduced(to_photo: Array, shrink: int, corner: tuple[int, int]) -> Array:
    """The same map (2, 3) to px of a photo of which a part, from `corner` on, was shrunk by whole blocks."""
    moved = to_photo / shrink
    moved[:, 2] += (0.5 - np.array(corner)) / shrink - 0.5
    return np.asarray(moved)


class SeveralCrops:
    """Cuts several crops out of one photo, which is halved once for all that show it much reduced.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
    """

    def __init__(self, rgb: Picture) -> None:
        self._halves = [rgb]

    def take(self, to_photo: Array, size: tuple[int, int]) -> Floats:
        """Cut one; parameters and what is given as of `take_crop`."""
        times = _halvings(float(np.hypot(*to_photo[:, 0])))
        while len(self._halves) <= times:
            self._halves.append(halved(self._halves[-1], 2))
        return take_crop(self._halves[times], _reduced(to_photo, 2**times, (0, 0)), size)


def _halvings(scale: float) -> int:
    """How often a photo is halved for a crop of so many photo px a px."""
    times = max(int(np.log2(max(scale, 1.0) / _LEAST_SHRINK)), 0)
    while times and scale / 2**times > _MOST_LEFT * int(scale / 2**times):
        times -= 1
    return times
