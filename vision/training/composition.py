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

from vision.instrument.net import FILL, MIRRORED
from vision.training import degrade
from vision.training.around import Around, Frame, pixel_grid
from vision.training.degrade import blur, chance, rand, smooth_field

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


def sample(source: Tensor, xy: Tensor) -> Tensor:
    """Sample (B, C, h, w) at px (B, H, W, 2)."""
    h, w = source.shape[2:]
    grid = torch.stack([(xy[..., 0] * 2 + 1) / w - 1, (xy[..., 1] * 2 + 1) / h - 1], -1)
    return F.grid_sample(source, grid, mode="bilinear", padding_mode="zeros", align_corners=False)


class Composer:
    """Makes batches of pictures with their masks and points."""

    def __init__(self, cutouts: CutOuts, grounds: Tensor, objects: Tensor, size: int = 448) -> None:
        self.cutouts, self.size, self.device = cutouts, size, grounds.device
        self.around = Around(grounds, objects, size)
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
        image = self.around.ground(n, first, frame)
        image = self.around.things(image, 3, 0.75)
        image = self.around.paper(image, frame, chance(n, 0.25, dev))
        bare = chance(n, 0.12, dev)  # cut out and laid on white or black by somebody else
        image = image * (1 - bare) + torch.where(chance(n, 0.85, dev) > 0, 0.97, 0.004) * bare
        first = torch.cat([first[:, :9], 1 - (1 - first[:, 9:]) * (1 - bare * chance(n, 0.6, dev))], 1)
        masks = torch.zeros(n, 5, s, s, device=dev)
        second_present = present & (torch.rand(n, device=dev) < 0.14)
        other_pose = self._poses(n, second_present, small=True)
        layer, other, _ = self._instrument(other_pose)
        image, masks = self._lay(image, masks, layer)
        image, masks = self.around.bow(image, masks, frame, chance(n, 0.25, dev) * present.view(-1, 1, 1, 1))
        image, masks = self._lay(image, masks, first)
        image, masks = self.around.bow(image, masks, frame, chance(n, 0.24, dev) * present.view(-1, 1, 1, 1))
        image = self.around.cables(image)
        image = self.around.things(image, 1, 0.12)
        image = self.around.hands(image, frame)
        image = degrade.light(image)
        image = self.around.glare(image, masks[:, 1:2])
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

    def _instrument(self, p: dict[str, Tensor]) -> tuple[Tensor, Tensor, Frame]:
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
        axis = torch.stack([sin, -cos], -1)
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
