"""One child with an arm out and a printed sheet on the wall: what stands where, and what is true of it."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Floats
from calibration.lens import FRAME_DIAGONAL_MM
from vision.training.figures import bodies
from vision.training.figures.bodies import VERTICES, Body, Fitting, Kinds
from vision.training.figures.posing import (
    AHEAD_PIT_DEG,
    TRUNK_BONES,
    Pose,
    Posed,
    Poser,
    arms_out,
    elbow_bent,
    straight_out,
    unit,
)
from vision.training.figures.sequences import STEPS, Stand, Sway
from vision.training.figures.trace import View
from vision.training.outsider.clothes import COLLARS, Dresser, Neck, Wear, collar
from vision.training.outsider.hair import OVER_THE_NECK, STYLES, Hair, Head, strands
from vision.training.outsider.materials import chest_print, cloth_of, unlike_skin
from vision.training.outsider.phone import Lens
from vision.training.outsider.pieces import Camera, Description, Made, Piece, Strands
from vision.training.outsider.skin import Skin
from vision.training.outsider.solids import flat
from vision.training.outsider.surroundings import room

OLDEST = 13.0
ADULTS = 0.15
"""Share of bodies older than `OLDEST`; our choice, as all shares here."""
COLLARED, SUITED, CARDS = 0.45, 0.2, 0.2
TURNED_HEADS = 0.5
SHEET_M = (0.210, 0.297)
BEFORE_WALL_M = 0.0006
SIZE = (2016, 1512)
BORDER = 40
"""Pixels more on every side that are rendered for the lens to bend."""
BENT_DEG = 20.0, 45.0
"""Least and largest bend of an elbow that is bent towards the camera."""
SKINS = {"pale": ("young_caucasian_female/textures/young_lightskinned_female_diffuse.png",
                  "young_caucasian_male/textures/young_lightskinned_male_diffuse.png",
                  "young_asian_female/textures/young_lightskinned_female_diffuse3.png",
                  "young_asian_male/textures/young_lightskinned_male_diffuse3.png"),
         "dark": ("young_african_female/textures/young_darkskinned_female_diffuse.png",
                  "young_african_male/textures/young_darkskinned_male_diffuse.png")}  # fmt: skip
SUITS = ("male_casualsuit01", "male_casualsuit02", "male_casualsuit03", "male_casualsuit04", "male_casualsuit05",
         "male_casualsuit06", "female_casualsuit01", "female_casualsuit02", "male_worksuit01")  # fmt: skip
"""Clothes made for the mesh; none that leaves the midriff bare: the figures are clothed children."""
WIGS = {"short01": False, "short02": False, "short03": False, "short04": False, "bob01": True, "bob02": True,
        "long01": True, "ponytail01": False, "braid01": False, "afro01": False}  # fmt: skip
"""Hair that was made for the mesh, and whether it lies over the neck's sides."""


@dataclass(frozen=True)
class Wanted:
    """What a scene is to be: against the wall or floating, with a fault or without, in several views.

    Faults: the trunk turned by 15 to 25 degrees, or the elbow bent by `BENT_DEG` towards the camera.
    """

    wall: bool
    turned: bool = False
    bent: bool = False
    stepped: bool = False

    @property
    def faults(self) -> list[str]:
        """Their names in truth.json."""
        return ["torso_turned"] * self.turned + ["elbow_bent"] * self.bent


@dataclass(frozen=True)
class Figure:
    """A dressed body: its points (V, 3) with joints and turns, and the pieces on it."""

    posed: Posed
    pieces: list[Piece]
    worn: dict[str, Any]

    @property
    def back(self) -> float:
        """How far back it reaches, m."""
        return min(float(piece.points[:, 2].min() - 0.3 * piece.thick) for piece in self.pieces)


