"""Seeds spread over processes, and these over the graphics cards that there are; each loads the stores once."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calibration.arrays import Picture
from vision.training.figures import bodies, textures
from vision.training.figures.bodies import Body, Kinds

UNMADE = (ValueError, IndexError, np.linalg.LinAlgError)
"""What a seed raises that comes to nothing: a garment that came out empty, a hidden sheet."""


@dataclass(frozen=True)
class Stores:
    """What figures and rooms are made of."""

    kinds: Kinds
    bodies: list[Body]
    surfaces: list[Picture]


Make = Callable[[int, Stores, argparse.Namespace], None]
"""Writes what belongs to a seed; may raise one of `UNMADE`."""

_KEPT: dict[str, Any] = {}
"""Of this process: what to make, of which stores, as asked."""


def parser(words: str | None, first: int, count: int) -> argparse.ArgumentParser:
    """Options of a maker of pictures: where to, the stores, which seeds, for how long, by how many processes."""
    made = argparse.ArgumentParser(description=words)
    for name in ("out", "bodies", "surfaces"):
        made.add_argument(name, type=Path)
    made.add_argument("--first", type=int, default=first)
    made.add_argument("--count", type=int, default=count)
    made.add_argument("--seconds", type=float, default=1e9)
    made.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    return made


def spread(make: Make, options: argparse.Namespace) -> Iterator[str | None]:
    """Make all seeds, or as many as the time allows; of each, as it is done, why it could not be made, or None."""
    options.out.mkdir(parents=True, exist_ok=True)
    context = multiprocessing.get_context("spawn")
    start, number = time.time(), context.Value("i", 0)
    with context.Pool(options.processes, _start, (make, options, number)) as pool:
        for problem in pool.imap_unordered(_made, range(options.first, options.first + options.count)):
            yield problem
            if time.time() - start > options.seconds:
                pool.terminate()
                break


def _start(make: Make, options: argparse.Namespace, counter: Any) -> None:
    cv2.setNumThreads(1)
    with counter.get_lock():
        number = counter.value
        counter.value += 1
    cards = len(list(Path("/dev").glob("nvidia[0-9]*")))
    if cards:
        os.environ["CUDA_VISIBLE_DEVICES"] = str(number % cards)
    stores = Stores(*bodies.load(options.bodies), textures.load(options.surfaces))
    _KEPT.update(make=make, stores=stores, options=options)


def _made(seed: int) -> str | None:
    """Make what belongs to one seed; the reason if it could not be made."""
    try:
        _KEPT["make"](seed, _KEPT["stores"], _KEPT["options"])
    except UNMADE as problem:
        return f"{seed}: {problem!r}"
    return None
