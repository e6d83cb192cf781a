"""Sequences of views of one child for the accuracy benchmark: a parent steps aside, the child sways, the sheet hangs.

``python -m vision.training.figures.sequences OUT BODIES SURFACES --first 790000 --count 40``

For each seed a folder KIND/NUMBER (kinds ``child_wall`` and ``child``) with a folder for each of five views: photo.jpg
with the printed sheet in it, and truth.json (``arm_length_mm`` as the scenes' generator defines it: of the same body,
arm straight out at 90 degrees).  With ``--film`` each seed is a walk of three seconds at 30 frames a second instead,
1920 x 1080, in jpg's to be made a film of.  With ``--turned`` each seed is one view, in KIND/NUMBER itself: every other
child has its trunk turned by 15 to 25 degrees, which is a fault (``torso_turned``), its head as much or less, and the
others turn the head alone.  With ``--away`` children whose hand does not touch the wall stand so many mm further from
it than else, and the camera too; the others are left out.  With ``--moved`` children stand so many mm aside from the
fourth view on, to the right if the seed is odd, and so do not stand still.  With ``--bent`` elbows are bent towards the
camera by so many degrees, which is a fault (``elbow_bent``); the upper arm is held as else, and a hand that would touch
the wall is as far from it as the forearm takes it.  Seeds are other ones than those of pictures learned from.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from calibration.lens import FRAME_DIAGONAL_MM
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from vision.training.figures import bodies
from vision.training.figures.bodies import VERTICES
from vision.training.figures.clothing import dressed
from vision.training.figures.looks import Looks
from vision.training.figures.make import back_of, developed
from vision.training.figures.meshes import Mesh, quad
from vision.training.figures.painted import cloth_picture
from vision.training.figures.posing import (
    AHEAD_PIT_DEG,
    TRUNK_BONES,
    Pose,
    Posed,
    Poser,
    about,
    arms_out,
    elbow_bent,
    straight_out,
    unit,
)
from vision.training.figures.rooms import light, room
from vision.training.figures.spread import Stores, parser, spread
from vision.training.figures.trace import Surface, View, render
from vision.training.saving import save_photo

OLDEST = 13.0
STEPS = (0.0, -1.0, -0.5, 0.5, 1.0)
"""Places of the five views along the wall, over the whole step to either side."""
MOVES_AT = 3
"""Number of the first view in which a child that moves stands elsewhere."""
SAMPLES, FILM_SAMPLES = 64, 32
QUALITY = 86
LAYOUT = SheetLayout(Paper.A4, 1)
SHEET_M = (0.210, 0.297)
BEFORE_WALL_M = 0.0008
FILM_S, RATE = 3.0, 30
SEEN_SHARE = 0.995
"""Of the sheet's pixels, those at least in which the sheet itself is seen."""


@dataclass(frozen=True)
class Sway:
    """How the child stands in one view, off the mean: m and degrees."""

    aside: float
    ahead: float
    turn: float
    lean: float
    up: float
    forward: float
    flex: float
    head: tuple[float, float, float]

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Sway:
        """Quiet standing, as in the other generator's sequences."""
        head = rng.normal(0, 1.5, 3)
        return cls(
            float(rng.normal(0, 0.006)),
            float(abs(rng.normal(0, 0.004))),
            float(rng.normal(0, 0.8)),
            float(rng.normal(0, 0.5)),
            float(rng.normal(0, 1.0)),
            float(rng.normal(0, 0.8)),
            float(rng.normal(0, 0.8)),
            (float(head[0]), float(head[1]), float(head[2])),
        )

    def of(self, pose: Pose, side: str) -> Pose:
        """A pose as it is in this view; `side` is that of the outstretched arm."""
        arm = pose.arms[side]
        arm = replace(arm, up=arm.up + self.up, forward=arm.forward + self.forward, flex=max(0.0, arm.flex + self.flex))
        turned, nod, tilt = (a + b for a, b in zip(pose.head, self.head, strict=True))
        return replace(
            pose,
            turn=pose.turn + self.turn,
            lean=pose.lean + self.lean,
            head=(turned, nod, tilt),
            arms={**pose.arms, side: arm},
        )

    def between(self, other: Sway, share: float) -> Sway:
        """On the way to another one."""
        mine, theirs = (np.array([*_numbers(each), *each.head]) for each in (self, other))
        *numbers, a, b, c = (mine + share * (theirs - mine)).tolist()
        return Sway(*numbers, (a, b, c))


