"""The time of a film of three seconds in 1080p: warm in two workers, from cold, and the processor's by stages.

``python -m tests.speed.film [--runs N] [--stages] [--json FILE]``

The film is the sample's (720p, ten frames a second) with every frame three times as large a second and as large as
phones write it: 1920 x 1080, 30 a second, H.264 at some 17 Mbit/s, a little noise in every frame.  Absolute times are
the machine's that printed them; those of the stages are the processor's on one core, which other work changes less.
"""

from __future__ import annotations

import argparse
import asyncio
import io
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from statistics import median
from typing import Any

import av
import cv2
import numpy as np

from tests.speed.photos import SAMPLES, cold_seconds

WANTED_S = 4.0
"""What a film of three seconds may take on two cores; asked of this project."""
RATE = 30
BIT_RATE = 17_000_000
"""Of 1080p at 30 frames a second as phones usually write it; common practice, no source."""
NOISE = 2.0
"""Standard deviation of the noise added to every frame, so that repeated frames cost what different ones do."""


def phone_film(seconds: float = 3.0) -> bytes:
    """The sample film in 1080p at 30 frames a second."""
    with av.open(str(SAMPLES / "child-4.mp4")) as sample:
        taken = [frame.to_ndarray(format="bgr24") for frame in sample.decode(video=0)]
    large = [cv2.resize(frame, (1920, 1080), interpolation=cv2.INTER_CUBIC) for frame in taken]
    generator = np.random.default_rng(4)
    noises = [generator.normal(0, NOISE, large[0].shape).astype(np.int16) for _ in range(5)]
    buffer = io.BytesIO()
    with av.open(buffer, "w", format="mp4") as container:
        stream = container.add_stream("h264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = 1920, 1080, "yuv420p", BIT_RATE
        stream.options = {"preset": "veryfast"}
        for number in range(round(seconds * RATE)):
            picture = large[min(number * len(large) // round(seconds * RATE), len(large) - 1)]
            noisy = np.clip(picture + noises[number % len(noises)], 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(noisy, format="bgr24")
            frame.pts, frame.time_base = number, Fraction(1, RATE)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return buffer.getvalue()


def timed(run: Callable[[], object], runs: int) -> float:
    """Median seconds of the processor of `runs` runs after one that is not counted."""
    taken = []
    for _ in range(runs + 1):
        start = time.process_time()
        run()
        taken.append(time.process_time() - start)
    return median(taken[1:])


def warm_seconds(film: bytes, workers: int, runs: int) -> float:
    """Median seconds of the film in a pool whose workers have measured before."""
    from service.measuring.pool import MeasuringPool

    async def measure(pool: MeasuringPool) -> list[float]:
        taken = []
        for _ in range(runs + 1):
            start = time.perf_counter()
            outcome = await pool.arm(film, "film.mp4")
            taken.append(time.perf_counter() - start)
            if not outcome.result["usable"]:
                raise RuntimeError("the sample film was refused")
        return taken[1:]

    with MeasuringPool(workers) as pool:
        return median(asyncio.run(measure(pool)))


def stages(film: bytes, runs: int) -> dict[str, float]:
    """Median seconds of the processor of the stages, on one core, one after the other."""
    from vision.arm.seen import see_arm
    from vision.arm.views import solve_views
    from vision.clip import clip_photos

    photos = clip_photos(film, "film")
    seen = [see_arm(photo) for photo in photos]

    def decode() -> None:
        with av.open(io.BytesIO(film)) as container:
            for _ in container.decode(video=0):
                pass

    return {
        "decoding every frame": timed(decode, runs),
        "choosing frames, decoding included": timed(lambda: clip_photos(film, "film"), runs),
        f"looking at {len(photos)} frames": timed(lambda: [see_arm(photo) for photo in photos], runs),
        "solving": timed(lambda: solve_views(seen), runs),
    }


def stages_alone(runs: int) -> dict[str, float]:
    """The stages in a process of their own, in which small matrices have one thread as in the service's workers."""
    command = [sys.executable, "-m", "tests.speed.film", "--stages", "--runs", str(runs)]
    alone = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, check=True, capture_output=True, text=True, env=alone)
    told: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return told


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed.film", description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--stages", action="store_true", help="print the stages alone, as JSON")
    options = parser.parse_args()
    film = phone_film()
    if options.stages:
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
        cv2.setNumThreads(1)
        print(json.dumps(stages(film, options.runs)))
        return
    rows: list[dict[str, Any]] = []

    def row(what: str, seconds: float, wanted: str = "") -> None:
        rows.append({"what": what, "value": round(seconds, 3), "unit": "s", "wanted": wanted})
        print(f"{what:<56} {seconds:7.2f} s  {wanted}", flush=True)

    print(f"{len(film) / 1e6:.1f} MB, {len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}")
    row("film of 3 s in 1080p, warm, two workers", warm_seconds(film, 2, options.runs), f"<= {WANTED_S:g}")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "film.mp4"
        place.write_bytes(film)
        command = [str(Path(sys.executable).with_name("scrollreach")), "arm", str(place), "--json"]
        row("the same from cold: scrollreach arm CLIP", cold_seconds(command, options.runs))
    for what, seconds in stages_alone(options.runs).items():
        row(f"{what}: processor, one core", seconds)
    if options.json:
        options.json.write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
