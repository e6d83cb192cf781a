"""What `vision.training.figures.make` wrote, on one device, and how it is varied in training."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from vision.training import degrade
from vision.training.figures.make import PARTS

FOLDER = Path(__file__).resolve().parent
KEPT = 10
"""Of so many seeds one is not learned from."""
GAINS = (0.12, 0.45, 0.45, 0.4, 0.45, 0.4)
"""Deviation of each part's colours, as logarithms, in the order of `PARTS`."""


@dataclass(frozen=True)
class Pictures:
    """Pictures (N, 3, H, W) and parts (N, H, W), 8 bits, and what is true of each."""

    pictures: Tensor
    parts: Tensor
    truths: tuple[dict[str, Any], ...]

    def column(self, of: Callable[[dict[str, Any]], Any]) -> Tensor:
        """One value or array of each picture."""
        return torch.tensor(np.array([of(truth) for truth in self.truths]), device=self.pictures.device)

    def of(self, index: Tensor, varied: bool) -> Tensor:
        """Pictures (B, 3, H, W), 0..1, now and then with skin, hair and clothes of other colours."""
        x = self.pictures[index].float() / 255
        if not varied:
            return x
        n, dev = len(index), x.device
        gain = torch.randn(n, len(PARTS), 3, device=dev) * 0.10 + torch.randn(n, len(PARTS), 1, device=dev)
        gain = torch.exp(gain * torch.tensor(GAINS, device=dev).view(1, -1, 1))
        gain = torch.cat([torch.exp(0.25 * torch.randn(n, 1, 1, device=dev)).expand(-1, 1, 3), gain], 1)
        gain = torch.where(torch.rand(n, 1, 1, device=dev) < 0.6, gain, torch.ones_like(gain)) ** (1 / 2.2)
        of = self.parts[index].long().flatten(1)[:, None].expand(-1, 3, -1)
        return (x * gain.permute(0, 2, 1).gather(2, of).view_as(x)).clamp(0, 1)


def read(folder: Path, device: torch.device, wanted: Callable[[dict[str, Any]], bool] = lambda truth: True) -> Pictures:
    """Read all pictures of a folder whose truth is wanted."""

    def one(file: Path) -> tuple[np.ndarray, np.ndarray, dict[str, Any]] | None:
        truth = json.loads(file.read_text())
        if not wanted(truth):
            return None
        picture, parts = cv2.imread(str(file.with_suffix(".jpg"))), cv2.imread(f"{str(file)[:-5]}_l.png", 0)
        if picture is None or parts is None:
            return None
        return np.ascontiguousarray(picture[..., ::-1].transpose(2, 0, 1)), parts, truth

    with ThreadPoolExecutor(16) as pool:
        found = [got for got in pool.map(one, sorted(folder.glob("*.json"))) if got is not None]
    pictures, parts, truths = zip(*found, strict=True)
    tensors = [torch.from_numpy(np.stack(part)).to(device) for part in (pictures, parts)]
    return Pictures(tensors[0], tensors[1], truths)


COARSEST, FINEST = 0.18, 0.9
"""Between these a picture is made smaller: at the least a trunk's shoulders are 18 px apart in the neck's crop."""


def coarser(x: Tensor) -> Tensor:
    """Pictures (B, 3, H, W) as of a person further away: half of them made smaller, some coded, and enlarged again."""
    n, high, wide = len(x), x.shape[2], x.shape[3]
    small = COARSEST * (FINEST / COARSEST) ** float(torch.rand(()))
    size = [max(8 * round(side * small / 8), 16) for side in (high, wide)]
    low = F.interpolate(x, size=size, mode="area").clamp(0, 1)
    coded = degrade.jpeg(low, degrade.rand(n, 30, 95, x.device)).to(x.dtype)
    low = torch.where(degrade.chance(n, 0.6, x.device) > 0, coded, low)
    way = "bicubic" if torch.rand(()) < 0.3 else "bilinear"
    low = F.interpolate(low, size=(high, wide), mode=way, align_corners=False).clamp(0, 1)
    return torch.where(degrade.chance(n, 0.5, x.device) > 0, low, x)


def sources_in_use() -> list[str]:
    """The files of this folder that the running program was made from, and the path tracer's."""
    loaded = [Path(module.__file__) for module in list(sys.modules.values()) if getattr(module, "__file__", None)]
    mine = {file.resolve() for file in loaded if FOLDER in file.resolve().parents}
    return sorted(str(file.relative_to(FOLDER)) for file in mine | {FOLDER / "figures" / "trace.cu"})


def sources_sha256(sources: list[str]) -> str:
    """Digest of those files, as they are now."""
    digest = hashlib.sha256()
    for name in sources:
        digest.update((FOLDER / name).read_bytes())
    return digest.hexdigest()


@dataclass
class Record:
    """What a model file was made from: kept beside it as JSON."""

    about: dict[str, Any] = field(default_factory=dict)
    figures: list[dict[str, Any]] = field(default_factory=list)

    @classmethod
    def of(cls, pictures: Pictures, weights: Path, **more: Any) -> Record:
        """Seeds, code and starting weights."""
        seeds = [truth["seed"] for truth in pictures.truths]
        sources = sources_in_use()
        device = pictures.pictures.device
        name = torch.cuda.get_device_name(device) if device.type == "cuda" else "processor"
        about = {
            "pictures": len(seeds),
            "first_seed": min(seeds),
            "last_seed": max(seeds),
            "sources": sources,
            "sources_sha256": sources_sha256(sources),
            "weights_sha256": hashlib.sha256(weights.read_bytes()).hexdigest(),
            "torch": torch.__version__,
            "device": name,
        }
        return cls(about | more)

    def add(self, **figures: float | str) -> None:
        """One line of figures, printed too."""
        rounded = {k: v if isinstance(v, str) else round(float(v), 4) for k, v in figures.items()}
        self.figures.append(rounded)
        print(rounded, flush=True)

    def write(self, path: Path) -> None:
        """Write it."""
        path.write_text(json.dumps(self.about | {"figures": self.figures}, indent=1) + "\n")
