"""Training pictures of instruments, put together on the graphics card.

Rendered instruments (`rendering`) are bent a little (outline families), turned, scaled and laid on grounds
they were never rendered on: photographs and textures, plain walls, wood of their own colour, folds of cloth, open
cases; with shadows, bows, sheets of paper, cables, hands and other things beside and across them, glare, and a camera's
faults.  Pictures are in linear light until `degrade.tone`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from vision.instrument.net import FILL, POINTS
from vision.training import degrade
from vision.training.degrade import blur, chance, rand, smooth_field

MIRRORED = [POINTS.index(p.replace("left", "#").replace("right", "left").replace("#", "right")) for p in POINTS]
HIGH, WIDE = 832, 384  # of a cut-out, px; the scroll is up


@dataclass(frozen=True)
class CutOuts:
    """Rendered instruments: layers (N, 10, H, W) uint8 at three sizes, and points (N, K, 2) px.

    Layers: red, green, blue, alpha, body, whole, chin rest, shoulder rest, varnish, light left by the shadow.
    """

    layers: tuple[Tensor, ...]
    points: Tensor


def load_pictures(folder: Path, device: torch.device, alpha: bool) -> Tensor:
    """Read all pictures of a folder (one size) as (N, C, H, W) uint8."""
    flag = cv2.IMREAD_UNCHANGED if alpha else cv2.IMREAD_COLOR
    code = cv2.COLOR_BGRA2RGBA if alpha else cv2.COLOR_BGR2RGB
    read = [cv2.cvtColor(cv2.imread(str(p), flag), code) for p in sorted(folder.iterdir())]
    return torch.from_numpy(np.stack(read)).permute(0, 3, 1, 2).contiguous().to(device)


def pixel_grid(size: int, device: torch.device) -> Tensor:
    """Pixel centres (size, size, 2) as x, y."""
    t = torch.arange(size, device=device, dtype=torch.float32)
    return torch.stack(torch.meshgrid(t, t, indexing="xy"), -1)


def sample(source: Tensor, xy: Tensor) -> Tensor:
    """Sample (B, C, h, w) at px (B, H, W, 2)."""
    h, w = source.shape[2:]
    grid = torch.stack([(xy[..., 0] * 2 + 1) / w - 1, (xy[..., 1] * 2 + 1) / h - 1], -1)
    return F.grid_sample(source, grid, mode="bilinear", padding_mode="zeros", align_corners=False)


class Composer:
    """Makes batches of pictures with their masks and points."""

    def __init__(self, cutouts: CutOuts, grounds: Tensor, objects: Tensor, size: int = 448) -> None:
        self.cutouts, self.grounds, self.objects, self.size = cutouts, grounds, objects, size
        self.device = grounds.device
        self.grid = pixel_grid(size, self.device)

    def batch(self, n: int, width: int | None = None) -> tuple[Tensor, Tensor, Tensor]:
        """Return pictures (n, 3, S, W) 0..255, masks (n, 5, S/2, W/2), points (n, 2, K, 2) px (NaN: absent).

        W is S; where a `width` is given it is that, and the look one at an instrument alone and upright, as
        `vision.instrument.net` takes it.
        """
        s, dev = self.size, self.device
        present = torch.rand(n, device=dev) > 0.06
        pose = self._poses(n, present)
        if width is not None:
            pose = self._alone(pose)
            present = pose["present"]
        first, points, frame = self._instrument(pose)
        image = self._ground(n, first, frame)
        image = self._things(image, 3, 0.75)
        image = self._paper(image, frame, chance(n, 0.25, dev))
        bare = chance(n, 0.12, dev)  # cut out and laid on white or black by somebody else
        image = image * (1 - bare) + torch.where(chance(n, 0.85, dev) > 0, 0.97, 0.004) * bare
        first = torch.cat([first[:, :9], 1 - (1 - first[:, 9:]) * (1 - bare * chance(n, 0.6, dev))], 1)
        masks = torch.zeros(n, 5, s, s, device=dev)
        second_present = present & (torch.rand(n, device=dev) < 0.14)
        other_pose = self._poses(n, second_present, small=True)
        layer, other, _ = self._instrument(other_pose)
        image, masks = self._lay(image, masks, layer)
        image, masks = self._bow(image, masks, frame, chance(n, 0.25, dev) * present.view(-1, 1, 1, 1))
        image, masks = self._lay(image, masks, first)
        image, masks = self._bow(image, masks, frame, chance(n, 0.24, dev) * present.view(-1, 1, 1, 1))
        image = self._cables(image)
        image = self._things(image, 1, 0.12)
        image = self._hands(image, frame)
        image = degrade.light(image)
        image = self._glare(image, masks[:, 1:2])
        image = degrade.camera(degrade.tone(image))
        xy = torch.stack([points, other], 1)
        wide = width or s
        left = (s - wide) // 2
        image, masks = image[..., left : left + wide], masks[..., left : left + wide]
        xy = xy - torch.tensor([left, 0], device=dev)
        inside = ((xy >= 0) & (xy <= torch.tensor([wide - 1, s - 1], device=dev))).all(-1, keepdim=True)
        xy = torch.where(inside, xy, torch.full_like(xy, torch.nan))
        return (image * 255).clamp(0, 255), F.avg_pool2d(masks, 2).clamp(0, 1), xy

    def _poses(self, n: int, present: Tensor, small: bool = False) -> dict[str, Tensor]:
        """Draw where and how instruments lie."""
        s, dev = self.size, self.device

        def u(low: float, high: float) -> Tensor:
            return torch.rand(n, device=dev) * (high - low) + low

        length = s * torch.exp(u(math.log(0.30), math.log(1.0)) if small else u(math.log(0.36), math.log(1.22)))
        length = torch.where(torch.rand(n, device=dev) < (0.3 if small else 0.62), s * u(0.66, 1.02), length)
        quarter = torch.randint(0, 4, (n,), device=dev) * (math.pi / 2) + torch.randn(n, device=dev) * 0.12
        quarter = torch.where(torch.rand(n, device=dev) < 0.5, torch.randn(n, device=dev) * 0.15, quarter)
        angle = torch.where(torch.rand(n, device=dev) < 0.6, quarter, u(0, 2 * math.pi))
        diagonal = 1 + 0.25 * torch.sin(2 * angle) ** 2  # a slanting instrument may be longer than the side
        length = length * torch.where(length > 0.8 * s, diagonal, torch.ones_like(diagonal))
        reach = (s - 0.92 * length[:, None] * torch.stack([angle.sin().abs(), angle.cos().abs()], -1)).clamp(
            min=0.12 * s
        ) / 2
        centre = s / 2 + (torch.rand(n, 2, device=dev) * 2 - 1) * reach * (1.6 if small else 1.0)
        odd = (torch.rand(n, device=dev) < 0.2).float()  # a toy, a viola, another maker's idea
        return {
            "index": torch.randint(0, len(self.cutouts.points), (n,), device=dev),
            "scale": length / (0.93 * HIGH),
            "angle": angle,
            "centre": centre,
            "stretch": torch.exp(torch.randn(n, device=dev) * (0.03 + 0.04 * odd)),
            "flip": torch.rand(n, device=dev) < 0.5,
            "bend": torch.randn(n, 2, 3, device=dev) * (0.011 + 0.01 * odd[:, None, None]),
            "wave": torch.randn(n, 2, 3, 2, device=dev) * 1.1,
            "phase": torch.rand(n, 2, 3, device=dev) * 6.28,
            "tilt": torch.randn(n, 2, device=dev) * 0.05,
            "present": present,
        }

    def _alone(self, p: dict[str, Tensor]) -> dict[str, Tensor]:
        """The same instruments upright and alone: as found by a first look, so a little off."""
        n, s, dev = len(p["scale"]), self.size, self.device
        length = s * FILL * torch.exp(torch.randn(n, device=dev) * 0.045)
        off = torch.randn(n, 2, device=dev) * 0.02 * s
        # now and then the first look was wrong: upside down, askew, or much too near or far
        wrong = torch.rand(n, device=dev) < 0.08
        turned = torch.where(torch.rand(n, device=dev) < 0.5, math.pi, 0.0) + torch.randn(n, device=dev) * 0.35
        angle = torch.where(wrong, turned, torch.randn(n, device=dev) * 0.035)
        length = torch.where(wrong, s * torch.exp(torch.rand(n, device=dev) * 0.85 - 0.6), length)
        return p | {
            "scale": length / (0.93 * HIGH),
            "angle": angle,
            "centre": s / 2 + torch.where(wrong[:, None], 4 * off, off),
            "present": p["present"] | (torch.rand(n, device=dev) < 0.5),
        }

    def _bent(self, p: dict[str, Tensor], q: Tensor) -> Tensor:
        """Smooth displacement (px of the cut-out) at q (B, M, 2), the same family of outlines for either side."""
        v = torch.stack([(q[..., 0] * 2 / WIDE - 1).abs(), q[..., 1] * 2 / HIGH - 1], -1)
        arg = torch.einsum("bmc,bdkc->bmdk", v, p["wave"]) * 2 + p["phase"][:, None]
        d = (p["bend"][:, None] * torch.sin(arg)).sum(-1)
        side = torch.tanh((q[..., 0] * 2 / WIDE - 1) * 12)
        return torch.stack([d[..., 0] * side * WIDE, d[..., 1] * HIGH * 0.5], -1)

    def _instrument(self, p: dict[str, Tensor]) -> tuple[Tensor, Tensor, tuple[Tensor, Tensor, Tensor]]:
        """Return the layers in the picture, the points in the picture, and the frame (centre, unit axis, length)."""
        n, s = len(p["scale"]), self.size
        cos, sin = p["angle"].cos(), p["angle"].sin()
        turn = torch.stack([torch.stack([cos, sin], -1), torch.stack([-sin, cos], -1)], -2)  # picture -> upright
        z = (self.grid.view(1, -1, 2) - p["centre"][:, None]) / s
        w = 1 + (z * p["tilt"][:, None]).sum(-1, keepdim=True)
        flat = (z / w) * s
        upright = flat @ turn.transpose(1, 2) / p["scale"].view(-1, 1, 1)
        mirror = torch.where(p["flip"], -1.0, 1.0).view(-1, 1)
        upright = torch.stack([upright[..., 0] * mirror / p["stretch"].view(-1, 1), upright[..., 1]], -1)
        mid = torch.tensor([(WIDE - 1) / 2, (HIGH - 1) / 2], device=self.device)
        q = upright + mid
        q = q + self._bent(p, q)
        level = (torch.log2(1 / p["scale"].clamp(min=1e-3)).round().long()).clamp(0, 2)
        out = torch.zeros(n, 10, s, s, device=self.device)
        for k in range(3):
            chosen = (level == k).nonzero()[:, 0]
            if len(chosen):
                source = self.cutouts.layers[k][p["index"][chosen]].float() / 255
                source[:, 9] = 1 - source[:, 9]
                xy = (q[chosen].view(-1, s, s, 2) + 0.5) / 2**k - 0.5
                out[chosen] = sample(source, xy)
        out[:, 9] = 1 - out[:, 9]
        out = torch.where(p["present"].view(-1, 1, 1, 1), out, torch.zeros_like(out))
        out[:, 9] = torch.where(p["present"].view(-1, 1, 1), out[:, 9], torch.ones_like(out[:, 9]))
        goal = self.cutouts.points[p["index"]]
        q = goal.clone()
        for _ in range(4):
            q = goal - self._bent(p, q)
        v = (q - mid) * torch.stack([mirror * p["stretch"].view(-1, 1), torch.ones_like(mirror)], -1)
        flat = (v * p["scale"].view(-1, 1, 1)) @ turn / s
        w = 1 / (1 - (flat * p["tilt"][:, None]).sum(-1, keepdim=True))
        points = flat * w * s + p["centre"][:, None]
        swapped = points[:, MIRRORED]
        points = torch.where(p["flip"].view(-1, 1, 1), swapped, points)
        points = torch.where(p["present"].view(-1, 1, 1), points, torch.full_like(points, torch.nan))
        axis = torch.stack([-sin * 0 + sin, -cos], -1)
        return self._recolour(out), points, (p["centre"], axis, p["scale"] * HIGH * 0.93)

    def _recolour(self, layers: Tensor) -> Tensor:
        """Change varnish and fittings, and how bright the whole instrument is; colours become linear-ish."""
        n, dev = len(layers), self.device
        rgb = layers[:, :3].clamp(0, 1) ** 2.2
        gain = torch.exp(torch.randn(n, 3, 1, 1, device=dev) * 0.13 + rand(n, -0.6, 0.5, dev))
        other = torch.exp(torch.randn(n, 3, 1, 1, device=dev) * 0.1 + rand(n, -0.5, 0.9, dev))
        varnish = layers[:, 8:9]
        rgb = rgb * (gain * varnish + other * (1 - varnish))
        rgb = rgb * torch.exp(smooth_field(n, rgb.shape[2:], 5, dev) * rand(n, 0, 0.2, dev))
        return torch.cat([rgb * torch.exp(rand(n, -0.5, 0.5, dev)), layers[:, 3:]], 1)

    def _lay(self, image: Tensor, masks: Tensor, layer: Tensor) -> tuple[Tensor, Tensor]:
        """Put an instrument and its shadow over the picture; what it hides of other masks is lost."""
        n, dev = len(image), self.device
        alpha = layer[:, 3:4]
        shade = layer[:, 9:10] ** rand(n, 0.2, 1.7, dev)
        if torch.rand(()) < 0.6:  # a harder second shadow, joined to the body
            dx, dy = (int(v) for v in torch.randint(-14, 15, (2,)))
            thrown = blur(torch.roll(alpha, (dy, dx), (2, 3)), float(torch.rand(()) * 4 + 0.5))
            shade = shade * (1 - thrown * rand(n, 0, 0.85, dev) * chance(n, 0.5, dev))
        image = image * shade * (1 - alpha) + layer[:, :3] * alpha
        masks = masks * (1 - alpha)
        return image, torch.cat([torch.maximum(masks[:, :4], layer[:, 4:8]), masks[:, 4:]], 1)

    def _patch(self, n: int) -> Tensor:
        """Random turned and scaled pieces of ground pictures."""
        dev, s = self.device, self.size
        src = self.grounds[torch.randint(0, len(self.grounds), (n,), device=dev)].float() / 255
        a, k = rand(n, 0, 6.28, dev).view(-1), torch.exp(rand(n, -1.1, 0.75, dev)).view(-1) * 2 / s
        a = torch.where(torch.rand(n, device=dev) < 0.5, torch.zeros_like(a), a)
        z = self.grid.view(1, -1, 2) - s / 2
        x = (z[..., 0] * a.cos()[:, None] - z[..., 1] * a.sin()[:, None]) * k[:, None]
        y = (z[..., 0] * a.sin()[:, None] + z[..., 1] * a.cos()[:, None]) * k[:, None]
        xy = torch.stack([x, y], -1).view(n, s, s, 2) + (torch.rand(n, 1, 1, 2, device=dev) - 0.5)
        got = F.grid_sample(src, xy, mode="bilinear", padding_mode="reflection", align_corners=False)
        got = got**2.2
        grey = got.mean(1, keepdim=True)
        return (grey + (got - grey) * rand(n, 0.2, 1.3, dev)) * torch.exp(rand(n, -0.8, 0.7, dev))

    def _plain(self, n: int) -> Tensor:
        """Plain colours: white, grey, black, any; with a little texture."""
        dev = self.device
        base = torch.rand(n, 3, 1, 1, device=dev) ** 1.5
        grey = rand(n, 0.0, 0.95, dev) ** 1.3
        k = torch.rand(n, 1, 1, 1, device=dev)
        base = torch.where(k < 0.55, grey + (base - 0.5) * 0.08 * grey, base * 0.8)
        base = torch.where(k < 0.15, 0.75 + 0.2 * torch.rand(n, 1, 1, 1, device=dev), base).clamp(0.004, 1)
        fine = torch.randn(n, 1, self.size, self.size, device=dev)
        fine = fine if torch.rand(()) < 0.4 else blur(fine, float(torch.rand(()) * 2 + 0.6)) * 3
        return base * (1 + fine * rand(n, 0, 0.12, dev)).clamp(0.3, 1.7)

    def _wood(self, n: int, tone: Tensor) -> Tensor:
        """Grain stretched along one direction, planks now and then, in the colour given."""
        dev, s = self.device, self.size
        z = torch.randn(n, 1, 96, 6, device=dev)
        grain = F.interpolate(z, size=(s * 3 // 2, s * 3 // 2), mode="bicubic", align_corners=True)
        a = rand(n, 0, 6.28, dev).view(-1)
        a = torch.where(torch.rand(n, device=dev) < 0.5, (a / 1.57).round() * 1.57, a)
        bend = smooth_field(n, (s, s), 2, dev)[:, 0] * 0.03
        z = self.grid.view(1, s, s, 2) / s * 2 - 1
        c, d = a.cos().view(-1, 1, 1), a.sin().view(-1, 1, 1)
        x, y = z[..., 0] * c - z[..., 1] * d, z[..., 0] * d + z[..., 1] * c + bend
        got = F.grid_sample(grain, torch.stack([x, y], -1) * 0.66, align_corners=False, padding_mode="reflection")
        plank = torch.cos(y[:, None] * 3.14 * rand(n, 3, 9, dev)).abs()
        gap = 1 - 0.55 * (plank < 0.03).float() * chance(n, 0.4, dev)
        return (tone * torch.exp(got * rand(n, 0.05, 0.35, dev)) * gap).clamp(0.002, 1.2)

    def _ground(self, n: int, layer: Tensor, frame: tuple[Tensor, Tensor, Tensor]) -> Tensor:
        """Draw what the instrument lies on."""
        dev, s = self.device, self.size
        photo, plain = self._patch(n), self._plain(n)
        alpha = layer[:, 8:9]
        mean = (layer[:, :3] * alpha).sum((2, 3), keepdim=True) / alpha.sum((2, 3), keepdim=True).clamp(min=1)
        likeness = mean.clamp(0.01, 0.9) * torch.exp(
            torch.randn(n, 3, 1, 1, device=dev) * 0.15 + rand(n, -0.5, 0.6, dev)
        )
        brown = torch.tensor([0.5, 0.3, 0.16], device=dev).view(1, 3, 1, 1) * torch.exp(rand(n, -1.2, 0.5, dev))
        wood = self._wood(n, torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.6, likeness, brown))
        alike = plain / plain.mean((1, 2, 3), keepdim=True).clamp(min=0.02) * likeness
        k = torch.rand(n, 1, 1, 1, device=dev)
        image = torch.where(k < 0.44, photo, torch.where(k < 0.68, plain, torch.where(k < 0.88, wood, alike)))
        fold = smooth_field(n, (s, s), int(torch.randint(3, 9, ())), dev)
        ridge = 1 - torch.exp(-(fold.abs() * 1.6)) + 0.35 * fold
        image = image * torch.exp((ridge - 0.6) * rand(n, 0, 0.9, dev) * chance(n, 0.25, dev)).clamp(0.25, 2.5)
        edge = (self.grid.view(1, s, s, 2) - torch.rand(n, 1, 1, 2, device=dev) * s) * (
            torch.randn(n, 1, 1, 2, device=dev)
        )
        other = (edge.sum(-1)[:, None] > 0).float() * chance(n, 0.16, dev)  # floor and wall, table's edge
        image = image * (1 - other) + torch.roll(image, 1, 0) * other
        want = chance(n, 0.26, dev)
        side = torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.5, 1.0, -1.0)
        lid = self._case(image, frame, want * chance(n, 0.6, dev), side * rand(n, 0.38, 0.6, dev))
        return self._case(lid, frame, want, torch.zeros_like(side))

    def _local(self, frame: tuple[Tensor, Tensor, Tensor]) -> tuple[Tensor, Tensor]:
        """Coordinates across and along the instrument, over its length, 0 at its middle: (n, 1, S, S) each."""
        centre, axis, length = frame
        z = (self.grid[None] - centre.view(-1, 1, 1, 2)) / length.view(-1, 1, 1, 1)
        along = (z * axis.view(-1, 1, 1, 2)).sum(-1)
        across = z[..., 0] * axis[:, 1].view(-1, 1, 1) - z[..., 1] * axis[:, 0].view(-1, 1, 1)
        return across[:, None], along[:, None]

    def _case(self, image: Tensor, frame: tuple[Tensor, Tensor, Tensor], want: Tensor, aside: Tensor) -> Tensor:
        """An open case about the instrument, or its lid: rim, plush, a hollow in the instrument's shape or a box."""
        n, dev = len(image), self.device
        x, y = self._local(frame)
        x, y = x - aside + rand(n, -0.06, 0.06, dev), y + rand(n, -0.05, 0.05, dev)
        half_w, half_h = rand(n, 0.19, 0.42, dev), rand(n, 0.53, 0.72, dev)
        shaped = chance(n, 0.5, dev)
        waist = 0.62 + 0.38 * torch.cos((y + 0.05) * 3.4).clamp(-1, 1) * torch.where(y > 0, 0.3, 1.0)
        wide = half_w * (shaped * waist.clamp(0.35, 1) + (1 - shaped))
        power = 6.0
        inside = ((x / wide).abs() ** power + (y / half_h).abs() ** power) ** (1 / power)
        rim = rand(n, 0.03, 0.12, dev)
        plush = torch.rand(n, 3, 1, 1, device=dev) ** 2 * 0.6 + 0.01
        plush = torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.35, rand(n, 0.005, 0.06, dev), plush)
        nap = blur(torch.randn(n, 1, self.size, self.size, device=dev), 1.2) * 3
        deep = torch.exp(-(((1 - inside).clamp(min=0)) / 0.10)) * rand(n, 0, 0.8, dev)
        inner = plush * (1 + nap * rand(n, 0.02, 0.25, dev)) * (1 - deep)
        inner = inner * torch.exp(smooth_field(n, inner.shape[2:], 4, dev) * 0.2)
        hollow = (((x / (wide * 0.62)).abs() ** 4 + ((y + 0.1) / (half_h * 0.7)).abs() ** 4) < 1).float()
        inner = inner * (1 - 0.45 * hollow * chance(n, 0.4, dev))
        shell = torch.rand(n, 3, 1, 1, device=dev) ** 3 * 0.5 + 0.005
        shell = torch.where(chance(n, 0.25, dev) > 0, rand(n, 0.5, 0.95, dev).expand_as(shell), shell)
        a = torch.sigmoid((1 - inside) * 120)
        b = torch.sigmoid((1 + rim - inside) * 120)
        image = image * (1 - b * want) + shell * b * want
        return image * (1 - a * want) + inner.clamp(0.002, 1) * a * want

    def _bow(
        self, image: Tensor, masks: Tensor, frame: tuple[Tensor, Tensor, Tensor], want: Tensor
    ) -> tuple[Tensor, Tensor]:
        """A bow beside or across the instrument: stick, hair, frog."""
        n, dev = len(image), self.device
        x, y = self._local(frame)
        a = torch.where(
            torch.rand(n, 1, 1, 1, device=dev) < 0.55, torch.randn(n, 1, 1, 1, device=dev) * 0.15, rand(n, 0, 6.28, dev)
        )
        off = rand(n, -0.32, 0.32, dev)
        s = x * a.cos() - y * a.sin() - off
        t = x * a.sin() + y * a.cos() - rand(n, -0.2, 0.2, dev)
        half = rand(n, 0.5, 0.66, dev)
        side = torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.5, 1.0, -1.0)
        s = s * side
        camber = 0.012 * (1 - (t / half) ** 2)
        inside = torch.sigmoid((half - t.abs()) * 400)
        stick = torch.sigmoid((rand(n, 0.005, 0.009, dev) - (s - 0.022 + camber).abs()) * 700) * inside
        hair = torch.sigmoid((rand(n, 0.003, 0.008, dev) - s.abs()) * 700) * inside * chance(n, 0.8, dev)
        block = rand(n, 0.012, 0.024, dev)
        frog = torch.sigmoid((block - (s - 0.01).abs()) * 500)
        frog = frog * torch.sigmoid((rand(n, 0.025, 0.05, dev) - (t + half - 0.06).abs()) * 400)
        eye = torch.sigmoid((0.006 - torch.hypot(s - 0.008, t + half - 0.06)) * 900)
        button = torch.sigmoid((0.006 - (s - 0.022).abs()) * 700) * torch.sigmoid((0.014 - (t + half).abs()) * 500)
        tip = torch.sigmoid((0.016 - (s - 0.01).abs()) * 500) * torch.sigmoid((0.008 - (t - half + 0.01).abs()) * 400)
        wood = torch.tensor([0.16, 0.05, 0.02], device=dev).view(1, 3, 1, 1) * torch.exp(rand(n, -1.5, 1.2, dev))
        pale = rand(n, 0.3, 0.9, dev) * torch.tensor([1.0, 0.95, 0.82], device=dev).view(1, 3, 1, 1)
        shade = blur(torch.roll(stick + hair, (4, 3), (2, 3)).clamp(0, 1), 2.0)
        image = image * (1 - shade * want * 0.5 * chance(n, 0.6, dev))
        dark = wood * torch.where(chance(n, 0.75, dev) > 0, 0.2, 1.0)
        parts = ((hair, pale), (stick, wood), (frog, dark), (eye, pale), (button, pale * 0.7), (tip, wood * 0.4 + 0.1))
        for part, colour in parts:
            image = image * (1 - part * want) + colour * part * want
        bow = torch.stack([hair, stick, frog, button, tip]).amax(0) * want
        return image, torch.cat([masks[:, :4], torch.maximum(masks[:, 4:], bow)], 1)

    def _paper(self, image: Tensor, frame: tuple[Tensor, Tensor, Tensor], want: Tensor) -> Tensor:
        """White sheets with dark squares."""
        n, dev = len(image), self.device
        x, y = self._local(frame)
        for _ in range(2):
            a = torch.where(
                torch.rand(n, 1, 1, 1, device=dev) < 0.7,
                torch.randn(n, 1, 1, 1, device=dev) * 0.1,
                rand(n, 0, 6.28, dev),
            )
            cx = torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.5, -1.0, 1.0) * rand(n, 0.3, 0.65, dev)
            u, v = x - cx, y - rand(n, -0.4, 0.4, dev)
            u, v = u * a.cos() - v * a.sin(), u * a.sin() + v * a.cos()
            k = torch.exp(rand(n, -0.35, 0.5, dev))
            sheet = ((u.abs() < 0.18 * k) & (v.abs() < 0.255 * k)).float()
            cell = rand(n, 0.02, 0.06, dev) * k
            squares = ((u / cell).floor() + (v / cell).floor()) % 2
            squares = squares * ((u.abs() < 0.15 * k) & (v.abs() < 0.2 * k)).float() * chance(n, 0.7, dev)
            dots = (smooth_field(n, squares.shape[2:], 40, dev) > 0.3).float()
            ink = squares * torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.5, dots, torch.ones_like(dots))
            white = rand(n, 0.55, 1.0, dev)
            on = sheet * want * chance(n, 0.7, dev)
            image = image * (1 - on) + white * (1 - 0.94 * ink) * on
        return image

    def _things(self, image: Tensor, count: int, p: float) -> Tensor:
        """Objects cut from photographs, and plain discs and boxes, recoloured at will."""
        n, dev, s = len(image), self.device, self.size
        for _ in range(count):
            src = self.objects[torch.randint(0, len(self.objects), (n,), device=dev)].float() / 255
            a, k = rand(n, 0, 6.28, dev).view(-1, 1), (s * torch.exp(rand(n, -2.2, -0.5, dev))).view(-1, 1)
            z = self.grid.view(1, -1, 2) - torch.rand(n, 1, 2, device=dev) * s
            x = (z[..., 0] * a.cos() - z[..., 1] * a.sin()) / k
            y = (z[..., 0] * a.sin() + z[..., 1] * a.cos()) / k
            got = F.grid_sample(src, torch.stack([x, y], -1).view(n, s, s, 2) * 2, align_corners=False)
            box = ((x.abs() < 0.5) & (y.abs() < 0.25)) if torch.rand(()) < 0.5 else (x**2 + 2 * y**2 < 0.2)
            plain = chance(n, 0.3, dev)
            colour = torch.rand(n, 3, 1, 1, device=dev)
            rgb = got[:, :3] ** 2.2 * (1 - plain) + colour**2 * plain
            rgb = rgb * torch.exp(torch.randn(n, 3, 1, 1, device=dev) * 0.25)
            alpha = got[:, 3:] * (1 - plain) + box.view(n, 1, s, s).float() * plain
            alpha = alpha * chance(n, p, dev)
            shade = blur(torch.roll(alpha, (5, 4), (2, 3)), 3.0)
            image = image * (1 - 0.5 * shade)
            image = image * (1 - alpha) + rgb * alpha
        return image

    def _cables(self, image: Tensor) -> Tensor:
        """Thin winding lines."""
        n, dev, s = len(image), self.device, self.size
        z = self.grid.view(1, s, s, 2) / s - torch.rand(n, 1, 1, 2, device=dev)
        a = rand(n, 0, 6.28, dev)[:, 0]
        u, v = z[..., 0] * a.cos() - z[..., 1] * a.sin(), z[..., 0] * a.sin() + z[..., 1] * a.cos()
        line = v - rand(n, 0, 0.12, dev)[:, 0] * torch.sin(u * rand(n, 2, 14, dev)[:, 0] + a)
        on = torch.sigmoid((rand(n, 0.002, 0.007, dev)[:, 0] - line.abs()) * 900)[:, None] * chance(n, 0.12, dev)
        colour = torch.rand(n, 3, 1, 1, device=dev) ** 3
        return image * (1 - on) + colour * on

    def _hands(self, image: Tensor, frame: tuple[Tensor, Tensor, Tensor]) -> Tensor:
        """Skin-coloured fingers across the neck or an edge."""
        n, dev = len(image), self.device
        x, y = self._local(frame)
        skin = torch.tensor([0.55, 0.32, 0.22], device=dev).view(1, 3, 1, 1) * torch.exp(rand(n, -1.6, 0.3, dev))
        want = chance(n, 0.12, dev)
        cx, cy, a = rand(n, -0.15, 0.15, dev), rand(n, -0.5, 0.45, dev), rand(n, -0.6, 0.6, dev)
        for k in range(4):
            u, v = x - cx, y - cy - 0.028 * k
            u, v = u * a.cos() - v * a.sin(), u * a.sin() + v * a.cos()
            on = torch.sigmoid((1 - (u / 0.075) ** 4 - (v / 0.014) ** 2) * 8) * want
            image = image * (1 - on) + skin * (1 - 0.4 * (v / 0.014) ** 2).clamp(0.4, 1) * on
        return image

    def _glare(self, image: Tensor, whole: Tensor) -> Tensor:
        """Highlights that eat the varnish."""
        n, dev, s = len(image), self.device, self.size
        z = self.grid.view(1, s, s, 2) / s - torch.rand(n, 1, 1, 2, device=dev)
        a = rand(n, 0, 6.28, dev)[:, 0]
        u, v = z[..., 0] * a.cos() - z[..., 1] * a.sin(), z[..., 0] * a.sin() + z[..., 1] * a.cos()
        spot = torch.exp(-((u / rand(n, 0.03, 0.3, dev)[:, 0]) ** 2) - (v / rand(n, 0.02, 0.1, dev)[:, 0]) ** 2)[
            :, None
        ]
        where = whole * (1 - chance(n, 0.3, dev)) + chance(n, 0.15, dev)
        return image + spot * where.clamp(0, 1) * rand(n, 0.2, 1.8, dev) * chance(n, 0.3, dev)
