"""What walls, furniture and clothes are made of."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.arrays import Picture
from vision.training.outsider.pieces import Made

Colour = tuple[float, float, float]
"""Of light or reflected, linear: red, green, blue."""


def tone(rng: np.random.Generator, low: float, high: float, colourful: float) -> Colour:
    """A colour of some reflectance, linear."""
    hue, much = rng.uniform(0, 1), rng.uniform(0, colourful)
    wheel = 0.5 + 0.5 * np.cos(2 * np.pi * (hue + np.array([0, 1 / 3, 2 / 3])))
    colour = rng.uniform(low, high) * (1 - much + much * 2 * wheel)
    r, g, b = np.clip(colour, 0.008, 0.9)
    return float(r), float(g), float(b)


def kelvin(degrees: float) -> Colour:
    """Colour of a lamp, about: warm at 2700, white at 6500, blue above."""
    t = (degrees - 6500) / 1000
    r, g, b = 1.0, 1 + 0.045 * min(t, 0) - 0.02 * max(t, 0), 1 + 0.13 * min(t, 0) + 0.02 * max(t, 0)
    return (r - 0.05 * max(t, 0), max(g, 0.3), max(b, 0.12))


def _plaster(rng: np.random.Generator, pale: Colour) -> Made:
    colour = pale if rng.random() < 0.75 else tone(rng, 0.08, 0.4, 0.7)
    return {
        "kind": "plaster",
        "colour": colour,
        "fine": float(rng.choice([30, 90, 220])),
        "stain": float(rng.uniform(0.85, 1.0)),
        "rough": float(rng.uniform(0.5, 0.95)),
        "bump": float(rng.uniform(0.03, 0.5)),
    }


def _wallpaper(rng: np.random.Generator, pale: Colour) -> Made:
    other = tone(rng, 0.1, 0.7, 0.6)
    return {
        "kind": "wallpaper",
        "colour": pale,
        "other": tuple(0.6 * a + 0.4 * b for a, b in zip(pale, other, strict=True)),
        "often": float(rng.uniform(6, 26)),
        "turn": float(rng.choice([0, 0.785])),
        "pattern": str(rng.choice(["stripes", "leaves", "swirls", "rings"])),
    }


def _boards(rng: np.random.Generator, pale: Colour) -> Made:
    wood = (0.32 * rng.uniform(0.5, 1.4), 0.19 * rng.uniform(0.6, 1.3), 0.10 * rng.uniform(0.5, 1.4))
    colour = wood if rng.random() < 0.6 else pale
    return {
        "kind": "bricks",
        "colour": colour,
        "other": tuple(0.8 * c for c in colour),
        "mortar": (0.03, 0.025, 0.02),
        "gap": 0.004,
        "size": (float(rng.uniform(1.5, 3)), float(rng.uniform(0.07, 0.16))),
        "turn": float(rng.choice([0, np.pi / 2])),
        "rough": 0.5,
        "bump": 0.4,
        "grain": 9.0,
        "bent": 3.0,
    }


def _tiles(rng: np.random.Generator, pale: Colour) -> Made:
    side = float(rng.uniform(0.1, 0.3))
    return {
        "kind": "bricks",
        "colour": pale,
        "other": tuple(0.93 * c for c in pale),
        "mortar": (0.5, 0.5, 0.48),
        "gap": 0.004,
        "size": (side, side),
        "offset": 0.0,
        "rough": 0.15,
        "bump": 0.3,
        "grain": 200.0,
    }


def _brick(rng: np.random.Generator, pale: Colour) -> Made:
    red = (0.32 * rng.uniform(0.6, 1.2), 0.11 * rng.uniform(0.7, 1.5), 0.07 * rng.uniform(0.7, 1.6))
    return _laid(rng, red, (0.45, 0.43, 0.4))


def _painted_brick(rng: np.random.Generator, pale: Colour) -> Made:
    rng.uniform(size=3)  # a colour of bare bricks, so that a seed gives the walls that it always gave
    return _laid(rng, pale, tuple(0.9 * c for c in pale))


def _laid(rng: np.random.Generator, colour: Colour, mortar: tuple[float, ...]) -> Made:
    return {
        "kind": "bricks",
        "colour": colour,
        "other": tuple(c * float(rng.uniform(0.6, 0.95)) for c in colour),
        "mortar": mortar,
        "gap": 0.009,
        "size": (0.22, 0.075),
        "rough": 0.85,
        "bump": float(rng.uniform(0.4, 0.9)),
        "grain": 45.0,
    }


WALLS: dict[str, tuple[float, Callable[[np.random.Generator, Colour], Made]]] = {
    "plaster": (0.36, _plaster),
    "brick": (0.14, _brick),
    "wallpaper": (0.22, _wallpaper),
    "boards": (0.12, _boards),
    "tiles": (0.08, _tiles),
    "painted brick": (0.08, _painted_brick),
}
"""How often a wall is of a kind, and what makes it, given a pale colour."""


def wall_of(rng: np.random.Generator) -> tuple[Made, str]:
    """What a wall is made of, and its name."""
    kind = str(rng.choice(list(WALLS), p=[often for often, _ in WALLS.values()]))
    return WALLS[kind][1](rng, tone(rng, 0.35, 0.8, 0.25)), kind


def thing_made(rng: np.random.Generator) -> Made:
    """Wood or something painted."""
    if rng.random() < 0.5:
        dark = rng.uniform(0.3, 1.5)
        return {
            "kind": "wood",
            "colour": (0.38 * dark, 0.22 * dark, 0.11 * dark),
            "rough": float(rng.uniform(0.25, 0.6)),
        }
    return {"kind": "plain", "colour": tone(rng, 0.03, 0.75, 0.8), "rough": float(rng.uniform(0.15, 0.6))}


MOST_RED_OF_SKIN = 8.0
"""Red over blue, in linear light, up to which a colour may be a skin's (dark skin some 5, pale 2); our choice."""


