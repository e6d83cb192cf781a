"""Bodies in a pose: rotations of bones, and linear blend skinning."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from calibration.arrays import Array, Indices
from vision.training.figures.bodies import VERTICES, Body, Kinds
from vision.training.figures.meshes import HALF_TURN

ARM_BONES = ("upperarm", "lowerarm", "wrist", "finger", "metacarpal")
TRUNK_BONES = ("spine", "pelvis", "clavicle", "root")


@dataclass(frozen=True)
class ArmPose:
    """An arm: degrees up from level, forward of the wall's plane, of the elbow; where elbow pit and palm look."""

    up: float
    forward: float
    flex: float
    pit: float
    palm: tuple[float, float, float]
    straight: float = 0.9
    drop: float = 0.0


AHEAD_PIT_DEG = -10.0, 20.0
"""How far up from straight ahead an elbow bends that is bent towards the camera: from in front it looks straight; our
choice."""


def arms_out(rng: np.random.Generator, side: str) -> dict[str, ArmPose]:
    """A good photo's arms, by side: that of `side` held out, the other hanging."""
    out = ArmPose(
        float(np.clip(rng.normal(-0.5, 4.2), -9, 9)),
        float(rng.uniform(-2, 7)),
        float(rng.uniform(0, 6)),
        float(rng.uniform(10, 60)),
        (float(rng.normal(0, 0.05)), float(rng.normal(0, 0.12)), 1.0),
        float(rng.uniform(0.85, 1.0)),
        float(rng.normal(0, 3)),
    )
    inwards = -1.0 if side == "R" else 1.0
    other = ArmPose(float(rng.uniform(-82, -72)), float(rng.uniform(0, 12)), 12.0, 0.0, (inwards, 0.0, 0.2), 0.4)
    return {side: out, "LR".replace(side, ""): other}


@dataclass(frozen=True)
class Pose:
    """A whole pose, degrees.

    Turn of the whole, twist of the trunk on the hips, lean, head (turn, nod, tilt), arms, and by how much the collar
    bones are held higher than usual.
    """

    turn: float
    twist: float
    lean: float
    head: tuple[float, float, float]
    arms: dict[str, ArmPose] = field(default_factory=dict)
    shrug: float = 0.0


def elbow_bent(pose: Pose, side: str, flex: float, pit: float) -> Pose:
    """The pose with the elbow of that side bent by `flex` degrees, to `pit` degrees up from straight ahead."""
    return replace(pose, arms={**pose.arms, side: replace(pose.arms[side], flex=flex, pit=pit)})


def straight_out(pose: Pose, side: str) -> Pose:
    """The pose in which the arm of `side` has its length: upright and square, that arm straight out at 90 degrees."""
    arm = ArmPose(0.0, 0.0, 0.0, 30.0, (0.0, 0.0, 1.0), 1.0)
    return Pose(0.0, 0.0, 0.0, (0.0, 0.0, 0.0), {**pose.arms, side: arm})


@dataclass(frozen=True)
class Posed:
    """Points (V, 3), joints (B, 3) and the bones' rotations (B, 3, 3)."""

    points: Array
    joints: Array
    turns: Array

    def about_face(self) -> Posed:
        """The body turned by half a turn, to look the other way."""
        return Posed(self.points * HALF_TURN, self.joints * HALF_TURN, HALF_TURN[:, None] * self.turns)


def unit(a: Array) -> Array:
    """Vectors of length one."""
    return np.asarray(a / np.maximum(np.linalg.norm(a, axis=-1, keepdims=True), 1e-12))


def about(axis: Array | tuple[float, float, float], degrees: float) -> Array:
    """Rotation about an axis."""
    x, y, z = unit(np.asarray(axis, float))
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    t = np.radians(degrees)
    return np.asarray(np.eye(3) + np.sin(t) * k + (1 - np.cos(t)) * k @ k)


def between(a: Array, b: Array) -> Array:
    """The least rotation that turns a into b."""
    axis = np.cross(unit(a), unit(b))
    size = float(np.linalg.norm(axis))
    if size < 1e-9:
        return np.eye(3)
    return about(axis, float(np.degrees(np.arctan2(size, unit(a) @ unit(b)))))


