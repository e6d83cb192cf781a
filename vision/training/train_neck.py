"""Train the neck network: python -m vision.training.train_neck FIGURES GROUNDS OBJECTS WEIGHTS OUT --seconds N."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from vision.training import degrade
from vision.training.composition import Composer, CutOuts, load_pictures
from vision.training.degrade import chance, rand
from vision.training.fitting import export, fit
from vision.training.network import PartNet, point_loss

POINTS = ("side_neck_L", "side_neck_R", "acromion_L", "acromion_R")
MIRRORED = [1, 0, 3, 2]
SIZE = 224
SPAN = 2.2
"""Side of the crop over the distance of the shoulder landmarks."""
RISE = 0.25
"""The crop's centre above the middle of the shoulders, over that distance."""


class Figures(Composer):
    """Makes batches of shoulder crops."""

    def __init__(self, folder: Path, grounds: Tensor, objects: Tensor) -> None:
        device = grounds.device
        super().__init__(CutOuts((), torch.zeros(0)), grounds, objects, SIZE)
        pictures, labels, points, shoulders = [], [], [], []
        for path in sorted(folder.glob("*.json")):
            rgb, label = cv2.imread(str(path)[:-5] + ".jpg"), cv2.imread(str(path)[:-5] + "_l.png", 0)
            if rgb is None or label is None:
                continue
            size = rgb.shape[1::-1]
            parts = [
                cv2.resize((label == k).astype(np.float32) * 255, size, interpolation=cv2.INTER_AREA)
                for k in (1, 2, 3, 4)
            ]
            pictures.append(rgb[..., ::-1].transpose(2, 0, 1))
            labels.append(np.stack(parts).astype(np.uint8))
            truth = json.loads(path.read_text())["points_px"]
            points.append([truth[name] for name in POINTS])
            shoulders.append([truth["shoulder_L"], truth["shoulder_R"]])
        self.layers = torch.from_numpy(np.concatenate([np.stack(pictures), np.stack(labels)], 1)).to(device)
        self.truth = torch.tensor(points, dtype=torch.float32, device=device)
        self.shoulders = torch.tensor(shoulders, dtype=torch.float32, device=device)

    def crops(self, n: int) -> tuple[Tensor, Tensor]:
        """Return pictures (n, 3, S, S) 0..255 and points (n, 1, K, 2) px."""
        dev = self.device
        index = torch.randint(0, len(self.layers), (n,), device=dev)
        ends = self.shoulders[index]
        width = (ends[:, 0] - ends[:, 1]).norm(dim=-1)
        ends = ends + torch.randn(n, 2, 2, device=dev) * 0.06 * width.view(-1, 1, 1)
        ends[..., 1] -= torch.rand(n, 1, device=dev) * 0.12 * width.view(-1, 1)  # real shoulder landmarks sit higher
        span = (ends[:, 0] - ends[:, 1]).norm(dim=-1) * torch.exp(torch.randn(n, device=dev) * 0.08)
        across = ends[:, 0] - ends[:, 1]
        angle = torch.atan2(across[:, 1], across[:, 0]) + torch.randn(n, device=dev) * 0.07
        scale = SPAN * span / SIZE
        turn = torch.stack(
            [torch.stack([angle.cos(), angle.sin()], -1), torch.stack([-angle.sin(), angle.cos()], -1)], -2
        )
        centre = ends.mean(1) - RISE * span[:, None] * turn[:, 1]
        flip = torch.where(torch.rand(n, device=dev) < 0.5, -1.0, 1.0).view(-1, 1)
        stretch = torch.exp(torch.randn(n, 1, device=dev) * 0.05)
        z = self.grid.view(1, -1, 2) - (SIZE - 1) / 2
        z = torch.stack([z[..., 0] * flip * stretch, z[..., 1] / stretch + 0 * z[..., 0]], -1)
        xy = (z * scale.view(-1, 1, 1)) @ turn + centre[:, None]
        side = self.layers.shape[2]
        grid = ((xy * 2 + 1) / side - 1).view(n, SIZE, SIZE, 2)
        got = F.grid_sample(self.layers[index].float() / 255, grid, align_corners=False, padding_mode="border")
        rgb, parts = got[:, :3] ** 2.2, got[:, 3:]
        gain = torch.exp(
            torch.randn(n, 4, 3, 1, 1, device=dev) * torch.tensor([0.10, 0.4, 0.3, 0.4], device=dev).view(1, 4, 1, 1, 1)
        )
        gain = gain * torch.exp(torch.randn(n, 4, 1, 1, 1, device=dev) * 0.3)
        alpha = parts.sum(1, keepdim=True).clamp(0, 1)
        rgb = rgb * ((parts[:, :, None] * gain).sum(1) + (1 - alpha))
        k = torch.rand(n, 1, 1, 1, device=dev)
        ground = torch.where(k < 0.4, rgb, torch.where(k < 0.75, self._patch(n), self._plain(n)))
        ground = torch.where(k < 0.4, ground, self._things(ground, 2, 0.5))
        image = ground * (1 - alpha) + rgb * alpha
        image = self._things(image, 1, 0.05)
        image = degrade.light(image)
        bright = rand(n, 0.0, 1.0, dev) * chance(n, 0.1, dev)
        image = degrade.camera(degrade.tone(image * (1 + bright)))
        goal = ((self.truth[index] - centre[:, None]) @ turn.transpose(1, 2)) / scale.view(-1, 1, 1)
        goal = torch.stack([goal[..., 0] * flip / stretch, goal[..., 1] * stretch], -1) + (SIZE - 1) / 2
        goal = torch.where(flip.view(-1, 1, 1) < 0, goal[:, MIRRORED], goal)
        inside = ((goal >= 0) & (goal <= SIZE - 1)).all(-1, keepdim=True)
        return (image * 255).clamp(0, 255), torch.where(inside, goal, torch.full_like(goal, math.nan))[:, None]


