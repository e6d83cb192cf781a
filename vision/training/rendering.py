"""Pictures of random violins, with what is what in them, made on the graphics card.

Each instrument (`violin.random_violin`) is seen from several random places, thrown on the picture piece by piece with a
depth buffer at twice the size, and lit by a random room: windows and lamps that mirror in the varnish, soft light from
all sides, one or two lamps that throw shadows.  No picture of anything real is used.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from math import radians

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from calibration.arrays import Array, Floats
from vision.instrument.net import POINTS
from vision.training.composition import HIGH, WIDE, CutOuts
from vision.training.pieces import CHIN_REST, DULL, METAL, POLISH, SHOULDER_REST, VARNISHED
from vision.training.violin import Cloud, random_violin

OVER = 2
"""Samples a pixel, each way."""
_FILL = 0.93
"""How much of a cut-out's height an instrument takes, or of its width where it is seen from the end."""
_ROOM = 96  # side of the picture of a room, px


@dataclass(frozen=True)
class Eye:
    """A camera: rotation (rows are its axes) in the instrument's frame, place (mm), focal length and centre (px)."""

    axes: Array
    place: Array
    focal: float
    centre: Array

    def see(self, points: Array) -> Array:
        """Pixels (N, 2) of the cut-out."""
        seen = (np.asarray(points) - self.place) @ self.axes.T
        return np.asarray(self.focal * seen[:, :2] / seen[:, 2:] + self.centre)


