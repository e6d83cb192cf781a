"""Train the edge network: python -m vision.training.train_edges STRIPS GROUNDS FORMER OUT --seconds N.

STRIPS is what `vision.training.edge_strips` makes: the photo along true outlines, much wider than the network's own
strips, so that a strip that is off is cut out of it here.  GROUNDS is a folder of pictures of one size: pieces of two
of them that meet are further edges.  FORMER is an edge network of the make before this one (five convolutions of seven
columns, named in models/SOURCES.md): it learned from another renderer, and what it sees from near the true edge is what
this one is to see from further away, in a third of the time.  One instrument in ten is kept for validation.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

from vision.instrument.edge_net import COLUMNS, SEES_NODES, STEP_MM
from vision.training.composition import load_pictures
from vision.training.edge_strips import DENSE_COLUMNS, DENSE_MM, NODES, ROWS

_BATCH, _PEAK_RATE = 32, 3e-3
_INVENTED = 4
"""One strip of so many is of two pictures that meet."""
_BESIDE = 0.1
"""Weight of a node of a line that does not bound the body, where the former network sees an edge all the same."""
_SURE = 0.7
"""Probability that the former network must leave within a strip's columns for its word to count."""
_FAR_MM = 5.0
"""How far an outline may be off for its nodes to be validated; strips end at 6.3 mm."""


