"""A store of photographed surfaces: ``python -m vision.training.figures.textures OUT.npz FOLDER [FOLDER ...]``.

Made for training from packages of Debian (which, and their licences: models/neck.md) unpacked into folders; nothing of
it is shipped.  Pictures are cut to squares and stored as JPEG.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from calibration.arrays import Picture

SIDE = 320
LEFT_OUT = [
    "_nm",
    "normal",
    "gloss",
    "alpha",
    "gfx",
    "mask",
    "icon",
    "glow",
    "particle",
    "light",
    "shadow",
    "eyes",
    "flag",
    "banner",
    "sign",
    "logo",
    "screen",
    "smoke",
    "spark",
    "ant",
    "skid",
    "kart",
    "preview",
    "thumb",
]
"""Pieces of names of pictures that are no surface."""


def load(path: Path) -> list[Picture]:
    """Read the store: pictures (S, S, 3), RGB."""
    data = np.load(path)
    starts = np.concatenate([[0], np.cumsum(data["sizes"])])
    bytes_ = data["bytes"]
    return [
        np.ascontiguousarray(cv2.imdecode(bytes_[a:b], cv2.IMREAD_COLOR)[..., ::-1])
        for a, b in itertools.pairwise(starts)
    ]


def pieces(path: Path, rng: np.random.Generator) -> list[Picture]:
    """Squares of one picture: the whole of a small one, three places of a large one."""
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if picture is None or picture.ndim != 3 or min(picture.shape[:2]) < 200 or picture.dtype != np.uint8:
        return []
    if picture.shape[2] == 4:
        if picture[..., 3].min() < 250:
            return []
        picture = picture[..., :3]
    high, wide = picture.shape[:2]
    if max(high, wide) <= 1100:
        side = min(high, wide)
        picked = [picture[:side, :side]]
    else:
        side = int(min(high, wide) * 0.5)
        corners = [(int(rng.integers(high - side)), int(rng.integers(wide - side))) for _ in range(3)]
        picked = [picture[y : y + side, x : x + side] for y, x in corners]
    small = [cv2.resize(piece, (SIDE, SIDE), interpolation=cv2.INTER_AREA) for piece in picked]
    return [np.asarray(piece, np.uint8) for piece in small if 12 < piece.mean() < 243 and piece.std() > 3]


def found_in(folders: Sequence[Path], most: int, rng: np.random.Generator) -> list[Picture]:
    """Squares (SIDE, SIDE, 3), BGR, of the pictures below folders in any order, until there are so many."""
    files = [
        f for folder in folders for f in sorted(folder.rglob("*")) if f.suffix.lower() in (".jpg", ".jpeg", ".png")
    ]
    files = [f for f in files if not any(word in f.name.lower() for word in LEFT_OUT)]
    found: list[Picture] = []
    for number in rng.permutation(len(files)):
        found += pieces(files[number], rng)
        if len(found) >= most:
            break
    return found


def main() -> None:
    """Make the store."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--most", type=int, default=260)
    a = parser.parse_args()
    found = found_in(a.folders, a.most, np.random.default_rng(7))
    coded = [cv2.imencode(".jpg", piece, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].ravel() for piece in found]
    np.savez(a.out, sizes=np.array([len(c) for c in coded]), bytes=np.concatenate(coded))
    print(len(found), "surfaces")


if __name__ == "__main__":
    main()
