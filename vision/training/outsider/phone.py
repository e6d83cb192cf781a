"""From a linear picture to what a phone stores: its lens, the printed sheets, noise, and how it develops."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Picture
from vision.training.figures.trace import View

INK = 0.045
"""Reflectance of printed black over the paper's; as the given scenes have it."""
FINER = 4


@dataclass(frozen=True)
class Lens:
    """A camera with radial distortion: where a point of space is seen, px."""

    view: View
    k1: float
    k2: float

    @property
    def matrix(self) -> Array:
        """Of the pinhole."""
        f, (x, y) = self.view.focal, self.view.centre
        return np.array([[f, 0, x], [0, f, y], [0, 0, 1.0]])

    def project(self, points: Array) -> Array:
        """Pixels (N, 2) of points (N, 3)."""
        flat = (self.view.project(points) - self.view.centre) / self.view.focal
        r = (flat**2).sum(1, keepdims=True)
        return np.asarray(flat * (1 + self.k1 * r + self.k2 * r * r) * self.view.focal + self.view.centre)

    def straight(self, px: Array) -> Array:
        """Where the pinhole sees what is at pixels (..., 2)."""
        seen = (px - self.view.centre) / self.view.focal
        flat = seen
        for _ in range(12):
            r = (flat**2).sum(-1, keepdims=True)
            flat = seen / (1 + self.k1 * r + self.k2 * r * r)
        return np.asarray(flat * self.view.focal + self.view.centre)


def bent(linear: Array, wide: View, lens: Lens) -> Array:
    """The pinhole's picture, made by a wider view of the same place, as the lens shows it."""
    w, h = lens.view.size
    x, y = np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float))
    at = lens.straight(np.stack([x, y], -1)) + np.array(wide.centre) - lens.view.centre
    at = at.astype(np.float32)
    out = cv2.remap(linear.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.maximum(out, 0), float)


def printed(linear: Array, lens: Lens, corners: Array, page: Picture) -> Array:
    """The picture with a page printed on a sheet.

    Parameters
    ----------
    linear : (H, W, 3) ndarray
        With the sheet white.
    lens : Lens
        The camera.
    corners : (4, 3) ndarray
        Of the upright page: top left, top right, bottom right, bottom left; m.
    page : (H, W) ndarray of uint8
        What is printed, grey.
    """
    reflected = INK + (1 - INK) * (page / 255.0) ** 2.2
    px = lens.project(corners)
    low = np.floor(px.min(0)).astype(int) - 3
    high = np.ceil(px.max(0)).astype(int) + 4
    low, high = np.maximum(low, 0), np.minimum(high, lens.view.size)
    step = (np.arange(FINER) + 0.5) / FINER - 0.5
    u = (np.arange(low[0], high[0])[:, None] + step).ravel()
    v = (np.arange(low[1], high[1])[:, None] + step).ravel()
    at = np.stack(np.meshgrid(u, v), -1)
    flat = lens.straight(at)
    rows, wide = page.shape
    # pixels of a page lie half a step within its edges
    on_page = np.array([[0, 0], [wide, 0], [wide, rows], [0, rows]], float) - 0.5
    home, _ = cv2.findHomography(lens.view.project(corners), on_page)
    to = np.concatenate([flat, np.ones((*flat.shape[:2], 1))], -1) @ home.T
    to = (to[..., :2] / to[..., 2:]).astype(np.float32)
    size = np.sqrt(cv2.contourArea(px.astype(np.float32)) / (rows * wide)) * FINER
    if size < 1:
        reflected = cv2.GaussianBlur(reflected, (0, 0), 0.5 * (1 / size - 1) + 0.3)
    seen = cv2.remap(reflected.astype(np.float32), to[..., 0], to[..., 1], cv2.INTER_LINEAR, borderValue=1.0)
    seen = seen.reshape(high[1] - low[1], FINER, high[0] - low[0], FINER).mean((1, 3))
    out = linear.copy()
    out[low[1] : high[1], low[0] : high[0]] *= seen[..., None]
    return out


