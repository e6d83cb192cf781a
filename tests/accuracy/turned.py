"""Turned trunks: whether they are refused, or covered by the interval, and whether straight ones are left alone.

The folder is one that ``python -m vision.training.figures.sequences FOLDER BODIES SURFACES --turned --first 800000
--count 110`` wrote: every other child turns its trunk by 15 to 25 degrees, the others turn the head alone.  The
renderer is the one that the neck's network learned from; the seeds are others.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tests.accuracy.arm import KINDS, Result
from tests.accuracy.scenes import scenes
from tests.accuracy.table import Reading, Row, row
from vision.arm.measure import measure_arm
from vision.photo import load_photo
from vision.problems import TORSO_TURNED


def rows(folder: Path) -> list[Row]:
    """Straight trunks and turned ones, of each kind.

    Parameters
    ----------
    folder : Path
        With a sub-folder a kind.
    """
    table: list[Row] = []
    for kind, title in KINDS.items():
        results = [Result(scene, measure_arm(load_photo(scene.photo))) for scene in scenes(folder, kind)]
        straight, turned = ([r.reading() for r in results if bool(r.faults) is fault] for fault in (False, True))
        table.append(row(title, "trunk straight, head turned", "arm", straight))
        summed = row(title, "trunk turned by 15 to 25 degrees", "arm", turned, ">= 95 % refused or covered").as_json()
        table.append(Row(**{**summed, "notes": told(turned)}))
    return table


def told(turned: Sequence[Reading]) -> str:
    """How many turned trunks are refused, for that reason or another, or lie within their interval."""
    refused = [one for one in turned if one.value_mm is None]
    as_turned = sum(TORSO_TURNED.code in one.problems for one in refused)
    measured = [(one, one.low_mm, one.high_mm) for one in turned if one.value_mm is not None]
    missed = [one.name for one, low, high in measured if low is None or high is None or not low <= one.truth_mm <= high]
    fine = len(turned) - len(missed)
    return "; ".join([f"{fine} of {len(turned)} refused ({as_turned} of {len(refused)} as turned) or covered", *missed])
