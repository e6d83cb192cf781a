"""Make the instrument network's data from seeds, and train it.

python -m vision.training.train_instrument GROUNDS OBJECTS WEIGHTS OUT [--violins N --views N --seconds N]

GROUNDS and OBJECTS are folders of pictures of one size, objects with transparency (`vision.training.clutter`); WEIGHTS
are a network of this make to go on from (.onnx as shipped, .pt) or published ImageNet weights.  OUT gets the network, a
picture of what it was shown, and a record of how it was made.  Each step is a look of the sizes that
`vision.instrument.net` takes: whole pictures, or an instrument alone.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import time
from pathlib import Path

import cv2
import numpy as np
import torch

from vision.instrument.net import FIRST_SIDE, MASKS, POINTS, QUICK_SIDE, QUICK_SIZE, SECOND_SIZE
from vision.training.composition import Composer, CutOuts, load_pictures
from vision.training.fitting import export, fit
from vision.training.network import PartNet, load_exported, mask_loss, point_loss
from vision.training.rendering import render_violins

LOOKS: tuple[tuple[float, int, int | None], ...] = (
    (0.22, QUICK_SIDE, None),
    (0.22, FIRST_SIDE, None),
    (0.34, QUICK_SIZE[1], QUICK_SIZE[0]),
    (0.22, SECOND_SIZE[1], SECOND_SIZE[0]),
)
"""How often a step shows which look: share, side or height in px, and the width of a close one."""


class Looks:
    """Batches of one kind of look or another.

    Parameters
    ----------
    cutouts : CutOuts
    grounds, objects : Tensor
        As `Composer` takes them.
    """

    def __init__(self, cutouts: CutOuts, grounds: torch.Tensor, objects: torch.Tensor) -> None:
        self.shares = np.array([share for share, _, _ in LOOKS])
        self.composers = [Composer(cutouts, grounds, objects, side) for _, side, _ in LOOKS]
        self.rng = np.random.default_rng(2)

    def batch(self, n: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Pictures, masks and points as `Composer.batch` gives them."""
        return self.of(int(self.rng.choice(len(LOOKS), p=self.shares)), n)

    def of(self, kind: int, n: int) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """The same of one kind of look."""
        return self.composers[kind].batch(n, LOOKS[kind][2])


def contact_sheet(looks: Looks, kind: int, path: Path) -> None:
    """Save a few training pictures with their masks, to be looked at."""
    x, masks, xy = looks.of(kind, 24)
    tiles = []
    for i in range(24):
        a = np.ascontiguousarray(x[i].byte().permute(1, 2, 0).cpu().numpy()[..., ::-1])
        for j, colour in ((1, (0, 255, 255)), (0, (0, 255, 0)), (4, (255, 0, 255))):
            m = cv2.resize(masks[i, j].float().cpu().numpy(), a.shape[1::-1])
            edges = cv2.findContours((m > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
            cv2.drawContours(a, edges, -1, colour, 1)
        for p in xy[i].reshape(-1, 2).cpu().numpy():
            if np.isfinite(p).all():
                cv2.circle(a, (round(p[0]), round(p[1])), 3, (0, 0, 255), -1)
        tiles.append(a)
    cv2.imwrite(str(path), np.vstack([np.hstack(tiles[k : k + 8]) for k in range(0, 24, 8)]))


def main() -> None:
    """Run the training."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("grounds", "objects", "weights", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--violins", type=int, default=300, help="how many instruments are made")
    parser.add_argument("--views", type=int, default=8, help="pictures of each")
    parser.add_argument("--first-seed", type=int, default=700_000)
    parser.add_argument("--seconds", type=float, default=330, help="time for the training")
    parser.add_argument("--limit", type=float, default=1e9, help="time for everything; shortens the training")
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--peak", type=float, default=1.5e-3, help="highest learning rate")
    parser.add_argument("--every", type=float, default=120, help="seconds between copies of the network so far")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    a = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    start = time.time()
    seeds = range(a.first_seed, a.first_seed + a.violins)
    cutouts = render_violins(seeds, a.views, device, a.workers, a.limit / 3)
    torch.manual_seed(1)
    grounds, objects = load_pictures(a.grounds, device, False), load_pictures(a.objects, device, True)
    looks = Looks(cutouts, grounds, objects)
    print(len(cutouts.points), "cut-outs", f"{time.time() - start:.0f} s", flush=True)
    a.out.mkdir(parents=True, exist_ok=True)
    for kind in range(len(LOOKS)):
        contact_sheet(looks, kind, a.out / f"composites-{kind}.jpg")
    net = PartNet(len(MASKS), len(POINTS)).to(device)
    if a.weights.suffix == ".onnx":
        load_exported(net, a.weights, looks.of(1, a.batch)[0])
    elif a.weights.suffix == ".pt":
        net.load_state_dict(torch.load(a.weights, weights_only=True))
    else:
        net.encoder.load_published(a.weights)
    history: list[tuple[int, float]] = []
    net = fit(
        net.to(memory_format=torch.channels_last),
        looks.batch,
        lambda out, m, xy: mask_loss(out[0], m) + point_loss(out[1], xy),
        a.batch,
        min(a.seconds, a.limit - (time.time() - start)),
        device,
        a.peak,
        history,
        a.every,
        lambda mean: torch.save(mean.state_dict(), a.out / "mean.pt"),
    )
    net = net.float().cpu().to(memory_format=torch.contiguous_format)
    export(net, a.out / "instrument.onnx", (FIRST_SIDE, FIRST_SIDE), ["masks", "points"])
    record = {name: value for name, value in vars(a).items() if not isinstance(value, Path)}
    record |= {
        "cutouts": len(cutouts.points),
        "grounds": len(grounds),
        "objects": len(objects),
        "looks": LOOKS,
        "weights_sha256": hashlib.sha256(a.weights.read_bytes()).hexdigest(),
        "vision_training_sha256": _code(),
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if device.type == "cuda" else device.type,
        "loss": history,
    }
    (a.out / "instrument.json").write_text(json.dumps(record, indent=1))


def _code() -> str:
    """Digest of the code that made the data and the network."""
    files = sorted(Path(__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(each.read_bytes() for each in files)).hexdigest()


if __name__ == "__main__":
    main()
