"""The time of a photo against the time of its pixels: ratios, measured in turn in one run on one core.

``python -m tests.speed.photos [--runs N] [--short] [--stages] [--memory] [--json FILE]``

The floor is what nobody gets below with these parts: decoding the file, one inference of the heavy body model on it
(for an arm), and one detection of the sheet.  The afternoon script is what anybody would write first: the sheet's
markers by OpenCV's detector as it comes, the same body model on the whole photo and a number from its landmarks; for an
instrument GrabCut (Rother, Kolmogorov and Blake 2004, as OpenCV has it) in the middle of the full picture.  All run in
turn, one after the other in every round, so that a drift of the machine's speed meets all of them, and what is counted
is processor time, so that what else runs on the machine hardly matters.  Absolute times belong to the machine; ratios
can be compared.  As in the product's workers, one thread multiplies matrices (`service.measuring.forking`): on one core
a second one waits for the first, and its waiting would be counted.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from statistics import median
from typing import Any
from unittest.mock import patch

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # read once, when NumPy is loaded

import cv2
import numpy as np
from PIL import Image

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
CHILD, INSTRUMENT = SAMPLES / "child-1.jpg", SAMPLES / "instrument-1.jpg"
VIEWS = ("instrument-4-first.jpg", "instrument-4-second.jpg")
MEGAPIXELS = (2, 5, 12, 48)
MAIN = 12
"""The size whose ratios count, megapixels: what phones take."""

STAGES = {
    "decode": ["vision.photo.load_photo"],
    "sheets": ["calibration.checked_camera.find_sheets"],
    "camera and print": ["calibration.checked_camera.checked_camera"],
    "people": ["vision.arm.seen.find_people"],
    "hand": ["vision.arm.seen.find_hand"],
    "neck": ["vision.arm.seen.find_neck"],
    "face": ["vision.arm.seen.seen_from_behind"],
    "depths": ["vision.arm.seen.arm_depths"],
    "quality": ["vision.arm.seen.picture_problems"],
    "solve": ["vision.arm.measure.solve_arm", "vision.instrument.measure.solve_instrument"],
    "see": ["vision.instrument.detected.see_instrument"],
    "glare": ["vision.instrument.detected.refuse_glare"],
    "trace": ["vision.instrument.detected.trace"],
    "feet": ["vision.instrument.detected.shows_feet"],
}
"""Stages of measuring, and the functions that are them, by the place where they are called from."""


def resized(source: Path, megapixels: float) -> bytes:
    """A sample as a JPEG of so many megapixels, its EXIF kept."""
    picture = Image.open(source)
    factor = (megapixels * 1e6 / (picture.width * picture.height)) ** 0.5
    out = io.BytesIO()
    size = round(picture.width * factor), round(picture.height * factor)
    picture.resize(size, Image.Resampling.LANCZOS).save(out, "JPEG", quality=92, exif=picture.getexif())
    return out.getvalue()


@dataclass(frozen=True)
class Task:
    """Something to time: its title and what it does."""

    title: str
    run: Callable[[], object]


def one_inference() -> Callable[[np.ndarray], Any]:
    """The heavy body model, asked for one person and no mask."""
    from mediapipe.tasks.python import BaseOptions, vision

    from vision.networks.landmark_model import LandmarkModel

    def opened(path: str) -> Any:
        options = vision.PoseLandmarkerOptions(base_options=BaseOptions(model_asset_path=path), num_poses=1)
        return vision.PoseLandmarker.create_from_options(options)

    model = LandmarkModel("pose_heavy.task", opened)
    return lambda rgb: model.detect(rgb, lambda found: bool(found.pose_landmarks))


def arm_of(photo: bytes) -> object:
    """The product's way from a file to an arm length."""
    from vision.arm.measure import measure_arm
    from vision.photo import load_photo

    return usable(measure_arm(load_photo(photo, "child")))


def instrument_of(photo: bytes) -> object:
    """The product's way from a file to an instrument's lengths."""
    from vision.instrument.measure import measure_instrument
    from vision.photo import load_photo

    return usable(measure_instrument(load_photo(photo, "instrument")))


def together(photos: list[bytes]) -> object:
    """One instrument from several photos of it lying still."""
    from vision.instrument.views import measure_instrument_together
    from vision.photo import load_photo

    return usable(measure_instrument_together([load_photo(each, str(n)) for n, each in enumerate(photos)]))


def usable(measurement: Any) -> Any:
    """Hand a measurement on; a refusal would make the timing worthless."""
    if not measurement.usable:
        raise RuntimeError(f"the sample was refused: {[problem.code for problem in measurement.problems]}")
    return measurement


def verdict_of(child: bytes, instrument: bytes) -> object:
    """Both photos and the verdict."""
    from service.fit.assessment import InstrumentLengths
    from service.fit.chart_table import default_chart
    from service.fit.verdict import judge

    arm, seen = arm_of(child), instrument_of(instrument)
    return judge(arm.arm_length, InstrumentLengths(seen.body_length, seen.total_length), default_chart())  # type: ignore[attr-defined]


