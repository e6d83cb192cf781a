"""Walls, floors, furniture and light about a figure."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array, Picture
from vision.training.figures.meshes import box, strip, waves
from vision.training.outsider.pieces import Lamp, Made, Piece, Surroundings

PICTURES = ("city", "courtyard", "forest", "interior", "night", "studio", "sunrise", "sunset")
"""Light from all round that comes with Blender (CC0)."""


def tone(rng: np.random.Generator, low: float, high: float, colourful: float) -> tuple[float, float, float]:
    """A colour of some reflectance, linear."""
    hue, much = rng.uniform(0, 1), rng.uniform(0, colourful)
    wheel = 0.5 + 0.5 * np.cos(2 * np.pi * (hue + np.array([0, 1 / 3, 2 / 3])))
    colour = rng.uniform(low, high) * (1 - much + much * 2 * wheel)
    r, g, b = np.clip(colour, 0.008, 0.9)
    return float(r), float(g), float(b)


def kelvin(degrees: float) -> tuple[float, float, float]:
    """Colour of a lamp, about: warm at 2700, white at 6500, blue above."""
    t = (degrees - 6500) / 1000
    r, g, b = 1.0, 1 + 0.045 * min(t, 0) - 0.02 * max(t, 0), 1 + 0.13 * min(t, 0) + 0.02 * max(t, 0)
    return (r - 0.05 * max(t, 0), max(g, 0.3), max(b, 0.12))


def wall_of(rng: np.random.Generator) -> tuple[Made, str]:
    """What a wall is made of, and its name."""
    kind = str(
        rng.choice(
            ["plaster", "brick", "wallpaper", "boards", "tiles", "painted brick"],
            p=[0.36, 0.14, 0.22, 0.12, 0.08, 0.08],
        )
    )
    pale = tone(rng, 0.35, 0.8, 0.25)
    if kind == "plaster":
        colour = pale if rng.random() < 0.75 else tone(rng, 0.08, 0.4, 0.7)
        return {
            "kind": "plaster",
            "colour": colour,
            "fine": float(rng.choice([30, 90, 220])),
            "stain": float(rng.uniform(0.85, 1.0)),
            "rough": float(rng.uniform(0.5, 0.95)),
            "bump": float(rng.uniform(0.03, 0.5)),
        }, kind
    if kind == "wallpaper":
        other = tone(rng, 0.1, 0.7, 0.6)
        return {
            "kind": "wallpaper",
            "colour": pale,
            "other": tuple(0.6 * a + 0.4 * b for a, b in zip(pale, other, strict=True)),
            "often": float(rng.uniform(6, 26)),
            "turn": float(rng.choice([0, 0.785])),
            "pattern": str(rng.choice(["stripes", "leaves", "swirls", "rings"])),
        }, kind
    if kind == "boards":
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
        }, kind
    if kind == "tiles":
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
        }, kind
    red = (0.32 * rng.uniform(0.6, 1.2), 0.11 * rng.uniform(0.7, 1.5), 0.07 * rng.uniform(0.7, 1.6))
    colour = red if kind == "brick" else pale
    mortar = (0.45, 0.43, 0.4) if kind == "brick" else tuple(0.9 * c for c in pale)
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
    }, kind


def flat(corners: list[list[float]], made: Made, name: str = "") -> Piece:
    """A flat piece through four corners, its texture in metres."""
    points = np.array(corners, float)
    wide, high = np.linalg.norm(points[1] - points[0]), np.linalg.norm(points[3] - points[0])
    uv = np.array([[0, 0], [wide, 0], [wide, high], [0, high]]) + np.array([3.1, 1.7])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    return Piece(points, faces, made, uv[faces], smooth=False, name=name)


def block(low: tuple[float, float, float], high: tuple[float, float, float], made: Made) -> Piece:
    """A box with cut edges."""
    mesh = box(low, high, "", (1, 1, 1))
    points, index = np.unique(mesh.points.round(6), axis=0, return_inverse=True)
    edge = min(0.004, 0.2 * float(min(b - a for a, b in zip(low, high, strict=True))))
    return Piece(points, index.ravel()[mesh.faces], made, smooth=False, edge=edge)


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


def room(
    rng: np.random.Generator, arm: tuple[Array, Array], top: float, camera: Array
) -> tuple[Surroundings, dict[str, str]]:
    """All about a figure: nothing stands before the body, the arm (from shoulder to fingertip) or near them."""
    out = Surroundings()
    made, wall = wall_of(rng)
    left, right, ceiling = -float(rng.uniform(1.8, 3.2)), float(rng.uniform(1.8, 3.2)), float(rng.uniform(2.4, 3.0))
    deep = float(rng.uniform(3.5, 6.0))
    out.pieces.append(flat([[left, 0, 0], [right, 0, 0], [right, ceiling, 0], [left, ceiling, 0]], made, "wall"))
    wood = rng.uniform(0.4, 1.4)
    floor: Made = {
        "kind": "bricks",
        "colour": (0.36 * wood, 0.22 * wood, 0.12 * wood),
        "other": (0.28 * wood, 0.16 * wood, 0.085 * wood),
        "mortar": (0.02, 0.015, 0.01),
        "gap": 0.002,
        "size": (0.9, 0.11),
        "rough": 0.35,
        "bump": 0.15,
        "grain": 12.0,
        "bent": 2.0,
    }
    if rng.random() < 0.4:
        floor = {
            "kind": "plaster",
            "colour": tone(rng, 0.06, 0.5, 0.5),
            "fine": 500.0,
            "stain": 0.8,
            "rough": 0.95,
            "bump": 0.8,
        }
    out.pieces.append(flat([[left, 0, deep], [right, 0, deep], [right, 0, 0], [left, 0, 0]], floor))
    plain: Made = {
        "kind": "plaster",
        "colour": tone(rng, 0.3, 0.8, 0.2),
        "fine": 90.0,
        "stain": 0.95,
        "rough": 0.9,
        "bump": 0.1,
    }
    closed = rng.random() < 0.55
    for x, shown in ((left, rng.random() < 0.7), (right, rng.random() < 0.7)):
        if shown:
            out.pieces.append(flat([[x, 0, deep], [x, 0, 0], [x, ceiling, 0], [x, ceiling, deep]], plain))
    if closed:
        out.pieces.append(
            flat(
                [[left, ceiling, 0], [right, ceiling, 0], [right, ceiling, deep], [left, ceiling, deep]],
                {"kind": "plain", "colour": (0.75, 0.74, 0.72), "rough": 0.9},
            )
        )
    if rng.random() < 0.75:
        out.pieces.append(block((left, 0, 0), (right, float(rng.uniform(0.05, 0.12)), 0.015), thing_made(rng)))
    _furnish(rng, out, arm, top, ceiling)
    light = _light(rng, out, camera, closed, ceiling)
    return out, {"wall": wall, "light": light}


def _furnish(rng: np.random.Generator, out: Surroundings, arm: tuple[Array, Array], top: float, ceiling: float) -> None:
    a, b = arm
    kept = [(-0.45, 0.45, 0.0, top + 0.06), (min(a[0], b[0]) - 0.08, max(a[0], b[0]) + 0.08, a[1] - 0.5, a[1] + 0.5)]

    def free(x0: float, x1: float, y0: float, y1: float) -> bool:
        return all(x1 < k[0] or x0 > k[1] or y1 < k[2] or y0 > k[3] for k in kept)

    for _ in range(int(rng.integers(3, 12))):
        kind = str(
            rng.choice(
                [
                    "painting",
                    "painting",
                    "shelf",
                    "cabinet",
                    "door",
                    "chair",
                    "lamp",
                    "curtain",
                    "radiator",
                    "plant",
                    "socket",
                    "toy",
                ]
            )
        )
        x, y = float(rng.uniform(-1.7, 1.7)), float(rng.uniform(0.2, 2.0))
        made = thing_made(rng)
        if kind == "painting":
            w, h = (float(v) for v in rng.uniform(0.18, 0.7, 2))
            if free(x, x + w, y, y + h):
                d = float(rng.uniform(0.012, 0.035))
                out.pieces.append(block((x - 0.025, y - 0.025, 0.0), (x + w + 0.025, y + h + 0.025, d - 0.004), made))
                shown: Made = {
                    "kind": "painting",
                    "often": float(rng.uniform(1.5, 9)),
                    "turn": float(rng.uniform(0, 6)),
                    "saturation": float(rng.uniform(0, 1.5)),
                    "value": float(rng.uniform(0.4, 1.1)),
                }
                out.pieces.append(flat([[x, y, d], [x + w, y, d], [x + w, y + h, d], [x, y + h, d]], shown))
                kept.append((x - 0.03, x + w + 0.03, y - 0.03, y + h + 0.03))
        elif kind == "shelf" and free(x, x + 0.8, y - 0.03, y + 0.3):
            out.pieces.append(block((x, y - 0.022, 0.0), (x + 0.8, y, 0.2), made))
            at = x + 0.02
            while at < x + 0.72:
                w = float(rng.uniform(0.012, 0.05))
                book: Made = {
                    "kind": "plain",
                    "colour": tone(rng, 0.03, 0.6, 0.95),
                    "rough": float(rng.uniform(0.2, 0.8)),
                }
                out.pieces.append(
                    block(
                        (at, y, 0.02),
                        (at + w, y + float(rng.uniform(0.14, 0.27)), float(rng.uniform(0.12, 0.18))),
                        book,
                    )
                )
                at += w + float(rng.choice([0.001, 0.001, 0.06]))
            kept.append((x, x + 0.8, y - 0.03, y + 0.3))
        elif kind == "cabinet":
            w, h, d = float(rng.uniform(0.4, 1.0)), float(rng.uniform(0.35, 1.9)), float(rng.uniform(0.22, 0.5))
            if free(x, x + w, 0, h):
                out.pieces.append(block((x, 0.0, 0.01), (x + w, h, d), made))
                for k in range(int(rng.integers(1, 4))):
                    knob = y * 0 + h * (k + 0.5) / 4
                    out.pieces.append(
                        block(
                            (x + w / 2 - 0.05, knob, d),
                            (x + w / 2 + 0.05, knob + 0.015, d + 0.02),
                            {"kind": "plain", "colour": (0.6, 0.6, 0.6), "rough": 0.25, "metal": 1.0},
                        )
                    )
                kept.append((x, x + w, 0, h))
        elif kind == "door" and free(x, x + 0.95, 0, 2.1):
            out.pieces.append(block((x, 0.0, 0.0), (x + 0.9, 2.05, 0.02), made))
            out.pieces.append(block((x + 0.05, 0.0, 0.018), (x + 0.85, 2.0, 0.03), made))
            kept.append((x, x + 0.95, 0, 2.1))
        elif kind == "chair" and free(x, x + 0.42, 0, 0.95):
            for dx in (0.0, 0.38):
                out.pieces.append(block((x + dx, 0, 0.08), (x + dx + 0.035, 0.92, 0.115), made))
                out.pieces.append(block((x + dx, 0, 0.45), (x + dx + 0.035, 0.45, 0.485), made))
            out.pieces.append(block((x - 0.01, 0.43, 0.07), (x + 0.43, 0.465, 0.5), made))
            for k in range(3):
                out.pieces.append(block((x, 0.6 + 0.11 * k, 0.085), (x + 0.41, 0.65 + 0.11 * k, 0.105), made))
            kept.append((x, x + 0.42, 0, 0.95))
        elif kind == "lamp" and free(x - 0.15, x + 0.15, 1.3, 1.9):
            glow: Made = {"kind": "lit", "colour": kelvin(2800), "strength": float(rng.uniform(1, 5))}
            out.pieces.append(_round(x, 0.28, [(0.0, 0.14), (0.02, 0.14), (0.022, 0.012), (1.35, 0.012)], made))
            out.pieces.append(_round(x, 0.28, [(1.35, 0.15), (1.6, 0.10)], glow))
            kept.append((x - 0.15, x + 0.15, 0, 1.9))
        elif kind == "curtain" and abs(x) > 0.6:
            xs = np.linspace(x, x + float(rng.uniform(0.25, 0.7)), 90)
            if free(float(xs[0]), float(xs[-1]), 0, 2.3):
                z = 0.08 + 0.03 * np.sin(xs * float(rng.uniform(50, 110))) + 0.015 * waves(xs[:, None] * 12, rng)
                rows = [
                    np.stack([xs + 0.01 * np.sin(h * 3), np.full(90, h), z * (1 - 0.1 * h)], 1)
                    for h in np.linspace(0.04, ceiling - 0.08, 12)
                ]
                mesh = strip(rows, "")
                uv = np.column_stack([np.tile(np.linspace(0, 1, 90), 12), np.repeat(np.linspace(0, 2.4, 12), 90)])
                out.pieces.append(Piece(mesh.points, mesh.faces, cloth_of(rng), uv[mesh.faces]))
                kept.append((float(xs[0]), float(xs[-1]), 0, 2.3))
        elif kind == "radiator" and free(x, x + 0.8, 0.1, 0.75):
            white: Made = {"kind": "plain", "colour": (0.8, 0.8, 0.78), "rough": 0.3}
            for k in range(10):
                out.pieces.append(block((x + 0.08 * k, 0.12, 0.03), (x + 0.08 * k + 0.062, 0.7, 0.1), white))
            kept.append((x, x + 0.8, 0.1, 0.75))
        elif kind == "plant" and free(x - 0.3, x + 0.3, 0, 1.3):
            out.pieces.append(_round(x, 0.28, [(0.0, 0.1), (0.25, 0.14), (0.25, 0.12)], made))
            out.pieces.append(_leaves(rng, x))
            kept.append((x - 0.3, x + 0.3, 0, 1.3))
        elif kind == "socket" and free(x, x + 0.09, y, y + 0.09):
            out.pieces.append(
                block(
                    (x, y, 0.0),
                    (x + 0.084, y + 0.084, 0.011),
                    {"kind": "plain", "colour": (0.8, 0.8, 0.78), "rough": 0.3},
                )
            )
        elif kind == "toy" and free(x - 0.1, x + 0.1, 0, 0.2):
            r = float(rng.uniform(0.06, 0.12))
            ball = [
                (r - r * float(np.cos(t)), r * float(np.sin(t)) + 1e-4) for t in np.linspace(0.05, np.pi - 0.05, 14)
            ]
            out.pieces.append(
                _round(x, 0.3, ball, {"kind": "plain", "colour": tone(rng, 0.05, 0.5, 1.0), "rough": 0.3})
            )


def _round(x: float, z: float, profile: list[tuple[float, float]], made: Made) -> Piece:
    turn = np.linspace(0, 2 * np.pi, 28, endpoint=False)
    rows = [np.stack([x + r * np.cos(turn), np.full(28, y), z + r * np.sin(turn)], 1) for y, r in profile]
    mesh = strip(rows, "", closed=True)
    return Piece(mesh.points, mesh.faces, made, name="round")


def _leaves(rng: np.random.Generator, x: float) -> Piece:
    points, faces = [], []
    for _ in range(40):
        root, turn = np.array([x, 0.25, 0.28]), rng.uniform(0, 2 * np.pi)
        out = np.array([np.cos(turn), 0, np.sin(turn)])
        high, far, wide = rng.uniform(0.3, 0.9), rng.uniform(0.05, 0.28), rng.uniform(0.008, 0.03)
        side = np.cross(out, [0, 1, 0]) * wide
        t = np.linspace(0, 1, 7)[:, None]
        path = root + out * far * t**1.5 + np.array([0, 1, 0]) * high * (t - 0.35 * t**2.5)
        width = np.sin(np.pi * np.clip(t * 0.9 + 0.08, 0, 1))
        strip_points = np.concatenate([path - side * width, path + side * width])
        strip_points[:, 2] = np.maximum(strip_points[:, 2], 0.02)
        start = 14 * len(points)
        points.append(strip_points)
        for k in range(6):
            faces += [[start + k, start + k + 7, start + k + 1], [start + k + 1, start + k + 7, start + k + 8]]
    green = tuple(float(c) for c in np.array([0.05, 0.14, 0.03]) * rng.uniform(0.5, 2))
    return Piece(np.concatenate(points), np.array(faces), {"kind": "plain", "colour": green, "rough": 0.4})


def _light(rng: np.random.Generator, out: Surroundings, camera: Array, closed: bool, ceiling: float) -> str:
    target = np.array([0.1, 1.0, 0.1])
    kind = str(
        rng.choice(
            ["around", "window", "ceiling", "flash", "mixed", "lamp", "low"],
            p=[0.16, 0.24, 0.16, 0.12, 0.16, 0.10, 0.06],
        )
    )
    strength = {"around": 1.2, "window": 0.35, "ceiling": 0.15, "flash": 0.08, "mixed": 0.3, "lamp": 0.12, "low": 0.1}[
        kind
    ]
    out.around = (
        str(rng.choice(PICTURES)),
        strength * float(np.exp(rng.normal(0, 0.3))),
        float(rng.uniform(0, 2 * np.pi)),
    )

    def area(
        place: Array, towards: Array, power: float, colour: tuple[float, float, float], size: tuple[float, float]
    ) -> None:
        out.lamps.append(Lamp("area", place, towards, power, colour, size))

    side = float(rng.choice([-1, 1]))
    if kind in ("window", "mixed", "low"):
        at = np.array([side * rng.uniform(1.3, 1.75), rng.uniform(1.1, 1.8), rng.uniform(0.6, 2.6)])
        size = (float(rng.uniform(0.6, 1.6)), float(rng.uniform(0.8, 1.6)))
        area(
            at,
            target + np.array([0, 0, 0.3]),
            float(rng.uniform(60, 160)) * (0.3 if kind == "low" else 1.0),
            kelvin(rng.uniform(5500, 9000)),
            size,
        )
        if rng.random() < 0.35:  # sun through it, in panes
            sun = np.array([side * rng.uniform(1.5, 3), rng.uniform(1.5, 3), rng.uniform(1.5, 3)])
            out.lamps.append(
                Lamp("sun", sun, np.zeros(3), float(rng.uniform(0.8, 3)), kelvin(rng.uniform(4200, 5800)), (0.009, 0.0))
            )
            _panes(out, sun, rng)
    if kind in ("ceiling", "mixed"):
        at = np.array([rng.uniform(-1, 1), ceiling - 0.08, rng.uniform(0.9, 2.4)])
        area(
            at,
            at - [0, 1, 0],
            float(rng.uniform(40, 110)),
            kelvin(rng.uniform(2700, 5000)),
            (float(rng.uniform(0.15, 0.9)),) * 2,
        )
    if kind == "flash":
        at = camera + np.array([rng.uniform(-0.03, 0.03), rng.uniform(0.01, 0.05), 0.01])
        area(at, target, 22.0 * float(camera[2] ** 2) / 3, kelvin(5800), (0.012, 0.012))
        at = np.array([rng.uniform(-1, 1), ceiling - 0.08, rng.uniform(0.9, 2.4)])
        area(at, at - [0, 1, 0], float(rng.uniform(6, 30)), kelvin(2900), (0.4, 0.4))
    if kind == "lamp":
        at = np.array([side * rng.uniform(0.9, 1.8), rng.uniform(0.8, 1.9), rng.uniform(0.5, 1.8)])
        out.lamps.append(
            Lamp(
                "point",
                at,
                target,
                float(rng.uniform(25, 70)),
                kelvin(rng.uniform(2600, 3400)),
                (float(rng.uniform(0.03, 0.12)), 0),
            )
        )
        at = np.array([-side * rng.uniform(0.5, 1.6), ceiling - 0.1, rng.uniform(1.2, 2.4)])
        area(at, at - [0, 1, 0], float(rng.uniform(10, 40)), kelvin(rng.uniform(3000, 6500)), (0.5, 0.5))
    if closed and kind == "around":
        at = camera + np.array([rng.uniform(-1, 1), 0.5, 1.0])
        area(at, target, float(rng.uniform(60, 140)), kelvin(rng.uniform(4500, 7500)), (2.0, 1.4))
    return kind


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


MOST_RED_OF_SKIN = 8.0
"""Red over blue, in linear light, up to which a colour may be a skin's (dark skin some 5, pale 2); our choice."""


def cloth_of(rng: np.random.Generator, printed: tuple[str, tuple[float, float, float]] | None = None) -> Made:
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

    def changed(colour: tuple[float, float, float]) -> tuple[float, float, float]:
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