def cloth_of(rng: np.random.Generator, printed: tuple[str, Colour] | None = None) -> Made:
    """Cloth of any pattern; a picture printed on the chest, where given: its file, place (x, y) and width."""
    base = tone(rng, 0.015, 0.75, 0.95)
    pattern = str(
        rng.choice(
            ["plain", "stripes", "check", "dots", "flowers", "camouflage", "melange"],
            p=[0.34, 0.17, 0.14, 0.09, 0.1, 0.06, 0.1],
        )
    )
    made: Made = {
        "kind": "cloth",
        "colour": base,
        "other": tone(rng, 0.015, 0.75, 0.95),
        "pattern": pattern,
        "often": float(rng.uniform(8, 45)),
        "turn": float(rng.choice([0.0, 0.0, 0.785])),
        "way": str(rng.choice(["X", "Y"])),
        "share": float(rng.uniform(0.25, 0.75)),
        "random": float(rng.choice([0.0, 1.0])),
        "rough": float(rng.uniform(0.6, 0.95)),
        "sheen": float(rng.uniform(0, 0.5)),
        "creases": float(rng.uniform(0.1, 0.8)),
        "weave": str(rng.choice(["cloth", "cloth", "knit"])),
        "fine": float(rng.uniform(40, 110)),
    }
    if printed is not None:
        made |= {"print": printed[0], "print at": printed[1], "pattern": "plain" if pattern != "melange" else pattern}
    return made


def unlike_skin(cloth: Made) -> Made:
    """The cloth, blue for red where a part of it has a colour that skin has: no figure shall look undressed.

    Skin of any tone is redder than green and greener than blue, and not by as much as a dye (linear light).
    """

    def changed(colour: Colour) -> Colour:
        red, green, blue = colour
        return (blue, green, red) if red >= green >= blue and red < MOST_RED_OF_SKIN * blue else colour

    return cloth | {name: changed(cloth[name]) for name in ("colour", "other")}


def chest_print(rng: np.random.Generator) -> Picture:
    """A picture with transparency, BGRA, for a shirt."""
    import cv2

    side = 256
    out = np.zeros((side, side, 4), np.uint8)
    shades = [tuple(int(255 * c ** (1 / 2.2)) for c in tone(rng, 0.05, 0.8, 1.0)) for _ in range(4)]
    for _ in range(int(rng.integers(2, 9))):
        shade = (*shades[int(rng.integers(4))], 255)
        kind = int(rng.integers(4))
        x, y, r = (int(v) for v in rng.integers((40, 40, 15), (216, 216, 90)))
        if kind == 0:
            cv2.circle(out, (x, y), r, shade, -1, cv2.LINE_AA)
        elif kind == 1:
            cv2.putText(
                out, str(int(rng.integers(1, 99))), (20, y), cv2.FONT_HERSHEY_DUPLEX, 4.0, shade, 18, cv2.LINE_AA
            )
        elif kind == 2:
            corners = (
                np.array([x, y])
                + r
                * np.array([[np.cos(t), np.sin(t)] for t in np.arange(10) * np.pi / 5])
                * np.where(np.arange(10) % 2, 0.45, 1)[:, None]
            )
            cv2.fillPoly(out, [corners.astype(np.int32)], shade, cv2.LINE_AA)
        else:
            cv2.rectangle(out, (x - r, y - r // 3), (x + r, y + r // 3), shade, -1)
    return out