def _numbers(sway: Sway) -> list[float]:
    return [sway.aside, sway.ahead, sway.turn, sway.lean, sway.up, sway.forward, sway.flex]


@dataclass(frozen=True)
class Stand:
    """Where somebody stands with the phone, and its lens.

    Place and aim (3,) in m, tilt (yaw, pitch, roll) in degrees, focal length in mm of 35 mm film, and how far the
    principal point lies from the middle (x, y), px.
    """

    place: Array
    aim: Array
    tilt: Array
    focal35: float
    wander: Array

    def view(self, size: tuple[int, int]) -> View:
        """The picture taken from there."""
        to = unit(self.aim - self.place)
        yaw = float(np.degrees(np.arctan2(to[0], -to[2])) + self.tilt[0])
        pitch = float(np.degrees(np.arcsin(to[1])) + self.tilt[1])
        turn = about((0, 1, 0), -yaw) @ about((1, 0, 0), pitch) @ about((0, 0, 1), float(self.tilt[2]))
        rows = np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]]) @ turn.T
        focal = self.focal35 / FRAME_DIAGONAL_MM * float(np.hypot(*size))
        centre = ((size[0] - 1) / 2 + float(self.wander[0]), (size[1] - 1) / 2 + float(self.wander[1]))
        return View(self.place, rows, focal, centre, size)

    def aside(self, by: float) -> Stand:
        """Some metres to the right."""
        return replace(self, place=self.place + np.array([by, 0, 0]))


