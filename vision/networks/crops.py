"""Crops for a network: an upright window of any size anywhere in a photo, at the size the network was trained at."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Picture

MID_GREY = (114, 114, 114)
"""Colour of what lies beyond the photo; as in training."""


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
    if shrink > 1:
        small = cv2.resize(rgb, (rgb.shape[1] // shrink, rgb.shape[0] // shrink), interpolation=cv2.INTER_AREA)
        ratio = np.array([small.shape[1] / rgb.shape[1], small.shape[0] / rgb.shape[0]])
        moved = to_photo * ratio[:, None]
        moved[:, 2] += 0.5 * ratio - 0.5
    else:
        small, moved = rgb, to_photo
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    crop = cv2.warpAffine(small, moved, size, flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=MID_GREY)
    return np.ascontiguousarray(crop.transpose(2, 0, 1)[None], np.float32)
