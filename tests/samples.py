"""Make the sample photos anew: ``python -m tests.samples ../shared/scenes`` prints our sheet into rendered scenes.

Beside the photos it writes what is true of them (``truth.json``), which the tests hold the measurements against.
"""

from __future__ import annotations

import argparse
import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from tests.accuracy.scenes import Scene, scenes

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
    "instrument-sheet-on-book": "violin/011",
    "instrument-on-shoulder-rest": "violin/000",
    "instrument-sheet-cut": "violin/017",
}
"""Sample: folder of its scene."""
REDUCED = {"instrument-sheet-on-book", "instrument-on-shoulder-rest", "instrument-sheet-cut"}
"""Those that are kept small: only tests use them."""
REDUCED_SIDE_PX, REDUCED_QUALITY = 2000, 80
CHILD = ("side", "arm_length_mm", "measures", "pose", "quality")
INSTRUMENT = ("body_length_mm", "total_length_mm", "upper_bout_mm", "waist_mm", "lower_bout_mm", "string_length_mm")
"""What is copied from a scene's truth as it is."""
PARTS, WHOLE_PARTS = "parts.png", (1, 2)
"""Body, and neck with scroll, in the renderer's picture of parts (grey values of 30 each)."""


def main() -> None:
    """Compose the scenes named in `SOURCES`, copy them, and write their truth."""
    parser = argparse.ArgumentParser(prog="python -m tests.samples", description=__doc__)
    parser.add_argument("scenes", type=Path, help="folder of the rendered scenes")
    shared_scenes = parser.parse_args().scenes.resolve()
    made = {
        scene.folder.relative_to(shared_scenes).as_posix(): scene
        for kind in sorted({source.split("/")[0] for source in SOURCES.values()})
        for scene in scenes(shared_scenes, kind)
    }
    truth = {}
    for name, source in SOURCES.items():
        scene, target = made[source], FOLDER / f"{name}.jpg"
        with Image.open(scene.photo) as image:
            size = image.size
            if name in REDUCED:
                exif = image.getexif()
                image.thumbnail((REDUCED_SIDE_PX, REDUCED_SIDE_PX), Image.Resampling.LANCZOS)
                image.save(target, quality=REDUCED_QUALITY, exif=exif)
        if name not in REDUCED:
            shutil.copyfile(scene.photo, target)
        with Image.open(target) as image:
            truth[name] = _truth(scene, image.size[0] / size[0])
    (FOLDER / "truth.json").write_text(json.dumps(truth, separators=(",", ":")).replace('},"', '},\n"') + "\n")


def _truth(scene: Scene, scale: float) -> dict[str, Any]:
    """What is true of a scene, as far as tests use it; places in px of the sample, `scale` times the scene's size."""
    true = scene.truth
    if "child" in scene.kind:
        kept: dict[str, Any] = {key: true[key] for key in CHILD}
        kept["eye_mm"] = true["camera"]["centre_mm"]
        kept["points"] = {name: {"px": at["px"], "mm": at["mm"]} for name, at in true["points"].items()}
        return kept
    kept = {key: true[key] for key in INSTRUMENT}
    kept["points_px"] = {name: _scaled(at, scale) for name, at in true["points_px"].items()}
    kept["outline_px"] = _scaled(true["outline_top_edge_px"][::4], scale)
    if (scene.folder / PARTS).exists():
        kept["whole_px"] = _scaled(_whole(scene), scale)
    kept["heights_mm"] = [
        true[f"height_{place}_mm"] for place in ("top_edge_at_body_bottom", "top_edge_at_body_top", "scroll_top")
    ]
    return kept


def _whole(scene: Scene) -> list[list[float]]:
    """Outline of the whole instrument, px, from the renderer's picture of parts."""
    part = cv2.imread(str(scene.folder / PARTS), cv2.IMREAD_GRAYSCALE) // 30
    contours, _ = cv2.findContours(
        np.isin(part, WHOLE_PARTS).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    largest = max(contours, key=cv2.contourArea)
    return cv2.approxPolyDP(largest, 1.5, closed=True)[:, 0].astype(float).tolist()


def _scaled(places: Any, scale: float) -> Any:
    """Places in px of a picture reduced by `scale`; pixel centres lie at whole numbers."""
    return np.round((np.array(places, float) + 0.5) * scale - 0.5, 1).tolist()


if __name__ == "__main__":
    main()
