"""Make arm scenes: ``python -m vision.training.outsider.make OUT BODIES ASSETS --renderer PYTHON --first 900000``.

Every other scene stands against the wall, the others float; with ``--turned`` trunks are turned by 15 to 25 degrees,
with ``--bent`` elbows are bent towards the camera by 20 to 45 degrees, the upper arm as else.
For each seed OUT/child_wall/SEED or OUT/child/SEED with photo.jpg and truth.json, as `tests.accuracy` reads them; with
``--steps`` five views by somebody who steps aside, OUT/sequences/child_wall/SEED/VIEW.
BODIES comes from ``python -m vision.training.figures.bodies BODIES.npz --whole``; ASSETS is a folder with ``skins`` and
``proxies`` made for that mesh; PYTHON is an interpreter that has numpy and ``bpy`` (Blender 5.0 from PyPI), which is no
requirement of the project.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from vision.training.figures import bodies
from vision.training.figures.sequences import STEPS
from vision.training.outsider.phone import bent, developed, printed
from vision.training.outsider.scene import Scene, Wanted
from vision.training.saving import save_photo

PAGE_DPI = 300


@dataclass(frozen=True)
class Picture:
    """One picture to make: its seed and, of somebody who steps aside, which view."""

    seed: int
    view: int | None = None

    @property
    def name(self) -> str:
        """Of its files."""
        return f"{self.seed}" if self.view is None else f"{self.seed}-{self.view}"

    def folder(self, wall: bool) -> Path:
        """Where photo and truth go, below OUT."""
        place = Path("child_wall" if wall else "child") / str(self.seed)
        return place if self.view is None else Path("sequences") / place / str(self.view)


def scene_of(picture: Picture, options: argparse.Namespace) -> Scene:
    """The scene of a picture."""
    kinds, store = bodies.load(options.bodies, whole=True)
    fitting = bodies.load_fitting(options.bodies)
    wanted = Wanted(picture.seed % 2 == 0, options.turned, options.bent, stepped=picture.view is not None)
    folder = options.out / "described"
    scene = Scene(picture.seed, kinds, store, fitting, options.assets, wanted, folder, options.scale)
    return scene if picture.view is None else scene.again(picture.view)


def described(work: tuple[Picture, argparse.Namespace]) -> str | None:
    """Describe one scene; why it could not be."""
    picture, options = work
    try:
        scene = scene_of(picture, options)
    except (ValueError, IndexError) as problem:
        return f"{picture.name}: {problem!r}"
    scene.description().save(options.out / "described" / f"{picture.name}.npz")
    return None


def finished(work: tuple[Picture, argparse.Namespace]) -> str | None:
    """Make photo and truth of what was rendered; what they show, or None where nothing was."""
    picture, options = work
    rendered = options.out / "described" / f"{picture.name}.npy"
    if not rendered.exists():
        return None
    scene = scene_of(picture, options)
    seen = bent(np.load(rendered).astype(float), scene.wide_view, scene.lens)
    for number, one in enumerate(scene.sheets):
        seen = printed(seen, scene.lens, one, sheet_image(SheetLayout(Paper.A4, number + 1), PAGE_DPI))
    rng = np.random.default_rng([picture.seed, 76])
    place = options.out / picture.folder(scene.wanted.wall)
    place.mkdir(parents=True, exist_ok=True)
    truth = scene.truth()
    rgb = developed(seen, rng)
    save_photo(place / "photo.jpg", rgb, int(rng.integers(80, 96)), truth["camera"]["f35_true"])
    (place / "truth.json").write_text(json.dumps(truth))
    rendered.unlink()
    return f"{picture.name} {truth['worn']} {truth['scene']}"


def main() -> None:
    """Describe, render and finish them all."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("out", "bodies", "assets"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--renderer", help="interpreter with bpy; without it scenes are described only")
    parser.add_argument("--first", type=int, default=900_000)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--turned", action="store_true", help="trunks turned by 15 to 25 degrees")
    parser.add_argument("--bent", action="store_true", help="elbows bent towards the camera by 20 to 45 degrees")
    parser.add_argument("--steps", action="store_true", help="five views by somebody who steps aside")
    parser.add_argument("--samples", default="40")
    parser.add_argument("--scale", type=float, default=1.0, help="of the picture, for a first look")
    parser.add_argument("--card", action="store_true", help="render on a graphics card (CUDA)")
    parser.add_argument("--renderers", type=int, default=1, help="how many render at once")
    parser.add_argument("--processes", type=int, default=1, help="that describe and finish")
    options = parser.parse_args()
    (options.out / "described").mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    views = range(len(STEPS)) if options.steps else (None,)
    pictures = [Picture(seed, view) for seed in range(options.first, options.first + options.count) for view in views]
    start = time.time()
    with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
        for problem in pool.imap_unordered(described, [(one, options) for one in pictures]):
            if problem:
                print(problem, flush=True)
    print(f"described in {time.time() - start:.0f} s", flush=True)
    if options.renderer is None:
        return
    files = [options.out / "described" / f"{one.name}.npz" for one in pictures]
    files = [file for file in files if file.exists()]
    how = ["--samples", options.samples, *(["--card"] if options.card else [])]
    parts = [files[k :: options.renderers] for k in range(options.renderers)]
    command = [options.renderer, "-m", "vision.training.outsider.blender", *how]
    running = [subprocess.Popen([*command, *map(str, part)], stdout=subprocess.DEVNULL) for part in parts if part]
    while any(process.poll() is None for process in running):
        time.sleep(2)
    with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
        for made in pool.imap_unordered(finished, [(one, options) for one in pictures]):
            if made:
                print(made, flush=True)
    print(f"all in {time.time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
