"""Pictures for surfaces: noise, patterns, plaster, cloth, paper, and photographed ones of the store in other tones."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Picture


def coded(linear: Array) -> Picture:
    """Linear colours 0..1 as 8-bit texture."""
    return np.asarray(np.round(255 * np.clip(linear, 0, 1) ** (1 / 2.2)), np.uint8)


def grain(rng: np.random.Generator, side: int, cutoff: float) -> Array:
    """Noise that repeats, of deviation 1, with details down to side / cutoff."""
    spectrum = np.fft.rfft2(rng.normal(size=(side, side)))
    k = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None]) * side
    out = np.fft.irfft2(spectrum * np.exp(-((k / cutoff) ** 2)), (side, side))
    return np.asarray(out / out.std())


def pattern(rng: np.random.Generator, side: int = 256) -> Array:
    """A mask (side, side) of some repeated pattern, 0..1."""
    y, x = np.mgrid[0:side, 0:side] / side
    kind = str(rng.choice(["stripes", "across", "check", "dots", "lattice", "brick", "tiles", "leaves", "zigzag"]))
    k = int(rng.integers(2, 12))
    if kind == "stripes":
        m = (x * k) % 1 < rng.uniform(0.1, 0.6)
    elif kind == "across":
        m = (y * k) % 1 < rng.uniform(0.1, 0.6)
    elif kind == "check":
        m = 0.5 * ((x * k) % 1 < 0.5) + 0.5 * ((y * k) % 1 < 0.5)
    elif kind == "dots":
        m = np.hypot((x * k) % 1 - 0.5, (y * k) % 1 - 0.5) < rng.uniform(0.12, 0.35)
    elif kind == "lattice":
        m = (np.abs(((x + y) * k) % 1 - 0.5) < 0.07) | (np.abs(((x - y) * k) % 1 - 0.5) < 0.07)
    elif kind == "brick":
        row = np.floor(y * 2 * k)
        m = ((y * 2 * k) % 1 < 0.12) | ((x * k + 0.5 * (row % 2)) % 1 < 0.06)
    elif kind == "tiles":
        m = ((x * k) % 1 < 0.05) | ((y * k) % 1 < 0.05)
    elif kind == "zigzag":
        m = (y * k + 0.5 * np.abs((x * k) % 1 - 0.5)) % 1 < 0.4
    else:
        m = np.zeros((side, side))
        for _ in range(int(rng.integers(10, 70))):
            cx, cy, a, s = *rng.uniform(0, 1, 2), rng.uniform(0, np.pi), rng.uniform(0.02, 0.1)
            dx, dy = (x - cx + 0.5) % 1 - 0.5, (y - cy + 0.5) % 1 - 0.5
            u, v = dx * np.cos(a) + dy * np.sin(a), dy * np.cos(a) - dx * np.sin(a)
            m = np.maximum(m, (u / s) ** 2 + (v / (rng.uniform(0.25, 1) * s)) ** 2 < 1)
    return np.asarray(cv2.GaussianBlur(np.asarray(m, float), (0, 0), rng.uniform(0.6, 1.5)))


def colour(rng: np.random.Generator, low: float, high: float, saturation: float) -> Array:
    """A colour of some reflectance."""
    hue = rng.uniform(0, 1, 3)
    hue = hue / hue.max()
    grey = rng.uniform(low, high)
    keep = rng.uniform(0, saturation)
    return np.asarray(np.clip(grey * (1 - keep + keep * hue * 1.4), 0.01, 0.92))


def photographed(rng: np.random.Generator, store: list[Picture], low: float, high: float) -> Picture:
    """A surface of the store in another tone, less coloured and with less contrast now and then."""
    linear = (store[int(rng.integers(len(store)))] / 255.0) ** 2.2
    if rng.random() < 0.5:
        linear = linear[:, ::-1]
    mean = linear.mean((0, 1))
    contrast, keep = rng.uniform(0.25, 1.0), rng.uniform(0.1, 1.0)
    linear = mean + contrast * (linear - mean)
    grey = linear.mean(-1, keepdims=True)
    linear = grey + keep * (linear - grey)
    return coded(linear * rng.uniform(low, high) / max(float(linear.mean()), 1e-3))


def surface_picture(rng: np.random.Generator, store: list[Picture], low: float, high: float) -> Picture:
    """A wall's or floor's picture: photographed, patterned, or plaster."""
    kind = rng.random()
    if kind < 0.45:
        return photographed(rng, store, low, high)
    base = colour(rng, low, high, 0.5)
    tone = (
        1 + rng.uniform(0.0, 0.05) * grain(rng, 256, rng.uniform(60, 120)) + rng.uniform(0, 0.04) * grain(rng, 256, 5)
    )
    if kind < 0.75:
        return coded(base * tone[..., None])
    other = colour(rng, low, high, 0.6) if rng.random() < 0.5 else base * rng.uniform(0.5, 1.3)
    mask = pattern(rng)[..., None]
    return coded((base * (1 - mask) + other * mask) * tone[..., None])


def cloth_picture(rng: np.random.Generator, store: list[Picture]) -> Picture:
    """Of cloth: plain, patterned, or printed all over."""
    weave = 1 + 0.05 * grain(rng, 256, 110) + rng.uniform(0, 0.08) * grain(rng, 256, 10)
    base = colour(rng, 0.02, 0.85, 0.95)
    kind = rng.random()
    if kind < 0.4:
        return coded(base * weave[..., None])
    if kind < 0.75:
        mask = pattern(rng)[..., None]
        return coded((base * (1 - mask) + colour(rng, 0.02, 0.85, 0.95) * mask) * weave[..., None])
    picture = photographed(rng, store, 0.06, 0.6)
    if kind < 0.88:
        return picture
    # a print on the chest
    out = np.tile(coded(base * weave[..., None]), (1, 1, 1))
    side = int(rng.integers(60, 150))
    y, x = (int(v) for v in rng.integers(0, 256 - side, 2))
    out[y : y + side, x : x + side] = cv2.resize(picture, (side, side))
    return out


def chessboard(rng: np.random.Generator) -> Picture:
    """A sheet with dark squares, or white, or written upon."""
    page = np.full((210, 148, 3), 238, np.uint8)
    kind = rng.random()
    if kind < 0.6:
        n = int(rng.integers(5, 10))
        cells = (np.add.outer(np.arange(210 * n // 148 + 1), np.arange(n)) % 2 * 225 + 12).astype(np.uint8)
        if rng.random() < 0.5:
            cells = np.where(rng.random(cells.shape) < 0.5, 12, 238).astype(np.uint8)
        board = cv2.resize(cells, (120, 182), interpolation=cv2.INTER_NEAREST)
        page[14 : 14 + 182, 14 : 14 + 120] = board[..., None]
    elif kind < 0.85:
        for y in range(16, 196, int(rng.integers(6, 14))):
            page[y : y + 2, 14 : int(rng.integers(60, 134))] = 60
    return page
