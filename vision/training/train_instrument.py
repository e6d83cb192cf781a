"""Train the instrument network.

python -m vision.training.train_instrument CUTOUTS GROUNDS OBJECTS WEIGHTS OUT --seconds N
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
import torch

from vision.instrument.net import MASKS, POINTS
from vision.training.composition import Composer, load_cutouts, load_pictures
from vision.training.fitting import export, fit
from vision.training.network import PartNet, mask_loss, point_loss


def contact_sheet(composer: Composer, path: Path) -> None:
    """Save a few training pictures with their masks, to be looked at."""
    x, masks, xy = composer.batch(24)
    tiles = []
    for i in range(24):
        a = np.ascontiguousarray(x[i].byte().permute(1, 2, 0).cpu().numpy()[..., ::-1])
        for j, colour in ((1, (0, 255, 255)), (0, (0, 255, 0)), (4, (255, 0, 255))):
            m = cv2.resize(masks[i, j].float().cpu().numpy(), a.shape[:2])
            edges = cv2.findContours((m > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
            cv2.drawContours(a, edges, -1, colour, 1)
        for p in xy[i].reshape(-1, 2).cpu().numpy():
            if np.isfinite(p).all():
                cv2.circle(a, (round(p[0]), round(p[1])), 3, (0, 0, 255), -1)
        tiles.append(a[::2, ::2])
    cv2.imwrite(str(path), np.vstack([np.hstack(tiles[k : k + 8]) for k in range(0, 24, 8)]))


def main() -> None:
    """Run the training."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("cutouts", "grounds", "objects", "weights", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--seconds", type=float, default=300)
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--size", type=int, default=448)
    a = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(1)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    start = time.time()
    grounds, objects = load_pictures(a.grounds, device, False), load_pictures(a.objects, device, True)
    composer = Composer(load_cutouts(a.cutouts, device), grounds, objects, a.size)
    print(
        "loaded", len(composer.cutouts.points), len(grounds), len(objects), f"{time.time() - start:.0f} s", flush=True
    )
    a.out.mkdir(parents=True, exist_ok=True)
    contact_sheet(composer, a.out / "composites.jpg")
    net = PartNet(len(MASKS), len(POINTS))
    if a.weights.suffix == ".pt":
        net.load_state_dict(torch.load(a.weights, weights_only=True))
    else:
        net.encoder.load_published(a.weights)
    net = net.to(device, memory_format=torch.channels_last)
    net = fit(
        net,
        composer.batch,
        lambda out, m, xy: mask_loss(out[0], m) + point_loss(out[1], xy),
        a.batch,
        a.seconds,
        device,
    )
    net = net.float().cpu().to(memory_format=torch.contiguous_format)
    torch.save(net.state_dict(), a.out / "instrument.pt")
    export(net, a.out / "instrument.onnx", (a.size, a.size), ["masks", "points"])


if __name__ == "__main__":
    main()