class Scene:
    """A child, a room, a sheet and a lens, drawn from a seed; `what` is "steps", "film" or "turned".

    Raises ValueError where a child that is to stand away touches the wall.
    """

    def __init__(
        self,
        seed: int,
        stores: Stores,
        what: str = "steps",
        away_mm: float = 0.0,
        moved_mm: float = 0.0,
        bent_deg: float = 0.0,
    ) -> None:
        kinds, surfaces, rng = stores.kinds, stores.surfaces, np.random.default_rng([seed, 31])
        film = what == "film"
        self.seed, self.kinds, self.film, self.turned = seed, kinds, film, what == "turned" and seed % 2 == 1
        young = [body for body in stores.bodies if body.age < OLDEST]
        first, second = (young[int(k)] for k in rng.integers(len(young), size=2))
        self.body = bodies.mixed(first, second, float(rng.uniform(0, 0.5)))
        self.side = "LR"[int(rng.random() > 0.75)]
        self.touching, self.away = bool(rng.random() < 0.5), 0.001 * away_mm
        self.moved = 0.001 * moved_mm * (1 if seed % 2 else -1)
        self.bent_deg = bent_deg
        if self.touching and self.away:
            raise ValueError("touches the wall")
        self.looks = replace(Looks.drawn(rng), cover=str(rng.choice(["none", "none", "none", "collar", "hood"])))
        self.pose = self._pose(rng)
        if what == "turned":
            self.pose = self._turned(self.pose, np.random.default_rng([seed, 36]))
        self.ahead = float(rng.uniform(0.002, 0.010))
        self.gap = float(rng.uniform(0.001, 0.006) if self.touching else rng.uniform(0.002, 0.03))
        self.poser = Poser(kinds, self.body)
        _, joints, points = self.figure(Sway(0, 0, 0, 0, 0, 0, 0, (0, 0, 0)))
        self.shoulder, self.wrist = joints["upperarm01"], joints["wrist"]
        self.tip, self.top = points[VERTICES[f"tip3.{self.side}"]], float(points[:, 1].max())
        self.hip = joints["pelvis"]
        self.sheet = self._sheet(rng)
        self.size = (1920, 1080) if film else (1600, 1200)
        self.focal35 = float(rng.uniform(28, 33) if film else rng.uniform(24, 28))
        self.wander = rng.normal(0, 6, 2)
        self.step = float(rng.uniform(0.2, 0.4))
        self.place, self.aim = self._camera(rng)
        things, looks_of = room(rng, surfaces, (self.shoulder, self.tip), self.top)
        self.things = [*things, self.sheet]
        page = np.repeat(sheet_image(LAYOUT, 300)[..., None], 3, axis=2)
        self.surfaces = {
            "skin": Surface(coat=float(rng.uniform(0.3, 1.0)), rough=float(rng.uniform(0.35, 0.6))),
            "hair": Surface(coat=float(rng.uniform(0, 1.5)), rough=float(rng.uniform(0.25, 0.5))),
            "top": Surface(texture=cloth_picture(rng, surfaces), repeats=(1 / rng.uniform(0.15, 0.6),) * 2),
            "trousers": Surface(texture=cloth_picture(rng, surfaces), repeats=(3.0, 3.0)),
            "cover": Surface(texture=cloth_picture(rng, surfaces), repeats=(2.0, 2.0)),
            "cord": Surface((0.7, 0.7, 0.7)),
            **looks_of,
            "sheet": Surface((0.85, 0.85, 0.85), texture=page),
        }
        self.lamps, self.sky = light(rng, surfaces, self.place)

    def _pose(self, rng: np.random.Generator) -> Pose:
        arms = arms_out(rng, self.side)
        head = (float(np.clip(rng.normal(0, 8), -18, 18)), float(rng.normal(3, 5)), float(rng.normal(0, 3)))
        turn = float(rng.uniform(-4, 4) if self.touching else rng.uniform(-5.8, 5.8))
        return Pose(turn, 0.0, float(rng.normal(0, 1.2)), head, arms)

    def _turned(self, pose: Pose, rng: np.random.Generator) -> Pose:
        """The trunk turned, and the head part of the way back; or the head alone."""
        _, nod, tilt = pose.head
        by = float(rng.choice([-1, 1]) * rng.uniform(15, 25)) if self.turned else 0.0
        head = float(rng.normal(0, 10)) - by * float(rng.uniform(0, 1))
        return replace(pose, turn=by or pose.turn, head=(head, nod, tilt))

    def figure(self, sway: Sway) -> tuple[list[Mesh], dict[str, Array], Array]:
        """The dressed child in one view: meshes, joints of the arm's side, points of the skin; m."""
        pose = sway.of(self.pose, self.side)
        if self.touching:
            pose = self.poser.touching(pose, self.side, self.ahead)
        posed, figure, behind = self._dressed(pose)
        if self.touching:  # cloth holds the trunk off the wall; the hand goes back to it
            thick = float(posed.points[self.kinds.share(*TRUNK_BONES) > 0.5][:, 2].min()) - behind
            posed, figure, behind = self._dressed(self.poser.touching(pose, self.side, self.ahead - thick))
        ahead = 0.3 * sway.ahead if self.touching else sway.ahead
        ahead += self.gap + self.away - behind
        shift = np.array([sway.aside, -posed.points[:, 1].min() + 0.012, ahead])
        names = ("upperarm01", "lowerarm01", "wrist", "pelvis")
        joints = {name: posed.joints[self.kinds.number(f"{name}.{self.side}")] + shift for name in names}
        return [mesh.moved(shift) for mesh in figure], joints, posed.points + shift

    def _dressed(self, pose: Pose) -> tuple[Posed, list[Mesh], float]:
        """The body in this pose, the elbow bent where it is to be; its meshes, and how far back they reach."""
        if self.bent_deg:
            pit = float(np.random.default_rng([self.seed, 37]).uniform(*AHEAD_PIT_DEG))
            pose = elbow_bent(pose, self.side, pose.arms[self.side].flex + self.bent_deg, pit)
        posed = self.poser.posed(pose)
        figure = dressed(self.kinds, self.body, posed, self.looks, np.random.default_rng([self.seed, 32]))
        return posed, figure, back_of(figure)

    def _sheet(self, rng: np.random.Generator) -> Mesh:
        wide, high = SHEET_M if rng.random() < 0.5 else SHEET_M[::-1]
        base = self.shoulder + rng.uniform(0.45, 1.0) * (self.wrist - self.shoulder)
        away = 0.5 * high + rng.uniform(0.08, 0.2)
        middle = base[:2] + np.array([rng.normal(0, 0.03), away if rng.random() < 0.6 else -away])
        angle = np.radians(rng.normal(0, 1.5))
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        corners = np.array([[-wide, -high], [wide, -high], [wide, high], [-wide, high]]) / 2 @ turn.T + middle
        uv = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])  # the tracer's textures begin at the bottom
        if wide > high:
            uv = np.roll(uv, 1, axis=0)
        return quad(np.column_stack([corners, np.full(4, BEFORE_WALL_M)]).tolist(), "sheet", uv)

    def _camera(self, rng: np.random.Generator) -> tuple[Array, Array]:
        """Where the camera stands on the mean, and what it looks at: all that must be seen is, from every step."""
        out = 1.0 if self.side == "L" else -1.0
        must = np.vstack(
            [
                [0, self.top + 0.03, 0.1],
                self.hip - np.array([0, 0.05, 0]),
                self.tip + np.array([0.04 * out, 0, 0]),
                [-0.25 * out, self.shoulder[1], 0.1],
                self.sheet.points,
            ]
        )
        aim = 0.5 * (must.min(axis=0) + must.max(axis=0)) * [1, 1, 0]
        away = 1.3 + (0.35 * rng.random() if rng.random() < 0.5 else 1.3 * rng.beta(1.3, 2.0))
        off = rng.normal(0, [0.12, 0.1])
        while True:
            place = np.array([aim[0] + off[0], self.shoulder[1] + off[1], away])
            views = [
                self._view(place + np.array([step * self.step, 0, 0]), aim, np.zeros(3)) for step in (-1.0, 0.0, 1.0)
            ]
            px = np.array([view.project(must) for view in views])
            margin = 0.045 * self.size[0]
            if (px > margin).all() and (px < np.array(self.size) - margin).all():
                return place + np.array([0, 0, self.away]), aim
            away += 0.05

    def _view(self, place: Array, aim: Array, tilt_deg: Array) -> View:
        return Stand(place, aim, tilt_deg, self.focal35, self.wander).view(self.size)

    def picture(
        self, number: int, step: float, sway: Sway, shake: Array, samples: int
    ) -> tuple[Picture, dict[str, Any]]:
        """One view: picture (H, W, 3) and what is true of it; raises ValueError where the sheet is hidden."""
        figure, joints, points = self.figure(sway)
        view = self._view(self.place + np.array([step * self.step, 0, 0]) + shake[:3], self.aim, shake[3:])
        linear, labels, _ = render(
            [*figure, *self.things], self.surfaces, self.lamps, self.sky, view, samples, self.seed + 1009 * number
        )
        mask = np.zeros(labels.shape, np.uint8)
        cv2.fillConvexPoly(mask, np.round(view.project(self.sheet.points)).astype(np.int32), 1)
        mask = cv2.erode(mask, np.ones((3, 3), np.uint8))
        if (labels[mask > 0] == list(self.surfaces).index("sheet")).mean() < SEEN_SHARE:
            raise ValueError("the sheet is hidden")
        chain = {
            "neck": points[VERTICES[f"side_neck.{self.side}"]],
            "shoulder": joints["upperarm01"],
            "elbow": joints["lowerarm01"],
            "wrist": joints["wrist"],
            "palm": points[VERTICES[f"mid_palm.{self.side}"]],
        }
        truth = {
            "points": {name: {"mm": (1000 * at).round(2).tolist()} for name, at in chain.items()},
            "px": {name: view.project(at[None])[0].round(2).tolist() for name, at in chain.items()},
            "camera": {"centre_mm": (1000 * view.place).round(1).tolist(), "f35_true": round(self.focal35, 3)},
        }
        clean = np.nan_to_num(np.asarray(linear, float))  # a ray along a surface may find nothing to divide by
        return developed(clean, np.random.default_rng([self.seed, 33])), truth

    def arm_length_mm(self) -> float:
        """Side of the neck to the middle of the palm of the same body, arm straight out at 90 degrees."""
        points = Poser(self.kinds, self.body).posed(straight_out(self.pose, self.side)).points
        ends = points[[VERTICES[f"side_neck.{self.side}"], VERTICES[f"mid_palm.{self.side}"]]]
        return float(1000 * np.linalg.norm(ends[1] - ends[0]))

    def truth(self) -> dict[str, Any]:
        """What is true of all views."""
        return {
            "seed": self.seed,
            "quality": ["torso_turned"] if self.turned else ["elbow_bent"] if self.bent_deg else "good",
            "pose": {"torso_yaw_deg": round(self.pose.turn, 2), "head_deg": round(self.pose.head[0], 2)},
            "bent_deg": self.bent_deg,
            "protocol": "wall" if self.touching and not self.bent_deg else "floating",
            "away_mm": round(1000 * self.away),
            "moved_mm": round(1000 * self.moved),
            "side": self.side,
            "arm_length_mm": round(self.arm_length_mm(), 2),
            "body": {"age_years": round(self.body.age, 1), "stature_mm": round(1000 * self.body.stature, 1)},
            "focal35": None if self.film else round(self.focal35),
            "sheets": 1,
        }


