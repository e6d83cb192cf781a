"""Make training pictures from seeds.

``python -m vision.training.figures.make OUT BODIES SURFACES --first 500000 --count 6000``

For each seed NAME.jpg, NAME_l.png (`PARTS` of the figure, 0 elsewhere) and NAME.json: points in the picture and in
space, whether the neck's sides are seen, pose and stance.  A figure that shows its back is named as body models name
it: its left where a left would be from the front.  The picture holds what both networks look at, 256 px a straight
arm.  It runs on all graphics cards that there are, else on the processors; a seed gives the same scene on either, up
to noise.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Floats, Picture
from vision.training.figures import bodies
from vision.training.figures.bodies import VERTICES, Body, Kinds
from vision.training.figures.clothing import dressed
from vision.training.figures.looks import Looks
from vision.training.figures.meshes import Mesh
from vision.training.figures.outline import neck_corner
from vision.training.figures.painted import cloth_picture
from vision.training.figures.posing import AHEAD_PIT_DEG, TRUNK_BONES, ArmPose, Pose, Posed, Poser, about, elbow_bent
from vision.training.figures.rooms import light, room
from vision.training.figures.spread import Stores, parser, spread
from vision.training.figures.trace import Surface, View, render

ARM_PX = 256.0
SIZE = (624, 416)
SHOULDER = (0.435, 0.57)
"""Where the shoulder of an arm that points to the right lies in the picture, over its size."""
PARTS = ("skin", "hair", "top", "trousers", "cover", "cord")
COVERED_M = 0.010
"""A point of the skin counts as seen if skin is seen within two pixels of it, and no further from it in depth than
this: the side of the neck lies where skin turns away from the camera."""
OUTLINE_REACH = 0.15
"""How far from the vertex of the front the outline's corner may lie, over the straight arm: our choice."""
SAMPLES = 32
SHRUG_DEG = 4.0
"""Deviation of the collar bones' height among people; our choice."""
BEHIND = 0.09
"""How many figures show their back; our choice."""
STANCES = {"wall": 0.40, "near": 0.08, "floating": 0.30, "reaching": 0.12, "bent": 0.10}
"""How many arms lie on the wall, are a little off it, float, reach forward, and are bent towards the camera with the
upper arm at the wall; our choice."""
AT_WALL = ("wall", "near", "bent")
"""Of those, which lie on the wall, or did."""
NEAR_DEG, BENT_DEG = (0.5, 8.0), (12.0, 60.0)
"""How far an arm near the wall is turned off it, and how much a bent one is bent; our choice."""


@dataclass(frozen=True)
class Off:
    """How an arm that lies on the wall is taken off it: degrees forward, bend of the elbow, and where it bends to."""

    forward: float
    flex: float
    pit: float

    @classmethod
    def drawn(cls, rng: np.random.Generator, stance: str) -> Off | None:
        """Of the arms that are "near" the wall or "bent" before it; None of others."""
        forward, flex = float(rng.uniform(*NEAR_DEG)), float(rng.uniform(*BENT_DEG))
        pit = float(rng.uniform(*AHEAD_PIT_DEG))
        if stance == "near":
            return cls(forward, 0.0, pit)
        return cls(float(rng.normal(0, 2)), flex, pit) if stance == "bent" else None


@dataclass(frozen=True)
class Drawn:
    """What a seed stands for before it is rendered."""

    body: Body
    pose: Pose
    side: str
    touching: bool
    behind: bool
    off: Off | None = None

    @property
    def at_wall(self) -> bool:
        """Whether the arm lies on the wall, or lay there before it was taken off."""
        return self.touching or self.off is not None

    def taken_off(self, pose: Pose) -> Pose:
        """The pose as it is meant, of one in which the arm lies on the wall."""
        if self.off is None:
            return pose
        arm = pose.arms[self.side]
        turned = replace(arm, forward=arm.forward + self.off.forward)
        pose = replace(pose, arms={**pose.arms, self.side: turned})
        return elbow_bent(pose, self.side, self.off.flex, self.off.pit) if self.off.flex else pose