class Scene:
    """A child, what it wears, where sheet and camera are.

    Parameters
    ----------
    seed : int
        Of everything.
    kinds, store, fitting : Kinds, list of Body, Fitting
        Bodies with all points of their mesh.
    assets : Path
        Folder with ``skins`` and ``proxies`` made for the mesh.
    wanted : Wanted
        What it is to be.
    folder : Path
        Where pictures that cloth is printed with are written.
    scale : float
        Of the picture, for a first look.
    """

    def __init__(
        self,
        seed: int,
        kinds: Kinds,
        store: list[Body],
        fitting: Fitting,
        assets: Path,
        wanted: Wanted,
        folder: Path,
        scale: float = 1.0,
    ) -> None:
        rng = np.random.default_rng([seed, 71])
        self.seed, self.kinds, self.fitting, self.assets, self.wanted = seed, kinds, fitting, assets, wanted
        self.folder = folder
        young = [body for body in store if body.age <= OLDEST]
        old = [body for body in store if body.age > OLDEST]
        pool = old if old and rng.random() < ADULTS else young
        first, second = (pool[int(k)] for k in rng.integers(len(pool), size=2))
        share = float(rng.uniform(0, 0.5)) if abs(first.age - second.age) < 4 else 0.0
        self.body = bodies.mixed(first, second, share)
        self.side = "LR"[int(rng.integers(2))]
        self.pose = self._pose(rng)
        self.ahead = float(rng.uniform(0.002, 0.010))
        self.gap = float(rng.uniform(0.001, 0.006) if wanted.wall else rng.uniform(0.002, 0.03))
        self.dark = bool(rng.random() < 0.35)
        self.skin = self._skin(rng)
        self.dresser = Dresser(kinds, fitting, self.body)
        count = int(kinds.faces.max()) + 1
        self.own = count
        small = Kinds(
            kinds.faces,
            kinds.bones,
            kinds.parents,
            kinds.bone_of[:count],
            kinds.weight_of[:count],
            kinds.inside[:count],
        )
        self.small = small
        self.poser = Poser(small, Body(self.body.points[:count], self.body.heads, self.body.age))
        self.figure = self._standing()
        self.size = (round(scale * SIZE[0]), round(scale * SIZE[1]))
        self.step = float(np.random.default_rng([seed, 77]).uniform(0.2, 0.4)) if wanted.stepped else 0.0
        self.stand, self.lens, self.sheets = self._seen(np.random.default_rng([seed, 72]))
        self.hair = self._hair(np.random.default_rng([seed, 73]))
        points = self.points
        arm = self.joint("upperarm01"), points[VERTICES[f"tip3.{self.side}"]]
        self.about, self.named = room(
            np.random.default_rng([seed, 74]), arm, float(points[:, 1].max()), self.lens.view.place
        )

    def again(self, number: int) -> Scene:
        """The same child and room in one of the views of somebody who steps aside: the child sways, the hand shakes."""
        rng = np.random.default_rng([self.seed, 78, number])
        shake, tilt, sway = rng.normal(0, [0.03, 0.05, 0.03]), rng.normal(0, 1.2, 3), Sway.drawn(rng)
        other = copy(self)
        other.pose = sway.of(self.pose, self.side)
        other.gap = self.gap + (0.3 * sway.ahead if self.wanted.wall else sway.ahead)
        other.figure = other._standing(sway.aside)
        stand = self.stand.aside(STEPS[number] * self.step)
        stand = replace(stand, place=stand.place + shake, tilt=stand.tilt + tilt)
        other.stand, other.lens = stand, replace(self.lens, view=stand.view(self.size))
        other.hair = other._hair(np.random.default_rng([self.seed, 73]))
        return other

    @property
    def points(self) -> Array:
        """The skin's points (V, 3)."""
        return self.figure.posed.points[: self.own]

    def joint(self, bone: str) -> Array:
        """A joint of the outstretched arm."""
        return np.asarray(self.figure.posed.joints[self.kinds.number(f"{bone}.{self.side}")])

    def _pose(self, rng: np.random.Generator) -> Pose:
        arms = arms_out(rng, self.side)
        much = float(rng.choice([-1, 1]) * rng.uniform(15, 60))
        head = much if rng.random() < TURNED_HEADS else float(np.clip(rng.normal(0, 7), -15, 15))
        turn = float(rng.uniform(-4, 4) if self.wanted.wall else rng.uniform(-5, 5))
        if self.wanted.turned:
            turn = float(rng.choice([-1, 1]) * rng.uniform(15, 25))
            head = head - turn * float(rng.uniform(0, 1))
        nod, tilt = float(rng.normal(3, 6)), float(rng.normal(0, 4))
        return Pose(
            turn,
            0.0,
            float(rng.normal(0, 1.2)),
            (head, nod, tilt),
            arms,
            float(rng.normal(0, 3)),
        )

    def _skin(self, rng: np.random.Generator) -> Made:
        names = SKINS["dark" if self.dark else "pale"]
        shade = (
            np.exp(rng.normal(0, 0.12))
            * np.exp(rng.normal(0, 0.04, 3))
            * (rng.uniform(0.55, 1.0) if rng.random() < 0.3 else 1.0)
        )
        return {
            "kind": "skin",
            "picture": str(self.assets / "skins" / names[int(rng.integers(len(names)))]),
            "tint": tuple(float(c) for c in np.clip(shade, 0.2, 1.25)),
            "rough": float(rng.uniform(0.38, 0.6)),
            "under": float(rng.uniform(0.08, 0.25)),
            "scalp": (0.02, 0.015, 0.012),
        }

    def _bent(self, pose: Pose) -> Pose:
        """The pose with the elbow bent towards the camera where that is wanted; the upper arm stays."""
        if not self.wanted.bent:
            return pose
        rng = np.random.default_rng([self.seed, 79])
        return elbow_bent(pose, self.side, float(rng.uniform(*BENT_DEG)), float(rng.uniform(*AHEAD_PIT_DEG)))

    def _standing(self, aside: float = 0.0) -> Figure:
        """The dressed figure where it stands, some metres aside."""
        pose = self.pose
        if self.wanted.wall:
            pose = self.poser.touching(pose, self.side, self.ahead)
        figure = self._dressed(self._bent(pose))
        if self.wanted.wall:  # cloth holds the trunk off the wall; the hand goes back to it
            trunk = self.small.share(*TRUNK_BONES) > 0.5
            thick = float(figure.posed.points[: self.own][trunk][:, 2].min()) - figure.back
            pose = self.poser.touching(pose, self.side, self.ahead - thick)
            figure = self._dressed(self._bent(pose))
        self.pose = pose
        low = float(figure.posed.points[: self.own, 1].min())
        shift = np.array([aside, 0.012 - low, self.gap - figure.back])
        moved = Posed(figure.posed.points + shift, figure.posed.joints + shift, figure.posed.turns)
        return Figure(moved, [replace(piece, points=piece.points + shift) for piece in figure.pieces], figure.worn)

    def _dressed(self, pose: Pose) -> Figure:
        rng = np.random.default_rng([self.seed, 75])
        posed = self.dresser.poser.posed(pose)
        own = posed.points[: self.own]
        faces = self.kinds.faces.astype(np.int64)
        outer = faces[~self.kinds.inside[faces].any(1)]
        skin = Skin((own, outer))
        worn: dict[str, Any] = {"collar": None, "suit": None}
        shades = np.zeros(self.own)
        shades[Head.of(self.small, Posed(own, posed.joints, posed.turns)).scalp] = 1.0
        pieces = [Piece(own, faces, self.skin, self.fitting.uv, shades, name="body")]
        suit = str(rng.choice(SUITS)) if rng.random() < SUITED else None
        kind = str(rng.choice(COLLARS)) if suit is None and rng.random() < COLLARED else None
        wear = Wear.drawn(rng, kind)
        if suit is not None:
            folder = self.assets / "proxies/clothes" / suit
            made: Made = {
                "kind": "worn",
                "picture": str(next(iter(sorted((folder / "textures").glob("*diffuse*"))))),
                "tint": tuple(
                    float(c) for c in np.clip(rng.uniform(0.5, 1.1) * np.exp(rng.normal(0, 0.2, 3)), 0.2, 1.2)
                ),
            }
            pieces.append(replace(self.dresser.made_for(folder / f"{suit}.json", posed, made, skin), name="suit"))
            worn["suit"] = suit
        else:
            printed = None
            if rng.random() < 0.3:
                path = self.folder / f"print-{self.seed}.png"
                cv2.imwrite(str(path), chest_print(rng))
                stature = self.body.stature
                printed = (str(path.resolve()), (0.0, 0.72 * stature, float(rng.uniform(0.1, 0.2)) * stature / 1.2))
            cloth = cloth_of(rng, printed)
            self.dresser.covered[:] = False
            below = self.dresser.trousers(posed, wear, skin, rng, unlike_skin(cloth_of(rng)))
            top = self.dresser.top(posed, wear, Skin((own, outer), (below.points, below.faces)), rng, cloth)
            pieces += [below, top]
            seen = ~self.dresser.covered[faces].all(1)
            pieces[0] = replace(pieces[0], faces=faces[seen], uv=self.fitting.uv[seen])
            worn |= {"collar": kind, "sleeve": round(wear.sleeve, 2), "neckline_mm": round(1000 * wear.neckline, 1)}
            if kind is not None:
                like = {k: v for k, v in cloth.items() if not k.startswith("print")}
                plain = kind == "scarf" or rng.random() < 0.3
                pieces += collar(
                    kind, Neck.of(self.kinds, posed), Skin((own, outer), (top.points, top.faces)), rng,
                    cloth_of(rng) if plain else like,
                )  # fmt: skip
        brows = self.assets / "proxies/eyebrows/eyebrow001"
        dark: Made = {"kind": "cards", "picture": str(brows / "textures/eyebrow001.png"), "tint": (0.5, 0.4, 0.35)}
        face = [
            replace(self.dresser.made_for(brows / "eyebrow001.json", posed, dark), name="brows"),
            *self._eyes(posed),
        ]
        return Figure(posed, [*pieces, *face], worn)

    def _eyes(self, posed: Posed) -> list[Piece]:
        """White balls with irises and pupils before them."""
        out = []
        iris = [(0.05, 0.025, 0.012), (0.09, 0.06, 0.025), (0.06, 0.12, 0.18), (0.07, 0.11, 0.06)][self.seed % 4]
        for side in "LR":
            ball = self.small.share(f"eye.{side}") > 0.9
            if not ball.any():
                continue
            points = posed.points[: self.own][ball]
            middle, ahead = points.mean(0), posed.turns[self.kinds.number(f"eye.{side}")] @ np.array([0, 0, 1.0])
            radius = float(np.linalg.norm(points - middle, axis=1).max())
            across = unit(np.cross([0, 1.0, 0], ahead))
            up = np.cross(ahead, across)
            t = np.linspace(0, 2 * np.pi, 20, endpoint=False)
            for size, colour, off in ((0.58, iris, 1.0), (0.25, (0.004, 0.004, 0.004), 1.03)):
                ring = radius * size * (np.cos(t)[:, None] * across + np.sin(t)[:, None] * up)
                place = middle + ahead * radius * off * np.sqrt(1 - size**2)
                disc = np.vstack([place + ahead * radius * off * (1 - np.sqrt(1 - size**2)), place + ring])
                fan = np.array([[0, 1 + k, 1 + (k + 1) % 20] for k in range(20)])
                out.append(Piece(disc, fan, {"kind": "plain", "colour": colour, "rough": 0.05}, name="eye"))
            faces = self.kinds.faces.astype(np.int64)
            white = faces[ball[faces].all(1)]
            used, index = np.unique(white, return_inverse=True)
            inner = middle + 1.002 * (posed.points[used] - middle)
            out.append(
                Piece(
                    inner,
                    index.reshape(-1, 3),
                    {"kind": "plain", "colour": (0.45, 0.43, 0.41), "rough": 0.08},
                    name="eye",
                )
            )
        return out

    def _hair(self, rng: np.random.Generator) -> Strands | None:
        figure = self.figure
        if rng.random() < CARDS:
            name = str(rng.choice(list(WIGS)))
            folder = self.assets / "proxies/hair" / ("Braid01" if name == "braid01" else name)
            picture = next(iter(sorted((folder / "textures").glob("*"))))
            shade = rng.uniform(0.15, 1.0)
            made: Made = {
                "kind": "cards",
                "picture": str(picture),
                "tint": (float(shade), float(shade * 0.9), float(shade * 0.8)),
            }
            faces = self.kinds.faces.astype(np.int64)
            wig = self.dresser.made_for(folder / f"{folder.name}.json", figure.posed, made)
            points = wig.points.copy()
            points[:, 2] = np.maximum(points[:, 2], 0.003)
            figure.pieces.append(replace(wig, points=points, name="hair"))
            figure.worn["hair"], figure.worn["over_neck"] = f"made: {name}", WIGS[name]
            return None
        style = str(rng.choice(STYLES, p=[0.1, 0.16, 0.16, 0.14, 0.18, 0.1, 0.06, 0.1]))
        hair = Hair.drawn(rng, style, self.dark)
        figure.worn["hair"], figure.worn["over_neck"] = style, style in OVER_THE_NECK
        posed = Posed(self.points, figure.posed.joints, figure.posed.turns)
        faces = self.kinds.faces.astype(np.int64)
        parts = [(piece.points, piece.faces) for piece in figure.pieces if piece.name in ("cloth", "collar", "suit")]
        outer = faces[~self.kinds.inside[faces].any(1)]
        skin = Skin((self.points, outer), *parts)
        return strands(Head.of(self.small, posed), hair, skin, faces, self.points, self.seed)

    def _seen(self, rng: np.random.Generator) -> tuple[Stand, Lens, list[Array]]:
        """Camera and sheets: nothing of the figure lies before a sheet, all that must be seen is."""
        for _ in range(60):
            sheets = [self._sheet(rng)]
            if rng.random() < 0.2:
                sheets.append(self._sheet(rng))
            stand = self._camera(rng, sheets)
            lens = Lens(stand.view(self.size), float(rng.uniform(-0.02, 0.015)), float(rng.uniform(-0.006, 0.006)))
            free = all(
                self._free(replace(lens, view=stand.aside(by * self.step).view(self.size)), sheets)
                for by in ((-1, 0, 1) if self.step else (0,))
            )
            apart = len(sheets) == 1 or np.abs(sheets[0].mean(0) - sheets[1].mean(0)).max() > 0.34
            high = all(one[:, 1].min() > 0.1 for one in sheets)
            if free and apart and high:
                return stand, lens, sheets
        raise ValueError("no place for a sheet")

    def _free(self, lens: Lens, sheets: list[Array]) -> bool:
        """Whether nothing of the figure lies before a sheet."""
        shown = np.concatenate([lens.project(piece.points) for piece in self.figure.pieces])
        return all(
            all(
                cv2.pointPolygonTest(_grown(lens.project(one), 12), (float(x), float(y)), False) < 0
                for x, y in shown[::3]
            )
            for one in sheets
        )

    def _sheet(self, rng: np.random.Generator) -> Array:
        """Corners (4, 3) of an upright page: top left, top right, bottom right, bottom left."""
        shoulder, wrist = self.joint("upperarm01"), self.joint("wrist")
        landscape = rng.random() < 0.5
        wide, high = SHEET_M[::-1] if landscape else SHEET_M
        base = shoulder + float(rng.uniform(0.35, 1.05)) * (wrist - shoulder)
        away = 0.5 * high + float(rng.uniform(0.08, 0.22))
        middle = base[:2] + np.array([rng.normal(0, 0.04), away if rng.random() < 0.55 else -away])
        angle = np.radians(rng.normal(0, 1.6))
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        corners = np.array([[-wide, high], [wide, high], [wide, -high], [-wide, -high]]) / 2 @ turn.T + middle
        if landscape:  # the page's own top left is at the picture's top right, or at its bottom left
            corners = np.roll(corners, int(rng.choice([-1, 1])), axis=0)
        return np.column_stack([corners, np.full(4, BEFORE_WALL_M)])

    def _camera(self, rng: np.random.Generator, sheets: list[Array]) -> Stand:
        points, out = self.points, 1.0 if self.side == "L" else -1.0
        tip, top = points[VERTICES[f"tip3.{self.side}"]], float(points[:, 1].max())
        hip = self.figure.posed.joints[self.kinds.number(f"pelvis.{self.side}")]
        must = np.vstack(
            [[0, top + 0.03, 0.1], hip - [0, 0.05, 0], tip + np.array([0.04 * out, 0, 0]),
             [-0.25 * out, self.joint("upperarm01")[1], 0.1], *sheets]
        )  # fmt: skip
        aim = 0.5 * (must.min(axis=0) + must.max(axis=0)) * [1, 1, 0]
        aim = aim + np.array([*rng.normal(0, 0.04, 2), 0])
        away, spare = 0.85, float(rng.uniform(0.025, 0.14))
        off, tilt = rng.normal(0, [0.14, 0.1]), rng.normal(0, [2.0, 2.0, 1.5])
        focal35, wander = float(rng.uniform(23.5, 28.5)), rng.normal(0, 8, 2) * self.size[0] / SIZE[0]
        while True:
            place = np.array([aim[0] + off[0], self.joint("upperarm01")[1] + off[1], away])
            stand, margin = Stand(place, aim, tilt, focal35, wander), spare * self.size[0]
            steps = (-self.step, 0.0, self.step) if self.step else (0.0,)
            px = np.array([stand.aside(by).view(self.size).project(must) for by in steps])
            if (px > margin).all() and (px < np.array(self.size) - margin).all():
                return stand
            away += 0.03

    def description(self) -> Description:
        """What a renderer needs."""
        wide, must = self.wide_view, []
        for one in self.sheets:
            u, v = (k.ravel()[:, None] for k in np.meshgrid(np.linspace(0.02, 0.98, 12), np.linspace(0.02, 0.98, 16)))
            must.append(one[0] + u * (one[1] - one[0]) + v * (one[3] - one[0]))
        return Description(
            self.seed,
            [*self.figure.pieces, *self.about.pieces, *self.sheet_pieces()],
            self.hair,
            self.about.lamps,
            self.about.around,
            Camera(wide.place, wide.turn, wide.focal, wide.centre, wide.size),
            np.concatenate(must),
        )

    @property
    def wide_view(self) -> View:
        """The camera with a border about its picture."""
        view = self.lens.view
        size = (view.size[0] + 2 * BORDER, view.size[1] + 2 * BORDER)
        return View(view.place, view.turn, view.focal, (view.centre[0] + BORDER, view.centre[1] + BORDER), size)

    def sheet_pieces(self) -> list[Piece]:
        """The sheets, white."""
        paper: Made = {"kind": "paper", "colour": (0.83, 0.83, 0.84), "rough": 0.8}
        return [replace(flat(one[::-1].tolist(), paper), name="sheet") for one in self.sheets]

    def landmarks(self) -> dict[str, Array]:
        """Points of the skin and joints by the names that the scenes have, m."""
        points = self.points
        named = {k.replace(".", "_"): points[v] for k, v in VERTICES.items() if not k.startswith("tip")}
        for side in "LR":
            for name, bone in (("shoulder_joint", "upperarm01"), ("elbow", "lowerarm01"), ("wrist", "wrist")):
                named[f"{name}_{side}"] = self.figure.posed.joints[self.kinds.number(f"{bone}.{side}")]
            named[f"middle_fingertip_{side}"] = points[VERTICES[f"tip3.{side}"]]
        return named

    def measures(self) -> dict[str, float]:
        """Lengths of the same body, arm straight out at 90 degrees, mm."""
        points = self.poser.posed(straight_out(self.pose, self.side)).points

        def length(a: str, b: str) -> float:
            return round(float(1000 * np.linalg.norm(points[VERTICES[a]] - points[VERTICES[b]])), 2)

        s = self.side
        return {
            "arm_length_mm": length(f"side_neck.{s}", f"mid_palm.{s}"),
            "neck_to_middle_fingertip_mm": length(f"side_neck.{s}", f"tip3.{s}"),
            "acromion_to_mid_palm_mm": length(f"acromion.{s}", f"mid_palm.{s}"),
            "c7_to_mid_palm_mm": length("c7", f"mid_palm.{s}"),
        }

    def truth(self) -> dict[str, Any]:
        """All that is true of the picture, as the given scenes say it."""
        lens, view = self.lens, self.lens.view
        marks = self.landmarks()
        px = lens.project(np.array(list(marks.values())))
        neck, palm = marks[f"side_neck_{self.side}"], marks[f"mid_palm_{self.side}"]
        measures = self.measures()
        sheets = [
            {
                "width_mm": 210,
                "height_mm": 297,
                "corners_mm": (1000 * one).round(3).tolist(),
                "corners_px": lens.project(one).round(3).tolist(),
                "order": "TL,TR,BR,BL of the upright page",
            }
            for one in self.sheets
        ]
        return {
            "seed": self.seed,
            "image": "photo.jpg",
            "size": list(view.size),
            "camera": {
                "K": lens.matrix.round(4).tolist(),
                "dist": [round(lens.k1, 6), round(lens.k2, 6), 0, 0, 0],
                "R": view.turn.round(9).tolist(),
                "t": (-1000 * view.turn @ view.place).round(4).tolist(),
                "centre_mm": (1000 * view.place).round(2).tolist(),
                "f35_true": round(view.focal / float(np.hypot(*view.size)) * FRAME_DIAGONAL_MM, 3),
            },
            "sheets": sheets,
            "body": {
                "age_years": round(self.body.age, 1),
                "stature_mm": round(1000 * float(np.ptp(self.body.points[: self.own, 1])), 1),
            },
            "side": self.side,
            "measures": measures,
            "arm_length_mm": measures["arm_length_mm"],
            "posed_neck_to_mid_palm_chord_mm": round(float(1000 * np.linalg.norm(palm - neck)), 2),
            "pose": {
                "torso_yaw_deg": round(self.pose.turn, 2),
                "head_deg": [round(v, 2) for v in self.pose.head],
                "arm_elevation_deg": round(self.pose.arms[self.side].up, 2),
                "arm_forward_deg": round(self.pose.arms[self.side].forward, 2),
                "elbow_flexion_deg": round(self._bent(self.pose).arms[self.side].flex, 2),
            },
            "quality": self.wanted.faults or "good",
            "protocol": "wall" if self.wanted.wall else "floating",
            "points": {
                name: {"mm": (1000 * at).round(2).tolist(), "px": where.round(2).tolist()}
                for (name, at), where in zip(marks.items(), px, strict=True)
            },
            "worn": {**self.figure.worn, "dark": self.dark},
            "scene": self.named,
        }


def _grown(polygon: Array, by: float) -> Floats:
    middle = polygon.mean(0)
    away = polygon - middle
    far = np.linalg.norm(away, axis=1, keepdims=True)
    return np.asarray(middle + away * (1 + by / far), np.float32)
