"""Sequences of views of one lying instrument for the accuracy benchmark: somebody steps round it, nothing is moved.

``python -m vision.training.lying OUT --first 810000 --count 20``

The benchmark looks for them in SCENES/sequences/violin and SCENES/sequences/card, for films in SCENES/films/violin.

For each seed a folder ``violin/NUMBER`` with a folder for each of five views: photo.jpg with the printed sheet (or two)
in it, and truth.json with the keys of the given scenes of instruments: world in mm, the surface at z = 0, z up; camera
``x_cam = R X + t`` with the first pixel's centre at (0, 0).  The instruments are those of `vision.training.violin`, of
which the instrument's network saw others; they are traced here in sheets with exact edges
(`vision.training.figures.trace`), through a lens with distortion, by a camera that has one lens for all views.  The
edge network and every threshold of the fit learned from another renderer.  With ``--card`` a blank card lies in the
frame of the first sheet.  With ``--film`` each seed is a walk of three seconds instead, ten frames a second of 1920 x
1080 in jpg's, to be made a film of.

How exact the truth is: outlines are drawn in straight pieces of 0.5 mm, at most 0.003 mm inside the curve; the lens is
applied to the traced picture by cubic interpolation.  Only light that comes straight from the room is traced, eight
rays a pixel, so that shadows are grainy and darker than they are.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array, Picture
from calibration.sheet import CARD_HEIGHT_MM, CARD_WIDTH_MM, ROUND_CORNER_MM, Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from vision.instrument.shape import FULL_SIZE_MM
from vision.training.figures.meshes import Mesh, quad
from vision.training.figures.painted import coded, colour, grain, pattern
from vision.training.figures.trace import SKY, Surface, View, render
from vision.training.pieces import METAL, POLISH, VARNISH, Skin
from vision.training.saving import save_photo
from vision.training.standing import FILM_S, RATE, random_lens, steps, walk
from vision.training.violin import Solid, random_solid

SMALLEST_MM, STOUTEST = 190.0, 1.3
"""The stoutest instruments of `random_solid` are the smallest, of 1/32; those between go along a line, and all are
varied by 3 %."""
USUAL_EDGE_MM = 3.8
"""Thickness of the edge of an instrument that is not stout."""
SHEET_MM = (210.0, 297.0)
PAPER_MM = 0.1
"""Thickness of the paper: the print lies so far above the surface."""
PAD = 0.03
"""Of the photo's sides, how much more is traced all round for the lens to bend in."""
COARSE, AROUND_PX = 3, 40
"""Pixels in one where nothing but the surface is seen; how near to instrument and sheets all are traced."""
CARD_MM = 0.76
"""Thickness of a card (ISO/IEC 7810)."""
QUALITY = 90
TO_TRACER = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]) / 1000
"""From the world, mm and z up, to the tracer's, m and y up."""