def drawn(rng: np.random.Generator, store: list[Body]) -> Drawn:
    """Draw a body and a pose."""
    first, second = (store[int(k)] for k in rng.integers(len(store), size=2))
    share = float(rng.uniform(0, 0.5)) if abs(first.age - second.age) < 6 else 0.0
    body = bodies.mixed(first, second, share)
    side = "LR"[int(rng.integers(2))]
    stance = str(rng.choice(list(STANCES), p=list(STANCES.values())))
    behind = bool(rng.random() < BEHIND)
    if behind:
        stance = "floating"
    arms = {side: _stretched(rng, stance)}
    arms["LR".replace(side, "")] = _other_arm(rng, side)
    return Drawn(body, _pose(rng, arms), side, stance == "wall", behind, Off.drawn(rng, stance))


def _stretched(rng: np.random.Generator, stance: str) -> ArmPose:
    """The arm that is held out: more or less level, straight and forward, the palm usually to the camera."""
    up = float(rng.uniform(-45, 50) if rng.random() < 0.25 else np.clip(rng.normal(0, 5), -14, 14))
    forward, flex = float(rng.uniform(-3, 10)), float(rng.uniform(0, 9))
    pit = float(rng.uniform(0, 70))
    if stance == "reaching":
        if rng.random() < 0.55:
            forward = float(rng.uniform(15, 50))
        else:
            flex = float(rng.uniform(18, 75))
            pit = float(rng.uniform(*AHEAD_PIT_DEG)) if rng.random() < 0.5 else pit
    if stance == "wall" and rng.random() < 0.08:
        flex = float(rng.uniform(10, 40))
    facing = [(0, 0, 1)] * 8 + [(0, -1, 0.3), (0, 1, 0.3), (0, 0, -1), (0, -1, -0.3)]
    palm = np.array(
        facing[int(rng.integers(8 if stance in AT_WALL and rng.random() < 0.8 else len(facing)))]
    ) + rng.normal(0, [0.05, 0.2, 0.1])
    return ArmPose(
        up,
        forward,
        flex,
        pit,
        tuple(palm.tolist()),
        float(rng.choice([1.0, 0.9, 0.6, 0.2], p=[0.4, 0.4, 0.15, 0.05])),
        float(rng.normal(0, 4)),
    )


def _other_arm(rng: np.random.Generator, side: str) -> ArmPose:
    """The other one: hanging, akimbo, held out as well, or raised; `side` is that of the arm held out."""
    inwards = -1.0 if side == "R" else 1.0
    hanging = ArmPose(
        float(rng.uniform(-82, -70)), float(rng.uniform(0, 14)), float(rng.uniform(5, 25)), 0, (inwards, 0, 0.2), 0.4
    )
    akimbo = ArmPose(
        float(rng.uniform(-60, -40)),
        float(rng.uniform(-20, 20)),
        float(rng.uniform(60, 110)),
        0,
        (inwards, 0.2, 0.2),
        0.3,
    )
    out = ArmPose(float(rng.normal(0, 8)), float(rng.uniform(-2, 15)), float(rng.uniform(0, 15)), 30, (0, 0, 1), 0.9)
    raised = ArmPose(
        float(rng.uniform(10, 60)), float(rng.uniform(-2, 30)), float(rng.uniform(0, 60)), 30, (0, 0, 1), 0.6
    )
    return (hanging, akimbo, out, raised)[int(rng.choice(4, p=[0.57, 0.12, 0.21, 0.10]))]


def _pose(rng: np.random.Generator, arms: dict[str, ArmPose]) -> Pose:
    """Trunk and head with these arms: half of the trunks are turned or twisted, nearly half of the heads turned."""
    turn, twist = float(rng.normal(0, 2.5)), float(rng.normal(0, 1.5))
    if rng.random() < 0.5:
        much = float(rng.choice([-1, 1]) * rng.uniform(9, 42))
        turn, twist = (much, twist) if rng.random() < 0.6 else (turn, much)
    head = float(rng.normal(0, 8) if rng.random() < 0.55 else rng.uniform(-70, 70))
    lean = float(rng.normal(0, 1.6))
    nod = float(rng.uniform(-15, 35) if rng.random() < 0.25 else rng.normal(4, 9))
    tilt = float(rng.normal(0, 14 if rng.random() < 0.25 else 5))
    return Pose(turn, twist, lean, (head, nod, tilt), arms, float(rng.normal(0, SHRUG_DEG)))