def angle_about(a: Array, b: Array, axis: Array) -> float:
    """Angle from a to b about a unit axis, degrees."""
    a, b = a - axis * (a @ axis), b - axis * (b @ axis)
    return float(np.degrees(np.arctan2(np.cross(a, b) @ axis, a @ b)))


class Poser:
    """Poses one body."""

    def __init__(self, kinds: Kinds, body: Body) -> None:
        self.kinds, self.body = kinds, body
        self.own = np.tile(np.eye(3), (len(kinds.bones), 1, 1))
        self.all = np.tile(np.eye(4), (len(kinds.bones), 1, 1))

    def posed(self, pose: Pose) -> Posed:
        """The body in a pose."""
        self.own[:] = np.eye(3)
        self._set("root", about((0, 1, 0), pose.turn) @ about((0, 0, 1), pose.lean))
        for bone in ("spine04", "spine03", "spine02"):
            self._set(bone, about((0, 1, 0), pose.twist / 3))
        for side, sign in (("L", 1.0), ("R", -1.0)):
            # the collar bone rises with the arm; at rest it hangs 45 degrees
            self._set(f"clavicle.{side}", about((0, 0, 1), sign * (0.12 * (pose.arms[side].up + 45) + pose.shrug)))
        turn, nod, tilt = pose.head
        bend = about((0, 1, 0), turn / 3) @ about((1, 0, 0), nod / 3) @ about((0, 0, 1), tilt / 3)
        for bone in ("neck02", "neck03", "head"):
            self._set(bone, bend)
        self._chain()
        for side in "LR":
            self._arm(side, pose.arms[side])
        self._chain()
        return Posed(self._skin(np.arange(len(self.body.points))), self._joints(), self.all[:, :3, :3].copy())

    def touching(self, pose: Pose, side: str, ahead: float) -> Pose:
        """The pose with the arm so far back that its skin is `ahead` in front of the trunk's back."""
        arm = np.nonzero(self.kinds.share("lowerarm", "wrist", "finger", "metacarpal", side="." + side) > 0.5)[0][::3]
        trunk = np.nonzero(self.kinds.share(*TRUNK_BONES) > 0.5)[0][::4]
        low, high = -35.0, 25.0
        for _ in range(11):
            middle = 0.5 * (low + high)
            tried = replace(pose, arms={**pose.arms, side: replace(pose.arms[side], forward=middle)})
            self.posed_arm(tried, side)
            gap = self._skin(arm)[:, 2].min() - self._skin(trunk)[:, 2].min() - ahead
            low, high = (low, middle) if gap > 0 else (middle, high)
        return tried

    def posed_arm(self, pose: Pose, side: str) -> None:
        """Set trunk and arm only."""
        if not hasattr(self, "_ready") or self._ready is not pose.head:
            self.posed(pose)
            self._ready = pose.head
        self._arm(side, pose.arms[side])
        self._chain()

    def _set(self, bone: str, turn: Array) -> None:
        self.own[self.kinds.number(bone)] = turn

    def _chain(self) -> None:
        heads = self.body.heads
        for number, parent in enumerate(self.kinds.parents):
            mine = np.eye(4)
            mine[:3, :3] = self.own[number]
            mine[:3, 3] = heads[number] - self.own[number] @ heads[number]
            self.all[number] = mine if parent < 0 else self.all[parent] @ mine

    def _skin(self, which: Indices) -> Array:
        moves = (self.kinds.weight_of[which][:, :, None, None] * self.all[self.kinds.bone_of[which], :3]).sum(1)
        return np.asarray((moves[:, :, :3] @ self.body.points[which][..., None])[..., 0] + moves[:, :, 3])

    def _joints(self) -> Array:
        return np.asarray((self.all[:, :3, :3] @ self.body.heads[..., None])[..., 0] + self.all[:, :3, 3])

    def palm_at_rest(self, side: str) -> Array:
        """Normal of the palm at rest, out of the hand."""
        head = {
            k: self.body.heads[self.kinds.number(f"{k}.{side}")]
            for k in ("wrist", "finger2-1", "finger5-1", "finger3-1")
        }
        normal = unit(np.cross(head["finger2-1"] - head["wrist"], head["finger5-1"] - head["wrist"]))
        curl = self.body.points[VERTICES[f"tip3.{side}"]] - head["finger3-1"]
        return normal if normal @ curl > 0 else -normal

    def _place(self, bone: str, turn: Array) -> None:
        """Give a bone this rotation in space, and move what hangs on it."""
        number = self.kinds.number(bone)
        parent = self.all[self.kinds.parents[number]][:3, :3]
        self.own[number] = parent.T @ turn
        below = [number]
        for child in range(number + 1, len(self.kinds.bones)):
            if self.kinds.parents[child] in below:
                below.append(child)
        heads = self.body.heads
        for each in below:
            mine = np.eye(4)
            mine[:3, :3] = self.own[each]
            mine[:3, 3] = heads[each] - self.own[each] @ heads[each]
            self.all[each] = self.all[self.kinds.parents[each]] @ mine

    def _parent(self, bone: str) -> Array:
        return np.asarray(self.all[self.kinds.parents[self.kinds.number(bone)]][:3, :3])

    def _arm(self, side: str, arm: ArmPose) -> None:
        kinds, body, sign = self.kinds, self.body, 1.0 if side == "L" else -1.0
        head = {k: body.heads[kinds.number(f"{k}.{side}")] for k in ("upperarm01", "lowerarm01", "wrist", "finger3-1")}
        up, forward, flex, pit = np.radians([arm.up, arm.forward, arm.flex, arm.pit])
        upper = np.array([sign * np.cos(up) * np.cos(forward), np.sin(up), np.cos(up) * np.sin(forward)])
        ahead = np.array([-0.35 * sign, 0, 1.0]) if abs(upper[1]) > 0.8 else np.array([0, np.sin(pit), np.cos(pit)])
        bending = unit(ahead - upper * (ahead @ upper))
        rest_upper, rest_fore = unit(head["lowerarm01"] - head["upperarm01"]), unit(head["wrist"] - head["lowerarm01"])
        name = f"upperarm01.{side}"
        straight = between(self._parent(name) @ rest_upper, upper) @ self._parent(name)
        roll = angle_about(straight @ rest_fore, bending, upper)
        self._place(name, about(upper, 0.75 * roll) @ straight)  # the rest of the roll is half-way down the bone
        self._place(f"upperarm02.{side}", about(upper, 0.25 * roll) @ self._parent(f"upperarm02.{side}"))
        fore = unit(np.cos(flex) * upper + np.sin(flex) * bending)
        hand, normal = unit(head["finger3-1"] - head["wrist"]), self.palm_at_rest(side)
        turned = between(self._parent(f"lowerarm01.{side}") @ rest_fore, fore) @ self._parent(f"lowerarm01.{side}")
        roll = angle_about(between(turned @ hand, fore) @ turned @ normal, np.asarray(arm.palm), fore)
        self._place(f"lowerarm01.{side}", about(fore, 0.35 * roll) @ turned)
        self._place(f"lowerarm02.{side}", about(fore, 0.40 * roll) @ self._parent(f"lowerarm02.{side}"))
        along = between(self._parent(f"wrist.{side}") @ hand, fore) @ self._parent(f"wrist.{side}")
        facing = about(fore, angle_about(along @ normal, np.asarray(arm.palm), fore)) @ along
        self._place(f"wrist.{side}", about(facing @ normal, arm.drop) @ facing)
        for finger in "2345":
            for part in "123":
                bone = f"finger{finger}-{part}.{side}"
                start = body.heads[kinds.number(bone)]
                end = (
                    body.points[VERTICES[f"tip{finger}.{side}"]]
                    if part == "3"
                    else body.heads[kinds.number(f"finger{finger}-{int(part) + 1}.{side}")]
                )
                parent = self._parent(bone)
                now = parent @ unit(end - start)
                wrist = self.all[kinds.number(f"wrist.{side}")][:3, :3]
                flat = unit(now - arm.straight * (wrist @ normal) * (now @ (wrist @ normal)))
                self._place(bone, between(now, unit(0.8 * flat + 0.2 * (wrist @ hand))) @ parent)