def afternoon_script(rgb: np.ndarray, infer: Callable[[np.ndarray], Any] | None) -> object:
    """Markers as OpenCV's detector comes, then the body model or GrabCut on the full picture."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    corners, _, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(rgb)
    if infer is not None:
        return corners, infer(rgb)
    height, width = rgb.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    middle = (width // 8, height // 8, 3 * width // 4, 3 * height // 4)
    cv2.grabCut(rgb, mask, middle, np.zeros((1, 65)), np.zeros((1, 65)), 5, cv2.GC_INIT_WITH_RECT)
    return corners, mask


def tasks(megapixels: float, slow: bool) -> list[Task]:
    """What is timed at one size; the slow ones only where wanted."""
    from calibration.detection import find_sheets
    from vision.photo import load_photo

    child, instrument = resized(CHILD, megapixels), resized(INSTRUMENT, megapixels)
    infer = one_inference()

    def floor(photo: bytes, person: bool) -> None:
        rgb = load_photo(photo, "floor").rgb
        find_sheets(rgb)
        if person:
            infer(rgb)

    listed = [
        Task("floor of an arm", lambda: floor(child, True)),
        Task("floor of an instrument", lambda: floor(instrument, False)),
        Task("arm", lambda: arm_of(child)),
        Task("instrument", lambda: instrument_of(instrument)),
    ]
    if slow:
        views = [resized(SAMPLES / name, megapixels) for name in VIEWS]
        listed += [
            Task("verdict", lambda: verdict_of(child, instrument)),
            Task("two views of an instrument", lambda: together(views)),
            Task("afternoon script, arm", lambda: afternoon_script(load_photo(child, "child").rgb, infer)),
            Task("afternoon script, instrument", lambda: afternoon_script(load_photo(instrument, "i").rgb, None)),
        ]
    return listed


def in_turn(listed: list[Task], runs: int) -> dict[str, float]:
    """Median seconds of processor time of each task: all once unmeasured, then `runs` rounds of all."""
    for task in listed:
        task.run()
    seconds: dict[str, list[float]] = defaultdict(list)
    for _ in range(runs):
        for task in listed:
            start = time.process_time()
            task.run()
            seconds[task.title].append(time.process_time() - start)
    return {title: median(each) for title, each in seconds.items()}


@contextmanager
def watched(spent: dict[str, float], calls: dict[str, int]) -> Iterator[None]:
    """Count the calls and the seconds of every stage while the context is open."""
    patches = []
    for stage, places in STAGES.items():
        for place in places:
            module, _, name = place.rpartition(".")
            function = getattr(import_module(module), name)

            def timed(*given: Any, _function: Any = function, _stage: str = stage, **named: Any) -> Any:
                start = time.process_time()
                try:
                    return _function(*given, **named)
                finally:
                    spent[_stage] += time.process_time() - start
                    calls[_stage] += 1

            patches.append(patch(place, timed))
    for each in patches:
        each.start()
    try:
        yield
    finally:
        for each in patches:
            each.stop()


def stages(megapixels: float, runs: int) -> dict[str, dict[str, float]]:
    """Milliseconds of processor time of each stage of a photo, mean of `runs` runs after one unmeasured."""
    told = {}
    for what, source, measure in (("arm", CHILD, arm_of), ("instrument", INSTRUMENT, instrument_of)):
        data = resized(source, megapixels)
        measure(data)
        spent: dict[str, float] = defaultdict(float)
        calls: dict[str, int] = defaultdict(int)
        with watched(spent, calls):
            start = time.process_time()
            for _ in range(runs):
                measure(data)
            whole = time.process_time() - start
        told[what] = {stage: 1000 * seconds / runs for stage, seconds in spent.items()}
        told[what]["whole"] = 1000 * whole / runs
    return told


def held() -> tuple[float, float]:
    """Memory of this process, MB: the most that was resident, and now, with pages that are shared shared out (PSS)."""
    told = [
        *Path("/proc/self/status").read_text().splitlines(),
        *Path("/proc/self/smaps_rollup").read_text().splitlines(),
    ]
    kb = {name: float(next(line for line in told if line.startswith(name)).split()[1]) for name in ("VmHWM:", "Pss:")}
    return kb["VmHWM:"] / 1024, kb["Pss:"] / 1024


def worker_memory(megapixels: float, rounds: int = 3) -> tuple[float, float]:
    """As `held`, of the service's only worker after arms and instruments of a size, measured and drawn in turn."""
    import asyncio

    from service.measuring.pool import MeasuringPool

    child, instrument = resized(CHILD, megapixels), resized(INSTRUMENT, megapixels)

    async def after_all(pool: MeasuringPool) -> tuple[float, float]:
        for _ in range(rounds):
            for each in (await pool.arm(child, "c"), await pool.instrument(instrument, "i")):
                if not each.result["usable"]:
                    raise RuntimeError("a sample was refused")
        found: tuple[float, float] = await pool._answer(held)
        return found

    with MeasuringPool(1) as pool:
        return asyncio.run(after_all(pool))


