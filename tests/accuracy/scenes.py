"""The scenes with known truth, each with our own sheet printed into it.

The sheets in the given pictures are blank; the composing script beside the scenes prints a page onto them.  Composed
photos are kept in the temporary folder under a name that changes with the page, so that a second run starts at once.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image

PAGE_DPI = 300
MESSENGER_SIDE_PX, MESSENGER_QUALITY = 1200, 70
"""What a messenger leaves of a photo: no metadata, this longer side, this JPEG quality."""


@dataclass(frozen=True)
class Scene:
    """One scene: its folder, its truth, and the photo with our sheet in it."""

    kind: str
    folder: Path
    truth: dict[str, Any]
    photo: Path

    @property
    def name(self) -> str:
        """Kind and number."""
        return f"{self.kind}/{self.folder.name}"


def scenes(shared_scenes: Path, kind: str, print_scale: float = 1.0) -> Iterator[Scene]:
    """Every scene of a kind ("child", "child_wall", "violin", ...), composed on demand.

    Parameters
    ----------
    shared_scenes : Path
        The folder with the scenes and `compose.py`.
    kind : str
        Folder under it.
    print_scale : float
        Size of the print over its true size.
    """
    shared_scenes = shared_scenes.resolve()
    pages = [sheet_image(SheetLayout(Paper.A4, index), PAGE_DPI) for index in (1, 2)]
    composed = _folder(pages, print_scale)
    # violin pairs have one more level: folder, then view
    for truth_file in sorted((shared_scenes / kind).glob("**/truth.json")):
        folder = truth_file.parent
        truth = json.loads(truth_file.read_text())
        if (folder / "photo.jpg").exists():
            yield Scene(kind, folder, truth, folder / "photo.jpg")
            continue
        photo = composed / f"{_name(shared_scenes, folder)}.jpg"
        if not photo.exists():
            part = _beside(photo)
            composer(shared_scenes)(str(folder), pages[: len(truth["sheets"])], str(part), print_scale=print_scale)
            part.rename(photo)
        yield Scene(kind, folder, truth, photo)


def sequences_of(shared_scenes: Path, kind: str) -> Iterator[tuple[Scene, ...]]:
    """The views of every sequence of a kind: SCENES/sequences/KIND/NUMBER/VIEW."""
    for _, views in groupby(scenes(shared_scenes / "sequences", kind), key=lambda scene: scene.folder.parent):
        yield tuple(views)


def messenger(photo: Path) -> Path:
    """The photo as a messenger delivers it: smaller, recompressed, without metadata."""
    small = photo.with_name(f"{photo.stem}_messenger.jpg")
    if not small.exists():
        with Image.open(photo) as image:
            rgb = image.convert("RGB")
            rgb.thumbnail((MESSENGER_SIDE_PX, MESSENGER_SIDE_PX), Image.Resampling.LANCZOS)
            rgb.save(part := _beside(small), quality=MESSENGER_QUALITY)
        part.rename(small)
    return small


def _beside(photo: Path) -> Path:
    """Where this process writes a photo before it has its name: two may make the same one at a time."""
    return photo.with_suffix(f".{os.getpid()}.jpg")


def _name(shared_scenes: Path, folder: Path) -> str:
    """Name that also tells scene folders of the same layout apart."""
    place = hashlib.sha256(str(shared_scenes).encode()).hexdigest()[:6]
    return "_".join((place, *folder.relative_to(shared_scenes).parts))


def _folder(pages: list[np.ndarray], print_scale: float) -> Path:
    digest = hashlib.sha256(b"".join(page.tobytes() for page in pages)).hexdigest()[:12]
    folder = Path(tempfile.gettempdir()) / f"scrollreach-accuracy-{digest}-{round(print_scale * 10000)}"
    folder.mkdir(exist_ok=True)
    return folder


@cache
def composer(shared_scenes: Path) -> Any:
    """`compose` of the script that lies beside the scenes (or beside the development scenes, for further ones)."""
    for place in (
        shared_scenes,
        shared_scenes.parent / "scenes",
        Path(__file__).resolve().parents[3] / "shared/scenes",
    ):
        script = place / "compose.py"
        if script.exists():
            spec = importlib.util.spec_from_file_location("compose_scene", script)
            assert spec is not None
            assert spec.loader is not None
            module = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
            return module.compose
    raise SystemExit(f"no compose.py beside {shared_scenes}")