@dataclass(frozen=True)
class Placed:
    """A dressed figure in its place before the wall.

    Attributes
    ----------
    kinds : Kinds
    what : Drawn
    looks : Looks
    pose : Pose
    posed : Posed
    meshes : list of Mesh
    name : dict of str to str
        What a body model calls its left and right: the other way round from behind.
    """

    kinds: Kinds
    what: Drawn
    looks: Looks
    pose: Pose
    posed: Posed
    meshes: list[Mesh]
    name: dict[str, str]

    def joint(self, bone: str, side: str) -> Array:
        """Where a bone begins (3,), m."""
        return np.asarray(self.posed.joints[self.kinds.number(f"{bone}.{side}")])

    def point(self, vertex: str, side: str) -> Array:
        """A marked point (3,) of the skin, m."""
        return np.asarray(self.posed.points[VERTICES[f"{vertex}.{side}"]])

    def chain(self) -> dict[str, Array]:
        """The arm that is held out, from the neck to the palm, m."""
        side = self.what.side
        return {
            "neck": self.point("side_neck", side),
            "shoulder": self.joint("upperarm01", side),
            "elbow": self.joint("lowerarm01", side),
            "wrist": self.joint("wrist", side),
            "palm": self.point("mid_palm", side),
        }


def picture(seed: int, stores: Stores, samples: int) -> tuple[Array, Picture, dict[str, Any]]:
    """Linear picture (H, W, 3), parts (H, W) and truth of a seed."""
    rng = np.random.default_rng(seed)
    what = drawn(rng, stores.bodies)
    figure = _placed(rng, seed, stores.kinds, what, Looks.drawn(rng))
    chain = figure.chain()
    view = seen_from(rng, chain, figure.name[what.side])
    ends = chain["shoulder"], figure.point("tip3", what.side)
    things, looks_of = room(rng, stores.surfaces, ends, float(figure.posed.points[:, 1].max()))
    looks_of = _surfaces(rng, stores.surfaces, figure.looks) | looks_of
    lamps, sky = light(rng, stores.surfaces, view.place)
    linear, labels, ranges = render([*figure.meshes, *things], looks_of, lamps, sky, view, samples, seed)
    parts = np.where((labels >= 0) & (labels < len(PARTS)), labels + 1, 0).astype(np.uint8)
    clean = np.nan_to_num(np.asarray(linear, float))  # a ray along a surface may find nothing to divide by
    return clean, parts, {"seed": seed} | _truth(figure, view, parts, ranges)


def _placed(rng: np.random.Generator, seed: int, kinds: Kinds, what: Drawn, looks: Looks) -> Placed:
    """Dress what was drawn and put it before the wall, with the hand on it where it touches."""
    poser, pose, ahead = Poser(kinds, what.body), what.pose, float(rng.uniform(0.0, 0.012))
    if what.at_wall:
        pose = what.taken_off(poser.touching(pose, what.side, ahead))
    posed = poser.posed(pose)
    meshes = dressed(kinds, what.body, posed, looks, np.random.default_rng([seed, 2]))
    behind = back_of(meshes)
    if what.at_wall:  # hair and cloth hold the trunk off the wall; the hand goes back to it, or nearly
        thick = float(posed.points[kinds.share(*TRUNK_BONES) > 0.5][:, 2].min()) - behind
        nearer = max(float(rng.uniform(0, 1)) * thick, thick - 0.02)
        pose = what.taken_off(poser.touching(what.pose, what.side, ahead - nearer))
        posed = poser.posed(pose)
        meshes = dressed(kinds, what.body, posed, looks, np.random.default_rng([seed, 2]))
        behind = back_of(meshes)
    name = {side: side for side in "LR"}
    if what.behind:
        meshes, posed, name = [m.about_face() for m in meshes], posed.about_face(), {"L": "R", "R": "L"}
        behind = back_of(meshes)
    gap = rng.uniform(0.001, 0.008) if what.at_wall else rng.uniform(0.002, 0.05)
    shift = np.array([0, -posed.points[:, 1].min() + rng.uniform(0, 0.03), gap - behind])
    posed = Posed(posed.points + shift, posed.joints + shift, posed.turns)
    return Placed(kinds, what, looks, pose, posed, [m.moved(shift) for m in meshes], name)


