"""Train the neck network.

``python -m vision.training.train_neck FIGURES SURFACES WEIGHTS OUT --seconds N``; FIGURES is a folder that
`vision.training.figures.make` wrote, SURFACES the store of `vision.training.figures.textures`, WEIGHTS the encoder's
published ones, or a .pt of an earlier run to go on from.  One seed in ten is not learned from; the figures printed, and
kept beside the model, are those on them.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from vision.person.neck_net import RISE, SIZE, SPAN
from vision.training import degrade, figure_pictures
from vision.training.figure_pictures import KEPT, Pictures, Record, coarser
from vision.training.figures import textures
from vision.training.fitting import export, fit
from vision.training.network import PartNet, mask_loss, point_loss

POINTS = ("side_neck_L", "side_neck_R", "acromion_L", "acromion_R", "outline_L", "outline_R")
"""Sides of the neck on the body, tips of the shoulders, and sides of the neck on the outline that the camera sees."""
MIRRORED = [1, 0, 3, 2, 5, 4]
FLAGS = 5
"""Scores: each side of the neck seen, the figure's back; then turn of the trunk to the line of sight, in units of ten
degrees and positive to the right, and the logarithm of its deviation."""
DISPLACED, OFTEN_FAR, FAR = 0.06, 0.12, 0.16
"""Deviation of the shoulder landmarks over their distance; how often it is larger, and how large then."""


class Crops:
    """Makes batches of shoulder crops."""

    def __init__(self, pictures: Pictures, grounds: Tensor) -> None:
        self.pictures, self.grounds, self.device = pictures, grounds, pictures.pictures.device
        nowhere = [math.nan, math.nan]
        self.truth = pictures.column(lambda t: [t["points_px"][name] or nowhere for name in POINTS]).float()
        self.shoulders = pictures.column(lambda t: [t["points_px"]["shoulder_L"], t["points_px"]["shoulder_R"]]).float()
        seen = {True: 1.0, False: 0.0, None: math.nan}
        self.seen = pictures.column(
            lambda t: [
                *(seen[t["seen"][s]] for s in "LR"),
                float(t["behind"]),
                math.nan if t["behind"] else (t["yaw"] - t["azimuth"]) / 10,
            ]
        ).float()
        kept = pictures.column(lambda t: t["seed"]) % KEPT == 0
        self.learned, self.kept = torch.nonzero(~kept).ravel(), torch.nonzero(kept).ravel()
        step = torch.arange(SIZE, device=self.device, dtype=torch.float32) - (SIZE - 1) / 2
        self.grid = torch.stack(torch.meshgrid(step, step, indexing="xy"), -1).view(1, -1, 2)

    def batch(self, n: int) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Varied crops of pictures that are learned from: as `crops`."""
        return self.crops(self.learned[torch.randint(0, len(self.learned), (n,), device=self.device)], True)

    def crops(self, index: Tensor, varied: bool) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Pictures (n, 3, S, S) 0..255, outlines (n, 1, S/2, S/2), points (n, 1, K, 2) px, flags (n, 4)."""
        dev, n = self.device, len(index)
        ends = self.shoulders[index]
        width = (ends[:, 0] - ends[:, 1]).norm(dim=-1).view(-1, 1, 1)
        spread = torch.where(torch.rand(n, 1, 1, device=dev) < OFTEN_FAR, FAR, DISPLACED) * width
        ends = ends + torch.randn(n, 2, 2, device=dev) * spread
        ends[..., 1] -= torch.rand(n, 1, device=dev) * 0.12 * width[..., 0]  # real shoulder landmarks sit higher
        across = ends[:, 0] - ends[:, 1]
        span = across.norm(dim=-1).clamp(min=0.5 * width.view(-1))
        angle = torch.atan2(across[:, 1], across[:, 0])
        flip, stretch = torch.ones(n, 1, device=dev), torch.ones(n, 1, device=dev)
        if varied:
            span = span * torch.exp(torch.randn(n, device=dev) * 0.11)
            angle = angle + torch.randn(n, device=dev) * 0.07
            flip = torch.where(torch.rand(n, 1, device=dev) < 0.5, -1.0, 1.0)
            stretch = torch.exp(torch.randn(n, 1, device=dev) * 0.05)
        scale = (SPAN * span / SIZE).view(-1, 1, 1)
        rows = [torch.stack([angle.cos(), angle.sin()], -1), torch.stack([-angle.sin(), angle.cos()], -1)]
        turn = torch.stack(rows, -2)
        centre = ends.mean(1) - RISE * span[:, None] * turn[:, 1]
        z = torch.stack([self.grid[..., 0] * flip * stretch, self.grid[..., 1] / stretch], -1)
        xy = (z * scale) @ turn + centre[:, None]
        source = self.pictures.of(index, varied)
        size = torch.tensor([source.shape[3], source.shape[2]], device=dev)
        place = ((xy * 2 + 1) / size - 1).view(n, SIZE, SIZE, 2)
        person = (self.pictures.parts[index][:, None] > 0).float()
        got = F.grid_sample(torch.cat([source, person], 1), place, align_corners=False, padding_mode="border")
        image, alpha = got[:, :3], got[:, 3:]
        if varied:
            image = self._elsewhere(image, alpha)
            image = degrade.camera(degrade.tone(degrade.light(coarser(image) ** 2.2)))
        goal = ((self.truth[index] - centre[:, None]) @ turn.transpose(1, 2)) / scale
        goal = torch.stack([goal[..., 0] * flip / stretch, goal[..., 1] * stretch], -1) + (SIZE - 1) / 2
        mirrored = flip < 0
        goal = torch.where(mirrored[..., None], goal[:, MIRRORED], goal)
        turned = self.seen[index][:, [1, 0, 2, 3]] * torch.tensor([1.0, 1.0, 1.0, -1.0], device=dev)
        seen = torch.where(mirrored, turned, self.seen[index])
        inside = ((goal >= 0) & (goal <= SIZE - 1)).all(-1, keepdim=True)
        goal = torch.where(inside, goal, torch.full_like(goal, math.nan))
        return (image * 255).clamp(0, 255), F.avg_pool2d(alpha, 2), goal[:, None], seen

    def _elsewhere(self, image: Tensor, alpha: Tensor) -> Tensor:
        """A third of the figures before other surfaces; here and there a thing lies over a corner of the picture."""
        n, dev = len(image), self.device
        chosen = self.grounds[torch.randint(0, len(self.grounds), (n,), device=dev)].float() / 255
        zoom = torch.exp(torch.rand(n, 1, 1, 1, device=dev) * 1.8 - 1.2)
        z = (self.grid.view(1, SIZE, SIZE, 2) / (SIZE / 2)) * zoom + torch.rand(n, 1, 1, 2, device=dev) - 0.5
        ground = F.grid_sample(chosen, z, align_corners=False, padding_mode="reflection")
        ground = ground * torch.exp(0.4 * torch.randn(n, 1, 1, 1, device=dev))
        other = torch.where(degrade.chance(n, 0.33, dev) > 0, ground, image)
        image = image * alpha + other * (1 - alpha)
        blob = degrade.smooth_field(n, (SIZE, SIZE), 2, dev)
        over = (blob > 1.9).float() * degrade.chance(n, 0.15, dev)
        return (image * (1 - over) + ground * over).clamp(0, 1)


OUTLINE = slice(4, 6)
"""Of `POINTS`, those on whose errors the record reports."""


def loss_of(out: tuple[Tensor, Tensor, Tensor], person: Tensor, xy: Tensor, seen: Tensor) -> Tensor:
    """Points, silhouette, whether each side of the neck is seen, whether it is the figure's back, the trunk's turn."""
    told, known = out[2].float(), torch.isfinite(seen)
    flags = F.binary_cross_entropy_with_logits(told[:, :3], torch.nan_to_num(seen[:, :3]), reduction="none")
    log = told[:, 4].clamp(-3, 3)
    turn = 0.5 * ((torch.nan_to_num(seen[:, 3]) - told[:, 3]) * torch.exp(-log)).square().clamp(max=50) + log
    return (
        point_loss(out[1], xy, 7.0)
        + 0.4 * mask_loss(out[0], person)
        + 0.5 * (flags * known[:, :3]).sum() / known[:, :3].sum().clamp(min=1)
        + 0.3 * (turn * known[:, 3]).sum() / known[:, 3].sum().clamp(min=1)
    )


@torch.no_grad()
def report(net: PartNet, crops: Crops, record: Record) -> None:
    """Figures on the pictures that are not learned from; errors of fronts in per cent of the shoulder distance."""
    from vision.networks.points import read_points

    net.eval()
    errors, sigmas, shown, chances, backs, turns = [], [], [], [], [], []
    for part in crops.kept.split(64):
        x, _, xy, seen = crops.crops(part, False)
        _, maps, flags = net(x)
        for m, true, there, flag in zip(
            maps.float().cpu().numpy(),
            xy[:, 0].cpu().numpy(),
            seen.cpu().numpy(),
            flags.float().cpu().numpy(),
            strict=True,
        ):
            got = read_points(m, len(POINTS))[OUTLINE]
            errors.append(got[:, :2] - true[OUTLINE])
            sigmas.append(got[:, 2])
            shown.append(there[:2])
            chances.append(1 / (1 + np.exp(-flag[:2])))
            backs.append((there[2], flag[2] > 0))
            turns.append((10 * (flag[3] - there[3]), 10 * np.exp(flag[4])))
    e, s = 100 * SPAN / SIZE * np.concatenate(errors), 100 * SPAN / SIZE * np.concatenate(sigmas)
    seen_, chance_ = np.concatenate(shown), np.concatenate(chances)
    back, told = np.array(backs).T
    record.add(
        backs=int(back.sum()),
        told_back=np.mean(told[back > 0.5] > 0.5),
        fronts_called_back=np.mean(told[back < 0.5] > 0.5),
    )
    off, said = np.array(turns)[back < 0.5].T
    record.add(turn_rms_deg=np.sqrt(np.mean(off**2)), turn_over_said=np.sqrt(np.mean((off / said) ** 2)))
    front = np.repeat(back < 0.5, 2)
    fine = np.isfinite(e).all(1) & np.isfinite(seen_) & front
    e, s, seen_, chance_ = e[fine], s[fine], seen_[fine] > 0.5, chance_[fine]
    far = np.hypot(*e.T)
    for name, of in (("seen", seen_), ("hidden", ~seen_)):
        if of.any():
            record.add(
                sides=name,
                count=int(of.sum()),
                median=np.median(far[of]),
                p95=np.percentile(far[of], 95),
                right=e[of, 0].mean(),
                down=e[of, 1].mean(),
                sigma=np.median(s[of]),
                over_sigma=float(np.sqrt(np.mean((e[of] / s[of, None]) ** 2))),
                told=np.mean((chance_[of] > 0.5) == (name == "seen")),
            )
    net.train()


def contact_sheet(crops: Crops, path: Path) -> None:
    """Save a few training crops with their points, to be looked at."""
    x, person, xy, seen = crops.batch(24)
    tiles = []
    for i in range(24):
        a = np.ascontiguousarray(x[i].byte().permute(1, 2, 0).cpu().numpy()[..., ::-1])
        outline = cv2.resize((person[i, 0].cpu().numpy() > 0.5).astype(np.uint8), (SIZE, SIZE))
        cv2.drawContours(
            a, cv2.findContours(outline, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], -1, (255, 255, 0), 1
        )
        for j, p in enumerate(xy[i, 0].cpu().numpy()):
            if np.isfinite(p).all():
                here = j < 2 and bool(seen[i, j] > 0.5)
                colour = ((0, 255, 0), (0, 255, 255), (255, 0, 0), (255, 0, 255), (255, 255, 255), (255, 255, 255))[j]
                cv2.circle(a, (round(float(p[0])), round(float(p[1]))), 4 if j < 4 else 2, colour, -1 if here else 1)
        tiles.append(a)
    cv2.imwrite(str(path), np.vstack([np.hstack(tiles[k : k + 8]) for k in range(0, 24, 8)]))


def main() -> None:
    """Run the training."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("figures", "surfaces", "weights", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--seconds", type=float, default=150)
    parser.add_argument("--batch", type=int, default=96)
    a = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(2)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    pictures = figure_pictures.read(a.figures, device)
    grounds = torch.from_numpy(np.stack(textures.load(a.surfaces))).permute(0, 3, 1, 2).to(device)
    crops = Crops(pictures, grounds)
    record = Record.of(pictures, a.weights, seconds=a.seconds, batch=a.batch)
    a.out.mkdir(parents=True, exist_ok=True)
    contact_sheet(crops, a.out / "crops.jpg")
    net = PartNet(1, len(POINTS), FLAGS)
    if a.weights.suffix == ".pt":
        net.load_state_dict({name: value.float() for name, value in torch.load(a.weights, weights_only=True).items()})
    else:
        net.encoder.load_published(a.weights)
    net = net.to(device, memory_format=torch.channels_last)
    net = fit(
        net,
        crops.batch,
        loss_of,
        a.batch,
        a.seconds,
        device,
        every=a.seconds / 6,
        shown=lambda n: report(n, crops, record),
    )
    report(net, crops, record)
    record.write(a.out / "neck.json")
    net = net.float().cpu().to(memory_format=torch.contiguous_format)
    torch.save(
        {name: value.half() if value.is_floating_point() else value for name, value in net.state_dict().items()},
        a.out / "neck.pt",
    )
    export(net, a.out / "neck.onnx", (SIZE, SIZE), ["person", "points", "seen"])


if __name__ == "__main__":
    main()
