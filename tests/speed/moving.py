"""How long a moved point takes in what several photos or a film gave together, in a worker that was warm.

``python -m tests.speed.moving [--runs N]``

The samples of one child and of one instrument from three places, five photos made of them by taking two twice, and the
sample film.  Beside the median of solving it says how long looking takes, which a page does once when it opens.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from service.measuring.outcome import ArmQuestion, InstrumentQuestion, Question
from service.measuring.pool import MeasuringPool

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
CHILD, INSTRUMENT = ([SAMPLES / f"{name}-5-{letter}.jpg" for letter in "abc"] for name in ("child", "instrument"))
KINDS: dict[str, tuple[Sequence[Path], str, Question]] = {
    "three photos of a child": (CHILD, "mid_palm", ArmQuestion(age_years=6.0)),
    "five photos of a child": ([*CHILD, *CHILD[:2]], "mid_palm", ArmQuestion(age_years=6.0)),
    "film of a child": ([SAMPLES / "child-4.mp4"], "mid_palm", ArmQuestion(age_years=8.0)),
    "three photos of an instrument": (INSTRUMENT, "body_bottom", InstrumentQuestion()),
    "five photos of an instrument": ([*INSTRUMENT, *INSTRUMENT[:2]], "body_bottom", InstrumentQuestion()),
}


async def seconds(
    pool: MeasuringPool, files: Sequence[bytes], point: str, question: Question, runs: int
) -> tuple[float, float]:
    """Seconds of looking, and the median of solving with a point moved by a pixel more each time."""
    start = time.perf_counter()
    sight = await pool.look(files, question)
    looked = time.perf_counter() - start
    if sight is None:
        raise RuntimeError("the samples could not be looked at")
    first = (await pool.solve(sight, question)).views[0]
    assert first is not None
    x, y = first.result["points_px"][point]
    taken = []
    for step in range(runs + 1):
        start = time.perf_counter()
        outcome = await pool.solve(sight, question, {0: {point: (x + step, y)}})
        taken.append(time.perf_counter() - start)
        if not outcome.result["usable"]:
            raise RuntimeError("the moved point could not be measured")
    return looked, median(taken[1:])


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.speed.moving", description=__doc__)
    parser.add_argument("--runs", type=int, default=10)
    options = parser.parse_args()
    print(f"{len(os.sched_getaffinity(0))} cores, load {os.getloadavg()[0]:.1f}")
    with MeasuringPool(2) as pool:
        for what, (places, point, question) in KINDS.items():
            files = [place.read_bytes() for place in places]
            looked, solved = asyncio.run(seconds(pool, files, point, question, options.runs))
            print(f"{what:<32} looked at in {looked:5.2f} s, a moved point in {solved:6.3f} s", flush=True)


if __name__ == "__main__":
    main()
