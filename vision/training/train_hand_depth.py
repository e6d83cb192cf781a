"""Train the network that tells the hand's distance from the wall: ``train_hand_depth FOLDER OUT``.

FOLDER holds NAME.jpg and NAME.json for each rendered picture: forearm, hand and the wall behind them.  The JSON has
``px`` (shoulder, elbow, wrist and palm, also outside the picture), ``pts_mm`` (the same in space, z out of the wall),
``a_mm`` (the straight arm) and ``seed``.  The pictures come from the renderer of the test scenes with seeds of their
own: bodies mixed from 64 made beforehand, poses of both stances and of all faults, rooms, walls, lights and sheets
drawn as there; 288 x 224 px, 300 px a straight arm.  Two networks are trained, each with another seventh of the seeds
kept for validation, and their scores averaged.  Writes OUT (ONNX).
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from numpy.typing import NDArray
from torch import Tensor, nn

from vision.hand_depth import BANDS, HEIGHT_PX, WIDTH_PX, arm_picture

JOINTS = ("shoulder", "elbow", "wrist", "palm")
READINGS = 4
"""Readings of each picture, with landmarks displaced."""
DISPLACED = 0.02
"""Standard deviation of a landmark's displacement, over the straight arm."""
LABEL_SPREAD = 0.10
"""Standard deviation of a label over the bands, in log distance."""
BATCH, EPOCHS, PEAK_RATE = 64, 26, 4e-3
KEPT = (0, 3)
"""Remainder by seven of the seeds that either network does not learn from."""


class HandDepth(nn.Module):
    """Pictures (B, 3, 80, 112) of 0..255 in, scores (B, 12) of the bands out."""

    def __init__(self, channels: tuple[int, ...] = (12, 20, 32, 48, 64)) -> None:
        super().__init__()
        layers: list[nn.Module] = []
        before = 3
        for number, after in enumerate(channels):
            layers += [nn.Conv2d(before, after, 3, 2, 1, bias=False), nn.BatchNorm2d(after), nn.ReLU()]
            if number:
                layers += [nn.Conv2d(after, after, 3, 1, 1, bias=False), nn.BatchNorm2d(after), nn.ReLU()]
            before = after
        self.features = nn.Sequential(*layers)
        self.drop = nn.Dropout(0.3)
        self.scores = nn.Linear(2 * before, len(BANDS) - 1)

    def forward(self, pictures: Tensor) -> Tensor:
        """Scores of the bands."""
        maps = self.features(pictures / 127.5 - 1.0)
        return self.scores(self.drop(torch.cat([maps.mean((2, 3)), maps.amax((2, 3))], 1)))


