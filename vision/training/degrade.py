"""What light, a camera and its software do to pictures, at random and on a whole batch at once."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor


def rand(n: int, low: float, high: float, device: torch.device) -> Tensor:
    """Uniform numbers (n, 1, 1, 1)."""
    return torch.rand(n, 1, 1, 1, device=device) * (high - low) + low


def chance(n: int, p: float, device: torch.device) -> Tensor:
    """Ones with probability p (n, 1, 1, 1)."""
    return (torch.rand(n, 1, 1, 1, device=device) < p).float()


def smooth_field(n: int, size: tuple[int, int], cells: int, device: torch.device, channels: int = 1) -> Tensor:
    """Smooth random field with about `cells` bumps across, mean 0 and deviation about 1."""
    z = torch.randn(n, channels, cells + 3, cells + 3, device=device)
    return F.interpolate(z, size=size, mode="bicubic", align_corners=True) * 1.3


def blur(x: Tensor, sigma: float) -> Tensor:
    """Gaussian blur."""
    r = max(1, math.ceil(2.5 * sigma))
    t = torch.arange(-r, r + 1, device=x.device, dtype=x.dtype)
    k = torch.exp(-(t**2) / (2 * sigma**2))
    k = k / k.sum()
    c = x.shape[1]
    x = F.conv2d(F.pad(x, (r, r, 0, 0), mode="replicate"), k.view(1, 1, 1, -1).expand(c, 1, 1, -1), groups=c)
    return F.conv2d(F.pad(x, (0, 0, r, r), mode="replicate"), k.view(1, 1, -1, 1).expand(c, 1, -1, 1), groups=c)


def light(x: Tensor) -> Tensor:
    """Uneven light, colour cast and exposure on linear-ish colours (B, 3, H, W)."""
    n, dev = len(x), x.device
    field = smooth_field(n, x.shape[2:], 2, dev) * rand(n, 0, 0.25, dev)
    edge = smooth_field(n, x.shape[2:], 1, dev)  # a shadow's border across the picture
    hard = torch.sigmoid(edge * torch.exp(rand(n, 0, 3.5, dev))) * chance(n, 0.3, dev) * rand(n, 0.1, 0.65, dev)
    cast = torch.exp(torch.randn(n, 3, 1, 1, device=dev) * 0.13)
    return x * torch.exp(field) * (1 - hard) * cast * torch.exp(rand(n, -0.6, 0.55, dev))


def tone(x: Tensor) -> Tensor:
    """From linear light to a picture: tone curve, contrast, saturation, now and then black and white; output 0..1."""
    n, dev = len(x), x.device
    x = x.clamp(0, 1.6)
    x = x / (1 + 0.35 * x * chance(n, 0.4, dev))  # a soft shoulder
    x = x.clamp(1e-4, 1) ** (0.4545 * torch.exp(rand(n, -0.3, 0.35, dev)))
    curve = rand(n, -0.35, 0.7, dev)
    x = x + curve * x * (1 - x) * (2 * x - 1)
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * rand(n, 0.45, 1.5, dev) * (1 - chance(n, 0.03, dev))
    return (x * rand(n, 0.8, 1.05, dev) + rand(n, -0.04, 0.1, dev)).clamp(0, 1)


def jpeg(x: Tensor, quality: Tensor) -> Tensor:
    """Quantise 8 x 8 cosine blocks as JPEG does (one table for all channels, no subsampling)."""
    b, c, h, w = x.shape
    i = torch.arange(8, device=x.device, dtype=torch.float32)
    basis = torch.cos((2 * i[None] + 1) * i[:, None] * math.pi / 16) * math.sqrt(0.25)
    basis[0] = math.sqrt(0.125)
    table = (10 + 6 * (i[:, None] + i[None])).view(1, 1, 1, 1, 8, 8)
    blocks = (x.float() * 255 - 128).view(b, c, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5)
    coef = basis @ blocks @ basis.T
    step = table * torch.where(quality < 50, 50 / quality, 2 - quality / 50).view(b, 1, 1, 1, 1, 1)
    step = step.clamp(min=1)
    coef = torch.round(coef / step) * step
    out = basis.T @ coef @ basis
    return ((out.permute(0, 1, 2, 4, 3, 5).reshape(b, c, h, w) + 128) / 255).clamp(0, 1)


def camera(x: Tensor) -> Tensor:
    """Blur, noise, sharpening and JPEG; input and output 0..1."""
    n, dev = len(x), x.device
    pick = torch.rand(n, 1, 1, 1, device=dev)
    soft, wide = blur(x, 0.8), blur(x, 1.9)
    x = torch.where(pick < 0.3, soft, torch.where(pick < 0.38, wide, x))
    if torch.rand(()) < 0.25:  # motion, one direction for the batch, on a quarter of it
        length = int(torch.randint(3, 12, ()))
        kernel = torch.ones(3, 1, 1, length | 1, device=dev) / (length | 1)
        if torch.rand(()) < 0.5:
            kernel = kernel.transpose(2, 3)
        moved = F.conv2d(x, kernel.to(x.dtype), padding="same", groups=3)
        x = torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.25, moved, x)
    amount = rand(n, 0, 1.4, dev) * chance(n, 0.4, dev)
    x = x + amount * (x - blur(x, 1.2))
    grain = torch.randn_like(x) + 1.5 * blur(torch.randn_like(x), 1.0)
    x = (x + grain * rand(n, 0, 0.035, dev) * chance(n, 0.6, dev)).clamp(0, 1)
    q = rand(n, 25, 95, dev)
    return torch.where(torch.rand(n, 1, 1, 1, device=dev) < 0.6, jpeg(x, q).to(x.dtype), x)
