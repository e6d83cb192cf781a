"""Make arm scenes: ``python -m vision.training.outsider.make OUT BODIES ASSETS --renderer PYTHON --first 900000``.

Every other scene stands against the wall, the others float; with ``--turned`` trunks are turned by 15 to 25 degrees.
For each seed OUT/child_wall/SEED or OUT/child/SEED with photo.jpg and truth.json, as `tests.accuracy` reads them.
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
from pathlib import Path

import cv2
import numpy as np

from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from vision.training.figures import bodies
from vision.training.outsider.phone import bent, developed, printed
from vision.training.outsider.scene import Scene, Wanted
from vision.training.saving import save_photo

PAGE_DPI = 300


def scene_of(seed: int, options: argparse.Namespace) -> Scene:
    """The scene of a seed."""
    kinds, store = bodies.load(options.bodies, whole=True)
    fitting = bodies.load_fitting(options.bodies)
    wanted = Wanted(wall=seed % 2 == 0, turned=options.turned)
    return Scene(seed, kinds, store, fitting, options.assets, wanted, options.out / "described", options.scale)


def described(work: tuple[int, argparse.Namespace]) -> str | None:
    """Describe one scene; why it could not be."""
    seed, options = work
    try:
        scene = scene_of(seed, options)
    except (ValueError, IndexError) as problem:
        return f"{seed}: {problem!r}"
    scene.description().save(options.out / "described" / f"{seed}.npz")
    return None


def finished(work: tuple[int, argparse.Namespace]) -> str | None:
    """Make photo and truth of what was rendered; what they show, or None where nothing was."""
    seed, options = work
    rendered = options.out / "described" / f"{seed}.npy"
    if not rendered.exists():
        return None
    scene = scene_of(seed, options)
    seen = bent(np.load(rendered).astype(float), scene.wide_view, scene.lens)
    for number, one in enumerate(scene.sheets):
        seen = printed(seen, scene.lens, one, sheet_image(SheetLayout(Paper.A4, number + 1), PAGE_DPI))
    rng = np.random.default_rng([seed, 76])
    place = options.out / ("child_wall" if scene.wanted.wall else "child") / str(seed)
    place.mkdir(parents=True, exist_ok=True)
    truth = scene.truth()
    rgb = developed(seen, rng)
    save_photo(place / "photo.jpg", rgb, int(rng.integers(80, 96)), truth["camera"]["f35_true"])
    (place / "truth.json").write_text(json.dumps(truth))
    rendered.unlink()
    return f"{seed} {truth['worn']} {truth['scene']}"


def main() -> None:
    """Describe, render and finish them all."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("out", "bodies", "assets"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--renderer", help="interpreter with bpy; without it scenes are described only")
    parser.add_argument("--first", type=int, default=900_000)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--turned", action="store_true", help="trunks turned by 15 to 25 degrees")
    parser.add_argument("--samples", default="40")
    parser.add_argument("--scale", type=float, default=1.0, help="of the picture, for a first look")
    parser.add_argument("--card", action="store_true", help="render on a graphics card (CUDA)")
    parser.add_argument("--renderers", type=int, default=1, help="how many render at once")
    parser.add_argument("--processes", type=int, default=1, help="that describe and finish")
    options = parser.parse_args()
    (options.out / "described").mkdir(parents=True, exist_ok=True)
    cv2.setNumThreads(1)
    seeds = list(range(options.first, options.first + options.count))
    start = time.time()
    with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
        for problem in pool.imap_unordered(described, [(seed, options) for seed in seeds]):
            if problem:
                print(problem, flush=True)
    print(f"described in {time.time() - start:.0f} s", flush=True)
    if options.renderer is None:
        return
    files = [options.out / "described" / f"{seed}.npz" for seed in seeds]
    files = [file for file in files if file.exists()]
    how = ["--samples", options.samples, *(["--card"] if options.card else [])]
    parts = [files[k :: options.renderers] for k in range(options.renderers)]
    command = [options.renderer, "-m", "vision.training.outsider.blender", *how]
    running = [subprocess.Popen([*command, *map(str, part)], stdout=subprocess.DEVNULL) for part in parts if part]
    while any(process.poll() is None for process in running):
        time.sleep(2)
    with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
        for made in pool.imap_unordered(finished, [(seed, options) for seed in seeds]):
            if made:
                print(made, flush=True)
    print(f"all in {time.time() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
