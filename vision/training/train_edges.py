"""Train the edge network: python -m vision.training.train_edges STRIPS OUT --seconds N.

STRIPS holds one NAME.npz for each rendered scene, as `cut_strips` makes them from the renderer's pictures: strips of
the photo along outlines that are a little wrong on purpose, and for every node where the true edge lies.  The scenes
come from the renderer of the test scenes with seeds of their own (70000 and up), more kinds of varnish, and outlines
that vary up to twice as much.  One scene in ten is kept for validation.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from numpy.typing import NDArray
from torch import Tensor, nn

from vision.instrument.edge_net import COLUMNS, STEP_MM, TAUGHT_SIGMA_MM

Array = NDArray[np.float64]

IGNORED, EDGE, COVERED = 0, 1, 2
"""States of a node: its line does not bound the body there; a bare edge; a chin rest or another thing over it."""

_BATCH, _PEAK_RATE, _STEPS = 24, 3e-3, 6000
_WIDEST_MM = 6.0


class EdgeNet(nn.Module):
    """Strips (B, 3, N, COLUMNS) in, logits (B, N, COLUMNS + 1) out, the last one for no bare edge."""

    def __init__(self, first: int = 24, then: int = 32) -> None:
        super().__init__()
        shapes = ((3, first, 1, 1), (first, first, 2, 1), (first, then, 4, 2), (then, then, 8, 2), (then, then, 2, 1))
        self.steps = nn.ModuleList(
            nn.Conv2d(i, o, (3, 7), padding=(0, 3 * across), dilation=(along, across)) for i, o, along, across in shapes
        )
        self.around = [along for *_, along, _ in shapes]
        self.at, self.none = nn.Conv2d(then, 1, 1), nn.Conv1d(then, 1, 1)

    def forward(self, x: Tensor) -> Tensor:
        """The outline is closed, so each convolution wraps round along the nodes."""
        for step, around in zip(self.steps, self.around, strict=True):
            x = F.relu(step(torch.cat([x[:, :, -around:], x, x[:, :, :around]], dim=2)))
        return torch.cat([self.at(x)[:, 0], self.none(x.mean(dim=3)).transpose(1, 2)], dim=2)


def cut_strips(
    rgb: NDArray[np.uint8],
    predicted_px: Array,
    normal_px: Array,
    true_px: Array,
    bounds: NDArray[np.bool_],
    covered: NDArray[np.bool_],
    px_per_mm: float,
) -> tuple[NDArray[np.uint8], Array, NDArray[np.int8]]:
    """Strip (N, COLUMNS, 3), true offset (N,) in mm and state (N,) of one line.

    Parameters
    ----------
    rgb : (H, W, 3) uint8 ndarray
        Rendered photo.
    predicted_px, normal_px : (N, 2) ndarray
        Nodes of the outline that is a little wrong, and outward normals.
    true_px : (D, 2) ndarray
        The true line, densely.
    bounds, covered : (N,) ndarray of bool
        Where the line bounds the body, and where something lies over its edge.
    px_per_mm : float
        Resolution at the instrument.
    """
    across = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * STEP_MM * px_per_mm
    maps = (predicted_px[:, None] + across[None, :, None] * normal_px[:, None]).astype(np.float32)
    strip = cv2.remap(rgb, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    offset = np.zeros(len(predicted_px))
    for _ in range(3):  # the nearest point of the true line, again from where the last one was
        place = predicted_px + offset[:, None] * normal_px
        nearest = ((place[:, None] - true_px[None]) ** 2).sum(axis=2).argmin(axis=1)
        offset += ((true_px[nearest] - place) * normal_px).sum(axis=1)
    state = np.where(covered, COVERED, np.where(np.abs(offset) < _WIDEST_MM * px_per_mm, EDGE, IGNORED))
    return strip, offset / px_per_mm, np.where(bounds, state, IGNORED).astype(np.int8)


def _loaded(files: list[Path], device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """All lines of the scenes as tensors: strips (L, N, COLUMNS, 3), offsets (L, N), states (L, N)."""
    parts: dict[str, list[NDArray[np.generic]]] = {"strip": [], "off": [], "state": []}
    for file in files:
        scene = np.load(file)
        nodes = scene["off"].shape[-1]
        parts["strip"].append(scene["strip"].reshape(-1, nodes, COLUMNS, 3))
        parts["off"].append(scene["off"].reshape(-1, nodes))
        parts["state"].append(scene["state"].reshape(-1, nodes))
    strips, offsets, states = (torch.from_numpy(np.concatenate(part)).to(device) for part in parts.values())
    return strips, offsets, states


def _normal(x: Tensor) -> Tensor:
    return (x - x.mean((2, 3), keepdim=True)) / (x.std((1, 2, 3), keepdim=True) + 0.03)


def _varied(x: Tensor, offset: Tensor, state: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Other exposure, colours, sharpness and noise; half of them seen in a mirror."""
    count, device = len(x), x.device
    chance = lambda *shape: torch.rand(*shape, device=device)  # noqa: E731
    x = x.clamp_min(1e-3) ** torch.exp(chance(count, 1, 1, 1) - 0.5)
    x = x * torch.exp((chance(count, 3, 1, 1) - 0.5) * 0.5)
    grey = chance(count) < 0.15
    x[grey] = x[grey].mean(1, keepdim=True)
    if torch.rand(1) < 0.3:
        x = F.avg_pool2d(F.pad(x, (1, 1, 0, 0), mode="replicate"), (1, 3), 1)
    if torch.rand(1) < 0.5:
        x = x + torch.randn_like(x) * chance(count, 1, 1, 1) * 0.04
    mirrored = chance(count) < 0.5
    x, offset, state = x.clone(), offset.clone(), state.clone()
    x[mirrored] = x[mirrored].flip(2)
    offset[mirrored], state[mirrored] = offset[mirrored].flip(1), state[mirrored].flip(1)
    return x.clamp(0, 1.3), offset, state