def make(seed: int, stores: Stores, options: argparse.Namespace) -> None:
    """Write the views of one seed."""
    scene = Scene(seed, stores, options.what, options.away, options.moved, options.bent)
    folder = options.out / ("child_wall" if scene.touching else "child") / str(seed)
    single = options.what == "turned"
    views = _walk(scene) if scene.film else _steps(scene)[: 1 if single else None]
    for number, (step, sway, shake) in enumerate(views):
        samples = FILM_SAMPLES if scene.film else SAMPLES
        rgb, truth = scene.picture(number, step, sway, shake, samples)
        place = folder if scene.film or single else folder / str(number)
        place.mkdir(parents=True, exist_ok=True)
        name = f"{number:03d}.jpg" if scene.film else "photo.jpg"
        save_photo(place / name, rgb, QUALITY, None if scene.film else scene.focal35)
        if number == 0 or not scene.film:
            (place / "truth.json").write_text(json.dumps(scene.truth() | truth))


def _steps(scene: Scene) -> list[tuple[float, Sway, Array]]:
    """Five places, with the child as it sways and the hand as it holds the phone."""
    views = []
    for number, step in enumerate(STEPS):
        rng = np.random.default_rng([scene.seed, 34, number])
        shake = np.array([*rng.normal(0, [0.03, 0.05, 0.03]), *rng.normal(0, 1.2, 3)])
        sway = Sway.drawn(rng)
        if number >= MOVES_AT:
            sway = replace(sway, aside=sway.aside + scene.moved)
        views.append((step, sway, shake))
    return views