def throughput(workers: int, photos: int, megapixels: float) -> float:
    """Photos a second through the service's worker pool, as many arms as instruments."""
    import asyncio

    from service.measuring.pool import MeasuringPool

    child, instrument = resized(CHILD, megapixels), resized(INSTRUMENT, megapixels)

    async def all_of(pool: MeasuringPool) -> float:
        await asyncio.gather(*(pool.arm(child, "warm") for _ in range(workers)))
        await asyncio.gather(*(pool.instrument(instrument, "warm") for _ in range(workers)))
        start = time.perf_counter()
        work = [pool.arm(child, "c") if n % 2 else pool.instrument(instrument, "i") for n in range(photos)]
        done = await asyncio.gather(*work)
        if not all(each.result["usable"] for each in done):
            raise RuntimeError("a sample was refused")
        return photos / (time.perf_counter() - start)

    with MeasuringPool(workers) as pool:
        return asyncio.run(all_of(pool))


def cold_seconds(command: list[str], runs: int) -> float:
    """Median wall time of a command as a process, s."""
    taken = []
    for _ in range(runs + 1):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - start)
    return median(taken[1:])


def memory_rows(row: Callable[..., None]) -> None:
    """What a worker holds, as rows."""
    for size, bound in ((MAIN, "<= 500"), (48, "<= 700")):
        peak, shared_out = worker_memory(size)
        row(f"peak resident memory of a worker, {size} megapixels", peak, "MB", bound)
        row(f"its memory afterwards, shared pages shared out, {size} megapixels", shared_out, "MB")


def report(runs: int, short: bool, memory: bool = False) -> list[dict[str, Any]]:
    """Every figure, as rows of what, value, unit and, where there is one, the wanted bound.

    In short only what a photo of `MAIN` megapixels takes over its floor; with `memory` only what a worker holds.
    """
    rows: list[dict[str, Any]] = []

    def row(what: str, value: float, unit: str, wanted: str = "") -> None:
        rows.append({"what": what, "value": round(value, 3), "unit": unit, "wanted": wanted})
        print(f"{what:<64} {value:9.2f} {unit:<10} {wanted}", flush=True)

    if memory:
        memory_rows(row)
        return rows
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(cores)})
    cv2.setNumThreads(1)
    whole: dict[float, dict[str, float]] = {}
    for size in (MAIN,) if short else MEGAPIXELS:
        whole[size] = in_turn(tasks(size, size == MAIN and not short), runs)
        took = whole[size]
        at = f"{size} megapixels"
        goal = size == MAIN
        row(f"arm / its floor, {at}", took["arm"] / took["floor of an arm"], "times", "<= 2.0" if goal else "")
        bound = "<= 2.5" if goal else ""
        row(f"instrument / its floor, {at}", took["instrument"] / took["floor of an instrument"], "times", bound)
    if short:
        return rows
    main = whole[MAIN]
    row("verdict / arm and instrument", main["verdict"] / (main["arm"] + main["instrument"]), "times")
    row("two views of an instrument / one", main["two views of an instrument"] / main["instrument"], "times")
    row("afternoon script / ours, arm", main["afternoon script, arm"] / main["arm"], "times", ">= 2")
    row(
        "afternoon script / ours, instrument",
        main["afternoon script, instrument"] / main["instrument"],
        "times",
        ">= 30",
    )
    for what in ("arm", "instrument"):
        row(f"{what}, 48 megapixels / 12", whole[48][what] / main[what], "times", "<= 2.5")
    os.sched_setaffinity(0, cores)
    memory_rows(row)
    one, two = (throughput(workers, 16, MAIN) for workers in (1, 2))
    row("photos a second, two workers / one", two / one, "times", ">= 1.8")
    command = str(Path(sys.executable).with_name("scrollreach"))
    row("scrollreach --help", cold_seconds([command, "--help"], runs), "s", "<= 0.3")
    fit = [command, "fit", "--child", str(CHILD), "--instrument", str(INSTRUMENT), "--json"]
    row("cold command to a verdict", cold_seconds(fit, runs), "s", "<= 2")
    return rows


def main() -> None:
    """Print the figures, or the profile by stage."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed.photos", description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--short", action="store_true", help="only a photo over its floor, at 12 megapixels")
    parser.add_argument("--stages", action="store_true", help="print milliseconds by stage at 12 megapixels")
    parser.add_argument("--memory", action="store_true", help="only what a worker holds")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    if options.stages:
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
        cv2.setNumThreads(1)
        for what, spent in stages(MAIN, options.runs).items():
            print(what)
            for stage, milliseconds in sorted(spent.items(), key=lambda each: -each[1]):
                print(f"  {stage:<20} {milliseconds:7.1f} ms")
        return
    rows = report(options.runs, options.short, options.memory)
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
