"""Make the sample photos anew: ``python -m tests.samples ../shared/scenes`` prints our sheet into rendered scenes."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from tests.accuracy.scenes import scenes

FOLDER = Path(__file__).resolve().parents[1] / "sample_images"
SOURCES = {
    "child-1": "child_wall/011",
    "child-2": "child_wall/003",
    "child-3": "child/019",
    "child-elbow-bent": "child/008",
    "instrument-1": "violin/005",
    "instrument-2": "violin/007",
    "instrument-3": "violin/018",
    "instrument-4-first": "violin_pairs/004/a",
    "instrument-4-second": "violin_pairs/004/b",
    "instrument-blurred": "violin/006",
}
"""Sample: folder of its scene."""


def main() -> None:
    """Compose the scenes named in `SOURCES` and copy them."""
    shared_scenes = Path(sys.argv[1]).resolve()
    kinds = {source.split("/")[0] for source in SOURCES.values()}
    photos = {
        scene.folder.relative_to(shared_scenes).as_posix(): scene.photo
        for kind in sorted(kinds)
        for scene in scenes(shared_scenes, kind)
    }
    for name, source in SOURCES.items():
        shutil.copyfile(photos[source], FOLDER / f"{name}.jpg")


if __name__ == "__main__":
    main()