def _walk(scene: Scene) -> list[tuple[float, Sway, Array]]:
    """Every frame of a walk aside: the child sways from one stance to the next each second, the hand shakes."""
    rng = np.random.default_rng([scene.seed, 35])
    frames = int(FILM_S * RATE)
    stances = [Sway.drawn(rng) for _ in range(int(FILM_S) + 1)]
    phases, rates = rng.uniform(0, 2 * np.pi, 6), rng.uniform(1.5, 7.0, 6)
    size = np.array([0.008, 0.012, 0.008, 0.5, 0.5, 0.4])
    views = []
    for number in range(frames):
        seconds = number / RATE
        whole = int(seconds)
        smooth = 0.5 - 0.5 * np.cos(np.pi * (seconds - whole))
        sway = stances[whole].between(stances[whole + 1], float(smooth))
        shake = size * np.sin(phases + rates * seconds)
        views.append((-1.0 + 2.0 * number / (frames - 1), sway, shake))
    return views


def main() -> None:
    """Make them all, or as many as the time allows."""
    options = parser(__doc__, 790_000, 40)
    options.add_argument("--film", dest="what", action="store_const", const="film", default="steps")
    options.add_argument("--turned", dest="what", action="store_const", const="turned")
    options.add_argument("--away", type=float, default=0.0, help="mm further from the wall that children stand")
    options.add_argument("--moved", type=float, default=0.0, help="mm aside that children stand in the last views")
    options.add_argument("--bent", type=float, default=0.0, help="degrees by which elbows are bent towards the camera")
    start = time.time()
    for done, problem in enumerate(spread(make, options.parse_args()), start=1):
        print(done, f"{time.time() - start:.0f} s", problem or "", flush=True)


if __name__ == "__main__":
    main()