class Scene:
    """An instrument, what it lies on, sheets, light and a lens, drawn from a seed."""

    def __init__(self, seed: int, film: bool = False, card: bool = False) -> None:
        rng = np.random.default_rng([seed, 41])
        self.seed, self.card = seed, card
        self.solid = random_solid(seed)
        stout = (self.solid.edge_mm / USUAL_EDGE_MM - 1) / (STOUTEST - 1)
        body_mm = FULL_SIZE_MM + stout * (SMALLEST_MM - FULL_SIZE_MM)
        self.scale = float(body_mm * rng.normal(1, 0.03) / FULL_SIZE_MM)
        self.pose, self.tilt_deg = resting(self.solid, self.scale, rng)
        self.sheets = self._sheets(rng)
        self.lens = random_lens(rng, film)
        self.sky = _light(rng)
        self.surfaces = self._surfaces(rng)
        self.meshes = self._meshes()
        must = self._must()
        self.standings = walk(must, self.lens, seed, rng) if film else steps(must, self.lens, rng)
        self.blur_px = float(rng.uniform(0.45, 0.9))
        self.noise = float(rng.uniform(0.002, 0.008))
        self.bright = float(rng.uniform(0.5, 0.8))
        self.shoulder = float(rng.uniform(0, 0.4))
        self.sharpened = float(rng.uniform(0, 0.7) if rng.random() < 0.5 else 0.0)

    def world(self, points: Array) -> Array:
        """Places of the instrument (N, 3), mm at full size, in the world."""
        return np.asarray(self.scale * points @ self.pose[:3, :3].T + self.pose[:3, 3])

    def _sheets(self, rng: np.random.Generator) -> list[Array]:
        """Corners TL, TR, BR, BL (4, 3) of the sheets: beside the body or the neck, not touching."""
        every = np.vstack([self.world(skin.grid.reshape(-1, 3)) for skin in self.solid.skins])
        turn = np.arctan2(self.pose[1, 1], self.pose[0, 1])  # of the axis
        axes = np.array([[np.sin(turn), -np.cos(turn)], [np.cos(turn), np.sin(turn)]])  # right, along
        flat = every[:, :2] @ axes.T
        side = float(rng.choice([-1, 1]))
        corners = []
        wide, high = SHEET_MM
        for _ in range(2 if rng.random() < 0.3 else 1):
            angle = np.radians(rng.normal(0, 4) + rng.choice([0, 90, 180, 270]))
            if round(np.degrees(angle) / 90) % 2:
                across, along = high, wide
            else:
                across, along = wide, high
            y = self.scale * FULL_SIZE_MM * rng.uniform(0.2, 0.9)
            near = flat[np.abs(flat[:, 1] - flat[:, 1].min() - y) < 0.62 * along]
            reach = float((near[:, 0] * side).max())
            middle = np.array([side * (reach + 0.5 * across + 0.09 * along + rng.uniform(8, 40)), flat[:, 1].min() + y])
            c, s = np.cos(angle), np.sin(angle)
            box = np.array([[-wide, high], [wide, high], [wide, -high], [-wide, -high]]) / 2
            place = (box @ np.array([[c, s], [-s, c]]) + middle) @ axes
            corners.append(np.column_stack([place, np.full(4, PAPER_MM)]))
            side = -side
        return corners

    def _surfaces(self, rng: np.random.Generator) -> dict[str, Surface]:
        varnish, polish = rng.uniform(0.3, 1.0, 2)
        rough = float(rng.uniform(0.3, 0.6))
        pages = [sheet_image(SheetLayout(Paper.A4, number + 1), 300) for number in range(len(self.sheets))]
        top = self.solid.skins[0]
        return {
            "table": Surface(
                texture=_table_picture(rng),
                repeats=(1 / rng.uniform(0.15, 0.6),) * 2,
                coat=float(rng.choice([0, 0.4])),
                rough=0.5,
            ),
            "top": Surface(texture=coded(top.colours)[::-1].copy(), coat=float(varnish), rough=rough),
            "varnish": Surface(coat=float(varnish), rough=rough),
            "polish": Surface(coat=float(polish), rough=float(rng.uniform(0.3, 0.5))),
            "dull": Surface(),
            "card": Surface((0.75, 0.74, 0.72), coat=0.5, rough=0.4),
            "metal": Surface(coat=1.5, rough=0.35),
            **{
                f"sheet {number}": Surface((0.82,) * 3, texture=np.repeat(_ink(page)[..., None], 3, axis=2))
                for number, page in enumerate(pages)
            },
        }

    def _meshes(self) -> list[Mesh]:
        top, *skins = self.solid.skins
        shape = top.grid.shape[:2]
        u, v = np.meshgrid((np.arange(shape[1]) + 0.5) / shape[1], (np.arange(shape[0]) + 0.5) / shape[0])
        out = [self._mesh(top, "top", np.stack([u, v], -1).reshape(-1, 2), step=2)]
        names = {VARNISH: "varnish", POLISH: "polish", METAL: "metal"}
        out += [self._mesh(skin, names.get(skin.shine, "dull")) for skin in skins]
        out.append(_flat(np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * 3000.0, "table", 3.0))
        out += [_flat(corners[::-1], f"sheet {number}") for number, corners in enumerate(self.sheets)]
        return out + ([_card(self.sheets[0], np.random.default_rng([self.seed, 44]))] if self.card else [])

    def _mesh(self, skin: Skin, material: str, uv: Array | None = None, step: int = 1) -> Mesh:
        """A skin in the tracer's world; of the fine top every second row and column do."""
        index = np.arange(skin.grid.shape[0] * skin.grid.shape[1]).reshape(skin.grid.shape[:2])[::step, ::step]
        a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
        there = np.ones(a.shape, bool)
        if skin.kept is not None:
            for down in range(step):
                for right in range(step):
                    there &= skin.kept[down::step, right::step][: a.shape[0], : a.shape[1]]
        faces = np.concatenate([np.stack([a, b, c], -1)[there], np.stack([a, c, d], -1)[there]])
        used, faces = np.unique(faces, return_inverse=True)
        points = self.world(skin.grid.reshape(-1, 3)[used]) @ TO_TRACER.T
        colours = np.ones((len(used), 3))
        if uv is None:
            colours = np.clip(np.broadcast_to(skin.colours, skin.grid.shape).reshape(-1, 3)[used], 0.004, 0.95)
        return Mesh(points, faces.reshape(-1, 3), material, None if uv is None else uv[used], colours)

    def _must(self) -> Array:
        """What every view must show."""
        ends = [skin.grid.reshape(-1, 3)[::7] for skin in self.solid.skins[1:]]
        return np.vstack([self.world(np.vstack([self.solid.outline, *ends])), *self.sheets])

    def photo(self, number: int, samples: int) -> Array:
        """One view (H, W, 3), 0..1 as in a file."""
        lens, standing = self.lens, self.standings[number]
        wide, high = lens.size
        size = (int(wide * (1 + 2 * PAD)), int(high * (1 + 2 * PAD)))
        matrix = lens.matrix(standing.wander_px)
        matrix[:2, 2] += PAD * np.array(lens.size)
        view = View(
            standing.place @ TO_TRACER.T,
            1000 * standing.turn @ TO_TRACER.T,
            float(matrix[0, 0]),
            (float(matrix[0, 2]), float(matrix[1, 2])),
            size,
        )
        linear = self._traced(view, samples, self.seed * 31 + 1009 * number)
        grid = np.stack(np.meshgrid(np.arange(wide), np.arange(high)), -1).reshape(-1, 1, 2).astype(float)
        straight = cv2.undistortPoints(
            grid, lens.matrix(standing.wander_px), np.array([*lens.bend, 0.0, 0.0]), P=matrix
        ).reshape(high, wide, 2)
        bent = cv2.remap(linear.astype(np.float32), straight.astype(np.float32), None, cv2.INTER_CUBIC)
        return self.developed(np.maximum(bent, 0.0), np.random.default_rng([self.seed, 43, number]))

    def _traced(self, view: View, samples: int, seed: int) -> Array:
        """Light (H, W, 3) of a pinhole; away from instrument and sheets the surface is traced coarsely."""

        def part(low: NDArray[np.int_], size: tuple[int, int], coarse: int) -> Array:
            centre = tuple((np.array(view.centre) - low + 0.5) / coarse - 0.5)
            each = replace(view, focal=view.focal / coarse, centre=centre, size=size)
            return np.asarray(
                render(self.meshes, self.surfaces, [], self.sky, each, samples, seed, bounces=0)[0], float
            )

        wide, high = view.size
        rough = part(np.zeros(2, int), (-(-wide // COARSE), -(-high // COARSE)), COARSE)
        whole = cv2.warpAffine(
            rough,
            np.array([[COARSE, 0, (COARSE - 1) / 2], [0, COARSE, (COARSE - 1) / 2]], float),
            (wide, high),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        px = view.project(self._must() @ TO_TRACER.T)
        low = np.maximum(np.floor(px.min(axis=0)).astype(int) - AROUND_PX, 0)
        top = np.minimum(np.ceil(px.max(axis=0)).astype(int) + AROUND_PX, [wide, high])
        whole[low[1] : top[1], low[0] : top[0]] = part(low, (int(top[0] - low[0]), int(top[1] - low[1])), 1)
        return np.asarray(np.nan_to_num(whole))

    def developed(self, linear: Array, rng: np.random.Generator) -> Array:
        """Blur of the lens, noise, exposure, tone curve, sharpening."""
        soft = cv2.GaussianBlur(linear, (0, 0), self.blur_px)
        mean = soft.mean(axis=(0, 1))
        exposed = soft * (mean.mean() / mean) ** 0.7 * self.bright / float(np.percentile(soft.max(axis=-1), 97))
        grained = exposed + self.noise * np.sqrt(np.maximum(exposed, 0.01)) * rng.standard_normal(exposed.shape)
        toned = np.clip(grained * (1 + self.shoulder) / (1 + self.shoulder * grained), 0, 1) ** (1 / 2.2)
        toned = cv2.bilateralFilter(toned.astype(np.float32), 5, 0.08, 1.2).astype(float)  # as phones take noise away
        if self.sharpened:
            toned = toned + self.sharpened * (toned - cv2.GaussianBlur(toned, (0, 0), 1.0))
        return np.asarray(np.clip(toned, 0, 1))

    def truth(self, number: int) -> dict[str, Any]:
        """What is true of one view; names as in the given scenes."""
        solid, standing, lens = self.solid, self.standings[number], self.lens
        places = {name: self.world(place[None])[0] for name, place in solid.points.items()}
        outline = solid.outline[:, 1] * self.scale
        total = max(float(skin.grid[..., 1].max()) for skin in solid.skins) * self.scale - outline.min()
        widths = {name: np.linalg.norm(places[f"{of}_right"] - places[f"{of}_left"]) for name, of in _WIDTHS.items()}
        matrix = lens.matrix(standing.wander_px)
        return {
            "seed": self.seed,
            "quality": "ok",
            "flags": {"shoulder_rest": False, "second_sheet": len(self.sheets) > 1, "book": False, "card": self.card},
            "units": "mm, px (pixel centres at integers)",
            "camera": {
                "K": matrix.round(4).tolist(),
                "dist": [*lens.bend, 0.0, 0.0, 0.0],
                "R": standing.turn.tolist(),
                "t": (-standing.turn @ standing.place).tolist(),
                "width": lens.size[0],
                "height": lens.size[1],
                "f35_equiv": lens.focal35_mm,
                "position_mm": standing.place.round(2).tolist(),
                "tilt_deg": float(np.degrees(np.arccos(-standing.turn[2, 2]))),
            },
            "sheets": [
                {"name": "AB"[k], "on_book": False, "z_mm": PAPER_MM, "corners_mm": corners.round(4).tolist(),
                 "corners_px": standing.project(corners, lens).round(4).tolist()}
                for k, corners in enumerate(self.sheets)
            ],
            "body_length_mm": float(outline.max() - outline.min()),
            "total_length_mm": float(total),
            **{name: float(width) for name, width in widths.items()},
            "string_length_mm": float(np.linalg.norm(places["nut_center"] - places["bridge_center"])),
            "rib_height_mm": self.scale * solid.ribs_mm,
            "edge_thickness_mm": self.scale * solid.edge_mm,
            "rest_tilt_deg": self.tilt_deg,
            "height_top_edge_at_body_top_mm": float(places["body_top_center"][2]),
            "height_top_edge_at_body_bottom_mm": float(places["body_bottom_center"][2]),
            "height_scroll_top_mm": float(places["scroll_top"][2]),
            "points_mm": {name: place.round(4).tolist() for name, place in places.items()},
            "points_px": {
                name: standing.project(place[None], lens)[0].round(3).tolist() for name, place in places.items()
            },
            "outline_top_edge_px": standing.project(self.world(solid.outline[::4]), lens).round(3).tolist(),
        }  # fmt: skip


_WIDTHS = {"upper_bout_mm": "upper_bout", "waist_mm": "waist", "lower_bout_mm": "lower_bout"}


def resting(solid: Solid, scale: float, rng: np.random.Generator) -> tuple[Array, float]:
    """How an instrument lies on its back: pose (4, 4) of the scaled instrument in the world, and its tilt, degrees.

    It touches the surface with the arch of its back and with the head or neck: with the pair of places that a line
    under it joins across the body's upper end.  It sinks in by up to 1.5 mm and leans a little to the side.
    """
    low = [solid.underside[:, 1:]]
    low += [grid[grid[:, 1] > FULL_SIZE_MM + 20][:, 1:] for grid in (skin.grid.reshape(-1, 3) for skin in solid.skins)]
    places = scale * np.vstack(low)
    hull = cv2.convexHull(places.astype(np.float32))[:, 0].astype(float)
    edges = [(a, b) for a, b in zip(hull, np.roll(hull, -1, axis=0), strict=True)]
    split = scale * FULL_SIZE_MM
    crossing = [(a, b) if a[0] < b[0] else (b, a) for a, b in edges if (a[0] - split) * (b[0] - split) < 0]
    a, b = min(crossing, key=lambda edge: edge[0][1] + edge[1][1])  # the lower of the two that cross
    tilt, roll = -float(np.arctan2(b[1] - a[1], b[0] - a[0])), float(np.radians(rng.normal(0, 0.4)))
    pitch = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    lean = np.array([[np.cos(roll), 0, np.sin(roll)], [0, 1, 0], [-np.sin(roll), 0, np.cos(roll)]])
    turn = rng.uniform(0, 2 * np.pi)
    yaw = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    pose = np.eye(4)
    pose[:3, :3] = yaw @ lean @ pitch
    pose[:3, 3] = -pose[:3, :3] @ (scale * np.array([0, 0.8 * FULL_SIZE_MM, 0]))
    pose[2, 3] = -float((pose[:3, :3] @ np.array([0, *a]))[2]) - rng.uniform(0, 1.5)
    return pose, float(np.degrees(tilt))


def _light(rng: np.random.Generator) -> Array:
    """A room that shines softly (32, 64, 3), with one to three windows or lamps in it; nothing from below."""
    high, turn = np.meshgrid(*(np.pi * (np.arange(n) + 0.5) / 32 for n in SKY), indexing="ij")
    way = np.stack([np.sin(high) * np.sin(turn), np.cos(high), np.sin(high) * np.cos(turn)], -1)
    field = np.exp(0.25 * _smooth(rng))[..., None] * rng.uniform(0.25, 0.6) * np.ones(3)
    for _ in range(int(rng.integers(1, 4))):
        up, angle = np.sin(rng.uniform(0.5, 1.4)), rng.uniform(0, 2 * np.pi)
        middle = np.array([np.cos(angle) * np.sqrt(1 - up**2), up, np.sin(angle) * np.sqrt(1 - up**2)])
        near = np.exp((way @ middle - 1) / rng.uniform(0.01, 0.15))
        field = field + near[..., None] * rng.uniform(1, 6) * np.exp(rng.normal(0, [0.12, 0.04, 0.12]))
    return np.asarray(field * (way[..., 1:2] > 0))


def _smooth(rng: np.random.Generator) -> Array:
    rough = cv2.GaussianBlur(np.asarray(rng.standard_normal(SKY), np.float32), (0, 0), 3.0)
    return np.asarray(rough / rough.std(), float)


def _table_picture(rng: np.random.Generator) -> Picture:
    """What it lies on: plain cloth, wood with its grain, or a pattern."""
    base = colour(rng, 0.05, 0.7, 0.7)
    weave = 1 + rng.uniform(0.02, 0.08) * grain(rng, 512, 110) + rng.uniform(0, 0.06) * grain(rng, 512, 6)
    kind = rng.random()
    if kind < 0.35:  # wood
        lines = cv2.GaussianBlur(grain(rng, 512, 120), (0, 0), sigmaX=20, sigmaY=0.7, borderType=cv2.BORDER_REFLECT)
        return coded(base * (weave * np.exp(rng.uniform(0.1, 0.35) * lines / lines.std()))[..., None])
    if kind < 0.75:
        return coded(base * weave[..., None])
    mask = rng.uniform(0.2, 0.7) * cv2.resize(pattern(rng), (512, 512))[..., None]
    return coded((base * (1 - mask) + colour(rng, 0.05, 0.7, 0.7) * mask) * weave[..., None])


def _ink(page: Picture) -> Picture:
    """The page as it reflects light: black ink gives back some of it."""
    return np.asarray(np.clip(page.astype(float), 55, 255), np.uint8)


def _flat(corners: Array, material: str, repeats: float = 1.0) -> Mesh:
    """A flat piece with corners BL, BR, TR, TL of its picture."""
    uv = repeats * np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    return quad((corners @ TO_TRACER.T).tolist(), material, uv)


def _card(sheet: Array, rng: np.random.Generator) -> Mesh:
    """A card laid into the frame of a sheet with corners TL, TR, BR, BL, as well as a hand does it."""
    box = SheetLayout(Paper.A4, 1).card
    middle = 0.5 * np.array([box.left + box.right, box.bottom + box.top]) + rng.normal(0, 0.4, 2)
    angle = rng.normal(0, 0.004)
    half = 0.5 * np.array([CARD_WIDTH_MM, CARD_HEIGHT_MM]) - ROUND_CORNER_MM
    arc = np.linspace(0, np.pi / 2, 13)
    quarter = ROUND_CORNER_MM * np.column_stack([np.cos(arc), np.sin(arc)])
    turns = [np.array([[c, -s], [s, c]]) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    signs = ((1, 1), (-1, 1), (-1, -1), (1, -1))
    ring = np.vstack([quarter @ turn.T + half * sign for turn, sign in zip(turns, signs, strict=True)])
    lean = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    ring = ring @ lean.T + middle
    right, up = (sheet[1] - sheet[0]) / SHEET_MM[0], (sheet[0] - sheet[3]) / SHEET_MM[1]
    flat = sheet.mean(axis=0) + ring[:, :1] * right + ring[:, 1:] * up
    count = len(flat)
    points = np.vstack([flat + np.array([0, 0, CARD_MM]), flat])
    k = np.arange(count)
    after = (k + 1) % count
    top = np.stack([np.zeros(count - 2, int), k[1:-1], k[2:]], -1)
    faces = np.concatenate([top, np.stack([k, k + count, after], -1), np.stack([after, k + count, after + count], -1)])
    # each face by itself: edges are sharp
    return Mesh(points[faces.ravel()] @ TO_TRACER.T, np.arange(faces.size).reshape(-1, 3), "card")


def make(seed: int, out: Path, samples: int, film: bool = False, card: bool = False) -> None:
    """Write the views of one seed; those that are there already stay."""
    folder = out / "violin" / str(seed)
    views = range(int(FILM_S * RATE)) if film else range(5)
    last = folder / (f"{views[-1]:03d}.jpg" if film else f"{views[-1]}/truth.json")
    if last.exists():
        return
    scene = Scene(seed, film, card)
    for number in views:
        place = folder if film else folder / str(number)
        place.mkdir(parents=True, exist_ok=True)
        rgb = np.round(255 * scene.photo(number, samples)).astype(np.uint8)
        name = f"{number:03d}.jpg" if film else "photo.jpg"
        save_photo(place / name, rgb, QUALITY, None if film else scene.lens.focal35_mm)
        if number == 0 or not film:
            (place / "truth.json").write_text(json.dumps(scene.truth(number)))


def main() -> None:
    """Make them all, or as many as the time allows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, default=810_000)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--samples", type=int, default=8)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--film", action="store_true")
    parser.add_argument("--card", action="store_true")
    options = parser.parse_args()
    start = time.time()
    for seed in range(options.first, options.first + options.count):
        make(seed, options.out, options.samples, options.film, options.card)
        print(seed, f"{time.time() - start:.0f} s", flush=True)
        if time.time() - start > options.seconds:
            break


if __name__ == "__main__":
    main()