def developed(linear: Array, rng: np.random.Generator) -> Picture:
    """What a phone makes of the light: metered, white-balanced, toned, freed of noise, sharpened; RGB."""
    h, w = linear.shape[:2]
    x, y = (np.arange(w) - w / 2) / w, (np.arange(h) - h / 2) / w
    fall = 1 - float(rng.uniform(0.1, 0.7)) * (x[None] ** 2 + y[:, None] ** 2) / 0.39 * 0.5
    light = np.asarray(linear * fall[..., None], np.float32)
    light = cv2.GaussianBlur(light, (0, 0), float(rng.uniform(0.5, 0.95)))
    light = _fringed(light, float(rng.normal(0, 0.00012)))
    middle = light[h // 5 : -h // 5, w // 6 : -w // 6]
    grey = float(np.exp(np.log(middle.mean(-1) + 1e-4).mean()))
    light *= 0.16 * float(np.exp(rng.normal(0, 0.22))) / grey
    bright = float(np.percentile(light.max(-1), 99.5))
    light /= max(1.0, bright / float(rng.uniform(1.4, 4.0)))
    mean = light.reshape(-1, 3).mean(0)
    light *= np.clip((mean.mean() / mean), 0.4, 2.5) ** float(rng.uniform(0.5, 0.95)) * np.exp(rng.normal(0, 0.03, 3))
    noise = float(rng.uniform(0.004, 0.022)) * (1.5 if grey < 0.02 else 1.0)
    light = light + rng.normal(size=light.shape).astype(np.float32) * noise * np.sqrt(np.maximum(light, 0.004)) * 0.6
    light = np.maximum(light, 0)
    luma = light @ np.array([0.25, 0.6, 0.15], np.float32)
    if rng.random() < 0.8:  # shadows lifted, highlights held, by the light round about
        base = cv2.bilateralFilter(np.log2(cv2.resize(luma, (w // 4, h // 4)) + 0.002), 9, 1.2, 14)
        base = cv2.resize(base, (w, h))
        much = float(rng.uniform(0.1, 0.4))
        light = light * np.exp2(-much * (base - np.log2(0.18)))[..., None]
    a = float(rng.uniform(1.6, 3.4))  # a film's curve: toe and shoulder
    toned = light * (a * light + 0.03) / (light * (a * light + 0.75) + 0.14) * 1.02
    toned = np.clip(toned, 0, 1) ** np.float32(1 / 2.2) if a < 2.0 else np.clip(toned, 0, 1) ** np.float32(1 / 2.35)
    toned = np.clip(toned, 0, 1)
    eight = np.asarray(np.round(255 * toned), np.uint8)
    if rng.random() < 0.7:
        eight = np.asarray(cv2.fastNlMeansDenoisingColored(eight, None, 2.0, float(rng.uniform(3, 8)), 3, 9), np.uint8)
    out = eight.astype(np.float32)
    colour = cv2.cvtColor(np.clip(out, 0, 255).astype(np.uint8), cv2.COLOR_RGB2YCrCb).astype(np.float32)
    bright_part = colour[..., 0]
    fine = bright_part - cv2.GaussianBlur(bright_part, (0, 0), float(rng.uniform(0.8, 1.6)))
    wide = bright_part - cv2.GaussianBlur(bright_part, (0, 0), float(rng.uniform(12, 30)))
    colour[..., 0] = bright_part + float(rng.uniform(0.2, 1.1)) * fine + float(rng.uniform(0, 0.25)) * wide
    colour[..., 1:] = 128 + (colour[..., 1:] - 128) * float(rng.uniform(0.9, 1.3))
    return np.asarray(cv2.cvtColor(np.clip(np.round(colour), 0, 255).astype(np.uint8), cv2.COLOR_YCrCb2RGB), np.uint8)


def _fringed(light: Floats, by: float) -> Floats:
    """Red and blue a little larger or smaller than green, as lenses leave it."""
    h, w = light.shape[:2]
    out = light.copy()
    for channel, sign in ((0, 1.0), (2, -1.0)):
        scale = 1 + sign * by
        move = np.array([[scale, 0, (1 - scale) * w / 2], [0, scale, (1 - scale) * h / 2]])
        out[..., channel] = cv2.warpAffine(light[..., channel], move, (w, h), borderMode=cv2.BORDER_REPLICATE)
    return out