def _target(offset: Tensor, state: Tensor, place_mm: Tensor) -> Tensor:
    """A narrow peak at the true edge, or certainty that there is none."""
    peak = torch.exp(-0.5 * ((place_mm - offset[..., None]) / TAUGHT_SIGMA_MM) ** 2)
    peak = peak / (peak.sum(2, keepdim=True) + 1e-9) * (state == EDGE)[..., None]
    return torch.cat([peak, (state == COVERED)[..., None].float()], dim=2)


def _errors(net: nn.Module, data: tuple[Tensor, Tensor, Tensor], place_mm: Tensor) -> Tensor:
    """Errors of the mean of each bare edge's highest peak, mm."""
    net.eval()
    errors = []
    with torch.no_grad():
        for strips, offset, state in zip(*(part.split(32) for part in data), strict=True):
            chance = net(_normal(strips.permute(0, 3, 1, 2).float() / 255)).softmax(2)[..., :COLUMNS]
            columns = torch.arange(COLUMNS, device=strips.device)
            near = chance * ((columns - chance.argmax(2, keepdim=True)).abs() <= 4)
            errors.append(((near @ place_mm) / near.sum(2) - offset)[state == EDGE])
    net.train()
    return torch.cat(errors)


def train(strips: Path, seconds: float) -> EdgeNet:
    """Train for so many seconds or steps, whichever ends first, and print the validation errors."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    files = sorted(strips.glob("*.npz"))
    kept = _loaded(files[::10], device)
    data = _loaded([file for number, file in enumerate(files) if number % 10], device)
    place_mm = ((torch.arange(COLUMNS, device=device) - (COLUMNS - 1) / 2) * STEP_MM).float()
    torch.manual_seed(0)
    net = EdgeNet().to(device)
    optimiser = torch.optim.AdamW(net.parameters(), _PEAK_RATE, weight_decay=1e-3)
    begin, step = time.monotonic(), 0
    while (done := max((time.monotonic() - begin) / seconds, step / _STEPS)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = _PEAK_RATE * min(1.0, step / 100 + 0.01) * 0.5 * (1 + np.cos(np.pi * done))
        chosen = torch.randint(0, len(data[0]), (_BATCH,), device=device)
        x = data[0][chosen].permute(0, 3, 1, 2).float() / 255
        x, offset, state = _varied(x, data[1][chosen], data[2][chosen])
        counts = (state > 0).float()
        losses = -(_target(offset, state, place_mm) * net(_normal(x)).log_softmax(2)).sum(2)
        loss = (losses * counts).sum() / counts.sum().clamp_min(1)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
    error = _errors(net, kept, place_mm)
    print(
        f"{step} steps; on scenes kept apart: mean {error.mean():.3f} mm, median {error.abs().median():.3f}, "
        f"99 % within {error.abs().quantile(0.99):.2f}"
    )
    return net.cpu().eval()


def main() -> None:
    """Train and write the network."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("strips", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=100.0)
    options = parser.parse_args()
    net = train(options.strips, options.seconds)
    torch.onnx.export(
        net,
        (torch.zeros(2, 3, 392, COLUMNS),),
        str(options.out),
        input_names=["strips"],
        output_names=["logits"],
        dynamic_axes={"strips": {0: "lines", 2: "nodes"}, "logits": {0: "lines", 1: "nodes"}},
        opset_version=17,
        dynamo=False,
    )


if __name__ == "__main__":
    main()