def contact_sheet(figures: Figures, path: Path) -> None:
    """Save a few training crops with their points, to be looked at."""
    x, xy = figures.crops(24)
    tiles = []
    for i in range(24):
        a = np.ascontiguousarray(x[i].byte().permute(1, 2, 0).cpu().numpy()[..., ::-1])
        for j, p in enumerate(xy[i, 0].cpu().numpy()):
            if np.isfinite(p).all():
                cv2.circle(
                    a, (round(p[0]), round(p[1])), 3, ((0, 255, 0), (0, 255, 255), (255, 0, 0), (255, 0, 255))[j], -1
                )
        tiles.append(a)
    cv2.imwrite(str(path), np.vstack([np.hstack(tiles[k : k + 8]) for k in range(0, 24, 8)]))


def main() -> None:
    """Run the training."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("figures", "grounds", "objects", "weights", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--seconds", type=float, default=120)
    parser.add_argument("--batch", type=int, default=96)
    a = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(2)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    figures = Figures(a.figures, load_pictures(a.grounds, device, False), load_pictures(a.objects, device, True))
    print("loaded", len(figures.layers), flush=True)
    a.out.mkdir(parents=True, exist_ok=True)
    contact_sheet(figures, a.out / "crops.jpg")
    net = PartNet(0, len(POINTS))
    net.encoder.load_published(a.weights)
    net = net.to(device, memory_format=torch.channels_last)
    net = fit(net, figures.crops, lambda out, xy: point_loss(out[0], xy, 7.0), a.batch, a.seconds, device)
    net = net.float().cpu().to(memory_format=torch.contiguous_format)
    torch.save(net.state_dict(), a.out / "neck.pt")
    export(net, a.out / "neck.onnx", (SIZE, SIZE), ["points"])


if __name__ == "__main__":
    main()