def random_eye(rng: np.random.Generator, cloud: Cloud) -> Eye:
    """A camera from anywhere above the instrument that sees it upright and as large as the cut-out allows."""
    tilt = radians(
        float(rng.choice([rng.uniform(0, 12), rng.uniform(8, 30), rng.uniform(25, 55)], p=[0.5, 0.32, 0.18]))
    )
    way = rng.uniform(0, 2 * np.pi) if rng.random() < 0.6 else rng.choice([-1, 1]) * np.pi / 2 + rng.normal(0, 0.3)
    back = np.array([np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way), np.cos(tilt)])  # towards the camera
    down = -np.array([0.0, 1.0, 0.0])
    down = down - back * (down @ back)
    down /= np.linalg.norm(down)
    axes = np.stack([np.cross(down, -back), down, -back])
    middle = np.array([0.0, 0.46 * 592, 20.0])
    place = middle + back * 592 * float(np.exp(rng.uniform(np.log(1.1), np.log(5.0))))
    ends = cloud.places[:: max(len(cloud.places) // 4000, 1)].astype(float)
    rough = Eye(axes, place, 1.0, np.zeros(2))
    low, high = rough.see(ends).min(0), rough.see(ends).max(0)
    focal = float(min(_FILL * HIGH / (high - low)[1], 0.96 * WIDE / (high - low)[0]))
    return Eye(axes, place, focal, np.array([(WIDE - 1) / 2, (HIGH - 1) / 2]) - focal * (low + high) / 2)


def render_violins(seeds: range, views: int, device: torch.device, workers: int, seconds: float) -> CutOuts:
    """Cut-outs of many instruments.

    Parameters
    ----------
    seeds : range
        One instrument each.
    views : int
        Pictures of each instrument.
    device : torch.device
    workers : int
        Processes that make the instruments.
    seconds : float
        No further instrument is begun after this time.
    """
    start = time.time()
    layers: list[Tensor] = []
    points: list[Array] = []
    pool = ProcessPoolExecutor(workers)
    for seed, cloud in zip(seeds, pool.map(random_violin, seeds, chunksize=1), strict=True):
        rng = np.random.default_rng(seed + 1_000_003)
        torch.manual_seed(seed)
        places = torch.from_numpy(cloud.places).to(device)
        rest = [torch.from_numpy(each).to(device) for each in (cloud.normals, cloud.colours, cloud.parts, cloud.shines)]
        for _ in range(views):
            eye = random_eye(rng, cloud)
            layers.append(_picture(rng, cloud, eye, places, *rest))
            points.append(eye.see(np.array([cloud.points[name] for name in POINTS])))
        if time.time() - start > seconds:
            break
    pool.shutdown(wait=False, cancel_futures=True)
    full = torch.stack(layers)
    sizes = [full]
    for _ in range(2):
        sizes.append(torch.cat([F.avg_pool2d(part.float(), 2).round().byte() for part in sizes[-1].split(32)]))
    return CutOuts(tuple(sizes), torch.tensor(np.array(points), dtype=torch.float32, device=device))


def _picture(
    rng: np.random.Generator,
    cloud: Cloud,
    eye: Eye,
    places: Tensor,
    normals: Tensor,
    colours: Tensor,
    parts: Tensor,
    shines: Tensor,
) -> Tensor:
    """Layers (10, HIGH, WIDE) uint8 as `CutOuts` has them."""
    device = places.device
    axes = torch.tensor(eye.axes, dtype=torch.float32, device=device)
    seen = (places - torch.tensor(eye.place, dtype=torch.float32, device=device)) @ axes.T
    high, wide = HIGH * OVER, WIDE * OVER
    centre = torch.tensor((eye.centre + 0.5) * OVER - 0.5, dtype=torch.float32, device=device)
    focal = eye.focal * OVER
    spot = focal * seen[:, :2] / seen[:, 2:] + centre
    nearest, winner = _thrown(spot, seen[:, 2], high, wide)
    on = winner >= 0
    index = winner.clamp(min=0)
    part, shine = parts[index], shines[index]
    colour = colours[index].float() / 255
    normal = F.normalize(normals[index].float(), dim=-1)
    towards = torch.tensor(eye.place, dtype=torch.float32, device=device) - places[index]
    towards = F.normalize(towards, dim=-1)
    facing = (normal * towards).sum(-1, keepdim=True)
    normal = torch.where(facing < 0, -normal, normal)
    scene = _Scene(axes, nearest.view(high, wide), seen[index], focal, centre)
    light = _lit(rng, scene, on, colour, normal, towards, facing.abs(), part, shine)
    masks = [
        on,
        (part != SHOULDER_REST) & on,
        (part == CHIN_REST) & on,
        (part == SHOULDER_REST) & on,
        (part == VARNISHED) & on,
    ]
    stack = torch.cat(
        [light.clamp(0, 1).view(high, wide, 3).permute(2, 0, 1), *[m.view(1, high, wide).float() for m in masks]]
    )
    small = F.avg_pool2d(stack[None], OVER)[0]
    alpha = small[3:4].clamp(min=1e-3)
    small = torch.cat([(small[:3] / alpha).clamp(0, 1) ** (1 / 2.2), small[3:]])
    body = torch.from_numpy(_filled(eye.see(cloud.outline))).to(device)[None]
    shade = _shade(rng, cloud, eye, places[::3])
    layers = torch.cat([small[:4], body, small[4:5], small[5:6], small[6:7], small[7:8], shade])
    return (layers * 255).round().clamp(0, 255).byte()


def _thrown(spot: Tensor, depth: Tensor, high: int, wide: int) -> tuple[Tensor, Tensor]:
    """Nearest depth (high * wide) and which piece lies there, -1 for none; a piece covers two by two samples."""
    corner = torch.floor(spot).long()
    every, which = [], []
    number = torch.arange(len(spot), device=spot.device)
    for right in (0, 1):
        for down in (0, 1):
            x, y = corner[:, 0] + right, corner[:, 1] + down
            good = (x >= 0) & (x < wide) & (y >= 0) & (y < high)
            every.append((y * wide + x)[good])
            which.append(number[good])
    pixel, piece = torch.cat(every), torch.cat(which)
    near = torch.full((high * wide,), torch.inf, device=spot.device)
    near = near.scatter_reduce(0, pixel, depth[piece], "amin")
    wins = depth[piece] <= near[pixel]
    winner = torch.full((high * wide,), -1, dtype=torch.long, device=spot.device)
    winner[pixel[wins]] = piece[wins]
    return near, winner


@dataclass(frozen=True)
class _Scene:
    """What tells whether light reaches a sample: axes, depths (h, w), places in the camera's frame (P, 3)."""

    axes: Tensor
    depth: Tensor
    places: Tensor
    focal: float
    centre: Tensor

    def reached(self, towards: Tensor, reach_mm: float, steps: int) -> Tensor:
        """Share of light (P, 1) from directions (P, 3) (instrument's frame) that nothing in the picture stops."""
        way = towards @ self.axes.T
        free = torch.ones(len(way), 1, device=way.device)
        high, wide = self.depth.shape
        for k in range(1, steps + 1):
            far = reach_mm * (k / steps) ** 1.7
            p = self.places + far * way
            xy = self.focal * p[:, :2] / p[:, 2:] + self.centre
            col, row = xy[:, 0].round().long(), xy[:, 1].round().long()
            good = (col >= 0) & (col < wide) & (row >= 0) & (row < high)
            there = self.depth[row.clamp(0, high - 1), col.clamp(0, wide - 1)]
            gap = p[:, 2] - there
            stopped = good & (gap > 0.6 + 0.05 * far) & (gap < 40)
            free = torch.where(stopped[:, None], torch.zeros_like(free), free)
        return free


def _lit(
    rng: np.random.Generator,
    scene: _Scene,
    on: Tensor,
    colour: Tensor,
    normal: Tensor,
    towards: Tensor,
    facing: Tensor,
    part: Tensor,
    shine: Tensor,
) -> Tensor:
    """Light (P, 3) that comes from each sample to the camera, linear."""
    device = colour.device
    out = torch.zeros_like(colour)
    here = on.nonzero()[:, 0]
    colour, normal, towards, facing, part, shine = (
        each[here] for each in (colour, normal, towards, facing, part, shine)
    )
    near = _Scene(scene.axes, scene.depth, scene.places[here], scene.focal, scene.centre)
    room = [torch.from_numpy(each).to(device) for each in _room(rng)]
    open_ = torch.zeros(len(here), 1, device=device)
    turns = 6
    for _ in range(turns):
        open_ += near.reached(F.normalize(normal + 0.9 * torch.randn_like(normal), dim=-1), 45.0, 6) / turns
    open_ = _smoothed(open_, here, scene.depth.shape)
    light = _from_room(room[2], normal) * open_ ** rng.uniform(0.6, 1.3)
    for _ in range(int(rng.integers(0, 3))):
        steep = rng.uniform(0.25, 1.0)
        turn = rng.uniform(0, 2 * np.pi)
        lamp = np.array([np.cos(turn) * np.sqrt(1 - steep**2), np.sin(turn) * np.sqrt(1 - steep**2), steep])
        way = torch.tensor(lamp, dtype=torch.float32, device=device).expand_as(normal)
        spread = float(rng.uniform(0.01, 0.15)) * torch.randn_like(normal)
        free = _smoothed(near.reached(F.normalize(way + spread, dim=-1), 90.0, 14), here, scene.depth.shape)
        strength = torch.tensor(
            rng.uniform(0.3, 1.6) * np.exp(rng.normal(0, 0.15, 3)), dtype=torch.float32, device=device
        )
        light = light + strength * (normal * way).sum(-1, keepdim=True).clamp(min=0) * free
    mirror = F.normalize(2 * (normal * towards).sum(-1, keepdim=True) * normal - towards, dim=-1)
    sharp, soft = _from_room(room[0], mirror), _from_room(room[1], mirror)
    varnish, polish, gloss = rng.uniform(0, 1), rng.uniform(0, 1), float(np.exp(rng.uniform(-1.2, 0.7)))
    edge = 0.04 + 0.96 * (1 - facing).clamp(0, 1) ** 5
    share = torch.where((shine == POLISH)[:, None], polish, varnish)
    reflected = (sharp * share + soft * (1 - share)) * edge * gloss * (0.35 + 0.65 * open_)
    reflected = torch.where((shine == DULL)[:, None], 0.15 * reflected, reflected)
    metal = (shine == METAL)[:, None]
    total = torch.where(metal, colour * (0.4 * light + soft), colour * light + reflected)
    bright = total[part == VARNISHED].mean() if (part == VARNISHED).any() else total.mean()
    out[here] = total * (float(np.exp(rng.uniform(np.log(0.06), np.log(0.38)))) / bright.clamp(min=1e-4))
    return out


def _smoothed(values: Tensor, here: Tensor, shape: torch.Size) -> Tensor:
    """Values (P, 1) at the samples `here` of a picture, averaged over their neighbours."""
    picture = torch.zeros(2, shape[0] * shape[1], device=values.device)
    picture[0, here], picture[1, here] = values[:, 0], 1.0
    soft = F.avg_pool2d(picture.view(1, 2, *shape), 7, 1, 3).view(2, -1)
    return (soft[0] / soft[1].clamp(min=1e-6))[here][:, None]


def _room(rng: np.random.Generator) -> list[Floats]:
    """A room's light as it mirrors sharply, softly, and as it falls on dull things: (3, side, side) each.

    The picture is Lambert's equal-area view: straight up in the middle, the horizon half-way, down all round.
    """
    t = (np.arange(_ROOM) + 0.5) / _ROOM * 2 - 1
    x, y = np.meshgrid(t, t)
    up = np.clip(1 - 2 * (x**2 + y**2), -1, 1)[..., None]
    field = np.repeat(0.45 + rng.uniform(0, 0.5) * up, 3, axis=2)
    rough = cv2.GaussianBlur(rng.standard_normal((_ROOM, _ROOM, 1)), (0, 0), 6.0)[..., None]
    tint = cv2.GaussianBlur(rng.standard_normal((_ROOM, _ROOM, 3)), (0, 0), 12.0)
    field *= np.exp(0.5 * rough / rough.std() + 0.08 * tint / tint.std())
    for _ in range(int(rng.integers(1, 6))):  # windows and lamps
        centre, turn = rng.uniform(-0.75, 0.75, 2), rng.uniform(0, np.pi)
        u = (x - centre[0]) * np.cos(turn) + (y - centre[1]) * np.sin(turn)
        v = (y - centre[1]) * np.cos(turn) - (x - centre[0]) * np.sin(turn)
        inside = (np.abs(u) < rng.uniform(0.02, 0.2)) & (np.abs(v) < rng.uniform(0.02, 0.25))
        field[inside] += np.exp(rng.uniform(0, 3.2)) * np.exp(rng.normal(0, 0.1, 3))
    for _ in range(int(rng.integers(0, 4))):  # dark furniture
        centre = rng.uniform(-0.9, 0.9, 2)
        field[(np.abs(x - centre[0]) < rng.uniform(0.03, 0.2)) & (np.abs(y - centre[1]) < rng.uniform(0.03, 0.2))] *= (
            0.2
        )
    views = []
    for blur in (rng.uniform(0.3, 0.9), rng.uniform(1.2, 4.0), 17.0):
        soft = cv2.GaussianBlur(field, (0, 0), float(blur), borderType=cv2.BORDER_REPLICATE)
        views.append(np.ascontiguousarray(soft.transpose(2, 0, 1), np.float32))
    return views


def _from_room(room: Tensor, way: Tensor) -> Tensor:
    """Light (P, 3) from directions (P, 3)."""
    grid = way[:, :2] / torch.sqrt(2 * (1 + way[:, 2:]).clamp(min=1e-3))
    return F.grid_sample(room[None], grid[None, :, None], padding_mode="border", align_corners=False)[0, :, :, 0].T


def _shade(rng: np.random.Generator, cloud: Cloud, eye: Eye, places: Tensor) -> Tensor:
    """Light (1, HIGH, WIDE) that the instrument leaves on what it lies on; now and then it lies on nothing."""
    device = places.device
    left = torch.ones(1, HIGH, WIDE, device=device)
    if rng.random() < 0.12:
        return left
    floor_mm = cloud.floor_mm - (0 if rng.random() < 0.8 else float(rng.uniform(0, 60)))
    axes = torch.tensor(eye.axes, dtype=torch.float32, device=device)
    centre = torch.tensor(eye.centre, dtype=torch.float32, device=device)
    for kind in range(3):
        steep = 1.0 if kind == 0 else rng.uniform(0.4, 1.0)
        turn = rng.uniform(0, 2 * np.pi)
        flat = np.sqrt(1 - steep**2) / steep
        drop = places[:, 2:] - floor_mm
        moved = places[:, :2] - drop * torch.tensor(
            [np.cos(turn) * flat, np.sin(turn) * flat], dtype=torch.float32, device=device
        )
        fallen = torch.cat([moved, torch.full_like(drop, floor_mm)], 1)
        seen = (fallen - torch.tensor(eye.place, dtype=torch.float32, device=device)) @ axes.T
        xy = (eye.focal * seen[:, :2] / seen[:, 2:] + centre).round().long()
        good = (xy[:, 0] >= 0) & (xy[:, 0] < WIDE) & (xy[:, 1] >= 0) & (xy[:, 1] < HIGH)
        mark = torch.zeros(HIGH * WIDE, device=device)
        mark[xy[good, 1] * WIDE + xy[good, 0]] = 1
        mark = F.max_pool2d(mark.view(1, 1, HIGH, WIDE), 3, 1, 1)
        soft = float(rng.uniform(6, 16) if kind == 0 else np.exp(rng.uniform(0, 3)))
        mark = _blurred(mark, soft)[0]
        left = left * (1 - float(rng.uniform(0.2, 0.75) if kind == 0 else rng.uniform(0, 0.7)) * mark)
    return left


def _blurred(x: Tensor, sigma: float) -> Tensor:
    """Gaussian blur of (1, 1, H, W)."""
    reach = max(int(3 * sigma), 1)
    t = torch.arange(-reach, reach + 1, device=x.device, dtype=torch.float32)
    kernel = torch.exp(-0.5 * (t / sigma) ** 2)
    kernel = kernel / kernel.sum()
    x = F.conv2d(F.pad(x, (reach, reach, 0, 0), mode="replicate"), kernel.view(1, 1, 1, -1))
    return F.conv2d(F.pad(x, (0, 0, reach, reach), mode="replicate"), kernel.view(1, 1, -1, 1))


def _filled(line: Array) -> Floats:
    """Share (HIGH, WIDE) of each pixel inside a closed line."""
    mask = np.zeros((HIGH * 2, WIDE * 2), np.uint8)
    cv2.fillPoly(mask, [np.round(((line + 0.5) * 2 - 0.5) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return np.asarray(cv2.resize(mask, (WIDE, HIGH), interpolation=cv2.INTER_AREA), np.float32) / 255