def _surfaces(rng: np.random.Generator, store: list[Picture], looks: Looks) -> dict[str, Surface]:
    """What a figure is made of, in the order of `PARTS`."""
    surfaces = {
        "skin": Surface(coat=float(rng.uniform(0.3, 1.0)), rough=float(rng.uniform(0.35, 0.6))),
        "hair": Surface(coat=float(rng.uniform(0, 1.5)), rough=float(rng.uniform(0.25, 0.5))),
        "top": Surface(texture=cloth_picture(rng, store), repeats=(1 / rng.uniform(0.15, 0.6),) * 2),
        "trousers": Surface(texture=cloth_picture(rng, store), repeats=(3.0, 3.0)),
        "cover": Surface(
            texture=cloth_picture(rng, store), repeats=(float(rng.uniform(1, 4)), float(rng.uniform(0.5, 3)))
        ),
        "cord": Surface((0.7, 0.7, 0.7)),
    }
    if looks.cover in ("collar", "hood", "roll", "jacket") and rng.random() < 0.7:
        surfaces["cover"] = replace(surfaces["cover"], texture=surfaces["top"].texture)
    return surfaces


def _truth(figure: Placed, view: View, parts: Picture, ranges: Floats) -> dict[str, Any]:
    """What is true of a picture."""
    what, pose, name, chain = figure.what, figure.pose, figure.name, figure.chain()
    necks = {side: figure.point("side_neck", side) for side in "LR"}
    corners = {side: neck_corner(figure.kinds, figure.posed, view, side, OUTLINE_REACH * ARM_PX) for side in "LR"}
    spots = {
        **{f"side_neck_{name[side]}": necks[side] for side in "LR"},
        **{f"acromion_{name[side]}": figure.point("acromion", side) for side in "LR"},
        **{f"shoulder_{name[side]}": figure.joint("upperarm01", side) for side in "LR"},
    }
    segments = (("shoulder", "elbow"), ("elbow", "wrist"), ("wrist", "palm"))
    return {
        "side": name[what.side],
        "behind": what.behind,
        "wall": what.touching,
        "forward": pose.arms[what.side].forward,
        "flex": pose.arms[what.side].flex,
        "yaw": pose.turn + pose.twist,
        "head": pose.head[0],
        "age": what.body.age,
        "cover": figure.looks.cover,
        "style": figure.looks.style,
        "px": {k: view.project(v[None])[0].round(2).tolist() for k, v in chain.items()},
        "pts_mm": {k: (1000 * v).round(2).tolist() for k, v in chain.items()},
        "camera_mm": (1000 * view.place).round(2).tolist(),
        "camera_rows": view.turn.round(6).tolist(),
        "focal_px": round(view.focal, 3),
        "centre_px": [round(float(c), 3) for c in view.centre],
        "a_mm": round(1000 * float(sum(np.linalg.norm(chain[b] - chain[a]) for a, b in segments)), 2),
        "azimuth": azimuth(view, necks),
        "points_px": {
            **{k: view.project(v[None])[0].round(2).tolist() for k, v in spots.items()},
            **{f"outline_{name[side]}": None if c is None else c.round(2).tolist() for side, c in corners.items()},
        },
        "seen": {name[side]: is_seen(necks[side], view, parts, ranges) for side in "LR"},
    }


def back_of(figure: list[Mesh]) -> float:
    """How far back a figure reaches."""
    return min(float(mesh.points[:, 2].min()) for mesh in figure)


def azimuth(view: View, necks: dict[str, Array]) -> float:
    """Angle of the line of sight to the neck against the wall's normal, positive from the camera's right, degrees."""
    to = view.place - 0.5 * (necks["L"] + necks["R"])
    return round(float(np.degrees(np.arctan2(to[0], to[2]))), 2)


def is_seen(point: Array, view: View, parts: Picture, ranges: Floats) -> bool | None:
    """Whether bare skin is seen at a point; None outside the picture."""
    x, y = np.round(view.project(point[None])[0]).astype(int)
    if not (2 <= x < view.size[0] - 2 and 2 <= y < view.size[1] - 2):
        return None
    near = slice(y - 2, y + 3), slice(x - 2, x + 3)
    before = np.linalg.norm(point - view.place) - ranges[near]
    return bool(np.any((parts[near] == 1 + PARTS.index("skin")) & (np.abs(before) < COVERED_M)))


