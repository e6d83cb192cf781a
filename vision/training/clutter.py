"""Grounds and things for `train_instrument`.

``python -m vision.training.clutter OUT FOLDER [FOLDER ...] --things DIR``

Made for training from packages of Debian (which, and their licences: models/instrument.md); nothing of it is shipped.
OUT/grounds gets squares of photographs and textures, OUT/objects what is cut out, with its transparency.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np

from calibration.arrays import Picture
from vision.training.figures.textures import found_in

GROUND, THING = 256, 128
INSTRUMENTS = ["violin", "cello", "viola", "fiddle", "bass", "bow_"]
"""Pieces of names of pictures that would teach the network to overlook what it is to find."""


def thing(path: Path) -> Picture | None:
    """A cut-out (THING, THING, 4), BGRA, its longer side filled; None where nothing is cut out."""
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if picture is None or picture.ndim != 3 or picture.shape[2] != 4 or picture.dtype != np.uint8:
        return None
    seen = cv2.boundingRect((picture[..., 3] > 127).astype(np.uint8))
    x, y, wide, high = seen
    if min(wide, high) < 24 or picture[..., 3].min() > 127:
        return None
    cut = picture[y : y + high, x : x + wide].astype(np.float32)
    cut[..., :3] *= cut[..., 3:] / 255
    scale = (THING - 2) / max(wide, high)
    size = max(1, round(wide * scale)), max(1, round(high * scale))
    small = cv2.resize(cut, size, interpolation=cv2.INTER_AREA)
    small[..., :3] /= np.maximum(small[..., 3:] / 255, 1e-3)
    out = np.zeros((THING, THING, 4), np.uint8)
    left, top = (THING - size[0]) // 2, (THING - size[1]) // 2
    out[top : top + size[1], left : left + size[0]] = np.clip(np.round(small), 0, 255)
    return out


def main() -> None:
    """Make both folders."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--things", type=Path, required=True)
    parser.add_argument("--most", type=int, default=500)
    a = parser.parse_args()
    rng = np.random.default_rng(11)
    for name in ("grounds", "objects"):
        (a.out / name).mkdir(parents=True, exist_ok=True)
    found = found_in(a.folders, a.most, rng)
    for number, piece in enumerate(found):
        small = cv2.resize(piece, (GROUND, GROUND), interpolation=cv2.INTER_AREA)
        cv2.imwrite(str(a.out / "grounds" / f"{number:04d}.jpg"), small, [cv2.IMWRITE_JPEG_QUALITY, 90])
    things = [f for f in sorted(a.things.rglob("*.png")) if not any(word in f.name.lower() for word in INSTRUMENTS)]
    kept = [each for each in map(thing, things) if each is not None]
    for number in rng.permutation(len(kept))[: a.most]:
        cv2.imwrite(str(a.out / "objects" / f"{number:04d}.png"), kept[number])
    print(len(found), "grounds,", min(len(kept), a.most), "objects")


if __name__ == "__main__":
    main()
