"""The light in a room: from all round, through a window, by lamps, from the camera."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from vision.training.outsider.materials import kelvin
from vision.training.outsider.pieces import Lamp, Made, Surroundings
from vision.training.outsider.solids import flat

PICTURES = ("city", "courtyard", "forest", "interior", "night", "studio", "sunrise", "sunset")
"""Light from all round that comes with Blender (CC0)."""

KINDS = {
    "around": (0.16, 1.2),
    "window": (0.24, 0.35),
    "ceiling": (0.16, 0.15),
    "flash": (0.12, 0.08),
    "mixed": (0.16, 0.3),
    "lamp": (0.10, 0.12),
    "low": (0.06, 0.1),
}
"""How often light is of a kind, and how strong the light from all round is then."""

FIGURE = np.array([0.1, 1.0, 0.1])
"""What lamps shine at, m."""


def light(rng: np.random.Generator, out: Surroundings, camera: Array, closed: bool, ceiling: float) -> str:
    """Light a room, `closed` above or not; the kind of light."""
    kind = str(rng.choice(list(KINDS), p=[often for often, _ in KINDS.values()]))
    out.around = (
        str(rng.choice(PICTURES)),
        KINDS[kind][1] * float(np.exp(rng.normal(0, 0.3))),
        float(rng.uniform(0, 2 * np.pi)),
    )
    side = float(rng.choice([-1, 1]))
    if kind in ("window", "mixed", "low"):
        _window(rng, out, side, 0.3 if kind == "low" else 1.0)
    if kind in ("ceiling", "mixed"):
        at = np.array([rng.uniform(-1, 1), ceiling - 0.08, rng.uniform(0.9, 2.4)])
        power, colour = float(rng.uniform(40, 110)), kelvin(rng.uniform(2700, 5000))
        out.lamps.append(Lamp("area", at, at - [0, 1, 0], power, colour, (float(rng.uniform(0.15, 0.9)),) * 2))
    if kind == "flash":
        _flash(rng, out, camera, ceiling)
    if kind == "lamp":
        _lamp(rng, out, side, ceiling)
    if closed and kind == "around":
        at = camera + np.array([rng.uniform(-1, 1), 0.5, 1.0])
        power, colour = float(rng.uniform(60, 140)), kelvin(rng.uniform(4500, 7500))
        out.lamps.append(Lamp("area", at, FIGURE, power, colour, (2.0, 1.4)))
    return kind


def _window(rng: np.random.Generator, out: Surroundings, side: float, strength: float) -> None:
    """A window on one side, and now and then the sun through it, in panes."""
    at = np.array([side * rng.uniform(1.3, 1.75), rng.uniform(1.1, 1.8), rng.uniform(0.6, 2.6)])
    size = (float(rng.uniform(0.6, 1.6)), float(rng.uniform(0.8, 1.6)))
    power, colour = float(rng.uniform(60, 160)) * strength, kelvin(rng.uniform(5500, 9000))
    out.lamps.append(Lamp("area", at, FIGURE + np.array([0, 0, 0.3]), power, colour, size))
    if rng.random() < 0.35:
        sun = np.array([side * rng.uniform(1.5, 3), rng.uniform(1.5, 3), rng.uniform(1.5, 3)])
        power, colour = float(rng.uniform(0.8, 3)), kelvin(rng.uniform(4200, 5800))
        out.lamps.append(Lamp("sun", sun, np.zeros(3), power, colour, (0.009, 0.0)))
        _panes(out, sun, rng)


def _flash(rng: np.random.Generator, out: Surroundings, camera: Array, ceiling: float) -> None:
    """The phone's own light, and a weak lamp above."""
    at = camera + np.array([rng.uniform(-0.03, 0.03), rng.uniform(0.01, 0.05), 0.01])
    out.lamps.append(Lamp("area", at, FIGURE, 22.0 * float(camera[2] ** 2) / 3, kelvin(5800), (0.012, 0.012)))
    at = np.array([rng.uniform(-1, 1), ceiling - 0.08, rng.uniform(0.9, 2.4)])
    out.lamps.append(Lamp("area", at, at - [0, 1, 0], float(rng.uniform(6, 30)), kelvin(2900), (0.4, 0.4)))


def _lamp(rng: np.random.Generator, out: Surroundings, side: float, ceiling: float) -> None:
    """A lamp beside the figure, and a weak one above on the other side."""
    at = np.array([side * rng.uniform(0.9, 1.8), rng.uniform(0.8, 1.9), rng.uniform(0.5, 1.8)])
    power, colour = float(rng.uniform(25, 70)), kelvin(rng.uniform(2600, 3400))
    out.lamps.append(Lamp("point", at, FIGURE, power, colour, (float(rng.uniform(0.03, 0.12)), 0)))
    at = np.array([-side * rng.uniform(0.5, 1.6), ceiling - 0.1, rng.uniform(1.2, 2.4)])
    power, colour = float(rng.uniform(10, 40)), kelvin(rng.uniform(3000, 6500))
    out.lamps.append(Lamp("area", at, at - [0, 1, 0], power, colour, (0.5, 0.5)))


def _panes(out: Surroundings, sun: Array, rng: np.random.Generator) -> None:
    """Bars between the sun and the figure: the window's frame."""
    way = sun / np.linalg.norm(sun)
    middle = np.array([0, 1.1, 0.1]) + 1.9 * way
    across = np.cross([0, 1, 0], way)
    across /= np.linalg.norm(across)
    dark: Made = {"kind": "plain", "colour": (0.5, 0.5, 0.5), "rough": 0.8}
    for k in range(-3, 4):
        base = middle + across * 0.45 * k
        w = across * float(rng.uniform(0.02, 0.05))
        out.pieces.append(
            flat(
                [
                    (base - w - [0, 1.4, 0]).tolist(),
                    (base + w - [0, 1.4, 0]).tolist(),
                    (base + w + [0, 1.4, 0]).tolist(),
                    (base - w + [0, 1.4, 0]).tolist(),
                ],
                dark,
            )
        )
    bar = np.array([0, 0.05, 0])
    for h in (-0.7, 0.0, 0.7):
        a, b = middle - 1.5 * across + [0, h, 0], middle + 1.5 * across + [0, h, 0]
        out.pieces.append(flat([a.tolist(), b.tolist(), (b + bar).tolist(), (a + bar).tolist()], dark))
