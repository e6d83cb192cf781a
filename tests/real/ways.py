"""The same photographs in other ways: turned, in the mirror, smaller, brighter, darker, stored worse.

They are no further photographs, and nothing is learned of other people or instruments; but what came out right or wrong
by luck in one reading shows in eight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Array, Picture


@dataclass(frozen=True)
class Way:
    """How a photograph is changed.

    Attributes
    ----------
    turn_deg, scale : float
        About its middle, and by how much it is made smaller; it keeps its frame otherwise.
    mirrored : bool
        Left and right swapped.
    gamma : float
        Power of the pixels' values.
    quality : int
        Of the JPEG file.
    """

    turn_deg: float = 0.0
    scale: float = 1.0
    mirrored: bool = False
    gamma: float = 1.0
    quality: int = 95

    def to_changed(self, width: int, height: int) -> tuple[Array, tuple[int, int]]:
        """Map (2, 3) from px of the photograph to px of the changed one, and its size."""
        size = int(self.scale * width), int(self.scale * height)
        middle, new_middle = np.array([width - 1, height - 1]) / 2, (np.array(size) - 1) / 2
        cosine, sine = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        linear = self.scale * np.array([[cosine, -sine], [sine, cosine]]) @ np.diag([-1 if self.mirrored else 1, 1])
        return np.column_stack([linear, new_middle - linear @ middle]), size

    def changed(self, bgr: Picture) -> tuple[Picture, Array]:
        """The picture, and the map that leads to it; what was beyond the frame repeats its border."""
        to_changed, size = self.to_changed(bgr.shape[1], bgr.shape[0])
        flags = cv2.INTER_AREA if self.scale < 1 else cv2.INTER_LINEAR
        moved = cv2.warpAffine(bgr, to_changed, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        table = np.round(255 * (np.arange(256) / 255) ** self.gamma).astype(np.uint8)
        return np.asarray(cv2.LUT(moved, table), np.uint8), to_changed


WAYS = {
    "as it is": Way(),
    "mirrored": Way(mirrored=True),
    "turned right": Way(turn_deg=6.0),
    "turned left": Way(turn_deg=-6.0),
    "smaller": Way(scale=0.8),
    "brighter": Way(gamma=0.75),
    "darker": Way(gamma=1.35),
    "stored worse": Way(quality=45),
}


def in_all_ways(index: Sequence[dict[str, Any]], folder: Path, into: Path) -> list[dict[str, Any]]:
    """Write every photograph that is there in every way, with its labels.

    Parameters
    ----------
    index : sequence of dict
        Entries of people.json or violins.json.
    folder : Path
        Where their pictures are.
    into : Path
        Where the changed ones go, one folder a way.

    Returns
    -------
    list of dict
        Their entries.
    """
    entries = []
    for entry in index:
        bgr = cv2.imread(str(folder / entry["file"]))
        if bgr is None:
            print(f"missing: {entry['file']}")
            continue
        for name, way in WAYS.items():
            file = Path(name.replace(" ", "_")) / Path(entry["file"]).with_suffix(".jpg").name
            (into / file).parent.mkdir(parents=True, exist_ok=True)
            picture, to_changed = way.changed(np.asarray(bgr, np.uint8))
            cv2.imwrite(str(into / file), picture, [cv2.IMWRITE_JPEG_QUALITY, way.quality])
            entries.append(_moved(entry, to_changed, way) | {"file": str(file)})
    return entries


def _moved(entry: dict[str, Any], to_changed: Array, way: Way) -> dict[str, Any]:
    """The entry with its places and lengths as they are in the changed picture."""

    def placed(xy: Any) -> Any:
        return (np.array(xy, float) @ to_changed[:, :2].T + to_changed[:, 2]).tolist()

    moved = dict(entry)
    for name in ("body", "instrument", "body_fine", "instrument_fine"):
        if entry.get(name):
            moved[name] = placed(entry[name])
    for name in ("body_px", "total_px"):
        if name in entry:
            moved[name] = way.scale * entry[name]
    if isinstance(entry.get("points"), dict):
        moved["points"] = {_side(name, way): xy and placed(xy) for name, xy in entry["points"].items()}
        moved["flags"] = {_side(name, way): value for name, value in entry.get("flags", {}).items()}
    return moved


def _side(name: str, way: Way) -> str:
    """A label's name; in the mirror a person's left is their right."""
    stem, letter = name[:-1], name[-1]
    swapped = {"L": "R", "R": "L"}.get(letter, letter) if stem.endswith("_") else letter
    return stem + swapped if way.mirrored else name
