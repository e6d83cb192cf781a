"""Rooms about a figure: wall, floor, furniture, sheets of paper, lamps, windows, flash, and what lies all round."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision.training.figures.meshes import Mesh, box, quad, strip, waves
from vision.training.figures.trace import SKY, Lamp, Surface


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


def room(
    rng: np.random.Generator, store: list[Picture], arm: tuple[Array, Array], top: float
) -> tuple[list[Mesh], dict[str, Surface]]:
    """Wall, floor and things; nothing large stands before the arm (from shoulder to fingertip) or the body."""
    left, right = -rng.uniform(1.6, 3.2), rng.uniform(1.6, 3.2)
    ceiling, deep = rng.uniform(2.35, 3.0), rng.uniform(2.8, 5.0)
    surfaces = {
        "wall": Surface(
            texture=surface_picture(rng, store, 0.12, 0.82),
            repeats=(1 / rng.uniform(0.3, 2.5),) * 2,
            coat=float(rng.choice([0, 0, 0.6])),
            rough=float(rng.uniform(0.25, 0.6)),
        ),
        "floor": Surface(
            texture=surface_picture(rng, store, 0.05, 0.5),
            repeats=(1 / rng.uniform(0.4, 1.5),) * 2,
            coat=float(rng.choice([0, 0.8])),
            rough=float(rng.uniform(0.2, 0.5)),
        ),
        "side": Surface(tuple(colour(rng, 0.1, 0.8, 0.4).tolist())),
        "thing": Surface(coat=0.5, rough=float(rng.uniform(0.2, 0.6))),
        "paper": Surface(texture=chessboard(rng)),
    }
    for number in range(3):
        surfaces[f"picture {number}"] = Surface(
            texture=photographed(rng, store, 0.05, 0.6), coat=float(rng.choice([0, 1.0])), rough=0.15
        )
    wall_uv = np.array([[left, 0], [right, 0], [right, ceiling], [left, ceiling]])
    if rng.random() < 0.5:
        wall_uv = wall_uv[:, ::-1].copy() if rng.random() < 0.3 else wall_uv
    out = [
        quad(
            [[left, 0, 0], [right, 0, 0], [right, ceiling, 0], [left, ceiling, 0]],
            "wall",
            wall_uv + rng.uniform(0, 1, 2),
        ),
        quad(
            [[left, 0, deep], [right, 0, deep], [right, 0, 0], [left, 0, 0]],
            "floor",
            np.array([[left, deep], [right, deep], [right, 0], [left, 0]]),
        ),
    ]
    if rng.random() < 0.8:
        out.append(quad([[left, 0, deep], [left, 0, 0], [left, ceiling, 0], [left, ceiling, deep]], "side"))
    if rng.random() < 0.8:
        out.append(quad([[right, 0, 0], [right, 0, deep], [right, ceiling, deep], [right, ceiling, 0]], "side"))
    if rng.random() < 0.75:
        out.append(
            quad(
                [[left, ceiling, 0], [right, ceiling, 0], [right, ceiling, deep], [left, ceiling, deep]],
                "side",
                colour=(0.9, 0.9, 0.9),
            )
        )
    if rng.random() < 0.8:
        out.append(
            box((left, 0, 0), (right, rng.uniform(0.05, 0.14), 0.014), "thing", colour(rng, 0.05, 0.8, 0.3).tolist())
        )
    if rng.random() < 0.2:  # panelled below or a second colour
        rail = rng.uniform(0.6, 1.1)
        out.append(box((left, 0, 0), (right, rail, 0.004), "thing", colour(rng, 0.05, 0.8, 0.6).tolist()))
    shoulder, tip = arm
    kept = [
        (-0.42, 0.42, 0.0, top + 0.05),
        (
            min(shoulder[0], tip[0]) - 0.06,
            max(shoulder[0], tip[0]) + 0.06,
            min(shoulder[1], tip[1]) - 0.16,
            max(shoulder[1], tip[1]) + 0.16,
        ),
    ]

    def free(x0: float, x1: float, y0: float, y1: float) -> bool:
        return all(x1 < k[0] or x0 > k[1] or y1 < k[2] or y0 > k[3] for k in kept)

    for _ in range(int(rng.integers(2, 12))):
        kind = str(
            rng.choice(
                [
                    "picture",
                    "picture",
                    "sheet",
                    "sheet",
                    "shelf",
                    "switch",
                    "cabinet",
                    "curtain",
                    "frame",
                    "plant",
                    "rail",
                ]
            )
        )
        x, y = rng.uniform(-1.5, 1.5), rng.uniform(0.15, 2.2)
        shade = colour(rng, 0.02, 0.8, 0.8).tolist()
        if kind in ("picture", "frame", "sheet"):
            w, h = (0.21, 0.297) if kind == "sheet" else rng.uniform(0.15, 0.8, 2)
            if not free(x, x + w, y, y + h) and not (kind == "picture" and rng.random() < 0.35):
                continue
            edge = 0.0006 if kind == "sheet" or rng.random() < 0.4 else rng.uniform(0.008, 0.03)
            name = "paper" if kind == "sheet" else f"picture {int(rng.integers(3))}"
            if edge > 0.001:
                t = rng.uniform(0.01, 0.05)
                out.append(box((x - t, y - t, 0), (x + w + t, y + h + t, edge), "thing", shade))
            out.append(
                quad(
                    [
                        [x, y, edge + 5e-4],
                        [x + w, y, edge + 5e-4],
                        [x + w, y + h, edge + 5e-4],
                        [x, y + h, edge + 5e-4],
                    ],
                    name,
                )
            )
        elif kind == "switch" and free(x, x + 0.09, y, y + 0.09):
            out.append(box((x, y, 0), (x + 0.085, y + 0.085, 0.01), "thing", (0.8, 0.8, 0.78)))
        elif kind == "shelf" and free(x, x + 0.8, y - 0.03, y + 0.3):
            out.append(box((x, y - 0.025, 0), (x + 0.8, y, 0.22), "thing", shade))
            at = x + 0.02
            while at < x + 0.72:
                w = rng.uniform(0.015, 0.06)
                out.append(
                    box(
                        (at, y, 0.01),
                        (at + w, y + rng.uniform(0.12, 0.28), 0.18),
                        "thing",
                        colour(rng, 0.02, 0.7, 1.0).tolist(),
                    )
                )
                at += w + rng.choice([0.002, 0.002, 0.05])
        elif kind == "cabinet":
            w, h = rng.uniform(0.35, 1.0), rng.uniform(0.3, 2.0)
            if free(x, x + w, 0, h):
                out.append(box((x, 0, 0.01), (x + w, h, rng.uniform(0.2, 0.5)), "thing", shade))
        elif kind == "rail" and free(x, x + 0.03, 0, 2.2):
            out.append(
                box((x, 0, 0), (x + rng.uniform(0.02, 0.9) * 0.1, ceiling, rng.uniform(0.01, 0.05)), "thing", shade)
            )
        elif kind == "curtain" and abs(x) > 0.5:
            xs = np.linspace(x, x + rng.uniform(0.2, 0.7), 60)
            if free(xs[0], xs[-1], 0, 2.3):
                z = 0.06 + 0.025 * np.sin(xs * rng.uniform(40, 90)) + 0.01 * waves(xs[:, None] * 20, rng)
                rows = [np.stack([xs, np.full(60, h), z], 1) for h in (0.05, ceiling - 0.05)]
                out.append(strip(rows, "thing", np.tile(np.array(shade), (120, 1))))
        elif kind == "plant" and abs(x) > 0.45:
            n = 120
            root = np.array([x, rng.uniform(0, 1.0), 0.25])
            at = root + rng.normal(0, [0.12, 0.2, 0.08], (n, 3)) + [0, 0.3, 0]
            at[:, 2] = np.maximum(at[:, 2], 0.03)
            side, down = rng.normal(0, 0.03, (n, 3)), rng.normal(0, 0.05, (n, 3))
            if free(x - 0.25, x + 0.25, root[1], root[1] + 0.8):
                points = np.stack([at, at + side, at + down], 1).reshape(-1, 3)
                green = np.array([0.06, 0.16, 0.04]) * rng.uniform(0.5, 2)
                out.append(Mesh(points, np.arange(3 * n).reshape(-1, 3), "thing", None, np.tile(green, (3 * n, 1))))
    return out, surfaces


def light(rng: np.random.Generator, store: list[Picture], camera: Array) -> tuple[list[Lamp], Array]:
    """Lamps and the sky (32, 64, 3): daylight from windows, ceiling lamps, bulbs of mixed colours, flash, open sky."""
    lamps: list[Lamp] = []

    def add(middle: Array, towards: Array, half: tuple[float, float], power: float, tint: Array) -> None:
        ahead = (towards - middle) / np.linalg.norm(towards - middle)
        side = np.cross([0.0, 1.0, 0.0], ahead) + np.array([1e-3, 0, 1e-3])
        side /= np.linalg.norm(side)
        up = np.cross(ahead, side)
        radiance = power * tint / (4 * half[0] * half[1])
        lamps.append(Lamp(middle, side * half[0], up * half[1], radiance))

    def tint(warm: float) -> Array:
        return np.array([1 + 0.35 * warm, 1.0, 1 - 0.45 * warm]) * np.exp(rng.normal(0, 0.04, 3))

    target = np.array([0.2, 1.0, 0.1])
    kinds = list(
        rng.choice(
            ["window", "ceiling", "bulb", "flash", "behind", "wide"],
            int(rng.integers(1, 4)),
            p=[0.28, 0.2, 0.16, 0.14, 0.1, 0.12],
        )
    )
    for kind in kinds:
        if kind == "window":
            side = float(rng.choice([-1, 1]))
            at = np.array([side * rng.uniform(1.4, 3.0), rng.uniform(0.9, 1.9), rng.uniform(0.4, 2.5)])
            add(
                at,
                target + np.array([0, 0, rng.uniform(0, 1.0)]),
                (rng.uniform(0.25, 0.9), rng.uniform(0.3, 0.9)),
                rng.uniform(8, 30),
                tint(rng.uniform(-0.5, 0.3)),
            )
        elif kind == "ceiling":
            at = np.array([rng.uniform(-1.2, 1.2), rng.uniform(2.25, 2.7), rng.uniform(0.5, 2.2)])
            add(
                at,
                at + np.array([0, -1, rng.uniform(-0.2, 0.2)]),
                (rng.uniform(0.06, 0.6),) * 2,
                rng.uniform(6, 18),
                tint(rng.uniform(-0.2, 1.0)),
            )
        elif kind == "bulb":
            at = np.array([rng.uniform(-2, 2), rng.uniform(0.5, 2.2), rng.uniform(0.5, 2.6)])
            add(
                at,
                target + rng.normal(0, 0.2, 3),
                (rng.uniform(0.015, 0.1),) * 2,
                rng.uniform(3, 15),
                tint(rng.uniform(0.3, 1.2)),
            )
        elif kind == "flash":
            at = camera + np.array([rng.uniform(-0.05, 0.05), rng.uniform(-0.03, 0.09), 0.02])
            add(
                at,
                target,
                (0.008, 0.006),
                rng.uniform(4, 12) * max(1.0, camera[2] ** 2 / 3),
                tint(rng.uniform(-0.1, 0.2)),
            )
        elif kind == "behind":
            at = camera + np.array([rng.uniform(-1, 1), rng.uniform(0, 0.8), rng.uniform(0.3, 1.2)])
            add(
                at,
                target,
                (rng.uniform(0.3, 1.2), rng.uniform(0.3, 0.9)),
                rng.uniform(8, 25),
                tint(rng.uniform(-0.4, 0.4)),
            )
        else:
            at = np.array([rng.uniform(-0.8, 0.8), rng.uniform(1.6, 2.4), rng.uniform(1.2, 3.0)])
            add(
                at,
                target,
                (rng.uniform(0.8, 2.0), rng.uniform(0.5, 1.5)),
                rng.uniform(15, 40),
                tint(rng.uniform(-0.3, 0.5)),
            )
    around = (store[int(rng.integers(len(store)))] / 255.0) ** (2.2 * rng.uniform(1.0, 2.5))
    around = cv2.resize(around, SKY[::-1], interpolation=cv2.INTER_AREA) + 0.02
    grey = around.mean(-1, keepdims=True)
    around = grey + rng.uniform(0.0, 0.5) * (around - grey)
    around = around / around.mean()
    if rng.random() < 0.35:
        around = np.ones((*SKY, 3)) * tint(rng.uniform(-0.3, 0.3))
    if rng.random() < 0.25:  # brighter above
        around = around * np.linspace(2, 0.3, SKY[0])[:, None, None]
    return lamps, around * np.exp(rng.uniform(np.log(0.08), np.log(1.2)))