class EdgeNet(nn.Module):
    """Strips (B, 3, N, COLUMNS) in, logits (B, N, COLUMNS + 1) out, the last one for no bare edge.

    The first convolution halves the columns, and the last one gives two numbers for each that is left.
    """

    def __init__(self, wide: int = 32) -> None:
        super().__init__()
        self.first = nn.Conv2d(3, wide, (3, 7), stride=(1, 2), padding=(1, 3))
        shapes = ((2, 1), (4, 2), (8, 2), (2, 1))
        self.body = nn.ModuleList(
            nn.Conv2d(wide, wide, (3, 5), padding=(along, 2 * across), dilation=(along, across))
            for along, across in shapes
        )
        self.at, self.none = nn.Conv2d(wide, 2, 1), nn.Conv1d(wide, 1, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Map the strips; the first and last nodes stand for what goes on beyond, and mean nothing."""
        x = F.relu(self.first(x))
        for step in self.body:
            x = F.relu(step(x))
        at = self.at(x).permute(0, 2, 3, 1).flatten(2)
        return torch.cat([at, self.none(x.mean(dim=3)).transpose(1, 2)], dim=2)


class FormerNet(nn.Module):
    """The network before this one, read from its file: strips (B, 3, N, COLUMNS) of closed lines in."""

    _DILATIONS = ((1, 1), (2, 1), (4, 2), (8, 2), (2, 1))

    def __init__(self, path: Path) -> None:
        super().__init__()
        import onnx
        from onnx import numpy_helper

        for item in onnx.load(str(path)).graph.initializer:
            value = torch.from_numpy(numpy_helper.to_array(item).copy())
            self.register_buffer(item.name.replace(".", "_"), value)

    def forward(self, x: Tensor) -> Tensor:
        """Logits (B, N, COLUMNS + 1)."""
        weights = dict(self.named_buffers())
        for k, (along, across) in enumerate(self._DILATIONS):
            x = torch.cat([x[:, :, -along:], x, x[:, :, :along]], 2)
            weight, bias = weights[f"body_{k}_1_weight"], weights[f"body_{k}_1_bias"]
            x = F.relu(F.conv2d(x, weight, bias, padding=(0, 3 * across), dilation=(along, across)))
        at = F.conv2d(x, weights["at_weight"], weights["at_bias"])[:, 0]
        none = F.conv1d(x.mean(3), weights["none_weight"], weights["none_bias"])
        return torch.cat([at, none.transpose(1, 2)], 2)


@dataclass(frozen=True)
class Lines:
    """True lines of instruments.

    Attributes
    ----------
    dense : (L, 3, ROWS * NODES, DENSE_COLUMNS) uint8 Tensor
    bounds : (L, NODES) Tensor
        Whether the line bounds the body there.
    """

    dense: Tensor
    bounds: Tensor


def load_lines(files: list[Path], device: torch.device) -> Lines:
    """Read the strips of some instruments."""
    pictures = [cv2.cvtColor(np.asarray(cv2.imread(str(file))), cv2.COLOR_BGR2RGB) for file in files]
    bounds = [np.unpackbits(np.load(file.with_suffix(".npy")))[: ROWS * NODES : ROWS] for file in files]
    dense = torch.from_numpy(np.stack(pictures)).permute(0, 3, 1, 2).contiguous()
    return Lines(dense.to(device), torch.from_numpy(np.stack(bounds)).to(device))


def _normal(x: Tensor) -> Tensor:
    return (x - x.mean((2, 3), keepdim=True)) / (x.std((1, 2, 3), keepdim=True) + 0.03)


def _places_mm(device: torch.device) -> Tensor:
    return (torch.arange(COLUMNS, device=device) - (COLUMNS - 1) / 2) * STEP_MM


def _dense_mm(device: torch.device) -> Tensor:
    return (torch.arange(DENSE_COLUMNS, device=device) - (DENSE_COLUMNS - 1) / 2) * DENSE_MM


def _wave(n: int, bumps: int, device: torch.device) -> Tensor:
    """Smooth closed random lines (n, NODES), deviation about 1."""
    z = torch.randn(n, 1, bumps, device=device)
    z = torch.cat([z[..., -2:], z, z[..., :2]], 2)
    x = F.interpolate(z[:, :, None], size=(1, (bumps + 4) * 64), mode="bicubic", align_corners=False)[:, :, 0]
    return F.interpolate(x[..., 128:-128], size=NODES, mode="linear", align_corners=False)[:, 0] * 1.3


def _offsets(n: int, device: torch.device) -> Tensor:
    """How far a predicted outline lies outside the true one (n, NODES), mm: as after a look at the map, or nearer."""
    size = torch.rand(n, 1, device=device)
    amount = torch.where(torch.rand(n, 1, device=device) < 0.4, 0.1 + 0.3 * size, 0.4 + 1.3 * size)
    wide = torch.where(torch.rand(n, 1, device=device) < 0.1, 2.0, 1.0)
    bumps = int(torch.randint(3, 14, ()))
    line = 0.6 * torch.randn(n, 1, device=device) + 0.8 * _wave(n, bumps, device) + 0.25 * _wave(n, 40, device)
    return (amount * wide * line).clamp(-_FAR_MM, _FAR_MM)


def _cut(dense: Tensor, offset: Tensor, shift: Tensor, scale: Tensor) -> Tensor:
    """Strips (n, C, NODES, COLUMNS) out of dense ones (n, C, ROWS * NODES, DENSE_COLUMNS).

    They are `offset` (n, NODES) mm off, moved along by `shift` (n, NODES) rows, and their millimetres are `scale` (n,).
    """
    device = dense.device
    mm = offset[..., None] + _places_mm(device) * scale[:, None, None]
    x = mm / DENSE_MM + (DENSE_COLUMNS - 1) / 2
    y = (ROWS * torch.arange(NODES, device=device)[None, :, None] + shift[..., None]).expand_as(x)
    padded = torch.cat([dense[:, :, -8:], dense, dense[:, :, :8]], 2)
    high = ROWS * NODES + 16
    grid = torch.stack([(x * 2 + 1) / DENSE_COLUMNS - 1, ((y + 8) * 2 + 1) / high - 1], -1)
    return F.grid_sample(padded, grid, mode="bilinear", padding_mode="border", align_corners=False)


def _varied(x: Tensor) -> Tensor:
    """Other exposure, colours and sharpness of dense strips."""
    n, device = len(x), x.device
    x = x.clamp_min(1e-3) ** torch.exp(1.2 * (torch.rand(n, 1, 1, 1, device=device) - 0.5))
    x = x * torch.exp((torch.rand(n, 3, 1, 1, device=device) - 0.5) * 0.6)
    grey = torch.rand(n, 1, 1, 1, device=device) < 0.12
    x = torch.where(grey, x.mean(1, keepdim=True).expand_as(x), x)
    x = torch.where(torch.rand(n, 1, 1, 1, device=device) < 0.3, x[:, torch.randperm(3)], x)
    if torch.rand(()) < 0.6:
        sigma = float(torch.rand(()) ** 2 * 4 + 0.3)
        reach = max(1, math.ceil(2.5 * sigma))
        t = torch.arange(-reach, reach + 1, device=device, dtype=x.dtype)
        w = torch.exp(-(t**2) / (2 * sigma**2))
        w = (w / w.sum()).view(1, 1, 1, -1).expand(3, 1, 1, -1)
        soft = F.conv2d(F.pad(x, (reach, reach, 0, 0), mode="replicate"), w, groups=3)
        x = torch.where(torch.rand(n, 1, 1, 1, device=device) < 0.6, soft, x)
    return x.clamp(0, 1.3)


def _invented(n: int, grounds: Tensor) -> Tensor:
    """Dense strips of two pieces of pictures that meet at the edge, with an inlay, a rounding and a shadow."""
    device = grounds.device

    def chance(*shape: int) -> Tensor:
        return torch.rand(n, *shape, device=device)

    def patch() -> Tensor:
        source = grounds[torch.randint(0, len(grounds), (n,), device=device)].float() / 255
        k = torch.exp(chance(1, 1, 1) * 2.5 - 2.0)
        y = torch.linspace(-1, 1, ROWS * NODES, device=device)[None, :, None, None] * k * 3
        x = torch.linspace(-1, 1, DENSE_COLUMNS, device=device)[None, None, :, None] * k
        turn = chance(1, 1, 1) * 2 * math.pi
        grid = torch.cat([x * turn.cos() - y * turn.sin(), x * turn.sin() + y * turn.cos()], -1)
        grid = grid + chance(1, 1, 2) * 2 - 1
        return F.grid_sample(source, grid, padding_mode="reflection", align_corners=False)

    inner, outer = patch(), patch()
    outer = torch.where(chance(1, 1, 1) < 0.15, 0.6 * inner + 0.4 * outer, outer)
    varnish = chance(3, 1, 1) * torch.tensor([0.8, 0.5, 0.3], device=device).view(1, 3, 1, 1)
    inner = torch.where(chance(1, 1, 1) < 0.6, varnish * (0.7 + 0.6 * inner.mean(1, keepdim=True)), inner)
    mm = _dense_mm(device).view(1, 1, 1, -1)
    at = 3.2 + 1.6 * chance(1, 1, 1)
    lines = torch.exp(-(((mm + at) / 0.25) ** 2)) + torch.exp(-(((mm + at + 1.0) / 0.25) ** 2))
    inner = inner * (1 - 0.7 * lines.clamp(0, 1) * (chance(1, 1, 1) < 0.8).float())
    rim = torch.exp(-(((mm + 0.5 + 1.5 * chance(1, 1, 1)) / (0.4 + chance(1, 1, 1))) ** 2))
    inner = inner * (1 + rim * (chance(1, 1, 1) * 1.5 - 0.7))
    outer = outer * (1 - chance(1, 1, 1) * 0.8 * torch.exp(-mm.clamp(min=0) / (0.5 + 8 * chance(1, 1, 1))))
    worn = F.interpolate(_wave(n, 30, device)[:, None], size=ROWS * NODES, mode="linear")[..., None]
    share = torch.sigmoid((mm - worn * 0.15 * chance(1, 1, 1)) / (0.05 + 0.25 * chance(1, 1, 1)))
    return inner * (1 - share) + outer * share


class Told:
    """What the former network sees from near the true edge, in the columns of a strip that is off."""

    def __init__(self, former: FormerNet) -> None:
        self.former = former

    @torch.no_grad()
    def __call__(self, dense: Tensor, shift: Tensor, offset: Tensor, scale: Tensor) -> tuple[Tensor, Tensor]:
        """Probabilities (n, NODES, COLUMNS + 1), and where they count (n, NODES)."""
        n, device = len(dense), dense.device
        total = torch.zeros(n, NODES, COLUMNS + 1, device=device)
        for aside in (-0.1, 0.1):
            here = 0.12 * _wave(n, 9, device) + aside
            one = self.former(_normal(_cut(dense, here, shift, torch.ones(n, device=device)))).softmax(2)
            mm = offset[..., None] + _places_mm(device) * scale[:, None, None]
            column = (mm - here[..., None]) / STEP_MM + (COLUMNS - 1) / 2
            low = column.floor().long()
            part = column - low
            edge = F.pad(one[..., :COLUMNS], (1, 2))
            lower, upper = (edge.gather(2, (low + k).clamp(0, COLUMNS + 2)) for k in (1, 2))
            total[..., :COLUMNS] += lower * (1 - part) + upper * part
            total[..., COLUMNS] += one[..., COLUMNS]
        total /= 2
        return total / total.sum(2, keepdim=True).clamp_min(1e-6), (total.sum(2) > _SURE).float()


def _reading(logits: Tensor) -> tuple[Tensor, Tensor]:
    """Offset (B, N) of each row's highest peak, mm, and the probability of a bare edge."""
    chance = logits.softmax(2)
    edge = chance[..., :COLUMNS]
    columns = torch.arange(COLUMNS, device=logits.device)
    near = edge * ((columns - edge.argmax(2, keepdim=True)).abs() <= 4)
    return (near @ _places_mm(logits.device)) / near.sum(2), 1 - chance[..., COLUMNS]


def _closed(x: Tensor) -> Tensor:
    """Strips with their beginning and end once more."""
    order = torch.arange(-SEES_NODES, NODES + SEES_NODES, device=x.device) % NODES
    return x[:, :, order]


def batch(lines: Lines, grounds: Tensor, told: Told, usable: Tensor, n: int) -> tuple[Tensor, Tensor, Tensor]:
    """Strips (n, 3, N, COLUMNS), what is to be said of their nodes (n, NODES, COLUMNS + 1), and how much it counts."""
    device, made = grounds.device, n // _INVENTED
    chosen = torch.randint(0, len(lines.dense), (n - made,), device=device)
    dense = torch.cat([lines.dense[chosen].float() / 255, _invented(made, grounds)])
    bounds = _BESIDE + (1 - _BESIDE) * lines.bounds[chosen].float()
    weight = torch.cat([bounds * (0.1 + 0.9 * usable), torch.ones(made, NODES, device=device)])
    dense = _varied(dense)
    shift = 1.2 * _wave(n, 6, device).clamp(-3, 3)
    offset, scale = _offsets(n, device), 1 + 0.02 * torch.randn(n, device=device)
    target, sure = told(dense, shift, offset, scale)
    weight = weight * sure
    x = _cut(dense, offset, shift, scale)
    x = x + torch.randn_like(x) * torch.rand(n, 1, 1, 1, device=device) ** 2 * 0.04
    flip = torch.rand(n, device=device) < 0.5
    x = torch.where(flip.view(-1, 1, 1, 1), x.flip(2), x)
    target = torch.where(flip.view(-1, 1, 1), target.flip(1), target)
    weight = torch.where(flip.view(-1, 1), weight.flip(1), weight)
    return _closed(_normal(x)), target, weight


@torch.no_grad()
def errors(net: nn.Module, kept: Lines, usable: Tensor, far_mm: float) -> Tensor:
    """Errors of edges that bound the body and are bare, mm, read from outlines that are about `far_mm` off."""
    torch.manual_seed(5)
    found = []
    for dense, bounds in zip(kept.dense.split(16), kept.bounds.split(16), strict=True):
        n, device = len(dense), dense.device
        offset = far_mm * (0.6 * torch.randn(n, 1, device=device) + 0.8 * _wave(n, 7, device))
        zero = torch.zeros_like(offset)
        x = _normal(_cut(dense.float() / 255, offset, zero, torch.ones(n, device=device)))
        mine, seen = _reading(net(_closed(x))[:, SEES_NODES:-SEES_NODES])
        good = (bounds > 0) & (usable > 0) & (seen > 0.5) & (offset.abs() < _FAR_MM)
        found.append((mine + offset)[good])
    return torch.cat(found)


def _figures(error: Tensor) -> dict[str, float]:
    size = error.abs()
    return {
        "mean_mm": round(float(error.mean()), 3),
        "median_mm": round(float(size.median()), 3),
        "95th_mm": round(float(size.quantile(0.95)), 3),
        "beyond_1_mm": round(float((size > 1).float().mean()), 4),
    }


def main() -> None:
    """Train, write the network and the record of how it was made."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("strips", "grounds", "former", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--seconds", type=float, default=260.0)
    parser.add_argument("--batch", type=int, default=_BATCH)
    parser.add_argument("--peak", type=float, default=_PEAK_RATE, help="highest learning rate")
    a = parser.parse_args()
    from vision.instrument.edges import usable_nodes

    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    files = sorted(a.strips.glob("*.jpg"))
    apart = set(sorted({file.name.split("_")[0] for file in files})[::10])
    kept = load_lines([file for file in files if file.name.split("_")[0] in apart], device)
    lines = load_lines([file for file in files if file.name.split("_")[0] not in apart], device)
    usable = torch.from_numpy(usable_nodes().astype(np.float32)).to(device)
    grounds, former = load_pictures(a.grounds, device, False), FormerNet(a.former).to(device)
    torch.manual_seed(0)
    net = EdgeNet().to(device)
    optimiser = torch.optim.AdamW(net.parameters(), a.peak, weight_decay=1e-3)
    mean = torch.optim.swa_utils.AveragedModel(net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998))
    told, start, step, losses = Told(former), time.time(), 0, []
    history: list[tuple[int, float]] = []
    while (done := (time.time() - start) / a.seconds) < 1:
        for group in optimiser.param_groups:
            group["lr"] = a.peak * min(1.0, step / 100 + 0.01) * 0.5 * (1 + math.cos(math.pi * done))
        with torch.no_grad():
            x, target, weight = batch(lines, grounds, told, usable, a.batch)
        out = net(x)[:, SEES_NODES:-SEES_NODES].log_softmax(2)
        loss = (-(target * out).sum(2) * weight).sum() / weight.sum().clamp_min(1)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        if step > 50:
            mean.update_parameters(net)
        losses.append(loss.detach())
        step += 1
        if step % 100 == 0:
            history.append((step, round(torch.stack(losses[-100:]).mean().item(), 4)))
            print(*history[-1], f"{time.time() - start:.0f} s", flush=True)
    net = mean.module.eval()
    a.out.mkdir(parents=True, exist_ok=True)
    record = {
        "strips": len(lines.dense),
        "steps": step,
        "batch": a.batch,
        "seconds": a.seconds,
        "peak": a.peak,
        "former_sha256": hashlib.sha256(a.former.read_bytes()).hexdigest(),
        "loss": history,
        "kept apart": {
            f"{name}, {far} mm off": _figures(errors(each, kept, usable, far))
            for name, each in (("net", net), ("former", _Open(former)))
            for far in (1.2, 0.15)
        },
    }
    (a.out / "edge.json").write_text(json.dumps(record, indent=1) + "\n")
    print(json.dumps(record["kept apart"], indent=1))
    net = net.cpu()
    torch.save(net.state_dict(), a.out / "edge.pt")
    export(net, a.out / "edge.onnx")


class _Open(nn.Module):
    """The former network, which takes closed lines, for strips with their beginning and end once more."""

    def __init__(self, former: FormerNet) -> None:
        super().__init__()
        self.former = former

    def forward(self, x: Tensor) -> Tensor:
        """Logits, those of the repeated nodes of no meaning."""
        return F.pad(self.former(x[:, :, SEES_NODES:-SEES_NODES]), (0, 0, SEES_NODES, SEES_NODES))


def export(net: EdgeNet, path: Path) -> None:
    """Write the network as ONNX for any number of nodes."""
    torch.onnx.export(
        net.eval(),
        (torch.zeros(1, 3, NODES, COLUMNS),),
        str(path),
        input_names=["strips"],
        output_names=["logits"],
        dynamic_axes={"strips": {0: "lines", 2: "nodes"}, "logits": {0: "lines", 1: "nodes"}},
        opset_version=17,
        dynamo=False,
    )


if __name__ == "__main__":
    main()