def soft_labels(depth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Labels (N, 12) of distances (N,) over the straight arm, spread over neighbouring bands."""
    middle = 0.5 * (np.log(BANDS[1:]) + np.log(BANDS[:-1]))
    log = np.log(np.clip(depth, 0.09, 0.97))
    shares = np.exp(-0.5 * ((log[:, None] - middle) / LABEL_SPREAD) ** 2)
    return np.asarray(shares / shares.sum(1, keepdims=True))


def read(folder: Path) -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.intp]]:
    """Pictures (N, 80, 112, 3), distances (N,) and seeds (N,), each picture read several times."""
    generator = np.random.default_rng(0)
    pictures, depths, seeds = [], [], []
    for file in sorted(folder.glob("*.json")):
        truth = json.loads(file.read_text())
        rgb = cv2.imread(str(file.with_suffix(".jpg")))[..., ::-1]
        joints = np.array([truth["px"][name] for name in JOINTS])
        straight_px = np.linalg.norm(np.diff(joints, axis=0), axis=1).sum()
        for _ in range(READINGS):
            displaced = joints + DISPLACED * straight_px * generator.normal(size=joints.shape)
            pictures.append(arm_picture(np.ascontiguousarray(rgb), displaced))
            depths.append(truth["pts_mm"]["palm"][2] / truth["a_mm"])
            seeds.append(truth["seed"])
    return np.array(pictures), np.array(depths), np.array(seeds)


def disturbed(pictures: Tensor) -> Tensor:
    """Other light, colour, noise, sharpness and framing; now and then a patch covered."""
    count = len(pictures)
    x = pictures / 255.0
    x = x ** torch.exp(0.25 * torch.randn(count, 1, 1, 1))
    x = x * (1 + 0.06 * torch.randn(count, 3, 1, 1)) * torch.exp(0.15 * torch.randn(count, 1, 1, 1))
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * 1.4 * torch.rand(count, 1, 1, 1)
    angle, scale, shape = 0.03 * torch.randn(count), torch.exp(0.04 * torch.randn(count)), HEIGHT_PX / WIDTH_PX
    move = torch.zeros(count, 2, 3)
    move[:, 0, 0] = move[:, 1, 1] = scale * torch.cos(angle)
    move[:, 0, 1], move[:, 1, 0] = -scale * torch.sin(angle) * shape, scale * torch.sin(angle) / shape
    move[:, :, 2] = 0.03 * torch.randn(count, 2)
    grid = F.affine_grid(move, list(x.shape), align_corners=False)
    x = F.grid_sample(x, grid, padding_mode="border", align_corners=False)
    x = x + 0.02 * torch.rand(count, 1, 1, 1) * torch.randn_like(x)
    soft = torch.rand(count) < 0.3
    x[soft] = F.avg_pool2d(x[soft], 3, 1, 1)
    for number in torch.nonzero(torch.rand(count) < 0.3).ravel().tolist():
        top, left = int(torch.randint(0, HEIGHT_PX - 16, (1,))), int(torch.randint(0, WIDTH_PX - 22, (1,)))
        x[number, :, top : top + 16, left : left + 22] = torch.rand(3, 1, 1)
    return x.clamp(0, 1) * 255.0


class Mean(nn.Module):
    """The mean of several networks' scores."""

    def __init__(self, networks: list[HandDepth]) -> None:
        super().__init__()
        self.networks = nn.ModuleList(networks)

    def forward(self, pictures: Tensor) -> Tensor:
        """Scores of the bands."""
        return torch.stack([network(pictures) for network in self.networks]).mean(0)


def train(folder: Path, out: Path) -> None:
    """Train both networks, print their validation figures, and write their mean."""
    pictures, depth, seeds = read(folder)
    both = [train_one(pictures, depth, seeds % 7 == kept, number) for number, kept in enumerate(KEPT)]
    torch.onnx.export(
        Mean(both).eval(),
        (torch.zeros(1, 3, HEIGHT_PX, WIDTH_PX),),
        str(out),
        input_names=["picture"],
        output_names=["scores"],
        dynamo=False,
        opset_version=17,
    )


def train_one(
    pictures: NDArray[np.uint8], depth: NDArray[np.float64], kept: NDArray[np.bool_], number: int
) -> HandDepth:
    """Train one network on all pictures but those `kept`."""
    torch.manual_seed(number)
    labels = soft_labels(depth)
    weights = labels @ (1 / np.maximum(labels.mean(0), 0.02))  # every band counts alike: scores are likelihoods
    weights /= weights.mean()
    x = torch.tensor(pictures).permute(0, 3, 1, 2).float()
    y, w = torch.tensor(labels).float(), torch.tensor(weights).float()
    network = HandDepth()
    learning = torch.tensor(np.flatnonzero(~kept))
    optimiser = torch.optim.AdamW(network.parameters(), PEAK_RATE, weight_decay=1e-2)
    steps = EPOCHS * (len(learning) // BATCH + 1)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, PEAK_RATE, total_steps=steps)
    for epoch in range(EPOCHS):
        network.train()
        for batch in learning[torch.randperm(len(learning))].split(BATCH):
            scores = network(disturbed(x[batch])).log_softmax(1)
            loss = -((y[batch] * scores).sum(1) * w[batch]).mean()
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            schedule.step()
        network.eval()
        with torch.no_grad():
            shares = network(x[kept]).softmax(1).numpy()
        touching = (shares[:, :4].sum(1) > 0.5) == (depth[kept] < 0.2)
        print(f"epoch {epoch}: loss {loss.item():.2f}, touching or not right in {100 * touching.mean():.1f} %")
    return network


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    arguments = parser.parse_args()
    train(arguments.folder, arguments.out)