def seen_from(rng: np.random.Generator, chain: dict[str, Array], side: str) -> View:
    """A camera from which the straight arm is `ARM_PX` long and the shoulder lies at its place."""
    away = 1.0 + (0.4 * rng.random() if rng.random() < 0.3 else 2.4 * rng.beta(1.3, 1.8))
    middle = 0.5 * (chain["shoulder"] + chain["palm"])
    place = np.array(
        [middle[0] + rng.normal(0, 0.25), chain["shoulder"][1] + rng.normal(-0.15, 0.2), chain["shoulder"][2] + away]
    )
    to = middle - place
    yaw = float(np.degrees(np.arctan2(to[0], -to[2])) + rng.normal(0, 4))
    pitch = float(np.degrees(np.arctan2(to[1], -to[2])) + rng.normal(-3, 4))
    turn = about((0, 1, 0), -yaw) @ about((1, 0, 0), pitch) @ about((0, 0, 1), float(rng.normal(0, 2.5)))
    rows = np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]]) @ turn.T
    flat = View(place, rows, 1.0, (0, 0), SIZE)
    line = flat.project(np.array([chain[k] for k in ("shoulder", "elbow", "wrist", "palm")]))
    focal = ARM_PX / float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    left = SHOULDER[0] if side == "L" else 1 - SHOULDER[0]
    at = focal * line[0]
    return View(place, rows, focal, (left * SIZE[0] - at[0], SHOULDER[1] * SIZE[1] - at[1]), SIZE)


def developed(linear: Array, rng: np.random.Generator) -> Picture:
    """As a phone makes a picture of it: exposure, tone curve, local contrast, less noise, sharper."""
    bright = float(np.percentile(linear.max(-1), rng.uniform(90, 99)))
    exposed = np.asarray(linear * rng.uniform(0.55, 1.15) / max(bright, 1e-6), np.float32)
    mean = exposed.mean((0, 1))
    exposed = exposed * (mean.mean() / mean) ** float(rng.uniform(0.3, 0.95))
    shoulder = float(rng.uniform(0, 0.5))
    toned = np.clip(exposed * (1 + shoulder) / (1 + shoulder * exposed), 0, 1) ** np.float32(1 / 2.2)
    if rng.random() < 0.5:
        grey = toned.mean(-1)
        base = cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(8, 40)))
        flatter = float(rng.uniform(0, 0.5))
        toned = toned + (flatter * (base.mean() - base) + float(rng.uniform(0, 0.6)) * (grey - base))[..., None]
    toned = np.clip(toned, 0, 1)
    out = np.asarray(255 * (toned + float(rng.uniform(-0.1, 0.5)) * toned * (1 - toned) * (2 * toned - 1)), np.float32)
    out = np.clip(out, 0, 255)
    if rng.random() < 0.65:
        out = cv2.bilateralFilter(out, 5, float(rng.uniform(8, 30)), 1.5)
    if rng.random() < 0.5:
        out = out + float(rng.uniform(0.2, 1.0)) * (out - cv2.GaussianBlur(out, (0, 0), 1.0))
    return np.asarray(np.clip(np.round(out), 0, 255), np.uint8)


def make(seed: int, stores: Stores, options: argparse.Namespace) -> None:
    """Write the files of one seed."""
    linear, parts, truth = picture(seed, stores, options.samples)
    rgb = developed(linear, np.random.default_rng([seed, 1]))
    name = str(options.out / str(seed))
    cv2.imwrite(f"{name}.jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 93])
    cv2.imwrite(f"{name}_l.png", parts)
    Path(f"{name}.json").write_text(json.dumps(truth))


def main() -> None:
    """Make them all, or as many as the time allows."""
    options = parser(__doc__, 500_000, 6000)
    options.add_argument("--samples", type=int, default=SAMPLES)
    start, done, failed = time.time(), 0, []
    for done, problem in enumerate(spread(make, options.parse_args()), start=1):
        failed += [problem] if problem else []
        if done % 200 == 0:
            print(done, f"{time.time() - start:.0f} s", len(failed), "failed", flush=True)
    print(done, "seeds", len(failed), "failed", *failed[:5], sep="\n", flush=True)


if __name__ == "__main__":
    main()
