"""What is round an instrument in a training picture, drawn on the graphics card.

Under it: photographs and textures, plain colours, wood, folds of cloth, an open case.  Beside and across it: bows,
sheets of paper, other things, cables, fingers; and glare.  Pictures are (n, 3, S, S), in linear light.
"""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from vision.training.degrade import blur, chance, rand, smooth_field

Frame = tuple[Tensor, Tensor, Tensor]
"""Where instruments lie: centres (n, 2) px, unit axes (n, 2) and lengths (n,) px."""


def pixel_grid(size: int, device: torch.device) -> Tensor:
    """Pixel centres (size, size, 2) as x, y."""
    t = torch.arange(size, device=device, dtype=torch.float32)
    return torch.stack(torch.meshgrid(t, t, indexing="xy"), -1)


class Around:
    """Draws what is round instruments.

    Parameters
    ----------
    grounds, objects : (N, 3, h, w) and (M, 4, h, w) uint8 tensor
        Pictures of grounds, and of things with their alpha.
    size : int
        Side S of the pictures, px.
    """

    def __init__(self, grounds: Tensor, objects: Tensor, size: int) -> None:
        self.grounds, self.objects, self.size = grounds, objects, size
        self.device = grounds.device
        self.grid = pixel_grid(size, self.device)

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

    def ground(self, n: int, layer: Tensor, frame: Frame) -> Tensor:
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

    def _local(self, frame: Frame) -> tuple[Tensor, Tensor]:
        """Coordinates across and along the instrument, over its length, 0 at its middle: (n, 1, S, S) each."""
        centre, axis, length = frame
        z = (self.grid[None] - centre.view(-1, 1, 1, 2)) / length.view(-1, 1, 1, 1)
        along = (z * axis.view(-1, 1, 1, 2)).sum(-1)
        across = z[..., 0] * axis[:, 1].view(-1, 1, 1) - z[..., 1] * axis[:, 0].view(-1, 1, 1)
        return across[:, None], along[:, None]

    def _case(self, image: Tensor, frame: Frame, want: Tensor, aside: Tensor) -> Tensor:
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

    def bow(self, image: Tensor, masks: Tensor, frame: Frame, want: Tensor) -> tuple[Tensor, Tensor]:
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

    def paper(self, image: Tensor, frame: Frame, want: Tensor) -> Tensor:
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

    def things(self, image: Tensor, count: int, p: float) -> Tensor:
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

    def cables(self, image: Tensor) -> Tensor:
        """Thin winding lines."""
        n, dev, s = len(image), self.device, self.size
        z = self.grid.view(1, s, s, 2) / s - torch.rand(n, 1, 1, 2, device=dev)
        a = rand(n, 0, 6.28, dev)[:, 0]
        u, v = z[..., 0] * a.cos() - z[..., 1] * a.sin(), z[..., 0] * a.sin() + z[..., 1] * a.cos()
        line = v - rand(n, 0, 0.12, dev)[:, 0] * torch.sin(u * rand(n, 2, 14, dev)[:, 0] + a)
        on = torch.sigmoid((rand(n, 0.002, 0.007, dev)[:, 0] - line.abs()) * 900)[:, None] * chance(n, 0.12, dev)
        colour = torch.rand(n, 3, 1, 1, device=dev) ** 3
        return image * (1 - on) + colour * on

    def hands(self, image: Tensor, frame: Frame) -> Tensor:
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

    def glare(self, image: Tensor, whole: Tensor) -> Tensor:
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
